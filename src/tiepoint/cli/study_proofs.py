"""`tiepoint study agreement|capability|lengths`: decisions, causes of uncertainty and known lengths."""

import math
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tiepoint.cli.answer import Json, table
from tiepoint.cli.study_data import Kept, KeptIn, MostFalse, Of, Picture, UnitName, answer, demand_drawing, untold
from tiepoint.cli.typed import if_typed, in_unit, share_typed

if TYPE_CHECKING:
    from tiepoint.studies.agreement import AgreementStudy, ClassAgreed, Decision
    from tiepoint.studies.capability import CapabilityStudy, CauseRow
    from tiepoint.studies.checks import Check
    from tiepoint.studies.lengths import LengthsStudy

RATER = "appraiser"
"""As `station.study_tables`, spelt out here so that help needs no numerics."""


# --- agreement -----------------------------------------------------------------------------------------------------


def agreement(
    data: Annotated[
        Path,
        typer.Argument(metavar="DATA", help="A table with part, value and, where known, reference; or records.jsonl."),
    ],
    by: Annotated[
        str, typer.Option("--by", metavar="COLUMN", help="Who or what decided: station, shift, person.")
    ] = RATER,
    prevalence: Annotated[
        str | None, typer.Option("--prevalence", metavar="SHARE", help="Of the parts that come, bad ones.")
    ] = None,
    most_misses: Annotated[
        str | None, typer.Option("--most-misses", metavar="SHARE", help="Agreed: of bad parts, that pass at most.")
    ] = None,
    most_false: MostFalse = None,
    picture: Picture = None,
    station: KeptIn = None,
    of: Of = None,
    as_json: Json = False,
) -> None:
    """Tell how decisions agree with what parts are, and between repeats.

    DATA has a row for each decision: part, value (good, conforms, or any other word for what does not pass) and
    reference (good, or the class of a bad part). Records tell their verdicts and parts, without a reference. κ, how far
    decisions agree beyond chance, is told and never alone: misses and false alarms stand beside it with their
    intervals, for every class, and what a decision is worth where --prevalence says how many parts are bad.

    With --most-misses or --most-false the exit code is 1 unless they are shown by the one-sided 95 % bound.

    \b
      tiepoint study agreement decisions.csv --most-misses 2% --most-false 5% --prevalence 0.1%
      tiepoint study agreement today/records.jsonl
    """
    from tiepoint.report.proof_pictures import agreement_picture
    from tiepoint.studies.agreement import study_agreement

    demand_drawing(picture)
    study = study_agreement(
        _decisions(data, by),
        prevalence=if_typed(share_typed, "--prevalence", prevalence),
        most_misses=if_typed(share_typed, "--most-misses", most_misses),
        most_false=if_typed(share_typed, "--most-false", most_false),
    )
    draw = partial(agreement_picture, study)
    answer(study, "agreement", _agreement_lines(study), picture, draw, as_json, Kept(station, data, of))


def _decisions(data: Path, by: str) -> "list[Decision]":
    from tiepoint.documents.grid import read_grid
    from tiepoint.recipe.records import read_records
    from tiepoint.station.study_tables import decisions, decisions_of

    if data.suffix.lower() == ".jsonl":
        return decisions_of(read_records(data), str(data))
    return decisions(read_grid(data, ("part", "value")), by)


def _agreement_lines(study: "AgreementStudy") -> Iterator[str]:
    from tiepoint.studies.wording import per_cent

    if study.classes:
        head = ("class", "parts", "wrong", "95 % interval", "called by name")
        yield from table([head, *map(_class_row, study.classes)], frozenset({1, 2}))
    for rater, same in study.same_by:
        yield f"  {rater}: all repeats agree on {same.events} of {same.n} parts (at least {per_cent(same.at_least)})"
    yield from _objections(study.checks)


def _class_row(seen: "ClassAgreed") -> tuple[str, ...]:
    from tiepoint.studies.wording import per_cent

    w = seen.wrong
    named = "" if seen.named is None else f"{seen.named.events} of {seen.named.n}"
    return seen.name, str(w.n), str(w.events), f"{per_cent(w.low)} to {per_cent(w.high)}", named


def _objections(checks: "tuple[Check, ...]") -> Iterator[str]:
    yield from (check.sentence for check in checks if check.holds is False)
    if checks:
        yield untold(checks)


# --- capability ----------------------------------------------------------------------------------------------------


