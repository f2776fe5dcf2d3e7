"""Tie without a file dialog, at another height, for one size of picture, and a robot's touch test, from a page."""

import numpy as np
import pytest
from tests.contract.test_work_tie import Page, run, tied_plane, to_robot
from tests.helpers.served import Served, commit, keep_picture
from tests.helpers.tie_station import photo_png, tie_station

from tiepoint.documents.files import read_document
from tiepoint.documents.pictures import load_picture
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
from tiepoint.station.requirements import agree

PLANE = np.array([(10.0, 10), (110, 12), (105, 80), (15, 85), (60, 45), (85, 25)])
BOTH = {"plane": "plane", "robot": "robot"}


@pytest.fixture
def page(tmp_path):
    station = tie_station(tmp_path / "station")
    with Served(station.folder, requests_per_s=500) as served:
        yield Page(served, station)


def seen(page, source):
    """Return what the first picture of a place tells, once there is one: all of looking is compiled before."""
    while True:
        status, told = page("GET", f"/api/see/live?source={source}&wait_s=5")
        assert status == 200, told
        if told["look"] is not None:
            return told["look"]


# --- a photo without a file -------------------------------------------------------------------------------------------


def test_a_photo_is_taken_from_the_live_camera_and_undone(page):
    _, told = page("GET", "/api/tie/takeable")
    assert "bench" in [one["id"] for one in told["live"]]
    size = seen(page, "bench")["size"]
    status, taken = page("POST", "/api/tie/take", {"source": "bench"})
    assert status == 201, taken
    (picture,) = taken["pictures"]
    assert [picture["width"], picture["height"]] == size
    assert picture["path"].startswith("pictures/tie/")
    assert page("POST", "/api/undo", {})[0] == 200
    assert not (page.station.folder / picture["path"]).exists()


def test_a_photo_is_taken_from_a_shot_that_the_station_has_pixel_for_pixel(page):
    shots = page.station.folder / "shots"
    shots.mkdir(exist_ok=True)
    (shots / "table.png").write_bytes(photo_png(5))
    _, told = page("GET", "/api/tie/takeable")
    assert {"ref": "shots/table.png", "name": "shots/table.png"} in told["shots"]
    status, taken = page("POST", "/api/tie/take", {"ref": "shots/table.png"})
    assert status == 201, taken
    (picture,) = taken["pictures"]
    there = load_picture(page.station.folder / picture["path"]).pixels
    assert np.array_equal(there, load_picture(shots / "table.png").pixels)
    result = page.tied(
        way="target", photos=[picture["path"]], target=page.station.keep_target(), name="plane"
    )  # what was taken ties as the file does
    assert result["kind"] == "tie"


def test_a_photo_is_taken_from_the_last_kept_shots(page):
    (seq,) = commit(page.station.folder, 1)
    kept = keep_picture(page.station.folder, seq, (640, 480))
    _, told = page("GET", "/api/tie/takeable")
    assert told["shots"][0]["ref"] == f"record/{seq}"
    status, taken = page("POST", "/api/tie/take", {"ref": f"record/{seq}"})
    assert status == 201, taken
    (picture,) = taken["pictures"]
    there = load_picture(page.station.folder / picture["path"]).pixels
    assert np.array_equal(there, load_picture(kept).pixels)


@pytest.mark.parametrize(
    ("asked", "where", "says"),
    [
        ({"source": "camera:none"}, "source", "no pictures come from camera:none"),
        ({"ref": "shots/../private/users.json"}, "ref", "is no shot of the station"),
        ({"ref": "record/x"}, "ref", "is no kept shot"),
        ({"ref": "shots/gone.png"}, "ref", "is not there any more"),
    ],
)
def test_what_cannot_be_taken_says_so(page, asked, where, says):
    status, told = page("POST", "/api/tie/take", asked)
    assert (status, told["where"]) == (422, where)
    assert says in told["says"]


def test_who_only_looks_takes_nothing(page):
    assert page("POST", "/api/tie/take", {"source": "bench"}, token="look")[0] == 403
    assert page("POST", "/api/tie/take", {})[0] == 422


# --- another height ---------------------------------------------------------------------------------------------------


