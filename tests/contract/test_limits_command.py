"""What `limits` says, draws and refuses."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from tiepoint.foundation.sources import Source, Value
from tiepoint.model.decide import Limits, overall
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.records import sealed, write_records

STATED = ("--lower", "9.9mm", "--upper", "10.1mm", "--mean", "10mm", "--spread", "0.03mm")
TOLD = {
    "id": "bore A.diameter", "name": "bore A", "kind": "circle", "quantity": "diameter", "unit": "mm",
    "step": "bore A", "frame": "plane",
}  # fmt: skip


def record(seq: int, value: float, part: str | None = None) -> Record:
    own, tie = Source(f"noise {seq}", "noise", "A", 0.006, "shot"), Source("tie", "tie", "B", 0.010, "tie")
    reading = Reading.of(Value(value, {own: 1.0, tie: 1.0}), limits=Limits(9.9, 10.1), **TOLD)
    shot = Shot(f"s{seq}", (Picture("main", "a" * 64, (10, 10), 8, "mono8"),), part_id=part or f"p{seq}")
    return sealed(Record("station", seq, shot, "0" * 64, (), "tiepoint 0", (reading,), overall([reading.verdict])))


@pytest.fixture
def records(tmp_path):
    values = np.random.default_rng(3).normal(10.0, 0.035, 60)
    write_records(tmp_path, [record(k, float(v)) for k, v in enumerate(values, 1)])
    return tmp_path / "records.jsonl"


def test_stated_spread_and_u_give_limits_risks_and_a_picture(cli, tmp_path):
    said = cli("limits", *STATED, "--u", "0.006mm", "--u-common", "0.0104mm", "--picture", tmp_path / "a.svg", "--json")
    assert said.code == 0
    u = np.hypot(0.006, 0.0104)
    assert said.json["by_rule"]["accept"] == pytest.approx([9.9 + 1.6448536 * u, 10.1 - 1.6448536 * u], abs=1e-8)
    drawing = ET.parse(tmp_path / "a.svg").getroot()
    words = "".join(drawing.itertext())
    for part in ("bad and accepted", "good and not accepted", "95 %-worst", "by rule", "guard band within each limit"):
        assert part in words


def test_agreed_risks_decide_the_exit_code(cli):
    kept = cli("limits", *STATED, "--u", "0.006mm", "--most-consumer", "100ppm", "--json")
    assert (kept.code, kept.json["good"]) == (0, True)
    assert kept.json["by_risks"]["risks"]["worst"]["consumer"] <= 1.001e-4
    lost = cli("limits", *STATED, "--u", "0.02mm", "--most-consumer", "1ppm", "--most-producer", "0.01%")
    assert lost.code == 1
    assert "No limit keeps both agreed risks" in lost.out


def test_records_bring_their_limits_and_what_is_common_to_the_station(cli, records):
    said = cli("limits", records, "--json")
    assert said.json["limits"]["lower"] == 9.9
    assert said.json["u_own"] == pytest.approx(0.006)
    assert said.json["u_common"] == pytest.approx(0.010)
    assert said.json["spread"]["n"] == 60
    assert [c["name"] for c in said.json["checks"]] == ["normality", "outliers", "independence"]


def test_a_part_that_is_measured_again_is_no_further_part(cli, tmp_path):
    values = np.random.default_rng(3).normal(10.0, 0.035, 30)
    write_records(tmp_path, [record(k, float(v), f"p{k % 15}") for k, v in enumerate(values, 1)])
    said = cli("limits", tmp_path / "records.jsonl", "--json")
    assert said.json["spread"]["n"] == 15
    assert "15 readings are of parts that were measured before" in said.err


def test_a_table_in_inches_is_judged_in_inches(cli, tmp_path):
    rows = "\n".join(f"{1 + 0.001 * np.sin(k):.6f},in" for k in range(30))
    (tmp_path / "v.csv").write_text(f"value,unit\n{rows}\n")
    said = cli("limits", tmp_path / "v.csv", "--upper", "25.5mm", "--u", "5um", "--json")
    assert said.json["limits"]["upper"] == pytest.approx(25.5 / 25.4)
    assert said.json["unit"] == "in"


def test_good_and_bad_parts_give_a_limit(cli, tmp_path):
    rows = [f"g{k},{0.1 * k:.2f},good" for k in range(60)] + [f"b{k},{8 + 0.1 * k:.2f},bad" for k in range(30)]
    (tmp_path / "v.csv").write_text("part,value,label\n" + "\n".join(rows) + "\n")
    said = cli("limits", tmp_path / "v.csv", "--most-escapes", "5%", "--picture", tmp_path / "a.svg", "--json")
    assert said.code == 1
    assert said.json["upper"] == pytest.approx((5.9 + 8.0) / 2)
    assert said.json["escapes"]["at_most"] == pytest.approx(1 - 0.05 ** (1 / 30))
    assert "measure 29 more bad parts" in said.json["sentences"][-1]
    assert "good" in "".join(ET.parse(tmp_path / "a.svg").getroot().itertext())


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--lower", "9.9mm"), "how parts vary is not said"),
        (STATED, "give --u"),
        ((*STATED[4:], "--u", "1um"), "give --lower, --upper or both"),
        (("--lower", "10.1mm", "--upper", "9.9mm", *STATED[4:], "--u", "1um"), "upside down"),
        (("--lower", "10mm", "--upper", "10mm", *STATED[4:], "--u", "1um"), "tolerance is zero"),
        ((*STATED, "--u", "1um", "--most-consumer", "5"), "share above 0 and below 1"),
        ((*STATED, "--u", "1um", "--side", "upper"), "column label"),
        ((*STATED, "--u", "0.01"), "has no unit"),
        ((*STATED, "--u", "1um", "--as-measured"), "need DATA"),
        ((*STATED, "--u", "1um", "--undecided", "ours"), "choose not-accepted, accepted, sorted"),
    ],
)
def test_what_is_missing_or_cannot_be_is_one_sentence(cli, words, sentence):
    said = cli("limits", *words)
    assert said.code == 2
    assert said.is_one_sentence()
    assert sentence in said.err


def test_tables_that_cannot_be_used_are_one_sentence(cli, tmp_path, records):
    for name, text, words, sentence in (
        ("a.csv", "value,label\n1,good\n2,fine\n", (), "label reads 'fine'; write good or bad"),
        ("b.csv", "part,value,label\n1,1,good\n1,2,bad\n", (), "part 1 stands in row 1 (line 2) and in row 2"),
        ("c.csv", "value,label\n1,good\n2,good\n3,good\n", (), "3 good parts are too few"),
        ("d.csv", "value,label\n1,good\n", ("--lower", "1mm"), "its limits come from them"),
        ("e.csv", "value\n1\n2\n", ("--lower", "1mm"), "is not said; give --u"),
        ("f.csv", "value\n1\n2\n", ("--lower", "1mm", "--u", "1um"), "2 readings are too few"),
    ):
        (tmp_path / name).write_text(text)
        said = cli("limits", tmp_path / name, *words)
        assert (said.code, said.is_one_sentence()) == (2, True), name
        assert sentence in said.err, name
    other = replace(record(1, 10.0), recipe_sha="1" * 64, sha=None)
    write_records(tmp_path / "two", [record(2, 10.0), sealed(other)])
    said = cli("limits", tmp_path / "two" / "records.jsonl")
    assert "a study is of one revision" in said.err
