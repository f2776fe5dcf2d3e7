"""How plates and gauge bars look: their pieces for the renderer. The geometric edge is the truth in every look."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench.plate import Hole, Plate, Slot
from tiepoint.render.outline import Outline, band, disc, polygon, rounded, slot
from tiepoint.render.scene import Lay, Piece, Sheet

Array = NDArray[np.float64]

BEND_STRIPS = 16
BEVEL_SLOPE_DEG = 45.0


@dataclass(frozen=True, slots=True)
class Look:
    """Reflectances of the plate and of the fixture behind it, and the light that a bevel catches.

    `bevel_mm`: width of a 45° bevel round bores, slot and the face's outer edge; 0 for sharp edges. The lamp
    stands at `lamp_azimuth_deg`, as seen from the part, `lamp_elevation_deg` above it.
    """

    ground: float = 0.06
    face: float = 0.78
    flange: float = 0.6
    through: float = 0.05
    bevel_mm: float = 0.0
    lamp_azimuth_deg: float = 120.0
    lamp_elevation_deg: float = 60.0

    def bevelled(self, normal: Array) -> float:
        """Return the reflectance of a bevel that falls towards `normal` (2,), relative to the face's light."""
        azimuth, elevation = math.radians(self.lamp_azimuth_deg), math.radians(self.lamp_elevation_deg)
        slope = math.radians(BEVEL_SLOPE_DEG)
        towards = float(normal @ (math.cos(azimuth), math.sin(azimuth)))
        # Lambert: n·l of the bevel over n·l of the face.
        share = (math.sin(slope) * math.cos(elevation) * towards) / math.sin(elevation) + math.cos(slope)
        return min(max(self.face * share, 0.0), 1.0)


def plate_sheet(plate: Plate, lay: Lay, look: Look) -> Sheet:
    """Return a plate as a sheet in its part frame, with its bores, slot middle and corner as named points."""
    a, b, s = plate.bore_a, plate.bore_b, plate.slot
    openings = (hole_outline(a), hole_outline(b), slot_outline(s))
    pieces = [Piece(outline_of(plate), look.face, look.ground)]
    pieces += [Piece(opening, look.through, look.face) for opening in openings]
    pieces += _bend(plate, look)
    pieces += [
        Piece(slot(c.x0_mm, c.y0_mm, c.x1_mm, c.y1_mm, c.width_mm), look.face + c.contrast, look.face)
        for c in plate.scratches
    ]
    if look.bevel_mm > 0:
        pieces += _bevels(plate, openings, look)
    points = np.array([[a.x_mm, a.y_mm], [b.x_mm, b.y_mm], [s.x_mm, s.y_mm], [0.0, 0.0]])
    return Sheet(tuple(pieces), lay, ("bore A", "bore B", "slot", "corner"), points)


def hole_outline(hole: Hole) -> Outline:
    """Return a bore's edge in the part frame."""
    return disc(hole.x_mm, hole.y_mm, hole.diameter_mm / 2)


def slot_outline(form: Slot) -> Outline:
    """Return a slot's edge in the part frame."""
    half = (form.length_mm - form.width_mm) / 2
    dx, dy = half * math.cos(math.radians(form.angle_deg)), half * math.sin(math.radians(form.angle_deg))
    return slot(form.x_mm - dx, form.y_mm - dy, form.x_mm + dx, form.y_mm + dy, form.width_mm)


def outline_of(plate: Plate) -> Outline:
    """Return the plate's outer edge in the part frame."""
    return rounded(_between(plate, 0.0, plate.height_mm), plate.corner_radius_mm)


def _between(plate: Plate, low_mm: float, high_mm: float) -> Array:
    """Return the corners (4, 2) of the plate between two heights above its lower edge, counter-clockwise."""
    return np.concatenate([plate.at_height(low_mm), plate.at_height(high_mm)[::-1]])


def _bend(plate: Plate, look: Look) -> Iterator[Piece]:
    """Yield the bend as strips from face to flange with a gleam between, and the flange."""
    low, high = plate.bend_from_mm, plate.bend_to_mm
    for k in range(BEND_STRIPS):
        at = (k + 0.5) / BEND_STRIPS
        gleam = 0.2 * math.sin(math.pi * at) ** 4
        shade = look.face + (look.flange - look.face) * at**2 * (3 - 2 * at) + gleam
        heights = (low + (high - low) * (k + e) / BEND_STRIPS for e in (0, 1))
        yield Piece(polygon(_between(plate, *heights)), shade, look.face)
    r = plate.corner_radius_mm
    yield Piece(rounded(_between(plate, high, plate.height_mm), (0.0, 0.0, r, r)), look.flange, look.face)


def _bevels(plate: Plate, openings: tuple[Outline, ...], look: Look) -> Iterator[Piece]:
    r = plate.corner_radius_mm
    face = rounded(_between(plate, 0.0, plate.bend_from_mm), (r, r, 0.0, 0.0))
    # Of the face's ring the edge along the bend is no edge of the plate: two arcs, then lower, right, bend, left.
    quads = list(band(face, look.bevel_mm, skip=(bend_edge(face, plate),)))
    for opening in openings:
        quads += band(opening, -look.bevel_mm)
    for quad, normal in quads:
        yield Piece(quad, look.bevelled(normal), look.face)


def bend_edge(face: Outline, plate: Plate) -> int:
    """Return the number of the edge of a face's ring that runs along the bend."""
    heights = face.points[:, 1] + face.ends[:, 1]
    return int(np.argmin(np.abs(heights - 2 * plate.bend_from_mm)))


def bar_sheet(length_mm: float, width_mm: float, lay: Lay, reflectance: float, ground: float) -> Sheet:
    """Return a gauge bar, its middle at the sheet's origin and its length along x; the points are its ends."""
    x, y = length_mm / 2, width_mm / 2
    body = polygon(np.array([[-x, -y], [x, -y], [x, y], [-x, y]]))
    return Sheet((Piece(body, reflectance, ground),), lay, ("start", "end"), np.array([[-x, 0.0], [x, 0.0]]))
