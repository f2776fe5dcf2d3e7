"""Targets found: rendered ones against their exact truth, photographs against OpenCV and published figures."""

import math
import re
from pathlib import Path

import cv2
import numpy as np
import pytest

from tiepoint.foundation.errors import NothingFound
from tiepoint.render.camera import perspective, project, with_division_corner
from tiepoint.render.photo import Exposure, photograph
from tiepoint.render.scene import WHITE_PAPER, Scene, target_sheet
from tiepoint.render.sensor import Light, PlainSensor
from tiepoint.targets.draw import new_target, points, shapes
from tiepoint.targets.find import find_target, refine

PATTERNS = ("charuco", "checker", "dots")


class Shot:
    """A rendered photograph of a target, its truth, and the true map."""

    def __init__(
        self,
        target,
        seed=0,
        *,
        width=1224,
        height=1024,
        fill=0.75,
        tilt=15.0,
        roll=10.0,
        distortion=-4.0,
        blur=0.8,
        noise=0.01,
        light=None,
        bits=8,
        aim=(0.5, 0.5),
    ):
        rng = np.random.default_rng(seed)
        size = np.array(target.size_mm)
        lens = with_division_corner(perspective(width, height, 1.6 * width), distortion, (8.0, -5.0))
        self.camera = lens.aimed(
            tuple(size * aim),
            distance_mm=1.6 * width * np.hypot(*size) / np.hypot(width, height) / fill,
            tilt_deg=tilt,
            azimuth_deg=rng.uniform(0, 360),
            roll_deg=roll,
        )
        _, places = points(target)
        sheet = target_sheet(shapes(target), points_mm=places)
        exposure = Exposure(blur, light or Light(0.9, 0.1, -0.1, 0.1), PlainSensor(noise, bits=bits))
        shot = photograph(Scene(WHITE_PAPER, (sheet,)), self.camera, exposure, rng)
        self.target, self.picture, self.truth = target, shot.picture, shot.truth.px

    def to_image(self, mm):
        return project(self.camera, np.column_stack([mm, np.zeros(len(mm))]))

    def inside(self, margin):
        height, width = self.picture.shape
        return ((self.truth > margin) & (self.truth < (width - margin, height - margin))).all(axis=1)

    def error(self, sighting):
        return sighting.px - self.truth[sighting.ids]


def rms(error):
    return float(np.sqrt((error**2).sum(axis=1).mean()))


def pooled_z(errors, sightings):
    z2 = [np.einsum("ni,nij,nj->n", e, np.linalg.inv(s.cov_px), e) for e, s in zip(errors, sightings, strict=True)]
    return math.sqrt(np.concatenate(z2).mean() / 2)


# Rendered pictures


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("roll", [0, 90, 133, 180, 275])
def test_target_is_found_however_it_lies(pattern, roll):
    shot = Shot(new_target(pattern, 10, 12, 9), 1, roll=float(roll), tilt=25.0, fill=0.65)
    sighting = find_target(shot.picture, shot.target)
    assert sighting.ids.tolist() == list(range(len(shot.truth)))
    assert np.abs(shot.error(sighting)).max() < 0.1
    assert sighting.flags == ()
    np.testing.assert_array_equal(sighting.plane_mm, points(shot.target)[1])


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("size", [(5, 4), (20, 14), (6, 17)])
def test_small_and_large_grids_are_found(pattern, size):
    shot = Shot(new_target(pattern, 10, *size), 2, roll=200.0, fill=0.6)
    sighting = find_target(shot.picture, shot.target)
    assert len(sighting.ids) == len(shot.truth)
    assert np.abs(shot.error(sighting)).max() < 0.1


HARD = {
    "low contrast": {"light": Light(0.12), "noise": 0.01},
    "noise of 5 %": {"noise": 0.05},
    "tilt of 45°": {"tilt": 45.0, "fill": 0.7},
    "pincushion": {"distortion": 8.0, "fill": 0.7},
    "barrel of 12 %": {"distortion": -12.0},
    "uneven light": {"light": Light(0.8, 0.6, 0.4, 0.2)},
    "12 bits": {"bits": 12},
    "blur of 2 px": {"blur": 2.0},
    "blur of 0.4 px": {"blur": 0.4},
}


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("world", HARD)
def test_hard_pictures_give_honest_numbers(pattern, world):
    shot = Shot(new_target(pattern, 10, 12, 9), 3, roll=40.0, **HARD[world])
    sighting = find_target(shot.picture, shot.target)
    assert len(sighting.ids) >= 0.95 * shot.inside(20).sum()
    assert np.abs(shot.error(sighting)).max() < 0.25
    full = refine(shot.picture, sighting, shot.to_image)
    assert full.full
    assert len(full.ids) >= 0.95 * len(sighting.ids)
    # Some 90 points, 180 errors: their RMS over u scatters by 5 %.
    assert 0.8 < pooled_z([shot.error(full)], [full]) < 1.25


