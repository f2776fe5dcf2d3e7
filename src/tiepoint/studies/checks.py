"""What a study takes for granted, and what its data say of it: normal, without outliers, independent, enough, fine.

A check never stops a study. It says that an assumption holds, that it does not, or that so few data cannot tell.
"""

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray
from scipy import special

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

LEVEL = 0.01
"""How often a check may object to data that are as they should be."""

_FEWEST = 8
_MOST_FOR_SHAPIRO = 5000
_COARSEST = 0.7
"""In standard deviations: values that are rounded more coarsely fail a test of normality for that alone."""


@dataclass(frozen=True, slots=True)
class Check:
    """An assumption by `name`; whether it `holds` (None: these data cannot tell); what to know, in a sentence.

    `p`: of the test, where there was one.
    """

    name: str
    holds: bool | None
    sentence: str
    p: float | None = None


def normality(values: ArrayLike, of: str = "the values") -> Check:
    """Return whether values (n,) may be a sample of a normal distribution.

    Shapiro & Wilk 1965; above 5,000 values D'Agostino & Pearson 1973 (both by SciPy). Coarsely rounded values are not
    tested: they fail by their rounding.
    """
    x = np.asarray(values, float)
    if x.size < _FEWEST:
        return Check("normality", None, f"{x.size} values are too few to test whether {of} are normal.")
    spread = float(np.std(x, ddof=1))
    if not spread > 0:
        return Check("normality", None, f"All of {of} are the same, so nothing can be said of their distribution.")
    if (step := resolution_of(x)) > _COARSEST * spread:
        told = f"{of[:1].upper()}{of[1:]} are rounded to {step / spread:.2g} of their standard deviation"
        return Check("normality", None, f"{told}, too coarsely to test whether they are normal.")
    p = float((scipy.stats.shapiro if x.size <= _MOST_FOR_SHAPIRO else scipy.stats.normaltest)(x).pvalue)
    if p < LEVEL:
        return Check("normality", False, f"{of[:1].upper()}{of[1:]} are not normal (p = {p:.2g}).", p)
    return Check("normality", True, f"Nothing speaks against normal {of.removeprefix('the ')} (p = {p:.2g}).", p)


