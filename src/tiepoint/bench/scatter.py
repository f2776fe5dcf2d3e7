"""Plates as they come to lie: anywhere, at any angle, on one another, turned over, of another variant."""

import math
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench import clutter as things
from tiepoint.bench.clutter import Box
from tiepoint.bench.place import Place
from tiepoint.bench.plate import VARIANTS, Plate, individual
from tiepoint.bench.surface import Look, hole_outline, outline_of, plate_sheet, slot_outline
from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.frames import Pose2, Pose3
from tiepoint.render.outline import Outline, rectangle, sampled
from tiepoint.render.scene import Lay, Piece, Sheet

Array = NDArray[np.float64]

CELL_LOOK = Look(ground=0.2)
BACK = 0.7
"""Reflectance of the side that lies down in a good part."""
SHADOW = 0.45
TRIES = 4000
EDGE_STEP_MM = 1.0
OVER = (0.0, 1.0, 0.0, 0.0)
"""The half turn about x, as a quaternion."""


@dataclass(frozen=True)
class LaidPlate:
    """A plate and how it lies: `place` is the pose of its corner and +x, at the height of what looks up.

    Turned over, its y runs the other way: the plate lies to the right of its +x.
    """

    plate: Plate
    place: Place
    turned_over: bool = False

    @property
    def wanted(self) -> bool:
        """Whether this is what a station for the standard plate shall find: its variant, face up."""
        return self.plate.variant == "standard" and not self.turned_over

    @property
    def pose(self) -> Pose2:
        """The pose of the part's corner and +x in the plane (`plane_from_part` for a plate face up)."""
        return Pose2(self.place.x_mm, self.place.y_mm, math.radians(self.place.angle_deg))

    @property
    def plane_from_part(self) -> Pose3:
        """The pose in space of the part frame, which lies in the face with z out of it."""
        half = math.radians(self.place.angle_deg) / 2
        turned = Pose3(0, 0, 0, (math.cos(half), 0.0, 0.0, math.sin(half)))
        depth = self.plate.thickness_mm if self.turned_over else 0.0
        flat = Pose3(self.place.x_mm, self.place.y_mm, self.place.height_mm - depth) @ turned
        return flat @ Pose3(0, 0, 0, OVER) if self.turned_over else flat

    @cached_property
    def edge_mm(self) -> Array:
        """Points (n, 2), evenly along the outer edge and round the openings, in the plane."""
        return self.place.to_plane(_edges_of(self.plate) * (1.0, -1.0 if self.turned_over else 1.0))

    @property
    def middle_mm(self) -> Array:
        """The middle (2,) of the plate, in the plane."""
        return np.asarray(self.place.to_plane(_middle(self.plate, self.turned_over))[0])

    def covers(self, points_mm: Array) -> NDArray[np.bool_]:
        """Return (n,) whether points (n, 2) of the plane lie under the plate, its corners taken as sharp."""
        x, y = (self.place.from_plane(points_mm) * (1.0, -1.0 if self.turned_over else 1.0)).T
        lean = y / math.tan(math.radians(self.plate.angle_deg))
        width = self.plate.width_mm / math.sin(math.radians(self.plate.angle_deg))
        return np.asarray((y > 0) & (y < self.plate.height_mm) & (x > lean) & (x < lean + width))


def laid_with_middle(plate: Plate, at_mm: Array, angle_deg: float, height_mm: float, over: bool = False) -> LaidPlate:
    """Return a plate that lies with its middle over a point (2,) of the plane."""
    x, y = np.asarray(at_mm) - Place(angle_deg=angle_deg).to_plane(_middle(plate, over))[0]
    return LaidPlate(plate, Place(float(x), float(y), angle_deg, height_mm), over)


@lru_cache(maxsize=32)
def _edges_of(plate: Plate) -> Array:
    # Plates are tried in many places before one fits.
    openings = hole_outline(plate.bore_a), hole_outline(plate.bore_b), slot_outline(plate.slot)
    return np.concatenate([_evenly(ring) for ring in (outline_of(plate), *openings)])


def _evenly(ring: Outline) -> Array:
    """Return points (n, 2) along a ring, about EDGE_STEP_MM apart."""
    fine = sampled(ring, 32)
    fine = np.concatenate([fine, fine[:1]])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(fine, axis=0).T))])
    at = np.linspace(0, way[-1], round(way[-1] / EDGE_STEP_MM), endpoint=False)
    return np.column_stack([np.interp(at, way, fine[:, k]) for k in (0, 1)])


def _middle(plate: Plate, over: bool) -> Array:
    return np.array([[plate.width_mm / 2, plate.height_mm / 2 * (-1 if over else 1)]])