def test_a_tie_is_moved_as_the_command_moves_it_and_is_true_there(page, tmp_path):
    tied_plane(page, page.station.keep_photo())
    _, standing = page("GET", "/api/tie/ties/plane/standing")
    assert (standing["is_known"], "state how far" in standing["says"]) == (False, True)
    camera = page.station.bench.camera
    # How far the lens is from the plane, by the bench's own geometry.
    far = abs(float((-camera.rotation.T @ camera.translation_mm)[2]))
    wanted = {"name": "face", "height": "6", "u_height": "0,05", "distance": f"{far:.1f}", "u_distance": "2"}
    status, told = page("POST", "/api/tie/ties/plane/move", wanted)
    assert status == 201, told
    assert "6 mm" in told["sentences"][0]
    run(
        "tie", "move", page.station.folder / "ties/plane.json", "--height", "6mm", "--u-height", "0.05mm",
        "--distance", f"{far:.1f}mm", "--u-distance", "2mm", "--out", tmp_path / "m.json", "--json",
    )  # fmt: skip
    made, command = (read_document(p, "tie") for p in (page.station.folder / "ties/face.json", tmp_path / "m.json"))
    assert made["matrix"] == command["matrix"]
    from tiepoint.render.camera import unproject

    px = [[600.0, 500.0], [330.5, 300.25], [900.0, 760.0]]
    _, asked = page("POST", "/api/tie/ties/face/ask", {"points": px})
    true = unproject(camera, np.array(px), 6.0)
    for point, (x, y) in zip(asked["points"], true[:, :2], strict=True):
        for axis, truth in (("x", x), ("y", y)):
            assert abs(float(point[axis]["value"].replace("−", "-")) - truth) <= 3 * float(point[axis]["pm"])
    _, whole = page("GET", "/api/tie/ties/face")
    assert float(whole["height"]["value"]) == 6.0
    assert page("POST", "/api/undo", {})[0] == 200
    assert not (page.station.folder / "ties/face.json").exists()


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"height": ""}, "height"),
        ({"height": "up"}, "height"),
        ({"u_height": ""}, "u_height"),
        ({"u_distance": ""}, "u_distance"),
        ({"distance": "", "u_distance": ""}, "distance"),
        ({"height": "9000"}, "height"),
        ({"name": "plane"}, "name"),
        ({"camera": "none"}, "camera"),
    ],
)
def test_what_a_move_lacks_is_said_at_its_field(page, change, where):
    tied_plane(page, page.station.keep_photo())
    wanted = {"name": "face", "height": "6", "u_height": "0.05", "distance": "400", "u_distance": "2", **change}
    status, told = page("POST", "/api/tie/ties/plane/move", wanted)
    assert (status, told["where"]) == (422, where), told
    assert not (page.station.folder / "ties/face.json").exists()


# --- one size of picture ----------------------------------------------------------------------------------------------


def test_a_photo_of_another_size_than_the_tie_is_for_is_refused_at_the_photos(page):
    photo, target = page.station.keep_photo(), page.station.keep_target()
    wanted = {"photos": [photo], "target": target, "name": "plane"}
    job = page.solve(way="target", **wanted, size=[2448, 2048])
    assert (job["state"], job["fault"]["where"]) == ("failed", "photos")
    assert "photo.png has 1224 × 1024 px, and the tie is to be for pictures of 2448 × 2048 px" in job["fault"]["says"]
    assert page.tied(way="target", **wanted, size=[1224, 1024])["name"] == "plane"
    ends = {"start": [330.0, 500.0], "end": [900.0, 500.0], "length": "50", "is_snapped": False}
    assert page.solve(way="length", photo=photo, name="l", size=[640, 480], **ends)["fault"]["where"] == "photos"
    _, told = page("GET", "/api/tie/ties")
    assert told["ties"][0]["size"] == [1224, 1024]


# --- the robot --------------------------------------------------------------------------------------------------------


@pytest.fixture
def robot(page):
    tied_plane(page, page.station.keep_photo())
    pairs = zip(PLANE, to_robot(PLANE), strict=True)
    page.tied(
        way="pairs", name="robot", from_frame="plane", to_frame="robot",
        rows=[[f"{x:g}", f"{y:g}", f"{a:.3f}", f"{b:.3f}"] for (x, y), (a, b) in pairs],
    )  # fmt: skip
    return page


