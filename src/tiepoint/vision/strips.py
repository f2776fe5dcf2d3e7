"""Sub-pixel edges in many strips of one picture, each with its standard uncertainty."""

from dataclasses import dataclass
from typing import Literal, NoReturn

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput, UnusablePicture
from tiepoint.vision import strip_find as sf
from tiepoint.vision import strip_report as report
from tiepoint.vision.full_scale import full_scale
from tiepoint.vision.strip_measure import measure
from tiepoint.vision.strip_pixels import Floats, Ints

Polarity = Literal["either", "rising", "falling"]
OfSeveral = Literal["clearest", "nearest", "farthest"]
Bools = NDArray[np.bool_]

POLARITY: dict[str, int] = {"either": sf.EITHER, "rising": sf.RISING, "falling": sf.FALLING}
OF_SEVERAL: dict[str, int] = {"clearest": sf.CLEAREST, "nearest": sf.NEAREST, "farthest": sf.FARTHEST}

CODES, FLAGS = report.CODES, report.FLAGS
"""Why a strip has no edge ("" where it has one), and what may be flagged of it."""
CHUNK = 512
"""Strips worked on at a time: bounds the work space to some megabytes."""


@dataclass(frozen=True)
class EdgeSearch:
    """What counts as the edge of a strip.

    An edge is `rising` where it gets brighter along the direction. Where several of the asked polarity stand in the
    strip, `of_several` chooses (peaks below half of the clearest are not counted). `robust` looks for what disturbs a
    strip and fits around it. With `free_tilt` the edge may lean against the strip; without, it is taken as square to
    it. From `saturation` on a pixel counts as saturated, by default from what `full_scale` tells of the picture. An
    edge with less than `least_contrast` grey levels is no edge.

    The edges of one shape (`is_one_shape`) share what their noise has in common: steadier u, more degrees of freedom. A
    narrow strip tells its own noise from a few dozen pixels; weights after such an estimate cost up to a tenth in
    precision. So each variance is drawn towards the common one, as if that had been seen with ν₀ degrees of freedom
    besides its own ν; ν₀ follows from how much more the variances differ than chance explains (empirical Bayes: Smyth,
    Stat. Appl. Genet. Mol. Biol. 3, 2004, from memory; medians in place of means, and 2/ν for the variance of ln s²).
    """

    polarity: Polarity = "either"
    of_several: OfSeveral = "clearest"
    robust: bool = True
    free_tilt: bool = True
    saturation: float | None = None
    least_contrast: float = 0.0
    is_one_shape: bool = False


ANY_EDGE = EdgeSearch()
"""The clearest edge of either polarity."""


@dataclass(frozen=True)
class StripEdges:
    """One edge, or the reason for none, in each of n strips; lengths in px, grey values as in the picture.

    All of it stands in `told` (n, TOLD_COLUMNS of `strip_report`). Where `ok` is False the numbers are NaN and `reason`
    tells why.
    """

    told: Floats

    def __len__(self) -> int:
        return len(self.told)

    @property
    def position(self) -> Floats:
        """Where the edge is along the crossing direction, from the strip's centre, (n,)."""
        return self.told[:, report.S]

    @property
    def u(self) -> Floats:
        """Standard uncertainty of `position`, from the inverse Fisher matrix times the residual variance, (n,)."""
        return self.told[:, report.U]

    @property
    def dof(self) -> Floats:
        """Degrees of freedom of the residual variance, (n,)."""
        return self.told[:, report.FREEDOM]

    @property
    def point(self) -> Floats:
        """The place of the edge in the picture, (n, 2)."""
        return self.told[:, report.POINT_X : report.POINT_Y + 1]

    @property
    def normal(self) -> Floats:
        """Unit normal of the edge, on the side of the crossing direction, (n, 2)."""
        return self.told[:, report.NORMAL_X : report.NORMAL_Y + 1]

    @property
    def tilt_rad(self) -> Floats:
        """By how much `normal` differs from the crossing direction; positive: turned towards +x → +y, (n,)."""
        return self.told[:, report.LEAN]

    @property
    def u_tilt_rad(self) -> Floats:
        """Standard uncertainty of `tilt_rad`, (n,)."""
        return self.told[:, report.U_LEAN]

    @property
    def blur(self) -> Floats:
        """The optical blur: the pixel's own share of 1/12 px² is taken off, (n,)."""
        return self.told[:, report.OPTICAL]

    @property
    def blur_whole(self) -> Floats:
        """The whole blur, (n,)."""
        return self.told[:, report.WHOLE_BLUR]

    @property
    def contrast(self) -> Floats:
        """The height of the step, positive, (n,)."""
        return self.told[:, report.CONTRAST]

    @property
    def noise(self) -> Floats:
        """Standard deviation of a pixel, (n,)."""
        return self.told[:, report.SIGMA]

    @property
    def weight_lost(self) -> Floats:
        """The share of the pixels near the edge that the robust fit left out, (n,)."""
        return self.told[:, report.LEFT_OUT]

    @property
    def polarity(self) -> Floats:
        """+1 where it gets brighter along `normal`, −1 where darker, (n,)."""
        return self.told[:, report.SENSE]

    @property
    def rising(self) -> Bools:
        """Whether it gets brighter along the direction, (n,)."""
        return self.polarity > 0

    @property
    def saturated_share(self) -> Floats:
        """The share of saturated pixels near the edge, (n,)."""
        return self.told[:, report.BRIGHT_SHARE]

    @property
    def code(self) -> Ints:
        """Why a strip has no edge, as its place in `CODES`, (n,)."""
        return self.told[:, report.CODE].astype(np.int64)

    @property
    def ok(self) -> Bools:
        """Which strips have an edge, (n,)."""
        return np.asarray(self.told[:, report.CODE] == report.HAS_EDGE)

    @property
    def reason(self) -> tuple[str, ...]:
        """The registered reason of each strip; "" where it has an edge."""
        return tuple(CODES[k] for k in self.code)

    @property
    def u_normal(self) -> Floats:
        """Standard uncertainty of the edge point across the edge, px, (n,)."""
        return self.u * np.cos(self.tilt_rad)

    def flagged(self, code: str) -> Bools:
        """Which strips carry a flag, (n,)."""
        return self.told[:, report.FLAGS_AT + FLAGS.index(code)] > 0

    def flags(self, index: int) -> tuple[str, ...]:
        """The flags of one strip."""
        return tuple(f for f in FLAGS if self.flagged(f)[index])

    def most_common_reason(self) -> str:
        """The reason that most strips without an edge share; "" where all have one."""
        counts = np.bincount(self.code[~self.ok], minlength=1)
        return CODES[int(np.argmax(counts))] if counts.sum() else ""


