"""A hand-eye made by the command from rendered photos, held to the renderer's exact truth."""

import json
from shutil import copy

import numpy as np
import pytest
from tests.contract.test_work_tie import Page
from tests.helpers.served import Served
from tests.helpers.tie_station import tie_station

from tiepoint.bench.eye import eye_set, spread_views
from tiepoint.bench.robot import Robot, typed
from tiepoint.bench.station import BenchStation, View
from tiepoint.cli.main import main
from tiepoint.documents.files import read_document, write_document
from tiepoint.documents.pictures import save_png
from tiepoint.foundation.frames import Pose3
from tiepoint.targets.document import to_document
from tiepoint.targets.draw import new_target
from tiepoint.ties.hand_eye_document import hand_eye_from_document

BASE = Pose3.from_angles((412.0, -186.0, 37.0), (137.0, 0.4, -0.3), "zyx-intrinsic-deg")
MOUNT = Pose3.from_angles((42.0, -18.0, 65.0), (88.0, 2.0, -3.0), "zyx-intrinsic-deg")
TARGET = new_target("charuco", 10.0, 12, 9)
ANGLES = ("--angles", "zyx-intrinsic-deg")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    at = tmp_path_factory.mktemp("eye")
    station = BenchStation(width_px=816, height_px=684, pixel_um=10.35)
    shaky = Robot(BASE, repeatability_mm=0.03, repeatability_deg=0.01)
    taken = eye_set("in-hand", station, shaky, TARGET, spread_views((60.0, 45.0), 7), 1, mount=MOUNT)
    rows = [",".join(f"{v:.3f}" for v in typed(s.robot_from_flange, "zyx-intrinsic-deg")) for s in taken.shots]
    (at / "poses.csv").write_text("\n".join(["x_mm,y_mm,z_mm,a,b,c", *rows]) + "\n", encoding="utf-8")
    for k, shot in enumerate(taken.shots):
        save_png(at / f"{k}.png", shot.rendered.picture)
    write_document(at / "target.json", "target", to_document(TARGET))
    return at, taken


def asked(at, *more):
    photos = sorted(str(p) for p in at.glob("?.png"))
    return main(["tie", "hand-eye", str(at / "poses.csv"), *photos, "--target", str(at / "target.json"), *more])


def test_the_camera_is_found_on_the_flange(folder, capsys):
    at, taken = folder
    out = at / "robot.json"
    assert asked(at, "--eye", "in-hand", *ANGLES, "--out", str(out), "--json") == 0
    answer, beside = capsys.readouterr()
    told = json.loads(answer)
    assert "Angles were taken as zyx-intrinsic-deg (turn by a about z, " in beside
    assert told["sentences"][0].startswith("flange_from_camera: the camera's origin lies at (4")
    assert {s["name"] for s in told["solutions"]} == {"tiepoint", "Tsai", "Park", "Horaud", "Andreff", "Daniilidis"}
    found = hand_eye_from_document(read_document(out, "robot"))
    # Within 4 u everywhere: the truth of the renderer, camera and print being found from the same photos.
    off = found.y.pose.apply([[60.0, 45.0, 0.0]]) - taken.base.apply([[60.0, 45.0, 0.0]])
    assert np.abs(off).max() < 0.2
    u = np.sqrt(np.diag(found.x.covariance))[3:]
    assert (np.abs(found.x.pose.translation_mm - taken.mount.translation_mm) < 4 * u).all()
    assert found.robot.region is not None


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--eye", "in-hand", "--angles", "euler"), "use one of zyx-intrinsic-deg"),
        (("--eye", "in-hand", *ANGLES, "--plane", "x.png"), "in hand the target lies in the plane already"),
        (("--eye", "neither", *ANGLES), "--eye"),
    ],
)
def test_what_cannot_be_meant_is_refused(folder, capsys, words, said):
    at, _ = folder
    assert asked(at, *words, "--out", str(at / "other.json")) == 2
    assert said in capsys.readouterr().err
    assert not (at / "other.json").exists()


def typed_otherwise(at, change):
    """Write the table anew with every row of six numbers changed, and return its folder and file."""
    lines = (at / "poses.csv").read_text(encoding="utf-8").splitlines()
    rows = [change([float(v) for v in line.split(",")]) for line in lines[1:]]
    path = at / "otherwise.csv"
    path.write_text("\n".join([lines[0], *(",".join(map(str, row)) for row in rows)]) + "\n", encoding="utf-8")
    return path


