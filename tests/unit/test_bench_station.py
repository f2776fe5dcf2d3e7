import math
from dataclasses import replace

import numpy as np
import pytest

from tiepoint.bench.lengths import Bar, check_apart, verification_bars
from tiepoint.bench.place import Place
from tiepoint.bench.plate import NOMINAL, Hole, Plate
from tiepoint.bench.printing import PrintedTarget, Rule, print_target
from tiepoint.bench.station import BenchStation, Loading, View
from tiepoint.bench.worlds import WORLDS, world
from tiepoint.foundation.errors import UnusableInput
from tiepoint.render.camera import UnrenderableScene, corner_distortion_percent, project, unproject
from tiepoint.render.integral import irradiance
from tiepoint.render.photo import Exposure
from tiepoint.render.scene import seen_on_sheet
from tiepoint.render.sensor import Light, PlainSensor
from tiepoint.targets.draw import new_target, points

SMALL = BenchStation(
    view=View(at_mm=(12.0, 10.0)),
    width_px=400,
    height_px=320,
    pixel_um=21.0,
    exposure=Exposure(light=Light(0.9), sensor=PlainSensor(noise_share=0.002)),
)
"""A twelfth of the pixels, the same field."""

TARGET = new_target("checker", 4.0, 6, 5)


def centroid(mask_weight):
    y, x = np.mgrid[: mask_weight.shape[0], : mask_weight.shape[1]]
    return np.array([(mask_weight * x).sum(), (mask_weight * y).sum()]) / mask_weight.sum()


def test_the_default_station_is_the_one_described():
    station = BenchStation()
    camera = station.camera
    assert (camera.width_px, camera.height_px) == (2448, 2048)
    assert camera.focal_px[0] == pytest.approx(25.0 / 0.00345)
    assert np.hypot.reduce(camera.centre_mm - (60.0, 45.0, 0.0)) == pytest.approx(400.0)
    # The lens's centre lies off the principal point, so the corner's figure is only near to the asked one.
    assert corner_distortion_percent(camera) == pytest.approx(-2.5, abs=0.1)
    ends = unproject(camera, np.array([[1223.0, 1023.0], [1224.0, 1023.0]]))
    assert np.hypot.reduce(ends[1] - ends[0]) == pytest.approx(0.0552, abs=2e-4)


def test_a_window_that_is_read_out_is_a_part_of_the_whole_picture():
    """Exactly so before light and noise: the lens bends by where a ray meets the whole sensor."""
    whole, part = SMALL, replace(SMALL, window_px=(120, 80, 96, 64))
    plate, place = Plate(), Place(-4.0, 0.0, 3.0, 3.0)
    seen = whole.photograph_plate(plate, place, 1, Loading(0.0, 0.0)).rendered
    cropped = part.photograph_plate(plate, place, 1, Loading(0.0, 0.0)).rendered
    assert cropped.picture.shape == (64, 96)
    assert np.add(cropped.truth.px, (120, 80)) == pytest.approx(seen.truth.px, abs=1e-9)
    due = irradiance(seen.scene, whole.camera, 0.8)[80:144, 120:216]
    assert irradiance(cropped.scene, part.camera, 0.8)[4:-4, 4:-4] == pytest.approx(due[4:-4, 4:-4], abs=1e-5)


def test_places_go_both_ways():
    place = Place(32.0, 22.0, 30.0, 3.0)
    xy = np.array([[1.0, 2.0], [-3.0, 4.0]])
    assert place.from_plane(place.to_plane(xy)) == pytest.approx(xy)
    assert place.to_plane(np.array([[1.0, 0.0]]))[0] == pytest.approx([32 + math.cos(math.pi / 6), 22.5])
    assert place.lay.place(xy)[:, :2] == pytest.approx(place.to_plane(xy))


def test_target_photo_names_its_points_and_scales_them_as_printed():
    printed = print_target(TARGET, 1, scale=(0.997, 0.9985))
    shot = SMALL.photograph_target(printed, 2, Place(1.0, 2.0, 0.0))
    ids, nominal = points(TARGET)
    assert shot.truth.names == tuple(str(k) for k in ids)
    assert shot.truth.xyz_mm[:, :2] == pytest.approx(nominal * (0.997, 0.9985) + (1.0, 2.0))
    assert shot.truth.seen.all()


