"""What a patch measures on the ground, and how that depends on noise, level, tie and edge definition.

All points of the outlines share the tie, the edge definition and what the model of an edge leaves open. Noise belongs
to each pixel of the picture, of which a point's crossing follows two, and the level to each patch.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source, Value, Values, ensemble, half_width, listed, together
from tiepoint.recipe.context import Context
from tiepoint.recipe.judge import seed_of
from tiepoint.ties.way import Mapped
from tiepoint.vision.patches import Patch
from tiepoint.vision.patches_box import Pull, Side, Turns, least_turns, pulls_on, shaken, sides_of
from tiepoint.vision.patches_outline import drawn_in_by_curvature
from tiepoint.vision.patches_shape import ANGLE, AREA, ELONGATION, Region, region_of

Array = NDArray[np.float64]

CORNERS = half_width("model:outline-curvature", "Outline around curves and corners", 0.4, "instrument")
"""Of the correction for curvature: exact for smooth outlines, short by a seventh at square corners, by 0.3 at 60°."""
CROSSING_PX, CROSSING_LINEAR_PX = 0.003, 0.04
"""Half-width of how far a whole outline may be off without noise, with known plateaus and with linear crossings."""
PULLED = 16.0
"""An elongation whose distance from 1, squared, is so many variances of its noise is hardly held to be at its bound."""
DRAWS = 48
TOUCHES, TOUCHES_PX = 3.0, 0.1
"""A side of a box may touch what lies within so many deviations of a point's noise, and px, of its farthest point."""
FLAT, FLATTER = 3.0, 0.5
"""A side that touches over so many blurs may be a flat one, as corners and tips do not; and it is one where it touches
over an arc of less than this share of the curvature that is seen at its points."""
CURVED_TURNS = 8
"""Over so many directions of a box its curvature is averaged: those that weigh most."""


@dataclass(frozen=True)
class SizedPatch:
    """A patch on the ground: `region` with its five numbers, and the same as `values`; `xy` (n, 2) of its outline.

    `directions` (n, 2): how its points move per px along their steps. `curved` (n, 2): what was added to them for
    curvature. `is_bright`: whether its inside is the brighter side.
    """

    patch: Patch
    region: Region
    values: Values
    mapped: Mapped
    directions: Array
    curved: Array
    is_bright: bool

    @property
    def area(self) -> Value:
        """Its area, in ground units squared."""
        return self.values[AREA]

    @property
    def xy(self) -> Array:
        """Its outline on the ground (n, 2)."""
        return self.mapped.xy_mm

    def loops(self) -> list[Array]:
        """Return its outlines, each closed (k, 2)."""
        starts = np.flatnonzero(np.diff(self.patch.outline.loop)) + 1
        return [np.vstack([part, part[:1]]) for part in np.split(self.xy, starts)]


def size_of(context: Context, patch: Patch, number: int, is_bright: bool, at_level: bool) -> SizedPatch | Reason:
    """Return a patch on the ground; a reason where the tie does not know that place."""
    line = patch.outline
    outwards = drawn_in_by_curvature(line, 0.0 if at_level else patch.blur_px)
    mapped = context.ground.way.map(line.points + outwards)
    if not mapped.inside.all():
        return Reason("outside_tie")
    region = region_of(mapped.xy_mm, *line.neighbours())
    if region is None:
        return Reason("not_a_number")
    directions = np.einsum("nij,nj->ni", mapped.d_px, line.step)
    curved = np.einsum("nij,nj->ni", mapped.d_px, outwards)
    values = _values(context, patch, number, region, mapped, directions, is_bright, curved)
    return SizedPatch(patch, region, values, mapped, directions, curved, is_bright)


