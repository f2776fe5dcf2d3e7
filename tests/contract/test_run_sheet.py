"""A station fills in a run sheet as parts pass: line by line, by part, over a stop in the middle."""

import csv
import json

import pytest
from tests.helpers.vent_station import picture

from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger

SHEET = "run,part,carrier,trial,value\n" + "".join(
    f"{k},{part},{carrier},1,\n" for k, (part, carrier) in enumerate([(2, "A"), (1, "A"), (2, "B"), (1, "B")], 1)
)


@pytest.fixture
def sheet(tmp_path):
    path = tmp_path / "rr.csv"
    path.write_text(SHEET)
    return path


@pytest.fixture
def shots(tmp_path):
    return [picture(tmp_path / "parts" / f"{k}.png", 4.4 + 0.01 * k, 20 + k) for k in range(4)]


def lines(path):
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def with_part(tmp_path, name, part, diameter):
    """Write a shot that names its part."""
    folder = tmp_path / "named" / name
    picture(folder / "main.png", diameter, ord(name[-1]))
    told = {
        "format": "tiepoint/shot/1", "id": name, "part_id": part, "status": "complete",
        "pictures": [{"role": "main", "file": "main.png", "size": [640, 480], "bits": 8, "pixel_format": "mono8"}],
    }  # fmt: skip
    (folder / "shot.json").write_text(json.dumps(told))
    return folder


def run(cli, station, *words):
    return cli("run", station.folder, *words, "--variant", "thin")


def test_the_station_fills_the_sheet_in_its_order_and_a_study_reads_it(cli, accepted, sheet, shots):
    said = run(cli, accepted, *shots[:2], "--sheet", sheet)
    assert said.code == 0
    assert "2 of 4 lines" in said.err
    assert "Next: run 3, part 2, carrier B." in said.err
    half = cli("study", "rr", sheet, "--factor", "carrier")
    assert (half.code, half.is_one_sentence()) == (2, True)
    assert "row 3" in half.err
    said = run(cli, accepted, *shots, "--sheet", sheet, "--reading", "bore.diameter")
    assert "2 shots were on it already, and not judged again." in said.err
    found = lines(sheet)
    assert [row["part"] for row in found] == ["2", "1", "2", "1"]
    assert [round(float(row["value"]), 2) for row in found] == [4.40, 4.41, 4.42, 4.43]
    assert {row["unit"] for row in found} == {"mm"}
    with Ledger(open_station(accepted.folder).ledger_path) as ledger:
        by_seq = {entry.seq: entry.body for entry in ledger.entries("record")}
    for row in found:
        body = by_seq[int(row["record"])]
        assert body["shot"]["id"] == row["shot"]
        assert body["readings"][0]["value"] == pytest.approx(float(row["value"]), rel=1e-9)
    again = run(cli, accepted, *shots, "--sheet", sheet)
    assert (again.code, "is on" in again.err) == (2, True)
    assert cli("study", "stability", sheet, "--json").code == 2  # four values are too few, and all are read


def test_a_shot_that_names_its_part_goes_to_the_open_line_of_that_part(cli, accepted, sheet, tmp_path):
    first, second = with_part(tmp_path, "s1", "1", 4.41), with_part(tmp_path, "s2", "1.0", 4.42)
    assert run(cli, accepted, first, second, "--sheet", sheet).code == 0
    assert [row["shot"] for row in lines(sheet)] == ["", "s1", "", "s2"]
    third = with_part(tmp_path, "s3", "1", 4.43)
    said = run(cli, accepted, third, "--sheet", sheet)
    assert (said.code, said.is_one_sentence()) == (2, True)
    assert "all 2 lines of part 1" in said.err


def test_a_part_that_is_not_on_the_sheet_is_refused_before_anything_is_judged(cli, accepted, sheet, tmp_path):
    there, other = with_part(tmp_path, "s1", "1", 4.41), with_part(tmp_path, "s2", "9", 4.42)
    said = run(cli, accepted, there, other, "--sheet", sheet)
    assert (said.code, said.is_one_sentence()) == (2, True)
    assert "part 9 is not on" in said.err
    assert sheet.read_text() == SHEET
    with Ledger(open_station(accepted.folder).ledger_path) as ledger:
        assert not list(ledger.entries("record"))


def test_what_could_not_be_read_is_on_the_sheet_as_unread_and_counted_by_the_study(
    cli, accepted, sheet, shots, tmp_path
):
    blank = picture(tmp_path / "parts" / "blank.png", 0.0, 50)
    run(cli, accepted, shots[0], blank, *shots[2:], "--sheet", sheet)
    found = lines(sheet)
    assert (found[1]["value"], found[1]["record"] != "") == ("unread", True)
    said = cli("study", "rr", sheet, "--factor", "carrier")
    assert said.code == 2
    assert "part 1, carrier A has no value" in said.err


def test_verdicts_and_trial_tables_are_filled_in_too(cli, accepted, shots, tmp_path):
    decisions, labels = tmp_path / "agreement.csv", tmp_path / "trial.csv"
    decisions.write_text("run,part,trial,reference,value\n1,a,1,good,\n2,b,1,good,\n")
    run(cli, accepted, *shots[:2], "--sheet", decisions, "--reading", "verdict")
    assert [row["value"] for row in lines(decisions)] == ["conforms", "conforms"]
    assert cli("study", "agreement", decisions).code == 0
    labels.write_text("run,shot,part_id,label,class\n1,,g1,good,\n2,,g2,good,\n")
    run(cli, accepted, *shots[2:], "--sheet", labels)
    assert [row["shot"] for row in lines(labels)] == ["parts/2.png", "parts/3.png"]


def test_a_sheet_with_decimal_commas_stays_one(cli, accepted, shots, tmp_path):
    path = tmp_path / "type1.csv"
    path.write_text("run;part;reference;value\n1;block;4,40;\n2;block;4,40;\n")
    run(cli, accepted, shots[0], "--sheet", path)
    assert path.read_text(encoding="utf-8-sig").splitlines()[1].startswith("1;block;4,40;4,")


@pytest.mark.parametrize(
    ("name", "text", "words", "sentence"),
    [
        ("a.csv", "part,trial\n1,1\n", (), "is no run sheet"),
        ("a.xlsx", "", (), "save it as one"),
        ("a.csv", SHEET, ("--reading", "bore B.diameter"), "there is no reading bore B.diameter for"),
        ("a.csv", "shot,part_id,label\n,a,good\n", ("--reading", "verdict"), "takes no reading"),
    ],
)
def test_sheets_that_cannot_be_filled_in_are_one_sentence(cli, accepted, shots, tmp_path, name, text, words, sentence):
    (tmp_path / name).write_text(text)
    said = run(cli, accepted, shots[0], "--sheet", tmp_path / name, *words)
    assert (said.code, said.is_one_sentence()) == (2, True)
    assert sentence in said.err
    assert "name the sheet" in run(cli, accepted, shots[0], "--reading", "bore.diameter").err
