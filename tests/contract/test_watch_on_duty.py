"""The watch with a real duty: its events in a real ledger, painted copies judged by real processes, off every wire."""

import threading

import numpy as np
import pytest
from scipy import stats
from tests.helpers.made_line import Running
from tests.helpers.plain_bore import plain_tie
from tests.helpers.vent_station import new_station
from tests.helpers.watched_station import WATCH, Watched, loaded, scene

from tiepoint.documents.pictures import encode_png
from tiepoint.station.accepted import accept, draft_of
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
from tiepoint.station.watch.hold import hold
from tiepoint.station.watch.painter import is_found, place_of
from tiepoint.station.watch.table import WatchTable
from tiepoint.station.watch.watch import Watch

HEAD = "control_per_hour = 3600"
DEFECT = """
[[watch.defect]]
name = "bore filled up"
kind = "hole"
size_mm = 4.6
points = [[15, 12]]
reading = "bore.diameter"
per_hour = 3600
"""
SPOT = """
[[watch.defect]]
name = "spot"
kind = "spot"
size_mm = 0.4
rectangle = { centre = [15, 16], size = [2, 1] }
per_hour = 3600
"""


def on_duty(tmp_path, more=""):
    vent = new_station(tmp_path / "station", plain_tie())
    toml = vent.folder / "station.toml"
    duty = '\n[duty]\nworkers = 1\nvariant = "thin"\ndeadline_ms = 60000\n'
    toml.write_text(toml.read_text() + duty + WATCH.replace("#", HEAD) + more)
    station = open_station(vent.folder)
    accept(station, [draft_of(station, vent.recipe)], who="M. Weiss", why="first")
    return station


def test_a_moved_camera_puts_the_station_in_a_fault_that_is_told_on_the_wire_and_stands_in_the_ledger(tmp_path):
    station, rng = on_duty(tmp_path), np.random.default_rng(3)
    watch = Watch(station, hold(station, [loaded(scene(rng)) for _ in range(30)]))
    with Running(station, seen=watch.seen, every_tick=watch.every_tick) as line:
        line.wire.until("on duty")
        for k in range(20):
            line.camera.show(f"a{k}", encode_png(scene(rng, shift=(0.5, 0.0))))
            line.wire.of(f"a{k}")
        line.wire.until("fault")
        line.camera.show("b", encode_png(scene(rng)))
        b = line.wire.of("b")
        line.duty.later(lambda: watch.settled(line.duty, next(iter(watch.alarms.on)), "M. Weiss", "fastened"))
        line.wire.until("on duty")
        line.duty.later(lambda: watch.end(line.duty))
    assert line.error is None
    assert line.wire.states[0].state == "warming"
    fault = next(s for s in line.wire.states if s.state == "fault")
    assert fault.fault == "watch position position x, picture"
    assert "of the fixed edges along x in picture has changed by +0." in fault.says
    assert "make the tie anew" in fault.says
    assert (b.verdict, b.readings[0].reason.code) == ("unread", "shot_not_judged")
    with Ledger(station.ledger_path) as ledger:
        told = [e.body for e in ledger.entries("duty") if e.body["event"] == "alarm"]
        assert ledger.check().holds
    assert [(e["kind"], e["phase"]) for e in told] == [("position", "begins"), ("position", "ends")]
    # 0.05 mm a pixel: half a pixel is 25 µm.
    assert told[0]["change"] == pytest.approx(0.5, abs=0.03)
    assert f"that is {1e3 * told[0]['change'] * 0.05:+.3g} µm" in told[0]["says"]
    assert told[1]["why"] == "M. Weiss: fastened"


def test_painted_copies_are_judged_off_the_wire_and_counted_in_the_ledger_alone(tmp_path):
    station = on_duty(tmp_path, DEFECT)
    rng = np.random.default_rng(4)
    watch = Watch(station, hold(station, [loaded(scene(rng)) for _ in range(8)]), seed=1)
    ticks = threading.Semaphore(0)

    def every_tick(duty):
        watch.every_tick(duty)
        ticks.release()

    with Running(station, seen=watch.seen, every_tick=every_tick) as line:
        line.wire.until("on duty")
        shown = 0
        while not {"bore filled up", ""} <= {*watch.tally.today} and shown < 60:
            line.camera.show(f"a{shown}", encode_png(scene(rng)))
            assert line.wire.of(f"a{shown}").verdict == "conforms"
            shown += 1
            # The next part comes two ticks later, so that there is a gap.
            while ticks.acquire(blocking=False):
                pass
            assert ticks.acquire(timeout=60)
            assert ticks.acquire(timeout=60)
        line.duty.later(lambda: watch.end(line.duty))
    assert line.error is None
    today = dict(watch.tally.today)
    assert today["bore filled up"].found == today["bore filled up"].shown >= 1
    assert today[""].found == 0
    assert today[""].shown >= 1
    with Ledger(station.ledger_path) as ledger:
        assert len(list(ledger.entries("record"))) == shown == len(line.wire.results)
        (event,) = [e.body for e in ledger.entries("duty") if e.body["event"] == "detection"]
        assert ledger.check().holds
    n = today["bore filled up"].shown
    assert event["says"][0].startswith(f"bore filled up: {n} of {n} today, at least ")
    assert event["today"][0] == {"defect": "bore filled up", "found": n, "shown": n}
    assert all(not one.record.shot.id.startswith("copy") for one in line.wire.results)


