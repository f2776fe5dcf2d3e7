"""What `study design`, `agreement`, `capability` and `lengths` say, write, draw and refuse."""

import csv
import xml.etree.ElementTree as ET
from collections import Counter

import pypdfium2
import pytest

from tiepoint.documents.grid import read_grid

CAUSES = """cause,value,dof
calibration,0.0015,
resolution,0.005,
repeatability_reference,0.002,49
bias,0.003,
repeatability_parts,0.003,60
stations,0.002,inf
temperature,0.0015,
object,0.002,
"""


@pytest.fixture
def here(tmp_path):
    """Return a function that writes a table and returns its path."""

    def write(name: str, text: str):
        (tmp_path / name).write_text(text, encoding="utf-8")
        return tmp_path / name

    return write


def decided(good_good: int, false: int, missed: int, bad_bad: int) -> str:
    rows, kinds = ["part,value,reference"], (("good", "good"), ("bad", "good"), ("good", "bad"), ("bad", "bad"))
    for count, (said, true) in zip((good_good, false, missed, bad_bad), kinds, strict=True):
        rows += [f"p{len(rows) + k},{said},{true}" for k in range(count)]
    return "\n".join(rows) + "\n"


def words_of(path) -> str:
    return "".join(ET.parse(path).getroot().itertext())


# --- agreement -----------------------------------------------------------------------------------------------------


def test_agreement_tells_kappa_with_misses_and_what_a_refusal_is_worth(cli, here, tmp_path):
    table = here("d.csv", decided(92, 4, 2, 52))
    drawn = tmp_path / "d.svg"
    said = cli("study", "agreement", table, "--most-misses", "2%", "--prevalence", "0.1%", "--picture", drawn, "--json")
    assert said.code == 1
    assert said.json["study"] == "agreement"
    assert round(said.json["kappa"]["value"], 3) == 0.914
    assert round(100 * said.json["misses"]["value"], 2) == 3.70
    assert "false alarms" in words_of(drawn)
    plain = cli("study", "agreement", table)
    assert plain.code == 0
    assert "never stands alone" in plain.out


def test_agreement_between_repeats_of_several_shifts(cli, here):
    rows = [
        f"p{k},{'good' if k != 3 or t else 'bad'},{s}" for k in range(20) for s in ("early", "late") for t in range(2)
    ]
    said = cli("study", "agreement", here("d.csv", "part,value,shift\n" + "\n".join(rows)), "--by", "shift", "--json")
    assert said.code == 0
    assert (said.json["same"]["events"], said.json["same"]["n"]) == (19, 20)
    assert [name for name, _ in said.json["same_by"]] == ["early", "late"]
    assert said.json["kappa"] is None


# --- capability ----------------------------------------------------------------------------------------------------


def test_capability_tells_q_smallest_tolerances_and_all_causes(cli, here, tmp_path):
    drawn = tmp_path / "c.svg"
    said = cli("study", "capability", here("c.csv", CAUSES), "--tolerance", "0.2mm", "--picture", drawn, "--json")
    assert said.code == 0
    assert round(100 * said.json["system"]["q"]["value"], 2) == 6.08
    assert round(100 * said.json["process"]["q"]["value"], 2) == 9.90
    assert len(said.json["rows"]) == 8
    assert "repeatability on parts" in words_of(drawn)
    assert cli("study", "capability", tmp_path / "c.csv", "--tolerance", "0.05mm").code == 1


def test_capability_ends_well_only_where_all_is_stated_and_shown(cli, here):
    few = CAUSES.replace("0.003,60", "0.012,2")
    open_ = cli("study", "capability", here("few.csv", few), "--tolerance", "0.2mm", "--json")
    assert (open_.code, open_.json["good"]) == (1, True)
    assert "capable by the point value alone: Q_MP" in " ".join(open_.json["sentences"])
    alone = cli("study", "capability", here("one.csv", "cause,value\nresolution,0.0001\n"), "--tolerance", "0.2mm")
    assert alone.code == 1
    assert "Of the measuring system nothing is shown" in alone.out
    unknown = here("unknown.csv", CAUSES.replace("0.002,49", "0.002,"))
    refused = cli("study", "capability", unknown, "--tolerance", "0.2mm")
    assert refused.code == 2
    assert "repeatability_reference is a standard deviation, and how well it is known is not said" in refused.err


# --- lengths -------------------------------------------------------------------------------------------------------


def lengths_table(off: float = 0.0) -> str:
    rows = ["known,value,position,orientation,height"]
    for position in "abcde":
        for turn in (0, 90):
            for height in (0, 12):
                for known in (10, 20, 40, 60, 80):
                    rows += [f"{known},{known + off + 0.001 * t},{position},{turn},{height}" for t in range(3)]
    return "\n".join(rows) + "\n"


def test_lengths_are_held_against_the_stated_maximum(cli, here, tmp_path):
    table, drawn = here("l.csv", lengths_table()), tmp_path / "l.svg"
    said = cli("study", "lengths", table, "--most-error", "0.01mm", "--u", "1um", "--picture", drawn, "--json")
    assert said.code == 0
    assert said.json["shown"] == said.json["within"] == 300
    assert "height 12" in words_of(drawn)
    far = here("far.csv", lengths_table(0.05))
    assert cli("study", "lengths", far, "--most-error", "0.01mm", "--u", "1um").code == 1
    few = here("few.csv", "known,value,position,orientation,height\n10,10.001,a,0,0\n")
    lost = cli("study", "lengths", few, "--most-error", "0.01mm")
    assert lost.code == 1
    assert "4 more positions" in lost.out


# --- design --------------------------------------------------------------------------------------------------------


