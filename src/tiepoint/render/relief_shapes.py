"""Shapes on a surface, in closed form: heights and slopes of dots, dents, caps, and of what follows a path.

A shape is set down on a grid of fine points and says how far it raises them, and by what slopes. Shapes add up. Heights
are mm along z towards the camera, slopes ∂z/∂x and ∂z/∂y with y up (docs/explanations/frames-and-signs.md).
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.render.relief_grid import Box, Grid
from tiepoint.render.relief_paths import Near, along, nearest, piece_of

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

DENT_REACH = 5.0
"""A Gaussian dent ends at so many sd, where 4e-6 of its depth is left."""


@dataclass(frozen=True, eq=False)
class Rise:
    """How a shape raises the points of a window: `z_mm`, `slope_x`, `slope_y` (rows, cols) float32."""

    z_mm: Floats
    slope_x: Floats
    slope_y: Floats


class Shape(Protocol):
    """What can be set down on a surface."""

    @property
    def box_mm(self) -> Box:
        """Where it is; beyond this it raises nothing."""

    def on(self, grid: Grid) -> Rise:
        """Return how it raises the points of a grid."""


@dataclass(frozen=True, slots=True)
class Cap:
    """A spherical cap of radius `radius_mm` at its foot; a negative height is a pit. At most a half sphere."""

    x_mm: float
    y_mm: float
    radius_mm: float
    height_mm: float

    @property
    def box_mm(self) -> Box:
        """Where it is."""
        return _around(self.x_mm, self.y_mm, self.radius_mm)

    @property
    def sphere_mm(self) -> float:
        """The radius of the sphere it is cut from: (a² + h²)/2h."""
        return (self.radius_mm**2 + self.height_mm**2) / (2 * abs(self.height_mm))

    def on(self, grid: Grid) -> Rise:
        """Return how it raises the points of a grid."""
        return _round(grid, self.x_mm, self.y_mm, lambda r: cap_profile(r, self.radius_mm, self.height_mm))


@dataclass(frozen=True, slots=True)
class Dot:
    """A peened dot: a pit in the form of a spherical cap, and round it the rim that the needle threw up.

    Beyond the pit's radius a the rim is e·sin²(π(r − a)/b), b wide and e high.
    """

    x_mm: float
    y_mm: float
    radius_mm: float
    depth_mm: float
    rim_mm: float = 0.0
    rim_width_mm: float = 0.1

    @property
    def box_mm(self) -> Box:
        """Where it is."""
        return _around(self.x_mm, self.y_mm, self.radius_mm + self.rim_width_mm)

    def on(self, grid: Grid) -> Rise:
        """Return how it raises the points of a grid."""
        return _round(grid, self.x_mm, self.y_mm, self._profile)

    def _profile(self, r: Array) -> tuple[Array, Array]:
        z, slope = cap_profile(r, self.radius_mm, -self.depth_mm)
        turn = np.pi / self.rim_width_mm
        beyond = r - self.radius_mm
        rim = np.where((beyond > 0) & (beyond < self.rim_width_mm), self.rim_mm, 0.0)
        return z + rim * np.sin(turn * beyond) ** 2, slope + rim * turn * np.sin(2 * turn * beyond)


@dataclass(frozen=True, slots=True)
class Dent:
    """A smooth dent: −depth·exp(−r²/2s²)."""

    x_mm: float
    y_mm: float
    sd_mm: float
    depth_mm: float

    @property
    def box_mm(self) -> Box:
        """Where it is."""
        return _around(self.x_mm, self.y_mm, DENT_REACH * self.sd_mm)

    def on(self, grid: Grid) -> Rise:
        """Return how it raises the points of a grid."""
        return _round(grid, self.x_mm, self.y_mm, self._profile)

    def _profile(self, r: Array) -> tuple[Array, Array]:
        z = np.where(r <= DENT_REACH * self.sd_mm, -self.depth_mm * np.exp(-(r**2) / (2 * self.sd_mm**2)), 0.0)
        return z, -z * r / self.sd_mm**2


@dataclass(frozen=True, eq=False)
class Groove:
    """A scratch: a V along a path (n, 2), `width_mm` wide at the face and `depth_mm` deep, both flanks straight."""

    path_mm: Array
    width_mm: float
    depth_mm: float

    @property
    def box_mm(self) -> Box:
        """Where it is."""
        return _beside(self.path_mm, self.width_mm / 2)

    def on(self, grid: Grid) -> Rise:
        """Return how it raises the points of a grid."""
        near = nearest([self.path_mm], grid, self.width_mm / 2)
        slope = 2 * self.depth_mm / self.width_mm
        return _beside_path(near, slope * near.distance_mm - self.depth_mm, np.full_like(near.distance_mm, slope))


@dataclass(frozen=True, eq=False)
class Strokes:
    """Raised (or, with a negative height, engraved) strokes along paths: a flat top and smooth flanks.

    The top is `top_mm` wide; over `flank_mm` on either side it falls as 3t² − 2t³, at most by 1.5·height/flank.
    """

    paths_mm: tuple[Array, ...]
    top_mm: float
    flank_mm: float
    height_mm: float

    @property
    def reach_mm(self) -> float:
        """How far a stroke reaches from its middle."""
        return self.top_mm / 2 + self.flank_mm

    @property
    def box_mm(self) -> Box:
        """Where they are."""
        return _beside(np.concatenate(self.paths_mm), self.reach_mm)

    def on(self, grid: Grid) -> Rise:
        """Return how they raise the points of a grid."""
        near = nearest(list(self.paths_mm), grid, self.reach_mm)
        t = np.clip((self.reach_mm - near.distance_mm) / self.flank_mm, 0.0, 1.0)
        fall = -6 * t * (1 - t) * self.height_mm / self.flank_mm
        return _beside_path(near, self.height_mm * t**2 * (3 - 2 * t), fall)


@dataclass(frozen=True, slots=True)
class Gap:
    """Where a bead is missing: from tip to tip, along its path."""

    start_mm: float
    length_mm: float

    @property
    def end_mm(self) -> float:
        """Where the bead begins again."""
        return self.start_mm + self.length_mm


@dataclass(frozen=True, slots=True)
class Blob:
    """Where too much came out: a cap round the path's point at `at_mm`."""

    at_mm: float
    width_mm: float


