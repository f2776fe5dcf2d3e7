"""A recipe, read and checked as a whole: every step by its kind, names, what rests on what, and the order."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tiepoint.documents.canonical import sha256
from tiepoint.documents.files import check_format, read_document
from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.once import cached_property
from tiepoint.recipe.beside import NOTHING, Beside, read_beside
from tiepoint.recipe.grips import GripTable, demand_find, demand_needs
from tiepoint.recipe.kinds import Feature, StepKind, installed_kinds
from tiepoint.recipe.schema import FRAMES, Channel, Decide, EdgedTable, Head, LookingTable, StepTable, limits_of
from tiepoint.recipe.tables import meant, said_names, shown


@dataclass(frozen=True)
class Step:
    """One step of a recipe: its number as written (from 1), its kind, its table, and the frame it lives in.

    `frame`: `plane`, `image` or the name of a find; `base`: the one of `plane` and `image` that it is seen on.
    `beside`: what it keeps in files.
    """

    number: int
    kind: StepKind
    table: StepTable
    frame: str
    base: str = ""
    beside: Beside = NOTHING

    @cached_property
    def name(self) -> str:
        """The step's name."""
        return self.table.name

    @cached_property
    def rests_on(self) -> tuple[str, ...]:
        """The names of the steps whose features this one takes."""
        return self.table.rests_on

    @cached_property
    def lives_in(self) -> str | None:
        """The name of the find in whose part frame this step lives; None in the plane or the image."""
        return self.table.lives_in

    @cached_property
    def waits_for(self) -> tuple[str, ...]:
        """The names of all steps that come before this one."""
        return self.table.waits_for

    @cached_property
    def looks_at(self) -> tuple[str | None, Channel] | None:
        """The role or light of the picture that it looks at, None for the first, and the channel; None for none."""
        return (self.table.picture, self.table.plane) if isinstance(self.table, LookingTable) else None


@dataclass(frozen=True)
class Recipe:
    """A recipe that can be run: `steps` as written, `order` by dependence, `sha` of its canonical content; `grips`."""

    head: Head
    steps: tuple[Step, ...]
    order: tuple[Step, ...]
    sha: str
    grips: tuple[GripTable, ...] = ()

    @property
    def needs_tie(self) -> bool:
        """Whether any step lives in the plane."""
        return any(s.base == "plane" for s in self.steps)

    def unit_of(self, step: Step, dimension: str) -> str:
        """Return the unit in which a step's quantities of a dimension are written."""
        if dimension == "angle":
            return "deg"
        if dimension == "number":
            return "1"
        if dimension == "text":
            return ""
        unit = "px" if step.base == "image" else self.head.unit
        return unit + "2" if dimension == "area" else unit

    def rule_of(self, step: Step) -> Decide:
        """Return the decision rule that holds for a step."""
        return step.table.decide or self.head.decide


def load_recipe(path: Path, row: Mapping[str, str] | None = None) -> Recipe:
    """Return the recipe of a TOML file; `row` is the variant's line by column. `UnusableDocument` in a sentence."""
    return read_recipe(read_document(path, "recipe"), path.name, row=row, folder=path.parent)


def read_recipe(
    content: Mapping[str, Any],
    where: str = "the recipe",
    *,
    row: Mapping[str, str] | None = None,
    kinds: Mapping[str, StepKind] | None = None,
    folder: Path | None = None,
) -> Recipe:
    """Return the recipe that parsed TOML holds; what its steps keep in files stands in `folder`.

    Raises `UnusableDocument` with its first fault as a sentence.
    """
    check_format(dict(content), "recipe", where)
    head = Head.read(content, f"{where}: ", row)
    known = installed_kinds() if kinds is None else kinds
    steps = [_read_step(raw, k, where, row, known) for k, raw in enumerate(head.step, 1)]
    by_name = _by_name(steps, where)
    order = _ordered(steps, by_name, where)
    framed = _framed(order, by_name, where)
    for name, step in framed.items():
        _check_step(step, head, where)
        framed[name] = replace(step, beside=_beside(step, folder, place(step, where)))
    in_order = tuple(framed[s.name] for s in order)
    grips = _grips(head, framed, where, row)
    return Recipe(head, tuple(framed[s.name] for s in steps), in_order, _sha(content, in_order), grips)


