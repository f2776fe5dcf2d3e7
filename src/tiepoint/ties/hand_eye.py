"""The hand-eye: where a camera sits on a robot, or stands before it, from poses and photos of one target.

For both eyes it is A·X·B = Y with B = camera_from_target. In hand: A = robot_from_flange, X = flange_from_camera,
Y = robot_from_target. To hand: A = flange_from_robot, X = robot_from_camera, Y = flange_from_target. Inverting each
pose therefore looks exactly like the other eye.

Order of work: are there turns enough; a start that no wrong row spoils; is the table typed as it is read; least squares
with the robot's own scatter found on the way; which rows do not belong; each row predicted by the others.
"""

import hashlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.frames import Pose3
from tiepoint.foundation.reasons import flag
from tiepoint.foundation.sources import Source, coverage_factor, ensemble, merge_columns
from tiepoint.targets.paper import is_assumed
from tiepoint.ties.grip import SpaceRobot
from tiepoint.ties.hand_eye_fit import Eye, Fitted, Rows, fit, without_each
from tiepoint.ties.hand_eye_slips import FEWEST, PoseTable, as_a, demand_turns, demand_typed_well
from tiepoint.ties.hand_eye_start import Start, start
from tiepoint.ties.hand_eye_views import TargetPoses
from tiepoint.ties.hand_eye_witness import Method, side_by_side
from tiepoint.ties.uncertain_pose import UncertainPose

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

FRAMES: dict[str, tuple[tuple[str, str], tuple[str, str]]] = {
    "in-hand": (("flange", "camera"), ("robot", "target")),
    "to-hand": (("robot", "camera"), ("flange", "target")),
}
"""What X and Y lead from and to, for each eye."""

_WRONG = 1e-4
"""A row does not belong where chance alone would miss by as much in fewer sets than this."""
_BACK = 1e-2
"""A row that was set aside is taken back where it fits the others at least this well."""
_NOTHING_FITS = 0.05
"""Rows that miss by more than this share of the camera's distance belong to something else."""
_ROUGH_MM = 3.0
"""Arms that nobody calibrated are off by one to three millimetres where they are told to go (common practice)."""


@dataclass(frozen=True, slots=True)
class PoseRow:
    """A row of the table: its number from 1, its photo, its error at unseen poses (predicted by the other rows).

    None where the others do not determine the hand-eye. `used` is False where it does not belong, and `says` why.
    """

    row: int
    photo: str
    unseen_mm: float | None
    unseen_deg: float | None
    used: bool
    says: str = ""


@dataclass(frozen=True, slots=True)
class Solution:
    """A way to solve, with its X and its rms errors at left-out poses; None where it gave none."""

    name: str
    x: Pose3 | None
    unseen_mm: float | None
    unseen_deg: float | None


@dataclass(frozen=True)
class HandEye:
    """A solved hand-eye: `x` and `y` as `FRAMES` names them, with shared sources.

    `robot_mm`, `robot_deg`: the robot's own scatter along and about each axis, as the poses show it. `unseen_mm`,
    `unseen_deg`: rms errors at poses that the fit did not use, the target's middle and its turn. `solutions`: ours and
    OpenCV's. `robot_from_plane`: where the station's plane lies, None where an eye to hand was not shown it; `region`
    (k, 2): the part of that plane in which the target was seen.
    """

    id: str
    eye: Eye
    x: UncertainPose
    y: UncertainPose
    robot_mm: float
    robot_deg: float
    dof: float
    unseen_mm: float | None
    unseen_deg: float | None
    rows: tuple[PoseRow, ...]
    solutions: tuple[Solution, ...]
    robot_from_plane: UncertainPose | None
    region: Array | None
    convention: str
    camera_id: str | None = None
    target_id: str | None = None
    flags: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def robot(self) -> SpaceRobot:
        """The robot for grips; `UnusableInput` where the plane was not shown to it."""
        if self.robot_from_plane is None:
            raise UnusableInput(
                f"the hand-eye {self.id} does not know where the station's plane lies; make it again with --plane and "
                "a photo of the target lying in that plane"
            )
        return SpaceRobot(self.robot_from_plane, self.region, self.robot_mm, math.radians(self.robot_deg))

    @property
    def sentences(self) -> tuple[str, str]:
        """What X and Y say, in words."""
        (x_to, x_from), (y_to, y_from) = FRAMES[self.eye]
        return self.x.pose.sentence(x_to, x_from), self.y.pose.sentence(y_to, y_from)

    def half_widths(self, pose: UncertainPose) -> tuple[float, float]:
        """Return the widest 95 % half-widths of a pose's place (mm, of its axes) and turn (deg, about its axes)."""
        u = np.sqrt(np.diag(pose.covariance))
        k = coverage_factor(0.975, self.dof)
        return k * float(u[3:].max()), k * math.degrees(float(u[:3].max()))

    def with_plane(self, camera_from_plane: UncertainPose, region: Array | None) -> "HandEye":
        """Return an eye-to-hand with the station's plane where its camera sees a target lying in it."""
        if self.eye != "to-hand":
            raise UnusableInput("an eye in hand knows the plane already: its target lay in it; leave --plane out")
        return replace(self, robot_from_plane=self.x @ camera_from_plane, region=region)


