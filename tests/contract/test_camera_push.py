"""What is pushed over HTTP reaches duty whole or not at all, and never fills the disk."""

import threading

import numpy as np
import pytest

from tiepoint.documents.pictures import encode_png
from tiepoint.foundation.errors import UnusableDocument, UnusableInput, UnusablePicture
from tiepoint.station.cameras.push import NoRoom, Pushed, Quota, hand_over
from tiepoint.station.cameras.table import CameraTable, open_camera, watched

LONG = 30
AMPLE = Quota(10**9, 100)


def png(seed):
    return encode_png(np.random.default_rng(seed).integers(0, 255, (40, 50), np.uint8))


@pytest.fixture
def camera(tmp_path):
    table = CameraTable.read({"name": "side", "from": "push", "part_id": "name", "lights": ["east", "west"]}, "")
    camera = open_camera(table, tmp_path)
    camera.start()
    while "not looked into yet" in camera.link[1]:
        threading.Event().wait(0.01)
    yield camera, watched(table, tmp_path)
    camera.stop()


def lit(one, other):
    return [Pushed(png(one), "east", "east"), Pushed(png(other), "west", "west")]


def test_what_is_handed_over_is_delivered(camera):
    opened, folder = camera
    given = hand_over(folder, lit(1, 2), {"part_id": "HV 7/3", "variant": "long"}, AMPLE)
    delivery = opened.take(LONG)
    assert (delivery.id, delivery.part_id, delivery.variant, delivery.status) == (given, "HV 7/3", "long", "complete")
    assert [(f.role, f.light, f.data) for f in delivery.frames] == [("east", "east", png(1)), ("west", "west", png(2))]


def test_a_shot_that_is_sent_twice_is_repeated(camera):
    opened, folder = camera
    for seed in (1, 5):
        hand_over(folder, lit(seed, seed + 1), {"id": "s1"}, AMPLE)
    assert [opened.take(LONG).status for _ in range(2)] == ["complete", "repeated"]


@pytest.mark.parametrize(
    ("pictures", "about", "error"),
    [
        ([Pushed(b"no picture")], {}, UnusablePicture),
        ([Pushed(png(1)[:-30])], {}, UnusablePicture),
        ([], {}, UnusableDocument),
        ([Pushed(png(1)), Pushed(png(2))], {}, UnusableDocument),
        ([Pushed(png(1))], {"part_id": 7}, UnusableDocument),
        ([Pushed(png(1))], {"pictures_": []}, UnusableDocument),
        ([Pushed(png(1))], {"taken_utc": "yesterday"}, UnusableDocument),
    ],
)
def test_what_cannot_be_used_leaves_nothing_behind(tmp_path, pictures, about, error):
    with pytest.raises(error):
        hand_over(tmp_path / "in", pictures, about, AMPLE)
    assert not (tmp_path / "in").exists()


@pytest.mark.parametrize("text", ["../../etc/passwd", "a/b", "nul", "x" * 300, "a\nb", "C:\\x"])
def test_roles_and_ids_are_no_places(tmp_path, text):
    folder = tmp_path / "in"
    hand_over(folder, [Pushed(png(1), text)], {"id": text}, AMPLE)
    (shot,) = folder.iterdir()
    assert len(list(shot.iterdir())) == 2
    assert [p.name for p in tmp_path.iterdir()] == ["in"]


def test_no_more_waits_than_the_quota(tmp_path):
    folder = tmp_path / "in"
    quota = Quota(10**9, 3)
    for seed in range(3):
        hand_over(folder, [Pushed(png(seed))], {}, quota)
    with pytest.raises(NoRoom, match="3 shots wait"):
        hand_over(folder, [Pushed(png(9))], {}, quota)
    (folder / "refused").mkdir()
    (folder / "refused" / "old.png").write_bytes(bytes(10**6))
    with pytest.raises(NoRoom, match="clear"):
        hand_over(folder, [Pushed(png(9))], {}, Quota(10**6, 100))


def test_the_quota_holds_however_many_send_at_once(tmp_path):
    folder, quota, refused = tmp_path / "in", Quota(10**9, 5), []

    def send(seed):
        try:
            hand_over(folder, [Pushed(png(seed))], {}, quota)
        except NoRoom:
            refused.append(seed)

    threads = [threading.Thread(target=send, args=(k,)) for k in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(refused) == 7
    assert len(list(folder.iterdir())) == 5


def test_a_place_that_cannot_be_written_is_said(tmp_path):
    (tmp_path / "in").write_text("")
    with pytest.raises(UnusableInput, match="cannot write into"):
        hand_over(tmp_path / "in", [Pushed(png(1))], {}, AMPLE)