def _grips(head: Head, steps: Mapping[str, Step], where: str, row: Mapping[str, str] | None) -> tuple[GripTable, ...]:
    finds = {s.name: s.frame for s in steps.values() if s.kind.gives == "part"}
    grips: list[GripTable] = []
    for number, raw in enumerate(head.grip, 1):
        grip = GripTable.read(raw, f"{where}: grip {number}: ", row)
        here = f'{where}: grip {number} "{grip.name}": '
        if grip.name in [g.name for g in grips]:
            raise UnusableDocument(f"{here}its name is that of an earlier grip; rename one")
        demand_find(grip, finds, here)
        demand_needs(grip, {name: step.frame for name, step in steps.items()}, here)
        grips.append(grip)
    return tuple(grips)


def _beside(step: Step, folder: Path | None, here: str) -> Beside:
    mask, shape, good = (getattr(step.table, key, None) for key in ("mask", "shape", "good"))
    beside = (
        NOTHING if mask is None and shape is None and good is None else read_beside(folder, mask, shape, here, good)
    )
    if beside.taught_ground not in (None, step.base):
        what = "shape" if beside.shape else "good picture"
        raise UnusableDocument(
            f"{here}its {what} was taught in the {beside.taught_ground}, and the step lives in the {step.base}; "
            "teach it again there"
        )
    return beside


def _sha(content: Mapping[str, Any], steps: Sequence[Step]) -> str:
    """Return the hash of the recipe, and of what its steps keep beside it: another mask is another recipe."""
    beside = {name: sha for step in steps for name, sha in step.beside.shas.items()}
    return sha256({"recipe": dict(content), "beside": beside} if beside else content)


def place(step: Step, where: str) -> str:
    """Return `plate.toml: step 3 "bore A": `."""
    return f'{where}: step {step.number} "{step.name}": '


def _read_step(raw: Any, number: int, where: str, row: Mapping[str, str] | None, kinds: Mapping[str, StepKind]) -> Step:
    name = raw.get("name")
    tells = isinstance(name, str) and len(name) <= 80 and name.isprintable()
    here = f"{where}: step {number}" + (f' "{name}": ' if tells else ": ")
    said = raw.get("kind")
    if said is None:
        raise UnusableDocument(f"{here}kind is missing; use one of {', '.join(kinds)}")
    if not isinstance(said, str) or said not in kinds:
        raise UnusableDocument(f"{here}kind is {shown(said)}; {meant(str(said), list(kinds), 'use one of')}")
    kind = kinds[said]
    return Step(number, kind, kind.table.read(raw, here, row), "")


def _by_name(steps: Sequence[Step], where: str) -> dict[str, Step]:
    names: dict[str, Step] = {}
    for step in steps:
        first = names.setdefault(step.name, step)
        if first is not step:
            raise UnusableDocument(f"{place(step, where)}its name is that of step {first.number} too; rename one")
    return names


def _ordered(steps: Sequence[Step], by_name: Mapping[str, Step], where: str) -> list[Step]:
    """Return the steps so that each comes after all it rests on, otherwise as written."""
    for step in steps:
        rests_on = step.table.rests_on
        for k, name in enumerate(rests_on):
            if name in rests_on[:k]:
                raise UnusableDocument(f'{place(step, where)}it rests on "{name}" twice; name two different steps')
            if name not in by_name:
                others = said_names([n for n in by_name if n != step.name])
                raise UnusableDocument(f'{place(step, where)}no step is named "{name}"; there are {others}')
        _check_frame(step, by_name, where)
    order: list[Step] = []
    done: set[str] = set()
    while len(order) < len(steps):
        ready = [s for s in steps if s.name not in done and done.issuperset(s.table.waits_for)]
        if not ready:
            raise UnusableDocument(f"{where}: {_circle([s for s in steps if s.name not in done])}; break the circle")
        order.append(ready[0])
        done.add(ready[0].name)
    return order


