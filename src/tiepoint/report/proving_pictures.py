"""What a page shows of a study beside its own picture: how spreads add, and the figures against what was asked.

Spreads that are independent add like the sides of a right triangle, to one scale, so the longest side is seen to rule.
A figure is a bar over its 95 % interval with a pointer at the estimate; what would not be acceptable is hatched.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tiepoint.documents.revived import revived
from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.rounding import decimals_of, fixed
from tiepoint.report import svg
from tiepoint.report.axes import Axis, standing_alone
from tiepoint.report.figures import nice_step
from tiepoint.report.study_numbers import worked
from tiepoint.report.study_pictures import rr_readings
from tiepoint.studies.capability import CapabilityStudy
from tiepoint.studies.figure import Figure
from tiepoint.studies.linearity import LinearityStudy
from tiepoint.studies.rates import Rate
from tiepoint.studies.rr import FEWEST_CATEGORIES, RrStudy
from tiepoint.studies.stability import StabilityStudy
from tiepoint.studies.trial import TrialStudy
from tiepoint.studies.type1 import Type1Study
from tiepoint.studies.wording import unit_said

_WIDTH, _HEIGHT = 400.0, 280.0
_MOST_IN_MICRO = 0.5
"""In mm: spreads below are written in µm."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture of a study: by which `name` it is asked for, its title, what it shows in a sentence, the drawing."""

    name: str
    title: str
    caption: str
    svg: str


def pictures_of(kind: str, outcome: Mapping[str, Any]) -> tuple[Drawn, ...]:
    """Return the pictures of a kept study's outcome, that first which a person looks at first."""
    own = worked(kind, outcome).picture
    drawn: list[Drawn] = []
    if kind == "rr" and own is not None:
        study = revived(RrStudy, outcome)
        drawn.append(Drawn("spreads", "How the spreads add", _spreads_said(study), spreads(study)))
        drawn.append(Drawn("readings", f"{study.n} readings", _readings_said(study), rr_readings(study)))
    elif own is not None:
        drawn.append(Drawn("study", _TITLES.get(kind, "The study"), "", own))
    held = tuple(held_of(kind, outcome))
    if held:
        drawn.append(Drawn("held", "What the study can tell", _held_said(held), against(held)))
    return tuple(drawn)


_TITLES = {
    "type1": "Values of one part",
    "linearity": "Bias over the range",
    "stability": "From visit to visit",
    "lengths": "Errors all over the field",
    "agreement": "How decisions agree",
    "capability": "All causes side by side",
    "pose": "Where the robot arrived",
    "trial": "Margins to the limit",
    "limits": "Risks against the guard band",
    "touch": "Where the tip touched",
}


# --- how spreads add -------------------------------------------------------------------------------------------------


def spreads(study: RrStudy) -> str:
    """Return parts, measuring and all as a right triangle, and above it the measuring alone, larger."""
    ev, grr, pv, tv = (figure.value for figure in (study.ev, study.grr, study.pv, study.tv))
    rest = math.sqrt(max(grr * grr - ev * ev, 0.0))
    told = _spread_told(study.unit, tv)
    scale = min(250.0 / max(pv, grr), 110.0 / grr) if grr > 0 else 250.0 / pv
    scale = min(scale, 250.0 / pv) if pv > 0 else scale
    base, left = 236.0, 14.0
    across, up = scale * pv, scale * grr
    drawn = [*_triangle(left, base, across, up, "7 4")]
    corner = left + across
    drawn.append(svg.text(left + across / 2, base + 17, f"parts differ, {told(pv)}", class_="t strong middle"))
    drawn.append(svg.text(corner + 8, base - up / 2 - 2, "measuring,", class_="t strong doubt"))
    drawn.append(svg.text(corner + 8, base - up / 2 + 13, told(grr), class_="t strong doubt"))
    slope = math.degrees(math.atan2(up, across))
    at = left + across / 2, base - up / 2 - 8
    turned = f"rotate({-slope:.2f} {at[0]:.2f} {at[1]:.2f})"
    drawn.append(svg.text(*at, f"all that is seen, {told(tv)}", class_="t strong middle over", transform=turned))
    drawn += _measuring_alone(study, rest, told, scale, base - up)
    drawn += _scale_bar(study.unit, scale, tv)
    words = f"Right triangle: parts {told(pv)}, measuring {told(grr)}, all {told(tv)}"
    return standing_alone(_WIDTH, _HEIGHT, words, *drawn)


