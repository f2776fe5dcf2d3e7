"""How shares and graduations are written."""

import math

from hypothesis import given
from hypothesis import strategies as st

from tiepoint.foundation.rounding import THIN
from tiepoint.report.figures import nice_step, per_cent


@given(st.floats(1e-9, 1e9), st.integers(1, 12))
def test_a_nice_step_is_1_2_or_5_and_not_too_fine(span, most):
    step = nice_step(span, most)
    assert span / step <= most * (1 + 1e-9)
    mantissa = step / 10.0 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(mantissa - m) for m in (1, 2, 5, 10)) < 1e-6


def test_shares():
    assert per_cent(0.414) == f"41{THIN}%"
    assert per_cent(0.078) == f"7.8{THIN}%"
    assert per_cent(0.0001) == f"below 0.1{THIN}%"
    assert per_cent(0.0) == f"0.0{THIN}%"
