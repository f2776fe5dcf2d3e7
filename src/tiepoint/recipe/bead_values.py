"""What a bead measures on the ground, and how that depends on noise, level, tie and edge definition."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.sources import Source, Value, constant, half_width
from tiepoint.recipe.bead_path import Stations
from tiepoint.recipe.context import Context
from tiepoint.recipe.judge import seed_of
from tiepoint.vision.bead import Bead, End, Missing, runs

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

CROSSING = half_width("model:bead-edge", "Crossing of the level between samples", 1.0, "instrument")
CROSSING_PX = 0.04
"""Half-width of how far the ends of a length may be off together, by samples that lie between pixels."""
ROUND_END = half_width("model:bead-end", "Form and blur of an end", 0.6, "instrument")
"""Of the correction for a round end, which is taken as half a circle: it may be blunter, or pointed."""
PER_BAND = 8
"""Strips across the path are this part of the band's width long."""
DRAWS, CALMING = 48, 4
NO_RIVAL = 8.0
"""What is so many deviations of noise below the greatest never exceeds it."""
MOST_MAPPED = 32
"""So many strips tell how the mean width follows the tie."""


@dataclass(frozen=True)
class Strips:
    """k strips of a bead: the `station` of their middle, their `edges` (k, 2) in samples, their `length` in stations.

    `width` and `offset` to the left of the path (k,), on the ground; `u` of a width from noise.
    """

    station: Array
    edges: Array
    length: int
    width: Array
    offset: Array
    u: float


@dataclass(frozen=True)
class Gap:
    """A stretch without a bead on the ground: from `start`, `length` long, both as values along the path."""

    start: Value
    length: Value


@dataclass(frozen=True)
class Measure:
    """What all values of a bead rest on. `lit`: +1 where the bead is the brighter side of its edges, −1 the darker, 0
    where it is neither. `share`: of its height at which its edges are."""

    context: Context
    stations: Stations
    bead: Bead
    lit: float
    share: float

    def noise(self, name: str, u: float) -> dict[Source, float]:
        """Return the source of edge noise of a reading."""
        label = f'Edge noise of "{self.context.table.name}"'
        return {Source(f"edges:{self.context.prefix}/{name}", label, "A", u, "pixel"): 1.0}

    def level(self, name: str, per_grey: float, count: float = 1.0) -> dict[Source, float]:
        """Return the source of the level: the height of the bead varies by its spread, `count` times independently."""
        label = f'Height of the bead of "{self.context.table.name}"'
        u = self.share * self.bead.spread / math.sqrt(count)
        return {Source(f"level:{self.context.prefix}/{name}", label, "A", u, "part"): per_grey}

    def narrow(self) -> dict[Source, float]:
        """Return the source of the correction of a width whose bead never shows its full height."""
        label, u = (
            f'Full height of "{self.context.table.name}", behind its blur',
            self.bead.narrow * self.stations.sample,
        )
        return {Source(f"narrow:{self.context.prefix}", label, "B", u, "shot"): 1.0}

    def shifted(self, value: float, terms: dict[Source, float], by_light: float) -> Value:
        """Return a value with the edge definition: it grows by `by_light` with a shift of edges towards the bead."""
        shift, c = self.context.shift, by_light * self.lit
        if shift.source is not None:
            terms[shift.source] = terms.get(shift.source, 0.0) + c
        return Value(value - shift.bias * c, {s: k for s, k in terms.items() if k and s.u > 0})


# --- gaps ------------------------------------------------------------------------------------------------------------


def gap_of(measure: Measure, missing: Missing, number: int) -> Gap:
    """Return a stretch without a bead on the ground."""
    stations = measure.stations
    last = len(stations.xy) - 1
    begin = _place(missing.start, 1.0, 0.0 if missing.first == 0 else missing.first - 0.5)
    stop = _place(missing.stop, -1.0, float(last) if missing.last == last else missing.last + 0.5)
    ends = (missing.start, missing.stop)
    length = _along(measure, f"gap {number}", (begin, stop), ends)
    return Gap(_along(measure, f"gap {number}/start", (0.0, begin), (None, missing.start)), length)


