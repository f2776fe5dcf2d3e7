"""What its paper, or whatever bears it, did to a target: the true scale along both axes, and what is unknown of it."""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.sources import Source, Value, Values, half_width, stack
from tiepoint.targets.draw import Measured, Target

UNMEASURED_HALF = 0.005
"""Half-width of the scale of a print that nobody measured: printers at 100 % keep within 0.5 % (common
practice; feed and paper differ along and across, so both axes count as independent). "Fit to page" is not in it:
it shrinks by 3 to 6 %, and only measured bars can tell."""

SWELLING_HALF = 0.0005
"""Half-width of what remains after measuring: paper swells with humidity, 0.1 % over a day's range in all
(common practice), differently along and across its fibres."""

DRIFT_K = 5.0
"""Half-width of how far the temperature is from that at which the bars were measured: one room (common practice)."""

DRIFT_RH = 15.0
"""Half-width, in per cent of relative humidity, of the air's change since then in one room (common practice)."""


@dataclass(frozen=True, slots=True)
class Material:
    """What bears a target: what becomes of its length after the bars were measured.

    `swelling_half`: half-width of its relative change by humidity, along each axis by itself; `per_k`: its
    thermal expansion in 1/K, the same along both axes. Zero where it is nothing beside the other.
    """

    swelling_half: float
    per_k: float


MATERIALS = {
    "paper": Material(SWELLING_HALF, 0.0),
    "film": Material(7e-6 * DRIFT_RH, 17e-6),
    "glass": Material(0.0, 9e-6),
    "steel": Material(0.0, 12e-6),
    "aluminium": Material(0.0, 23e-6),
}
"""Paper's swelling holds its expansion by temperature too, which is a tenth of it. Film is drawn polyester: 17e-6/K and
7e-6 per per cent of relative humidity, as its makers' data sheets state for drafting film (from memory). Glass is
soda-lime glass: 9.0e-6/K (EN 572-1). Steel: 12e-6/K (EN 1993-1-1, 3.2.6). Aluminium: 23e-6/K (EN 1999-1-1, 3.2.5). The
standards' figures are from memory. A board of layers goes by the one that bears the others: a print glued to a metal
plate keeps the plate's length."""

READING_SHARE, RULE_SHARE = 0.86, 0.43
"""Variances of a bar's own reading and of the rule's scale, each over that of the bar's stated u.

The u given with the bars is one bar's whole u; how much of it both bars share is seldom known. Were all of it shared,
the mean of both axes would have this u; were none, their difference would have √2 times it. No two shares that add to
1 serve both: taken as halves, a 95 % interval of the difference holds in 83 % where nothing is shared. With 1 and ½
neither could ever be short, and every axis alone would be too wide. These are 0.86 times that, where 95 % intervals of
mean, difference and each axis hold in 93 % or more, and an axis's in 97.4 % at most, whatever is shared (normal
errors; the swelling moves all of them towards 95)."""

MOST_OFF = 0.05
"""A bar farther off than this is a slip of the hand, not a property of a printer."""

ALIKE = 0.01
"""Exchanged bars look no worse than told ones where they are off by not more than this beyond them."""

BEYOND_CHANCE = 3.0
"""Readings of equal bars that differ by this many standard uncertainties of their difference are two scales."""

_NOT_MEASURED = "/print-scale/"

_WHEN = re.compile(r"\d{4}-\d\d-\d\d(T\d\d:\d\d(:\d\d(\.\d+)?)?(Z|\+00:00)?)?", re.ASCII)


def print_scale(target: Target) -> Values:
    """Return true length over nominal along x and y, two values with their sources.

    Measured bars: each axis has its own reading error; the rule's scale error is common (its id is the
    instrument's, so that everything measured with the same rule shares it; its u is 1, and how large it is stands
    in the coefficients, since bars of other lengths say something else of it); what its material does since then
    remains. Not measured: 1, within `UNMEASURED_HALF`.
    """
    axes = (("x", target.bar_x_mm), ("y", target.bar_y_mm))
    if target.measured is None:
        return stack([_unmeasured(target, axis) for axis, _ in axes])
    readings = (target.measured.x_mm, target.measured.y_mm)
    return stack([_from_bar(target, target.measured, a, b, r) for (a, b), r in zip(axes, readings, strict=True)])


def is_assumed(sources: Iterable[Source]) -> bool:
    """Return whether a print's scale among these sources is one that nobody measured."""
    return any(_NOT_MEASURED in source.id for source in sources)


def _unmeasured(target: Target, axis: str) -> Value:
    label = f"Print scale along {axis}, not measured"
    source = half_width(f"target:{target.id}{_NOT_MEASURED}{axis}", label, UNMEASURED_HALF, "station")
    return Value(1.0, {source: 1.0})


def _from_bar(target: Target, measured: Measured, axis: str, bar_mm: float, reading_mm: float) -> Value:
    scale = reading_mm / bar_mm
    rule = Source(f"instrument:{measured.with_}/scale", f"Scale of {measured.with_}", "B", 1.0, "instrument")
    # One relative error of the rule; it is a bar's whole share at the longer bar.
    by_rule = math.sqrt(RULE_SHARE) * measured.u_mm / max(measured.x_mm, measured.y_mm)
    reading = Source(
        f"target:{target.id}/bar-reading/{axis}/{measured.when_utc}",
        f"Reading of the bar along {axis}",
        "B",
        measured.u_mm,
        "station",
    )
    terms = {rule: scale * by_rule, reading: math.sqrt(READING_SHARE) / bar_mm}
    return Value(scale, {**terms, **dict.fromkeys(_since(target, axis), scale)})