def test_the_touch_sheet_is_the_commands_and_lies_where_the_robot_is(robot, tmp_path):
    folder = robot.station.folder
    status, told = robot("GET", "/api/tie/robots/robot/touch?points=5&pitch=10")
    assert (status, told["says"]) == (200, "")
    command = run(
        "touch", "sheet", folder / "ties/robot.json", "--points", "5", "--pitch", "10mm",
        "--out", tmp_path / "t.pdf", "--json",
    )["points"]  # fmt: skip
    assert [float(p["plane_x"]) for p in told["points"]] == [p["plane_mm"][0] for p in command]
    for point in told["points"]:
        (true,) = to_robot([[float(point["plane_x"]), float(point["plane_y"])]])
        assert [float(point[k]) for k in "xy"] == pytest.approx(true, abs=0.02)
    status, _, pdf = robot.served.ask(
        "GET", "/api/tie/robots/robot/touch.pdf?points=5&pitch=10", headers={"Authorization": "Bearer look"}
    )
    assert status == 200
    assert pdf == (tmp_path / "t.pdf").read_bytes()
    status, refused = robot("GET", "/api/tie/robots/plane/touch")
    assert (status, refused["where"]) == (422, "name")
    assert robot("GET", "/api/tie/robots/robot/touch?pitch=ten")[1]["where"] == "pitch"
    _, narrow = robot("GET", "/api/tie/robots/robot/touch?tolerance=0.0001")
    assert narrow["says"].startswith("No touch test with this tie")
    assert narrow["points"] == []


AGREED = """format = "tiepoint/requirements/1"
title = "Hinge plates"
customer = "Assembly, line 4"

[[requirement]]
id = "R1"
says = "The arm goes where it is told."
by = "touch"
of = "arm"
most = 0.01
unit = "in"
"""


def test_a_touch_test_begins_with_what_was_agreed_of_it(robot):
    assert {k: robot("GET", "/api/tie/robots/robot/touch")[1][k] for k in ("of", "most")} == {"of": "", "most": ""}
    (robot.station.folder / "requirements.toml").write_text(AGREED, encoding="utf-8")
    agree(open_station(robot.station.folder), who="M. Weiss", why="order 7")
    told = robot("GET", "/api/tie/robots/robot/touch")[1]
    assert (told["of"], told["most"]) == ("arm", "0.254")  # an inch is 25.4 mm, by the agreement of 1959


@pytest.mark.parametrize(("off_mm", "good"), [(0.0, True), (1.5, False)])
def test_what_was_touched_is_judged_as_the_command_judges_it(robot, tmp_path, off_mm, good):
    _, sheet = robot("GET", "/api/tie/robots/robot/touch?points=4")
    plane = [(float(p["plane_x"]), float(p["plane_y"])) for p in sheet["points"]]
    shown = to_robot(plane) + np.array([off_mm, 0.0])
    rows = [[f"{x}", f"{y}", f"{a:.3f}", f"{b:.3f}"] for (x, y), (a, b) in zip(plane, shown, strict=True)]
    (tmp_path / "t.csv").write_text("\n".join(["from_x,from_y,to_x,to_y", *(",".join(r) for r in rows)]))
    command = run(
        "touch", "check", robot.station.folder / "ties/robot.json", tmp_path / "t.csv", "--tolerance", "0.3mm",
        "--u", "0.02mm", "--json",
    )  # fmt: skip
    wanted = {"rows": [*rows, ["50", "50", "", ""]], "tolerance": "0.3", "u": "0.02", "keep": True, "of": "arm"}
    status, told = robot("POST", "/api/tie/robots/robot/check", wanted)
    assert status == 200, told
    assert told["good"] is command["good"] is good
    assert told["sentences"] == command["sentences"]
    assert [p["verdict"] for p in told["points"]] == [p["verdict"] for p in command["points"]]
    with Ledger(open_station(robot.station.folder).ledger_place) as ledger:
        act = ledger.last("act")
    assert (act.seq, act.body["kind"], act.body["good"], act.body["who"]) == (told["study"], "touch", good, "change")
    assert act.body["of"] == "arm"
    kept = read_document(robot.station.folder / act.body["file"], "study")
    assert kept["outcome"]["points"] == command["points"]


