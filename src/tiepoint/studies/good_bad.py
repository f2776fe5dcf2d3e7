"""A limit for a feature that no drawing limits: from readings of good and of bad parts, with the bound that n allows.

Nothing is taken for granted of how readings are distributed. The share of all good parts that lies up to the k-th
smallest of n readings follows the law Beta(k, n − k + 1) whatever the readings' own law is (Wilks, Annals of
Mathematical Statistics 12 (1941) 91; from memory): with k = n, n parts show a share of 0.05^(1/n) at least, with 95 %
confidence. Between the smallest and the largest of n it is Beta(n − 1, 2). A limit beyond the last good part keeps at
least that share, so the bounds hold anywhere in the gap between good and bad; bad parts in the same way, and where they
lie on both sides, between two neighbours of m of them lies Beta(2, m − 1).
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.studies.checks import Check, without_outliers
from tiepoint.studies.rates import CONFIDENCE, Rate, more_parts, rate
from tiepoint.studies.wording import per_cent

Array = NDArray[np.float64]
Side = Literal["upper", "lower", "both"]

FEWEST_GOOD = 10

_CONVENTION = (
    "Limits of readings, free of any law of their distribution: the shares kept and stopped are those of order "
    "statistics (Wilks 1941), with {confidence} confidence each; one reading for each distinct part."
)


@dataclass(frozen=True, slots=True)
class GoodBadLimits:
    """Limits of readings (None: open) and what they do to the parts that were measured.

    `good_kept`: share of good parts within, at least, with the confidence of the study; `good_lost` of `n_good` lie
    beyond. `escapes`: bad parts within; None where no bad part was measured. `gaps`: between the last good and the
    first bad part on each limited side, by its name; negative where they overlap. `in_u`: the narrowest gap in standard
    uncertainties of a reading.
    """

    n_good: int
    n_bad: int
    side: Side
    lower: float | None
    upper: float | None
    good_lost: int
    good_kept: float
    escapes: Rate | None
    gaps: dict[str, float]
    in_u: float | None
    confidence: float
    convention: str
    checks: tuple[Check, ...]
    good: bool | None
    sentences: tuple[str, ...]


def study_good_bad(
    good: ArrayLike,
    bad: ArrayLike,
    *,
    side: Side | None = None,
    u: float | None = None,
    most_escapes: float | None = None,
    most_false: float | None = None,
    confidence: float = CONFIDENCE,
) -> GoodBadLimits:
    """Return limits from readings of good (n,) and of bad parts (m,), of which there may be none.

    `side`: where bad parts lie; told by themselves where not given. `u`: of a reading. `most_escapes`, `most_false`:
    agreed shares of bad parts that pass, and of good ones that do not.

    The limit stands in the middle of the gap; where good and bad overlap, just inside the first bad part, so that no
    bad part that was measured passes.
    """
    x, y = _checked(good, "good"), _checked(bad, "bad")
    if x.size < FEWEST_GOOD:
        raise PoorGeometry(f"{x.size} good parts are too few to set a limit by; measure at least {FEWEST_GOOD}")
    for name, most in (("escapes", most_escapes), ("false rejects", most_false)):
        if most is not None and not 0 < most < 1:
            raise UnusableInput(f"the agreed share of {name} is {most:g}; give it above 0 and below 1, as in 0.01")
    which = side or _side(x, y)
    upper, above = _limit(x, y, 1.0) if which != "lower" else (None, None)
    lower, below = _limit(x, y, -1.0) if which != "upper" else (None, None)
    gaps = {name: gap for name, gap in (("upper", above), ("lower", below)) if gap is not None}
    lost = int(np.sum(~_inside(x, lower, upper)))
    kept = _kept(x.size, lost, 2 if which == "both" else 1, confidence)
    escapes = _escapes(int(np.sum(_inside(y, lower, upper))), y.size, len(gaps), confidence) if y.size else None
    found = GoodBadLimits(
        n_good=x.size,
        n_bad=y.size,
        side=which,
        lower=lower,
        upper=upper,
        good_lost=lost,
        good_kept=kept,
        escapes=escapes,
        gaps=gaps,
        in_u=min(gaps.values()) / u if u and gaps else None,
        confidence=confidence,
        convention=_CONVENTION.format(confidence=per_cent(confidence)),
        checks=(without_outliers(x, tuple(f"good part {k + 1}" for k in range(x.size)), "the good parts"),),
        good=_good(kept, escapes, most_escapes, most_false),
        sentences=(),
    )
    said = (*_found(found), *_agreed(found, most_escapes, most_false), _next(found, most_escapes, most_false))
    return replace(found, sentences=said)


def _checked(values: ArrayLike, name: str) -> Array:
    x = np.asarray(values, float)
    if x.ndim != 1 or not np.isfinite(x).all():
        raise UnusableInput(f"readings of {name} parts are not one finite number for each; leave out what was not read")
    return x


def _side(good: Array, bad: Array) -> Side:
    """Return on which side of the good parts the bad ones lie."""
    if not bad.size:
        raise UnusableInput("there is no bad part, so say on which side parts are bad: upper, lower or both")
    middle = float(np.median(good))
    if (bad > middle).all():
        return "upper"
    return "lower" if (bad < middle).all() else "both"


def _limit(good: Array, bad: Array, way: float) -> tuple[float, float | None]:
    """Return the limit on the side of `way` (1 or −1), and the gap there, where bad parts lie on that side.

    Without a bad part the limit is the last good one.
    """
    last = float(np.max(way * good))
    beyond = way * bad[way * bad > way * float(np.median(good))]
    if not beyond.size:
        return way * last, None
    first = float(beyond.min())
    if first > last:
        return way * (first + last) / 2, first - last
    return way * float(np.nextafter(first, -math.inf)), first - last


def _inside(values: Array, lower: float | None, upper: float | None) -> NDArray[np.bool_]:
    inside = np.ones(values.size, bool)
    if lower is not None:
        inside &= values >= lower
    if upper is not None:
        inside &= values <= upper
    return inside


def _kept(n: int, lost: int, sides: int, confidence: float) -> float:
    """Return the share of all good parts that is kept, at least: limits on two sides cost one order statistic more."""
    k = n - lost - (sides - 1)
    return float(special.betaincinv(k, n - k + 1, 1 - confidence)) if k > 0 else 0.0


def _escapes(events: int, n: int, sides: int, confidence: float) -> Rate:
    """Return the rate of bad parts that pass. Where they set limits on two `sides`, it costs one order statistic more.

    Between two neighbours of n bad parts, one on each side of the good ones, lies a share of the law Beta(2, n − 1),
    where below the first of n it is Beta(1, n).
    """
    found = rate(events, n, confidence)
    if sides < 2:
        return found
    more = rate(min(events + 1, n), n, confidence)
    return replace(found, high=more.high, at_most=more.at_most)


def _good(kept: float, escapes: Rate | None, most_escapes: float | None, most_false: float | None) -> bool | None:
    if most_escapes is None and most_false is None:
        return None
    few_escape = most_escapes is None or (escapes is not None and escapes.at_most <= most_escapes)
    return few_escape and (most_false is None or 1 - kept <= most_false)


def _found(found: GoodBadLimits) -> list[str]:
    parts = [f"at least {found.lower:.6g}" if found.lower is not None else ""]
    parts.append(f"at most {found.upper:.6g}" if found.upper is not None else "")
    sure = per_cent(found.confidence)
    kept = found.n_good - found.good_lost
    said = [
        f"A reading of {' and '.join(filter(None, parts))} keeps {kept} of {found.n_good} good "
        f"parts, and with {sure} confidence at least {per_cent(found.good_kept)} of all good ones."
    ]
    if found.escapes is None:
        said.append("No bad part was measured: that bad ones lie beyond is not tried.")
    else:
        said.append(
            f"{found.escapes.events} of {found.n_bad} bad parts pass it; with {sure} confidence at most "
            f"{per_cent(found.escapes.at_most)} of all bad ones do."
        )
    for name, gap in found.gaps.items():
        if gap <= 0:
            said.append(f"Good and bad overlap by {-gap:.3g} at the {name} limit: this reading does not part them.")
    if found.in_u is not None and 0 < found.in_u < 4:
        said.append(
            f"The gap is {found.in_u:.2g} u wide: measuring alone carries a part from its edge to the limit in "
            f"{per_cent(float(special.ndtr(-found.in_u / 2)), 2)} of cases."
        )
    return said


def _agreed(found: GoodBadLimits, most_escapes: float | None, most_false: float | None) -> list[str]:
    said = []
    if most_escapes is not None:
        if found.escapes is None:
            said.append(f"At most {per_cent(most_escapes)} of bad parts passing: not tried.")
        else:
            word = "shown" if found.escapes.at_most <= most_escapes else "not shown"
            said.append(f"At most {per_cent(most_escapes)} of bad parts passing: {word}.")
    if most_false is not None:
        word = "shown" if 1 - found.good_kept <= most_false else "not shown"
        said.append(f"At most {per_cent(most_false)} of good parts not passing: {word}.")
    return said


def _next(found: GoodBadLimits, most_escapes: float | None, most_false: float | None) -> str:
    if any(gap <= 0 for gap in found.gaps.values()):
        return "Next: find a reading that parts good from bad; no limit on this one does."
    if found.escapes is None:
        return "Next: measure bad parts, of each kind that must not pass and near the limit, each of them once."
    wanted = []
    if most_escapes is not None and found.escapes.at_most > most_escapes:
        passed = rate(min(found.escapes.events + (len(found.gaps) == 2), found.n_bad), found.n_bad, found.confidence)
        wanted.append(_more(passed, most_escapes, "bad"))
    if most_false is not None and 1 - found.good_kept > most_false:
        lost = rate(found.good_lost + (found.side == "both"), found.n_good, found.confidence)
        wanted.append(_more(lost, most_false, "good"))
    if wanted:
        return f"Next: measure {' and '.join(wanted)}, distinct ones, and set the limit anew."
    return "Next: prove the limit on parts that did not set it, by a trial."


def _more(found: Rate, most: float, word: str) -> str:
    more = more_parts(found, most)
    return f"far more {word} parts than can be" if more is None else f"{more} more {word} parts"