@pytest.mark.parametrize("margin", [None, 5.0])
def test_paper_ends_at_its_margin_or_fills_the_picture(margin):
    shot = SMALL.photograph_target(TARGET, 2, margin_mm=margin)
    corner = shot.picture[:4, :4].mean() / 255
    assert corner == pytest.approx(0.9 * (0.85 if margin is None else 0.35), abs=0.01)


def test_the_print_is_read_as_a_person_would():
    readings = [print_target(TARGET, seed, scale=(0.997, 0.9985)) for seed in range(2000)]
    x = np.array([r.reading_x_mm for r in readings])
    y = np.array([r.reading_y_mm for r in readings])
    assert readings[0].true_x_mm == pytest.approx(TARGET.bar_x_mm * 0.997)
    assert x.mean() == pytest.approx(readings[0].true_x_mm, abs=4 * 0.05 / math.sqrt(2000))
    assert x.std() == pytest.approx(readings[0].u_mm, rel=0.07)
    assert y.std() == pytest.approx(readings[0].u_mm, rel=0.07)
    measured = readings[0].measured("2025-01-01T00:00:00Z")
    assert (measured.x_mm, measured.u_mm, measured.with_) == (x[0], readings[0].u_mm, "rule no 12")


def test_a_long_rule_reads_both_bars_short():
    # No reading error: what is left is the rule's scale, common to both bars.
    rule = Rule(u_scale=0.01, u_reading_mm=1e-9, step_mm=1e-6)
    printed = print_target(TARGET, 4, scale=(1.0, 1.0), rule=rule)
    assert isinstance(printed, PrintedTarget)
    for reading, true in ((printed.reading_x_mm, printed.true_x_mm), (printed.reading_y_mm, printed.true_y_mm)):
        assert true / reading - 1 == pytest.approx(printed.rule_scale_error, abs=1e-6)


def test_print_scales_are_drawn_where_none_are_given():
    scales = np.array([(p.scale_x, p.scale_y) for p in (print_target(TARGET, s) for s in range(400))])
    assert scales.mean() == pytest.approx(0.998, abs=4 * 0.0012 / math.sqrt(800))
    assert (scales[:, 0] != scales[:, 1]).all()


def test_a_plate_lies_within_its_loading_and_tells_where():
    fixture = Place(-20.0, -12.0, 10.0, 3.0)
    places = [SMALL.photograph_plate(NOMINAL, fixture, seed).place for seed in range(6)]
    assert len({p.x_mm for p in places}) == 6
    for place in places:
        assert abs(place.x_mm + 20) <= 0.3
        assert abs(place.y_mm + 12) <= 0.3
        assert abs(place.angle_deg - 10) <= 0.2
        assert place.height_mm == 3.0
    still = SMALL.photograph_plate(NOMINAL, fixture, 1, Loading(0.0, 0.0))
    assert still.place == fixture


def test_a_bore_is_seen_where_the_truth_says():
    # A bore's missing light against geometry: area and centre of mass of the ring of its projected edge points.
    plate = Plate(bore_a=Hole(10.02, 11.97, 4.63))
    shot = SMALL.photograph_plate(plate, Place(-20.0, -12.0, 10.0, 3.0), 5)
    assert shot.truth["bore A diameter"] == 4.63
    t = np.linspace(0, 2 * math.pi, 2000, endpoint=False)
    edge = np.array([10.02, 11.97]) + 4.63 / 2 * np.column_stack([np.cos(t), np.sin(t)])
    x, y = project(shot.rendered.camera, shot.place.lay.place(edge)).T
    cross = x * np.roll(y, -1) - y * np.roll(x, -1)
    area = abs(cross.sum()) / 2
    middle = shot.rendered.truth["bore A"]
    assert np.hypot(x.mean() - middle[0], y.mean() - middle[1]) < 0.01
    half = int(1.5 * math.sqrt(area / math.pi))
    left, top = (middle - half).astype(int)
    box = shot.picture[top : top + 2 * half + 2, left : left + 2 * half + 2].astype(float)
    face, dark = np.mean([box[0], box[-1], box[:, 0], box[:, -1]]), box[half, half]
    missing = (face - box) / (face - dark)
    assert missing.sum() == pytest.approx(area, rel=0.01)
    assert centroid(missing) + np.array([left, top]) == pytest.approx([x.mean(), y.mean()], abs=0.05)