def test_blur_noise_and_contrast_are_what_was_rendered():
    for pattern in PATTERNS:
        shot = Shot(new_target(pattern, 10, 12, 9), 4, blur=1.2, light=Light(0.9))
        sighting = refine(shot.picture, find_target(shot.picture, shot.target), shot.to_image)
        assert sighting.blur_px == pytest.approx(1.2, rel=0.02)
        assert sighting.noise == pytest.approx(math.hypot(2.55, math.sqrt(1 / 12)), rel=0.03)
        assert sighting.contrast == pytest.approx(0.9 * 255 * (WHITE_PAPER - 0.06), rel=0.02)


@pytest.mark.parametrize(
    ("pattern", "quick_px", "full_px"),
    [("charuco", 0.0095, 0.0045), ("checker", 0.0095, 0.0045), ("dots", 0.012, 0.0042)],
)
def test_figures_of_the_goals(pattern, quick_px, full_px):
    # Goals: 5 MP, 17 × 12, tilt to 25°, distortion to 10 %, blur 0.8 px, noise 1 %. A prototype of these fits reached
    # 0.0083–0.0093 px quick and 0.0038–0.0042 full for corners; light falls off here, and starts are our own.
    errors, fulls, sightings = [], [], []
    for seed in range(3):
        shot = Shot(new_target(pattern, 10, 17, 12), seed, width=2448, height=2048, tilt=25.0, distortion=-10.0)
        sighting = find_target(shot.picture, shot.target)
        errors.append(shot.error(sighting))
        sightings.append(refine(shot.picture, sighting, shot.to_image))
        fulls.append(shot.error(sightings[-1]))
    assert rms(np.concatenate(errors)) < quick_px
    assert rms(np.concatenate(fulls)) < full_px
    assert 0.9 < pooled_z(fulls, sightings) < 1.1
    # No common shift: a tie would take it whole.
    assert np.abs(np.concatenate(fulls).mean(axis=0)).max() < 3.5 * full_px / math.sqrt(2 * 500)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_without_noise_both_passes_are_right_to_a_thousandth(pattern):
    # 16 bits, no noise: what is left are the models. A dot's ellipse alone is off by f·r²·sin α·cos α/Z², 0.07 px here.
    shot = Shot(new_target(pattern, 10, 17, 12), 4, width=2448, height=2048, tilt=20.0, noise=1e-6, bits=16)
    sighting = find_target(shot.picture, shot.target)
    assert len(sighting.ids) == len(shot.truth)
    assert rms(shot.error(sighting)) < 1e-3
    assert rms(shot.error(refine(shot.picture, sighting, shot.to_image))) < 4e-4


@pytest.mark.parametrize("aim", [(0.5, 0.5), (0.3, 0.7)])
def test_charuco_that_overfills_the_field_knows_its_part(aim):
    shot = Shot(new_target("charuco", 10, 20, 16), 5, fill=2.0, aim=aim, roll=70.0)
    sighting = find_target(shot.picture, shot.target)
    assert np.abs(shot.error(sighting)).max() < 0.1
    assert len(sighting.ids) >= 0.9 * shot.inside(12).sum()
    assert sighting.flags == ("partly_seen",)
    # Corners next to the border, which the grid's ring test cannot judge, are found by their neighbours.
    assert len(sighting.ids) > shot.inside(45).sum()


