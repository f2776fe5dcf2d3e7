"""Crossed random effects: sums of squares, what each mean square is made of, and the components of variance.

A factor is a sample of the levels that occur, unless all of them are here (`fixed`). A term S of retained terms R has
the expected mean square

    E[MS_S] = σ² + Σ_{T ∈ R, T ⊇ S} c_T σ_T²,   c_T = n · (product of the levels of the factors not in T)

(e.g. Montgomery, Design and Analysis of Experiments, ch. 13), which is solved for the components. Unequal repeats are
analysed by unweighted means of the cells with the harmonic mean of the repeats for n, so that components stay unbiased
(Thomas & Hultquist, Annals of Statistics 6 (1978) 582; Burdick & Graybill 1992, ch. 4). Every cell needs a value.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.errors import PoorGeometry

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Factors = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Term:
    """A source of variation: the numbers of its `factors` (none: the error), its sum of squares and degrees of freedom.

    `F` and `p`: against the mean square that differs by this term alone; None where there is no single one.
    """

    factors: Factors
    ss: float
    dof: int
    F: float | None = None
    p: float | None = None

    @property
    def ms(self) -> float:
        """Mean square."""
        return self.ss / self.dof


@dataclass(frozen=True)
class Analysis:
    """Retained terms with the error last. `levels` of each factor; `repeats`: harmonic mean; `total`: sum of squares.

    `pooled`: terms that were added to the error, as they were found. `components` (m, m) times mean squares (m,) are
    the variances of the terms. `equal`: all cells have the same number of values.
    """

    terms: tuple[Term, ...]
    pooled: tuple[Term, ...]
    levels: tuple[int, ...]
    repeats: float
    equal: bool
    total: float
    components: Array

    @property
    def mean_squares(self) -> Array:
        """Mean squares (m,) in the order of the terms."""
        return np.array([t.ms for t in self.terms])

    @property
    def dof(self) -> Array:
        """Degrees of freedom (m,)."""
        return np.array([float(t.dof) for t in self.terms])

    def row(self, factors: Factors) -> Array:
        """Return the coefficients (m,) of the mean squares that make a term's variance; zeros where it was pooled."""
        places = [k for k, t in enumerate(self.terms) if t.factors == factors]
        return self.components[places[0]] if places else np.zeros(len(self.terms))


def analysed(
    values: Array,
    codes: Ints,
    levels: Sequence[int],
    pool_above: float | None = 0.25,
    fixed: frozenset[int] = frozenset(),
) -> Analysis:
    """Return the analysis of values (n,), whose factors have the levels numbered in `codes` (k, n), from 0.

    Interactions with p above `pool_above` are pooled with the error, the highest order first (None: never; 0: always).
    `fixed`: numbers of factors whose levels are all that there are; a term of these alone adds to its own mean square
    only, since its effects sum to zero over the levels of each.
    Raises `PoorGeometry` where a factor has one level, a cell is empty, or nothing was repeated.
    """
    found = _terms(np.asarray(values, float), np.asarray(codes, np.intp), tuple(levels))
    terms, pooled = found.terms, []
    if pool_above is not None:
        for order in range(len(levels), 1, -1):
            judged = _tested(terms, found.levels, found.repeats, fixed)
            out = [t for t in judged if len(t.factors) == order and _poolable(t, judged, pool_above)]
            pooled += out
            terms = _without(judged, out)
    terms = _tested(terms, found.levels, found.repeats, fixed)
    components = _components([t.factors for t in terms], found.levels, found.repeats, fixed)
    inverse = np.asarray(np.linalg.inv(components), float)
    return Analysis(terms, tuple(pooled), found.levels, found.repeats, found.equal, found.total, inverse)


def cell_numbers(codes: Ints, levels: Sequence[int]) -> Ints:
    """Return the number of each value's cell (n,)."""
    return np.asarray(np.ravel_multi_index(tuple(codes), tuple(levels)), np.intp)


@dataclass(frozen=True)
class _Found:
    terms: tuple[Term, ...]
    levels: tuple[int, ...]
    repeats: float
    equal: bool
    total: float


