"""The print's scale, and a target as a document: arithmetic in closed form, each slip in its sentence."""

import json
import math
from typing import get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tiepoint.cli.target import Material
from tiepoint.foundation.errors import TiepointError, UnusableDocument, UnusableInput
from tiepoint.foundation.sources import budget, covariance
from tiepoint.targets.document import from_document, to_document
from tiepoint.targets.draw import new_target
from tiepoint.targets.paper import MATERIALS, apply_measure, borne_by, exchange_goes_unseen, is_assumed, print_scale

WHEN = "2026-11-25T08:30:00Z"


@pytest.fixture
def target():
    return new_target("charuco", 10, 20, 14)


@pytest.fixture
def measured(target):
    return apply_measure(target, 199.4, 139.7, 0.1, "rule no 12", WHEN)


def test_print_scale_of_bars_that_are_short(measured):
    # By hand: 199.4/200 → 0.9970; ignored, 80 mm is wrong by 0.24 mm.
    scale = print_scale(measured)
    assert scale.value[0] == pytest.approx(0.9970, abs=1e-12)
    assert scale.value[1] == pytest.approx(139.7 / 140)
    assert 80 * (1 - scale.value[0]) == pytest.approx(0.24)


def variance(values, weights):
    return float(np.asarray(weights) @ values.covariance @ np.asarray(weights))


def test_u_of_an_axis_is_of_reading_rule_and_swelling(measured):
    # Closed form: 0.86 of the stated variance for the reading, 0.43 for the rule (a relative error, whole at the longer
    # bar), and a rectangle of ±0.05 %.
    u = np.sqrt(np.diag(print_scale(measured).covariance))
    rule = math.sqrt(0.43) * 0.1 / 199.4
    for axis, (bar, scale) in enumerate([(200, 0.997), (140, 139.7 / 140)]):
        parts = math.sqrt(0.86) * 0.1 / bar, scale * rule, scale * 0.0005 / math.sqrt(3)
        assert u[axis] == pytest.approx(math.hypot(*parts))


def test_the_reading_is_told_with_the_u_that_was_typed(measured):
    (reading,) = (s for s in print_scale(measured).sources if s.label == "Reading of the bar along x")
    assert reading.u == 0.1


def test_axes_share_the_rule_and_nothing_else(measured):
    scale = print_scale(measured)
    shared = [s.id for s, c in zip(scale.sources, scale.c.T, strict=True) if np.all(c != 0)]
    assert shared == ["instrument:rule no 12/scale"]
    rule = math.sqrt(0.43) * 0.1 / 199.4
    assert scale.covariance[0, 1] == pytest.approx(rule**2 * scale.value[0] * scale.value[1])


def coverage(share, turn, u_mm=0.1):
    """Return how often ±1.96 u holds in that direction of (x, y), in closed form for normal errors.

    Readings r = bar·s/(1 + e) + slip of two bars of 200 mm; of u_mm² the rule's e has `share`, the slips the rest.
    """
    c, s = math.cos(turn), math.sin(turn)
    target = apply_measure(new_target("charuco", 10, 20, 20), 200, 200, u_mm, "rule", WHEN)
    stated = variance(print_scale(target), (c, s))
    true = (u_mm / 200) ** 2 * (share * (c + s) ** 2 + 1 - share) + 0.0005**2 / 3
    return math.erf(1.959964 * math.sqrt(stated / true / 2))


@given(share=st.floats(0, 1), turn=st.floats(0, math.pi), u_mm=st.floats(0.001, 5))
def test_whatever_share_of_u_is_the_rules_95_percent_hold_in_93(share, turn, u_mm):
    assert coverage(share, turn, u_mm) >= 0.93


@given(share=st.floats(0, 1), turn=st.sampled_from([0.0, math.pi / 2]), u_mm=st.floats(0.001, 5))
def test_an_axis_alone_is_hardly_wider_than_it_need_be(share, turn, u_mm):
    assert 0.949 <= coverage(share, turn, u_mm) <= 0.974 + 1e-3


def test_one_rule_on_targets_of_different_size_is_one_source(measured):
    other = apply_measure(new_target("dots", 10, 30, 20), 299.5, 199.6, 0.1, "rule no 12", WHEN)
    small, large = print_scale(measured), print_scale(other)
    assert {s.id for s in small.sources} & {s.id for s in large.sources} == {"instrument:rule no 12/scale"}
    # Closed form: u(rule) is √0.43 · 0.1 mm at each longer bar, and the two are one cause.
    both = covariance([small[0], large[0]])
    rules = [math.sqrt(0.43) * 0.1 / bar for bar in (199.4, 299.5)]
    assert both[0, 1] == pytest.approx(rules[0] * rules[1] * small.value[0] * large.value[0])
    ratio = small[0].plus(large[0], -1.0)
    assert ratio.u < math.hypot(small[0].u, large[0].u)


