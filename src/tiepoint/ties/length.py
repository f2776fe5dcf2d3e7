"""A tie by one known length in the picture: quick, and blind for everything but the scale where it was measured.

s = L/d. The origin is the picture's centre, +x along image x, y up: a similarity without a turn. What one length
cannot know (tilt, unequal scales, lens distortion) is bounded, and enters as sources that leave the measured
length itself as it is: near it the tie is as good as the length, away from it the bounds tell.

On a line-scan camera the scale along the line (optics) and across it (encoder) are independent, and one length
ties only the axis along which it lies.
"""

import hashlib
import math
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.reasons import flag
from tiepoint.foundation.sources import Source, Value, constant, half_width, measured, merge_columns
from tiepoint.ties import unmodelled
from tiepoint.ties.camera import CameraModel
from tiepoint.ties.lens import Lens, ideal_from_picture
from tiepoint.ties.region import area, hull, within_picture
from tiepoint.ties.snap import RADIUS_PX, Snapped, placed_by_hand, snap
from tiepoint.ties.standing import with_height
from tiepoint.ties.tie import PARAMETERS, Diagnostics, Sensor, Tie

Array = NDArray[np.float64]
Optics = Literal["perspective", "telecentric"]

LENGTH_HALF_WIDTH_MM: Final = 0.05
"""Half-width of a typed length whose u is not stated: a division of a caliper (common practice)."""
SHORTEST_PX: Final = 20.0
SHORTEST_OVER_U: Final = 10.0
"""A length below so many times the u of its ends says nothing."""
_REACH = 0.5
"""The valid region reaches beyond the measured length by this share of it, on all sides."""
_PARALLEL_RAD = math.radians(3.0)


@dataclass(frozen=True)
class LengthTie:
    """The tie, where its two ends were snapped to, and the length between them in px."""

    tie: Tie
    start: Snapped
    end: Snapped
    length_px: float
    u_length_px: float


@dataclass(frozen=True)
class Assumed:
    """What one length cannot know, as half-widths; stated better, it makes the tie better.

    `tilt_deg`: of the camera from the plane's normal. `lens_share`: radial displacement at the picture's corner, as a
    share of the corner's distance from the middle; not used with a camera document. `focal_px`: None for short.
    """

    tilt_deg: float = unmodelled.TILT_DEG
    lens_share: float = unmodelled.LENS_SHARE
    focal_px: float | None = None


@dataclass(frozen=True)
class _Measured:
    """The length as the picture has it, in px, with the u of each end and how an edge's own shift enters."""

    d_px: float
    u_start: float
    u_end: float
    u_turn: float
    direction: Array
    edge_shifts: float
    notes: tuple[str, ...]


def tie_by_length(
    picture: NDArray[np.generic] | None,
    from_px: tuple[float, float],
    to_px: tuple[float, float],
    length: Value | float,
    *,
    snap_to_features: bool = True,
    sensor: Sensor | None = None,
    height: Value | None = None,
    distance: Value | None = None,
    camera: CameraModel | None = None,
    optics: Optics = "perspective",
    assumed: Assumed | None = None,
    u_edge_mm: float = 0.0,
    radius_px: float = RADIUS_PX,
    unit: str = "mm",
    photos: tuple[str, ...] = (),
) -> LengthTie:
    """Return the tie of a known `length` (mm) between two points of a grey picture.

    Both points are snapped to the edge or corner under them; without `snap_to_features` they stand where they
    were placed, with the u of a hand, and `sensor` may stand for the picture. Between two edges, or an edge and a
    point, the length is taken square to the edge. `u_edge_mm`: standard uncertainty of where an edge is seen (bevel,
    burr, light): it adds between edges of opposite polarity and cancels between like ones.

    Raises `UnusableInput` for a length of nothing or points outside, `NothingFound` where nothing is under one.
    """
    asked = assumed or Assumed()
    mm = _length(length)
    size = _size(picture, sensor)
    _check(from_px, to_px, mm, asked, u_edge_mm)
    along = np.array(to_px, float) - np.array(from_px, float)
    if snap_to_features:
        if picture is None:
            raise UnusableInput("snapping needs the picture; give it, or say that the points were placed by hand")
        start, end = snap(picture, from_px, along, radius_px), snap(picture, to_px, along, radius_px)
    else:
        start, end = (_by_hand(p, size) for p in (from_px, to_px))
    seen = _measure(start, end)
    sensor = sensor or Sensor(*size)
    tie = _tie(seen, (start, end), mm, size, sensor, asked, camera, optics, u_edge_mm)
    tie = replace(tie, unit="in" if unit == "in" else "mm", photos=photos)
    tie = with_height(tie, height or constant(0.0), _middle(size), distance)
    u = math.sqrt(seen.u_start**2 + seen.u_end**2 + seen.u_turn**2)
    return LengthTie(tie, start, end, seen.d_px, u)


