"""Teach a shape: sub-pixel places on the outline in a region of one picture, or along drawn lines."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import scipy
from numba import njit
from numpy.typing import NDArray

from tiepoint.foundation.errors import NothingFound, UnusableInput
from tiepoint.vision.seek_edges import HALF_WIDTH_PX, SLOPE_LIMIT, fit_places
from tiepoint.vision.seek_maps import reduced
from tiepoint.vision.seek_model import ROUND, Array, Bools, Picture, Pose, Projection, Taught, identity
from tiepoint.vision.seek_pose import carry, pose_rows, robust_move
from tiepoint.vision.seek_search import FEATURES
from tiepoint.vision.seek_turns import self_likeness

SPACING_PX = 2 * HALF_WIDTH_PX
"""Places so far apart share no pixel, so that their noise is their own."""
FEWEST_PLACES = 16
MOST_PLACES = 600
NEAR_FEATURES = 100
CELLS_ACROSS = 14.0
"""The most reduced view shows the shape's radius in at least so many cells."""
REACH_PX = 5.0
SHORTEST_PX = 10
EDGE_SIGMAS = 8.0
LEAST_OF_STRONG = 0.2
MORE_BLUR_PX = 1.6
"""What the taught picture is blurred by, to see where its edges go then."""
NOISE_SAMPLES = 20_000
"""So many places tell the noise to 1 %."""


def teach(
    picture: Picture,
    region: Array | Bools,
    origin: Pose,
    to_px: Projection = identity,
    *,
    least_contrast: float = 0.0,
) -> Taught:
    """Teach the shape whose edges lie in a region of a picture (h, w; u8, u16 or f32).

    `region` is a polygon (k, 2) in picture px or a mask (h, w) of bool; `origin` is the part's frame on the ground,
    with scale 1. `least_contrast`, in grey levels, leaves weaker edges out. Raises `NothingFound` where there are no
    or too few edges, or where the shape slides along itself; `UnusableInput` for a region that cannot be used.
    """
    check_picture(picture)
    mask = _mask(picture, region)
    px, normals = _traced(picture, mask, least_contrast)
    px, normals, offset, variance, contrast, blur = _measured(picture, px, normals, mask)
    px = px + offset[:, None] * normals
    ground, jac = ground_of(px, to_px, np.array([origin.x, origin.y]))
    out = _to_ground_normals(normals, jac)
    pixel = 1.0 / math.sqrt(float(np.median(np.abs(np.linalg.det(jac)))))
    points = origin.bring_back(ground)
    out = out @ (origin.linear / origin.scale)
    drift = _drift(picture, px, normals, blur)
    taught = _assembled(
        points, out, np.sqrt(variance) * pixel, pixel, True, contrast, origin, _Reduced(picture, px, normals),
        drift * pixel, blur,
    )  # fmt: skip
    return _without_bias(taught, picture, origin, to_px, blur)


def teach_outline(
    lines: Sequence[Array], pixel: float, *, inside: str | None = None, home: Pose | None = None
) -> Taught:
    """Teach a shape from drawn lines (each (k, 2), closed where the last point repeats the first) in ground units.

    `pixel` is a picture's pixel in the same unit where the part will lie. `inside` tells whether what the closed
    lines enclose (holes excepted) is "bright" or "dark"; without it either is taken, the same along the whole outline.
    Raises `UnusableInput` for lines that cannot be used, `NothingFound` where the shape slides along itself.
    """
    if not (math.isfinite(pixel) and pixel > 0):
        raise UnusableInput(
            f"a pixel of {pixel:g} is no size: give how large a picture's pixel is in the drawing's unit"
        )
    if inside not in (None, "bright", "dark"):
        raise UnusableInput(f'inside is {inside!r}; choose "bright" or "dark", or leave it out')
    pieces = [np.asarray(line, float) for line in lines]
    if not pieces or any(p.ndim != 2 or p.shape[1] != 2 or len(p) < 2 or not np.isfinite(p).all() for p in pieces):
        raise UnusableInput("a drawn outline needs lines of at least two points with finite coordinates")
    spacing = max(SPACING_PX * pixel, sum(_length(p) for p in pieces) / MOST_PLACES)
    laid = [_along(p, spacing, pixel, _outward_sign(p, pieces)) for p in pieces]
    points, normals = (np.vstack([piece[k] for piece in laid]) for k in (0, 1))
    if inside == "bright":
        normals = -normals
    at = home if home is not None else Pose(0.0, 0.0, 0.0)
    unknown = np.zeros(len(points))
    return _assembled(points, normals, unknown, pixel, inside is not None, 0.0, at, None, unknown, 0.0)


