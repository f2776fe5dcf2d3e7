"""What lies in a watched folder, looked at with a clock that the test turns: whole, half-written, paired, hostile."""

import os
import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some

from tiepoint.documents.pictures import encode_png
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.cameras.inflow import BEFORE, REFUSED, Inflow
from tiepoint.station.cameras.name_pattern import NamePattern
from tiepoint.station.cameras.table import FolderTable

S = 10**9
PNG = encode_png(np.random.default_rng(1).integers(0, 255, (40, 50), np.uint8))
LIGHTS = ("north", "south")


class Looking:
    """A watched folder and the test's own clock."""

    def __init__(self, folder, names=None, lights=(), in_order=False, **settings):
        settings = {"path": "in", "settle_s": 0.2, "incomplete_after_s": 5, **settings}
        self.table = FolderTable.read({**settings, **({"names": names} if names else {})}, "")
        self.root = folder
        self.inflow = Inflow(
            self.table, folder, NamePattern(names, lights) if names else None, lights, in_order=in_order
        )
        self.now = 1000 * S

    def put(self, name, data=PNG):
        (self.root / name).write_bytes(data)

    def after(self, seconds=0.0):
        self.now += int(seconds * S)
        self.inflow.look(lambda: self.now)
        ready = list(self.inflow.ready)
        self.inflow.ready.clear()
        return ready

    def names(self, folder="."):
        where = self.root / folder
        return (
            sorted(p.name for p in where.iterdir() if p.name not in (REFUSED, BEFORE, "taken"))
            if where.is_dir()
            else []
        )


@pytest.fixture
def look(tmp_path):
    return lambda **settings: Looking(tmp_path, **settings)


def test_a_file_is_taken_when_it_stood_still(look):
    folder = look()
    folder.put("a.png")
    assert folder.after() == []
    assert folder.after(0.1) == []
    (shot,) = folder.after(0.11)
    assert (shot.status, shot.files[""].path.name) == ("complete", "a.png")
    assert shot.seen_ns == 1000 * S
    assert folder.after(1) == []  # it is waited for that it is let go
    folder.inflow.let_go(shot)
    assert folder.names() == []


