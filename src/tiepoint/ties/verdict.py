"""Is a tie good for a tolerance, where, what stands in the way, and what would help: the plain verdict.

The rule is that of measuring processes, 2U/T at most 30 % (ISO 22514-7 and VDA 5, Q_MP; the limit from memory),
with T the whole width of the tolerance and U the 95 % half-width of a place in its worst direction.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.sources import Source, Value, coverage_factor
from tiepoint.ties.kernel import locate
from tiepoint.ties.tie import Tie

Array = NDArray[np.float64]

RULE = "2U/T at most 30 %, T the whole width of the tolerance"
SHARE_OF_TOLERANCE = 0.3
ENOUGH = 0.5
"""A tie is called good where at least this share of its valid region is; the rest is named."""

SPARSE = 0.5
"""A target that covers less of the picture than this leaves most of it without a tie."""

_ACROSS = 41
_SMALLEST_SHRINK = 0.1


@dataclass(frozen=True, slots=True)
class UMap:
    """U at 95 % in µm on a grid: `x_px` (nx,), `y_px` (ny,), `U_um` (ny, nx), `inside` (ny, nx) the valid region."""

    x_px: Array
    y_px: Array
    U_um: Array
    inside: NDArray[np.bool_]


@dataclass(frozen=True)
class GoodFor:
    """The verdict. `answer`: good over at least half of the valid region, `share` of it in all.

    `limit_mm`: the largest U that the rule allows. `U_worst_mm` at `worst_at_mm`: the largest U in the region.
    `dominating`: the cause that is most of it, `dominating_share` its share of the variance there. `U_then_mm`: what
    the worst U would be, were that cause made as small as the advice says. `sentences`: the first is the verdict, the
    last the one that helps.
    """

    answer: bool
    tolerance_mm: float
    limit_mm: float
    share: float
    U_worst_mm: float
    worst_at_mm: tuple[float, float]
    dominating: str
    dominating_share: float
    U_then_mm: float
    sentences: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """Everything in one paragraph."""
        return " ".join(self.sentences)


@dataclass(frozen=True, slots=True)
class _Cause:
    """A group of sources that one act would make smaller; `in_mm`: that act is a measurement with its own u in mm."""

    name: str
    advice: str
    in_mm: bool = False


_BARS = _Cause("the print scale", "measure the bars", in_mm=True)
_CAUSES: tuple[tuple[str, _Cause], ...] = (
    ("/print-scale/", _Cause("the print scale, which was not measured,", "measure the target's ruler bars")),
    ("/bar-reading/", _BARS),
    ("instrument:", _BARS),
    (
        "/swelling/",
        _Cause("the swelling of the paper", "measure the bars that day, or take a target on glass or metal"),
    ),
    ("/expansion", _Cause("the expansion of the target", "measure the bars at the temperature of the tie")),
    (":bow", _Cause("the bow of the page", "lay the page flatter, under glass or glued to a plate")),
    (
        ":corners",
        _Cause("the reading of the corners", "take several photos of the pose, or a target with more corners"),
    ),
    (":lens#", _Cause("the choice of the lens terms", "show the target over more of the picture")),
    (":remainder", _Cause("what the lens model leaves over", "lay the page flat, or give a camera document")),
    ("camera:", _Cause("the camera document", "make it from more views, tilted more")),
    ("height", _Cause("the height", "measure the height", in_mm=True)),
    (":length", _Cause("the known length", "take a length that is longer, or better known")),
    (":pairs", _Cause("the scatter of the pairs", "give more pairs, spread wider")),
)
"""What part of a source's id tells its cause; the first that fits is taken."""


