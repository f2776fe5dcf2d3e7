"""Which studies prove a characteristic, with how many parts, loadings and conditions, and the order of their runs.

An automatic station has no operator: what varies is how a part lies, which carrier bears it, which shift lights it.
These are the factors, and a part is put in anew between repeats. Runs are in random order, so that what drifts does not
pass for a difference between parts; a factor that is hard to change is blocked: random within each of its levels.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tiepoint.foundation.errors import UnusableInput
from tiepoint.studies.rates import more_parts, rate

FEWEST_CELLS = 90
"""Readings of a gauge study: 10 parts, 3 levels, 3 loadings; common practice."""
HANDLING_S = 15.0
"""To put a part in by hand, where nobody says how long it takes."""
MOST_RUNS = 20_000


@dataclass(frozen=True, slots=True)
class Run:
    """One line of a run sheet: put in `part` under the levels of `factors`, for the `trial`-th time."""

    number: int
    study: str
    part: str
    factors: tuple[tuple[str, str], ...]
    trial: int


@dataclass(frozen=True, slots=True)
class Plan:
    """One study: how many distinct `parts`, `loadings` of each under each condition, `runs` in all, and why.

    `conditions`: what is varied or kept. `minutes`: at the takt, with putting in by hand.
    """

    study: str
    parts: int
    loadings: int
    conditions: str
    runs: int
    minutes: float
    why: str
    which_parts: str


@dataclass(frozen=True, slots=True)
class Design:
    """The studies of a characteristic, with the runs of each in their order."""

    characteristic: str
    plans: tuple[Plan, ...]
    runs: tuple[Run, ...]
    seed: int
    convention: str
    sentences: tuple[str, ...]

    def of(self, study: str) -> tuple[Run, ...]:
        """Return the runs of one study."""
        return tuple(run for run in self.runs if run.study == study)


@dataclass(frozen=True, slots=True)
class _Wanted:
    """Parts, loadings and factors of one study, before its runs are made."""

    study: str
    parts: tuple[str, ...]
    loadings: int
    factors: Mapping[str, tuple[str, ...]]
    conditions: str
    why: str
    which_parts: str


def study_design(
    characteristic: str,
    *,
    seed: int,
    tolerance: float | None = None,
    takt_s: float | None = None,
    handling_s: float = HANDLING_S,
    factors: Mapping[str, Sequence[str]] | None = None,
    block: str | None = None,
    most_escapes: float | None = None,
    most_false: float | None = None,
    heights: Sequence[str] = ("lowest", "highest"),
    unit: str = "mm",
) -> Design:
    """Return the design. With a `tolerance` the characteristic is measured, without one it is judged.

    `factors`: what varies on this station, by name, with its levels; `block`: that of them which is hard to change.
    `most_escapes`, `most_false`: agreed rates, which say how many parts the trial takes. Raises `UnusableInput` for
    what cannot be.
    """
    named = {name: tuple(levels) for name, levels in (factors or {"loading": ("as it comes", "turned half")}).items()}
    _checked(characteristic, tolerance, takt_s, handling_s, named, block)
    wanted = tuple(_wanted(tolerance, named, heights, most_escapes, most_false, unit))
    rng = np.random.default_rng(seed)
    runs: list[Run] = []
    plans = []
    for one in wanted:
        made = _runs(one, block, rng, len(runs))
        runs += made
        if len(runs) > MOST_RUNS:
            raise UnusableInput(
                f"the runs are more than {MOST_RUNS}; agree on rates that can be shown, or take fewer levels"
            )
        minutes = len(made) * max(takt_s or 0.0, handling_s) / 60.0
        plans.append(
            Plan(one.study, len(one.parts), one.loadings, one.conditions, len(made), minutes, one.why, one.which_parts)
        )
    design = Design(characteristic, tuple(plans), tuple(runs), seed, _convention(block, seed), ())
    return replace(design, sentences=tuple(_sentences(design, most_escapes, most_false)))


def _checked(
    characteristic: str,
    tolerance: float | None,
    takt_s: float | None,
    handling_s: float,
    factors: Mapping[str, tuple[str, ...]],
    block: str | None,
) -> None:
    if not characteristic.strip():
        raise UnusableInput("the characteristic has no name; give one, as in bore A.diameter")
    if tolerance is not None and not (math.isfinite(tolerance) and tolerance > 0):
        raise UnusableInput(f"the tolerance is {tolerance:g}; give the distance of both limits, above 0")
    for name, value in (("takt", takt_s), ("time to put a part in", handling_s)):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise UnusableInput(f"the {name} is {value:g} s; give more than 0")
    for name, levels in factors.items():
        if len(levels) < 2 or len(set(levels)) < len(levels) or not all(levels):
            raise UnusableInput(f"the factor {name} has the levels {', '.join(levels)}; give two or more that differ")
    if block is not None and block not in factors:
        raise UnusableInput(f"--block {block} is no factor; it is one of {', '.join(factors)}")


def _wanted(
    tolerance: float | None,
    factors: Mapping[str, tuple[str, ...]],
    heights: Sequence[str],
    most_escapes: float | None,
    most_false: float | None,
    unit: str,
) -> Iterable[_Wanted]:
    if tolerance is None:
        yield from _judging(factors)
    else:
        yield from _measuring(tolerance, factors, heights, unit)
    bad, good = _trial_parts(most_escapes), _trial_parts(most_false)
    yield _Wanted(
        "trial",
        (*_named("bad ", bad), *_named("good ", good)),
        1,
        {},
        "as on the line, each part once, none that tuned the recipe",
        "what was agreed is shown by the number of distinct parts, not of showings",
        "bad ones of each kind and near the limit; good ones of several lots",
    )


def _measuring(
    tolerance: float, factors: Mapping[str, tuple[str, ...]], heights: Sequence[str], unit: str
) -> Iterable[_Wanted]:
    step = tolerance / 20
    yield _Wanted(
        "type1", ("reference",), 50, {}, "nothing is changed; the part is put in anew each time",
        f"repeatability and bias; values should be told to {step:.2g} {unit} or finer",
        "one calibrated part near the middle of the tolerance",
    )  # fmt: skip
    yield _Wanted(
        "linearity", _named("reference ", 5), 12, {}, "nothing is changed", "bias over the range of the tolerance",
        "five calibrated parts spread over the tolerance, both ends included",
    )  # fmt: skip
    loadings = max(2, math.ceil(FEWEST_CELLS / (10 * math.prod(map(len, factors.values())))))
    yield _Wanted(
        "rr", _named("", 10), loadings, factors, _varied(factors), "how much of what is seen is measuring",
        "ten parts as they come, which spread as the process does",
    )  # fmt: skip
    yield _Wanted(
        "stability", ("golden",), 75, {}, "three at a time, 25 times, spread over days and shifts", "what drifts",
        "one part that is kept for it",
    )  # fmt: skip
    where = {
        "position": ("left top", "right top", "middle", "left bottom", "right bottom"),
        "orientation": ("0", "90"),
        "height": tuple(heights),
    }
    yield _Wanted(
        "lengths", _named("length ", 5), 3, where, _varied(where), "errors of known lengths all over the field",
        "five calibrated lengths, from a tenth of the field to most of it",
    )  # fmt: skip


def _judging(factors: Mapping[str, tuple[str, ...]]) -> Iterable[_Wanted]:
    yield _Wanted(
        "agreement", _named("", 50), 3, factors, _varied(factors),
        "misses and false alarms against a reference, and agreement between repeats",
        "a third clearly good, a third clearly bad, a third near the limit, judged by a reference before",
    )  # fmt: skip


def _trial_parts(most: float | None) -> int:
    """Return how many parts without an error show an agreed rate; 60 (5 %) where none was agreed."""
    if most is None:
        return 60
    n = more_parts(rate(0, 0), most)
    if n is None:
        raise UnusableInput(f"a rate of {most:g} can be shown by no number of parts in reach; agree on another")
    return n


def _named(prefix: str, count: int) -> tuple[str, ...]:
    return tuple(f"{prefix}{k}" for k in range(1, count + 1))


def _varied(factors: Mapping[str, tuple[str, ...]]) -> str:
    return "; ".join(f"{name}: {', '.join(levels)}" for name, levels in factors.items())


def _runs(one: _Wanted, block: str | None, rng: np.random.Generator, before: int) -> list[Run]:
    """Return the runs of a study in random order; those of each level of `block` stay together."""
    combinations: list[tuple[tuple[str, str], ...]] = [()]
    for name, levels in one.factors.items():
        combinations = [(*told, (name, level)) for told in combinations for level in levels]
    cells = [(part, told, k) for told in combinations for part in one.parts for k in range(one.loadings)]
    order = rng.permutation(len(cells))
    if block is not None and block in one.factors:
        turn = {level: int(n) for n, level in enumerate(rng.permutation(np.array(one.factors[block])))}
        order = np.array(sorted(order.tolist(), key=lambda k: turn[dict(cells[k][1])[block]]))
    counts: dict[tuple[str, tuple[tuple[str, str], ...]], int] = {}
    runs = []
    for number, k in enumerate(order.tolist(), before + 1):
        part, told, _ = cells[k]
        counts[part, told] = trial = counts.get((part, told), 0) + 1
        runs.append(Run(number, one.study, part, told, trial))
    return runs


def _convention(block: str | None, seed: int) -> str:
    how = f", random within each level of {block}" if block else ""
    return (
        f"Runs are in random order by the seed {seed}{how}; a part is put in anew for every run. Numbers of parts and "
        "loadings are common practice, those of the trial follow from the agreed rates (Clopper and Pearson, 95 %)."
    )


def _sentences(design: Design, most_escapes: float | None, most_false: float | None) -> Iterable[str]:
    hours = sum(p.minutes for p in design.plans) / 60
    parts = {p.study: p.parts for p in design.plans}
    yield f"{len(design.runs)} runs in {len(design.plans)} studies, about {hours:.2g} hours of putting parts in."
    if most_escapes is None and most_false is None:
        yield "No rate was agreed, so the trial is for 5 %: 60 bad parts without an escape; agree on one first."
    else:
        yield f"The trial takes {parts['trial']} distinct parts, and none of them may be judged wrongly."
    yield "Next: choose the parts and label them, write down the date of these criteria, then take the runs in order."
