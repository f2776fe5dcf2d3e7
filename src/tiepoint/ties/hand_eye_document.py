"""A hand-eye as plain data, exactly and back: what a document of the kind `robot` holds."""

import math
from collections.abc import Mapping, Sequence
from typing import Any, cast, get_args

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.frames import AngleConvention, Pose3
from tiepoint.foundation.sources import Source
from tiepoint.ties.hand_eye import FRAMES, HandEye, PoseRow, Solution, sources_of
from tiepoint.ties.hand_eye_fit import Eye
from tiepoint.ties.readers import (
    array_in,
    fields_of,
    finite_out,
    head_in,
    maybe_number_in,
    not_negative_in,
    number_in,
    one_of,
    read_in_sentences,
    source_out,
    text_in,
    whole_in,
)
from tiepoint.ties.tie import inside_convex
from tiepoint.ties.uncertain_pose import UncertainPose

Array = NDArray[np.float64]
Plain = dict[str, Any]

FORMAT = "tiepoint/robot/1"
POSE_PARAMETERS = ("turn_x_rad", "turn_y_rad", "turn_z_rad", "x_mm", "y_mm", "z_mm")
"""Rows of a pose's `factor`: a small turn and a shift along the axes of the frame that it leads to."""


def hand_eye_to_document(tie: HandEye) -> Plain:
    """Return the hand-eye as JSON types; infinite degrees of freedom become null."""
    sources = sources_of(tie)
    plane = tie.robot_from_plane
    return {
        "format": FORMAT,
        "id": tie.id,
        "made": "hand-eye",
        "eye": tie.eye,
        "angles": tie.convention,
        "x": _uncertain_out(tie.x, FRAMES[tie.eye][0], sources),
        "y": _uncertain_out(tie.y, FRAMES[tie.eye][1], sources),
        "robot_from_plane": None if plane is None else _uncertain_out(plane, ("robot", "plane"), sources),
        "parameters": list(POSE_PARAMETERS),
        "sources": [source_out(s) for s in sources],
        "region": None if tie.region is None else tie.region.tolist(),
        **finite_out({n: getattr(tie, n) for n in ("robot_mm", "robot_deg", "dof", "unseen_mm", "unseen_deg")}),
        "rows": [fields_of(r) for r in tie.rows],
        "solutions": [_solution_out(s) for s in tie.solutions],
        "camera_id": tie.camera_id,
        "target_id": tie.target_id,
        "flags": list(tie.flags),
        "notes": list(tie.notes),
    }


def hand_eye_from_document(content: Mapping[str, Any], where: str = "the robot document") -> HandEye:
    """Return the hand-eye that a document holds; `UnusableDocument` in one sentence where it does not hold one."""
    return read_in_sentences(_read, content, where)


def _read(content: Mapping[str, Any]) -> HandEye:
    head = head_in(content, FORMAT, POSE_PARAMETERS)
    eye = cast(Eye, one_of(content["eye"], get_args(Eye), "eye"))
    plane, region, dof = content["robot_from_plane"], content["region"], content["dof"]
    x, y = (_uncertain_in(content[k], FRAMES[eye][n], head.sources) for n, k in enumerate("xy"))
    return HandEye(
        id=text_in(content["id"], "id"),
        eye=eye,
        x=x,
        y=y,
        robot_mm=not_negative_in(content["robot_mm"], "robot_mm"),
        robot_deg=not_negative_in(content["robot_deg"], "robot_deg"),
        dof=math.inf if dof is None else number_in(dof, "dof"),
        unseen_mm=maybe_number_in(content["unseen_mm"], "unseen_mm"),
        unseen_deg=maybe_number_in(content["unseen_deg"], "unseen_deg"),
        rows=tuple(_row_in(r) for r in content["rows"]),
        solutions=tuple(_solution_in(s) for s in content["solutions"]),
        robot_from_plane=None if plane is None else _uncertain_in(plane, ("robot", "plane"), head.sources),
        region=None if region is None else _region_in(region),
        convention=one_of(content["angles"], get_args(AngleConvention), "angles"),
        camera_id=_maybe_text(content["camera_id"], "camera_id"),
        target_id=_maybe_text(content["target_id"], "target_id"),
        flags=head.flags,
        notes=tuple(text_in(n, "notes") for n in content["notes"]),
    )


def _uncertain_out(pose: UncertainPose, frames: tuple[str, str], sources: Sequence[Source]) -> Plain:
    factor = np.zeros((6, len(sources)))
    places = {s.id: k for k, s in enumerate(sources)}
    factor[:, [places[s.id] for s in pose.sources]] = pose.c
    sentence = pose.pose.sentence(*frames)
    return {"frames": list(frames), **_pose_out(pose.pose), "sentence": sentence, "factor": factor.tolist()}


def _uncertain_in(plain: Plain, frames: tuple[str, str], sources: tuple[Source, ...]) -> UncertainPose:
    if tuple(plain["frames"]) != frames:
        raise UnusableDocument(f"its pose leads between {plain['frames']} where {list(frames)} was expected")
    return UncertainPose(_pose_in(plain), sources, array_in(plain["factor"], "factor", (6, len(sources))))


def _pose_out(pose: Pose3) -> Plain:
    return {"xyz_mm": [pose.x_mm, pose.y_mm, pose.z_mm], "quaternion": list(pose.quaternion)}


def _pose_in(plain: Plain) -> Pose3:
    x, y, z = array_in(plain["xyz_mm"], "xyz_mm", (3,)).tolist()
    a, b, c, d = array_in(plain["quaternion"], "quaternion", (4,)).tolist()
    if abs(math.hypot(a, b, c, d) - 1.0) > 1e-6:
        raise UnusableDocument("its quaternion is not of length 1")
    return Pose3(x, y, z, (a, b, c, d))


def _row_in(plain: Plain) -> PoseRow:
    mm, deg = (maybe_number_in(plain[k], k) for k in ("unseen_mm", "unseen_deg"))
    row, photo = whole_in(plain["row"], "row"), text_in(plain["photo"], "photo")
    return PoseRow(row, photo, mm, deg, bool(plain["used"]), text_in(plain["says"], "says"))


def _solution_out(solution: Solution) -> Plain:
    told = {k: getattr(solution, k) for k in ("name", "unseen_mm", "unseen_deg")}
    return {**told, "x": None if solution.x is None else _pose_out(solution.x)}


def _solution_in(plain: Plain) -> Solution:
    mm, deg = (maybe_number_in(plain[k], k) for k in ("unseen_mm", "unseen_deg"))
    return Solution(text_in(plain["name"], "name"), None if plain["x"] is None else _pose_in(plain["x"]), mm, deg)


def _region_in(plain: Any) -> Array:
    region = array_in(plain, "region", (None, 2))
    if len(region) < 3 or not inside_convex(region, region).all():
        raise UnusableDocument("its region is no convex polygon")
    return region


def _maybe_text(plain: Any, name: str) -> str | None:
    return None if plain is None else text_in(plain, name)
