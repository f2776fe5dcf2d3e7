"""The tie's core: lens, map, kernel, document, sensor settings, probes and lengths."""

import copy
import json
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.foundation.sources import Source
from tiepoint.ties.document import from_document, to_document
from tiepoint.ties.kernel import locate
from tiepoint.ties.lens import Lens, ideal_from_picture, picture_from_ideal, straighten
from tiepoint.ties.probe import length, probe
from tiepoint.ties.sensor import OtherSensor, Placing, Sensor, place
from tiepoint.ties.tie import (
    PARAMETERS,
    Diagnostics,
    Field,
    Member,
    Quality,
    Residuals,
    Tie,
    matrix_columns,
    merge_columns,
    polynomial_terms,
)

LENS = Lens(-0.09, 0.015, 1210.0, 1031.0, 1595.0, 0.0012, -0.0017, 0.004)
CORNERS = np.array([[200.0, 150], [2250, 180], [2200, 1850], [240, 1800]])
PLACES = np.array([[0.0, 0], [100, 0], [100, -80], [0, -80]])
MATRIX = cv2.getPerspectiveTransform(CORNERS.astype(np.float32), PLACES.astype(np.float32)).astype(float)
PICTURE = np.array([[-0.5, -0.5], [2447.5, -0.5], [2447.5, 2047.5], [-0.5, 2047.5]])


def full_tie(seed: int = 0) -> Tie:
    """A tie with everything in it: lens, sixteen sources, three fields, notes."""
    rng = np.random.default_rng(seed)
    sources = tuple(Source(f"fit#{k}", "Fit", "A", 1.0, "tie", "t", 30.0) for k in range(16))
    size = np.concatenate([np.abs(MATRIX.ravel()) * 1e-6, [1e-5, 1e-5, 0.1, 0.1, 1e-6, 1e-6, 1e-6]])
    fields = tuple(
        Field(Source(f"bow#{k}", "Bow", "B", 1e-3, "tie"), 3, (1223.5, 1023.5), 1600.0, rng.normal(size=(10, 2)))
        for k in range(3)
    )
    region = np.array([[150.0, 100], [2300, 120], [2250, 1900], [200, 1850]])
    points = rng.uniform(300, 1800, (5, 2))
    return Tie(
        "t1",
        "target",
        "image",
        "plane",
        "homography + κ",
        MATRIX,
        region,
        LENS,
        sources,
        size[:, None] * rng.normal(size=(16, 16)),
        fields,
        height_mm=3.0,
        u_height_mm=0.05,
        distance_mm=400.0,
        u_distance_mm=5.0,
        foot_mm=(50.0, -40.0),
        sensor=Sensor(2448, 2048, (0, 0), (1, 1), (False, False), (2448, 2048)),
        covered_share=0.7,
        quality=Quality(5, 0.001, 1e-4, 0.002, 0.003, (1.0, 2.0), "left out", 0.01),
        diagnostics=Diagnostics(1.1, (Member("m", 9, 10.0, 3.0, 1.0, math.inf, 0.1, True),), "why"),
        residuals=Residuals(points, points / 20, points / 1e6, points / 9e5, np.array([True, True, False, True, True])),
        photos=("abc",),
        target_id="t-1",
        flags=("tie_model_poor",),
        notes=("a note with ± and κ",),
    )


def bare_tie(matrix: np.ndarray = MATRIX) -> Tie:
    return Tie("t0", "target", "image", "plane", "homography", matrix, PICTURE, sensor=Sensor(2448, 2048))


def test_a_homography_through_four_corners():
    # The eight linear equations of four corners, solved apart from this code: where (1225, 1000) lies.
    assert bare_tie().map([1225, 1000]).xy_mm[0] == pytest.approx([50.4540, -39.3413], abs=5e-5)


def test_division_lens_solves_its_own_quadratic():
    # Closed form on the axis: r_u = r/(1 + κ·r²/ρ²), solved for r by numpy's polynomial roots.
    for kappa in (-0.3, -0.05, 0.05, 0.2):
        lens = Lens(kappa, 0.0, 0.0, 0.0, 1000.0)
        for u in (10.0, 300.0, 900.0):
            roots = np.roots([kappa * u / 1000.0**2, -1.0, u])
            r = min(float(x.real) for x in roots if abs(x.imag) < 1e-9 and x.real > 0)
            assert picture_from_ideal(lens, np.array([[u, 0.0]]))[0] == pytest.approx([r, 0.0], rel=1e-12)


