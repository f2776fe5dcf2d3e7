"""Regions as a hand takes them: what stays when a handle is dragged, and shapes from drawn points (plane geometry)."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.inside import outlines
from tiepoint.recipe.regions import Arc, Path, Polygon, Rectangle, Ring
from tiepoint.station.recipes.handles import dragged, drawn, handles_of, plain_of, quarter, without_point

SHAPES = [
    Rectangle(centre=(10.0, 5.0), size=(6.0, 2.0), angle_deg=30.0),
    Ring(centre=(3.0, 4.0), inner=1.0, outer=2.0),
    Arc(centre=(1.0, 2.0), radius=4.0, width=1.0, from_deg=20.0, to_deg=140.0),
    Polygon(points=((0.0, 0.0), (4.0, 0.0), (4.0, 3.0))),
    Path(points=((0.0, 0.0), (5.0, 0.0), (5.0, 5.0)), width=1.0),
]
kinds = pytest.mark.parametrize("shape", SHAPES, ids=lambda s: type(s).__name__)


def places(shape, is_down=False):
    return {h.name: np.array(h.at) for h in handles_of(shape, is_down)}


@kinds
@pytest.mark.parametrize("is_down", [False, True])
def test_a_handle_that_is_not_moved_changes_nothing(shape, is_down):
    for name, at in places(shape, is_down).items():
        if not name.startswith("between"):
            again = dragged(shape, name, at, at, is_down)
            assert plain_of(again, 6) == plain_of(shape, 6), name


@kinds
def test_a_handle_is_where_it_was_dragged_to(shape):
    # But those that only turn, or run on a circle, which keep to their line: of them the direction holds.
    for name, at in places(shape).items():
        to = at + np.array([0.31, 0.17])
        moved = places(dragged(shape, name, at, to))
        if name.startswith("between"):
            assert np.allclose(moved[f"point {int(name.split()[1]) + 1}"], to)
        elif name in ("turn", "from", "to", "radius", "inner", "outer", "width") or name.startswith("side"):
            continue
        else:
            assert np.allclose(moved[name], to), name


@kinds
def test_taken_by_the_middle_a_region_keeps_its_form(shape):
    moved = dragged(shape, "middle", np.zeros(2), np.array([2.0, -3.0]))
    before, after = places(shape), places(moved)
    for name, at in before.items():
        assert np.allclose(after[name] - at, (2.0, -3.0)), name


@given(dx=st.floats(-20, 20), dy=st.floats(-20, 20), turn=st.floats(-180, 180))
def test_of_a_rectangle_the_corner_across_stays_and_it_never_turns_inside_out(dx, dy, turn):
    shape = Rectangle(centre=(10.0, 5.0), size=(6.0, 2.0), angle_deg=turn)
    at = places(shape)
    moved = dragged(shape, "corner ++", at["corner ++"], at["corner ++"] + (dx, dy))
    assert np.allclose(places(moved)["corner --"], at["corner --"], atol=1e-9)
    assert min(moved.size) > 0
    side = dragged(shape, "side -x", at["side -x"], at["side -x"] + (dx, dy))
    assert np.allclose(places(side)["side +x"], at["side +x"], atol=1e-9)
    assert side.size[1] == 2.0


def test_a_rectangle_is_turned_to_where_its_search_points():
    shape = SHAPES[0]
    turned = dragged(shape, "turn", places(shape)["turn"], np.array([10.0, 50.0]))
    assert turned.angle_deg == pytest.approx(90.0)
    # In the image numbers count y down, and angles are as seen: up on the screen is still 90°.
    seen = dragged(shape, "turn", places(shape, True)["turn"], np.array([10.0, 50.0]), True)
    assert seen.angle_deg == pytest.approx(90.0)


@kinds
def test_searched_crosswise_a_region_covers_the_same(shape):
    other = quarter(shape)
    if isinstance(shape, Path):
        assert other == shape
        return
    one, two = (shapely.Polygon(outlines(s, "plane", 1.0)[0]) for s in (shape, other))
    assert one.symmetric_difference(two).area == pytest.approx(0, abs=1e-9)


def test_a_ring_and_an_arc_keep_their_order():
    ring = dragged(SHAPES[1], "inner", np.array([4.0, 4.0]), np.array([9.0, 4.0]))
    assert 0 < ring.inner < ring.outer == 2.0
    arc = SHAPES[2]
    at = places(arc)
    for to in (np.array([1.0, -9.0]), np.array([9.0, 2.0]), np.array([-9.0, 2.0])):
        for name in ("from", "to"):
            moved = dragged(arc, name, at[name], to)
            assert 0 < moved.to_deg - moved.from_deg <= 360
    assert dragged(arc, "from", at["from"], np.array([1.0, -9.0])).from_deg == pytest.approx(-90.0)


def test_shapes_are_drawn_as_they_are_seen():
    box = drawn("rectangle", np.array([[0.0, 0.0], [6.0, 2.0]]), across_short=True)
    assert (box.centre, box.size, box.angle_deg) == ((3.0, 1.0), (2.0, 6.0), 90.0)  # searched across its shorter side
    assert drawn("ring", np.array([[1.0, 1.0], [4.0, 5.0]])) == Ring(centre=(1.0, 1.0), inner=3.0, outer=7.0)
    # Thales: a half circle over the x axis, whichever way it is drawn.
    for ends in ([[5.0, 0.0], [0.0, 5.0], [-5.0, 0.0]], [[-5.0, 0.0], [0.0, 5.0], [5.0, 0.0]]):
        arc = drawn("arc", np.array(ends))
        assert arc.centre == pytest.approx((0.0, 0.0), abs=1e-9)
        assert (arc.radius, arc.from_deg % 360, arc.to_deg % 360) == pytest.approx((5.0, 0.0, 180.0))
    down = drawn("polygon", np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]]), is_down=True)
    assert down.points == ((0.0, -0.0), (1.0, -0.0), (1.0, -1.0))


@pytest.mark.parametrize(
    ("kind", "points", "says"),
    [
        ("rectangle", [[1, 1], [1, 1]], "no size"),
        ("rectangle", [[1, 1], [1, 5]], "no width"),
        ("arc", [[0, 0], [1, 0], [2, 0]], "on one line"),
        ("polygon", [[0, 0], [1, 0]], "2 places make no polygon"),
    ],
)
def test_what_makes_no_shape_is_said(kind, points, says):
    with pytest.raises(UnusableInput, match=says):
        drawn(kind, np.array(points, float))


def test_a_point_is_left_out_while_enough_are_there():
    path = without_point(SHAPES[4], "point 1")
    assert path.points == ((0.0, 0.0), (5.0, 5.0))
    with pytest.raises(UnusableInput, match="at least 3 points"):
        without_point(SHAPES[3], "point 1")
    with pytest.raises(UnusableInput, match="no handle"):
        dragged(SHAPES[1], "nose", np.zeros(2), np.zeros(2))
    assert math.isclose(SHAPES[1].inner, 1.0)
