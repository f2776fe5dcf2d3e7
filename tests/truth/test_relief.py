"""Relief against closed forms: Lambert's law solved by hand, noise, a lamp's gain, a near lamp's bowl, integration.

Pictures are computed here from closed-form normals, with no code of the package: I = ρ·L·n (Woodham, Optical
Engineering 19, 1980, eq. 2). Figures marked "by hand" were worked out from that formula.
"""

import numpy as np
import pytest
from scipy import fft, sparse
from scipy.sparse import linalg as sparse_linalg

from tiepoint.vision.relief import relief_of
from tiepoint.vision.relief_integrate import integrate
from tiepoint.vision.relief_lights import Light, Lights, from_angles

SIZE = (96, 128)


def ring(elevation_deg=45.0, count=4):
    return Lights(tuple(Light(f"{k}", from_angles(360 / count * k, elevation_deg)) for k in range(count)))


def matte(lights, slope_x, slope_y, albedo=180.0):
    """Return pictures of a matte surface, one a lamp: albedo times the cosine of the angle between lamp and normal."""
    n = np.stack([-slope_x, -slope_y, np.ones_like(slope_x)]) / np.sqrt(1 + slope_x**2 + slope_y**2)
    return [(albedo * np.tensordot(light.direction, n, 1)).astype(np.float32) for light in lights.lights]


def even(value):
    return np.full(SIZE, value)


def seen(lights, slope_x, slope_y, **options):
    found = relief_of(matte(lights, slope_x, slope_y), lights, **options)
    assert not hasattr(found, "code"), found
    return found


def test_four_lamps_solve_to_the_surface_that_made_them():
    # By hand: n ∝ (−0.1, 0.05, 1), ρ 180, lamps at 45°: 113.84, 132.82, 139.14, 120.17.
    pictures = matte(ring(), even(0.1), even(-0.05))
    assert [float(p[0, 0]) for p in pictures] == pytest.approx([113.84, 132.82, 139.14, 120.17], abs=0.005)
    found = relief_of(pictures, ring())
    assert found.albedo[5, 5] == pytest.approx(180.0, rel=1e-6)
    assert (found.slope_x[5, 5], found.slope_y[5, 5]) == pytest.approx((0.1, -0.05), abs=1e-6)


def test_rounding_to_whole_grey_levels_is_all_that_eight_bits_change():
    # By hand, from 114, 133, 139, 120: ρ 180.00, slopes 0.0988 and −0.0514.
    pictures = [np.full(SIZE, v, np.uint8) for v in (114, 133, 139, 120)]
    found = relief_of(pictures, ring())
    assert found.albedo[5, 5] == pytest.approx(180.00, abs=0.005)
    assert (found.slope_x[5, 5], found.slope_y[5, 5]) == pytest.approx((0.0988, -0.0514), abs=5e-5)


@pytest.mark.parametrize(("count", "kind"), [(3, np.float32), (4, np.float32), (5, np.uint8), (8, np.uint16)])
def test_any_number_of_lamps_and_depth_of_picture_gives_the_pseudo_inverse(count, kind):
    rng = np.random.default_rng(count)
    lights = ring(50.0, count)
    pictures = [
        rng.uniform(0.99, 1.01, SIZE) * p * (200 if kind == np.uint16 else 1)
        for p in matte(lights, even(0.1), even(0.2))
    ]
    pictures = [np.rint(p).astype(kind) for p in pictures]
    found = relief_of(pictures, lights, noise=10.0 * (200 if kind == np.uint16 else 1))
    g = np.einsum(
        "ij,jyx->iyx", np.linalg.pinv(np.array([light.direction for light in lights.lights])), np.stack(pictures)
    )
    assert (found.used == 2**count - 1).all()
    assert found.albedo == pytest.approx(np.linalg.norm(g, axis=0), rel=1e-5)
    assert found.slope_x == pytest.approx(-g[0] / g[2], abs=1e-5)
    assert found.slope_y == pytest.approx(-g[1] / g[2], abs=1e-5)


def test_a_bump_is_bright_on_the_side_of_its_lamp():
    # Azimuth 0 lights the +x side, 90° the side towards the picture's top; slopes are rise per run, y up.
    y, x = np.mgrid[:96, :128].astype(float)
    z = 10 * np.exp(-((x - 64) ** 2 + (y - 48) ** 2) / (2 * 12.0**2))
    slope_x, slope_y = -(x - 64) / 144 * z, (y - 48) / 144 * z
    pictures = matte(ring(), slope_x, slope_y)
    assert pictures[0][48, 74] > pictures[0][48, 54]
    assert pictures[1][38, 64] > pictures[1][58, 64]
    found = relief_of(pictures, ring())
    assert found.relief == pytest.approx(z - z.mean(), abs=2e-4)
    assert found.curvature[48, 64] == pytest.approx(2 * 10 / 144, rel=0.02)  # −z″ along x and y, by hand
    assert found.curvature[48, 64] > 0 > found.curvature[48, 84]