def test_beyond_what_a_pincushion_lens_shows_there_is_no_picture_point():
    lens = Lens(0.5, 0.0, 0.0, 0.0, 1000.0)  # shows ideal radii up to ρ/√(4κ) = 707 px
    there = picture_from_ideal(lens, np.array([[700.0, 0.0], [720.0, 0.0]]))
    assert np.isfinite(there[0]).all()
    assert np.isnan(there[1]).all()


def test_decentring_inverts_opencvs_to_first_order():
    # OpenCV's projectPoints adds T(undistorted) in the distorting direction; halving p must quarter the miss.
    focal, centre = 2400.0, (1200.0, 1000.0)
    camera = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1]])
    x = np.random.default_rng(1).uniform(-0.5, 0.5, (200, 2))
    missed = []
    for p in (2e-3, 1e-3):
        seen, _ = cv2.projectPoints(
            np.column_stack([x, np.ones(200)]), np.zeros(3), np.zeros(3), camera, np.array([0, 0, p, -p / 2])
        )
        # T is quadratic: in units of ρ instead of f it is p·ρ/f; undistorting takes its sign.
        lens = Lens(0.0, 0.0, *centre, 1000.0, -p * 1000 / focal, p / 2 * 1000 / focal)
        missed.append(np.abs(straighten(lens, seen[:, 0]) - (x * focal + centre)).max())
    # The term itself moves points by up to 6 px; what is second order in it is a hundredth of that.
    assert missed[0] < 0.06
    assert missed[0] / missed[1] == pytest.approx(4.0, rel=0.1)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6))
def test_there_and_back_through_any_lens(seed: int):
    rng = np.random.default_rng(seed)
    lens = Lens(
        rng.uniform(-0.15, 0.1), rng.uniform(-0.02, 0.02), *rng.uniform(900, 1300, 2), 1500.0,
        *rng.uniform(-2e-3, 2e-3, 2), rng.uniform(-0.01, 0.01),
    )  # fmt: skip
    px = rng.uniform(0, 2000, (50, 2))
    straight = ideal_from_picture(lens, px)
    assert straighten(lens, px) == pytest.approx(straight.ideal_px, abs=1e-10)
    assert picture_from_ideal(lens, straight.ideal_px) == pytest.approx(px, abs=1e-8)


def test_map_has_the_derivatives_that_differences_show():
    tie = replace(full_tie(), fields=())
    px = np.random.default_rng(2).uniform(200, 1800, (20, 2))
    mapped = tie.map(px)
    for axis in (0, 1):
        step = np.zeros(2)
        step[axis] = 1e-3
        difference = (tie.map(px + step).xy_mm - tie.map(px - step).xy_mm) / 2e-3
        assert mapped.d_px[:, :, axis] == pytest.approx(difference, rel=1e-6, abs=1e-10)
    theta = np.concatenate([MATRIX.ravel(), LENS.vector])
    unit = replace(tie, factor=np.eye(16))
    for k, name in enumerate(PARAMETERS):
        h = 1e-5 * max(abs(theta[k]), 1e-3 if k >= 9 else 1e-9)

        def at(value: float, k: int = k) -> np.ndarray:
            v = theta.copy()
            v[k] = value
            kappa, kappa2, cx, cy, p1, p2, kappa3 = v[9:]
            lens = Lens(kappa, kappa2, cx, cy, LENS.rho_px, p1, p2, kappa3)
            return replace(tie, matrix=v[:9].reshape(3, 3), lens=lens).map(px).xy_mm

        difference = (at(theta[k] + h) - at(theta[k] - h)) / (2 * h)
        stated = unit.map(px).d_sources[:, :, k]
        assert stated == pytest.approx(difference, abs=1e-5 * np.abs(difference).max()), name


@pytest.mark.parametrize("with_fields", [True, False])
def test_the_kernel_is_the_maps_twin(with_fields: bool):
    tie = full_tie() if with_fields else replace(full_tie(), fields=())
    tie = tie.for_sensor(Sensor(1124, 924, (100, 100), (2, 2), (False, False)))
    px = np.random.default_rng(3).uniform(0, 900, (1000, 2))
    mapped, fast = tie.map(px), locate(tie, px, u_px=0.1)
    spread = mapped.d_sources * np.array([s.u for s in mapped.sources])
    covariance = spread @ spread.transpose(0, 2, 1) + 0.01 * mapped.d_px @ mapped.d_px.transpose(0, 2, 1)
    assert fast.xy_mm == pytest.approx(mapped.xy_mm, abs=1e-10)
    assert fast.covariance == pytest.approx(covariance, rel=1e-9, abs=1e-18)
    assert (fast.inside == mapped.inside).all()
    assert 0 < mapped.inside.mean() < 1


