"""What `study type1|rr|linearity|stability` say, draw, exit with and refuse."""

import runpy
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import openpyxl
import pytest

from tiepoint.recipe.records import write_records

record = runpy.run_path(str(Path(__file__).parents[1] / "helpers" / "made_records.py"))["record"]
STUDIES = Path(__file__).parents[1] / "data" / "studies"
GAUGE, LINE = STUDIES / "rr_10x3x3.csv", STUDIES / "linearity_5x12.csv"


def table(path, header, rows):
    path.write_text("\n".join([header, *(",".join(str(c) for c in row) for row in rows)]) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def block(tmp_path):
    values = 4.503 + np.random.default_rng(4).normal(0, 0.002, 50)
    return table(tmp_path / "block.csv", "value", [[f"{v:.5f}"] for v in values])


def drawn(path):
    """Return the words of a drawing, which must be well-formed."""
    return " ".join(e.text or "" for e in ElementTree.parse(path).iter() if e.tag.endswith("text"))


# --- what they answer ----------------------------------------------------------------------------------------------


def test_the_published_gauge_study_by_command(cli, tmp_path):
    picture = tmp_path / "rr.svg"
    said = cli("study", "rr", GAUGE, "--tolerance", "8mm", "--most", "30%", "--picture", picture, "--json")
    assert said.code == 1  # by its interval it is not shown
    got = said.json
    assert got["study"] == "rr"
    assert got["good"] is False
    # AIAG, Measurement Systems Analysis, 4th ed.
    assert [round(got[k]["value"], 6) for k in ("ev", "av", "pv")] == [0.199933, 0.226838, 1.042327]
    assert round(100 * got["share_of_total"]["value"], 2) == 27.86
    assert got["pooled"] == ["part × appraiser"]
    assert [c["name"] for c in got["checks"]] == ["enough parts", "resolution", "normality", "outliers", "independence"]
    assert got["sentences"][-1].startswith("Next: ")
    words = drawn(picture)
    for word in ("repeatability", "appraiser", "T/6", "measuring (GRR)", "part"):
        assert word in words
    assert cli("study", "rr", GAUGE).code == 0  # nothing was asked for
    assert cli("study", "rr", GAUGE, "--tolerance", "80mm", "--most", "30%").code == 0


def test_what_a_person_reads_of_a_gauge_study(cli):
    said = cli("study", "rr", GAUGE, "--tolerance", "8mm", "--most", "30%").out
    for part in (
        "part × appraiser (pooled)", "an interaction joins the error where p > 0.25", "without pooling GRR is 0.313 mm",
        "By ranges: repeatability EV 0.2019, factor AV 0.2297",
        "as is usually judged; that it truly is, is not shown", "names no unit",
        "Tested and not objected to: enough parts",
    ):  # fmt: skip
        assert part in said, part
    assert said.rstrip().splitlines()[-1].startswith("Next: ")


def test_a_spreadsheet_and_a_table_answer_alike(cli, tmp_path):
    book = openpyxl.Workbook()
    lines = [line.split(",") for line in GAUGE.read_text().splitlines() if not line.startswith("#")]
    book.active.append(lines[0])
    for p, a, t, v in lines[1:]:
        book.active.append([int(p), a, int(t), float(v)])
    book.save(tmp_path / "rr.xlsx")
    one, other = (cli("study", "rr", path, "--json").json for path in (GAUGE, tmp_path / "rr.xlsx"))
    assert one.pop("name") != other.pop("name")
    of_table, of_sheet = one.pop("data"), other.pop("data")
    assert one == other
    assert of_table["values"] == of_sheet["values"]


def test_two_factors_by_name_and_components_that_are_not_seen(cli, tmp_path):
    rng, rows = np.random.default_rng(2), []
    for part in range(10):
        for carrier in "ABC":
            for shift in (1, 2):
                rows += [[part, carrier, shift, f"{4.5 + 0.03 * part + rng.normal(0, 0.002):.5f}"] for _ in range(2)]
    data = table(tmp_path / "r.csv", "part,carrier,shift,value", rows)
    said = cli("study", "rr", data, "--factor", "carrier", "--factor", "shift", "--pool", "never", "--unit", "mm",
               "--picture", tmp_path / "r.svg", "--json")  # fmt: skip
    assert said.code == 0, said.err
    names = [c["name"] for c in said.json["components"]]
    assert names == ["repeatability", "carrier", "shift", "part × carrier", "part × shift", "carrier × shift",
                     "part × carrier × shift", "part"]  # fmt: skip
    assert any(c["sd"]["value"] == 0 and c["sd"]["high"] > 0 for c in said.json["components"])
    assert "none seen" in drawn(tmp_path / "r.svg")
    left_out = cli("study", "rr", data, "--factor", "carrier", "--unit", "mm")
    assert "Column shift is not used" in left_out.out


def test_type_1_by_command_with_its_convention(cli, block, tmp_path):
    asked = ("study", "type1", block, "--unit", "mm", "--reference", "4.503mm", "--tolerance", "0.2mm")
    said = cli(*asked, "--picture", tmp_path / "b.svg", "--json")
    assert said.code == 0
    s = np.std([float(v) for v in block.read_text().split()[1:]], ddof=1)
    assert said.json["cg"]["value"] == pytest.approx(0.04 / (6 * s), rel=1e-9)
    assert "reference" in drawn(tmp_path / "b.svg")
    other = cli(*asked, "--share", "15%", "--spread", "4", "--least", "5")
    assert other.code == 1
    assert "Cg = 0.15·T/(4·s)" in other.out
    inches = cli("study", "type1", block, "--unit", "mm", "--reference", "4503um", "--tolerance", "0.00787401574803in",
                 "--json")  # fmt: skip
    assert inches.json["cg"]["value"] == pytest.approx(said.json["cg"]["value"], rel=1e-9)


def test_linearity_by_command(cli, tmp_path):
    said = cli("study", "linearity", LINE, "--most-bias", "0.7mm", "--picture", tmp_path / "l.svg", "--json")
    assert said.code == 1
    # AIAG, Measurement Systems Analysis, 4th ed.
    assert [round(said.json[k]["value"], 6) for k in ("slope", "intercept")] == [-0.131667, 0.736667]
    assert "allowed" in drawn(tmp_path / "l.svg")
    assert cli("study", "linearity", LINE, "--most-bias", "0.8mm").code == 0
    assert "bias = 0.736667 -0.131667·reference, R² 0.7143" in cli("study", "linearity", LINE).out


def test_stability_by_command(cli, tmp_path):
    rng = np.random.default_rng(4)
    rows = [[f"v{k}", f"{4.5 + rng.normal(0, 0.002) + (k > 24) * 0.005:.5f}"] for k in range(30) for _ in range(4)]
    data = table(tmp_path / "g.csv", "visit,value", rows)
    said = cli("study", "stability", data, "--by", "visit", "--base", "20", "--unit", "mm",
               "--picture", tmp_path / "g.svg", "--json")  # fmt: skip
    assert said.code == 1
    assert said.json["alarms"][0]["where"] in ("v25", "v26")
    # Lucas & Saccucci 1990: λ 0.2, L 2.86.
    assert [round(r, 1) for r in said.json["runs"]] == [371.1, 36.2, 9.8]
    assert "base ends" in drawn(tmp_path / "g.svg")
    still = np.random.default_rng(12).normal(4.5, 0.002, 40)  # one series in six has a false alarm; this one has none
    quiet = table(tmp_path / "q.csv", "value", [[f"{v:.5f}"] for v in still])
    assert cli("study", "stability", quiet, "--unit", "mm").code == 0
    assert cli("study", "stability", quiet, "--unit", "mm", "--most-drift", "10mm").code == 0


def test_records_with_a_run_sheet_answer_as_their_table_does(cli, tmp_path):
    rng, rows = np.random.default_rng(6), []
    for part in range(10):
        for carrier in "AB":
            rows += [(part, carrier, t, float(f"{4.5 + 0.02 * part + rng.normal(0, 0.002):.6f}")) for t in (1, 2)]
    rng.shuffle(rows)
    data = table(tmp_path / "loads.csv", "run,part,carrier,trial,value", [[k, *row] for k, row in enumerate(rows)])
    sheet = table(tmp_path / "runs.csv", "run,part,carrier,trial", [[k, *row[:3]] for k, row in enumerate(rows)])
    write_records(tmp_path / "today", [record(k, float(row[3]), str(row[0])) for k, row in enumerate(rows)])
    asked = ("--factor", "carrier", "--tolerance", "0.2mm", "--json")
    one = cli("study", "rr", data, "--unit", "mm", *asked).json
    other = cli("study", "rr", tmp_path / "today" / "records.jsonl", "--sheet", sheet, *asked).json
    assert other["name"] == "bore A.diameter"
    for key in ("ev", "av", "grr", "share_of_tolerance"):
        assert other[key]["value"] == pytest.approx(one[key]["value"], rel=1e-12)
    of_others = cli("study", "rr", tmp_path / "today" / "records.jsonl", *asked)
    assert of_others.code == 2
    assert "records tell no carrier" in of_others.err


# --- what they refuse ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words", "sentence"),
    [
        ("part,value\n1,2.5\n1,2.6\n", ("rr",), "part is always 1; give ten or more parts"),
        ("part,loading,value\n1,a,2.5\n2,a,2.6\n", ("rr", "--factor", "loading"), "loading is always a; leave it out"),
        ("part,loading,value\n1,a,2.5\n2,b,2.6\n1,b,2\n2,a,1\n", ("rr", "--factor", "loading"), "nothing was repeated"),
        ("part,value\n1,2.5\n1,2.5\n2,2.5\n2,2.5\n", ("rr",), "all 4 values are the same"),
        ("part,value\n1,wide\n", ("rr",), "row 1 (line 2): value reads 'wide'; give a bare number"),
        ("part,value\n1,\n", ("rr",), "row 1 (line 2): value is empty"),
        ("part,trial,value\n1,1,2.5\n1,1,2.5\n", ("rr",), "repeats row 1 (line 2) cell by cell"),
        ("part,unit,value\n1,mm,2.5\n1,in,2.6\n", ("rr",), "the unit is mm in row 1"),
        ("part,value\n1,2.5\n1,2.6\n2,3\n2,3.1\n", ("rr", "--tolerance", "0mm"), "the tolerance is 0; give its whole"),
        (
            "part,value\n1,2.5\n1,2.6\n2,3\n2,3.1\n",
            ("rr", "--tolerance", "-1mm"),
            "the tolerance is -1; give its whole",
        ),
        ("part,value\n1,2.5\n1,2.6\n2,3\n2,3.1\n", ("rr", "--tolerance", "8"), "--tolerance: '8' has no unit"),
        ("part,value\n1,2.5\n1,2.6\n2,3\n2,3.1\n", ("rr", "--most", "300%"), "--most is '300%'; give a share"),
        ("part,value\n1,2.5\n1,2.6\n2,3\n2,3.1\n", ("rr", "--pool", "maybe"), "--pool is 'maybe'; choose rule, always"),
        ("part,value\n1,2.5\n", ("rr", "--factor", "carrier"), "has no column carrier"),
        ("part,value\n1,2.5\n", ("rr", "--reading", "a.b"), "is a table and has no readings to choose from"),
        ("value\n1\n2\n", ("type1", "--tolerance", "1mm"), "has no reference"),
        ("value\n1\n2\n", ("type1", "--tolerance", "1mm", "--reference", "1mm"), "has 2 values; give at least 10"),
        ("value\n1\n2\n", ("linearity",), "has no references"),
        ("value\n1\n2\n", ("stability",), "has 2 values; give at least 10"),
    ],
)
def test_unusable_input_is_one_sentence(cli, tmp_path, text, words, sentence):
    path = tmp_path / "data.csv"
    path.write_text(text, encoding="utf-8")
    said = cli("study", words[0], path, *words[1:])
    assert said.code == 2
    assert sentence in said.err
    assert len(said.err.strip().splitlines()) == 1


def test_a_picture_never_takes_the_place_of_something_else(cli, block):
    said = cli("study", "stability", block, "--picture", block)
    assert said.code == 2
    assert "name a file that ends in .svg" in said.err
    other = block.with_suffix(".svg")
    other.write_text("kept")
    said = cli("study", "stability", block, "--picture", other)
    assert said.code == 2
    assert "exists and is no drawing" in said.err
