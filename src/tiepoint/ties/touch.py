"""A touch test of a robot's tie: points that it was not made from, where they should lie, and what was found there.

A tie by pairs fits the points that it was made from. Whether it holds elsewhere only other points tell: marks of the
plane that the tool's tip touches, one after the other, while the controller's display is read. What all of them share
is an offset (the tool point is not where it was), what grows with the distance from their middle a turn or a scale;
each is set against what the tie's own sources and the touching explain.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.reasons import FLAGS, forbidding
from tiepoint.foundation.sources import Source, Value, Values, coverage_factor
from tiepoint.ties.diagnose import diagnose
from tiepoint.ties.grip import planar_robot_refusal
from tiepoint.ties.hand_eye import HandEye
from tiepoint.ties.pair_fit import fit_pairs, thinness
from tiepoint.ties.tie import Quality, Tie, inside_convex, matrix_columns
from tiepoint.ties.uncertain_pose import cross
from tiepoint.ties.verdict import U_at, good_for

Array = NDArray[np.float64]

FEWEST_POINTS, MOST_POINTS = 3, 12
_INNER = 0.95
"""Points are taken from the valid region shrunk by this about its middle: a tip must not miss it by a hair."""
_APART = (0.1, 0.05, 0.02)
"""Least distance from the points of the tie and from one another, over the region's extent; the first that has room."""
_FINENESS = 25
_SAME_MM = 1e-6
_GROSS = 0.05
"""Errors beyond this share of the points' radius are no small ones: a table or a frame is mistaken."""
_THIN = 0.02
_NO_TURN_DEG = 0.5


@dataclass(frozen=True)
class TouchPoint:
    """A point to touch: its place in the plane, where the tie puts it in the robot's frame, and U there (95 %, mm)."""

    number: int
    plane_mm: tuple[float, float]
    robot_mm: tuple[float, float]
    U_mm: float


@dataclass(frozen=True)
class CheckedPoint:
    """A touched point. `error_mm`: what the robot showed less what the tie says; None outside the tie's region.

    `verdict`: `conforms`, `rejected` or `undecided` against the tolerance (the touching's own u is the guard band);
    None for a point that does not count, with `why`.
    """

    row: int
    plane_mm: tuple[float, float]
    shown_mm: tuple[float, float]
    expected_mm: tuple[float, float] | None
    error_mm: tuple[float, float] | None
    verdict: str | None
    why: str = ""

    @property
    def size_mm(self) -> float | None:
        """Length of the error."""
        return None if self.error_mm is None else math.hypot(*self.error_mm)


@dataclass(frozen=True)
class TouchCheck:
    """What a touch test shows. `offset_mm`: x and y that all errors share; `turn_rad`, `scale` (1 is none).

    Their ± is what tie and touching explain: where the value exceeds it, something else is behind it. None where there
    are too few points, or where errors are so large that no such words fit (`hints` then say what may be mistaken).
    `holds`: whether the errors agree with the tie's stated ±. `worst_mm`: the largest error with its low and high end
    (95 % each), which the touching leaves open; None where so few points, or such a tie, show nothing.
    """

    points: tuple[CheckedPoint, ...]
    tolerance_mm: float
    u_touch_mm: float
    offset_mm: tuple[Value, Value] | None
    turn_rad: Value | None
    scale: Value | None
    rms_mm: float
    rest_rms_mm: float | None
    worst_mm: tuple[float, float, float] | None
    holds: bool
    good: bool
    hints: tuple[str, ...]
    sentences: tuple[str, ...]


def refusal(tie: Tie, tolerance_mm: float | None = None) -> str | None:
    """Return why there is no touch test with a tie, in a sentence; None where there may be one.

    Raises `UnusableInput` for a tie that leads elsewhere, or is mirrored.
    """
    if (said := planar_robot_refusal(tie)) is not None:
        raise UnusableInput(said)
    if flags := forbidding(tie.flags):
        words = " ".join(FLAGS[code].sentence for code in flags)
        return f"No touch test with this tie, since its ± may not hold: {words} Make the tie again first."
    if tolerance_mm is not None and not (judged := good_for(tie, tolerance_mm)).answer:
        return f"No touch test with this tie: {judged.sentences[0]} {judged.sentences[-1]}"
    return None


