"""Patches: connected pixels that are brighter (or darker) than a level, each with the outline that its edge has.

A level finds a patch; its edge is somewhere else. Behind a lens that blurs alike on both sides an edge lies where the
grey is half-way between the patch and its surroundings, so that is where the outline is drawn: at the middle of the two
plateaus that each patch shows of its own, whatever level found it. Where the light falls off both are planes, and the
outline lies half-way between them at each of its places.
"""

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from tiepoint.vision.patches_levels import Plateau, noise_in, plateau_of
from tiepoint.vision.patches_outline import Outline, outline_of

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

FEWEST_PX = 4
"""Fewer pixels are no patch: nothing about their edge could be said."""
NEAR_PX, RING_PX = 3.0, 4.0
"""How far from the edge its plateaus begin, at least, and how wide the ring is that the outer one is taken from."""
BLURS_OFF = 2.5
"""The same in blurs of the edge: 0.6 % of the step are left there."""
MOST_HIDDEN = 0.25
"""Share of saturated pixels from which on a plateau's level, about their median, is not that of its light."""
SWINGS = 3.0
"""In how many standard deviations of a pixel's noise the level is moved to see whether the count holds."""
CLEAR = 3.6
"""From how many blurs on, measured inwards from its edge, a patch shows its plateau: a disc then lacks 0.2 % of it."""
HALF_SEEN = 0.5
"""Less than this share of a rise above the level, and it is not what was found there."""
DOUBT_PX = 1.5
"""How far from the truth a gap between two pieces may be: it is told by whole pixels."""
THIN, UNSEEN = (2.0, 2.25), 2.1
"""Half the thickness that an outline shows, in blurs of the edge that is seen. A bar of no thickness shows 1.74, of two
blurs 1.77, of three 1.88, of four 2.15 (difference of two error functions): towards those its thickness
fades, and below `UNSEEN` it is not told. Noise makes a faint line of nothing seem as thick as 2.0.
"""
UNTOLD = 0.36
"""Standard uncertainty of the level of such a patch, as a share of the step: twice that moves an edge by the 1.8 blurs
that are half of what is seen: 2·0.36·√(2π) = 1.8."""
ALIKE = 0.5
"""How far the slope of a patch may be from that expected of its surroundings, as a share (standard uncertainty)."""
MOST_RATIO = 4.0
"""Light that falls off is not taken to change a patch by more than so many times as much as its surroundings."""
LEAST_STEP = 0.25
"""A step is not taken to be less anywhere than this share of what it is in the middle."""
VAGUE, VAGUEST = 0.1 / math.sqrt(3.0), 0.2 / math.sqrt(3.0)
"""Standard uncertainty of a level, as a share of the step, where a patch is almost large enough to show its plateau;
it grows as the patch shrinks against the blur, to the second."""


@dataclass(frozen=True)
class Field:
    """What patches are found in: `height` (rows, columns) above the level, positive within patches.

    `usable` (rows, columns): what may be looked at; nothing at the border of the array is. `is_whole`: it comes of
    whole numbers. `full` (rows, columns): which pixels are saturated. `x`, `y`: where the array starts in the picture.
    `grey` (rows, columns): what edges are measured in, from black upwards, negative for dark patches; without, that is
    the height. A level of its own at each place would bend the plateaus.
    """

    height: Array
    usable: Bools
    is_whole: bool
    full: Bools
    x: int = 0
    y: int = 0
    grey: Array | None = None


@dataclass(frozen=True)
class Patch:
    """One patch: its outline in px of the picture, what it covers, and how sure the outline is.

    `noise` (standard deviation of a pixel about the edge) with its `dof`; `u_level` of the level that the outline is
    drawn at, in grey levels, and `tilt` (2, 2) the covariance of its slope per px in x and y, about the place `middle`
    (2,) of the picture; `contrast` between the plateaus; `blur_px` of its edge, 0 where that is not known.
    `is_clear`: it shows both plateaus. `is_thin`: it is so thin against its blur that it would look alike if it
    were thinner. `is_cut`: it goes on beyond what may be looked at. `holes` in it.
    `saturated`: share of the pixels about the edge, or on a plateau that is hidden by them.
    """

    outline: Outline
    pixels: int
    noise: float
    dof: float
    u_level: float
    tilt: Array
    middle: Array
    contrast: float
    blur_px: float
    is_clear: bool
    is_thin: bool
    is_cut: bool
    holes: int
    saturated: float


