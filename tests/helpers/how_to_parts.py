"""Pictures for the how-to pages on surfaces, drawn in closed form; no code of the package makes them.

The lit plate is matte: a picture of it is ρ·l·n (Lambert), n ∝ (−∂z/∂x, −∂z/∂y, 1), its heights sums of Gaussian dents
and a round bead.
"""

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont
from tests.helpers.lit_scenes import bumps, directions
from tests.helpers.mark_scenes import drawn

SIDES = ("east", "north", "west", "south")
SHAPE, MM = (700, 1000), 0.05


def shown(light, noise=1.0, seed=0, blur=0.8):
    """Return 8 bits of a picture in grey levels, with blur and noise."""
    soft = cv2.GaussianBlur(np.asarray(light, float), (0, 0), blur)
    return np.clip(np.rint(soft + np.random.default_rng(seed).normal(0, noise, soft.shape)), 0, 255).astype(np.uint8)


def places(shape=SHAPE):
    """Return x and y in mm of the pixels, y up from the lowest row."""
    rows, cols = np.mgrid[: shape[0], : shape[1]]
    return cols * MM, (shape[0] - 1 - rows) * MM


def lit(code=None, bead_mm=(), gains=(1, 1, 1, 1), seed=0):
    """Return the four pictures of a plate: a Data Matrix of dents about (300, 250) px, a bead 6 mm above its foot.

    `bead_mm`: stretches (from, to) of x with a bead, 1 mm wide and 0.17 mm high.
    """
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    p, q = np.zeros(SHAPE), np.zeros(SHAPE)
    if code is not None:
        dark = drawn(code, cell_px=1) < 128
        y, x = np.nonzero(dark)
        middle = (np.array([x.min() + x.max(), y.min() + y.max()]) / 2)[None]
        dents = np.array([300.0, 250.0]) + 12 * (np.column_stack([x, y]) - middle)
        p, q = bumps(cols, rows, dents, -1.0, 2.4)
    x, y = places()
    for start, end in bead_mm:
        t = y - 6.0  # across the bead; its ends are round
        s = x - np.clip(x, start + 0.5, end - 0.5)
        inside = np.hypot(s, t) < 0.5
        p, q = (v - 2 * 0.17 / 0.25 * w * inside for v, w in ((p, s), (q, t)))
    normal = np.stack([-p, -q, np.ones(SHAPE)]) / np.sqrt(1 + p * p + q * q)
    return [
        shown(gain * 190 * np.clip(np.tensordot(lamp, normal, 1), 0, None), seed=4 * seed + k, blur=0.7)
        for k, (lamp, gain) in enumerate(zip(directions(45), gains, strict=True))
    ]


def beads(stretches):
    """Return a bright bead, 1.2 mm wide, along the path of the page, and nothing in the given stretches of x (mm)."""
    picture = np.full(SHAPE, 70, np.uint8)
    path = [(2, 6), (42, 6), (46, 10), (46, 28)]
    px = np.array([(16 * x / MM, 16 * (SHAPE[0] - 1 - y / MM)) for x, y in path], np.int32)
    cv2.polylines(picture, [px], False, 190, 24, cv2.LINE_AA, 4)
    x, y = places()
    for start, end in stretches:
        picture[(x > start) & (x < end) & (y < 8)] = 70
    return shown(picture)


def pores():
    """Return a bright face with two pores of 0.5 and 0.3 mm diameter."""
    x, y = places()
    light = np.full(SHAPE, 160.0)
    for cx, cy, r in ((20.0, 14.0, 0.25), (28.3, 17.2, 0.15)):
        light -= 110 * np.clip((r - np.hypot(x - cx, y - cy)) / MM + 0.5, 0, 1)
    return shown(light, noise=1.5)


def printed(seed, scratch=False):
    """Return a print in a fixture, off by up to 1 px; `scratch`: with a bright one, 5 mm long."""
    dx, dy = np.random.default_rng([seed, 1]).uniform(-MM, MM, 2)
    x, y = (v - d for v, d in zip(places(), (dx, dy), strict=True))
    light = np.where((np.sin(1.3 * x) > 0.2) & (np.sin(1.9 * y) > 0.1), 90.0, 170.0)
    if scratch:
        light[(np.abs(y - 14.0 - 0.3 * (x - 20)) < 0.1) & (x > 18) & (x < 23)] = 240
    return shown(light, noise=1.5, seed=seed)


def label(text):
    """Return a printed line of text about (200, 100) px."""
    picture = Image.new("L", (400, 200), 190)
    font = ImageFont.load_default(size=40)
    ImageDraw.Draw(picture).text((200, 100), text, fill=50, font=font, anchor="mm")
    return shown(np.asarray(picture), noise=2.0)


def cap():
    """Return a cap of the page's nominal colour (sRGB 150, 60, 40, by its white patch) beside that patch."""
    picture = np.full((90, 160, 3), 90.0)
    picture[15:65, 30:90], picture[20:60, 110:150] = (150, 60, 40), (220, 210, 190)
    return np.clip(picture + np.random.default_rng(1).normal(0, 2, picture.shape), 0, 255).round().astype(np.uint8)