def flat_tie(eye: HandEye) -> Tie:
    """Return the tie plane → robot of a hand-eye, seen from above the robot: its x and y, for points in the plane.

    A plane that leans shows shorter from above; that is in the matrix. The rms error at poses that the fit did not use
    stands for what touching scatters by. `UnusableInput` where it does not know the plane, or where in it it holds.
    """
    robot = eye.robot
    if robot.region is None:
        raise UnusableInput(
            f"the hand-eye {eye.id} does not say in which part of the plane it holds; make it again with its target "
            "lying there"
        )
    R, t, c = robot.robot_from_plane.pose.rotation, robot.robot_from_plane.pose.translation_mm, robot.robot_from_plane.c
    matrix, d_matrix = np.eye(3), np.zeros((c.shape[1], 3, 3))
    matrix[:2, :2], matrix[:2, 2] = R[:2, :2], t[:2]
    for k in range(c.shape[1]):
        d_matrix[k, :2, :2] = (cross(c[:3, k]) @ R)[:2, :2]
        d_matrix[k, :2, 2] = c[3:5, k]
    quality = None
    if eye.unseen_mm is not None:
        n = sum(row.used for row in eye.rows)
        at = (float(t[0]), float(t[1]))
        u = eye.unseen_mm / math.sqrt(4.0 * max(n, 1))
        quality = Quality(n, eye.unseen_mm, u, 2 * eye.unseen_mm, 2 * eye.unseen_mm, at, "each pose left out once")
    return Tie(
        eye.id, "pairs", "plane", "robot", "affine", matrix, robot.region, sources=robot.robot_from_plane.sources,
        factor=matrix_columns(d_matrix), quality=quality, flags=eye.flags,
    )  # fmt: skip


def touch_points(tie: Tie, count: int = 6, pitch_mm: float | None = None) -> tuple[TouchPoint, ...]:
    """Return points to touch: spread over the region, away from the points of the tie and from one another.

    The first lies farthest out, each other farthest from all before it (Gonzalez, Theoret. Comput. Sci. 38, 1985).
    `pitch_mm`: take them from the corners of a target of that pitch, where they can be seen; otherwise they lie on
    round millimetres.
    """
    if not FEWEST_POINTS <= count <= MOST_POINTS:
        raise UnusableInput(f"a touch test has {FEWEST_POINTS} to {MOST_POINTS} points, not {count}")
    candidates = _candidates(tie, pitch_mm)
    extent = float(np.ptp(tie.valid_region, axis=0).max())
    rounds = [_spread(candidates, tie, count, share * extent) for share in _APART]
    chosen = next((c for c in rounds if len(c) == count), rounds[-1])
    if len(chosen) < count:
        what = "a smaller --pitch or fewer points" if pitch_mm else "fewer points"
        raise PoorGeometry(
            f"the region has room for {len(chosen)} points that the tie was not made from; ask for {what}"
        )
    places = np.array(chosen)
    at, U = tie.map(places).xy_mm, [float(U_at(tie, p[None])[0]) for p in places]
    return tuple(
        TouchPoint(k + 1, (float(p[0]), float(p[1])), (float(a[0]), float(a[1])), u)
        for k, (p, a, u) in enumerate(zip(places, at, U, strict=True))
    )


def _spread(candidates: Array, tie: Tie, count: int, apart_mm: float) -> list[Array]:
    used = _used(tie)
    if len(used):
        candidates = candidates[np.linalg.norm(candidates[:, None] - used[None], axis=2).min(axis=1) >= apart_mm]
    chosen: list[Array] = []
    away = np.linalg.norm(candidates - tie.valid_region.mean(axis=0), axis=1)
    while len(chosen) < count and len(away) and away.max() >= apart_mm:
        chosen.append(candidates[int(np.argmax(away))])
        away = np.linalg.norm(candidates[:, None] - np.array(chosen)[None], axis=2).min(axis=1)
    return chosen


def _used(tie: Tie) -> Array:
    return np.zeros((0, 2)) if tie.residuals is None else tie.residuals.points


def _candidates(tie: Tie, pitch_mm: float | None) -> Array:
    if pitch_mm is not None and not (math.isfinite(pitch_mm) and pitch_mm > 0):
        raise UnusableInput(f"a pitch of {pitch_mm:g} mm cannot be; give more than 0")
    middle = tie.valid_region.mean(axis=0)
    inner = middle + _INNER * (tie.valid_region - middle)
    low, high = inner.min(axis=0), inner.max(axis=0)
    step = pitch_mm or _round_step(float((high - low).max()) / _FINENESS)
    if float(np.prod((high - low) / step + 1)) > 1e6:
        raise UnusableInput(f"a pitch of {step:g} mm has too many corners in the tie's region; give the target's own")
    x, y = (step * np.arange(math.ceil(low[k] / step), math.floor(high[k] / step) + 1) for k in (0, 1))
    grid = np.stack(np.meshgrid(x, y), axis=2).reshape(-1, 2)
    return np.asarray(grid[inside_convex(inner, grid)])


