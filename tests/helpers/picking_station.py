"""A small station that picks from a belt: its documents by closed form, and a picture with two straight edges."""

import json
from pathlib import Path
from typing import Any

import numpy as np

from tiepoint.documents.files import write_document
from tiepoint.documents.pictures import save_png
from tiepoint.foundation.frames import Pose3
from tiepoint.foundation.sources import Source
from tiepoint.ties import belt as belts
from tiepoint.ties.document import to_document
from tiepoint.ties.hand_eye import HandEye, PoseRow, Solution
from tiepoint.ties.hand_eye_document import hand_eye_to_document
from tiepoint.ties.tie import Tie
from tiepoint.ties.uncertain_pose import UncertainPose, exact

PICK = """format = "tiepoint/recipe/1"
name = "pick"
tie = "tie.json"
height = 0.0
u_height = 0.1

[[step]]
name = "across"
kind = "line"
region.rectangle = { centre = [8, 4.6], size = [3, 4], angle_deg = 90 }

[[step]]
name = "up"
kind = "line"
region.rectangle = { centre = [4, 2.5], size = [3, 3] }

[[step]]
name = "part"
kind = "find"
of = ["across", "up"]

[[grip]]
name = "jaws"
in = "part"
robot = "robot.json"
belt = "belt.json"
envelope = { x = [-900, 900], y = [-900, 900], z = [-90, 90] }
"""
PLANE = Pose3.from_angles((400.0, -120.0, 35.0), (25.0, 1.5, -2.0), "zyx-intrinsic-deg")


def hand_eye_whole() -> dict[str, Any]:
    """Return a robot document with everything that one may hold."""
    c = np.random.default_rng(1).normal(0, 1e-4, (6, 3))
    plane = UncertainPose(PLANE, tuple(Source(f"s{k}", "s", "B", 1.0, "tie") for k in range(3)), c)
    eye = HandEye(
        id="eye",
        eye="to-hand",
        x=exact(Pose3(10.0, 20.0, 60.0)),
        y=plane,
        robot_mm=0.02,
        robot_deg=0.01,
        dof=20.0,
        unseen_mm=0.1,
        unseen_deg=0.05,
        rows=(PoseRow(1, "a.png", 0.1, 0.05, True, ""), PoseRow(2, "b.png", None, None, False, "does not fit")),
        solutions=(Solution("first", Pose3(10.0, 20.0, 60.0), 0.1, 0.05), Solution("other", None, None, None)),
        robot_from_plane=plane,
        region=np.array([[0.0, 0.0], [12.0, 0.0], [12.0, 9.0], [0.0, 9.0]]),
        convention="zyx-intrinsic-deg",
    )
    return json.loads(json.dumps(hand_eye_to_document(eye)))


def belt_whole() -> dict[str, Any]:
    """Return a belt's document."""
    belt = belts.belt_of([0, 1000, 2000], [[0, 0], [20, 5], [40, 10]], "belt", u_mm=0.05)
    return json.loads(json.dumps({"format": "tiepoint/belt/1", **belts.to_document(belt, "belt")}))


def picking_station(folder: Path) -> Path:
    """Fill a station's folder, and return it: its tie, its robot, its belt, a recipe with a grip, a shot at a count."""
    corners = np.array([[0, 0], [127, 0], [127, 95], [0, 95]], float)
    matrix = np.array([[0.1, 0, 0], [0, -0.1, 9.6], [0, 0, 1.0]])
    tie = Tie("t", "target", "image", "plane", "affine", matrix, corners, distance_mm=400.0, foot_mm=(6.0, 4.0))
    (folder / "tie.json").write_text(json.dumps(to_document(tie)))
    (folder / "robot.json").write_text(json.dumps(hand_eye_whole()))
    (folder / "belt.json").write_text(json.dumps(belt_whole()))
    (folder / "pick.toml").write_text(PICK)
    grey = np.full((96, 128), 200, np.uint8)
    grey[50:, 40:] = 60
    (folder / "shot").mkdir()
    save_png(folder / "shot" / "it.png", grey)
    picture = {"role": "picture", "file": "it.png", "size": [128, 96], "bits": 8, "pixel_format": "Mono8"}
    write_document(folder / "shot" / "shot.json", "shot", {"id": "1", "encoder_count": 500, "pictures": [picture]})
    (folder / "touched.csv").write_text("from_x,from_y,to_x,to_y\n1,1,400,-120\n10,1,408,-116\n5,8,401,-111\n")
    return folder
