"""`tiepoint plan`: what it prints, keeps and refuses, and that the how-to's commands do what it says."""

import json
import re
import shlex
from pathlib import Path

import numpy as np
import pytest
import tomlkit
from tests.helpers.plain_bore import write_tie
from tests.helpers.served import commit, new_station

from tiepoint.documents.pictures import load_picture

DOCS = Path(__file__).resolve().parents[2] / "docs"
GOOD = ("--part", "60mm,40mm", "--tolerance", "0.2mm", "--stand-off", "400mm", "--pixels", "1440x1080",
        "--target-on", "glass", "--u-bars", "3um")  # fmt: skip


@pytest.fixture
def station(tmp_path):
    return new_station(tmp_path / "station")


def commands():
    page = (DOCS / "how-to" / "plan-a-station.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```console\n(.*?)```", page, re.DOTALL)
    return [shlex.split(line[2:])[1:] for block in blocks for line in block.splitlines() if line.startswith("$ ")]


def test_the_commands_of_the_how_to_do_what_it_says(cli, tmp_path, station, monkeypatch):
    monkeypatch.chdir(tmp_path)
    paper, glass, shown, kept, changed = (cli(*words) for words in commands())
    assert paper.code == 1
    assert "Mostly scale of the target's print" in paper.out
    assert glass.code == 0
    assert shown.code == 0
    assert "Good for ± 0.1 mm" in shown.out
    assert load_picture(Path("part.png")).size == (1440, 1080)
    assert kept.code == 0
    assert changed.code == 0
    told = tomlkit.parse((station / "plan.toml").read_text(encoding="utf-8"))
    assert told["part"]["height_mm"] == 3
    assert told["part"]["size_mm"] == [60, 40]
    assert told["predicted"]["good"] is True
    assert load_picture(station / "plan" / "part.png").size == (1440, 1080)


def test_json_is_one_object_that_holds_what_the_page_of_words_says(cli):
    said = cli("plan", *GOOD, "--arithmetic", "--json")
    assert said.code == 0
    lines = {line["key"]: line for line in said.json["lines"]}
    assert lines["field_long"]["value"] > 68.2
    assert lines["scale"]["unit"] == "µm/px"
    assert all(line["how"] and line["source"] for line in said.json["lines"])
    assert said.json["foreseen"] is None


def test_comments_survive_and_an_empty_value_takes_a_key_out(cli, station):
    assert cli("plan", station, *GOOD, "--f-number", "8", "--arithmetic").code == 0
    path = station / "plan.toml"
    path.write_text(path.read_text().replace("f_number = 8", "f_number = 8 # as the lens in stock has"), "utf-8")
    assert cli("plan", station, "--focal", "25mm", "--arithmetic").code == 0
    assert "f_number = 8 # as the lens in stock has" in path.read_text("utf-8")
    assert cli("plan", station, "--set", "lens.f_number=", "--arithmetic").code == 0
    assert "f_number" not in path.read_text("utf-8")


def test_what_was_foreseen_for_another_plan_goes(cli, station):
    path = station / "plan.toml"
    assert cli("plan", station, *GOOD).code == 0
    assert "[predicted]" in path.read_text("utf-8")
    assert cli("plan", station, "--arithmetic").code == 0
    assert "[predicted]" in path.read_text("utf-8")
    assert cli("plan", station, "--focal", "16mm", "--arithmetic").code == 0
    assert "[predicted]" not in path.read_text("utf-8")