def _round_step(least: float) -> float:
    decade = 10.0 ** math.floor(math.log10(least))
    return next(k * decade for k in (1.0, 2.0, 5.0, 10.0) if k * decade >= least * (1 - 1e-9))


# --- the check -----------------------------------------------------------------------------------------------------


def check_touches(
    tie: Tie, plane_mm: ArrayLike, shown_mm: ArrayLike, tolerance_mm: float, u_touch_mm: float | None = None
) -> TouchCheck:
    """Return what points (n, 2) of the plane, touched and shown at (n, 2) in the robot's frame, say of a tie.

    `u_touch_mm`: standard uncertainty of one coordinate of a touch; without it what the tie's own points scatter by.
    Points that the tie was made from do not count. Good is a tie of which three points or more, not all on a line, are
    shown to be within `tolerance_mm` and none is not.
    """
    plane, shown = _checked(plane_mm, shown_mm, tolerance_mm)
    touching = _touching(tie, u_touch_mm)
    mapped = tie.map(plane)
    counted = mapped.inside & ~_was_used(tie, plane)
    points = tuple(
        _point(k, plane[k], shown[k], mapped.xy_mm[k], bool(mapped.inside[k]), bool(counted[k]), tolerance_mm, touching)
        for k in range(len(plane))
    )
    errors = (shown - mapped.xy_mm)[counted]
    forms = _forms(errors, mapped.d_sources[counted], mapped.sources, touching)
    return _judge(tie, points, shown[counted], mapped.xy_mm[counted], forms, tolerance_mm, touching)


def _checked(plane_mm: ArrayLike, shown_mm: ArrayLike, tolerance_mm: float) -> tuple[Array, Array]:
    plane, shown = np.asarray(plane_mm, float), np.asarray(shown_mm, float)
    if plane.ndim != 2 or plane.shape[1] != 2 or plane.shape != shown.shape or not len(plane):
        raise UnusableInput("a touch test has rows of two places: in the plane, and as the robot showed it")
    if not (np.isfinite(plane).all() and np.isfinite(shown).all()):
        raise UnusableInput("the touched points hold something that is no number")
    if not (math.isfinite(tolerance_mm) and tolerance_mm > 0):
        raise UnusableInput(f"a tolerance of ±{tolerance_mm:g} mm cannot be; give one above 0")
    for k, row in enumerate(plane):
        if (same := np.flatnonzero((plane[:k] == row).all(axis=1))).size:
            raise UnusableInput(f"rows {int(same[0]) + 1} and {k + 1} are the same point; give the mean of both")
    return plane, shown


def _touching(tie: Tie, u_mm: float | None) -> Source:
    label = "Touching a point"
    if u_mm is not None:
        if not (math.isfinite(u_mm) and u_mm >= 0):
            raise UnusableInput(f"the u of a touch is {u_mm:g} mm; give 0 or more")
        return Source("touch", label, "B", u_mm, "pixel")
    if tie.quality is None:
        raise UnusableInput(
            "the tie tells no scatter (it was made from no more points than it needs); state the u of a touch with --u"
        )
    dof = float(max(2 * tie.quality.n - 4, 2))
    return Source("touch", label, "A", tie.quality.rms_mm / math.sqrt(2), "pixel", "t", dof)


def _was_used(tie: Tie, plane: Array) -> NDArray[np.bool_]:
    used = _used(tie)
    if not len(used):
        return np.zeros(len(plane), bool)
    return np.asarray(np.linalg.norm(plane[:, None] - used[None], axis=2).min(axis=1) < _SAME_MM)


def _point(
    k: int, plane: Array, shown: Array, at: Array, inside: bool, counts: bool, tolerance_mm: float, touching: Source
) -> CheckedPoint:
    places = (float(plane[0]), float(plane[1])), (float(shown[0]), float(shown[1]))
    if not inside:
        return CheckedPoint(k + 1, *places, None, None, None, "outside the tie's region")
    error = float(shown[0] - at[0]), float(shown[1] - at[1])
    expected = float(at[0]), float(at[1])
    if not counts:
        return CheckedPoint(k + 1, *places, expected, error, None, "the tie was made from it")
    guard = _guard(touching)
    size = math.hypot(*error)
    verdict = (
        "conforms" if size <= tolerance_mm - guard else "undecided" if size <= tolerance_mm + guard else "rejected"
    )
    return CheckedPoint(k + 1, *places, expected, error, verdict)