def _values(
    context: Context, patch: Patch, number: int, region: Region, mapped: Mapped, directions: Array, is_bright: bool,
    curved: Array,
) -> Values:  # fmt: skip
    line, prefix = patch.outline, f"{context.prefix}/{number}"
    by_step = region.by_shift * np.einsum("ni,ni->n", region.outwards, directions)
    noise, spread = _noise(context, patch, prefix, by_step)
    tie = listed(mapped.sources)
    told = region.told.copy()
    told[ELONGATION] = _unpulled(float(told[ELONGATION]), float(np.sum(spread[ELONGATION] ** 2)))
    light, factor = _tilt(context, patch, prefix)
    spread = np.hstack([spread, by_step @ _by_tilt(patch) @ factor])
    values = Values(told, np.hstack([spread, region.moves(mapped.d_sources)]), together(noise, light, tie))
    per_length = region.by_shift @ np.hypot(*region.outwards.T)
    if patch.u_level > 0:
        level = Source(f"level:{prefix}", f'Level of the outline of "{context.table.name}"', "A", patch.u_level, "part")
        values = values.with_source(level, by_step @ line.by_level)
    scale = _scale(mapped)
    linear = patch.blur_px == 0.0
    crossing = half_width("model:level-crossing", "Crossing of the level between pixels", 1.0, "instrument")
    values = values.with_source(crossing, per_length * (CROSSING_LINEAR_PX if linear else CROSSING_PX) * scale)
    values = values.with_source(CORNERS, region.moves(curved[:, :, None])[:, 0])
    shift = -per_length if is_bright else per_length
    values = Values(values.value - context.shift.bias * shift, values.c, values.sources)
    return values if context.shift.source is None else values.with_source(context.shift.source, shift)


def _noise(context: Context, patch: Patch, prefix: str, by_step: Array) -> tuple[tuple[Source, ...], Array]:
    """Return the sources of the pixels' noise, and how the five numbers follow them."""
    line = patch.outline
    pixels, at = np.unique(line.pixels, return_inverse=True)
    follows = (by_step[:, :, None] * line.by_pixels).reshape(len(by_step), -1)
    by_pixel = np.array([np.bincount(at.ravel(), row, len(pixels)) for row in follows])
    label = f'Edge noise of "{context.table.name}"'
    return ensemble(f"edges:{prefix}", label, patch.noise**2 * by_pixel @ by_pixel.T, "pixel", patch.dof)


def _tilt(context: Context, patch: Patch, prefix: str) -> tuple[tuple[Source, ...], Array]:
    """Return the sources of how the light falls off over a patch, and how its slope per px (2,) follows them."""
    if not patch.tilt.any():
        return (), np.zeros((2, 0))
    label = f'Light over the outline of "{context.table.name}"'
    return ensemble(f"tilt:{prefix}", label, patch.tilt, "part", math.inf)


def _by_tilt(patch: Patch) -> Array:
    """Return how far crossings (n, 2) move along their steps with a slope of the level by one per px in x and in y."""
    return np.asarray(patch.outline.by_level[:, None] * (patch.outline.points - patch.middle))


def _unpulled(elongation: float, noise: float) -> float:
    """Return an elongation less what noise adds on average; `noise`: its variance.

    What it exceeds 1 by is the length of a vector in two dimensions (half the difference of the second moments, and the
    mixed one), whose square has the noise of both added (Rice, Bell Syst. Tech. J. 24, 1945). Far from 1 only the noise
    across matters, which leaves half of that.
    """
    over = elongation - 1.0
    if not noise > 0:
        return elongation
    taken = noise * (1.0 + math.exp(-(over**2) / (PULLED * noise)))
    return 1.0 + math.sqrt(max(over**2 - taken, 0.0))


def _scale(mapped: Mapped) -> float:
    """Return ground units in a pixel, over the outline."""
    d = mapped.d_px
    return float(np.sqrt(np.mean(np.abs(d[:, 0, 0] * d[:, 1, 1] - d[:, 0, 1] * d[:, 1, 0]))))