def test_a_design_writes_tables_that_its_studies_read(cli, tmp_path):
    out = tmp_path / "studies"
    words = ("--tolerance", "0.2mm", "--takt", "1.2s", "--factor", "carrier=1,2,3", "--most-escapes", "1%")
    said = cli("study", "design", "bore A.diameter", *words, "--out", out, "--json")
    assert said.code == 0
    plans = {p["study"]: p for p in said.json["plans"]}
    assert plans["trial"]["parts"] == 299 + 60
    assert plans["rr"]["runs"] == 90
    grid = read_grid(out / "rr.csv", ("part", "carrier", "trial", "value"))
    cells = Counter(zip(grid.names("part"), grid.names("carrier"), strict=True))
    assert set(cells.values()) == {3}
    assert len(cells) == 30
    with (out / "rr.csv").open(encoding="utf-8-sig", newline="") as file:
        head, *rows = csv.reader(file)
    filled = [head, *([*row[:-1], f"{10 + 0.01 * k:.3f}"] for k, row in enumerate(rows))]
    with (tmp_path / "rr.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(filled)
    assert cli("study", "rr", tmp_path / "rr.csv", "--factor", "carrier", "--json").code in (0, 1)
    labels = read_grid(out / "trial.csv", ("shot", "part_id", "label"))
    assert Counter(labels.texts("label")) == {"bad": 299, "good": 60}
    with pypdfium2.PdfDocument((out / "runs.pdf").read_bytes()) as pdf:
        assert "Criteria agreed on" in pdf[0].get_textpage().get_text_range()


def test_the_order_is_random_by_the_seed_and_blocked_where_asked(cli):
    words = ("study", "design", "x", "--tolerance", "1mm", "--factor", "shift=early,late", "--block", "shift", "--json")
    one, same, other = (cli(*words, "--seed", seed).json["runs"] for seed in ("1", "1", "2"))
    assert one == same
    assert one != other
    rr = [run for run in one if run["study"] == "rr"]
    shifts = [dict(run["factors"])["shift"] for run in rr]
    assert shifts == sorted(shifts, reverse=shifts[0] == "late")
    parts = [run["part"] for run in rr]
    assert parts != sorted(parts)
    assert Counter((run["part"], dict(run["factors"])["shift"], run["trial"]) for run in rr).most_common(1)[0][1] == 1


def test_earlier_runs_are_not_lost(cli, tmp_path):
    words = ("study", "design", "x", "--out", tmp_path)
    assert cli(*words).code == 0
    again = cli(*words)
    assert (again.code, again.is_one_sentence()) == (2, True)
    assert "perhaps filled in" in again.err


# --- bad input -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("command", "text", "words", "sentence"),
    [
        ("agreement", "part,value\na,good\n", (), "1 part is too few"),
        ("agreement", "part,trial,value\na,1,good\na,1,good\nb,1,bad\n", (), "(line 3) are both of part a, trial 1"),
        ("agreement", "part,value,reference\na,good,\nb,good,good\n", (), "reference reads ''"),
        ("agreement", "part,value\na,good\nb,bad\n", ("--most-misses", "1%"), "give a column reference"),
        ("agreement", "part,value\na,good\nb,bad\n", ("--by", "shift"), "has no column shift"),
        ("capability", "cause,value\nheat,1\n", ("--tolerance", "1mm"), "'heat' is not known; use one of"),
        ("capability", "cause,value,dof\nbias,1,many\n", ("--tolerance", "1mm"), "dof reads 'many'"),
        ("capability", "cause,value\nbias,1\n", ("--tolerance", "0mm"), "above 0"),
        (
            "capability",
            "cause,value,unit\nbias,1,mm\nlinearity,1,in\n",
            ("--tolerance", "1mm"),
            "mm in row 1 (line 2) and in in row 2",
        ),
        ("capability", "cause,value,unit\nbias,1,parsec\n", ("--tolerance", "1"), "the unit 'parsec' is not known"),
        ("capability", "cause,value\nbias,1\n", ("--tolerance", "1", "--unit", "parsec"), "the unit 'parsec' is not"),
        ("capability", CAUSES, ("--tolerance", "1mm", "--of", ""), "--of is ''; give 1 to 200 characters that print"),
        ("agreement", "part,value\n1,good\n", ("--of", "a\x1b[31m"), "--of is 'a\\x1b[31m'; give 1 to 200"),
        ("lengths", "known,value\n1,1\n", ("--of", "a" * 201), "give 1 to 200 characters that print"),
        ("lengths", "known,value\n1,1\n", (), "has no column position"),
        ("lengths", "known,value,position,orientation,height\n0,1,a,0,0\n", (), "known length is 0"),
        ("lengths", "known,value,position,orientation,height,u\n1,1,a,0,0,1\n", ("--u", "1um"), "leave one out"),
    ],
)
def test_tables_that_cannot_be_used_are_one_sentence(cli, here, command, text, words, sentence):
    said = cli("study", command, here("t.csv", text), *words)
    assert said.code == 2
    assert said.is_one_sentence()
    assert sentence in said.err


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--takt", "fast"), "give a time above 0"),
        (("--factor", "carrier"), "give its name and levels"),
        (("--factor", "part=1,2"), "call it otherwise"),
        (("--factor", "carrier=1"), "two or more that differ"),
        (("--block", "shift"), "is no factor"),
        (("--most-escapes", "1ppm"), "more than 20000"),
        (("--tolerance", "0mm"), "above 0"),
    ],
)
def test_designs_that_cannot_be_are_one_sentence(cli, words, sentence):
    said = cli("study", "design", "x", *words)
    assert (said.code, said.is_one_sentence()) == (2, True)
    assert sentence in said.err
