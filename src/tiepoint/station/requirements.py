"""`requirements.toml`: what a station was ordered for, written before anything is proved.

    format = "tiepoint/requirements/1"
    title = "Hinge plates for greenhouse vents"
    customer = "Assembly, line 4"
    undecided = "sorted by hand, at the supplier's cost"

    [[characteristic]]
    name = "bore A"
    reading = "bore A.diameter"
    drawing = "HV-60, sheet 2, C3"
    lower = 4.4
    upper = 4.6

    [[requirement]]
    id = "R1"
    says = "Measuring takes no more than 30 % of the tolerance of bore A."
    by = "rr"
    of = "bore A.diameter"
    most = 0.3

    [[influence]]
    name = "light of the hall"
    tested = "300 to 900 lx"

What is asked for is shown by a study of the kind that `by` names; until one was made it is not tried.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from tiepoint.documents.canonical import sha256
from tiepoint.documents.files import check_format, read_bytes, read_document, write_atomic
from tiepoint.foundation.errors import TiepointError, UnusableDocument
from tiepoint.foundation.units import MM_PER
from tiepoint.model.decide import Limits
from tiepoint.recipe.tables import Name, Number, Positive, Table, said_names, shown
from tiepoint.station.accepted import ACCEPTED
from tiepoint.station.acts import write_act
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry, Ledger, has_ledger
from tiepoint.station.naming import act_of
from tiepoint.studies.risks import Undecided
from tiepoint.studies.wording import unit_said

REQUIREMENTS = "requirements.toml"
AGREE = "agree"
MOST_BYTES = 5_000_000

By = Literal[
    "type1", "rr", "linearity", "stability", "agreement", "lengths", "capability", "pose", "trial", "limits", "touch",
    "times", "faults", "alarms",
]  # fmt: skip
FIGURES: Mapping[By, tuple[str, ...]] = {
    "type1": ("Cgk", "Cg"),
    "rr": ("GRR of the tolerance", "GRR of the variation"),
    "linearity": ("largest bias",),
    "stability": ("drift over the study",),
    "capability": ("Q_MP", "Q_MS"),
    "lengths": ("largest error",),
    "pose": ("RP", "AP"),
    "limits": ("consumer's risk", "producer's risk"),
    "touch": ("largest error",),
    "times": ("P99.9", "P99", "P50", "maximum"),
}
"""What a study can be held by; the first unless `figure` names another. Of the others `of` says it."""
ON_DUTY: tuple[By, ...] = ("times", "faults", "alarms")
"""What only a station on duty can show. Times are in seconds; `of` names a fault or a kind of alarm."""

Words = Annotated[str, Field(min_length=1, max_length=400, pattern=r"^[^\x00-\x1f\x7f]+$")]
Many = Field(strict=False)


class Characteristic(Table):
    """`[[characteristic]]`: what the drawing asks of the part, and the reading that measures it.

    `lower` and `upper`: what the drawing allows, in `unit`; None where it sets none. `variants`: those it holds for;
    all by default.
    """

    name: Name
    reading: Words
    drawing: Words
    lower: Number | None = None
    upper: Number | None = None
    unit: Literal["mm", "in", "deg", "mm2", "in2", "px", "1"] = "mm"
    variants: Annotated[tuple[Name, ...], Many] = ()
    says: Words | None = None


class Requirement(Table):
    """`[[requirement]]`: what is to be shown, and by which study.

    `of`: the reading, the class of parts or the robot's pose that the study is of; None for the station as a whole.
    `most` or `least`: the limit of the study's figure, as in 0.3 for 30 % of the tolerance; in `unit`, where the figure
    has one. `figure`: which of the study's figures, where not the first of its kind (`FIGURES`).
    """

    id: Name
    says: Words
    by: By
    of: Words | None = None
    most: Number | None = None
    least: Number | None = None
    unit: Literal["mm", "in", "um", "deg", "px"] = "mm"
    figure: Words | None = None
    confidence: Annotated[Number, Field(gt=0.5, lt=1)] = 0.95


class Influence(Table):
    """`[[influence]]`: what acts on the station; in which range it was tested, or is assumed, or is excluded."""

    name: Name
    tested: Words | None = None
    assumed: Words | None = None
    excluded: Words | None = None


class Control(Table):
    """`[control]`: what is done for as long as the station is on duty.

    `golden`: the parts by which it is checked. `again`: which change repeats which test.
    """

    golden: Annotated[tuple[Name, ...], Many] = ()
    every: Words | None = None
    alarms: Annotated[tuple[Words, ...], Many] = ()
    again: Annotated[tuple["Again", ...], Many] = ()


class Again(Table):
    """`[[control.again]]`: after `change`, the `tests` that are repeated."""

    change: Words
    tests: Annotated[tuple[By, ...], Many]


class Signature(Table):
    """`[[signature]]`: who signs, and as what."""

    role: Words
    name: Words | None = None


class RequirementsTable(Table):
    """The whole document.

    `takt_s`: seconds from part to part. `undecided`: in words, who carries the parts inside the guard band;
    `undecided_are`: what becomes of them, by which the risks are counted. `not_checked`: what the station does not look
    at.
    """

    format: str
    title: Words
    customer: Words
    supplier: Words | None = None
    scope: Words | None = None
    undecided: Words | None = None
    undecided_are: Undecided = "not-accepted"
    takt_s: Positive | None = None
    not_checked: Annotated[tuple[Words, ...], Many] = ()
    characteristic: Annotated[tuple[Characteristic, ...], Many] = ()
    requirement: Annotated[tuple[Requirement, ...], Many] = ()
    influence: Annotated[tuple[Influence, ...], Many] = ()
    control: Control = Control()
    signature: Annotated[tuple[Signature, ...], Many] = ()


@dataclass(frozen=True)
class Requirements:
    """What was ordered: the `table`, and the `sha` of its content."""

    table: RequirementsTable
    sha: str


def load_requirements(path: Path) -> Requirements:
    """Return the requirements of a file; `UnusableDocument` in a sentence."""
    return requirements_from(read_document(path, "requirements"), str(path))


def requirements_from(content: dict[str, Any], where: str) -> Requirements:
    """Return the requirements that a document of the name `where` holds; `UnusableDocument` in a sentence."""
    check_format(content, "requirements", where)
    table = RequirementsTable.read(content, f"{where}: ")
    _check(table, where)
    return Requirements(table, sha256(content))


def _check(table: RequirementsTable, where: str) -> None:
    if not table.characteristic and not table.requirement:
        raise UnusableDocument(f"{where} asks for nothing; state a [[characteristic]] or a [[requirement]]")
    _each_once([c.name for c in table.characteristic], f"{where}: the characteristic")
    _each_once([r.id for r in table.requirement], f"{where}: the requirement")
    _each_once([i.name for i in table.influence], f"{where}: the influence")
    for one in table.characteristic:
        here = f'{where}: characteristic "{one.name}"'
        if one.lower is not None and one.upper is not None and one.lower >= one.upper:
            raise UnusableDocument(f"{here} has lower = {one.lower:g} and upper = {one.upper:g}; give lower < upper")
    for asked in table.requirement:
        _check_requirement(asked, f'{where}: requirement "{asked.id}"')
    for factor in table.influence:
        said = [key for key in ("tested", "assumed", "excluded") if getattr(factor, key) is not None]
        if not said:
            raise UnusableDocument(
                f'{where}: influence "{factor.name}" says neither tested, assumed nor excluded; say one of them'
            )


def _check_requirement(asked: Requirement, here: str) -> None:
    figures = FIGURES.get(asked.by, ())
    if asked.figure is not None and asked.figure not in figures:
        there = f"it is held by {said_names(figures)}" if figures else "leave figure out"
        raise UnusableDocument(
            f"{here} names the figure {shown(asked.figure)}, which {asked.by} does not have; {there}"
        )
    if asked.most is not None and asked.least is not None:
        raise UnusableDocument(f"{here} has most and least; make two requirements of it")
    needs_limit = asked.by not in ("faults", "alarms", "touch", "agreement")
    if needs_limit and asked.most is None and asked.least is None:
        raise UnusableDocument(f"{here} is to be shown by {asked.by} and has no limit; state most or least")


def _each_once(names: Sequence[str], what: str) -> None:
    for k, name in enumerate(names):
        if name in names[:k]:
            raise UnusableDocument(f"{what} {shown(name)} stands twice; rename one")


def agreed_requirements(station: Station, ledger: Ledger) -> tuple[Requirements, Entry] | None:
    """Return the requirements that were agreed last, with the act that dates them; None where none were.

    Raises `UnusableDocument` where the copy is not what was agreed.
    """
    acts = _agreements(ledger)
    return (_agreed_by(station, acts[-1]), acts[-1]) if acts else None


def _agreements(ledger: Ledger) -> list[Entry]:
    return [entry for entry in ledger.entries("act") if entry.body.get("act") == AGREE]


def _agreed_by(station: Station, act: Entry) -> Requirements:
    sha = act.body["requirements"]
    demand_as_agreed(station, sha)
    return load_requirements(station.folder / ACCEPTED / sha / REQUIREMENTS)


def demand_as_agreed(station: Station, sha: str) -> None:
    """Raise `UnusableDocument` where requirements that were agreed are missing, or not what was agreed."""
    path = station.folder / ACCEPTED / sha / REQUIREMENTS
    if not path.is_file():
        raise UnusableDocument(f"{path} is missing; restore it from a backup, or agree again")
    if sha256(read_document(path, "requirements")) != sha:
        raise UnusableDocument(f"{path} was altered after it was agreed; restore it from a backup, or agree again")


def agreed_since(station: Station, ledger: Ledger) -> dict[str, Entry]:
    """Return for each requirement that is agreed, by its id, the act since which it stands as it stands now.

    What stood otherwise in between counts from when it came back. A copy that cannot be read tells nothing.
    """
    since: dict[_Criterion, Entry] = {}
    ids: dict[str, Entry] = {}
    for act in _agreements(ledger):
        try:
            table = _agreed_by(station, act).table
        except TiepointError:
            since = {}
            continue
        now = {asked.id: _criterion(asked, table) for asked in table.requirement}
        since = {criterion: since.get(criterion, act) for criterion in now.values()}
        ids = {id_: since[criterion] for id_, criterion in now.items()}
    return ids


_Criterion = tuple[object, ...]
_OF_THE_TOLERANCE: tuple[By, ...] = ("type1", "rr", "capability", "limits")


def _criterion(asked: Requirement, table: RequirementsTable) -> _Criterion:
    """Return what a study is held against; not what it is called, nor in which words.

    A share of the tolerance is another one where the drawing's limits are others, and risks where undecided parts are.
    """
    figure = asked.figure or next(iter(FIGURES.get(asked.by, ())), None)
    drawn = frozenset((c.lower, c.upper, c.unit) for c in table.characteristic if c.reading == asked.of)
    told = (asked.by, asked.of, asked.most, asked.least, asked.unit, figure, asked.confidence)
    undecided = table.undecided_are if asked.by == "limits" else None
    return (*told, drawn if asked.by in _OF_THE_TOLERANCE else None, undecided)


def undecided_of(station: Station) -> Undecided:
    """Return what becomes of undecided parts as it was agreed; not accepted, where nothing was."""
    agreed = agreed_now(station)
    return "not-accepted" if agreed is None else agreed.table.undecided_are


def agreed_now(station: Station) -> Requirements | None:
    """Return what was agreed last; None where nothing was, or there is no ledger."""
    if not has_ledger(station.ledger_place):
        return None
    with Ledger(station.ledger_place) as ledger:
        agreed = agreed_requirements(station, ledger)
    return None if agreed is None else agreed[0]


def agree(station: Station, *, who: str, why: str, at: str | None = None) -> Entry | None:
    """Keep the draft of the requirements as agreed, dated by the ledger; None where it is already, or there is none.

    What a study is held against must be older than its data: this says how old it is.
    """
    path = station.folder / REQUIREMENTS
    if not path.is_file():
        return None
    found = load_requirements(path)
    if has_ledger(station.ledger_place):
        with Ledger(station.ledger_place) as ledger:
            before = agreed_requirements(station, ledger)
        if before is not None and before[0].sha == found.sha:
            return None
    write_atomic(station.folder / ACCEPTED / found.sha / REQUIREMENTS, read_bytes(path, MOST_BYTES))
    return write_act(station, act_of(station, AGREE, who=who, why=why, requirements=found.sha), at=at)


def limits_of(one: Characteristic) -> Limits | None:
    """Return what the drawing allows, in the characteristic's unit; None where it sets no limit."""
    return None if one.lower is None and one.upper is None else Limits(one.lower, one.upper)


