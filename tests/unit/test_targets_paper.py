"""The print's scale, and a target as a document: arithmetic in closed form, each slip in its sentence."""

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tiepoint.foundation.errors import TiepointError, UnusableDocument, UnusableInput
from tiepoint.foundation.sources import budget
from tiepoint.targets.document import from_document, to_document
from tiepoint.targets.draw import new_target
from tiepoint.targets.paper import apply_measure, print_scale

WHEN = "2026-11-25T08:30:00Z"


@pytest.fixture
def target():
    return new_target("charuco", 10, 20, 14)


@pytest.fixture
def measured(target):
    return apply_measure(target, 199.4, 139.7, 0.1, "rule no 12", WHEN)


def test_print_scale_of_the_trade(measured):
    # TRADE section 3: 199.4/200 → 0.9970; ignored, 80 mm is wrong by 0.24 mm.
    scale = print_scale(measured)
    assert scale.value[0] == pytest.approx(0.9970, abs=1e-12)
    assert scale.value[1] == pytest.approx(139.7 / 140)
    assert 80 * (1 - scale.value[0]) == pytest.approx(0.24)


def test_u_is_the_stated_u_and_the_swelling(measured):
    # Closed form: u of one bar over its length, and a rectangle of ±0.05 %.
    u = np.sqrt(np.diag(print_scale(measured).covariance))
    for axis, (bar, scale) in enumerate([(200, 0.997), (140, 139.7 / 140)]):
        assert u[axis] == pytest.approx(math.hypot(0.1 / bar, scale * 0.0005 / math.sqrt(3)))


def test_axes_share_the_rule_and_nothing_else(measured):
    scale = print_scale(measured)
    shared = [s.id for s, c in zip(scale.sources, scale.c.T, strict=True) if np.all(c != 0)]
    assert shared == ["instrument:rule no 12/scale"]
    # Half of the longer bar's variance is the rule's: a relative error of 0.1/√2 mm in 199.4 mm.
    rule = 0.1 / math.sqrt(2) / 199.4
    assert scale.covariance[0, 1] == pytest.approx(rule**2 * scale.value[0] * scale.value[1])


def test_two_targets_measured_with_one_rule_are_correlated(measured):
    other = apply_measure(new_target("dots", 10, 30, 20), 299.5, 199.6, 0.1, "rule no 12", WHEN)
    common = {s.id for s in print_scale(measured).sources} & {s.id for s in print_scale(other).sources}
    assert common == {"instrument:rule no 12/scale"}


def test_unmeasured_print_is_a_rectangle_of_half_a_percent(target):
    scale = print_scale(target)
    assert scale.value.tolist() == [1.0, 1.0]
    np.testing.assert_allclose(scale.covariance, np.eye(2) * (0.005 / math.sqrt(3)) ** 2)
    assert budget(scale[0])[0].label == "print scale along x, not measured"


def test_measuring_pays(target, measured):
    before, after = (np.sqrt(np.diag(print_scale(t).covariance)) for t in (target, measured))
    assert np.all(after < before / 3)


@pytest.mark.parametrize(
    ("x", "y", "sentence"),
    [
        (7.85, 5.5, "were they typed in inches"),
        (19.94, 13.97, "were they typed in centimetres"),
        (139.7, 199.4, "were x and y swapped"),
        (188.0, 139.7, r"-6 % along x\); measure from line to line, and print again at 100 %"),
        (199.4, 155.0, r"\+11 % along y\)"),
        (0.0, 139.7, "must be numbers above 0"),
        (math.nan, 139.7, "must be numbers above 0"),
        (math.inf, 139.7, "must be numbers above 0"),
    ],
)
def test_slips_of_the_hand_are_named(target, x, y, sentence):
    with pytest.raises(UnusableInput, match=sentence):
        apply_measure(target, x, y, 0.1, "rule no 12", WHEN)


@pytest.mark.parametrize(
    ("u", "with_", "when", "sentence"),
    [
        (0.0, "rule", WHEN, "numbers above 0"),
        (50.0, "rule", WHEN, "tells nothing"),
        (0.1, "  ", WHEN, "what the bars were measured with"),
        (0.1, "rule", "yesterday", "'yesterday' is not a date"),
    ],
)
def test_what_is_said_about_the_measurement_must_make_sense(target, u, with_, when, sentence):
    with pytest.raises(UnusableInput, match=sentence):
        apply_measure(target, 199.4, 139.7, u, with_, when)


@pytest.mark.parametrize("pattern", ["charuco", "checker", "dots"])
def test_document_gives_the_target_back(pattern):
    target = apply_measure(new_target(pattern, 10, 12, 9), 119.9, 90.05, 0.05, "rule", "2026-11-25", traceable=True)
    content = json.loads(json.dumps(to_document(target)))
    assert content["measured"]["with"] == "rule"
    assert from_document(content) == target


def test_document_of_a_board_printed_elsewhere_needs_no_id(target):
    content = to_document(target)
    for name in ("id", "measured", "traceable"):
        del content[name]
    assert from_document(content) == target


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"format": "tiepoint/tie/1"}, "is a tie document where a target document was expected"),
        ({"format": "tiepoint/target/2"}, "newer than this program reads"),
        ({"pitch_mm": math.nan}, "pitch_mm is nan and not a number"),
        ({"pitch_mm": "10mm"}, "pitch_mm is '10mm' and not a number"),
        ({"pitch_mm": -10}, "pitch_mm is -10 mm; choose a length that can be printed"),
        ({"pitch_mm": True}, "pitch_mm is True and not a number"),
        ({"columns": 7.5}, "columns is 7.5 and not a whole number"),
        ({"pattern": "stars"}, "pattern is 'stars'; use one of charuco, checker, dots"),
        ({"pattern": ["dots"]}, "pattern is"),
        ({"variant": 5}, "variant is 5 and not text"),
        ({"colour": "red"}, "has the field 'colour', which is not known"),
        ({"bars": {"x_mm": 200}}, "bars has no y_mm"),
        ({"bars": None}, "bars is None where"),
        ({"measured": {"x_mm": 1}}, "measured has no y_mm"),
        ({"traceable": "yes"}, "traceable is 'yes'; write true or false"),
        ({"pitch_mm": 11}, "the file was edited after it was drawn"),
        ({"rows": 300}, "more than can be found again"),
    ],
)
def test_a_fault_in_a_document_is_named(target, change, sentence):
    with pytest.raises(UnusableDocument, match=sentence):
        from_document({**to_document(target), **change}, "target.json")


def test_a_missing_field_is_named(target):
    content = to_document(target)
    del content["columns"]
    with pytest.raises(UnusableDocument, match=r"target\.json cannot be used: the document has no columns"):
        from_document(content, "target.json")


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**12), 10**12) | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)


@given(
    name=st.sampled_from(["format", "id", "pattern", "variant", "pitch_mm", "columns", "rows", "bars", "measured"]),
    junk=JUNK,
)
@settings(max_examples=300, deadline=None)
def test_damage_is_answered_with_a_sentence(name, junk):
    content = {**to_document(new_target("checker", 10, 12, 9)), name: junk}
    said = None
    try:
        assert from_document(content).pattern == "checker"
    except TiepointError as error:
        said = str(error)
    assert said is None or (len(said) > 20 and "\n" not in said)
