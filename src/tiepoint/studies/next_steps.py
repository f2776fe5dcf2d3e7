"""What to do next: actions ranked by what they buy, from the sources of the readings themselves.

Each action leaves a stated share of the standard uncertainty of the sources that it acts on; u, its parts and the risks
are worked out anew with it. The best action comes first, the next best is what it buys after the first, and so on.
Best is what takes most good parts out of the undecided and the rejected, since the rule itself keeps the bad ones out.
"""

import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import get_args

from tiepoint.foundation.sources import Scope
from tiepoint.model.decide import Limits
from tiepoint.model.reading import SourceTerm
from tiepoint.studies.limits import SHARED, share, zones_of
from tiepoint.studies.risks import Normal, Risks, Sample, average_risks

BAR_U_MM = 0.05 / math.sqrt(3.0)
"""Of a bar that is measured to ±0.05 mm."""
BAR_MM = 200.0
"""Length of a bar that is assumed where nobody measured one."""
NOTHING_LOST = 1e-6
"""Of all parts: where fewer good ones are not accepted, nothing is left to buy."""
LEAST_GAIN = 0.02
"""Of u: an action that takes off less is not worth a sentence."""


@dataclass(frozen=True, slots=True)
class Action:
    """Something to do: what, the sources that it acts on (by a pattern of their ids), and what it leaves of each u.

    `scopes`: of which these sources are: an average takes nothing off what is the same in all that it is of, and a
    correction nothing off what differs from part to part; a person's name for a step cannot be taken for a cause.
    `assumes`: what was taken for granted of how well it is done.
    """

    name: str
    pattern: re.Pattern[str]
    leaves: Callable[[SourceTerm], float]
    assumes: str = ""
    scopes: frozenset[str] = frozenset(get_args(Scope))

    def acts(self, term: SourceTerm) -> bool:
        """Whether it takes something off a source."""
        return term.scope in self.scopes and self.pattern.search(term.id) is not None


AMONG_SHOTS: frozenset[str] = frozenset({"pixel", "shot"})
"""What differs between shots of one part that stays where it lies."""


def _to(factor: float) -> Callable[[SourceTerm], float]:
    return lambda _: factor


def _unmeasured_bars(term: SourceTerm) -> float:
    """Return what a measured bar leaves of the relative u of a print scale that nobody measured."""
    return min(1.0, BAR_U_MM / BAR_MM / term.u) if term.u else 1.0


def _measured_bars(term: SourceTerm) -> float:
    """Return what a better reading leaves of that of a bar, whose u is in mm; half of it where it is good already."""
    return min(0.5, BAR_U_MM / term.u) if term.u else 1.0


ACTIONS = (
    Action(
        "measure the bars of the target to ±0.05 mm",
        re.compile(r"/print-scale/"),
        _unmeasured_bars,
        f"bars of {BAR_MM:g} mm",
        SHARED,
    ),
    Action(
        "measure the bars of the target to ±0.05 mm, or twice as well",
        re.compile(r"/bar-reading/|^instrument:.*/scale"),
        _measured_bars,
        scopes=SHARED,
    ),
    Action(
        "print the target on glass or aluminium",
        re.compile(r"/swelling/"),
        _to(0.0),
        "it swells no more",
        SHARED,
    ),
    Action("keep target and part within 2 K of the tie", re.compile(r"/expansion|temperature"), _to(0.4), "", SHARED),
    Action(
        "tie again at the part's height, and state that height four times as well",
        re.compile(r"height|:distance$|principal-|plane-z"),
        _to(0.25),
        scopes=SHARED,
    ),
    Action(
        "take four shots of each part and average",
        re.compile(
            r"^(edges|corners|lattice|contrast|aligned|colour|levels|spread|scale|pixel):(?!.*-(bias|pull)(#|$))|noise"
        ),
        _to(0.5),
        "their noise is independent, and none of it the part's own form",
        AMONG_SHOTS,
    ),
    Action(
        "measure one known part, and correct the edges by it",
        re.compile(r"edge-definition|:edge$"),
        _to(0.25),
        scopes=SHARED,
    ),
    Action(
        "take four photos of the target, on a flat plate",
        re.compile(r":(corners|bow|pairs|remainder|rest)(#|$)"),
        _to(0.5),
        scopes=SHARED,
    ),
    Action(
        "make a camera document by views, and tie with it",
        re.compile(r":(lens|tilt|stretch|cushion|foreshorten)"),
        _to(0.2),
        scopes=SHARED,
    ),
    Action("let the part lie flat, and prove it", re.compile(r"^lean:"), _to(0.3)),
    Action("bring more pixels to each mm, twice as many", re.compile(r"^model:|-bias$"), _to(0.5)),
)
"""What can be done about the sources that ties and steps name."""