_GREY_TYPES = (np.uint8, np.uint16, np.float32)


def as_grey(picture: NDArray[np.generic]) -> NDArray[np.generic]:
    """Return a grey picture as a contiguous uint8, uint16 or float32 array; raise `UnusablePicture` otherwise."""
    if picture.ndim != 2 or picture.size == 0:
        raise UnusablePicture(f"the picture has the shape {picture.shape}; a grey picture of rows × columns is needed")
    if picture.dtype.type not in _GREY_TYPES:
        if not np.issubdtype(picture.dtype, np.floating):
            raise UnusablePicture(f"the picture holds {picture.dtype} values; use uint8, uint16 or float32")
        picture = picture.astype(np.float32)
    return np.ascontiguousarray(picture)


def _boxes(centres: NDArray[np.float64], directions: NDArray[np.float64]) -> Floats:
    """Return strips (n, 4) x, y, dx, dy, their directions from angles (n,) in rad (x towards y), or as they are."""
    places, given = np.atleast_2d(np.asarray(centres, dtype=np.float64)), np.asarray(directions, dtype=np.float64)
    if places.ndim != 2 or places.shape[1] != 2:
        raise UnusableInput(f"strip centres have the shape {places.shape}; (n, 2) is needed")
    n = len(places)
    if given.shape == (n,):
        given = np.column_stack([np.cos(given), np.sin(given)])
    if given.shape != (n, 2):
        raise UnusableInput(f"directions have the shape {given.shape}; ({n},) angles or ({n}, 2) vectors are needed")
    return np.hstack([places, given])


def _refuse(boxes: Floats) -> NoReturn:
    """Say which strip cannot be used."""
    without = np.flatnonzero(np.hypot(boxes[:, 2], boxes[:, 3]) == 0)
    if without.size:
        raise UnusableInput(f"direction {without[0]} has no length; give it a direction in which to cross")
    raise UnusableInput("a strip's centre or direction is not a finite place near the picture")


def edges_in_strips(
    picture: NDArray[np.generic],
    centres: NDArray[np.float64],
    directions: NDArray[np.float64],
    length_px: float,
    width_px: float,
    search: EdgeSearch = ANY_EDGE,
) -> StripEdges:
    """Return the sub-pixel edge in each of n strips of a grey picture.

    `picture` (rows, cols) uint8, uint16 or float32; `centres` (n, 2) px; `directions` (n,) angles in rad (x towards
    y) or (n, 2) vectors in which the edge is crossed. A strip is `length_px` long along the crossing and `width_px`
    wide.

    Fitted to the picture's own pixels in the turned box: level + half·erf((s − s0 − t·ac)/√2w), by maximum likelihood
    under equal noise; see docs/explanations/edges.md.

    Raises `UnusablePicture` or `UnusableInput` where the input cannot be used at all.
    """
    return edges_in_boxes(picture, _boxes(centres, directions), length_px, width_px, search)


def edges_in_boxes(
    picture: NDArray[np.generic], boxes: Floats, length_px: float, width_px: float, search: EdgeSearch = ANY_EDGE
) -> StripEdges:
    """Return what `edges_in_strips` does, of strips (n, 4): x, y and the direction, dx and dy of any length."""
    grey = as_grey(picture)
    if not 8.0 <= length_px <= 20_000.0:
        raise UnusableInput(f"a strip of {length_px:g} px along the crossing cannot be used; choose 8 to 20000 px")
    if not 1.0 <= width_px <= 20_000.0:
        raise UnusableInput(f"a strip of {width_px:g} px across cannot be used; choose 1 to 20000 px")
    limit = full_scale([grey]) if search.saturation is None else search.saturation
    asked = (
        float(length_px), float(width_px), POLARITY[search.polarity], OF_SEVERAL[search.of_several], search.robust,
        search.free_tilt and width_px >= 3.0, limit, search.least_contrast,
    )  # fmt: skip
    told = np.empty((len(boxes), report.TOLD_COLUMNS))
    for k in range(0, len(boxes), CHUNK):
        if not measure(grey, boxes[k : k + CHUNK], *asked, told[k : k + CHUNK]):
            _refuse(boxes)
    if search.is_one_shape:
        report.share_noise(told)
    return StripEdges(told)
