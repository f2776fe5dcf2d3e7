"""The renderer against closed forms, quadrature, published arithmetic and its own slow twin."""

import math

import numpy as np
import pytest
from scipy import integrate, special

from tiepoint.render.camera import orthographic, perspective, project, with_brown_corner
from tiepoint.render.integral import irradiance
from tiepoint.render.lenses import FisheyeLens
from tiepoint.render.outline import disc, polygon, rectangle, rounded, slot
from tiepoint.render.scene import Cylinder, Lay, Piece, Scene, Sheet
from tiepoint.render.twin import painted

WIDTH, HEIGHT = 48, 36
BLURS = pytest.mark.parametrize("blur", [0.3, 0.5, 0.8, 2.0])


def psi(s):
    """The integral of the normal distribution function."""
    return s * special.ndtr(s) + np.exp(-s * s / 2) / math.sqrt(2 * math.pi)


def scene_of(*pieces, ground=0.0):
    return Scene(ground, (Sheet(tuple(pieces)),))


def half_plane(angle, offset, far=500.0):
    """Bright where n·(x, y) ≤ offset in image axes; n = (cos, sin) of the angle; a square with far corners."""
    n, t = np.array([math.cos(angle), math.sin(angle)]), np.array([-math.sin(angle), math.cos(angle)])
    corners = np.array([offset * n + a * t - b * n for a, b in ((-far, 0), (far, 0), (far, far), (-far, far))])
    return Piece(polygon(corners * (1, -1)), 1.0, 0.0)


@BLURS
@pytest.mark.parametrize("phase", [0.0, 0.13, 0.5, 0.77])
@pytest.mark.parametrize("upright", [True, False])
def test_edge_along_the_grid_is_the_closed_form(blur, phase, upright):
    # Closed form: ∫ over a pixel of Φ((e − x)/w) = w·[ψ((e − i + ½)/w) − ψ((e − i − ½)/w)].
    at = 17 + phase
    scene = scene_of(half_plane(0.0 if upright else math.pi / 2, at))
    got = irradiance(scene, orthographic(WIDTH, HEIGHT), blur).astype(float)
    profile = got if upright else got.T
    u = at - np.arange(profile.shape[1])
    expected = blur * (psi((u + 0.5) / blur) - psi((u - 0.5) / blur))
    error = np.abs(profile - expected).max()
    # As a displacement: over the steepest slope of the edge, 1/(w_e·√2π).
    steepest = 1 / math.sqrt(2 * math.pi * (blur**2 + 1 / 12))
    assert error / steepest < 2e-5
    assert np.abs(profile.sum(axis=1) - (at + 0.5)).max() < 1e-4


@BLURS
@pytest.mark.parametrize("degrees", [0.4, 7.0, 45.0, 88.0, 131.0])
def test_slanted_edge_is_the_pixel_integral(blur, degrees):
    # Witness: scipy.integrate.quad over the rows of a pixel, the integral along x in closed form.
    angle = math.radians(degrees)
    nx, ny = math.cos(angle), math.sin(angle)
    offset = nx * 20.3 + ny * 15.9
    got = irradiance(scene_of(half_plane(angle, offset)), orthographic(WIDTH, HEIGHT), blur)

    def row(dy, x, y):
        d0, d1 = (offset - nx * (x + e) - ny * (y + dy) for e in (-0.5, 0.5))
        return (blur / nx) * (psi(d0 / blur) - psi(d1 / blur))

    steepest = 1 / math.sqrt(2 * math.pi * (blur**2 + 1 / 12))
    for x, y in [(20, 16), (19, 15), (22, 16), (20, 18), (18, 14), (25, 12)]:
        value, _ = integrate.quad(row, -0.5, 0.5, args=(x, y), epsabs=1e-11)
        assert abs(got[y, x] - value) / steepest < 2e-5


@pytest.mark.parametrize("radius", [0.4, 1.7, 9.3])
def test_disc_has_the_flux_and_the_centre_of_a_disc(radius):
    # Geometry: blur and box keep the area πr² and the centre of mass.
    got = irradiance(scene_of(Piece(disc(22.31, -17.64, radius), 1.0, 0.0)), orthographic(WIDTH, HEIGHT), 0.8)
    mass = got.astype(float)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    assert mass.sum() == pytest.approx(math.pi * radius**2, rel=1e-5)
    assert (mass * x).sum() / mass.sum() == pytest.approx(22.31, abs=2e-5)
    assert (mass * y).sum() / mass.sum() == pytest.approx(17.64, abs=2e-5)