@dataclass(frozen=True, slots=True)
class Judged:
    """By which limits an accepted recipe judges a reading, in `unit`; `variant` None where there are none."""

    variant: str | None
    reading: str
    unit: str
    limits: Limits | None


def deviations(table: RequirementsTable, judged: Sequence[Judged]) -> tuple[str, ...]:
    """Return, in sentences, where what is judged differs from what the drawing says, variant by variant."""
    return tuple(told for one in table.characteristic for told in _deviations(one, judged))


def _deviations(one: Characteristic, judged: Sequence[Judged]) -> Iterator[str]:
    of_it = [j for j in judged if j.reading == one.reading]
    if not of_it:
        there = said_names(list(dict.fromkeys(j.reading for j in judged)))
        yield f"{one.name}: no accepted recipe reads {one.reading}; there are {there}."
    elif unread := [name for name in one.variants if name not in {j.variant for j in of_it}]:
        yield f"{one.name}: no accepted recipe reads {one.reading} for the variant {said_names(unread)}."
    for j in of_it:
        due = limits_of(one)
        if due is not None and (not one.variants or j.variant in one.variants) and (by := _judged(j, due, one.unit)):
            of = one.name if j.variant is None else f"{one.name} ({j.variant})"
            yield f"{of}: the drawing allows {_range(due)} {one.unit}, {by}."


