"""Values as linear forms over independent, named sources of uncertainty.

The law of propagation (JCGM 100:2008, eq. 10) without a covariance matrix in sight: every value keeps
its sensitivity to each independent source, so two values are correlated exactly where they share a
source id. Covariance, budget, effective degrees of freedom (JCGM 100, G.2b) and U95 are derived.

The parameters of one fit are one *ensemble*: sources with ids `fit#0`, `fit#1`, … share the part before
`#`, one dof, one label, type and scope. Welch-Satterthwaite is applied to ensembles, not to their members,
because one residual variance scales them all (JCGM 100, G.4.1 with the remark of H.3.6).
"""

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import accumulate, chain, compress
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.errors import MixedSources
from tiepoint.foundation.once import cached_property

Kind = Literal["A", "B"]
Distribution = Literal["normal", "rectangular", "triangular", "arcsine", "t"]
Scope = Literal["pixel", "shot", "load", "part", "tie", "station", "instrument"]
Array = NDArray[np.float64]

DIVISOR: dict[str, float] = {
    "rectangular": math.sqrt(3.0),
    "triangular": math.sqrt(6.0),
    "arcsine": math.sqrt(2.0),
}
"""Half-width over standard uncertainty (JCGM 100, 4.3.7, 4.3.9; arcsine from memory)."""
_EXCESS: dict[str, float] = {"rectangular": -1.2, "triangular": -0.6, "arcsine": -1.5}
"""Excess kurtosis of the distributions that are not normal."""
U, INVERSE_DOF, BACK, EXCESS = range(4)
"""Rows of what sources state in numbers (4, m): standard uncertainty; 1/dof of the ensemble, at its first member; how
many places before it that one stands; excess kurtosis of the distribution."""


@dataclass(frozen=True, slots=True)
class Source:
    """A named, independent cause of uncertainty.

    `id` is global: whatever shares it is correlated. `u` is a standard uncertainty in the unit of the cause;
    `dof` may be infinite. Inside an ensemble (`id` with `#`) the label is that of the ensemble.
    """

    id: str
    label: str
    type: Kind
    u: float
    scope: Scope
    distribution: Distribution = "normal"
    dof: float = math.inf

    def __hash__(self) -> int:
        # Texts keep their hash: sources are looked up far more often than made, and an id tells them apart.
        return hash(self.id)

    @property
    def ensemble(self) -> str:
        """The part of the id before `#`: members of one fit share it."""
        return self.id.partition("#")[0]


def half_width(
    source_id: str, label: str, half: float, scope: Scope, distribution: Distribution = "rectangular"
) -> Source:
    """Return a type B source known only to lie within ±`half` (JCGM 100, 4.3.7)."""
    return Source(source_id, label, "B", half / DIVISOR[distribution], scope, distribution)


def ensemble(
    prefix: str, label: str, covariance: Array, scope: Scope, dof: float, kind: Kind = "A"
) -> tuple["Sources", Array]:
    """Return unit sources for the parameters of one fit, and the factor that spreads them.

    `covariance` is (p, p). With the returned factor F (p, r), parameters = estimate + F·z, z independent
    with unit variance, so a quantity with gradient g over the parameters has coefficients g·F. The factor
    is Cholesky's; that of the eigen-decomposition where the covariance is semi-definite (r counts what varies).
    """
    try:
        factor = np.asarray(np.linalg.cholesky(covariance), float)
    except np.linalg.LinAlgError:
        factor = _factor_of_semidefinite(covariance)
    return members(prefix, label, factor.shape[1], scope, dof, kind), factor


def members(prefix: str, label: str, count: int, scope: Scope, dof: float, kind: Kind = "A") -> "Sources":
    """Return the unit sources of an ensemble."""
    distribution: Distribution = "t" if math.isfinite(dof) else "normal"
    made = Sources([Source(f"{prefix}#{k}", label, kind, 1.0, scope, distribution, dof) for k in range(count)])
    made.ensembles = frozenset([prefix.partition("#")[0]])
    made.stated = np.zeros((4, count))
    made.stated[U], made.stated[INVERSE_DOF, :1], made.stated[BACK] = 1.0, 1.0 / dof, range(count)
    return made


def _factor_of_semidefinite(covariance: Array) -> Array:
    """Return F (p, r) with F·Fᵀ the covariance (p, p), r counting what varies."""
    symmetric = (covariance + covariance.T) / 2
    # Scaled to a correlation matrix first, so that parameters of very different size keep their digits.
    scale = np.sqrt(np.maximum(np.diag(symmetric), 0.0))
    safe = np.where(scale > 0, scale, 1.0)
    values, vectors = np.linalg.eigh(symmetric / np.outer(safe, safe))
    kept = values > 1e-14 * max(1.0, float(values.max(initial=0.0)))
    return np.asarray((safe[:, None] * vectors[:, kept]) * np.sqrt(values[kept]))


