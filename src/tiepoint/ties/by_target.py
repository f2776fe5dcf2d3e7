"""A tie by target: from the corners of one pose to a plane in mm, with everything that can be wrong about it."""

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.sources import Source, Value, Values, constant, ensemble, merge_columns
from tiepoint.targets.draw import Target
from tiepoint.targets.find import Sighting, find_target, refine
from tiepoint.targets.paper import print_scale
from tiepoint.ties.camera import CameraModel
from tiepoint.ties.family import Corners, Fit
from tiepoint.ties.kernel import locate, prepare
from tiepoint.ties.lens import ideal_from_picture
from tiepoint.ties.page import Standpoint, centred, pose, standpoints
from tiepoint.ties.quality import told
from tiepoint.ties.region import area, valid_region
from tiepoint.ties.remainder import Smooth, lens_doubt
from tiepoint.ties.repeat import Pooled, Sighted, pool
from tiepoint.ties.solve import QUICK_MEMBERS, Asked, Solved, first_map, solve
from tiepoint.ties.tie import Field, Sensor, Tie

Array = NDArray[np.float64]
Picture = NDArray[Any]
Optics = Literal["perspective", "telecentric"]

FLATNESS_MM = 0.05
"""Half-width of the height of a page held flat, where nothing is stated: half the thickness of a sheet."""


@dataclass(frozen=True)
class Setting:
    """What is known beside the photos.

    `height`: of the target's plane above the station's reference plane, in mm. `distance`: of the camera from
    that plane, in mm. `flatness_mm`: half-width of how far the page leaves a plane (0: rigid and flat).
    `scale`: true length over nominal along x and y (two values), None for a print taken as true.
    """

    height: Value = field(default_factory=lambda: constant(0.0))
    distance: Value | None = None
    flatness_mm: float = FLATNESS_MM
    scale: Values | None = None
    optics: Optics = "perspective"
    camera: CameraModel | None = None
    sensor: Sensor | None = None
    photos: tuple[str, ...] = ()
    target_id: str | None = None
    unit: str = "mm"


def tie_by_target(
    pictures: Sequence[Picture], target: Target, setting: Setting | None = None, quick: bool = False
) -> Tie:
    """Return the tie of one pose of a target, photographed once or several times.

    `pictures`: arrays (h, w), u8, u16 or f32 grey. `quick`: without the second, more precise reading of the
    corners that a first tie makes possible. Without a stated `scale` the print's is what `print_scale` says.
    Raises `NothingFound` where the target is not seen, `PoorGeometry` where it does not determine a plane.
    """
    setting = setting or Setting()
    if not pictures:
        raise UnusableInput("no photo was given; a tie by target needs at least one")
    setting = replace(
        setting,
        scale=setting.scale if setting.scale is not None else print_scale(target),
        target_id=setting.target_id or target.id,
    )
    seen = [_look(picture, target, setting, quick) for picture in pictures]
    tie = tie_by_corners([sighted for sighted, _ in seen], setting, quick)
    flags = dict.fromkeys([*tie.flags, *(f for _, found in seen for f in found)])
    return replace(tie, flags=tuple(flags))


def _look(picture: Picture, target: Target, setting: Setting, quick: bool) -> tuple[Sighted, tuple[str, ...]]:
    """Return a photo's corners, read twice unless `quick`, and the flags of their finding."""
    height, width = picture.shape[:2]

    def sighted(sighting: Sighting) -> Sighted:
        corners = Corners(sighting.plane_mm, sighting.px, sighting.cov_px, (width, height))
        return Sighted(sighting.ids, corners)

    sighting = find_target(picture, target)
    if not quick:
        first = first_map(sighted(sighting).corners, setting.optics == "telecentric")
        sighting = refine(picture, sighting, first)
    return sighted(sighting), sighting.flags


