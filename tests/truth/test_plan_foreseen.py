"""What a plan foresees: its pictures against the geometry, its ± against the truth and against arithmetic."""

import math
from functools import cache

import numpy as np
import pytest

from tiepoint.plan.asked import Asked
from tiepoint.plan.foresee import foresee
from tiepoint.plan.numbers import as_stated
from tiepoint.plan.scene import Lying, photographed_part, photographed_target, world_of
from tiepoint.plan.sheet import arithmetic
from tiepoint.render.camera import project
from tiepoint.ties.by_target import Setting, tie_by_target


def plan(part=(), lens=(), sensor=(), target=()):
    return Asked.read(
        {
            "part": {"size_mm": [60, 40], "tolerance_mm": 0.2, "feature_mm": 6.0, "height_mm": 3.0, **dict(part)},
            "lens": {"stand_off_mm": 400, **dict(lens)},
            "sensor": {"pixels": [1440, 1080], **dict(sensor)},
            "target": {"material": "glass", "u_bars_mm": 0.003, **dict(target)},
        },
        "the plan: ",
    )


@cache
def foreseen(kind="perspective", seed=1):
    return foresee(arithmetic(plan(lens={"kind": kind})), seed=seed)


@pytest.mark.parametrize(("kind", "seeds"), [("perspective", (1, 2)), ("telecentric", (1,))])
def test_every_reading_lies_within_its_own_interval(kind, seeds):
    # Exact truth of the renderer: three sizes of five loads each. What a tie is off by is common to all loads
    # of its station, so they leave their interval together: of 6 sizes more than one does so with a chance below 4 %.
    readings = [r for seed in seeds for r in foreseen(kind, seed).readings]
    assert len(readings) == 3 * len(seeds)
    assert all(r.n == 5 for r in readings)
    assert sum(r.n - r.inside for r in readings) <= 5


@pytest.mark.parametrize(("kind", "height"), [("perspective", 3.0), ("perspective", 60.0), ("telecentric", 3.0)])
def test_the_target_that_is_planned_ties_the_whole_picture(kind, height):
    # The region of a tie reaches as far as points were seen: of a target that is cut by the border all round, to within
    # a square of it. Whatever is measured anywhere in the picture is then inside.
    sheet = arithmetic(plan(part={"height_mm": height}, lens={"kind": kind}))
    world = world_of(as_stated(sheet.asked, sheet.chosen))
    photo, target = photographed_target(world, np.random.default_rng(1))
    tie = tie_by_target([photo], target, Setting(optics=kind))
    corners = np.array(target.size_mm) * [[0, 0], [1, 0], [0, 1], [1, 1]]
    seen = project(world.camera, np.column_stack([corners, np.zeros(4)]))
    width, high = sheet.chosen.columns, sheet.chosen.rows
    assert (((seen < 0) | (seen > [width - 1, high - 1])).any(axis=1)).all()
    rim = target.pitch_mm / sheet.line("scale").value * 1000
    inner = np.array([[x, y] for x in (rim, width - rim) for y in (rim, high - rim)])
    assert tie.map(inner).inside.all()


def test_arithmetic_and_pictures_foresee_the_same_uncertainty():
    # Two ways: the law of propagation on five rows, and the tie, its move and a recipe on rendered pictures. What the
    # first leaves out (bow, lens, corners) makes the second a little larger; never smaller by more than a tenth.
    sheet, seen = arithmetic(plan()), foreseen()
    length = next(r for r in seen.readings if r.name == "length")
    by_arithmetic = sheet.line("U_length").value / 1000
    assert 0.9 * by_arithmetic < length.U < 1.5 * by_arithmetic