@dataclass(frozen=True)
class Found:
    """What a level finds: `labels` (rows, columns), 0 outside of all; `pixels` (n,) and `boxes` (n, 4) of each label.

    A box is left, top, right, bottom, the last two beyond it. `noise`: standard deviation of a pixel in the field.
    `apart_px`: pieces nearer to one another than this have one label.
    """

    labels: NDArray[np.int32]
    pixels: Ints
    boxes: Ints
    noise: float
    apart_px: float = 0.0


def found_in(field: Field, apart_px: float = 0.0) -> Found:
    """Return what is higher than the level; label k is number k − 1.

    Pixels that touch at a corner are taken together, and so are pieces that are less than `apart_px` apart.
    """
    labels, pixels, boxes = _labelled(field.usable & (field.height > 0.0), apart_px)
    noise, _ = noise_in(field.height, field.usable, field.is_whole)
    return Found(labels, pixels, boxes, math.sqrt(noise), apart_px)


def _labelled(high: Bools, apart_px: float = 0.0) -> tuple[NDArray[np.int32], Ints, Ints]:
    _, labels, stats, _ = cv2.connectedComponentsWithStats(high.astype(np.uint8), connectivity=8, ltype=cv2.CV_32S)
    left, top, wide, tall, pixels = stats[1:].T.astype(np.int64)
    boxes = np.column_stack([left, top, left + wide, top + tall])
    told = np.asarray(labels, np.int32), pixels, boxes
    return joined(*told, apart_px, FEWEST_PX) if apart_px > 0 else told