def plate_sheets(laid: LaidPlate, look: Look = CELL_LOOK, shadow: float | None = SHADOW) -> tuple[Sheet, ...]:
    """Return a plate for a stack, its shadow beneath it; through its bores one sees what lies below.

    `shadow` is the light that is left in it; None for none.
    """
    plate, place = laid.plate, laid.place
    turn = look.lamp_azimuth_deg - place.angle_deg
    look = replace(look, lamp_azimuth_deg=-turn if laid.turned_over else turn)
    if laid.turned_over:
        look = replace(look, face=BACK, flange=BACK)
        plate = replace(plate, scratches=())
    flat = plate_sheet(plate, place.lay, look)
    openings = (hole_outline(plate.bore_a), hole_outline(plate.bore_b), slot_outline(plate.slot))
    # The first piece is the face, the next three are what otherwise paints its openings.
    pieces = (replace(flat.pieces[0], holes=openings), *flat.pieces[1 + len(openings) :])
    points = flat.points_mm
    if laid.turned_over:
        pieces, points = tuple(_mirrored(piece) for piece in pieces), points * (1.0, -1.0)
    body = Sheet(pieces, place.lay, flat.point_names, points)
    if shadow is None:
        return (body,)
    return (*things.shadow(pieces[0].outline, _shadow_lay(laid, look, turn + place.angle_deg), shadow), body)


def _shadow_lay(laid: LaidPlate, look: Look, azimuth_deg: float) -> Lay:
    """Return where the shadow falls: on the level on which the plate lies, away from the lamp."""
    thickness = laid.plate.thickness_mm
    way = thickness / math.tan(math.radians(look.lamp_elevation_deg))
    azimuth = math.radians(azimuth_deg)
    lay = laid.place.lay
    x, y = lay.x_mm - way * math.cos(azimuth), lay.y_mm - way * math.sin(azimuth)
    return Lay(x, y, lay.angle_deg, lay.z_mm - thickness)


def _mirrored(piece: Piece) -> Piece:
    return replace(piece, outline=piece.outline.mirrored(), holes=tuple(hole.mirrored() for hole in piece.holes))


Range = tuple[float, float]


@dataclass(frozen=True)
class Crowd:
    """What lies in a picture, as ranges to draw from: counts include both ends.

    `wanted`: standard plates face up; `turned`: the same, turned over; `others`: of other variants. Every wanted
    plate has, with the chance `covered_share`, a plate or scrap upon it that hides a share of its edges (openings too)
    within `hidden`. `clutter` names its kinds, one drawn per picture. `outside_mm`: how far beyond the field a middle
    may lie.
    """

    wanted: tuple[int, int] = (1, 2)
    turned: tuple[int, int] = (0, 1)
    others: tuple[int, int] = (0, 1)
    covered_share: float = 0.3
    hidden: Range = (0.1, 0.3)
    clutter: tuple[str, ...] = ("mixed",)
    clutter_count: tuple[int, int] = (10, 30)
    bands: tuple[int, int] = (0, 1)
    weave_contrast: Range = (0.0, 0.05)
    outside_mm: float = -32.0
    lamp: Range = (0.3, 3.0)
    blur_px: Range = (0.7, 2.0)
    shadow: float | None = SHADOW
    variants: tuple[str, ...] = field(default_factory=lambda: tuple(v for v in VARIANTS if v != "standard"))


BARE = Crowd(
    (1, 1),
    (0, 0),
    (0, 0),
    0.0,
    clutter_count=(0, 0),
    bands=(0, 0),
    weave_contrast=(0, 0),
    lamp=(1, 1),
    blur_px=(0.8, 0.8),
)
"""One plate, nothing else, in plain light."""


@dataclass(frozen=True)
class Arrangement:
    """Plates from below to above, and sheets from below to above; `numbers` says which sheet is which plate's body."""

    plates: tuple[LaidPlate, ...]
    sheets: tuple[Sheet, ...]
    numbers: tuple[int, ...]


def arranged(crowd: Crowd, box: Box, rng: np.random.Generator, look: Look = CELL_LOOK) -> Arrangement:
    """Return a draw of what lies in the field."""
    plates, scraps = _plates(crowd, box, rng)
    return stacked(crowd, plates, box, rng, look, scraps)


