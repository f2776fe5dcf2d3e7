"""What the name of a picture tells, by a pattern; and what it never tells."""

import pytest
from hypothesis import given
from hypothesis import strategies as some

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.station.cameras.name_pattern import FIELDS, NamePattern

LIGHTS = ("north", "north-low", "east")


@pytest.mark.parametrize(
    ("pattern", "name", "told"),
    [
        ("{shot}.png", "a b.png", {"shot": "a b"}),
        ("{shot}_{light}.png", "2026_07_north.png", {"shot": "2026_07", "light": "north"}),
        ("{shot}_{light}.png", "7_north-low.png", {"shot": "7", "light": "north-low"}),
        ("{shot}_{light}.png", "7_NORTH.PNG", {"shot": "7", "light": "north"}),
        ("{camera}-{count}-{light}.tif", "top-0012-east.tif", {"camera": "top", "count": "0012", "light": "east"}),
        ("{part_id}.{variant}.{count}.jpg", "HV60.long.3.jpg", {"part_id": "HV60", "variant": "long", "count": "3"}),
        ("IMG(1)[{count}].jpg", "IMG(1)[5].jpg", {"count": "5"}),
    ],
)
def test_a_name_tells_its_fields(pattern, name, told):
    assert NamePattern(pattern, LIGHTS if "{light}" in pattern else (), "top").read(name) == told


@pytest.mark.parametrize(
    ("pattern", "name", "why"),
    [
        ("{shot}_{light}.png", "7_west.png", "does not fit"),
        ("{shot}_{light}.png", "_north.png", "does not fit"),
        ("{part_id}_{shot}.png", "a_b_c.png", "more than one way"),
        ("{count}.png", "１.png", "does not fit"),
        ("{shot}.png", "a.png.exe", "does not fit"),
        ("{shot}.png", "a" * 300 + ".png", "304 characters"),
        ("{shot}.png", "line\nbreak.png", "does not fit"),
    ],
)
def test_a_name_that_tells_nothing_says_why(pattern, name, why):
    assert why in NamePattern(pattern, LIGHTS if "{light}" in pattern else ()).read(name)


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("", "pattern of a file's name"),
        ("in/{shot}.png", "without folders"),
        ("{shot}{part_id}.png", "nothing stands between"),
        ("{shot}_{shot}.png", "twice"),
        ("{shto}.png", 'did you mean "shot"'),
        ("{shot.__class__}.png", "no field"),
        ("{shot[0]}.png", "no field"),
        ("{0}.png", "no field"),
        ("{shot!r}.png", "no field"),
        ("{shot:>30}.png", "no field"),
        ("{shot.png", "lone {"),
        ("shot}.png", "lone }"),
        ("{light}.png", "neither {shot}"),
        ("{shot}.png", "no {light}"),
    ],
)
def test_a_pattern_that_cannot_be_read_is_refused_in_a_sentence(pattern, words):
    with pytest.raises(UnusableDocument) as caught:
        NamePattern(pattern, LIGHTS)
    assert words in str(caught.value)


def test_lights_are_needed_for_a_light():
    with pytest.raises(UnusableDocument, match="no two lamps"):
        NamePattern("{shot}_{light}.png")


def test_pictures_of_one_shot_share_a_key():
    pattern = NamePattern("{shot}_{light}.png", LIGHTS)
    keys = {pattern.shot_key(pattern.read(f"7_{light}.png")) for light in LIGHTS}
    assert keys == {("7",)}
    assert pattern.shot_key(pattern.read("8_east.png")) == ("8",)


def test_letters_that_are_alike_only_without_capitals_are_no_lamp():
    assert "does not fit" in NamePattern("{shot}_{light}.png", ("mid", "rim")).read(
        "7_m\N{LATIN SMALL LETTER DOTLESS I}d.png"
    )


@given(some.text(max_size=300))
def test_any_text_is_read_or_refused(name):
    told = NamePattern("{part_id}_{shot}-{light}.png", LIGHTS).read(name)
    assert isinstance(told, str) or set(told) <= set(FIELDS)


@pytest.mark.parametrize("filler", ["_", "-", "_-", "north", "1"])
def test_a_hostile_name_is_answered_and_does_not_hold_up_the_station(filler):
    # Written so that every place may be the border of every field: the bound on the length keeps it finite.
    name = (filler * 200)[:199]
    told = NamePattern("{part_id}_{shot}-{variant}_{light}.png", LIGHTS).read(name)
    assert "does not fit" in told