# --- what was given ------------------------------------------------------------------------------------------------


def _length(length: Value | float) -> Value:
    if isinstance(length, Value):
        return length
    return Value(float(length), {})


def _check(from_px: tuple[float, float], to_px: tuple[float, float], mm: Value, asked: Assumed, u_edge: float) -> None:
    if not (math.isfinite(mm.value) and mm.value > 0):
        raise UnusableInput(f"the length is {mm.value:g} mm; give more than 0")
    if not mm.u < mm.value / 4:
        raise UnusableInput(f"the length is {mm.value:g} mm ± {mm.u:g} mm (u): that says nothing about the scale")
    for point in (from_px, to_px):
        if not all(math.isfinite(v) for v in point):
            raise UnusableInput(f"the point {point[0]:g}, {point[1]:g} is no place; give pixels as X,Y")
    apart = math.dist(from_px, to_px)
    if apart < SHORTEST_PX:
        raise UnusableInput(
            f"the two points are {apart:.1f} px apart; choose a length of at least {SHORTEST_PX:g} px, "
            "better half the picture"
        )
    for value, what, most in (
        (asked.tilt_deg, "tilt in degrees", 45.0),
        (asked.lens_share, "share of lens distortion", 0.5),
        (u_edge, "u of the edge in mm", math.inf),
    ):
        if not (math.isfinite(value) and 0 <= value <= most):
            raise UnusableInput(f"the {what} is {value:g}; give 0 to {most:g}")
    if asked.focal_px is not None and not asked.focal_px > 0:
        raise UnusableInput(f"the focal length is {asked.focal_px:g} px; give more than 0")


def _size(picture: NDArray[np.generic] | None, sensor: Sensor | None) -> tuple[int, int]:
    if picture is None:
        if sensor is None:
            raise UnusableInput("neither the picture nor its size was given")
        return sensor.size_px
    if picture.ndim != 2:
        raise UnusableInput(f"the picture has the shape {picture.shape}; a grey picture of rows × columns is needed")
    rows, cols = picture.shape
    if sensor is not None and sensor.size_px != (cols, rows):
        raise UnusableInput(f"the picture has {cols} × {rows} px and the sensor is said to deliver {sensor.size_px}")
    return cols, rows


def _middle(size: tuple[int, int]) -> tuple[float, float]:
    return (size[0] - 1) / 2, (size[1] - 1) / 2


def _by_hand(point: tuple[float, float], size: tuple[int, int]) -> Snapped:
    if not (0 <= point[0] <= size[0] - 1 and 0 <= point[1] <= size[1] - 1):
        raise UnusableInput(
            f"the point {point[0]:g}, {point[1]:g} lies outside the picture of {size[0]} × {size[1]} px"
        )
    return placed_by_hand(point)


# --- the length in the picture -------------------------------------------------------------------------------------


