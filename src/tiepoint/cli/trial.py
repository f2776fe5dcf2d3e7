"""`tiepoint trial`: what a recipe says of parts whose truth is known."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tiepoint.cli.answer import Answer, Json, hint_at, present, progress, table
from tiepoint.cli.options import LightsFile, RecipeTie, VariantName, VariantsFile
from tiepoint.cli.study_data import Kept, KeptIn, MostEscapes, MostFalse, keep
from tiepoint.cli.typed import if_typed, share_typed
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.station.trials import Shown
    from tiepoint.studies.trial import ClassSeen, TrialStudy

PAGE, PICTURE = "trial.html", "margins.svg"
_HINTS = 5


def trial(
    recipe: Annotated[
        Path, typer.Argument(metavar="RECIPE.toml", help="The recipe to be tried, or records.jsonl that it made.")
    ],
    labels: Annotated[
        Path,
        typer.Argument(
            metavar="LABELS", help="A table with shot, part_id, label and class, or a folder with good, bad and others."
        ),
    ],
    tuning: Annotated[
        list[Path] | None,
        typer.Option("--tuning", metavar="LABELS", help="What the recipe was tuned by: a table or folders, as LABELS."),
    ] = None,
    most_escapes: MostEscapes = None,
    most_false: MostFalse = None,
    tie: RecipeTie = None,
    lights: LightsFile = None,
    variants: VariantsFile = None,
    variant: VariantName = None,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, metavar="N", help="Processes; one for each core unless given.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help=f"Write records.jsonl, records.csv, {PAGE} and {PICTURE} here."),
    ] = None,
    station: KeptIn = None,
    as_json: Json = False,
) -> None:
    """Try a recipe on parts that are known to be good or bad.

    LABELS is a table (CSV or .xlsx) with a row for each shot, or a folder: good holds shots of good parts, bad and any
    other folder shots of bad ones, of the class that it is named by. n counts distinct parts, each by its worst
    showing; bounds are those of Clopper and Pearson. Parts and pictures that also tuned the recipe are named, and left
    out of every count. Records that were made before are tried as they stand, by the part_id of each.

    With --most-escapes or --most-false the exit code is 1 unless they are shown by the one-sided 95 % bound: no escape
    among 299 bad parts shows 1 %.

    \b
      tiepoint trial recipes/plate.toml proof/labels.csv --most-escapes 1% --most-false 5% --out trial
      tiepoint trial recipes/plate.toml proof --tuning tuning
      tiepoint trial today/records.jsonl labels.csv
    """
    from tiepoint.documents.canonical import plain
    from tiepoint.recipe.pool import Preparation
    from tiepoint.recipe.station import demand_no_records
    from tiepoint.report.trial_page import MOST_SHOWN
    from tiepoint.station.trials import try_records, try_shots, tuned_by
    from tiepoint.studies.labels import read_labels
    from tiepoint.studies.trial import study_trial

    rates = if_typed(share_typed, "--most-escapes", most_escapes), if_typed(share_typed, "--most-false", most_false)
    if out is not None:
        demand_no_records(out)
    if recipe.suffix.lower() == ".jsonl":
        if any(given is not None for given in (tie, lights, variants, variant, workers)):
            raise UnusableInput(
                f"{recipe} holds what a recipe made; leave out --tie, --lights, --variants and --workers"
            )
        shown, tuned = try_records(recipe, labels), tuned_by(tuning or [])
    else:
        preparation = Preparation(recipe, tie, lights, variants, variant)
        prepared = preparation.prepared()
        for sentence in prepared.warnings:
            hint_at(sentence)
        each = max(len(prepared.each), 1)
        told = read_labels(labels, each)
        tuned = tuned_by(tuning or [], each, prepared.each)
        with progress("Shots", len(told)) as step:
            drawn = out is not None or station is not None
            shown = try_shots(preparation, told, workers=workers, drawn=drawn, step=lambda: next(step))
    study = study_trial(
        shown.showings,
        tuning_parts=tuned.parts,
        tuning_pictures=tuned.pictures,
        most_escapes=rates[0],
        most_false=rates[1],
    )
    written: tuple[str, ...] = ()
    if out is not None:
        _write(out, study, recipe.name, shown)
        written = (f"The trial is in {out / PAGE}, its records in {out / 'records.jsonl'}.",)
    document = {"study": "trial", **plain(study)}
    wrong = [p.worst.where for p in study.wrong[:MOST_SHOWN]]
    pictures = {where: shown.overlays[where] for where in wrong if where in shown.overlays}
    told_by = labels if labels.is_file() else None
    written += keep("trial", document, Kept(station, told_by, pictures=pictures, records=shown.records))
    present(Answer(document, tuple(_lines(study)), study.good is not False, (*_few(shown.hints), *written)), as_json)


def _write(out: Path, study: "TrialStudy", recipe: str, shown: "Shown") -> None:
    from tiepoint.documents.files import write_together
    from tiepoint.recipe.station import write_records
    from tiepoint.report.trial_page import trial_html
    from tiepoint.report.trial_picture import margins

    write_records(out, shown.records)
    page = trial_html(study, recipe, shown.overlays)
    write_together({out / PAGE: page.encode(), out / PICTURE: margins(study).encode()})


def _few(hints: Sequence[str]) -> Iterator[str]:
    yield from hints[:_HINTS]
    if len(hints) > _HINTS:
        yield f"And {len(hints) - _HINTS} more of the files; see the records."


def _lines(study: "TrialStudy") -> Iterator[str]:
    from tiepoint.studies.trial import VERDICTS, margin_said

    yield study.convention
    head = ("class", "", "parts", "showings", *VERDICTS, "wrong", "at most")
    yield from table([head, *map(_row, study.classes)], frozenset(range(2, 10)))
    for part in study.wrong[:_HINTS]:
        worst = part.worst
        yield f"  {worst.part} is {worst.truth} and {worst.verdict}{margin_said(worst)} ({worst.where})"
    if len(study.wrong) > _HINTS:
        yield f"  and {len(study.wrong) - _HINTS} more parts that were judged wrongly"
    yield from (check.sentence for check in study.checks)
    yield from study.sentences


def _row(seen: "ClassSeen") -> tuple[str, ...]:
    from tiepoint.studies.wording import per_cent

    counts = map(str, (seen.n, seen.showings, *seen.counts, seen.wrong.events))
    return (seen.name, seen.truth, *counts, per_cent(seen.wrong.at_most))