def inverse(row):
    pose = Pose3.from_angles(row[:3], row[3:], "zyx-intrinsic-deg").inverse()
    return typed(pose, "zyx-intrinsic-deg")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda row: [*row[:2], "nan", *row[3:]], "z_mm reads 'nan'"),
        (lambda row: [*row[:4], "inf", row[5]], "b reads 'inf'"),
        (lambda row: [v / 25.4 for v in row[:3]] + row[3:], "x, y and z are in inches and not in mm"),
        (lambda row: [row[1], row[0], *row[2:]], "the columns x and y are exchanged"),
        (inverse, "if each were inverted"),
    ],
)
def test_poses_that_cannot_be_meant_are_one_sentence(folder, capsys, change, said):
    at, _ = folder
    photos, out = sorted(str(p) for p in at.glob("?.png")), at / "never.json"
    words = ["tie", "hand-eye", str(typed_otherwise(at, change)), *photos, "--target", str(at / "target.json")]
    assert main([*words, "--eye", "in-hand", *ANGLES, "--out", str(out)]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert said in told
    assert not out.exists()


def test_turns_about_one_axis_are_refused_with_the_pose_to_add(folder, tmp_path, capsys):
    """Four photos from straight above, each turned about the camera's axis; the camera is known from elsewhere."""
    at, _ = folder
    photos = sorted(str(p) for p in at.glob("?.png"))
    camera, target = str(tmp_path / "camera.json"), str(at / "target.json")
    assert main(["tie", "views", *photos, "--target", target, "--out", camera]) == 0
    station = BenchStation(width_px=816, height_px=684, pixel_um=10.35)
    views = [View((60.0, 45.0), 420.0, 0.0, 0.0, roll) for roll in (-40.0, -10.0, 20.0, 50.0)]
    taken = eye_set("in-hand", station, Robot(BASE), TARGET, views, 2, mount=MOUNT)
    rows = [",".join(f"{v:.3f}" for v in typed(s.robot_from_flange, "zyx-intrinsic-deg")) for s in taken.shots]
    (tmp_path / "poses.csv").write_text("\n".join(["x_mm,y_mm,z_mm,a,b,c", *rows]) + "\n", encoding="utf-8")
    for k, shot in enumerate(taken.shots):
        save_png(tmp_path / f"{k}.png", shot.rendered.picture)
    capsys.readouterr()
    words = [str(tmp_path / "poses.csv"), *(str(tmp_path / f"{k}.png") for k in range(4)), "--target", target]
    out = tmp_path / "never.json"
    assert main(["tie", "hand-eye", *words, "--camera", camera, "--eye", "in-hand", *ANGLES, "--out", str(out)]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "all poses turn about nearly one axis" in told
    assert "Add two poses in which the flange is leaned by 20 to 30° about its own" in told
    assert not out.exists()


def test_a_page_makes_the_hand_eye_that_the_command_makes(folder, tmp_path, capsys):
    at, _ = folder
    assert asked(at, "--eye", "in-hand", *ANGLES, "--out", str(tmp_path / "robot.json"), "--json") == 0
    capsys.readouterr()
    station = tie_station(tmp_path / "station")
    pictures, targets = station.folder / "pictures/tie", station.folder / "targets"
    pictures.mkdir(parents=True)
    targets.mkdir()
    for path in at.glob("?.png"):
        copy(path, pictures)
    copy(at / "target.json", targets)
    wanted = {
        "way": "hand-eye", "name": "robot", "poses": (at / "poses.csv").read_text(), "target": "targets/target.json",
        "photos": [f"pictures/tie/{p.name}" for p in sorted(pictures.glob("*.png"))], "eye": "in-hand",
        "angles": ANGLES[1],
    }  # fmt: skip
    with Served(station.folder, requests_per_s=500) as served:
        page = Page(served, station)
        assert page("POST", "/api/tie/solve", {**wanted, "photos": wanted["photos"][:3]})[1]["where"] == "photos"
        assert page("POST", "/api/tie/solve", {**wanted, "poses": "x_mm\n3"})[1]["where"] == "poses"
        assert page("POST", "/api/tie/solve", {**wanted, "angles": "euler"})[1]["where"] == "poses"
        result = page.tied(**wanted)
        assert result["sentences"][0].startswith("flange_from_camera: the camera's origin lies at (4")
        made = read_document(station.folder / "ties/robot.json", "robot")
        assert made == read_document(tmp_path / "robot.json", "robot")
        # It can be proved by touching, as one by pairs can.
        assert page("GET", "/api/tie/robots/robot/touch?points=4")[0] == 200