@pytest.mark.parametrize("pattern", ["checker", "dots"])
def test_a_part_with_the_origin_mark_is_enough(pattern):
    target = new_target(pattern, 10, 14, 10)
    shot = Shot(target, 6, fill=1.5, aim=(0.3, 0.3), roll=0.0, tilt=5.0)
    sighting = find_target(shot.picture, target)
    assert np.abs(shot.error(sighting)).max() < 0.1
    assert "partly_seen" in sighting.flags


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize(
    "hidden", [np.s_[400:620, 500:760], np.s_[:, 600:650], np.s_[620:, :420], np.s_[:420, 800:]], ids=str
)
def test_partly_hidden_targets_keep_their_ids(pattern, hidden):
    shot = Shot(new_target(pattern, 10, 12, 9), 7)
    shot.picture[hidden] = 110
    sighting = find_target(shot.picture, shot.target)
    assert 0.4 < len(sighting.ids) / len(shot.truth) < 1
    assert np.abs(shot.error(sighting)).max() < 0.15
    x, y = np.round(sighting.px).astype(int).T
    covered = np.zeros(shot.picture.shape, bool)
    covered[hidden] = True
    assert not covered[y, x].any()


@pytest.mark.parametrize("pattern", PATTERNS)
def test_moving_the_frame_moves_the_points(pattern):
    # Metamorphic: pixels cut off at the top left shift all places by so much, whatever levels they go through.
    shot = Shot(new_target(pattern, 10, 12, 9), 8, fill=0.6)
    whole = find_target(shot.picture, shot.target)
    cut = find_target(np.ascontiguousarray(shot.picture[37:, 22:]), shot.target)
    assert cut.ids.tolist() == whole.ids.tolist()
    # Dots use every n-th pixel in the quick pass, and the cut changes which.
    np.testing.assert_allclose(cut.px + np.array([22, 37]), whole.px, atol=0.03 if pattern == "dots" else 0.004)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_sixteen_bits_and_floats_are_measured_alike(pattern):
    shot = Shot(new_target(pattern, 10, 12, 9), 9)
    eight = find_target(shot.picture, shot.target)
    for other in (shot.picture.astype(np.uint16) * 200, shot.picture.astype(np.float32)):
        again = find_target(other, shot.target)
        np.testing.assert_allclose(again.px, eight.px, atol=2e-3)
        np.testing.assert_allclose(again.cov_px, eight.cov_px, rtol=0.02, atol=5e-8)


def test_plain_targets_are_found_and_say_what_they_cannot_tell():
    colours = Shot(new_target("checker", 10, 12, 9, marked=False), 10, roll=170.0)
    assert find_target(colours.picture, colours.target).flags == ()
    assert np.abs(colours.error(find_target(colours.picture, colours.target))).max() < 0.1
    for target in (new_target("checker", 10, 12, 10, marked=False), new_target("dots", 10, 12, 9, marked=False)):
        shot = Shot(target, 11, roll=5.0)
        sighting = find_target(shot.picture, target)
        assert sighting.flags == ("half_turn_unknown",)
        # Of both ways, the one whose +x points to the right: here the true one.
        assert np.abs(shot.error(sighting)).max() < 0.1
        assert refine(shot.picture, sighting, shot.to_image).flags == ("half_turn_unknown",)


@pytest.mark.parametrize("bits", [8, 12])
def test_saturated_pictures_are_flagged_and_stay_honest(bits):
    for pattern in ("checker", "dots"):
        shot = Shot(new_target(pattern, 10, 14, 10), 12, light=Light(0.9, 0.8, 0.6, 0.2), fill=0.8, bits=bits)
        sighting = refine(shot.picture, find_target(shot.picture, shot.target), shot.to_image)
        assert "saturated" in sighting.flags
        assert pooled_z([shot.error(sighting)], [sighting]) < 1.3


# What is not found, and why


SHOWN = {pattern: new_target(pattern, 10, 12, 9) for pattern in PATTERNS}


@pytest.fixture(scope="module")
def shown():
    return {pattern: Shot(target, 20).picture for pattern, target in SHOWN.items()}


def why(picture, target):
    with pytest.raises(NothingFound) as caught:
        find_target(np.ascontiguousarray(picture), target)
    said = str(caught.value)
    assert said.startswith(f"the {target.pattern} target {target.id} was not found: ")
    return said.partition(": ")[2]


@pytest.mark.parametrize("pattern", PATTERNS)
def test_two_targets_are_told(shown, pattern):
    assert why(np.hstack([shown[pattern]] * 2), SHOWN[pattern]).startswith("the picture shows it twice")


@pytest.mark.parametrize("pattern", PATTERNS)
def test_mirrored_pictures_are_told(shown, pattern):
    assert why(shown[pattern][:, ::-1], SHOWN[pattern]).startswith("it was seen mirrored")
    assert why(shown[pattern][::-1], SHOWN[pattern]).startswith("it was seen mirrored")


