"""A judged part drawn: where each step of its recipe sought and what it found, as lines in the pixels of its pictures.

A record holds readings, and no lines. So the accepted copy that judged it is run again over the pictures that were
kept, which says the same (`replay`); whether it does is told with the lines, since only then were they judged by.
"""

from collections import OrderedDict
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.decide import Verdict
from tiepoint.recipe.ground import PlaneGround
from tiepoint.recipe.outlines import brackets
from tiepoint.recipe.overlay import RANK, _label, _maybe, _to_px, verdict_of
from tiepoint.recipe.records import record_from
from tiepoint.recipe.runner import Trace
from tiepoint.recipe.station import Prepared, Ran, run_shot
from tiepoint.station.accepted import copy_of_recipe, preparation_of
from tiepoint.station.archive import Kept
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry
from tiepoint.station.replay import compared
from tiepoint.ties.sensor import OtherSensor
from tiepoint.ties.tie import Tie

Array = NDArray[np.float64]
Polyline = tuple[tuple[float, float], ...]
"""Points (x, y) in px, pixel centres at whole numbers."""

MOST_PREPARED = 8
"""Recipes that are held ready."""
COLS, ROWS = 25, 19
"""Places across and down the picture at which the plane is told."""


@dataclass(frozen=True, slots=True)
class Step:
    """A step over one picture: `rank` 0 to 3 by its gravest verdict (conforms or none, undecided, unread, rejected).

    `sought`, `found`, `at` (places), `dimension` (its two ends or nothing) in px; `label`: what is written of it, and
    `label_at` the place that it belongs to, None where it has no place in the picture.
    """

    name: str
    kind: str
    picture: str
    verdict: Verdict | None
    rank: int
    readings: tuple[str, ...]
    sought: tuple[Polyline, ...]
    found: tuple[Polyline, ...]
    at: Polyline
    dimension: Polyline
    label: tuple[str, ...]
    label_at: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Grid:
    """The plane's coordinates in mm at places of a picture, row by row: from (x0, y0) px on, a step apart."""

    x0: float
    y0: float
    step_x: float
    step_y: float
    cols: int
    rows: int
    X: tuple[float, ...]
    Y: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A picture of the shot, the `file` it was read from, its size in px, and the plane it shows; None: not known."""

    picture: str
    file: str
    width: int
    height: int
    plane: Grid | None


@dataclass(frozen=True, slots=True)
class Drawing:
    """A record's drawing. `same`: whether the copy said again what the record says; `says`: what to know of it."""

    seq: int
    same: bool
    says: str
    sheets: tuple[Sheet, ...]
    steps: tuple[Step, ...]


class Drawer:
    """Draws records; recipes that were prepared for some are ready for the next. To be used by one thread at a time."""

    def __init__(self, station: Station) -> None:
        self._station = station
        self._prepared: OrderedDict[str, Prepared] = OrderedDict()

    def draw(self, entry: Entry, kept: Kept | None) -> Drawing:
        """Return the drawing of a record.

        Raises `UnusableInput` where no picture of it was kept, or no accepted copy holds its recipe, and a
        `TiepointError` where either is not what it was.
        """
        record = record_from(entry.body, f"entry {entry.seq}", vouched=True)
        if kept is None:
            raise UnusableInput(f"no picture of record {entry.seq} is kept, or not yet, so it is not drawn")
        prepared = self._ready(record.recipe_sha)
        with TemporaryDirectory() as scratch:
            ran = run_shot(prepared, kept.as_shot(Path(scratch)), seq=entry.seq, clock=None)
        again = compared(record, ran.record)
        if again.lost is not None:
            raise UnusableInput(f"the kept pictures of record {entry.seq} cannot be read: {again.lost}")
        says = ""
        if kept.is_lossy:
            says = "The pictures lost something when they were kept: lines are those of what is kept."
        elif not again.same:
            says = "Worked out again, the record comes out otherwise: lines are those of now."
        return Drawing(entry.seq, again.same, says, tuple(_sheets(ran, prepared)), steps_of(ran.outcome.traces))

    def _ready(self, recipe_sha: str) -> Prepared:
        if recipe_sha not in self._prepared:
            copy = copy_of_recipe(self._station, recipe_sha)
            if copy is None:
                raise UnusableInput(
                    f"the recipe {recipe_sha[:12]} is in no accepted copy here; restore accepted/ from a backup"
                )
            self._prepared[recipe_sha] = preparation_of(self._station, copy).prepared()
            while len(self._prepared) > MOST_PREPARED:
                self._prepared.popitem(last=False)
        self._prepared.move_to_end(recipe_sha)
        return self._prepared[recipe_sha]


def steps_of(traces: Iterable[Trace]) -> tuple[Step, ...]:
    """Return steps as lines in px, in the recipe's order."""
    return tuple(_step(trace) for trace in traces)


def _step(trace: Trace) -> Step:
    verdict, label = verdict_of(trace.readings), _label(trace)
    result = trace.result
    ats = _to_px(trace, _maybe(result.at))
    return Step(
        trace.step.name,
        trace.step.table.kind,
        trace.role,
        verdict,
        RANK[verdict],
        tuple(reading.id for reading in trace.readings),
        _lines(brackets(trace)),
        _lines(_to_px(trace, result.outlines)),
        _line(np.vstack(ats)) if ats else (),
        next(iter(_lines(_to_px(trace, _maybe(result.dimension)))), ()),
        () if label is None else label.lines,
        None if label is None else (round(float(label.at[0]), 2), round(float(label.at[1]), 2)),
    )


def _lines(lines: Iterable[Array]) -> tuple[Polyline, ...]:
    return tuple(_line(line) for line in lines if len(line) and np.isfinite(line).all())


def _line(line: Array) -> Polyline:
    return tuple((round(x, 2), round(y, 2)) for x, y in np.atleast_2d(line).tolist())


# --- the plane ------------------------------------------------------------------------------------------------------


def _sheets(ran: Ran, prepared: Prepared) -> Iterable[Sheet]:
    assert ran.loaded is not None
    tie = prepared.job(ran.loaded.shot.variant).tie
    for picture in ran.record.shot.pictures:
        placed = None
        with suppress(OtherSensor):  # its readings say so; there is no plane to draw then
            placed = None if tie is None else tie.for_sensor(ran.loaded.sensors[picture.role])
        yield sheet_of(picture.role, ran.loaded.pictures[picture.role].path.name, *picture.size, placed)


def sheet_of(picture: str, file: str, width: int, height: int, tie: Tie | None) -> Sheet:
    """Return a picture with the plane that a tie sees in it, from edge to edge."""
    if tie is None:
        return Sheet(picture, file, width, height, None)
    x, y = np.linspace(-0.5, width - 0.5, COLS), np.linspace(-0.5, height - 0.5, ROWS)
    px = np.column_stack([np.tile(x, ROWS), np.repeat(y, COLS)])
    mm = np.asarray(PlaneGround(tie).way.map(px, with_sources=False).xy_mm)
    if not np.isfinite(mm).all():
        return Sheet(picture, file, width, height, None)  # its horizon is in the picture
    X, Y = (tuple(round(v, 5) for v in mm[:, k].tolist()) for k in (0, 1))
    return Sheet(
        picture, file, width, height, Grid(-0.5, -0.5, width / (COLS - 1), height / (ROWS - 1), COLS, ROWS, X, Y)
    )