class Sources(tuple[Source, ...]):
    """Several sources, each of them once, with what every sum over them needs, worked out once for all of a shot."""

    parts: tuple["Sources", ...] = ()
    """The lists that it was joined from, none where it was not; no two of them share an ensemble."""
    # A list that held itself would live until cycles are collected, which stalls a shot now and then.

    @cached_property
    def ensembles(self) -> frozenset[str]:
        """The names of their ensembles."""
        return frozenset([s.id.partition("#")[0] for s in self])

    @cached_property
    def stated(self) -> Array:
        """What they state in numbers (4, m), as the kernels of `law` take it."""
        if self.parts:
            return np.concatenate([part.stated for part in self.parts], axis=1)
        first: dict[str, int] = {}
        inverse_dof, back = [0.0] * len(self), [0] * len(self)
        for k, source in enumerate(self):
            # What has unlimited dof brings nothing to the sum, whatever ensemble it says that it belongs to.
            if source.dof != math.inf:
                at = first.setdefault(source.ensemble, k)
                inverse_dof[at], back[k] = max(inverse_dof[at], 1.0 / source.dof), k - at
        excess = [_EXCESS.get(s.distribution, 0.0) for s in self]
        return np.array([[s.u for s in self], inverse_dof, back, excess])

    @property
    def u(self) -> Array:
        """Their standard uncertainties (m,)."""
        return np.asarray(self.stated[U])

    @cached_property
    def told(self) -> tuple[tuple[str, str, str, str, float, float, str], ...]:
        """What each states, as a reading keeps it: id, label, type, distribution, u, dof and scope."""
        if self.parts:
            return tuple(chain.from_iterable([part.told for part in self.parts]))
        return tuple([(s.id, s.label, s.type, s.distribution, s.u, s.dof, s.scope) for s in self])

    @cached_property
    def place(self) -> dict[Source, int]:
        """Where each stands."""
        return {source: k for k, source in enumerate(self)}


@lru_cache(maxsize=1024)
def alone(source: Source) -> Sources:
    """Return the list of one source, the same for all who ask, so that lists joined with it share it."""
    return Sources((source,))


def listed(sources: Iterable[Source]) -> Sources:
    """Return sources as a list of them, which must tell each one once; raise `MixedSources` where it does not."""
    if isinstance(sources, Sources):
        return sources
    made = Sources(sources)
    if len({s.id for s in made}) < len(made):
        check_ids(made)
        twice = next(s.id for k, s in enumerate(made) if s in made[:k])
        raise MixedSources(f"source {twice!r} stands twice in one list; its columns must be added")
    return made


def joined(lists: Sequence[Sources]) -> Sources | None:
    """Return all sources of lists that share whole blocks or nothing; None where two blocks share an ensemble.

    Those of the first list come first, as they stand there.
    """
    if not lists:
        return Sources()
    first = lists[0]
    blocks = {id(block): block for block in _blocks(first)}
    known, names = len(blocks), first.ensembles
    for sources in lists[1:]:
        for block in _blocks(sources):
            if id(block) not in blocks:
                if not names.isdisjoint(block.ensembles):
                    return None
                blocks[id(block)], names = block, names | block.ensembles
    if len(blocks) == known:
        return first
    made = Sources(chain.from_iterable(blocks.values()))
    made.parts, made.ensembles = tuple(blocks.values()), names
    return made


def _blocks(sources: Sources) -> tuple[Sources, ...]:
    """Return the lists that one was joined from, or itself; none of an empty one."""
    return sources.parts or ((sources,) if sources else ())


def together(*lists: Iterable[Source]) -> Sources:
    """Return the sources of all lists in their order; raise `MixedSources` where one of them stands twice."""
    known = [listed(sources) for sources in lists]
    return joined(known) or listed(chain(*known))


def _side_by_side(told: Sequence[tuple[Sources, Array]]) -> tuple[Sources, Array]:
    """Return the union of lists of sources, and the sensitivities (k, m) to each over all, one below the other."""
    onto = joined([sources for sources, _ in told])
    if onto is None:
        return merge_columns([s for sources, _ in told for s in sources], _block_diagonal([rows for _, rows in told]))
    whole, top = np.zeros((sum([len(rows) for _, rows in told]), len(onto))), 0
    start = dict(zip(map(id, _blocks(onto)), accumulate(map(len, _blocks(onto)), initial=0), strict=False))
    for sources, rows in told:
        below, k = top + len(rows), 0
        if sources is told[0][0]:
            whole[top:below, : len(sources)] = rows
        else:
            for block in _blocks(sources):
                to, n = start[id(block)], len(block)
                whole[top:below, to : to + n] = rows[:, k : k + n]
                k += n
        top = below
    return onto, whole