def _measure(start: Snapped, end: Snapped) -> _Measured:
    """Return the length in px: between points as it is, from an edge square to it."""
    way = end.xy_px - start.xy_px
    direct = float(np.hypot(*way))
    direction, u_normal, notes = _direction(start, end, way / direct)
    d = float(way @ direction)
    if d < SHORTEST_PX:
        raise UnusableInput(f"the two features lie {d:.1f} px apart; choose a length of at least {SHORTEST_PX:g} px")
    # A turn of the normal moves d by the part of the way that runs along the edges.
    aside = math.sqrt(max(direct**2 - d**2, 0.0))
    u_start, u_end = (_u_across(point, direction) for point in (start, end))
    u = math.hypot(u_start, u_end)
    if u * SHORTEST_OVER_U > d:
        raise UnusableInput(f"the length of {d:.1f} px is known to ± {u:.1f} px (u) only; choose a longer one")
    return _Measured(d, u_start, u_end, aside * u_normal, direction, _edge_shifts(start, end), notes)


def _direction(start: Snapped, end: Snapped, way: Array) -> tuple[Array, float, tuple[str, ...]]:
    """Return the unit direction in which the length is taken, the u of its angle, and what is said about it."""
    edges = [point for point in (start, end) if point.normal is not None]
    if not edges:
        return way, 0.0, ()
    normals = [np.asarray(edge.normal) for edge in edges]
    if len(edges) == 2:
        turn = math.acos(float(np.clip(normals[0] @ normals[1], -1, 1)))
        noise = math.hypot(edges[0].u_tilt_rad, edges[1].u_tilt_rad)
        if turn > _PARALLEL_RAD + 3 * noise:
            text = (
                f"The two edges differ by {math.degrees(turn):.1f}° and have no one distance: it was taken as placed."
            )
            return way, turn, (text,)
    mean = np.sum(normals, axis=0)
    mean = mean / np.hypot(*mean)
    askew = math.degrees(math.acos(float(np.clip(mean @ way, -1, 1))))
    u = math.sqrt(sum(edge.u_tilt_rad**2 for edge in edges)) / len(edges)
    return mean, u, (f"The length was taken square to the edge; the points were placed {askew:.1f}° askew.",)


def _u_across(point: Snapped, direction: Array) -> float:
    """Return the u of an end along the length; that of an edge is known along the line on which it was placed."""
    if point.normal is None:
        return point.u_along(direction)
    return math.sqrt(float(np.trace(point.cov_px2))) * abs(float(_line_of(point) @ direction))


def _line_of(point: Snapped) -> Array:
    """Return the direction along which an edge's place is known: its covariance has no other."""
    _, vectors = np.linalg.eigh(point.cov_px2)
    return np.asarray(vectors[:, -1])


def _edge_shifts(start: Snapped, end: Snapped) -> float:
    """Return how often an edge's own shift enters the length: 0 or 2 between edges, 1 at a single one, √2 unknown.

    A shift towards the dark side moves a rising edge one way and a falling one the other.
    """
    signs = [point.polarity for point in (start, end) if point.kind == "edge"]
    if len(signs) == 2:
        return float(abs(signs[0] - signs[1]))
    corners = sum(point.kind == "corner" for point in (start, end))
    return math.sqrt(len(signs) + corners)


# --- the tie -------------------------------------------------------------------------------------------------------


