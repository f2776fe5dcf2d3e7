"""What the studies share: which data, their unit, where picture and study go, and how the answer is given."""

import dataclasses
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tiepoint.cli.answer import Answer, present
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.model.record import Record
    from tiepoint.studies.checks import Check
    from tiepoint.studies.measured import Measured

Data = Annotated[
    Path,
    typer.Argument(metavar="DATA", help="A table with a column value (CSV, .xlsx), or the station's records.jsonl."),
]
ReadingName = Annotated[
    str | None, typer.Option("--reading", metavar="ID", help='Which reading of the records: "bore A.diameter".')
]
UnitName = Annotated[
    str | None, typer.Option("--unit", metavar="UNIT", help="Of a table that does not say it; mm unless given.")
]
Sheet = Annotated[
    Path | None,
    typer.Option("--sheet", metavar="RUNS.csv", help="What was put in for each record: part, factors, reference."),
]
KeptIn = Annotated[
    Path | None,
    typer.Option("--for", metavar="STATION", help="Keep the study and its data in this station, shown or not."),
]
LONGEST_OF = 200


def _of_typed(of: str | None) -> str | None:
    """Return what a study is of: it stands in the ledger and in the report for good, so it is one readable line."""
    if of is not None and (not of.strip() or len(of) > LONGEST_OF or not of.isprintable()):
        raise UnusableInput(
            f"--of is {of[:40]!r}; give 1 to {LONGEST_OF} characters that print, as requirements.toml has them"
        )
    return of


Of = Annotated[
    str | None,
    typer.Option(
        "--of",
        metavar="NAME",
        callback=_of_typed,
        help="What it is of, as `of` in requirements.toml has it; of records the reading, by default.",
    ),
]
OfRobot = Annotated[
    str | None,
    typer.Option(
        "--of",
        metavar="NAME",
        callback=_of_typed,
        help="Which robot or pose it is of, as `of` in requirements.toml has it.",
    ),
]
MostEscapes = Annotated[
    str | None, typer.Option("--most-escapes", metavar="SHARE", help="Agreed: of bad parts, that pass at most.")
]
MostFalse = Annotated[
    str | None, typer.Option("--most-false", metavar="SHARE", help="Agreed: of good parts, that do not, at most.")
]
Picture = Annotated[Path | None, typer.Option("--picture", metavar="FILE.svg", help="Draw the study as a picture.")]


LONGEST_COMMAND = 1000


def load_measured(
    path: Path, reading: str | None, unit: str | None, factors: Sequence[str] = (), sheet: Path | None = None
) -> "Measured":
    """Return the values of a file; a table that names no unit is in mm, and that is noted."""
    from tiepoint.station.study_tables import values_of

    return values_of(path, reading, unit, factors, sheet)


def demand_drawing(picture: Path | None) -> None:
    """Refuse a place for the picture that holds something else, before any work is done."""
    from tiepoint.cli.load import demand_like

    if picture is not None:
        if picture.suffix.lower() != ".svg":
            raise UnusableInput(f"--picture is {picture}; it is written as SVG, so name a file that ends in .svg")
        demand_like(picture, b"<svg", "drawing")


@dataclasses.dataclass(frozen=True, slots=True)
class Kept:
    """Where a study is kept: in which `station`, of which data file, and `of` what (a reading's id, as a rule).

    `pictures`: SVG documents that belong to it, by the place that the study gives each. `records`: those that it was
    made of, where `data` are none.
    """

    station: Path | None
    data: Path | None
    of: str | None = None
    pictures: Mapping[str, str] = dataclasses.field(default_factory=dict)
    records: "Sequence[Record]" = ()


def answer(
    study: Any,
    kind: str,
    lines: Iterable[str],
    picture: Path | None,
    draw: Callable[[], str],
    as_json: bool,
    kept: Kept,
    shown: bool = True,
) -> None:
    """Write the picture, which `draw` returns, keep the study, print the answer, and end the command.

    The code is 1 where the study is not good, or where what is good by a standard's rule is not `shown`.
    """
    from tiepoint.documents.revived import outcome_of

    hints = drawn(picture, draw)
    document = {"study": kind, **outcome_of(study)}
    hints += keep(kind, document, kept)
    said = (study.convention, *lines, *study.sentences)
    present(Answer(document, said, study.good is not False and shown, hints), as_json)


def drawn(picture: Path | None, draw: Callable[[], str]) -> tuple[str, ...]:
    """Write the picture, where one was asked for, and return what is to be said of it."""
    from tiepoint.documents.files import write_atomic

    if picture is None:
        return ()
    write_atomic(picture, draw().encode())
    return (f"The picture is {picture}.",)


def keep(kind: str, document: Mapping[str, Any], kept: Kept) -> tuple[str, ...]:
    """Keep a study in its station, where one was named, and return what is to be said of it."""
    if kept.station is None:
        return ()
    import shlex
    import sys

    from tiepoint.cli.station import who_is_asking
    from tiepoint.station.folder import open_station
    from tiepoint.station.kept import keep_study

    outcome = {key: value for key, value in document.items() if key != "study"}
    typed = shlex.join(["tiepoint", *sys.argv[1:]])[:LONGEST_COMMAND]
    entry = keep_study(
        open_station(kept.station),
        kind,
        kept.of,
        outcome,
        kept.data,
        who=who_is_asking(None),
        command=typed,
        pictures=kept.pictures,
        records=kept.records or _records_of(kept.data),
    )
    return (f"The study is entry {entry.seq} of the ledger of {kept.station}: {entry.body['file']}.",)


def _records_of(data: Path | None) -> "Sequence[Record]":
    """Return the records of the data that are such; which recipe made them is kept with the study."""
    from tiepoint.recipe.records import read_records

    return read_records(data) if data is not None and data.suffix.lower() == ".jsonl" else ()


def untold(checks: "Sequence[Check]") -> str:
    """Return in a line which assumptions hold, and which these data cannot tell."""
    held = ", ".join(check.name for check in checks if check.holds)
    open_ = " ".join(check.sentence for check in checks if check.holds is None)
    return f"Tested and not objected to: {held or 'nothing'}." + (f" {open_}" if open_ else "")