@pytest.mark.parametrize("length", [0, 1, 20, len(PNG) // 2, len(PNG) - 1])
def test_a_file_that_stands_still_half_written_is_never_taken_as_whole(look, length):
    folder = look()
    folder.put("a.png", PNG[:length])
    assert folder.after() == folder.after(1) == folder.after(3.9) == []
    (shot,) = folder.after(0.2)
    assert shot.status == "incomplete"
    assert shot.why.startswith("a.png: it ")
    folder.inflow.let_go(shot)
    assert folder.names() == []
    assert (folder.root / REFUSED / "a.png").read_bytes() == PNG[:length]


def test_a_file_that_grows_slowly_is_waited_for(look):
    folder = look()
    for share in range(1, 10):
        folder.put("a.png", PNG[: len(PNG) * share // 10])
        assert folder.after(3) == []
    folder.put("a.png")
    folder.after()
    assert [shot.status for shot in folder.after(0.3)] == ["complete"]


def test_a_file_is_taken_when_it_was_renamed(look):
    folder = look(whole="renamed", temporary=".tmp")
    folder.put("a.png.tmp")
    assert folder.after() == folder.after(1) == []
    (folder.root / "a.png.tmp").rename(folder.root / "a.png")
    assert [shot.status for shot in folder.after()] == ["complete"]


def test_a_file_that_is_never_renamed_is_no_result(look):
    folder = look(whole="renamed", temporary=".tmp")
    folder.put("a.png.tmp")
    folder.after()
    (shot,) = folder.after(5)
    assert shot.status == "incomplete"
    assert "still ends in .tmp" in shot.why


@pytest.mark.parametrize("again", [True, False])
def test_a_file_that_is_renamed_after_it_was_given_up_is_not_one_part_more(look, again):
    # Its part was told as not seen; whoever wrote it ended a moment later, before it was set aside.
    folder = look(whole="renamed")
    folder.put("a.png.part")
    folder.after()
    (shot,) = folder.after(5)
    assert shot.status == "incomplete"
    (folder.root / "a.png.part").rename(folder.root / "a.png")
    assert (folder.after(1) if again else []) == []
    folder.inflow.let_go(shot)
    assert folder.after(1) == folder.after(6) == []
    assert (folder.names(), folder.names(REFUSED)) == ([], ["a.png"])
    # The next of that name is a picture of its own.
    folder.put("a.png")
    assert [one.status for one in folder.after()] == ["complete"]


def test_the_pictures_of_a_shot_are_paired_by_their_names(look):
    folder = look(names="{shot}_{light}.png", lights=LIGHTS)
    folder.put("1_south.png")
    folder.put("2_north.png")
    folder.put("1_north.png")
    folder.after()
    (shot,) = folder.after(0.3)
    assert {light: lying.path.name for light, lying in shot.files.items()} == {
        "north": "1_north.png",
        "south": "1_south.png",
    }
    assert shot.told["shot"] == "1"
    (lone,) = folder.after(5)
    assert (lone.status, lone.why) == ("incomplete", "no picture of the lamp south came")
    for one in (shot, lone):
        folder.inflow.let_go(one)
    assert folder.names() == []
    assert folder.names(REFUSED) == ["2_north.png"]


@pytest.mark.skipif(sys.platform != "linux", reason="capitals do not tell files apart there")
def test_two_pictures_of_one_lamp_are_no_result(look):
    folder = look(names="{shot}_{light}.png", lights=LIGHTS)
    for name in ("1_north.png", "1_NORTH.png", "1_south.png"):
        folder.put(name)
    folder.after()
    (shot,) = folder.after(6)
    assert (shot.status, shot.why) == ("incomplete", "two pictures of the lamp north came")
    folder.inflow.let_go(shot)
    assert len(folder.names(REFUSED)) == 3


def test_shots_that_become_whole_at_once_come_in_the_order_of_their_count(look):
    folder = look(names="img-{count}.png")
    for count in (10, 9, 11):
        folder.put(f"img-{count}.png")
    folder.after()
    assert [shot.told["count"] for shot in folder.after(0.3)] == ["9", "10", "11"]


def named(shots):
    return [(min(lying.path.name for lying in shot.files.values()), shot.status) for shot in shots]


def test_a_picture_does_not_overtake_one_that_came_before_it(look):
    # Two parts by their order alone: each would be judged by the other's picture.
    folder = look(in_order=True)
    folder.put("b.png", PNG[:-9])  # its transfer stalls
    folder.after()
    folder.put("a.png")
    assert folder.after(0.3) == folder.after(0.3) == []
    folder.put("b.png")
    folder.after(0.1)
    assert named(folder.after(0.3)) == [("b.png", "complete"), ("a.png", "complete")]


def test_where_names_tell_the_part_a_whole_picture_need_not_wait_for_another(look):
    folder = look(names="{part_id}.png")
    folder.put("b.png", PNG[:-9])
    folder.after()
    folder.put("a.png")
    folder.after(0.1)
    assert named(folder.after(0.3)) == [("a.png", "complete")]


@pytest.mark.parametrize("drip", [False, True])
def test_a_picture_that_is_never_whole_holds_up_those_behind_it_no_longer_than_stated(look, drip):
    folder = look(in_order=True)
    folder.put("b.png", b"x")
    folder.after()
    folder.put("a.png")
    for k in range(9):
        if drip:
            folder.put("b.png", b"x" * (k + 2))
        assert folder.after(0.5) == []
    assert named(folder.after(0.6)) == [("b.png", "incomplete"), ("a.png", "complete")]


def test_a_shot_that_lacks_a_lamp_keeps_its_place(look):
    # Parts are thrown out by counting: the place of the first must not get the verdict of the second.
    folder = look(names="{shot}_{light}.png", lights=LIGHTS, in_order=True)
    folder.put("1_north.png")
    folder.after()
    for light in LIGHTS:
        folder.put(f"2_{light}.png")
    assert folder.after(0.1) == folder.after(0.3) == []
    assert named(folder.after(5)) == [("1_north.png", "incomplete"), ("2_north.png", "complete")]


@pytest.mark.parametrize("called", ["b.png.part", ".b.png"])
def test_a_file_that_is_renamed_when_it_is_whole_has_the_place_at_which_it_was_begun(look, called):
    folder = look(in_order=True, whole="renamed")
    folder.put(called)
    folder.after()
    folder.put("a.png")
    assert folder.after(0.1) == []
    (folder.root / called).rename(folder.root / "b.png")
    assert named(folder.after(0.1)) == [("b.png", "complete"), ("a.png", "complete")]


def test_of_two_that_are_first_seen_at_once_the_one_that_was_written_to_last_is_the_second(look):
    folder = look(in_order=True)
    folder.put("b.png")
    folder.put("a.png", PNG[:-9])
    os.utime(folder.root / "b.png", ns=(S, 1000 * S))
    os.utime(folder.root / "a.png", ns=(S, 1001 * S))
    folder.after()
    assert named(folder.after(0.3)) == [("b.png", "complete")]


def test_what_lies_there_at_the_start_is_not_judged_today(look):
    folder = look()
    folder.put("yesterday.png")
    folder.put("notes.txt", b"x")
    assert folder.inflow.begin() == 2
    folder.after()
    assert folder.after(10) == []
    assert folder.names(BEFORE) == ["notes.txt", "yesterday.png"]


def test_what_lies_there_is_judged_where_the_station_says_so(look):
    folder = look(at_start="judge")
    folder.put("yesterday.png")
    assert folder.inflow.begin() == 0
    folder.after()
    assert len(folder.after(0.3)) == 1


def test_a_judged_file_is_moved_where_that_is_stated_and_never_over_another(look):
    folder = look(after="move")
    for _ in range(3):
        folder.put("a.png")
        folder.after()
        (shot,) = folder.after(0.3)
        folder.inflow.let_go(shot)
    assert folder.names("taken") == ["a-2.png", "a-3.png", "a.png"]


@pytest.mark.parametrize("name", ["..", ".", "/tmp", "../out", "a/../../b"])
def test_a_place_for_judged_files_lies_below_the_folder(look, name):
    with pytest.raises(UnusableInput, match="moved_to"):
        look(moved_to=name)


HOSTILE = ["line\nbreak.png", "bell\x07.png", "right\N{RIGHT-TO-LEFT OVERRIDE}gnp.png", "x" * 240 + ".png"]


@pytest.mark.skipif(sys.platform == "win32", reason="no such names are possible there")
@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_set_aside_under_a_portable_one_and_is_no_result(look, name):
    folder = look()
    folder.put(name)
    folder.put("good.png")
    shots = [*folder.after(), *folder.after(0.3)]
    assert sorted(shot.status for shot in shots) == ["complete", "incomplete"]
    for shot in shots:
        folder.inflow.let_go(shot)
        assert shot.why.isprintable()
    folder.inflow.look(lambda: folder.now)
    assert folder.names() == []
    assert len(folder.names(REFUSED)) == 1
    assert folder.names(REFUSED)[0].isprintable()


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_links_are_never_followed(look, tmp_path_factory):
    secret = tmp_path_factory.mktemp("elsewhere") / "secret.png"
    secret.write_bytes(PNG)
    folder = look()
    (folder.root / "a.png").symlink_to(secret)
    (folder.root / "b.png").symlink_to(folder.root / "b.png")
    shots = folder.after()
    assert [shot.status for shot in shots] == ["incomplete", "incomplete"]
    assert all("links are not followed" in shot.why for shot in shots)
    for shot in shots:
        folder.inflow.let_go(shot)
    assert secret.read_bytes() == PNG
    assert folder.names() == []


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names here")
def test_a_pipe_holds_nobody_up(look):
    folder = look()
    os.mkfifo(folder.root / "a.png")
    (shot,) = folder.after()
    assert "no file" in shot.why
    folder.inflow.let_go(shot)
    assert folder.names() == []


def test_a_huge_file_is_not_read(look):
    folder = look(largest_mb=0.001)
    folder.put("a.png", PNG + bytes(2000))
    (shot,) = folder.after()
    assert "at most 0 MB are read" in shot.why


def test_what_is_no_picture_is_set_aside_without_a_record(look):
    folder = look()
    folder.put("Thumbs.db", b"x")
    folder.put("a.jpg.exe", b"x")
    assert folder.after() == []
    assert folder.names(REFUSED) == ["Thumbs.db", "a.jpg.exe"]


def test_what_a_copying_program_has_not_finished_is_left_alone_and_then_set_aside(look):
    folder = look()
    folder.put(".a.png.Xy12", PNG[:100])
    assert folder.after() == folder.after(1) == []
    assert folder.names() == [".a.png.Xy12"]
    folder.after(5)
    assert folder.names() == []


def test_a_folder_that_vanishes_and_comes_back_goes_on_and_what_came_meanwhile_is_late(look):
    folder = look()
    away = folder.root.with_name("away")
    folder.root.rename(away)
    with pytest.raises(OSError, match="No such file"):
        folder.after()
    away.rename(folder.root)
    folder.put("meanwhile.png")
    folder.after()
    (shot,) = folder.after(0.3)
    assert (shot.status, shot.why) == ("late", "it came while the folder was away")
    folder.inflow.let_go(shot)
    folder.put("now.png")
    folder.after()
    assert [shot.status for shot in folder.after(0.3)] == ["complete"]


def test_no_more_is_held_than_stated_and_the_rest_waits_on_the_disk(look):
    folder = look(most_waiting=3)
    for k in range(10):
        folder.put(f"{k}.png")
        os.utime(folder.root / f"{k}.png", ns=(k * S, k * S))
    seen = []
    folder.after()
    for _ in range(20):
        shots = folder.after(0.3)
        assert len(shots) <= 3
        assert len(folder.inflow._lying) <= 3
        for shot in shots:
            seen.append(shot.files[""].path.name)
            folder.inflow.let_go(shot)
    assert seen == [f"{k}.png" for k in range(10)]


def test_shots_that_are_ready_are_not_looked_for_again_while_nobody_takes_them(look):
    folder = look(most_waiting=2)
    for k in range(5):
        folder.put(f"{k}.png")
    for _ in range(5):
        folder.now += S
        folder.inflow.look(lambda: folder.now)
    assert len(folder.inflow.ready) == 2


def test_what_cannot_be_deleted_is_judged_once_and_said(look, monkeypatch):
    def refused(path):
        raise PermissionError(13, "Permission denied")

    folder = look()
    folder.put("a.png")
    folder.after()
    (shot,) = folder.after(0.3)
    monkeypatch.setattr("tiepoint.station.cameras.inflow._remove", refused)
    folder.inflow.let_go(shot)
    assert folder.after(1) == folder.after(1) == []
    assert "a.png cannot be taken out" in folder.inflow.says
    folder.put("a.png", PNG + b"more")  # another picture under its name is a new one
    folder.after()
    assert len(folder.after(0.3)) == 1


def test_folders_of_shots(look):
    folder = look(holds="shots")
    good, bad = folder.root / "s1", folder.root / "s2"
    for one in (good, bad, folder.root / ".s3.part"):
        one.mkdir()
    (good / "shot.json").write_text("{}")
    shots = folder.after()
    assert [(s.status, s.shot_folder.name) for s in shots] == [("complete", "s1")]
    folder.inflow.let_go(shots[0])
    given_up = folder.after(6)
    assert sorted(s.shot_folder.name for s in given_up) == [".s3.part", "s2"]
    for shot in given_up:
        assert shot.status == "incomplete"
        folder.inflow.let_go(shot)
    assert folder.names() == []
    assert folder.names(REFUSED) == [".s3.part", "s2"]


@given(
    some.lists(some.tuples(some.integers(0, 3), some.integers(1, 4), some.sampled_from([0.0, 0.05, 0.3])), max_size=60),
    some.booleans(),
)
def test_however_files_are_written_each_is_delivered_once_and_only_when_it_is_whole(steps, in_order):
    """`steps`: which of four files is written on, by how many sixths of it, and how long until the next look."""
    with tempfile.TemporaryDirectory() as place:
        folder = Looking(Path(place), incomplete_after_s=10_000, in_order=in_order)
        written, seen = dict.fromkeys(range(4), 0), []
        for which, sixths, seconds in [*steps, *((k, 6, 0.0) for k in range(4)), (0, 0, 1.0), (0, 0, 1.0)]:
            before, written[which] = written[which], min(6, written[which] + sixths)
            name = f"{which}.png"
            if written[which] > before:
                folder.put(name, PNG[: len(PNG) * written[which] // 6])
            for shot in folder.after(seconds):
                assert shot.status == "complete"
                assert (folder.root / shot.files[""].path.name).read_bytes() == PNG
                seen.append(shot.files[""].path.name)
        assert sorted(seen) == [f"{k}.png" for k in range(4)]


def test_a_picture_that_lies_among_folders_of_shots_is_no_result_and_named_once(look):
    """Who drops pictures where shots are expected would otherwise have nothing judged, and nobody told."""
    folder = look(holds="shots")
    folder.put("a.png")
    folder.put("notes.txt")
    (shot,) = folder.after()
    assert (shot.status, shot.why) == ("incomplete", "a.png lies in no folder of a shot, with a shot.json beside it")
    assert folder.after(1) == folder.after(10) == []
    folder.inflow.let_go(shot)
    assert (folder.names(), folder.names(REFUSED)) == ([], ["a.png", "notes.txt"])
