"""A camera that drops files into a folder, as duty sees it: real files, real threads, the file system's own events."""

import json
import threading
import time

import numpy as np
import pytest

from tiepoint.documents.pictures import decode_picture, encode_png
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.station.cameras.delivery import Setting, Trigger
from tiepoint.station.cameras.folder import READ_AHEAD
from tiepoint.station.cameras.table import CameraTable, open_camera
from tiepoint.station.duty.seeing import loaded_of

LONG = 30
LAMPS = ("east", "west")


def png(seed):
    return encode_png(np.random.default_rng(seed).integers(0, 255, (40, 50), np.uint8))


@pytest.fixture
def opened(tmp_path):
    """Return a function that opens and starts a camera of a station's folder; all are stopped at the end."""
    cameras = []

    def open_one(start=True, folder=None, **table):
        settings = {"path": "in", "settle_s": 0.05, "incomplete_after_s": 0.3, "poll_s": 0.05, **(folder or {})}
        table = CameraTable.read({"name": "top", "from": "folder", "folder": settings, **table}, "camera: ")
        camera = open_camera(table, tmp_path)
        cameras.append(camera)
        if start:
            camera.start()
            wait_for(lambda: "not looked into yet" not in camera.link[1])
        return camera

    yield open_one
    for camera in cameras:
        camera.stop()


def put(tmp_path, name, data):
    (tmp_path / "in" / name).write_bytes(data)


def told(number, part_id=None, **more):
    return Trigger(f"t{number}", time.monotonic_ns(), part_id, **more)


def wait_for(what):
    """Wait for something that is to become so by itself; the test's own time-out bounds it."""
    pause = threading.Event()
    until = time.monotonic() + LONG
    while not what():
        assert time.monotonic() < until, "it never became so"
        pause.wait(0.01)


def test_a_file_becomes_a_delivery_and_is_gone_when_it_is_done(opened, tmp_path):
    camera = opened()
    put(tmp_path, "a.png", png(1))
    delivery = camera.take(LONG)
    (frame,) = delivery.frames
    assert (delivery.status, delivery.camera, delivery.part_id) == ("complete", "top", "000000001")
    assert (frame.role, frame.name, frame.data) == ("picture", "a.png", png(1))
    assert delivery.taken_mono_ns <= time.monotonic_ns()
    assert camera.link[0] == "joined"
    assert (tmp_path / "in" / "a.png").exists()
    camera.done(delivery)
    wait_for(lambda: not (tmp_path / "in" / "a.png").exists())


def test_events_wake_it_where_the_file_system_tells_of_them(opened, tmp_path):
    # The slow safety net alone would take an hour.
    camera = opened(folder={"poll_s": 3600, "settle_s": 0.01})
    seen = threading.Event()
    threading.Thread(target=lambda: seen.set() if camera.take(LONG) else None, daemon=True).start()
    for k in range(1000):
        if seen.wait(0.03):
            break
        put(tmp_path, f"{k}.png", png(k))  # the first may come before anybody listens
    assert seen.is_set()


def test_the_pictures_of_several_lights_come_in_the_order_of_the_lamps(opened, tmp_path):
    camera = opened(
        folder={"names": "{part_id}_{variant}_{light}.png"}, lights=["south", "north"], part_id="name", bits=12
    )
    put(tmp_path, "HV7_long_north.png", png(1))
    put(tmp_path, "HV7_long_south.png", png(2))
    delivery = camera.take(LONG)
    assert [(f.role, f.light, f.data, f.bits) for f in delivery.frames] == [
        ("south", "south", png(2), 12),
        ("north", "north", png(1), 12),
    ]
    assert (delivery.part_id, delivery.variant) == ("HV7", "long")


def test_a_half_written_picture_is_no_result_and_is_kept_aside(opened, tmp_path):
    camera = opened()
    put(tmp_path, "a.png", png(1)[:-5])
    delivery = camera.take(LONG)
    assert (delivery.status, delivery.frames) == ("incomplete", ())
    assert "IEND" in delivery.why
    camera.done(delivery)
    wait_for(lambda: (tmp_path / "in" / "refused" / "a.png").exists())


def test_the_same_picture_again_and_the_same_shot_again_are_repeated(opened, tmp_path):
    camera = opened(folder={"names": "{shot}.png"})
    statuses = []
    for name, seed in (("1", 1), ("2", 1), ("1", 3), ("3", 4)):
        put(tmp_path, f"{name}.png", png(seed))
        delivery = camera.take(LONG)
        statuses.append(delivery.status)
        camera.done(delivery)
        wait_for(lambda name=name: not (tmp_path / "in" / f"{name}.png").exists())
    assert statuses == ["complete", "repeated", "repeated", "complete"]


