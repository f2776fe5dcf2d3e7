"""How far the job is, on a station as commands make it: proved only by what is on record, out of date by hash."""

import json
import shutil

import numpy as np
import pytest
from PIL import Image
from tests.helpers.served import Served, new_station

from tiepoint.station.accepted import accept, draft_of
from tiepoint.station.acts import write_act
from tiepoint.station.folder import open_station
from tiepoint.station.kept import keep_study
from tiepoint.station.naming import act_of
from tiepoint.station.stages import IDS, LONGEST_LINE, first_to_do, stages_of

RECIPE, TIE = "recipes/bore.toml", "ties/plane.json"


def stages(station):
    found = stages_of(open_station(station.folder))
    assert tuple(stage.id for stage in found) == IDS
    assert all(len(stage.line) <= LONGEST_LINE for stage in found)
    for stage in found:
        assert all(said.endswith(".") for said in (*stage.done, *stage.to_do)), stage
    return {stage.id: stage for stage in found}


def states(station):
    return {id_: stage.state for id_, stage in stages(station).items()}


def taken(station, why="first"):
    there = open_station(station.folder)
    drafts = [draft_of(there, path) for path in there.recipes()]
    return accept(there, drafts, who="m.weiss", why=why)


def study(station, kind, good=True, **outcome):
    outcome = {"good": good, "checks": [], **outcome}
    return keep_study(open_station(station.folder), kind, "bore.diameter", outcome, None, who="m.weiss")


@pytest.fixture
def tie(vent):
    return next(path for path in sorted((vent.folder / "ties").glob("*.json")))


def test_a_new_station_is_empty_and_says_what_comes_first(tmp_path):
    station = open_station(new_station(tmp_path / "plates"))
    found = stages(station)
    assert {stage.state for stage in found.values()} == {"empty"}
    assert all(stage.to_do for stage in found.values())
    assert not any(stage.rests for stage in found.values())
    assert first_to_do(tuple(found.values())) == "see"


def test_a_recipe_without_a_step_is_to_be_drawn_and_not_accepted(tmp_path):
    station = open_station(new_station(tmp_path / "plates"))
    assert stages(station)["recipe"].to_do[0].startswith("Begin a recipe")
    path = station.folder / "recipes" / "plate.toml"
    path.parent.mkdir(exist_ok=True)
    path.write_text('format = "tiepoint/recipe/1"\nname = "plate"\n', encoding="utf-8")
    assert stages(station)["recipe"].to_do == ("Draw what is to be judged in plate.toml.",)
    with path.open("a", encoding="utf-8") as file:
        file.write('\n[[step]]\nname = "bore"\nkind = "circle"\n')
    assert stages(station)["recipe"].to_do == ("Accept recipes/plate.toml.",)


def test_drafts_are_begun_and_acceptance_alone_proves_nothing(vent, tie):
    before = states(vent)
    assert (before["tie"], before["recipe"], before["duty"]) == ("begun", "begun", "empty")
    assert stages(vent)["tie"].line == "Solved, not accepted"
    taken(vent)
    found = stages(vent)
    assert (found["tie"].state, found["recipe"].state, found["duty"].state) == ("begun", "begun", "begun")
    assert (found["tie"].line, found["recipe"].line) == ("Accepted, not studied", "Accepted, not tried")
    assert found["duty"].word == "off duty"


def test_a_good_study_proves_and_a_bad_one_does_not(vent):
    taken(vent)
    study(vent, "lengths", good=False)
    study(vent, "trial", good=False)
    assert (states(vent)["tie"], states(vent)["recipe"]) == ("begun", "begun")
    entry = study(vent, "lengths")
    study(vent, "trial")
    assert (states(vent)["tie"], states(vent)["recipe"]) == ("proved", "proved")
    assert f"Good on record: lengths (entry {entry.seq})." in stages(vent)["tie"].done


