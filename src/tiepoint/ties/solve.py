"""From corners to the model that they support: outliers, unstated noise, lens terms, bow, what is left."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.ties.family import COVARIANCE_DOF, Corners, Fit, fit_family, fit_member
from tiepoint.ties.page import ASSUMED, Bow, Standpoint, assumed_stand, bow_of, displaced, standpoints
from tiepoint.ties.remainder import Structure, extra_variance, structure
from tiepoint.ties.tie import Lens, Member, picture_from_ideal, project

Array = NDArray[np.float64]

_MOST_LEFT_OUT = 0.2
_FEWEST_TO_JUDGE = 8
_FLATTENINGS = 5
_BOW_TERMS = 3.0
_SETTLED_MM = 1e-4
_DIFFERS = 2.0
_SHOWN = 0.99
_OUTLIER_CHANCE = 1e-3
"""Chance that any good corner at all is left out, were the noise normal."""

FIRST_MEMBERS = ("homography + κ, κ2, centre", "affine + κ, centre")
QUICK_MEMBERS = (
    "homography",
    "homography + κ, centre",
    "homography + κ, κ2, centre",
    "homography + κ, κ2, κ3, centre",
    "homography + κ, κ2, κ3, centre, decentring",
    "affine",
    "affine + κ, centre",
)
"""The members of the quick form: those that may be chosen, and one step to the richest."""

CAMERA_MODEL = "homography, lens of the camera"


@dataclass(frozen=True)
class Asked:
    """What the fit is asked for: kind of optics, what is known of the page, of the camera's lens and distance."""

    affine: bool = False
    flatness_u_mm: float = 0.0
    distance_mm: float | None = None
    focal_px: float | None = None
    lens: Lens | None = None
    members: tuple[str, ...] | None = None


@dataclass(frozen=True)
class Solved:
    """The model that the corners support.

    `used` (n,) of all corners; `fit` the chosen member, on corners of a flat page; `members` all that were compared,
    `fits` the ones eligible; `noise` the variance of a whitened residual,
    at least 1, known with `dof`; `stated_ratio` is χ²/ν
    with the corners' own covariances, before `extra_px` was added to them. `bow` and `stand` are None where the
    page is taken as flat; `flattened` says that the found bow was taken off the corners.
    """

    used: NDArray[np.bool_]
    fit: Fit
    fits: tuple[Fit, ...]
    members: tuple[Member, ...]
    noise: float
    dof: float
    stated_ratio: float
    extra_px: float
    bow: Bow | None
    stand: Standpoint | None
    flattened: bool
    structure: Structure | None
    lens_differs: bool = False


def solve(corners: Corners, asked: Asked) -> Solved:
    """Return the model that corners support; `PoorGeometry` where they do not determine a plane."""
    used, fits = _without_outliers(corners, asked)
    first = _eligible(fits)
    stated_ratio = min(first, key=_by_bic).chi2_per_dof
    extra = _unstated_noise(first[-1], asked)
    if extra > 0:
        kept = corners.subset(used)
        fits = _fits(replace(kept, covariance=kept.covariance + extra * np.eye(2)), asked)
    eligible = _eligible(fits)
    fit, bow, stand, flattened = _choose(eligible, asked)
    members = tuple(f.member(f.model == fit.model) for f in fits)
    noise, dof = _noise(fit, stated=extra == 0)
    # Within a standard deviation of what noise leaves there is no room for structure.
    smooth = structure(fit) if extra > 0 or fit.chi2_per_dof > 1 + math.sqrt(2 / max(fit.dof, 1.0)) else None
    return Solved(
        used, fit, eligible, members, noise, dof, stated_ratio, math.sqrt(extra), bow, stand, flattened, smooth,
        _lens_differs(first[0], asked),
    )  # fmt: skip


def first_map(corners: Corners, affine: bool) -> Callable[[Array], Array]:
    """Return a first map from plane mm (n, 2) to px (n, 2), to read the corners again by; misread ones left out."""
    _, fits = _without_outliers(corners, Asked(affine=affine, members=FIRST_MEMBERS))
    fit = fits[-1]
    inverse = np.asarray(np.linalg.inv(fit.matrix))

    def to_image(plane_mm: Array) -> Array:
        ideal, _, _ = project(inverse, plane_mm)
        return picture_from_ideal(fit.lens, ideal)

    return to_image


