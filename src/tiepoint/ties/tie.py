"""A tie: a solved relation between a picture and a plane (or a plane and a robot), with its sources.

Every tie, however made, is one closed form (`lens`, then a 3 × 3 `matrix`), one parameter vector θ of 16
numbers (`PARAMETERS`), and a `factor` that says how each independent cause of uncertainty perturbs θ.
Causes that no parameter can express (a bowed page, what the lens model leaves over) are smooth
displacement `fields`. So one probe, one document and one kernel serve every kind of tie.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiepoint.foundation.once import cached_property
from tiepoint.foundation.sources import Source, Sources, check_ids, merge_columns
from tiepoint.ties.lens import LENS_NAMES, Lens, ideal_from_picture, picture_from_ideal
from tiepoint.ties.sensor import OtherSensor, Placing, Sensor, place
from tiepoint.ties.sight import Sight, numbers_of
from tiepoint.ties.way import Mapped, Way, inside_convex, way_of

__all__ = [
    "LENS_NAMES",
    "PARAMETERS",
    "Before",
    "Diagnostics",
    "Field",
    "Lens",
    "Made",
    "Mapped",
    "Member",
    "OtherSensor",
    "Placing",
    "Quality",
    "Residuals",
    "Sensor",
    "Stand",
    "Tie",
    "ideal_from_picture",
    "inside_convex",
    "matrix_columns",
    "picture_from_ideal",
    "place",
    "polynomial_terms",
]

Array = NDArray[np.float64]
Made = Literal["target", "length", "pairs", "views"]

PARAMETERS = (*(f"h{k}" for k in range(9)), *LENS_NAMES)
"""θ: the matrix row by row, then the lens. The matrix's scale is free: a change along it moves no point."""


@dataclass(frozen=True)
class Field:
    """A smooth displacement that one source causes, in mm per unit of the source.

    With n = (p − `middle`)/`reach` for a point p of the from-frame, the displacement is Σ n_x^i·n_y^j·coefficients,
    (i, j) in the order of `polynomial_terms(degree)`; `coefficients` is (terms, 2).
    """

    source: Source
    degree: int
    middle: tuple[float, float]
    reach: float
    coefficients: Array

    def at(self, points: Array) -> Array:
        """Return the displacement (n, 2) at points (n, 2) of the from-frame."""
        normalised = (points - self.middle) / self.reach
        return polynomial_terms(self.degree, normalised) @ self.coefficients


@dataclass(frozen=True, slots=True)
class Quality:
    """Error in mm at points that the fit did not use.

    `u_rms_mm` is the standard uncertainty of the rms itself; `max_at_mm` is where the largest stands;
    `how` says how the points were kept unseen. `rms_px` is the same error seen in the picture, where it is one.
    """

    n: int
    rms_mm: float
    u_rms_mm: float
    p95_mm: float
    max_mm: float
    max_at_mm: tuple[float, float]
    how: str
    rms_px: float | None = None


@dataclass(frozen=True, slots=True)
class Member:
    """One model that was tried: k parameters, χ², degrees of freedom, criteria, unseen error in px or mm."""

    model: str
    k: int
    chi2: float
    dof: float
    bic: float
    aicc: float
    leave_out: float
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class Diagnostics:
    """How the fit went: χ² per degree of freedom, the models tried, and why this one was taken."""

    chi2_per_dof: float | None = None
    members: tuple[Member, ...] = ()
    reason: str = ""


@dataclass(frozen=True)
class Residuals:
    """What the fit left over, for drawing: points (n, 2) in the from-frame and in mm, and two residuals in mm.

    `fit_mm` (n, 2) is the residual of the point in the fit, `unseen_mm` (n, 2) the error that a fit without this
    point makes there. `used` (n,) is False for points that were left out of the fit altogether.
    """

    points: Array
    plane_mm: Array
    fit_mm: Array
    unseen_mm: Array
    used: NDArray[np.bool_]


@dataclass(frozen=True)
class Stand:
    """Where the camera stands over a tie's plane, in mm, and how that follows its causes.

    `d_distance` (m,) and `d_foot` (m, 2) per source: those of the tie itself first, in its order, then others. `how`:
    what it rests on, in words.
    """

    distance_mm: float
    foot_mm: Array
    sources: tuple[Source, ...]
    d_distance: Array
    d_foot: Array
    how: str


@dataclass(frozen=True)
class Before:
    """A moved tie as it was tied, and where its camera then stood (None: its rays are parallel).

    It is moved again from here: what is not known of the camera's place acts once, however many moves there were.
    """

    tie: "Tie"
    stand: Stand | None


