"""Pictures of a surface with relief under one lamp after another, and what is truly there at every pixel.

The surface is lit on its own fine grid and then seen through the camera on a grid `fine` × finer than the pixels:
optics first (a Gaussian there), then the mean over each pixel's square, as in `camera` and `twin`. Every point is
seen where its foot on the face is: relief of 0.1 mm under 5° off the axis would move by 0.009 mm, and that is left out.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import cast

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.render.camera import Camera, UnrenderableScene, unproject
from tiepoint.render.lenses import TelecentricLens
from tiepoint.render.relief import Surface
from tiepoint.render.relief_grid import Box, Grid, grid_over
from tiepoint.render.relief_lamps import FAR_MM, Lamp, lit
from tiepoint.render.scene import Lay
from tiepoint.render.sensor import EmvaSensor, Picture, Sensor, expose

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

COARSE_PX = 8
"""The camera's map is asked at so many px and is straight between: a lens of 2.5 % bends it by less than 0.001 px."""
BLUR_REACH = 4.0


@dataclass(frozen=True)
class ReliefExposure:
    """Everything between the surface and the file.

    `level`: what a white matte face that faces a lamp of strength 1 gives, as a share of full scale. `veil_share` of a
    picture's mean lies over all of it (stray light in the lens). `fine`: points per pixel and axis.
    """

    blur_px: float = 0.7
    level: float = 0.9
    veil_share: float = 0.0
    sensor: Sensor = field(default_factory=EmvaSensor)
    fine: int = 2


