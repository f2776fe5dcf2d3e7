"""A failed measurement is data: whatever happens to a picture, a record comes out, and nothing unseen conforms."""

import math
import tomllib
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from scipy.special import erf

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Value
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.context import Context, StepResult
from tiepoint.recipe.features import Derived
from tiepoint.recipe.foresee import foresee
from tiepoint.recipe.kinds import Quantity, StepKind, installed_kinds
from tiepoint.recipe.recipe import Recipe, read_recipe
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.recipe.schema import StepTable
from tiepoint.ties.tie import PARAMETERS, Sensor, Source, Tie

SIZE = (200, 160)
CENTRES = ((60.0, 80.0), (140.0, 80.0))
HEAD = 'format = "tiepoint/recipe/1"\nname = "plate"\n'


def picture(noise: float = 1.0, radius: float = 20.0) -> np.ndarray:
    """Return two dark holes with blurred edges, 80 px apart."""
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]].astype(float)
    light = np.full(x.shape, 180.0)
    for cx, cy in CENTRES:
        light -= 75 * (1 - erf((np.hypot(x - cx, y - cy) - radius) / (0.9 * math.sqrt(2))))
    return np.clip(light + np.random.default_rng(0).normal(0, noise, x.shape), 0, 255).astype(np.uint8)


def tie(u_scale: float = 1e-4, region: float = 0.0) -> Tie:
    """Return a tie of 0.1 mm per pixel, y up from the lower left corner; its region `region` px inside the picture."""
    H = np.array([[0.1, 0, 0], [0, -0.1, 0.1 * (SIZE[1] - 1)], [0, 0, 1.0]])
    factor = np.zeros((len(PARAMETERS), 1))
    factor[:6, 0] = H[:2].ravel()
    a, b, c = region, SIZE[0] - 1 - region, SIZE[1] - 1 - region
    return Tie(
        "t", "target", "image", "plane", "projective", H, np.array([[a, a], [b, a], [b, c], [a, c]]),
        sources=(Source("rule", "scale of the rule", "B", u_scale, "instrument"),), factor=factor, sensor=Sensor(*SIZE),
    )  # fmt: skip


def hole(name: str, x: float, more: str = "") -> str:
    region = f"{{ ring = {{ centre = [{x}, 7.9], inner = 1, outer = 3.2 }} }}"
    return f'[[step]]\nname = "{name}"\nkind = "circle"\nregion = {region}\n{more}\n'


A = hole("A", 6.0, "limits.diameter = { lower = 3.9, upper = 4.1 }")
B = hole("B", 14.0, "limits.diameter = { lower = 3.9, upper = 4.1 }")
AB = """
[[step]]
name = "A to B"
kind = "distance"
between = ["A", "B"]
limits.distance = { lower = 7.9, upper = 8.1 }
"""
PLATE = A + B + AB


def recipe(text: str, **more) -> Recipe:
    return read_recipe(tomllib.loads(HEAD + text), **more)


def seen(pixels: np.ndarray, **shot) -> Seen:
    size = pixels.shape[1], pixels.shape[0]
    described = Shot("shot", (Picture("picture", "", size, 8, "Mono8"),), **shot)
    return Seen(described, {"picture": pixels}, {"picture": Sensor(*size)})


def record(text: str, pixels: np.ndarray | None = None, used: Tie | None = None, **shot) -> Record:
    return run(Job(recipe(text), used or tie()), seen(picture() if pixels is None else pixels, **shot)).record


def codes(made: Record) -> dict[str, str | None]:
    return {r.id: r.reason.code if r.reason else None for r in made.readings}


def test_a_good_part_conforms_and_tells_its_units():
    made = record(PLATE)
    assert made.verdict == "conforms"
    assert [(r.name, r.unit, r.frame, r.method) for r in made.readings] == [
        ("A", "mm", "plane", "linear"),
        ("B", "mm", "plane", "linear"),
        ("A to B", "mm", "plane", "linear"),
    ]
    assert made.readings[2].value == pytest.approx(8.0, abs=0.01)


def test_an_empty_picture_is_unread_and_never_passes():
    made = record(PLATE, np.full((SIZE[1], SIZE[0]), 90, np.uint8))
    assert made.verdict == "unread"
    assert codes(made) == {"A.diameter": "no_edge", "B.diameter": "no_edge", "A to B.distance": "step_failed"}
    assert made.readings[2].reason == Reason("step_failed", {"step": "A"})
    assert {r.verdict for r in made.readings} == {"unread"}


def test_one_missing_hole_makes_what_rests_on_it_unread():
    pixels = picture()
    pixels[:, 110:] = 180
    made = record(PLATE, pixels)
    assert [r.verdict for r in made.readings] == ["conforms", "unread", "unread"]
    assert made.verdict == "unread"


def test_a_rejected_reading_weighs_more_than_an_unread_one():
    pixels = picture(radius=21.5)
    pixels[:, 110:] = 180
    assert record(PLATE, pixels).verdict == "rejected"


