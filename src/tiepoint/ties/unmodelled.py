"""What a tie's model leaves out, as sources: tilt, unequal axes, lens distortion.

A model with few unknowns does not see what it has no unknown for. Each such effect is one more column: had it the
size g, the fit would have followed by −C·Jᵀ·W·b·g (b: how it moves the points), and the rest is an error of the
tie. How large it may be is a bound that is stated (type B), made smaller by what the residuals themselves say: with
residual noise s the points show g to 1/√info, info = b̃ᵀWb̃/s², b̃ the part of b that the fit cannot follow. The
effect is not corrected, so what was found of it stays in its u.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.sources import Source
from tiepoint.ties.lens import LENS_NAMES, Lens, ideal_from_picture
from tiepoint.ties.pair_fit import PairFit
from tiepoint.ties.tie import PARAMETERS, project

Array = NDArray[np.float64]

TILT_DEG = 3.0
"""Half-width of the angle between a camera set up by eye and the normal of its plane (common practice)."""
LENS_SHARE = 0.02
"""Half-width of the radial displacement at the picture's corner, as a share of its distance from the middle:
ordinary lenses for machine vision keep within it, wide ones do not (common practice)."""
FOCAL_WIDTHS = 2.0
"""Focal length over picture width, where it is not known: short, so that u is not too small."""
SHOWN = 4.0
"""From so many standard deviations on, the residuals show an effect that the model has no unknown for."""


@dataclass(frozen=True)
class Effect:
    """Something that the model has no unknown for: ∂θ/∂size (p,), and the u of its size (infinite: no bound)."""

    name: str
    label: str
    column: Array
    u: float


@dataclass(frozen=True)
class Left:
    """One effect as a source of the tie: its column (p,) with the fit's own response, and the size `found`."""

    label: str
    source: Source
    column: Array
    found: float
    seen: float
    information: float

    @property
    def shows(self) -> float:
        """How many standard deviations from nothing the residuals alone put it."""
        return abs(self.seen) / math.sqrt(self.information) if self.information > 0 else 0.0


def lens_effect(share: float = LENS_SHARE) -> Effect:
    """Return unknown radial distortion: ±`share` of the radius at the lens's ρ from the middle."""
    column = np.zeros(len(PARAMETERS))
    column[9 + LENS_NAMES.index("kappa")] = 1.0
    label = f"Lens distortion, taken within ±{100 * share:g} % at the corner"
    return Effect("lens", label, column, share / math.sqrt(3))


def tilt_effects(matrix: Array, middle: tuple[float, float], focal_px: float, tilt_deg: float) -> tuple[Effect, ...]:
    """Return unknown tilt of the camera about both axes of the picture: the scale changes across it.

    A tilt α about the middle divides by 1 + x·tan(α)/focal, x from the middle (the foreshortening, second order
    in α, is `stretch_effects`).
    """
    out = []
    for axis, name in enumerate("xy"):
        perspective = np.zeros((3, 3))
        perspective[2, axis] = 1.0
        half = math.tan(math.radians(tilt_deg)) / focal_px
        label = f"Tilt of the camera, taken within ±{tilt_deg:g}°"
        out.append(Effect(f"tilt-{name}", label, _about(matrix, middle, perspective), half / math.sqrt(3)))
    return tuple(out)


def stretch_effects(matrix: Array, middle: tuple[float, float], half: float, label: str) -> tuple[Effect, ...]:
    """Return unequal scales of the two axes, and of the two diagonals, apart by at most `half` of a length."""
    out = []
    for name, shape in (("axes", [[0.5, 0.0], [0.0, -0.5]]), ("diagonals", [[0.0, 0.5], [0.5, 0.0]])):
        stretch = np.zeros((3, 3))
        stretch[:2, :2] = shape
        out.append(Effect(f"stretch-{name}", label, _about(matrix, middle, stretch), half / math.sqrt(3)))
    return tuple(out)


def scale_effect(matrix: Array, middle: tuple[float, float], u: float) -> Effect:
    """Return a common scale, for a model that takes it as 1."""
    return Effect("scale", "Scale, taken as 1", _about(matrix, middle, np.diag([1.0, 1.0, 0.0])), u)


def foreshortening(tilt_deg: float) -> float:
    """Return by how much a tilt shortens one axis against the other: 1 − cos α."""
    return 1.0 - math.cos(math.radians(tilt_deg))


def _about(matrix: Array, middle: tuple[float, float], change: Array) -> Array:
    """Return ∂θ (p,) of a change (3, 3) of the from-side, made in coordinates about `middle`."""
    to_middle = np.array([[1.0, 0.0, -middle[0]], [0.0, 1.0, -middle[1]], [0.0, 0.0, 1.0]])
    column = np.zeros(len(PARAMETERS))
    column[:9] = (matrix @ np.linalg.inv(to_middle) @ change @ to_middle).ravel()
    return column


def moved_by(column: Array, matrix: Array, lens: Lens | None, points: Array) -> Array:
    """Return how points (n, 2) of the from-frame move on the to side (n, 2), per unit of a change (p,) of θ."""
    straight = ideal_from_picture(lens, points)
    _, d_ideal, d_matrix = project(matrix, straight.ideal_px)
    return np.asarray(d_matrix @ column[:9] + (d_ideal @ straight.d_lens) @ column[9:])


@dataclass(frozen=True)
class Fitted:
    """A fit of pairs as its tie has it: raw from `points` (n, 2), `matrix`, `basis` (9, k) = ∂matrix/∂θ, `lens`.

    `variance` of a whitened residual (above 0); `ensemble`: one source of the fit's own parameters.
    """

    fit: PairFit
    points: Array
    matrix: Array
    basis: Array
    lens: Lens | None
    variance: float
    ensemble: Source


def left_out(effect: Effect, fitted: Fitted, prefix: str) -> Left:
    """Return an effect as a source of the tie, as large as it may be and the residuals allow."""
    fit = fitted.fit
    moved = moved_by(effect.column, fitted.matrix, fitted.lens, fitted.points)
    follows = -fit.cofactor @ np.einsum("nip,nij,nj->p", fit.jacobian, fit.weights, moved)
    rest = moved + fit.jacobian @ follows
    weighted = np.einsum("nij,nj->ni", fit.weights, rest)
    information = float(np.sum(weighted * rest)) / fitted.variance
    prior = 1.0 / effect.u**2
    seen = float(np.sum(weighted * fit.residuals)) / fitted.variance
    found = seen / (information + prior)
    u = math.hypot(found, 1.0 / math.sqrt(information + prior))
    column = effect.column.copy()
    column[:9] += fitted.basis @ follows
    source = _source(effect, u, information > prior, fitted, prefix)
    return Left(effect.label, source, column, found, seen, information)


def _source(effect: Effect, u: float, by_data: bool, fitted: Fitted, prefix: str) -> Source:
    """Return the source: of its own where a bound made it; one of the fit's ensemble where its residuals did.

    The same residual variance then scales it and the fit's own sources, so they have one dof in common.
    """
    if not by_data:
        return Source(f"{prefix}:{effect.name}", effect.label, "B", u, "tie", "rectangular")
    first = fitted.ensemble
    return Source(f"{first.ensemble}#{effect.name}", first.label, "A", u, "tie", first.distribution, first.dof)
