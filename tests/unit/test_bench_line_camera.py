"""The simulated line is a camera like any other, with the truth of each part beside its picture."""

import hashlib
import itertools
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from tiepoint.bench.demo_bench import make_bench
from tiepoint.bench.demo_series import WINDOW_PX, Part, Series
from tiepoint.bench.line_camera import MOST_WAITING, LineCamera, Stocked, render_stock
from tiepoint.bench.plate import NOMINAL
from tiepoint.documents.pictures import decode_picture
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.cameras.delivery import Camera, Setting, Trigger

LONG = 30


@pytest.fixture(scope="module")
def stock():
    series = Series(make_bench(seed=3, plates=3))
    return render_stock(series, series.lot())


@pytest.fixture
def line(stock):
    cameras = []

    def run(**more) -> LineCamera:
        camera: Camera = LineCamera("top", stock, **more)
        cameras.append(camera)
        camera.start()
        return camera

    yield run
    for camera in cameras:
        camera.stop()


def test_parts_pass_by_themselves_each_new_and_never_the_same_picture_twice_in_a_row(line, stock):
    camera = line(takt_s=0.001)
    shots = [camera.take(LONG) for _ in range(60)]
    assert len({shot.id for shot in shots}) == len({shot.part_id for shot in shots}) == 60
    hashes = [hashlib.sha256(shot.frames[0].data).hexdigest() for shot in shots]
    assert len(set(hashes)) == len(stock)
    assert all(one != other for one, other in itertools.pairwise(hashes))
    times = [shot.taken_mono_ns for shot in shots]
    between = [later - earlier for earlier, later in itertools.pairwise(times)]
    assert min(between) >= 1_000_000
    assert {gap % 1_000_000 for gap in between} == {0}  # a busy machine may let some pass unseen


def test_the_truth_stands_beside_each_picture(line, stock):
    camera = line(takt_s=0.001)
    for _ in range(10):
        shot = camera.take(LONG)
        shown = next(one for one in stock if one.data == shot.frames[0].data)
        assert camera.truth(shot.part_id) is shown.part
    assert camera.truth("nobody") is None


def test_pictures_are_those_of_the_station_that_reads_out_a_window(stock):
    for one in stock:
        assert decode_picture(one.data, Path("x.png")).size == WINDOW_PX[2:]


def test_a_part_is_photographed_when_it_is_triggered(line):
    camera = line()
    assert camera.take(0.01) is None
    camera.trigger(Trigger("t1", time.monotonic_ns(), "A", variant="long", encoder_count=5))
    shot = camera.take(LONG)
    assert (shot.part_id, shot.variant, shot.encoder_count, shot.status) == ("A", "long", 5, "complete")
    assert camera.truth("A") is not None


def test_who_triggers_a_line_that_runs_by_its_takt_gets_no_result(line):
    camera = line(takt_s=1000)
    camera.trigger(Trigger("t1", time.monotonic_ns(), "A"))
    assert camera.take(LONG).status == "incomplete"


def test_parts_that_nobody_takes_pass_unseen_and_are_counted(line):
    camera = line(takt_s=0.0001)
    while time.monotonic_ns() < camera._due_ns + 3 * MOST_WAITING * 100_000:
        threading.Event().wait(0.001)
    camera.take(LONG)
    assert camera.missed >= 2 * MOST_WAITING - 1


def test_who_waits_is_let_go_when_the_line_stops(line):
    camera = line()
    got = []
    waiting = threading.Thread(target=lambda: got.append(camera.take(LONG)))
    waiting.start()
    camera.stop()
    waiting.join(LONG)
    assert got == [None]
    assert camera.link[0] == "waiting"


def test_what_cannot_be_is_refused(stock):
    with pytest.raises(UnusableInput, match="twice in a row"):
        LineCamera("top", stock[:1])
    with pytest.raises(UnusableInput, match="takt"):
        LineCamera("top", stock, takt_s=0)
    with pytest.raises(UnusableInput, match="rendered"):
        LineCamera("top", stock).set(Setting(gain=1.0))


def test_all_pictures_are_shown_about_as_often():
    fake = tuple(Stocked(Part(str(k), NOMINAL, 0.0), bytes([k])) for k in range(5))
    camera = LineCamera("top", fake)
    camera.start()
    shown = np.zeros(5)
    for k in range(5000):
        camera.trigger(Trigger(str(k), 0))
        shown[camera.take(LONG).frames[0].data[0]] += 1
    # Each is 1000 on average; a walk that never stays has a smaller spread than independent draws (sd 28).
    assert np.abs(shown - 1000).max() < 5 * 28.3