@dataclass(frozen=True, slots=True)
class Ripple:
    """How a bead's width swells and shrinks along its path, as a share of it."""

    share: float
    length_mm: float
    phase_rad: float = 0.0


@dataclass(frozen=True, eq=False)
class Bead:
    """A bead of sealant along a path (n, 2): its cross-section is a circular cap, its ends are round.

    The cap is `rise` times as high as it is wide. Gaps are true from tip to tip where the path is straight at them.
    """

    path_mm: Array
    width_mm: float
    rise: float = 0.3
    ripples: tuple[Ripple, ...] = ()
    gaps: tuple[Gap, ...] = ()
    blobs: tuple[Blob, ...] = ()

    def __post_init__(self) -> None:
        if any(end - start <= self.width_mm for start, end in self.runs_mm):
            raise UnusableInput("a gap leaves less of the bead than it is wide; move the gap or make it shorter")

    @property
    def box_mm(self) -> Box:
        """Where it is."""
        widest = max([self.width_mm * (1 + sum(r.share for r in self.ripples)), *(b.width_mm for b in self.blobs)])
        return _beside(self.path_mm, widest / 2)

    @property
    def length_mm(self) -> float:
        """The length of its path."""
        return float(np.hypot(*np.diff(self.path_mm, axis=0).T).sum())

    @property
    def runs_mm(self) -> list[tuple[float, float]]:
        """From where to where, tip to tip along the path, there is bead."""
        gaps = sorted(self.gaps, key=lambda gap: gap.start_mm)
        return list(zip([0.0, *(g.end_mm for g in gaps)], [*(g.start_mm for g in gaps), self.length_mm], strict=True))

    def width_at(self, s_mm: Array) -> Array:
        """Return its width (n,) at places along the path, gaps and blobs left aside."""
        return self._width_and_slope(np.asarray(s_mm, float))[0]

    def on(self, grid: Grid) -> Rise:
        """Return how it raises the points of a grid."""
        runs = [self._middle(*run) for run in self.runs_mm]
        reach = self.width_mm * (1 + sum(ripple.share for ripple in self.ripples)) / 2
        near = nearest([piece_of(self.path_mm, *run) for run in runs], grid, reach, [run[0] for run in runs])
        width, widening = self._width_and_slope(near.along_mm)
        z, fall, per_width = _bead_profile(near.distance_mm, width, self.rise)
        rise = _beside_path(near, z, fall, per_width * widening)
        for blob in self.blobs:
            x, y = along(self.path_mm, np.array([blob.at_mm]))[0]
            rise = _higher(rise, Cap(x, y, blob.width_mm / 2, self.rise * blob.width_mm).on(grid))
        return rise

    def _middle(self, start_mm: float, end_mm: float) -> tuple[float, float]:
        """Return from where to where the round ends' middles lie, so that their tips lie at the run's ends."""
        first, last = start_mm, end_mm
        for _ in range(20):
            first = start_mm + float(self.width_at(np.array([first]))[0]) / 2
            last = end_mm - float(self.width_at(np.array([last]))[0]) / 2
        return first, last

    def _width_and_slope(self, s_mm: Array) -> tuple[Array, Array]:
        share, slope = np.ones_like(s_mm), np.zeros_like(s_mm)
        for ripple in self.ripples:
            turn = 2 * np.pi / ripple.length_mm
            share = share + ripple.share * np.sin(turn * s_mm + ripple.phase_rad)
            slope = slope + ripple.share * turn * np.cos(turn * s_mm + ripple.phase_rad)
        return self.width_mm * share, self.width_mm * slope


