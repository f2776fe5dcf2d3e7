"""`tiepoint limits`: where to set the limit, and at which risk."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from tiepoint.cli.answer import Answer, Json, present, table
from tiepoint.cli.study_data import Kept, KeptIn, Of, ReadingName, demand_drawing, drawn, keep, load_measured
from tiepoint.cli.typed import if_typed, in_unit, share_typed
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.model.decide import Limits
    from tiepoint.model.reading import Reading
    from tiepoint.studies.good_bad import GoodBadLimits, Side
    from tiepoint.studies.limits import LimitsStudy, Placed, Spread
    from tiepoint.studies.measured import Measured
    from tiepoint.studies.next_steps import NextSteps
    from tiepoint.studies.risks import Undecided

SIDES = ("upper", "lower", "both")


@dataclass(frozen=True, slots=True)
class _Typed:
    """What was typed, as it was typed."""

    lower: str | None
    upper: str | None
    u: str | None
    u_common: str | None
    mean: str | None
    spread: str | None
    most_consumer: str | None
    most_producer: str | None
    rule: str
    p: float
    undecided: str | None


def limits(
    data: Annotated[
        Path | None,
        typer.Argument(metavar="[DATA]", help="Readings of parts as they come: CSV, .xlsx or records.jsonl."),
    ] = None,
    reading: ReadingName = None,
    lower: Annotated[str | None, typer.Option("--lower", metavar="LENGTH", help="The part's lower limit.")] = None,
    upper: Annotated[str | None, typer.Option("--upper", metavar="LENGTH", help="The part's upper limit.")] = None,
    u: Annotated[
        str | None, typer.Option("--u", metavar="LENGTH", help="Standard uncertainty that differs from part to part.")
    ] = None,
    u_common: Annotated[
        str | None,
        typer.Option("--u-common", metavar="LENGTH", help="Standard uncertainty that all parts of a station share."),
    ] = None,
    mean: Annotated[str | None, typer.Option("--mean", metavar="LENGTH", help="The parts' mean, without DATA.")] = None,
    spread: Annotated[
        str | None, typer.Option("--spread", metavar="LENGTH", help="The parts' standard deviation, without DATA.")
    ] = None,
    as_measured: Annotated[
        bool, typer.Option("--as-measured", help="Take the parts of DATA as they are, not as a normal law.")
    ] = False,
    most_consumer: Annotated[
        str | None,
        typer.Option("--most-consumer", metavar="SHARE", help="Agreed: of all parts, bad and accepted at most."),
    ] = None,
    most_producer: Annotated[
        str | None,
        typer.Option("--most-producer", metavar="SHARE", help="Agreed: of all parts, good and not accepted at most."),
    ] = None,
    rule: Annotated[
        str, typer.Option("--rule", metavar="RULE", help="iso14253-1, simple or guard:LENGTH.")
    ] = "iso14253-1",
    p: Annotated[float, typer.Option("--p", metavar="P", help="The rule's probability; 0.95 unless given.")] = 0.95,
    undecided: Annotated[
        str | None,
        typer.Option(
            "--undecided",
            metavar="HOW",
            help="What becomes of undecided parts: not-accepted, accepted or sorted; not-accepted unless agreed.",
        ),
    ] = None,
    side: Annotated[
        str | None,
        typer.Option("--side", metavar="SIDE", help="Without a drawing: parts are bad upper, lower or both."),
    ] = None,
    most_escapes: Annotated[
        str | None, typer.Option("--most-escapes", metavar="SHARE", help="Without a drawing: of bad parts, that pass.")
    ] = None,
    most_false: Annotated[
        str | None,
        typer.Option("--most-false", metavar="SHARE", help="Without a drawing: of good parts, that do not pass."),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option("--picture", metavar="FILE.svg", help="Draw both risks against the limit.")
    ] = None,
    station: KeptIn = None,
    of: Of = None,
    as_json: Json = False,
) -> None:
    """Set acceptance limits with a known risk.

    From the drawing's limits, what a reading is uncertain by and how parts vary: the guard band of ISO 14253-1, and
    with agreed risks the limits that keep them; both risks after JCGM 106, of the average station and of the 95 %-worst
    one, since a tie's error is common to all parts of its station. Records bring limits and u with them.

    A feature without limits on the drawing takes them from parts: DATA then has a column label that reads good or bad,
    one row for each distinct part.

    Undecided parts count as not accepted; where they are passed on, or sorted rightly by other means, say so with
    --undecided. With --for the station's agreed requirements.toml says it (undecided_are).

    With agreed risks the exit code is 1 unless they are kept.

    \b
      tiepoint limits --lower 9.9mm --upper 10.1mm --mean 10mm --spread 0.03mm --u 0.006mm --u-common 0.01mm
      tiepoint limits today/records.jsonl --reading "bore A.diameter" --most-consumer 100ppm --picture risks.svg
      tiepoint limits parts.csv --most-escapes 5%
    """
    demand_drawing(picture)
    if data is not None and _has_labels(data):
        given = (lower, upper, u_common, mean, spread, most_consumer, most_producer, undecided)
        if any(text is not None for text in given) or as_measured:
            raise UnusableInput(
                f"{data} labels its parts good and bad, so its limits come from them; of the options for a drawing's "
                "limits leave all out but --u"
            )
        _from_parts(data, side, u, most_escapes, most_false, picture, Kept(station, data, of), as_json)
    if side is not None or most_escapes is not None or most_false is not None:
        raise UnusableInput("--side, --most-escapes and --most-false need a table whose column label says good or bad")
    typed = _Typed(lower, upper, u, u_common, mean, spread, most_consumer, most_producer, rule, p, undecided)
    case = _stated(typed, as_measured, reading) if data is None else _read(data, typed, as_measured, reading)
    _answer(typed, case, picture, Kept(station, data, of or reading or case.name), as_json)


# --- limits of a drawing -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Case:
    """What the study is given: how parts vary, u of each part's own and in common, and where that came from.

    `readings` are one for each part; `measured` those of records, which bring their own limits and sources.
    """

    spread: "Spread"
    own: float
    common: float
    dof: float
    unit: str
    readings: Sequence[float] | None = None
    measured: "tuple[Reading, ...]" = ()
    notes: tuple[str, ...] = ()
    name: str | None = None


def _stated(typed: _Typed, as_measured: bool, reading: str | None) -> _Case:
    from tiepoint.studies.limits import stated_spread

    if as_measured or reading is not None:
        raise UnusableInput("--as-measured and --reading need DATA; name a table or the station's records.jsonl")
    if typed.mean is None or typed.spread is None:
        raise UnusableInput("how parts vary is not said; name a table of readings, or give --mean and --spread")
    if typed.u is None:
        raise UnusableInput("what a reading is uncertain by is not said; give --u, a standard uncertainty")
    spread = stated_spread(in_unit("--mean", typed.mean, "mm"), in_unit("--spread", typed.spread, "mm"))
    return _Case(spread, in_unit("--u", typed.u, "mm"), _common(typed, "mm"), math.inf, "mm")


def _read(data: Path, typed: _Typed, as_measured: bool, reading: str | None) -> _Case:
    from tiepoint.station.to_do import one_a_part
    from tiepoint.studies.limits import sample_of_parts, spread_of_readings

    if typed.mean is not None or typed.spread is not None:
        raise UnusableInput(f"--mean and --spread are given, but {data} tells how parts vary; leave one out")
    found = load_measured(data, reading, None)
    measured = _readings_of(data, found.name) if data.suffix.lower() == ".jsonl" else ()
    own, common, dof = _uncertain(typed, found, measured, data)
    values, again = one_a_part(found)
    spread = sample_of_parts(values, own) if as_measured else spread_of_readings(values, own)
    name = found.name if measured else None
    return _Case(spread, own, common, dof, found.unit, values, measured, found.notes + again, name)


def _readings_of(data: Path, name: str) -> "tuple[Reading, ...]":
    from tiepoint.recipe.records import read_records

    return tuple(r for record in read_records(data) for r in record.readings if r.id == name and r.value is not None)


def _uncertain(
    typed: _Typed, found: "Measured", measured: "Sequence[Reading]", data: Path
) -> tuple[float, float, float]:
    """Return u of each part's own, u in common, and dof: as typed, else of the records, else of a table's column u."""
    from tiepoint.studies.limits import own_and_common

    if typed.u is not None:
        return in_unit("--u", typed.u, found.unit), _common(typed, found.unit), math.inf
    if measured and typed.u_common is None:
        return own_and_common(measured)
    if not measured and found.u is not None:
        own = math.sqrt(math.fsum(float(u) ** 2 for u in found.u) / len(found.u))
        return own, _common(typed, found.unit), math.inf
    raise UnusableInput(f"what a reading of {data} is uncertain by is not said; give --u, a standard uncertainty")


def _common(typed: _Typed, unit: str) -> float:
    return 0.0 if typed.u_common is None else in_unit("--u-common", typed.u_common, unit)


def _limits(typed: _Typed, case: _Case) -> "Limits":
    from tiepoint.model.decide import Limits

    if typed.lower is None and typed.upper is None:
        of_records = case.measured[0].limits if case.measured else None
        if of_records is None:
            raise UnusableInput("the part's limits are not said; give --lower, --upper or both")
        return of_records
    lower = if_typed(in_unit, "--lower", typed.lower, case.unit)
    upper = if_typed(in_unit, "--upper", typed.upper, case.unit)
    return Limits(lower, upper, typed.rule, typed.p)


def _undecided(typed: _Typed, station: Path | None) -> "Undecided":
    """Return what becomes of undecided parts: as typed, else as the station's requirements were agreed."""
    from tiepoint.studies.risks import RISKS_OF

    if typed.undecided is not None:
        if typed.undecided not in RISKS_OF:
            raise UnusableInput(f"--undecided is {typed.undecided[:40]!r}; choose {', '.join(RISKS_OF)}")
        return cast("Undecided", typed.undecided)
    if station is None:
        return "not-accepted"
    from tiepoint.station.folder import open_station
    from tiepoint.station.requirements import undecided_of

    return undecided_of(open_station(station))


