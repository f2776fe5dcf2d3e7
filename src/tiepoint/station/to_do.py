"""What to do next at a station, ranked: what of the agreed is not shown yet, and what would make a reading surer."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from tiepoint.foundation.words import as_first
from tiepoint.model.decide import Limits
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.recipe.records import record_from
from tiepoint.station.kept import KeptStudy
from tiepoint.station.ledger import Ledger
from tiepoint.station.matrix import Line
from tiepoint.station.requirements import ON_DUTY, Requirement
from tiepoint.station.run_sheets import Runs
from tiepoint.studies.limits import own_and_common, share, spread_of_readings
from tiepoint.studies.measured import Measured, of_records
from tiepoint.studies.next_steps import NextSteps, next_steps
from tiepoint.studies.risks import Normal, Sample

By = Literal["fill", "study", "design", "trial", "limits", "touch", "duty", "agree", "report", "look"]
RECENT = 2000
"""Records by which what to do next about a reading is told: the newest."""
NAMES: Mapping[str, str] = {
    "type1": "a study on one reference part",
    "rr": "a gauge R&R",
    "linearity": "a study of the bias over the range",
    "stability": "a study of stability",
    "agreement": "an agreement study",
    "lengths": "a study of known lengths",
    "capability": "a capability study",
    "pose": "a study of the robot's poses",
    "trial": "a trial on parts of known truth",
    "limits": "limits with their risks",
    "touch": "a touch test",
}


@dataclass(frozen=True, slots=True)
class ToDo:
    """Something to do: a sentence, `why`, the requirement that it is for, and `by` what a page helps with it.

    `at`: the id of the run sheet, or the study's kind; `gain`: what it buys, in words.
    """

    says: str
    why: str
    by: By
    requirement: str | None = None
    at: str = ""
    of: str | None = None
    gain: str = ""


def is_stale(line: Line) -> bool:
    """Whether a requirement's study is of what is not run any more, or older than what was agreed."""
    study = line.study
    return study is not None and (study.replaced is not None or (line.state == "not shown" and line.found is None))


def of_requirements(lines: Sequence[Line], sheets: Sequence[Runs]) -> Iterator[ToDo]:
    """Yield what each requirement that is not shown takes: those that were tried first, those of duty last."""
    rank = {"not shown": 0, "not tried": 1, "shown": 2}
    for line in sorted(lines, key=lambda line: (line.asked.by in ON_DUTY, rank[line.state])):
        if line.state != "shown":
            yield _of(line, sheets)


def _of(line: Line, sheets: Sequence[Runs]) -> ToDo:
    asked, id_ = line.asked, line.asked.id
    if asked.by in ON_DUTY:
        return ToDo("Let the station go on duty", line.why, "duty", id_, of=asked.of)
    sheet = _sheet_of(line, sheets)
    if sheet is not None:
        n, left = len(sheet.cells.rows), len(sheet.open)
        says = f"Go on with run sheet {sheet.id}" if left else f"Make the study of run sheet {sheet.id}, which is full"
        return ToDo(says, f"{n - left} of {n} runs are taken", "fill", id_, sheet.id, asked.of)
    by = _BY.get(asked.by, "design")
    if line.study is None:
        return ToDo(f"Make {NAMES[asked.by]}{_of_what(asked)}", line.why, by, id_, asked.by, asked.of)
    told = _last_sentence(line.study)
    if told and line.found is not None:
        return ToDo(told, line.why, by, id_, asked.by, asked.of)
    return ToDo(f"Make {NAMES[asked.by]}{_of_what(asked)} again", line.why, by, id_, asked.by, asked.of)


_BY: Mapping[str, By] = {"trial": "trial", "limits": "limits", "touch": "touch"}
"""What is made otherwise than by a design."""


def of_sheets(lines: Sequence[Line], sheets: Sequence[Runs]) -> Iterator[ToDo]:
    """Yield the run sheets that somebody began and did not end, and that no requirement asks for."""
    asked = {(line.asked.by, line.asked.of) for line in lines if line.state != "shown"}
    for sheet in sheets:
        n, left = len(sheet.cells.rows), len(sheet.open)
        if 0 < left < n and (sheet.table.study, sheet.table.of) not in asked:
            yield ToDo(
                f"Go on with run sheet {sheet.id}", f"{n - left} of {n} runs are taken", "fill", None, sheet.id,
                sheet.table.of,
            )  # fmt: skip


