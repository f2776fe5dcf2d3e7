"""Ties by pairs against worked examples, general libraries, and their own stated uncertainty."""

import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.transform import AffineTransform, EuclideanTransform, ProjectiveTransform, SimilarityTransform

from tiepoint.foundation.sources import Source, Values, measured
from tiepoint.ties.pair_fit import Noise, apply, fit_pairs, unseen_errors
from tiepoint.ties.pairs import tie_by_pairs
from tiepoint.ties.tie import Sensor

PX = np.array([(100.0, 100), (1900, 120), (1880, 1300), (110, 1280)])
MM = np.array([(304.09, 44.23), (392.49, 27.56), (381.30, -30.36), (294.27, -13.95)])


def test_worked_similarity() -> None:
    # Closed form (Umeyama 1991), computed independently in double precision for the same four pairs.
    fit = fit_pairs("similarity", PX * [1, -1], MM)
    assert fit.scale == pytest.approx(0.05000, abs=5e-6)
    assert math.degrees(fit.angle_rad) == pytest.approx(-10.030, abs=5e-4)
    assert fit.matrix[:2, 2] == pytest.approx((300.021, 50.021), abs=5e-4)
    assert fit.rms == pytest.approx(0.0288, abs=5e-5)
    unseen = unseen_errors(fit, PX * [1, -1], MM)
    assert unseen is not None
    assert np.hypot(*unseen.T).max() == pytest.approx(0.0739, abs=5e-5)
    # A similarity is linear in its unknowns, so leverage says the same without refits.
    assert fit.unseen_by_leverage == pytest.approx(unseen, abs=1e-9)


def test_the_tie_speaks_raw_pixels() -> None:
    tie = tie_by_pairs(PX, MM).tie
    assert tie.model == "similarity"
    assert np.linalg.det(tie.matrix) < 0, "right relations are mirrored in raw pixels, whose y runs down"
    mapped = tie.map(PX)
    assert mapped.inside.all()
    assert np.hypot(*(mapped.xy_mm - MM).T).max() < 0.05
    assert tie.quality is not None
    assert tie.quality.max_mm == pytest.approx(0.0739, abs=5e-5)
    assert tie.residuals is not None
    assert tie.residuals.fit_mm == pytest.approx(mapped.xy_mm - MM, abs=1e-9)


def test_worked_homography() -> None:
    # Four points determine it; the fifth value was computed independently.
    px = np.array([(200.0, 150), (2250, 180), (2200, 1850), (240, 1800)])
    mm = np.array([(0.0, 0), (100, 0), (100, -80), (0, -80)])
    result = tie_by_pairs(px, mm, model="projective", u_from=0.1)
    assert result.tie.map([[1225.0, 1000.0]]).xy_mm[0] == pytest.approx((50.4540, -39.3413), abs=5e-5)
    assert "no_redundancy" in result.tie.flags
    assert result.tie.quality is None


point = st.tuples(st.floats(-1000, 1000), st.floats(-1000, 1000))


def spread_points(rng: np.random.Generator, n: int) -> np.ndarray:
    while True:
        points = rng.uniform(-1000, 1000, (n, 2))
        if np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[1] > 300:
            return points


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(5, 30), st.floats(0, 20))
def test_fits_agree_with_scikit_image_and_opencv(seed: int, n: int, noise: float) -> None:
    rng = np.random.default_rng(seed)
    f = spread_points(rng, n)
    angle = rng.uniform(-math.pi, math.pi)
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    t = f @ turn.T * 1.3 + [50, -20] + rng.normal(0, noise, (n, 2))
    rigid = EuclideanTransform.from_estimate(f, t).params
    assert fit_pairs("rigid", f, t).matrix == pytest.approx(rigid, abs=1e-8)
    similar = SimilarityTransform.from_estimate(f, t).params
    assert fit_pairs("similarity", f, t).matrix == pytest.approx(similar, abs=1e-8)
    # scikit-image fits an affine by algebraic error, as the projective: without noise they must agree. With noise
    # the least squares of `numpy.linalg.lstsq`, written out, is the witness.
    design = np.column_stack([f, np.ones(n)])
    written_out = np.linalg.lstsq(design, t, rcond=None)[0].T
    affine = fit_pairs("affine", f, t).matrix
    assert affine[:2] == pytest.approx(written_out, abs=1e-8)
    exact = apply(affine, f)
    assert fit_pairs("affine", f, exact).matrix == pytest.approx(
        AffineTransform.from_estimate(f, exact).params, abs=1e-7
    )


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(6, 30), st.floats(0.01, 2))
def test_projective_agrees_with_opencv_and_beats_the_linear_solution(seed: int, n: int, noise: float) -> None:
    rng = np.random.default_rng(seed)
    f = spread_points(rng, n)
    true = np.array([[0.9, 0.1, 20], [-0.2, 1.1, -5], [rng.uniform(-2e-4, 2e-4), rng.uniform(-2e-4, 2e-4), 1]])
    t = apply(true, f) + rng.normal(0, noise, (n, 2))
    ours = fit_pairs("projective", f, t)
    # OpenCV minimises the same one-sided error by Levenberg-Marquardt, and stops a little earlier.
    theirs = np.sum((t - apply(cv2.findHomography(f, t, 0)[0], f)) ** 2)
    linear = np.sum((t - apply(ProjectiveTransform.from_estimate(f, t).params, f)) ** 2)
    assert ours.chi2 <= theirs * (1 + 1e-9)
    assert ours.chi2 == pytest.approx(theirs, rel=1e-3)
    assert ours.chi2 <= linear * (1 + 1e-9)


