"""Names of kept pictures: what a pattern may ask for, and that no part's name leads anywhere else.

What Windows forbids: Microsoft, "Naming Files, Paths, and Namespaces", by pathlib's own list of reserved names.
"""

import re
import unicodedata
from pathlib import PurePosixPath, PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.archive_names import DEFAULT, FIELDS, MOST_PATH, pattern_of

VALUES = {
    "station": "hinge plates",
    "part_id": "A-17",
    "variant": "left",
    "verdict": "conforms",
    "recipe": "abababababab",
    "shot": "shot-1",
    "camera": "top",
    "picture": "north",
    "count": 4711,
    "taken_utc": "2026-11-26T23:30:00.5+01:00",
    "kept_utc": "2026-11-27T08:00:00Z",
}


@pytest.mark.parametrize(
    ("pattern", "name"),
    [
        (DEFAULT, "2026-11-27/000004711_A-17_conforms/north"),
        (
            "{taken_utc:%Y-%m-%d}/{station}_{part_id}_{count:09d}_{picture}_{verdict}.png",
            "2026-11-26/hinge plates_A-17_000004711_north_conforms",
        ),
        ("{count}-{picture}", "4711-north"),
        ("{variant}/{part_id:.2}/{taken_utc:%H.%M}/{count:6d}{picture:.1}.tiff", "left/A-/22.30/  4711n"),
    ],
)
def test_a_pattern_names_pictures(pattern: str, name: str):
    assert pattern_of(pattern).path(VALUES) == name.replace("  ", "_ ", 1) if "6d" in pattern else name


@pytest.mark.parametrize(
    ("pattern", "name"),
    [
        (DEFAULT, "2026-11-27/000004711_conforms/north"),
        ("{part_id}_{count}_{picture}", "4711_north"),
        ("{count}_{picture}_{part_id}", "4711_north"),
        ("{part_id}/{count}_{picture}", "_/4711_north"),
    ],
)
def test_what_is_not_there_leaves_no_gap(pattern: str, name: str):
    assert pattern_of(pattern).path({**VALUES, "part_id": None}) == name


@pytest.mark.parametrize(
    ("pattern", "says"),
    [
        (
            "{count}_{picture}_{temperature}",
            r"asks for \{temperature\}, which there is not; there are station",
        ),
        ("{count.__class__}_{picture}", "a field is a bare name in braces"),
        ("{count[0]}_{picture}", "a field is a bare name in braces"),
        ("{count!r}_{picture}", "a field is a bare name in braces"),
        ("{{count}}_{picture}", "a field is a bare name in braces"),
        ("{count}_{picture}_{", "a field is a bare name in braces"),
        ("{}_{count}_{picture}", "a field is a bare name in braces"),
        ("{count:{picture}}", "a field is a bare name in braces"),
        ("{count:>999999999}_{picture}", "its format may be a width as in 09d"),
        ("{count:999d}_{picture}", "its format may be a width"),
        ("{count}_{picture}_{taken_utc:%s}", "its format may be of %Y"),
        ("{count}_{picture}_{taken_utc:%Y/%m}", "cannot be read|its format"),
        ("{count}_{picture}_{part_id:>40}", "its format may be nothing, or a length"),
        ("{part_id}_{picture}", r"has no \{count\}, so two pictures could get the same name"),
        ("{count}", r"has no \{picture\}"),
        ("{picture}/{count}", r"has \{picture\} in a folder's name"),
        ("../{count}_{picture}", r"the part '\.\.' between its slashes"),
        ("/tmp/{count}_{picture}", "the part '' between its slashes"),
        ("a//{count}_{picture}", "the part '' between its slashes"),
        ("C:/{count}_{picture}", "has ':', which no file's name may have"),
        ("a\\b/{count}_{picture}", "which no file's name may have"),
        ("a\0/{count}_{picture}", "which no file's name may have"),
        ("x" * 101 + "{count}_{picture}", "too long"),
        ("x/" * 9 + "{count}_{picture}", "too long"),
    ],
)
def test_what_a_pattern_cannot_ask_for_is_told(pattern: str, says: str):
    with pytest.raises(UnusableInput, match=says):
        pattern_of(pattern)


TRICKS = [
    "../../etc/passwd", "..", ".", "...", "/", "\\\\server\\share", "C:\\Windows", "a\0b", "\u202egnp.exe", "CON",
    "nul.txt", "x" * 300, "ä" * 300, "💥" * 300, "a ", "a.", " ", "", "\n\r\t", "\ud800", "﷽" * 100, "{count}",
    "%s%n", "-rf", "~", "|", "*",
    ".hidden", "a/../b", "\u2066x\u2069", "\u200b", "e\u0301", "\u2028",
]  # fmt: skip
NAMES = st.one_of(st.sampled_from(TRICKS), st.text(max_size=400))
PATTERNS = [
    DEFAULT,
    "{part_id}/{variant}/{count}_{picture}",
    "{station}_{part_id}_{variant}_{shot}_{camera}_{count:09d}_{picture}_{verdict}.png",
]


def demand_portable(name: str) -> None:
    """Hold a name against what systems allow."""
    assert len(name) <= MOST_PATH + 20
    assert not PurePosixPath(name).is_absolute()
    assert not PureWindowsPath(name).drive
    for part in name.split("/"):
        assert part not in ("", ".", "..")
        assert len(part.encode()) <= 240
        assert not re.search(r'[<>:"\\|?*\x00-\x1f\x7f]', part)
        assert part == part.rstrip(". ")
        assert not part.startswith(".")
        assert not PureWindowsPath(part).is_reserved()
        assert all(unicodedata.category(c)[0] != "C" for c in part)
        assert unicodedata.is_normalized("NFC", part)


@given(NAMES, NAMES, NAMES, st.integers(1, 10**12))
def test_every_name_is_one_that_all_systems_hold(part: str, variant: str, shot: str, count: int):
    values = {**VALUES, "part_id": part, "variant": variant, "shot": shot, "station": shot, "count": count}
    for text in PATTERNS:
        demand_portable(pattern_of(text).path(values))


@given(NAMES, NAMES)
def test_two_records_never_share_a_name(one: str, other: str):
    for text in PATTERNS:
        names = {
            pattern_of(text).path({**VALUES, "part_id": part, "shot": part, "count": count}).casefold()
            for part, count in ((one, 1), (other, 2), (one, 12))
        }
        assert len(names) == 3


def test_every_field_is_documented():
    text = (__import__("pathlib").Path(__file__).parents[2] / "docs" / "reference" / "files.md").read_text("utf-8")
    assert [name for name in FIELDS if f"`{name}`" not in text] == []