@pytest.mark.parametrize(("slant", "noisy", "gain"), [(30, 1.016, 0.495), (45, 0.718, 0.286), (60, 0.586, 0.165)])
def test_noise_and_a_lamps_gain_turn_normals_as_the_closed_form_says(slant, noisy, gain):
    # By hand for a flat part, slant θ: cov(slopes) = (σ/ρ)²/(2 sin²θ), mean angle √(π/2) times its root;
    # a lamp 1 % stronger turns the normal by 0.01·cos θ/(2 sin θ) rad, here to first order.
    lights = ring(90 - slant)
    assert noisy == pytest.approx(np.degrees(0.01 * np.sqrt(np.pi) / 2 / np.sin(np.radians(slant))), abs=5e-4)
    rng = np.random.default_rng(slant)
    flat = [
        p + rng.normal(0, 1.8, (400, 500)).astype(np.float32)
        for p in matte(lights, np.zeros((400, 500)), np.zeros((400, 500)))
    ]
    found = relief_of(flat, lights, noise=1.8)
    angles = np.degrees(np.arctan(np.hypot(found.slope_x, found.slope_y)))
    assert angles.mean() == pytest.approx(noisy, rel=0.01)  # 200,000 pixels: ± 0.12 % of the mean is one deviation
    off = matte(lights, even(0.0), even(0.0))
    off[0] = off[0] * np.float32(1.01)
    found = relief_of(off, lights, noise=0.1)
    assert np.degrees(np.arctan(found.slope_x[5, 5])) == pytest.approx(-gain, abs=1.5e-3)


def near_flat(radius_mm, height_mm, xy_mm):
    """Return pictures of a flat matte plate under four near lamps: z of the direction over the squared distance."""
    places = [(radius_mm * np.cos(a), radius_mm * np.sin(a), height_mm) for a in np.radians([0, 90, 180, 270])]
    pictures = []
    for place in places:
        away = np.array(place) - np.concatenate([xy_mm, np.zeros((*xy_mm.shape[:-1], 1))], -1)
        distance = np.linalg.norm(away, axis=-1)
        pictures.append(away[..., 2] / distance**3)
    scale = 150 / max(p.max() for p in pictures)
    return places, [(scale * p).astype(np.float32) for p in pictures]


MM = 0.5
COLUMNS, ROWS = 201, 161
ACROSS = np.stack(np.meshgrid((np.arange(COLUMNS) - 100) * MM, (80 - np.arange(ROWS)) * MM), -1)


def test_near_lamps_taken_for_far_ones_make_a_dome_of_a_flat_plate():
    # By hand: lamps 200 mm out and 200 mm up; at x = 50 mm a false slope of −0.375, and the edge 9.38 mm too low.
    _, pictures = near_flat(200, 200, ACROSS)
    found = relief_of(pictures, ring(45), mm_per_px=MM, leave_out=False)
    assert found.slope_x[80, 200] == pytest.approx(-0.375, abs=0.002)
    assert found.relief[80, 200] - found.relief[80, 100] == pytest.approx(-9.38, abs=0.25)


@pytest.mark.parametrize("how", ["by place", "by flat reference"])
def test_near_lamps_leave_a_flat_plate_flat_within_a_thousandth_of_its_width(how):
    places, pictures = near_flat(200, 200, ACROSS)
    near = Lights(tuple(Light(str(k), position_mm=place) for k, place in enumerate(places)))
    if how == "by place":
        found = relief_of(pictures, near, mm_per_px=MM, noise=0.01)
    else:
        found = relief_of([0.6 * p for p in pictures], ring(45), mm_per_px=MM, flat=pictures, noise=0.01)
    assert np.ptp(found.relief) < 1e-3 * 100
    assert (found.used == 15).all()


def test_integration_is_exact_to_fourth_order():
    # A bump of height 10 and s 12 on a plane, 128 × 128: 1e-4 px at most (a second-order Poisson solver: 7e-4).
    y, x = np.mgrid[:128, :128].astype(float)
    bump = 10 * np.exp(-((x - 64) ** 2 + (y - 64) ** 2) / 288)
    z = bump + 0.1 * x - 0.05 * y
    found = integrate(
        (-(x - 64) / 144 * bump + 0.1).astype(np.float32), ((y - 64) / 144 * bump + 0.05).astype(np.float32)
    )
    assert np.std(found - z) < 2e-5


def cap(n=96, radius=150.0, rim=40.0):
    """A sphere's cap on a plane, n × n: heights, slopes to the right and down; the crease at its rim is left in."""
    y, x = np.mgrid[:n, :n] - (n - 1) / 2
    inside = x * x + y * y < rim * rim
    depth = np.sqrt(radius**2 - np.where(inside, x * x + y * y, rim * rim))
    return depth, np.where(inside, -x / depth, 0), np.where(inside, -y / depth, 0)