@dataclass(frozen=True, slots=True)
class Standing:
    """Where the station stands: u (own, common and together) and the risks of the average station by the rule.

    `risks` is None where no part could conform.
    """

    u: float
    u_own: float
    u_common: float
    risks: Risks | None

    @property
    def lost(self) -> float:
        """Share of all parts that are good and not accepted; all of them where none could conform."""
        return 1.0 if self.risks is None else self.risks.producer


@dataclass(frozen=True, slots=True)
class NextStep:
    """An action in its place: what it acts on (labels), and where the station stands once it is done too."""

    action: str
    acts_on: tuple[str, ...]
    assumes: str
    after: Standing


@dataclass(frozen=True, slots=True)
class NextSteps:
    """Where the station stands `now`, and actions in their order, each beside those before it."""

    now: Standing
    steps: tuple[NextStep, ...]
    sentences: tuple[str, ...]


def next_steps(
    terms: Sequence[SourceTerm],
    limits: Limits,
    parts: Normal | Sample,
    *,
    dof: float = math.inf,
    unit: str = "mm",
    most: int = 3,
) -> NextSteps:
    """Return what to do about the sources `terms` of a reading, at most `most` actions in their order."""
    now = _standing(terms, limits, parts, dof, unit)
    steps: list[NextStep] = []
    left, standing, open_ = list(terms), now, list(_actions(terms))
    while open_ and len(steps) < most and standing.lost > NOTHING_LOST:
        done = [(action, _done(action, left)) for action in open_]
        tried = [(action, changed, _standing(changed, limits, parts, dof, unit)) for action, changed in done]
        action, changed, after = min(tried, key=lambda one: (one[2].lost, one[2].u))
        if after.u > (1 - LEAST_GAIN) * standing.u:
            break
        acts_on = tuple(dict.fromkeys(t.label for t in left if action.acts(t)))
        steps.append(NextStep(action.name, acts_on, action.assumes, after))
        open_ = [other for other in open_ if other is not action]
        left, standing = changed, after
    found = NextSteps(now, tuple(steps), ())
    return replace(found, sentences=tuple(_sentences(found)))


def _actions(terms: Sequence[SourceTerm]) -> Iterable[Action]:
    """Yield the actions that act on a source, and for what none acts on: know it twice as well."""
    known: set[str] = set()
    for action in ACTIONS:
        acting = [t.id for t in terms if action.acts(t)]
        if acting:
            yield action
        known |= set(acting)
    for label in dict.fromkeys(t.label for t in terms if t.id not in known):
        ids = [re.escape(t.id) for t in terms if t.label == label]
        yield Action(f"know “{label}” twice as well", re.compile(f"^({'|'.join(ids)})$"), _to(0.5))


def _done(action: Action, terms: Sequence[SourceTerm]) -> list[SourceTerm]:
    return [t._replace(c=t.c * action.leaves(t)) if action.acts(t) else t for t in terms]


def _standing(terms: Sequence[SourceTerm], limits: Limits, parts: Normal | Sample, dof: float, unit: str) -> Standing:
    own = math.sqrt(math.fsum((t.c * t.u) ** 2 for t in terms if t.scope not in SHARED))
    common = math.sqrt(math.fsum((t.c * t.u) ** 2 for t in terms if t.scope in SHARED))
    u = math.hypot(own, common)
    zones = zones_of(limits, u, dof, unit)
    return Standing(u, own, common, None if zones is None else average_risks(parts, zones, own, common))


def _sentences(found: NextSteps) -> Iterable[str]:
    if found.now.risks is None:
        yield f"As it stands no part can conform: u is {found.now.u:.2g}."
    before = found.now
    for n, step in enumerate(found.steps, 1):
        lead = "First" if n == 1 else "Then"
        assumes = f" (taking for granted: {step.assumes})" if step.assumes else ""
        yield f"{lead} {step.action}: {_change(before, step.after)}{assumes}."
        before = step.after
    if found.now.lost <= NOTHING_LOST:
        yield "Less than one good part of a million is not accepted: nothing needs to be done."
    elif not found.steps:
        yield "Nothing that is known to help takes off a fiftieth of u; the limits or the process are what can change."


def _change(before: Standing, after: Standing) -> str:
    u = f"u {before.u:.2g} → {after.u:.2g}"
    if after.risks is None:
        return f"{u}, and still no part can conform"
    if before.risks is None:
        return (
            f"{u}, undecided then {share(after.risks.undecided)}, good and not accepted {share(after.risks.producer)}"
        )
    return (
        f"{u}, undecided {share(before.risks.undecided)} → {share(after.risks.undecided)}, good and not accepted "
        f"{share(before.risks.producer)} → {share(after.risks.producer)}"
    )
