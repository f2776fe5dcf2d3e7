"""Lamps as relief sees them: where each stands, and what it does to a matte surface at every place of the picture.

A lamp makes a matte surface of albedo ρ and unit normal n as bright as ρ·a·n (Lambert's law, Woodham 1980), a being
its *pull* at that place: its direction, seen from the surface, times how strongly it lights there. Gain, nearness, a
flat reference and crosstalk between colour channels all act upon the pulls, so one solver serves every case: it takes
pulls on a coarse grid of nodes and interpolates between them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry

Array = NDArray[np.float64]
Channel = Literal["r", "g", "b"]
Vector = tuple[float, float, float]

CHANNELS: tuple[Channel, ...] = ("r", "g", "b")
FEWEST, MOST = 3, 16
NODE_STEP_PX = 16
"""Pixels between nodes. Over 16 px of 0.2 mm, 280 mm from a lamp, linear interpolation of its pull errs by 2e-5."""
WEAKEST = 0.02
"""Smallest singular value of the pulls, over the largest, at which three directions of a normal can be told."""


@dataclass(frozen=True, slots=True)
class Light:
    """One lamp: far away in a `direction` (unit vector from the part towards it, plane axes, z to the camera), or near.

    Near: `position_mm` in the plane's frame. `aim_mm` and `half_angle_deg` say where such a lamp points and at which
    angle off that axis it shines half as strongly; without them it shines alike in all directions. `gain` is how strong
    its picture is beside the others. `channel` is the plane of a colour picture that it is seen in.
    """

    id: str
    direction: Vector | None = None
    position_mm: Vector | None = None
    gain: float = 1.0
    channel: Channel | None = None
    aim_mm: Vector | None = None
    half_angle_deg: float | None = None

    @property
    def near(self) -> bool:
        """Whether the lamp's place is given, and not only its direction."""
        return self.position_mm is not None

    @property
    def sharpness(self) -> float:
        """The power μ of the cosine off a near lamp's axis: cosᵘ of the half angle is ½ (Quéau et al. 2018, eq. 4)."""
        return (
            0.0 if self.half_angle_deg is None else -math.log(2) / math.log(math.cos(math.radians(self.half_angle_deg)))
        )


def from_angles(azimuth_deg: float, elevation_deg: float) -> Vector:
    """Return the direction towards a lamp of an azimuth (from +x, counter-clockwise) and an elevation."""
    azimuth, elevation = math.radians(azimuth_deg), math.radians(elevation_deg)
    return (math.cos(elevation) * math.cos(azimuth), math.cos(elevation) * math.sin(azimuth), math.sin(elevation))


def to_angles(direction: Sequence[float]) -> tuple[float, float]:
    """Return azimuth in [0, 360) and elevation, in degrees, of a direction."""
    x, y, z = (float(v) for v in direction)
    return math.degrees(math.atan2(y, x)) % 360.0, math.degrees(math.atan2(z, math.hypot(x, y)))


@dataclass(frozen=True)
class Lights:
    """The lamps of a shot, in the order of its pictures.

    `crosstalk` (n, n): how strongly each channel (row, of lamp i) sees each lamp (column); None where none does but its
    own. `black_level` is what a picture shows without any light, in grey levels.
    """

    lights: tuple[Light, ...]
    crosstalk: Array | None = field(default=None, compare=False)
    black_level: float = 0.0

    def __len__(self) -> int:
        return len(self.lights)

    @property
    def ids(self) -> tuple[str, ...]:
        """The lamps' ids, in order."""
        return tuple(light.id for light in self.lights)

    @property
    def near(self) -> bool:
        """Whether any lamp is given by its place."""
        return any(light.near for light in self.lights)

    @property
    def by_channel(self) -> bool:
        """Whether the lamps burn together and are told apart by colour."""
        return all(light.channel is not None for light in self.lights)

    @property
    def exposures(self) -> tuple[tuple[int, ...], ...]:
        """Which lamps each picture of the shot holds: one each, or several by channel."""
        if not self.by_channel:
            return tuple((k,) for k in range(len(self)))
        groups: list[list[int]] = []
        for k, light in enumerate(self.lights):
            if not groups or any(self.lights[j].channel == light.channel for j in groups[-1]):
                groups.append([])
            groups[-1].append(k)
        return tuple(tuple(group) for group in groups)

    def without_gain(self) -> "Lights":
        """Return the same lamps, all of gain 1: a flat reference tells it better."""
        return replace(self, lights=tuple(replace(light, gain=1.0) for light in self.lights))

    def pulls_at(self, xy_mm: Array, middle_mm: Array) -> Array:
        """Return the pulls (..., n, 3) at places (..., 2); a near lamp has its gain's strength at `middle_mm`."""
        pulls = np.empty((*xy_mm.shape[:-1], len(self), 3))
        for k, light in enumerate(self.lights):
            pulls[..., k, :] = light.gain * _pull(light, xy_mm, middle_mm)
        return pulls if self.crosstalk is None else np.einsum("ij,...jk->...ik", self.crosstalk, pulls)


