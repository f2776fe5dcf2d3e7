"""Ties by target from photographs: rendered ones with exact truth, and a real one."""

import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from tiepoint.foundation.errors import NothingFound, UnusableInput
from tiepoint.foundation.sources import Source, constant, ensemble, measured, stack
from tiepoint.render.camera import Camera, perspective, project, with_division_corner
from tiepoint.render.photo import Exposure, photograph
from tiepoint.render.scene import WHITE_PAPER, Cylinder, Lay, Scene, target_sheet
from tiepoint.render.sensor import PlainSensor
from tiepoint.targets.draw import Target, new_target, points, shapes
from tiepoint.targets.paper import apply_measure
from tiepoint.ties.by_target import Setting, tie_by_target
from tiepoint.ties.camera import CAMERA_PARAMETERS, CameraModel
from tiepoint.ties.document import from_document, to_document
from tiepoint.ties.kernel import locate
from tiepoint.ties.lens import Lens
from tiepoint.ties.probe import length
from tiepoint.ties.tie import Tie
from tiepoint.ties.verdict import SHARE_OF_TOLERANCE, U_at, good_for, uncertainty_map

WIDTH, HEIGHT, FOCAL, KAPPA = 1224, 1024, 3623.0, -0.05
TARGETS = {p: new_target(p, 10.0, 12, 9) for p in ("charuco", "checker", "dots")}
EXACT = Setting(scale=stack([constant(1.0), constant(1.0)]), flatness_mm=0.0)


def camera(tilt: float = 14.0, azimuth: float = 130.0) -> Camera:
    bare = replace(perspective(WIDTH, HEIGHT, FOCAL), principal_px=(615.0, 506.0))
    lensed = with_division_corner(bare, 100 * KAPPA)
    return lensed.aimed((60.0, 45.0), distance_mm=420.0, tilt_deg=tilt, azimuth_deg=azimuth, roll_deg=2.0)


def photo(target: Target, cam: Camera, seed: int = 0, bow: Cylinder | None = None) -> np.ndarray:
    scene = Scene(WHITE_PAPER, (target_sheet(shapes(target), lay=Lay(bow=bow)),))
    exposure = Exposure(blur_px=0.8, sensor=PlainSensor(0.01))
    return photograph(scene, cam, exposure, np.random.default_rng(seed)).picture


