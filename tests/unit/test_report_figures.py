"""How numbers are written."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiepoint.report.figures import MINUS, THIN, decimals_of, fixed, nice_step, per_cent, short, value_and_pm, with_unit


@pytest.mark.parametrize(
    ("value", "U", "told"),
    [
        (12.34567, 0.0123, ("12.346", f"±{THIN}0.012")),  # JCGM 100, 7.2.6: two figures of U, value to the same decimal
        (12.34567, 0.0996, ("12.35", f"±{THIN}0.10")),
        (-0.00012, 0.0031, (f"{MINUS}0.0001", f"±{THIN}0.0031")),
        (-0.00001, 0.031, ("0.000", f"±{THIN}0.031")),
        (41207.4, 12, (f"41{THIN}207", f"±{THIN}12")),
        (41207.4, 1234, (f"41{THIN}207", f"±{THIN}1234")),
        (28.0, None, ("28", "")),
        (0.25, 0.0, ("0.25", "")),
    ],
)
def test_value_and_its_pm(value, U, told):
    assert value_and_pm(value, U) == told


def test_rounding_does_not_carry_a_value_across_its_limit():
    assert value_and_pm(6.0996, 0.011, (5.9, 6.1))[0] == "6.0996"
    assert value_and_pm(6.1004, 0.011, (5.9, 6.1))[0] == "6.1004"
    assert value_and_pm(6.1, 0.011, (5.9, 6.1))[0] == "6.100"


@given(st.floats(-1e4, 1e4), st.floats(1e-6, 1e3), st.floats(-1e4, 1e4))
def test_a_printed_value_keeps_its_side_of_the_limit(value, U, limit):
    if abs(value - limit) < 1e-8:
        return
    printed = float(value_and_pm(value, U, (limit,))[0].replace(MINUS, "-").replace(THIN, ""))
    assert (printed > limit, printed < limit) == (value > limit, value < limit)


@given(st.floats(1e-8, 1e5))
def test_a_pm_has_two_figures(U):
    printed = value_and_pm(0.0, U)[1].removeprefix("±" + THIN).replace(THIN, "")
    decimals = decimals_of(U)
    assert abs(float(printed) - U) <= 0.5 * 10.0**-decimals * (1 + 1e-9)
    assert decimals == 9 or float(printed) >= 10 * 10.0**-decimals or decimals == 0


@given(st.floats(1e-9, 1e9), st.integers(1, 12))
def test_a_nice_step_is_1_2_or_5_and_not_too_fine(span, most):
    step = nice_step(span, most)
    assert span / step <= most * (1 + 1e-9)
    mantissa = step / 10.0 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(mantissa - m) for m in (1, 2, 5, 10)) < 1e-6


def test_shares_and_graduations():
    assert per_cent(0.414) == f"41{THIN}%"
    assert per_cent(0.078) == f"7.8{THIN}%"
    assert per_cent(0.0001) == f"below 0.1{THIN}%"
    assert per_cent(0.0) == f"0.0{THIN}%"
    assert (short(20.0), short(-0.5), short(0.1 + 0.2)) == ("20", f"{MINUS}0.5", "0.3")
    assert fixed(1234.0, 0) == "1234"
    assert with_unit(12.3456, 0.012, "mm") == f"12.346\u00a0±{THIN}0.012\u00a0mm"
