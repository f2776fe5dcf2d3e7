"""`tiepoint run`: measure and judge shots by a recipe."""

import gc
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tiepoint.cli.answer import Answer, Json, hint_at, present, progress, table
from tiepoint.cli.options import LightsFile, RecipeTie, VariantName, VariantsFile
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.model.record import Record
    from tiepoint.recipe.station import Prepared, Ran
    from tiepoint.station.sheet import RunSheet

MOST_TABLES = 3
"""Up to so many shots are told reading by reading; more would scroll the outcome away."""

NOT_LOOKED_AT = ("tie_refused", "shot_unreadable")
"""Reasons of all readings of a shot that was not looked at."""


def run(
    recipe: Annotated[
        Path,
        typer.Argument(
            metavar="RECIPE.toml", help="The recipe: ordered steps and their limits; or a station, by its folder."
        ),
    ],
    shots: Annotated[
        list[Path],
        typer.Argument(
            metavar="SHOT...", help="Pictures, folders of a shot, folders of many, or patterns like shots/*.png."
        ),
    ],
    tie: RecipeTie = None,
    lights: LightsFile = None,
    variants: VariantsFile = None,
    variant: VariantName = None,
    overlay: Annotated[
        Path | None, typer.Option("--overlay", metavar="DIR", help="Draw what was found over each picture (SVG).")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Write records.jsonl and records.csv here.")
    ] = None,
    sheet: Annotated[
        Path | None,
        typer.Option("--sheet", metavar="RUNS.csv", help="Fill in the next open line of this run sheet for each shot."),
    ] = None,
    reading: Annotated[
        str | None,
        typer.Option("--reading", metavar="ID", help='What goes into the sheet: "bore A.diameter", or verdict.'),
    ] = None,
    as_json: Json = False,
) -> None:
    """Measure and judge shots by a recipe.

    Every reading carries its ± and what dominates it; every limit is judged by the recipe's decision rule. What
    could not be seen is unread, and never passes; nor does a shot that cannot be read, one of several: its sentence is
    told, and the others are measured. Exit code 1: some record does not conform.

    A station runs what was accepted, writes each record into its ledger before anything else, and keeps the pictures in
    its archive.

    With --sheet each shot goes to the next open line of its part on a run sheet of `study design`, to the next open
    line at all where the shot names no part. Lines are filled one by one, and shots that are on the sheet already are
    not judged again: whoever stops in the middle gives the same shots anew. The sheet is then the DATA of its study.

    An overlay has the name of its shot, as shot-0001.svg; of shots of one name in several folders the second gets -2.

    \b
      tiepoint run recipes/plate.toml shot-0001.png
      tiepoint run recipes/plate.toml shots --out today --overlay today/pictures
      tiepoint run recipes/plate.toml "shots/*-0?.png"
      tiepoint run recipes/plate.toml shot.png --variants variants.csv --variant left
      tiepoint run recipes/mark.toml shots/0001 --lights lights.toml
      tiepoint run plates shots
      tiepoint run plates today/*.png --sheet studies/rr.csv --reading "bore A.diameter"
    """
    from tiepoint.documents.files import demand_folder
    from tiepoint.recipe import station

    if out is not None:
        station.demand_no_records(out)
    if overlay is not None:
        demand_folder(overlay)
    if recipe.is_dir():
        _demand_drafts_only({"--tie": tie, "--lights": lights, "--variants": variants}, recipe)
        prepared = _accepted(recipe, variant)
    else:
        prepared = station.prepare(recipe, tie_path=tie, lights_path=lights, variants_path=variants, variant=variant)
    for sentence in prepared.warnings:
        hint_at(sentence)
    shots = station.shots_in(shots, max(len(prepared.each), 1))
    runs = _Runs.of(sheet, reading, shots, prepared)
    shots = runs.due
    names = _overlay_names(shots)
    ran: list[tuple[str, Record]] = []
    with progress("Shots", len(shots)) as step:
        for one in _judged(recipe, prepared, shots) if recipe.is_dir() else station.run_shots(prepared, shots):
            for hint in (one.unreadable,) if one.loaded is None else one.loaded.hints:
                hint_at(str(hint))
            ran.append((one.shot_path.name, one.record))
            runs.fill(one)
            if len(ran) == 1:
                gc.freeze()  # all that a shot needs is loaded now; to look through it for garbage would stall one
            if out is not None:
                _keep(out, [record for _, record in ran])
            if one.loaded is not None and refusal(one.record) is None:
                _draw(one, overlay, names)
            next(step)
    gc.unfreeze()
    records = [record for _, record in ran]
    _demand_one_that_fits(records)
    present(
        Answer(
            {"records": [station.record_json(record) for record in records]},
            tuple(_lines(ran, prepared.warnings)),
            good=all(record.verdict == "conforms" for record in records),
            hints=(*_written(out, overlay), *runs.told()),
        ),
        as_json,
    )