def unseen(target: Target, cam: Camera, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    _, plane = points(target)
    places = np.random.default_rng(seed).uniform(plane.min(axis=0), plane.max(axis=0), (200, 2))
    return places, project(cam, np.column_stack([places, np.zeros(len(places))]))


def rms(error: np.ndarray) -> float:
    return math.sqrt(float(np.mean(np.sum(error**2, axis=1))))


@pytest.fixture(scope="module")
def charuco() -> tuple[Tie, Camera]:
    cam = camera()
    return tie_by_target([photo(TARGETS["charuco"], cam)], TARGETS["charuco"], EXACT), cam


@pytest.mark.parametrize("pattern", ["charuco", "checker", "dots"])
@pytest.mark.parametrize("quick", [True, False])
def test_points_that_no_fit_saw_are_where_the_tie_says(pattern: str, quick: bool):
    cam, target = camera(), TARGETS[pattern]
    tie = tie_by_target([photo(target, cam)], target, EXACT, quick=quick)
    places, px = unseen(target, cam)
    # 1.2 MP and 88 corners: half the corners of the 5 MP benchmark, so its 0.002 (dots 0.004) px × √2.
    goal = 0.004 if pattern == "dots" or quick else 0.002
    assert rms(tie.to_image(places) - px) < goal * math.sqrt(2)
    found = locate(tie, px)
    error = found.xy_mm - places
    square = np.sum(error * np.linalg.solve(found.covariance, error[:, :, None])[:, :, 0], axis=1) / 2
    # One photo's error is one draw in some ten directions.
    assert 0.4 < math.sqrt(float(np.mean(square))) < 1.8
    assert found.inside.all()
    # A checker with its mark and a charuco know which way up they lie.
    assert "half_turn_unknown" not in tie.flags


def test_quality_is_that_of_unseen_corners(charuco):
    tie, cam = charuco
    quality = tie.quality
    assert quality is not None
    _, plane = points(TARGETS["charuco"])
    assert quality.n == len(plane)
    assert quality.rms_mm < quality.p95_mm < quality.max_mm
    # What a corner is off by is its reading noise, here 0.0125 px of 0.116 mm: far above the tie's own error.
    corners = tie.residuals
    assert corners is not None
    truth = project(cam, np.column_stack([corners.plane_mm, np.zeros(len(plane))]))
    assert quality.rms_px == pytest.approx(rms(corners.points - truth), rel=0.15)
    worst = corners.plane_mm[np.argmax(np.hypot(*corners.unseen_mm.T))]
    assert quality.max_at_mm == pytest.approx(tuple(worst))


def test_a_target_that_is_not_there_is_not_found():
    with pytest.raises(NothingFound):
        tie_by_target([np.full((300, 400), 128, np.uint8)], TARGETS["charuco"], EXACT)
    with pytest.raises(UnusableInput, match="at least one"):
        tie_by_target([], TARGETS["charuco"])


def test_a_print_that_nobody_measured_is_not_taken_as_true():
    tie = tie_by_target([photo(TARGETS["charuco"], camera())], TARGETS["charuco"])
    # Unmeasured prints keep within 0.5 % (targets.paper): at x = 110 mm that alone is 0.32 mm.
    u = math.sqrt(locate(tie, tie.to_image([[110.0, 45.0]])).covariance[0, 0, 0])
    assert u == pytest.approx(110 * 0.005 / math.sqrt(3), rel=0.05)


def test_a_print_that_nobody_measured_says_so(charuco):
    # "Fit to page" shrinks by 3 to 6 % (common practice): the interval cannot hold, and the tie must say that.
    cam = camera()
    small = Scene(WHITE_PAPER, (target_sheet(shapes(TARGETS["charuco"]), lay=Lay(scale_x=0.97, scale_y=0.97)),))
    picture = photograph(small, cam, Exposure(blur_px=0.8, sensor=PlainSensor(0.01)), np.random.default_rng(3)).picture
    places = np.array([[10.0, 10.0], [100.0, 80.0]])
    px = project(cam, np.column_stack([places, np.zeros(2)]))
    unmeasured = tie_by_target([picture], TARGETS["charuco"])
    found = length(unmeasured, *px)
    assert abs(found.value.value - math.dist(*places)) > 2 * found.value.U95
    assert "print_not_measured" in unmeasured.flags
    # Measured, the same photo is right, and has nothing to say.
    target = TARGETS["charuco"]
    bars = 0.97 * target.bar_x_mm, 0.97 * target.bar_y_mm
    told = tie_by_target([picture], apply_measure(target, *bars, 0.05, "rule no 12", "2026-11-25"))
    found = length(told, *px)
    assert abs(found.value.value - math.dist(*places)) < found.value.U95
    assert "print_not_measured" not in (*told.flags, *charuco[0].flags)


def test_a_tie_from_a_photo_survives_its_document(charuco):
    tie, _ = charuco
    back = from_document(to_document(tie))
    pixels = np.random.default_rng(2).uniform(200, 800, (20, 2))
    assert locate(back, pixels).covariance == pytest.approx(locate(tie, pixels).covariance, rel=1e-12)


def exact_camera(cam: Camera) -> CameraModel:
    """The camera that rendered, as a document would know it: the focal length to 0.1 %."""
    rho = math.hypot(WIDTH, HEIGHT) / 2
    farthest = math.hypot(max(615.5, WIDTH - 615.5), max(506.5, HEIGHT - 506.5))
    lens = Lens(KAPPA * (rho / farthest) ** 2, 0.0, *cam.principal_px, rho)
    covariance = np.zeros((len(CAMERA_PARAMETERS),) * 2)
    covariance[0, 0] = (FOCAL / 1000) ** 2
    sources, factor = ensemble("camera:exact", "Camera", covariance, "station", 100.0)
    return CameraModel("exact", (WIDTH, HEIGHT), FOCAL, lens, sources, factor, "κ", 0.01, 1.0, 100.0)


def test_a_camera_document_gives_distance_and_foot():
    cam = camera()
    tie = tie_by_target([photo(TARGETS["charuco"], cam)], TARGETS["charuco"], replace(EXACT, camera=exact_camera(cam)))
    assert tie.distance_mm == pytest.approx(float(cam.centre_mm[2]), abs=0.2)
    assert tie.foot_mm == pytest.approx(tuple(cam.centre_mm[:2]), abs=0.3)
    # A thousandth of 407.5 mm, less what the tilted page's own perspective holds.
    assert tie.u_distance_mm == pytest.approx(0.4, rel=0.12)
    assert "camera_differs" not in tie.flags
    places, px = unseen(TARGETS["charuco"], cam)
    assert rms(tie.to_image(places) - px) < 0.003


def test_a_photo_through_another_lens_is_flagged():
    cam = camera()
    other = exact_camera(cam)
    other = replace(other, lens=replace(other.lens, kappa=other.lens.kappa + 0.004))
    tie = tie_by_target([photo(TARGETS["charuco"], cam)], TARGETS["charuco"], replace(EXACT, camera=other))
    assert "camera_differs" in tie.flags


def test_a_camera_document_of_another_size_is_refused():
    small = replace(exact_camera(camera()), size_px=(640, 480))
    with pytest.raises(UnusableInput, match="640 × 480"):
        tie_by_target([photo(TARGETS["charuco"], camera())], TARGETS["charuco"], replace(EXACT, camera=small))


def test_the_verdict_is_the_rule(charuco):
    tie, _ = charuco
    u = 0.02
    height = Source("height:part", "Height", "B", u, "part")
    # One cause that is all of U: everything moves along x by 0.02 mm.
    columns = np.zeros((16, 1))
    columns[:9, 0] = (np.array([[0, 0, 1.0], [0, 0, 0], [0, 0, 0]]) @ tie.matrix).ravel()
    plain = replace(tie, sources=(height,), factor=columns, fields=())
    # U = 1.96·0.02 = 39.2 µm; 2U/T ≤ 30 % with T = 2·tolerance needs a tolerance of 0.1307 mm.
    assert U_at(plain, [[600, 500]])[0] == pytest.approx(1.959964 * u, rel=1e-6)
    limit = 1.959964 * u / SHARE_OF_TOLERANCE
    good, bad = good_for(plain, limit * 1.001), good_for(plain, limit * 0.999)
    assert (good.answer, good.share) == (True, 1.0)
    assert (bad.answer, bad.share) == (False, 0.0)
    assert good.dominating == "the height"
    assert good.dominating_share == pytest.approx(1.0)
    assert "Good for ±" in good.sentence
    assert "everywhere" in good.sentence
    assert "Not good for ±" in bad.sentence
    assert "2U/T at most 30 %" in bad.sentence


def test_the_advice_would_do_what_it_says(charuco):
    tie, _ = charuco
    bar = Source("target:x/bar-reading/x/2026", "reading of the bar", "B", 0.1, "station")
    scale = stack([measured(1.0, bar), measured(1.0, bar)])
    columns = scale.c / 120.0
    spread = np.zeros((1, 3, 3))
    spread[0, 0, 0], spread[0, 1, 1] = columns[0, 0], columns[1, 0]
    wide = tie.then(np.eye(3), scale.sources, spread)
    verdict = good_for(wide, 0.3)
    assert not verdict.answer
    assert verdict.dominating == "the print scale"
    wanted = float(verdict.sentences[-1].split("standard u of ")[1].split(" mm")[0])
    better = replace(bar, u=wanted)
    then = good_for(replace(wide, sources=tuple(better if s == bar else s for s in wide.sources)), 0.3)
    assert then.U_worst_mm == pytest.approx(verdict.U_then_mm, rel=0.02)
    assert then.share == 1.0


def test_a_wider_tolerance_is_never_worse(charuco):
    tie, _ = charuco
    lifted = replace(tie, fields=tie.fields)
    shares = [good_for(lifted, tolerance).share for tolerance in (1e-5, 1e-4, 3e-4, 1e-3, 1e-2)]
    assert shares == sorted(shares)
    for tolerance in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(UnusableInput, match="tolerance"):
            good_for(tie, tolerance)


def test_the_map_is_the_probe_on_a_grid(charuco):
    tie, _ = charuco
    told = uncertainty_map(tie, 9, 7)
    assert told.U_um.shape == (7, 9)
    assert told.inside[3, 4]
    assert not told.inside[0, 0]
    here = np.array([[told.x_px[4], told.y_px[3]]])
    largest = float(np.linalg.eigvalsh(locate(tie, here).covariance[0])[1])
    # t(0.975, some 200 degrees of freedom) is 1.97.
    assert told.U_um[3, 4] == pytest.approx(1000 * 1.97 * math.sqrt(largest), rel=0.01)


def test_a_real_charuco(photos: Path):
    # OpenCV's sample photo; 5 × 7 squares of 40 mm, markers of 20 mm, legacy layout; all 24 corners are in view.
    picture = cv2.imread(str(photos / "charuco_40mm" / "choriginal.jpg"), cv2.IMREAD_GRAYSCALE)
    target = new_target("charuco", 40.0, 5, 7, family="6x6_250", share=0.5)
    tie = tie_by_target([picture], target)
    assert tie.quality is not None
    assert tie.quality.n == 24
    # 0.168 px is the unseen-point baseline of another public set of 25 checkerboards (computed apart from this code).
    assert tie.quality.rms_px is not None
    assert tie.quality.rms_px < 0.25
