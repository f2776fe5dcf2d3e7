"""Which model the pairs support: the simplest that predicts unseen points as well as the best, within noise.

Every model is judged by the errors at points that its fit did not see (PRESS; Allen, Technometrics 16, 1974). Of
two models the simpler is taken unless its mean square error is larger by more than one standard error of the
difference, point by point (Breiman et al., Classification and Regression Trees, 1984, 3.4.3, here on paired
differences).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.ties.pair_fit import UNKNOWNS, Noise, PairFit, PairModel, fit_pairs, unseen_errors
from tiepoint.ties.tie import Member

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Choice:
    """The fit of the chosen model, the table of all that were tried, and why this one."""

    fit: PairFit
    members: tuple[Member, ...]
    reason: str


@dataclass(frozen=True)
class _Tried:
    fit: PairFit
    square: Array
    member: Member


def choose(models: Sequence[PairModel], f: Array, t: Array, noise: Noise) -> Choice:
    """Return the choice among `models`, simplest first, for right-handed pairs f → t (n, 2)."""
    tried, refusal = [], None
    for model in models:
        try:
            tried.append(_try(model, f, t, noise))
        except PoorGeometry as error:
            refusal = error
    if not tried:
        assert refusal is not None
        raise refusal
    judged = [item for item in tried if item.square.size] or tried[:1]
    best = min(judged, key=lambda item: item.member.leave_out)
    chosen = next(item for item in judged if item is best or _within_noise(item.square, best.square))
    members = tuple(replace(item.member, chosen=item is chosen) for item in tried)
    return Choice(chosen.fit, members, _why(chosen, best, judged))


def _try(model: PairModel, f: Array, t: Array, noise: Noise) -> _Tried:
    fit = fit_pairs(model, f, t, noise)
    unseen = unseen_errors(fit, f, t, noise)
    square = np.zeros(0) if unseen is None else np.sum(unseen**2, axis=1)
    leave_out = float(np.sqrt(np.mean(square))) if square.size else math.inf
    return _Tried(fit, square, Member(model, UNKNOWNS[model], fit.chi2, fit.dof, *_criteria(fit), leave_out))


def _criteria(fit: PairFit) -> tuple[float, float]:
    """Return BIC and AICc, for the table; the noise's variance counts as one more unknown."""
    n, k = fit.residuals.size, UNKNOWNS[fit.model] + 1
    if fit.dof <= 0 or fit.chi2 <= 0:
        return math.inf, math.inf
    log = n * math.log(fit.chi2 / n)
    small = 2 * k * n / (n - k - 1) if n > k + 1 else math.inf
    return log + k * math.log(n), log + small


def _within_noise(simpler: Array, best: Array) -> bool:
    difference = simpler - best
    spread = float(difference.std(ddof=1)) / math.sqrt(difference.size)
    return float(difference.mean()) <= spread


def _why(chosen: _Tried, best: _Tried, judged: Sequence[_Tried]) -> str:
    name, error = chosen.fit.model, chosen.member.leave_out
    if len(judged) == 1:
        if not chosen.square.size:
            return f"{name}: too few pairs to leave one out."
        return f"{name}: unseen pairs are predicted to {error:.3g} mm rms."
    table = ", ".join(f"{item.fit.model} {item.member.leave_out:.3g}" for item in judged)
    if chosen is best:
        return f"{name} predicts unseen pairs best (rms in mm: {table})."
    return f"{name}: the simplest that predicts unseen pairs as well as the best, within noise (rms in mm: {table})."
