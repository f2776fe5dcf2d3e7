"""From a scene to what the pixels integrate: optics before pixels, without a fine grid.

A pixel reads the scene through the lens's Gaussian and the pixel's box, K(x, y) = k(x)·k(y) with
k(u) = Φ((u + ½)/w) − Φ((u − ½)/w). With C' = k, Green's theorem turns the integral over a piece into one around
its edge: I(p) = −∮ C(p_x − x)·k(p_y − y) dy. Lens errors, bowed paper and arcs need no approximation by chords,
and the cost goes with the length of the edges, not with the area.

The slow twin (`twin`) paints on a grid m × finer; this equals it in the limit m → ∞.

Each edge is cut into *stretches* short enough that the way from the sheet to the picture is a polynomial of fifth
degree to 1e-6 px; stretches into panels with Gauss-Legendre nodes. A node writes C(p) − C(p − 1), which is zero but
for some ten columns; a running sum along the rows completes it.
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.errors import UnusableInput
from tiepoint.render.camera import Camera, UnrenderableScene, directions, in_camera
from tiepoint.render.outline import along
from tiepoint.render.scene import Edges, Lay, Scene
from tiepoint.render.stack import seen_edges

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Floats = NDArray[np.float32]

REACH_SIGMAS = 4.5
"""The Gaussian is cut here: beyond lies 7e-6 of a step."""

PHASES = 256
"""Table rows per pixel; linear between them, which adds a variance of 3e-6 px² to the blur."""

SHARPEST_PX = 0.3

STRETCH_PX = 64.0
STRETCH_TURN = 0.5
"""A stretch is at most so long, and turns by at most so many rad (then degree 5 errs by 1e-8 of the radius)."""

PANEL_SIGMAS = 1.5
"""Length of a panel of four nodes in units of the blur, which alone rounds the kernel: errs by 1e-5 of a step."""

_AT, _WEIGHT = np.polynomial.legendre.leggauss(4)
_KNOTS = np.cos(np.pi * (np.arange(6) + 0.5) / 6)
_KNOT_GAP = float(-np.diff(_KNOTS).min()) / 2
_TO_POWERS = np.linalg.inv(np.vander(_KNOTS, 6, increasing=True))


@dataclass(frozen=True, eq=False)
class Stretches:
    """Parts of edges in the picture: powers (n, 6) of x and of y over s in −1..1, `weight` and `panels` (n,)."""

    x: Array
    y: Array
    weight: Array
    panels: Ints


@dataclass(frozen=True, eq=False)
class Kernel:
    """Tables by phase: `rows` (PHASES + 1, taps) of k, `columns` (PHASES + 1, taps + 1) of C(u) − C(u − 1)."""

    reach: float
    rows: Array
    columns: Array


def irradiance(scene: Scene, camera: Camera, blur_px: float, panel_sigmas: float = PANEL_SIGMAS) -> Floats:
    """Return the picture (h, w) of a scene's reflectance through optics of Gaussian blur `blur_px` and box pixels.

    Noise-free, even light, reflectance 0..1 as written in the scene. Raises `UnrenderableScene` where a sheet
    is behind the camera, `UnusableInput` for a blur below 0.3 px.
    """
    if not blur_px >= SHARPEST_PX:
        raise UnusableInput(f"a blur of {blur_px:g} px cannot be rendered; choose {SHARPEST_PX:g} px or more")
    kernel = _kernel(blur_px)
    panel_px = panel_sigmas * blur_px
    pad = math.ceil(2 * kernel.reach) + 2
    steps = np.zeros((camera.height_px + 2 * pad, camera.width_px + 2 * pad))
    flat = ((seen_edges(scene, camera), Lay()),) if scene.stacked else ((s.edges, s.lay) for s in scene.sheets)
    for edges, lay in flat:
        if len(edges.turn):
            s = _stretches(edges, lay, camera, kernel.reach, panel_px)
            _deposit(s.x, s.y, s.weight, s.panels, _AT, _WEIGHT, kernel.reach, kernel.rows, kernel.columns, pad, steps)
    picture = np.empty((camera.height_px, camera.width_px), np.float32)
    _running_sum(steps, pad, scene.ground, picture)
    return picture


def _kernel(blur_px: float) -> Kernel:
    reach = 0.5 + REACH_SIGMAS * blur_px
    taps = math.ceil(2 * reach) + 1
    u = np.arange(PHASES + 1)[:, None] / PHASES - reach + np.arange(taps + 1)
    rows = special.ndtr((u[:, :taps] + 0.5) / blur_px) - special.ndtr((u[:, :taps] - 0.5) / blur_px)
    columns = _ramp(u, blur_px) - _ramp(u - 1, blur_px)
    # Sums of exactly 1: what the cut takes must not leave a streak along the rest of a row.
    return Kernel(reach, rows / rows.sum(axis=1, keepdims=True), columns / columns.sum(axis=1, keepdims=True))


def _ramp(u: Array, w: float) -> Array:
    """Return C(u) = ∫k: w·[ψ((u + ½)/w) − ψ((u − ½)/w)], ψ(s) = s·Φ(s) + φ(s)."""
    return w * (_psi((u + 0.5) / w) - _psi((u - 0.5) / w))


def _psi(s: Array) -> Array:
    return np.asarray(s * special.ndtr(s) + np.exp(-0.5 * s * s) / math.sqrt(2 * math.pi))


def _stretches(edges: Edges, lay: Lay, camera: Camera, reach: float, panel_px: float) -> Stretches:
    """Return the parts of edges that can touch the picture, in pixels."""
    n = len(edges.turn)
    px = _sampled(edges, np.arange(n), np.linspace(0, 1, 5)[None, :], lay, camera)
    cuts = np.maximum(np.ceil(_longest(px, 0.25) / STRETCH_PX), np.ceil(np.abs(edges.turn) / STRETCH_TURN))
    cuts = np.where(_touches(px, camera, reach), np.maximum(cuts, 1), 0).astype(np.int64)
    which = np.repeat(np.arange(n), cuts)
    index = np.arange(len(which)) - np.repeat(np.cumsum(cuts) - cuts, cuts)
    t = (index[:, None] + (1 + _KNOTS) / 2) / cuts[which][:, None]
    px = _sampled(edges, which, t, lay, camera)
    keep = _touches(px, camera, reach)
    powers = np.einsum("kj,njc->cnk", _TO_POWERS, px[keep])
    panels = np.maximum(np.ceil(_longest(px[keep], _KNOT_GAP) / panel_px), 1).astype(np.int64)
    x, y = np.ascontiguousarray(powers)
    return Stretches(x, y, edges.weight[which][keep], panels)


def _sampled(edges: Edges, which: Ints, t: Array, lay: Lay, camera: Camera) -> Array:
    """Return pixels (n, m, 2) at t (n or 1, m) of chosen edges (n,)."""
    t = np.broadcast_to(t, (len(which), t.shape[1]))
    each = np.repeat(which, t.shape[1])
    place, _ = along(edges.start[each], edges.end[each], edges.turn[each], t.ravel())
    xyz = lay.place(place, edges.z[each])
    if camera.lens.central and float(in_camera(camera, xyz)[:, 2].min(initial=1.0)) <= 0:
        raise UnrenderableScene("a sheet reaches behind the camera; raise the camera or shrink the sheet")
    # What the lens would fold back into the picture stays outside it.
    normal = camera.lens.held(directions(camera, xyz), camera.frame)
    return camera.lens.bend(normal, camera.frame).reshape(*t.shape, 2)


def _longest(px: Array, widest_gap: float) -> Array:
    """Return lengths (n,) in px of ways through samples (n, m, 2), from the fastest of their steps.

    `widest_gap` is the share of the way between the samples that stand farthest apart.
    """
    step = np.diff(px, axis=1)
    return np.asarray(np.hypot(step[..., 0], step[..., 1]).max(axis=1) / widest_gap)


def _touches(px: Array, camera: Camera, reach: float) -> NDArray[np.bool_]:
    """Return (n,) whether edges sampled at (n, m, 2) can act on the picture; left of it they act on whole rows."""
    low, high = px.min(axis=1), px.max(axis=1)
    # Between samples a curved edge may leave their bounding box by a share of its size.
    slack = reach + 1 + 0.2 * np.hypot(*(high - low).T)
    right, below = camera.width_px - 1.0, camera.height_px - 1.0
    outside = (low[:, 0] - slack > right) | (low[:, 1] - slack > below) | (high[:, 1] + slack < 0)
    return np.asarray(~outside)


@njit(cache=True, nogil=True)
def _deposit(
    x_powers: Array,
    y_powers: Array,
    weight: Array,
    panels: Ints,
    at: Array,
    gauss: Array,
    reach: float,
    rows: Array,
    columns: Array,
    pad: int,
    steps: Array,
) -> None:  # pragma: no cover - compiled
    """Add every stretch's steps; (pad, pad) of `steps` is the picture's top left pixel."""
    height, width = steps.shape
    taps = rows.shape[1]
    phases = rows.shape[0] - 1
    last_x = width - 2 * pad + reach
    across = np.empty(taps + 1)
    for n in range(weight.size):
        x0, x1, x2, x3, x4, x5 = x_powers[n]
        y0, y1, y2, y3, y4, y5 = y_powers[n]
        half = 1.0 / panels[n]
        for panel in range(panels[n]):
            for g in range(at.size):
                s = half * (2 * panel + 1 + at[g]) - 1.0
                x = x0 + s * (x1 + s * (x2 + s * (x3 + s * (x4 + s * x5))))
                y = y0 + s * (y1 + s * (y2 + s * (y3 + s * (y4 + s * y5))))
                top = math.ceil(y - reach)
                if x > last_x or top + taps <= 0 or top > height - 2 * pad:
                    continue
                rate = y1 + s * (2 * y2 + s * (3 * y3 + s * (4 * y4 + s * 5 * y5)))
                step = weight[n] * gauss[g] * half * rate
                # What is left of the picture acts on the whole row: it is brought into the padding.
                x = max(x, reach - pad)
                left = math.ceil(x - reach)
                phase = (left - (x - reach)) * phases
                k = min(int(phase), phases - 1)
                share = phase - k
                for i in range(taps + 1):
                    across[i] = step * (columns[k, i] + share * (columns[k + 1, i] - columns[k, i]))
                phase = (top - (y - reach)) * phases
                k = min(int(phase), phases - 1)
                share = phase - k
                first = left + pad
                for j in range(taps):
                    down = rows[k, j] + share * (rows[k + 1, j] - rows[k, j])
                    row = steps[top + pad + j]
                    for i in range(taps + 1):
                        row[first + i] += down * across[i]


@njit(cache=True, nogil=True)
def _running_sum(steps: Array, pad: int, ground: float, picture: Floats) -> None:  # pragma: no cover - compiled
    """Complete the steps along each row and add the ground's reflectance."""
    height, width = picture.shape
    for y in range(height):
        total = ground
        for x in range(pad):
            total += steps[y + pad, x]
        for x in range(width):
            total += steps[y + pad, x + pad]
            picture[y, x] = total