def _measuring_alone(
    study: RrStudy, rest: float, told: Callable[[float], str], scale: float, lowest: float
) -> Iterator[str]:
    """Yield the triangle of what measuring is made of, as many times larger as there is room."""
    ev, grr = study.ev.value, study.grr.value
    room = min(lowest - 60.0, 110.0)
    if rest <= 0 or ev <= 0 or room < 40:
        return
    larger = min(150.0 / ev, room / rest) / scale
    across, up = larger * scale * ev, larger * scale * rest
    left, base = 120.0, 38.0 + up
    names = " and ".join(study.factors) or "the rest"
    yield svg.text(0, 14, f"Measuring alone, {larger:.2g} times larger", class_="t quiet")
    yield from _triangle(left, base, across, up, None)
    yield svg.text(left + across / 2, base + 17, f"repeats, {told(ev)}", class_="t strong middle")
    yield svg.text(left + across + 8, base - up / 2 + 4, f"{names[:14]}, {told(rest)}", class_="t strong")
    at = left + across / 2 - 10
    yield svg.text(at, base - up / 2 - 8, f"measuring, {told(grr)}", class_="t strong doubt end over")


def _triangle(left: float, base: float, across: float, up: float, dash: str | None) -> Iterator[str]:
    """Yield a right triangle; with `dash` its sum is dashed and its upright the measuring, else the other way about."""
    n = svg.number
    right, sum_ = ("side doubt", "side") if dash else ("side", "side doubt")
    yield svg.element("path", class_="side", d=f"M{n(left)} {n(base)}h{n(across)}")
    yield svg.element("path", class_=right, d=f"M{n(left + across)} {n(base)}v{n(-up)}")
    d = f"M{n(left)} {n(base)}L{n(left + across)} {n(base - up)}"
    yield svg.element("path", class_=sum_, d=d, stroke_dasharray=dash)
    if up > 14 and across > 14:
        yield svg.element("path", class_="truth", d=f"M{n(left + across - 8)} {n(base)}v-8h8")


def _scale_bar(unit: str, scale: float, tv: float) -> Iterator[str]:
    step = nice_step(tv, 3)
    wide = svg.number(scale * step)
    yield svg.element("path", class_="truth", d=f"M14 268h{wide}m0 -5v10M14 263v10")
    yield svg.text(22 + scale * step, 272, _spread_told(unit, tv)(step), class_="t")


def _spread_told(unit: str, largest: float) -> Callable[[float], str]:
    """Return how a spread is written: in µm where all are small, to the place of the largest's third figure."""
    per, name = (1000.0, "µm") if unit == "mm" and largest < _MOST_IN_MICRO else (1.0, unit_said(unit))
    place = decimals_of(largest * per, 3)
    return lambda value: f"{fixed(value * per, place)} {name}".strip()


def _spreads_said(study: RrStudy) -> str:
    rules = "the parts do, and not the measuring" if study.pv.value > study.grr.value else "the measuring does"
    return f"Independent spreads add like the sides of a right triangle, so the longest side rules: here {rules}."


def _readings_said(study: RrStudy) -> str:
    names = " and ".join(study.factors)
    if not names:
        return "Each column is a part, each dot a reading; the bar is their mean."
    return f"Each column is a part; bars are the means under each {names}. Level bars: {names} does not matter."


# --- figures against what was asked ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Held:
    """A figure with what was asked of it: at most, or at least, or neither; `rule`: what is good by common practice."""

    name: str
    figure: Figure
    unit: str = ""
    most: float | None = None
    least: float | None = None
    rule: float | None = None


def held_of(kind: str, outcome: Mapping[str, Any]) -> Iterator[Held]:
    """Yield the figures by which a study is held; none of one that cannot be taken up again."""
    if kind not in _HELD:
        return
    try:
        yield from _HELD[kind](outcome)
    except (KeyError, UnusableDocument):
        return