def _pull(light: Light, xy_mm: Array, middle_mm: Array) -> Array:
    if light.position_mm is None:
        if light.direction is None:
            raise PoorGeometry(f"the lamp {light.id} has neither a direction nor a position")
        return np.broadcast_to(np.array(light.direction), (*xy_mm.shape[:-1], 3))
    there, strength = _ray(light, xy_mm)
    return there * (strength / _ray(light, middle_mm)[1])[..., None]


def _ray(light: Light, xy_mm: Array) -> tuple[Array, Array]:
    """Return the direction (..., 3) to a near lamp and its strength: cosᵘ over the squared distance (ibid., eq. 7)."""
    assert light.position_mm is not None
    away = np.array(light.position_mm) - np.concatenate([xy_mm, np.zeros((*xy_mm.shape[:-1], 1))], axis=-1)
    distance = np.linalg.norm(away, axis=-1)
    direction = away / distance[..., None]
    strength = 1.0 / distance**2
    if light.aim_mm is not None and light.half_angle_deg is not None:
        axis = np.array(light.aim_mm) - np.array(light.position_mm)
        cosine = np.clip(-direction @ (axis / np.linalg.norm(axis)), 1e-6, 1.0)
        strength = strength * cosine**light.sharpness
    return direction, strength


@dataclass(frozen=True)
class Ground:
    """Where pixels lie on the plane, to first order: `matrix` (2, 2) · pixel + `origin` (2,), in mm or in px."""

    matrix: Array
    origin: Array
    unit: Literal["mm", "px"]

    def at(self, xy_px: Array) -> Array:
        """Return the places (..., 2) of pixels (..., 2)."""
        return np.asarray(xy_px @ self.matrix.T + self.origin)


def ground_of(
    shape: tuple[int, int], mm_per_px: float | None = None, plane_from_image: NDArray[Any] | None = None
) -> Ground:
    """Return the ground of a picture of `shape` (rows, cols).

    By `plane_from_image` (2, 3), an affine map from pixels to mm; by `mm_per_px`, with the origin in the picture's
    middle and y up; or in px, likewise.
    """
    if plane_from_image is not None:
        affine = np.asarray(plane_from_image, float)
        return Ground(affine[:, :2], affine[:, 2], "mm")
    scale = 1.0 if mm_per_px is None else float(mm_per_px)
    matrix = scale * np.array([[1.0, 0.0], [0.0, -1.0]])
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    return Ground(matrix, -matrix @ middle, "px" if mm_per_px is None else "mm")


