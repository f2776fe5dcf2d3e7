"""Pose accuracy and repeatability of a robot, in the manner of ISO 9283.

For each commanded pose, reached n times (ISO 9283 asks for 30 cycles), with attained places p_j and barycentre p̄:

    AP = |p̄ − commanded|,    RP = l̄ + 3·S_l,   l_j = |p_j − p̄|,  S_l² = Σ(l_j − l̄)²/(n − 1)

and for each turn about x, y, z: AP = |mean − commanded|, RP = 3·S (the standard states it as ±3·S; from memory). We
depart from it in one way: turns are small rotation vectors about the axes of the robot's frame, from the commanded pose
(from the first attained one, where none was commanded), so that no pose of the wrist is singular.

Isotropic Gaussian scatter σ has RP = (√(8/π) + 3·√(3 − 8/π))·σ = 3.616 σ in space, and
(√(π/2) + 3·√(2 − π/2))·σ = 3.219 σ in the plane.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.frames import Pose3
from tiepoint.foundation.sources import coverage_factor
from tiepoint.studies.checks import Check, independence, normality, without_outliers
from tiepoint.studies.figure import Figure, counted
from tiepoint.studies.measured import demand_not_pasted

Array = NDArray[np.float64]

CYCLES = 30
"""Cycles for each pose that ISO 9283 asks for."""
POSES = 5
"""Poses that it asks for, in the corners and the middle of a cube (from memory)."""
FEWEST_CYCLES = 5
"""With fewer the scatter is known to no better than a factor of two."""
GAUSSIAN = {
    1: math.sqrt(2 / math.pi) + 3 * math.sqrt(1 - 2 / math.pi),
    2: math.sqrt(math.pi / 2) + 3 * math.sqrt(2 - math.pi / 2),
    3: math.sqrt(8 / math.pi) + 3 * math.sqrt(3 - 8 / math.pi),
}
"""RP over σ of isotropic Gaussian scatter: moments of the half-normal, Rayleigh and Maxwell distributions."""

CONVENTION = (
    "In the manner of ISO 9283, without claiming conformity: AP is how far the mean attained place lies from the "
    "commanded one, RP the mean distance from that mean place and three of its standard deviations; of turns ±3 "
    "standard deviations; intervals of RP by draws from the Gaussian that the places show, of AP by Student's t, 95 %."
)

_DRAWS = 4000
_DRIFT_P = 0.01
_APART_RAD = math.radians(30.0)
_TRUE = 200_000
_FEWEST_TO_TEST = 10


@dataclass(frozen=True)
class PoseFigures:
    """One commanded pose: `n` cycles in `dimension` coordinates (mm), turns in degrees about x, y, z (or z alone).

    `ap` and `offset_mm` are None where no pose was commanded. `ap_told`: whether the offset is more than its scatter
    explains (95 %). `drift_mm`: how far the place moved from the first to the last cycle, where that is no accident.
    `turn_ap_deg` and `turn_rp_deg`: one for each axis; empty where no turns were given.
    """

    name: str
    n: int
    dimension: int
    mean_mm: Array
    covariance: Array
    rp: Figure
    ap: Figure | None
    ap_told: bool
    offset_mm: Array | None
    drift_mm: float | None
    turn_ap_deg: tuple[float, ...]
    turn_rp_deg: tuple[Figure, ...]


@dataclass(frozen=True)
class Cycles:
    """Attained poses of one commanded pose, in the order in which they were reached.

    `xyz_mm` (n, 2 or 3); `commanded_mm` (2 or 3,) or None. `turns_deg` (n, 1 or 3): small turns about z, or about x, y
    and z, from the commanded pose, or from the first attained one where `commanded_turns` is False.
    """

    name: str
    xyz_mm: Array
    commanded_mm: Array | None = None
    turns_deg: Array | None = None
    commanded_turns: bool = False


@dataclass(frozen=True)
class PoseStudy:
    """All poses, and what can be said of them. `good`: None where no limit was asked for.

    `cycles`: what it was made of, pose by pose; `most_ap_mm`, `most_rp_mm`: the limits. A study that was kept by an
    earlier version has neither.
    """

    poses: tuple[PoseFigures, ...]
    convention: str
    checks: tuple[Check, ...]
    good: bool | None
    sentences: tuple[str, ...]
    cycles: tuple[Cycles, ...] = ()
    most_ap_mm: float | None = None
    most_rp_mm: float | None = None

    @property
    def worst_rp(self) -> PoseFigures:
        """The pose that repeats worst."""
        return max(self.poses, key=lambda p: p.rp.value)

    @property
    def worst_ap(self) -> PoseFigures | None:
        """The pose that is reached least accurately; None where none was commanded."""
        commanded = [p for p in self.poses if p.ap is not None]
        return max(commanded, key=lambda p: p.ap.value if p.ap else 0.0) if commanded else None


def study_pose(
    cycles: list[Cycles],
    *,
    seed: int = 1,
    u_mm: float | None = None,
    most_ap_mm: float | None = None,
    most_rp_mm: float | None = None,
) -> PoseStudy:
    """Return the study. `u_mm`: standard uncertainty of one measured coordinate, which RP cannot tell from the robot's.

    `most_ap_mm`, `most_rp_mm`: limits; kept only where the upper end of each interval keeps them.

    Raises `UnusableInput` for an empty table or limits that cannot be, `PoorGeometry` for too few cycles.
    """
    if not cycles:
        raise UnusableInput("there is no attained pose to study; give one row for each cycle")
    for name, value in (("u of a coordinate", u_mm), ("limit of AP", most_ap_mm), ("limit of RP", most_rp_mm)):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise UnusableInput(f"the {name} is {value:g} mm; give more than 0")
    rng = np.random.default_rng(seed)
    poses = tuple(_figures(one, rng) for one in cycles)
    if most_ap_mm is not None and (missing := [p.name for p in poses if p.ap is None]):
        raise UnusableInput(f"pose {missing[0]} has no commanded place, so nothing can be said of its accuracy")
    limits, good = (most_ap_mm, most_rp_mm), _good(poses, most_ap_mm, most_rp_mm)
    study = PoseStudy(poses, CONVENTION, _checks(cycles), good, (), tuple(cycles), *limits)
    said = (*_verdicts(study, *limits), *_worst(study), *_cautions(study, u_mm), *_next(study))
    return replace(study, sentences=said)


def repeatability(places: Array) -> float:
    """Return RP of places (n, d): mean distance from the barycentre and three of its standard deviations."""
    away = np.linalg.norm(places - places.mean(axis=0), axis=1)
    return float(away.mean() + 3 * away.std(ddof=1))


def repeatability_interval(places: Array, rng: np.random.Generator) -> tuple[float, float]:
    """Return the 95 % interval of RP for Gaussian scatter of any shape.

    A parametric bootstrap: sets of n are drawn from the Gaussian that the places show, and how their RP stands to that
    Gaussian's own RP is taken for how this RP stands to the robot's (Efron & Tibshirani, An Introduction to the
    Bootstrap, 1993, 6.5; with the ratio as pivot, since RP scales with the scatter).
    """
    n, d = places.shape
    covariance = np.atleast_2d(np.cov(places.T))
    values, vectors = np.linalg.eigh(covariance)
    factor = vectors * np.sqrt(np.maximum(values, 0.0))
    if not values[-1] > 0:
        return 0.0, 0.0
    away = np.linalg.norm(rng.standard_normal((_TRUE, d)) @ factor.T, axis=1)
    true = float(away.mean() + 3 * away.std())
    sets = rng.standard_normal((_DRAWS, n, d)) @ factor.T
    around = np.linalg.norm(sets - sets.mean(axis=1, keepdims=True), axis=2)
    ratios = (around.mean(axis=1) + 3 * around.std(axis=1, ddof=1)) / true
    low, high = np.quantile(ratios, [0.025, 0.975])
    found = repeatability(places)
    return found / float(high), found / float(low)


def small_turns(attained: list[Pose3], about: Pose3) -> Array:
    """Return turns (n, 3) in degrees of poses from `about`, as rotation vectors along the robot's axes.

    Raises `UnusableInput` where one is more than 30° away: such a table holds another convention, or another pose.
    """
    back = Pose3(0.0, 0.0, 0.0, about.quaternion).inverse()
    turns = [Pose3(0.0, 0.0, 0.0, pose.quaternion) @ back for pose in attained]
    for k, turn in enumerate(turns):
        if turn.turn_rad > _APART_RAD:
            raise UnusableInput(
                f"cycle {k + 1} is turned by {math.degrees(turn.turn_rad):.0f}° from where it should be; check the "
                "convention of the angles, and that all rows are of one pose"
            )
    return np.array([turn.angles_deg("rotvec-deg") for turn in turns])


def _figures(one: Cycles, rng: np.random.Generator) -> PoseFigures:
    places = _checked(one)
    n, d = places.shape
    covariance = np.atleast_2d(np.cov(places.T))
    offset = None if one.commanded_mm is None else places.mean(axis=0) - one.commanded_mm
    ap, told = (None, False) if offset is None else accuracy(offset, covariance, n)
    turns = np.zeros((n, 0)) if one.turns_deg is None else np.asarray(one.turns_deg, float)
    means = np.abs(turns.mean(axis=0)) if one.commanded_turns else np.zeros(0)
    return PoseFigures(
        name=one.name,
        n=n,
        dimension=d,
        mean_mm=places.mean(axis=0),
        covariance=covariance,
        rp=Figure(repeatability(places), *repeatability_interval(places, rng)),
        ap=ap,
        ap_told=told,
        offset_mm=offset,
        drift_mm=_drift(places),
        turn_ap_deg=tuple(float(m) for m in means),
        turn_rp_deg=tuple(_three_sigma(turns[:, k]) for k in range(turns.shape[1])),
    )


def _checked(one: Cycles) -> Array:
    places = np.asarray(one.xyz_mm, float)
    if places.ndim != 2 or places.shape[1] not in (2, 3) or not np.isfinite(places).all():
        raise UnusableInput(f"pose {one.name}: the places are not rows of two or three finite numbers")
    if len(places) < FEWEST_CYCLES:
        raise PoorGeometry(
            f"pose {one.name} has {counted(len(places), 'cycle')}; give at least {FEWEST_CYCLES}, ISO 9283 asks for "
            f"{CYCLES}"
        )
    if not float(np.ptp(places, axis=0).max()) > 0:
        raise PoorGeometry(
            f"pose {one.name}: all places are the same to the last digit; measure the attained poses from outside, not "
            "the robot's own display"
        )
    demand_not_pasted(list(places.T), [f"cycle {k + 1}" for k in range(len(places))], f"pose {one.name}")
    return places


def accuracy(offset: Array, covariance: Array, n: int) -> tuple[Figure, bool]:
    """Return AP with its interval, and whether there is an offset at all (Hotelling's T², at 95 %)."""
    d, ap = len(offset), float(np.linalg.norm(offset))
    along = offset / ap if ap > 0 else np.eye(d)[0]
    U = coverage_factor(0.975, n - 1) * math.sqrt(max(float(along @ covariance @ along), 0.0) / n)
    squared = n * float(offset @ np.linalg.pinv(covariance) @ offset) * (n - d) / (d * (n - 1))
    told = bool(special.fdtrc(d, n - d, squared) < 0.05)
    return Figure(ap, max(ap - U, 0.0) if told else 0.0, ap + U), told


def _three_sigma(turns: Array) -> Figure:
    """Return 3·S with its interval, from the χ² of a variance."""
    n = len(turns)
    s = float(turns.std(ddof=1))
    low, high = (math.sqrt((n - 1) / float(special.chdtri(n - 1, tail))) for tail in (0.025, 0.975))
    return Figure(3 * s, 3 * s * low, 3 * s * high)


def _drift(places: Array) -> float | None:
    """Return how far the place moved along the cycles, where a straight trend is no accident (F test at 1 %).

    One slope in each of d coordinates against the scatter about it, pooled; the axes are taken as alike.
    """
    n, d = places.shape
    t = np.arange(n) - (n - 1) / 2
    around = places - places.mean(axis=0)
    slope = t @ around / float(t @ t)
    left = float(np.sum((around - np.outer(t, slope)) ** 2)) / (d * (n - 2))
    explained = float(slope @ slope) * float(t @ t) / d
    if not left > 0 or float(special.fdtrc(d, d * (n - 2), explained / left)) >= _DRIFT_P:
        return None
    return float(np.linalg.norm(slope) * (n - 1))


# --- what is taken for granted -------------------------------------------------------------------------------------


def _checks(cycles: list[Cycles]) -> tuple[Check, ...]:
    """Return what the coordinates of all poses say of the Gaussian law: each about its mean, in its own scatter."""
    least = min(len(c.xyz_mm) for c in cycles)
    said = f"{least} cycles at each pose, and more, are enough."
    few = f"A pose has {least} cycles; ISO 9283 asks for {CYCLES}, so the intervals are wide."
    enough = Check("enough cycles", least >= CYCLES, said if least >= CYCLES else few)
    if least < _FEWEST_TO_TEST:
        return (
            enough,
            Check("normality", None, f"{least} cycles are too few to test whether they scatter as a Gaussian."),
        )
    scaled, where = [], []
    for one in cycles:
        away = np.asarray(one.xyz_mm, float) - np.mean(one.xyz_mm, axis=0)
        spread = away.std(axis=0, ddof=1)
        for k in np.flatnonzero(spread > 0):
            scaled.append(away[:, k] / spread[k])
            where += [f"pose {one.name}, cycle {j + 1}, {'xyz'[k]}" for j in range(len(away))]
    x, of = np.concatenate(scaled), "the attained places"
    return enough, normality(x, of), without_outliers(x, tuple(where), of), independence(x, of)


# --- what is said about it -----------------------------------------------------------------------------------------


def _good(poses: tuple[PoseFigures, ...], most_ap: float | None, most_rp: float | None) -> bool | None:
    if most_ap is None and most_rp is None:
        return None
    ap = most_ap is None or all(p.ap is not None and p.ap.high <= most_ap for p in poses)
    return ap and (most_rp is None or all(p.rp.high <= most_rp for p in poses))


def _verdicts(study: PoseStudy, most_ap: float | None, most_rp: float | None) -> list[str]:
    said = []
    for name, most, figures in (
        ("AP", most_ap, [p.ap for p in study.poses if p.ap is not None]),
        ("RP", most_rp, [p.rp for p in study.poses]),
    ):
        if most is None:
            continue
        high, low = max(f.high for f in figures), max(f.low for f in figures)
        if high <= most:
            said.append(f"{name} is at most {most:g} mm at every pose: the upper end of its 95 % interval keeps it.")
        elif low > most:
            said.append(f"{name} is above {most:g} mm at one pose at least.")
        else:
            said.append(f"Whether {name} is at most {most:g} mm is not shown: its 95 % interval reaches {high:.3g} mm.")
    return said


def _worst(study: PoseStudy) -> list[str]:
    rp, ap = study.worst_rp, study.worst_ap
    where = f" at pose {rp.name}" if len(study.poses) > 1 else ""
    said = [f"Worst repeatability RP {rp.rp.value:.3g} mm ({rp.rp.low:.3g} to {rp.rp.high:.3g}){where}."]
    if ap is not None and ap.ap is not None:
        where = f" at pose {ap.name}" if len(study.poses) > 1 else ""
        untold = "" if ap.ap_told else ", no more than its scatter explains"
        said.append(f"Worst accuracy AP {ap.ap.value:.3g} mm ({ap.ap.low:.3g} to {ap.ap.high:.3g}){where}{untold}.")
    return said


def _cautions(study: PoseStudy, u_mm: float | None) -> list[str]:
    said = [check.sentence for check in study.checks if check.holds is False]
    if any(p.dimension == 2 for p in study.poses):
        said.append("Only x and y were measured: RP is that of the plane, about a tenth below that of space.")
    for p in study.poses:
        if p.drift_mm is not None:
            said.append(
                f"Pose {p.name} drifts by {p.drift_mm:.2g} mm from the first cycle to the last: warm the robot up, or "
                "look for what creeps; RP holds the drift."
            )
    if u_mm is not None:
        share = GAUSSIAN[study.worst_rp.dimension] * u_mm
        said.append(
            f"Measuring alone, with u {u_mm:g} mm, shows an RP of {share:.2g} mm; it is not taken off, so the robot is "
            "better than RP says."
        )
    else:
        said.append("RP holds the scatter of the measuring too; state it with --u to see how much that is.")
    return said


def _next(study: PoseStudy) -> list[str]:
    if study.worst_ap is None:
        return ["Next: give what was commanded, to have the accuracy too, since repeatable is not accurate."]
    said = ["AP holds in the frame of whoever measured: an error of that frame is in it."]
    if len(study.poses) < POSES:
        missing = POSES - len(study.poses)
        return [
            *said,
            f"It was shown at {len(study.poses)} of the {POSES} poses that ISO 9283 asks for, and accuracy varies over "
            "the space.",
            f"Next: measure {counted(missing, 'more pose')}, where the parts lie, with the load and speed of the work.",
        ]
    return [*said, "Next: repeat it after each new tool, knock or change of the robot's programme or load."]


def cycles_of(
    name: str,
    xyz_mm: ArrayLike,
    commanded_mm: ArrayLike | None = None,
    attained: list[Pose3] | None = None,
    commanded: Pose3 | None = None,
) -> Cycles:
    """Return the cycles of one pose; `attained` poses bring the turns."""
    places = np.asarray(xyz_mm, float)
    to = None if commanded_mm is None else np.asarray(commanded_mm, float)
    turns = None if attained is None else small_turns(attained, commanded or attained[0])
    return Cycles(name, places, to, turns, commanded is not None)