def hand_eye(table: PoseTable, seen: TargetPoses, eye: Eye) -> HandEye:
    """Return the hand-eye of poses (n) that a controller showed and of the photos taken there, n ≥ 4.

    Raises `PoorGeometry` for too few poses or for turns about one axis, with the poses to add; `UnusableInput` where
    the table is typed otherwise than it is read, naming how, or where nothing fits.
    """
    if len(table) != len(seen):
        raise UnusableInput(
            f"{len(table)} poses stand beside {len(seen)} photos; give one photo for each row, in the table's order"
        )
    demand_turns(table.matrices, seen)
    u = np.array([s.u for s in seen.sources])
    rows = Rows(as_a(table.matrices, eye), seen.matrices, seen.covariance, seen.shared * u, seen.middle_mm, eye)
    begun = start(rows.a, rows.b, seen.middle_mm, seen.lever_mm)
    demand_typed_well(table, seen, eye, begun.score)
    _demand_fit(begun, seen)
    used, fitted = _without_wrong(rows, begun)
    _demand_typed(table, used, fitted)
    return _told(table, seen, eye, rows, used, fitted)


def _demand_fit(begun: Start, seen: TargetPoses) -> None:
    if begun.score > _NOTHING_FITS * seen.lever_mm:
        raise UnusableInput(
            f"poses and photos do not belong together: whatever the hand-eye, half of them are off by "
            f"{begun.score:.3g} mm or more, at {seen.lever_mm:.0f} mm from the camera; look whether each photo was "
            "taken at the pose of its row, whether the target stayed where it was, and whether the flange's pose was "
            "typed, not a tool's"
        )


