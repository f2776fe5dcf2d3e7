"""The sheet of a plan: every number with its arithmetic, its source, its ± and what is to be said of it."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from tiepoint.plan import lines_light, lines_optics, lines_size
from tiepoint.plan.asked import Asked
from tiepoint.plan.choose import Chosen, choose
from tiepoint.plan.lighting import Angle
from tiepoint.plan.line import Line, State, g, g2
from tiepoint.plan.numbers import Camera, as_stated, length_budget, numbers, spreads

__all__ = ["Line", "Sheet", "State", "arithmetic"]


@dataclass(frozen=True)
class Sheet:
    """The arithmetic of one plan.

    `angle`: of the lamps, where a slope is asked for. `budget_um`: what U of the longest length is made of, standard
    uncertainties in µm by name.
    """

    asked: Asked
    chosen: Chosen
    lines: tuple[Line, ...]
    angle: Angle | None
    budget_um: Mapping[str, float]

    @property
    def good(self) -> bool:
        """Whether nothing forbids the plan."""
        return not any(line.state == "fault" for line in self.lines)

    @property
    def faults(self) -> tuple[str, ...]:
        """What forbids it, in sentences."""
        return tuple(line.says for line in self.lines if line.state == "fault")

    @property
    def cautions(self) -> tuple[str, ...]:
        """What is to be known, in sentences."""
        return tuple(line.says for line in self.lines if line.state == "caution")

    @property
    def verdict(self) -> tuple[str, ...]:
        """What the arithmetic comes to, in sentences."""
        if self.faults:
            return self.faults
        U, share, long = self.line("U_length").value, self.line("share").value, max(self.asked.part.size_mm)
        return (f"By arithmetic U of {g(long)} mm is {g2(U)} µm, {g2(share)} % of the tolerance.",)

    def line(self, key: str) -> Line:
        """Return a line by its key."""
        return next(line for line in self.lines if line.key == key)


def arithmetic(asked: Asked) -> Sheet:
    """Return the sheet: what is left out chosen, everything worked out."""
    chosen = choose(asked)
    camera = as_stated(asked, chosen)
    told, spread = numbers(camera), spreads(asked, chosen)
    angle = lines_light.angle_of(camera)
    lines = tuple(_lines(camera, told, spread, angle))
    rows = length_budget(camera, told["edge_noise"] / 1000)
    names = lines_size.BUDGET_NAMES
    return Sheet(asked, chosen, lines, angle, {names[k]: 1000 * u for k, u in rows.items()})


def _lines(
    camera: Camera, told: Mapping[str, float], spread: Mapping[str, float], angle: Angle | None
) -> Iterator[Line]:
    yield from lines_optics.lines(camera, told, spread)
    yield from lines_light.lines(camera, told, spread, angle)
    yield from lines_size.lines(camera, told, spread)
