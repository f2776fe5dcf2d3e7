"""Regions as a hand takes them: the handles of each shape, what dragging one makes of it, and shapes from drawn points.

Everything here is pure geometry in a step's own frame, in the recipe's unit and with y up, whatever the frame.
`is_down`: for regions of the image, whose numbers count y down; their angles are as seen all the same.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.regions import Arc, Path, Polygon, Rectangle, Ring, Shape

Array = NDArray[np.float64]
Role = Literal["corner", "side", "middle", "turn", "size", "point", "between", "origin", "axis"]

LEAST = 1e-3
"""Sides and radii are never dragged below this share of what they were: a region never turns inside out."""
STEM = 0.22
"""How far beyond a rectangle's own +x side the handle stands that turns it, in shares of its longer side."""


@dataclass(frozen=True, slots=True)
class Handle:
    """A place to take a region by: `at` in the step's frame, y up, in the recipe's unit."""

    name: str
    role: Role
    at: tuple[float, float]


def handles_of(shape: Shape, is_down: bool = False) -> tuple[Handle, ...]:
    """Return the handles of a shape."""
    if isinstance(shape, Rectangle):
        return _of_rectangle(shape, is_down)
    if isinstance(shape, Ring):
        c = _up(shape.centre, is_down)
        return (
            Handle("middle", "middle", pair(c)),
            Handle("inner", "size", pair(c + np.array([shape.inner, 0.0]))),
            Handle("outer", "size", pair(c + np.array([0.0, shape.outer]))),
        )
    if isinstance(shape, Arc):
        c, r, mid = _up(shape.centre, is_down), shape.radius, math.radians((shape.from_deg + shape.to_deg) / 2)
        start, end = math.radians(shape.from_deg), math.radians(shape.to_deg)
        return (
            Handle("middle", "middle", pair(c)),
            Handle("from", "size", pair(c + r * _towards(start))),
            Handle("to", "size", pair(c + r * _towards(end))),
            Handle("radius", "size", pair(c + r * _towards(mid))),
            Handle("width", "size", pair(c + (r + shape.width / 2) * _towards(mid))),
        )
    return _of_points(shape, is_down)


def dragged(shape: Shape, name: str, grabbed: Array, to: Array, is_down: bool = False) -> Shape:
    """Return what a shape becomes when its handle is taken at one place (2,) and let go at another, both y up.

    A function of the shape as it was grabbed: nothing drifts while the hand moves. Raises `UnusableInput` where the
    shape has no such handle.
    """
    there = {h.name: h for h in handles_of(shape, is_down)}
    if name not in there:
        raise UnusableInput(f'the region has no handle "{name}"; it has {", ".join(there)}')
    delta = to - grabbed
    at = np.array(there[name].at) + delta
    if name == "middle":
        return _moved(shape, delta, is_down)
    if isinstance(shape, Rectangle):
        return _rectangle(shape, name, at, is_down)
    if isinstance(shape, Ring):
        away = float(np.hypot(*(at - _up(shape.centre, is_down))))
        if name == "inner":
            return shape.model_copy(update={"inner": min(max(away, LEAST * shape.outer), 0.98 * shape.outer)})
        return shape.model_copy(update={"outer": max(away, 1.02 * shape.inner)})
    if isinstance(shape, Arc):
        return _arc(shape, name, at, is_down)
    return _points(shape, name, at, is_down)


def drawn(kind: str, points: Array, *, across_short: bool = False, is_down: bool = False) -> Shape:
    """Return the shape of that kind through drawn points (n, 2), y up, in the frame.

    A rectangle from two opposite corners, along the frame's axes; `across_short`: searched across its shorter side. A
    ring from its middle and a place on the edge that is sought. An arc from its start over any place to its end. A
    polygon and a path from their points. Raises `UnusableInput` where the points make no such shape.
    """
    if len(points) < {"rectangle": 2, "ring": 2, "arc": 3, "polygon": 3, "path": 2}.get(kind, 1):
        raise UnusableInput(f"{len(points)} places make no {kind}; draw it anew")
    extent = points.max(axis=0) - points.min(axis=0)
    if not float(extent.max()) > 0:
        raise UnusableInput(f"the {kind} has no size; draw it larger")
    if kind == "rectangle":
        return _drawn_rectangle(points, across_short, is_down)
    if kind == "ring":
        r = float(np.hypot(*(points[1] - points[0])))
        return Ring(centre=_own(points[0], is_down), inner=0.6 * r, outer=1.4 * r)
    if kind == "arc":
        return _drawn_arc(points, is_down)
    own = tuple(_own(p, is_down) for p in points)
    if kind == "polygon":
        return Polygon(points=own)
    if kind == "path":
        return Path(points=own, width=0.06 * float(np.hypot(*extent)))
    raise UnusableInput(f'a region is no "{kind}"; draw a rectangle, a ring, an arc, a polygon or a path')


