"""What `trial` says, writes and refuses: shots of a bore whose size is known by construction."""

import csv as csv_module
import json
import multiprocessing
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr

from tiepoint.documents.pictures import save_png
from tiepoint.foundation.sources import Source, measured
from tiepoint.model.decide import Limits, overall
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.pool import Preparation, Task, run_tasks, workers_for
from tiepoint.recipe.records import sealed, write_records
from tiepoint.recipe.station import prepare, run_shots

GOOD_MM, BAD_MM = 4.5, 4.75


def bore(path: Path, diameter_mm: float, seed: int) -> Path:
    """Write a dark disc about (300, 240), at 20 px/mm, its edge blurred by 1 px, with noise of 1 grey level."""
    y, x = np.mgrid[0:480, 0:640]
    away = np.hypot(x - 300, y - 240) - diameter_mm / 2 / 0.05
    grey = 60 + 140 * ndtr(away) + np.random.default_rng(seed).normal(0, 1, away.shape)
    path.parent.mkdir(parents=True, exist_ok=True)
    save_png(path, np.clip(np.round(grey), 0, 255).astype(np.uint8))
    return path


def table(path: Path, rows: list[tuple[str, ...]], header: str = "shot,part_id,label,class") -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv_module.writer(file).writerows([header.split(","), *rows])
    return path


@pytest.fixture
def shots(tmp_path):
    """Six good bores, three bad ones, and a bad one that measures like a good one."""
    rows = [(f"g{k}.png", f"g{k}", "good", "") for k in range(6)] + [
        (f"b{k}.png", f"b{k}", "bad", "large") for k in range(3)
    ]
    for k in range(6):
        bore(tmp_path / f"g{k}.png", GOOD_MM, k)
    for k in range(3):
        bore(tmp_path / f"b{k}.png", BAD_MM, 10 + k)
    bore(tmp_path / "x.png", GOOD_MM, 20)
    rows.append(("x.png", "x", "bad", "cracked"))
    return table(tmp_path / "labels.csv", rows)


def test_a_trial_counts_bounds_and_shows_what_was_wrong(cli, recipe_file, shots, tmp_path):
    out = tmp_path / "trial"
    said = cli("trial", recipe_file, shots, "--most-escapes", "1%", "--out", out, "--json")
    assert said.code == 1
    study = said.json
    assert (study["escapes"]["events"], study["escapes"]["n"]) == (1, 4)
    assert (study["false_rejects"]["events"], study["false_rejects"]["n"]) == (0, 6)
    assert [c["name"] for c in study["classes"]] == ["good", "cracked", "large"]
    lines = (out / "records.jsonl").read_text(encoding="utf-8").splitlines()
    assert [json.loads(line)["seq"] for line in lines] == list(range(1, 11))
    page = (out / "trial.html").read_text(encoding="utf-8")
    assert "<b>x</b> is bad, cracked" in page
    assert page.count("<figure>") == 1
    assert 'src="http' not in page
    assert "judged wrongly" in (out / "margins.svg").read_text(encoding="utf-8")


def test_folders_are_labels_too(cli, recipe_file, tmp_path):
    for k in range(3):
        bore(tmp_path / "proof" / "good" / f"{k}.png", GOOD_MM, k)
        bore(tmp_path / "proof" / "bad" / "large" / f"{k}.png", BAD_MM, 10 + k)
        bore(tmp_path / "proof" / "small" / f"{k}.png", 4.2, 20 + k)
    bore(tmp_path / "proof" / "bad" / "other.png", BAD_MM, 30)
    said = cli("trial", recipe_file, tmp_path / "proof", "--json")
    assert said.code == 0
    assert [(c["name"], c["truth"], sum(c["counts"])) for c in said.json["classes"]] == [
        ("good", "good", 3), ("bad", "bad", 1), ("large", "bad", 3), ("small", "bad", 3),
    ]  # fmt: skip
    assert said.json["escapes"]["events"] == 0


def test_what_tuned_the_recipe_is_left_out_by_id_and_by_pixels(cli, recipe_file, shots, tmp_path):
    copy = tmp_path / "tuned" / "good" / "another name.png"
    copy.parent.mkdir(parents=True)
    copy.write_bytes((tmp_path / "g0.png").read_bytes())
    by_id = table(tmp_path / "tuning.csv", [("g1.png", "b2", "bad", "large")])
    said = cli("trial", recipe_file, shots, "--tuning", tmp_path / "tuned", "--tuning", by_id, "--json")
    assert said.json["in_both"] == ["g0", "g1", "b2"]
    assert said.json["same_pictures"] == ["g0", "g1"]
    assert (said.json["false_rejects"]["n"], said.json["escapes"]["n"]) == (4, 3)


def test_several_processes_say_what_one_says(recipe_file, shots, tmp_path):
    paths = sorted(tmp_path.glob("?*.png"))
    tasks = [Task(path, k, frozenset({"rejected"})) for k, path in enumerate(paths, 1)]
    many = list(run_tasks(Preparation(recipe_file), tasks, 2))
    alone = [ran.record for ran in run_shots(prepare(recipe_file), paths)]
    assert [one.record.sha for one in many] == [record.sha for record in alone]
    assert [one.overlay is not None for one in many] == [record.verdict == "rejected" for record in alone]
    assert workers_for(5) == 1
    assert workers_for(100, asked=3) == 3


def test_who_stops_listening_leaves_no_process_behind(recipe_file, shots, tmp_path):
    tasks = [Task(path, k) for k, path in enumerate(sorted(tmp_path.glob("?*.png")) * 4, 1)]
    work = run_tasks(Preparation(recipe_file), tasks, 2)
    assert next(work).record.seq == 1
    work.close()
    assert multiprocessing.active_children() == []


