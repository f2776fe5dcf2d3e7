"""Lamps that are dim, dead or exchanged: against the accepted flat reference, or from a shot as far as slopes permit.

On a flat plate every lamp is compared with its own picture of before, so each can be named. On a part only what no
surface could show tells (c·v ≠ 0). Where the part is flat, all lamps change that alike but for the sign: which it was
cannot be told; where slopes vary, each lamp leaves a trace of its own.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.vision.relief_noise import no_surface

Array = NDArray[np.float64]

BLOCKS = 24
DIFFERS = 0.007
"""A lamp is named from this share of its light on: of 1 % nothing is missed, and warming up alone does less."""
SIGMAS = 4.0
DARK = 0.05
EXCHANGED_TIMES = 3.0
"""So many times better must the lamps' unevenness fit in another order before they are called exchanged."""
UNEVEN = 0.005
CLEARER = 9.0
CLEARER_SHARE = 0.02
"""By how much more χ² must fall with one lamp to blame than with any other, to name it: three deviations, and a share.

The share is for the noise that what is explained has in common with what explains it."""


@dataclass(frozen=True, slots=True)
class LampFinding:
    """What is wrong with the lamps `ids`: `dim`, `bright`, `dark` or `exchanged`; `change` is the share of light.

    Several ids of a dim or a bright one: it is one of these.
    """

    ids: tuple[str, ...]
    kind: str
    change: float | None = None
    u: float | None = None

    @property
    def sentence(self) -> str:
        """What a person reads."""
        names = " or ".join(self.ids)
        if self.kind == "exchanged":
            return f"The lamps {' and '.join(self.ids)} are exchanged."
        if self.kind == "dark":
            return f"The lamp {names} gives no light."
        assert self.change is not None
        word = "less" if self.change < 0 else "more"
        start = f"The lamp {names}" if len(self.ids) == 1 else f"One of the lamps {', '.join(self.ids)}"
        if len(self.ids) > 1:
            return f"{start} shines otherwise than it should, by about {100 * abs(self.change):.2g} %."
        return f"{start} gives {100 * abs(self.change):.2g} % {word} light than it should."


def against_flat(
    shot: Sequence[NDArray[Any]], flat: Sequence[NDArray[Any]], ids: Sequence[str], black_level: float = 0.0
) -> tuple[LampFinding, ...]:
    """Return what differs between a shot of the flat plate and its reference, a picture (rows, cols) a lamp each.

    What all lamps share (exposure, another plate) is taken out by the middle one of them, so that one that differs does
    not shift the others. Lamps that are uneven over the field are first tried in another order.
    """
    now, then = (np.stack([_blocks(p) - black_level for p in pictures]) for pictures in (shot, flat))
    dark = [k for k in range(len(ids)) if np.median(now[k]) < DARK * np.median(then[k]) * _shared(now, then)]
    found = [LampFinding((ids[k],), "dark") for k in dark]
    rest = [k for k in range(len(ids)) if k not in dark]
    if len(rest) < 2:
        return tuple(found)
    logs = np.log(np.maximum(now[rest], 1e-3)), np.log(np.maximum(then[rest], 1e-3))
    pair = _exchanged(*logs)
    if pair is not None:
        return (*found, LampFinding(tuple(ids[rest[k]] for k in pair), "exchanged"))
    off = logs[0] - logs[1]
    off = off - np.median(off, axis=0)
    for k, row in zip(rest, off, strict=True):
        change = math.expm1(float(np.median(row)))
        u = 1.2533 * 1.4826 * float(np.median(np.abs(row - np.median(row)))) / math.sqrt(row.size)
        if abs(change) > max(DIFFERS, SIGMAS * u):
            found.append(LampFinding((ids[k],), "dim" if change < 0 else "bright", change, u))
    return tuple(found)


def _blocks(picture: NDArray[Any]) -> Array:
    """Return mean grey levels of blocks, flattened."""
    rows, cols = picture.shape
    high, wide = max(rows // BLOCKS, 1), max(cols // BLOCKS, 1)
    kept = picture[: rows // high * high, : cols // wide * wide].astype(np.float32)
    means = kept.reshape(rows // high, high, cols // wide, wide).mean(axis=(1, 3))
    return np.asarray(means.ravel(), np.float64)


def _shared(now: Array, then: Array) -> float:
    """Return by how much more light the brighter half of the lamps give than before."""
    return float(np.max(np.median(now, axis=1) / np.maximum(np.median(then, axis=1), 1e-9)))


def _exchanged(now: Array, then: Array) -> tuple[int, int] | None:
    """Return the two lamps that, exchanged, explain far better how light lies over the field; None where none do."""

    def uneven(logs: Array) -> Array:
        own = logs - logs.mean(axis=0)
        return np.asarray(own - own.mean(axis=1, keepdims=True))

    def misfit(order: list[int]) -> float:
        return float(np.sqrt(np.mean((uneven(now) - uneven(then)[order]) ** 2)))

    count = len(now)
    straight = list(range(count))
    as_said = misfit(straight)
    if as_said < UNEVEN:
        return None
    tries = []
    for i, j in itertools.combinations(range(count), 2):
        order = straight.copy()
        order[i], order[j] = j, i
        tries.append((misfit(order), (i, j)))
    best = min(tries)
    return best[1] if best[0] * EXCHANGED_TIMES < as_said else None


def from_shot(
    planes: Sequence[NDArray[Any]], pulls: Array, ids: Sequence[str], noise: float, black_level: float = 0.0
) -> LampFinding | None:
    """Return the lamp, or lamps one of which, shines otherwise than stated, by a matte part's shot; or None.

    `pulls` (n, 3) as `relief_of` took them, n ≥ 4; `noise` the grey values' sd. With one lamp to blame, c·v is
    ε/(1 + ε)·c_k·v_k: each is tried, and named if no other fits nearly as well.
    """
    basis = no_surface(pulls)
    if basis.shape[1] == 0:
        return None
    step = max(1, math.isqrt(planes[0].size // 40_000))
    v = np.stack([p[::step, ::step].ravel().astype(float) - black_level for p in planes])
    rest = basis.T @ v
    sd = np.maximum(1.4826 * np.median(np.abs(rest - np.median(rest, axis=1, keepdims=True)), axis=1), noise)[:, None]
    far = (rest / (6 * sd)) ** 2
    weight = 1 / (1 + far) / sd**2
    # What noise of 1 moves the weighted rest by, on average over normal noise (Stein 1981).
    shared = (1 - far) / (1 + far) ** 2 / sd**2
    told = []
    for k in range(len(planes)):
        trace = basis[k][:, None] * v[k]
        information = float((weight * trace * trace).sum())
        # v_k shares its own noise with the rest: of that alone a dimmer lamp would seem the better explanation.
        pull = float((weight * trace * rest).sum() - (shared * (basis[k][:, None] * noise) ** 2).sum())
        told.append((pull**2 / information, pull / information, 1 / math.sqrt(information)))
    gains = [t[0] for t in told]
    best = int(np.argmax(gains))
    # v_k is what the lamp gives, and its change is told as a share of what it should give.
    change, u = told[best][1] / (1 - told[best][1]), told[best][2]
    if abs(change) < max(DIFFERS, SIGMAS * u):
        return None
    least = gains[best] * (1 - CLEARER_SHARE) - CLEARER
    near = [k for k in range(len(planes)) if gains[k] > least]
    kind = "dim" if change < 0 else "bright"
    return LampFinding(tuple(ids[k] for k in near), kind, change, u)
