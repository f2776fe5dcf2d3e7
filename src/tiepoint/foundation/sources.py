"""Values as linear forms over independent, named sources of uncertainty.

The law of propagation (JCGM 100:2008, eq. 10) without a covariance matrix in sight: every value keeps
its sensitivity to each independent source, so two values are correlated exactly where they share a
source id. Covariance, budget, effective degrees of freedom (JCGM 100, G.2b) and U95 are derived.

The parameters of one fit are one *ensemble*: sources with ids `fit#0`, `fit#1`, … share the part before
`#`, one dof, one label, type and scope. Welch-Satterthwaite is applied to ensembles, not to their members,
because one residual variance scales them all (JCGM 100, G.4.1 with the remark of H.3.6).
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.errors import MixedSources

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
    return Sources([Source(f"{prefix}#{k}", label, kind, 1.0, scope, distribution, dof) for k in range(count)])


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

    @cached_property
    def blocks(self) -> tuple["Sources", ...]:
        """The lists that this one was joined from."""
        return (self,)

    @cached_property
    def ids(self) -> frozenset[str]:
        """The ids of all."""
        return frozenset([s.id for s in self])

    @cached_property
    def u(self) -> Array:
        """Their standard uncertainties (m,)."""
        if len(self.blocks) > 1:
            return np.concatenate([block.u for block in self.blocks])
        return np.array([s.u for s in self], float)

    @cached_property
    def told(self) -> tuple[tuple[str, str, str, str, float, float, str], ...]:
        """What each states, as a reading keeps it: id, label, type, distribution, u, dof and scope."""
        if len(self.blocks) > 1:
            return tuple([told for block in self.blocks for told in block.told])
        return tuple([(s.id, s.label, s.type, s.distribution, s.u, s.dof, s.scope) for s in self])

    @cached_property
    def place(self) -> dict[Source, int]:
        """Where each stands."""
        return {source: k for k, source in enumerate(self)}

    @cached_property
    def _groups(self) -> tuple[tuple[slice | NDArray[np.int64], str, float], ...]:
        """Where the members of each ensemble of finite dof stand within one block, its name and its dof."""
        members: dict[str, list[int]] = {}
        for k, source in enumerate(self):
            if source.dof != math.inf:
                members.setdefault(source.ensemble, []).append(k)
        return tuple((_run(at), name, min(self[k].dof for k in at)) for name, at in members.items())

    def variances(self, scaled: Array) -> list[tuple[float, float]]:
        """Return (variance, dof) of every ensemble of finite dof in a value with c·u `scaled` (m,)."""
        found: dict[str, tuple[float, float]] = {}
        start = 0
        for block in self.blocks:
            part = scaled[start : start + len(block)]
            start += len(block)
            for at, name, dof in block._groups:
                members = part[at]
                variance, least = found.get(name, (0.0, math.inf))
                found[name] = (variance + float(members @ members), min(dof, least))
        return list(found.values())


def _run(at: list[int]) -> slice | NDArray[np.int64]:
    """Return places as a slice, where they follow each other."""
    return slice(at[0], at[-1] + 1) if at[-1] - at[0] == len(at) - 1 else np.array(at)


@lru_cache(maxsize=1024)
def _alone(source: Source) -> Sources:
    """Return the list of one source, the same for all who ask, so that lists joined with it share it."""
    return Sources((source,))


def listed(sources: Iterable[Source]) -> Sources:
    """Return sources as a list of them, which must tell each one once; raise `MixedSources` where it does not."""
    if isinstance(sources, Sources):
        return sources
    made = Sources(sources)
    if len(made.ids) < len(made):
        check_ids(made)
        twice = next(s.id for k, s in enumerate(made) if s in made[:k])
        raise MixedSources(f"source {twice!r} stands twice in one list; its columns must be added")
    return made


def joined(lists: Iterable[Sources]) -> Sources | None:
    """Return all sources of lists that share none but by sharing whole blocks; None where two blocks overlap."""
    blocks: dict[int, Sources] = {}
    for sources in lists:
        for block in sources.blocks:
            if id(block) in blocks:
                continue
            for known in blocks.values():
                if not block.ids.isdisjoint(known.ids):
                    return None
            blocks[id(block)] = block
    if len(blocks) == 1:
        return next(iter(blocks.values()))
    made = Sources([source for block in blocks.values() for source in block])
    made.__dict__["blocks"] = tuple(blocks.values())
    return made


def _spread(onto: Sources, sources: Sources, row: Array) -> Array:
    """Return sensitivities (…, m) to some of the blocks of a joined list as sensitivities to all of it."""
    if onto is sources:
        return row
    whole, at, start = np.zeros((*row.shape[:-1], len(onto))), {}, 0
    for block in onto.blocks:
        at[id(block)] = start
        start += len(block)
    start = 0
    for block in sources.blocks:
        to, size = at[id(block)], len(block)
        whole[..., to : to + size] = row[..., start : start + size]
        start += size
    return whole


@dataclass(frozen=True)
class Value:
    """A number as a linear form over independent sources: value + Σ c·δ(source)."""

    value: float
    terms: Mapping[Source, float]

    def __post_init__(self) -> None:
        check_ids(self.terms)

    def __getattr__(self, name: str) -> Any:
        # One of several values is mostly asked for its number alone: its terms are told apart when they are wanted.
        if name != "terms" or "_row" not in self.__dict__:
            raise AttributeError(name)
        sources, row = self.__dict__["_row"]
        terms = self.__dict__["terms"] = {s: k for s, k in zip(sources, row.tolist(), strict=True) if k}
        return terms

    @cached_property
    def row(self) -> tuple[Sources, Array] | None:
        """A list of sources and the sensitivities (m,) to them, where the value is told so; those may be zero."""
        if "_row" in self.__dict__:
            known: tuple[Sources, Array] = self.__dict__["_row"]
            return known
        return None if self.terms else (_NONE, _NO_TERMS)

    @cached_property
    def scaled(self) -> Array:
        """What each of the row's sources brings, c·u (m,)."""
        sources, row = self.__dict__["_row"]
        return np.asarray(row * sources.u)

    @cached_property
    def variance(self) -> float:
        """Square of the standard uncertainty."""
        if "_row" in self.__dict__:
            return float(self.scaled @ self.scaled)
        return sum([(c * s.u) ** 2 for s, c in self.terms.items()])

    @cached_property
    def u(self) -> float:
        """Standard uncertainty."""
        return math.sqrt(self.variance)

    @cached_property
    def dof(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite over ensembles; JCGM 100, G.2b)."""
        if "_row" in self.__dict__:
            return effective_dof(self.__dict__["_row"][0].variances(self.scaled), self.variance)
        return effective_dof(_by_ensemble(self.terms), self.variance)

    @cached_property
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
        if "_row" in self.__dict__:
            sources, row = self.__dict__["_row"]
            return _one_of(self.value * factor, sources, row * factor)
        return _checked_already(self.value * factor, {s: k for s, c in self.terms.items() if (k := c * factor) != 0.0})

    def at(self, value: float) -> "Value":
        """Return another number that errs as this one does."""
        row = self.row
        return Value(value, self.terms) if row is None else _one_of(value, *row)

    def with_source(self, source: Source, c: float = 1.0) -> "Value":
        """Return the same value with one more cause of uncertainty."""
        return combine(self.value, ((self, 1.0), (Value(0.0, {source: c}), 1.0)))


def _checked_already(value: float, terms: Mapping[Source, float]) -> Value:
    """Return a value over sources whose ids are known to be told apart."""
    made = object.__new__(Value)
    made.__dict__.update(value=value, terms=terms)
    return made


def _one_of(value: float, sources: Sources, row: Array) -> Value:
    """Return one of several values over the same sources, by its row (m,) of sensitivities."""
    made = object.__new__(Value)
    made.__dict__.update(value=value, _row=(sources, row))
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
        return listed(self.sources)

    @cached_property
    def covariance(self) -> Array:
        """Joint covariance (n, n)."""
        scaled = self.c * self._listed.u
        return np.asarray(scaled @ scaled.T)

    @property
    def u(self) -> Array:
        """Standard uncertainties (m,) of the sources."""
        return self._listed.u

    def known_by(self, value: float, c: Array) -> Value:
        """Return a number that follows the same sources by `c` (m,)."""
        return _one_of(value, self._listed, c)

    def through(self, value: Array, jacobian: Array) -> "Values":
        """Return `value` (k,) of something that follows these values by its `jacobian` (k, n)."""
        return Values(value, jacobian @ self.c, self._listed)

    def with_source(self, source: Source, column: Array) -> "Values":
        """Return the same values with one more cause, by its sensitivities (n,): added, where they know it already."""
        at = self._listed.place.get(source)
        if at is None:
            more = joined((self._listed, _alone(source))) or listed((*self._listed, source))
            return Values(self.value, np.column_stack([self.c, column]), more)
        c = self.c.copy()
        c[:, at] += column
        return Values(self.value, c, self._listed)

    def __getitem__(self, index: int) -> Value:
        known = self._items.get(index)
        if known is None:
            known = self._items.setdefault(index, _one_of(float(self.value[index]), self._listed, self.c[index]))
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


_NONE, _NO_TERMS = Sources(), np.zeros(0)


def constant(value: float) -> Value:
    """Return a value without uncertainty."""
    return Value(value, {})


def measured(value: float, source: Source) -> Value:
    """Return a value with a single cause of uncertainty."""
    return Value(value, {source: 1.0})


def combine(value: float, parts: Iterable[tuple[Value, float]]) -> Value:
    """Return `value` with the first-order uncertainty Σ ∂·part; shared sources add with their sign."""
    parts = tuple(parts)
    rows = [part.row for part, _ in parts]
    told = [row for row in rows if row is not None]
    if len(told) == len(rows) and (onto := joined([sources for sources, _ in told])) is not None:
        sums = np.zeros(len(onto))
        for (sources, row), (_, partial) in zip(told, parts, strict=True):
            sums += partial * _spread(onto, sources, row)
        return _one_of(value, onto, sums)
    terms: dict[Source, float] = {}
    for part, partial in parts:
        for source, c in part.terms.items():
            terms[source] = terms.get(source, 0.0) + partial * c
    return Value(value, {s: c for s, c in terms.items() if c != 0.0})


def stack(values: Sequence[Value]) -> Values:
    """Return several values over the union of their sources, in order of first appearance."""
    told = [row for value in values if (row := value.row) is not None]
    if len(told) == len(values) and (onto := joined([sources for sources, _ in told])) is not None:
        whole = np.array([_spread(onto, sources, row) for sources, row in told]).reshape(len(values), len(onto))
        acts = np.asarray(whole.any(axis=0))
        kept = onto if acts.all() else Sources([onto[k] for k in np.flatnonzero(acts)])
        return Values(np.array([v.value for v in values], float), whole[:, acts], kept)
    order: dict[Source, int] = {}
    for value in values:
        for source in value.terms:
            order.setdefault(source, len(order))
    check_ids(order)
    c = np.zeros((len(values), len(order)))
    for number, value in enumerate(values):
        for source, k in value.terms.items():
            c[number, order[source]] = k
    return Values(np.array([v.value for v in values], float), c, tuple(order))


def covariance(values: Sequence[Value]) -> Array:
    """Return the joint covariance (n, n) of values that may share sources."""
    return stack(values).covariance


def mean(values: Sequence[Value]) -> Value:
    """Return the plain average. Only sources that differ from value to value shrink; shared ones stay whole."""
    n = len(values)
    return combine(math.fsum(v.value for v in values) / n, ((v, 1.0 / n) for v in values))


def _by_ensemble(terms: Mapping[Source, float]) -> list[tuple[float, float]]:
    """Return (variance, dof) of every ensemble of finite dof."""
    groups: dict[str, tuple[float, float]] = {}
    for source, c in terms.items():
        if source.dof != math.inf:
            variance, dof = groups.get(source.ensemble, (0.0, math.inf))
            groups[source.ensemble] = (variance + (c * source.u) ** 2, min(dof, source.dof))
    return list(groups.values())


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
    return float(special.ndtri(p)) if math.isinf(dof) else float(special.stdtrit(dof, p))


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