def capability(
    causes: Annotated[
        Path, typer.Argument(metavar="CAUSES", help="A table with cause, value and, where known, dof and name.")
    ],
    tolerance: Annotated[
        str, typer.Option("--tolerance", metavar="LENGTH", help="The part's tolerance, upper less lower limit.")
    ],
    most_system: Annotated[
        str, typer.Option("--most-system", metavar="SHARE", help="Of Q_MS, the measuring system's.")
    ] = "15%",
    most_process: Annotated[
        str, typer.Option("--most-process", metavar="SHARE", help="Of Q_MP, the measuring process's.")
    ] = "30%",
    unit: UnitName = None,
    picture: Picture = None,
    station: KeptIn = None,
    of: Of = None,
    as_json: Json = False,
) -> None:
    """Tell whether the measuring system and process are capable, with all causes side by side.

    In the manner of ISO 22514-7 and VDA 5. CAUSES has a row for each cause. Of the system: calibration, resolution (the
    whole step), repeatability_reference, bias, linearity, system_other; of the process besides: repeatability_parts,
    reproducibility, stations, interaction, stability, temperature, object, other. Values are standard uncertainties or
    standard deviations, but for resolution and bias. The first four, and repeatability_parts for the process, have to
    be stated, with 0 where one is nothing. dof says how well a standard deviation of readings is known: inf, or a
    number; without it such a row is refused.

    Q_MS and Q_MP are 2U over the tolerance, U = 2u being the ± of the measuring system and of the whole process.

    The exit code is 1 unless Q_MS and, where causes of the process are stated, Q_MP keep their limits by their values,
    which is the standard's rule, and by the upper ends of their 95 % intervals.

    \b
      tiepoint study capability causes.csv --tolerance 0.2mm --picture causes.svg
    """
    from tiepoint.documents.grid import read_grid
    from tiepoint.report.proof_pictures import capability_picture
    from tiepoint.station import study_tables
    from tiepoint.studies.capability import study_capability

    demand_drawing(picture)
    grid = read_grid(causes, ("cause", "value"))
    in_ = study_tables.unit_of(grid, unit)
    study = study_capability(
        study_tables.causes(grid),
        in_unit("--tolerance", tolerance, in_),
        most_system=share_typed("--most-system", most_system),
        most_process=share_typed("--most-process", most_process),
        unit=in_,
    )
    answer(
        study,
        "capability",
        _capability_lines(study),
        picture,
        partial(capability_picture, study),
        as_json,
        Kept(station, causes, of),
        shown=study.shown,
    )


def _capability_lines(study: "CapabilityStudy") -> Iterator[str]:
    yield from table([("cause", f"u {study.unit}", "dof", "of system", "of process"), *map(_cause_row, study.rows)])
    yield from _objections(study.checks)


def _cause_row(row: "CauseRow") -> tuple[str, ...]:
    shares = [
        "–" if share is None else "held" if share == 0 and row.held_by else f"{100 * share:.2g} %"
        for share in (row.share_system, row.share_process)
    ]
    return row.name, f"{row.u:.3g}", "" if math.isinf(row.dof) else f"{row.dof:g}", *shares


# --- lengths -------------------------------------------------------------------------------------------------------


def lengths(
    data: Annotated[
        Path,
        typer.Argument(metavar="DATA", help="A table with known, value, position, orientation and height."),
    ],
    most_error: Annotated[
        str | None, typer.Option("--most-error", metavar="LENGTH", help="The stated maximum of an error.")
    ] = None,
    per_length: Annotated[
        str | None,
        typer.Option("--per-length", metavar="LENGTH", help="B of a maximum A + L/B that grows with length."),
    ] = None,
    u: Annotated[
        str | None, typer.Option("--u", metavar="LENGTH", help="Standard uncertainty of a known length, for all.")
    ] = None,
    unit: UnitName = None,
    picture: Picture = None,
    station: KeptIn = None,
    of: Of = None,
    as_json: Json = False,
) -> None:
    """Tell the errors of known lengths all over the field, against a stated maximum.

    In the manner of ISO 10360-7 and VDI/VDE 2634-1, without claiming conformity. DATA has a row for each measurement:
    known and value, the names of its position and orientation, its height, and u where lengths are known differently
    well. Five positions, two orientations, two heights, five lengths and three repeats are asked for; what is missing
    is named.

    With --most-error the exit code is 1 unless every error is shown to keep it and nothing is missing.

    \b
      tiepoint study lengths lengths.csv --most-error 0.05mm --u 1um --picture lengths.svg
    """
    from tiepoint.documents.grid import read_grid
    from tiepoint.report.proof_pictures import lengths_picture
    from tiepoint.station import study_tables
    from tiepoint.studies.lengths import study_lengths

    demand_drawing(picture)
    grid = read_grid(data, ("known", "value", *study_tables.PLACES))
    in_ = study_tables.unit_of(grid, unit)
    found = study_tables.lengths(grid, if_typed(in_unit, "--u", u, in_))
    study = study_lengths(
        found,
        most_error=if_typed(in_unit, "--most-error", most_error, in_),
        per_length=if_typed(in_unit, "--per-length", per_length, in_),
        unit=in_,
    )
    draw = partial(lengths_picture, study)
    answer(study, "lengths", _lengths_lines(study), picture, draw, as_json, Kept(station, data, of))


def _lengths_lines(study: "LengthsStudy") -> Iterator[str]:
    head = ("", "", "n", f"mean {study.unit}", f"largest {study.unit}")
    rows = [(p.by, p.level, str(p.n), f"{p.mean:+.3g}", f"{p.largest:+.3g}") for p in study.places]
    yield from table([head, *rows], frozenset({2, 3, 4}))
    yield from _objections(study.checks)
