"""See over HTTP: one taker for all, latest only; what is set; what is held; what is refused, and where it is said."""

import json
import os
import threading
import time
from urllib.parse import quote

import cv2
import numpy as np
import pytest
from tests.helpers.served import Served, new_station, refusal

from tiepoint.bench.demo_bench import demo_target
from tiepoint.bench.station import BenchStation, View
from tiepoint.documents.files import write_document
from tiepoint.documents.pictures import save_png
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.station.acts import demand_off_duty
from tiepoint.station.camera_edits import Named, name_camera
from tiepoint.station.cameras.delivery import Setting
from tiepoint.station.check import check
from tiepoint.station.drafting import sha_of
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
from tiepoint.station.lock import DUTY, WriterLock
from tiepoint.station.see.eye import Eye
from tiepoint.station.see.held import held_path, kept_sight
from tiepoint.station.see.source import FolderSource, HandedSource, open_source
from tiepoint.station.verify import verify
from tiepoint.station.watch.hold import kept_reference
from tiepoint.targets.document import to_document
from tiepoint.web.users import User, token_sha, write_users

WATCHED = '[[camera]]\nname = "top"\nfrom = "folder"\ndistance_mm = 400\n[camera.folder]\npath = "incoming"\n'
VIDEO = '[[camera]]\nname = "top"\nfrom = "device"\n[camera.device]\npath = "live.avi"\nlatency_s = 0.0\n'


@pytest.fixture(scope="module")
def photo():
    """Return a photograph of the demo's target by a camera that stands straight."""
    bench = BenchStation(View(tilt_deg=0, roll_deg=0), width_px=816, height_px=684, pixel_um=10.35)
    return bench.photograph_target(demo_target(), 1).picture


def a_station(folder, camera=WATCHED):
    """Write a station with a camera, the demo's target, and a user for each role."""
    new_station(folder, camera)
    (folder / "incoming").mkdir()
    (folder / "targets").mkdir()
    write_document(folder / "targets" / "target.json", "target", to_document(demo_target()))
    users = [User(role, role, None, token_sha(role)) for role in ("look", "operate", "change")]
    write_users(folder / "private" / "users.json", users)
    return folder


def drop(folder, picture, number):
    """Let a camera drop a picture, whole at once, a moment later than the one before."""
    path = folder / "incoming" / f"p{number}.png"
    save_png(path.with_suffix(".tmp"), picture)
    at = 1_700_000_000 + number
    os.utime(path.with_suffix(".tmp"), (at, at))
    path.with_suffix(".tmp").rename(path)


def wait_until_stopped(eye, timeout_s):
    """Return whether an eye has let go of its camera within that time; it tells of that in this way alone."""
    until = time.monotonic() + timeout_s
    while eye.is_open and time.monotonic() < until:
        time.sleep(0.02)
    return not eye.is_open


def asker(served):
    """Return what asks by a role's token."""

    def ask(role, method, path, content=None):
        headers = {"Authorization": f"Bearer {role}", "Content-Type": "application/json"}
        body = None if content is None else json.dumps(content)
        status, _, answer = served.ask(method, path, headers=headers, body=body)
        return status, json.loads(answer) if status < 400 else refusal(status, answer)

    return ask


def newer(ask, source, after=0):
    """Return the live picture after a number; there is one in time."""
    for _ in range(12):
        status, told = ask("look", "GET", f"/api/see/live?source={quote(source)}&after={after}&wait_s=10")
        assert status == 200, told
        if told["look"] is not None:
            return told
    raise AssertionError(told)


def test_the_newest_of_a_watched_folder_is_looked_at_and_stays(tmp_path, photo):
    folder = a_station(tmp_path / "s")
    drop(folder, photo, 1)
    with Served(folder) as served:
        ask = asker(served)
        told = ask("look", "GET", "/api/see")[1]
        assert [s["id"] for s in told["sources"]] == ["camera:top", "bench"]
        assert not told["on_duty"]
        live = newer(ask, "camera:top")
        look = live["look"]
        assert look["size"] == [816, 684]
        assert look["name"] == "p1.png"
        numbers = {row["name"]: row for row in look["numbers"]}
        assert numbers["width|middle"]["value"]
        assert numbers["width|middle"]["pm"]
        assert numbers["lean"]["number"] < 0.2
        assert look["aim"]["corners_seen"] == 4
        assert live["set"]["can"] == []
        status, headers, data = served.ask("GET", look["picture"])
        assert (status, headers["content-type"]) == (200, "image/jpeg")
        assert cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE).shape == (684, 816)
        tile = f"/api/see/tiles/0/0/0?source=camera%3Atop&number={live['number']}"
        status, headers, data = served.ask("GET", tile)
        assert (status, headers["content-type"]) == (200, "image/png")
        assert np.array_equal(cv2.imdecode(np.frombuffer(data, np.uint8), -1), photo[:512, :512])
        drop(folder, photo[::-1], 2)
        assert newer(ask, "camera:top", live["number"])["look"]["name"] == "p2.png"
    assert sorted(p.name for p in (folder / "incoming").iterdir()) == ["p1.png", "p2.png"]


