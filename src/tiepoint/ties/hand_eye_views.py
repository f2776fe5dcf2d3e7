"""Where a target stands before a camera in each photo, with what the corners and the camera leave open.

The corners of one photo scatter its pose alone; the camera (focal length, lens) and the print's scale move all poses
together, each in its own way, and are kept apart as shared sources. Where the camera was found from the same photos
this is exact: the joint covariance of that fit is the two together.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.frames import Pose3
from tiepoint.foundation.sources import Source, Values, ensemble, merge_columns
from tiepoint.ties.bundle import FOCAL, SHARED, State, Views, pose_spread, prepare_views, rms_px, solve_views
from tiepoint.ties.camera import CameraModel
from tiepoint.ties.family import Corners, Frame, fit_family, frame_of
from tiepoint.ties.hand_eye_fit import rotation_vectors
from tiepoint.ties.page import centred, pose
from tiepoint.ties.remainder import extra_variance
from tiepoint.ties.repeat import Sighted
from tiepoint.ties.uncertain_pose import UncertainPose, cross

Array = NDArray[np.float64]

_FEWEST_CORNERS = 8
_STRETCH = 1e-4


@dataclass(frozen=True)
class TargetPoses:
    """`poses`: camera_from_target of each photo; `covariance` (n, 6, 6) of (ω in rad, τ in mm of the target's middle),
    in the camera's axes; `shared` (n, 6, m): ∂ of the same by the `sources` that all photos share.

    `middle_mm` (3,): the middle of what was seen, in the target's frame; `region` (k, 2): the hull of its corners.
    `rms_px` (n,): how well each pose explains its photo.
    """

    photos: tuple[str, ...]
    poses: tuple[Pose3, ...]
    covariance: Array
    shared: Array
    sources: tuple[Source, ...]
    middle_mm: Array
    region: Array | None = None
    rms_px: Array | None = None
    camera_id: str | None = None
    target_id: str | None = None

    def __len__(self) -> int:
        return len(self.poses)

    @property
    def matrices(self) -> Array:
        """The poses as matrices (n, 4, 4)."""
        return np.array([p.matrix for p in self.poses])

    @property
    def lever_mm(self) -> float:
        """The usual distance between camera and target: over it a turn counts as a length."""
        m = self.matrices
        return float(np.median(np.linalg.norm(m[:, :3, :3] @ self.middle_mm + m[:, :3, 3], axis=1)))

    def only(self, rows: Sequence[int]) -> "TargetPoses":
        """Return the photos of these numbers."""
        keep = list(rows)
        return replace(
            self,
            photos=tuple(self.photos[k] for k in keep),
            poses=tuple(self.poses[k] for k in keep),
            covariance=self.covariance[keep],
            shared=self.shared[keep],
            rms_px=None if self.rms_px is None else self.rms_px[keep],
        )

    def uncertain(self, k: int) -> UncertainPose:
        """Return camera_from_target of one photo with its sources."""
        own, factor = ensemble(
            f"target-pose:{self.photos[k]}", f"Corners in {self.photos[k]}", self.covariance[k], "tie", math.inf
        )
        sources, c = merge_columns((*self.sources, *own), np.hstack([self.shared[k], factor]))
        arm = self.poses[k].rotation @ self.middle_mm
        # From the middle to the target's origin: τ = τ_m − ω × (R·m).
        return UncertainPose(self.poses[k], sources, np.vstack([c[:3], c[3:] + cross(arm) @ c[:3]]))


def target_poses(
    sighted: Sequence[Sighted],
    photos: Sequence[str],
    camera: CameraModel,
    scale: Values | None = None,
    target_id: str | None = None,
) -> TargetPoses:
    """Return where the target stands in each photo, for one camera.

    `scale`: the print's true length over nominal along x and y. Raises `UnusableInput` for photos of another size than
    the camera's, `PoorGeometry` for too few corners.
    """
    _check(sighted, photos, camera)
    true = np.ones(2) if scale is None else scale.value
    corners = [replace(s.corners, plane_mm=s.corners.plane_mm * true) for s in sighted]
    frames = [frame_of(c) for c in corners]
    shared, in_px = _normalised(camera, frames[0])
    start = _start(corners, frames, shared, camera)
    views = _with_unstated_noise(corners, frames, start)
    solved = solve_views(views, start, (), "")
    everything = np.concatenate([c.plane_mm for c in corners])
    middle = np.append(everything.mean(axis=0), 0.0)
    covariance, by_camera = pose_spread(views, solved.state)
    poses = tuple(_pose(solved.state, k, frame) for k, frame in enumerate(frames))
    to_middle = np.array([_carried(p, f, middle) for p, f in zip(poses, frames, strict=True)])
    columns = to_middle @ by_camera @ (camera.factor / in_px[:, None])
    sources, c = _with_print(camera.sources, columns, views, solved.state, poses, middle, scale)
    return TargetPoses(
        tuple(photos),
        poses,
        to_middle @ covariance @ np.swapaxes(to_middle, 1, 2),
        c,
        sources,
        middle,
        _hull(everything),
        np.array([rms_px(r) for r in solved.residuals_px]),
        camera.id,
        target_id,
    )


def _check(sighted: Sequence[Sighted], photos: Sequence[str], camera: CameraModel) -> None:
    for name, one in zip(photos, sighted, strict=True):
        size = one.corners.size_px
        if size != camera.size_px:
            raise UnusableInput(
                f"{name} is {size[0]} × {size[1]} px and the camera document is for {camera.size_px[0]} × "
                f"{camera.size_px[1]}; take the photos with the setting of that camera, or leave --camera out"
            )
        if len(one.corners) < _FEWEST_CORNERS:
            raise PoorGeometry(
                f"{name} shows {len(one.corners)} corners and {_FEWEST_CORNERS} are needed; show more of the target"
            )


def _normalised(camera: CameraModel, frame: Frame) -> tuple[Array, Array]:
    """Return the camera as shared parameters (8,) of a set of views, and what turns such into its own (8,)."""
    lens = camera.lens
    middle, rho = frame.middle_px, lens.rho_px
    f, cx, cy = camera.focal_px / rho, (lens.cx - middle[0]) / rho, (lens.cy - middle[1]) / rho
    in_px = np.ones(SHARED)
    in_px[[FOCAL, 3, 4]] = rho
    # Both count radii in half the picture's diagonal.
    return np.array([f, lens.kappa, lens.kappa2, cx, cy, lens.p1, lens.p2, lens.kappa3]), in_px


def _start(corners: Sequence[Corners], frames: Sequence[Frame], shared: Array, camera: CameraModel) -> State:
    centre = (camera.lens.cx, camera.lens.cy)
    fits = [fit_family(c, only=("homography + κ, centre",))[0] for c in corners]
    poses = [pose(centred(fit.matrix, centre), camera.focal_px) for fit in fits]
    origins = [p.rotation @ np.append(f.origin_mm, 0.0) + p.translation_mm for p, f in zip(poses, frames, strict=True)]
    return State(shared, np.array([p.rotation for p in poses]), np.array(origins))


def _with_unstated_noise(corners: Sequence[Corners], frames: Sequence[Frame], start: State) -> Views:
    """Return the views, each with what its corners scatter about their pose beyond their own covariances."""
    solved = solve_views(prepare_views(corners, frames), start, (), "")
    extra = [extra_variance(r, c.covariance, r.size - 6.0) for r, c in zip(solved.residuals_px, corners, strict=True)]
    wider = [replace(c, covariance=c.covariance + e * np.eye(2)) for c, e in zip(corners, extra, strict=True)]
    return prepare_views(wider, frames)


def _pose(state: State, k: int, frame: Frame) -> Pose3:
    matrix = np.eye(4)
    matrix[:3, :3] = state.rotations[k]
    matrix[:3, 3] = state.origins[k] - state.rotations[k] @ np.append(frame.origin_mm, 0.0)
    return Pose3.from_matrix(matrix)


def _carried(of: Pose3, frame: Frame, middle: Array) -> Array:
    """Return ∂(ω, τ at the middle)/∂(ω, τ at the page's own middle) (6, 6)."""
    out = np.eye(6)
    out[3:, :3] = -cross(of.rotation @ (middle - np.append(frame.origin_mm, 0.0)))
    return out


def _with_print(
    sources: tuple[Source, ...],
    columns: Array,
    views: Views,
    state: State,
    poses: Sequence[Pose3],
    middle: Array,
    scale: Values | None,
) -> tuple[tuple[Source, ...], Array]:
    """Return the sources with those of the print's scale, found by fitting every pose again on a stretched page."""
    if scale is None:
        return sources, columns
    by_print = np.empty((len(poses), 6, len(scale.sources)))
    for j in range(len(scale.sources)):
        longer = views.stretched(1 + _STRETCH * scale.c[:, j] / scale.value)
        other = solve_views(longer, state, (), "")
        for k, view in enumerate(views.prepared):
            moved = _pose(other.state, k, view.frame)
            turn = rotation_vectors((moved.rotation @ poses[k].rotation.T)[None])[0]
            shift = (moved.rotation - poses[k].rotation) @ middle + moved.translation_mm - poses[k].translation_mm
            by_print[k, :, j] = np.concatenate([turn, shift]) / _STRETCH
    both = np.concatenate([columns, by_print], axis=2).reshape(6 * len(poses), -1)
    merged, c = merge_columns((*sources, *scale.sources), both)
    return merged, c.reshape(len(poses), 6, -1)


def _hull(points: Array) -> Array:
    """Return the convex hull (k, 2) of points (n, 2), counter-clockwise."""
    from scipy.spatial import ConvexHull

    return np.asarray(points[ConvexHull(points).vertices])