def _answer(typed: _Typed, case: _Case, picture: Path | None, kept: Kept, as_json: bool) -> None:
    from tiepoint.documents.canonical import plain
    from tiepoint.documents.revived import outcome_of
    from tiepoint.report.risk_pictures import risk_curves
    from tiepoint.studies.limits import study_limits

    asked = _limits(typed, case)
    study = study_limits(
        asked,
        case.spread,
        u_own=case.own,
        u_common=case.common,
        dof=case.dof,
        unit=case.unit,
        most_consumer=if_typed(share_typed, "--most-consumer", typed.most_consumer),
        most_producer=if_typed(share_typed, "--most-producer", typed.most_producer),
        undecided=_undecided(typed, kept.station),
        readings=case.readings,
    )
    hints = (*case.notes, *drawn(picture, partial(risk_curves, study, case.unit)))
    steps = _next(case, asked) if typed.u is None else None
    document = {"study": "limits", "unit": case.unit, **outcome_of(study), "next_steps": plain(steps)}
    hints += keep("limits", document, kept)
    lines = (*_lines(study, case.unit), *(() if steps is None else steps.sentences))
    present(Answer(document, lines, study.good is not False, hints), as_json)


def _next(case: _Case, asked: "Limits") -> "NextSteps | None":
    """Return what to do next, by the sources of the reading whose u is the middle one; None without records."""
    from tiepoint.station.to_do import next_for

    if not case.measured:
        return None
    return next_for(case.measured, asked, case.spread.parts, dof=case.dof, unit=case.unit)