def test_a_half_written_picture_is_passed_over_and_read_once_whole(tmp_path, photo):
    drop_in = tmp_path / "incoming"
    drop_in.mkdir()
    drop(tmp_path, photo, 1)
    whole = cv2.imencode(".png", photo)[1].tobytes()
    (drop_in / "p2.png").write_bytes(whole[: len(whole) // 2])
    source = FolderSource(drop_in, "a folder")
    assert source.newest(0.1).name == "p1.png"
    (drop_in / "p2.png").write_bytes(whole)
    assert source.newest(0.1).name == "p2.png"
    assert source.newest(0.05) is None
    with pytest.raises(UnusableInput, match="nothing can be set where pictures come from a folder"):
        source.set(Setting(exposure_s=0.01))


def test_pictures_that_were_handed_over_at_once_are_all_looked_at(tmp_path, photo):
    (tmp_path / "incoming").mkdir()
    for k in (1, 2, 3):
        drop(tmp_path, photo, k)
    source = HandedSource(tmp_path / "incoming", "the pictures that were handed over")
    assert [source.newest(0.1).name for _ in range(3)] == ["p1.png", "p2.png", "p3.png"]
    assert source.newest(0.05) is None
    drop(tmp_path, photo, 4)
    assert source.newest(0.1).name == "p4.png"


def video(path, frames=40):
    """Write a video of a checkerboard that comes and goes in brightness."""
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), 25.0, (320, 240))
    rng = np.random.default_rng(2)
    y, x = np.mgrid[:240, :320]
    for k in range(frames):
        level = 60 + 100 * ((x // 40 + y // 40) % 2) + k % 5 + rng.normal(0, 1, (240, 320))
        writer.write(cv2.cvtColor(level.astype(np.uint8), cv2.COLOR_GRAY2BGR))
    writer.release()


def test_a_camera_is_opened_once_for_all_who_look_and_let_go_of(tmp_path):
    folder = a_station(tmp_path / "s", VIDEO)
    video(folder / "live.avi")
    station, opened = open_station(folder), []

    def opening():
        opened.append(open_source(station.table.camera[0], station))
        return opened[-1]

    eye = Eye(opening, idle_s=0.5)
    told = []
    lookers = [threading.Thread(target=lambda: told.append(eye.look(0, 60))) for _ in range(4)]
    for looker in lookers:
        looker.start()
    for looker in lookers:
        looker.join()
    assert len(opened) == 1
    assert all(one is not None and one.sight.size == (320, 240) for one in told)
    first = eye.look(0, 60).number
    assert eye.look(first, 60).number > first
    assert wait_until_stopped(eye, 20)
    # Nothing of duty's was touched: its parts are counted on from where they were.
    assert not (folder / "counters").exists()
    with pytest.raises(UnusableInput, match="no camera is open"):
        eye.set(Setting())
    assert eye.look(eye.looked.number, 60) is not None
    assert len(opened) == 2
    eye.close()
    assert not eye.is_open


def test_a_camera_is_let_go_of_when_duty_comes_and_is_not_opened_on_duty(tmp_path):
    folder = a_station(tmp_path / "s", VIDEO)
    video(folder / "live.avi")
    with Served(folder) as served:
        ask = asker(served)
        newer(ask, "camera:top")
        eye = served.app.state.here.eyes.known("camera:top")
        with WriterLock(folder, DUTY):
            assert wait_until_stopped(eye, 20)
            told = ask("look", "GET", "/api/see")[1]
            assert told["on_duty"]
            assert told["sources"][0]["id"] == "duty"
            camera = next(s for s in told["sources"] if s["id"] == "camera:top")
            assert camera["why_not"] == "the camera top belongs to duty now; look at what duty keeps"
            status, refused = ask("look", "GET", "/api/see/live?source=camera%3Atop")
            assert (status, refused["says"]) == (422, "the camera top belongs to duty now")
            status, refused = ask("change", "POST", "/api/see/set", {"source": "camera:top", "exposure_s": 0.01})
            assert (status, refused["code"]) == (409, "on_duty")
            status, refused = ask("change", "POST", "/api/see/hold", {"source": "duty", "why": "x"})
            assert status in (409, 422), refused
            live = ask("look", "GET", "/api/see/live?source=duty&wait_s=0.2")[1]
            assert (live["look"], live["on_duty"]) == (None, True)
        newer(ask, "camera:top")


def test_who_only_looks_sets_and_holds_nothing(tmp_path):
    with Served(a_station(tmp_path / "s")) as served:
        ask = asker(served)
        for method, path, body in (
            ("POST", "/api/see/set", {"source": "bench", "gain": 1}),
            ("POST", "/api/see/hold", {"source": "camera:top", "why": "x"}),
            ("PUT", "/api/see/agreed", ask("look", "GET", "/api/see")[1]["agreed"]),
        ):
            assert ask("look", method, path, body)[0] == 403
            assert ask("operate", method, path, body)[0] == 403


def test_the_bench_is_a_camera_whose_turns_are_seen(tmp_path):
    with Served(a_station(tmp_path / "s")) as served:
        ask = asker(served)
        before = newer(ask, "bench")
        assert before["set"]["can"] == ["exposure", "gain", "lamps"]
        assert not before["look"]["good"]
        turns = {"focus_mm": 400, "f_number": 5.6, "lean_deg": 0, "room": 0}
        wanted = {"source": "bench", "bench": turns, "exposure_s": 0.0021}
        status, told = ask("change", "POST", "/api/see/set", wanted)
        assert status == 200, told
        assert told["bench"]["f_number"] == 5.6
        number = before["number"]
        for _ in range(8):
            live = newer(ask, "bench", number)
            number = live["number"]
        numbers = {row["name"]: row for row in live["look"]["numbers"]}
        assert [name for name, row in numbers.items() if row["outside"]] == [], live["look"]["says"]
        assert numbers["lean"]["number"] < numbers["lean"]["u95"] + 0.02
        status, refused = ask("change", "POST", "/api/see/set", {"source": "bench", "bench": {"f_number": 0.1}})
        assert (status, refused["where"]) == (422, "bench.f_number")
        assert refused["says"] == "the f-number of the bench cannot be 0.1"
        status, refused = ask("change", "POST", "/api/see/set", {"source": "bench", "lamps": {"nort<h>": 1}})
        assert (status, refused["where"]) == (422, "lamps")
        status, refused = ask("change", "POST", "/api/see/hold", {"source": "bench", "why": "x"})
        assert (status, refused["where"]) == (422, "source")


def test_what_is_held_is_the_watchs_reference_and_shown_beside(tmp_path, photo):
    folder = a_station(tmp_path / "s")
    with Served(folder) as served:
        ask = asker(served)
        drop(folder, photo, 1)
        number = newer(ask, "camera:top")["number"]
        status, refused = ask("change", "POST", "/api/see/hold", {"source": "camera:top", "why": "aimed"})
        assert status == 422
        assert refused["says"] == "1 of at least 5 pictures are there to be held"
        rng = np.random.default_rng(4)
        for k in range(2, 8):
            drop(folder, np.clip(photo + rng.normal(0, 1, photo.shape), 0, 255).astype(np.uint8), k)
            number = newer(ask, "camera:top", number)["number"]
        status, told = ask("change", "POST", "/api/see/hold", {"source": "camera:top", "why": "aimed and focused"})
        assert status == 201, told
        assert (told["shots"], told["watched"], told["held"]["who"]) == (7, ["dirt"], "change")
        reference = kept_reference(open_station(folder))
        assert reference.shots == 7
        assert reference.sha == told["held"]["watch"]
        held = kept_sight(open_station(folder))
        assert held.values["width|middle"] > 1
        # Another aim is told as such: the picture shifted and softer.
        drop(folder, cv2.GaussianBlur(photo, (0, 0), 1.5), 9)
        look = newer(ask, "camera:top", number)["look"]
        middle = next(row for row in look["numbers"] if row["name"] == "width|middle")
        assert middle["changed"]
        assert "Not as held: sharpness everywhere." in look["says"]
        assert middle["held_number"] == pytest.approx(held.values["width|middle"])
        assert ask("look", "GET", "/api/see")[1]["held"]["why"] == "aimed and focused"
    station = open_station(folder)
    with Ledger(station.ledger_place) as ledger:
        act = ledger.last("act").body
    assert (act["act"], act["who"], act["sha"]) == ("hold", "change", reference.sha)
    assert verify(station).faults == ()
    demand_off_duty(station, "x")


def test_what_was_held_and_is_broken_is_said(tmp_path):
    folder = a_station(tmp_path / "s")
    held_path(open_station(folder)).parent.mkdir()
    held_path(open_station(folder)).write_text("{", encoding="utf-8")
    with Served(folder) as served:
        told = asker(served)("look", "GET", "/api/see")[1]
        assert told["held"] is None
        assert "see.json" in told["held_fault"]
        assert str(folder) not in told["held_fault"]
    assert any(fault.file == "accepted/see.json" for fault in check(folder))


def test_what_was_agreed_is_written_into_the_draft_and_comments_survive(tmp_path):
    folder = a_station(tmp_path / "s", "# ours\n" + WATCHED)
    with Served(folder) as served:
        ask = asker(served)
        agreed = ask("look", "GET", "/api/see")[1]["agreed"]
        status, told = ask("change", "PUT", "/api/see/agreed", agreed | {"width_px": 3.25})
        assert (status, told["width_px"]) == (200, 3.25)
        assert ask("look", "GET", "/api/see")[1]["agreed"]["width_px"] == 3.25
        text = (folder / "station.toml").read_text(encoding="utf-8")
        assert "# ours" in text
        assert open_station(folder).table.see.width_px == 3.25
        status, _ = ask("change", "POST", "/api/undo", {})
        assert status == 200
        assert ask("look", "GET", "/api/see")[1]["agreed"]["width_px"] == 2.5
        status, refused = ask("change", "PUT", "/api/see/agreed", agreed | {"width_px": -1})
        assert (status, refused["where"]) == (422, "width_px")


def test_a_strange_source_and_a_strange_picture_are_said(tmp_path, photo):
    folder = a_station(tmp_path / "s")
    with Served(folder) as served:
        ask = asker(served)
        status, refused = ask("look", "GET", "/api/see/live?source=camera%3Aside")
        assert status == 422
        assert refused["says"] == "no pictures come from camera:side"
        assert ask("look", "GET", "/api/see/picture?source=bench&number=1")[0] == 404
        save_png(folder / "incoming" / "tiny.png", photo[:20, :20])
        for _ in range(20):
            told = ask("look", "GET", "/api/see/live?source=camera%3Atop&wait_s=0.5")[1]
            if told["link"] == "away":
                break
        assert told["look"] is None
        assert told["link_says"] == "the picture has 20 × 20 px; to be looked at it needs 96 each way"


def test_pictures_that_were_handed_over_are_a_place(tmp_path, photo):
    folder = a_station(tmp_path / "s")
    (folder / "pictures" / "see").mkdir(parents=True)
    save_png(folder / "pictures" / "see" / "mine.png", photo)
    with Served(folder) as served:
        ask = asker(served)
        assert "pictures" in [s["id"] for s in ask("look", "GET", "/api/see")[1]["sources"]]
        assert newer(ask, "pictures")["look"]["name"] == "mine.png"


# --- cameras ---------------------------------------------------------------------------------------------------------


def test_a_camera_is_named_changed_and_undone_and_what_the_page_does_not_know_stays(tmp_path):
    toml = '# top of the belt\n[[camera]]\nname = "top" # ours\nfrom = "folder"\ndistance_mm = 400 # by tape\n'
    folder = a_station(tmp_path / "s", f'{toml}[camera.folder]\npath = "incoming"\nsettle_s = 0.5\n')
    before = (folder / "station.toml").read_text()
    with Served(folder) as served:
        ask = asker(served)
        told = ask("look", "GET", "/api/see/cameras")[1]
        top = {"name": "top", "comes_from": "folder", "at": "incoming", "names": "", "part_id": None}
        assert told["cameras"] == [top]
        wanted = {**top, "names": "{part_id}.png", "part_id": "name", "was": "top", "sha": told["sha"]}
        assert ask("look", "PUT", "/api/see/cameras", wanted)[0] == 403
        status, told = ask("change", "PUT", "/api/see/cameras", wanted)
        assert (status, told["cameras"][0]["names"]) == (200, "{part_id}.png")
        text = (folder / "station.toml").read_text()
        assert all(kept in text for kept in ("# top of the belt", '"top" # ours', "400 # by tape", "settle_s = 0.5"))
        # A page that saw it before is told so, and nothing is written.
        status, error = ask("change", "PUT", "/api/see/cameras", wanted)
        assert (status, error["code"]) == (409, "conflict")
        side = {"name": "side", "comes_from": "device", "at": "0", "was": None, "sha": told["sha"]}
        status, told = ask("change", "PUT", "/api/see/cameras", side)
        assert [one["name"] for one in told["cameras"]] == ["top", "side"]
        assert open_station(folder).table.camera[1].device.index == 0
        # From another place: what only belonged to the first is gone, and what says something else stays.
        wanted = {**top, "comes_from": "genicam", "at": "10.0.0.7", "was": "top", "sha": told["sha"]}
        assert ask("change", "PUT", "/api/see/cameras", wanted)[0] == 200
        table = open_station(folder).table.camera[0]
        assert (table.comes_from, table.genicam.id, table.folder, table.distance_mm) == (
            "genicam",
            "10.0.0.7",
            None,
            400,
        )
        for _ in range(3):
            assert ask("change", "POST", "/api/undo", {})[0] == 200
    assert (folder / "station.toml").read_text() == before


@pytest.mark.parametrize(
    ("wanted", "where", "says"),
    [
        ({"at": ""}, "at", "folder.path"),
        ({"at": "a\x00b"}, "at", "folder.path"),
        ({"names": "{part}.png"}, "names", "folder.names"),
        ({"names": "{"}, "names", "folder.names"),
        ({"name": ""}, "name", "name"),
        ({"name": "top"}, "name", "another camera's already"),
        ({"part_id": "name", "comes_from": "device", "at": "0"}, "part_id", "this camera gives no files"),
        ({"comes_from": "device", "at": "9" * 6}, "at", "device.index"),
        ({"comes_from": "genicam", "at": ""}, "at", "genicam.id"),
        ({"was": "gone"}, "", 'there is no camera "gone"'),
    ],
)
def test_a_camera_that_cannot_be_used_is_said_at_its_field_and_not_written(tmp_path, wanted, where, says):
    folder = a_station(tmp_path / "s")
    before = (folder / "station.toml").read_bytes()
    with Served(folder) as served:
        ask = asker(served)
        sha = ask("change", "GET", "/api/see/cameras")[1]["sha"]
        body = {"name": "side", "comes_from": "folder", "at": "side", "was": None, "sha": sha, **wanted}
        status, error = ask("change", "PUT", "/api/see/cameras", body)
    assert (status, error["where"].removeprefix("/api/see/cameras")) == (422, where)
    assert says in error["says"]
    assert (folder / "station.toml").read_bytes() == before


def test_a_station_toml_that_is_broken_is_not_written_over(tmp_path):
    folder = a_station(tmp_path / "s")
    with Served(folder) as served:
        ask = asker(served)
        (folder / "station.toml").write_text("[[camera]\n")
        body = {"name": "side", "comes_from": "push", "was": None, "sha": "0" * 64}
        assert ask("change", "PUT", "/api/see/cameras", body)[0] in (409, 422)
        assert ask("look", "GET", "/api/see/cameras")[0] == 422
    assert (folder / "station.toml").read_text() == "[[camera]\n"


def test_cameras_in_one_line_move_down_where_each_can_hold_a_table(tmp_path):
    head = 'format = "tiepoint/station/1"\nname = "s"\n'
    (folder := tmp_path / "s").mkdir()
    (folder / "station.toml").write_text(f'{head}camera = [{{ name = "top", from = "push" }}]\nunit = "mm"\n')
    station = open_station(folder)
    name_camera(station, Named("side", "folder", "side"), was=None, who="ada", seen=sha_of(station, "station.toml"))
    table = open_station(folder).table
    assert [(one.name, one.comes_from) for one in table.camera] == [("top", "push"), ("side", "folder")]
    assert table.unit == "mm"


@pytest.mark.parametrize("wrong", ["camera = 3", '[camera]\nname = "top"'])
def test_what_was_broken_by_hand_meanwhile_is_no_list_of_cameras(tmp_path, wrong):
    station = open_station(folder := a_station(tmp_path / "s"))
    (folder / "station.toml").write_text(f'format = "tiepoint/station/1"\nname = "s"\n{wrong}\n')
    with pytest.raises(UnusableDocument, match="camera is"):
        name_camera(station, Named("side", "push"), was=None, who="ada", seen=None)