@pytest.mark.parametrize("status", ["incomplete", "repeated", "late", "out_of_order"])
def test_only_complete_shots_are_judged(status):
    made = record(PLATE, status=status)
    assert set(codes(made).values()) == {"shot_not_complete"}
    assert made.verdict == "unread"
    assert status in made.readings[0].reason.sentence


def test_nothing_judged_is_unread():
    made = record(hole("A", 6.0))
    assert made.readings[0].value is not None
    assert made.readings[0].verdict is None
    assert made.verdict == "unread"


def test_a_tie_for_another_sensor_is_refused_with_its_reason():
    made = record(PLATE, used=replace(tie(), sensor=Sensor(400, 320)))
    assert set(codes(made).values()) == {"tie_refused"}
    assert "200 × 160 px" in made.readings[0].reason.sentence


def test_a_cropped_shot_is_translated_where_both_state_their_offset():
    pixels = np.ascontiguousarray(picture()[10:, 20:])
    size = pixels.shape[1], pixels.shape[0]
    sensor = Sensor(*size, offset_px=(20, 10), binning=(1, 1), flip=(False, False))
    stated = replace(tie(), sensor=Sensor(*SIZE, offset_px=(0, 0), binning=(1, 1), flip=(False, False)))
    shot = Shot("shot", (Picture("picture", "", size, 8, "Mono8", roi_offset=(20, 10)),))
    made = run(Job(recipe(PLATE), stated), Seen(shot, {"picture": pixels}, {"picture": sensor})).record
    assert made.verdict == "conforms"
    assert made.readings[2].value == pytest.approx(record(PLATE).readings[2].value, abs=1e-9)


def test_what_lies_outside_the_tie_s_region_has_no_value():
    made = record(PLATE, used=tie(region=45))
    assert codes(made)["A.diameter"] == "outside_tie"
    assert made.verdict == "unread"


def test_a_region_outside_the_picture_says_so():
    made = record(hole("A", 40.0, "limits.diameter = { lower = 3.9 }"))
    assert codes(made) == {"A.diameter": "outside_picture"}


def test_a_saturated_hole_says_so():
    pixels = picture().astype(int) + 120
    made = record(A, np.clip(pixels, 0, 255).astype(np.uint8))
    assert codes(made) == {"A.diameter": "saturated"}
    assert made.readings[0].reason.params["share_percent"] > 25


def test_pictures_are_chosen_by_role_or_light_and_channels_need_colour():
    grey = picture()
    colour = np.stack([grey, np.full_like(grey, 90), grey], axis=-1)
    size = grey.shape[1], grey.shape[0]
    pictures = tuple(Picture(r, "", size, 8, "Mono8", light=light) for r, light in (("dark", None), ("bright", "ring")))
    both = Seen(
        Shot("shot", pictures),
        {"dark": np.full_like(grey, 20), "bright": grey},
        {"dark": Sensor(*size), "bright": Sensor(*size)},
        {"bright": colour},
    )
    steps = {
        "first": "",
        "by role": 'picture = "bright"',
        "by light": 'picture = "ring"',
        "missing": 'picture = "side"',
        "red": 'picture = "bright"\nplane = "r"',
        "green": 'picture = "bright"\nplane = "g"',
        "no colour": 'plane = "b"',
    }
    text = "".join(hole(name, 6.0, more) for name, more in steps.items())
    assert codes(run(Job(recipe(text), tie()), both).record) == {
        "first.diameter": "no_edge",
        "by role.diameter": None,
        "by light.diameter": None,
        "missing.diameter": "no_picture",
        "red.diameter": None,
        "green.diameter": "no_edge",
        "no colour.diameter": "no_channel",
    }


def guest(run_step, quantities=("size",)) -> MappingProxyType:
    """Return the installed kinds with one guest among them."""
    kind = StepKind(
        "guest", "A guest.", StepTable, tuple(Quantity(q, "length", "a size", True) for q in quantities), run_step
    )
    return MappingProxyType({**installed_kinds(), "guest": kind})


GUEST = '[[step]]\nname = "G"\nkind = "guest"\nlimits.size = { lower = 1 }\n'


def test_a_step_that_breaks_leaves_the_line_running():
    def breaks(context: Context) -> StepResult:
        raise ZeroDivisionError("half of nothing")

    made = run(Job(recipe(A + GUEST, kinds=guest(breaks)), tie()), seen(picture())).record
    assert [r.verdict for r in made.readings] == ["conforms", "unread"]
    assert made.readings[1].reason.sentence == "The step could not be carried out: ZeroDivisionError, half of nothing."


@pytest.mark.parametrize(
    "told",
    [
        {"size": Value(math.nan, {})},
        {"size": Value(math.inf, {})},
        {"size": Value(1.0, {Source("s", "s", "B", math.inf, "part"): 1.0})},
        {"size": Derived(lambda v: v[0], (Value(1.0, {Source("s", "s", "B", math.inf, "part"): 1.0}),))},
        {"size": Derived(lambda v: np.log(v[0]), (Value(-1.0, {Source("s", "s", "B", 0.1, "part"): 1.0}),))},
        {},
    ],
)
def test_what_is_no_number_is_no_value(told):
    made = run(Job(recipe(GUEST, kinds=guest(lambda context: StepResult(told))), tie()), seen(picture())).record
    assert made.readings[0].value is None
    assert made.verdict == "unread"