def joined(
    labels: NDArray[np.int32], pixels: Ints, boxes: Ints, apart_px: float, fewest: int
) -> tuple[NDArray[np.int32], Ints, Ints]:
    """Return labels (rows, columns) where pieces that are less than `apart_px` apart have one, with what goes with it.

    Between two pixels lies one less than their centres are apart; that is told to a pixel. Pieces of fewer pixels
    join nothing: noise makes chains of them.
    """
    large = np.flatnonzero(pixels >= fewest)
    if len(large) < 2:
        return labels, pixels, boxes
    away = cv2.distanceTransform((~np.isin(labels, large + 1)).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    about = (away <= (apart_px + 1.0) / 2.0).astype(np.uint8)
    _, group = cv2.connectedComponents(about, connectivity=8, ltype=cv2.CV_32S)
    # Each piece goes by the least number in its group; those that join nothing by their own.
    of_piece = np.zeros(len(pixels) + 1, np.int64)
    seen = np.isin(labels, large + 1)
    of_piece[labels[seen]] = group[seen]
    first = np.arange(len(pixels))
    members = np.flatnonzero(of_piece[1:])
    _, index, inverse = np.unique(of_piece[members + 1], return_index=True, return_inverse=True)
    first[members] = members[index][inverse]
    kept, number = np.unique(first, return_inverse=True)
    low, high = boxes[kept, :2].copy(), boxes[kept, 2:].copy()
    np.minimum.at(low, number, boxes[:, :2])
    np.maximum.at(high, number, boxes[:, 2:])
    renamed = np.concatenate([[0], number + 1]).astype(np.int32)
    return renamed[labels], np.bincount(number, pixels).astype(np.int64), np.hstack([low, high])


def measure_patch(field: Field, found: Found, number: int, at_level: bool = False) -> Patch:
    """Return the patch of a label; `at_level`: its outline is drawn at the level that found it."""
    reach, patch = 0.0, None
    for _ in range(3):
        depth = max(NEAR_PX, BLURS_OFF * reach)
        patch = _measured(_Cut.of(field, found, number, depth), depth, at_level)
        if BLURS_OFF * patch.blur_px <= depth:
            break
        reach = min(1.2 * patch.blur_px, 10.0)
    assert patch is not None
    return patch


@dataclass(frozen=True)
class _Cut:
    """The surroundings of one patch, cut out of a field: `belongs` and `others` (rows, columns) tell whose pixels.

    `in_pieces`: it may be made of several.
    """

    field: Field
    belongs: Bools
    others: Bools
    in_pieces: bool

    @classmethod
    def of(cls, field: Field, found: Found, number: int, depth: float) -> "_Cut":
        margin = math.ceil(depth + RING_PX) + 1
        left, top, right, bottom = found.boxes[number].tolist()
        rows, cols = field.height.shape
        x0, y0, x1, y1 = (
            max(left - margin, 0),
            max(top - margin, 0),
            min(right + margin, cols),
            min(bottom + margin, rows),
        )
        part = np.s_[y0:y1, x0:x1]
        inner = np.zeros((y1 - y0, x1 - x0), bool)
        inner[1:-1, 1:-1] = True
        own = Field(
            field.height[part],
            field.usable[part] & inner,
            field.is_whole,
            field.full[part],
            field.x + x0,
            field.y + y0,
            None if field.grey is None else field.grey[part],
        )
        labels = found.labels[part]
        belongs = labels == number + 1
        return cls(own, belongs, (labels > 0) & ~belongs, found.apart_px > 0)


def _measured(cut: _Cut, depth: float, at_level: bool) -> Patch:
    field = cut.field
    drawn = (None if at_level else _half_way(cut, depth)) or _Drawn(
        field.height, cut.belongs, 0.0, _Step.of(cut, field.height, depth), at_level
    )
    step, tilt = drawn.step, np.zeros((2, 2))
    line = outline_of(drawn.heights, drawn.belongs, field.usable & ~cut.others, drawn.level, step.about(drawn.level))
    blur = _blur(line)
    is_clear = step.is_one and drawn.is_own and step.deepest >= CLEAR * blur
    noise, dof = step.noise(field)
    u_level, thick = 0.0, math.inf if is_clear else _half_thickness(drawn.belongs, line)
    if not at_level:
        u_level = step.u_level(noise, 0.0 if is_clear else _vague(step.deepest, thick, blur) * step.contrast(field))
        tilt = step.tilt if drawn.is_own else tilt
    return Patch(
        outline=line.shifted(field.x, field.y),
        pixels=int(np.count_nonzero(drawn.belongs)),
        noise=math.sqrt(noise),
        dof=dof,
        u_level=u_level,
        tilt=tilt,
        middle=step.place + np.array([field.x, field.y]),
        contrast=step.contrast(field),
        blur_px=blur,
        is_clear=is_clear,
        is_thin=not at_level and thick < UNSEEN * blur,
        is_cut=bool(line.cut.any()),
        holes=int(line.loop[-1]),
        saturated=_saturated(cut, drawn.belongs, at_level),
    )


@dataclass(frozen=True)
class _Drawn:
    """What an outline is drawn in: `heights` (rows, columns), which pixels `belongs`, at which `level`; by which step.

    `is_own`: whether the level is that of the patch.
    """

    heights: Array
    belongs: Bools
    level: float
    step: "_Step"
    is_own: bool


def _half_way(cut: _Cut, depth: float) -> _Drawn | None:
    """Return the outline's place half-way between two plateaus; None where there are none, or none of the patch's own.

    The picture is evened first, so that both are level.
    """
    field = cut.field
    grey = field.height if field.grey is None else field.grey
    step = _Step.of(cut, grey, depth, True, field.grey is not None)
    if not step.is_one:
        return None
    even = step.evened(grey)
    belongs, is_own = _about(cut, even, step.middle)
    return _Drawn(even, belongs, step.middle, step, True) if is_own else None


@dataclass(frozen=True)
class _Step:
    """The plateaus inside and outside of a patch, away from its edge; `deepest`: how far it reaches inwards, px.

    `place` (2,): where their levels are stated. `slopes` (2, 2) of the inner and the outer one, with `tilt` (2, 2), the
    covariance of their mean.
    """

    inner: Plateau | None
    outer: Plateau | None
    deepest: float
    place: Array
    slopes: Array
    tilt: Array

    @classmethod
    def of(cls, cut: _Cut, grey: Array, depth: float, is_tilted: bool = False, is_light: bool = False) -> "_Step":
        """Return the step of a patch in `grey` (rows, columns); planes where it `is_tilted`.

        `is_light`: greys are from black upwards, so light that falls off changes both in proportion.
        """
        field = cut.field
        inwards = _distance(cut.belongs)
        deepest = float(inwards.max())
        place = np.argwhere(cut.belongs)[:, ::-1].mean(axis=0)
        at = place if is_tilted else None
        inner = plateau_of(grey, inwards >= min(depth, max(0.8 * deepest, 1.0)), field.is_whole, at)
        outwards = _distance(~(cut.belongs | cut.others))
        ring = field.usable & (outwards >= depth) & (outwards <= depth + RING_PX)
        step = cls(
            inner, plateau_of(grey, ring, field.is_whole, at), deepest, place, np.zeros((2, 2)), np.zeros((2, 2))
        )
        if not (is_tilted and step.is_one):
            return step
        noise, _ = step.noise(field)
        # What begins nearer to the edge than is asked is bent by its blur.
        within, around = step.sides
        slopes, tilt = _slopes(within, around, noise, 0.8 * deepest >= depth, is_light)
        return replace(step, slopes=slopes, tilt=tilt)

    def evened(self, grey: Array) -> Array:
        """Return grey levels (rows, columns) with both plateaus made level, as they are at `place`."""
        inner, outer = (side.level for side in self.sides)
        y, x = np.mgrid[: grey.shape[0], : grey.shape[1]]
        along = [slope[0] * (x - self.place[0]) + slope[1] * (y - self.place[1]) for slope in self.slopes]
        height = inner - outer
        steps = np.maximum(height + along[0] - along[1], LEAST_STEP * height)
        return np.asarray(outer + (grey - outer - along[1]) * height / steps)

    @property
    def sides(self) -> list[Plateau]:
        """Those plateaus that there are."""
        return [side for side in (self.inner, self.outer) if side is not None]

    @property
    def is_one(self) -> bool:
        """Whether both are there, and the inner one is the higher."""
        return len(self.sides) == 2 and self.sides[0].level > self.sides[1].level

    @property
    def middle(self) -> float:
        """The level half-way between both."""
        return sum(side.level for side in self.sides) / 2.0

    def about(self, level: float) -> tuple[float, float] | None:
        """Return the levels of both (inside, outside) where another lies between them."""
        if not self.is_one:
            return None
        inner, outer = (side.level for side in self.sides)
        return (inner, outer) if outer < level < inner else None

    def contrast(self, field: Field) -> float:
        """Return how much higher the patch is than its surroundings, or than the level that found it."""
        return self.sides[0].level - self.sides[1].level if self.is_one else float(field.height.max())

    def noise(self, field: Field) -> tuple[float, float]:
        """Return the variance of the noise about the edge, the mean of both sides', with its degrees of freedom."""
        sides = [side for side in self.sides if math.isfinite(side.noise)]
        if not sides:
            variance, count = noise_in(field.height, field.usable, field.is_whole)
            return variance, max(0.5 * count, 1.0)
        return sum(s.noise for s in sides) / len(sides), max(0.5 * sum(s.count for s in sides) - 1.0, 1.0)

    def u_level(self, noise: float, vague: float) -> float:
        """Return the standard uncertainty of the middle: of both plateaus, and `vague` with what they leave open."""
        return math.hypot(math.sqrt(sum(side.variance(noise) for side in self.sides) / 4.0), vague)


def _slopes(inner: Plateau, outer: Plateau, noise: float, shows: bool, is_light: bool) -> tuple[Array, Array]:
    """Return the slopes (2, 2) of both plateaus, inner first, and the covariance (2, 2) of their mean.

    The surroundings are wide and tell theirs. That of a patch is expected to be alike in proportion, within half of
    that, where it is light that falls off; what it `shows` of its own is weighed against that, and as much the more as
    it departs from it by more than noise (the variance between, by moments: DerSimonian & Laird, Controlled Clinical
    Trials 7, 1986).
    """
    try:
        of_outer = np.linalg.inv(outer.precision(noise))
    except np.linalg.LinAlgError:
        return np.zeros((2, 2)), np.zeros((2, 2))
    ratio = 1.0
    if is_light and inner.level * outer.level > 0:
        ratio = min(max(inner.level / outer.level, 1.0 / MOST_RATIO), MOST_RATIO)
    expected = ratio * outer.slope
    between = (ALIKE * math.hypot(*expected)) ** 2
    prior: Array = np.asarray(ratio**2 * of_outer, float)
    weight: Array = np.zeros((2, 2))
    of_inner: Array = np.zeros((2, 2))
    tells = shows and float(np.linalg.eigvalsh(inner.spread)[0]) > 0.5
    if tells:
        of_inner = np.asarray(np.linalg.inv(inner.precision(noise)), float)
        apart = inner.slope - expected
        between += max(float(apart @ apart - np.trace(of_inner + prior)) / 2.0, 0.0)
    prior = np.asarray(prior + between * np.eye(2), float)
    if tells:
        weight = np.asarray(prior @ np.linalg.inv(prior + of_inner), float)
    rest = np.eye(2) - weight
    slope = expected + weight @ (inner.slope - expected)
    both = rest @ of_outer * ratio
    covariance = weight @ of_inner @ weight.T + rest @ prior @ rest.T + of_outer + both + both.T
    return np.array([slope, outer.slope]), covariance / 4.0


def _vague(deepest: float, thick: float, blur: float) -> float:
    """Return how uncertain a level is, as a share of the step, where no plateau is seen.

    `thick`: half of the thickness that the outline shows. It stays at 1.7 blurs, however thin the patch is, and then
    it tells nothing but that.
    """
    if not blur > 0:
        return VAGUEST
    least, most = THIN
    thin = min(max((most - thick / blur) / (most - least), 0.0), 1.0)
    return min(VAGUE * CLEAR * blur / deepest, VAGUEST) + thin * (UNTOLD - VAGUEST)


def _half_thickness(belongs: Bools, line: Outline) -> float:
    """Return half the thickness that an outline shows, px: how deep its deepest pixel lies, or less where it is long.

    A rectangle of its area A and perimeter P has sides that sum to P/2 and whose product is A. Its shorter one is a
    mean along the line, where the deepest pixel is the thickest that noise makes.
    """
    inwards = _distance(belongs)
    inner = np.argwhere(inwards > inwards.max() - 1.0)[:, ::-1]
    deepest = float(scipy.spatial.cKDTree(line.points).query(inner)[0].max())
    _, after = line.neighbours()
    p, q = line.points, line.points[after]
    area = abs(float(np.sum(p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]))) / 2.0
    half = float(np.sum(np.hypot(*(q - p).T))) / 2.0
    apart = half**2 - 4.0 * area
    return min(deepest, (half - math.sqrt(apart)) / 4.0) if apart > 0 else deepest


