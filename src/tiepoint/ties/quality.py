"""What is said about a tie by target: quality at unseen points, residuals, flags, and the sentences beside them."""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import flag
from tiepoint.targets.paper import is_assumed
from tiepoint.ties.page import ASSUMED, STATE_IT, Standpoint
from tiepoint.ties.remainder import FEWEST_CORNERS
from tiepoint.ties.repeat import Pooled, Repeatability
from tiepoint.ties.solve import Solved
from tiepoint.ties.tie import Diagnostics, Quality, Residuals, Tie
from tiepoint.ties.verdict import length_told

Array = NDArray[np.float64]

POOR_RATIO = 1.5
"""χ²/ν above which the noise does not explain what the fit leaves over (common practice)."""

_MANY_OUT = 0.15
_FEW_CORNERS = 12
_REPEATS_BADLY = 2.0
_BOWED = 2.0


def told(tie: Tie, solved: Solved, pooled: Pooled, stand: Standpoint, flatness_mm: float) -> Tie:
    """Return the tie with its quality, residuals, diagnostics, flags and notes."""
    residuals = residuals_of(tie, solved, pooled)
    return replace(
        tie,
        residuals=residuals,
        quality=quality_of(residuals, solved),
        diagnostics=Diagnostics(solved.stated_ratio, solved.members, _why(solved)),
        flags=tuple(_flags(tie, solved, pooled, flatness_mm)),
        notes=tuple(_notes(tie, solved, pooled, stand)),
    )


def residuals_of(tie: Tie, solved: Solved, pooled: Pooled) -> Residuals:
    """Return where the tie puts the seen corners, less where they are; in mm of the plane."""
    fit, all_corners = solved.fit, pooled.corners
    scale = _print_scale(tie, solved)
    points, plane = all_corners.px.copy(), all_corners.plane_mm * scale
    mapped = tie.map(points)
    fitted = mapped.xy_mm - plane
    unseen = fitted.copy()
    used = solved.used
    points[used] = fit.corners.px
    jacobian = mapped.d_px[used]
    fitted[used] = np.einsum("nij,nj->ni", jacobian, fit.residual_px)
    unseen[used] = np.einsum("nij,nj->ni", jacobian, fit.unseen_px)
    return Residuals(points, plane, fitted, unseen, used.copy())


def quality_of(residuals: Residuals, solved: Solved) -> Quality:
    """Return the error at corners that the fit did not use: each predicted by a fit without it."""
    unseen = residuals.unseen_mm[residuals.used]
    size = np.hypot(unseen[:, 0], unseen[:, 1])
    rms = math.sqrt(float(np.mean(size**2)))
    worst = int(np.argmax(size))
    place = residuals.plane_mm[residuals.used][worst]
    px = solved.fit.unseen_px
    return Quality(
        n=len(size),
        rms_mm=rms,
        # 2n coordinates share n sizes: the relative u of an rms of ν normal deviations is 1/√(2ν).
        u_rms_mm=rms / math.sqrt(2 * max(solved.fit.dof, 1.0)),
        p95_mm=float(np.quantile(size, 0.95)),
        max_mm=float(size[worst]),
        max_at_mm=(float(place[0]), float(place[1])),
        how="each corner predicted by a fit without it; its own reading noise is in the error",
        rms_px=math.sqrt(float(np.mean(np.sum(px**2, axis=1)))),
    )


def _print_scale(tie: Tie, solved: Solved) -> Array:
    """Return true over nominal along x and y, as the tie has it."""
    ratio = tie.matrix @ np.linalg.inv(solved.fit.matrix)
    return np.asarray([ratio[0, 0], ratio[1, 1]]) / float(ratio[2, 2])


def _why(solved: Solved) -> str:
    chosen = solved.fit.model
    others = [m for m in solved.members if m.model != chosen]
    if not others:
        return "The lens is that of the camera document; only the plane was fitted."
    by_aicc = min(solved.members, key=lambda m: m.aicc).model
    by_leaving_out = min(solved.members, key=lambda m: m.leave_out).model
    return (
        f"{chosen}: lowest BIC of the members with a free centre. AICc alone would take {by_aicc}, "
        f"leaving corners out {by_leaving_out}."
    )


def _flags(tie: Tie, solved: Solved, pooled: Pooled, flatness_mm: float) -> list[str]:
    flags = []
    # Few corners cannot tell structure from noise: there, noise beyond what was stated is enough.
    few = len(solved.fit.corners) < FEWEST_CORNERS and solved.extra_px > 0
    if (few or solved.structure is not None) and solved.stated_ratio > POOR_RATIO:
        flags.append(flag("tie_model_poor"))
    if solved.bow is not None and solved.bow.height_mm > _BOWED * flatness_mm:
        flags.append(flag("page_bowed"))
    if (~solved.used).mean() > _MANY_OUT:
        flags.append(flag("outliers"))
    if len(solved.fit.corners) < _FEW_CORNERS:
        flags.append(flag("few_corners"))
    if solved.lens_differs:
        flags.append(flag("camera_differs"))
    if _repeats_badly(pooled.repeatability):
        flags.append(flag("photos_disagree"))
    if is_assumed(tie.sources):
        flags.append(flag("print_not_measured"))
    return flags


def _repeats_badly(repeatability: Repeatability | None) -> bool:
    return repeatability is not None and repeatability.ratio > _REPEATS_BADLY


def _notes(tie: Tie, solved: Solved, pooled: Pooled, stand: Standpoint) -> list[str]:
    fit = solved.fit
    notes = [f"{len(fit.corners)} corners used; {_dof_told(solved)}"]
    if left := int((~solved.used).sum()):
        notes.append(f"{left} corner{'s' if left > 1 else ''} left out: far outside what the others scatter.")
    if pooled.repeatability is not None:
        r = pooled.repeatability
        notes.append(
            f"{r.photos} photos of one pose: a corner repeats within {r.rms_px:.4f} px per axis, "
            f"{math.sqrt(r.ratio):.2f} times what each photo states."
        )
    if solved.extra_px > 0:
        notes.append(
            f"The corners scatter by {solved.extra_px:.3f} px per axis more than their pixels explain "
            "(print, paper, board); this was added to each corner's u."
        )
    notes.extend(_page_notes(tie, solved, stand))
    return notes


def _dof_told(solved: Solved) -> str:
    fit = solved.fit
    own = f"{fit.n} coordinates less {fit.k_used:.3g} parameters"
    if solved.dof > fit.dof:
        own += ", and 50 for the corners' own covariances, taken as known to 10 %"
    return f"{solved.dof:.0f} degrees of freedom ({own})."


def _page_notes(tie: Tie, solved: Solved, stand: Standpoint) -> list[str]:
    notes = []
    if solved.bow is not None and solved.stand is not None:
        height = solved.bow.height_mm
        if solved.flattened:
            notes.append(
                f"The page is bowed by about {length_told(height)}; "
                "the corners were moved to where a flat page has them."
            )
        if solved.stand.how == ASSUMED:
            notes.append(
                f"The camera's distance is not known; for the bow of the page it was taken as "
                f"{solved.stand.distance_mm:.0f} mm. {STATE_IT}"
            )
    if tie.distance_mm is None and tie.u_height_mm > 0 and not tie.model.startswith("affine"):
        notes.append(
            f"The height's u was budgeted with a distance of {stand.distance_mm:.0f} mm, which rests on {stand.how}."
        )
    if tie.model.startswith("affine"):
        notes.append(
            "Telecentric: the scale does not change with height. The angle of its rays moves places at other heights: "
            "it is budgeted where the tie is moved to one, and not at its own."
        )
    return notes
