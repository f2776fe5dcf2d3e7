"""Surfaces under several lamps, in closed form, for tests of relief: no code of the package makes them.

A surface is a sum of Gaussian bumps and dents, strokes and a print; a picture of it is ρ·L·n (Lambert), seen through a
Gaussian blur by sampling finer than the pixels, moved by any fraction of a pixel.
"""

import numpy as np
from scipy import ndimage

AZIMUTHS = (0, 90, 180, 270)


def directions(elevation_deg=45.0, azimuths=AZIMUTHS):
    e = np.radians(elevation_deg)
    return np.array([(np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)) for a in np.radians(azimuths)])


def bumps(x, y, places, height, s):
    """Return slopes (up is +y) at pixel places of Gaussian bumps (dents where height is negative)."""
    p, q = np.zeros_like(x), np.zeros_like(x)
    first, step = (x[0, 0], y[0, 0]), x[0, 1] - x[0, 0]
    for (cx, cy), h in zip(places, np.broadcast_to(height, len(places)), strict=True):
        near = tuple(
            slice(max(int((c - 6 * s - begin) / step), 0), max(int((c + 6 * s - begin) / step), 0))
            for c, begin in ((cy, first[1]), (cx, first[0]))
        )
        z = h * np.exp(-((x[near] - cx) ** 2 + (y[near] - cy) ** 2) / (2 * s * s))
        p[near] -= (x[near] - cx) / s**2 * z
        q[near] += (y[near] - cy) / s**2 * z
    return p, q


def print_on(x, y, rng, contrast=0.5, cell=9.0):
    """Return an albedo of random squares of `cell` px with soft edges, at pixel places."""
    table = rng.random((80, 80)) < 0.5
    u, v = x / cell, y / cell
    a, b = np.floor(u - 0.5).astype(int) % 80, np.floor(v - 0.5).astype(int) % 80
    s, t = (np.clip((w - np.floor(w) - 0.5) * cell / 2 + 0.5, 0, 1) for w in (u - 0.5, v - 0.5))
    t00, t10, t01, t11 = (table[(b + j) % 80, (a + i) % 80] for j, i in ((0, 0), (0, 1), (1, 0), (1, 1)))
    value = (t00 * (1 - s) + t10 * s) * (1 - t) + (t01 * (1 - s) + t11 * s) * t
    return 1 - contrast * value


def pictures(kind, shape, lamps, shifts=None, seed=0, sigma=1.5, fine=3, blur=0.7, gains=None, bits=8, gloss=0.0):
    """Return the pictures of a scene under each lamp, moved by `shifts` (n, 2) px, x right and y down.

    `kind`: "dots", "strokes", "print", "printed dots", "dented". `gloss`: height of a lobe about the mirror direction,
    as a share of the matte light (Phong's law, power 30).
    """
    rows, cols = shape
    shifts = np.zeros((len(lamps), 2)) if shifts is None else np.asarray(shifts, float)
    rng = np.random.default_rng([seed, 77])
    fy, fx = ((np.arange(n * fine) + 0.5) / fine - 0.5 for n in shape)
    out = []
    for k, (lamp, shift) in enumerate(zip(lamps, shifts, strict=True)):
        x, y = np.meshgrid(fx - shift[0], fy - shift[1])
        p, q, albedo = surface(kind, x, y, shape, np.random.default_rng(seed))
        n = np.stack([-p, -q, np.ones_like(p)]) / np.sqrt(1 + p * p + q * q)
        matte = np.clip(np.tensordot(lamp, n, 1), 0, None)
        mirrored = 2 * n[2] * matte - lamp[2]
        light = 170 * albedo * (matte + gloss * np.clip(mirrored, 0, None) ** 30)
        light = ndimage.gaussian_filter(light, blur * fine).reshape(rows, fine, cols, fine).mean(axis=(1, 3))
        light = light * (1.0 if gains is None else gains[k])
        scale = 1 if bits == 8 else 256
        seen = scale * (light + rng.normal(0, sigma, shape))
        out.append(np.clip(np.rint(seen), 0, scale * 255).astype(np.uint8 if bits == 8 else np.uint16))
    return out


def surface(kind, x, y, shape, rng):
    rows, cols = shape
    p, q, albedo = np.zeros_like(x), np.zeros_like(x), np.ones_like(x)
    if "dots" in kind:
        places = [
            (cx + rng.uniform(-3, 3), cy + rng.uniform(-3, 3))
            for cx in range(20, cols, 26)
            for cy in range(20, rows, 26)
        ]
        p, q = bumps(x, y, places, -1.5, 4.0)
    if kind == "dented":
        places = rng.uniform(0, 1, (25, 2)) * (cols, rows)
        p, q = bumps(x, y, places, rng.uniform(-4, 4, 25), 9.0)
    if kind == "strokes":
        for _ in range(40):
            (cx, cy), a = rng.uniform(0, 1, 2) * (cols, rows), rng.uniform(0, np.pi)
            along, across = (x - cx) * np.cos(a) + (y - cy) * np.sin(a), -(x - cx) * np.sin(a) + (y - cy) * np.cos(a)
            z = 1.2 * np.exp(-((across / 3.0) ** 2) - (along / 25.0) ** 4)
            zc, zl = -2 * across / 9.0 * z, -4 * along**3 / 25.0**4 * z
            p += zl * np.cos(a) - zc * np.sin(a)
            q -= zl * np.sin(a) + zc * np.cos(a)
    if "print" in kind:
        albedo = print_on(x, y, rng)
    return p, q, albedo
