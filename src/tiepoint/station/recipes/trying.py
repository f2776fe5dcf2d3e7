"""Judging a recipe that is not saved yet, on one working shot, again and again, as fast as a hand moves.

Warm between two tries stay the decoded shot, the tie at the part's height, what is taught, and what each step found. A
step runs again only where its own table or something that it rests on is another than before; for the others the runner
is given what they found. The record is the runner's own, so that a try says what `tiepoint run` says, to the bit.

bench = Bench(Path("recipes/plate.toml"), variants_path=None)
tried = bench.judge(content, "shots/plate-01.png", loaded)      # content: the recipe as parsed TOML
tried.outcome.record.verdict
"""

import copy
import json
import secrets
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from tiepoint.documents.canonical import sha256
from tiepoint.documents.files import reason_of
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.foundation.reasons import FLAGS
from tiepoint.recipe.context import StepResult
from tiepoint.recipe.foresee import foresee
from tiepoint.recipe.recipe import Recipe, Step, place, read_recipe
from tiepoint.recipe.runner import Job, Outcome, Seen, Trace, run
from tiepoint.recipe.schema import EdgedTable
from tiepoint.recipe.shots import LoadedShot
from tiepoint.recipe.station import Prepared, prepare, seen_of
from tiepoint.recipe.variants import choose, load_variants
from tiepoint.station.draft_names import TRIED

Content = Mapping[str, Any]
SMALL = frozenset({"region", "taught"})
"""Keys of a step that no other step, no file and no order depends on."""
PLACEHOLDER = {
    "name": "nothing yet",
    "kind": "find",
    "taught": {"region": {"rectangle": {"centre": [0.0, 0.0], "size": [1.0, 1.0]}}, "origin": [0.0, 0.0]},
}
"""Stands in a recipe without any step, so that its head can be prepared."""


@dataclass(frozen=True)
class Tried:
    """One judgement of a draft. `ran`: the steps that were measured anew; `spent_s`: what it took, of a clock.

    `whole_s`: what all steps took, when they all ran last. `outcome` is None where the recipe has no step yet.
    """

    job: Job
    seen: Seen
    outcome: Outcome | None
    ran: frozenset[str]
    spent_s: float
    whole_s: float = 0.0

    @property
    def traces(self) -> Mapping[str, Trace]:
        """What each step did, by its name."""
        return {} if self.outcome is None else {t.step.name: t for t in self.outcome.traces}


@dataclass(frozen=True)
class _Read:
    """A draft as it was read last, with the times of the files beside it."""

    content: Content
    variant: str | None
    recipe: Recipe
    stamps: tuple[str, ...]


@dataclass
class _Warm:
    """What stays from one try to the next on the same shot."""

    seen: Seen
    job: Job
    results: dict[str, StepResult] = field(default_factory=dict)


