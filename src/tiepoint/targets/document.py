"""A target as plain data (`target.json`) and back, strictly: each fault in a sentence."""

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from tiepoint.documents.files import check_format, format_of
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.targets.draw import FEWEST, Measured, Target, check, identified
from tiepoint.targets.paper import borne_by, check_measured

KIND = "target"

_FIELDS = ("pattern", "variant", "pitch_mm", "columns", "rows", "bars", "material", "measured", "traceable")
_OPTIONAL = ("format", "id", "material", "measured", "traceable")
_HELP = {
    "bars": (
        ': give the nominal lengths of its ruler bars as "bars": {"x_mm": …, "y_mm": …}, or let '
        "`tiepoint target describe` write the document, which knows what to measure where there are none"
    ),
    "variant": "; `tiepoint target describe` writes it",
}
"""What to do about a field that is missing, where its name does not say it."""
_MEASURED = ("x_mm", "y_mm", "u_mm", "with", "when_utc")


def to_document(target: Target) -> dict[str, Any]:
    """Return plain data for `target.json`."""
    m = target.measured
    return {
        "format": format_of(KIND),
        "id": target.id,
        "pattern": target.pattern,
        "variant": target.variant,
        "pitch_mm": target.pitch_mm,
        "columns": target.columns,
        "rows": target.rows,
        "bars": {"x_mm": target.bar_x_mm, "y_mm": target.bar_y_mm},
        # Not said of paper, of which every target was taken to be before this field existed.
        **({} if target.material == "paper" else {"material": target.material}),
        "measured": None
        if m is None
        else {"x_mm": m.x_mm, "y_mm": m.y_mm, "u_mm": m.u_mm, "with": m.with_, "when_utc": m.when_utc},
        "traceable": target.traceable,
    }


def from_document(content: Mapping[str, Any], where: str = "the target document") -> Target:
    """Return the target that plain data describes. `where` names it in errors.

    Raises `UnusableDocument` for fields that are missing, unknown, not numbers, or that contradict each other.
    """
    try:
        check_format(dict(content), KIND, where)
        return _target(content)
    except UnusableDocument:
        raise
    except (UnusableInput, _Fault) as fault:
        raise UnusableDocument(f"{where} cannot be used: {fault}") from fault


class _Fault(Exception):
    """What is wrong with a field."""


def _target(content: Mapping[str, Any]) -> Target:
    _check_fields(content, (*_FIELDS, "format", "id"), _OPTIONAL, "the document")
    pattern = content["pattern"]
    if not isinstance(pattern, str) or pattern not in FEWEST:
        raise _Fault(f"pattern is {pattern!r}; use one of {', '.join(FEWEST)}")
    variant = content["variant"]
    if not isinstance(variant, str):
        raise _Fault(f"variant is {variant!r} and not text")
    bars = _part(content, "bars", ("x_mm", "y_mm"))
    target = identified(
        pattern,
        _number(content, "pitch_mm"),
        _count(content, "columns"),
        _count(content, "rows"),
        variant,
        _number(bars, "x_mm", "bars."),
        _number(bars, "y_mm", "bars."),
    )
    check(target)
    if content.get("id", target.id) != target.id:
        raise _Fault(
            f"its id {content['id']!r} is that of another target: the file was edited after it was drawn; "
            f"draw the target again, or leave out the id for one that was printed elsewhere"
        )
    traceable = content.get("traceable", False)
    if not isinstance(traceable, bool):
        raise _Fault(f"traceable is {traceable!r}; write true or false")
    material = content.get("material", target.material)
    if not isinstance(material, str):
        raise _Fault(f"material is {material!r} and not text")
    return replace(borne_by(target, material), measured=_measured(content, target), traceable=traceable)


def _measured(content: Mapping[str, Any], target: Target) -> Measured | None:
    if content.get("measured") is None:
        return None
    part = _part(content, "measured", _MEASURED)
    for name in ("with", "when_utc"):
        if not isinstance(part[name], str):
            raise _Fault(f"measured.{name} is {part[name]!r} and not text")
    x_mm, y_mm, u_mm = (_number(part, name, "measured.") for name in ("x_mm", "y_mm", "u_mm"))
    return check_measured(target, Measured(x_mm, y_mm, u_mm, part["with"], part["when_utc"]))


def _part(content: Mapping[str, Any], name: str, fields: tuple[str, ...]) -> Mapping[str, Any]:
    part = content[name]
    if not isinstance(part, Mapping):
        raise _Fault(f"{name} is {part!r} where {{{', '.join(fields)}}} was expected")
    _check_fields(part, fields, (), name)
    return part


def _check_fields(part: Mapping[str, Any], known: tuple[str, ...], optional: tuple[str, ...], where: str) -> None:
    for name in part:
        if name not in known:
            raise _Fault(f"{where} has the field {name!r}, which is not known; it takes {', '.join(known)}")
    for name in known:
        if name not in part and name not in optional:
            raise _Fault(f"{where} has no {name}{_HELP.get(name, '')}")


def _number(part: Mapping[str, Any], name: str, where: str = "") -> float:
    value = part[name]
    # Beyond a kilometre and below a nanometre nothing is printed; their products would overflow.
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise _Fault(f"{where}{name} is {value!r} and not a number")
    if not 1e-6 <= value <= 1e6:
        raise _Fault(f"{where}{name} is {value:g} mm; choose a length that can be printed")
    return float(value)


def _count(part: Mapping[str, Any], name: str) -> int:
    value = part[name]
    if isinstance(value, bool) or not isinstance(value, int):
        raise _Fault(f"{name} is {value!r} and not a whole number")
    return value