def cap_profile(r: Array, radius: float | Array, height: float | Array) -> tuple[Array, Array]:
    """Return height and slope along r of a spherical cap: √(R² − r²) − (R − h) with R = (a² + h²)/2h."""
    deep = np.abs(height)
    sphere = (np.square(radius) + deep**2) / (2 * deep)
    inside = r < radius
    root = np.sqrt(np.maximum(sphere**2 - r**2, 1e-12))
    sign = np.where(inside, np.sign(height), 0.0)
    return np.asarray(sign * (root - (sphere - deep))), np.asarray(-sign * r / root)


def _bead_profile(d: Array, width: Array, rise: float) -> tuple[Array, Array, Array]:
    """Return a bead's height, its slope along d, and its change per mm of width.

    z is homogeneous of degree one in (d, width), so z = d·∂z/∂d + w·∂z/∂w (Euler).
    """
    z, fall = cap_profile(d, width / 2, rise * width)
    return z, fall, np.where(z > 0, (z - d * fall) / width, 0.0)


def _round(grid: Grid, x_mm: float, y_mm: float, profile: "Profile") -> Rise:
    x, y = grid.x_mm[None, :] - x_mm, grid.y_mm[:, None] - y_mm
    r = np.hypot(x, y)
    z, slope = profile(r)
    outward = slope / np.maximum(r, 1e-12)
    return Rise(*(values.astype(np.float32) for values in (z, outward * x, outward * y)))


def _beside_path(near: Near, z: Array, away: Array, on: Array | float = 0.0) -> Rise:
    """Return a rise from its height and its slopes away from the path and along it, (n,) each."""
    slope_x, slope_y = away * near.away_x + on * near.on_x, away * near.away_y + on * near.on_y
    return Rise(near.spread(z), near.spread(slope_x), near.spread(slope_y))


class Profile(Protocol):
    """A height and its slope along r."""

    def __call__(self, r: Array, /) -> tuple[Array, Array]:
        """Return the heights and slopes at distances."""


def _higher(a: Rise, b: Rise) -> Rise:
    """Return the upper of two surfaces."""
    over = b.z_mm > a.z_mm
    return Rise(
        np.where(over, b.z_mm, a.z_mm),
        np.where(over, b.slope_x, a.slope_x),
        np.where(over, b.slope_y, a.slope_y),
    )


def _around(x: float, y: float, r: float) -> Box:
    return x - r, y - r, x + r, y + r


def _beside(points: Array, reach: float) -> Box:
    low, high = points.min(axis=0) - reach, points.max(axis=0) + reach
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])