def test_a_count_in_the_name_tells_what_is_out_of_order(opened, tmp_path):
    camera = opened(folder={"names": "img{count}.png"})
    statuses = []
    for count in (7, 8, 6, 9):
        put(tmp_path, f"img{count}.png", png(count))
        statuses.append(camera.take(LONG).status)
    assert statuses == ["complete", "complete", "out_of_order", "complete"]


def test_a_part_is_called_as_its_trigger_says(opened, tmp_path):
    camera = opened(part_id="trigger", trigger={"latest_s": 20})
    camera.trigger(told(1, "part A", variant="long", encoder_count=77))
    put(tmp_path, "x.png", png(1))
    delivery = camera.take(LONG)
    assert (delivery.status, delivery.part_id, delivery.variant, delivery.encoder_count) == (
        "complete",
        "part A",
        "long",
        77,
    )


@pytest.mark.parametrize(("by", "names"), [("trigger", ["part A", "part B"]), ("counter", ["000000001", "000000002"])])
def test_a_picture_that_is_written_slowly_is_not_overtaken_by_the_next_part(opened, tmp_path, by, names):
    camera = opened(part_id=by, trigger={"latest_s": 20}, folder={"incomplete_after_s": 20})
    for k, part in enumerate(("part A", "part B") if by == "trigger" else ()):
        camera.trigger(told(k, part))
    put(tmp_path, "slow.png", png(1)[:-9])
    wait_for(lambda: camera._inflow._lying)
    put(tmp_path, "next.png", png(2))
    wait_for(lambda: any(one.whole for one in camera._inflow._lying.values()))
    assert camera.take(0.2) is None
    put(tmp_path, "slow.png", png(1))
    found = [camera.take(LONG) for _ in range(2)]
    assert [(one.part_id, one.frames[0].name, one.status) for one in found] == [
        (names[0], "slow.png", "complete"),
        (names[1], "next.png", "complete"),
    ]


def test_a_picture_whose_writing_began_before_the_trigger_is_not_of_its_part(opened, tmp_path):
    # As of a part whose own trigger was refused: it gets its final name only after the next part was told.
    camera = opened(part_id="trigger", trigger={"latest_s": 20}, folder={"whole": "renamed", "incomplete_after_s": 20})
    put(tmp_path, "before.png.part", png(1))
    wait_for(lambda: camera._inflow._lying)
    camera.trigger(told(1, "part B"))
    (tmp_path / "in" / "before.png.part").rename(tmp_path / "in" / "before.png")
    found = camera.take(LONG)
    assert (found.status, found.part_id) == ("late", None)
    assert found.why == "it was taken before the trigger that waits"
    put(tmp_path, "own.png", png(2))
    found = camera.take(LONG)
    assert (found.status, found.part_id) == ("complete", "part B")


def test_a_trigger_that_names_no_part_gets_the_next_number(opened, tmp_path):
    camera = opened(part_id="trigger", trigger={"latest_s": 20})
    camera.trigger(told(1))
    put(tmp_path, "x.png", png(1))
    assert camera.take(LONG).part_id == "000000001"


def test_a_picture_without_a_trigger_is_of_no_part(opened, tmp_path):
    camera = opened(part_id="trigger")
    put(tmp_path, "x.png", png(1))
    delivery = camera.take(LONG)
    assert (delivery.status, delivery.part_id) == ("out_of_order", None)


def test_a_part_whose_picture_does_not_come_is_told(opened, tmp_path):
    camera = opened(part_id="trigger", trigger={"latest_s": 0.1})
    camera.trigger(told(1, "part A"))
    delivery = camera.take(LONG)
    assert (delivery.status, delivery.part_id, delivery.frames) == ("incomplete", "part A", ())
    assert "no picture came within 0.1 s" in delivery.why


def test_a_number_that_is_missing_in_the_count_is_the_part_of_which_nothing_came(opened, tmp_path):
    camera = opened(part_id="trigger", trigger={"latest_s": 20}, folder={"names": "img{count}.png"})
    for k in range(3):
        camera.trigger(told(k, f"part {k}"))
    put(tmp_path, "img1.png", png(1))
    first = camera.take(LONG)
    put(tmp_path, "img3.png", png(3))
    rest = [camera.take(LONG) for _ in range(2)]
    assert [(d.part_id, d.status) for d in (first, *rest)] == [
        ("part 0", "complete"),
        ("part 1", "incomplete"),
        ("part 2", "complete"),
    ]


def test_a_picture_that_names_another_part_than_its_trigger_is_no_result(opened, tmp_path):
    camera = opened(part_id="trigger", trigger={"latest_s": 20}, folder={"names": "{part_id}.png"})
    camera.trigger(told(1, "A"))
    put(tmp_path, "B.png", png(1))
    delivery = camera.take(LONG)
    assert delivery.status == "out_of_order"
    assert delivery.why == "it names the part B, its trigger A"


