"""Trying a recipe on parts whose truth is known: over labelled shots, or on records that stand already."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.decide import Verdict
from tiepoint.model.record import Record
from tiepoint.recipe.pool import Preparation, Task, run_tasks, workers_for
from tiepoint.recipe.records import read_records
from tiepoint.recipe.shots import load_shot
from tiepoint.station.study_tables import showing
from tiepoint.studies.labels import Label, Truth, labels_of_parts, read_labels
from tiepoint.studies.measured import demand_one_recipe
from tiepoint.studies.trial import Showing

_NAMED = 5


@dataclass(frozen=True, slots=True)
class Shown:
    """What was tried: a showing for each record, overlays of wrong ones by the place of their label, and hints."""

    showings: tuple[Showing, ...]
    records: tuple[Record, ...]
    overlays: Mapping[str, str]
    hints: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Tuned:
    """What tuned the recipe: parts by id, pictures by the hash of their pixels."""

    parts: frozenset[str] = frozenset()
    pictures: frozenset[str] = frozenset()


def tuned_by(paths: Sequence[Path], each: int = 1, lights: Sequence[str] = ()) -> Tuned:
    """Return what labelled shots tuned a recipe by. `each`: pictures of one shot, whose `lights` these are."""
    parts: set[str] = set()
    pictures: set[str] = set()
    for path in paths:
        for label in read_labels(path, each):
            shot = load_shot(label.shot, lights).shot
            pictures |= {p.pixels_sha256 for p in shot.pictures}
            if part := label.part or shot.part_id:
                parts.add(part)
    return Tuned(frozenset(parts), frozenset(pictures))


def try_shots(
    preparation: Preparation,
    labels: Sequence[Label],
    *,
    workers: int | None = None,
    drawn: bool = True,
    step: Callable[[], object] = lambda: None,
) -> Shown:
    """Run a recipe over labelled shots. `drawn`: with overlays of those judged wrongly; `step` is called after each."""
    tasks = [Task(label.shot, k, _wrong_at(label.truth) if drawn else frozenset()) for k, label in enumerate(labels, 1)]
    done = []
    for one in run_tasks(preparation, tasks, workers_for(len(tasks), workers)):
        done.append(one)
        step()
    return Shown(
        tuple(showing(label, one.record) for label, one in zip(labels, done, strict=True)),
        tuple(one.record for one in done),
        {label.where: one.overlay for label, one in zip(labels, done, strict=True) if one.overlay},
        tuple(dict.fromkeys(hint for one in done for hint in one.hints)),
    )


def try_records(path: Path, labels: Path) -> Shown:
    """Return the showings of records that stand already, by the part that each names."""
    records, by_part = read_records(path), labels_of_parts(labels)
    demand_one_recipe(records, str(path))
    kept = [(label, r) for r in records if (label := by_part.get(r.shot.part_id or "")) is not None]
    if not kept:
        raise UnusableInput(f"no record of {path} is of a part that {labels} labels; compare part_id in both")
    hints = []
    if unlabelled := len(records) - len(kept):
        hints.append(f"{unlabelled} of {len(records)} records are of parts without a label, and are left out.")
    if never := [part for part in by_part if part not in {label.part for label, _ in kept}]:
        hints.append(f"{len(never)} labelled parts are in no record, and were not tried: {', '.join(never[:_NAMED])}.")
    showings = tuple(replace(showing(label, r), where=f"record {r.seq}") for label, r in kept)
    return Shown(showings, tuple(r for _, r in kept), {}, tuple(hints))


def _wrong_at(truth: Truth) -> frozenset[Verdict]:
    return frozenset({"conforms"}) if truth == "bad" else frozenset({"undecided", "unread", "rejected"})