def _guard(touching: Source) -> float:
    return coverage_factor(0.95, touching.dof) * touching.u


def _forms(errors: Array, d_sources: Array, sources: tuple[Source, ...], touching: Source) -> Values:
    """Return the errors (2n,) over the tie's sources, which all share, and the touching, which each has for itself."""
    n = errors.size
    own = tuple(
        Source(f"{touching.id}#{k}", touching.label, touching.type, touching.u, touching.scope, touching.distribution,
               touching.dof)
        for k in range(n)
    )  # fmt: skip
    c = np.hstack([-d_sources.reshape(n, len(sources)), np.eye(n)])
    return Values(errors.ravel(), c, (*sources, *own))


def _judge(
    tie: Tie, points: tuple[CheckedPoint, ...], shown: Array, expected: Array, errors: Values, tolerance_mm: float,
    touching: Source,
) -> TouchCheck:  # fmt: skip
    n = len(shown)
    rms = float(np.sqrt(np.mean(np.sum((shown - expected) ** 2, axis=1)))) if n else math.nan
    gross = n >= 2 and rms > _GROSS * _radius(expected)
    offset = turn = scale = rest = None
    if n and not gross:
        offset = _linear(errors, np.tile(np.eye(2), n) / n)
    if n >= FEWEST_POINTS and not gross:
        turn, scale, rest = _shape(errors, expected)
    holds = n > 0 and not gross and _agree(errors)
    verdicts = [p.verdict for p in points if p.verdict is not None]
    enough = n >= FEWEST_POINTS and thinness(expected) >= _THIN and not forbidding(tie.flags)
    good = enough and all(v == "conforms" for v in verdicts)
    size, guard = max((p.size_mm or 0.0 for p in points if p.verdict), default=0.0), _guard(touching)
    hints = _hints(expected, shown) if gross else () if n else _of_sides(tie, points)
    check = TouchCheck(
        points, tolerance_mm, touching.u, None if offset is None else (offset[0], offset[1]), turn, scale, rms, rest,
        (size, max(size - guard, 0.0), size + guard) if enough else None, holds, good, hints, (),
    )  # fmt: skip
    said = (_first(check, tie, expected), *hints, *_causes(check), *_doubts(check))
    return TouchCheck(**{**check.__dict__, "sentences": said})


def _radius(points: Array) -> float:
    return float(np.sqrt(np.mean(np.sum((points - points.mean(axis=0)) ** 2, axis=1))))


def _linear(errors: Values, rows: Array) -> list[Value]:
    """Return rows·errors as values over their shared sources."""
    found = Values(rows @ errors.value, rows @ errors.c, errors.sources)
    return [found[k] for k in range(len(found))]


def _shape(errors: Values, expected: Array) -> tuple[Value, Value, float]:
    """Return turn (rad) and scale about the points' middle, by least squares of small ones, and the rms left over."""
    x, y = (expected - expected.mean(axis=0)).T
    A = np.zeros((2 * len(x), 4))
    A[0::2, 0] = A[1::2, 1] = 1.0
    A[0::2, 2], A[1::2, 2] = -y, x
    A[0::2, 3], A[1::2, 3] = x, y
    inverse = np.asarray(np.linalg.pinv(A), float)
    turn, stretch = _linear(errors, inverse[2:])
    left = errors.value - A @ (inverse @ errors.value)
    rest = float(np.sqrt(np.mean(np.sum(left.reshape(-1, 2) ** 2, axis=1))))
    return turn, Value(1.0 + stretch.value, stretch.terms), rest


def _agree(errors: Values) -> bool:
    """Whether each coordinate of the errors is within what tie and touching explain of it.

    With n coordinates the level is 5 %/n each (Bonferroni), so that a tie whose ± holds is called otherwise in at most
    one of twenty tests.
    """
    p = 1 - 0.025 / len(errors)
    return all(abs(v.value) <= coverage_factor(p, v.dof) * v.u for v in (errors[k] for k in range(len(errors))))


# --- what is said about it -----------------------------------------------------------------------------------------