def _terms(values: Array, codes: Ints, levels: tuple[int, ...]) -> _Found:
    # Differences from one of the values are exact where all are nearly alike, which the mean is not.
    y = values - values[0]
    y = y - y.mean()
    cells = cell_numbers(codes, levels)
    counts = np.bincount(cells, minlength=int(np.prod(levels)))
    if not counts.all():
        raise PoorGeometry(f"{int(np.sum(counts == 0))} of {counts.size} combinations have no value")
    if (alone := [k for k, n in enumerate(levels) if n < 2]) or not levels:
        raise PoorGeometry(f"factor {alone[0] if alone else 0} has one level only")
    means = np.bincount(cells, y) / counts
    within = float(np.sum((y - means[cells]) ** 2))
    n = counts.size / float(np.sum(1.0 / counts))
    terms = _effects(means.reshape(levels), n)
    if (dof := values.size - counts.size) > 0:
        terms.append(Term((), within, dof))
    elif len(levels) > 2:  # nothing was repeated: the interaction of all factors cannot be told from the error
        terms.append(Term((), terms[-1].ss, terms.pop().dof))
    else:
        raise PoorGeometry("nothing was repeated, so repeatability cannot be told from the rest")
    return _Found(tuple(terms), levels, n, bool(np.ptp(counts) == 0), float(np.sum(y**2)))


def _effects(cube: Array, n: float) -> list[Term]:
    """Return the terms of cell means, from main effects up."""
    axes = range(cube.ndim)
    left, terms = cube - cube.mean(), []
    for order in range(1, cube.ndim + 1):
        for factors in combinations(axes, order):
            across = tuple(k for k in axes if k not in factors)
            effect = left.mean(axis=across, keepdims=True)
            left = left - effect
            copies = n * float(np.prod([cube.shape[k] for k in across]))
            dof = int(np.prod([cube.shape[k] - 1 for k in factors]))
            terms.append(Term(factors, copies * float(np.sum(effect**2)), dof))
    return terms


def _components(factors: Sequence[Factors], levels: tuple[int, ...], n: float, fixed: frozenset[int]) -> Array:
    """Return what each expected mean square (m,) holds of each variance (m,)."""

    def held(s: Factors, t: Factors) -> float:
        if not t:
            return 1.0
        inside = s == t if fixed.issuperset(t) else bool(s) and set(s) <= set(t)
        return n * float(np.prod([levels[k] for k in range(len(levels)) if k not in t])) if inside else 0.0

    return np.array([[held(s, t) for t in factors] for s in factors])


def _tested(terms: tuple[Term, ...], levels: tuple[int, ...], n: float, fixed: frozenset[int]) -> tuple[Term, ...]:
    """Return the terms with F and p, where one mean square alone is the one to compare with."""
    inverse = np.linalg.inv(_components([t.factors for t in terms], levels, n, fixed))
    tested = []
    for k, term in enumerate(terms):
        against = [j for j in range(len(terms)) if j != k and abs(inverse[k, j]) > 1e-9 * abs(inverse[k, k])]
        if not term.factors or len(against) != 1 or not terms[against[0]].ms > 0:
            tested.append(Term(term.factors, term.ss, term.dof))
            continue
        other = terms[against[0]]
        F = term.ms / other.ms
        tested.append(Term(term.factors, term.ss, term.dof, F, float(special.fdtrc(term.dof, other.dof, F))))
    return tuple(tested)


def _poolable(term: Term, terms: Sequence[Term], above: float) -> bool:
    """Whether a term may join the error: its p is above the limit, and no term that holds it stays."""
    if any(set(term.factors) < set(other.factors) for other in terms):
        return False
    return term.p is not None and term.p > above


def _without(terms: Sequence[Term], out: Sequence[Term]) -> tuple[Term, ...]:
    error = terms[-1]
    error = Term((), error.ss + sum(t.ss for t in out), error.dof + sum(t.dof for t in out))
    return (*(t for t in terms[:-1] if t not in out), error)