def plain_of(shape: Shape, decimals: int) -> dict[str, object]:
    """Return a shape as a recipe writes it, rounded: lengths to so many decimals, angles to a hundredth of a degree."""
    told = shape.model_dump(mode="python")
    rounded = {k: _rounded(v, 2 if k.endswith("_deg") else decimals) for k, v in told.items()}
    if rounded.get("angle_deg") == 0:
        del rounded["angle_deg"]
    return {type(shape).__name__.lower(): rounded}


def quarter(shape: Shape) -> Shape:
    """Return a rectangle that covers the same and is searched a quarter turn further; others as they are."""
    if not isinstance(shape, Rectangle):
        return shape
    x, y = shape.size
    turned = math.remainder(shape.angle_deg + 90.0, 360.0)
    return shape.model_copy(update={"size": (y, x), "angle_deg": turned})


# --- rectangles ----------------------------------------------------------------------------------------------------


def _axes(shape: Rectangle) -> tuple[Array, Array]:
    x = _towards(math.radians(shape.angle_deg))
    return x, np.array([-x[1], x[0]])


def _of_rectangle(shape: Rectangle, is_down: bool) -> tuple[Handle, ...]:
    c, (x, y), (w, h) = _up(shape.centre, is_down), _axes(shape), shape.size
    signs = {"-": -1.0, "+": 1.0}
    corners = [
        Handle(f"corner {a}{b}", "corner", pair(c + signs[a] * w / 2 * x + signs[b] * h / 2 * y))
        for a in signs
        for b in signs
    ]
    sides = [Handle(f"side {a}x", "side", pair(c + signs[a] * w / 2 * x)) for a in signs]
    sides += [Handle(f"side {b}y", "side", pair(c + signs[b] * h / 2 * y)) for b in signs]
    turn = Handle("turn", "turn", pair(c + (w / 2 + STEM * max(w, h)) * x))
    return (Handle("middle", "middle", pair(c)), *corners, *sides, turn)


def _rectangle(shape: Rectangle, name: str, at: Array, is_down: bool) -> Rectangle:
    c, (x, y), (w, h) = _up(shape.centre, is_down), _axes(shape), shape.size
    if name == "turn":
        dx, dy = at - c
        return shape.model_copy(update={"angle_deg": math.degrees(math.atan2(dy, dx))})
    what, which = name.split(" ")
    sides = {"x": which[0] if what == "corner" or which[1] == "x" else "", "y": ""}
    if what == "corner":
        sides["y"] = which[1]
    elif which[1] == "y":
        sides["y"] = which[0]
    size, middle = [w, h], c
    for k, (axis, side) in enumerate(zip((x, y), sides.values(), strict=True)):
        if not side:
            continue
        sign = 1.0 if side == "+" else -1.0
        # The side across stays where it is.
        reach = sign * float((at - c) @ axis) + size[k] / 2
        new = max(reach, LEAST * size[k])
        middle = middle + sign * (new - size[k]) / 2 * axis
        size[k] = new
    return shape.model_copy(update={"centre": _own(middle, is_down), "size": (size[0], size[1])})


def _drawn_rectangle(points: Array, across_short: bool, is_down: bool) -> Rectangle:
    low, high = points.min(axis=0), points.max(axis=0)
    w, h = (high - low).tolist()
    if not min(w, h) > 0:
        raise UnusableInput("the rectangle has no width; draw it from corner to corner")
    made = Rectangle(centre=_own((low + high) / 2, is_down), size=(w, h))
    turned = quarter(made) if across_short and h < w else made
    assert isinstance(turned, Rectangle)
    return turned


# --- arcs ----------------------------------------------------------------------------------------------------------


def _arc(shape: Arc, name: str, at: Array, is_down: bool) -> Arc:
    dx, dy = at - _up(shape.centre, is_down)
    away, angle = math.hypot(dx, dy), math.degrees(math.atan2(dy, dx))
    if name == "radius":
        radius = max(away, 0.51 * shape.width)
        return shape.model_copy(update={"radius": radius})
    if name == "width":
        return shape.model_copy(update={"width": min(max(2 * (away - shape.radius), LEAST * shape.radius),
                                                     1.98 * shape.radius)})  # fmt: skip
    if name == "from":
        least = shape.to_deg - 360.0
        start = least + (angle - least) % 360.0
        return shape.model_copy(update={"from_deg": min(start, shape.to_deg - 1.0)})
    end = shape.from_deg + (angle - shape.from_deg) % 360.0
    return shape.model_copy(update={"to_deg": max(end, shape.from_deg + 1.0)})