def _place(end: End | None, way: float, otherwise: float) -> float:
    return otherwise if end is None else end.at + way * end.curve


def _along(measure: Measure, name: str, between: tuple[float, float], ends: tuple[End | None, End | None]) -> Value:
    """Return the length along the path between two stations, of which some are ends of the bead that were seen."""
    stations, spacing = measure.stations, measure.stations.spacing
    seen = [(k, sign) for k, sign in ((0, -1.0), (1, 1.0)) if ends[k] is not None]
    known = [end for end in ends if end is not None]
    noise = math.sqrt(sum(end.u**2 for end in known)) * spacing
    terms = measure.noise(name, noise)
    terms |= measure.level(name, spacing * sum(1.0 / end.slope for end in known))
    terms[CROSSING] = math.sqrt(len(known)) * CROSSING_PX * spacing
    terms[ROUND_END] = spacing * sum(end.curve for end in known)
    place = np.array([between[k] for k, _ in seen])
    if len(place):
        middle = np.full(len(place), (stations.samples - 1) / 2.0)
        mapped = measure.context.ground.way.map(stations.at(place, middle))
        along = stations.along[np.clip(np.rint(place).astype(int), 0, len(stations.along) - 1)]
        signs = np.array([sign for _, sign in seen])
        moves = np.einsum("k,ki,kim->m", signs, along, mapped.d_sources)
        terms.update(zip(mapped.sources, moves.tolist(), strict=True))
    # Light draws the bead's edges into it, so that what is missing seems longer by one shift an end.
    ends_of_gap = float(len(known)) if len(known) == 2 or ends[1] is None else -1.0
    return measure.shifted(spacing * (between[1] - between[0]), terms, ends_of_gap)


def total_of(lengths: Sequence[Value]) -> Value:
    """Return the sum of lengths."""
    total = constant(0.0)
    for length in lengths:
        total = total.plus(length)
    return total


# --- widths ----------------------------------------------------------------------------------------------------------


