"""`bead`: adhesive, sealant, solder or paint laid along a path: how wide, where, and where it is missing."""

import math
from typing import Annotated, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from tiepoint.foundation.reasons import Reason, flag
from tiepoint.foundation.sources import constant
from tiepoint.recipe.bead_path import stations_of
from tiepoint.recipe.bead_values import (
    Gap,
    Measure,
    Strips,
    blobs_of,
    extreme_width,
    gap_of,
    greatest_offset,
    mean_width,
    strips_of,
    total_of,
)
from tiepoint.recipe.context import Context, Outlined, StepResult, Told
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.regions import PathRegion
from tiepoint.recipe.schema import EdgedTable
from tiepoint.recipe.tables import NotNegative, Positive, said
from tiepoint.vision.bead import band_of, bead_in, runs
from tiepoint.vision.relief import NAMES
from tiepoint.vision.strips import as_grey

Array = NDArray[np.float64]

SATURATED = 0.01
WIDTHS = ("mean_width", "least_width", "greatest_width", "offset")


class BeadTable(EdgedTable):
    """`looks`: how the bead stands out of the ground beside it: as one `bright` ridge or one `dark` one across its
    whole width, or by its two `flanks`, one bright and one dark, as a slope or slanting light shows what has the
    ground's own colour. `edge_at`: the share of its height, from the ground, at which its edges are taken.

    `least_gap`: what is missing over less than this length is a break and no gap. `most_width`: where the bead is
    wider, it is a blob.
    """

    region: PathRegion
    looks: Literal["bright", "dark", "flanks"]
    edge_at: Annotated[float, Field(ge=0.1, le=0.9)] = 0.5
    least_gap: NotNegative = 0.0
    most_width: Positive | None = None

    @model_validator(mode="after")
    def _knows_blobs(self) -> Self:
        if self.most_width is None and ("blobs" in self.limits or "blobs" in self.readings):
            raise said("most_width", "is missing; a blob is where the bead is wider than that")
        return self


def run(context: Context) -> StepResult:
    """Measure a bead along its path."""
    table = context.table
    assert isinstance(table, BeadTable)
    if context.picture is None:
        return StepResult({})
    stations = stations_of(context, table.region.path, context.picture.shape)
    if isinstance(stations, Reason):
        return StepResult.without(stations)
    if not context.ground.way.map(np.concatenate(stations.px[:, ::8]), with_sources=False).inside.all():
        return StepResult.without(Reason("outside_tie"))
    if not stations.looked.any():
        return StepResult.without(Reason("path_hidden"))
    grey = as_grey(context.picture)
    right, middle, left = stations.px
    band = band_of(grey, middle, right, left, stations.samples, stations.looked, context.full_scale)
    # In a computed picture an edge definition says what its domes and their feet look like, blur and all.
    bead = bead_in(band, table.looks, table.edge_at, is_of_one_grey=table.picture not in NAMES)
    if bead is None:
        return StepResult.without(Reason("no_bead"))
    lit = {"bright": 1.0, "dark": -1.0, "flanks": 0.0}[table.looks]
    return _told(table, Measure(context, stations, bead, lit, table.edge_at), band.full)


def _told(table: BeadTable, measure: Measure, full: float) -> StepResult:
    stations, bead = measure.stations, measure.bead
    gaps = [gap_of(measure, missing, k) for k, missing in enumerate(bead.missing)]
    strips = strips_of(measure)
    told, is_sure = _of_gaps(table, measure, gaps)
    more, holds = _of_widths(table, measure, strips)
    told.update(more)
    if bead.unsure.any():
        told = dict.fromkeys([q.name for q in STEP.quantities], _not_judged(measure))
    held = {
        "bead_narrow": bead.vague,
        "count_not_sure": not (is_sure and holds),
        "path_masked": not bool(stations.looked.all()),
        "saturated": full > SATURATED,
    }
    found = Outlined(_outlines(measure), tuple(flag(code) for code, holds in held.items() if holds))
    return StepResult(told, found=(found,), at=_worst(measure, strips, gaps))


def _not_judged(measure: Measure) -> Reason:
    """Return which stretches of the path nobody can judge."""
    unit, spacing = measure.context.unit, measure.stations.spacing
    first = runs(measure.bead.unsure)[0][0] * spacing / unit
    share = float(np.mean(measure.bead.unsure[measure.stations.looked]))
    return Reason("path_not_judged", {"start": round(first, 2), "percent": math.ceil(100 * share)})