def outliers(values: ArrayLike, most: int | None = None, level: float = LEVEL) -> Ints:
    """Return the places (k,) of outliers among values (n,), by the generalised extreme studentised deviate.

    Rosner, Technometrics 25 (1983) 165, eq. 2.1 to 2.5. `most`: looked for, a tenth of the values where not given.
    """
    x = np.asarray(values, float)
    count = min(max(1, x.size // 10) if most is None else most, x.size - 2)
    if count < 1:
        return np.array([], np.intp)
    taken, n, means, squares = _farthest_first(x, count)
    t = special.stdtrit(n - 2, 1.0 - level / (2.0 * n))
    bounds = t * (n - 1) / np.sqrt((n - 2 + t * t) * n)
    away, spread = np.abs(x[taken] - means), np.sqrt(squares / (n - 1))
    beyond = np.flatnonzero(away > bounds * spread)
    return taken[: int(beyond[-1]) + 1] if beyond.size else taken[:0]


def _farthest_first(x: Array, count: int) -> tuple[Ints, Array, Array, Array]:
    """Return the places (k,) of the values that lie farthest from the mean of what is left, one taken after another.

    Beside each: how many values there were with it, their mean, and their sum of squares about it.
    """
    middle = float(np.median(x))
    order = np.argsort(x, kind="stable")
    y = (x[order] - middle).tolist()
    first, last, total = 0, x.size, math.fsum(y)
    taken, left, means = [], [], []
    for _ in range(count):  # in order, so that the farthest is at one of the ends
        mean = total / (last - first)
        left.append(last - first)
        means.append(mean)
        at = first if mean - y[first] > y[last - 1] - mean else last - 1
        first, last = (first + 1, last) if at == first else (first, last - 1)
        total -= y[at]
        taken.append(at)
    core = np.array(y[first:last])
    about, inside, n = float(np.sum((core - core.mean()) ** 2)), float(core.mean()), core.size
    squares = []
    for at in reversed(taken):  # from the core outwards: a sum of squares loses its digits when an outlier leaves it
        about += (y[at] - inside) ** 2 * n / (n + 1)
        inside += (y[at] - inside) / (n + 1)
        n += 1
        squares.append(about)
    return order[taken].astype(np.intp), np.array(left, float), middle + np.array(means), np.array(squares[::-1])


def without_outliers(values: ArrayLike, names: tuple[str, ...], of: str = "the values") -> Check:
    """Return whether no value (n,) stands out; `names` (n,) say where each stands, for the sentence."""
    x = np.asarray(values, float)
    if x.size < _FEWEST:
        return Check("outliers", None, f"{x.size} values are too few to tell outliers among {of}.")
    places = outliers(x)
    if not places.size:
        return Check("outliers", True, f"No outlier among {of}.")
    told = ", ".join(names[k] for k in places[:5]) + (" and more" if places.size > 5 else "")
    what = "stands" if places.size == 1 else "stand"
    return Check("outliers", False, f"{told} {what} out among {of}: look at the picture, and never drop it silently.")


def independence(values: ArrayLike, of: str = "the values") -> Check:
    """Return whether values (n,), in the order in which they were taken, neither drift nor swing.

    Bartels' rank version of von Neumann's ratio, JASA 77 (1982) 40: its mean is 2, its variance 4(n−2)(5n²−2n−9) /
    (5n(n+1)(n−1)²), near normal from ten values on; two-sided.
    """
    x = np.asarray(values, float)
    n = x.size
    if n < 10:
        return Check("independence", None, f"{n} values are too few to tell whether {of} drift.")
    ranks = scipy.stats.rankdata(x)
    about = float(np.sum((ranks - ranks.mean()) ** 2))
    if not about > 0:
        return Check("independence", None, f"All of {of} are the same, so their order tells nothing.")
    ratio = float(np.sum(np.diff(ranks) ** 2)) / about
    sd = math.sqrt(4.0 * (n - 2) * (5.0 * n * n - 2.0 * n - 9.0) / (5.0 * n * (n + 1.0) * (n - 1.0) ** 2))
    p = float(2.0 * scipy.stats.norm.sf(abs(ratio - 2.0) / sd))
    if p >= LEVEL:
        return Check("independence", True, f"In their order {of} neither drift nor swing (p = {p:.2g}).", p)
    how = "neighbours are alike: something drifts" if ratio < 2 else "neighbours alternate"
    return Check("independence", False, f"In their order {of} are not independent; {how} (p = {p:.2g}).", p)


def independence_within(left: ArrayLike, groups: ArrayLike, of: str = "the deviations") -> Check:
    """Return whether deviations `left` (n,) from the means of their `groups` (n,), in order, neither drift nor swing.

    Durbin & Watson's ratio (Biometrika 37 (1950) 409, 38 (1951) 159): deviations from a mean of few values lean against
    each other, so that its mean and variance follow from which stand side by side. Two-sided, near normal.
    """
    e = np.asarray(left, float)
    names, cells, counts = np.unique(np.asarray(groups), return_inverse=True, return_counts=True)
    n, free = e.size, e.size - names.size
    about = float(e @ e)
    if free < 10 or not about > 0:
        return Check("independence", None, f"{of[:1].upper()}{of[1:]} are too few to tell whether they drift.")
    steps = scipy.sparse.diags_array([-np.ones(n), np.ones(n - 1)], offsets=[0, 1], shape=(n - 1, n)).tocsr()
    neighbours = (steps.T @ steps).tocsr()
    means = scipy.sparse.csr_array((1 / np.sqrt(counts[cells]), (np.arange(n), cells)), shape=(n, names.size))
    moved = neighbours @ means
    inner = means.T @ moved
    first = 2.0 * (n - 1) - float(inner.diagonal().sum())
    second = sum(k * float(m.data @ m.data) for k, m in ((1, neighbours), (-2, moved), (1, inner)))
    mean = first / free
    variance = 2 * (free * second - first**2) / (free**2 * (free + 2))
    ratio = float(np.sum(np.diff(e) ** 2)) / about
    p = float(2.0 * scipy.stats.norm.sf(abs(ratio - mean) / math.sqrt(variance)))
    if p >= LEVEL:
        return Check("independence", True, f"In their order {of} neither drift nor swing (p = {p:.2g}).", p)
    how = "neighbours are alike: something drifts" if ratio < mean else "neighbours alternate"
    return Check("independence", False, f"In their order {of} are not independent; {how} (p = {p:.2g}).", p)


def fine_enough(values: ArrayLike, scatter: float, of: str) -> Check:
    """Return whether the step to which values (n,) are rounded is below their `scatter` (a standard deviation).

    A coarser step takes the place of the scatter: what is found then is the rounding.
    """
    step = resolution_of(values)
    if step > scatter:
        told = f"The values are given in steps of {step:.2g}, more than {of} of {scatter:.2g} found from them"
        return Check("resolution", False, f"{told}: give more digits.")
    return Check("resolution", True, f"The values' steps of {step:.2g} are finer than {of}.")


def resolution_of(values: ArrayLike) -> float:
    """Return the step to which values (n,) are rounded, as far as they show it: their least difference; 0 for one."""
    steps = np.diff(np.unique(np.asarray(values, float)))
    scale = float(np.max(np.abs(np.asarray(values, float)), initial=0.0))
    steps = steps[steps > 1e-12 * scale]
    return float(steps.min()) if steps.size else 0.0
