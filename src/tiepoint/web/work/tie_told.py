"""What the page of ties is told: shapes, and how ties come to them. Nothing is computed here."""

from collections.abc import Iterable
from typing import TYPE_CHECKING, Literal

from pydantic import BaseModel

from tiepoint.web.on_a_page import on_a_page

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from tiepoint.report.tie_grid import Grid
    from tiepoint.report.tie_map import TieMap
    from tiepoint.report.tie_numbers import Cause, Number
    from tiepoint.station.tie_files import TieFile
    from tiepoint.ties.probe import ProbedLength, ProbePoint
    from tiepoint.ties.tie import Tie
    from tiepoint.ties.verdict import GoodFor

Line = list[tuple[float, float]]


class NumberTold(BaseModel):
    """A number as text, and its half-width at 95 % to the same place; empty where it has none of its own."""

    value: str
    pm: str
    unit: str


class RowTold(NumberTold):
    """A line of a table. `is_worst`: that which is ringed on the map."""

    what: str
    is_worst: bool


class CauseTold(BaseModel):
    """One cause of a ±: its standard uncertainty along each axis, and its share of the variance."""

    label: str
    u: list[str]
    share: float


class ContourTold(BaseModel):
    """Where U is so much, in µm; `label`: x, y in px and the turn in degrees of its number."""

    U_um: float
    kind: Literal["contour", "index", "limit"]
    lines: list[Line]
    label: tuple[float, float, float] | None


class MapTold(BaseModel):
    """What is drawn over the photo, in its pixels. Lines in `areas` bound, even-odd, where it is not good enough."""

    width: int
    height: int
    mm_per_px: float
    contours: list[ContourTold]
    limit_um: float | None
    areas: list[Line]
    region: Line
    arrows: list[tuple[float, float, float, float]]
    unseen: list[bool]
    residual_um: list[float]
    magnification: float
    key_um: float
    key_px: float
    worst: int
    axes: list[tuple[float, float]] | None
    axes_mm: float


class VerdictTold(BaseModel):
    """Whether the tie is good for ± a tolerance, over which share of its region, and what would help most."""

    is_good: bool
    share: float
    sentences: list[str]


class TieInShort(BaseModel):
    """A document of `ties/`. `kind`: tie, camera, robot, belt, or nothing where it cannot be used (`fault`).

    `size`: of the pictures that a tie is for, in px.
    """

    name: str
    kind: str
    seen: str
    says: str
    fault: str
    made: str = ""
    from_frame: str = ""
    to_frame: str = ""
    height_mm: float = 0.0
    size: tuple[int, int] | None = None


class TieTold(TieInShort):
    """A tie whole. `picture`: the path of the working picture that it was made from, where the station still has it."""

    id: str
    sha: str
    unit: Literal["mm", "in"]
    model: str
    target_id: str | None
    photos: int
    picture: str | None
    height: NumberTold
    flags: list[str]
    notes: list[str]
    rows: list[RowTold]
    quality_n: int
    quality_how: str
    why_model: str
    map: MapTold | None
    no_map: str
    verdict: VerdictTold | None
    recipes: list[str]


class GridTold(BaseModel):
    """Where each node lies, in mm; between the nodes Keys' cubic (a = −1/2) is right to `error_share` of U."""

    x0: float
    y0: float
    step_x: float
    step_y: float
    cols: int
    rows: int
    X: list[float | None]
    Y: list[float | None]
    U_x: list[float | None]
    U_y: list[float | None]
    error_share: float


class PointTold(BaseModel):
    """Where a pixel lies. `says`: why there is no value. `ellipse`: its 95 % region in px, half axes and turn."""

    at: tuple[float, float]
    x: NumberTold | None
    y: NumberTold | None
    inside: bool
    says: str
    ellipse: tuple[float, float, float] | None
    causes: list[CauseTold]
    dominates: str


class LengthTold(BaseModel):
    """How far two pixels are apart; `says` why that is not known."""

    length: NumberTold | None
    says: str
    causes: list[CauseTold]


def number_told(number: "Number") -> NumberTold:
    """Return a number as it is told."""
    return NumberTold(value=number.value, pm=number.pm, unit=number.unit)


def short_told(file: "TieFile") -> TieInShort:
    """Return a document of `ties/` in short."""
    tie = file.tie
    if tie is None:
        return TieInShort(name=file.name, kind=file.kind, seen=file.seen, says=file.kind, fault=file.fault)
    return TieInShort(
        name=file.name,
        kind=file.kind,
        seen=file.seen,
        says=f"by {tie.made}, {tie.from_frame} to {tie.to_frame}",
        fault="",
        made=tie.made,
        from_frame=tie.from_frame,
        to_frame=tie.to_frame,
        height_mm=tie.height_mm,
        size=None if tie.sensor is None else tie.sensor.size_px,
    )