# --- a region of a picture -----------------------------------------------------------------------------------------


def check_picture(picture: Picture) -> None:
    """Raise `UnusableInput` where a picture is none that shapes are taught from or sought in."""
    if picture.ndim != 2 or picture.dtype not in (np.uint8, np.uint16, np.float32) or min(picture.shape) < 16:
        told = f"{picture.dtype} of shape {picture.shape}"
        raise UnusableInput(
            f"a shape is sought in grey pictures of uint8, uint16 or float32, 16 px or more; not {told}"
        )


def _mask(picture: Picture, region: Array | Bools) -> Bools:
    if region.dtype == np.bool_:
        if region.shape != picture.shape:
            raise UnusableInput(f"the mask is {region.shape}, the picture {picture.shape}: paint it on this picture")
        mask = region.astype(bool)
    else:
        polygon = np.asarray(region, float)
        if polygon.ndim != 2 or polygon.shape[1] != 2 or len(polygon) < 3 or not np.isfinite(polygon).all():
            raise UnusableInput("the region needs at least three corners with finite coordinates")
        mask = inside_polygon(polygon, picture.shape)
    if not mask.any():
        raise UnusableInput("the mask or region leaves no pixel of the picture to teach from: draw it over the part")
    return mask


def inside_polygon(polygon: Array, shape: tuple[int, ...]) -> Bools:
    """Return which pixel centres lie in a polygon (k, 2), by the even-odd rule."""
    mask = np.zeros(shape, bool)
    columns = np.arange(shape[1])
    for (x0, y0), (x1, y1) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        if y0 == y1:
            continue
        low, high = sorted((y0, y1))
        rows = np.arange(max(0, math.ceil(low)), min(shape[0] - 1, math.ceil(high) - 1) + 1)
        crossing = x0 + (rows - y0) * (x1 - x0) / (y1 - y0)
        mask[rows] ^= columns[None, :] < crossing[:, None]
    return mask