class Bench:
    """The draft of one recipe under the hand. Not for several threads at once; whoever shares it holds a lock."""

    def __init__(self, recipe_path: Path, variants_path: Path | None = None) -> None:
        self.recipe_path, self.variants_path = recipe_path, variants_path
        self._prepared: tuple[str, Prepared] | None = None
        self._last: _Read | None = None
        self._notes: tuple[Recipe, tuple[str, ...]] | None = None
        self._seen: tuple[str, Seen] | None = None
        self._warm: _Warm | None = None
        self._whole_s = 0.0

    def job(self, content: Content, variant: str | None = None, *, quick: bool = False) -> Job:
        """Return a draft as it would be run. Raises a `TiepointError` with the first fault as a sentence.

        `quick`: only for a look while a hand moves a region. What is said before any shot (what can never conform) and
        the recipe's hash are then those of the recipe as it was before.
        """
        empty = not content.get("step")
        whole = {**content, "step": [dict(PLACEHOLDER)]} if empty else content
        if empty and content.get("tie") is None:
            whole["step"][0]["in"] = "image"
        prepared = self._ready(whole)
        base = prepared.job(variant)
        recipe = self._read(whole, variant, quick)
        if empty:
            return replace(base, recipe=replace(recipe, steps=(), order=()))
        return replace(base, recipe=recipe, notes=self._said(prepared, base, recipe, quick))

    def fault(self, content: Content, variant: str | None = None) -> TiepointError | None:
        """Return why a draft cannot be read, whatever it rests on; None where it can."""
        try:
            self._read(content, variant, quick=False)
        except TiepointError as error:
            return error
        return None

    def judge(
        self,
        content: Content,
        key: str,
        loaded: LoadedShot,
        variant: str | None = None,
        *,
        quick: bool = False,
        clock: Callable[[], float] = time.perf_counter,
    ) -> Tried:
        """Return what a draft says of a shot. `key`: another one is another shot. Raises as `job` does."""
        began = clock()
        if variant is None and self.variants_path is not None:
            variant = loaded.shot.variant
        job = self.job(content, variant, quick=quick)
        if self._seen is None or self._seen[0] != key:
            self._seen = (key, seen_of(loaded))
        seen = self._seen[1].under(job)
        self._seen = (key, seen)
        if not job.recipe.steps:
            return Tried(job, seen, None, frozenset(), clock() - began)
        warm = self._warm
        known = {} if warm is None or not _is_same(warm, seen, job) else warm.results
        dirty = frozenset(_dirty(job, None if warm is None else warm.job, known))
        outcome = run(_reusing(job, {n: r for n, r in known.items() if n not in dirty}), seen, clock=clock)
        # Traces tell of the steps as they are, not as they were given to the runner.
        steps = {s.name: s for s in job.recipe.steps}
        outcome = Outcome(outcome.record, tuple(replace(t, step=steps[t.step.name]) for t in outcome.traces))
        self._warm = _Warm(seen, job, {t.step.name: t.result for t in outcome.traces})
        if len(dirty) == len(job.recipe.steps):
            self._whole_s = sum(outcome.record.timings.values())
        return Tried(job, seen, outcome, dirty, clock() - began, self._whole_s)

    def _said(self, prepared: Prepared, base: Job, recipe: Recipe, quick: bool) -> tuple[str, ...]:
        """Return the job's notes, as `prepare` makes them."""
        if quick and self._notes is not None:
            return self._notes[1]
        if self._notes is None or self._notes[0] is not recipe:
            told = tuple(FLAGS[code].sentence for code in base.flags)
            never = tuple(f.sentence for f in foresee(recipe, base.tie) if not f.possible)
            self._notes = (recipe, prepared.notes + told + never)
        return self._notes[1]

    # --- reading -------------------------------------------------------------------------------------------------

    def _read(self, content: Content, variant: str | None, quick: bool) -> Recipe:
        last, folder = self._last, self.recipe_path.parent
        if last is not None and last.variant == variant:
            if last.content == content and last.stamps == _stamps_beside(last.recipe, folder):
                return last.recipe
            if quick and (near := _near(last.content, content, last.recipe, self._row(variant))):
                return near
        recipe = read_recipe(content, self.recipe_path.name, row=self._row(variant), folder=folder)
        # A copy: whoever edits goes on with their own.
        self._last = _Read(copy.deepcopy(dict(content)), variant, recipe, _stamps_beside(recipe, folder))
        return recipe

    def _row(self, variant: str | None) -> Mapping[str, str] | None:
        if self.variants_path is None:
            return None
        variants = load_variants(self.variants_path)
        if variant is not None:
            return choose(variants, variant).columns
        return next((v.columns for v in variants.values() if v.is_for(self.recipe_path)), None)

    # --- preparing -----------------------------------------------------------------------------------------------

    def _ready(self, content: Content) -> Prepared:
        """Return the tie, the lights and the arms that a draft rests on, made anew only where one of them changed."""
        key = sha256({**_head(content), "files": self._stamps(content)})
        if self._prepared is None or self._prepared[0] != key:
            with self._as_file(content) as path:
                try:
                    prepared = prepare(path, variants_path=self.variants_path)
                except TiepointError as error:
                    raise type(error)(str(error).replace(path.name, self.recipe_path.name)) from error
            self._prepared = (key, replace(prepared, recipe_path=self.recipe_path))
        return self._prepared[1]

    def _stamps(self, content: Content) -> list[str]:
        """Return when the files that the head names were written last."""
        files = [content.get("tie"), content.get("lights")]
        for grip in content.get("grip") or []:
            files += [grip.get("robot"), grip.get("belt")] if isinstance(grip, Mapping) else []
        named = [self.recipe_path.parent / f for f in files if isinstance(f, str)]
        return [_stamp(p) for p in (*named, *filter(None, [self.variants_path]))]

    @contextmanager
    def _as_file(self, content: Content) -> Iterator[Path]:
        """Give a draft that is not saved as a file for as long as it is read: beside the recipe, and of its stem."""
        # Not *.toml, and so JSON: nobody who lists recipes or watches drafts sees it. Variants go by the stem.
        path = self.recipe_path.with_suffix(f"{TRIED}{secrets.token_hex(4)}")
        try:
            path.write_text(json.dumps(content, default=str), encoding="utf-8")
        except OSError as error:
            raise UnusableInput(f"cannot write into {path.parent}: {reason_of(error)}") from error
        try:
            yield path
        finally:
            with suppress(OSError):
                path.unlink()


