"""Ties by length and what their points snap to, against closed forms and rendered pictures with exact truth."""

import json
import math
from pathlib import Path

import cv2
import numpy as np
import pytest

from tiepoint.foundation.errors import NothingFound, UnusableInput
from tiepoint.foundation.sources import Source, Value, Values, combine, measured
from tiepoint.render.camera import Camera, orthographic, perspective, project, unproject
from tiepoint.render.outline import polygon
from tiepoint.render.photo import Exposure, photograph
from tiepoint.render.scene import Piece, Scene, Sheet
from tiepoint.ties.document import from_document, to_document
from tiepoint.ties.length import Assumed, tie_by_length
from tiepoint.ties.snap import HAND_HALF_WIDTH_PX, snap
from tiepoint.ties.tie import Sensor, Tie

DARK, BRIGHT = 0.2, 0.7
EXACT = Assumed(0.0, 0.0)


def turned(points: list[tuple[float, float]], angle_deg: float, at: tuple[float, float]) -> np.ndarray:
    a = math.radians(angle_deg)
    return np.array(points) @ np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]]) + at


def picture_of(
    *outlines: np.ndarray, ground: float = BRIGHT, camera: Camera | None = None, seed: int = 1
) -> np.ndarray:
    inside = DARK if ground == BRIGHT else BRIGHT
    sheet = Sheet(tuple(Piece(polygon(o), inside, ground) for o in outlines))
    camera = camera or orthographic(320, 240)
    rendered = photograph(Scene(ground, (sheet,)), camera, Exposure(blur_px=0.9), np.random.default_rng(seed))
    return np.asarray(rendered.picture)


def px_of(points: np.ndarray, camera: Camera | None = None) -> np.ndarray:
    points = np.atleast_2d(points)
    return project(camera or orthographic(320, 240), np.column_stack([points, np.zeros(len(points))]))


def length_of(tie: Tie, a: tuple[float, float], b: tuple[float, float]) -> Value:
    mapped = tie.map([a, b])
    values = [Values(mapped.xy_mm[k], mapped.d_sources[k], mapped.sources) for k in (0, 1)]
    way = mapped.xy_mm[1] - mapped.xy_mm[0]
    size = float(np.hypot(*way))
    terms = [(values[k][axis], sign * way[axis] / size) for k, sign in ((0, -1.0), (1, 1.0)) for axis in (0, 1)]
    return combine(size, terms)


# --- the scale -----------------------------------------------------------------------------------------------------


def test_scale_and_its_uncertainty_in_closed_form() -> None:
    # u(s)/s = √(u_L² + 2(s·u_px)²)/L. With 50 mm, 0.045 mm/px, u_L 0.02 mm and points placed by hand.
    rule = measured(50.0, Source("rule", "rule", "B", 0.02, "instrument"))
    tie = tie_by_length(
        None,
        (444.0, 750.0),
        (444.0 + 50 / 0.045, 750.0),
        rule,
        snap_to_features=False,
        sensor=Sensor(2001, 1501),
        assumed=EXACT,
    )
    s = tie.tie.matrix[0, 0]
    assert s == pytest.approx(0.045, rel=1e-12)
    assert tie.tie.matrix[1, 1] == -s
    u_px = HAND_HALF_WIDTH_PX / math.sqrt(3)
    seen = length_of(tie.tie, (444.0, 750.0), (444.0 + 50 / 0.045, 750.0))
    assert seen.value == pytest.approx(50.0)
    assert seen.u / 50 == pytest.approx(math.sqrt(0.02**2 + 2 * (0.045 * u_px) ** 2) / 50, rel=1e-6)
    assert "hand_placed" in tie.tie.flags
    # Origin at the picture's centre, y up.
    assert tie.tie.map([[1000.0, 750.0], [1000.0, 650.0]]).xy_mm == pytest.approx(
        np.array([[0, 0], [0, 4.5]]), abs=1e-9
    )


