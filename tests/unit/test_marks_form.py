"""Forms: what they match, what they refuse, and that no text makes them run long."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.recipe.marks_form import CLASSES, read_form


@pytest.mark.parametrize(
    ("form", "text", "is_so"),
    [
        ("LOT {digits:6}", "LOT 123456", True),
        ("LOT {digits:6}", "LOT 12345", False),
        ("LOT {digits:6}", "LOT 1234567", False),
        ("{digits:1-3}", "", False),
        ("{digits:0-3}", "", True),
        ("{capitals:1-3}-{digits:2}", "AB-07", True),
        ("{from AB0:3}", "A0B", True),
        ("{from AB0:3}", "A0C", False),
        ("{{{digits:1}}}", "{7}", True),
        ("a␝b", "a\x1db", True),
        ("{any:3}", "\x00\n☃", True),
        ("{digits:2}", "١٢", False),  # Arabic-Indic digits are none of these
        ("a.c", "abc", False),
    ],
)
def test_what_a_form_matches(form, text, is_so):
    assert read_form(form).matches(text) is is_so


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ("", "is empty"),
        ("{digits:6", "has a { that no } closes"),
        ("digits:6}", "has a } that no { opens"),
        ("{digit:6}", "'digit' is none of digits"),
        ("{digits:x}", "give its count as in"),
        ("{digits:3-2}", "the smaller first"),
        ("{digits:0}", "give a count of 1"),
        ("{digits:9999}", "give a count of 1"),
        ("{digits:-1}", "give its count as in"),
        ("{from :2}", "lists no characters"),
        ("x" * 300, "more than 200"),
    ],
)
def test_a_form_that_is_none_is_refused_in_words(form, says):
    with pytest.raises(UnusableDocument, match=re.escape(says)):
        read_form(form)


@given(
    st.text("aA1-", max_size=12),
    st.lists(
        st.sampled_from([("digits", 0, 2), ("capitals", 1, 3), ("smalls", 0, 4), ("letters", 1, 1)]),
        min_size=1,
        max_size=4,
    ),
)
def test_forms_match_as_regular_expressions_do(text, fields):
    # Python's own matcher as witness, over short texts.
    form = read_form("".join(f"{{{name}:{low}-{high}}}" for name, low, high in fields))
    classes = {"digits": "[0-9]", "capitals": "[A-Z]", "smalls": "[a-z]", "letters": "[A-Za-z]"}
    pattern = "".join(f"{classes[name]}{{{low},{high}}}" for name, low, high in fields)
    assert form.matches(text) == (re.fullmatch(pattern, text) is not None)


def test_the_work_grows_with_the_text_and_not_with_its_ways():
    # Fifty fields that each may take any length: a matcher that goes back would try some 10^60 ways.
    form = read_form("{smalls:0-8000}" * 50 + "!")
    counted = []
    pieces = form.pieces
    allows = type(pieces[0]).allows

    def count(self, c):
        counted.append(1)
        return allows(self, c)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(type(pieces[0]), "allows", count)
        assert not form.matches("a" * 500)
    assert len(counted) <= 51 * 500


def test_text_longer_than_any_symbol_matches_nothing():
    assert not read_form("{any:1-8000}").matches("a" * 8001)


def test_which_piece_a_character_belongs_to():
    form = read_form("L{digits:2}{capitals:1-3}")
    told = form.places(5)
    assert [piece.allowed == CLASSES["digits"] for piece in told] == [False, True, True, False, False]
    assert read_form("{digits:1-2}{capitals:1-2}").places(3) is None
    assert form.places(7) is None