@dataclass(frozen=True)
class LightField:
    """The pulls at the nodes of a picture: `pulls` (ny, nx, n, 3), every `step_px`, and their pseudo-inverses.

    `inverse` (ny, nx, 3, n). Where all nodes are alike there are two each way, and `even` is True.
    """

    pulls: NDArray[np.float32]
    inverse: NDArray[np.float32]
    step_px: int
    even: bool

    @property
    def middle(self) -> Array:
        """The pulls (n, 3) in the picture's middle."""
        ny, nx = self.pulls.shape[:2]
        return np.asarray(self.pulls[ny // 2, nx // 2], np.float64)


def field_of(
    lights: Lights, shape: tuple[int, int], ground: Ground, flat: Sequence[NDArray[Any]] | None = None
) -> LightField:
    """Return the pulls of the lamps over a picture of `shape`, by a flat reference (a picture each) if given.

    With a flat reference a lamp's strength is what that shows, smoothed (its grain is the plate's, not the lamp's), and
    only its direction is taken from the model. Raises `PoorGeometry` where the directions lie in one plane.
    """
    even = flat is None and not lights.near
    step = max(shape) if even else NODE_STEP_PX
    nodes = np.stack(
        np.meshgrid(*(np.arange(0, n + step, step, dtype=float)[: n // step + 2] for n in shape[::-1])), -1
    )
    middle = ground.at(np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2]))
    if flat is None:
        pulls = lights.pulls_at(ground.at(nodes), middle)
    else:
        pulls = _measured(lights, ground.at(nodes), middle, flat, nodes.shape[:2])
    demand_three_directions(pulls[nodes.shape[0] // 2, nodes.shape[1] // 2])
    inverse = np.linalg.pinv(pulls)
    return LightField(pulls.astype(np.float32), np.ascontiguousarray(inverse, np.float32), step, even)


def demand_three_directions(pulls: Array) -> None:
    """Raise `PoorGeometry` where pulls (n, 3) cannot tell the three components of a normal."""
    values = np.linalg.svd(pulls / np.linalg.norm(pulls, axis=1, keepdims=True), compute_uv=False)
    if len(pulls) < FEWEST or values[2] < WEAKEST * values[0]:
        raise PoorGeometry(
            "the lamps stand in one plane with the part; slopes across that plane cannot be told, move one"
        )


def _measured(
    lights: Lights, places: Array, middle: Array, flat: Sequence[NDArray[Any]], size: tuple[int, int]
) -> Array:
    """Return pulls whose strength the flat reference tells: that of a lamp, on a plane facing the camera, is its z."""
    strength = np.stack([_at_nodes(picture, size) - lights.black_level for picture in flat], axis=-1)
    strength = np.maximum(strength, 1e-3)
    bare = replace(lights.without_gain(), crosstalk=None).pulls_at(places, middle)
    if lights.crosstalk is not None:
        strength = np.maximum(np.einsum("ij,...j->...i", np.linalg.inv(lights.crosstalk), strength), 1e-3)
    leaning = bare / bare[..., 2:3]
    whole = float(np.median(strength / _sines(bare)))
    pulls = leaning * (strength / whole)[..., None]
    return pulls if lights.crosstalk is None else np.einsum("ij,...jk->...ik", lights.crosstalk, pulls)


def _sines(pulls: Array) -> Array:
    return np.asarray(pulls[..., 2] / np.linalg.norm(pulls, axis=-1))


def _at_nodes(picture: NDArray[Any], size: tuple[int, int]) -> Array:
    """Return the smoothed grey levels of a picture at nodes 16 px apart: a quartic, and what is left of it, blurred."""
    import cv2

    count = [max(n // NODE_STEP_PX, 1) for n in picture.shape]
    kept = np.ascontiguousarray(picture[: count[0] * NODE_STEP_PX, : count[1] * NODE_STEP_PX], np.float32)
    blocks = cv2.resize(kept, count[::-1], interpolation=cv2.INTER_AREA).astype(float)
    scale = 2 / max(picture.shape)
    # Blurring flattens a slope at the border, and a block's middle is no node: so the broad shape goes round both.
    middles = [(NODE_STEP_PX * np.arange(n) + (NODE_STEP_PX - 1) / 2) * scale - 1 for n in count]
    nodes = [NODE_STEP_PX * np.arange(n) * scale - 1 for n in size]
    degree = 4 if min(count) > 8 else min(min(count) - 1, 2)
    terms = _polynomials(middles[0], middles[1], degree)
    weights = np.linalg.lstsq(terms, blocks.ravel(), rcond=None)[0]
    rest = cv2.GaussianBlur(blocks - (terms @ weights).reshape(blocks.shape), (0, 0), 1.5)
    return np.asarray(
        (_polynomials(nodes[0], nodes[1], degree) @ weights).reshape(size)
        + _between(_between(rest, size[0]).T, size[1]).T
    )


def _polynomials(y: Array, x: Array, degree: int) -> Array:
    """Return all terms (len(y)·len(x), m) of up to a degree on a grid."""
    xx, yy = np.meshgrid(x, y)
    powers = [xx**i * yy**j for i in range(degree + 1) for j in range(degree + 1 - i)]
    return np.stack(powers, -1).reshape(-1, len(powers))


def _between(blocks: Array, count: int) -> Array:
    """Return values (count, m) at the borders of blocks (n, m): means of neighbours, or the last block's."""
    padded = np.concatenate([blocks[:1], blocks, np.repeat(blocks[-1:], max(count - len(blocks), 1), axis=0)])
    return np.asarray((padded[1:] + padded[:-1])[:count] / 2)