def _tie(
    seen: _Measured, ends: tuple[Snapped, Snapped], length: Value, size: tuple[int, int], sensor: Sensor,
    asked: Assumed, camera: CameraModel | None, optics: Optics, u_edge_mm: float,
) -> Tie:  # fmt: skip
    lens = _lens(camera, size)
    middle = _middle(size)
    d_px = _straight_length(seen, ends, lens)
    s = length.value / d_px
    matrix = np.array([[s, 0.0, -s * middle[0]], [0.0, -s, s * middle[1]], [0.0, 0.0, 1.0]])
    tie_id = _identity(ends, length, size)
    prefix = f"tie:{tie_id}"
    scale = np.zeros(len(PARAMETERS))
    scale[:9] = (np.diag([1.0, 1.0, 0.0]) @ matrix).ravel()
    length, said = _with_u(length, prefix)
    sources: list[Source] = []
    columns: list[Array] = []
    for source, c in length.terms.items():
        sources.append(source)
        columns.append(scale * (c / length.value))
    for source, c in _end_sources(seen, ends, prefix, u_edge_mm / s):
        sources.append(source)
        columns.append(scale * (-c / d_px))
    effects = _effects(matrix, middle, size, asked, camera, optics)
    for effect in effects:
        sources.append(Source(f"{prefix}:{effect.name}", effect.label, "B", effect.u, "tie", "rectangular"))
        columns.append(_keeping_length(effect.column, matrix, lens, ends, seen.direction, scale, length.value))
    if camera is not None:
        sources += camera.sources
        for column in _camera_columns(camera):
            columns.append(_keeping_length(column, matrix, lens, ends, seen.direction, scale, length.value))
    merged, factor = merge_columns(sources, np.stack(columns, axis=1))
    region = _region(ends, d_px, size)
    return Tie(
        id=tie_id,
        made="length",
        from_frame="image",
        to_frame="plane",
        model="similarity",
        matrix=matrix,
        valid_region=region,
        lens=lens,
        sources=merged,
        factor=factor,
        covered_share=area(region) / (size[0] * size[1]),
        sensor=sensor,
        diagnostics=Diagnostics(reason="similarity without a turn: one length shows no more."),
        flags=_flags(ends, effects),
        notes=(*_notes(seen, ends, s, length, d_px), *said, *_unknown(effects)),
    )


def _lens(camera: CameraModel | None, size: tuple[int, int]) -> Lens:
    if camera is None:
        return Lens(0.0, 0.0, *_middle(size), math.hypot(*size) / 2)
    if camera.size_px != size:
        a, b = camera.size_px, size
        raise UnusableInput(
            f"the camera document is for pictures of {a[0]} × {a[1]} px and the picture has {b[0]} × {b[1]}"
        )
    return camera.lens


def _straight_length(seen: _Measured, ends: tuple[Snapped, Snapped], lens: Lens) -> float:
    """Return the length in ideal pixels: what it would be without the lens's distortion."""
    far = ends[0].xy_px + seen.d_px * seen.direction
    a, b = ideal_from_picture(lens, np.stack([ends[0].xy_px, far])).ideal_px
    return float(np.hypot(*(b - a)))


def _with_u(length: Value, prefix: str) -> tuple[Value, tuple[str, ...]]:
    """Return the length with the source that it lacks where no u was stated."""
    if length.terms:
        return length, ()
    source = half_width(f"{prefix}:length", "Length that was typed", LENGTH_HALF_WIDTH_MM, "tie")
    text = f"No u of the length was stated: it was taken as known to ±{LENGTH_HALF_WIDTH_MM:g} mm."
    return measured(length.value, source), (text,)


def _end_sources(
    seen: _Measured, ends: tuple[Snapped, Snapped], prefix: str, u_edge_px: float
) -> list[tuple[Source, float]]:
    """Return what is not known of the length in px, with its coefficients."""
    out = []
    for name, label, u, end in (
        ("start", "Start of the length", seen.u_start, ends[0]),
        ("end", "End of the length", seen.u_end, ends[1]),
    ):
        by_hand = end.kind == "hand"
        source = Source(
            f"{prefix}:{name}", label, "B" if by_hand else "A", u, "tie", "rectangular" if by_hand else "normal"
        )
        out.append((source, 1.0))
    if seen.u_turn > 0:
        out.append((Source(f"{prefix}:turn", "Direction square to the edges", "A", seen.u_turn, "tie"), 1.0))
    if u_edge_px > 0 and seen.edge_shifts > 0:
        out.append((Source(f"{prefix}:edge", "Where an edge is seen", "B", u_edge_px, "tie"), seen.edge_shifts))
    return out


