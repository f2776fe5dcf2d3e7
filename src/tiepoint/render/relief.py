"""A surface with relief on a fine grid: heights, slopes, albedo and gloss of all that is on it.

Shapes come in closed form (`relief_shapes`) and add up; a brushed texture is a height map of its own, and its slopes
are that map's. Micro-slopes finer than the grid are in the gloss (`Lobe`), not here.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tiepoint.render.relief_grid import Grid
from tiepoint.render.relief_shapes import Shape

Floats = NDArray[np.float32]
FINE = 2.5
"""A texture is drawn on points of its own, so many to its lesser length, and brought onto the grid smoothly."""


@dataclass(frozen=True, slots=True)
class Lobe:
    """How widely gloss spreads: the sd-like roughness along and across the brush (GGX's α), and its direction."""

    along: float = 0.25
    across: float = 0.25
    brush_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Brushed:
    """Brushed metal: grooves too fine to see one by one, as a Gaussian height map that is long along the brush.

    `slope_sd`: sd of the slope across the brush; `along_mm`, `across_mm`: sd of the Gaussians that smooth it.
    """

    slope_sd: float
    along_mm: float = 1.5
    across_mm: float = 0.03


@dataclass(frozen=True, slots=True)
class Mottle:
    """Stains, oxide, print: albedo varies by `sd` of itself over patches of the stated size, turned by `angle_deg`."""

    sd: float
    along_mm: float
    across_mm: float
    angle_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Finish:
    """What a surface is made of. `albedo`: diffuse, 0 to 1. `gloss`: the share that a perfect mirror would return."""

    albedo: float = 0.5
    gloss: float = 0.0
    lobe: Lobe = field(default_factory=Lobe)
    brushed: Brushed | None = None
    mottles: tuple[Mottle, ...] = ()


@dataclass(frozen=True, slots=True)
class Coat:
    """What a raised shape is covered with, or a pit filled: factors on the face's albedo and gloss there."""

    albedo: float = 1.0
    gloss: float = 1.0


@dataclass(frozen=True, slots=True)
class Item:
    """A shape on the surface, and its own coat if it has one."""

    shape: Shape
    coat: Coat | None = None


@dataclass(frozen=True, eq=False)
class Surface:
    """A surface on its grid; every map (rows, cols) float32, z in mm. `lobe` spreads the gloss."""

    grid: Grid
    z_mm: Floats
    slope_x: Floats
    slope_y: Floats
    albedo: Floats
    gloss: Floats
    lobe: Lobe


def surface(
    grid: Grid,
    items: Sequence[Item],
    finish: Finish,
    rng: np.random.Generator | None = None,
    lean: tuple[float, float] = (0.0, 0.0),
) -> Surface:
    """Return a face with everything on it. `lean`: slopes of the face as a whole, about the frame's origin.

    `rng` draws the textures; without them it is not asked for.
    """
    x, y = grid.x_mm[None, :], grid.y_mm[:, None]
    z = (lean[0] * x + lean[1] * y).astype(np.float32)
    made = Surface(
        grid,
        z,
        np.full(z.shape, lean[0], np.float32),
        np.full(z.shape, lean[1], np.float32),
        np.full(z.shape, finish.albedo, np.float32),
        np.full(z.shape, finish.gloss, np.float32),
        finish.lobe,
    )
    rng = rng or np.random.default_rng(0)
    for mottle in finish.mottles:
        spots = texture(grid, mottle.along_mm, mottle.across_mm, mottle.angle_deg, rng)
        np.multiply(made.albedo, np.maximum(1 + np.float32(mottle.sd) * spots, np.float32(0.05)), out=made.albedo)
    if finish.brushed:
        _brush(made, finish.brushed, finish.lobe.brush_deg, rng)
    for item in items:
        _set_down(made, item)
    return made


def _set_down(made: Surface, item: Item) -> None:
    """Add a shape to the maps, within its box."""
    window = made.grid.window(item.shape.box_mm)
    part = made.grid.part(window)
    if not (part.rows and part.columns):
        return
    rise = item.shape.on(part)
    made.z_mm[window] += rise.z_mm
    made.slope_x[window] += rise.slope_x
    made.slope_y[window] += rise.slope_y
    if item.coat:
        covered = rise.z_mm > 0 if rise.z_mm.sum() > 0 else rise.z_mm < 0
        made.albedo[window][covered] *= np.float32(item.coat.albedo)
        made.gloss[window][covered] *= np.float32(item.coat.gloss)


def _brush(made: Surface, brushed: Brushed, brush_deg: float, rng: np.random.Generator) -> None:
    """Add the texture's heights and their own slopes, scaled so that the slope across has the stated sd."""
    height = texture(made.grid, brushed.along_mm, brushed.across_mm, brush_deg, rng)
    down, right = np.gradient(height, np.float32(made.grid.step_mm))
    across = np.deg2rad(brush_deg + 90.0)
    slope = np.cos(across) * right - np.sin(across) * down
    scale = np.float32(brushed.slope_sd / float(slope.std()))
    np.add(made.z_mm, scale * height, out=made.z_mm)
    np.add(made.slope_x, scale * right, out=made.slope_x)
    np.subtract(made.slope_y, scale * down, out=made.slope_y)


def texture(grid: Grid, along_mm: float, across_mm: float, angle_deg: float, rng: np.random.Generator) -> Floats:
    """Return a Gaussian random field (rows, cols) of mean 0 and sd 1, white noise smoothed along and across.

    `along_mm`, `across_mm`: sd of the smoothing Gaussian, whose long axis runs `angle_deg` from +x (y up).
    """
    coarse = max(min(along_mm, across_mm) / FINE / grid.step_mm, 1.0)
    rows, columns = (fft.next_fast_len(int(n / coarse) + 2, real=True) for n in (grid.rows, grid.columns))
    white = rng.standard_normal((rows, columns), dtype=np.float32)
    step = grid.step_mm * coarse
    # Rows run down while y runs up.
    fy, fx = -np.fft.fftfreq(rows, step)[:, None], np.fft.rfftfreq(columns, step)[None, :]
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    decay = ((c * fx + s * fy) * along_mm) ** 2 + ((c * fy - s * fx) * across_mm) ** 2
    smooth = fft.irfft2(fft.rfft2(white) * np.exp(-2 * np.pi**2 * decay).astype(np.float32), s=white.shape)
    if coarse > 1:
        onto = np.array([[coarse, 0, 0], [0, coarse, 0]])
        smooth = cv2.warpAffine(smooth, onto, (grid.columns, grid.rows), flags=cv2.INTER_CUBIC)
    smooth = smooth[: grid.rows, : grid.columns]
    return np.asarray((smooth - smooth.mean()) / smooth.std(), np.float32)
