"""The point about which a tool turns, from three or more views of one mark that the robot turned about its tool.

A robot that turns about its tool point moves a mark on the tool along a circle, p = C + R(θ)·a. Without the angles the
circle alone tells its centre C and the arm's length (a geometric fit; Chernov, Circular and Linear Regression, 2010).
With them C and the arm a are a linear least-squares problem, the mark may sit on the axis, and a is known as a vector:
where the mark lies from the axis *in the flange's own axes*. If the mark is the tool's very tip, a is by how much the
tool point that the controller was told is wrong.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.sources import Source, Value, Values, ensemble, merge_columns
from tiepoint.vision.fits import fit_circle

Array = NDArray[np.float64]
Pointing = Literal["up", "down"]

FEWEST_VIEWS = 3
MOST_DILUTION = 10.0
"""The centre may be at most this many times less certain than one place; views too near to one another exceed it."""
_CANDIDATES = np.deg2rad(np.arange(0.0, 360.0, 5.0))
_OTHER_SENSE = 10.0
"""Counting the angles the other way explains the places better by this factor: they were counted so."""


@dataclass(frozen=True)
class RotationCentre:
    """`centre`: x, y in mm where the places were given; `arm`: the mark's distance from it.

    `offset`: from the axis to the mark along the flange's x and y (mm), where the turns were stated; `residuals` (n, 2)
    in mm; `dilution`: how many times less certain the centre is than one place, in its worst direction; `span_rad`: the
    part of the full turn that the views enclose.
    """

    centre: Values
    arm: Value
    offset: Values | None
    residuals: Array
    dilution: float
    span_rad: float

    @property
    def rms_mm(self) -> float:
        """Root mean square length of the residuals."""
        return float(np.sqrt(np.mean(np.sum(self.residuals**2, axis=1))))

    @property
    def sentence(self) -> str:
        """What was found, in words."""
        (x, y), U = self.centre.value, [self.centre[k].U95 for k in (0, 1)]
        said = (
            f"The tool turns about ({x:.3f} ± {U[0]:.2g}, {y:.3f} ± {U[1]:.2g}) mm; the mark is "
            f"{self.arm.value:.3f} ± {self.arm.U95:.2g} mm from there"
        )
        if self.offset is None:
            return f"{said}, in a direction that the places alone do not tell: state the turns."
        a, b = self.offset.value
        return f"{said}, at ({a:.3f}, {b:.3f}) mm along the flange's x and y."


@dataclass(frozen=True)
class _Solved:
    """Parameters (k,) with ∂parameters/∂places (k, 2n); `free`: residual degrees of freedom; `unit` (2, 2): cofactor
    of the centre for places of unit variance."""

    parameters: Array
    d_places: Array
    residuals: Array
    free: int
    unit: Array


def rotation_centre(
    places_mm: ArrayLike | Values,
    centre_id: str,
    *,
    turns_rad: ArrayLike | None = None,
    u_mm: float | None = None,
    u_turn_rad: float = 0.0,
    pointing: Pointing = "down",
) -> RotationCentre:
    """Return the centre about which a mark turned, seen at places (n, 2) in mm, n ≥ 3.

    `places_mm` may be `Values` of x0, y0, x1, y1, … over shared sources, such as those of a tie: what all views share
    moves the centre as it moves the places. `turns_rad` (n,): the flange's angle at each view, counted about its own z
    as seen from above, counter-clockwise; only differences need be right for the centre, absolute ones for `offset`.
    `pointing`: whether the flange's z points up (out of the plane) or down; its y axis is mirrored then. `u_mm`:
    standard uncertainty of one coordinate of one place *besides* those sources; without it the scatter tells, if there
    are more views than unknowns. `u_turn_rad`: of each turn.

    Raises `PoorGeometry` for views that do not determine the centre, with the view to add; `UnusableInput` otherwise.
    """
    xy, shared = _checked(places_mm, u_mm, u_turn_rad)
    turns = None if turns_rad is None else _checked_turns(turns_rad, len(xy))
    solved = _by_circle(xy) if turns is None else _by_turns(xy, turns)
    dilution = math.sqrt(float(np.linalg.eigvalsh(solved.unit)[1]))
    angles = _angles(xy, solved.parameters) if turns is None else turns
    if dilution > MOST_DILUTION:
        raise PoorGeometry(_too_near(angles, dilution, turns is not None))
    if turns is not None:
        _demand_sense(xy, turns, solved)
    sources, c = _with_noise(solved, shared, turns, centre_id, u_mm, u_turn_rad)
    arm, offset = _arm(solved.parameters, c, sources, turns is not None, pointing)
    centre = Values(solved.parameters[:2], c[:2], sources)
    return RotationCentre(centre, arm, offset, solved.residuals, dilution, math.tau - _largest_gap(angles)[0])


def _checked(places_mm: ArrayLike | Values, u_mm: float | None, u_turn: float) -> tuple[Array, Values | None]:
    shared = places_mm if isinstance(places_mm, Values) else None
    xy = np.asarray(places_mm.value if isinstance(places_mm, Values) else places_mm, float)
    xy = xy.reshape(-1, 2) if shared is not None and xy.size % 2 == 0 else xy
    if xy.ndim != 2 or xy.shape[1] != 2 or not np.isfinite(xy).all():
        raise UnusableInput("the places of the turned mark are not rows of two finite numbers; give x, y in mm")
    for name, u in (("place", u_mm or 0.0), ("turn", u_turn)):
        if not (math.isfinite(u) and u >= 0):
            raise UnusableInput(f"the u of a {name} is {u:g}; give 0 or more")
    if len(xy) < FEWEST_VIEWS:
        raise PoorGeometry(
            f"{len(xy)} views are too few for a rotation centre: see the mark at {FEWEST_VIEWS} turns or more, about "
            "120° apart"
        )
    return xy, shared


def _checked_turns(turns_rad: ArrayLike, n: int) -> Array:
    turns = np.asarray(turns_rad, float)
    if turns.shape != (n,) or not np.isfinite(turns).all():
        raise UnusableInput(f"the turns are not {n} finite numbers, one for each view")
    return turns


def _by_circle(xy: Array) -> _Solved:
    """Return centre and radius (3,) of the circle; a place moves them by pinv(n_x, n_y, 1)·(n·δp)."""
    middle = xy.mean(axis=0)
    if not float(np.ptp(xy, axis=0).max()) > 1e-9 * max(1.0, float(np.abs(xy).max())):
        raise PoorGeometry("the mark did not move: it sits on the axis; take a mark farther out, or state the turns")
    fit = fit_circle(xy - middle, robust=False)
    out = np.column_stack([fit.normals, np.ones(len(xy))])
    inverse = np.linalg.pinv(out)
    d = np.zeros((3, 2 * len(xy)))
    for k, normal in enumerate(fit.normals):
        d[:, 2 * k : 2 * k + 2] = np.outer(inverse[:, k], normal)
    parameters = np.array([*(fit.centre + middle), fit.radius])
    return _Solved(parameters, d, fit.residuals[:, None] * fit.normals, len(xy) - 3, (inverse @ inverse.T)[:2, :2])


def _by_turns(xy: Array, turns: Array) -> _Solved:
    """Return centre and arm (4,): p = C + R(θ)·a, linear in both."""
    A = np.zeros((2 * len(xy), 4))
    A[0::2, 0] = A[1::2, 1] = 1.0
    A[0::2, 2], A[0::2, 3] = np.cos(turns), -np.sin(turns)
    A[1::2, 2], A[1::2, 3] = np.sin(turns), np.cos(turns)
    # With all turns alike the rank falls to two: the pseudo-inverse then hides what the cofactor must show.
    resultant = abs(np.exp(1j * turns).mean())
    if not 1.0 - resultant**2 > 1e-9:
        raise PoorGeometry(_too_near(turns, math.inf, True))
    inverse = np.asarray(np.linalg.pinv(A), float)
    parameters = inverse @ xy.ravel()
    residuals = (xy.ravel() - A @ parameters).reshape(-1, 2)
    return _Solved(parameters, inverse, residuals, 2 * len(xy) - 4, (inverse @ inverse.T)[:2, :2])


def _demand_sense(xy: Array, turns: Array, solved: _Solved) -> None:
    """Refuse turns that were counted the other way round: the places then turn against them."""
    other = _by_turns(xy, -turns)
    left, right = (float(np.sqrt(np.mean(s.residuals**2))) for s in (solved, other))
    if left > _OTHER_SENSE * right and left > 0.05 * math.hypot(*other.parameters[2:]):
        raise UnusableInput(
            "the places turn the other way than the turns were counted: count the flange's turn counter-clockwise as "
            "seen from above (with the flange's z down, that is the negative of its turn about that z)"
        )


def _with_noise(
    solved: _Solved, shared: Values | None, turns: Array | None, centre_id: str, u_mm: float | None, u_turn: float
) -> tuple[tuple[Source, ...], Array]:
    """Return all sources, and how each moves the parameters."""
    n = len(solved.residuals)
    stated = u_mm or 0.0
    scatter = float(np.sum(solved.residuals**2))
    dof = math.inf
    if u_mm is None and solved.free > 0:
        # What the robot does not repeat stands in the scatter alone; what the places' own sources say is in it again.
        stated, dof = math.sqrt(scatter / solved.free), float(solved.free)
    elif u_mm is None and shared is None:
        raise PoorGeometry(
            "three places fit a circle exactly and tell no scatter: state the u of a place, see the mark once "
            "more, or state the turns"
        )
    covariance = np.eye(2 * n) * stated**2
    if turns is not None and u_turn > 0:
        covariance += _turn_noise(solved.parameters, turns, u_turn)
    own = solved.d_places @ covariance @ solved.d_places.T
    sources, factor = ensemble(f"centre:{centre_id}", "Places of the turned mark", own, "station", dof)
    if shared is None:
        return sources, factor
    return merge_columns((*shared.sources, *sources), np.hstack([solved.d_places @ shared.c, factor]))


def _turn_noise(parameters: Array, turns: Array, u_turn: float) -> Array:
    """Return what a turn's own u brings to its place (2n, 2n): along the circle, by the arm."""
    a = parameters[2:]
    c, s = np.cos(turns), np.sin(turns)
    along = np.column_stack([-s * a[0] - c * a[1], c * a[0] - s * a[1]]) * u_turn
    out = np.zeros((2 * len(turns), 2 * len(turns)))
    for k, step in enumerate(along):
        out[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = np.outer(step, step)
    return out


def _arm(
    parameters: Array, c: Array, sources: tuple[Source, ...], with_turns: bool, pointing: Pointing
) -> tuple[Value, Values | None]:
    if not with_turns:
        return Values(parameters[2:3], c[2:3], sources)[0], None
    flip = np.array([1.0, -1.0 if pointing == "down" else 1.0])
    offset = Values(parameters[2:] * flip, c[2:] * flip[:, None], sources)
    length = math.hypot(*offset.value)
    # At the axis itself the length has no direction; its u is then that of the worse coordinate.
    along = offset.value / length if length > 0 else np.array([1.0, 0.0])
    return Values(np.array([length]), (along @ offset.c)[None], sources)[0], offset


def _angles(xy: Array, parameters: Array) -> Array:
    x, y = (xy - parameters[:2]).T
    return np.asarray(np.arctan2(y, x))


def _largest_gap(angles: Array) -> tuple[float, float]:
    """Return the largest empty part of the full turn, and its middle."""
    around = np.sort(np.mod(angles, math.tau))
    gaps = np.diff([*around, around[0] + math.tau])
    k = int(np.argmax(gaps))
    return float(gaps[k]), float(around[k] + gaps[k] / 2)


def _too_near(angles: Array, dilution: float, with_turns: bool) -> str:
    """Say what is wrong, and the turn that would help most."""
    span = math.degrees(math.tau - _largest_gap(angles)[0])
    then = [_dilution(np.append(angles, new), with_turns) for new in _CANDIDATES]
    best = int(np.argmin(then))
    away = math.degrees(math.remainder(_CANDIDATES[best] - float(angles[0]), math.tau))
    times = "beyond measure" if dilution > 1e4 else f"{dilution:.0f} times"
    return (
        f"the views lie within {span:.0f}° of turn, and the centre is {times} less certain than a place "
        f"({MOST_DILUTION:.0f} times at most); add a view turned by about {away:.0f}° from the first, which makes it "
        f"{then[best]:.1f} times"
    )


def _dilution(angles: Array, with_turns: bool) -> float:
    if with_turns:
        resultant = abs(np.exp(1j * angles).mean())
        return 1.0 / math.sqrt(len(angles) * max(1e-12, 1.0 - float(resultant) ** 2))
    out = np.column_stack([np.cos(angles), np.sin(angles), np.ones(len(angles))])
    inverse = np.linalg.pinv(out)
    return math.sqrt(float(np.linalg.eigvalsh((inverse @ inverse.T)[:2, :2])[1]))