def stacked(
    crowd: Crowd,
    plates: tuple[LaidPlate, ...],
    box: Box,
    rng: np.random.Generator,
    look: Look = CELL_LOOK,
    on_top: tuple[Sheet, ...] = (),
) -> Arrangement:
    """Return given plates among a draw of clutter, weave and shadows."""
    sheets: list[Sheet] = []
    contrast = float(rng.uniform(*crowd.weave_contrast))
    if contrast > 0:
        sheets += things.weave(box, float(rng.uniform(4.0, 8.0)), contrast, float(rng.uniform(0, 180)))
    kind = str(rng.choice(crowd.clutter)) if crowd.clutter else "mixed"
    sheets += things.clutter(kind, _count(crowd.clutter_count, rng), box, rng)
    numbers = []
    for plate in plates:
        sheets += plate_sheets(plate, look, crowd.shadow)
        numbers.append(len(sheets) - 1)
    sheets += on_top
    top = max((sheet.lay.z_mm for sheet in sheets), default=0.0)
    for _ in range(_count(crowd.bands, rng)):
        sheets += things.shadow_band(box, rng, top)
    return Arrangement(plates, tuple(sheets), tuple(numbers))


def _plates(crowd: Crowd, box: Box, rng: np.random.Generator) -> tuple[tuple[LaidPlate, ...], tuple[Sheet, ...]]:
    """Return plates that lie beside one another, those that lie upon them, and scraps upon them."""
    wanted, turned, others = (_count(each, rng) for each in (crowd.wanted, crowd.turned, crowd.others))
    variants = ["standard"] * (wanted + turned) + [str(rng.choice(crowd.variants)) for _ in range(others)]
    below: list[LaidPlate] = []
    above: list[LaidPlate] = []
    scraps: list[Sheet] = []
    for k, variant in enumerate(variants):
        over = wanted <= k < wanted + turned
        laid = _apart(individual(variant, rng), below, crowd, box, rng, over)
        if laid is not None:
            below.append(laid)
    for laid in [each for each in below if each.wanted]:
        if rng.random() < crowd.covered_share:
            if rng.random() < 0.5:
                above.append(_upon(laid, crowd, rng))
            else:
                scraps.append(_scrap_upon(laid, crowd, rng))
    return (*below, *above), tuple(scraps)


def _apart(
    plate: Plate, others: list[LaidPlate], crowd: Crowd, box: Box, rng: np.random.Generator, over: bool
) -> LaidPlate | None:
    """Return a plate clear of the others, or None where the field is full; the first always finds its place."""
    for _ in range(200):
        x, y = (_between(box[k] - crowd.outside_mm, box[k + 2] + crowd.outside_mm, rng) for k in (0, 1))
        at = np.array([x, y])
        laid = laid_with_middle(plate, at, float(rng.uniform(-180, 180)), plate.thickness_mm, over)
        if not any(_touch(laid, other) for other in others):
            return laid
    return None


def _touch(a: LaidPlate, b: LaidPlate) -> bool:
    return bool(a.covers(b.edge_mm).any() or b.covers(a.edge_mm).any())


def _upon(laid: LaidPlate, crowd: Crowd, rng: np.random.Generator) -> LaidPlate:
    """Return a plate that lies upon another and hides the asked share of its edges."""
    edge = laid.edge_mm
    plate = individual(str(rng.choice([*crowd.variants, "standard"])), rng)
    for _ in range(TRIES):
        at = laid.middle_mm + rng.uniform(-60, 60, 2)
        height = laid.place.height_mm + plate.thickness_mm
        upper = laid_with_middle(plate, at, float(rng.uniform(-180, 180)), height, bool(rng.random() < 0.3))
        if crowd.hidden[0] <= upper.covers(edge).mean() <= crowd.hidden[1]:
            return upper
    raise _cannot(crowd)


def _scrap_upon(laid: LaidPlate, crowd: Crowd, rng: np.random.Generator) -> Sheet:
    """Return a scrap in the form of an oblong that hides the asked share of a plate's edges."""
    edge = laid.edge_mm
    for _ in range(TRIES):
        w, h = rng.uniform(10, 50, 2)
        x, y = laid.middle_mm + rng.uniform(-50, 50, 2)
        place = Place(float(x), float(y), float(rng.uniform(0, 180)), laid.place.height_mm + 1.0)
        inside = (np.abs(place.from_plane(edge)) < (w / 2, h / 2)).all(axis=1)
        if crowd.hidden[0] <= inside.mean() <= crowd.hidden[1]:
            body = rectangle(-w / 2, -h / 2, w / 2, h / 2)
            return Sheet((Piece(body, float(rng.uniform(0.05, 0.9)), 0.0),), place.lay)
    raise _cannot(crowd)


def _cannot(crowd: Crowd) -> UnusableInput:
    low, high = crowd.hidden
    return UnusableInput(
        f"nothing that hides {low:g} to {high:g} of a plate's edges was found; ask for a wider range below 0.6"
    )


def _between(low: float, high: float, rng: np.random.Generator) -> float:
    """Return a draw within the range, or its middle where the range is empty."""
    return float(rng.uniform(low, high)) if low < high else (low + high) / 2


def _count(ends: tuple[int, int], rng: np.random.Generator) -> int:
    return int(rng.integers(ends[0], ends[1] + 1))