def _distance(inside: Bools) -> NDArray[np.float32]:
    return np.asarray(cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE), np.float32)


def _about(cut: _Cut, heights: Array, level: float) -> tuple[Bools, bool]:
    """Return the pixels whose height (rows, columns) is above another level that belong to the patch, and whether
    those are a patch of its own.
    """
    high = cut.field.usable & ~cut.others & (heights > level)
    labels, _, boxes = _labelled(high)
    common = np.bincount(labels[cut.belongs], minlength=len(boxes) + 1)[1:]
    if not common.size or not common.any():
        return cut.belongs, False
    own = np.flatnonzero(common) if cut.in_pieces else np.array([int(np.argmax(common))])
    (left, top), (right, bottom) = boxes[own, :2].min(axis=0).tolist(), boxes[own, 2:].max(axis=0).tolist()
    rows, cols = high.shape
    # It must end within what was cut out, or what there is must end there too.
    stays = left > 1 and top > 1 and right < cols - 1 and bottom < rows - 1
    grown = np.isin(labels, own + 1)
    stays = stays or not bool((grown & ~cut.belongs)[[1, -2]].any() or (grown & ~cut.belongs)[:, [1, -2]].any())
    return (grown, True) if stays else (cut.belongs, False)


def _blur(line: Outline) -> float:
    """Return the blur of an outline's edge: what it is along each step, times the cosine of step and normal."""
    known = np.isfinite(line.blur_px)
    if not known.any():
        return 0.0
    before, after = line.neighbours()
    along = line.points[after] - line.points[before]
    size = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)
    cosine = np.abs(along[:, 0] * line.step[:, 1] - along[:, 1] * line.step[:, 0]) / size
    return float(np.median((line.blur_px * cosine)[known]))