def _block_diagonal(parts: Sequence[Array]) -> Array:
    """Return matrices as the blocks of one that is zero elsewhere."""
    whole = np.zeros(np.sum([part.shape for part in parts], axis=0))
    row, column = 0, 0
    for part in parts:
        whole[row : row + part.shape[0], column : column + part.shape[1]] = part
        row, column = row + part.shape[0], column + part.shape[1]
    return whole


def merge_columns(sources: Sequence[Source], columns: Array) -> tuple[Sources, Array]:
    """Return sources without repetition, and their columns (k, m) added where one cause acts twice."""
    check_ids(sources)
    onto = Sources(dict.fromkeys(sources))
    merged = np.zeros((columns.shape[0], len(onto)))
    for k, source in enumerate(sources):
        merged[:, onto.place[source]] += columns[:, k]
    return onto, merged


@dataclass(frozen=True)
class Value:
    """A number as a linear form over independent sources: value + Σ c·δ(source)."""

    value: float
    terms: Mapping[Source, float]

    def __post_init__(self) -> None:
        if len(self.terms) > 1:
            check_ids(self.terms)

    def __getattr__(self, name: str) -> Any:
        # What is told by its row is mostly asked for numbers alone: its terms are told apart when they are wanted.
        if name != "terms" or "row" not in self.__dict__:
            raise AttributeError(name)
        sources, row = self.row
        terms = self.__dict__["terms"] = {s: k for s, k in zip(sources, row.tolist(), strict=True) if k}
        return terms

    @cached_property
    def row(self) -> tuple[Sources, Array]:
        """A list of sources and the sensitivities (m,) to them, of which some may be zero."""
        return Sources(self.terms), np.array(list(self.terms.values()), float)

    @cached_property
    def _law(self) -> tuple[float, float]:
        sources, row = self.row
        return _law_kernel()(row, sources.stated)

    @property
    def variance(self) -> float:
        """Square of the standard uncertainty."""
        return self._law[0]

    @cached_property
    def u(self) -> float:
        """Standard uncertainty."""
        return math.sqrt(self._law[0])

    @property
    def dof(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite over ensembles; JCGM 100, G.2b)."""
        return self._law[1]

    @property
    def U95(self) -> float:
        """Half-width of the 95 % interval: t(0.975, dof)·u."""
        return coverage_factor(0.975, self.dof) * self.u

    def plus(self, other: "Value", factor: float = 1.0) -> "Value":
        """Return self + factor·other; shared sources add with their sign."""
        return combine(self.value + factor * other.value, ((self, 1.0), (other, factor)))

    def times(self, factor: float) -> "Value":
        """Return factor·self."""
        if factor == 1.0:
            return self
        sources, row = self.row
        return _told_by(self.value * factor, sources, row * factor)

    def at(self, value: float) -> "Value":
        """Return another number that errs as this one does."""
        return _told_by(value, *self.row)

    def with_source(self, source: Source, c: float = 1.0) -> "Value":
        """Return the same value with one more cause of uncertainty."""
        return combine(self.value, ((self, 1.0), (_told_by(0.0, alone(source), np.array([c], float)), 1.0)))


@cache
def _law_kernel() -> Callable[[Array, Array], tuple[float, float]]:
    """Return the kernel of the law of propagation, which brings Numba with it: half a second, and only here."""
    from tiepoint.foundation.law import law

    return law


def _told_by(value: float, sources: Sources, row: Array) -> Value:
    """Return a value by its row (m,) of sensitivities to a list of sources."""
    made = object.__new__(Value)
    made.__dict__.update(value=value, row=(sources, row))
    return made


@dataclass(frozen=True)
class Values:
    """Several values over one list of sources: `value` (n,), `c` (n, m) sensitivities, m sources."""

    value: Array
    c: Array
    sources: tuple[Source, ...]

    @cached_property
    def _items(self) -> dict[int, Value]:
        return {}

    @cached_property
    def _listed(self) -> Sources:
        return self.sources if isinstance(self.sources, Sources) else listed(self.sources)

    @cached_property
    def covariance(self) -> Array:
        """Joint covariance (n, n)."""
        scaled = self.c * self.u
        return np.asarray(scaled @ scaled.T)

    @property
    def stated(self) -> Array:
        """What the sources state in numbers (4, m)."""
        return self._listed.stated

    @property
    def u(self) -> Array:
        """Standard uncertainties (m,) of the sources."""
        return self._listed.u

    def known_by(self, value: float, c: Array) -> Value:
        """Return a number that follows the same sources by `c` (m,)."""
        return _told_by(value, self._listed, c)

    def through(self, value: Array, jacobian: Array) -> "Values":
        """Return `value` (k,) of something that follows these values by its `jacobian` (k, n)."""
        return Values(value, jacobian @ self.c, self._listed)

    def beside(self, other: "Values") -> "Values":
        """Return these values and others, over the sources of both."""
        sources, c = _side_by_side([(self._listed, self.c), (other._listed, other.c)])
        return Values(np.concatenate([self.value, other.value]), c, sources)

    def with_source(self, source: Source, column: Array) -> "Values":
        """Return the same values with one more cause, by its sensitivities (n,): added, where they know it already."""
        more = joined([self._listed, alone(source)])
        if more is None or more is self._listed:
            at = self._listed.place.get(source)
            if at is not None:
                c = self.c.copy()
                c[:, at] += column
                return Values(self.value, c, self._listed)
            more = listed((*self._listed, source))
        return Values(self.value, np.concatenate([self.c, column[:, None]], axis=1), more)

    def __iter__(self) -> Iterator[Value]:
        return map(self.__getitem__, range(len(self)))

    def __getitem__(self, index: int) -> Value:
        known = self._items.get(index)
        if known is None:
            known = self._items.setdefault(index, _told_by(float(self.value[index]), self._listed, self.c[index]))
        return known

    def __len__(self) -> int:
        return int(self.value.size)


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One cause's part in a value: its standard uncertainty there, and its share of the variance."""

    id: str
    label: str
    type: Kind
    scope: Scope
    u: float
    share: float
    dof: float


