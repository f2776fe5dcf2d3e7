"""`tiepoint study type1|rr|linearity|stability`: what a station's values tell of its measuring."""

from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING, Annotated, cast

import typer

from tiepoint.cli.answer import Json, table
from tiepoint.cli.study_data import (
    Data,
    Kept,
    KeptIn,
    Of,
    Picture,
    ReadingName,
    Sheet,
    UnitName,
    answer,
    demand_drawing,
    load_measured,
    untold,
)
from tiepoint.cli.typed import if_typed, in_unit, share_typed
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.studies.linearity import LinearityStudy
    from tiepoint.studies.rr import Pool, RrStudy
    from tiepoint.studies.stability import StabilityStudy
    from tiepoint.studies.type1 import Type1Study

POOLS = ("rule", "always", "never")

Tolerance = Annotated[
    str | None, typer.Option("--tolerance", metavar="LENGTH", help="The part's tolerance, upper less lower limit.")
]
UReference = Annotated[
    str | None, typer.Option("--u-reference", metavar="LENGTH", help="Standard uncertainty of what is taken as true.")
]
Spread = Annotated[
    float, typer.Option("--spread", metavar="N", help="Standard deviations that are held against the tolerance.")
]


def type1(
    data: Data,
    tolerance: Annotated[
        str, typer.Option("--tolerance", metavar="LENGTH", help="The part's tolerance, upper less lower limit.")
    ],
    reference: Annotated[
        str | None, typer.Option("--reference", metavar="LENGTH", help="What the part truly measures.")
    ] = None,
    u_reference: UReference = None,
    share: Annotated[
        str, typer.Option("--share", metavar="SHARE", help="Of the tolerance, that the scatter may take.")
    ] = "20%",
    spread: Spread = 6.0,
    least: Annotated[float, typer.Option("--least", metavar="INDEX", help="What Cg and Cgk must reach.")] = 1.33,
    reading: ReadingName = None,
    sheet: Sheet = None,
    unit: UnitName = None,
    picture: Picture = None,
    station: KeptIn = None,
    of: Of = None,
    as_json: Json = False,
) -> None:
    """Tell repeatability and bias on one reference part: Cg and Cgk.

    One part of known size, presented anew each time, 50 times as a rule. Cg = share·T/(spread·s), Cgk likewise with
    half of each and the bias taken off; which share and how many standard deviations differ between houses, so both
    are options and are printed. The exit code is 1 unless the lower ends of both 95 % intervals reach what is asked.

    \b
      tiepoint study type1 today/records.jsonl --reading "bore A.diameter" --reference 4.503mm --tolerance 0.2mm
      tiepoint study type1 block.csv --reference 4.503mm --u-reference 0.5um --tolerance 0.2mm --picture block.svg
    """
    from tiepoint.report.study_pictures import type1_picture
    from tiepoint.studies.type1 import study_type1

    demand_drawing(picture)
    found = load_measured(data, reading, unit, sheet=sheet)
    study = study_type1(
        found,
        tolerance=in_unit("--tolerance", tolerance, found.unit),
        reference=if_typed(in_unit, "--reference", reference, found.unit),
        u_reference=0.0 if u_reference is None else in_unit("--u-reference", u_reference, found.unit),
        share=share_typed("--share", share),
        spread=spread,
        least=least,
    )
    draw = partial(type1_picture, study)
    answer(study, "type1", _type1_lines(study), picture, draw, as_json, Kept(station, data, of or reading))


def _type1_lines(study: "Type1Study") -> Iterator[str]:
    from tiepoint.studies.figure import told

    rows = [("", "found (95 % interval)", "asked"), ("Cg", told(study.cg), f"{study.least:g}")]
    rows += [("Cgk", told(study.cgk), f"{study.least:g}")]
    rows += [(f"bias {study.unit}", told(study.bias), ""), (f"s {study.unit}", told(study.s), "")]
    yield from table(rows)
    yield untold(study.checks)