def test_image_points_come_back():
    tie = full_tie()
    px = np.random.default_rng(4).uniform(200, 1800, (50, 2))
    assert tie.to_image(tie.map(px).xy_mm) == pytest.approx(px, abs=1e-7)


def test_what_follows_a_tie_is_the_maps_composition():
    tie = full_tie()
    M = np.array([[0.99, -0.02, 3.0], [0.03, 1.01, -5.0], [0, 0, 1.0]])
    source = Source("scale", "Scale", "B", 1e-4, "station")
    moved = tie.then(M, [source], np.array([[[1.0, 0, 0], [0, 0, 0], [0, 0, 0]]]))
    px = np.random.default_rng(5).uniform(300, 1700, (10, 2))
    before, after = tie.map(px), moved.map(px)
    assert after.xy_mm == pytest.approx(before.xy_mm @ M[:2, :2].T + M[:2, 2], abs=1e-12)
    old = [s.id for s in after.sources if s.id != "scale"]
    assert old == [s.id for s in before.sources]
    kept = [k for k, s in enumerate(after.sources) if s.id != "scale"]
    expected = np.einsum("ij,njk->nik", M[:2, :2], before.d_sources)
    assert after.d_sources[:, :, kept] == pytest.approx(expected, abs=1e-9)
    own = after.d_sources[:, :, [s.id for s in after.sources].index("scale")]
    assert own == pytest.approx(np.column_stack([before.xy_mm[:, 0], np.zeros(10)]), abs=1e-9)


def test_a_cause_that_acts_twice_is_one_column():
    a, b = (Source(n, n, "B", 1.0, "tie") for n in "ab")
    sources, columns = merge_columns([a, b, a], np.array([[1.0, 2.0, 3.0]]))
    assert sources == (a, b)
    assert columns.tolist() == [[4.0, 2.0]]


def test_polynomials_count_by_degree():
    assert polynomial_terms(3, np.array([[2.0, 3.0]])).tolist() == [[1, 2, 3, 4, 6, 9, 8, 12, 18, 27]]


def test_a_document_holds_the_tie_exactly():
    tie = full_tie()
    text = json.dumps(to_document(tie), allow_nan=False)
    back = from_document(json.loads(text))
    assert to_document(back) == to_document(tie)
    assert np.array_equal(back.factor, tie.factor)
    assert np.array_equal(back.fields[2].coefficients, tie.fields[2].coefficients)
    assert back.sources == tie.sources
    assert back.diagnostics == tie.diagnostics
    assert (back.lens, back.sensor, back.quality, back.flags) == (tie.lens, tie.sensor, tie.quality, tie.flags)
    assert from_document(json.loads(json.dumps(to_document(bare_tie())))).residuals is None


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d.pop("matrix"), "it has no 'matrix'"),
        (lambda d: d.update(format="tiepoint/tie/2"), "its format is"),
        (lambda d: d.update(matrix=[[0, 0, 0], [0, 0, 0], [0, 0, 1]]), "matrix is singular"),
        (lambda d: d["matrix"][0].__setitem__(0, float("nan")), "holds something that is no number"),
        (lambda d: d.update(flags=["unheard_of"]), "its flag 'unheard_of' is not known"),
        (lambda d: d["lens"].update(rho_px=0), "rho_px is 0"),
        (lambda d: d["sources"][0].update(dof=-1), "u is at least 0, and dof at least 0.01"),
        (lambda d: d["sources"][0].update(dof=1e-320), "dof at least 0.01"),
        (lambda d: d.update(valid_region=[[0, 0], [1, 1]]), "no convex polygon"),
        (lambda d: d.update(valid_region=[[0, 0], [9, 0], [1, 1], [0, 9]]), "no convex polygon"),
        (lambda d: d.update(unit="furlong"), "one of mm, in was expected"),
        (lambda d: d.update(height_mm="3"), "height_mm is '3', which is no number"),
    ],
)
def test_a_broken_document_says_what_is_wrong(change, said: str):
    document = copy.deepcopy(to_document(full_tie()))
    change(document)
    with pytest.raises(UnusableDocument, match=said):
        from_document(document, "tie.json")


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_no_damaged_document_is_more_than_a_sentence(data):
    document = json.loads(json.dumps(to_document(full_tie())))
    node: dict | list = document
    for _ in range(data.draw(st.integers(0, 3))):
        children = [v for v in (node.values() if isinstance(node, dict) else node) if isinstance(v, dict | list) and v]
        if not children:
            break
        node = data.draw(st.sampled_from(children))
    keys = list(node) if isinstance(node, dict) else list(range(len(node)))
    junk = st.one_of(
        st.none(), st.booleans(), st.text(max_size=3), st.floats(), st.integers(), st.just([]), st.just({})
    )
    node[data.draw(st.sampled_from(keys))] = data.draw(junk)
    try:
        tie = from_document(document)
    except UnusableDocument:
        return
    assert isinstance(tie, Tie)