def test_who_triggers_a_camera_that_waits_for_no_triggers_gets_no_result(opened):
    camera = opened()
    camera.trigger(told(1, "A"))
    delivery = camera.take(LONG)
    assert delivery.status == "incomplete"
    assert "unasked" in delivery.why


def test_pictures_of_before_are_not_judged(opened, tmp_path):
    (tmp_path / "in").mkdir()
    put(tmp_path, "old.png", png(1))
    camera = opened()
    wait_for(lambda: "set aside, as they were there before: 1" in camera.link[1])
    put(tmp_path, "new.png", png(2))
    assert camera.take(LONG).frames[0].name == "new.png"
    assert (tmp_path / "in" / "before" / "old.png").read_bytes() == png(1)


def test_a_folder_that_is_away_is_said_and_it_goes_on_when_it_is_back(opened, tmp_path):
    camera = opened()
    (tmp_path / "in").rename(tmp_path / "gone")
    wait_for(lambda: camera.link[0] == "away")
    assert "o such file" in camera.link[1]
    assert camera.take(0.01) is None
    (tmp_path / "gone").rename(tmp_path / "in")
    wait_for(lambda: camera.link[0] == "joined")
    put(tmp_path, "a.png", png(1))
    assert camera.take(LONG).status == "complete"


def test_a_station_may_start_before_its_folder_is_there(opened, tmp_path):
    camera = opened(folder={"path": "mounted/later/in"})
    wait_for(lambda: camera.link[0] == "away")
    (tmp_path / "mounted" / "later" / "in").mkdir(parents=True)
    wait_for(lambda: camera.link[0] == "joined")


def test_a_file_in_the_place_of_the_folder_is_said(opened, tmp_path):
    (tmp_path / "in").write_text("")
    camera = opened()
    wait_for(lambda: camera.link[0] == "away")
    assert "ot a directory" in camera.link[1]


def test_no_more_pictures_are_in_memory_than_are_read_ahead(opened, tmp_path):
    camera = opened()
    for k in range(20):
        put(tmp_path, f"{k}.png", png(k))
    wait_for(lambda: len(camera._waiting) == READ_AHEAD)
    wait_for(lambda: len(camera._inflow.ready) == 20 - READ_AHEAD)
    assert len(camera._waiting) == READ_AHEAD
    names = set()
    for _ in range(20):
        delivery = camera.take(LONG)
        names.add(delivery.frames[0].name)
        camera.done(delivery)
    assert names == {f"{k}.png" for k in range(20)}


def test_the_count_of_parts_goes_on_after_a_restart(opened, tmp_path):
    first = opened()
    put(tmp_path, "a.png", png(1))
    one = first.take(LONG)
    first.done(one)
    first.stop()
    assert first.take(LONG) is None
    assert not (tmp_path / "in" / "a.png").exists()
    second = opened()
    put(tmp_path, "b.png", png(2))
    assert int(second.take(LONG).part_id) > int(one.part_id)


def test_a_damaged_count_is_refused_before_anything_is_judged(opened, tmp_path):
    (tmp_path / "counters").mkdir()
    (tmp_path / "counters" / "top.json").write_text("{}")
    with pytest.raises(UnusableDocument, match=r"top\.json"):
        opened(start=False)


def test_nothing_of_it_can_be_set(opened):
    camera = opened(start=False)
    assert camera.set(Setting()) == Setting()
    with pytest.raises(UnusableInput, match="nothing of it can be set"):
        camera.set(Setting(exposure_s=0.01))


def shot_folder(tmp_path, name, pictures, change=None):
    folder = tmp_path / "in" / f".{name}.part"
    folder.mkdir(parents=True)
    listed = []
    for role, data in pictures.items():
        (folder / f"{role}.png").write_bytes(data)
        listed.append({"role": role, "light": role, "file": f"{role}.png", "size": [50, 40], "bits": 8})
    (folder / "shot.json").write_text(
        json.dumps({"format": "tiepoint/shot/1", "id": name, "pictures": listed, **(change or {})})
    )
    folder.rename(tmp_path / "in" / name)


def test_a_folder_with_shot_json_is_a_delivery(opened, tmp_path):
    camera = opened(folder={"holds": "shots"}, lights=["east", "west"], part_id="name")
    shot_folder(
        tmp_path, "s1", {"east": png(1), "west": png(2)}, {"part_id": "A7", "variant": "long", "temperature_c": 21.5}
    )
    delivery = camera.take(LONG)
    assert (delivery.id, delivery.part_id, delivery.variant, delivery.status) == ("s1", "A7", "long", "complete")
    assert delivery.temperature_c == 21.5
    assert [(f.role, f.data) for f in delivery.frames] == [("east", png(1)), ("west", png(2))]
    camera.done(delivery)
    wait_for(lambda: not (tmp_path / "in" / "s1").exists())


