"""What a plan is asked for: nonsense is refused at its key, and what cannot be is said in the sheet."""

import pytest

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.plan.asked import Asked
from tiepoint.plan.sheet import arithmetic

GOOD = {"part": {"size_mm": [60, 40], "tolerance_mm": 0.1}, "lens": {"stand_off_mm": 400}}


def changed(**tables):
    return {name: {**GOOD.get(name, {}), **tables.get(name, {})} for name in {*GOOD, *tables}}


@pytest.mark.parametrize(
    ("tables", "says"),
    [
        ({"part": {"tolerance_mm": 0}}, "part.tolerance_mm is 0; choose above 0"),
        ({"part": {"tolerance_mm": "wide"}}, 'part.tolerance_mm is "wide"; give a number'),
        ({"part": {"tolerance_mm": 41}}, "part.tolerance_mm is 41; choose below the part's shorter side, 40"),
        ({"part": {"feature_mm": 40}}, "part.feature_mm is 40; a bore is smaller than its part"),
        ({"part": {"ground": 0.5}}, "part.ground is 0.5, and the part reflects as much"),
        ({"part": {"size_mm": [60]}}, "part.size_mm"),
        ({"part": {"height_mm": 300}}, "part.height_mm is 300, and the lens stands off by 400 mm"),
        ({"part": {"slope_deg": 90}}, "part.slope_deg is 90; choose below 90"),
        ({"part": {"colour": "red"}}, "part.colour is not known here"),
        ({"lens": {"stand_off_mm": -1}}, "lens.stand_off_mm is -1; choose above 0"),
        ({"lens": {"focal_mm": 400}}, "lens.focal_mm is 400; below it no picture is formed"),
        ({"lens": {"magnification": 0.1}}, "lens.magnification belongs to a telecentric lens"),
        ({"lens": {"kind": "telecentric", "focal_mm": 25}}, "lens.focal_mm tells nothing of a telecentric lens"),
        ({"lens": {"kind": "round"}}, "lens.kind"),
        ({"lens": {"stand_off_within_mm": 400}}, "lens.stand_off_within_mm is as large as the stand-off"),
        ({"sensor": {"pixels": [10, 10]}}, "sensor.pixels[0] is 10; choose at least 64"),
        ({"sensor": {"bits": 7}}, "sensor.bits"),
        ({"light": {"wavelength_nm": 850, "lux": 1000}}, "light.lux tells nothing of light of 850 nm"),
        ({"light": {"mains_hz": 400}}, "light.mains_hz"),
        ({"target": {"material": "cheese"}}, 'target.material is "cheese"; use one of paper'),
    ],
)
def test_nonsense_is_refused_at_its_key(tables, says):
    with pytest.raises(UnusableDocument) as caught:
        Asked.read(changed(**tables), "")
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("tables", "key", "state"),
    [
        ({"lens": {"focal_mm": 100}}, "field_long", "fault"),
        ({"part": {"depth_mm": 100}, "lens": {"f_number": 4}}, "depth_of_field", "fault"),
        ({"lens": {"f_number": 16}}, "airy", "caution"),
        ({"part": {"speed_mm_s": 300}, "light": {"exposure_us": 1000}}, "motion", "fault"),
        ({"light": {"mains_hz": 50, "exposure_us": 3000}}, "exposure", "caution"),
        ({"light": {"mains_hz": 50, "exposure_us": 20000}}, "exposure", "fine"),
        ({"light": {"lux": 10, "exposure_us": 100}}, "fill", "fault"),
        ({"part": {"speed_mm_s": 3000}}, "needed", "caution"),
        ({"part": {"u_height_mm": 1}}, "parallax_height", "caution"),
        ({"part": {"u_height_mm": 1}, "lens": {"kind": "telecentric"}}, "parallax_height", "fine"),
        ({"lens": {"nearest_mm": 600}}, "extension", "caution"),
        ({"part": {"tolerance_mm": 0.001}}, "U_length", "fault"),
        ({"part": {"feature_mm": 0.05}, "sensor": {"pixels": [640, 480]}}, "feature_px", "fault"),
        ({"part": {"slope_deg": 44, "surface": "shiny"}}, "lamp", "caution"),
    ],
)
def test_what_cannot_be_is_said_in_its_line(tables, key, state):
    line = arithmetic(Asked.read(changed(**tables), "")).line(key)
    assert line.state == state
    assert bool(line.says) == (state != "fine") or key == "lamp"


def test_a_plan_that_never_conforms_names_the_smallest_tolerance_that_could():
    sheet = arithmetic(Asked.read(changed(part={"tolerance_mm": 0.001}), ""))
    assert not sheet.good
    assert any(says.startswith("No part can ever be shown to conform: ± 0.001 mm") for says in sheet.faults)


def test_every_line_tells_its_arithmetic_and_whose_it_is():
    lit = changed(part={"speed_mm_s": 300, "feature_mm": 5, "slope_deg": 20}, light={"lux": 1000})
    for line in arithmetic(Asked.read(lit, "")).lines:
        assert line.how, line.key
        assert line.source, line.key
        assert line.value is not None or line.text, line.key
