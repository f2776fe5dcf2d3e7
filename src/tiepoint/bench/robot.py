"""A simulated robot: what its controller shows, and where its flange and its tool truly are.

Two errors stand between both. The arm is not *accurate*: a smooth map over its space moves every place, the same way
each time. It is not wholly *repeatable*: each arrival differs by a Gaussian draw (the terms of ISO 9283). A third lies
in the controller: the tool point that it was told may be wrong, by a vector that is fixed to the flange.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiepoint.foundation.frames import AngleConvention, Pose3

Array = NDArray[np.float64]

OVER = Pose3(0.0, 0.0, 0.0, (0.0, 1.0, 0.0, 0.0))
"""The half turn about x: a tool that points down on what lies face up."""

SETTLE_STEPS = 60


@dataclass(frozen=True, eq=False)
class SmoothMap:
    """A smooth field of vectors: a sum of waves with `waves` (k, 3) in rad/mm, `phases` (k,), `amplitudes` (k, 3)."""

    waves: Array
    phases: Array
    amplitudes: Array

    def at(self, xyz_mm: ArrayLike) -> Array:
        """Return the vectors (n, 3) at places (n, 3)."""
        return np.asarray(np.sin(np.asarray(xyz_mm, float) @ self.waves.T + self.phases) @ self.amplitudes)


def smooth_map(rms: float, seed: int, wavelength: float = 700.0, count: int = 8) -> SmoothMap:
    """Return a map whose vectors have the length `rms` in the root mean square over all space.

    Waves run in every direction, their lengths within ±30 % of `wavelength` mm.
    """
    rng = np.random.default_rng(seed)
    way = rng.standard_normal((count, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    waves = way * (2 * math.pi / (wavelength * rng.uniform(0.7, 1.3, (count, 1))))
    amplitudes = rng.standard_normal((count, 3))
    # The mean of sin² is one half, and waves of different length do not correlate.
    amplitudes *= rms / math.sqrt(float((amplitudes**2).sum()) / 2)
    return SmoothMap(waves, rng.uniform(0, 2 * math.pi, count), amplitudes)


@dataclass(frozen=True, slots=True)
class Arrival:
    """A pose that was commanded, and what came of it: all in the robot's frame."""

    commanded: Pose3
    flange: Pose3
    tool: Pose3


@dataclass(frozen=True, eq=False)
class Touches:
    """Places touched with the tool: `shown_mm` (n, 3) is what the controller showed, `true_mm` (n, 3) the place.

    Both in the robot's frame. `shown_flanges`: the flange poses that it showed.
    """

    shown_mm: Array
    true_mm: Array
    shown_flanges: tuple[Pose3, ...]


