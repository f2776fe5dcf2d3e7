"""What is sought and what was found: a taught shape, a found pose, and how ground points reach the picture.

A *ground* is the plane in which poses are told: mm of a tie's plane, or the picture itself in px. A pose (x, y, θ, s)
carries a point p of the part's frame to the ground: g = (x, y) + s·R(θ)·p, angles from ground x towards ground y.
"""

import math
from dataclasses import dataclass, field, fields
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput

Array = NDArray[np.float64]
Picture = NDArray[Any]
Bools = NDArray[np.bool_]
Cells = NDArray[np.float32]

ROUND = 0
"""`Taught.turns` of a shape that looks the same at any angle."""


class Projection(Protocol):
    """Carries ground points (n, 2) to picture px (n, 2), with ∂px/∂ground (n, 2, 2); NaN where nothing is seen."""

    def __call__(self, ground: Array, /) -> tuple[Array, Array]:
        """Return px and Jacobians."""
        ...


def identity(ground: Array) -> tuple[Array, Array]:
    """Return the points themselves: the ground is the picture, in px."""
    return ground, np.broadcast_to(np.eye(2), (len(ground), 2, 2))


@dataclass(frozen=True, slots=True)
class Pose:
    """A place on the ground: `x`, `y` in ground units, `angle` in rad, `scale` (1 is the taught size)."""

    x: float
    y: float
    angle: float
    scale: float = 1.0

    def __post_init__(self) -> None:
        if not all(math.isfinite(v) for v in (self.x, self.y, self.angle, self.scale)) or self.scale <= 0:
            told = f"({self.x:g}, {self.y:g}, {self.angle:g} rad, scale {self.scale:g})"
            raise UnusableInput(f"the pose {told} is no place: give finite numbers and a scale above 0")

    @property
    def linear(self) -> Array:
        """s·R(θ), (2, 2)."""
        c, s = self.scale * math.cos(self.angle), self.scale * math.sin(self.angle)
        return np.array([[c, -s], [s, c]])

    def place(self, points: Array) -> Array:
        """Return where points (n, 2) of the part's frame lie on the ground."""
        return np.asarray(points @ self.linear.T + (self.x, self.y))

    def bring_back(self, ground: Array) -> Array:
        """Return ground points (n, 2) in the part's frame."""
        return np.asarray((ground - (self.x, self.y)) @ np.linalg.inv(self.linear).T)

    def after(self, ax: float, ay: float, turn: float) -> "Pose":
        """Return the pose that first moves the part in its own frame: turned by `turn`, then shifted by (ax, ay)."""
        dx, dy = self.linear @ (ax, ay)
        return Pose(self.x + float(dx), self.y + float(dy), self.angle + turn, self.scale)