def _head(content: Content) -> dict[str, Any]:
    """Return what of a draft decides over the files that it rests on."""
    steps = [s for s in content.get("step", []) if isinstance(s, Mapping)]
    looks = sorted({str(s.get("picture", "")) for s in steps})
    in_image = [s.get("in") == "image" for s in steps]
    head = {k: v for k, v in content.items() if k not in ("step", "revision", "name", "decide", "edge")}
    return {"head": head, "looks": looks, "in_image": [all(in_image), any(in_image)]}


def _stamp(path: Path) -> str:
    try:
        told = path.stat()
    except OSError:
        return f"{path.name}: none"
    return f"{path.name}: {told.st_mtime_ns} {told.st_size}"


def _stamps_beside(recipe: Recipe, folder: Path) -> tuple[str, ...]:
    """Return when the files beside a recipe were written last."""
    return tuple(_stamp(folder / name) for name in sorted({n for step in recipe.steps for n in step.beside.shas}))


def _near(before: Content, after: Content, recipe: Recipe, row: Mapping[str, str] | None) -> Recipe | None:
    """Return a recipe of which only regions were moved; None where anything else differs."""
    if {k: v for k, v in before.items() if k != "step"} != {k: v for k, v in after.items() if k != "step"}:
        return None
    old, new = before["step"], after["step"]
    if len(old) != len(new):
        return None
    steps = list(recipe.steps)
    for k, (a, b) in enumerate(zip(old, new, strict=True)):
        if a == b:
            continue
        if {key for key in {*a, *b} if a.get(key) != b.get(key)} - SMALL:
            return None
        table = steps[k].kind.table.read(b, place(steps[k], recipe.head.name), row)
        steps[k] = Step(k + 1, steps[k].kind, table, steps[k].frame, steps[k].base, steps[k].beside)
    by_name = {s.name: s for s in steps}
    return replace(recipe, steps=tuple(steps), order=tuple(by_name[s.name] for s in recipe.order))


def _is_same(warm: _Warm, seen: Seen, job: Job) -> bool:
    """Whether what steps found before stands on the same ground: shot, tie, lights and unit."""
    same = warm.seen is seen and warm.job.tie is job.tie and warm.job.lit is job.lit
    return same and warm.job.recipe.head.unit == job.recipe.head.unit


def _dirty(job: Job, before: Job | None, known: Mapping[str, StepResult]) -> Iterator[str]:
    """Yield the steps that have to run: those that are another than before, and all that come after one of them."""
    old = {} if before is None else {s.name: s for s in before.recipe.steps}
    edges = before is not None and before.recipe.head.edge == job.recipe.head.edge
    anew: set[str] = set()
    for step in job.recipe.order:
        was = old.get(step.name)
        same = was is not None and step.name in known and _measures_as(step, was)
        same = same and (edges or not isinstance(step.table, EdgedTable) or step.table.edge is None)
        if not same or not anew.isdisjoint(step.waits_for):
            anew.add(step.name)
            yield step.name


def _measures_as(step: Step, was: Step) -> bool:
    """Whether a step finds what it found before: all but what is only judged, or told."""
    if (step.kind.kind, step.frame, step.base) != (was.kind.kind, was.frame, was.base):
        return False
    return step.table == was.table and step.beside.shas == was.beside.shas


def _reusing(job: Job, known: Mapping[str, StepResult]) -> Job:
    """Return the job whose steps give what they are known to have found."""

    def given(step: Step) -> Step:
        return step if step.name not in known else replace(step, kind=replace(step.kind, run=_giving(known[step.name])))

    recipe = job.recipe
    steps = {s.name: given(s) for s in recipe.steps}
    in_order = tuple(steps[s.name] for s in recipe.order)
    return replace(job, recipe=replace(recipe, steps=tuple(steps.values()), order=in_order))


def _giving(result: StepResult) -> Callable[[Any], StepResult]:
    return lambda _: result
