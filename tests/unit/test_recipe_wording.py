"""Numbers as a person reads them."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tiepoint.model.decide import Limits
from tiepoint.recipe.wording import rounded


@pytest.mark.parametrize(
    ("value", "U", "said"),
    [
        # Two significant figures of the uncertainty, the result to the same place (JCGM 100:2008, 7.2.6).
        (4.50312, 0.00612, ("4.5031", "0.0061")),
        (28.4071, 0.0094, ("28.4071", "0.0094")),
        (6.094, 0.0996, ("6.09", "0.10")),
        (123456.7, 12.0, ("123\u2009457", "12")),
        (1234.5, 12.0, ("1234", "12")),
        (-0.12, 0.03, ("\u22120.120", "0.030")),
        (-0.0004, 0.03, ("0.000", "0.030")),
        (94.2, 1.3, ("94.2", "1.3")),
    ],
)
def test_values_are_rounded_by_their_uncertainty(value: float, U: float, said: tuple[str, str]):
    assert rounded(value, U) == said


def test_rounding_does_not_contradict_the_verdict():
    # 10.1004 is above 10.1; to two figures of U it would read 10.100, as if it were not.
    assert rounded(10.1004, 0.012, Limits(9.9, 10.1, "simple")) == ("10.1004", "0.0120")
    assert rounded(10.1004, 0.012) == ("10.100", "0.012")


@settings(deadline=None)
@given(
    st.floats(-1e4, 1e4),
    st.floats(1e-6, 1e2),
    st.floats(-1e4, 1e4),
)
def test_what_is_said_lies_within_half_its_last_place_and_on_the_value_s_side(value: float, U: float, upper: float):
    said = rounded(value, U, Limits(upper=upper))[0]
    number = float(said.replace("\u2212", "-").replace("\u2009", ""))
    place = 10.0 ** -len(said.partition(".")[2])
    assert abs(number - value) <= 0.5000001 * place
    if abs(value - upper) > U / 1e3:
        assert (number > upper) == (value > upper)
