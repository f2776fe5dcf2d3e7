"""SVG as text: elements, numbers and paths. Nothing else knows how SVG is spelled."""

from collections.abc import Iterable, Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

from tiepoint.recipe.marks_content import on_page

Array = NDArray[np.float64]
Attribute = str | float | int | None


def number(value: float) -> str:
    """Return a coordinate with at most two decimals."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def element(name: str, /, *children: str, **attributes: Attribute) -> str:
    """Return an element. `class_` and the like lose their last `_`; any other `_` becomes `-`; None is left out."""
    told = "".join(
        f' {_spelled(key)}="{escape(value if isinstance(value, str) else number(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    inside = "".join(children)
    return f"<{name}{told}>{inside}</{name}>" if inside else f"<{name}{told}/>"


def path(points: Array | Sequence[Sequence[float]], closed: bool = False) -> str:
    """Return path data through points (n, 2)."""
    pairs = [f"{number(float(x))} {number(float(y))}" for x, y in points]
    return "M" + "L".join(pairs) + ("Z" if closed else "")


def paths(lines: Iterable[Array], closed: bool = False) -> str:
    """Return path data of several lines."""
    return "".join(path(line, closed) for line in lines)


def text(x: float, y: float, words: str, **attributes: Attribute) -> str:
    """Return a line of text at a place; the words are escaped."""
    return element("text", escape(on_page(words), quote=False), x=x, y=y, **attributes)


def drawing(width: float, height: float, /, *children: str, **attributes: Attribute) -> str:
    """Return a whole drawing with its view box."""
    return element(
        "svg",
        *children,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {number(width)} {number(height)}",
        **attributes,
    )


def _spelled(key: str) -> str:
    if key == "viewBox":
        return key
    return key.rstrip("_").replace("_", "-")