def test_what_cannot_be_read_of_a_touch_is_said_at_its_row(robot):
    rows = [["10", "10", "400", "-110"], ["20", "20", "left", "1"]]
    wanted = {"rows": rows, "tolerance": "0.3"}
    assert robot("POST", "/api/tie/robots/robot/check", wanted)[1]["where"] == "rows.1"
    assert robot("POST", "/api/tie/robots/robot/check", {**wanted, "tolerance": ""})[1]["where"] == "tolerance"
    rows[1][2] = ""
    status, told = robot("POST", "/api/tie/robots/robot/check", wanted)
    assert (status, told["where"]) == (422, "rows.1")
    assert robot("POST", "/api/tie/robots/robot/check", wanted, token="look")[0] == 403


def test_a_place_beyond_the_envelope_that_was_typed_is_said_and_its_outline_is_where_the_robot_has_it(robot):
    at = [600.0, 500.0]
    (here,) = to_robot(robot.station.true_mm([at]))
    around = {"x_from": f"{here[0] - 30:.1f}", "x_to": f"{here[0] + 30:.1f}", "y_from": f"{here[1] - 20:.1f}"}
    _, within = robot(
        "POST", "/api/tie/robot", {**BOTH, "at": at, "envelope": {**around, "y_to": f"{here[1] + 20:.1f}"}}
    )
    assert within["beyond"] == ""
    corners = to_robot(robot.station.true_mm(within["outline"][::16]))
    assert corners == pytest.approx(here + np.array([[-30, -20], [30, -20], [30, 20], [-30, 20]]), abs=0.3)
    _, out = robot("POST", "/api/tie/robot", {**BOTH, "at": at, "envelope": {"x_to": f"{here[0] - 5:.1f}"}})
    # What is not bounded is drawn at the picture, and not from behind the camera.
    drawn = to_robot(robot.station.true_mm(out["outline"]))
    assert float(drawn[:, 0].max()) == pytest.approx(here[0] - 5, abs=0.5)
    assert out["beyond"].startswith("The grip would leave the robot's envelope: x ")
    assert out["x"] is not None
    _, turned = robot("POST", "/api/tie/robot", {**BOTH, "at": at, "envelope": {"turn_from": "40", "turn_to": "60"}})
    assert "no turn that grips like" in turned["beyond"]
    for name, typed in (("x_to", {"x_from": "9", "x_to": "3"}), ("turn_from", {"turn_from": "left"})):
        status, told = robot("POST", "/api/tie/robot", {**BOTH, "at": at, "envelope": typed})
        assert (status, told["where"]) == (422, f"envelope.{name}")


@pytest.mark.parametrize("way", ["target", "length", "pairs"])
def test_every_way_has_a_verdict_and_says_what_would_improve_it(page, way):
    """A tolerance that no tie of a paper target keeps, so that what would help most is asked for."""
    photo = page.station.keep_photo()
    if way == "target":
        page.tied(way="target", photos=[photo], target=page.station.keep_target(), name="t")
    elif way == "length":
        ends = {"start": [330.0, 500.0], "end": [900.0, 500.0], "length": "50", "is_snapped": False}
        page.tied(way="length", photo=photo, name="t", **ends)
    else:
        px = [(100.0, 900.0), (1100.0, 880.0), (1080.0, 120.0), (130.0, 150.0), (600.0, 500.0), (850.0, 300.0)]
        true = page.station.true_mm(px)
        rows = [[f"{x:g}", f"{y:g}", f"{a:.2f}", f"{b:.2f}"] for (x, y), (a, b) in zip(px, true, strict=True)]
        page.tied(way="pairs", name="t", rows=rows, photo=photo)
    _, told = page("GET", "/api/tie/ties/t?tolerance=0.002")
    verdict = told["verdict"]
    assert verdict["is_good"] is False
    assert len(verdict["sentences"]) >= 2
    _, wide = page("GET", "/api/tie/ties/t?tolerance=50")
    assert wide["verdict"]["is_good"] is True