def tie_by_corners(photos: Sequence[Sighted], setting: Setting, quick: bool = False) -> Tie:
    """Return the tie of one pose from the corners of one or several photos of it; `quick` compares fewer lenses.

    Raises `PoorGeometry` where they do not determine a plane, `UnusableInput` where photos or statements clash.
    """
    _check(setting, photos[0].corners.size_px)
    pooled = pool(photos)
    camera = setting.camera
    solved = solve(
        pooled.corners,
        Asked(
            affine=setting.optics == "telecentric",
            flatness_u_mm=setting.flatness_mm / math.sqrt(3),
            distance_mm=setting.distance.value if setting.distance is not None else None,
            focal_px=camera.focal_px if camera is not None else None,
            lens=camera.lens if camera is not None else None,
            members=QUICK_MEMBERS if quick else None,
        ),
    )
    tie = _bare(_identity(setting, pooled), solved, setting)
    if setting.scale is not None:
        tie = _scaled(tie, setting.scale)
    tie, stand = _stood(tie, solved, setting)
    tie = _bounded(tie, solved)
    return told(tie, solved, pooled, stand, setting.flatness_mm)


def _check(setting: Setting, size_px: tuple[int, int]) -> None:
    if not (math.isfinite(setting.flatness_mm) and setting.flatness_mm >= 0):
        raise UnusableInput(f"the flatness of the page is {setting.flatness_mm:g} mm; give 0 or more")
    if setting.distance is not None and not setting.distance.value > 0:
        raise UnusableInput(f"the distance of the camera is {setting.distance.value:g} mm; give more than 0")
    if setting.camera is None:
        return
    if setting.optics == "telecentric":
        raise UnusableInput("a telecentric lens has no camera document with a focal length; leave one of them out")
    if setting.camera.size_px != size_px:
        a, b = setting.camera.size_px, size_px
        raise UnusableInput(
            f"the camera document is for pictures of {a[0]} × {a[1]} px and the photo has {b[0]} × {b[1]}; "
            "make the camera document from photos of this setting"
        )


def _identity(setting: Setting, pooled: Pooled) -> str:
    """Return an id that the same photos of the same target always give: the same evidence has the same errors."""
    told = "|".join([*sorted(setting.photos), setting.target_id or "", setting.optics])
    digest = hashlib.sha256(told.encode())
    if not setting.photos:
        digest.update(np.ascontiguousarray(pooled.corners.px).tobytes())
    if setting.camera is not None:
        digest.update(setting.camera.id.encode())
    return f"target-{digest.hexdigest()[:12]}"


def _bare(tie_id: str, solved: Solved, setting: Setting) -> Tie:
    """Return the tie of the nominal page with the sources that the fit itself brings."""
    fit, prefix = solved.fit, f"tie:{tie_id}"
    spread = fit.parameter_factor()
    dof = solved.dof
    by_fit, factor = ensemble(f"{prefix}:corners", "Corners used by the fit", fit.covariance * solved.noise, "tie", dof)
    sources: tuple[Source, ...] = by_fit
    columns = [spread @ factor]
    if solved.bow is not None:
        unknown = solved.bow.covariance
        if not solved.flattened:
            # Not taken off, so what was found of it is an error still.
            unknown = unknown + np.outer(solved.bow.found_mm, solved.bow.found_mm)
        bowed, by_bow = ensemble(f"{prefix}:bow", "Bow of the page", unknown, "tie", math.inf, "B")
        sources += bowed
        columns.append(spread @ solved.bow.response @ by_bow)
    doubts = enumerate(lens_doubt(solved.fits, fit, solved.noise))
    fields = [_field(f"{prefix}:lens#{k}", "Lens terms neither shown nor excluded", s) for k, s in doubts]
    if solved.structure is not None:
        fields.append(_field(f"{prefix}:remainder", "What the lens model leaves over", solved.structure.smooth))
    tie = Tie(
        tie_id, "target", "image", "plane", fit.model, fit.matrix, np.zeros((0, 2)), fit.lens, sources,
        np.hstack(columns), tuple(fields), unit=setting.unit,
        sensor=setting.sensor or Sensor(*fit.corners.size_px), photos=setting.photos,
        target_id=setting.target_id,
    )  # fmt: skip
    return tie if setting.camera is None else _with_camera(tie, fit, setting.camera)


def _field(source_id: str, label: str, smooth: Smooth) -> Field:
    degree = round((math.sqrt(8 * len(smooth.coefficients) + 1) - 3) / 2)
    return Field(Source(source_id, label, "A", 1.0, "tie"), degree, smooth.middle, smooth.reach, smooth.coefficients)