def _judged(j: Judged, due: Limits, unit: str) -> str | None:
    """Return by what is judged in place of what is due; None where it is the same."""
    if j.limits is None:
        return "and the recipe sets no limits"
    if same_limits(j.limits, j.unit, due, unit):
        return None
    return f"the recipe judges by {_range(j.limits)} {j.unit}"


def same_limits(one: Limits, unit: str, other: Limits, its_unit: str) -> bool:
    """Whether two pairs of limits are the same to 1e-9 of their width: 4.7 - 0.1 is not 4.6 to the last digit."""
    try:
        mine = [None if x is None else in_unit(x, unit, its_unit) for x in (one.lower, one.upper)]
    except ValueError:
        return False
    its = [x for x in (other.lower, other.upper) if x is not None]
    close = 1e-9 * (its[1] - its[0] if len(its) == 2 else abs(its[0]))
    return all(
        a is b if a is None or b is None else abs(a - b) <= close
        for a, b in zip(mine, (other.lower, other.upper), strict=True)
    )


_MM2_PER = {"mm2": 1.0, "in2": 25.4**2}


def in_unit(value: float, unit: str, asked: str) -> float:
    """Return a length or an area in another unit; ValueError in words where there is no way to it."""
    if unit == asked:
        return value
    for per in (MM_PER, _MM2_PER):
        if unit in per and asked in per:
            return value * per[unit] / per[asked]
    raise ValueError(f"it is in {unit_said(unit)}, and what is asked for is in {unit_said(asked)}")


def _range(limits: Limits) -> str:
    if limits.lower is None:
        return f"at most {limits.upper:.10g}"
    return f"at least {limits.lower:.10g}" if limits.upper is None else f"{limits.lower:.10g} to {limits.upper:.10g}"