def centres(sensor: Sensor, axis: int) -> dict[int, float]:
    """Picture pixel → middle of the sensor pixels that it covers, counted one by one in the unflipped sensor."""
    b = sensor.binning[axis] if sensor.binning else 1
    offset = sensor.offset_px[axis] if sensor.offset_px else 0
    flipped = bool(sensor.flip and sensor.flip[axis])
    whole = sensor.whole_px[axis] if sensor.whole_px else sensor.size_px[axis] * b
    covered = {i: [offset + b * i + k for k in range(b)] for i in range(sensor.size_px[axis])}
    return {i: float(np.mean([whole - 1 - p if flipped else p for p in pixels])) for i, pixels in covered.items()}


@pytest.mark.parametrize(
    ("shot", "tie"),
    [
        (Sensor(100, 80, (20, 10)), Sensor(200, 160, (0, 0))),
        (Sensor(100, 80, (0, 0), (2, 2)), Sensor(200, 160, (0, 0))),
        (Sensor(50, 40, (40, 20), (2, 2)), Sensor(160, 120, (10, 6), (1, 1))),
        (Sensor(40, 40, (6, 3), (3, 1)), Sensor(60, 60, (2, 2), (2, 2))),
        (Sensor(200, 160, (0, 0), (1, 1), (True, False)), Sensor(200, 160, (0, 0))),
        (Sensor(90, 60, (7, 5), (2, 2), (False, True), (400, 300)), Sensor(200, 160, (30, 20), None, None, (400, 300))),
    ],
)
def test_a_placed_shot_shows_the_same_sensor_pixels(shot: Sensor, tie: Sensor):
    placing = place(shot, tie)
    for axis in (0, 1):
        in_tie = centres(tie, axis)
        slope = in_tie[1] - in_tie[0]
        for i, middle in centres(shot, axis).items():
            expected = (middle - in_tie[0]) / slope
            assert placing.scale[axis] * i + placing.shift_px[axis] == pytest.approx(expected, abs=1e-9)


def test_settings_that_prove_nothing_are_refused():
    with pytest.raises(OtherSensor, match="without the sensor offset of both"):
        place(Sensor(100, 80), Sensor(200, 160))
    with pytest.raises(OtherSensor, match="size of the whole sensor"):
        place(Sensor(100, 80, (4, 0), None, (True, False)), Sensor(200, 160, (0, 0)))
    assert place(Sensor(200, 160), Sensor(200, 160, (0, 0))) == Placing()
    with pytest.raises(OtherSensor):
        place(Sensor(200, 160), Sensor(200, 160, (8, 0)))


def test_a_binned_shot_probes_to_the_same_place():
    tie = replace(full_tie(), sensor=Sensor(2448, 2048, (0, 0)))
    binned = tie.for_sensor(Sensor(1224, 1024, (0, 0), (2, 2)))
    # Binned pixel (600, 400) has its middle on (1200.5, 800.5).
    assert binned.map([600, 400]).xy_mm == pytest.approx(tie.map([1200.5, 800.5]).xy_mm, abs=1e-12)
    assert binned.to_image(tie.map([1200.5, 800.5]).xy_mm) == pytest.approx(np.array([[600.0, 400.0]]), abs=1e-8)


def test_outside_the_region_there_is_no_value_unless_asked():
    tie = full_tie()
    inside, outside = probe(tie, [[1000, 1000], [50, 50]]).points
    assert inside.x is not None
    assert outside.x is None
    assert outside.reason is not None
    assert outside.reason.code == "outside_tie"
    (stretched,) = probe(tie, [[50, 50]], extrapolate=True).points
    assert stretched.x is not None
    assert stretched.flags == ("extrapolated",)
    assert length(tie, [50, 50], [1000, 1000]).value is None
    assert length(tie, [50, 50], [1000, 1000], extrapolate=True).flags == ("extrapolated",)


