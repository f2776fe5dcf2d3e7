"""Photographs for a hand-eye: a target and a camera, one of them on the flange, and what the controller shows."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tiepoint.bench.place import Place
from tiepoint.bench.robot import Robot
from tiepoint.bench.station import BenchStation, View
from tiepoint.foundation.frames import Pose3
from tiepoint.render.camera import Camera
from tiepoint.render.photo import Rendered
from tiepoint.targets.draw import Target

Eye = Literal["in-hand", "to-hand"]
GOLDEN_DEG = 180 * (3 - math.sqrt(5))


@dataclass(frozen=True, eq=False)
class EyeShot:
    """What the controller showed, what truly was, and the photograph (None where none was asked for)."""

    robot_from_flange: Pose3
    true_robot_from_flange: Pose3
    camera_from_target: Pose3
    rendered: Rendered | None


@dataclass(frozen=True, eq=False)
class EyeSet:
    """A set of shots and the two transforms that a hand-eye looks for.

    In hand: `mount` is flange_from_camera, `base` robot_from_target. To hand: flange_from_target, robot_from_camera.
    """

    eye: Eye
    shots: tuple[EyeShot, ...]
    mount: Pose3
    base: Pose3


def spread_views(
    middle_mm: tuple[float, float],
    count: int,
    *,
    distance_mm: tuple[float, float] = (380.0, 460.0),
    tilt_deg: tuple[float, float] = (8.0, 25.0),
    roll_deg: float = 60.0,
) -> tuple[View, ...]:
    """Return views of a target that turn about every axis; azimuths go on by the golden angle."""

    def between(ends: tuple[float, float], k: int, stride: int) -> float:
        return ends[0] + (ends[1] - ends[0]) * (k * stride % count) / max(count - 1, 1)

    return tuple(
        View(
            middle_mm,
            between(distance_mm, k, 3),
            between(tilt_deg, k, 1),
            k * GOLDEN_DEG % 360,
            between((-roll_deg, roll_deg), k, 7),
        )
        for k in range(count)
    )


def eye_set(
    eye: Eye,
    station: BenchStation,
    robot: Robot,
    target: Target,
    views: Sequence[View],
    seed: int,
    *,
    mount: Pose3,
    place: Place | None = None,
    pictures: bool = True,
) -> EyeSet:
    """Return a shot for every view of the target, with the flange where it must be for that view.

    In hand the target lies at `place` in the plane and the camera of `station` rides on the flange; to hand that
    camera stands where the station has it. `mount` is what the flange carries: flange_from_camera, or
    flange_from_target. The robot's own errors are in what the controller shows.
    """
    rng = np.random.default_rng([seed, 7])
    if eye == "in-hand":
        base = robot.robot_from_plane @ in_plane(place or Place())
    else:
        base = robot.robot_from_plane @ camera_from_plane(station.camera).inverse()
    shots = []
    for k, view in enumerate(views):
        seen = station.seen_from(view)
        camera_from_target = camera_from_plane(seen.camera)
        across = camera_from_target.inverse() if eye == "in-hand" else camera_from_target
        true = base @ across @ mount.inverse()
        photo = seen.photograph_target(target, seed + 1000 * (k + 1)) if pictures else None
        shots.append(EyeShot(robot.shown(true, rng), true, camera_from_target, photo))
    return EyeSet(eye, tuple(shots), mount, base)


def camera_from_plane(camera: Camera) -> Pose3:
    """Return a camera's pose as one."""
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = camera.rotation, camera.translation_mm
    return Pose3.from_matrix(matrix)


def in_plane(place: Place) -> Pose3:
    """Return a place as a pose in space."""
    half = math.radians(place.angle_deg) / 2
    return Pose3(place.x_mm, place.y_mm, place.height_mm, (math.cos(half), 0.0, 0.0, math.sin(half)))