@pytest.mark.parametrize("model", ["rigid", "similarity", "affine", "projective"])
def test_stated_covariance_is_the_scatter_of_repeated_fits(model: str) -> None:
    # 400 fits with noise on both sides: the spread of a mapped point against its stated u, each within
    # 3.5 standard deviations of a sample variance, √(2/400).
    rng = np.random.default_rng(7)
    f = spread_points(rng, 9)
    true = np.array([[0.8, 0.6, 10], [-0.6, 0.8, 5], [0, 0, 1]])
    if model == "projective":
        true[2, :2] = 1e-4, -5e-5
    noise = Noise(0.5, 0.3)
    asked = np.array([[0.0, 0.0], [600.0, -300.0]])
    exact = apply(true, f)
    found = []
    for _ in range(400):
        fit = fit_pairs(
            model,  # type: ignore[arg-type]
            f + rng.normal(0, noise.u_from, f.shape),
            exact + rng.normal(0, noise.u_to, f.shape),
            noise,
        )
        found.append(apply(fit.matrix, asked).ravel())
    reference = fit_pairs(model, f, exact, noise)  # type: ignore[arg-type]
    from tiepoint.ties.tie import project

    jacobian = (project(reference.matrix, asked)[2] @ reference.basis).reshape(4, -1)
    stated = np.diag(jacobian @ reference.cofactor @ jacobian.T)
    ratio = np.var(found, axis=0, ddof=1) / stated
    assert ratio == pytest.approx(np.ones(4), abs=3.5 * math.sqrt(2 / 400))


def station(rng: np.random.Generator, n: int, tilt_deg: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """A pinhole over a plane, written out by rays: pixels with noise, their places, and asked places inside."""
    width, height, focal = 2448, 2048, 6000.0
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    while True:
        px = rng.uniform([100, 100], [width - 100, height - 100], (n, 2))
        if np.linalg.svd(px - px.mean(axis=0), compute_uv=False)[1] > 600:
            break
    asked = rng.dirichlet(np.ones(n), 4) @ px
    alpha, azimuth = math.radians(tilt_deg), rng.uniform(0, 2 * math.pi)
    axis = np.array([math.cos(azimuth), math.sin(azimuth), 0.0])
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    rotation = np.eye(3) + math.sin(alpha) * cross + (1 - math.cos(alpha)) * cross @ cross

    def places(points: np.ndarray) -> np.ndarray:
        rays = np.column_stack([(points - middle) * [1, -1], np.full(len(points), -focal)]) @ rotation.T
        return 300 * rays[:, :2] / -rays[:, 2:]

    return px + rng.normal(0, 0.5, px.shape), places(px), asked, places(asked)


@pytest.mark.parametrize(("tilt_deg", "n"), [(0.0, 6), (12.0, 8)])
def test_stated_intervals_cover_the_truth(tilt_deg: float, n: int) -> None:
    # 40 stations, 8 coordinates each, of which one station's share their errors: at a true 95 %, fewer than 35 of 40
    # have a chance below 2 % even if the eight were one. Thousands are in proofs/pairs.py.
    rng = np.random.default_rng(11)
    covered = total = 0
    for _ in range(40):
        px, mm, asked, truth = station(rng, n, tilt_deg)
        tie = tie_by_pairs(px, mm, sensor=Sensor(2448, 2048)).tie
        mapped = tie.map(asked)
        assert mapped.inside.all()
        for k in range(len(asked)):
            values = Values(mapped.xy_mm[k], mapped.d_sources[k], tie.all_sources)
            for axis in (0, 1):
                covered += abs(mapped.xy_mm[k, axis] - truth[k, axis]) <= values[axis].U95
                total += 1
    assert covered / total >= 35 / 40


def test_the_model_follows_the_evidence() -> None:
    rng = np.random.default_rng(3)
    straight = [tie_by_pairs(*station(rng, 9, 0.0)[:2]).tie.model for _ in range(10)]
    tilted = [tie_by_pairs(*station(rng, 9, 20.0)[:2]).tie.model for _ in range(10)]
    assert straight.count("similarity") >= 7
    assert tilted.count("projective") == 10


def test_height_uncertainty_enters_about_the_foot() -> None:
    # ΔL = L·u_h/Z (the plane seen from Z 400): 50 mm, u_h 0.3 → 0.0375 mm; nothing else in this exact set.
    f = np.array([(0.0, 0), (2000, 0), (2000, 1500), (0, 1500), (1000, 700), (400, 300)])
    t = (f - [1000, 750]) * [0.05, -0.05]
    source = Source("part-height", "height of the part", "B", 0.3, "part")
    tie = tie_by_pairs(
        f,
        t,
        model="similarity",
        height=measured(0.0, source),
        distance=measured(400.0, source),
        sensor=Sensor(2001, 1501),
    ).tie
    mapped = tie.map([[1000.0, 750.0], [2000.0, 750.0]])
    k = mapped.sources.index(source)
    stretch = (mapped.d_sources[1, 0, k] - mapped.d_sources[0, 0, k]) * source.u
    assert stretch == pytest.approx(0.0375, rel=1e-6)
    assert tie.distance_mm == 400.0
