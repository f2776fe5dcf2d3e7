"""`tiepoint study design`: which studies prove a characteristic, and the order of their runs."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tiepoint.cli.answer import Answer, Json, present, table
from tiepoint.cli.study_data import Kept, KeptIn, MostEscapes, MostFalse, keep
from tiepoint.cli.typed import if_typed, positive_mm, share_typed
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.studies.design import Design, Plan

SHEET = "runs.pdf"


def design(
    characteristic: Annotated[
        str, typer.Argument(metavar="CHARACTERISTIC", help='What is to be proved: "bore A.diameter", "scratches".')
    ],
    tolerance: Annotated[
        str | None,
        typer.Option("--tolerance", metavar="LENGTH", help="Upper less lower limit; without it parts are only judged."),
    ] = None,
    takt: Annotated[str | None, typer.Option("--takt", metavar="TIME", help="Of one part, as in 1.2s.")] = None,
    handling: Annotated[
        str | None, typer.Option("--handling", metavar="TIME", help="To put a part in by hand; 15 s unless given.")
    ] = None,
    factor: Annotated[
        list[str] | None,
        typer.Option("--factor", metavar="NAME=A,B", help="What varies on this station, with its levels."),
    ] = None,
    block: Annotated[
        str | None, typer.Option("--block", metavar="NAME", help="The factor that is hard to change in between.")
    ] = None,
    most_escapes: MostEscapes = None,
    most_false: MostFalse = None,
    seed: Annotated[int, typer.Option("--seed", min=0, metavar="N", help="Of the random order.")] = 1,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help=f"Write {SHEET} and a table of runs for each study here."),
    ] = None,
    station: KeptIn = None,
    as_json: Json = False,
) -> None:
    """Design the studies that prove a characteristic, and put their runs in random order.

    An automatic station has no operator; its factors are how a part lies, which carrier bears it, which shift it is.
    Each table of runs, rr.csv and the like, has an empty column value: filled in, by hand or by `tiepoint run --sheet`,
    it is the DATA of that study. The numbers of the trial follow from the agreed rates. With --for the
    station's ledger knows what was planned, and that it was before the data.

    \b
      tiepoint study design "bore A.diameter" --tolerance 0.2mm --takt 1.2s --factor carrier=1,2,3 --out studies
      tiepoint study design scratches --most-escapes 1% --factor shift=early,late --block shift
    """
    from tiepoint.documents.canonical import plain
    from tiepoint.studies.design import HANDLING_S, study_design

    found = study_design(
        characteristic,
        seed=seed,
        tolerance=if_typed(positive_mm, "--tolerance", tolerance),
        takt_s=if_typed(_seconds, "--takt", takt),
        handling_s=HANDLING_S if handling is None else _seconds("--handling", handling),
        factors=dict(map(_factor, factor)) if factor else None,
        block=block,
        most_escapes=if_typed(share_typed, "--most-escapes", most_escapes),
        most_false=if_typed(share_typed, "--most-false", most_false),
    )
    hints = () if out is None else _write(out, found)
    document = {"study": "design", **plain(found)}
    hints += keep("design", document, Kept(station, None, characteristic))
    present(Answer(document, tuple(_lines(found)), hints=hints), as_json)


def _seconds(option: str, text: str) -> float:
    from tiepoint.documents.tables import plain_number

    stripped = text.strip()
    for ending, seconds in (("ms", 1e-3), ("min", 60.0), ("s", 1.0)):
        number = plain_number(stripped.removesuffix(ending)) if stripped.endswith(ending) else None
        if number is not None and number > 0:
            return number * seconds
    raise UnusableInput(f"{option} is {text[:40]!r}; give a time above 0 with its unit, as in 1.2s, 800ms or 2min")


def _factor(text: str) -> tuple[str, tuple[str, ...]]:
    from tiepoint.studies.measured import KNOWN

    name, equals, levels = text.partition("=")
    name = name.strip().lower()
    if not equals or not name:
        raise UnusableInput(f"--factor is {text[:40]!r}; give its name and levels, as in carrier=1,2,3")
    if name in (*KNOWN, "run"):
        raise UnusableInput(f"--factor {name} would take the place of the column {name}; call it otherwise")
    return name, tuple(level.strip() for level in levels.split(","))


def _write(out: Path, found: "Design") -> tuple[str, ...]:
    from tiepoint.documents.files import demand_folder, write_together
    from tiepoint.report.run_sheet import run_sheet
    from tiepoint.station.run_sheets import runs_table

    demand_folder(out)
    files = {out / f"{plan.study}.csv": ("\ufeff" + runs_table(found, plan.study)).encode() for plan in found.plans}
    files[out / SHEET] = run_sheet(found)
    for path in files:
        if path.exists():
            raise UnusableInput(f"{path} is there already, perhaps filled in; name another folder")
    write_together(files)
    return (
        f"The run sheet is {out / SHEET}; its tables stand beside it. Fill them in by hand, or let the station do it: "
        "tiepoint run STATION SHOT... --sheet TABLE.csv.",
    )


def _lines(found: "Design") -> Iterator[str]:
    yield found.convention
    head = ("study", "parts", "loadings", "runs", "minutes", "what for")
    yield from table([head, *map(_row, found.plans)], frozenset({1, 2, 3, 4}))
    yield from found.sentences


def _row(plan: "Plan") -> tuple[str, ...]:
    return plan.study, str(plan.parts), str(plan.loadings), str(plan.runs), f"{plan.minutes:.0f}", plan.why