def sparse_least_squares(right, down):
    """The surface (rows, cols) whose steps come closest to the slopes' means over them, by SciPy's sparse solver.

    Steps by the same rule as the package's, written anew: (−1, 13, 13, −1)/24 inside, (1, 1)/2 at borders.
    """
    n = right.shape[0]
    ahead = sparse.diags([-1.0, 1.0], [0, 1], (n - 1, n))
    mean = sparse.lil_matrix(sparse.diags([13 / 24, 13 / 24], [0, 1], (n - 1, n)))
    for k in range(1, n - 2):
        mean[k, [k - 1, k + 2]] = -1 / 24
    mean[0, :2] = mean[n - 2, n - 2 :] = 0.5
    along, down_rows = (sparse.kron(*pair).tocsr() for pair in ((sparse.eye(n), ahead), (ahead, sparse.eye(n))))
    steps = sparse.vstack([along, down_rows])
    wanted = np.concatenate([(right @ mean.T.toarray()).ravel(), (mean @ down).ravel()])
    normal = (steps.T @ steps).tolil()
    # The mean height is free: one pixel is pinned.
    normal[0] = 0
    normal[0, 0] = 1
    pulled = steps.T @ wanted
    pulled[0] = 0
    z = sparse_linalg.spsolve(normal.tocsc(), pulled).reshape(right.shape)
    return z - z.mean()


def test_a_sphere_cap_is_integrated_as_a_sparse_solver_does_and_as_it_is():
    # SciPy's sparse solver as witness, with creases and all; scikit-image integrates no slopes.
    z, right, down = cap()
    found = integrate(right.astype(np.float32), (-down).astype(np.float32))
    assert found == pytest.approx(sparse_least_squares(right, down), abs=2e-4)
    # Closed form: without a crease in the picture nothing but rounding is left of 6 px of height.
    z, right, down = cap(rim=500.0, radius=600.0)
    found = integrate(right.astype(np.float32), (-down).astype(np.float32))
    assert found == pytest.approx(z - z.mean(), abs=2e-4)


def frankot_chellappa(slope_right, slope_down):
    """Frankot and Chellappa, IEEE PAMI 10, 1988: projection on periodic surfaces in the Fourier domain."""
    v, u = (2 * np.pi * fft.fftfreq(n)[:, None] for n in slope_right.shape)
    u = u.T
    spectrum = (-1j * u * fft.fft2(slope_right) - 1j * v * fft.fft2(slope_down)) / np.maximum(u**2 + v**2, 1e-12)
    spectrum[0, 0] = 0
    return fft.ifft2(spectrum).real


def test_a_tilt_is_kept_where_a_periodic_integration_loses_it():
    # By the same scene: Frankot-Chellappa is 4.131 px off, which is the tilt that a periodic surface cannot have.
    y, x = np.mgrid[:128, :128].astype(float)
    bump = 10 * np.exp(-((x - 64) ** 2 + (y - 64) ** 2) / 288)
    right, down = -(x - 64) / 144 * bump + 0.1, -(y - 64) / 144 * bump + 0.05
    z = bump + 0.1 * x + 0.05 * y
    assert np.std(frankot_chellappa(right, down) - z) == pytest.approx(4.131, abs=5e-4)
    assert np.std(integrate(right.astype(np.float32), (-down).astype(np.float32)) - z) < 1e-3


def test_a_ground_that_is_turned_and_scaled_gives_the_same_surface():
    # A plane frame turned by 30° at 0.05 mm/px: a plane rises by its slopes times the way on the ground.
    angle = np.radians(30)
    affine = 0.05 * np.array([[np.cos(angle), np.sin(angle), 3], [np.sin(angle), -np.cos(angle), 4]])
    found = seen(ring(), even(0.2), even(-0.1), plane_from_image=affine)
    y, x = np.mgrid[: SIZE[0], : SIZE[1]].astype(float)
    ground = np.stack([x, y, np.ones_like(x)], -1) @ affine.T
    z = ground @ [0.2, -0.1]
    assert found.unit == "mm"
    assert found.relief == pytest.approx(z - z.mean(), abs=1e-4)


@pytest.mark.parametrize("radius", [60.0, 90.0])
def test_a_cylinder_curves_by_one_over_its_radius_however_steep(radius):
    x = np.mgrid[: SIZE[0], : SIZE[1]][1].astype(float)
    slope = -(x - 64) / np.sqrt(radius**2 - np.minimum((x - 64) ** 2, 50.0**2))
    found = seen(ring(70), slope, 0 * slope)
    assert found.curvature[48, 24:104] == pytest.approx(1 / radius, rel=0.01)


def test_pictures_that_may_not_be_written_to_are_as_good_as_others():
    # As of a file that is mapped into memory: kernels must not ask that all be of one kind.
    shot = [np.rint(v).astype(np.uint8) for v in matte(ring(), even(0.1), even(0.0))]
    both = []
    for locked in (False, True):
        shot[1].flags.writeable = not locked
        both.append(relief_of(shot, ring(), register=False).confidence)
    assert np.array_equal(*both)
    assert both[0].min() > 0