def against(held: Sequence[Held]) -> str:
    """Return the figures with their intervals, those of one unit on one axis, what is not acceptable hatched."""
    groups: dict[tuple[str, bool], list[Held]] = {}
    for one in held:
        groups.setdefault((one.unit, one.least is not None), []).append(one)
    tall = 70.0 + 46.0 * max(map(len, groups.values()))
    each = 800.0 / len(groups)
    drawn: list[str] = []
    for k, ((unit, _), own) in enumerate(groups.items()):
        drawn += _group(own, unit, k * each, (k + 1) * each, tall)
    return standing_alone(800.0, tall + 40, "Figures with their intervals against what was asked", *drawn)


def _group(held: Sequence[Held], unit: str, left: float, right: float, tall: float) -> Iterator[str]:
    n, start, end = svg.number, left + 178.0, right - 64.0
    limits = [v for one in held for v in (one.most, one.least, one.rule) if v is not None]
    ends = [v for one in held for v in (one.figure.value, one.figure.high) if math.isfinite(v)]
    low = min([0.0, *(one.figure.low for one in held if math.isfinite(one.figure.low))])
    x = Axis(low, 1.12 * max([*limits, *ends, 1e-12]), start, end)
    most, least = (next((v for one in held if (v := getattr(one, key)) is not None), None) for key in ("most", "least"))
    if most is not None:
        yield _bad(x.at(most), end, tall)
    if least is not None:
        yield _bad(start, x.at(least), tall)
    last = -math.inf
    for value, words in sorted(_posts(held, most, least)):
        at = x.at(value)
        yield svg.element("path", class_="post", d=f"M{n(at)} 30V{n(tall)}", stroke_dasharray="4 3")
        # Beside each other where both words have room, else the one to its left and the other to its right.
        is_near = at - last < 76
        yield svg.text(at + (3 if is_near else -3), 22, words, class_="t over" if is_near else "t end over")
        last = at
    yield svg.element("path", class_="caps", d=f"M{n(start)} {n(tall)}H{n(end)}")
    for value in x.ticks():
        yield svg.element("path", class_="caps", d=f"M{n(x.at(value))} {n(tall)}v5")
        yield svg.text(x.at(value), tall + 18, f"{value:.6g}".replace("-", "−"), class_="t quiet middle")
    yield svg.text(end, tall + 34, "per cent" if unit.strip() == "%" else unit_said(unit), class_="t quiet end")
    for k, one in enumerate(held):
        yield from _bar(one, x, 58.0 + 46.0 * k, left)


def _bad(start: float, end: float, tall: float) -> str:
    return svg.element(
        "rect", x=start, y=30, width=max(end - start, 0.0), height=tall - 30, fill="url(#guard)", opacity=0.5
    )


def _posts(held: Sequence[Held], most: float | None, least: float | None) -> Iterator[tuple[float, str]]:
    if most is not None:
        yield most, f"{most:g}: at most"
    if least is not None:
        yield least, f"{least:g}: at least"
    rule = next((one.rule for one in held if one.rule is not None), None)
    if rule is not None and rule != most:
        yield rule, f"{rule:g}: good"


def _bar(one: Held, x: Axis, y: float, left: float) -> Iterator[str]:
    n, figure = svg.number, one.figure
    low = x.at(figure.low) if math.isfinite(figure.low) else x.start
    is_open = not math.isfinite(figure.high) or figure.high > x.high
    high = x.end if is_open else x.at(figure.high)
    yield svg.text(left + 6, y + 4, one.name, class_="t strong")
    yield svg.element("path", class_="whisker thick", d=f"M{n(low)} {n(y)}H{n(high)}")
    if is_open:
        yield svg.element("path", class_="pointer", d=f"M{n(high + 8)} {n(y)}l-8 -5v10z")
    if math.isfinite(figure.value):
        yield svg.element("path", class_="pointer", d=f"M{n(x.at(figure.value))} {n(y - 3)}l-5 -9h10z")
    place = decimals_of(abs(figure.value), 3) if math.isfinite(figure.value) else 0
    said = fixed(figure.value, place) if math.isfinite(figure.value) else "none"
    yield svg.text(high + (14 if is_open else 7), y + 4, said, class_="t strong over")


