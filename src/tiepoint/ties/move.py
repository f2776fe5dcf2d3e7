"""A tie moved to another height: what lies nearer to the lens looks larger.

Seen from the projection centre, a point P of the tie's plane lies on a ray that meets the plane Δ above at

    P′ = F + (P − F)·(Z − Δ)/Z,

F the foot of the perpendicular from the centre, Z its distance. This is exact for any tilt: it is the homography
that one plane induces on a parallel one (Hartley & Zisserman, Multiple View Geometry, ch. 13). What differs is how
well F and Z are known: by a camera document, by the tie itself, or by a distance that someone measured; then the foot
follows from what the tie shows of the tilt, and what it does not show stays a source.
"""

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.sources import Source, Value, half_width
from tiepoint.ties.camera import CameraModel
from tiepoint.ties.page import STATE_IT, Standpoint, assumed_stand, standpoints
from tiepoint.ties.tie import Before, Stand, Tie, project

Array = NDArray[np.float64]
Optics = Literal["perspective", "telecentric"]

PRINCIPAL_HALF_WIDTH_PX: Final = 30.0
"""How far the principal point may lie from the middle of the picture, where no camera document tells (common
practice: half a millimetre of a sensor of 8 mm or less)."""
TELECENTRICITY_DEG: Final = 0.1
"""Half-width of the angle of a telecentric lens's rays to its axis (common practice)."""
ASPECT_U: Final = 1e-4
"""Standard uncertainty of how square pixels are and how alike a lens magnifies along x and y (common practice)."""
_LEAN: Final = "telecentricity"


def move(
    tie: Tie,
    height: Value,
    *,
    camera: CameraModel | None = None,
    distance: Value | None = None,
    optics: Optics | None = None,
) -> Tie:
    """Return the tie at another `height` (mm above the station's reference plane).

    `distance`: of the projection centre from the tie's own plane, in mm. With a `camera` document neither it nor
    the foot need be stated; a tie that states them itself needs neither. `optics`: taken from a tie by target where
    not stated. A tie that was moved before is moved from where it was tied, so that two moves are the one that they
    make together. Raises `UnusableInput` where the camera's place is not known, or where the height is at the lens.
    """
    if tie.from_frame != "image":
        raise UnusableInput(
            f"the tie leads from the {tie.from_frame}, not from a picture: there is no height to move it to"
        )
    if not math.isfinite(height.value):
        raise UnusableInput(f"the height is {height.value:g}; give a length")
    if is_telecentric(tie, optics):
        return _moved_telecentric(_as_tied(tie), height)
    stand, tie = _stand(tie, camera, distance), _as_tied(tie)
    rise = height.value - tie.height_mm
    if rise >= 0.95 * stand.distance_mm:
        raise UnusableInput(
            f"a height of {height.value:g} mm is {rise:g} mm above the tie's plane, and the camera stands only "
            f"{stand.distance_mm:.0f} mm above it; give a height below the lens"
        )
    return _moved(tie, height, rise, stand)


def _as_tied(tie: Tie) -> Tie:
    """Return a tie as it was before it was moved, for the pictures that it is for now; itself where it was not."""
    return tie if tie.before is None else replace(tie.before.tie, placing=tie.placing, flags=tie.flags)


def is_telecentric(tie: Tie, optics: Optics | None = None) -> bool:
    """Whether its rays are parallel: a photo of a target that an affine model explains, or one moved as that."""
    if optics is not None:
        return optics == "telecentric"
    if tie.before is not None:
        return tie.before.stand is None
    return tie.made == "target" and tie.model.startswith("affine")


# --- where the camera stands ---------------------------------------------------------------------------------------


def _stand(tie: Tie, camera: CameraModel | None, distance: Value | None) -> Stand:
    """Return where the camera stands over the plane in which the tie was tied."""
    tied = _as_tied(tie)
    if camera is not None:
        return _by_camera(tied, camera)
    if distance is not None:
        if not (math.isfinite(distance.value) and distance.value > 0):
            raise UnusableInput(f"the distance of the camera is {distance.value:g} mm; give more than 0")
        terms, rise = list(distance.terms.items()), tie.height_mm - tied.height_mm
        if tied is not tie and tie.u_height_mm > 0:
            # It is told from the plane that the tie was moved to, which lies as high only as that is known.
            terms.append(
                (Source(f"tie:{tie.id}:height", "Height of the tie's plane", "B", tie.u_height_mm, "tie"), 1.0)
            )
        return _by_distance(tied, distance.value + rise, terms, "the distance that was stated")
    if tie.before is not None and tie.before.stand is not None:
        return tie.before.stand
    if tied.distance_mm is not None:
        terms = [] if tied.u_distance_mm == 0 else [(_own_distance(tied), 1.0)]
        return _by_distance(tied, tied.distance_mm, terms, "the distance that the tie states")
    raise UnusableInput(
        "the tie does not know where its camera stands, so it cannot be moved to another height: give a camera "
        "document (tie views), or the distance of the lens from the tie's plane with its u; tie target and tie move "
        "take either, as --camera, or as --distance with --u-distance"
    )