def test_bars_tell_where_their_ends_are():
    bars = verification_bars((12.0, 10.0), (110.0, 90.0), (42.0, 30.0, 20.0), 3, height_mm=3.0)
    shot = SMALL.photograph_bars(bars, 1)
    for bar in bars:
        start, end = shot.truth[f"{bar.name} start"], shot.truth[f"{bar.name} end"]
        back = unproject(shot.camera, np.array([start, end]), 3.0)
        assert np.hypot.reduce(back[1] - back[0]) == pytest.approx(bar.true_mm, abs=1e-9)
        assert bar.certified_mm in (42.0, 30.0, 20.0)
        # Bright at the middle, dark beyond each end.
        middle = ((start + end) / 2).round().astype(int)
        assert shot.picture[middle[1], middle[0]] > 150
        beyond = (end + 3 * (end - start) / np.hypot(*(end - start))).round().astype(int)
        assert shot.picture[beyond[1], beyond[0]] < 40


def test_verification_covers_positions_and_orientations():
    flat = verification_bars((0.0, 0.0), (110.0, 90.0), (42.0, 30.0), 3)
    upright = verification_bars((0.0, 0.0), (110.0, 90.0), (42.0, 30.0), 3, turned=True)
    assert len({(b.place.x_mm, b.place.y_mm) for b in flat}) == 5
    assert all(abs(b.place.angle_deg) <= 4 for b in flat)
    assert all(abs(b.place.angle_deg - 90) <= 4 for b in upright)
    for bar in (*flat, *upright):
        assert np.abs(bar.corners_mm[:, 0]).max() <= 55.0
        assert np.abs(bar.corners_mm[:, 1]).max() <= 45.0
    errors = [
        (b.true_mm - b.certified_mm) / b.u_mm
        for seed in range(200)
        for b in verification_bars((0.0, 0.0), (110.0, 90.0), (42.0, 30.0), seed)
    ]
    assert np.std(errors) == pytest.approx(1.0, abs=0.1)


def test_bars_that_overlap_or_do_not_fit_are_refused():
    with pytest.raises(UnrenderableScene, match="does not fit the field"):
        verification_bars((0.0, 0.0), (40.0, 30.0), (60.0,), 1)
    with pytest.raises(UnrenderableScene, match="bar 2 and bar 3 overlap"):
        verification_bars((0.0, 0.0), (60.0, 90.0), (42.0,), 1)
    one = Bar("one", 30.0, 30.0, 0.001, Place())
    with pytest.raises(UnrenderableScene, match="one and two overlap"):
        SMALL.photograph_bars((one, Bar("two", 30.0, 30.0, 0.001, Place(0.0, 3.0, 45.0))), 1)
    check_apart((one, Bar("two", 30.0, 30.0, 0.001, Place(0.0, 7.0))))


def test_an_unknown_world_is_refused_with_the_known_ones():
    with pytest.raises(UnusableInput, match="no world 'foggy'; choose one of plain, polynomial, tangential"):
        world("foggy")


@pytest.mark.parametrize("name", list(WORLDS))
def test_every_world_photographs_target_and_plate(name):
    station = BenchStation(
        view=SMALL.view, world=world(name), width_px=400, height_px=320, pixel_um=21.0, exposure=Exposure()
    )
    plain = BenchStation(view=SMALL.view, width_px=400, height_px=320, pixel_um=21.0, exposure=Exposure())
    printed = print_target(TARGET, 1)
    shot = station.photograph_target(printed, 2)
    assert shot.truth.seen.all()
    # Truth and scene agree in every world: each point's pixel leads back to its place on the sheet.
    lay = shot.scene.sheets[0].lay
    assert np.abs(seen_on_sheet(shot.camera, lay, shot.truth.px) - points(TARGET)[1]).max() < 1e-8
    plate = station.photograph_plate(NOMINAL, Place(-18.0, -10.0, 5.0, 3.0), 3)
    if name != "plain":
        before = plain.photograph_target(printed, 2)
        there = plain.photograph_plate(NOMINAL, Place(-18.0, -10.0, 5.0, 3.0), 3)
        assert (shot.picture != before.picture).any() or (plate.picture != there.picture).any()


def test_a_decentred_lens_moves_the_corner_tangentially_by_some_pixels():
    straight = BenchStation(world=world("polynomial")).camera
    bent = BenchStation(world=world("tangential")).camera
    corner = unproject(straight, np.array([[2300.0, 200.0]]))
    away = np.hypot(*(bent.lens.bend(*_ray(bent, corner)) - straight.lens.bend(*_ray(straight, corner)))[0])
    assert 1.0 < away < 10.0


def _ray(camera, xyz):
    seen = xyz @ camera.rotation.T + camera.translation_mm
    return seen[:, :2] / seen[:, 2:], camera.frame