def _with_camera(tie: Tie, fit: Fit, camera: CameraModel) -> Tie:
    """Return the tie with what is not known of the camera's lens: directly, and through the plane fitted behind it."""
    straight = ideal_from_picture(camera.lens, fit.corners.px)
    # How corners would move in the picture, were the lens another: (n, 2, m) per source of the camera.
    moved = -np.linalg.solve(straight.d_px, straight.d_lens) @ camera.factor[1:]
    columns = np.stack([-fit.parameter_factor() @ fit.response(moved[:, :, k]) for k in range(moved.shape[2])], axis=1)
    columns[9:] += camera.lens.unit_change(fit.frame.rho_px)[:, None] * camera.factor[1:]
    sources, factor = merge_columns((*tie.sources, *camera.sources), np.hstack([tie.factor, columns]))
    return replace(tie, sources=sources, factor=factor)


def _scaled(tie: Tie, scale: Values) -> Tie:
    """Return the tie with the print's own scale along x and y, and what is not known of it."""
    M = np.diag([float(scale.value[0]), float(scale.value[1]), 1.0])
    d_M = np.zeros((len(scale.sources), 3, 3))
    d_M[:, 0, 0], d_M[:, 1, 1] = scale.c[0], scale.c[1]
    return tie.then(M, scale.sources, d_M)


def _stood(tie: Tie, solved: Solved, setting: Setting) -> tuple[Tie, Standpoint]:
    """Return the tie with height, distance and foot, and with what is not known of the height."""
    camera, fit = setting.camera, solved.fit
    stated = setting.distance
    stand = standpoints(
        tie.matrix,
        fit.centre_px,
        fit.corners.size_px,
        stated.value if stated is not None else None,
        camera.focal_px if camera is not None else None,
    )[0]
    tie = replace(tie, height_mm=setting.height.value, u_height_mm=setting.height.u)
    if setting.optics == "telecentric":
        return tie, stand
    if camera is not None or stated is not None:
        u = stated.u if stated is not None and camera is None else _u_distance(tie, stand, fit, camera)
        tie = replace(tie, distance_mm=stand.distance_mm, u_distance_mm=u, foot_mm=stand.foot_mm)
    terms = list(setting.height.terms.items())
    if not terms:
        return tie, stand
    # A plane that lies higher than stated is seen larger about the foot: mm grow by (P − F)/Z.
    x, y = stand.foot_mm
    about = np.array([[1.0, 0.0, -x], [0.0, 1.0, -y], [0.0, 0.0, 0.0]]) / stand.distance_mm
    return tie.then(np.eye(3), [s for s, _ in terms], np.stack([c * about for _, c in terms])), stand


def _u_distance(tie: Tie, stand: Standpoint, fit: Fit, camera: CameraModel | None) -> float:
    """Return the standard uncertainty of the distance: it goes with the focal length."""
    if camera is None:
        return 0.0
    other = pose(centred(tie.matrix, fit.centre_px), camera.focal_px + camera.u_focal_px)
    return abs(other.distance_mm - stand.distance_mm)


def _bounded(tie: Tie, solved: Solved) -> Tie:
    """Return the tie with its valid region and the share of the picture that it covers."""
    px = solved.fit.corners.px
    width, height = solved.fit.corners.size_px
    everywhere = np.array([[-0.5, -0.5], [width - 0.5, -0.5], [width - 0.5, height - 0.5], [-0.5, height - 0.5]])
    anywhere = prepare(replace(tie, valid_region=everywhere))

    def worst_u(points: Array) -> Array:
        covariance = locate(anywhere, points).covariance
        return np.asarray(np.sqrt(np.linalg.eigvalsh(covariance)[:, 1]))

    region = valid_region(px, _spacing(px), (width, height), worst_u)
    return replace(tie, valid_region=region, covered_share=area(region) / (width * height))


def _spacing(px: Array) -> float:
    """Return the median distance of a corner from its nearest neighbour, in px."""
    own = px - px.mean(axis=0)
    length = np.einsum("ni,ni->n", own, own)
    square = length[:, None] + length[None, :] - 2 * own @ own.T
    np.fill_diagonal(square, np.inf)
    return math.sqrt(max(float(np.median(square.min(axis=1))), 0.0))
