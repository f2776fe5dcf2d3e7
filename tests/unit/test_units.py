"""Lengths with units, with pint as the witness."""

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiepoint.foundation.errors import UnknownUnit
from tiepoint.foundation.units import MM_PER, parse_length, to_unit

REGISTRY = pint.UnitRegistry()


@given(value=st.floats(-1e9, 1e9, allow_subnormal=False), unit=st.sampled_from(sorted(MM_PER)))
def test_a_typed_length_is_what_pint_makes_of_it(value, unit):
    due = REGISTRY.Quantity(value, unit).to("mm").magnitude
    assert parse_length(f"{value!r}{unit}") == pytest.approx(due, rel=1e-14, abs=1e-300)


@given(value=st.floats(-1e6, 1e6), unit=st.sampled_from(sorted(MM_PER)))
def test_there_and_back(value, unit):
    assert to_unit(parse_length(f"{value!r} {unit}"), unit) == pytest.approx(value, rel=1e-14, abs=1e-300)


@pytest.mark.parametrize(
    ("text", "mm"), [("42mm", 42.0), ("1.5in", 38.1), ("10um", 0.01), (" +.5 cm ", 5.0), ("1e-3m", 1.0), ("3.in", 76.2)]
)
def test_ways_to_type_a_length(text, mm):
    assert parse_length(text) == pytest.approx(mm, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("42", "has no unit; use one of mm, cm, m, um, in"),
        ("42furlong", "has the unit 'furlong', which is not known"),
        ("42MM", "has the unit 'MM', which is not known"),
        ("mm", "is not a length"),
        ("", "is not a length"),
        ("nanmm", "is not a length"),
        ("٤٢mm", "is not a length"),
        ("infmm", "is not a length"),
        ("1,5mm", "is not a length; type a number with its unit, as in 42mm"),
        ("1e400mm", "too large to be a length"),
        ("4 2mm", "is not a length"),
    ],
)
def test_what_is_no_length_is_refused_in_a_sentence(text, said):
    with pytest.raises(UnknownUnit) as caught:
        parse_length(text)
    assert said in str(caught.value)


def test_an_unknown_unit_is_refused_on_the_way_out_too():
    with pytest.raises(UnknownUnit, match="'ell' is not known"):
        to_unit(1.0, "ell")


@given(st.text(max_size=20))
def test_any_text_gives_a_finite_length_or_a_sentence(text):
    try:
        length = parse_length(text)
    except UnknownUnit:
        return
    assert math.isfinite(length)