def _own_distance(tie: Tie) -> Source:
    """Return what is not known of the distance that a tie states."""
    # A tie that was moved before ties kept `before` is told by a distance among its sources: it is no new one.
    by_name = [s for s in tie.sources if s.id.startswith("distance:") or s.id.endswith(":distance")]
    if len(by_name) == 1 and math.isclose(by_name[0].u, tie.u_distance_mm, rel_tol=1e-6):
        return by_name[0]
    return Source(f"tie:{tie.id}:distance", "Distance of the camera", "B", tie.u_distance_mm, "tie")


def _by_camera(tie: Tie, camera: CameraModel) -> Stand:
    if tie.sensor is not None and tie.sensor.size_px != camera.size_px:
        a, b = camera.size_px, tie.sensor.size_px
        raise UnusableInput(
            f"the camera document is for pictures of {a[0]} × {a[1]} px and the tie for {b[0]} × {b[1]} px; "
            "use the document of this camera setting"
        )
    centre = (camera.lens.cx, camera.lens.cy)

    def at(matrix: Array, focal_px: float) -> Standpoint:
        return standpoints(matrix, centre, camera.size_px, None, focal_px)[0]

    here = at(tie.matrix, camera.focal_px)
    d_distance, d_foot = _follow(tie, here, lambda matrix: at(matrix, camera.focal_px))
    by_focal = _difference(here, at(tie.matrix, camera.focal_px * 1.001), 0.001 * camera.focal_px)
    sources = (*tie.sources, *camera.sources)
    return Stand(
        here.distance_mm,
        np.array(here.foot_mm),
        sources,
        np.concatenate([d_distance, camera.factor[0] * by_focal[0]]),
        np.concatenate([d_foot, camera.factor[0][:, None] * by_focal[1]]),
        "the camera document",
    )


def _by_distance(tie: Tie, distance_mm: float, terms: list[tuple[Source, float]], how: str) -> Stand:
    centre = _centre(tie)

    def at(matrix: Array, middle: tuple[float, float] = centre, away: float = distance_mm) -> Standpoint:
        return assumed_stand(matrix, middle, away)

    here = at(tie.matrix)
    d_distance, d_foot = _follow(tie, here, at)
    principal = [
        half_width(f"tie:{tie.id}:principal-{n}", "Principal point of the lens", PRINCIPAL_HALF_WIDTH_PX, "tie")
        for n in "xy"
    ]
    by_principal = [
        _difference(here, at(tie.matrix, (centre[0] + dx, centre[1] + dy)), 1.0)[1]
        for dx, dy in ((1.0, 0.0), (0.0, 1.0))
    ]
    by_distance = _difference(here, at(tie.matrix, centre, distance_mm * 1.001), 0.001 * distance_mm)[1]
    c = np.array([k for _, k in terms])
    return Stand(
        distance_mm,
        np.array(here.foot_mm),
        (*tie.sources, *(s for s, _ in terms), *principal),
        np.concatenate([np.zeros_like(d_distance), c, np.zeros(2)]),
        np.concatenate([d_foot, c[:, None] * by_distance, np.array(by_principal)]),
        how,
    )


def _follow(tie: Tie, here: Standpoint, at: Callable[[Array], Standpoint]) -> tuple[Array, Array]:
    """Return how the standpoint follows each source of the tie's own matrix: (m,) and (m, 2)."""
    d_distance, d_foot = np.zeros(len(tie.sources)), np.zeros((len(tie.sources), 2))
    for k, source in enumerate(tie.sources):
        # A tenth of u: far enough for the digits, near enough to be straight.
        step = 0.1 * source.u
        change = tie.factor[:9, k].reshape(3, 3) * step
        if step > 0 and change.any():
            d_distance[k], d_foot[k] = _difference(here, at(tie.matrix + change), step)
    return d_distance, d_foot


def _difference(here: Standpoint, there: Standpoint, step: float) -> tuple[float, Array]:
    d_foot = (np.array(there.foot_mm) - np.array(here.foot_mm)) / step
    return (there.distance_mm - here.distance_mm) / step, d_foot


def _centre(tie: Tie) -> tuple[float, float]:
    """Return the principal point: the lens's centre where it can be that, else the middle of what is known.

    A fit may put the centre of distortion far from the axis: a decentred lens trades one for the other, and a lens
    without distortion has none. Such a centre says nothing of where the axis meets the picture.
    """
    if tie.sensor is not None:
        middle = (tie.sensor.width_px - 1) / 2, (tie.sensor.height_px - 1) / 2
    else:
        x, y = (tie.valid_region.max(axis=0) + tie.valid_region.min(axis=0)) / 2
        middle = float(x), float(y)
    lens = tie.lens
    if lens is None or lens.p1 != 0.0 or lens.p2 != 0.0:
        return middle
    near = max(abs(lens.cx - middle[0]), abs(lens.cy - middle[1])) <= PRINCIPAL_HALF_WIDTH_PX
    return (lens.cx, lens.cy) if near or tie.sensor is None else middle


# --- the tie there -------------------------------------------------------------------------------------------------