def test_a_shot_that_cannot_be_read_is_unread_and_does_not_pass(cli, recipe_file, shots, tmp_path):
    (tmp_path / "g0.png").write_bytes(b"no picture")
    said = cli("trial", recipe_file, shots, "--json")
    assert said.code == 0
    assert said.json["false_rejects"]["events"] == 1
    assert "g0.png" in said.err


def test_classes_of_one_name_in_two_folders_are_other_parts(cli, recipe_file, tmp_path):
    for k, folder in enumerate((Path("large"), Path("bad") / "large")):
        bore(tmp_path / "proof" / folder / "0.png", BAD_MM, k)
    bore(tmp_path / "proof" / "good" / "0.png", GOOD_MM, 5)
    said = cli("trial", recipe_file, tmp_path / "proof", "--json")
    assert [(c["name"], sum(c["counts"])) for c in said.json["classes"]] == [("good", 1), ("large", 2)]


def record(seq: int, part: str, value: float, recipe: str = "0", pixels: str = "") -> Record:
    told = {"id": "bore.diameter", "name": "bore", "kind": "circle", "quantity": "diameter", "unit": "mm"}
    u = Source(f"noise {seq}", "noise", "A", 0.005, "shot")
    reading = Reading.of(measured(value, u), limits=Limits(4.4, 4.6), step="bore", frame="plane", **told)
    picture = Picture("main", pixels or f"{seq:064d}", (10, 10), 8, "mono8")
    shot = Shot(f"s{seq}", (picture,), part_id=part)
    return sealed(Record("station", seq, shot, recipe * 64, (), "tiepoint 0", (reading,), overall([reading.verdict])))


def test_records_that_stand_already_are_tried_by_their_parts(cli, tmp_path):
    # b1 passes in its second showing: an escape. x has no label, b9 no record.
    values = [("g1", 4.5), ("g2", 4.5), ("b1", 4.7), ("b1", 4.52), ("b2", 4.7), ("x", 4.5)]
    write_records(tmp_path / "run", [record(k, part, v) for k, (part, v) in enumerate(values, 1)])
    labels = table(
        tmp_path / "l.csv",
        [("g1", "good"), ("g2", "good"), ("b1", "bad"), ("b2", "bad"), ("b9", "bad")],
        "part_id,label",
    )
    said = cli("trial", tmp_path / "run" / "records.jsonl", labels, "--out", tmp_path / "out", "--json")
    assert said.code == 0
    assert (said.json["escapes"]["events"], said.json["escapes"]["n"]) == (1, 2)
    assert said.json["false_rejects"]["n"] == 2
    assert "1 of 6 records are of parts without a label" in said.err
    assert "1 labelled parts are in no record, and were not tried: b9" in said.err
    assert "<b>b1</b> is bad" in (tmp_path / "out" / "trial.html").read_text(encoding="utf-8")


def test_records_that_cannot_be_tried_are_one_sentence(cli, tmp_path):
    write_records(tmp_path / "two", [record(1, "a", 4.5), record(2, "b", 4.5, recipe="1")])
    write_records(tmp_path / "run", [record(1, "a", 4.5)])
    labels = table(tmp_path / "l.csv", [("a", "good"), ("b", "bad")], "part_id,label")
    others = table(tmp_path / "o.csv", [("z", "good")], "part_id,label")
    twice = table(tmp_path / "t.csv", [("a", "good"), ("a", "bad")], "part_id,label")
    for folder, given, more, sentence in (
        ("two", labels, (), "a study is of one revision"),
        ("run", others, (), "compare part_id in both"),
        ("run", twice, (), "part a is labelled otherwise"),
        ("run", labels, ("--variant", "x"), "holds what a recipe made"),
    ):
        said = cli("trial", tmp_path / folder / "records.jsonl", given, *more)
        assert (said.code, said.is_one_sentence()) == (2, True)
        assert sentence in said.err


@pytest.mark.parametrize(
    ("rows", "header", "sentence"),
    [
        ([("gone.png", "1", "good", "")], "shot,part_id,label,class", "there is no shot"),
        ([("g0.png", "1", "fine", "")], "shot,part_id,label,class", "label reads 'fine'; write good or bad"),
        ([("g0.png", "1", "good", "")] * 2, "shot,part_id,label,class", "name the same shot"),
        ([("g0.png", "", "good", "")], "shot,part_id,label,class", "part_id reads ''"),
        ([("g0.png", "good")], "shot,label", "has no column part_id"),
        ([("g0.png", "1", "good"), ("g1.png", "1", "bad")], "shot,part_id,label", "part 1 is good in g0.png, row 1"),
    ],
)
def test_labels_that_cannot_be_used_are_one_sentence(cli, recipe_file, shots, tmp_path, rows, header, sentence):
    said = cli("trial", recipe_file, table(tmp_path / "l.csv", rows, header))
    assert said.code == 2
    assert sentence in said.err
    assert said.is_one_sentence()


def test_three_good_parts_and_none_bad_show_nothing(cli, recipe_file, shots, tmp_path):
    rows = [(f"g{k}.png", f"g{k}", "good") for k in range(3)]
    said = cli("trial", recipe_file, table(tmp_path / "l.csv", rows, "shot,part_id,label"), "--most-escapes", "1%")
    assert said.code == 1
    assert "No bad part was tried" in said.out
    assert "not tried" in said.out


def test_earlier_records_are_not_lost(cli, recipe_file, shots, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "records.jsonl").write_text("{}\n")
    said = cli("trial", recipe_file, shots, "--out", tmp_path / "out")
    assert (said.code, said.is_one_sentence()) == (2, True)