class TestTheGap:
    """When a copy is given: only where it will be judged before the next part is due."""

    @pytest.fixture
    def line(self, tmp_path):
        return Watched(tmp_path, DEFECT, HEAD, held=8)

    def test_it_is_given_in_a_gap_and_its_answer_is_counted(self, line):
        line.show(4)
        assert [d.id for d, _ in line.duty.copies] == ["copy-1"]
        copy, checked = line.duty.copies[0]
        assert copy.variant == "thin"
        pixels = copy.frames[0].pixels
        assert pixels[240, 300] > 140  # where the bore was dark
        record = line.golden(4.7)
        checked(record)
        assert line.watch.tally.today["bore filled up"].shown == 1

    def test_none_is_given_while_a_part_waits_and_it_is_dropped_for_the_next(self, line):
        line.duty.waiting.append("a part")
        for _ in range(3):
            line.show(1)
            line.clock.mono_s += 11
        assert line.duty.copies == []
        line.duty.waiting.clear()
        line.watch.end(line.duty)
        assert next(e for e in line.duty.events if e["event"] == "detection")["dropped"] >= 1

    def test_none_is_given_where_the_next_part_is_due_before_it_is_judged(self, line):
        painter = line.watch._painter
        line.show(1)
        line.show(20)
        assert painter.is_gap(line.clock.mono_s + 0.1, 1.0)
        assert not painter.is_gap(line.clock.mono_s + 0.49, 1.0)  # parts come every 0.5 s, a copy takes 15 ms
        assert not painter.is_gap(line.clock.mono_s + 2.0, 1.0)  # one is overdue: it may come at once
        assert painter.is_gap(line.clock.mono_s + 6.0, 1.0)  # the line stands

    def test_one_slow_judgement_at_the_start_does_not_keep_copies_away_for_ever(self, line):
        line.took_s = 0.6  # of the first part, while all is cold: longer than half a second to the next one
        line.show(1)
        line.took_s = 0.01
        line.show(40)
        assert line.duty.copies

    def test_what_waits_longest_is_painted_first_where_gaps_are_rare(self, line):
        answered = 0
        for _ in range(9):
            line.clock.mono_s += 60  # all are due again
            line.show(1)
            for _, checked in line.duty.copies[answered:]:
                checked(line.golden(4.7))
            answered = len(line.duty.copies)
        # The first part tells no gap yet: its copy waits for the second's.
        assert {name: one.shown for name, one in line.watch.tally.today.items()} == {"bore filled up": 4, "": 4}

    def test_a_golden_part_is_not_painted_one_part_shown_often_is_no_many_parts(self, tmp_path):
        line = Watched(tmp_path, DEFECT + '[watch.golden]\nlike = "G-*"\n', HEAD, held=8)
        line.show(20, part_id="G-1")
        line.show(20, part_id="G-1")
        assert line.duty.copies == []

    def test_a_reading_that_the_recipe_does_not_give_is_told_and_no_miss(self, tmp_path):
        line = Watched(tmp_path, DEFECT.replace("bore.diameter", "bead.gap"), "control_per_hour = 0", held=8)
        line.show(4)
        assert line.alarms == [("watch", "")]
        assert (
            "the reading bead.gap, which the part's recipe does not give; it gives bore.diameter"
            in (line.duty.events[0]["says"])
        )
        assert (line.duty.copies, dict(line.watch.tally.today)) == ([], {})

    def test_a_copy_without_a_defect_has_new_noise_where_one_would_be_and_else_the_parts_own(self, tmp_path):
        # The very pixels that conformed would conform again: they tell nothing of what painting does.
        line = Watched(tmp_path, SPOT, HEAD, held=8)
        pixels = scene(line.rng)
        while len(line.duty.copies) < 2:
            line.clock.mono_s += 60
            line.show(1, pixels=pixels)
            if line.duty.copies:
                line.duty.copies[-1][1](line.golden(4.4))
        changed = [(d.frames[0].pixels.astype(float) - pixels) for d, _ in line.duty.copies]
        dark, plain = sorted(changed, key=lambda one: one.sum())
        there = plain != 0
        assert there.sum() > 20
        assert abs(plain[there].mean()) < 2
        assert dark.min() < -40 < plain.min()

    def test_a_copy_that_was_not_judged_is_no_miss(self, line):
        line.show(4)
        line.duty.copies[0][1](load_unread(line))
        assert dict(line.watch.tally.today) == {}
        assert line.watch.tally.dropped == 1


