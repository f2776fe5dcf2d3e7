"""The shape finder against geometry that is known exactly, against real photographs, and against OpenCV."""

import math
import runpy
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from skimage import data

from tiepoint.vision.seek import seek
from tiepoint.vision.seek_model import Pose
from tiepoint.vision.seek_teach import teach

scenes = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "helpers" / "shape_scenes.py")))


def perspective(ground):
    """A camera tilted by about 20° with 3 % of barrel distortion at 600 px, seen from mm with y up; in closed form."""
    H = np.array([[9.5, -0.6, 120.0], [0.4, -9.0, 620.0], [1.2e-3, 9.0e-4, 1.0]])
    middle, k = np.array([400.0, 350.0]), -0.03 / 600.0**2
    h = np.column_stack([ground, np.ones(len(ground))]) @ H.T
    ideal = h[:, :2] / h[:, 2:]
    d_ideal = (H[None, :2, :2] - ideal[:, :, None] * H[None, 2, :2]) / h[:, 2][:, None, None]
    u = ideal - middle
    r2 = (u**2).sum(axis=1)
    lens = (1 + k * r2)[:, None, None] * np.eye(2) + 2 * k * u[:, :, None] * u[:, None, :]
    return middle + u * (1 + k * r2)[:, None], lens @ d_ideal


def photographed(pose, rng, noise=2.0):
    """The bracket, 28 mm across, as the camera above shows it."""
    picture = np.full((700, 800), 60.0)
    loops = []
    for loop in scenes.bracket():
        ends = np.roll(loop, -1, axis=0)
        dense = [a + np.linspace(0, 1, 12, endpoint=False)[:, None] * (b - a) for a, b in zip(loop, ends, strict=True)]
        loops.append(perspective(Pose(*pose).place(np.vstack(dense) * [0.1, -0.1]))[0])
    scenes.put(picture, loops, 180.0, 0.8)
    return scenes.taken(picture, noise, rng)


def test_jacobians_of_the_tests_own_camera():
    at = np.array([[20.0, 30.0], [5.0, 50.0]])
    _, jac = perspective(at)
    for k in (0, 1):
        step = np.eye(2)[k] * 1e-5
        np.testing.assert_allclose(
            (perspective(at + step)[0] - perspective(at - step)[0]) / 2e-5, jac[:, :, k], atol=1e-6
        )


def test_poses_through_perspective_and_lens_are_told_in_mm():
    """Errors over their stated u have unit spread, in mm, wherever the part lies."""
    rng, pulls, off = np.random.default_rng(11), [], []
    for k in range(60):
        if k % 6 == 0:
            start = (30.0 + rng.uniform(-1, 1), 35.0 + rng.uniform(-1, 1), rng.uniform(-math.pi, math.pi))
            everything = np.ones((700, 800), bool)
            taught = teach(photographed(start, rng), everything, Pose(*start), perspective)
        pose = (rng.uniform(20, 50), rng.uniform(22, 48), rng.uniform(-math.pi, math.pi))
        found = seek(photographed(pose, rng), taught, perspective).found[0]
        e = np.array([found.pose.x - pose[0], found.pose.y - pose[1], found.pose.angle - pose[2]])
        e[2] = (e[2] + math.pi) % math.tau - math.pi
        off.append(np.hypot(e[0], e[1]))
        pulls.append(e / np.sqrt(np.diag(found.cov)[:3]))
    # A pixel is about 0.11 mm here.
    assert math.sqrt(np.mean(np.square(off))) < 0.012 * 0.11
    assert 0.6 < math.sqrt(np.mean(np.square(pulls))) < 1.3


def test_stated_uncertainty_holds_over_noise():
    """300 finds, ten of each of 30 taught shapes: errors over u have unit spread in x, y, angle and size (χ²)."""
    rng, pulls = np.random.default_rng(12), []
    for k in range(300):
        if k % 10 == 0:
            start = (200.0 + rng.uniform(-1, 1), 200.0 + rng.uniform(-1, 1), rng.uniform(-math.pi, math.pi))
            taught = teach(drawn(start, rng), np.ones((400, 400), bool), Pose(*start))
        pose = (200 + rng.uniform(-10, 10), 200 + rng.uniform(-10, 10), rng.uniform(-math.pi, math.pi))
        found = seek(drawn(pose, rng), taught).found[0]
        pulls.append(over_u(found, pose))
    spread = np.sqrt(np.mean(np.square(pulls), axis=0))
    assert (spread > 0.8).all(), spread
    assert (spread < 1.2).all(), spread