@BLURS
def test_saddle_corner_is_the_product_of_two_edges(blur):
    # Closed form: two opposite quadrants of an upright checker, ½ + ½·(2E(x) − 1)(2E(y) − 1).
    x0, y0, far = 21.37, 16.81, 400.0
    pieces = (
        Piece(rectangle(x0 - far, -y0, x0, -y0 + far), 1.0, 0.0),
        Piece(rectangle(x0, -y0 - far, x0 + far, -y0), 1.0, 0.0),
    )
    got = irradiance(scene_of(*pieces), orthographic(WIDTH, HEIGHT), blur)
    across = [c - np.arange(n) for c, n in ((x0, WIDTH), (y0, HEIGHT))]
    ex, ey = (blur * (psi((u + 0.5) / blur) - psi((u - 0.5) / blur)) for u in across)
    expected = 0.5 + 0.5 * np.outer(2 * ey - 1, 2 * ex - 1)
    assert np.abs(got - expected).max() < 2e-5


def busy_scene():
    """Print scales, bow, ring, slot, hole and rounded corners, close to a strongly distorted camera."""
    plate = Piece(
        rounded(np.array([[-9.0, -6.0], [8.0, -6.5], [8.5, 5.0], [-8.0, 5.5]]), 1.5),
        0.7,
        0.1,
        holes=(disc(-4.0, 1.0, 1.6),),
    )
    inner = (
        Piece(slot(0.0, 2.0, 5.0, 3.0, 1.4), 0.05, 0.7),
        Piece(disc(2.0, -2.0, 2.2), 0.9, 0.7, holes=(disc(2.0, -2.0, 1.1),)),
        Piece(polygon(np.array([[-6.0, -4.0], [-3.0, -4.5], [-4.5, -2.0]])), 0.2, 0.7),
    )
    lay = Lay(0.4, -0.3, 11.0, 0.5, 0.99, 1.013, Cylinder(0.4, 18.0, 30.0))
    return Scene(0.1, (Sheet((plate, *inner), lay),))


@pytest.mark.parametrize("lens", ["brown", "fisheye"])
def test_picture_equals_the_painted_twin(lens):
    camera = perspective(64, 48, 100.0, FisheyeLens())
    if lens == "brown":
        camera = with_brown_corner(perspective(64, 48, 100.0), -7.0, p1=0.01, p2=-0.02)
    camera = camera.aimed((0.0, 0.0), distance_mm=40.0, tilt_deg=25.0, azimuth_deg=40.0, roll_deg=8.0)
    fast = irradiance(busy_scene(), camera, 0.7)
    coarse, fine = (painted(busy_scene(), camera, 0.7, m) - fast for m in (2, 6))
    # Points on a grid stand for areas to m^(−3/2) along an edge, 0.19 from m = 2 to 6: the twin's own error
    # falls towards the fast picture, and is not one-sided.
    assert np.sqrt((fine**2).mean()) < 0.25 * np.sqrt((coarse**2).mean())
    assert np.sqrt((fine**2).mean()) < 1e-3
    assert abs(fine.mean()) < 1e-4


@BLURS
def test_shorter_panels_change_nothing(blur):
    camera = with_brown_corner(perspective(64, 48, 100.0), -7.0).aimed(distance_mm=40.0, tilt_deg=25.0)
    scene = busy_scene()
    assert np.abs(irradiance(scene, camera, blur) - irradiance(scene, camera, blur, 0.4)).max() < 2e-5


def test_edges_left_of_the_picture_light_whole_rows():
    scene = scene_of(Piece(rectangle(-900.0, -20.0, 900.0, 900.0), 1.0, 0.0))
    got = irradiance(scene, orthographic(WIDTH, HEIGHT), 0.8)
    assert np.abs(got - got[:, :1]).max() < 1e-6
    assert got[:10].min() > 1 - 2e-5
    assert got[30:].max() < 2e-5


@pytest.mark.parametrize(("tilt", "bias_px"), [(10, 0.095), (20, 0.179), (30, 0.241), (45, 0.278), (60, 0.241)])
def test_circle_centres_are_biased_under_tilt(tilt, bias_px):
    # Handbook figure f·r²·sinα·cosα/Z² for f 2000 px, r 5 mm, Z 300 mm (computed; first order, hence 2 %).
    camera = perspective(200, 200, 2000.0).aimed(distance_mm=300.0, tilt_deg=tilt)
    mass = irradiance(scene_of(Piece(disc(0, 0, 5.0), 1.0, 0.0)), camera, 0.8).astype(float)
    y, x = np.mgrid[:200, :200]
    middle = np.array([(mass * x).sum(), (mass * y).sum()]) / mass.sum()
    away = np.hypot(*(middle - project(camera, np.zeros((1, 3)))[0]))
    assert away == pytest.approx(bias_px, rel=0.02)