def tie_told(
    file: "TieFile",
    tie: "Tie",
    unit: Literal["mm", "in"],
    tolerance_mm: float | None,
    picture: str | None,
    recipes: Iterable[str],
) -> TieTold:
    """Return a tie with its map, its numbers and its verdict for ± a tolerance."""
    from tiepoint.foundation.errors import UnusableInput
    from tiepoint.foundation.reasons import FLAGS
    from tiepoint.foundation.units import to_unit
    from tiepoint.report.tie_map import tie_map
    from tiepoint.report.tie_numbers import number, quality_rows
    from tiepoint.ties.verdict import good_for

    drawn, why = None, ""
    try:
        drawn = map_told(tie_map(tie, None, tolerance_mm))
    except UnusableInput as error:
        why = str(error)
    judged = None if tolerance_mm is None else good_for(tie, tolerance_mm)
    q = tie.quality
    return TieTold(
        **short_told(file).model_dump(),
        id=tie.id,
        sha=file.sha,
        unit="in" if tie.unit == "in" else "mm",
        model=tie.model,
        target_id=tie.target_id,
        photos=len(tie.photos),
        picture=picture,
        height=number_told(number(to_unit(tie.height_mm, unit), to_unit(1.96 * tie.u_height_mm, unit) or None, unit)),
        flags=[on_a_page(FLAGS[code].sentence) for code in tie.flags],
        notes=[on_a_page(note) for note in tie.notes],
        rows=[
            RowTold(what=row.what, is_worst=row.is_worst, **number_told(row.number).model_dump())
            for row in quality_rows(tie, unit)
        ],
        quality_n=0 if q is None else q.n,
        quality_how="" if q is None else q.how,
        why_model=tie.diagnostics.reason,
        map=drawn,
        no_map=why,
        verdict=None if judged is None else verdict_told(judged),
        recipes=list(recipes),
    )


def verdict_told(judged: "GoodFor") -> VerdictTold:
    """Return a verdict as it is told."""
    return VerdictTold(is_good=judged.answer, share=judged.share, sentences=list(judged.sentences))


def map_told(found: "TieMap") -> MapTold:
    """Return a map as JSON types, pixels to a fiftieth."""
    return MapTold(
        width=found.size_px[0],
        height=found.size_px[1],
        mm_per_px=found.mm_per_px,
        contours=[
            ContourTold(U_um=c.U_um, kind=c.kind, lines=[_line(line) for line in c.lines], label=c.label)
            for c in found.contours
        ],
        limit_um=found.limit_um,
        areas=[_line(area) for area in found.areas],
        region=_line(found.region),
        arrows=[(a, b, c, d) for a, b, c, d in found.arrows.round(2).tolist()],
        unseen=found.unseen.tolist(),
        residual_um=found.residual_um.round(3).tolist(),
        magnification=found.magnification,
        key_um=found.key_um,
        key_px=found.key_px,
        worst=found.worst,
        axes=None if found.axes is None else _line(found.axes),
        axes_mm=found.step_mm,
    )


def _line(points: "NDArray[np.float64]") -> Line:
    return [(x, y) for x, y in points.round(2).tolist()]


def grid_told(grid: "Grid") -> GridTold:
    """Return a pointer's grid as JSON types, to a millionth of a millimetre."""
    import numpy as np

    def listed(values: "NDArray[np.float64]") -> list[float | None]:
        flat = values.round(6).ravel()
        return [v if np.isfinite(v) else None for v in flat.tolist()]

    rows, cols = grid.x.shape
    return GridTold(
        x0=grid.first_px[0], y0=grid.first_px[1], step_x=grid.step_px[0], step_y=grid.step_px[1], cols=cols, rows=rows,
        X=listed(grid.x), Y=listed(grid.y), U_x=listed(grid.U_x), U_y=listed(grid.U_y), error_share=grid.error_share,
    )  # fmt: skip


def point_told(tie: "Tie", point: "ProbePoint", unit: Literal["mm", "in"]) -> PointTold:
    """Return where a pixel lies, and what its ± is made of."""
    from tiepoint.report.tie_numbers import budget_of, ellipse_px, in_unit

    if point.x is None or point.y is None:
        says = point.reason.sentence if point.reason else ""
        return PointTold(
            at=point.px, x=None, y=None, inside=point.inside, says=says, ellipse=None, causes=[], dominates=""
        )
    causes = budget_of((point.x, point.y), unit)
    return PointTold(
        at=point.px,
        x=number_told(in_unit(point.x, unit)),
        y=number_told(in_unit(point.y, unit)),
        inside=point.inside,
        says="",
        ellipse=ellipse_px(tie, point) if tie.from_frame == "image" else None,
        causes=_causes(causes),
        dominates=_dominates(causes),
    )


def length_told(found: "ProbedLength", unit: Literal["mm", "in"]) -> LengthTold:
    """Return a length, and what its ± is made of."""
    from tiepoint.report.tie_numbers import budget_of, in_unit

    if found.value is None:
        return LengthTold(length=None, says=found.reason.sentence if found.reason else "", causes=[])
    return LengthTold(
        length=number_told(in_unit(found.value, unit)), says="", causes=_causes(budget_of((found.value,), unit))
    )


def _causes(causes: "Iterable[Cause]") -> list[CauseTold]:
    return [CauseTold(label=c.label, u=list(c.u), share=c.share) for c in causes]


def _dominates(causes: "tuple[Cause, ...]") -> str:
    if not causes or causes[0].share < 0.5:
        return ""
    return f"{causes[0].label} is {100 * causes[0].share:.0f} % of the variance here."
