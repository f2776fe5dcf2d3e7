"""What a page is told of a tried draft: readings as they are written, and all geometry in pixels of the picture."""

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.reasons import forbidding, in_short
from tiepoint.foundation.units import MM_PER
from tiepoint.model.reading import Reading
from tiepoint.recipe.masks import points_of
from tiepoint.recipe.outlines import brackets, region_px
from tiepoint.recipe.overlay import verdict_of
from tiepoint.recipe.recipe import Step
from tiepoint.recipe.regions import Arc, Path, Polygon, Rectangle, Ring, Shape
from tiepoint.recipe.runner import Trace
from tiepoint.recipe.steps.find import FindTable
from tiepoint.recipe.wording import figures_of, one_line, said_flags, said_value, unit_of
from tiepoint.station.recipes.gripping import grips_told
from tiepoint.station.recipes.handles import Handle, handles_of, pair
from tiepoint.station.recipes.places import Frame, axes_px, frame_for, mask_px, shape_in
from tiepoint.station.recipes.trying import Tried

Array = NDArray[np.float64]
Plain = dict[str, Any]


def told(
    tried: Tried,
    *,
    only: Collection[str] | None = None,
    handles_of_step: str | None = None,
    unit: str | None = None,
) -> Plain:
    """Return a judgement as plain data.

    `only`: these steps alone, as after a drag. `handles_of_step`: the one whose region has its handles told. `unit`: of
    lengths and areas, mm or in; the recipe's own where None.
    """
    unit = unit or tried.job.recipe.head.unit
    if tried.outcome is None:
        notes = list(tried.job.all_notes)
        return {"verdict": "unread", "says": "", "notes": notes, "steps": [], "grips": [], "ms": 0.0}
    record = tried.outcome.record
    traces = [t for t in tried.outcome.traces if only is None or t.step.name in only]
    return {
        "verdict": record.verdict,
        "says": headline(tried.outcome.traces, unit),
        "notes": list(record.notes),
        "steps": [_step(tried, t, t.step.name == handles_of_step, unit) for t in traces],
        "grips": grips_told(tried, unit),
        "ms": round(1e3 * tried.whole_s, 1),
    }


def in_unit(reading: Reading, unit: str | None) -> Reading:
    """Return a reading with its value, ± and limits in mm or in; as it is where it is no length and no area."""
    own, power = reading.unit.removesuffix("2"), 2 if reading.unit.endswith("2") else 1
    if unit is None or unit == own or own not in ("mm", "in"):
        return reading
    per, to = MM_PER[own] ** power, MM_PER[unit] ** power

    def turned(value: float | None) -> float | None:
        return None if value is None else value * per / to

    limits = reading.limits
    return replace(
        reading,
        unit=f"{unit}{'2' if power == 2 else ''}",
        value=turned(reading.value),
        u=turned(reading.u),
        U95=turned(reading.U95),
        sources=tuple(term._replace(c=term.c * per / to) for term in reading.sources),
        limits=None if limits is None else replace(limits, lower=turned(limits.lower), upper=turned(limits.upper)),
    )


def headline(traces: Iterable[Trace], unit: str | None = None) -> str:
    """Return in a sentence or two why the part does not conform; empty where it does, or nothing was judged."""
    against = [(t.step, in_unit(r, unit)) for t in traces for r in t.readings if r.verdict not in (None, "conforms")]
    if not against:
        return ""
    order = {"rejected": 0, "unread": 1, "undecided": 2}
    against.sort(key=lambda pair: order[str(pair[1].verdict)])
    step, reading = against[0]
    rest = len({s.name for s, _ in against} - {step.name})
    more = f" {_counted(rest)} would have kept it from conforming." if rest else ""
    return f"{step.name}: {why(reading)}{more}"


def _counted(rest: int) -> str:
    return "One more step" if rest == 1 else f"{rest} more steps"


