"""What a recipe can read beside lengths: texts, areas, colour channels, and places that have a direction."""

import csv
import io
import math
import tomllib

import numpy as np
import pytest

from tiepoint.cli.told import reading_row
from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source, Value, Values
from tiepoint.model.reading import Reading
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.context import Said, StepResult
from tiepoint.recipe.features import PlaceFeature
from tiepoint.recipe.kinds import Quantity, StepKind, installed_kinds
from tiepoint.recipe.overlay import overlay_svg
from tiepoint.recipe.recipe import read_recipe
from tiepoint.recipe.records import record_from, record_json, records_csv, sealed
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.recipe.schema import LookingTable
from tiepoint.ties.tie import PARAMETERS, Sensor, Tie

HEAD = 'format = "tiepoint/recipe/1"\nname = "mark"\n'
STEP = '[[step]]\nname = "lot"\nkind = "stamp"\nin = "{frame}"\n'
SIZE = (40, 30)


class StampTable(LookingTable):
    """`wanted`: what is expected."""

    wanted: str | None = None

    def expects(self, quantity: str) -> str | None:
        return self.wanted if quantity == "content" else None


def kinds(told):
    """Return the installed kinds and one that tells what `told` makes of its context."""
    quantities = (Quantity("content", "text", "", True), Quantity("area", "area", "", True))
    return {**installed_kinds(), "stamp": StepKind("stamp", "", StampTable, quantities, told, "place")}


def tie() -> Tie:
    """Return a tie of 0.1 mm a pixel without any uncertainty, y up."""
    H = np.array([[0.1, 0, 0], [0, -0.1, 0.1 * (SIZE[1] - 1)], [0, 0, 1.0]])
    corners = np.array([[0, 0], [SIZE[0] - 1, 0], [SIZE[0] - 1, SIZE[1] - 1], [0, SIZE[1] - 1]], float)
    return Tie(
        "t", "target", "image", "plane", "projective", H, corners, factor=np.zeros((len(PARAMETERS), 0)),
        sensor=Sensor(*SIZE),
    )  # fmt: skip


def shot(part_id=None, colour=None) -> Seen:
    described = Shot("shot", (Picture("picture", "", SIZE, 8, "Mono8", light="east"),), part_id=part_id)
    grey = np.full(SIZE[::-1], 100, np.uint8)
    return Seen(described, {"picture": grey}, {"picture": Sensor(*SIZE)}, {} if colour is None else {"picture": colour})


def outcome(told, more="", frame="image", **of_shot):
    recipe = read_recipe(tomllib.loads(HEAD + STEP.format(frame=frame) + more), kinds=kinds(told))
    return run(Job(recipe, tie()), shot(**of_shot))


def saying(said, area=2.0, **result):
    return lambda context: StepResult({"content": said, "area": Value(area, {Source("a", "a", "B", 0.1, "part"): 1})})


def test_a_text_that_was_expected_conforms_and_another_is_rejected_with_its_reason():
    good = outcome(saying(Said("L17", "conforms")), 'wanted = "L17"').record
    assert (good.readings[0].text, good.readings[0].expected, good.verdict) == ("L17", "L17", "conforms")
    why = Reason("step_broke", {"detail": "another lot"})
    other = outcome(saying(Said("L18", "rejected", why)), 'wanted = "L17"').record
    assert (other.verdict, other.readings[0].reason) == ("rejected", why)


def test_a_text_that_was_not_read_is_unread_where_one_was_expected_and_judges_nothing_where_none_was():
    reason = Reason("no_edge")
    assert outcome(saying(reason), 'wanted = "L17"').record.readings[0].verdict == "unread"
    unasked = outcome(saying(reason)).record
    assert unasked.readings[0].verdict is None
    assert unasked.verdict == "unread"  # nothing was judged


def test_a_step_that_breaks_leaves_an_expected_text_unread():
    def breaks(context):
        raise ZeroDivisionError("none")

    record = outcome(breaks, 'wanted = "L17"').record
    assert [r.verdict for r in record.readings] == ["unread", None]
    assert record.verdict == "unread"


@pytest.mark.parametrize("text", ["=1+1", "<b>&\x1d\x07", "a" * 500, "@SUM", "\u202egpj"])
def test_hostile_content_is_kept_whole_and_shown_harmlessly(text):
    made = outcome(saying(Said(text, "conforms")), 'wanted = "x"')
    record = sealed(made.record)
    again = record_from(record_json(record))
    assert again.readings[0].text == text
    rows = list(csv.DictReader(io.StringIO(records_csv([record]))))
    assert rows[0]["text"].removeprefix("'") == text
    assert rows[0]["text"][0] not in "=+-@"
    shown = reading_row(record.readings[0])[1]
    assert shown.isprintable()
    assert len(shown) <= 240
    svg = overlay_svg(made, np.full(SIZE[::-1], 100, np.uint8))
    assert "<b>" not in svg
    assert not {c for c in svg if ord(c) < 32} - {"\n"}