def _of_gaps(table: BeadTable, measure: Measure, missing: list[Gap]) -> tuple[dict[str, Told], bool]:
    """Return what is told of gaps, and whether none of them could as well be none."""
    least = table.least_gap * measure.context.unit
    gaps = [gap for gap in missing if gap.length.value >= least]
    longest = max((gap.length for gap in gaps), key=lambda length: length.value, default=constant(0.0))
    whole = measure.stations.spacing * max(int(np.count_nonzero(measure.stations.looked)) - 1, 0)
    seen = constant(whole).plus(total_of([gap.length for gap in missing]), -1.0)
    told: dict[str, Told] = {
        "gaps": constant(float(len(gaps))),
        "longest_gap": longest,
        "gap_length": total_of([gap.length for gap in gaps]),
        "first_gap": gaps[0].start if gaps else Reason("no_gap"),
        "breaks": constant(float(len(missing) - len(gaps))),
        "length": seen,
    }
    return told, all(abs(gap.length.value - least) > gap.length.U95 for gap in missing if least > 0)


def _of_widths(table: BeadTable, measure: Measure, strips: Strips | None) -> tuple[dict[str, Told], bool]:
    """Return what is told of widths, and whether noise could make no more or fewer blobs."""
    if strips is None:
        return dict.fromkeys((*WIDTHS, "blobs"), Reason("no_bead")), True
    told: dict[str, Told] = {
        "mean_width": mean_width(measure, strips),
        "least_width": extreme_width(measure, strips, "least width", is_least=True),
        "greatest_width": extreme_width(measure, strips, "greatest width", is_least=False),
        "offset": greatest_offset(measure, strips)[0],
    }
    if table.most_width is None:
        return told, True
    most = table.most_width * measure.context.unit
    doubt = extreme_width(measure, strips, "greatest width", is_least=False).U95
    counts = {blobs_of(strips, most + shift) for shift in (-doubt, 0.0, doubt)}
    told["blobs"] = constant(float(blobs_of(strips, most)))
    return told, len(counts) == 1


def _worst(measure: Measure, strips: Strips | None, gaps: list[Gap]) -> Array | None:
    """Return the place (2,) that a person should look at: the longest gap, or where the bead is narrowest."""
    stations = measure.stations
    if gaps:
        gap = max(gaps, key=lambda g: g.length.value)
        k = (gap.start.value + gap.length.value / 2.0) / stations.spacing
    elif strips is not None:
        k = float(strips.station[int(np.argmin(strips.width))])
    else:
        return None
    return np.asarray(stations.xy[min(max(round(k), 0), len(stations.xy) - 1)])


def _outlines(measure: Measure) -> tuple[Array, ...]:
    """Return both edges of every stretch (k, 2), and a line across the path at both ends of what is missing."""
    stations, bead = measure.stations, measure.bead
    lines = []
    for first, last in runs(bead.there & np.isfinite(bead.edges).all(axis=1)):
        index = np.unique(np.linspace(first, last, max((last - first) // 6, 2)).astype(int))
        off = (bead.edges[index] - (stations.samples - 1) / 2.0) * stations.sample
        lines += [stations.xy[index] + off[:, k, None] * stations.across[index] for k in (0, 1)]
    for missing in bead.missing:
        for k in (missing.first, missing.last):
            lines.append(stations.xy[k] + np.outer([-0.7, 0.7], stations.half * stations.across[k]))
    return tuple(lines)


STEP = StepKind(
    kind="bead",
    says="Adhesive, sealant, solder or paint laid along a path: its width and place all along, its gaps and blobs. "
    "A part of the path that cannot be judged leaves all of it unread; counts have no ±.",
    table=BeadTable,
    quantities=(
        Quantity("gaps", "number", "stretches without a bead, at least `least_gap` long", always=True),
        Quantity("longest_gap", "length", "of the longest of them, along the path; 0 without one", always=True),
        Quantity("gap_length", "length", "of all of them together"),
        Quantity("first_gap", "length", "from the start of the path to the first of them"),
        Quantity("breaks", "number", "stretches without a bead that are shorter"),
        Quantity("length", "length", "of the path along which there is a bead"),
        Quantity("mean_width", "length", "across the path"),
        Quantity("least_width", "length", "of the narrowest strip, away from ends by half a width"),
        Quantity("greatest_width", "length", "of the widest strip"),
        Quantity("offset", "length", "of the bead's middle from the path, the greatest to either side"),
        Quantity("blobs", "number", "stretches that are wider than `most_width`"),
    ),
    run=run,
)