@dataclass(frozen=True, slots=True)
class Taught:
    """A shape as it is sought: arrays and numbers only, in the unit of the ground it was taught on.

    `points` (n, 2) lie on the outline in the part's frame, in order along it; `normals` (n, 2) point towards the
    bright side (with `signed` False: to one side, consistently); `u` (n,) is how well each point is known across.
    `coarse` and `near` (m, 4) are the spread features (x, y, nx, ny) for reduced pictures; `cell` is the size of a
    cell of the most reduced one and `pixel` that of a picture's pixel, in ground units. `turns`: the shape cannot be
    told from itself at every turn of 2π/turns about `centre` (1: at none but the whole turn; `ROUND` (0): at any).
    `alike` (m, 4) are other moves (ax, ay, turn, share) of the part after which `share` of its outline lies on itself:
    what a find may be mistaken for. `blur` (px) is how blurred the outline was when it was taught, and `drift` (n,) how
    far each point moves towards the bright side with blur, per px² of it, times `pixel`: where an outline bends, blur
    moves its edge (both 0 of a drawing). `contrast` is the typical step in grey levels (0 from a drawing), `home` the
    pose (x, y, angle) it was taught at.
    """

    points: Array
    normals: Array
    u: Array
    coarse: Array
    near: Array
    cell: float
    pixel: float
    centre: Array
    turns: int
    alike: Array
    signed: bool
    contrast: float
    home: tuple[float, float, float]
    drift: Array
    blur: float
    radius: float = field(init=False, compare=False)
    """How far the outline reaches from its centre, in ground units."""

    def __post_init__(self) -> None:
        apart = self.points - self.centre
        object.__setattr__(self, "radius", math.sqrt(float((apart**2).sum(axis=1).max(initial=0.0))))

    def drifted_px(self, blur: float, scale: float) -> Array:
        """Return how far (n,) the points' edges lie from them along the normals, in px, at a blur and scale."""
        return self.drift * ((blur**2 - self.blur**2) / (self.pixel * scale))

    @property
    def features(self) -> Array:
        """The outline (n, 4): points and normals."""
        return np.column_stack([self.points, self.normals])

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """The box (x0, y0, x1, y1) around the outline in the part's frame."""
        low, high = self.points.min(axis=0), self.points.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])

    @property
    def equal_turns(self) -> tuple[float, ...]:
        """The turns in rad, besides 0, at which the shape looks the same; () of a round shape, where all are."""
        return tuple(math.tau * k / self.turns for k in range(1, self.turns)) if self.turns else ()

    def equal_move(self, turn: float) -> tuple[float, float, float]:
        """Return the move (ax, ay, turn) about the shape's centre."""
        c, s = math.cos(turn), math.sin(turn)
        x, y = self.centre
        return float(x - c * x + s * y), float(y - s * x - c * y), turn

    def to_plain(self) -> dict[str, Any]:
        """Return numbers and lists, for a document."""
        plain: dict[str, Any] = {}
        for f in (f for f in fields(self) if f.init):
            value = getattr(self, f.name)
            plain[f.name] = value.tolist() if isinstance(value, np.ndarray) else value
        plain["home"] = list(self.home)
        return plain

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> "Taught":
        """Return the shape that `to_plain` told; `UnusableInput` where it does not hold together."""
        shapes = {"points": 2, "normals": 2, "u": 0, "coarse": 4, "near": 4, "centre": 0, "alike": 4}
        try:
            arrays = {k: np.asarray(plain[k], float).reshape((-1, w) if w else -1) for k, w in shapes.items()}
            # Shapes that were taught before blur was told have none.
            drift = np.asarray(plain.get("drift", np.zeros(len(arrays["u"]))), float)
            x, y, angle = (float(v) for v in plain["home"])
            taught = cls(
                **arrays,
                cell=float(plain["cell"]),
                pixel=float(plain["pixel"]),
                turns=int(plain["turns"]),
                signed=bool(plain["signed"]),
                contrast=float(plain["contrast"]),
                home=(x, y, angle),
                drift=drift,
                blur=float(plain.get("blur", 0.0)),
            )
        except (KeyError, TypeError, ValueError) as wrong:
            raise UnusableInput(f"the taught shape is damaged ({wrong}): teach it anew") from wrong
        if not taught._holds_together():
            raise UnusableInput("the taught shape is damaged: its lists do not belong together; teach it anew")
        return taught

    def _holds_together(self) -> bool:
        n = len(self.points)
        arrays = (self.points, self.normals, self.u, self.coarse, self.near, self.centre, self.alike, self.drift)
        each = all(len(a) == n for a in (self.normals, self.u, self.drift))
        sizes = n > 0 and each and len(self.centre) == 2 and len(self.coarse) > 0 and math.isfinite(self.blur)
        numbers = all(np.isfinite(a).all() for a in arrays) and self.cell > 0 and self.pixel > 0 and self.turns >= 0
        return bool(sizes and numbers and len(self.near) > 0)


@dataclass(frozen=True, slots=True)
class SeenEdges:
    """The outline's points at the found pose, and what each does to it.

    `ground` (n, 2) and `normals` (n, 2) of all taught points at the pose; `px` (n, 2) in the picture; `off_px` (n,) how
    far the picture's edge lies from it along the normal (NaN where none was seen); `seen` (n,) those that count;
    `sensitivity` (4, n): pose (x, y, angle, scale) by each point's displacement along its normal in ground units
    (0 for what was not used, and for what was not sought).
    """

    ground: Array
    normals: Array
    px: Array
    off_px: Array
    seen: Bools
    sensitivity: Array


@dataclass(frozen=True, slots=True)
class SeenSize:
    """How large a shape is seen, over its taught size, whether or not other sizes were sought: `scale`, with the `u`
    of the edges' scatter and `by_edge` (n,), the scale by each point's displacement along its normal in ground units.
    """

    scale: float
    u: float
    by_edge: Array


@dataclass(frozen=True, slots=True)
class FoundShape:
    """One found shape.

    `cov` (4, 4) of (x, y, angle, scale), ground units and rad, from the scatter of the edges about the outline; rows
    of what was not sought are 0; the angle of a round shape is unknown (u = π/√3). `share` of the outline that was
    seen; `runner_up` is the largest share of anything that is not among the results, over this share. `ambiguous`
    lists the turns in rad at which this picture cannot tell the shape from itself (by its symmetry, or because what
    tells them apart was not seen). `size` is the one that the edges show, where `pose` has the one that was sought;
    None where they do not tell it. `inverted`: bright and dark are exchanged (only of shapes that are not `signed`).
    """

    pose: Pose
    cov: Array
    share: float
    runner_up: float
    ambiguous: tuple[float, ...]
    angle_known: bool
    inverted: bool
    rms_px: float
    blur_px: float
    flags: tuple[str, ...]
    edges: SeenEdges
    size: SeenSize | None = None


@dataclass(frozen=True, slots=True)
class Sought:
    """What a search gave: `found`, best first; the best share of all with its pose, even where it was too small."""

    found: tuple[FoundShape, ...]
    best_share: float
    best_pose: Pose | None
