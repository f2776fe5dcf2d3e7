"""Poses in the plane and in space, named `a_from_b`, and the angle conventions that robots are typed in.

A pose `a_from_b` maps coordinates in frame b to coordinates in frame a, and at the same time states where
b's origin lies in a and where b's axes point. Inside everything is mm, radians and unit quaternions
(w, x, y, z); degrees and a named angle convention exist only at the edges (`Pose3.from_angles`).
"""

import math
from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiepoint.foundation.errors import UnusableInput

Array = NDArray[np.float64]
AngleConvention = Literal["zyx-intrinsic-deg", "xyz-extrinsic-deg", "zyz-intrinsic-deg", "rotvec-deg"]

CONVENTIONS: Final[dict[str, str]] = {
    "zyx-intrinsic-deg": "turn by a about z, then by b about the new y, then by c about the newest x",
    "xyz-extrinsic-deg": "turn by a about the fixed x, then by b about the fixed y, then by c about the fixed z",
    "zyz-intrinsic-deg": "turn by a about z, then by b about the new y, then by c about the newest z",
    "rotvec-deg": "one turn about the axis (a, b, c), by as many degrees as that vector is long",
}
"""What the three numbers mean, in the words that are printed beside a worked pose."""

_WORKED: Final[dict[str, tuple[float, float, float]]] = {
    "zyx-intrinsic-deg": (90.0, 0.0, 30.0),
    "xyz-extrinsic-deg": (30.0, 0.0, 90.0),
    "zyz-intrinsic-deg": (90.0, 30.0, 0.0),
    "rotvec-deg": (0.0, 0.0, 90.0),
}

_GIMBAL = 1e-9
"""Sine of the middle angle (its cosine for zyx, xyz) below which two of the three turns share an axis."""


@dataclass(frozen=True, slots=True)
class Pose2:
    """A pose in the plane: b's origin in a (mm), and b's +x direction, counter-clockwise from a's +x (rad)."""

    x_mm: float
    y_mm: float
    angle_rad: float

    def __post_init__(self) -> None:
        _demand_finite("a planar pose", self.x_mm, self.y_mm, self.angle_rad)

    def __matmul__(self, other: "Pose2") -> "Pose2":
        """Return `a_from_b @ b_from_c = a_from_c`."""
        x, y = self.apply(np.array([[other.x_mm, other.y_mm]]))[0]
        return Pose2(float(x), float(y), wrap(self.angle_rad + other.angle_rad))

    @property
    def rotation(self) -> Array:
        """The rotation matrix (2, 2)."""
        c, s = math.cos(self.angle_rad), math.sin(self.angle_rad)
        return np.array([[c, -s], [s, c]])

    @property
    def matrix(self) -> Array:
        """The homogeneous matrix (3, 3)."""
        out = np.eye(3)
        out[:2, :2] = self.rotation
        out[:2, 2] = self.x_mm, self.y_mm
        return out

    def inverse(self) -> "Pose2":
        """Return `b_from_a`."""
        x, y = -self.rotation.T @ np.array([self.x_mm, self.y_mm])
        return Pose2(float(x), float(y), wrap(-self.angle_rad))

    def apply(self, points_mm: ArrayLike) -> Array:
        """Return points (n, 2) given in b, expressed in a."""
        out: Array = np.asarray(points_mm, float) @ self.rotation.T + np.array([self.x_mm, self.y_mm])
        return out

    def sentence(self, a: str, b: str) -> str:
        """Return what `a_from_b` says, in words."""
        return (
            f"{a}_from_{b}: the {b}'s origin lies at ({_mm(self.x_mm)}, {_mm(self.y_mm)}) mm in the {a}'s frame, "
            f"its +x axis points {_deg(self.angle_rad)}° counter-clockwise from the {a}'s +x axis"
        )