def test_the_ends_alone_give_the_published_share() -> None:
    # 50 mm, 0.3 px per end, 0.045 mm/px → 0.038 %: u_L = 0 to the digits shown.
    s, u_px, length = 0.045, 0.3, 50.0
    expected = math.sqrt(2) * s * u_px / length
    assert expected == pytest.approx(0.00038, abs=5e-6)
    rule = measured(length, Source("rule", "rule", "B", 1e-9, "instrument"))
    tie = tie_by_length(
        None,
        (444.0, 750.0),
        (444.0 + length / s, 750.0),
        rule,
        snap_to_features=False,
        sensor=Sensor(2001, 1501),
        assumed=EXACT,
    )
    ends = [src for src in tie.tie.sources if src.id.endswith((":start", ":end"))]
    # The same two columns, with the u of a hand replaced by 0.3 px.
    mapped = tie.tie.map([[444.0, 750.0], [444.0 + length / s, 750.0]])
    columns = [mapped.sources.index(src) for src in ends]
    stretch = (mapped.d_sources[1, 0, columns] - mapped.d_sources[0, 0, columns]) * u_px
    assert math.hypot(*stretch) / length == pytest.approx(expected, rel=1e-9)


def test_what_one_length_cannot_know_spares_the_length_itself() -> None:
    rule = measured(50.0, Source("rule", "rule", "B", 0.001, "instrument"))
    start, end = (600.0, 500.0), (1100.0, 620.0)
    tie = tie_by_length(None, start, end, rule, snap_to_features=False, sensor=Sensor(2001, 1501)).tie
    unknown = [s for s in tie.sources if s.distribution == "rectangular" and not s.id.endswith((":start", ":end"))]
    assert len(unknown) == 5, "two of tilt, two of foreshortening, one of the lens"

    def share(value: Value) -> float:
        return math.sqrt(sum((c * s.u) ** 2 for s, c in value.terms.items() if s in unknown))

    at_length = length_of(tie, start, end)
    across = length_of(tie, (910.0, 310.0), (790.0, 810.0))
    far = length_of(tie, (1400.0, 1300.0), (1900.0, 1420.0))
    assert share(at_length) < 1e-9
    # Square to it: foreshortening of 3°, ± 0.137 % rectangular, is left: half of it from the axes' sum and difference.
    assert share(across) > 50 * 0.00137 / math.sqrt(3) * 0.9
    assert share(far) > share(across)
    assert {"tilt_assumed", "lens_assumed"} <= set(tie.flags)
    assert any("does not show the camera's tilt" in n for n in tie.notes)
    assert any("does not show lens distortion" in n for n in tie.notes)


def test_intervals_hold_under_unseen_tilt_and_distortion() -> None:
    # 60 cameras within the assumed bounds (tilt to 3°, division-model distortion to 2 % at the corner); lengths of
    # any direction inside the valid region. At a true 95 %, fewer than 52 of 60 covered has a chance below 1 %.
    rng = np.random.default_rng(4)
    width, height = 2001, 1501
    covered = 0
    for _ in range(60):
        camera = perspective(width, height, float(rng.uniform(2, 4)) * width).aimed(
            distance_mm=400.0, tilt_deg=float(rng.uniform(0, 3)), azimuth_deg=float(rng.uniform(0, 360))
        )
        middle = np.array([(width - 1) / 2, (height - 1) / 2])
        kappa = rng.uniform(-0.02, 0.02)

        def distorted(ideal: np.ndarray, kappa: float = kappa, middle: np.ndarray = middle) -> np.ndarray:
            # The inverse of u = c + d/(1 + κr²) by fixed-point rounds: independent of the lens code.
            x = ideal.copy()
            for _ in range(40):
                r2 = np.sum((x - middle) ** 2, axis=1) / (width**2 + height**2) * 4
                x = middle + (ideal - middle) * (1 + kappa * r2)[:, None]
            return x

        ends_mm = unproject(camera, rng.uniform([300, 300], [1700, 1200], (2, 2)))[:, :2]
        ends = distorted(project(camera, np.column_stack([ends_mm, np.zeros(2)])))
        if np.hypot(*(ends[1] - ends[0])) < 300:
            covered += 1
            continue
        true = float(np.hypot(*(ends_mm[1] - ends_mm[0])))
        rule = measured(true, Source("rule", "rule", "B", 1e-6, "instrument"))
        noisy = ends + rng.uniform(-1.2, 1.2, (2, 2))
        tie = tie_by_length(
            None, tuple(noisy[0]), tuple(noisy[1]), rule, snap_to_features=False, sensor=Sensor(width, height)
        ).tie
        other_px = tie.valid_region[rng.choice(len(tie.valid_region), 2, replace=False)]
        other_px = ends.mean(axis=0) + 0.9 * (other_px - ends.mean(axis=0))
        ideal = (
            middle
            + (other_px - middle)
            / (1 + kappa * np.sum((other_px - middle) ** 2, axis=1) / (width**2 + height**2) * 4)[:, None]
        )
        other_mm = unproject(camera, ideal)[:, :2]
        value = length_of(tie, tuple(other_px[0]), tuple(other_px[1]))
        covered += abs(value.value - float(np.hypot(*(other_mm[1] - other_mm[0])))) <= value.U95
    assert covered >= 52