def check_ids(sources: Iterable[Source]) -> None:
    """Raise `MixedSources` where one id stands for two different statements."""
    if isinstance(sources, Mapping) and len({source.id for source in sources}) == len(sources):
        return
    seen: dict[str, Source] = {}
    for source in sources:
        other = seen.setdefault(source.id, source)
        if other != source:
            raise MixedSources(f"source {source.id!r} is stated twice with different contents")


def constant(value: float) -> Value:
    """Return a value without uncertainty."""
    return Value(value, {})


def measured(value: float, source: Source) -> Value:
    """Return a value with a single cause of uncertainty."""
    return Value(value, {source: 1.0})


def combine(value: float, parts: Iterable[tuple[Value, float]]) -> Value:
    """Return `value` with the first-order uncertainty Σ ∂·part; shared sources add with their sign."""
    parts = tuple(parts)
    sources, rows = _side_by_side([(part.row[0], part.row[1][None]) for part, _ in parts])
    return _told_by(value, sources, np.array([partial for _, partial in parts], float) @ rows)


def stack(values: Sequence[Value]) -> Values:
    """Return several values over the union of their sources, in order of first appearance, without idle ones."""
    sources, c = _side_by_side([(value.row[0], value.row[1][None]) for value in values])
    acts = np.asarray(c.any(axis=0))
    if not acts.all():
        sources, c = Sources(compress(sources, acts)), c[:, acts]
    return Values(np.array([v.value for v in values], float), c, sources)


def covariance(values: Sequence[Value]) -> Array:
    """Return the joint covariance (n, n) of values that may share sources."""
    return stack(values).covariance


def mean(values: Sequence[Value]) -> Value:
    """Return the plain average. Only sources that differ from value to value shrink; shared ones stay whole."""
    n = len(values)
    return combine(math.fsum(v.value for v in values) / n, ((v, 1.0 / n) for v in values))


def effective_dof(variances: Iterable[tuple[float, float]], total: float | None = None) -> float:
    """Return ν_eff = u⁴/Σ(u_i⁴/ν_i) for (variance, dof) pairs (JCGM 100, G.2b).

    `total` is u², where the pairs of infinite dof are left out.
    """
    pairs = list(variances)
    total = math.fsum([v for v, _ in pairs]) if total is None else total
    # Relative shares: u⁴ of a micrometre in metres would underflow long before the law fails.
    lost = math.fsum([(v / total) ** 2 / dof for v, dof in pairs]) if total > 0 else 0.0
    return 1.0 / lost if lost > 0 else math.inf


def coverage_factor(p: float, dof: float) -> float:
    """Return the one-sided quantile t(p, dof); normal for infinite dof."""
    return float(special.ndtri(p)) if dof == math.inf else float(special.stdtrit(dof, p))


def budget(value: Value) -> tuple[BudgetRow, ...]:
    """Return what the uncertainty is made of, one row an ensemble, largest first."""
    rows: dict[str, BudgetRow] = {}
    total = value.u**2
    for source, c in value.terms.items():
        variance = (c * source.u) ** 2
        old = rows.get(source.ensemble)
        u = math.hypot(old.u if old else 0.0, abs(c * source.u))
        share = (old.share if old else 0.0) + (variance / total if total > 0 else 0.0)
        rows[source.ensemble] = BudgetRow(
            source.ensemble, source.label, source.type, source.scope, u, share, source.dof
        )
    return tuple(sorted(rows.values(), key=lambda r: (-r.u, r.id)))