def test_a_reading_holds_a_value_or_a_text_and_no_other_verdict_than_they_allow():
    about = {"id": "a.b", "name": "a", "kind": "k", "quantity": "b", "unit": "", "step": "a", "frame": "plane"}
    with pytest.raises(ValueError, match="a value and a text"):
        Reading(**about, value=1.0, text="x")
    with pytest.raises(ValueError, match="either a value or a reason"):
        Reading(**about)
    with pytest.raises(ValueError, match="and yet is conforms"):
        Reading(**about, text="x", reason=Reason("no_edge"), verdict="conforms")


def test_limits_of_a_text_are_refused_with_what_to_do_instead():
    with pytest.raises(UnusableDocument, match=r'"content", which is a text; say what is expected'):
        outcome(saying(Said("x")), "limits.content = { lower = 1 }")


def test_an_area_is_told_in_the_square_of_the_recipes_unit():
    # 1 in = 25.4 mm exactly (international yard and pound agreement, 1959), so 645.16 mm² are 1 in².
    text = HEAD.replace('name = "mark"', 'name = "mark"\nunit = "in"') + STEP.format(frame="plane")
    recipe = read_recipe(tomllib.loads(text), kinds=kinds(saying(Said("x"), area=645.16)))
    reading = run(Job(recipe, tie()), shot()).record.readings[1]
    assert (reading.unit, reading.value) == ("in2", pytest.approx(1.0, abs=1e-12))
    assert reading.u == pytest.approx(0.1 / 645.16)
    in_px = outcome(saying(Said("x"))).record.readings[1]
    assert (in_px.unit, in_px.value) == ("px2", 2.0)


def test_an_area_in_the_plane_is_flagged_where_the_height_was_not_stated():
    recipe = read_recipe(
        tomllib.loads(HEAD + STEP.format(frame="plane") + "limits.area = { lower = 1 }"), kinds=kinds(saying(Said("x")))
    )
    record = run(Job(recipe, tie(), flags=("height_not_stated",)), shot()).record
    assert [r.flags for r in record.readings] == [(), ("height_not_stated",)]
    assert record.verdict == "undecided"


def test_a_step_is_given_the_colour_the_part_and_the_other_pictures():
    asked = {}

    def looks(context):
        asked.update(
            colour=context.colour, part=context.part_id, light=context.others("east"), none=context.others("x")
        )
        asked.update(picture=context.picture)
        return StepResult({})

    colour = np.zeros((*SIZE[::-1], 3), np.uint8)
    colour[..., 1] = 255
    outcome(looks, 'plane = "L*"', part_id="P-7", colour=colour)
    assert asked["colour"] is colour
    assert asked["part"] == "P-7"
    assert asked["light"].shape == SIZE[::-1]
    assert asked["none"] == Reason("no_picture", {"picture": "x"})
    # L* of the green of sRGB is 87.73 (Y = 0.7152: 116·0.7152^(1/3) − 16, CIE 15).
    assert asked["picture"] == pytest.approx(116 * 0.7152 ** (1 / 3) - 16, abs=1e-3)


def test_a_find_takes_its_frame_from_a_place_with_a_direction():
    source = Source("s", "s", "B", 0.01, "part")
    pose = Values(np.array([1.0, 2.0, 0.5]), np.array([[1.0], [0.0], [0.2]]), (source,))
    more = """
[[step]]
name = "plate"
kind = "find"
of = ["lot"]

[[step]]
name = "mark"
kind = "stamp"
in = "plate"
"""
    frames = []

    def told(context):
        frames.append(context.ground.frame)
        return StepResult({"content": Said("x")}, PlaceFeature(pose))

    made = outcome(told, more, frame="plane")
    by_id = {r.id: r for r in made.record.readings}
    assert (by_id["plate.x"].value, by_id["plate.y"].value) == (1.0, 2.0)
    assert by_id["plate.angle"].value == pytest.approx(math.degrees(0.5))
    assert by_id["plate.angle"].u == pytest.approx(math.degrees(0.2 * 0.01))
    assert frames == ["plane", "plate"]


def test_a_place_with_a_direction_is_a_point_too():
    pose = Values(np.array([1.0, 2.0, 0.5]), np.zeros((3, 0)), ())
    more = """
[[step]]
name = "edge"
kind = "stamp"

[[step]]
name = "apart"
kind = "distance"
between = ["lot", "edge"]
"""
    made = outcome(lambda c: StepResult({}, PlaceFeature(pose)), more, frame="plane")
    assert next(r.value for r in made.record.readings if r.id == "apart.distance") == 0.0