@pytest.mark.parametrize("pattern", PATTERNS)
def test_swapped_rows_and_columns_are_told(shown, pattern):
    said = why(shown[pattern], new_target(pattern, 10, 9, 12))
    assert said.startswith("rows and columns are swapped: the picture shows 12 columns × 9 rows")


@pytest.mark.parametrize("pattern", PATTERNS)
def test_another_size_is_told(shown, pattern):
    seen = "12 × 9 dots" if pattern == "dots" else "11 × 8 inner corners"
    smaller = why(shown[pattern], new_target(pattern, 10, 8, 6))
    assert f"a grid of {seen} was seen and the target has" in smaller
    larger = why(shown[pattern], new_target(pattern, 10, 15, 11))
    assert f"a grid of {seen} was seen" in larger
    assert "is it another target" in larger


@pytest.mark.parametrize("pattern", ["charuco", "checker"])
def test_inner_corners_given_for_squares_are_told(shown, pattern):
    assert "of such a board write 12 columns and 9 rows" in why(shown[pattern], new_target(pattern, 10, 11, 8))


@pytest.mark.parametrize(
    ("shows", "wants", "sentence"),
    [
        ("charuco", "checker", "whose squares carry markers of the family 5x5_1000; it is a charuco"),
        ("checker", "charuco", "whose squares carry no markers; it is a checker"),
        ("dots", "charuco", "the picture shows a grid of 12 × 9 dots; it is another kind of target"),
        ("dots", "checker", "the picture shows a grid of 12 × 9 dots; it is another kind of target"),
        ("charuco", "dots", "a grid of 11 × 8 corners, a checker or charuco; it is another kind of target"),
        ("checker", "dots", "a grid of 11 × 8 corners, a checker or charuco; it is another kind of target"),
    ],
)
def test_another_kind_of_target_is_told(shown, shows, wants, sentence):
    assert sentence in why(shown[shows], SHOWN[wants])


def test_other_prints_of_the_same_size_are_told(shown):
    assert "with markers of the family 5x5, and the target has 4x4_100" in why(
        shown["charuco"], new_target("charuco", 10, 12, 9, family="4x4_100")
    )
    assert "tiepoint target describe --family 5x5_" in why(
        shown["charuco"], new_target("charuco", 10, 12, 9, family="4x4_100")
    )
    said = why(shown["charuco"], new_target("charuco", 10, 12, 9, share=0.5))
    drawn = SHOWN["charuco"].layout.share
    assert float(re.search(r"with markers of (0\.\d\d) of a square's side", said).group(1)) == pytest.approx(
        drawn, rel=0.05
    )
    assert "and the target says 0.5: measure a marker" in said
    assert "with the colours exchanged" in why(shown["charuco"], new_target("charuco", 10, 12, 9, first_dark=False))
    for pattern in ("checker", "dots"):
        plain = Shot(new_target(pattern, 10, 12, 9, marked=False), 21).picture
        assert "without this target's origin mark" in why(plain, SHOWN[pattern])


@pytest.mark.parametrize("pattern", PATTERNS)
def test_blur_is_told(shown, pattern):
    assert why(cv2.GaussianBlur(shown[pattern], (0, 0), 15), SHOWN[pattern]).startswith("the sharpest edge")


def test_markers_too_small_to_read_are_told(shown):
    soft = cv2.GaussianBlur(shown["charuco"], (0, 0), 6)
    tiny = cv2.resize(soft, None, fx=0.2, fy=0.2, interpolation=cv2.INTER_AREA)
    assert "but its markers cannot be read: their cells are" in why(tiny, SHOWN["charuco"])


@pytest.mark.parametrize("pattern", PATTERNS)
def test_noise_shows_nothing(pattern):
    noise = np.random.default_rng(22).integers(0, 255, (700, 900)).astype(np.uint8)
    assert why(noise, SHOWN[pattern]).startswith("no grid of")


@pytest.mark.parametrize("pattern", ["checker", "dots"])
def test_a_part_without_the_mark_is_told(shown, pattern):
    said = why(shown[pattern][:, 620:], SHOWN[pattern])
    assert "are in view and nothing tells which; show the whole target, or use a charuco" in said


def test_a_tie_that_does_not_fit_is_told(shown):
    sighting = find_target(shown["checker"], SHOWN["checker"])
    with pytest.raises(NothingFound, match="the first tie does not fit the picture"):
        refine(np.full_like(shown["checker"], 90), sighting, lambda mm: mm * 8 + 100)


# Photographs