def strips_of(measure: Measure) -> Strips | None:
    """Return the strips of a bead, away from its ends by half its width; None where there are none."""
    stations, bead = measure.stations, measure.bead
    edges = bead.edges
    width = edges[:, 1] - edges[:, 0]
    known = bead.there & ~bead.unsure & np.isfinite(width)
    if not known.any():
        return None
    size = max(round(stations.samples / PER_BAND), 3)
    away = math.ceil(float(np.median(width[known])) / 2.0) + 2
    near = np.zeros(len(known), bool)
    for missing in bead.missing:
        near[max(missing.first - away, 0) : missing.last + away + 1] = True
    blocks = [np.arange(k, k + size) for a, b in runs(known & ~near) for k in range(a, b - size + 2, size)]
    if not blocks:
        return None
    index = np.array(blocks)
    at, mean = index.mean(axis=1), edges[index].mean(axis=1)
    low, high = (measure.context.ground.way.map(stations.at(at, mean[:, k]), with_sources=False).xy_mm for k in (0, 1))
    across = stations.across[index[:, size // 2]]
    off = (low + high) / 2.0 - stations.xy[index[:, size // 2]]
    return Strips(
        at,
        mean,
        size,
        np.einsum("ki,ki->k", high - low, across),
        np.einsum("ki,ki->k", off, across),
        # Stations share samples with two others.
        bead.ripple * math.sqrt(min(3.0 / size, 1.0)) * stations.sample,
    )


def mean_width(measure: Measure, strips: Strips) -> Value:
    """Return the mean width of all strips."""
    count = len(strips.width)
    chosen = np.unique(np.linspace(0, count - 1, min(count, MOST_MAPPED)).astype(int))
    terms = measure.noise("mean width", strips.u / math.sqrt(count))
    return _width(measure, strips, "mean width", chosen, float(np.mean(strips.width)), terms, float(count))


def extreme_width(measure: Measure, strips: Strips, name: str, is_least: bool) -> Value:
    """Return the least or the greatest width of a strip, without what noise adds to an extreme on average."""
    sign = -1.0 if is_least else 1.0
    pull, u = _pull(measure, name, sign * strips.width, strips.u)
    k = int(np.argmax(sign * strips.width))
    terms = measure.noise(name, u) | _pull_source(measure, name, sign * pull)
    return _width(measure, strips, name, np.array([k]), float(strips.width[k]) - sign * pull, terms, 1.0)


def _width(
    measure: Measure, strips: Strips, name: str, chosen: NDArray[np.int64], value: float, terms: dict[Source, float],
    count: float,
) -> Value:  # fmt: skip
    stations, way = measure.stations, measure.context.ground.way
    slope = float(np.nanmedian(measure.bead.slope[measure.bead.there]))
    terms |= measure.level(name, -2.0 * stations.sample / slope, count)
    terms |= measure.narrow()
    terms[CROSSING] = math.sqrt(2.0) * CROSSING_PX * stations.sample
    low, high = (way.map(stations.at(strips.station[chosen], strips.edges[chosen, k])) for k in (0, 1))
    across = stations.across[np.rint(strips.station[chosen]).astype(int)]
    moves = np.einsum("ki,kim->m", across, high.d_sources - low.d_sources) / len(chosen)
    terms.update(zip(low.sources, moves.tolist(), strict=True))
    return measure.shifted(value, terms, -2.0)


def greatest_offset(measure: Measure, strips: Strips) -> tuple[Value, int]:
    """Return how far the middle of the bead leaves the path at most, to either side, and in which strip."""
    stations = measure.stations
    away = np.abs(strips.offset)
    pull, u = _pull(measure, "offset", away, strips.u / 2.0)
    k = int(np.argmax(away))
    terms = measure.noise("offset", u) | _pull_source(measure, "offset", pull)
    terms[CROSSING] = CROSSING_PX / math.sqrt(2.0) * stations.sample
    middle = stations.at(strips.station[[k]], strips.edges[[k]].mean(axis=1))
    mapped = measure.context.ground.way.map(middle)
    across = stations.across[round(float(strips.station[k]))] * math.copysign(1.0, float(strips.offset[k]))
    terms.update(zip(mapped.sources, (across @ mapped.d_sources[0]).tolist(), strict=True))
    return measure.shifted(float(away[k]) - pull, terms, 0.0), k


def _pull(measure: Measure, name: str, sizes: Array, u: float) -> tuple[float, float]:
    """Return by how much noise raises the greatest of sizes (k,) on average, and how that scatters.

    Simulated on the sizes themselves, averaged with their neighbours: those that were seen have the noise already.
    """
    calm = sizes
    for _ in range(CALMING):
        padded = np.pad(calm, 1, mode="edge")
        calm = 0.25 * padded[:-2] + 0.5 * calm + 0.25 * padded[2:]
    rng = np.random.default_rng(seed_of(f"{measure.context.prefix}/{name}"))
    calm = calm[calm >= calm.max() - NO_RIVAL * u]
    greatest = (calm + u * rng.standard_normal((DRAWS, len(calm)))).max(axis=1)
    return float(greatest.mean() - calm.max()), float(greatest.std(ddof=1))


def _pull_source(measure: Measure, name: str, pull: float) -> dict[Source, float]:
    said = f"Correction of {-pull:+.2g} for the pull of noise on an extreme"
    u = abs(pull) / math.sqrt(3.0)
    return {Source(f"edges:{measure.context.prefix}/{name}-pull", said, "B", u, "pixel"): 1.0}


def blobs_of(strips: Strips, beyond: float) -> int:
    """Return how often the bead swells beyond a width: runs of neighbouring strips."""
    wide = strips.width > beyond
    apart = [b - a > 1.5 * strips.length for a, b in pairwise(strips.station.tolist())]
    starts = wide & ~np.concatenate([[False], wide[:-1] & ~np.array(apart, bool)])
    return int(np.count_nonzero(starts))