def _first(check: TouchCheck, tie: Tie, expected: Array) -> str:
    verdicts = [p.verdict for p in check.points if p.verdict is not None]
    n, kept = len(verdicts), verdicts.count("conforms")
    tolerance = f"±{check.tolerance_mm:g} mm"
    if flags := forbidding(tie.flags):
        return f"Not good: the tie's own ± may not hold. {FLAGS[flags[0]].sentence}"
    if n < FEWEST_POINTS:
        return f"Not shown: {n} points count, and {FEWEST_POINTS} are needed that the tie was not made from."
    if check.good:
        share = 100 * 0.05 ** (1 / n)
        return (
            f"Good for {tolerance}: all {n} points are within it. At 95 % confidence that is at least {share:.0f} % of "
            "the places in the region."
        )
    if kept == n and thinness(expected) < _THIN:
        return f"Not shown for {tolerance}: the points lie nearly on one line; touch others away from it."
    if "rejected" in verdicts:
        return f"Not good for {tolerance}: {verdicts.count('rejected')} of {n} points are beyond it. Do not move by it."
    return (
        f"Not shown for {tolerance}: {n - kept} of {n} points are too near to it, touching with u "
        f"{check.u_touch_mm:.2g} mm; touch more carefully, and state --u."
    )


def _causes(check: TouchCheck) -> list[str]:
    said = []
    if check.offset_mm is not None and any(abs(v.value) > v.U95 for v in check.offset_mm):
        x, y = check.offset_mm
        said.append(
            f"All points share an offset of ({x.value:+.3f} ± {x.U95:.2g}, {y.value:+.3f} ± {y.U95:.2g}) mm: the robot "
            f"shows that much more than the tie. The tool point is off by ({-x.value:+.3f}, {-y.value:+.3f}) mm from "
            "where it was when the tie was made (bent tip, another tool, another tool number), or the plane has moved. "
            "Set the tool point right and touch again; an offset that is merely added will hide the next one."
        )
    if check.turn_rad is not None and abs(check.turn_rad.value) > check.turn_rad.U95:
        turn, U = math.degrees(check.turn_rad.value), math.degrees(check.turn_rad.U95)
        said.append(
            f"The points are turned by {turn:.3f} ± {U:.2g}° about their middle: the plane or its fixture moved."
        )
    if check.scale is not None and abs(check.scale.value - 1) > check.scale.U95:
        per_cent, U = 100 * (check.scale.value - 1), 100 * check.scale.U95
        said.append(
            f"Lengths between the points are {per_cent:+.3f} ± {U:.2g} % longer for the robot: a print made to "
            "fit, the robot's own lengths, or points at another height."
        )
    return said


def _doubts(check: TouchCheck) -> list[str]:
    said = []
    if not check.holds and not check.hints and any(p.verdict for p in check.points):
        said.append(
            "The errors are larger than the tie's stated ± and the touching explain: that ± does not hold here."
        )
    left_out = [p for p in check.points if p.why]
    said += [f"Row {p.row} does not count: {p.why}." for p in left_out]
    return said


def _hints(expected: Array, shown: Array) -> tuple[str, ...]:
    """Return what may be mistaken where errors are as large as the field: the table's usual slips, or the frame."""
    if len(expected) < FEWEST_POINTS or thinness(expected) < _THIN or thinness(shown) < _THIN:
        return (
            "The errors are as large as the field: check the robot's frame and tool number, and the table's units.",
        )
    told = diagnose(expected, shown, from_image=False, shapes=("similarity",), same_unit=True)
    said = [f"The touched table looks mistyped: {f.sentence}." for f in told.findings if f.severity == "refuse"]
    return tuple(said) or (_of_frame(expected, shown),)


def _of_sides(tie: Tie, points: tuple[CheckedPoint, ...]) -> tuple[str, ...]:
    """Return what is mistaken where no point lies in the tie's region, and yet what the robot showed does."""
    if not inside_convex(tie.valid_region, np.array([p.shown_mm for p in points])).all():
        return ()
    return (
        "What the robot showed lies where the tie has its plane: the sides of the tie's table are exchanged. Make the "
        "tie again, with the places in the plane as from and what the robot showed as to.",
    )


def _of_frame(expected: Array, shown: Array) -> str:
    fit = fit_pairs("similarity", expected, shown)
    turn = math.degrees(fit.angle_rad)
    quarter = round(turn / 90) * 90
    if abs(turn - quarter) < 5 and quarter:
        why = "both signs are wrong" if abs(quarter) == 180 else "x and y are exchanged and one sign is wrong"
        return f"The points are turned by {turn:.1f}°: {why}, or the robot works in another frame."
    dx, dy = (shown - expected).mean(axis=0)
    tool = "the tool point is off, or the tool was turned about a wrong one, or " if abs(turn) < _NO_TURN_DEG else ""
    return (
        f"The points lie ({dx:+.1f}, {dy:+.1f}) mm away, turned by {turn:.1f}°: {tool}the robot works in another frame "
        "or with another tool number than when the tie was made."
    )