def test_published_chessboards_are_found_whole_and_calibrate_better(photos: Path):
    # OpenCV's sample photos: 13 left views of 9 × 6 inner corners. In a prototype calibrating with such corners
    # left 0.159 px, with cornerSubPix 0.195 px (both with OpenCV's calibration, the witness).
    target = new_target("checker", 30, 10, 7, marked=False)
    ours, theirs, plane = [], [], []
    for path in sorted((photos / "chessboard_30mm").glob("left*.jpg")):
        picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        sighting = find_target(picture, target)
        assert sighting.ids.tolist() == list(range(54)), path.name
        assert "half_turn_unknown" not in sighting.flags  # 10 × 7 squares: their colours tell
        found, corners = cv2.findChessboardCorners(picture, (9, 6))
        assert found
        criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 40, 1e-3)
        corners = cv2.cornerSubPix(picture, corners, (5, 5), (-1, -1), criteria)[:, 0]
        nearest = np.linalg.norm(corners[:, None] - sighting.px[None], axis=2).argmin(axis=0)
        assert sorted(nearest) == list(range(54))
        assert np.abs(corners[nearest] - sighting.px).max() < 1.0
        ours.append(sighting.px.astype(np.float32))
        theirs.append(corners[nearest].astype(np.float32))
        plane.append(np.column_stack([sighting.plane_mm, np.zeros(54)]).astype(np.float32))
    assert len(ours) == 13
    left_over = [cv2.calibrateCamera(plane, px, (640, 480), None, None)[0] for px in (ours, theirs)]
    assert left_over[0] < 0.165
    assert left_over[0] < 0.9 * left_over[1]


def test_published_charuco_is_found_whole(photos: Path):
    # OpenCV's sample photo: 5 × 7 squares of 40 mm, markers of 20 mm, family 6x6_250; baseline 24 of 24 corners.
    picture = cv2.imread(str(photos / "charuco_40mm" / "choriginal.jpg"), cv2.IMREAD_GRAYSCALE)
    target = new_target("charuco", 40, 5, 7, family="6x6_250", share=0.5)
    sighting = find_target(picture, target)
    assert len(sighting.ids) == 24
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    board = cv2.aruco.CharucoBoard((5, 7), 40.0, 20.0, dictionary)
    board.setLegacyPattern(True)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(picture)
    assert len(ids) == 24
    # Their ids count from the top, ours from the bottom; the photo was decimated without a filter, so that
    # corners are uncertain by some tenths of a pixel.
    column, row = ids.ravel() % 4, 5 - ids.ravel() // 4
    np.testing.assert_allclose(sighting.px[np.argsort(row * 4 + column).argsort()], corners[:, 0], atol=0.8)


DOT_PHOTOS = Path("/usr/share/visp-images-data/ViSP-images/calibration")


@pytest.mark.skipif(
    not DOT_PHOTOS.is_dir(), reason="the Debian package visp-images-data (photographs of a dot grid) is not installed"
)
@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_photographed_dot_grid_against_opencv(number):
    # Photographs of 6 × 6 dots of the Debian package visp-images-data. Witness: OpenCV's findCirclesGrid with a
    # blob detector that takes dots of this size (its default one does not), whose centres are those of blobs.
    picture = cv2.imread(str(DOT_PHOTOS / f"grid36-0{number}.pgm"), cv2.IMREAD_GRAYSCALE)
    sighting = find_target(picture, new_target("dots", 30, 6, 6, marked=False))
    assert len(sighting.ids) == 36
    assert sighting.flags == ("half_turn_unknown",)
    settings = cv2.SimpleBlobDetector_Params()
    settings.minArea, settings.maxArea, settings.filterByInertia, settings.filterByConvexity = 100, 8000, False, False
    found, theirs = cv2.findCirclesGrid(
        picture, (6, 6), flags=cv2.CALIB_CB_SYMMETRIC_GRID, blobDetector=cv2.SimpleBlobDetector_create(settings)
    )
    assert found
    nearest = np.linalg.norm(theirs[:, 0][:, None] - sighting.px[None], axis=2).min(axis=0)
    assert nearest.max() < 0.6
    # A plane seen by a lens of little distortion: a homography must explain the points.
    matrix, _ = cv2.findHomography(sighting.plane_mm, sighting.px)
    mapped = cv2.perspectiveTransform(sighting.plane_mm[None], matrix)[0]
    assert rms(mapped - sighting.px) < 0.35