def test_labels_are_sentences(measured, target):
    labels = [s.label for s in (*print_scale(measured).sources, *print_scale(target).sources)]
    assert labels == [
        "Scale of rule no 12",
        "Reading of the bar along x",
        "Swelling of the paper along x",
        "Reading of the bar along y",
        "Swelling of the paper along y",
        "Print scale along x, not measured",
        "Print scale along y, not measured",
    ]


@pytest.mark.parametrize(
    ("material", "per_k"),
    # The mean linear expansion in the building standards' words, from memory: EN 572-1 (soda-lime glass), EN 1993-1-1,
    # 3.2.6 (steel), EN 1999-1-1, 3.2.5 (aluminium).
    [("glass", 9.0e-6), ("steel", 12e-6), ("aluminium", 23e-6)],
)
def test_what_does_not_swell_expands_alike_along_both_axes(target, material, per_k):
    scale = print_scale(apply_measure(borne_by(target, material), 200, 140, 1e-6, "calliper", WHEN))
    assert not [s.id for s in scale.sources if "/swelling/" in s.id]
    # ±5 K as a rectangle, common to both axes: their ratio knows nothing of it.
    u = per_k * 5 / math.sqrt(3)
    np.testing.assert_allclose(scale.covariance, np.full((2, 2), u**2), rtol=1e-3)
    assert math.sqrt(variance(scale, (1, -1))) < 0.01 * u


def test_film_swells_a_fifth_of_paper_and_expands_besides(target):
    # 7e-6 per % RH over ±15 %, 17e-6/K over ±5 K: makers' data sheets of polyester drafting film, from memory.
    scale = print_scale(apply_measure(borne_by(target, "film"), 200, 140, 1e-6, "calliper", WHEN))
    swelling, expansion = 7e-6 * 15 / math.sqrt(3), 17e-6 * 5 / math.sqrt(3)
    assert scale.covariance[0, 0] == pytest.approx(swelling**2 + expansion**2, rel=1e-3)
    assert scale.covariance[0, 1] == pytest.approx(expansion**2, rel=1e-3)
    assert 0.15 < swelling / (0.0005 / math.sqrt(3)) < 0.25


def test_a_material_is_kept_and_paper_is_what_is_not_said(target):
    glass = borne_by(target, "glass")
    assert from_document(json.loads(json.dumps(to_document(glass)))) == glass
    assert glass.id == target.id  # the print is the same
    old = to_document(target)
    assert "material" not in old
    assert from_document(old).material == "paper"
    with pytest.raises(UnusableDocument, match="use one of paper, film, glass"):
        from_document({**old, "material": "cheese"})
    with pytest.raises(UnusableDocument, match="not text"):
        from_document({**old, "material": 3})


def test_the_command_takes_every_material():
    choice, _ = get_args(get_args(Material)[0])
    assert get_args(choice) == tuple(MATERIALS)


def test_a_scale_that_nobody_measured_is_known_as_such(measured, target):
    assert is_assumed(print_scale(target).sources)
    assert not is_assumed(print_scale(measured).sources)


@pytest.mark.parametrize(
    ("columns", "rows", "x", "y", "unseen"),
    [
        (10, 10, 99.8, 99.2, True),  # a square target, and 4 u between them
        (10, 10, 99.5, 99.4, False),  # the same within their u
        (10, 10, 96.8, 96.2, True),  # a page that was made to fit
        (12, 9, 119.8, 89.2, False),  # exchanged bars would be 25 % off
        (11, 10, 109.8, 99.2, False),  # and here 10 %
    ],
)
def test_bars_that_could_be_exchanged_unseen(columns, rows, x, y, unseen):
    target = new_target("charuco", 10, columns, rows)
    assert exchange_goes_unseen(apply_measure(target, x, y, 0.1, "rule", WHEN)) is unseen
    assert not exchange_goes_unseen(target)


def test_unmeasured_print_is_a_rectangle_of_half_a_percent(target):
    scale = print_scale(target)
    assert scale.value.tolist() == [1.0, 1.0]
    np.testing.assert_allclose(scale.covariance, np.eye(2) * (0.005 / math.sqrt(3)) ** 2)
    assert budget(scale[0])[0].label == "Print scale along x, not measured"


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