def test_the_border_of_the_region_is_inside():
    tie = full_tie()
    assert tie.map(tie.valid_region).inside.all()


@pytest.mark.parametrize("point", [[-1, 5], [2448, 5], [5, 2048], [math.nan, 1], [math.inf, 1]])
def test_points_that_no_picture_has_are_refused(point: list[float]):
    with pytest.raises(UnusableInput):
        probe(full_tie(), [point], extrapolate=True)


def test_a_length_of_nothing_is_refused():
    with pytest.raises(UnusableInput, match="same point"):
        length(full_tie(), [500, 500], [500, 500])


def test_a_length_too_short_for_its_u_has_no_value():
    shaky = length(full_tie(), [500, 500], [500.2, 500], u_px=1.0)
    assert shaky.value is None
    assert shaky.reason is not None
    assert shaky.reason.code == "linear_law_fails"


def test_what_both_ends_share_cancels_or_adds_as_it_does():
    shift = Source("shift", "Shift", "B", 0.5, "tie")
    scale = Source("scale", "Scale", "B", 1e-3, "station")
    # A plain scale of 0.05 mm/px: a shift moves both ends alike, a scale error goes with the length.
    matrix = np.diag([0.05, 0.05, 1.0])
    columns = matrix_columns(np.array([[[0, 0, 1.0], [0, 0, 0], [0, 0, 0]], [[0.05, 0, 0], [0, 0.05, 0], [0, 0, 0]]]))
    tie = replace(bare_tie(matrix), sources=(shift, scale), factor=columns)
    value = length(tie, [100, 200], [1100, 200], u_px=0.3).value
    assert value is not None
    assert value.value == pytest.approx(50.0)
    # The law of propagation on s = L/d (JCGM 100, 5.1.2): u(s)/s = √(u_L² + 2(s·u_px)²)/L; here u_L/L = 1e-3,
    # s·u_px = 0.015 mm.
    assert value.u == pytest.approx(math.sqrt((50 * 1e-3) ** 2 + 2 * 0.015**2), rel=1e-12)
    assert shift not in value.terms or value.terms[shift] == pytest.approx(0.0, abs=1e-12)


def test_lengths_scatter_as_stated():
    # Monte Carlo over the sources themselves, mapped without any derivative.
    tie = replace(full_tie(), fields=())
    a, b = np.array([400.0, 500.0]), np.array([1900.0, 1500.0])
    rng = np.random.default_rng(6)
    theta = np.concatenate([tie.matrix.ravel(), LENS.vector])
    drawn = []
    for z in rng.standard_normal((4000, 16)):
        v = theta + tie.factor @ z
        kappa, kappa2, cx, cy, p1, p2, kappa3 = v[9:]
        lens = Lens(kappa, kappa2, cx, cy, LENS.rho_px, p1, p2, kappa3)
        ends = np.column_stack([straighten(lens, np.stack([a, b])), np.ones(2)]) @ v[:9].reshape(3, 3).T
        xy = ends[:, :2] / ends[:, 2:]
        drawn.append(math.dist(xy[0], xy[1]))
    value = length(tie, a, b).value
    assert value is not None
    # The sd of 4,000 draws is known to 1.1 %.
    assert np.std(drawn) == pytest.approx(value.u, rel=0.04)


def test_a_probe_tells_the_contracts_fields():
    told = probe(full_tie(), [[1000, 900]], u_px=0.1).document()["points"][0]
    assert set(told) >= {
        "x",
        "y",
        "u_x",
        "u_y",
        "r_xy",
        "dof",
        "unit",
        "frame",
        "height_mm",
        "inside",
        "reason",
        "sources",
    }
    by_hand = sum((s["c_x"] * s["u"]) ** 2 for s in told["sources"])
    assert math.sqrt(by_hand) == pytest.approx(told["u_x"], rel=1e-12)
    json.dumps(told, allow_nan=False)
    told = length(full_tie(), [500, 500], [900, 900]).document()
    assert set(told) >= {"value", "u", "dof", "U95", "unit", "sources"}


def test_inches_are_told_in_inches():
    tie = replace(full_tie(), unit="in")
    mm, inch = (probe(t, [[1000, 900]]).document()["points"][0] for t in (full_tie(), tie))
    assert inch["x"] * 25.4 == pytest.approx(mm["x"])
    assert inch["u_y"] * 25.4 == pytest.approx(mm["u_y"])