def why(reading: Reading) -> str:
    """Return in a sentence why a reading is not said to conform."""
    if reading.reason is not None:
        return reading.reason.sentence
    limits, value = reading.limits, reading.value
    if limits is None or value is None:
        return said_value(reading)
    shown, unit = figures_of(reading), unit_of(reading)
    over = limits.upper is not None and value > limits.upper
    under = limits.lower is not None and value < limits.lower
    if reading.verdict == "undecided":
        near = min((x for x in (limits.lower, limits.upper) if x is not None), key=lambda x: abs(x - value))
        return f"nearer to {near:.10g} than its ± of {shown[1].removeprefix('± ')} {unit}: cannot be told."
    if over or under:
        edge = limits.upper if over else limits.lower
        assert edge is not None
        places = len(shown[0].partition(".")[2])
        side = "above the upper" if over else "below the lower"
        return f"{abs(value - edge):.{places}f} {unit} {side} limit."
    if against := forbidding(reading.flags):
        return f"its ± may not hold: {in_short(against)}."
    return said_value(reading)


def _step(tried: Tried, trace: Trace, has_handles: bool, unit: str) -> Plain:
    step, result = trace.step, trace.result
    doubts = forbidding(f for r in trace.readings for f in r.flags)
    return {
        "name": step.name,
        "verdict": verdict_of(trace.readings) if trace.readings else None,
        "readings": [_reading(in_unit(r, unit)) for r in trace.readings],
        "fault": result.failed.sentence if result.failed else "",
        "doubts": in_short(doubts) if doubts else "",
        "role": trace.role,
        "region": [_line(px) for px in region_px(trace)],
        "marks": [_line(px) for px in brackets(trace)],
        "found": [_line(px) for px in _to_px(trace, result.outlines)],
        "at": next((_line(px)[0] for px in _to_px(trace, () if result.at is None else (result.at,))), None),
        "dimension": next(
            (_line(px) for px in _to_px(trace, () if result.dimension is None else (result.dimension,))), None
        ),
        "axes": None if (axes := axes_px(trace)) is None else [_line(p)[0] for p in axes],
        **_hand(tried, trace, has_handles, unit),
    }


def _hand(tried: Tried, trace: Trace, has_handles: bool, unit: str) -> Plain:
    """Return what a hand takes a region by, and what a mask hides of it."""
    step, shape = trace.step, shape_in(trace.step)
    nothing: Plain = {"shape": None, "handles": [], "hand": None, "mask": None, "taught": [], "size": ""}
    if shape is None:
        return nothing
    try:
        frame = frame_for(step.frame, tried.job, tried.seen, tried.traces, trace.role)
    except UnusableInput:
        # A region whose frame is not found is not drawn; why stands in `fault`.
        return nothing
    taught = isinstance(step.table, FindTable) and step.table.taught is not None
    outline = _outline(shape, frame)
    mask = step.beside.mask
    return {
        "shape": type(shape).__name__.lower(),
        "handles": [_handle(h, frame) for h in _handles(step, shape, frame)] if has_handles else [],
        "hand": _in_hand(shape, frame) if has_handles else None,
        "taught": [_line(outline)] if taught else [],
        "size": size_of(shape, frame, unit),
        "mask": None if mask is None else {
            "lines": [_line(px) for px in mask_px(mask, shape, frame)],
            "percent": round(100 * float(mask.painted.mean()), 1),
        },
    }  # fmt: skip


def _handles(step: Step, shape: Shape, frame: Frame) -> tuple[Handle, ...]:
    handles = handles_of(shape, frame.is_down)
    table = step.table
    if not isinstance(table, FindTable) or table.taught is None:
        return handles
    origin, turn = frame.up(table.taught.origin), math.radians(table.taught.angle_deg)
    reach = 0.3 * max(1e-9, float(np.ptp(np.array([h.at for h in handles]), axis=0).max()))
    tip = origin + reach * np.array([math.cos(turn), math.sin(turn)])
    return (*handles, Handle("origin", "origin", pair(origin)), Handle("axis", "axis", pair(tip)))


