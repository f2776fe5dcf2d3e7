"""Sub-pixel edges in many strips of one picture, each with its standard uncertainty."""

import math
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput, UnusablePicture
from tiepoint.vision import strip_find as sf
from tiepoint.vision import strip_report as report
from tiepoint.vision.strip_fit import BRIGHT, HALF, RESULT_COLUMNS
from tiepoint.vision.strip_measure import lay, measure, share_noise
from tiepoint.vision.strip_pixels import Floats, Ints

Polarity = Literal["either", "rising", "falling"]
OfSeveral = Literal["clearest", "nearest", "farthest"]
Bools = NDArray[np.bool_]

POLARITY: dict[str, int] = {"either": sf.EITHER, "rising": sf.RISING, "falling": sf.FALLING}
OF_SEVERAL: dict[str, int] = {"clearest": sf.CLEAREST, "nearest": sf.NEAREST, "farthest": sf.FARTHEST}

CODES, FLAGS = report.CODES, report.FLAGS
"""Why a strip has no edge ("" where it has one), and the columns of the flag table."""
CHUNK = 512
"""Strips worked on at a time: bounds the work space to some megabytes."""


@dataclass(frozen=True)
class StripEdges:
    """One edge, or the reason for none, in each of n strips; lengths in px, grey values as in the picture.

    `position` runs along the crossing direction from the strip's centre, `point` (n, 2) is the same place in the
    picture. `normal` (n, 2) is the unit normal of the edge, on the side of the crossing direction; it differs from
    it by `tilt_rad` (positive: turned towards +x → +y). `u` is the standard uncertainty of `position`, from the
    inverse Fisher matrix times the residual variance with `dof` degrees of freedom. `blur` is the optical blur (the
    pixel's own share of 1/12 px² is taken off), `blur_whole` includes it. `contrast` is positive; `rising` tells
    whether it gets brighter along the direction. `weight_lost` is the share of the pixels near the edge that the
    robust fit left out. Where `ok` is False the numbers are NaN and `reason` tells why.
    """

    position: Floats
    u: Floats
    dof: Floats
    point: Floats
    normal: Floats
    tilt_rad: Floats
    u_tilt_rad: Floats
    blur: Floats
    blur_whole: Floats
    contrast: Floats
    rising: Bools
    noise: Floats
    weight_lost: Floats
    saturated_share: Floats
    code: Ints
    flag_table: Bools

    def __len__(self) -> int:
        return int(self.position.size)

    @property
    def ok(self) -> Bools:
        """Which strips have an edge, (n,)."""
        return np.asarray(self.code == 0)

    @property
    def reason(self) -> tuple[str, ...]:
        """The registered reason of each strip; "" where it has an edge."""
        return tuple(CODES[k] for k in self.code)

    @property
    def polarity(self) -> Floats:
        """+1 where it gets brighter along `normal`, −1 where darker, (n,)."""
        return np.where(self.rising, 1.0, -1.0)

    @property
    def u_normal(self) -> Floats:
        """Standard uncertainty of the edge point across the edge, px, (n,)."""
        return self.u * np.cos(self.tilt_rad)

    def flagged(self, code: str) -> Bools:
        """Which strips carry a flag, (n,)."""
        return np.asarray(self.flag_table[:, FLAGS.index(code)])

    def flags(self, index: int) -> tuple[str, ...]:
        """The flags of one strip."""
        return tuple(f for f, on in zip(FLAGS, self.flag_table[index], strict=True) if on)

    def most_common_reason(self) -> str:
        """The reason that most strips without an edge share; "" where all have one."""
        counts = np.bincount(self.code[self.code > 0], minlength=1)
        return CODES[int(np.argmax(counts))] if counts.sum() else ""


_GREY_TYPES = {np.dtype(np.uint8): 255.0, np.dtype(np.uint16): 65535.0, np.dtype(np.float32): math.inf}
"""What a grey picture may hold, and from which level on its pixels count as saturated."""


def as_grey(picture: NDArray[np.generic]) -> NDArray[np.generic]:
    """Return a grey picture as a contiguous uint8, uint16 or float32 array; raise `UnusablePicture` otherwise."""
    if picture.ndim != 2 or picture.size == 0:
        raise UnusablePicture(f"the picture has the shape {picture.shape}; a grey picture of rows × columns is needed")
    if picture.dtype not in _GREY_TYPES:
        if not np.issubdtype(picture.dtype, np.floating):
            raise UnusablePicture(f"the picture holds {picture.dtype} values; use uint8, uint16 or float32")
        picture = picture.astype(np.float32)
    return np.ascontiguousarray(picture)


def _vectors(directions: NDArray[np.float64], n: int) -> Floats:
    """Return vectors (n, 2) from angles (n,) in rad (x towards y), or as they are."""
    given = np.asarray(directions, dtype=np.float64)
    if given.shape == (n,):
        return np.column_stack([np.cos(given), np.sin(given)])
    if given.shape != (n, 2):
        raise UnusableInput(f"directions have the shape {given.shape}; ({n},) angles or ({n}, 2) vectors are needed")
    return given