def _without_wrong(rows: Rows, begun: Start) -> tuple[Mask, Fitted]:
    """Return which rows belong, and their fit: the worst leaves first, who fits the others comes back."""
    used = begun.belongs.copy()
    least = max(FEWEST, len(rows) // 2 + 1)
    for _ in range(len(rows) + 2):
        fitted = _demanded(fit(rows.only(used), begun.x, begun.y))
        chance = _unseen(rows, used, fitted)[2]
        back = ~used & (chance > _BACK)
        if back.any():
            used |= back
            continue
        worst = int(np.nanargmin(np.where(used, chance, np.inf)))
        if used.sum() <= least or not chance[worst] < _WRONG / len(rows):
            break
        used[worst] = False
    return used, fitted


def _demand_typed(table: PoseTable, used: Mask, fitted: Fitted) -> None:
    """Raise where a column was left out, or more rows are wrong than slip one by one: above a third."""
    alike = [f"{axis} is {mm[0] + 0.0:g} mm" for axis, mm in zip("xyz", table.xyz_mm.T, strict=True) if np.ptp(mm) == 0]
    if alike and fitted.robot_mm > _ROUGH_MM:
        raise UnusableInput(
            f"{alike[0]} in every row, and about any hand-eye the poses scatter by {fitted.robot_mm:.2g} mm along each "
            "axis; look whether that column was left out, and type what the robot's display shows"
        )
    wrong = [str(k + 1) for k in np.flatnonzero(~used)]
    if 3 * len(wrong) > len(used):
        raise UnusableInput(
            f"{len(wrong)} of {len(used)} poses do not fit the others (rows {', '.join(wrong)}), and no more than a "
            "third may be wrong; look whether each photo was taken at the pose of its row, whether the target stayed "
            "where it was, and whether all that the robot's display shows was typed"
        )


def _demanded(fitted: Fitted | None) -> Fitted:
    if fitted is None:
        raise PoorGeometry(
            "the poses that agree with one another do not determine the hand-eye; add poses in which the flange is "
            "leaned by 20 to 30° about its x axis, about its y axis, and turned about its z axis"
        )
    return fitted


def _unseen(rows: Rows, used: Mask, fitted: Fitted) -> Array:
    """Return (3, n): each row's error in mm and rad as the other rows in use predict it, and its chance."""
    out = np.empty((3, len(rows)))
    for which, told in ((used, without_each(rows.only(used), fitted)), (~used, fitted.unseen(rows.only(~used)))):
        out[:, which] = told.mm, told.rad, told.chance
    return out


def _told(table: PoseTable, seen: TargetPoses, eye: Eye, rows: Rows, used: Mask, fitted: Fitted) -> HandEye:
    unseen = _unseen(rows, used, fitted)
    says = _repairs(rows, used, fitted)
    x, y, name = _uncertain(table, seen, eye, fitted)
    told = tuple(
        PoseRow(
            k + 1, photo, _finite(mm), _finite(math.degrees(rad)), bool(used[k]), says.get(k, "")
        )
        for k, (photo, mm, rad) in enumerate(zip(seen.photos, unseen[0], unseen[1], strict=True))
    )  # fmt: skip
    rms_mm, rms_rad = (_finite(math.sqrt(float(np.mean(v[used] ** 2)))) for v in unseen[:2])
    ours = Solution("tiepoint", x.pose, rms_mm, None if rms_rad is None else math.degrees(rms_rad))
    theirs = [_solution(m) for m in side_by_side(rows.only(used))]
    in_hand = eye == "in-hand"
    return HandEye(
        id=name,
        eye=eye,
        x=x,
        y=y,
        robot_mm=fitted.robot_mm,
        robot_deg=math.degrees(fitted.robot_rad),
        dof=fitted.dof,
        unseen_mm=rms_mm,
        unseen_deg=ours.unseen_deg,
        rows=told,
        solutions=(ours, *theirs),
        robot_from_plane=y if in_hand else None,
        region=seen.region if in_hand else None,
        convention=table.convention,
        camera_id=seen.camera_id,
        target_id=seen.target_id,
        flags=tuple(_flags(used, seen)),
        notes=tuple(_notes(told, fitted)),
    )


def _uncertain(
    table: PoseTable, seen: TargetPoses, eye: Eye, fitted: Fitted
) -> tuple[UncertainPose, UncertainPose, str]:
    """Return X and Y over their sources: the poses' own scatter, and what camera and print do to all of them."""
    typed = np.column_stack([table.xyz_mm, table.angles_deg]).round(9).tolist()
    name = f"hand-eye-{hashlib.sha256(repr((eye, table.convention, typed, seen.photos)).encode()).hexdigest()[:12]}"
    own, factor = ensemble(name, "Poses and photos of the hand-eye", fitted.own_covariance, "station", fitted.dof)
    u = np.array([s.u for s in seen.sources])
    shared = fitted.by_shared / np.where(u > 0, u, 1.0)
    sources, c = merge_columns((*own, *seen.sources), np.hstack([factor, shared]))
    x, y = (UncertainPose(Pose3.from_matrix(m), sources, k) for m, k in ((fitted.x, c[:6]), (fitted.y, c[6:])))
    return x, y, name


def _repairs(rows: Rows, used: Mask, fitted: Fitted) -> dict[int, str]:
    """Return what is said of each row (from 0) that does not belong: exchanged with another, or merely wrong."""
    out = np.flatnonzero(~used)
    says = {int(k): "" for k in out}
    for n, i in enumerate(out):
        for j in out[n + 1 :]:
            swapped = replace(
                rows, a=rows.a[[j, i]], b=rows.b[[i, j]], b_cov=rows.b_cov[[i, j]], shared=rows.shared[[i, j]]
            )
            if (fitted.unseen(swapped).chance > _BACK).all():
                says[int(i)] = f"rows {i + 1} and {j + 1} are exchanged, and were left out: each fits the other's photo"
                says[int(j)] = says[int(i)]
    told = fitted.unseen(rows.only(~used))
    for k, mm, rad in zip(out, told.mm, told.rad, strict=True):
        far = f"{mm:.3g} mm and {math.degrees(rad):.2g}°"
        wrong = f"row {k + 1} does not fit the others, and was left out: they put the target {far} from where it says"
        says[int(k)] = says[int(k)] or f"{wrong}; look at what was typed, or take the pose again"
    return says


def _flags(used: Mask, seen: TargetPoses) -> Iterator[str]:
    if not used.all():
        yield flag("poses_left_out")
    if is_assumed(seen.sources):
        yield flag("print_not_measured")


def _notes(rows: Sequence[PoseRow], fitted: Fitted) -> list[str]:
    notes = [f"{s[:1].upper()}{s[1:]}." for s in dict.fromkeys(r.says for r in rows if r.says)]
    notes.append(
        f"The robot's own scatter, as these poses show it, is {fitted.robot_mm:.2g} mm along and "
        f"{math.degrees(fitted.robot_rad):.2g}° about each axis (standard deviations); every grip has it once more."
    )
    if fitted.robot_mm > _ROUGH_MM:
        notes.append(
            "That is more than most arms are off: look whether each photo was taken at rest, at the pose of its row, "
            "whether the target stayed where it was, and whether the flange's pose was typed, not a tool's."
        )
    if sum(r.used for r in rows) < 8:
        notes.append("Few poses: ten to fifteen show a wrong one, and tell the ± better.")
    return notes


def _solution(method: Method) -> Solution:
    if not np.isfinite(method.x).all():
        return Solution(method.name, None, None, None)
    return Solution(
        method.name, Pose3.from_matrix(method.x), _finite(method.unseen_mm), _finite(math.degrees(method.unseen_rad))
    )


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def sources_of(tie: HandEye) -> tuple[Source, ...]:
    """Return the sources of all of its poses, each once."""
    planes = () if tie.robot_from_plane is None else tie.robot_from_plane.sources
    return tuple(dict.fromkeys((*tie.x.sources, *tie.y.sources, *planes)))