@pytest.mark.parametrize("kind", [{"blur": 2.0}, {"hide": True}], ids=["blurred", "hidden"])
def test_stated_uncertainty_holds_where_less_is_seen(kind):
    """200 finds, ten of each of 20 shapes taught sharp and whole: errors over u have unit spread (χ²)."""
    rng, pulls = np.random.default_rng(13), []
    for k in range(200):
        if k % 10 == 0:
            start = (200.0 + rng.uniform(-1, 1), 200.0 + rng.uniform(-1, 1), rng.uniform(-math.pi, math.pi))
            taught = teach(drawn(start, rng), np.ones((400, 400), bool), Pose(*start))
        pose = (200 + rng.uniform(-10, 10), 200 + rng.uniform(-10, 10), rng.uniform(-math.pi, math.pi))
        found = seek(drawn(pose, rng, **kind), taught).found[0]
        pulls.append(over_u(found, pose))
    assert 0.8 < math.sqrt(np.mean(np.square(pulls)[:, :3])) < 1.2
    assert 0.8 < math.sqrt(np.mean(np.square(pulls)[:, 3])) < 1.2
    assert np.abs(pulls).max() < 4.5


def over_u(found, pose):
    """Errors of x, y, angle and of the size, which is 1, over their stated u (4,)."""
    e = np.array([found.pose.x - pose[0], found.pose.y - pose[1], found.pose.angle - pose[2], found.size.scale - 1])
    e[2] = (e[2] + math.pi) % math.tau - math.pi
    return e / [*np.sqrt(np.diag(found.cov)[:3]), found.size.u]


@pytest.mark.parametrize("scale", [0.97, 0.99, 1.004, 1.01, 1.03])
def test_the_size_of_a_small_part_is_told_though_none_is_sought(scale):
    """A part 75 px across, drawn larger or smaller than it was taught: sought at size 1, and seen as it is."""
    rng = np.random.default_rng(14)

    def shown(pose, scale):
        picture = np.full((200, 200), 60.0)
        scenes.put(picture, scenes.placed(scenes.bracket(), *pose, scale / 4), 180.0, 0.8)
        return scenes.taken(picture, 2.0, rng)

    start = (100.2, 99.7, 0.4)
    taught = teach(shown(start, 1.0), np.ones((200, 200), bool), Pose(*start))
    for _ in range(10):
        pose = (100 + rng.uniform(-10, 10), 100 + rng.uniform(-10, 10), rng.uniform(-math.pi, math.pi))
        (found,) = seek(shown(pose, scale), taught).found
        assert found.pose.scale == 1.0
        assert abs(found.size.scale - scale) < 4.5 * found.size.u
        assert found.size.u < 4e-4


def drawn(pose, rng, blur=0.8, hide=False):
    picture = np.full((400, 400), 60.0)
    scenes.put(picture, scenes.placed(scenes.bracket(), *pose), 180.0, blur)
    if hide:
        # A band of middle grey over about 30 % of the outline.
        band = [np.array([(-200.0, -200.0), (-72.0, -200.0), (-72.0, 200.0), (-200.0, 200.0)])]
        scenes.put(picture, scenes.placed(band, *pose[:2], float(rng.uniform(-math.pi, math.pi))), 120.0, blur)
    return scenes.taken(picture, 2.0, rng)


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 117.0, -75.0])
def test_a_cutout_of_a_real_photo_is_found_turned(angle_deg):
    """scikit-image's photograph of coins: one region turned by OpenCV's warp is found where the warp put it."""
    photo = np.pad(data.coins(), 60, mode="reflect")
    x, y = 60 + 200.0, 60 + 150.0
    region = np.array([(x - 70, y - 60), (x + 70, y - 60), (x + 70, y + 60), (x - 70, y + 60)])
    taught = teach(photo, region, Pose(x, y, 0.0))
    middle = ((photo.shape[1] - 1) / 2, (photo.shape[0] - 1) / 2)
    M = cv2.getRotationMatrix2D(middle, -angle_deg, 1.0)
    turned = cv2.warpAffine(photo, M, photo.shape[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    found = seek(turned, taught).found[0]
    want = M @ (x, y, 1.0)
    assert math.hypot(found.pose.x - want[0], found.pose.y - want[1]) < 0.1
    assert math.degrees(abs((found.pose.angle - math.radians(angle_deg) + math.pi) % math.tau - math.pi)) < 0.1
    if angle_deg == 0.0:
        template = photo[int(y) - 60 : int(y) + 61, int(x) - 70 : int(x) + 71]
        _, _, _, corner = cv2.minMaxLoc(cv2.matchTemplate(turned, template, cv2.TM_CCOEFF_NORMED))
        assert math.hypot(found.pose.x - corner[0] - 70, found.pose.y - corner[1] - 60) < 1