def rr(
    data: Data,
    factors: Annotated[
        list[str] | None,
        typer.Option("--factor", metavar="COLUMN", help="What differs between repeats: loading, carrier, shift."),
    ] = None,
    every: Annotated[
        list[str] | None,
        typer.Option("--all", metavar="COLUMN", help="A factor whose levels here are all that there are."),
    ] = None,
    tolerance: Tolerance = None,
    spread: Spread = 6.0,
    most: Annotated[
        str | None,
        typer.Option("--most", metavar="SHARE", help="Asked for: GRR's share of the tolerance, else of the variation."),
    ] = None,
    pool: Annotated[
        str, typer.Option("--pool", metavar="WHEN", help="Interactions join the error by rule, always or never.")
    ] = "rule",
    pool_above: Annotated[
        float, typer.Option("--pool-above", metavar="P", help="The rule: where p is above this.")
    ] = 0.25,
    reading: ReadingName = None,
    sheet: Sheet = None,
    unit: UnitName = None,
    picture: Picture = None,
    station: KeptIn = None,
    of: Of = None,
    as_json: Json = False,
) -> None:
    """Tell how much of the variation is the measuring's own: gauge R&R.

    Each part is presented several times under each level of one or two factors; on a station without an operator these
    are loading, part carrier or shift, and the part is loaded anew for every repeat. DATA has the columns part, value
    and one for each factor (a column appraiser is one without being named). Of records, variant and day can be factors;
    with --sheet the columns of a run sheet that tells, row by row or by a column shot, what was put in for each record.

    GRR, the standard deviation of all that measuring adds, is told with its share of the tolerance and with ndc, the
    number of groups of parts that it can tell apart; by analysis of variance with 95 % intervals of every component,
    and by ranges. A factor is a sample of its levels,
    and few levels tell little of all: where they are all that there are (both fixtures, the three carriers), say so
    with --all, and the intervals are of these. With --most the exit code is 1 unless the upper end of the interval
    keeps it.

    \b
      tiepoint study rr loads.csv --factor carrier --tolerance 0.2mm --most 30%
      tiepoint study rr today/records.jsonl --reading "bore A.diameter" --factor day --picture rr.svg
    """
    from tiepoint.report.study_pictures import rr_picture
    from tiepoint.studies.rr import study_rr

    if pool not in POOLS:
        raise UnusableInput(f"--pool is {pool[:40]!r}; choose {', '.join(POOLS)}")
    demand_drawing(picture)
    named = [*(factors or ()), *(every or ())]
    found = load_measured(data, reading, unit, list(dict.fromkeys(named)), sheet)
    study = study_rr(
        found,
        tolerance=if_typed(in_unit, "--tolerance", tolerance, found.unit),
        spread=spread,
        most=if_typed(share_typed, "--most", most),
        pool=cast("Pool", pool),
        pool_above=pool_above,
        every=tuple(dict.fromkeys(name.strip().lower() for name in every or ())),
    )
    draw = partial(rr_picture, study)
    answer(study, "rr", _rr_lines(study), picture, draw, as_json, Kept(station, data, of or reading))


def _rr_lines(study: "RrStudy") -> Iterator[str]:
    from tiepoint.studies.figure import told

    rows = [("variation", "sum of squares", "dof", "mean square", "F", "p")]
    for line in study.table:
        tested = ("", "") if line.F is None or line.p is None else (f"{line.F:.4g}", f"{line.p:.3g}")
        rows.append(
            (
                line.name + (" (pooled)" if line.pooled else ""),
                f"{line.ss:.6g}",
                str(line.dof),
                f"{line.ms:.4g}",
                *tested,
            )
        )
    yield from table(rows, frozenset(range(1, 6)))
    yield ""
    shares = [("cause", f"standard deviation {study.unit}", "of total variance")]
    shares += [(c.name, told(c.sd), f"{100 * c.share_of_variance:.3g} %") for c in study.components]
    whole = study.grr.value**2 / study.tv.value**2
    shares += [("measuring (GRR)", told(study.grr), f"{100 * whole:.3g} %"), ("all", told(study.tv), "100 %")]
    yield from table(shares)
    if study.ranges is not None:
        r, share = study.ranges, 100 * study.ranges.grr / study.ranges.tv
        yield (
            f"By ranges: repeatability EV {r.ev:.4g}, factor AV {r.av:.4g}, measuring GRR {r.grr:.4g}, parts PV "
            f"{r.pv:.4g}; GRR is {share:.3g} % of all."
        )
    yield untold(study.checks)