# --- snapping ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("angle", [0.0, 17.0, 45.0, 70.0])
def test_corners_of_a_plate_are_found_and_their_u_holds(angle: float) -> None:
    corners = turned([(-60, -40), (60, -40), (60, 40), (-60, 40)], angle, (160.3, -120.7))
    picture = picture_of(corners, ground=DARK)
    rng = np.random.default_rng(int(angle))
    for true in px_of(corners):
        placed = true + rng.uniform(-3, 3, 2)
        found = snap(picture, (placed[0], placed[1]), np.array([1.0, 0.3]))
        assert found.kind == "corner"
        miss = found.xy_px - true
        assert np.hypot(*miss) < 0.15
        # χ² of two coordinates: above 18.4 in one of 10,000.
        assert miss @ np.linalg.solve(found.cov_px2, miss) < 18.4


@pytest.mark.parametrize("angle", [0.0, 30.0])
def test_crossings_of_a_checker_are_found(angle: float) -> None:
    squares = [
        turned([(x, y), (x + 30, y), (x + 30, y + 30), (x, y + 30)], angle, (160.2, -119.6))
        for x in (-60, -30, 0, 30)
        for y in (-60, -30, 0, 30)
        if (x + y) // 30 % 2 == 0
    ]
    picture = picture_of(*squares)
    true = px_of(turned([(0, 0)], angle, (160.2, -119.6)))[0]
    found = snap(picture, (true[0] + 2.5, true[1] - 1.5), np.array([1.0, 0.0]))
    assert found.kind == "crossing"
    assert np.hypot(*(found.xy_px - true)) < 0.06


def test_an_edge_is_found_along_the_length() -> None:
    plate = turned([(-60, -40), (60, -40), (60, 40), (-60, 40)], 10.0, (160.3, -120.7))
    picture = picture_of(plate, ground=DARK)
    a, b = px_of(turned([(-60, 5), (60, 5)], 10.0, (160.3, -120.7)))
    way = (b - a) / np.hypot(*(b - a))
    left = snap(picture, tuple(a + 2.2 * way), way)
    right = snap(picture, tuple(b - 3.1 * way), way)
    assert (left.kind, right.kind) == ("edge", "edge")
    assert (left.polarity, right.polarity) == (1, -1)
    assert (left.xy_px - a) @ way == pytest.approx(0, abs=0.1)
    assert (right.xy_px - b) @ way == pytest.approx(0, abs=0.1)
    assert left.normal is not None
    assert left.normal == pytest.approx(way, abs=0.02)
    assert "snapped by 2." in left.sentence("from")


def test_the_mark_of_a_rule_is_taken_in_its_middle() -> None:
    marks = [
        np.array([(x - 2.5, -170.0), (x + 2.5, -170.0), (x + 2.5, -70.0), (x - 2.5, -70.0)]) for x in (60.4, 240.7)
    ]
    picture = picture_of(*marks)
    tie = tie_by_length(picture, (61.5, 121.0), (239.9, 119.0), 18.03, assumed=EXACT)
    assert (tie.start.kind, tie.end.kind) == ("stroke", "stroke")
    assert tie.length_px == pytest.approx(240.7 - 60.4, abs=0.05)


