"""Sets of poses and photos for a hand-eye, with the truth that they were made from."""

import numpy as np

from tiepoint.bench.eye import EyeSet, eye_set, spread_views
from tiepoint.bench.robot import Robot, typed
from tiepoint.bench.station import BenchStation
from tiepoint.foundation.frames import Pose3
from tiepoint.foundation.sources import Source
from tiepoint.targets.draw import new_target
from tiepoint.ties.hand_eye_fit import moved
from tiepoint.ties.hand_eye_slips import PoseTable
from tiepoint.ties.hand_eye_views import TargetPoses

BASE = Pose3.from_angles((412.0, -186.0, 37.0), (137.0, 0.4, -0.3), "zyx-intrinsic-deg")
MOUNT = Pose3.from_angles((42.0, -18.0, 65.0), (88.0, 2.0, -3.0), "zyx-intrinsic-deg")
TARGET = new_target("checker", 6.0, 9, 7)
MIDDLE = np.array([27.0, 21.0, 0.0])
ZYX = "zyx-intrinsic-deg"
SPREAD = np.array([4e-4, 4e-4, 4e-4, 0.008, 0.008, 0.08])
"""sd of a target pose seen by the camera: rad about its axes, mm along them; farthest off along the view."""


def taken(eye: str, seed: int, count: int = 12, **errors: float) -> EyeSet:
    views = spread_views((27.0, 21.0), count)
    return eye_set(eye, BenchStation(), Robot(BASE, **errors), TARGET, views, seed, mount=MOUNT, pictures=False)


def table(of: EyeSet, convention: str = ZYX) -> PoseTable:
    rows = np.array([typed(shot.robot_from_flange, convention) for shot in of.shots])
    return PoseTable(rows[:, :3], rows[:, 3:], convention)


def seen(of: EyeSet, rng: np.random.Generator | None = None, scale_u: float = 0.0) -> TargetPoses:
    """What a camera sees: exact without `rng`; else with `SPREAD`, and one scale error that all photos share."""
    true = np.array([shot.camera_from_target.matrix for shot in of.shots])
    away = true[:, :3, :3] @ MIDDLE + true[:, :3, 3]
    shared = np.concatenate([np.zeros_like(away), away], axis=1)[:, :, None]
    noise = np.zeros((len(true), 6)) if rng is None else rng.normal(size=(len(true), 6)) * SPREAD
    if rng is not None:
        noise = noise + shared[:, :, 0] * rng.normal() * scale_u
    # A turn about the middle, and a shift of it.
    at_middle = np.eye(4)
    at_middle[:3, 3] = MIDDLE
    off = [moved(t @ at_middle, e) @ np.linalg.inv(at_middle) for t, e in zip(true, noise, strict=True)]
    covariance = np.tile(np.diag(SPREAD**2 if rng is not None else np.zeros(6)), (len(true), 1, 1))
    names = tuple(f"photo {k + 1}" for k in range(len(true)))
    source = Source("scale", "Scale", "B", scale_u, "station")
    return TargetPoses(names, tuple(Pose3.from_matrix(m) for m in off), covariance, shared, (source,), MIDDLE)