def test_ties_and_records_stand_beside_what_was_foreseen(cli, station):
    (station / "ties").mkdir()
    write_tie(station / "ties")
    commit(station, 3)
    said = cli("plan", station, *GOOD, "--feature", "4.5mm", "--json")
    told = {one["what"]: one for one in said.json["beside"]}
    # The plain tie is 0.05 mm/px by construction; a bore of the records has u 0.002 mm, and 95 % is 1.96 of that.
    assert told["Scale"]["measured"] == pytest.approx(50.0)
    assert told["Scale"]["predicted"] == pytest.approx(1000 * said.json["foreseen"]["scale_mm"], rel=1e-3)
    assert told["U of bore A, diameter"]["measured"] == pytest.approx(3.92, abs=0.005)
    assert told["U of bore A, diameter"]["predicted"] > 0


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--part", "60mm"), "--part: '60mm' is not two lengths; type both sides, as in 60mm,40mm"),
        (("--part", "60,40"), "--part: '60' has no unit"),
        (("--tolerance", "0mm"), "--tolerance is 0; choose above 0"),
        (("--tolerance", "wide"), "--tolerance: 'wide' is not a length"),
        (("--speed", "300"), "--speed: '300' is not a speed"),
        (("--exposure", "50mm"), "--exposure: '50mm' is not a time"),
        (("--pixels", "2448"), "--pixels: '2448' is not columns and rows"),
        (("--pixels", "2448.5x2048"), "--pixels: '2448.5' is not a whole number"),
        (("--lens", "round"), "--lens: 'round' is not known here; choose perspective or telecentric"),
        (("--mains", "55"), "--mains: '55' is not known here"),
        (("--set", "lens.lean_deg"), "--set: 'lens.lean_deg' is no KEY=VALUE"),
        (("--set", "lens.leaning=3"), "'lens.leaning' is no key of a plan"),
        (("--set", "lens.lean_deg=nan"), "'nan' is not a number of °"),
        (("--set", "lens.lean_deg=1e400"), "'1e400' is too large"),
        (("--focal", "500mm"), "--focal is 500; below it no picture is formed"),
        (("--preview", "x.png", "--arithmetic"), "--preview asks for a picture"),
    ],
)
def test_nonsense_is_one_sentence(cli, words, says):
    said = cli("plan", *GOOD, *words, *(() if "--arithmetic" in words else ("--arithmetic",)))
    assert said.code == 2
    assert says in said.err
    assert len(said.err.strip().splitlines()) == 1


def test_what_is_missing_is_named_by_its_option(cli, station):
    said = cli("plan", station, "--part", "60mm,40mm")
    assert said.code == 2
    assert "a plan needs --tolerance and --stand-off" in said.err
    assert not (station / "plan.toml").exists()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('format = "tiepoint/plan/2"\n', "newer"),
        ("part = 3\n", "format"),
        ('format = "tiepoint/plan/1"\npart = 3\n[lens]\nstand_off_mm = 4\n', "part is 3"),
        ("size = [", "plan.toml"),
        (
            'format = "tiepoint/plan/1"\n[part]\nsize_mm=[6,4]\ntolerance_mm=1\ncolour=1\n[lens]\nstand_off_mm=400\n',
            "part.colour is not known",
        ),
    ],
)
def test_a_broken_plan_is_one_sentence_and_stays_as_it_is(cli, station, text, says):
    path = station / "plan.toml"
    path.write_text(text, "utf-8")
    said = cli("plan", station, "--focal", "25mm", "--arithmetic")
    assert said.code == 2
    assert says in said.err
    assert path.read_text("utf-8") == text


def test_a_plan_that_does_not_reach_its_tolerance_ends_with_1(cli):
    said = cli("plan", *GOOD, "--tolerance", "0.001mm", "--json", "--arithmetic")
    assert said.code == 1
    assert json.loads(said.out)["good"] is False


def test_the_preview_is_the_camera_of_the_plan(cli, tmp_path):
    out = tmp_path / "part.png"
    said = cli("plan", *GOOD, "--preview", out, "--json")
    pixels = load_picture(out).grey
    scale = said.json["foreseen"]["scale_mm"]
    lit = (pixels > 100).sum() * scale**2
    # 60 × 40 mm less the bore of a quarter of 40; the camera leans by 1°, and its lens errs by 1 % in the corner.
    assert lit == pytest.approx(60 * 40 - np.pi * 5**2, rel=0.01)