@dataclass(frozen=True, slots=True)
class Pose3:
    """A pose in space: b's origin in a (mm), and the unit quaternion (w, x, y, z) that turns b into a.

    The quaternion is normalised, with w ≥ 0 (q and −q are the same turn). Raises `UnusableInput` where
    a number is not finite or the quaternion has no length.
    """

    x_mm: float
    y_mm: float
    z_mm: float
    quaternion: tuple[float, float, float, float] = (1.0, 0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        _demand_finite("a pose", self.x_mm, self.y_mm, self.z_mm, *self.quaternion)
        length = math.sqrt(math.fsum(q * q for q in self.quaternion))
        if length < 1e-12:
            raise UnusableInput("the quaternion (0, 0, 0, 0) is no turn; give (1, 0, 0, 0) for none")
        # A quaternion that is unit to rounding keeps its digits, so that normalising twice changes nothing.
        scale = 1.0 if abs(length - 1.0) < 4e-16 else 1.0 / length
        first = next(q for q in self.quaternion if q != 0.0)
        w, x, y, z = (math.copysign(scale, first) * q for q in self.quaternion)
        object.__setattr__(self, "quaternion", (w, x, y, z))

    @classmethod
    def from_matrix(cls, matrix: ArrayLike) -> "Pose3":
        """Return the pose of a homogeneous matrix (4, 4) whose rotation part is proper and orthonormal."""
        m = np.asarray(matrix, float)
        if m.shape != (4, 4) or not np.all(np.isfinite(m)):
            raise UnusableInput("a pose matrix has 4 × 4 finite numbers")
        r = m[:3, :3]
        if np.abs(r @ r.T - np.eye(3)).max() > 1e-6 or np.linalg.det(r) < 0:
            raise UnusableInput(
                "the upper left 3 × 3 of the pose matrix is no rotation: its columns must be at right angles, "
                "of length 1 and right-handed"
            )
        return cls(float(m[0, 3]), float(m[1, 3]), float(m[2, 3]), _quaternion_of(r))

    @classmethod
    def from_angles(cls, xyz_mm: ArrayLike, angles_deg: ArrayLike, convention: AngleConvention) -> "Pose3":
        """Return the pose typed as three lengths and three angles (a, b, c) under a named convention."""
        x, y, z = _three("a position", xyz_mm)
        a, b, c = (math.radians(v) for v in _three("a set of angles", angles_deg))
        return cls(x, y, z, _quaternion_of_angles(a, b, c, convention))

    def __matmul__(self, other: "Pose3") -> "Pose3":
        """Return `a_from_b @ b_from_c = a_from_c`."""
        x, y, z = self.apply(np.array([[other.x_mm, other.y_mm, other.z_mm]]))[0]
        return Pose3(float(x), float(y), float(z), _product(self.quaternion, other.quaternion))

    @property
    def translation_mm(self) -> Array:
        """B's origin in a (3,)."""
        return np.array([self.x_mm, self.y_mm, self.z_mm])

    @property
    def rotation(self) -> Array:
        """The rotation matrix (3, 3)."""
        w, x, y, z = self.quaternion
        return np.array([
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ])  # fmt: skip

    @property
    def matrix(self) -> Array:
        """The homogeneous matrix (4, 4)."""
        out = np.eye(4)
        out[:3, :3] = self.rotation
        out[:3, 3] = self.translation_mm
        return out

    @property
    def turn_rad(self) -> float:
        """The whole turn, 0 to π."""
        w, x, y, z = self.quaternion
        return 2.0 * math.atan2(math.sqrt(x * x + y * y + z * z), abs(w))

    def inverse(self) -> "Pose3":
        """Return `b_from_a`."""
        w, x, y, z = self.quaternion
        tx, ty, tz = -self.rotation.T @ self.translation_mm
        return Pose3(float(tx), float(ty), float(tz), (w, -x, -y, -z))

    def apply(self, points_mm: ArrayLike) -> Array:
        """Return points (n, 3) given in b, expressed in a."""
        out: Array = np.asarray(points_mm, float) @ self.rotation.T + self.translation_mm
        return out

    def angles_deg(self, convention: AngleConvention) -> tuple[float, float, float]:
        """Return the three angles (degrees) of the named convention.

        Where the middle angle makes the outer two turn about one axis, only their sum is determined: the
        last is given as 0.
        """
        angles = _angles_of(self, convention)
        return (math.degrees(angles[0]), math.degrees(angles[1]), math.degrees(angles[2]))

    def sentence(self, a: str, b: str) -> str:
        """Return what `a_from_b` says, in words."""
        axis = self.rotation
        along = "; ".join(
            f"its +{name} axis along ({', '.join(_unit(v) for v in axis[:, k])})" for k, name in ((0, "x"), (2, "z"))
        )
        where = ", ".join(_mm(v) for v in (self.x_mm, self.y_mm, self.z_mm))
        return (
            f"{a}_from_{b}: the {b}'s origin lies at ({where}) mm in the {a}'s frame, {along} "
            f"(turned by {_deg(self.turn_rad)}° in all)"
        )


def wrap(angle_rad: float) -> float:
    """Return the same direction within (−π, π]."""
    turned = math.remainder(angle_rad, math.tau)
    return math.pi if turned == -math.pi else turned


def worked_pose(convention: AngleConvention) -> str:
    """Return one pose under `convention`, typed and as a sentence, to hold beside a robot's own display."""
    if convention not in _WORKED:
        raise _unknown(convention)
    angles = _WORKED[convention]
    pose = Pose3.from_angles((100.0, 200.0, 300.0), angles, convention)
    typed = ", ".join(f"{v:g}" for v in (100.0, 200.0, 300.0, *angles))
    return f"{convention} ({CONVENTIONS[convention]}): {typed} means {pose.sentence('robot', 'flange')}"


def _angles_of(pose: Pose3, convention: AngleConvention) -> tuple[float, float, float]:
    r = pose.rotation
    match convention:
        case "zyx-intrinsic-deg":
            return _zyx_of(r)
        case "xyz-extrinsic-deg":
            c, b, a = _zyx_of(r, last_is_zero="outer")
            return a, b, c
        case "zyz-intrinsic-deg":
            return _zyz_of(r)
        case "rotvec-deg":
            return _rotation_vector(pose.quaternion)
    raise _unknown(convention)


def _zyx_of(r: Array, last_is_zero: Literal["inner", "outer"] = "inner") -> tuple[float, float, float]:
    """Return (z, y, x) of R = Rz·Ry·Rx. On the seam z or x is free: the one named last is set to 0."""
    cosine = math.hypot(r[0, 0], r[1, 0])
    middle = math.atan2(-r[2, 0], cosine)
    if cosine > _GIMBAL:
        return math.atan2(r[1, 0], r[0, 0]), middle, math.atan2(r[2, 1], r[2, 2])
    if last_is_zero == "inner":
        return math.atan2(-r[0, 1], r[1, 1]), middle, 0.0
    return 0.0, middle, math.atan2(math.copysign(1.0, middle) * r[0, 1], r[1, 1])


def _zyz_of(r: Array) -> tuple[float, float, float]:
    sine = math.hypot(r[0, 2], r[1, 2])
    middle = math.atan2(sine, r[2, 2])
    if sine > _GIMBAL:
        return math.atan2(r[1, 2], r[0, 2]), middle, math.atan2(r[2, 1], -r[2, 0])
    return math.atan2(-r[0, 1], r[1, 1]), middle, 0.0


def _rotation_vector(q: tuple[float, float, float, float]) -> tuple[float, float, float]:
    w, x, y, z = q
    sine = math.sqrt(x * x + y * y + z * z)
    # Small turns: angle/sin(angle/2) → 2 without dividing nothing by nothing.
    factor = 2.0 if sine < 1e-12 else 2.0 * math.atan2(sine, w) / sine
    return factor * x, factor * y, factor * z


def _quaternion_of_angles(
    a: float, b: float, c: float, convention: AngleConvention
) -> tuple[float, float, float, float]:
    match convention:
        case "zyx-intrinsic-deg":
            return _product(_product(_about(2, a), _about(1, b)), _about(0, c))
        case "xyz-extrinsic-deg":
            return _product(_product(_about(2, c), _about(1, b)), _about(0, a))
        case "zyz-intrinsic-deg":
            return _product(_product(_about(2, a), _about(1, b)), _about(2, c))
        case "rotvec-deg":
            angle = math.sqrt(a * a + b * b + c * c)
            factor = 0.5 if angle < 1e-12 else math.sin(angle / 2) / angle
            return math.cos(angle / 2), factor * a, factor * b, factor * c
    raise _unknown(convention)


def _about(axis: int, angle_rad: float) -> tuple[float, float, float, float]:
    vector = [0.0, 0.0, 0.0]
    vector[axis] = math.sin(angle_rad / 2)
    return math.cos(angle_rad / 2), vector[0], vector[1], vector[2]


def _product(
    p: tuple[float, float, float, float], q: tuple[float, float, float, float]
) -> tuple[float, float, float, float]:
    """Hamilton's product: first q turns, then p."""
    a, b, c, d = p
    w, x, y, z = q
    return (
        a * w - b * x - c * y - d * z,
        a * x + b * w + c * z - d * y,
        a * y - b * z + c * w + d * x,
        a * z + b * y - c * x + d * w,
    )


def _quaternion_of(r: Array) -> tuple[float, float, float, float]:
    """Return the quaternion of a rotation matrix by its largest component (Shepperd, J. Guidance 1, 1978)."""
    trace = float(np.trace(r))
    squares = np.array([trace, r[0, 0], r[1, 1], r[2, 2]])
    k = int(np.argmax(squares))
    rows = np.array([
        [1 + trace, r[2, 1] - r[1, 2], r[0, 2] - r[2, 0], r[1, 0] - r[0, 1]],
        [r[2, 1] - r[1, 2], 1 + 2 * r[0, 0] - trace, r[0, 1] + r[1, 0], r[0, 2] + r[2, 0]],
        [r[0, 2] - r[2, 0], r[0, 1] + r[1, 0], 1 + 2 * r[1, 1] - trace, r[1, 2] + r[2, 1]],
        [r[1, 0] - r[0, 1], r[0, 2] + r[2, 0], r[1, 2] + r[2, 1], 1 + 2 * r[2, 2] - trace],
    ])  # fmt: skip
    w, x, y, z = rows[k] / np.linalg.norm(rows[k])
    return float(w), float(x), float(y), float(z)


def _three(what: str, numbers: ArrayLike) -> tuple[float, float, float]:
    values = np.asarray(numbers, float).ravel()
    if values.size != 3:
        raise UnusableInput(f"{what} has three numbers, not {values.size}")
    _demand_finite(what, *(float(v) for v in values))
    return float(values[0]), float(values[1]), float(values[2])


def _demand_finite(what: str, *numbers: float) -> None:
    if not all(math.isfinite(v) for v in numbers):
        raise UnusableInput(f"{what} holds a number that is not finite: {', '.join(f'{v:g}' for v in numbers)}")


def _unknown(convention: str) -> UnusableInput:
    return UnusableInput(
        f"the angle convention {convention!r} is not known; use one of {', '.join(get_args(AngleConvention))}"
    )


def _mm(value: float) -> str:
    return f"{_no_minus_zero(round(value, 3)):.3f}"


def _deg(angle_rad: float) -> str:
    return f"{_no_minus_zero(round(math.degrees(angle_rad), 3)):.3f}"


def _unit(value: float) -> str:
    return f"{_no_minus_zero(round(value, 4)):.4f}"


def _no_minus_zero(value: float) -> float:
    return value + 0.0