def test_an_edit_puts_what_rests_on_it_out_of_date_and_undoing_it_does_not(vent, tie):
    taken(vent)
    study(vent, "lengths")
    study(vent, "trial")
    kept = tie.read_bytes()
    content = json.loads(kept)
    tie.write_text(json.dumps({**content, "note": "another"}))
    found = stages(vent)
    assert (found["tie"].state, found["recipe"].state) == ("out of date", "out of date")
    assert not found["recipe"].rests
    # Laid out otherwise it says the same, by the hash of what it says.
    tie.write_text(json.dumps(content, indent=3))
    assert (states(vent)["tie"], states(vent)["recipe"]) == ("proved", "proved")
    tie.write_bytes(kept)
    assert states(vent)["tie"] == "proved"


def test_a_recipe_that_is_edited_is_a_draft_that_differs(vent):
    taken(vent)
    study(vent, "trial")
    vent.change("# the left one", "# a comment changes nothing")
    assert states(vent)["recipe"] == "proved"
    vent.change("plus = 0.1", "plus = 0.2")
    found = stages(vent)["recipe"]
    assert (found.state, found.line) == ("begun", "A draft differs")
    assert RECIPE in found.to_do[0]


def test_what_is_accepted_anew_puts_the_studies_of_the_old_out_of_date(vent, tie):
    taken(vent)
    study(vent, "lengths")
    content = json.loads(tie.read_text())
    tie.write_text(json.dumps({**content, "software": "another"}))
    taken(vent, "another tie")
    found = stages(vent)
    assert (found["tie"].state, found["tie"].line) == ("out of date", "Studied another tie")
    assert found["prove"].state == "out of date"


def test_the_held_state_is_out_of_date_with_another_tie(vent, tie):
    taken(vent)
    there = open_station(vent.folder)
    write_act(there, act_of(there, "hold", who="m.weiss", why="as it should run", sha="0" * 64, shots=50))
    found = stages(vent)["see"]
    assert (found.state, found.line) == ("proved", "Held, 50 shots")
    content = json.loads(tie.read_text())
    tie.write_text(json.dumps({**content, "software": "another"}))
    taken(vent, "another tie")
    found = stages(vent)["see"]
    assert (found.state, found.word) == ("out of date", "not as held")


def test_what_was_held_before_anything_was_run_stays_held(vent):
    there = open_station(vent.folder)
    write_act(there, act_of(there, "hold", who="m.weiss", why="aimed and focused", sha="0" * 64, shots=6))
    taken(vent)
    assert stages(vent)["see"].state == "proved"
    # A fixed edge of the watch is held in mm by the tie, which was not there yet.
    edge = '[[watch.edge]]\nname = "post"\nat = [100, 100]\n'
    (vent.folder / "station.toml").write_text(f"{(vent.folder / 'station.toml').read_text()}\n{edge}")
    assert stages(vent)["see"].state == "out of date"


def test_pictures_that_were_handed_over_begin_to_see(tmp_path):
    station = open_station(new_station(tmp_path / "plates"))
    (station.folder / "pictures" / "see").mkdir(parents=True)
    Image.fromarray(np.zeros((48, 64), np.uint8)).save(station.folder / "pictures" / "see" / "aim.png")
    found = stages(station)["see"]
    assert (found.state, found.line) == ("begun", "1 picture")


def test_a_stage_that_cannot_be_told_keeps_no_other_from_being_told(vent):
    (vent.folder / "accepted.toml").write_text("format = 1\n")
    found = stages(vent)
    assert "Cannot be read" in {stage.line for stage in found.values()}
    assert found["plan"].state == "empty"
    assert str(vent.folder) not in " ".join(said for stage in found.values() for said in stage.to_do)


def test_the_stages_are_told_over_http(vent):
    with Served(vent.folder) as served:
        status, told = served.get("/api/stages")
    assert status == 200
    assert [(stage["id"], stage["state"], stage["line"]) for stage in told["stages"]] == [
        (stage.id, stage.state, stage.line) for stage in stages_of(open_station(vent.folder))
    ]


def test_a_copy_of_the_folder_is_at_the_same_stage(vent, tmp_path):
    taken(vent)
    study(vent, "lengths")
    there = tmp_path / "copy"
    shutil.copytree(vent.folder, there)
    assert states(open_station(there)) == states(vent)