@dataclass
class _Runs:
    """The shots that are to be judged, and the run sheet that they fill in, where there is one."""

    due: list[Path]
    sheet: "RunSheet | None" = None
    lines: dict[Path, int] = field(default_factory=dict)
    skipped: int = 0

    @classmethod
    def of(cls, path: Path | None, reading: str | None, shots: list[Path], prepared: "Prepared") -> "_Runs":
        from tiepoint.recipe.shots import load_shot
        from tiepoint.station.sheet import lines_for, open_sheet

        if path is None:
            if reading is not None:
                raise UnusableInput("--reading says what goes into a run sheet; name the sheet with --sheet")
            return cls(shots)
        sheet = open_sheet(path, reading)
        lines = lines_for(sheet, {shot: load_shot(shot, prepared.each).shot for shot in shots})
        if not lines:
            raise UnusableInput(
                f"each of these {len(shots)} shots is on {path} already; take the shots that came after"
            )
        return cls([shot for shot in shots if shot in lines], sheet, lines, len(shots) - len(lines))

    def fill(self, ran: "Ran") -> None:
        """Fill in the line of a shot; one that was not looked at leaves it open."""
        from tiepoint.station.sheet import filled, write_sheet

        if self.sheet is not None and refusal(ran.record) is None:
            self.sheet = filled(self.sheet, self.lines[ran.shot_path], ran.shot_path, ran.record)
            write_sheet(self.sheet)

    def told(self) -> tuple[str, ...]:
        from tiepoint.station.sheet import told

        return () if self.sheet is None else told(self.sheet, self.skipped)


def _demand_drafts_only(given: dict[str, Path | None], folder: Path) -> None:
    for option, path in given.items():
        if path is not None:
            raise UnusableInput(
                f"a station runs what was accepted, so {option} has no place here; change the draft in {folder} and "
                "accept it, or name the recipe's file"
            )


def _accepted(folder: Path, variant: str | None) -> "Prepared":
    from tiepoint.station.accepted import prepare_accepted
    from tiepoint.station.folder import open_station

    return prepare_accepted(open_station(folder), variant)


def _judged(folder: Path, prepared: "Prepared", shots: Sequence[Path]) -> "Iterator[Ran]":
    from tiepoint.station.folder import open_station
    from tiepoint.station.judge import judge
    from tiepoint.station.ledger import Ledger

    station = open_station(folder)
    with Ledger(station.ledger_place) as ledger:
        yield from judge(station, ledger, prepared, shots)


def _keep(out: Path, records: "Sequence[Record]") -> None:
    """Keep the newest record at once, and those before the first that the tie fits together with it."""
    from tiepoint.recipe import station

    if any(refusal(record) is None for record in records[:-1]):
        station.add_record(out, records[-1])
    elif refusal(records[-1]) is None:
        station.write_records(out, records)


def refusal(record: "Record") -> str | None:
    """Return why the tie does not fit the shot, or why it cannot be read; None where it was looked at."""
    reasons = [reading.reason for reading in record.readings]
    refused = [str(r.params["detail"]) for r in reasons if r is not None and r.code in NOT_LOOKED_AT]
    return refused[0] if refused and len(refused) == len(reasons) else None


def _demand_one_that_fits(records: "Sequence[Record]") -> None:
    """Refuse the work where no shot was looked at: that is no outcome but a wrong file."""
    refused = [refusal(record) for record in records]
    if refused and refused[0] is not None and all(refused):
        codes = {reading.reason.code for record in records for reading in record.readings if reading.reason}
        none = "the tie fits none of the shots" if codes == {"tie_refused"} else "none of the shots can be measured"
        raise UnusableInput(f"{none}: {refused[0]}")


def _overlay_names(shots: Sequence[Path]) -> dict[Path, str]:
    """Return a file name for each shot: a picture's without its ending, a folder's whole; a number tells like ones."""
    from tiepoint.documents.names import each_its_own

    different = list(dict.fromkeys(shots))
    whole = [shot.resolve() if shot.name in ("", "..") else shot for shot in different]
    stems = [there.name if there.is_dir() else there.stem for there in whole]
    return {shot: f"{name}.svg" for shot, name in zip(different, each_its_own(stems), strict=True)}


def _draw(ran: "Ran", overlay: Path | None, names: dict[Path, str]) -> None:
    if overlay is not None:
        from tiepoint.documents.files import write_atomic

        write_atomic(overlay / names[ran.shot_path], ran.overlay().encode())


def _lines(ran: "Sequence[tuple[str, Record]]", said: tuple[str, ...]) -> Iterator[str]:
    """Yield what a person reads; the notes that were `said` before the first shot stand in the record alone."""
    from tiepoint.cli.told import grip_line, reading_row, verdict

    for name, record in ran:
        yield f"{name}: {verdict(record.verdict)}{_why(record)}"
        if len(ran) <= MOST_TABLES:
            yield from table([reading_row(r) for r in record.readings], frozenset({1}))
            yield from (f"  {grip_line(grip)}" for grip in record.grips)
            yield from (f"  {note}" for note in record.notes if note not in said)
    if len(ran) > 1:
        yield _sum([record for _, record in ran])


def _why(record: "Record") -> str:
    """Return which readings made the verdict what it is."""
    if not record.readings or all(r.verdict is None for r in record.readings):
        return ", nothing is judged: the recipe states no limits"
    named = [
        f"{r.name} {r.quantity}" + (f" ({r.reason.params['says']})" if r.reason and r.reason.code == "doubtful" else "")
        for r in record.readings
        if r.verdict == record.verdict
    ]
    if record.verdict == "conforms" or not named:
        return ""
    rest = f" and {len(named) - 3} more" if len(named) > 3 else ""
    return f" for {', '.join(named[:3])}{rest}"


def _sum(records: "Sequence[Record]") -> str:
    counts = {word: sum(r.verdict == word for r in records) for word in ("conforms", "undecided", "unread", "rejected")}
    words = {"conforms": "conform"}
    told = ", ".join(f"{n} {words.get(word, word)}" for word, n in counts.items() if n)
    return f"{len(records)} shots: {told}."


def _written(out: Path | None, overlay: Path | None) -> tuple[str, ...]:
    records = () if out is None else (f"Records are in {out / 'records.jsonl'} and {out / 'records.csv'}.",)
    return records + (() if overlay is None else (f"Overlays are in {overlay}.",))
