"""A scene: flat pieces on sheets that lie at stated heights, before a ground.

Every piece says its own reflectance and that of the surface *beneath* it, and lies wholly inside that surface
(edges may touch). So the picture is a sum of pieces, and the sum is exact: nothing is painted over anything.
In a *stacked* scene sheets may overlap: the first piece of each is its body, and `stack` works out what lies beneath
it. `twin.painted` paints in order instead and vouches for both in the tests.
"""

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tiepoint.render.camera import Camera, UnrenderableScene, project, unproject
from tiepoint.render.outline import Outline, areas_under, disc, polygon, rectangle, sampled
from tiepoint.targets.draw import Shapes

Array = NDArray[np.float64]

WHITE_PAPER = 0.85
BLACK_INK = 0.06


@dataclass(frozen=True)
class Piece:
    """A flat piece of one reflectance (0..1), `holes` left out, `z_mm` above its sheet.

    The body of a sheet in a stack may be a veil, as a shadow is: it adds to its own reflectance `lets_through` times
    that of what lies beneath. There `beneath` of a body goes unasked.
    """

    outline: Outline
    reflectance: float
    beneath: float
    z_mm: float = 0.0
    holes: tuple[Outline, ...] = ()
    lets_through: float = 0.0


class Bow(Protocol):
    """A flat sheet that is bent: sheet points (n, 2) to places (n, 3), heights included."""

    def bent(self, points: Array) -> Array:
        """Return where points (n, 2) of the flat sheet come to lie, (n, 3)."""


@dataclass(frozen=True, slots=True)
class Cylinder:
    """Paper bowed to a cylinder, lengths along the paper kept.

    The middle of a strip `span_mm` long stands `sag_mm` above its ends (negative: below); the strip runs along
    `along_deg` through `centre_mm`. R = span²/(8·sag), so the sag holds to (sag/span)² of itself.
    """

    sag_mm: float
    span_mm: float
    along_deg: float = 0.0
    centre_mm: tuple[float, float] = (0.0, 0.0)

    def bent(self, points: Array) -> Array:
        """Return where points (n, 2) of the flat sheet come to lie, (n, 3)."""
        way = np.array([math.cos(math.radians(self.along_deg)), math.sin(math.radians(self.along_deg))])
        s = (points - self.centre_mm) @ way
        curvature = 8 * self.sag_mm / self.span_mm**2
        # R·sin(s/R) and R·(cos(s/R) − cos(span/2R)) without a division by a vanishing curvature.
        shift = s * (np.sinc(curvature * s / np.pi) - 1)
        rise = _rise(self.span_mm / 2, curvature) - _rise(s, curvature)
        return np.column_stack([points + shift[:, None] * way, rise])


def _rise(s: Array | float, curvature: float) -> Array:
    """Return (1 − cos(c·s))/c, which is c·s²/2 for small c."""
    half = np.asarray(curvature * np.asarray(s) / 2)
    return np.asarray(curvature * np.asarray(s) ** 2 / 2 * np.sinc(half / np.pi) ** 2)


@dataclass(frozen=True, slots=True)
class Dome:
    """A sheet that swells: `sag_mm` in the middle, 0 at `span_mm`/2 from it, a paraboloid. Lengths are not kept."""

    sag_mm: float
    span_mm: float
    centre_mm: tuple[float, float] = (0.0, 0.0)

    def bent(self, points: Array) -> Array:
        """Return where points (n, 2) of the flat sheet come to lie, (n, 3)."""
        r2 = ((points - self.centre_mm) ** 2).sum(axis=1)
        return np.column_stack([points, self.sag_mm * (1 - 4 * r2 / self.span_mm**2)])


@dataclass(frozen=True, slots=True)
class Lay:
    """How a sheet lies in the plane frame: scaled per axis (a print), bowed, turned, shifted, lifted."""

    x_mm: float = 0.0
    y_mm: float = 0.0
    angle_deg: float = 0.0
    z_mm: float = 0.0
    scale_x: float = 1.0
    scale_y: float = 1.0
    bow: Bow | None = None

    def place(self, points: Array, z_mm: Array | float = 0.0) -> Array:
        """Return the places (n, 3) in the plane frame of sheet points (n, 2), `z_mm` above the sheet."""
        scaled = points * (self.scale_x, self.scale_y)
        bent = self.bow.bent(scaled) if self.bow else np.column_stack([scaled, np.zeros(len(scaled))])
        c, s = math.cos(math.radians(self.angle_deg)), math.sin(math.radians(self.angle_deg))
        xy = bent[:, :2] @ np.array([[c, s], [-s, c]]) + (self.x_mm, self.y_mm)
        return np.column_stack([xy, bent[:, 2] + z_mm + self.z_mm])

    def flat_points(self, xyz_mm: Array) -> Array:
        """Return the sheet points (n, 2) that would lie at places (n, 3) if the sheet were not bowed."""
        c, s = math.cos(math.radians(self.angle_deg)), math.sin(math.radians(self.angle_deg))
        xy = (xyz_mm[:, :2] - (self.x_mm, self.y_mm)) @ np.array([[c, -s], [s, c]])
        return np.asarray(xy / (self.scale_x, self.scale_y))