def _noise(fit: Fit, stated: bool) -> tuple[float, float]:
    """Return the variance of a whitened residual, at least 1, and the degrees of freedom that it rests on.

    The corners' own covariances, from the residuals of their pixels, are taken as known to 10 %, which is worth
    50 degrees of freedom (JCGM 100, G.4.2). While the fit's χ² agrees with them both are pooled; where it does
    not, or where variance was added until it did, the fit's own ν = n − k is all that is left.
    """
    if fit.dof < 1:
        return 1.0, COVARIANCE_DOF
    if stated and abs(fit.chi2_per_dof - 1) < 3 * math.sqrt(2 / fit.dof):
        total = COVARIANCE_DOF + fit.dof
        return max(1.0, (COVARIANCE_DOF + fit.chi2) / total), total
    return max(1.0, fit.chi2_per_dof), fit.dof


def _fits(corners: Corners, asked: Asked) -> tuple[Fit, ...]:
    if asked.lens is None:
        return fit_family(corners, asked.affine, asked.members)
    return (_with_lens(fit_family(corners, only=("homography",))[0], asked.lens),)


def _lens_differs(fit: Fit, asked: Asked) -> bool:
    """Return whether a lens of the photo's own explains the corners decidedly better than the camera document's.

    A camera document has its own u: only where χ² is well beyond what noise leaves is the document to blame.
    """
    if asked.lens is None or fit.chi2_per_dof < _DIFFERS:
        return False
    own = min(_eligible(fit_family(fit.corners)), key=_by_bic)
    return own.chi2_per_dof < fit.chi2_per_dof / _DIFFERS


def _with_lens(plain: Fit, lens: Lens) -> Fit:
    """Return the homography fitted behind a known lens."""
    middle, rho = plain.frame.middle_px, plain.frame.rho_px
    theta = plain.theta.copy()
    theta[8:] = lens.in_unit(rho).vector
    theta[10:12] = (theta[10:12] - middle) / rho
    return fit_member(plain.corners, plain.frame, CAMERA_MODEL, plain.free, theta, fixed_lens=True)


def _by_bic(fit: Fit) -> float:
    return fit.bic


def _eligible(fits: tuple[Fit, ...]) -> tuple[Fit, ...]:
    """Return the members that may be chosen.

    A lens with a fixed centre claims what no corner can support. No lens at all may be claimed only where the
    corners would have shown one; otherwise κ stays, with what was known of it before.
    """
    free_centre = tuple(f for f in fits if 10 in f.free)
    shown = not free_centre or free_centre[0].seen_share(8) > _SHOWN
    return tuple(f for f in fits if 10 in f.free or (8 not in f.free and shown))


def _without_outliers(corners: Corners, asked: Asked) -> tuple[NDArray[np.bool_], tuple[Fit, ...]]:
    """Return which corners (n,) to use, and the members fitted to them.

    Misread corners stand far outside what the others scatter. Judged on errors of a fit without the corner,
    against their own median, so that neither a poor model nor understated noise throws corners out wholesale.
    """
    used = np.ones(len(corners), bool)
    most = int(_MOST_LEFT_OUT * max(len(corners) - _FEWEST_TO_JUDGE, 0))
    threshold = -2.0 * math.log(_OUTLIER_CHANCE / len(corners))
    while True:
        fits = _fits(corners.subset(used), asked)
        best = min(_eligible(fits), key=_by_bic)
        # A bow of the page is no fault of the corners that show it: the reading that suits most of them judges.
        square = min((_deletion_squares(f) for f in (best, _flattened(best, asked))), key=lambda q: float(np.median(q)))
        # Half of a χ² of two degrees of freedom lies below 2·ln 2.
        limit = threshold * max(float(np.median(square)) / (2 * math.log(2)), 1.0)
        spare = most - int((~used).sum())
        worst = [k for k in np.argsort(-square)[:spare] if square[k] > limit]
        if not worst:
            return used, fits
        # The largest ones only: they distort the errors of their neighbours.
        bad = [k for k in worst if square[k] > square[worst[0]] / 4]
        used[np.flatnonzero(used)[bad]] = False


def _unstated_noise(full: Fit, asked: Asked) -> float:
    """Return τ² in px² beyond the corners' covariances, judged by the richest member on a flattened page."""
    flat = _flattened(full, asked)
    dof = full.dof - (_BOW_TERMS if flat is not full else 0.0)
    return extra_variance(flat.residual_px, flat.corners.covariance, dof) if _too_much_left(flat, dof) else 0.0


