"""`tiepoint limits`: where to set the limit, and at which risk."""

from collections.abc import Iterator
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
    from tiepoint.station.limit_studies import Parts
    from tiepoint.studies.good_bad import GoodBadLimits, Side
    from tiepoint.studies.limits import LimitsStudy, Placed
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


def _stated(typed: _Typed, as_measured: bool, reading: str | None) -> "Parts":
    from tiepoint.station.limit_studies import Uncertain, stated_parts

    if as_measured or reading is not None:
        raise UnusableInput("--as-measured and --reading need DATA; name a table or the station's records.jsonl")
    if typed.mean is None or typed.spread is None:
        raise UnusableInput("how parts vary is not said; name a table of readings, or give --mean and --spread")
    if typed.u is None:
        raise UnusableInput("what a reading is uncertain by is not said; give --u, a standard uncertainty")
    u = Uncertain(in_unit("--u", typed.u, "mm"), _common(typed, "mm") or 0.0)
    return stated_parts(in_unit("--mean", typed.mean, "mm"), in_unit("--spread", typed.spread, "mm"), u)


def _read(data: Path, typed: _Typed, as_measured: bool, reading: str | None) -> "Parts":
    from tiepoint.station.limit_studies import Uncertain, read_parts

    if typed.mean is not None or typed.spread is not None:
        raise UnusableInput(f"--mean and --spread are given, but {data} tells how parts vary; leave one out")
    found = load_measured(data, reading, None)
    measured = _readings_of(data, found.name) if data.suffix.lower() == ".jsonl" else ()
    common, u = _common(typed, found.unit), None
    if typed.u is not None:
        u = Uncertain(in_unit("--u", typed.u, found.unit), common or 0.0)
    elif (measured and common is not None) or (not measured and found.u is None):
        raise UnusableInput(f"what a reading of {data} is uncertain by is not said; give --u, a standard uncertainty")
    return read_parts(found, measured, u=u, common=common, as_measured=as_measured)


def _readings_of(data: Path, name: str) -> "tuple[Reading, ...]":
    from tiepoint.recipe.records import read_records

    return tuple(r for record in read_records(data) for r in record.readings if r.id == name and r.value is not None)


def _common(typed: _Typed, unit: str) -> float | None:
    return if_typed(in_unit, "--u-common", typed.u_common, unit)


def _limits(typed: _Typed, case: "Parts") -> "Limits":
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


def _answer(typed: _Typed, case: "Parts", picture: Path | None, kept: Kept, as_json: bool) -> None:
    from tiepoint.report.risk_pictures import risk_curves
    from tiepoint.station.limit_studies import Agreed, limits_of

    agreed = Agreed(
        most_consumer=if_typed(share_typed, "--most-consumer", typed.most_consumer),
        most_producer=if_typed(share_typed, "--most-producer", typed.most_producer),
        undecided=_undecided(typed, kept.station),
    )
    study, steps, document = limits_of(_limits(typed, case), case, agreed)
    hints = (*case.notes, *drawn(picture, partial(risk_curves, study, case.unit)))
    hints += keep("limits", document, kept)
    lines = (*_lines(study, case.unit), *(() if steps is None else steps.sentences))
    present(Answer(document, lines, study.good is not False, hints), as_json)


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
    from tiepoint.documents.grid import read_grid
    from tiepoint.report.risk_pictures import good_and_bad as drawing
    from tiepoint.station.limit_studies import good_and_bad, labelled

    if side is not None and side not in SIDES:
        raise UnusableInput(f"--side is {side!r}; choose upper, lower or both")
    told = labelled(read_grid(data, ("value", "label")))
    study, document = good_and_bad(
        told,
        side=cast("Side | None", side),
        u=if_typed(in_unit, "--u", u, told.unit),
        most_escapes=if_typed(share_typed, "--most-escapes", most_escapes),
        most_false=if_typed(share_typed, "--most-false", most_false),
    )
    hints = drawn(picture, partial(drawing, study, told.good, told.bad, told.unit))
    hints += keep("limits", document, kept)
    present(Answer(document, tuple(_part_lines(study)), study.good is not False, hints), as_json)


def _part_lines(study: "GoodBadLimits") -> Iterator[str]:
    yield study.convention
    yield from (check.sentence for check in study.checks if check.holds is not True)
    yield from study.sentences