@dataclass(frozen=True)
class Sheet:
    """Pieces drawn in one flat frame, how that frame lies, and the named points whose image is the truth."""

    pieces: tuple[Piece, ...]
    lay: Lay = field(default_factory=Lay)
    point_names: tuple[str, ...] = ()
    points_mm: Array = field(default_factory=lambda: np.empty((0, 2)))

    @cached_property
    def edges(self) -> "Edges":
        """Every edge of every piece, ready to be integrated; kept, since a sheet is photographed again and again."""
        return edges_of(self.pieces)

    def laid(self, lay: Lay) -> "Sheet":
        """Return the same sheet, lying otherwise. Keeps the prepared edges."""
        moved = replace(self, lay=lay)
        moved.__dict__["edges"] = self.edges
        return moved


@dataclass(frozen=True)
class Scene:
    """Sheets before a ground of one reflectance. Unless it is `stacked`, sheets do not overlap.

    In a stacked scene later sheets lie on earlier ones; they are flat and each has one height.
    """

    ground: float
    sheets: tuple[Sheet, ...]
    stacked: bool = False


@dataclass(frozen=True, eq=False)
class Edges:
    """Edges in sheet coordinates: `start`, `end` (n, 2), `turn` (n,), `weight` (n,), `z` (n,).

    The weight is the step of reflectance that the edge bounds, signed so that the sum over a ring is that step
    inside it, whichever way the ring runs.
    """

    start: Array
    end: Array
    turn: Array
    weight: Array
    z: Array


def edges_of(pieces: tuple[Piece, ...]) -> Edges:
    """Return the edges of all pieces."""
    rings: list[tuple[Outline, float, float]] = []
    for piece in pieces:
        step = piece.reflectance - piece.beneath
        rings.append((piece.outline, step, piece.z_mm))
        rings += [(hole, -step, piece.z_mm) for hole in piece.holes]
    if not rings:
        none = np.empty((0, 2))
        return Edges(none, none, np.empty(0), np.empty(0), np.empty(0))
    counts = np.array([len(ring.points) for ring, _, _ in rings])
    first = np.cumsum(counts) - counts
    start = np.concatenate([ring.points for ring, _, _ in rings])
    turn = np.concatenate([ring.turns_rad for ring, _, _ in rings])
    end = np.roll(start, -1, axis=0)
    end[first + counts - 1] = start[first]
    # All rings at once: a target has a thousand.
    runs = np.sign(np.add.reduceat(areas_under(start, end, turn), first))
    weight = np.repeat(np.array([step for _, step, _ in rings]) * runs, counts)
    return Edges(start, end, turn, weight, np.repeat([z for _, _, z in rings], counts))


def target_sheet(
    shapes: Shapes,
    *,
    lay: Lay | None = None,
    margin_mm: float | None = None,
    ground: float = 0.3,
    paper: float = WHITE_PAPER,
    ink: float = BLACK_INK,
    point_names: tuple[str, ...] = (),
    points_mm: Array | None = None,
) -> Sheet:
    """Return a printed target as a sheet of paper that ends `margin_mm` beyond what is printed.

    Without a margin the paper fills the picture: then the scene's ground must be `paper`.
    """
    dark = [polygon(p) for p in shapes.polygons] + [disc(*row) for row in shapes.discs.tolist()]
    pieces = [Piece(outline, ink, paper) for outline in dark]
    if margin_mm is not None:
        low, high = extent(dark)
        page = rectangle(*(low - margin_mm), *(high + margin_mm))
        pieces.insert(0, Piece(page, paper, ground))
    points = np.empty((0, 2)) if points_mm is None else points_mm
    return Sheet(tuple(pieces), lay or Lay(), point_names, points)


def extent(outlines: list[Outline]) -> tuple[Array, Array]:
    """Return the lowest and highest x, y (2,) of all outlines (arcs by 16 chords a piece)."""
    if not outlines:
        raise UnrenderableScene("nothing is drawn on the target; give shapes with at least one polygon or disc")
    bent = [outline for outline in outlines if outline.turns_rad.any()]
    points = np.concatenate([o.points for o in outlines] + [sampled(o, 16) for o in bent])
    return points.min(axis=0), points.max(axis=0)


def seen_on_sheet(camera: Camera, lay: Lay, px: Array, z_mm: float = 0.0) -> Array:
    """Return the sheet points (n, 2) seen at pixels (n, 2), whatever the lay: Newton's method to 1e-10 px.

    The general inverse, for bowed paper too. Raises `UnrenderableScene` where it does not settle.
    """
    px = np.atleast_2d(np.asarray(px, float))
    points = lay.flat_points(unproject(camera, px, lay.z_mm + z_mm))
    for _ in range(50):
        miss = px - project(camera, lay.place(points, z_mm))
        if float(np.abs(miss).max(initial=0.0)) < 1e-10:
            return points
        points = points + _newton_step(camera, lay, points, z_mm, miss)
    raise UnrenderableScene("a pixel sees no point of the sheet; keep to pixels that show it")


def _newton_step(camera: Camera, lay: Lay, points: Array, z_mm: float, miss: Array) -> Array:
    step_mm = 1e-4
    columns = []
    for axis in ((step_mm, 0.0), (0.0, step_mm)):
        ahead = project(camera, lay.place(points + axis, z_mm))
        behind = project(camera, lay.place(points - np.array(axis), z_mm))
        columns.append((ahead - behind) / (2 * step_mm))
    jacobian = np.stack(columns, axis=2)
    return np.asarray(np.linalg.solve(jacobian, miss[:, :, None])[:, :, 0])