def _deletion_squares(fit: Fit) -> Array:
    """Return the squared error (n,) of each corner in a fit without it, by its own variance: rᵀ(I − leverage)⁻¹r."""
    solved = np.linalg.solve(fit.corners.covariance, fit.unseen_px[:, :, None])[:, :, 0]
    return np.asarray(np.sum(fit.residual_px * solved, axis=1))


def _flattened(fit: Fit, asked: Asked) -> Fit:
    """Return the member fitted to a flat page, where more is left over than chance leaves and a bow explains it."""
    if asked.flatness_u_mm <= 0 or asked.affine or not _too_much_left(fit, fit.dof):
        return fit
    page = _page(fit, asked)
    return page.flat if page.bow.chi2_drop > page.bow.k_used * math.log(fit.n) else fit


def _too_much_left(fit: Fit, dof: float) -> bool:
    """Return whether χ² exceeds ν by three standard deviations: less may be chance."""
    return dof >= 4 and fit.chi2 / dof > 1 + 3 * math.sqrt(2 / dof)


@dataclass(frozen=True)
class _Page:
    """One reading of the page's bow: from where the camera stands, how large, and the fit to a flat page."""

    stand: Standpoint
    bow: Bow
    flat: Fit


def _choose(fits: tuple[Fit, ...], asked: Asked) -> tuple[Fit, Bow | None, Standpoint | None, bool]:
    """Return the member, with or without a bow of the page, that has the lowest BIC."""
    plain = min(fits, key=_by_bic)
    if asked.flatness_u_mm <= 0 or asked.affine:
        return plain, None, None, False
    stand, bow = _best_stand(plain, asked)
    # A bow that does not pay for itself even here may hide in a lens term: then it is that term's doubt.
    if bow.chi2_drop > bow.k_used * math.log(plain.n):
        best = min((_page(fit, asked) for fit in fits), key=_bowed_bic)
        if _bowed_bic(best) < plain.bic:
            return best.flat, best.bow, best.stand, True
    return plain, bow, stand, False


def _bowed_bic(page: _Page) -> float:
    flat = page.flat
    # What the flattening took must be paid for: its modes, and the distance where that was read off them.
    k = flat.k_used + page.bow.k_used + (page.stand.how == ASSUMED)
    return flat.level(flat.chi2) + (k + 1) * math.log(flat.n)


def _page(fit: Fit, asked: Asked) -> _Page:
    """Return the bow of the page that the corners show to one member, and the member fitted to the flat page."""
    stand, bow = _best_stand(fit, asked)
    flat = fit
    for _ in range(_FLATTENINGS):
        flat, before = _flat(fit, bow, stand), bow.found_mm
        bow = bow_of(flat, stand, asked.flatness_u_mm, max(1.0, flat.chi2_per_dof), before)
        if float(np.abs(bow.found_mm - before).max()) < _SETTLED_MM:
            break
    return _Page(stand, bow, flat)


def _best_stand(fit: Fit, asked: Asked) -> tuple[Standpoint, Bow]:
    """Return the standpoint from which the bow explains the corners best; the likeliest one unless they object."""
    u_mm, noise = asked.flatness_u_mm, max(1.0, fit.chi2_per_dof)
    stands = standpoints(fit.matrix, fit.centre_px, fit.corners.size_px, asked.distance_mm, asked.focal_px)
    first = (stands[0], bow_of(fit, stands[0], u_mm, noise))
    # With no more than chance to explain there is nothing to find the distance by.
    if len(stands) == 1 or not _too_much_left(fit, fit.dof):
        return first
    best = max([first, *((stand, bow_of(fit, stand, u_mm, noise)) for stand in stands[1:])], key=_drop)
    if _drop(best) < _drop(first) + math.log(fit.n):
        return first
    for step in (0.25, 0.12, 0.06, 0.03):
        around = (best[0].distance_mm * 2**step, best[0].distance_mm / 2**step)
        near = [assumed_stand(fit.matrix, fit.centre_px, z) for z in around]
        best = max([best, *((stand, bow_of(fit, stand, u_mm, noise)) for stand in near)], key=_drop)
    return best


def _drop(one: tuple[Standpoint, Bow]) -> float:
    return one[1].chi2_drop


def _flat(fit: Fit, bow: Bow, stand: Standpoint) -> Fit:
    """Return the member fitted again to where the corners would be seen on a flat page."""
    corners = replace(fit.corners, px=fit.corners.px - displaced(fit, stand) @ bow.found_mm)
    return fit_member(corners, fit.frame, fit.model, fit.free, fit.theta, fixed_lens=True)