def position(nominal_x: float, upper: float) -> str:
    return f"""
[[step]]
name = "P"
kind = "true_position"
of = "A"
nominal = [{nominal_x}, 7.9]
limits.position = {{ upper = {upper} }}
"""


def test_a_position_near_zero_is_judged_by_its_own_distribution():
    u = 0.02
    wide = tie(u_scale=u / 6.0)
    text = hole("A", 6.0)
    reading = record(text + position(6.0, 1.0), used=wide).readings[1]
    assert reading.method == "monte-carlo"
    # One scale moves x and y together, so the position is a half-normal of σ = 2·√(6² + 7.9²)·u_scale about the small
    # true deviation. 97.5 % of it lie below 2.241·σ, 95 % below 1.960·σ (closed form); the interval starts at 0.
    sigma = 2 * u / 6.0 * math.hypot(6.0, 7.9)
    assert math.isclose(reading.U95, 2.241 * sigma, rel_tol=0.03)
    # At zero the derivative vanishes, and yet the budget says that it is the scale, with the u that the draws gave.
    (scale,) = [t for t in reading.sources if t.id == "rule"]
    assert abs(scale.c * scale.u) == pytest.approx(reading.u, rel=0.02)
    assert record(text + position(6.0, 1.96 * sigma * 1.1), used=wide).readings[1].verdict == "conforms"
    assert record(text + position(6.0, 1.96 * sigma * 0.9), used=wide).readings[1].verdict == "undecided"


def test_the_simple_rule_says_that_it_keeps_no_guard_band():
    simple = '[decide]\nrule = "simple"\n'
    assert record(simple + PLATE).notes == (
        "Every verdict is by the simple rule: no guard band is kept for the uncertainty.",
    )
    assert record(PLATE).notes == ()
    one = A + 'decide = { rule = "simple" }\n'
    assert record(one + B).notes[0].startswith("The verdict of A is by the simple rule")


def test_a_guard_band_is_a_length_whatever_the_unit():
    rule = '[decide]\nrule = "guard:0.05mm"\n'
    inner = A.replace("3.9", "3.97")
    assert record(rule + inner).readings[0].verdict == "undecided"
    inch = rule.replace("[decide]", 'unit = "in"\n[decide]') + A
    for mm in ("6.0", "7.9", "3.2", "3.9", "4.1"):
        inch = inch.replace(mm, str(float(mm) / 25.4))
    assert record(inch.replace("inner = 1", f"inner = {1 / 25.4}")).readings[0].verdict == "conforms"
    assert (
        record(inch.replace("inner = 1", f"inner = {1 / 25.4}").replace(str(3.9 / 25.4), str(3.97 / 25.4)))
        .readings[0]
        .verdict
        == "undecided"
    )


def test_timings_are_kept_and_change_nothing_else():
    ticks = iter(range(100))
    timed = run(Job(recipe(PLATE), tie()), seen(picture()), clock=lambda: float(next(ticks))).record
    # Two stretches of one tick each: each step is measured, then judged.
    assert dict(timed.timings) == {"A": 2.0, "B": 2.0, "A to B": 2.0}
    assert replace(timed, timings={}) == record(PLATE)


def test_what_can_never_conform_is_said_before_the_first_shot():
    assert all(f.possible for f in foresee(recipe(PLATE), tie()))
    coarse = tie(u_scale=0.01)
    *bores, ab = foresee(recipe(PLATE), coarse)
    assert all(f.possible for f in bores)
    assert not ab.possible
    # One scale of 1 %: u = 0.08 mm over 8 mm, and 2·1.96·u is the smallest tolerance (ISO 14253-1 with p = 0.95).
    assert ab.u == pytest.approx(0.08, rel=1e-3)
    assert ab.smallest_tolerance == pytest.approx(2 * 1.96 * 0.08, rel=1e-3)
    assert ab.sentence == (
        "A to B can never conform: its tolerance is 0.2 mm, and with u = 0.08 mm the smallest that could be shown to "
        "be kept is 0.31 mm."
    )


def test_what_is_foreseen_is_what_a_good_picture_gives():
    foreseen = {f.reading: f.u for f in foresee(recipe(PLATE), tie())}
    for reading in record(PLATE, picture(noise=1.3)).readings:
        assert reading.u == pytest.approx(foreseen[reading.id], rel=0.35)


def test_a_position_that_can_never_conform_is_foreseen_at_its_best():
    text = hole("A", 6.0) + position(6.5, 0.02)
    (seen_,) = foresee(recipe(text), tie(u_scale=0.02 / 6))
    assert not seen_.possible
    assert seen_.smallest_tolerance == pytest.approx(1.96 * 2 * 0.02 / 6 * math.hypot(6, 7.9), rel=0.05)