def test_a_length_between_edges_is_taken_square_to_them() -> None:
    # Placed 6° askew, a naive length would be 1/cos 6° = 0.55 % too long.
    plate = turned([(-60, -40), (60, -40), (60, 40), (-60, 40)], 10.0, (160.3, -120.7))
    picture = picture_of(plate, ground=DARK)
    lift = 60 * math.tan(math.radians(6))
    a, b = px_of(turned([(-60, -lift), (60, lift)], 10.0, (160.3, -120.7)))
    tie = tie_by_length(picture, tuple(a), tuple(b), 120.0, assumed=EXACT)
    assert (tie.start.kind, tie.end.kind) == ("edge", "edge")
    assert tie.length_px == pytest.approx(120.0, abs=0.1)
    assert tie.tie.matrix[0, 0] == pytest.approx(1.0, abs=1e-3)
    assert abs(tie.length_px - 120.0) < 4 * tie.u_length_px
    assert any("placed 6.0° askew" in n or "placed 5.9° askew" in n or "placed 6.1° askew" in n for n in tie.tie.notes)


def test_edges_that_are_not_parallel_have_no_one_distance() -> None:
    wedge = np.array([(100.0, -60.0), (220.0, -75.0), (220.0, -165.0), (100.0, -180.0)])
    picture = picture_of(wedge)
    tie = tie_by_length(picture, (160.0, 67.0), (160.0, 173.0), 105.0, assumed=EXACT)
    assert any("have no one distance" in n for n in tie.tie.notes)


def test_an_edges_own_shift_adds_between_opposite_edges_and_cancels_between_like_ones() -> None:
    plates = [np.array([(x, -160.0), (x + 40, -160.0), (x + 40, -80.0), (x, -80.0)]) for x in (60.0, 200.0)]
    picture = picture_of(*plates, ground=DARK)

    def by_edge(a: float, b: float, mm: float) -> float:
        tie = tie_by_length(picture, (a, 120.0), (b, 120.0), mm, assumed=EXACT, u_edge_mm=0.01).tie
        value = length_of(tie, (a, 120.0), (b, 120.0))
        return sum(abs(c) * s.u for s, c in value.terms.items() if s.id.endswith(":edge"))

    assert by_edge(60.0, 240.0, 180.0) == pytest.approx(0.02, rel=1e-2)
    assert by_edge(60.0, 200.0, 140.0) == 0.0


def test_nothing_to_hold_is_refused() -> None:
    picture = picture_of(turned([(-20, -20), (20, -20), (20, 20), (-20, 20)], 0.0, (160.0, -120.0)))
    with pytest.raises(NothingFound, match=r"neither an edge nor a corner lies within 8 px of 40\.0, 40\.0 \(grey"):
        tie_by_length(picture, (40.0, 40.0), (180.0, 100.0), 10.0)
    tie = tie_by_length(picture, (40.0, 40.0), (180.0, 100.0), 10.0, snap_to_features=False)
    assert (tie.start.kind, tie.end.kind) == ("hand", "hand")


@pytest.mark.parametrize(
    ("a", "b", "mm", "words"),
    [
        ((40.0, 40.0), (180.0, 100.0), 0.0, "the length is 0 mm; give more than 0"),
        ((40.0, 40.0), (180.0, 100.0), -3.0, "the length is -3 mm"),
        ((40.0, 40.0), (180.0, 100.0), math.nan, "the length is nan mm"),
        ((40.0, 40.0), (40.0, 40.0), 5.0, r"0\.0 px apart"),
        ((-3.0, 40.0), (180.0, 100.0), 5.0, "outside the picture of 320 × 240 px"),
        ((40.0, 40.0), (400.0, 100.0), 5.0, "outside the picture of 320 × 240 px"),
        ((40.0, math.nan), (180.0, 100.0), 5.0, "is no place"),
    ],
)
@pytest.mark.parametrize("snapped", [True, False])
def test_unusable_lengths_are_refused(
    a: tuple[float, float], b: tuple[float, float], mm: float, words: str, snapped: bool
) -> None:
    picture = picture_of(turned([(-120, -80), (20, -20), (20, 20), (-120, 80)], 0.0, (160.0, -120.0)))
    with pytest.raises((UnusableInput, NothingFound), match=words):
        tie_by_length(picture, a, b, mm, snap_to_features=snapped)


