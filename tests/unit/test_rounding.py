"""How numbers and the names of causes are written."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.rounding import MINUS, THIN, decimals_of, fixed, short, value_and_pm, with_unit
from tiepoint.foundation.words import as_first, inside
from tiepoint.model.decide import Limits
from tiepoint.model.reading import Reading
from tiepoint.recipe.wording import figures_of, said_flags, said_value


def number(text: str) -> float:
    return float(text.removeprefix("±").replace(THIN, "").replace(MINUS, "-"))


@pytest.mark.parametrize(
    ("value", "U", "told"),
    [
        # JCGM 100:2008, 7.2.6: two figures of U, the value to the same place, and rather up than down.
        (12.34567, 0.0120, ("12.346", f"±{THIN}0.012")),
        (12.34567, 0.01204, ("12.346", f"±{THIN}0.012")),
        (12.34567, 0.0123, ("12.346", f"±{THIN}0.013")),
        (9.9996, 0.012, ("10.000", f"±{THIN}0.012")),
        (1.0, 0.01049, ("1.000", f"±{THIN}0.011")),
        (12.34567, 0.0996, ("12.35", f"±{THIN}0.10")),
        (-0.00012, 0.0031, (f"{MINUS}0.0001", f"±{THIN}0.0031")),
        (-0.00001, 0.031, ("0.000", f"±{THIN}0.031")),
        (41207.4, 12, (f"41{THIN}207", f"±{THIN}12")),
        (41207.4, 123.4, (f"41{THIN}210", f"±{THIN}130")),
        (41207.4, 1234, (f"41{THIN}200", f"±{THIN}1300")),
        (28.0, None, ("28", "")),
        (0.25, 0.0, ("0.25", "")),
    ],
)
def test_value_and_its_pm(value, U, told):
    assert value_and_pm(value, U) == told


def test_rounding_does_not_carry_a_value_to_its_limit_or_across():
    assert value_and_pm(6.0996, 0.011, (5.9, 6.1)) == ("6.0996", f"±{THIN}0.0110")
    assert value_and_pm(6.1004, 0.011, (5.9, 6.1)) == ("6.1004", f"±{THIN}0.0110")
    assert value_and_pm(9.9996, 0.012, (10.0, 10.2)) == ("9.9996", f"±{THIN}0.0120")


@pytest.mark.parametrize("value", [6.1, 6.1 + 1e-15, 5.6 + 0.5, 6.1 + 0.0000084])
def test_a_value_on_its_limit_needs_no_more_digits(value):
    assert value_and_pm(value, 0.0085, (5.9, 6.1)) == ("6.1000", f"±{THIN}0.0085")


def test_where_the_rule_asks_for_no_uncertainty_every_step_beyond_a_limit_shows():
    number_, pm = value_and_pm(6.1 + 0.0000084, 0.0085, (5.9, 6.1), exactly=True)
    assert (number_, pm) == ("6.10001", f"±{THIN}0.00850")


@given(st.floats(-1e4, 1e4), st.floats(1e-6, 1e3), st.floats(-1e4, 1e4), st.booleans())
def test_a_printed_value_keeps_its_side_of_the_limit(value, U, limit, exactly):
    if abs(value - limit) < (1e-8 if exactly else max(1e-3 * U, 1e-8)):
        return
    printed = number(value_and_pm(value, U, (limit,), exactly=exactly)[0])
    assert (printed > limit, printed < limit) == (value > limit, value < limit)


@given(st.floats(1e-7, 1e7))
def test_a_pm_has_two_figures_and_is_hardly_ever_below(U):
    printed = number(value_and_pm(0.0, U)[1])
    # Half a per cent is a twentieth of the last figure of 10; a tenth is one whole step of it.
    assert 0.995 * U - 1e-15 <= printed <= 1.1 * U
    figures = printed / 10.0 ** (math.floor(math.log10(printed) + 1e-9) - 1)
    assert figures == pytest.approx(round(figures), abs=1e-6)
    assert 10 <= round(figures) <= 99


@given(st.floats(1e-8, 1e5))
def test_a_number_without_a_pm_has_two_figures(x):
    decimals = decimals_of(x)
    assert abs(number(fixed(x, decimals)) - x) <= 0.5 * 10.0**-decimals * (1 + 1e-9)


def test_graduations_and_running_text():
    assert (short(20.0), short(-0.5), short(0.1 + 0.2)) == ("20", f"{MINUS}0.5", "0.3")
    assert fixed(1234.0, 0) == "1234"
    assert with_unit(12.3456, 0.012, "mm") == f"12.346\u00a0±{THIN}0.012\u00a0mm"


@pytest.mark.parametrize(
    ("label", "first", "within"),
    [
        ("Swelling of the paper along x", "Swelling of the paper along x", "swelling of the paper along x"),
        ("scale of the rule", "Scale of the rule", "scale of the rule"),
        ("A person's reading", "A person's reading", "a person's reading"),
        ("AICc of the members", "AICc of the members", "AICc of the members"),
        ("U of the bar", "U of the bar", "U of the bar"),
    ],
)
def test_a_name_stands_first_or_inside(label, first, within):
    assert (as_first(label), inside(label)) == (first, within)


def reading(**changes) -> Reading:
    told = {"id": "a.width", "name": "a", "kind": "width", "quantity": "width", "unit": "mm", "step": "a"}
    return Reading(**{**told, "frame": "plane", "value": 9.9996, "u": 0.006, "U95": 0.012, **changes})


def test_a_reading_is_said_by_the_same_rounder_everywhere():
    assert figures_of(reading()) == value_and_pm(9.9996, 0.012)
    assert figures_of(reading(limits=Limits(10.0, 10.2))) == ("9.9996", f"±{THIN}0.0120")
    assert figures_of(reading(value=6.1 + 0.0000084, U95=0.0085, limits=Limits(5.9, 6.1)))[0] == "6.1000"
    assert figures_of(reading(value=6.1 + 0.0000084, U95=0.0085, limits=Limits(5.9, 6.1, "simple")))[0] == "6.10001"
    assert said_value(reading(value=94.2, U95=1.3, unit="deg")) == f"94.2\u00a0±{THIN}1.3\u00a0°"
    assert said_value(reading(value=None, U95=None, reason=Reason("no_edge"))) == "no value"


def test_doubts_are_said_first():
    assert said_flags(reading()) == ""
    assert said_flags(reading(flags=("few_points", "edge_differs_by_side"))) == (
        "± may not hold: edges differ by their side; few points"
    )
