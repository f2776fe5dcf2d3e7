"""Kinds of steps, found by entry point: built-in kinds and a guest's use the same door.

A package offers a kind with an entry point of the group `tiepoint.steps`, whose name is the kind and whose
object is a `StepKind`.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.metadata import entry_points
from typing import TYPE_CHECKING, Literal

from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.schema import StepTable

if TYPE_CHECKING:
    from tiepoint.recipe.context import Context, StepResult

GROUP = "tiepoint.steps"

Dimension = Literal["length", "area", "angle", "number", "text"]
Feature = Literal["point", "line", "place", "part"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a kind can read: its name, what it measures, and whether it is written without being asked for."""

    name: str
    dimension: Dimension
    says: str
    always: bool = False


@dataclass(frozen=True)
class StepKind:
    """A kind of step.

    `table` describes its keys. `gives` is the feature that others may rest on. `takes` lists which features it
    can rest on, in the order of `table.rests_on`; empty for a step that rests on none, and with `()` among the others
    for one that need not. `run` measures: lengths in mm (px in the image), angles in rad.
    """

    kind: str
    says: str
    table: type[StepTable]
    quantities: tuple[Quantity, ...]
    run: "Callable[[Context], StepResult]"
    gives: Feature | None = None
    takes: tuple[tuple[Feature, ...], ...] = ()
    operators: tuple[str, ...] = ()

    def quantity(self, name: str) -> Quantity | None:
        """Return the quantity of that name, None where the kind has no such."""
        return next((q for q in self.quantities if q.name == name), None)


@cache
def installed_kinds() -> Mapping[str, StepKind]:
    """Return all kinds that installed packages offer, by name.

    Raises `UnusableInput` where a guest cannot be loaded, or two packages offer one name.
    """
    kinds: dict[str, StepKind] = {}
    for entry in sorted(entry_points(group=GROUP), key=lambda e: (e.name, e.value)):
        try:
            kind = entry.load()
        # A guest's import may fail in any way; whichever, it is named so that it can be repaired or removed.
        except Exception as error:
            raise UnusableInput(f'the step "{entry.name}" ({entry.value}) cannot be loaded: {error}') from error
        if not isinstance(kind, StepKind) or kind.kind != entry.name:
            raise UnusableInput(f'the step "{entry.name}" ({entry.value}) is not a StepKind of that name')
        if entry.name in kinds:
            raise UnusableInput(f'two packages offer a step "{entry.name}"; remove one ({entry.value})')
        kinds[entry.name] = kind
    return kinds