def _held_said(held: Sequence[Held]) -> str:
    own = [one for one in held if one.unit == held[0].unit]  # groups told apart are a rule of thumb
    asked = [one for one in own if one.most is not None or one.least is not None]
    if not asked:
        return "Nothing was asked of these figures; the bar is the 95 % interval, the pointer the estimate."
    bad = [one for one in asked if not _keeps(one, worst=False)]
    if bad:
        return f"{bad[0].name}: the estimate itself is not acceptable."
    open_ = [one for one in asked if not _keeps(one, worst=True)]
    if open_:
        return f"{open_[0].name}: the estimate is inside the limit and the interval is not."
    return "Every interval is inside its limit: what was asked is shown."


def _keeps(one: Held, *, worst: bool) -> bool:
    if one.most is not None:
        return (one.figure.high if worst else one.figure.value) <= one.most
    return one.least is None or (one.figure.low if worst else one.figure.value) >= one.least


def _of_100(figure: Figure) -> Figure:
    return Figure(100 * figure.value, 100 * figure.low, 100 * figure.high)


def _rate(rate: Rate) -> Figure:
    """Return a rate in per cent, from its estimate to its one-sided bounds, which it is held by."""
    value = math.nan if rate.value is None else rate.value
    return _of_100(Figure(value, rate.at_least, rate.at_most))


def _share(most: float | None) -> float | None:
    return None if most is None else 100 * most


def _size(figure: Figure) -> Figure:
    """Return how far something is off, whichever way."""
    low, high = sorted((abs(figure.low), abs(figure.high)))
    return Figure(abs(figure.value), 0.0 if figure.low <= 0 <= figure.high else low, high)


def _rr(outcome: Mapping[str, Any]) -> Iterator[Held]:
    study = revived(RrStudy, outcome)
    of_tolerance = study.share_of_tolerance
    if of_tolerance is not None:
        yield Held("Measuring, of the tolerance", _of_100(of_tolerance), "%", _share(study.most), rule=10.0)
    most = None if of_tolerance is not None else _share(study.most)
    yield Held("Measuring, of all that is seen", _of_100(study.share_of_total), "%", most, rule=10.0)
    yield Held("Groups told apart", study.categories, "groups of parts", least=float(FEWEST_CATEGORIES))


def _type1(outcome: Mapping[str, Any]) -> Iterator[Held]:
    study = revived(Type1Study, outcome)
    yield Held("Cg", study.cg, least=study.least)
    yield Held("Cgk", study.cgk, least=study.least)


def _linearity(outcome: Mapping[str, Any]) -> Iterator[Held]:
    study = revived(LinearityStudy, outcome)
    yield Held("Largest bias", _size(study.largest), study.unit, study.most)


def _stability(outcome: Mapping[str, Any]) -> Iterator[Held]:
    study = revived(StabilityStudy, outcome)
    yield Held("Drift over the study", _size(study.drift), study.unit, study.most)


def _capability(outcome: Mapping[str, Any]) -> Iterator[Held]:
    study = revived(CapabilityStudy, outcome)
    for name, one in (("Q of the system", study.system), ("Q of the process", study.process)):
        if one is not None:
            yield Held(name, _of_100(one.q), "%", _share(one.most))


def _trial(outcome: Mapping[str, Any]) -> Iterator[Held]:
    study = revived(TrialStudy, outcome)
    asked = {one.name: one.most for one in study.asked}
    bad, good = asked.get("share of bad parts that pass"), asked.get("share of good parts that do not pass")
    for name, unit, rate, most in (
        ("Bad parts that pass", "%", study.escapes, bad),
        ("Good parts that do not", "% ", study.false_rejects, good),
    ):
        if rate.n:
            yield Held(name, _rate(rate), unit, _share(most))


_HELD: Mapping[str, Callable[[Mapping[str, Any]], Iterator[Held]]] = {
    "rr": _rr,
    "type1": _type1,
    "linearity": _linearity,
    "stability": _stability,
    "capability": _capability,
    "trial": _trial,
}