@dataclass(frozen=True, eq=False)
class Robot:
    """An arm over the cell. `robot_from_plane` is exact.

    `flange_from_tool` is what the controller believes; the true tool point lies `tool_error_mm` farther, in flange
    coordinates. `repeatability_mm`, `repeatability_deg`: sd along and about each axis. `accuracy` moves places (mm),
    `turning` turns them (rotation vectors, degrees). `touch_mm`: sd along each axis of a person's touch.
    """

    robot_from_plane: Pose3
    flange_from_tool: Pose3 = field(default_factory=lambda: Pose3(0.0, 0.0, 120.0))
    tool_error_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    repeatability_mm: float = 0.0
    repeatability_deg: float = 0.0
    accuracy: SmoothMap | None = None
    turning: SmoothMap | None = None
    touch_mm: float = 0.0

    @property
    def true_flange_from_tool(self) -> Pose3:
        """Where the tool point really is."""
        return Pose3(*self.tool_error_mm) @ self.flange_from_tool

    def flange_for(self, robot_from_tool: Pose3) -> Pose3:
        """Return the flange pose that the controller takes for a commanded tool pose."""
        return robot_from_tool @ self.flange_from_tool.inverse()

    def reached(self, shown: Pose3, rng: np.random.Generator) -> Pose3:
        """Return the true flange pose where the controller shows `shown`."""
        return self._placed(shown, self._noise(rng))

    def shown(self, true: Pose3, rng: np.random.Generator) -> Pose3:
        """Return the flange pose that the controller shows where the flange truly is at `true`: `reached` undone."""
        noise = self._noise(rng)
        guess = true
        for _ in range(SETTLE_STEPS):
            back = self._placed(guess, noise)
            shift = guess.translation_mm + (true.translation_mm - back.translation_mm)
            turn = Pose3(0, 0, 0, true.quaternion) @ Pose3(0, 0, 0, back.quaternion).inverse()
            last, guess = guess, _at(shift, (turn @ Pose3(0, 0, 0, guess.quaternion)).quaternion)
            if float(np.abs(last.matrix - guess.matrix).max()) < 1e-13:
                break
        return guess

    def go(self, robot_from_tool: Pose3, rng: np.random.Generator) -> Arrival:
        """Return where the arm truly comes when its tool is commanded to a pose."""
        flange = self.reached(self.flange_for(robot_from_tool), rng)
        return Arrival(robot_from_tool, flange, flange @ self.true_flange_from_tool)

    def tool_over(self, x_mm: float, y_mm: float, z_mm: float, angle_deg: float = 0.0) -> Pose3:
        """Return the tool pose (robot's frame) at a place of the plane, pointing down, its +x at an angle there."""
        turned = Pose3.from_angles((x_mm, y_mm, z_mm), (angle_deg, 0.0, 0.0), "zyx-intrinsic-deg")
        return self.robot_from_plane @ turned @ OVER

    def touch(
        self,
        plane_mm: ArrayLike,
        rng: np.random.Generator,
        angles_deg: Sequence[float] | float = 0.0,
        tilts_deg: Sequence[float] | float = 0.0,
    ) -> Touches:
        """Touch places (n, 3) of the plane frame with the tool's true point, and read what the controller shows.

        `angles_deg` turn the tool about its axis, `tilts_deg` then lean it about its own x: several turns over one
        place show a wrong tool point.
        """
        places = np.atleast_2d(np.asarray(plane_mm, float))
        turns, leans = np.broadcast_to(angles_deg, len(places)), np.broadcast_to(tilts_deg, len(places))
        flanges = []
        for (x, y, z), turn, lean in zip(places, turns, leans, strict=True):
            dx, dy, dz = self.touch_mm * rng.standard_normal(3)
            leaning = Pose3.from_angles((0, 0, 0), (lean, 0, 0), "rotvec-deg")
            tool = self.tool_over(x + dx, y + dy, z + dz, float(turn)) @ leaning
            flanges.append(self.shown(tool @ self.true_flange_from_tool.inverse(), rng))
        shown = np.array([(flange @ self.flange_from_tool).translation_mm for flange in flanges])
        return Touches(shown, self.robot_from_plane.apply(places), tuple(flanges))

    def _placed(self, flange: Pose3, noise: Array) -> Pose3:
        at = flange.translation_mm[None, :]
        shift, turn = noise[:3].copy(), noise[3:].copy()
        if self.accuracy is not None:
            shift += self.accuracy.at(at)[0]
        if self.turning is not None:
            turn += self.turning.at(at)[0]
        swing = Pose3.from_angles((0, 0, 0), turn, "rotvec-deg")
        return _at(at[0] + shift, (swing @ Pose3(0, 0, 0, flange.quaternion)).quaternion)

    def _noise(self, rng: np.random.Generator) -> Array:
        return np.asarray(rng.standard_normal(6) * np.repeat([self.repeatability_mm, self.repeatability_deg], 3))


def typed(pose: Pose3, convention: AngleConvention) -> tuple[float, float, float, float, float, float]:
    """Return a pose as a controller shows it: x, y, z in mm, then a, b, c in degrees."""
    a, b, c = pose.angles_deg(convention)
    return pose.x_mm, pose.y_mm, pose.z_mm, a, b, c


def _at(xyz: Array, quaternion: tuple[float, float, float, float]) -> Pose3:
    return Pose3(float(xyz[0]), float(xyz[1]), float(xyz[2]), quaternion)
