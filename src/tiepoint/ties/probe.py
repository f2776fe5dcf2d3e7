"""Ask a tie: where does a pixel lie, how far apart are two, and what is that ± made of."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.reasons import Reason, flag
from tiepoint.foundation.sources import Source, Value, Values
from tiepoint.foundation.units import to_unit
from tiepoint.ties.tie import Mapped, Tie

Array = NDArray[np.float64]

_STRAIGHT = 5.0
"""A length below this many times its transverse u is no longer linear in its ends: no value."""


@dataclass(frozen=True)
class ProbePoint:
    """Where one pixel lies: `x`, `y` in mm with shared sources, or a `reason` why not."""

    px: tuple[float, float]
    x: Value | None
    y: Value | None
    inside: bool
    reason: Reason | None = None
    flags: tuple[str, ...] = ()

    @property
    def covariance(self) -> Array | None:
        """Joint covariance (2, 2) in mm²."""
        if self.x is None or self.y is None:
            return None
        r = sum(self.x.terms[s] * self.y.terms[s] * s.u**2 for s in self.x.terms if s in self.y.terms)
        return np.array([[self.x.u**2, r], [r, self.y.u**2]])


@dataclass(frozen=True)
class Probe:
    """Answers of one tie: `points`, in `frame`, at `height_mm`; `unit` is that of the document form."""

    points: tuple[ProbePoint, ...]
    unit: str
    frame: str
    height_mm: float

    def document(self) -> dict[str, Any]:
        """Return `{"points": […]}` as plain data, lengths in `unit`."""
        return {"points": [self._point(p) for p in self.points]}

    def _point(self, point: ProbePoint) -> dict[str, Any]:
        told: dict[str, Any] = {"at": list(point.px), "unit": self.unit, "frame": self.frame}
        told |= {"height_mm": self.height_mm, "inside": point.inside, "flags": list(point.flags)}
        if point.x is None or point.y is None or (cov := point.covariance) is None:
            reason = point.reason or Reason("not_a_number")
            empty = dict.fromkeys(("x", "y", "u_x", "u_y", "r_xy", "dof"))
            return told | empty | {"reason": _reason_out(reason), "sources": []}
        both = point.x.u * point.y.u
        return told | {
            "x": to_unit(point.x.value, self.unit),
            "y": to_unit(point.y.value, self.unit),
            "u_x": to_unit(point.x.u, self.unit),
            "u_y": to_unit(point.y.u, self.unit),
            "r_xy": float(cov[0, 1] / both) if both > 0 else 0.0,
            "dof": _finite(min(point.x.dof, point.y.dof)),
            "reason": None,
            "sources": _terms_out({"c_x": point.x.terms, "c_y": point.y.terms}, self.unit),
        }


@dataclass(frozen=True)
class ProbedLength:
    """The distance between two pixels in mm, or the reason why there is none."""

    value: Value | None
    unit: str
    reason: Reason | None = None
    flags: tuple[str, ...] = ()

    def document(self) -> dict[str, Any]:
        """Return `{value, u, dof, U95, unit, sources, reason, flags}` as plain data, lengths in `unit`."""
        told: dict[str, Any] = {"unit": self.unit, "flags": list(self.flags)}
        if self.value is None:
            reason = self.reason or Reason("not_a_number")
            return told | dict.fromkeys(("value", "u", "dof", "U95")) | {"sources": [], "reason": _reason_out(reason)}
        return told | {
            "value": to_unit(self.value.value, self.unit),
            "u": to_unit(self.value.u, self.unit),
            "dof": _finite(self.value.dof),
            "U95": to_unit(self.value.U95, self.unit),
            "sources": _terms_out({"c": self.value.terms}, self.unit),
            "reason": None,
        }


def probe(tie: Tie, px: ArrayLike, u_px: float = 0.0, extrapolate: bool = False) -> Probe:
    """Return where points (n, 2) of the from-frame lie.

    `u_px` is the standard uncertainty of each coordinate of each point (independent). Outside the valid region
    there is no value unless `extrapolate`. Raises `UnusableInput` for points that no picture of the tie has.
    """
    points = _checked(tie, px, u_px)
    mapped = tie.map(points)
    values = _values(mapped, points, u_px)
    answers = tuple(
        _answer(points[k], values[2 * k], values[2 * k + 1], bool(mapped.inside[k]), extrapolate)
        for k in range(len(points))
    )
    return Probe(answers, tie.unit, tie.to_frame, tie.height_mm)


def length(tie: Tie, a_px: ArrayLike, b_px: ArrayLike, u_px: float = 0.0, extrapolate: bool = False) -> ProbedLength:
    """Return the distance between two points of the from-frame; what both share adds or cancels as it does.

    Raises `UnusableInput` where both are the same point, or none that a picture of the tie has.
    """
    points = _checked(tie, np.stack([np.ravel(a_px), np.ravel(b_px)]), u_px)
    if np.array_equal(points[0], points[1]):
        raise UnusableInput("both ends of the length are the same point; give two different ones")
    mapped = tie.map(points)
    outside = not mapped.inside.all()
    if outside and not extrapolate:
        return ProbedLength(None, tie.unit, Reason("outside_tie"))
    if not np.isfinite(mapped.xy_mm).all():
        return ProbedLength(None, tie.unit, Reason("outside_tie"))
    flags = (flag("extrapolated"),) if outside else ()
    value = _distance(_values(mapped, points, u_px))
    if value is None:
        return ProbedLength(None, tie.unit, Reason("linear_law_fails"), flags)
    return ProbedLength(value, tie.unit, None, flags)


def _distance(ends: Values) -> Value | None:
    """Return |b − a| of ends (ax, ay, bx, by); None where it is too short against its u for a linear law."""
    step = ends.value[2:] - ends.value[:2]
    reach = math.hypot(*step)
    if reach == 0:
        return None
    along = step / reach
    difference = ends.c[2:] - ends.c[:2]
    u = np.array([s.u for s in ends.sources])
    across = float(np.linalg.norm((np.array([-along[1], along[0]]) @ difference) * u))
    if reach < _STRAIGHT * across:
        return None
    c = along @ difference
    return Value(reach, {s: float(k) for s, k in zip(ends.sources, c, strict=True) if k})


def _values(mapped: Mapped, points: Array, u_px: float) -> Values:
    """Return x0, y0, x1, y1, … as forms over the tie's sources and, where there is a u, those of each pixel."""
    n, m = len(points), len(mapped.sources)
    shared = mapped.d_sources.reshape(2 * n, m)
    if u_px == 0:
        return Values(mapped.xy_mm.ravel(), shared, mapped.sources)
    own = np.zeros((2 * n, 2 * n))
    for k in range(n):
        own[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = mapped.d_px[k]
    sources = tuple(_pixel_source(p, axis, u_px) for p in points for axis in "xy")
    return Values(mapped.xy_mm.ravel(), np.hstack([shared, own]), mapped.sources + sources)


def _pixel_source(point: Array, axis: str, u_px: float) -> Source:
    place = f"{point[0]:.6g},{point[1]:.6g}"
    return Source(f"pixel:{place}:{axis}", "Where the point lies in the picture", "B", u_px, "pixel")


def _answer(point: Array, x: Value, y: Value, inside: bool, extrapolate: bool) -> ProbePoint:
    px = (float(point[0]), float(point[1]))
    if not (math.isfinite(x.value) and math.isfinite(y.value)) or not (inside or extrapolate):
        return ProbePoint(px, None, None, inside, Reason("outside_tie"))
    return ProbePoint(px, x, y, inside, None, () if inside else (flag("extrapolated"),))


def _checked(tie: Tie, px: ArrayLike, u_px: float) -> Array:
    points = np.atleast_2d(np.asarray(px, float))
    if points.shape[1] != 2 or not np.isfinite(points).all():
        raise UnusableInput("a point to probe is not two finite numbers; give X,Y in pixels")
    if not (math.isfinite(u_px) and u_px >= 0):
        raise UnusableInput(f"the uncertainty of a point is {u_px:g} px; give 0 or more")
    if tie.from_frame == "image" and tie.sensor is not None and tie.placing.is_identity:
        size = np.array(tie.sensor.size_px)
        beyond = (points < -0.5).any(axis=1) | (points > size - 0.5).any(axis=1)
        if beyond.any():
            x, y = points[int(np.argmax(beyond))]
            raise UnusableInput(
                f"the point {x:g},{y:g} lies outside the picture, which is {size[0]} × {size[1]} px; "
                f"choose 0 to {size[0] - 1} and 0 to {size[1] - 1}"
            )
    return points


def _terms_out(parts: Mapping[str, Mapping[Source, float]], unit: str) -> list[dict[str, Any]]:
    """Return every source once, with its coefficient in each part, in `unit` per unit of the source."""
    order = dict.fromkeys(s for terms in parts.values() for s in terms)
    return [
        {
            "id": s.id,
            "label": s.label,
            "type": s.type,
            "distribution": s.distribution,
            "u": s.u,
            "dof": _finite(s.dof),
            "scope": s.scope,
        }
        | {name: to_unit(terms.get(s, 0.0), unit) for name, terms in parts.items()}
        for s in order
    ]


def _reason_out(reason: Reason) -> dict[str, Any]:
    return {"code": reason.code, "params": dict(reason.params), "sentence": reason.sentence}


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None