@dataclass(frozen=True)
class Tie:
    """A solved relation. Frozen; `replace` makes variants.

    `matrix` (3, 3) maps ideal picture coordinates (raw px, y down), or points of another from-frame, to mm.
    `factor` (16, m): ∂θ/∂source for the m `sources`. `valid_region` (k, 2): a convex polygon in the from-frame.
    `distance_mm`: of the projection centre from the plane, along its normal; `foot_mm`: where that normal meets
    the plane. Both None where they are not known; then no height can be corrected or budgeted. `before`: of a tie
    that was moved to another height, None where it was not, or was changed since.
    """

    id: str
    made: Made
    from_frame: str
    to_frame: str
    model: str
    matrix: Array
    valid_region: Array
    lens: Lens | None = None
    sources: tuple[Source, ...] = ()
    factor: Array = field(default_factory=lambda: np.zeros((len(PARAMETERS), 0)))
    fields: tuple[Field, ...] = ()
    height_mm: float = 0.0
    u_height_mm: float = 0.0
    distance_mm: float | None = None
    u_distance_mm: float = 0.0
    foot_mm: tuple[float, float] | None = None
    sensor: Sensor | None = None
    placing: Placing = field(default_factory=Placing)
    covered_share: float | None = None
    quality: Quality | None = None
    diagnostics: Diagnostics = field(default_factory=Diagnostics)
    residuals: Residuals | None = None
    photos: tuple[str, ...] = ()
    target_id: str | None = None
    flags: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    unit: str = "mm"
    before: Before | None = None

    def __post_init__(self) -> None:
        if self.factor.shape != (len(PARAMETERS), len(self.sources)):
            raise ValueError(f"factor is {self.factor.shape}, not {(len(PARAMETERS), len(self.sources))}")
        check_ids(self.all_sources)
        if len(set(self.all_sources)) < len(self.all_sources):
            raise ValueError("a source appears twice; merge its columns")

    @cached_property
    def all_sources(self) -> Sources:
        """Sources of the factor, then those of the fields: the columns of `Mapped.d_sources`."""
        return Sources((*self.sources, *[f.source for f in self.fields]))

    @cached_property
    def inverse(self) -> Array:
        """The matrix (3, 3) from mm to ideal picture coordinates."""
        return np.ascontiguousarray(np.linalg.inv(self.matrix), float)

    @cached_property
    def way(self) -> Way:
        """How points of the from-frame come to the plane."""
        fields = np.zeros((len(self.fields), 4 + 2 * max((len(f.coefficients) for f in self.fields), default=0)))
        for row, one in zip(fields, self.fields, strict=True):
            row[:4] = *one.middle, one.reach, one.degree
            row[4 : 4 + one.coefficients.size] = np.ravel(one.coefficients)
        numbers = numbers_of(self.matrix, self.lens, self.placing)
        return way_of(numbers, np.asarray(self.valid_region, float), self.factor, self.all_sources, fields)

    def map(self, points: ArrayLike, with_sources: bool = True) -> Mapped:
        """Return where points (n, 2) of the from-frame lie, with all derivatives; `d_sources` only where asked for.

        Points outside the valid region are mapped too, marked in `inside`; NaN where there is no such place.
        """
        return self.way.map(points, with_sources)

    @cached_property
    def sight(self) -> Sight:
        """How the picture shows places in mm."""
        return Sight(self.inverse, self.lens, self.placing)

    def to_image(self, mm: ArrayLike) -> Array:
        """Return the from-frame points (n, 2) of places (n, 2) in mm; NaN where the picture shows none."""
        return self.sight.to_px(np.atleast_2d(np.asarray(mm, float)))

    def for_sensor(self, shot: Sensor) -> "Tie":
        """Return the tie for pictures of another sensor setting; `OtherSensor` where that cannot be proved."""
        if self.sensor is None:
            return self
        placing = place(shot, self.sensor)
        return self if placing == self.placing else replace(self, placing=placing)

    def then(self, M: Array, sources: Sequence[Source] = (), d_M: Array | None = None) -> "Tie":
        """Return the tie followed by an affine map M (3, 3) of the plane, with the causes that M brings.

        `d_M` (m, 3, 3) is ∂M/∂source for `sources`. Columns of a source that the tie already has are added.
        """
        if not np.allclose(M[2, :2], 0.0, atol=0.0):
            raise ValueError("only an affine map can follow a tie")
        linear = M[:2, :2] / M[2, 2]
        old = self.factor.copy()
        for k in range(old.shape[1]):
            old[:9, k] = (M @ old[:9, k].reshape(3, 3)).ravel()
        brought = matrix_columns(np.zeros((0, 3, 3)) if d_M is None else d_M @ self.matrix)
        merged, factor = merge_columns((*self.sources, *sources), np.hstack([old, brought]))
        fields = tuple(replace(f, coefficients=f.coefficients @ linear.T) for f in self.fields)
        return replace(self, matrix=M @ self.matrix, sources=merged, factor=factor, fields=fields, before=None)


def project(H: Array, points: Array) -> tuple[Array, Array, Array]:
    """Return H·points (n, 2), ∂/∂points (n, 2, 2) and ∂/∂h (n, 2, 9) for points (n, 2)."""
    n = len(points)
    homogeneous = np.column_stack([points, np.ones(n)])
    with np.errstate(divide="ignore", invalid="ignore"):
        image = homogeneous @ H.T
        w = 1.0 / image[:, 2]
        xy = image[:, :2] * w[:, None]
        d_points = (H[None, :2, :2] - xy[:, :, None] * H[None, 2, :2]) * w[:, None, None]
        d_h = np.zeros((n, 2, 9))
        scaled = homogeneous * w[:, None]
        d_h[:, 0, 0:3] = d_h[:, 1, 3:6] = scaled
        d_h[:, :, 6:9] = -xy[:, :, None] * scaled[:, None, :]
    return xy, d_points, d_h


def matrix_columns(d_matrix: Array) -> Array:
    """Return factor columns (16, m) for sources that perturb the matrix alone, by ∂H/∂source (m, 3, 3)."""
    columns = np.zeros((len(PARAMETERS), len(d_matrix)))
    columns[:9] = d_matrix.reshape(len(d_matrix), 9).T
    return columns


def polynomial_terms(degree: int, normalised: Array) -> Array:
    """Return the monomials n_x^i·n_y^j, i + j ≤ degree, (n, terms): 1, x, y, x², xy, y², x³, …"""
    x, y = normalised[:, 0], normalised[:, 1]
    return np.stack([x ** (total - j) * y**j for total in range(degree + 1) for j in range(total + 1)], axis=1)