def _lines(study: "LimitsStudy", unit: str) -> Iterator[str]:
    yield study.convention
    placed = (("at the limits", study.without_guard), (study.limits.rule, study.by_rule), ("agreed", study.by_risks))
    head = ("", "accepted", "bad, accepted", "95 %-worst", "good, not", "95 %-worst", "undecided")
    yield from table([head, *(_row(name, found, study.undecided, unit) for name, found in placed if found is not None)])
    yield from (check.sentence for check in study.checks if check.holds is not True)
    yield from study.sentences


def _row(name: str, found: "Placed", undecided: "Undecided", unit: str) -> tuple[str, ...]:
    from tiepoint.studies.limits import between, share

    average, worst = (r.carried(undecided) for r in (found.risks.average, found.risks.worst))
    shares = (average[0], worst[0], average[1], worst[1], found.risks.average.undecided)
    return (name, between(found.accept, unit), *map(share, shares))


# --- limits from good and bad parts --------------------------------------------------------------------------------


def _has_labels(data: Path) -> bool:
    from tiepoint.documents.grid import read_grid

    return data.suffix.lower() != ".jsonl" and read_grid(data, ("value",)).has("label")


def _from_parts(
    data: Path,
    side: str | None,
    u: str | None,
    most_escapes: str | None,
    most_false: str | None,
    picture: Path | None,
    kept: Kept,
    as_json: bool,
) -> None:
    import numpy as np

    from tiepoint.documents.grid import read_grid
    from tiepoint.documents.revived import outcome_of
    from tiepoint.report.risk_pictures import good_and_bad
    from tiepoint.studies.good_bad import study_good_bad
    from tiepoint.studies.measured import of_grid

    if side is not None and side not in SIDES:
        raise UnusableInput(f"--side is {side!r}; choose upper, lower or both")
    grid = read_grid(data, ("value", "label"))
    found, labels = of_grid(grid), [label.lower() for label in grid.texts("label")]
    unit = found.unit or "mm"
    _check_labels(labels, grid.places, data)
    _check_each_once(found, data)
    good, bad = (found.values[np.array([label == word for label in labels])] for word in ("good", "bad"))
    study = study_good_bad(
        good,
        bad,
        side=cast("Side | None", side),
        u=if_typed(in_unit, "--u", u, unit),
        most_escapes=if_typed(share_typed, "--most-escapes", most_escapes),
        most_false=if_typed(share_typed, "--most-false", most_false),
    )
    hints = drawn(picture, partial(good_and_bad, study, good, bad, unit))
    document = {"study": "limits", "unit": unit, **outcome_of(study)}
    hints += keep("limits", document, kept)
    present(Answer(document, tuple(_part_lines(study)), study.good is not False, hints), as_json)


def _check_labels(labels: Sequence[str], places: Sequence[str], data: Path) -> None:
    for label, place in zip(labels, places, strict=True):
        if label not in ("good", "bad"):
            raise UnusableInput(f"{data}, {place}: label reads {label[:40]!r}; write good or bad")


def _check_each_once(found: "Measured", data: Path) -> None:
    if found.part is None:
        return
    first: dict[str, str] = {}
    for name, place in zip(found.part, found.where, strict=True):
        if name in first:
            raise UnusableInput(
                f"{data}: part {name} stands in {first[name]} and in {place}; the bounds count distinct parts, so give "
                "one reading for each"
            )
        first[name] = place


def _part_lines(study: "GoodBadLimits") -> Iterator[str]:
    yield study.convention
    yield from (check.sentence for check in study.checks if check.holds is not True)
    yield from study.sentences
