"""Dot marks to tune and test a reader on: dents of one shape on brushed metal, under four far lamps.

Deliberately simple, and independent of the bench: heights are sums of bell-shaped dents over a random texture, lamps
are far, the surface is matte with a weak gloss. What is frozen on these is judged on the bench's own marks
(proofs/marks.py).
"""

from dataclasses import dataclass

import cv2
import numpy as np
import zxingcpp

UNIT = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
AZIMUTHS_DEG = (0.0, 90.0, 180.0, 270.0)


@dataclass(frozen=True)
class DottedMark:
    """`lights` (4, rows, columns) uint8, `sunken` (rows, columns) uint16; `corners` (4, 2) px of the outline.

    `shown` (rows, columns): the cells that have a dot, damage and all.
    """

    text: str
    lights: np.ndarray
    sunken: np.ndarray
    corners: np.ndarray
    cell_px: float
    shown: np.ndarray

    @property
    def shape(self):
        return self.shown.shape


def cells_of(text, kind="DataMatrix", **options):
    """Return the dark cells of a symbol (rows, columns)."""
    symbol = zxingcpp.create_barcode(text, getattr(zxingcpp.BarcodeFormat, kind), **options)
    return np.array(symbol.to_image(scale=1, add_quiet_zones=False)) == 0


def dotted_mark(seed, size=(320, 320), cell_px=None, noise=None, blur=None, depth=None, texture=None, damage=None):
    """Return a mark drawn from wide ranges of size, pose, depth, blur, texture, noise and damage."""
    rng = np.random.default_rng(seed)

    def pick(given, low, high):
        drawn = rng.uniform(low, high)
        return drawn if given is None else given

    text = "".join(rng.choice(list("ABCDEFGHJKLMNPRSTUVWXYZ0123456789"), rng.integers(6, 15)))
    cells = cells_of(text, **({} if rng.random() < 0.2 else {"force_square": True}))
    shape = np.array(cells.shape)
    cell = pick(cell_px, 4.5, min(12.0, 0.6 * min(size) / shape.max()))
    missing = pick(damage, 0.0, 0.03)
    extra = 0.3 * missing
    shown = np.where(cells, rng.random(cells.shape) > missing, rng.random(cells.shape) < extra)
    corners = _corners(rng, shape[::-1], cell, size)
    turn = cv2.getPerspectiveTransform(np.float32(UNIT * shape[::-1]), corners.astype(np.float32))
    rows, columns = np.nonzero(shown)
    centres = np.stack([columns + 0.5, rows + 0.5], 1) + rng.normal(0, 0.06, (len(rows), 2))
    places = cv2.perspectiveTransform(centres[None], turn)[0]
    slopes = _dents(places, cell * rng.uniform(0.28, 0.42) * rng.uniform(0.9, 1.1, len(places)), size)
    slopes = slopes * pick(depth, 0.1, 0.6) + _texture(rng, size, pick(texture, 0.01, 0.08))
    lights = _lit(rng, slopes, pick(blur, 0.4, 1.8), pick(noise, 1.0, 5.0))
    return DottedMark(text, lights, _sunken(lights, cell), corners, cell, shown)


def _corners(rng, cells, cell, size):
    """Return the corners (4, 2) px of the outline, clockwise as seen from the symbol's own upper left."""
    angle = rng.uniform(0, 2 * np.pi)
    box = (UNIT - 0.5) * cells * cell
    box = box * [1.0, rng.uniform(0.9, 1.0)]
    turned = box @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    tilt = 1 + turned @ rng.normal(0, 0.00025, 2)
    return turned / tilt[:, None] + np.array(size[::-1]) / 2 + rng.uniform(-8, 8, 2)


def _dents(places, radii, size):
    """Return the slopes (2, rows, columns) of bell-shaped dents, one a place."""
    slopes = np.zeros((2, *size))
    for (x, y), r in zip(places, radii, strict=True):
        x0, y0, reach = int(x), int(y), int(4 * r) + 2
        ys = slice(max(y0 - reach, 0), min(y0 + reach + 1, size[0]))
        xs = slice(max(x0 - reach, 0), min(x0 + reach + 1, size[1]))
        if ys.start >= ys.stop or xs.start >= xs.stop:
            continue
        dy, dx = np.mgrid[ys, xs] - np.array([y, x])[:, None, None]
        bell = np.exp(-(dx**2 + dy**2) / (2 * (0.6 * r) ** 2)) / (0.6 * r) * 1.65
        slopes[0, ys, xs] += dx * bell
        slopes[1, ys, xs] += dy * bell
    return slopes


def _texture(rng, size, rms):
    """Return the slopes (2, rows, columns) of brushing along x with scratches across it."""
    height = cv2.GaussianBlur(rng.normal(size=size), (0, 0), sigmaX=12, sigmaY=0.8)
    height = height / height.std() + 0.5 * cv2.GaussianBlur(rng.normal(size=size), (0, 0), 1.2) * 4
    slopes = np.stack([cv2.Sobel(height, -1, 1, 0), cv2.Sobel(height, -1, 0, 1)])
    return slopes * rms / slopes.std()


def _lit(rng, slopes, blur, noise):
    """Return four pictures (4, rows, columns) uint8 under lamps 35° high."""
    p, q = slopes
    elevation = np.radians(35)
    size = p.shape
    albedo = 1 + 0.02 * cv2.GaussianBlur(rng.normal(size=size), (0, 0), 15) * 30 + 0.04 * rng.normal(size=size)
    pictures = []
    for azimuth in np.radians(AZIMUTHS_DEG):
        lx, ly, lz = np.cos(azimuth) * np.cos(elevation), -np.sin(azimuth) * np.cos(elevation), np.sin(elevation)
        # The picture's y runs down, as its slopes do here; p and q are ∂z/∂x and ∂z/∂y of a dent (deeper inside).
        n = 1 / np.sqrt(1 + p**2 + q**2)
        matte = np.clip((-p * lx - q * ly + lz) * n, 0, None)
        half = np.array([lx, ly, lz + 1]) / np.linalg.norm([lx, ly, lz + 1])
        gloss = np.clip((-p * half[0] - q * half[1] + half[2]) * n, 0, None) ** 40
        bright = 110 * rng.uniform(0.9, 1.1) * albedo * matte / np.sin(elevation) + 60 * gloss
        seen = cv2.GaussianBlur(bright, (0, 0), blur) + rng.normal(0, noise, size)
        pictures.append(np.clip(seen, 0, 255).astype(np.uint8))
    return np.array(pictures)


def _sunken(lights, cell):
    """Return dents bright on even ground (rows, columns) uint16: the divergence of the slopes that two pairs show."""
    east, north, west, south = cv2_blurred(lights, 0.18 * cell)
    p = (west - east) / (west + east + 1)
    q = (south - north) / (south + north + 1)  # y down, as the lamps' azimuths run up
    hollow = cv2.Sobel(p, -1, 1, 0) - cv2.Sobel(q, -1, 0, 1)
    hollow = cv2.GaussianBlur(hollow, (0, 0), 0.18 * cell)
    low, high = np.percentile(hollow, (1, 99.5))
    return (np.clip((hollow - low) / (high - low), 0, 1) * 65535).astype(np.uint16)


def cv2_blurred(pictures, sigma):
    """Return float pictures, smoothed."""
    return [cv2.GaussianBlur(p.astype(np.float64), (0, 0), max(sigma, 0.5)) for p in pictures]