def _check_frame(step: Step, by_name: Mapping[str, Step], where: str) -> None:
    name = step.table.lives_in
    if name is None:
        return
    finds = [n for n, other in by_name.items() if other.kind.gives == "part" and n != step.name]
    known = f'"plane", "image" or the name of a find ({said_names(finds) if finds else "there is none"})'
    if name not in by_name:
        raise UnusableDocument(f"{place(step, where)}in is {shown(name)}; use {known}")
    if by_name[name].kind.gives != "part":
        raise UnusableDocument(f"{place(step, where)}in names {shown(name)}, which gives no part frame; use {known}")


def _circle(left: Sequence[Step]) -> str:
    """Return the sentence of a circle among steps of which each rests on another of them."""
    by_name = {s.name: s for s in left}
    path = [left[0].name]
    while path[-1] not in path[:-1]:
        path.append(next(n for n in by_name[path[-1]].table.waits_for if n in by_name))
    chain = path[path.index(path[-1]) :]
    return f'step "{chain[0]}" rests on ' + ", which rests on ".join(f'"{n}"' for n in chain[1:])


def _framed(order: Sequence[Step], by_name: Mapping[str, Step], where: str) -> dict[str, Step]:
    """Return the steps with their frame: as stated, or that of what they rest on."""
    framed: dict[str, Step] = {}
    for step in order:
        stated = step.table.in_
        frames = {framed[n].frame for n in step.table.rests_on}
        if len(frames | ({stated} if stated else set())) > 1 and frames:
            raise UnusableDocument(
                f"{place(step, where)}it rests on steps in another frame; give all of them the same in"
            )
        frame = stated or (frames.pop() if frames else "plane")
        features = tuple(by_name[n].kind.gives for n in step.table.rests_on)
        if step.kind.takes and not {features, _as_points(features)} & set(step.kind.takes):
            raise UnusableDocument(f"{place(step, where)}{_mismatch(step, features)}")
        framed[step.name] = replace(step, frame=frame, base=frame if frame in FRAMES else framed[frame].base)
    return framed


def _as_points(features: Sequence[Feature | None]) -> tuple[Feature | None, ...]:
    """Return features with a place as the point that it is too."""
    return tuple("point" if f == "place" else f for f in features)


def _mismatch(step: Step, features: Sequence[Feature | None]) -> str:
    named = " and ".join(
        f'"{n}" ({f"a {f}" if f else "which gives no place"})'
        for n, f in zip(step.table.rests_on, features, strict=True)
    )
    ways = dict.fromkeys(" and ".join(f"a {f}" for f in way) for way in step.kind.takes)
    return f"it rests on {named}; {step.kind.kind} takes {', or '.join(ways)}"


def _check_step(step: Step, head: Head, where: str) -> None:
    here, table = place(step, where), step.table
    for label, names in (("limits", table.limits), ("readings", table.readings)):
        for name in names:
            if step.kind.quantity(name) is None:
                quantities = said_names([q.name for q in step.kind.quantities])
                raise UnusableDocument(f"{here}{label} names {shown(name)}; {step.kind.kind} reads {quantities}")
    for name in table.limits:
        quantity = step.kind.quantity(name)
        if quantity is not None and quantity.dimension == "text":
            raise UnusableDocument(
                f"{here}limits names {shown(name)}, which is a text; say what is expected of it instead"
            )
    if isinstance(table, EdgedTable) and table.edge is not None and table.edge not in head.edge:
        known = f"there are {said_names(head.edge)}" if head.edge else f"state [edge.{table.edge}] with its u"
        raise UnusableDocument(f"{here}edge is {shown(table.edge)}, which the recipe does not define; {known}")
    _check_rule(step, head, where)


def _check_rule(step: Step, head: Head, where: str) -> None:
    rule = step.table.decide or head.decide
    for name in step.table.limits:
        quantity = step.kind.quantity(name)
        is_mm = quantity is not None and quantity.dimension == "length" and step.base != "image"
        if rule.is_length and not is_mm:
            raise UnusableDocument(
                f'{place(step, where)}the rule "{rule.rule}" is a length, and {name} is not read in one; '
                'give this step its own rule, as in decide = { rule = "iso14253-1" }'
            )
        limits_of(step.table, name, rule)
