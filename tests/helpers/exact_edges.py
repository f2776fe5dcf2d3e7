"""Exact pictures of blurred edges, and the least uncertainty that anyone could reach on them.

Read by tests and benchmarks with `runpy.run_path`. A pixel integrates over its square what the lens has blurred: for a
straight edge the integral of Φ over a square is a second difference of its second antiderivative, in closed form; for
a disc the blurred profile is the noncentral χ² distribution, and Gauss-Legendre nodes integrate it over the pixel.
"""

import math

import numpy as np
from scipy import interpolate, optimize, special, stats

PIXEL_VARIANCE = 1.0 / 12.0


def _phi(z):
    return np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)


def _once(s, w):
    """First antiderivative of Φ(s/w)."""
    z = s / w
    return w * (z * special.ndtr(z) + _phi(z))


def _twice(s, w):
    """Second antiderivative of Φ(s/w)."""
    z = s / w
    return 0.5 * w * w * ((z * z + 1) * special.ndtr(z) + z * _phi(z))


def edge_profile(s, angle, w):
    """What pixels at distance s behind a unit step edge show: blur w, integrated over squares turned by the angle."""
    p, q = abs(math.cos(angle)), abs(math.sin(angle))
    p, q = max(p, q), min(p, q)
    if q < 1e-4:
        return (_once(s + p / 2, w) - _once(s - p / 2, w)) / p
    ends = _twice(s + (p + q) / 2, w) + _twice(s - (p + q) / 2, w)
    return (ends - _twice(s + (p - q) / 2, w) - _twice(s - (p - q) / 2, w)) / (p * q)


def straight_edge(rows, cols, x, y, angle, w, low=40.0, high=220.0):
    """A picture with a straight edge through (x, y), getting brighter along the angle (x towards y)."""
    v, u = np.mgrid[0:rows, 0:cols]
    return low + (high - low) * edge_profile((u - x) * math.cos(angle) + (v - y) * math.sin(angle), angle, w)


def disc(rows, cols, x, y, radius, w, inside=220.0, outside=40.0):
    """A picture with a disc."""
    reach = 8 * w + 2
    # P(|X| < R) for X ~ N((r, 0), w²·I): the disc seen at r through a Gaussian.
    r = np.linspace(max(radius - reach, 0), radius + reach, 1200)
    seen = interpolate.CubicSpline(r, stats.ncx2.cdf(radius**2 / w**2, 2, r**2 / w**2))
    nodes, weights = np.polynomial.legendre.leggauss(6)
    v, u = np.mgrid[0:rows, 0:cols]
    away = np.hypot(u - x, v - y)
    near = np.abs(away - radius) < reach - 1.0
    share = (away < radius).astype(float)
    share[near] = sum(
        0.25 * a * b * seen(np.hypot(u[near] + i / 2 - x, v[near] + j / 2 - y))
        for i, a in zip(nodes, weights, strict=True)
        for j, b in zip(nodes, weights, strict=True)
    )
    return outside + (inside - outside) * share


def seen_by_camera(picture, sigma, rng, dtype=np.uint8):
    """Add Gaussian noise and round to the camera's levels."""
    values = picture + rng.normal(0, sigma, picture.shape)
    if dtype == np.float32:
        return values.astype(dtype)
    return np.clip(np.rint(values), 0, np.iinfo(dtype).max).astype(dtype)


def box_pixels(rows, cols, centre, angle, length, width):
    """(s, ac, mask) of the pixels whose centres lie in a turned box."""
    v, u = np.mgrid[0:rows, 0:cols]
    c, s = math.cos(angle), math.sin(angle)
    along, across = (u - centre[0]) * c + (v - centre[1]) * s, (v - centre[1]) * c - (u - centre[0]) * s
    mask = (np.abs(along) <= length / 2) & (np.abs(across) <= width / 2)
    return along[mask], across[mask], mask


def strip_bound(s, ac, angle, w, contrast, sigma, at=0.0, free_tilt=True, known_levels=False):
    """Least standard deviation of the edge's place in a strip: the inverse Fisher matrix of its own pixels.

    Unknown are level, contrast, place, tilt and blur, as in the fit under test; with `known_levels` the place alone.
    """
    h = 1e-4
    z = s - at
    slope = (edge_profile(z + h, angle, w) - edge_profile(z - h, angle, w)) / (2 * h)
    by_blur = (edge_profile(z, angle, w + h) - edge_profile(z, angle, w - h)) / (2 * h)
    columns = [-contrast * slope]
    if not known_levels:
        columns += [np.ones_like(z), edge_profile(z, angle, w), contrast * by_blur]
        columns += [-contrast * ac * slope] if free_tilt else []
    j = np.column_stack(columns)
    return sigma * math.sqrt(np.linalg.inv(j.T @ j)[0, 0])


def slow_fit(picture, centre, angle, length, width):
    """The readable twin: SciPy's curve_fit of level + half·erf((s − s0 − t·ac)/√2w) to all pixels of the box."""
    s, ac, mask = box_pixels(*picture.shape, centre, angle, length, width)
    values = picture[mask].astype(float)

    def model(_, level, half, s0, t, w):
        return level + half * special.erf((s - s0 - t * ac) / (math.sqrt(2) * w))

    low, high = values[s < -length / 4].mean(), values[s > length / 4].mean()
    start = [(low + high) / 2, (high - low) / 2, 0.3, 0.0, 1.2]
    found, covariance = optimize.curve_fit(model, None, values, p0=start)
    return found, np.sqrt(np.diag(covariance))


def fit_of_row_means(profile):
    """What one would otherwise call: curve_fit of an erf to the mean over the rows of an upright strip."""
    x = np.arange(profile.size) - (profile.size - 1) / 2

    def model(x, level, half, s0, w):
        return level + half * special.erf((x - s0) / (math.sqrt(2) * w))

    low, high = profile[:10].mean(), profile[-10:].mean()
    return optimize.curve_fit(model, x, profile, p0=[(low + high) / 2, (high - low) / 2, 0.0, 1.0])[0][2]