def _moved(tie: Tie, height: Value, rise: float, stand: Stand) -> Tie:
    Z, F = stand.distance_mm, stand.foot_mm
    t = rise / Z
    M = np.array([[1 - t, 0.0, t * F[0]], [0.0, 1 - t, t * F[1]], [0.0, 0.0, 1.0]])
    about = np.array([[-1.0, 0.0, F[0]], [0.0, -1.0, F[1]], [0.0, 0.0, 0.0]])
    d_M = np.zeros((len(stand.sources) + len(height.terms), 3, 3))
    d_M[: len(stand.sources)] = -rise / Z**2 * stand.d_distance[:, None, None] * about
    d_M[: len(stand.sources), :2, 2] += t * stand.d_foot
    for k, c in enumerate(height.terms.values(), start=len(stand.sources)):
        d_M[k] = c / Z * about
    moved = tie.then(M, (*stand.sources, *height.terms), d_M)
    u_Z = math.sqrt(float(np.sum((stand.d_distance * np.array([s.u for s in stand.sources])) ** 2)))
    return replace(
        moved,
        id=_identity(tie, height),
        height_mm=height.value,
        u_height_mm=height.u,
        distance_mm=Z - rise,
        u_distance_mm=u_Z,
        foot_mm=(float(F[0]), float(F[1])),
        before=Before(tie, stand),
        # The camera's place was needed to move the tie: nobody needs to be asked for it any more.
        notes=(
            *(note for note in tie.notes if not note.endswith(STATE_IT)),
            _note(tie, height, f"by {stand.how}: {Z:.1f} mm from the lens, scale × {1 - t:.6f}"),
        ),
    )


def _moved_telecentric(tie: Tie, height: Value) -> Tie:
    """Return the tie with its scale as it was; rays that lean to the plane move all points alike, by rise · tan(lean).

    How far they lean shows in the picture, as foreshortening, but not to which side: that stays a source, which is
    nothing to lengths at one height. What is not known of the height leans with it.
    """
    along, leans = lean_of_rays(tie)
    rise = height.value - tie.height_mm
    reach = math.hypot(rise, height.u)
    # One that was moved before it kept its `before` has them: the rays lean as they did.
    sources = [s for s in tie.sources if f":{_LEAN}-" in s.id] or [
        half_width(f"tie:{tie.id}:{_LEAN}-{n}", "Lean of the telecentric rays", tangent, "tie")
        for n, tangent in zip("xy", leans, strict=True)
    ]
    d_M = np.zeros((2, 3, 3))
    d_M[:, :2, 2] = math.copysign(reach, rise) * along.T
    moved = tie.then(np.eye(3), sources, d_M) if reach else tie
    most = math.degrees(math.atan(max(leans)))
    note = _note(
        tie,
        height,
        f"by a telecentric lens: the scale stays, and its rays lean by up to {most:.2g}° to the plane's normal, to "
        "which side a picture does not show: places carry it, lengths at one height do not",
    )
    return replace(
        moved,
        id=_identity(tie, height),
        height_mm=height.value,
        u_height_mm=height.u,
        notes=(*tie.notes, note),
        before=Before(tie, None),
    )


def lean_of_rays(tie: Tie) -> tuple[Array, tuple[float, float]]:
    """Return two directions of the plane, as columns, and how far parallel rays may lean along each (tangents, 95 %).

    Parallel rays at an angle θ to the normal show the plane shortened by cos θ in the direction in which they lean,
    and as it is across it: the two singular values of px per mm. Across it, what is not known of their ratio
    may hide a lean too.
    """
    middle = tie.valid_region.mean(axis=0)
    ratio, along = _shortened(tie.matrix, middle)
    variance = ASPECT_U**2
    for k, source in enumerate(tie.sources):
        # Where nothing is shortened the ratio has its largest value: either way of a source is away from it.
        change = 0.1 * source.u * tie.factor[:9, k].reshape(3, 3)
        moved = max(
            (_shortened(tie.matrix + sign * change, middle)[0] for sign in (1, -1)), key=lambda r: abs(r - ratio)
        )
        variance += (10 * (moved - ratio)) ** 2
    spread, slack = 2 * math.sqrt(variance), math.tan(math.radians(TELECENTRICITY_DEG))
    return along, (_tangent(ratio - spread) + slack, _tangent(1 - spread) + slack)


def _shortened(matrix: Array, at: Array) -> tuple[float, Array]:
    """Return how much a place of the picture shows the plane shortened, and where to: columns along it and across."""
    _, d_px, _ = project(matrix, at[None])
    left, values, _ = np.linalg.svd(d_px[0])
    # mm per px: what is shortened most in the picture has the most mm in a pixel.
    return float(values[1] / values[0]), left


def _tangent(cosine: float) -> float:
    return math.sqrt(max(1 / max(cosine, 0.1) ** 2 - 1, 0.0))


def _identity(tie: Tie, height: Value) -> str:
    return f"{tie.id}-at-{height.value:g}mm"


def _note(tie: Tie, height: Value, how: str) -> str:
    return (
        f"Moved from the height of {tie.height_mm:g} mm, at which its quality was seen, to {height.value:g} mm "
        f"(u {height.u:.3g} mm) {how}."
    )