def _saturated(cut: _Cut, belongs: Bools, at_level: bool) -> float:
    """Return the share of saturated pixels among those within three of the edge, or of a plateau that they hide.

    The edge lies half-way between the plateaus: where many of the pixels of one are cut off, nobody knows its level.
    """
    field = cut.field
    if not field.full.any():
        return 0.0
    near = (_distance(belongs) <= NEAR_PX) & (_distance(~belongs) <= NEAR_PX)
    sides = () if at_level else (belongs & ~near, ~belongs & ~near & ~cut.others)
    at_edge, *hidden = [_share(field.full, field.usable & part) for part in (near, *sides)]
    return max([at_edge, *(share for share in hidden if share > MOST_HIDDEN)])


def _share(full: Bools, part: Bools) -> float:
    return float(np.mean(full[part])) if part.any() else 0.0


def count_holds(field: Field, found: Found, counted: Ints, least_px: float) -> bool:
    """Whether the patches that are counted, by number, are the same with the level somewhat lower and higher.

    Doubtful is one that vanishes or splits with a higher level, two that merge with a lower one, and what hardly any
    but a lower one finds; and pieces whose gap is about what makes them one. `least_px`: how many pixels a patch
    must have to count.
    """
    swing, least = SWINGS * found.noise, max(least_px, FEWEST_PX)
    apart = found.apart_px
    if apart > 0 and not _joins_alike(field, found, least):
        return False
    higher, pixels, _ = _labelled(field.usable & (field.height > swing), apart)
    big = np.flatnonzero(pixels >= least) + 1
    inside = np.isin(higher, big)
    pairs = np.unique(np.column_stack([found.labels[inside], higher[inside]]), axis=0)
    among = np.bincount(pairs[:, 0], minlength=len(found.pixels) + 1)[1:]
    if np.any(among[counted] != 1):
        return False
    lower, pixels, _ = _labelled(field.usable & (field.height > -swing), apart)
    is_counted = np.zeros(len(found.pixels) + 1, bool)
    is_counted[counted + 1] = True
    here = is_counted[found.labels]
    pairs = np.unique(np.column_stack([lower[here], found.labels[here]]), axis=0)
    together = np.bincount(pairs[:, 0], minlength=len(pixels) + 1)[1:]
    # What was found and not counted was too small or too large, and is judged by its own ±; but specks on a broad rise
    # that is close to the level are a patch that is about to show.
    under = np.bincount(lower[found.labels > 0], minlength=len(pixels) + 1)[1:]
    fresh = (pixels >= least) & (together[: len(pixels)] == 0) & (under < HALF_SEEN * pixels)
    return bool(np.all(together <= 1)) and not fresh.any()


def _joins_alike(field: Field, found: Found, least: float) -> bool:
    """Whether as many patches are large enough where pieces are one by somewhat less, or more, of a gap."""
    count = np.count_nonzero(found.pixels >= least)
    high = field.usable & (field.height > 0.0)
    others = (_labelled(high, max(found.apart_px + by, 0.0))[1] for by in (-DOUBT_PX, DOUBT_PX))
    return all(np.count_nonzero(pixels >= least) == count for pixels in others)