def test_the_camera_of_the_picture_is_the_thin_lens():
    # Along a row through the middle the part is 60 mm/scale long, to what lean (1°) and distortion (1 % corner) do.
    sheet = arithmetic(plan(lens={"lean_deg": 0, "distortion_percent": 0}))
    world = world_of(as_stated(sheet.asked, sheet.chosen))
    picture = photographed_part(world, Lying(*world.middle_mm, 0.0, 3.0), np.random.default_rng(1))
    row = picture[picture.shape[0] // 2 + 150].astype(float)
    lit = row > (row.max() + row.min()) / 2
    assert lit.sum() * sheet.line("scale").value / 1000 == pytest.approx(60, abs=0.1)


def test_the_brightest_surface_fills_the_sensor_as_asked():
    sheet = arithmetic(plan())
    world = world_of(as_stated(sheet.asked, sheet.chosen))
    picture = photographed_part(world, Lying(*world.middle_mm, 0.0, 3.0), np.random.default_rng(1))
    middle = picture[540 + 150 : 540 + 200, 600:840]
    assert middle.mean() / 255 == pytest.approx(sheet.asked.light.fill, abs=0.02)


def test_a_moving_part_smears_along_its_way():
    # A box of b px has sd b/√12: the middle slope of an edge falls from 1/(√2π·w) to that of both, as variances add.
    sharp, moving = (
        arithmetic(
            plan(
                part={"speed_mm_s": v, "loading_mm": 0},
                lens={"lean_deg": 0, "distortion_percent": 0, "blur_px": 1.0},
            ).model_copy(
                update={"light": Asked.model_fields["light"].default.model_copy(update={"exposure_us": 1000.0})}
            )
        )
        for v in (0.0, 120.0)
    )
    b = moving.line("motion").value
    slopes = []
    for sheet in (sharp, moving):
        camera = as_stated(sheet.asked, sheet.chosen)
        picture = photographed_part(
            world_of(camera), Lying(*world_of(camera).middle_mm, 0.0, 3.0), np.random.default_rng(1)
        )
        band = picture[640:760].astype(float)
        # Each row by itself: the edge runs across them.
        slopes.append(
            float(np.mean(np.abs(np.diff(band[:, :700], axis=1)).max(axis=1)))
            / (band[:, 650:700].mean() - band[:, :20].mean())
        )
    w2 = (
        as_stated(sharp.asked, sharp.chosen).optical_px ** 2
        + as_stated(sharp.asked, sharp.chosen).defocus_px ** 2
        + 1 / 12
    )
    assert b > 1
    assert slopes[1] / slopes[0] == pytest.approx(math.sqrt(w2 / (w2 + b**2 / 12)), rel=0.06)


def test_a_tolerance_that_no_camera_of_this_plan_shows_is_said_to_be_so():
    seen = foresee(arithmetic(plan(part={"tolerance_mm": 0.002})), loads=2)
    assert seen.never
    assert not seen.good
    assert seen.sentences[0].startswith("No part can ever be shown to conform to ± 0.002 mm")


def test_a_good_plan_is_good_and_says_what_most_of_its_u_is():
    seen = foreseen()
    assert seen.good
    assert seen.sentences[0].startswith("Good for ± 0.2 mm")
    assert "Mostly" in seen.sentences[0]


def test_the_same_seed_foresees_the_same():
    one, other = (foresee(arithmetic(plan()), loads=2, seed=9) for _ in range(2))
    assert one.readings == other.readings
    assert np.array_equal(one.preview, other.preview)


def test_progress_is_told_and_ends_the_work_by_raising():
    told = []

    class Enough(Exception):
        pass

    def telling(done, of, says):
        told.append((done, of, says))
        if done == 2:
            raise Enough

    with pytest.raises(Enough):
        foresee(arithmetic(plan()), telling=telling)
    assert [t[0] for t in told] == [0, 1, 2]
    assert told[-1][2] == "Measuring part 1 of 5"


def test_a_part_that_cannot_be_told_from_what_lies_behind_it_is_never_good():
    asked = plan(part={"reflectance": 0.5, "ground": 0.479}, sensor={"full_well_e": 300, "dark_noise_e": 30})
    seen = foresee(arithmetic(asked), loads=1)
    assert not seen.good
    assert "could not always be read" in " ".join(seen.sentences)


def test_a_target_that_cannot_be_tied_is_said_so():
    seen = foresee(arithmetic(plan(lens={"blur_px": 20.0})), loads=1)
    assert not seen.good
    assert seen.never
    assert seen.sentences[0].startswith("The target of this camera cannot be tied:")
    assert seen.readings == ()