def linearity(
    data: Data,
    most: Annotated[
        str | None, typer.Option("--most-bias", metavar="LENGTH", help="Asked for: the bias anywhere in the range.")
    ] = None,
    u_reference: UReference = None,
    reading: ReadingName = None,
    sheet: Sheet = None,
    unit: UnitName = None,
    picture: Picture = None,
    station: KeptIn = None,
    of: Of = None,
    as_json: Json = False,
) -> None:
    """Tell how the bias changes over the range, from parts of known size.

    DATA has the columns reference and value: five parts or more over the range, each presented ten times or more.
    --u-reference is what all references share, as of one rule; a column u_reference is the standard uncertainty of each
    on its own, as of gauge blocks, whose errors can look like a slope. With --most-bias the exit code is 1 unless the
    intervals of the line and of each reference keep it.

    \b
      tiepoint study linearity steps.csv --most-bias 0.02mm --u-reference 1um --picture steps.svg
    """
    from tiepoint.report.study_pictures import linearity_picture
    from tiepoint.studies.linearity import study_linearity

    demand_drawing(picture)
    found = load_measured(data, reading, unit, sheet=sheet)
    study = study_linearity(
        found,
        most=if_typed(in_unit, "--most-bias", most, found.unit),
        u_reference=0.0 if u_reference is None else in_unit("--u-reference", u_reference, found.unit),
    )
    draw = partial(linearity_picture, study)
    answer(study, "linearity", _linearity_lines(study), picture, draw, as_json, Kept(station, data, of or reading))


def _linearity_lines(study: "LinearityStudy") -> Iterator[str]:
    from tiepoint.studies.figure import told

    rows = [("reference", "values", f"bias {study.unit} (95 % together)", "s")]
    rows += [(f"{a.reference:g}", str(a.n), told(a.bias), f"{a.s:.3g}") for a in study.at]
    yield from table(rows)
    line = f"{study.intercept.value:.6g} {study.slope.value:+.6g}·reference"
    yield f"Line: bias = {line}, R² {study.r_squared:.4g}, s {study.s:.4g}."
    yield untold(study.checks)


def stability(
    data: Data,
    by: Annotated[
        str | None, typer.Option("--by", metavar="COLUMN", help="What groups the values into sets: visit, day.")
    ] = None,
    base: Annotated[
        int | None, typer.Option("--base", metavar="N", help="Points at the start that set centre and limits; all.")
    ] = None,
    centre: Annotated[
        str | None, typer.Option("--centre", metavar="LENGTH", help="The centre, where it is known from before.")
    ] = None,
    most: Annotated[
        str | None, typer.Option("--most-drift", metavar="LENGTH", help="Asked for: the drift from first to last.")
    ] = None,
    weight: Annotated[
        float, typer.Option("--weight", metavar="LAMBDA", help="Of the newest point in the average.")
    ] = 0.2,
    width: Annotated[
        float, typer.Option("--width", metavar="L", help="Of the average's limits, in its standard deviations.")
    ] = 2.86,
    reading: ReadingName = None,
    sheet: Sheet = None,
    unit: UnitName = None,
    picture: Picture = None,
    station: KeptIn = None,
    of: Of = None,
    as_json: Json = False,
) -> None:
    """Tell whether one part measures the same from visit to visit.

    The same part, over days: a row a value in the order in which they were taken, with --by a column (of records: day)
    that groups them into sets. Shewhart's chart finds a jump, the exponentially weighted average a creep. The exit code
    is 1 at an alarm, and with --most-drift unless the interval of the trend keeps it.

    \b
      tiepoint study stability golden.csv --by visit --most-drift 0.01mm --picture golden.svg
    """
    from tiepoint.report.study_pictures import stability_picture
    from tiepoint.studies.stability import study_stability

    demand_drawing(picture)
    found = load_measured(data, reading, unit, [by] if by else (), sheet)
    study = study_stability(
        found,
        base=base,
        centre=if_typed(in_unit, "--centre", centre, found.unit),
        weight=weight,
        width=width,
        most=if_typed(in_unit, "--most-drift", most, found.unit),
    )
    draw = partial(stability_picture, study)
    answer(study, "stability", _stability_lines(study), picture, draw, as_json, Kept(station, data, of or reading))


def _stability_lines(study: "StabilityStudy") -> Iterator[str]:
    from tiepoint.studies.figure import told

    middle = float(sorted(study.sigma)[len(study.sigma) // 2])
    rows = [("points", "centre", "σ of a point", "alarms", f"drift {study.unit}")]
    rows += [
        (str(len(study.labels)), f"{study.centre:.6g}", f"{middle:.3g}", str(len(study.alarms)), told(study.drift))
    ]
    yield from table(rows)
    if study.alarms:
        listed = [(a.chart, a.where, f"{study.points[a.point]:.6g}") for a in study.alarms[:12]]
        yield from table([("chart", "alarm at", "value"), *listed])
    yield untold(study.checks)