def _sheet_of(line: Line, sheets: Sequence[Runs]) -> Runs | None:
    """Return the newest sheet that is begun for a requirement, and younger than its study."""
    since = "" if line.study is None else line.study.act.written_utc
    mine = [
        sheet
        for sheet in sheets
        if sheet.table.study == line.asked.by and sheet.table.of == line.asked.of and sheet.table.begun_utc > since
    ]
    return max(mine, key=lambda sheet: sheet.table.begun_utc, default=None)


def _of_what(asked: Requirement) -> str:
    whole = asked.by in ("trial", "agreement")  # of all parts, whichever rate is meant
    return f", {asked.of}" if asked.of and not whole else ""


def _last_sentence(study: KeptStudy) -> str:
    """Return what a study says to do next."""
    sentences = study.document.get("outcome", {}).get("sentences") or ("",)
    return as_first(str(sentences[-1]).removeprefix("Next: ").rstrip("."))


# --- of readings -----------------------------------------------------------------------------------------------------


def one_a_part(found: Measured) -> tuple[list[float], tuple[str, ...]]:
    """Return the first reading of each part, and what to know of it: several readings of one are no several parts."""
    values = [float(v) for v in found.values]
    if found.part is None:
        return values, ()
    first: dict[str, float] = {}
    for name, value in zip(found.part, values, strict=True):
        first.setdefault(name, value)
    again = len(values) - len(first)
    said = f"{again} readings are of parts that were measured before: of each part the first one is taken."
    return list(first.values()), (said,) if again else ()


def next_for(
    measured: Sequence[Reading], asked: Limits, parts: Normal | Sample, *, dof: float = math.inf, unit: str = "mm"
) -> NextSteps:
    """Return what to do next, by the sources of the reading whose u is the middle one."""
    middle = sorted(measured, key=lambda r: r.u or 0.0)[len(measured) // 2]
    return next_steps(middle.sources, asked, parts, dof=dof, unit=unit)


def newest_records(ledger: Ledger, variant: str | None = None) -> list[Record]:
    """Return the newest records of one recipe and variant, the newest last; of the last one's, or of `variant`."""
    seqs = ledger.records(after=0)[-RECENT:]
    told = sorted(ledger.numbered(seqs), key=lambda entry: entry.seq)
    found = [record_from(entry.body, f"entry {entry.seq}", vouched=True) for entry in told]
    if variant is not None:
        found = [record for record in found if record.variant == variant]
    return [r for r in found if (r.recipe_sha, r.variant) == (found[-1].recipe_sha, found[-1].variant)]


def next_of_records(records: Sequence[Record], reading: str) -> NextSteps | None:
    """Return what to do next about a reading of records; None where it has no limits.

    Raises `UnusableInput` where the records cannot tell.
    """
    found = of_records(records, reading)
    measured = [r for record in records for r in record.readings if r.id == reading and r.value is not None]
    asked = measured[-1].limits
    if asked is None:
        return None
    own, _, dof = own_and_common(measured)
    spread = spread_of_readings(one_a_part(found)[0], own)
    return next_for(measured, asked, spread.parts, dof=dof, unit=found.unit)


def of_readings(found: Mapping[str, NextSteps | None]) -> Iterator[ToDo]:
    """Yield what would make readings surer, that first which spares most good parts."""
    ways = [
        (step.after.lost, reading, steps.now, step) for reading, steps in found.items() if steps for step in steps.steps
    ]
    for _, reading, before, step in sorted(ways, key=lambda way: way[2].lost - way[0], reverse=True):
        lost = f"good and not accepted {share(before.lost)} → {share(step.after.lost)}"
        gain = f"u {before.u:.2g} → {step.after.u:.2g}; {lost}"
        yield ToDo(as_first(step.action), step.assumes, "look", None, reading, reading, gain)