def noise_of(picture: Picture) -> float:
    """Return the noise per pixel in grey levels, from mixed differences, which slopes and most edges leave out."""
    step = max(1, math.ceil(math.sqrt(picture.size / NOISE_SAMPLES)))
    rows, cols = ((n - 2) // step + 1 for n in picture.shape)
    mixed = np.empty((rows, cols), np.float32)
    _mixed_differences(picture, step, mixed)
    # Of whole grey levels a quantile is coarse; the mean of the smaller three quarters is not: 0.4617·σ for Gauss.
    kept = max(1, 3 * mixed.size // 4)
    smaller = np.partition(mixed.ravel(), kept - 1)[:kept]
    return float(smaller.mean(dtype=np.float64) / 0.4617 / 2)


@njit(cache=True, nogil=True)
def _mixed_differences(picture, step, mixed):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `mixed` with |a − b − c + d| of two by two pixels at every `step`-th."""
    for i in range(mixed.shape[0]):
        up, low = picture[i * step], picture[i * step + 1]
        for j in range(mixed.shape[1]):
            k = j * step
            mixed[i, j] = abs(float(up[k]) - float(up[k + 1]) - float(low[k]) + float(low[k + 1]))


def _traced(picture: Picture, mask: Bools, least_contrast: float) -> tuple[Array, Array]:
    """Return places (n, 2) and normals (n, 2) in px along all edges of a mask, in order along each."""
    rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    i0, j0 = max(rows[0] - 6, 0), max(cols[0] - 6, 0)
    i1, j1 = rows[-1] + 7, cols[-1] + 7
    part = picture[i0:i1, j0:j1].astype(np.float32)
    gx, gy = (scipy.ndimage.gaussian_filter(part, 1.2, order=order) for order in ((0, 1), (1, 0)))
    size = np.hypot(gx, gy)
    thin = _thin(size, gx, gy) & mask[i0:i1, j0:j1]
    thin[:4], thin[-4:], thin[:, :4], thin[:, -4:] = False, False, False, False
    # A Gaussian derivative of 1.2 px leaves noise σ/(√(8π)·1.2²) of a pixel's, and 1/(√(2π)·1.5 px) of a step.
    least = max(EDGE_SIGMAS * noise_of(picture) * 0.1385, 0.27 * least_contrast, 1e-6)
    if not (size[thin] > least).any():
        raise NothingFound("no edges stand out in the region to teach: draw it over the part's outline, in good light")
    least = max(least, LEAST_OF_STRONG * float(np.quantile(size[thin & (size > least)], 0.95)))
    chains = _chains(thin & (size > 0.5 * least), size > least, gx, gy)
    laid = [_spaced(chain.astype(float)) for chain in chains if len(chain) >= SHORTEST_PX]
    if not laid:
        raise NothingFound("only specks stand out in the region to teach, no edge of 10 px: choose another region")
    points = np.vstack(laid)
    i, j = np.rint(points).astype(int).T
    normals = np.column_stack([gx[i, j], gy[i, j]]) / size[i, j][:, None]
    return points[:, ::-1] + (j0, i0), normals.astype(float)


def _thin(size: Array, gx: Array, gy: Array) -> Bools:
    """Return the pixels whose gradient is the largest along its own direction."""
    i, j = np.indices(size.shape)
    x, y = gx / np.maximum(size, 1e-9), gy / np.maximum(size, 1e-9)
    ahead = scipy.ndimage.map_coordinates(size, [i + y, j + x], order=1, mode="nearest")
    behind = scipy.ndimage.map_coordinates(size, [i - y, j - x], order=1, mode="nearest")
    return np.asarray((size > ahead) & (size >= behind))


def _chains(thin: Bools, strong: Bools, gx: Array, gy: Array) -> list[NDArray[np.int64]]:
    """Return chains (k, 2) of (row, column): neighbours of like direction, each with a strong pixel."""
    path, ends = np.empty((int(thin.sum()), 2), np.int64), np.empty(int(thin.sum()) + 1, np.int64)
    count = _walk(thin.copy(), gx, gy, path, ends)
    parts = np.split(path[: ends[count - 1] if count else 0], ends[: count - 1] if count else [])
    return [part for part in parts if len(part) and strong[part[:, 0], part[:, 1]].any()]


@njit(cache=True, nogil=True)
def _walk(open_, gx, gy, path, ends):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `path` with chains one after another and `ends` with where each ends; return how many there are."""
    rows, cols = open_.shape
    n, chains = 0, 0
    back = np.empty_like(path)
    for i0 in range(rows):
        for j0 in range(cols):
            if not open_[i0, j0]:
                continue
            open_[i0, j0] = False
            first = n
            for way in range(2):
                i, j = i0, j0
                count = 0
                while True:
                    # Bright on the left hand on the way out, on the right hand on the way back.
                    x, y = (-gy[i, j], gx[i, j]) if way == 0 else (gy[i, j], -gx[i, j])
                    size = (x * x + y * y) ** 0.5 + 1e-9
                    best, bi, bj = 0.35, -1, -1
                    for di in range(-1, 2):
                        for dj in range(-1, 2):
                            a, b = i + di, j + dj
                            if (di == 0 and dj == 0) or not (0 <= a < rows and 0 <= b < cols) or not open_[a, b]:
                                continue
                            likeness = gx[a, b] * gx[i, j] + gy[a, b] * gy[i, j]
                            other = (gx[a, b] ** 2 + gy[a, b] ** 2) ** 0.5 * size
                            ahead = (x * dj + y * di) / size / (di * di + dj * dj) ** 0.5
                            if likeness > 0.5 * other and ahead > best:
                                best, bi, bj = ahead, a, b
                    if bi < 0:
                        break
                    i, j = bi, bj
                    open_[i, j] = False
                    back[count, 0], back[count, 1] = i, j
                    count += 1
                if way == 0:
                    for k in range(count):
                        path[n, 0], path[n, 1] = back[count - 1 - k, 0], back[count - 1 - k, 1]
                        n += 1
                    path[n, 0], path[n, 1] = i0, j0
                    n += 1
                else:
                    for k in range(count):
                        path[n, 0], path[n, 1] = back[k, 0], back[k, 1]
                        n += 1
            if n > first:
                ends[chains] = n
                chains += 1
    return chains


def _spaced(chain: Array) -> Array:
    """Return places about `SPACING_PX` apart along a chain (k, 2), whose steps of pixels are smoothed before."""
    closed = float(np.hypot(*(chain[0] - chain[-1]))) < 2.0
    smooth = scipy.ndimage.gaussian_filter1d(chain, 1.5, axis=0, mode="wrap" if closed else "nearest")
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(smooth, axis=0).T))])
    count = max(1, int(along[-1] // SPACING_PX))
    s = (np.arange(count) + 0.5) * along[-1] / count
    return np.column_stack([np.interp(s, along, smooth[:, k]) for k in (0, 1)])


def _measured(
    picture: Picture, px: Array, normals: Array, mask: Bools
) -> tuple[Array, Array, Array, Array, float, float]:
    """Return px, normals, offset and variance of the places that show one clean step; their contrast and blur."""
    noise, blur = noise_of(picture), 1.0
    result = np.empty((len(px), 6))
    start = np.zeros(len(px))
    for _ in range(4):
        blur = fit_places(picture, px, normals, start, blur, max(REACH_PX, 4.0 * blur), noise, result)
        # The tilt is told off, so that normals stand upright on what is there; 0.2 rad at most.
        turn = np.clip(result[:, 3], -0.2, 0.2)
        normals = normals + turn[:, None] * np.column_stack([-normals[:, 1], normals[:, 0]])
        normals = normals / np.hypot(*normals.T)[:, None]
    good = (
        (result[:, 5] > 0) & (result[:, 4] < 0.35) & (np.abs(result[:, 3]) < SLOPE_LIMIT) & (np.abs(result[:, 0]) < 2)
    )
    i, j = (np.clip(np.rint(px[:, k]).astype(int), 0, picture.shape[1 - k] - 1) for k in (1, 0))
    good &= mask[i, j]
    if good.sum() < FEWEST_PLACES:
        raise NothingFound(
            f"only {int(good.sum())} places of the region show a clean edge, {FEWEST_PLACES} are needed: "
            "draw a larger region, or light the part so that its outline stands out"
        )
    kept = np.flatnonzero(good)
    if len(kept) > MOST_PLACES:
        kept = kept[np.linspace(0, len(kept) - 1, MOST_PLACES).astype(int)]
    left = result[kept, 4] * result[kept, 2]
    variance = result[kept, 1] * np.maximum(left, 0.29) ** 2
    contrast = float(2 * np.median(result[kept, 2]))
    return px[kept], normals[kept], result[kept, 0], variance, contrast, blur


def _drift(picture: Picture, px: Array, normals: Array, blur: float) -> Array:
    """Return how far (n,) the edge of each place moves along its normal per px² of blur, in px: 0 where none is left.

    Found by blurring the taught picture: so that corners, and edges beside edges, are in it as they are.
    """
    pad = math.ceil(max(REACH_PX, 4.0 * math.hypot(blur, MORE_BLUR_PX)) + 4 * MORE_BLUR_PX)
    low = np.maximum(np.floor(px.min(axis=0)).astype(int) - pad, 0)
    high = np.ceil(px.max(axis=0)).astype(int) + pad + 1
    part = picture[low[1] : high[1], low[0] : high[0]].astype(np.float32)
    blurred = scipy.ndimage.gaussian_filter(part, MORE_BLUR_PX)
    result = np.empty((len(px), 6))
    more = math.hypot(blur, MORE_BLUR_PX)
    fit_places(blurred, px - low, normals, np.zeros(len(px)), more, max(REACH_PX, 4.0 * more), 0.0, result)
    clean = (result[:, 5] > 0) & (np.abs(result[:, 3]) < SLOPE_LIMIT) & (np.abs(result[:, 0]) < MORE_BLUR_PX)
    return np.where(clean, result[:, 0], 0.0) / MORE_BLUR_PX**2


def ground_of(px: Array, to_px: Projection, near: Array) -> tuple[Array, Array]:
    """Return the ground points (n, 2) that picture points (n, 2) show, and ∂px/∂ground, by Newton from a point near."""
    ground = np.tile(near, (len(px), 1)).astype(float)
    for _ in range(20):
        at, jac = to_px(ground)
        with np.errstate(all="ignore"):
            step = (
                np.linalg.solve(jac, (px - at)[:, :, None])[:, :, 0]
                if np.isfinite(jac).all()
                else np.full_like(px, np.nan)
            )
        if not np.isfinite(step).all():
            raise UnusableInput("the region leaves what the tie can place: draw it where the plane is seen")
        ground = ground + step
        if np.abs(px - at).max() < 1e-9:
            break
    return ground, np.array(to_px(ground)[1])


def _to_ground_normals(normals: Array, jac: Array) -> Array:
    """Return unit normals on the ground of edges that have `normals` in the picture: Jᵀ carries them."""
    out = np.einsum("nji,nj->ni", jac, normals)
    return np.asarray(out / np.hypot(*out.T)[:, None])


class _Reduced:
    """Which places of an outline still show their direction when the picture is reduced."""

    def __init__(self, picture: Picture, px: Array, normals: Array) -> None:
        self.picture, self.px, self.normals = picture, px, normals

    def tells(self, f: int) -> Bools:
        cells = reduced(self.picture, f)
        if f == 1 or min(cells.shape) < 5:
            return np.ones(len(self.px), bool)
        x, y = (np.rint((self.px - (f - 1) / 2) / f).astype(int)).T
        x, y = np.clip(x, 1, cells.shape[1] - 2), np.clip(y, 1, cells.shape[0] - 2)
        gx = cells[y, x + 1] - cells[y, x - 1]
        gy = cells[y + 1, x] - cells[y - 1, x]
        size = np.hypot(gx, gy)
        cosine = (gx * self.normals[:, 0] + gy * self.normals[:, 1]) / np.maximum(size, 1e-9)
        return np.asarray((cosine > 0.92) & (size > 0.3 * np.median(size)))


# --- what both ways share ------------------------------------------------------------------------------------------


def _assembled(
    points: Array,
    normals: Array,
    u: Array,
    pixel: float,
    signed: bool,
    contrast: float,
    home: Pose,
    seen: _Reduced | None,
    drift: Array,
    blur: float,
) -> Taught:
    low, high = points.min(axis=0), points.max(axis=0)
    centre = (low + high) / 2
    radius = float(np.hypot(*(points - centre).T).max())
    turns, alike = self_likeness(points, normals, signed, pixel)
    if turns != 1:
        # What a shape turns about is the middle of its places, where those are evenly spread.
        centre = points.mean(axis=0)
    _refuse_sliding(points, normals, turns)
    f = 1
    while radius / pixel / (2 * f) >= CELLS_ACROSS and f < 32:
        f *= 2
    far, near = (np.ones(len(points), bool) if seen is None else seen.tells(k) for k in (f, max(f // 2, 1)))
    far = far if far.sum() >= FEWEST_PLACES else np.ones(len(points), bool)
    near = near if near.sum() >= FEWEST_PLACES else np.ones(len(points), bool)
    features = np.column_stack([points, normals])
    return Taught(
        points, normals, u, _spread(features[far], FEATURES), _spread(features[near], NEAR_FEATURES), f * pixel, pixel,
        centre, turns, alike, signed, contrast, (home.x, home.y, home.angle), drift, blur,
    )  # fmt: skip


def _refuse_sliding(points: Array, normals: Array, turns: int) -> None:
    """Raise where the outline moves along itself: lines of one direction, or an arc that is no whole circle."""
    middle = points.mean(axis=0)
    arm = points - middle
    size = math.sqrt(float(np.mean(np.sum(arm**2, axis=1))))
    rows = np.column_stack([normals, (normals[:, 1] * arm[:, 0] - normals[:, 0] * arm[:, 1]) / size])
    parts = rows[:, :2] if turns == ROUND else rows
    least = float(np.linalg.eigvalsh(parts.T @ parts / len(parts))[0])
    if least < 2e-3:
        raise NothingFound(
            "the shape fits everywhere along its own edges (they run in one direction, or along one arc): "
            "teach a region with edges across them as well"
        )


def _spread(features: Array, count: int) -> Array:
    """Return `count` features (m, 4), each the farthest from those before; repeated where there are fewer."""
    distance = np.hypot(*(features[:, :2] - features[:, :2].mean(axis=0)).T)
    chosen = [int(np.argmax(distance))]
    left = np.hypot(*(features[:, :2] - features[chosen[0], :2]).T)
    while len(chosen) < min(count, len(features)):
        chosen.append(int(np.argmax(left)))
        left = np.minimum(left, np.hypot(*(features[:, :2] - features[chosen[-1], :2]).T))
    return features[np.resize(np.array(chosen), count)]


def _without_bias(taught: Taught, picture: Picture, origin: Pose, to_px: Projection, blur: float) -> Taught:
    """Return the shape moved so that a find in its own picture gives the pose it was taught at."""
    start = np.array([origin.x, origin.y, origin.angle, 0.0])
    free = np.array([True, True, taught.turns != ROUND, False])
    ground = origin.place(taught.points)
    normals = taught.normals @ (origin.linear.T / origin.scale)
    px, jac = to_px(ground)
    n = len(px)
    places, across, rows = np.empty((n, 2)), np.empty((n, 2)), np.empty((n, int(free.sum())))
    jac = np.ascontiguousarray(jac)
    carry(px, jac, ground, normals, start, start, places, across)
    result, move, weights = np.empty((n, 6)), np.empty(int(free.sum())), np.empty(n)
    fit_places(picture, places, across, np.zeros(n), blur, max(REACH_PX, 4.0 * blur), noise_of(picture), result)
    off = np.where(result[:, 5] > 0, result[:, 0], np.nan)
    pose_rows(jac, ground, across, start, start, free, rows)
    if robust_move(rows, off, 1 / (taught.u**2 / taught.pixel**2 + 1e-4), 0.2, move, weights) == 0.0:
        return taught
    turn = float(move[2]) if free[2] else 0.0
    moved = Pose(origin.x + float(move[0]), origin.y + float(move[1]), origin.angle + turn)
    # The find would tell `moved`; the places that make it tell `origin` are those brought back from there.
    points = origin.bring_back(moved.place(taught.points))
    c, s = math.cos(turn), math.sin(turn)
    return replace(taught, points=points, normals=taught.normals @ np.array([[c, s], [-s, c]]))


# --- drawn lines ---------------------------------------------------------------------------------------------------


def _length(line: Array) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def _is_closed(line: Array) -> bool:
    return len(line) > 3 and bool(np.allclose(line[0], line[-1], atol=1e-9 * (1 + np.abs(line).max())))


def _outward_sign(line: Array, lines: list[Array]) -> float:
    """Return +1 where the left normal of a line points out of the material, −1 where it points into it."""
    if not _is_closed(line):
        return 1.0
    x, y = line[:-1].T
    x1, y1 = line[1:].T
    counter_clockwise = float(np.sum(x * y1 - x1 * y)) > 0
    depth = sum(_encloses(other, line[0]) for other in lines if other is not line and _is_closed(other))
    # Counter-clockwise lines have the enclosed on their left; of a hole the enclosed is not the material.
    return -1.0 if counter_clockwise == (depth % 2 == 0) else 1.0


def _encloses(line: Array, point: Array) -> bool:
    (x0, y0), (x1, y1) = line[:-1].T, line[1:].T
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = x0 + (point[1] - y0) * (x1 - x0) / (y1 - y0)
    return bool(np.sum(((y0 > point[1]) != (y1 > point[1])) & (point[0] < crossing)) % 2)


def _along(line: Array, spacing: float, pixel: float, sign: float) -> tuple[Array, Array]:
    """Return places and outward normals along a line, at least 2 px from its sharp corners."""
    steps = np.diff(line, axis=0)
    lengths = np.hypot(*steps.T)
    steps, lengths = steps[lengths > 0], lengths[lengths > 0]
    if not len(lengths):
        return np.zeros((0, 2)), np.zeros((0, 2))
    nodes = np.vstack([line[:1], line[0] + np.cumsum(steps, axis=0)])
    ends = np.concatenate([[0.0], np.cumsum(lengths)])
    count = max(1, int(ends[-1] // spacing))
    s = (np.arange(count) + 0.5) * ends[-1] / count
    k = np.clip(np.searchsorted(ends, s, side="right") - 1, 0, len(lengths) - 1)
    tangents = steps / lengths[:, None]
    points = nodes[k] + (s - ends[k])[:, None] * tangents[k]
    bends = np.abs(np.sum(tangents * np.roll(tangents, 1, axis=0), axis=1)) < math.cos(math.radians(25))
    if not _is_closed(line):
        bends[0] = True
    corners = ends[:-1][bends]
    if not _is_closed(line) or (bends[0] and len(corners)):
        corners = np.append(corners, ends[-1])
    away = np.abs(s[:, None] - corners[None, :]).min(axis=1) > 2 * pixel if len(corners) else np.ones(count, bool)
    return points[away], sign * np.column_stack([-tangents[k, 1], tangents[k, 0]])[away]