def _since(target: Target, axis: str) -> Iterable[Source]:
    """Yield what may have become of the target's length along an axis since its bars were measured."""
    name, material = target.material, MATERIALS[target.material]
    if material.swelling_half:
        label = f"Swelling of the {name} along {axis}"
        yield half_width(f"target:{target.id}/swelling/{axis}", label, material.swelling_half, "station")
    if material.per_k:
        label, half = f"Expansion of the {name} by temperature", material.per_k * DRIFT_K
        yield half_width(f"target:{target.id}/expansion", label, half, "station")


def borne_by(target: Target, material: str) -> Target:
    """Return the target as one that `material` bears; raise `UnusableInput` with a sentence where nobody knows it."""
    if material not in MATERIALS:
        raise UnusableInput(f"the material is {material!r}, which is not known; use one of {', '.join(MATERIALS)}")
    return replace(target, material=material)


def exchange_goes_unseen(target: Target) -> bool:
    """Return whether measured bars that were taken for each other would look as right as they do, and matter.

    So it is where the bars are of nearly equal length and their readings differ by more than chance allows.
    """
    m = target.measured
    if m is None:
        return False
    bars, readings = (target.bar_x_mm, target.bar_y_mm), (m.x_mm, m.y_mm)
    as_told = max(abs(r / b - 1) for r, b in zip(readings, bars, strict=True))
    exchanged = max(abs(r / b - 1) for r, b in zip(reversed(readings), bars, strict=True))
    return exchanged < as_told + ALIKE and abs(m.x_mm - m.y_mm) > BEYOND_CHANCE * math.sqrt(2) * m.u_mm


def apply_measure(
    target: Target, x_mm: float, y_mm: float, u_mm: float, with_: str, when_utc: str, *, traceable: bool = False
) -> Target:
    """Return the target with what its ruler bars measured, from the middle of one end line to the other's.

    `u_mm` is the standard uncertainty of one bar's length; `with_` names the instrument (the same name means
    the same rule); `traceable` says that this instrument's calibration is traceable. Raises `UnusableInput`
    with a sentence where the numbers cannot be the bars'.
    """
    measured = check_measured(target, Measured(x_mm, y_mm, u_mm, with_.strip(), when_utc))
    return replace(target, measured=measured, traceable=traceable)


def check_measured(target: Target, measured: Measured) -> Measured:
    """Return a measurement that can be the bars' own; raise `UnusableInput` with a sentence otherwise."""
    lengths = {"x": (measured.x_mm, target.bar_x_mm), "y": (measured.y_mm, target.bar_y_mm)}
    if not all(math.isfinite(v) and v > 0 for v in (measured.x_mm, measured.y_mm, measured.u_mm)):
        raise UnusableInput("the bars' lengths and their u must be numbers above 0, as in 199.4mm and 0.1mm")
    off = {axis: read / bar - 1 for axis, (read, bar) in lengths.items() if abs(read / bar - 1) > MOST_OFF}
    if off:
        raise UnusableInput(_slip(target, measured, off))
    if measured.u_mm > MOST_OFF * min(measured.x_mm, measured.y_mm):
        raise UnusableInput(
            f"a u of {measured.u_mm:g} mm for bars of {measured.x_mm:g} and {measured.y_mm:g} mm tells nothing; "
            "give the standard uncertainty of one reading, as in 0.1mm"
        )
    if not measured.with_:
        raise UnusableInput('say what the bars were measured with, as in "rule no 12"')
    if not _WHEN.fullmatch(measured.when_utc):
        raise UnusableInput(f"{measured.when_utc!r} is not a date; write it as 2026-11-25 or 2026-11-25T08:30:00Z")
    return measured


def _slip(target: Target, measured: Measured, off: dict[str, float]) -> str:
    """Return the sentence for bars that are off by more than any printer."""
    bars, readings = (target.bar_x_mm, target.bar_y_mm), (measured.x_mm, measured.y_mm)
    said = f"the bars should measure {bars[0]:g} mm along x and {bars[1]:g} mm along y, not "
    said += f"{readings[0]:g} mm and {readings[1]:g} mm"
    if all(abs(r / b - 1) <= MOST_OFF for r, b in zip(reversed(readings), bars, strict=True)):
        return f"{said}; were x and y swapped? x runs along the page's lower edge"
    for factor, unit in ((25.4, "inches"), (10.0, "centimetres")):
        if all(abs(r * factor / b - 1) <= MOST_OFF for r, b in zip(readings, bars, strict=True)):
            return f"{said}; were they typed in {unit}? Type the unit, as in 7.87in"
    worst = max(off, key=lambda axis: abs(off[axis]))
    return (
        f"{said} ({100 * off[worst]:+.0f} % along {worst}); measure from line to line, and print again at 100 % "
        "if it is so"
    )