def load_unread(line):
    from tiepoint.foundation.reasons import Reason
    from tiepoint.station.duty.judging import Judge, Task

    judge = Judge(line.station)
    return judge.unread(Task(line.duty.copies[0][0], "thin"), Reason("shot_too_many", {"waiting": 3}))


def test_what_is_found_is_what_does_not_conform_by_the_reading_that_is_to_tell():
    from tests.helpers.watched_station import bore

    from tiepoint.model.record import Record
    from tiepoint.model.shot import Shot

    def record(verdict, id_="bore.diameter"):
        return Record("s", 0, Shot("a", ()), "", (), "t", (bore(4.4, verdict, id_),), verdict)

    table = WatchTable.read({"defect": [{"name": "d", "kind": "hole", "size_mm": 1.0, "points": [[1, 2]],
                                         "reading": "bore.diameter"}]}, "")  # fmt: skip
    (defect,) = table.defect
    assert is_found(record("rejected"), defect)
    assert is_found(record("undecided"), defect)
    assert not is_found(record("conforms"), defect)
    assert not is_found(record("rejected", "slot.width"), defect)
    assert is_found(record("rejected", "slot.width"), None)


def test_a_gap_lies_on_the_path_with_its_whole_length():
    # What lay half beyond an end would be a gap of half the size that is told.
    from tiepoint.model.record import Record
    from tiepoint.model.shot import Shot

    (defect,) = WatchTable.read(
        {"defect": [{"name": "d", "kind": "gap", "size_mm": 4.0,
                     "path": {"points": [[0, 0], [10, 0], [10, 30]], "width": 2}}]}, ""
    ).defect  # fmt: skip
    rng, record = np.random.default_rng(0), Record("s", 0, Shot("a", ()), "", (), "t", (), "unread")
    xy = np.array([place_of(defect, record, rng)[0][0] for _ in range(4000)])
    along = xy[:, 0] + xy[:, 1]
    assert (along.min(), along.max()) == (pytest.approx(2, abs=0.05), pytest.approx(38, abs=0.05))
    # Each mm as likely as the next: by another library.
    assert stats.kstest((along - 2) / 36, "uniform").pvalue > 1e-3


def test_places_are_all_over_the_region_and_lie_in_the_found_part():
    from dataclasses import replace

    from tests.helpers.watched_station import bore

    from tiepoint.model.record import Record
    from tiepoint.model.shot import Shot

    (defect,) = WatchTable.read(
        {"defect": [{"name": "d", "kind": "gap", "size_mm": 0.4, "in": "plate",
                     "path": {"points": [[0, 0], [10, 0], [10, 30]], "width": 2}}]}, ""
    ).defect  # fmt: skip
    pose = {"x": 100.0, "y": 50.0, "angle": 90.0}
    readings = tuple(
        replace(bore(value, None, f"plate.{key}"), quantity=key, step="plate", limits=None)
        for key, value in pose.items()
    )
    record = Record("s", 0, Shot("a", ()), "", (), "t", readings, "unread")
    rng = np.random.default_rng(0)
    places = [place_of(defect, record, rng) for _ in range(4000)]
    xy, angles = np.array([p[0] for p, _ in places]), np.array([a for _, a in places])
    # Turned by 90°: along +y first, then along −x.
    first = np.isclose(xy[:, 0], 100)
    assert first.mean() == pytest.approx(0.25, abs=0.03)
    assert xy[first, 1].min() == pytest.approx(50.2, abs=0.1)
    assert xy[first, 1].max() == pytest.approx(60, abs=0.1)
    assert xy[:, 0].min() == pytest.approx(70.2, abs=0.1)
    assert np.degrees(angles[first]) == pytest.approx(90)
    assert np.degrees(angles[~first]) == pytest.approx(180)