def box_of_patch(context: Context, sized: SizedPatch, number: int, is_least: bool) -> tuple[Value, Value]:
    """Return length and width of the box about a patch; `is_least`: that of least area; else along the main axis.

    It touches the points as they were seen. What noise adds on average is simulated on the outline's own form and taken
    off, known within itself. What curvature takes is added, of the places that a side may touch.
    """
    line, xy = sized.patch.outline, sized.xy - sized.curved
    rng = np.random.default_rng(seed_of(f"{context.prefix}/{number}/box"))
    pixels, at = np.unique(line.pixels, return_inverse=True)
    grey = sized.patch.noise * rng.standard_normal((DRAWS, len(pixels)))[:, at.reshape(line.pixels.shape)]
    moves = np.einsum("knp,np->kn", grey, line.by_pixels)[:, :, None] * sized.directions
    drawn = shaken(xy, line.neighbours(), moves)
    turns = least_turns(drawn) if is_least else Turns.one(float(sized.region.told[ANGLE]))
    # The median: beside a pixel that has reached its plateau a crossing is hardly known.
    noise = math.sqrt(float(np.median(np.mean(moves**2, axis=(0, 2)))))
    reach = TOUCHES * noise + TOUCHES_PX * _scale(sized.mapped)
    sides = sides_of(xy, turns)
    pulls = pulls_on(drawn, sides)
    length, width = (
        _extent(context, sized, f"{number}/{name}", side, pull, _curved_at(sized, side, reach))
        for name, side, pull in zip(("length", "width"), sides, pulls, strict=True)
    )
    return length, width


def _curved_at(sized: SizedPatch, side: Side, reach: float) -> float:
    """Return by how much curvature shortens a side of a box."""
    heaviest = np.argsort(-side.turns.weights, kind="stable")[:CURVED_TURNS]
    weights = side.turns.weights[heaviest] / side.turns.weights[heaviest].sum()
    ways = side.turns.ways()[heaviest]
    return sum(
        float(w) * (_curved_towards(sized, way, reach) + _curved_towards(sized, -way, reach))
        for w, way in zip(weights, ways, strict=True)
    )


def _curved_towards(sized: SizedPatch, way: Array, reach: float) -> float:
    """Return by how much curvature draws in an outline where it is farthest along a way (2,).

    It is the mean over the points that a side may touch: at the tip of a curve. Along a side that is flatter than that,
    those near its ends would tell of their corners: there the arc counts that the touching points make.
    """
    at = (sized.xy - sized.curved) @ way
    touching = at > at.max() - reach
    told = float(np.mean(sized.curved[touching] @ way))
    blur = sized.patch.blur_px * _scale(sized.mapped)
    span = float(np.hypot(*sized.region.outwards[touching].T).sum())
    # An arc of curvature κ lies within `reach` of its tangent over a length of √(8·reach/κ).
    arc = 8.0 * reach / max(span, 1e-300) ** 2 * blur**2 / 2.0
    return arc if span > FLAT * blur and arc < FLATTER * told else told


def _extent(context: Context, sized: SizedPatch, name: str, side: Side, pull: Pull, curvature: float) -> Value:
    patch, mapped, prefix = sized.patch, sized.mapped, f"edges:{context.prefix}/{name}"
    pulls = f"Correction of {-pull.bias:+.2g} for the pull of noise on the box"
    terms = {
        Source(prefix, f'Edge noise of "{context.table.name}"', "A", pull.u, "pixel"): 1.0,
        Source(f"{prefix}-bias", pulls, "B", abs(pull.bias) / math.sqrt(3.0), "pixel"): 1.0,
        CORNERS: curvature,
    }
    moves = np.einsum("ni,nik->k", side.by, mapped.d_sources)
    terms.update(zip(mapped.sources, moves.tolist(), strict=True))
    # With a level more in grey both ends move inwards, and with an edge definition both move in or out.
    by_level = sized.directions * patch.outline.by_level[:, None]
    label = f'Level of the outline of "{context.table.name}"'
    level = Source(f"level:{context.prefix}/{name}", label, "A", patch.u_level, "part")
    terms[level] = float(np.sum(side.by * by_level))
    light, factor = _tilt(context, patch, f"{context.prefix}/{name}")
    by_tilt = np.einsum("ni,ni->n", side.by, sized.directions) @ _by_tilt(patch) @ factor
    terms.update(zip(light, by_tilt.tolist(), strict=True))
    shift = -2.0 if sized.is_bright else 2.0
    source = context.shift.source
    if source is not None:
        terms[source] = terms.get(source, 0.0) + shift
    size = side.size - pull.bias + curvature - shift * context.shift.bias
    return Value(size, {s: c for s, c in terms.items() if c and s.u > 0})