def _drawn_arc(points: Array, is_down: bool) -> Arc:
    """Return the arc through three places, counter-clockwise from one end to the other."""
    a, b, c = points[0], points[len(points) // 2], points[-1]
    matrix, side = 2 * np.array([b - a, c - a]), np.array([b @ b - a @ a, c @ c - a @ a])
    det = float(np.linalg.det(matrix))
    if abs(det) < 1e-9 * float(np.hypot(*(c - a))) ** 2:
        raise UnusableInput("the three places lie on one line; draw the arc's start, a place on it, and its end")
    middle = np.linalg.solve(matrix, side)
    start, over, end = (math.degrees(math.atan2(*(p - middle)[::-1])) for p in (a, b, c))
    if (over - start) % 360.0 > (end - start) % 360.0:
        start, end = end, start
    radius = float(np.hypot(*(a - middle)))
    to = start + ((end - start) % 360.0 or 360.0)
    return Arc(centre=_own(middle, is_down), radius=radius, width=0.5 * radius, from_deg=start, to_deg=to)


# --- polygons and paths --------------------------------------------------------------------------------------------


def _of_points(shape: Polygon | Path, is_down: bool) -> tuple[Handle, ...]:
    points = [_up(p, is_down) for p in shape.points]
    closed = isinstance(shape, Polygon)
    following = points[1:] + (points[:1] if closed else [])
    told = [Handle("middle", "middle", pair(np.mean(points, axis=0)))]
    told += [Handle(f"point {k}", "point", pair(p)) for k, p in enumerate(points)]
    told += [Handle(f"between {k}", "between", pair((a + b) / 2)) for k, (a, b) in
             enumerate(zip(points, following, strict=False))]  # fmt: skip
    if isinstance(shape, Path):
        told.append(Handle("width", "size", pair(points[0] + shape.width / 2 * _across(points))))
    return tuple(told)


def _points(shape: Polygon | Path, name: str, at: Array, is_down: bool) -> Shape:
    if name == "width":
        assert isinstance(shape, Path)
        points = [_up(p, is_down) for p in shape.points]
        width = abs(2 * float((at - points[0]) @ _across(points)))
        return shape.model_copy(update={"width": max(width, LEAST * shape.width)})
    what, number = name.split(" ")
    k, own, given = int(number), _own(at, is_down), shape.points
    made = (*given[: k + 1], own, *given[k + 1 :]) if what == "between" else (*given[:k], own, *given[k + 1 :])
    return shape.model_copy(update={"points": made})


def without_point(shape: Shape, name: str) -> Shape:
    """Return a polygon or a path without one of its points; `UnusableInput` where too few would be left."""
    if not isinstance(shape, Polygon | Path) or not name.startswith("point "):
        raise UnusableInput("only a point of a polygon or of a path can be taken away")
    k, least = int(name.split(" ")[1]), 3 if isinstance(shape, Polygon) else 2
    if len(shape.points) <= least:
        raise UnusableInput(f"a {type(shape).__name__.lower()} has at least {least} points; remove the step instead")
    return shape.model_copy(update={"points": (*shape.points[:k], *shape.points[k + 1 :])})


def _across(points: Sequence[Array]) -> Array:
    """Return the unit vector to the left of the first stretch that has a length."""
    first = next((d for p in points[1:] if float(np.hypot(*(d := p - points[0]))) > 0), np.array([1.0, 0.0]))
    x, y = first / np.hypot(*first)
    return np.array([-y, x])


# --- places --------------------------------------------------------------------------------------------------------


def _moved(shape: Shape, delta: Array, is_down: bool) -> Shape:
    if isinstance(shape, Polygon | Path):
        return shape.model_copy(update={"points": tuple(_own(_up(p, is_down) + delta, is_down) for p in shape.points)})
    return shape.model_copy(update={"centre": _own(_up(shape.centre, is_down) + delta, is_down)})


def _up(point: tuple[float, float], is_down: bool) -> Array:
    return np.array([point[0], -point[1] if is_down else point[1]])


def _own(point: Array, is_down: bool) -> tuple[float, float]:
    x, y = point.tolist()
    return x, -y if is_down else y


def pair(point: Array) -> tuple[float, float]:
    """Return a place (2,) as two numbers."""
    x, y = point.tolist()
    return x, y


def _towards(angle_rad: float) -> Array:
    return np.array([math.cos(angle_rad), math.sin(angle_rad)])


def _rounded(value: object, decimals: int) -> object:
    if isinstance(value, tuple | list):
        return [_rounded(v, decimals) for v in value]
    assert isinstance(value, float | int)
    # No minus before a zero, which a person would wonder about.
    return round(float(value), decimals) + 0.0
