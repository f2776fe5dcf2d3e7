"""Teach a `text` the characters that occur, and a `code` the preparation that reads it, from shots of good parts."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tiepoint.documents.files import write_together
from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.context import Said
from tiepoint.recipe.naming import stating
from tiepoint.recipe.recipe import Step
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.recipe.steps.code import CodeTable
from tiepoint.recipe.steps.text import TextTable
from tiepoint.recipe.teach_good import needed, step_of


@dataclass(frozen=True)
class MarkLesson:
    """What teaching gave: the `key` of the step and its `value`, and the `texts` that were read.

    `unseen`: what the form of a text allows and no shot showed.
    """

    key: str
    value: str
    texts: tuple[str, ...]
    unseen: str = ""


def teach_mark(shots: Sequence[tuple[Job, Seen]], name: str) -> MarkLesson:
    """Return what shots of good parts teach the text or the code of that name.

    Each comes with the job of its variant. Raises `UnusableInput` where a shot is not read, or not as it must be.
    """
    table = step_of(shots[0][0], name).table
    if isinstance(table, TextTable):
        return _characters(shots, name, table)
    read = [_read(job, seen, name, {"preparation": None}) for job, seen in shots]
    texts = tuple(text for text, _ in read)
    for preparation in dict.fromkeys(preparation for _, preparation in read):
        if all(_reads(job, seen, name, preparation, text) for (job, seen), text in zip(shots, texts, strict=True)):
            return MarkLesson("preparation", preparation, texts)
    raise UnusableInput(f'no single preparation reads the code "{name}" in all these shots; leave the ladder to choose')


def keep_mark(recipe_path: Path, step: Step, lesson: MarkLesson) -> int:
    """Write what was learnt into the recipe, and return its revision then."""
    recipe, revision = stating(recipe_path, step, lesson.key, lesson.value)
    write_together({recipe_path: recipe})
    return revision


def _characters(shots: Sequence[tuple[Job, Seen]], name: str, table: TextTable) -> MarkLesson:
    if table.expected is None:
        raise UnusableInput(
            f'the text "{name}" does not say what good parts show, and a misread would be learnt; state expected'
        )
    texts = tuple(_read(job, seen, name, {"characters": None})[0] for job, seen in shots)
    form, seen_ones = table.expected.as_form, set("".join(texts))
    may = (form.characters if form is not None else None) or frozenset()
    return MarkLesson("characters", "".join(sorted(seen_ones)), texts, "".join(sorted(may - seen_ones - {" "})))


def _reads(job: Job, seen: Seen, name: str, preparation: str, text: str) -> bool:
    try:
        return _read(job, seen, name, {"preparation": preparation})[0] == text
    except UnusableInput:
        return False


def _read(job: Job, seen: Seen, name: str, keys: dict[str, Any]) -> tuple[str, str]:
    """Return what the step reads in a shot with some keys changed, and the preparation that read it."""
    step = step_of(job, name)
    assert isinstance(step.table, (TextTable, CodeTable))
    changed = replace(step, table=step.table.model_copy(update=keys))
    before = needed(job, step)
    order = tuple(changed if s.name == name else s for s in job.recipe.order if s.name in before)
    outcome = run(replace(job, recipe=replace(job.recipe, steps=order, order=order, grips=()), arms=()), seen)
    result = next(trace.result for trace in outcome.traces if trace.step.name == name)
    content, preparation = (result.told.get(key) for key in ("content", "preparation"))
    why = result.failed or (content if isinstance(content, Reason) else None)
    if isinstance(content, Said) and content.verdict == "rejected":
        why = content.reason
    if why is not None or not isinstance(content, Said) or not isinstance(preparation, Said):
        sentence = why.sentence if why else "It shows no picture that the step looks at."
        raise UnusableInput(f'shot "{seen.shot.id}" cannot be learnt from. {sentence}')
    return content.text, preparation.text