def _checked_strips(
    centres: NDArray[np.float64], directions: NDArray[np.float64], length: float, width: float
) -> Floats:
    """Return strips (n, 4) x, y, dx, dy, or raise a sentence about what cannot be used."""
    places = np.atleast_2d(np.asarray(centres, dtype=np.float64))
    if places.ndim != 2 or places.shape[1] != 2:
        raise UnusableInput(f"strip centres have the shape {places.shape}; (n, 2) is needed")
    strips = np.empty((len(places), 4))
    wrong = lay(places, _vectors(directions, len(places)), strips)
    if wrong >= 0:
        raise UnusableInput(f"direction {wrong} has no length; give it a direction in which to cross")
    if wrong == -2:
        raise UnusableInput("a strip's centre or direction is not a finite place near the picture")
    if not 8.0 <= length <= 20_000.0:
        raise UnusableInput(f"a strip of {length:g} px along the crossing cannot be used; choose 8 to 20000 px")
    if not 1.0 <= width <= 20_000.0:
        raise UnusableInput(f"a strip of {width:g} px across cannot be used; choose 1 to 20000 px")
    return strips


def default_saturation(picture: NDArray[np.generic]) -> float:
    """Return the level at which a pixel counts as saturated: the type's largest; never for float pictures."""
    return _GREY_TYPES.get(picture.dtype, math.inf)


class _Task(NamedTuple):
    """What is asked of every strip."""

    length: float
    width: float
    polarity: int
    of_several: int
    robust: bool
    free_tilt: bool
    saturation: float
    least_contrast: float


def _measure(picture: NDArray[np.generic], strips: Floats, task: _Task) -> StripEdges:
    n = len(strips)
    results, told = np.zeros((n, RESULT_COLUMNS)), np.empty((report.TOLD_ROWS, n))
    codes, flags = np.zeros(n, np.int64), np.empty((n, len(FLAGS)), np.bool_)
    measure(picture, strips, *task, results, told, codes, flags)
    position, u, dof, _, _, _, _, lean, u_lean, optical, whole, contrast, sigma, left_out = told
    point = told[report.POINT_X : report.POINT_Y + 1].T
    normal = told[report.NORMAL_X : report.NORMAL_Y + 1].T
    return StripEdges(
        position, u, dof, point, normal, lean, u_lean, optical, whole, contrast, results[:, HALF] > 0, sigma, left_out,
        results[:, BRIGHT], codes, flags,
    )  # fmt: skip


def _joined(parts: list[StripEdges]) -> StripEdges:
    names = StripEdges.__dataclass_fields__
    return StripEdges(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def edges_in_strips(
    picture: NDArray[np.generic],
    centres: NDArray[np.float64],
    directions: NDArray[np.float64],
    length_px: float,
    width_px: float,
    *,
    polarity: Polarity = "either",
    of_several: OfSeveral = "clearest",
    robust: bool = True,
    free_tilt: bool = True,
    saturation: float | None = None,
    least_contrast: float = 0.0,
) -> StripEdges:
    """Return the sub-pixel edge in each of n strips of a grey picture.

    `picture` (rows, cols) uint8, uint16 or float32; `centres` (n, 2) px; `directions` (n,) angles in rad (x towards
    y) or (n, 2) vectors in which the edge is crossed. A strip is `length_px` long along the crossing and `width_px`
    wide. An edge is `rising` where it gets brighter along the direction. Where several of the asked polarity stand
    in the strip, `of_several` chooses (peaks below half of the clearest are not counted). `robust` looks for what
    disturbs a strip and fits around it. With `free_tilt` the edge may lean against the strip; without, it is taken
    as square to it. From `saturation` on (the type's largest by default) a pixel counts as saturated; an edge with
    less than `least_contrast` grey levels is no edge.

    Fitted to the picture's own pixels in the turned box: level + half·erf((s − s0 − t·ac)/√2w), by maximum likelihood
    under equal noise; see docs/explanations/edges.md.

    Raises `UnusablePicture` or `UnusableInput` where the input cannot be used at all.
    """
    grey = as_grey(picture)
    strips = _checked_strips(centres, directions, length_px, width_px)
    limit = default_saturation(grey) if saturation is None else saturation
    task = _Task(
        length_px, width_px, POLARITY[polarity], OF_SEVERAL[of_several], robust, free_tilt and width_px >= 3.0, limit,
        least_contrast,
    )  # fmt: skip
    if len(strips) <= CHUNK:
        return _measure(grey, strips, task)
    return _joined([_measure(grey, strips[k : k + CHUNK], task) for k in range(0, len(strips), CHUNK)])


def with_shared_noise(edges: StripEdges) -> StripEdges:
    """Return the edges of one shape with what their noise has in common: steadier u, more degrees of freedom.

    A narrow strip tells its own noise from a few dozen pixels; weights after such an estimate cost up to a tenth in
    precision. So each variance is drawn towards the common one, as if that had been seen with ν₀ degrees of freedom
    besides its own ν; ν₀ follows from how much more the variances differ than chance explains (empirical Bayes: Smyth,
    Stat. Appl. Genet. Mol. Biol. 3, 2004, from memory; medians in place of means, and 2/ν for the variance of ln s²).
    """
    shared = np.empty((4, len(edges)))
    if not share_noise(edges.code, edges.u, edges.u_tilt_rad, edges.noise, edges.dof, shared):
        return edges
    return replace(edges, u=shared[0], u_tilt_rad=shared[1], noise=shared[2], dof=shared[3])
