"""What marks say, against the examples of the standards."""

import pytest
import zxingcpp
from tests.helpers.mark_scenes import drawn

from tiepoint.recipe.marks_content import check_digit, meant, parse, shown

ENVELOPE = "[)>\x1e06\x1d1PABC-12\x1dS0001\x1e\x04"


def test_an_envelope_of_data_identifiers():
    # The example of ISO/IEC 15434 that is handed on in the trade (from memory).
    message = parse(ENVELOPE)
    assert message.syntax == "iso15434"
    assert [(f.identifier, f.value) for f in message.fields] == [("1P", "ABC-12"), ("S", "0001")]
    assert message.faults == ()
    assert shown(ENVELOPE) == "[)>␞06␝1PABC-12␝S0001␞␄"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (ENVELOPE[:-1], "is not closed by ␄"),
        (ENVELOPE[:-2], "is not closed by ␄"),
        (ENVELOPE[:-2] + "\x04", "is not closed by ␞"),
        (ENVELOPE + "x", "is followed by more text"),
        ("[)>06\x1d1PABC\x1e\x04", "does not open with [)>␞"),
        ("[)>\x1e06\x1d\x1dS1\x1e\x04", "has no data identifier"),
        ("[)>\x1e\x04", "is empty"),
    ],
)
def test_a_broken_envelope_is_told(text, says):
    assert any(says in fault.sentence for fault in parse(text).faults)


def test_what_is_left_of_a_broken_envelope_is_still_read():
    assert parse(ENVELOPE[:-1]).value_of("1P") == "ABC-12"


def test_the_check_digit_of_gs1():
    # GS1's own example number 9501101530003.
    assert check_digit("950110153000") == "3"


def test_element_strings_of_fixed_and_open_length():
    # GS1 General Specifications: fixed lengths need no separator, open ones end at FNC1 (read as GS).
    message = parse("0109501101530003" + "17290229" + "10AB-1\x1d21007", is_gs1=True)
    told = [(f.identifier, f.value) for f in message.fields]
    assert told == [("01", "09501101530003"), ("17", "290229"), ("10", "AB-1"), ("21", "007")]
    assert [fault.sentence for fault in message.faults] == ["(17) has the day 29"]  # 2029 is no leap year
    assert parse("0109501101530003" + "17280229", is_gs1=True).faults == ()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("0109501101530004", "(01) ends in 4, and its check digit is 3"),
        ("010950110153000", "(01) has 13 characters, and 14 are right"),
        ("0109501101A30003", "(01) holds more than digits"),
        ("17251331", "(17) has the month 13"),
        ("10" + "A" * 21, "(10) has 21 characters, and 1 to 20 are right"),
        ("09X", "starts with no application identifier known here"),
    ],
)
def test_broken_element_strings_are_told(text, says):
    assert any(says in fault.sentence for fault in parse(text, is_gs1=True).faults)


def test_a_gs1_symbol_says_so_itself():
    (seen,) = zxingcpp.read_barcodes(
        drawn("(01)09501101530003(10)AB(21)7", gs1=True), text_mode=zxingcpp.TextMode.Plain
    )
    message = parse(seen.text, seen.content_type.name == "GS1")
    assert [(f.identifier, f.value) for f in message.fields] == [("01", "09501101530003"), ("10", "AB"), ("21", "7")]


def test_retail_codes_carry_a_check_digit():
    assert parse("9501101530003", kind="ean_13").faults == ()
    assert parse("9501101530004", kind="ean_13").faults != ()
    assert parse("9501101530004").faults == ()


def test_hostile_text_is_shown_harmlessly_and_kept_whole():
    hostile = "=1+1\x1b[31m\u202e<b>\x00\x7f\u241d"
    assert shown(hostile) == "=1+1␛[31m⟨202E⟩<b>␀␡⟨241D⟩"
    assert parse(hostile).text == hostile


def test_what_a_person_writes_with_pictures_is_meant_as_control_characters():
    every = "".join(map(chr, range(0x21))) + "\x7f"
    assert meant(shown(every)) == every
