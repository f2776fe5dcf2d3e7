"""Data Matrix symbols as modules, and as peened dots on a face."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.render.relief_shapes import Dot

Array = NDArray[np.float64]
Modules = NDArray[np.bool_]

RS, GS, EOT = "\x1e", "\x1d", "\x04"


def envelope(*fields: str) -> str:
    """Return an ISO/IEC 15434 message (from memory) of format 06: fields with their data identifiers before them."""
    return f"[)>{RS}06{GS}{GS.join(fields)}{RS}{EOT}"


def square_symbol(content: str) -> Modules:
    """Return the modules (n, n) of the least square Data Matrix ECC 200 that holds the content; True is dark.

    Row 0 is the upper one. Made by zxing-cpp.
    """
    import zxingcpp

    try:
        made = zxingcpp.create_barcode(content, zxingcpp.BarcodeFormat.DataMatrix, force_square=True)
    except ValueError as error:
        raise UnusableInput(f"no square symbol holds {len(content)} characters; give fewer") from error
    return np.asarray(np.array(made.to_image(scale=1, add_quiet_zones=False)) == 0)


@dataclass(frozen=True, slots=True)
class Peening:
    """How a needle sets dots: a dot every `pitch_mm`, of the stated form, and how unsteadily.

    `place_sd_mm` in x and y, `size_sd` and `depth_sd` as shares of themselves; `missing`: the share of dots left out.
    """

    pitch_mm: float = 0.3
    radius_mm: float = 0.12
    depth_mm: float = 0.03
    rim_mm: float = 0.004
    rim_width_mm: float = 0.06
    place_sd_mm: float = 0.0
    size_sd: float = 0.0
    depth_sd: float = 0.0
    missing: float = 0.0


@dataclass(frozen=True, eq=False)
class PeenedSymbol:
    """A symbol on a face: its dots, its modules as they were meant, and the places (4, 2) of its outer corners.

    Corners run lower left (where the solid sides meet), lower right, upper right, upper left, mm on the face.
    """

    content: str
    modules: Modules
    dots: tuple[Dot, ...]
    corners_mm: Array


def peened(
    content: str,
    x_mm: float,
    y_mm: float,
    peening: Peening,
    rng: np.random.Generator,
    angle_deg: float = 0.0,
) -> PeenedSymbol:
    """Return a symbol whose outer lower left corner lies at a point, turned about it."""
    modules = square_symbol(content)
    size = len(modules)
    turn = np.deg2rad(angle_deg)
    turned = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    row, column = np.nonzero(modules)
    middles = peening.pitch_mm * np.column_stack([column + 0.5, size - row - 0.5])
    middles += peening.place_sd_mm * rng.standard_normal(middles.shape)
    kept = rng.random(len(middles)) >= peening.missing
    radii = peening.radius_mm * _around_one(peening.size_sd, len(middles), rng)
    depths = peening.depth_mm * _around_one(peening.depth_sd, len(middles), rng)
    places = middles @ turned + (x_mm, y_mm)
    dots = tuple(
        Dot(x, y, float(radius), float(min(depth, radius)), peening.rim_mm, peening.rim_width_mm)
        for (x, y), radius, depth in zip(places[kept].tolist(), radii[kept], depths[kept], strict=True)
    )
    side = size * peening.pitch_mm
    corners = np.array([[0, 0], [side, 0], [side, side], [0, side]]) @ turned + (x_mm, y_mm)
    return PeenedSymbol(content, modules, dots, corners)


def _around_one(sd: float, count: int, rng: np.random.Generator) -> Array:
    """Return factors about 1, cut at 2.5 sd and above a fifth."""
    return np.maximum(1 + sd * np.clip(rng.standard_normal(count), -2.5, 2.5), 0.2)