def good_for(tie: Tie, tolerance_mm: float) -> GoodFor:
    """Return whether a tie is good for ±`tolerance_mm`, over how much of its region, and what would help most.

    Raises `UnusableInput` for a tolerance that is not above 0.
    """
    if not (math.isfinite(tolerance_mm) and tolerance_mm > 0):
        raise UnusableInput(f"a tolerance of ±{tolerance_mm:g} mm cannot be; give one above 0")
    limit = SHARE_OF_TOLERANCE * tolerance_mm
    points = _inside(tie)
    U = U_at(tie, points)
    worst = int(np.argmax(U))
    worst_U = float(U[worst])
    variances = _variances(tie, points[worst])
    total = sum(variances.values())
    ranked = sorted(variances.items(), key=lambda item: -item[1]) or [(_other("nothing"), 0.0)]
    cause, variance = ranked[0]
    share_of_variance = variance / total if total > 0 else 0.0
    shrink = _shrink(share_of_variance, limit, worst_U)
    told_u = _told_u(tie, cause, shrink)
    if told_u is not None:
        shrink = told_u[1] / told_u[0]
    U_then = worst_U * math.sqrt(max(1 - share_of_variance * (1 - shrink**2), 0.0))
    place = tie.map(points[worst][None]).xy_mm[0]
    verdict = GoodFor(
        answer=bool(np.mean(limit >= U) >= ENOUGH),
        tolerance_mm=tolerance_mm,
        limit_mm=limit,
        share=float(np.mean(limit >= U)),
        U_worst_mm=worst_U,
        worst_at_mm=(float(place[0]), float(place[1])),
        dominating=cause.name.split(",")[0],
        dominating_share=share_of_variance,
        U_then_mm=U_then,
        sentences=(),
    )
    after = None if len(ranked) < 2 else (ranked[1][0], ranked[1][1] / total)
    helps = _help(verdict, cause, told_u) + _enough(verdict, after) + _sparse(tie)
    return replace(verdict, sentences=(_first(verdict), _second(verdict), helps))


def U_at(tie: Tie, points: ArrayLike) -> Array:
    """Return U at 95 % (n,) in mm at points (n, 2) of the from-frame, each in its worst direction."""
    points = np.atleast_2d(np.asarray(points, float))
    largest = np.linalg.eigvalsh(locate(tie, points).covariance)[:, 1]
    u = np.sqrt(np.maximum(largest, 0.0))
    return np.asarray(_coverage(tie, points[int(np.argmax(u))]) * u)


def uncertainty_map(tie: Tie, nx: int, ny: int) -> UMap:
    """Return U over the whole picture (over the valid region's extent, where the tie is not from a picture)."""
    if tie.sensor is not None and tie.from_frame == "image":
        low, high = np.array([-0.5, -0.5]), np.array(tie.sensor.size_px) - 0.5
    else:
        low, high = tie.valid_region.min(axis=0), tie.valid_region.max(axis=0)
    x, y = np.linspace(low[0], high[0], nx), np.linspace(low[1], high[1], ny)
    grid = np.stack(np.meshgrid(x, y), axis=2).reshape(-1, 2)
    inside = locate(tie, grid).inside
    return UMap(x, y, 1000 * U_at(tie, grid).reshape(ny, nx), inside.reshape(ny, nx))


def _inside(tie: Tie) -> Array:
    """Return points (n, 2) that cover the valid region, its corners among them."""
    low, high = tie.valid_region.min(axis=0), tie.valid_region.max(axis=0)
    step = (high - low) / _ACROSS
    x, y = (low[k] + step[k] * (np.arange(_ACROSS) + 0.5) for k in (0, 1))
    grid = np.stack(np.meshgrid(x, y), axis=2).reshape(-1, 2)
    return np.concatenate([grid[locate(tie, grid).inside], tie.valid_region])


def _worst_direction(tie: Tie, point: Array) -> tuple[tuple[Source, ...], Array]:
    """Return the sources and how a place moves with each, along the direction in which it is known worst."""
    mapped = tie.map(point[None])
    rows = mapped.d_sources[0]
    spread = rows * np.array([s.u for s in mapped.sources])
    direction = np.linalg.eigh(spread @ spread.T)[1][:, 1]
    return mapped.sources, np.asarray(direction @ rows)


def _coverage(tie: Tie, point: Array) -> float:
    sources, c = _worst_direction(tie, point)
    return coverage_factor(0.975, Value(0.0, {s: float(k) for s, k in zip(sources, c, strict=True)}).dof)


def _variances(tie: Tie, point: Array) -> dict[_Cause, float]:
    """Return the variance in mm² that each cause brings to a place, in its worst direction."""
    sources, c = _worst_direction(tie, point)
    variances: dict[_Cause, float] = {}
    for source, k in zip(sources, c, strict=True):
        cause = _cause(source)
        variances[cause] = variances.get(cause, 0.0) + float(k * source.u) ** 2
    return variances


def _cause(source: Source) -> _Cause:
    for part, cause in _CAUSES:
        if part in source.id:
            return cause
    return _other(source.label)


def _other(label: str) -> _Cause:
    return _Cause(f"“{label}”", "make it smaller")