def _effects(
    matrix: Array, middle: tuple[float, float], size: tuple[int, int], asked: Assumed, camera: CameraModel | None,
    optics: Optics,
) -> list[unmodelled.Effect]:  # fmt: skip
    out: list[unmodelled.Effect] = []
    if asked.tilt_deg > 0:
        half = unmodelled.foreshortening(asked.tilt_deg)
        label = f"Foreshortening by a tilt within ±{asked.tilt_deg:g}°"
        out += unmodelled.stretch_effects(matrix, middle, half, label)
        if optics == "perspective":
            focal = camera.focal_px if camera is not None else asked.focal_px or unmodelled.FOCAL_WIDTHS * size[0]
            out += unmodelled.tilt_effects(matrix, middle, focal, asked.tilt_deg)
    if camera is None and asked.lens_share > 0:
        out.append(unmodelled.lens_effect(asked.lens_share))
    return out


def _camera_columns(camera: CameraModel) -> list[Array]:
    columns = np.zeros((len(PARAMETERS), camera.factor.shape[1]))
    # The camera's parameters are its focal length, then those of the lens in the tie's order.
    columns[9:] = camera.factor[1:]
    return list(columns.T)


def _keeping_length(
    column: Array, matrix: Array, lens: Lens, ends: tuple[Snapped, Snapped], direction: Array, scale: Array, mm: float
) -> Array:
    """Return the column with as much scale as leaves the measured length what it was measured to be."""
    moved = unmodelled.moved_by(column, matrix, lens, np.stack([ends[0].xy_px, ends[1].xy_px]))
    way = np.array([direction[0], -direction[1]])
    longer = float((moved[1] - moved[0]) @ way)
    return np.asarray(column - scale * (longer / mm))


def _identity(ends: tuple[Snapped, Snapped], length: Value, size: tuple[int, int]) -> str:
    """Return an id that the same points and length always give: the same evidence has the same errors."""
    told = [float(v) for end in ends for v in end.xy_px]
    digest = hashlib.sha256(repr((told, length.value, size)).encode())
    return f"length-{digest.hexdigest()[:12]}"


def _region(ends: tuple[Snapped, Snapped], d_px: float, size: tuple[int, int]) -> Array:
    return within_picture(hull(np.stack([end.xy_px for end in ends]), _REACH * d_px), size)


# --- what is said about it -----------------------------------------------------------------------------------------


def _flags(ends: tuple[Snapped, Snapped], effects: list[unmodelled.Effect]) -> tuple[str, ...]:
    flags = {f for end in ends for f in end.flags}
    if any(end.kind == "hand" for end in ends):
        flags.add(flag("hand_placed"))
    if any(e.name == "lens" for e in effects):
        flags.add(flag("lens_assumed"))
    if any(e.name.startswith("stretch") for e in effects):
        flags.add(flag("tilt_assumed"))
    return tuple(sorted(flags))


def _notes(seen: _Measured, ends: tuple[Snapped, Snapped], s: float, length: Value, d_px: float) -> tuple[str, ...]:
    u_px = math.sqrt(seen.u_start**2 + seen.u_end**2 + seen.u_turn**2)
    relative = math.hypot(length.u / length.value, u_px / d_px)
    return (
        f"{s:.6g} mm per px, from {length.value:g} mm over {d_px:.2f} px; u of the scale {100 * relative:.2g} %.",
        ends[0].sentence("from"),
        ends[1].sentence("to"),
        *seen.notes,
    )


def _unknown(effects: list[unmodelled.Effect]) -> tuple[str, ...]:
    """Return what one length cannot know, in sentences."""
    out = []
    names = {e.name for e in effects}
    if "stretch-axes" in names:
        tilt = next(e.label for e in effects if e.name == "stretch-axes").removeprefix("Foreshortening by a tilt ")
        out.append(f"One length does not show the camera's tilt: {tilt} was taken; a target shows it.")
    if "lens" in names:
        share = next(e.label for e in effects if e.name == "lens").removeprefix("Lens distortion, taken ")
        out.append(
            f"One length does not show lens distortion: {share} was taken; a target or a camera document shows it."
        )
    out.append("It holds at the height at which the length lies. On a line-scan camera it ties the axis along it only.")
    return tuple(out)