def test_how_shot_json_says_that_the_sensor_was_read_is_what_the_judge_is_told(opened, tmp_path):
    # A flip that was lost on the way would have a mirrored picture judged as if it were none, in a tie's own mm.
    camera = opened(folder={"holds": "shots"})
    read_out = {"roi_offset": [8, 4], "binning": [2, 2], "flip": "x"}
    listed = [{"role": "picture", "file": "east.png", "size": [50, 40], "bits": 8, **read_out}]
    shot_folder(tmp_path, "s1", {"east": png(1)}, {"pictures": listed})
    told = loaded_of(camera.take(LONG))
    (picture,), sensor = told.shot.pictures, told.sensors["picture"]
    assert (picture.roi_offset, picture.binning, picture.flip) == ((8, 4), (2, 2), "x")
    assert (sensor.offset_px, sensor.binning, sensor.flip) == ((8, 4), (2, 2), (True, False))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            {"pictures": [{"role": r, "light": r, "file": "../../secret.png", "size": [5, 5]} for r in LAMPS]},
            "names no file",
        ),
        ({"pictures": [{"role": "east", "light": "east", "file": "east.png", "size": [50, 40]}]}, "of the lamps"),
        ({"pictures": []}, "at least one picture"),
        ({"id": 7}, "give text"),
        ({"status": "late"}, "the camera says so"),
        ({"pictures": [{"role": r, "light": r, "file": "gone.png", "size": [5, 5]} for r in LAMPS]}, "such"),
    ],
)
def test_a_shot_json_that_does_not_hold_is_no_result(opened, tmp_path, change, words):
    (tmp_path / "secret.png").write_bytes(png(9))
    camera = opened(folder={"holds": "shots"}, lights=["east", "west"])
    shot_folder(tmp_path, "s1", {"east": png(1), "west": png(2)}, change)
    delivery = camera.take(LONG)
    assert delivery.status != "complete"
    assert words in delivery.why
    assert (tmp_path / "secret.png").exists()
    camera.done(delivery)
    wait_for(lambda: not (tmp_path / "in" / "s1").exists())
    if delivery.status == "incomplete":  # what could not be read is kept for who looks into it
        assert sorted(p.name for p in (tmp_path / "in" / "refused" / "s1").iterdir())[-1] == "west.png"


def test_what_is_delivered_is_what_a_decoder_reads(opened, tmp_path):
    camera = opened()
    put(tmp_path, "a.png", png(5))
    frame = camera.take(LONG).frames[0]
    # The expected pixels are those that numpy made; the file's bytes go through a decoder of Pillow's.
    expected = np.random.default_rng(5).integers(0, 255, (40, 50), np.uint8)
    assert np.array_equal(decode_picture(frame.data, tmp_path / frame.name).pixels, expected)


def test_a_folder_that_hangs_holds_up_nobody_and_is_said(opened, monkeypatch):
    camera = opened()
    hangs, answers = threading.Event(), threading.Event()

    def hang(clock):
        hangs.set()
        answers.wait(LONG)

    monkeypatch.setattr("tiepoint.station.cameras.folder._SILENT_NS", 50_000_000)
    monkeypatch.setattr(camera._inflow, "look", hang)
    assert hangs.wait(LONG)
    assert camera.take(0.01) is None
    camera.trigger(told(1))
    wait_for(lambda: camera.link[0] == "away")
    assert "has not answered for" in camera.link[1]
    answers.set()


def test_whatever_goes_wrong_is_told_by_name_and_the_folder_is_looked_into_again(opened, tmp_path, monkeypatch):
    camera, broken = opened(), threading.Event()
    look, read = camera._inflow.look, camera._read

    def odd(*words):
        if broken.is_set():
            raise RecursionError("nobody foresaw it")
        return look(*words)

    def unread(arrived):
        if arrived.files[""].path.name == "odd.png":
            raise RecursionError("nobody foresaw it")
        return read(arrived)

    monkeypatch.setattr(camera._inflow, "look", odd)
    monkeypatch.setattr(camera, "_read", unread)
    broken.set()
    wait_for(lambda: camera.link[0] == "away" and "RecursionError: nobody foresaw it" in camera.link[1])
    broken.clear()
    wait_for(lambda: camera.link[0] == "joined")
    put(tmp_path, "odd.png", png(1))
    delivery = camera.take(LONG)
    assert (delivery.status, delivery.why) == ("incomplete", "RecursionError: nobody foresaw it")
    put(tmp_path, "good.png", png(2))
    assert camera.take(LONG).status == "complete"