def _shrink(share: float, limit: float, worst_U: float) -> float:
    """Return by what factor the dominating cause must shrink for the limit; a half where that is no question."""
    if worst_U <= limit or share <= 0:
        return 0.5
    left = ((limit / worst_U) ** 2 - (1 - share)) / share
    return math.sqrt(left) if left > _SMALLEST_SHRINK**2 else _SMALLEST_SHRINK


def _told_u(tie: Tie, cause: _Cause, shrink: float) -> tuple[float, float] | None:
    """Return u now and the round u to ask for, in mm; None where the cause is not a measurement in mm."""
    if not cause.in_mm:
        return None
    readings = [s.u for s in tie.all_sources if _cause(s) is cause and not s.id.startswith("instrument:")]
    if not readings or max(readings) <= 0:
        return None
    now = max(readings)
    wanted = now * shrink
    decade = 10.0 ** math.floor(math.log10(wanted))
    return now, max(k * decade for k in (1, 2, 3, 5) if k * decade <= wanted * (1 + 1e-9))


def _first(verdict: GoodFor) -> str:
    tolerance = f"±{verdict.tolerance_mm:g} mm"
    if verdict.share == 1:
        return f"Good for {tolerance} everywhere in its region."
    if verdict.answer:
        return f"Good for {tolerance} over {min(100 * verdict.share, 99):.0f} % of its region."
    if verdict.share > 0:
        part = f"{100 * verdict.share:.0f} %" if verdict.share >= 0.01 else "less than 1 %"
        return f"Not good for {tolerance}: only {part} of its region is."
    return f"Not good for {tolerance}, nowhere in its region."


def _second(verdict: GoodFor) -> str:
    x, y = verdict.worst_at_mm
    return (
        f"The largest U is {length_told(verdict.U_worst_mm)}, at ({x:.0f}, {y:.0f}) mm, and "
        f"{length_told(verdict.limit_mm)} is allowed ({RULE})."
    )


def _help(verdict: GoodFor, cause: _Cause, told_u: tuple[float, float] | None) -> str:
    there = f"{cause.name[:1].upper()}{cause.name[1:]} is {100 * verdict.dominating_share:.0f} % of its variance"
    fall = f"from {length_told(verdict.U_worst_mm)} to {length_told(verdict.U_then_mm)}"
    if told_u is not None:
        wanted, now = told_u[1], told_u[0]
        return f"{there}: {cause.advice} to a standard u of {wanted:g} mm instead of {now:.4g} mm, and U falls {fall}"
    return f"{there}: {cause.advice}. Were it {_made_smaller(verdict)}, U would fall {fall}"


def _made_smaller(verdict: GoodFor) -> str:
    """Say how much smaller the cause was taken to become."""
    left = (verdict.U_then_mm / verdict.U_worst_mm) ** 2 - (1 - verdict.dominating_share)
    factor = math.sqrt(max(left, 0.0) / verdict.dominating_share) if verdict.dominating_share > 0 else 1.0
    return "half as large" if abs(factor - 0.5) < 0.01 else f"{1 / max(factor, _SMALLEST_SHRINK):.2g} times smaller"


def _enough(verdict: GoodFor, after: tuple[_Cause, float] | None) -> str:
    """Say whether that one act is enough for the whole region, and what comes next where it is not."""
    if verdict.U_worst_mm <= verdict.limit_mm:
        return "."
    if verdict.U_then_mm <= verdict.limit_mm * (1 + 1e-6):
        return ", which is enough everywhere."
    next_one = "" if after is None else f": next comes {after[0].name.rstrip(',')}, with {100 * after[1]:.0f} %"
    return f". That alone is not enough everywhere, {length_told(verdict.limit_mm)} being allowed{next_one}."


def _sparse(tie: Tie) -> str:
    """Say so where a target fills little of the picture: nothing else that it says reaches beyond the target."""
    if tie.made != "target" or tie.covered_share is None or tie.covered_share >= SPARSE:
        return ""
    return (
        f" The target covers {100 * tie.covered_share:.0f} % of the picture, and the tie holds there only: go closer, "
        "or take a larger target."
    )


def length_told(mm: float) -> str:
    """Return a small length as a person reads it: two figures, in µm below 0.1 mm."""
    value, unit = (1000 * mm, "µm") if mm < 0.0995 else (mm, "mm")
    return f"{value:.0f} {unit}" if value >= 9.95 else f"{value:#.2g} {unit}"