@dataclass(frozen=True, eq=False)
class Sight:
    """How a camera sees a face that lies at a `lay` in the plane; `fine` points per pixel and axis."""

    camera: Camera
    lay: Lay = field(default_factory=Lay)
    fine: int = 2

    @cached_property
    def lattice_mm(self) -> Array:
        """What of the face is seen every `COARSE_PX` px, from pixel −COARSE_PX on: (rows, cols, 2) mm."""
        camera = self.camera
        x = COARSE_PX * np.arange(-1, camera.width_px // COARSE_PX + 3)
        y = COARSE_PX * np.arange(-1, camera.height_px // COARSE_PX + 3)
        px = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2).astype(float)
        points = self.lay.flat_points(unproject(camera, px, self.lay.z_mm))
        return points.reshape(len(y), len(x), 2)

    @property
    def box_mm(self) -> Box:
        """The part of the face in the picture and a rim round it."""
        low, high = self.lattice_mm.min(axis=(0, 1)), self.lattice_mm.max(axis=(0, 1))
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])

    @property
    def mm_per_px(self) -> float:
        """The picture's scale in its middle."""
        rows, columns, _ = self.lattice_mm.shape
        here, there = self.lattice_mm[rows // 2, columns // 2], self.lattice_mm[rows // 2, columns // 2 + 1]
        return float(np.hypot(*(there - here))) / COARSE_PX

    @property
    def eye_mm(self) -> tuple[float, float, float]:
        """The projection centre in the face's frame; far above for a telecentric lens."""
        if isinstance(self.camera.lens, TelecentricLens):
            way = self.camera.rotation[2] * -FAR_MM
        else:
            way = self.camera.centre_mm
        x, y = self.lay.flat_points(way[None, :])[0].tolist()
        return x, y, float(way[2]) - self.lay.z_mm

    def grid(self) -> Grid:
        """Return the grid that covers the picture: the pixels' own fine points where the camera looks straight down."""
        step = self.mm_per_px / self.fine
        lattice = self.lattice_mm
        left, top = (lattice[0, 0] + np.array([1, -1]) * step * (0.5 - self.fine / 2)).tolist()
        each = COARSE_PX * self.fine
        rows, columns = ((n - 1) * each + 1 for n in lattice.shape[:2])
        own = Grid(left, top, step, columns, rows)
        points = np.stack(np.meshgrid(own.x_mm[::each], own.y_mm[::each]), axis=-1)
        straight = np.abs(points - points[0, 0] - (lattice - lattice[0, 0])).max() < 1e-3 * step
        return own if straight else grid_over(self.box_mm, step)

    def seen(self, grid: Grid, values: Floats, blur_px: float = 0.0, shift_px: tuple[float, float] = (0, 0)) -> Floats:
        """Return the picture (h, w) of values on the surface's grid. `shift_px`: what is seen lies so much further."""
        rim = int(np.ceil(BLUR_REACH * blur_px)) if blur_px > 0 else 0
        rows, columns = (n + 2 * rim for n in (self.camera.height_px, self.camera.width_px))
        fine = np.empty((rows * self.fine, columns * self.fine), np.float32)
        start = 0.5 / self.fine - 0.5 - rim
        frame = np.array([start - shift_px[0], start - shift_px[1], 1 / self.fine])
        where = np.array([grid.left_mm, grid.top_mm, grid.step_mm])
        _look_up(values, where, self.lattice_mm, frame, fine)
        if blur_px > 0:
            fine = np.asarray(cv2.GaussianBlur(fine, (0, 0), blur_px * self.fine), np.float32)
        mean = cv2.resize(fine, (columns, rows), interpolation=cv2.INTER_AREA)
        return np.asarray(mean[rim : rows - rim, rim : columns - rim])


@njit(cache=True, nogil=True, error_model="numpy")
def _look_up(
    values: Floats, where: Array, lattice: Array, frame: Array, out: Floats
) -> None:  # pragma: no cover - compiled
    """Take each fine point's value from the surface's grid: the camera's map is bilinear, and so are the values."""
    rows, columns = values.shape
    high, wide = lattice.shape[:2]
    for i in range(out.shape[0]):
        v = (frame[1] + i * frame[2]) / COARSE_PX + 1.0
        a = min(max(int(np.floor(v)), 0), high - 2)
        line = lattice[a] + (v - a) * (lattice[a + 1] - lattice[a])
        for j in range(out.shape[1]):
            u = (frame[0] + j * frame[2]) / COARSE_PX + 1.0
            b = min(max(int(np.floor(u)), 0), wide - 2)
            fu = u - b
            x = line[b, 0] + fu * (line[b + 1, 0] - line[b, 0])
            y = line[b, 1] + fu * (line[b + 1, 1] - line[b, 1])
            x = min(max((x - where[0]) / where[2], 0.0), columns - 1.0)
            y = min(max((where[1] - y) / where[2], 0.0), rows - 1.0)
            c, r = min(int(x), columns - 2), min(int(y), rows - 2)
            fx, fy = np.float32(x - c), np.float32(y - r)
            upper = values[r, c] + fx * (values[r, c + 1] - values[r, c])
            lower = values[r + 1, c] + fx * (values[r + 1, c + 1] - values[r + 1, c])
            out[i, j] = upper + fy * (lower - upper)


@dataclass(frozen=True, eq=False)
class ReliefTruth:
    """What is there, at every pixel (h, w) float32; all are means over the pixel's square, without the lens's blur.

    Slopes are along the *plane's* axes, brushed texture included; heights are above the face, mm.
    """

    surface: Surface
    sight: Sight

    @cached_property
    def height_mm(self) -> Floats:
        """Height above the face."""
        return self._mean(self.surface.z_mm)

    @cached_property
    def slopes(self) -> tuple[Floats, Floats]:
        """Slopes ∂z/∂x and ∂z/∂y."""
        x, y = self._mean(self.surface.slope_x), self._mean(self.surface.slope_y)
        turn = np.deg2rad(self.sight.lay.angle_deg)
        c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
        return c * x - s * y, s * x + c * y

    @cached_property
    def albedo(self) -> Floats:
        """Diffuse albedo."""
        return self._mean(self.surface.albedo)

    @property
    def normals(self) -> Floats:
        """Unit normals (h, w, 3) of the mean slopes."""
        x, y = self.slopes
        return np.asarray(np.dstack([-x, -y, np.ones_like(x)]) / np.sqrt(1 + x**2 + y**2)[..., None])

    def _mean(self, values: Floats) -> Floats:
        return self.sight.seen(self.surface.grid, values)


@dataclass(frozen=True, eq=False)
class ReliefShot:
    """Pictures in the order of the lamps: (h, w), or one of (h, w, 3) with lamps of three colours at once."""

    pictures: tuple[Picture, ...]
    lamps: tuple[Lamp, ...]
    truth: ReliefTruth


def take(
    surface: Surface,
    sight: Sight,
    lamps: Sequence[Lamp],
    exposure: ReliefExposure,
    rng: np.random.Generator,
    shifts_px: Sequence[tuple[float, float]] | None = None,
) -> ReliefShot:
    """Return one picture per lamp. `shifts_px`: how far what is seen has moved in each, (x, y), y down."""
    shifts = shifts_px or [(0.0, 0.0)] * len(lamps)
    shares = (_share(surface, sight, by, exposure, shift) for by, shift in zip(lamps, shifts, strict=True))
    pictures = tuple(expose(share, exposure.sensor, rng) for share in shares)
    return ReliefShot(pictures, tuple(lamps), ReliefTruth(surface, sight))


def take_at_once(
    surface: Surface,
    sight: Sight,
    lamps: Sequence[Lamp],
    exposure: ReliefExposure,
    rng: np.random.Generator,
    crosstalk: Array | None = None,
) -> ReliefShot:
    """Return one colour picture (h, w, 3) with a red, a green and a blue lamp lit together.

    `crosstalk` (3, 3): the share of each lamp (column) that each of the channels r, g, b (row) takes; none unless said.
    The surface is grey: its albedo is the same for all three.
    """
    if len(lamps) != 3:
        raise UnrenderableScene(f"one exposure takes a red, a green and a blue lamp; {len(lamps)} were given")
    mix = np.eye(3) if crosstalk is None else np.asarray(crosstalk, float)
    shares = np.stack([_share(surface, sight, by, exposure, (0.0, 0.0)) for by in lamps])
    mixed = np.tensordot(mix, shares, 1).astype(np.float32)
    _, height, width = mixed.shape
    read = expose(mixed.reshape(3 * height, width), exposure.sensor, rng)
    colour = cast(Picture, np.ascontiguousarray(read.reshape(3, height, width).transpose(1, 2, 0)))
    return ReliefShot((colour,), tuple(lamps), ReliefTruth(surface, sight))


def _share(surface: Surface, sight: Sight, by: Lamp, exposure: ReliefExposure, shift_px: tuple[float, float]) -> Floats:
    """Return the share (h, w) of full scale that a lamp brings to every pixel."""
    lay = sight.lay
    light = lit(surface, by.within(lay.x_mm, lay.y_mm, lay.z_mm, lay.angle_deg), sight.eye_mm)
    share = np.float32(exposure.level) * sight.seen(surface.grid, light, exposure.blur_px, shift_px)
    return np.asarray(share + np.float32(exposure.veil_share * float(share.mean())))


def overhead(width_px: int, height_px: int, mm_per_px: float, fine: int = 2) -> Sight:
    """Return the view from far above, straight down, the frame's origin in the middle of the picture."""
    scale = 1 / mm_per_px
    middle = ((width_px - 1) / 2, (height_px - 1) / 2)
    camera = Camera(width_px, height_px, (scale, scale), middle, TelecentricLens())
    return Sight(camera, Lay(), fine)


def finer(sight: Sight, fine: int) -> Sight:
    """Return the same view with more points per pixel."""
    return replace(sight, fine=fine)