def _in_hand(shape: Shape, frame: Frame) -> Plain | None:
    """Return a region as a page moves it before the station has answered: its numbers, y up, and the affine map into
    the picture that is nearest about it; None where the picture does not show it whole.
    """
    around = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    places = points_of(shape, around, frame.is_down)
    px = frame.to_px(places)
    if not np.isfinite(px).all():
        return None
    way = np.linalg.lstsq(np.column_stack([places, np.ones(len(places))]), px, rcond=None)[0]
    numbers = dict(zip("acebdf", way.T.ravel().tolist(), strict=True))
    told = shape.model_dump(mode="json")
    if frame.is_down:
        told |= {key: _flipped(told[key]) for key in ("centre", "points") if key in told}
    return {"shape": {"kind": type(shape).__name__.lower(), **told}, "map": numbers}


def _flipped(places: Any) -> Any:
    if isinstance(places[0], list | tuple):
        return [_flipped(place) for place in places]
    return [places[0], -places[1]]


def _handle(handle: Handle, frame: Frame) -> Plain:
    return {"name": handle.name, "role": handle.role, "at": _line(frame.to_px(np.array([handle.at])))[0]}


def _outline(shape: Shape, frame: Frame) -> Array:
    """Return the outline (n, 2) of a shape in pixels, closed; of a path its middle line."""
    from tiepoint.recipe.inside import outlines

    if isinstance(shape, Path):
        return frame.to_px(np.array([frame.up(p) for p in shape.points]))
    line = outlines(shape, frame.name, frame.unit)[0]
    return frame.ground.sight.to_px(np.vstack([line, line[:1]]))


def size_of(shape: Shape, frame: Frame, unit: str) -> str:
    """Return how large a region is, in words; in `unit` where it is measured in the plane."""
    written = frame.written_in
    said, per = (written, 1.0) if written == "px" else (unit, MM_PER[written] / MM_PER[unit])
    d = 3 if said == "in" else 2
    if isinstance(shape, Rectangle):
        return f"{per * shape.size[0]:.{d}f} × {per * shape.size[1]:.{d}f} {said}"
    if isinstance(shape, Ring):
        return f"radius {per * shape.inner:.{d}f} to {per * shape.outer:.{d}f} {said}"
    if isinstance(shape, Arc):
        return f"radius {per * shape.radius:.{d}f} {said}, {shape.from_deg:.0f}° to {shape.to_deg:.0f}°"
    points = f"{len(shape.points)} points"
    return points if isinstance(shape, Polygon) else f"{points}, {per * shape.width:.{d}f} {said} wide"


def _reading(reading: Reading) -> Plain:
    value, pm = figures_of(reading)
    unit = unit_of(reading)
    if reading.quantity == "share" and reading.value is not None:
        value, pm, unit = f"{100 * reading.value:.0f}", "", "%"
    limits = reading.limits
    share = _largest(reading)
    judged = reading.verdict not in (None, "conforms")
    return {
        "id": reading.id,
        "quantity": reading.quantity,
        "operator": reading.operator,
        "value": one_line(reading.text) if reading.text is not None else value or "no value",
        "pm": bare(pm) if reading.text is None else "",
        "unit": unit if reading.text is None else "",
        "number": reading.value,
        "U95": reading.U95 if reading.value is not None else None,
        "lower": None if limits is None else limits.lower,
        "upper": None if limits is None else limits.upper,
        "expected": reading.expected,
        "verdict": reading.verdict,
        "why": why(reading) if judged or reading.reason is not None else "",
        "flags": said_flags(reading),
        "largest": share,
    }


def _largest(reading: Reading) -> Mapping[str, Any] | None:
    """Return the source that makes most of the variance, and its share of it; None where there is none."""
    if reading.value is None or not reading.u:
        return None
    top = max(reading.sources, key=lambda t: abs(t.c * t.u), default=None)
    if top is None:
        return None
    return {"label": top.label, "percent": round(100 * (top.c * top.u) ** 2 / reading.u**2)}


def _to_px(trace: Trace, lines: Iterable[Array]) -> list[Array]:
    if trace.ground is None:
        return []
    return [px for line in lines if np.isfinite(px := trace.ground.sight.to_px(np.atleast_2d(line))).all()]


def _line(px: Array) -> list[list[float]]:
    rounded = np.round(np.atleast_2d(px), 1)
    return rounded.tolist() if np.isfinite(rounded).all() else []


def bare(pm: str) -> str:
    """Return the number of a ± alone: the mark is set by who writes it into a column."""
    return pm.lstrip("± \N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}")