def test_what_is_given_must_fit_together() -> None:
    with pytest.raises(UnusableInput, match="snapping needs the picture"):
        tie_by_length(None, (40.0, 40.0), (180.0, 100.0), 5.0, sensor=Sensor(320, 240))
    with pytest.raises(UnusableInput, match="neither the picture nor its size"):
        tie_by_length(None, (40.0, 40.0), (180.0, 100.0), 5.0, snap_to_features=False)
    with pytest.raises(UnusableInput, match="grey picture of rows"):
        tie_by_length(np.zeros((10, 10, 3), np.uint8), (1.0, 1.0), (9.0, 9.0), 5.0)
    wide = measured(5.0, Source("r", "r", "B", 4.0, "instrument"))
    with pytest.raises(UnusableInput, match="says nothing about the scale"):
        tie_by_length(None, (40.0, 40.0), (180.0, 100.0), wide, snap_to_features=False, sensor=Sensor(320, 240))
    with pytest.raises(UnusableInput, match="tilt in degrees is 60"):
        tie_by_length(
            None,
            (40.0, 40.0),
            (180.0, 100.0),
            5.0,
            snap_to_features=False,
            sensor=Sensor(320, 240),
            assumed=Assumed(tilt_deg=60),
        )


def test_an_unstated_u_is_said_and_bounded() -> None:
    tie = tie_by_length(None, (40.0, 40.0), (180.0, 100.0), 5.0, snap_to_features=False, sensor=Sensor(320, 240)).tie
    source = next(s for s in tie.sources if s.id.endswith(":length"))
    assert source.u == pytest.approx(0.05 / math.sqrt(3))
    assert any("No u of the length was stated" in n for n in tie.notes)


def test_the_tie_is_kept_as_a_document() -> None:
    tie = tie_by_length(None, (40.0, 40.0), (180.0, 100.0), 5.0, snap_to_features=False, sensor=Sensor(320, 240)).tie
    again = from_document(json.loads(json.dumps(to_document(tie), allow_nan=False)))
    assert again.matrix == pytest.approx(tie.matrix)
    assert again.notes == tie.notes
    assert tie.map([(40.0, 40.0), (180.0, 100.0)]).inside.all()
    assert not tie.map([(310.0, 230.0)]).inside.any()


def test_crossings_of_a_real_photograph(photos: Path) -> None:
    # OpenCV's corner refinement is the witness; on this wide lens it is known to 0.2 px itself.
    picture = cv2.imread(str(photos / "chessboard_30mm" / "left01.jpg"), cv2.IMREAD_GRAYSCALE)
    found, corners = cv2.findChessboardCorners(picture, (9, 6))
    assert found
    witness = cv2.cornerSubPix(picture, corners, (5, 5), (-1, -1), (3, 40, 1e-4))[:, 0, :].astype(float)
    rng = np.random.default_rng(2)
    snapped = [
        snap(picture, (float(x), float(y)), np.array([1.0, 0.2]))
        for x, y in witness + rng.uniform(-2, 2, witness.shape)
    ]
    kinds = [s.kind for s in snapped]
    assert kinds == ["crossing"] * 54
    miss = np.array([np.hypot(*(s.xy_px - w)) for s, w in zip(snapped, witness, strict=True) if s.kind == "crossing"])
    assert np.median(miss) < 0.15
    assert miss.max() < 0.5


def test_a_length_on_a_real_board_tells_its_neighbours(photos: Path) -> None:
    # Squares of 30 mm. Tied by four squares of one row, the four squares two rows on are measured; the view is tilted
    # by far more than the 3° that a tie by length assumes, so that the camera's tilt is stated as what it may be.
    picture = cv2.imread(str(photos / "chessboard_30mm" / "left01.jpg"), cv2.IMREAD_GRAYSCALE)
    _, corners = cv2.findChessboardCorners(picture, (9, 6))
    grid = corners[:, 0, :].astype(float).reshape(6, 9, 2)
    a, b = grid[2, 2], grid[2, 6]
    rule = measured(120.0, Source("board", "board", "B", 0.1, "instrument"))
    tie = tie_by_length(
        picture, tuple(a), tuple(b), rule, assumed=Assumed(tilt_deg=30.0, focal_px=535.0, lens_share=0.1)
    ).tie
    value = length_of(tie, tuple(grid[4, 2]), tuple(grid[4, 6]))
    assert abs(value.value - 120.0) < value.U95
    assert value.U95 < 30.0
