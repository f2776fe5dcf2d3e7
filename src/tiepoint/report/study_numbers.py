"""What a study's figures are worked out from: its raw numbers in columns, and each figure by its place in the outcome.

The page of the acceptance report works the same figures out again from the same columns, by `formulas.js`, whose
results have the names of the study's own fields.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from tiepoint.documents.revived import revived
from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.rounding import MINUS, decimals_of, fixed
from tiepoint.report.pose_picture import pose_picture
from tiepoint.report.proof_pictures import agreement_picture, capability_picture, lengths_picture
from tiepoint.report.risk_pictures import risk_curves
from tiepoint.report.study_pictures import linearity_picture, rr_picture, stability_picture, type1_picture
from tiepoint.report.trial_picture import margins
from tiepoint.studies.agreement import AgreementStudy
from tiepoint.studies.capability import KINDS, CapabilityStudy, Capable
from tiepoint.studies.figure import Figure
from tiepoint.studies.good_bad import GoodBadLimits
from tiepoint.studies.lengths import LengthsStudy
from tiepoint.studies.limits import LimitsStudy, share
from tiepoint.studies.linearity import LinearityStudy
from tiepoint.studies.measured import Measured
from tiepoint.studies.pose import PoseStudy
from tiepoint.studies.rates import Rate
from tiepoint.studies.rr import RrStudy
from tiepoint.studies.stability import StabilityStudy
from tiepoint.studies.trial import TrialStudy
from tiepoint.studies.type1 import Type1Study

Columns = Mapping[str, Sequence[Any]]


@dataclass(frozen=True, slots=True)
class Row:
    """A figure of a study: what it is, its value and the ends of its interval (None: open, or not told), its unit.

    `numbers`: those that can be worked out again, by their place in the formula's result. `asked`: what was asked for.
    `told`: what is to be said beside it. `said`: the value in words, where a number would not be understood.
    """

    name: str
    value: float | None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    numbers: Mapping[str, float] = field(default_factory=dict)
    asked: str = ""
    told: str = ""
    said: str = ""


@dataclass(frozen=True)
class Worked:
    """A study as the report has it: its figures, raw numbers (none: not kept with it), and its picture as SVG.

    `formula` with `inputs` works the figures out of the `columns`; None where the page has no formula for them.
    """

    rows: tuple[Row, ...]
    columns: Columns = field(default_factory=dict)
    formula: str | None = None
    inputs: Mapping[str, Any] = field(default_factory=dict)
    picture: str | None = None


def worked(kind: str, outcome: Mapping[str, Any]) -> Worked:
    """Return what the report shows of a kept study's outcome; figures alone where it cannot be taken up again."""
    try:
        return _KINDS[kind](outcome)
    except (KeyError, UnusableDocument):
        return Worked(tuple(_any_figures(outcome)))


def _any_figures(outcome: Mapping[str, Any], path: str = "") -> Iterator[Row]:
    """Yield every figure of an outcome that nothing more is known of."""
    for key, one in outcome.items():
        name = f"{path} {key}".strip().replace("_", " ")
        if isinstance(one, dict) and {"value", "low", "high"} <= one.keys():
            yield Row(name, one["value"], one["low"], one["high"])
        elif isinstance(one, dict) and not path:
            yield from _any_figures(one, key)


def of_all(part: float) -> str:
    """Return a share of parts or of a tolerance to three figures: in per cent, or of a million where it is small."""
    if part == 0:
        return "0 %"
    return f"{100 * part:.3g} %" if part >= 0.0005 else share(part)


# --- figures by their place ------------------------------------------------------------------------------------------


def _finite(numbers: Mapping[str, float | None]) -> dict[str, float]:
    return {path: float(v) for path, v in numbers.items() if v is not None and math.isfinite(v)}


def _row(name: str, path: str, figure: Figure, unit: str = "", asked: str = "", told: str = "") -> Row:
    ends = {end: getattr(figure, end) for end in ("value", "low", "high")}
    numbers = _finite({f"{path}.{end}": v for end, v in ends.items()})
    return Row(name, figure.value, figure.low, figure.high, unit, numbers, asked, told)


def _alone(name: str, path: str, value: float | None, unit: str = "", told: str = "") -> Row:
    return Row(name, value, unit=unit, numbers=_finite({path: value}), told=told)


def _to_place(value: float, scatter: float, unit: str) -> str:
    """Return a value to the place of the second figure of its scatter."""
    return f"{fixed(value, decimals_of(scatter))} {unit}".strip()


def _rate(name: str, path: str, rate: Rate, asked: str = "") -> Row:
    ends = {end: getattr(rate, end) for end in ("events", "n", "value", "low", "high", "at_least", "at_most")}
    numbers = _finite({f"{path}.{end}": v for end, v in ends.items()}) if rate.n else {}
    told = f"{rate.events} of {rate.n}, at most {100 * rate.at_most:.3g} % one-sided"
    return _of_100(Row(name, rate.value, rate.low, rate.high, "", numbers, asked, told))


def _of_100(row: Row) -> Row:
    """Return a row that holds a share in per cent; what is worked out again stays the share itself."""
    value, low, high = (None if v is None else 100 * v for v in (row.value, row.low, row.high))
    return replace(row, value=value, low=low, high=high, unit="%")


def _at_least(least: float | None) -> str:
    return "" if least is None else f"≥ {least:g}"


def _at_most(most: float | None, unit: str = "") -> str:
    return "" if most is None else f"≤ {most:g} {unit}".strip()


def _share(most: float | None) -> str:
    return "" if most is None else f"≤ {100 * most:.3g} %"


def _measured(data: Measured, *names: str) -> dict[str, Sequence[Any]]:
    """Return the columns of values, with where each stands."""
    columns: dict[str, Sequence[Any]] = {"where": data.where, "value": data.values.tolist()}
    columns |= {name: getattr(data, name) for name in names if getattr(data, name) is not None}
    return columns


# --- each kind of study ----------------------------------------------------------------------------------------------


def _type1(outcome: Mapping[str, Any]) -> Worked:
    study = revived(Type1Study, outcome)
    asked = _at_least(study.least)
    rows = (
        _row("Cg", "cg", study.cg, asked=asked),
        _row("Cgk", "cgk", study.cgk, asked=asked),
        _row("bias", "bias", study.bias, study.unit),
        _row("s, repeatability", "s", study.s, study.unit),
        replace(_alone("mean", "mean", study.mean), said=_to_place(study.mean, study.s.value, study.unit)),
        _alone("smallest tolerance that it is good for", "smallest_tolerance", study.smallest_tolerance, study.unit),
    )
    keys = ("tolerance", "reference", "u_reference", "share", "spread", "least")
    inputs = {key: getattr(study, key) for key in keys}
    return Worked(rows, {"value": study.values.tolist()}, "type1", inputs, type1_picture(study))


def _rr(outcome: Mapping[str, Any]) -> Worked:
    study = revived(RrStudy, outcome)
    of_tolerance, asked = study.share_of_tolerance, _share(study.most)
    of_variation = "" if of_tolerance else asked
    rows = [
        _row(
            f"spread by {c.name}",
            f"components.{k}.sd",
            c.sd,
            study.unit,
            told=f"{100 * c.share_of_variance:.3g} % of the variance",
        )
        for k, c in enumerate(study.components)
    ]
    rows += [
        _row("EV, repeatability", "ev", study.ev, study.unit),
        *([] if study.av is None else [_row("AV, factors", "av", study.av, study.unit)]),
        _row("GRR, all of measuring", "grr", study.grr, study.unit),
        _row("PV, parts", "pv", study.pv, study.unit),
        _row("TV, all", "tv", study.tv, study.unit),
        _of_100(_row("GRR of the variation", "share_of_total", study.share_of_total, asked=of_variation)),
        _row("ndc, groups of parts told apart, not rounded", "categories", study.categories),
    ]  # fmt: skip
    if of_tolerance is not None:
        rows.append(_of_100(_row("GRR of the tolerance", "share_of_tolerance", of_tolerance, asked=asked)))
    factors = list(study.factors)
    columns = {**_measured(study.data, "part", "trial"), **study.data.factors}
    inputs = {
        "factors": factors,
        "every": [1 + factors.index(name) for name in study.every],
        "tolerance": study.tolerance,
        "spread": study.spread,
    }
    inputs |= {"pool": study.pool, "pool_above": study.pool_above}
    return Worked(tuple(rows), columns, "rr", inputs, rr_picture(study))


def _linearity(outcome: Mapping[str, Any]) -> Worked:
    study = revived(LinearityStudy, outcome)
    own = study.u_own is not None and bool(study.u_own.any())
    rows = [
        _row("largest bias in the range", "largest", study.largest, study.unit, _at_most(study.most, study.unit)),
        _row("slope", "slope", study.slope),
        _row("bias at 0", "intercept", study.intercept, study.unit),
        _alone("s within a reference" if own else "s about the line", "s", study.s, study.unit),
        _alone("R²", "r_squared", study.r_squared),
    ]
    rows += [_row(f"bias at {a.reference:g}", f"at.{k}.bias", a.bias, study.unit) for k, a in enumerate(study.at)]
    # Kept as biases: a value is its reference and its bias.
    columns = {"reference": study.references.tolist(), "value": (study.references + study.biases).tolist()}
    if study.u_own is not None and own:
        columns["u_reference"] = study.u_own.tolist()
    return Worked(tuple(rows), columns, "linearity", {"u_reference": study.u_reference}, linearity_picture(study))


def _stability(outcome: Mapping[str, Any]) -> Worked:
    study = revived(StabilityStudy, outcome)
    last, sigma, end = len(study.labels) - 1, float(study.sigma[0]), float(study.averages[-1])
    rows = [
        _row("drift from first to last", "drift", study.drift, study.unit, _at_most(study.most, study.unit)),
        replace(_alone("centre", "centre", study.centre), said=_to_place(study.centre, sigma, study.unit)),
        _alone("σ of the first point", "sigma.0", sigma, study.unit),
        replace(_alone("weighted average at the end", f"averages.{last}", end), said=_to_place(end, sigma, study.unit)),
        _alone("its standard deviation", f"spreads.{last}", float(study.spreads[-1]), study.unit),
        _alone("alarms", "alarms", len(study.alarms)),
    ]
    shifts = ("none", "half a σ", "one σ")
    rows += [_alone(f"points until an alarm, shift {s}", f"runs.{k}", study.runs[k]) for k, s in enumerate(shifts)]
    columns = _measured(study.data, "reference")
    if study.grouped_by is not None:
        columns["set"] = study.data.factors[study.grouped_by]
    inputs = {"base": study.base, "centre": study.centre if study.centre_given else None}
    inputs |= {"weight": study.weight, "width": study.width}
    return Worked(tuple(rows), columns, "stability", inputs, stability_picture(study))


def _lengths(outcome: Mapping[str, Any]) -> Worked:
    study = revived(LengthsStudy, outcome)
    worst = float(study.errors[study.worst])
    asked = "" if study.allowed is None else _at_most(float(study.allowed[study.worst]), study.unit)
    n = len(study.errors)
    rows = [Row("worst error", worst, unit=study.unit, numbers={"worst_error": worst}, asked=asked)]
    rows += [_row("largest error, without its sign", "largest", study.largest, study.unit)]
    if study.within is not None and study.shown is not None:
        rows += [_alone("errors that keep the maximum", "within", study.within, told=f"of {n}")]
        rows += [_alone("… whatever the test's own u", "shown", study.shown, told=f"of {n}")]
    if study.scale is not None and study.offset is not None:
        rows += [_row("error per length", "scale", study.scale), _row("error at 0", "offset", study.offset, study.unit)]
    for k, place in enumerate(study.places):
        numbers = {f"places.{k}.mean": place.mean, f"places.{k}.largest": place.largest}
        told = f"largest {f'{place.largest:+.3g}'.replace('-', MINUS)}, {place.n} lengths"
        name = f"mean error, {place.by} {place.level}"
        rows.append(Row(name, place.mean, unit=study.unit, numbers=numbers, told=told))
    data = study.data
    columns: dict[str, Sequence[Any]] = {
        "position": data.position, "orientation": data.orientation, "height": data.height,
        "known": data.known.tolist(), "measured": data.measured.tolist(), "u": data.u.tolist(),
    }  # fmt: skip
    if study.allowed is not None:
        columns["allowed"] = study.allowed.tolist()
    return Worked(tuple(rows), columns, "lengths", {}, lengths_picture(study))


def _agreement(outcome: Mapping[str, Any]) -> Worked:
    study = revived(AgreementStudy, outcome)
    asked = {a.name: _share(a.most) for a in study.asked}
    rows: list[Row] = []
    if study.misses is not None and study.false_alarms is not None:
        rows += [_rate("misses", "misses", study.misses, asked.get("miss rate", ""))]
        rows += [_rate("false alarms", "false_alarms", study.false_alarms, asked.get("false alarm rate", ""))]
        rows += [_rate(f"wrong of {c.name}", f"classes.{k}.wrong", c.wrong) for k, c in enumerate(study.classes)]
    if study.kappa is not None:
        rows += [_row("κ, agreement beyond chance", "kappa", study.kappa)]
    if study.same is not None:
        rows += [_rate("parts on which all repeats agree", "same", study.same)]
    names = {"part": "part", "truth": "truth", "said": "said", "rater": "by"}
    columns = {told: [getattr(d, name) for d in study.said] for name, told in names.items()}
    rates = [r for r in (study.misses, study.same) if r is not None]
    inputs = {"confidence": rates[0].confidence if rates else 0.95, "prevalence": None}
    return Worked(tuple(rows), columns, "agreement", inputs, agreement_picture(study))


def _capability(outcome: Mapping[str, Any]) -> Worked:
    study = revived(CapabilityStudy, outcome)
    rows = [*_capable("MS, measuring system", "system", study.system, study.unit)]
    if study.process is not None:
        rows += _capable("MP, measuring process", "process", study.process, study.unit)
    kinds = [KINDS[row.kind] for row in study.rows]
    columns: dict[str, Sequence[Any]] = {
        "cause": [row.name for row in study.rows],
        "u": [row.u for row in study.rows],
        "dof": [row.dof if math.isfinite(row.dof) else None for row in study.rows],
        "acts": ["system" if kind.in_system else "process" for kind in kinds],
        "group": [kind.group for kind in kinds],
    }
    inputs = {"tolerance": study.tolerance, "most_system": study.system.most}
    inputs["most_process"] = None if study.process is None else study.process.most  # type: ignore[assignment]  # null
    return Worked(tuple(rows), columns, "capability", inputs, capability_picture(study))


def _capable(name: str, path: str, one: Capable, unit: str) -> Iterator[Row]:
    yield _of_100(_row(f"Q_{name}", f"{path}.q", one.q, asked=_share(one.most)))
    yield _alone(f"u_{name}", f"{path}.u", one.u, unit)
    yield _row(
        f"smallest tolerance, {name.partition(',')[0]}", f"{path}.smallest_tolerance", one.smallest_tolerance, unit
    )


def _trial(outcome: Mapping[str, Any]) -> Worked:
    study = revived(TrialStudy, outcome)
    asked = {a.name: _share(a.most) for a in study.asked}
    rows = [_rate("bad parts that pass", "escapes", study.escapes, asked.get("share of bad parts that pass", ""))]
    due = asked.get("share of good parts that do not pass", "")
    rows += [_rate("good parts that do not pass", "false_rejects", study.false_rejects, due)]
    rows += [
        _rate(f"wrong of {c.name} ({c.truth})", f"classes.{k}.wrong", c.wrong) for k, c in enumerate(study.classes)
    ]
    worst = [p.worst for p in study.parts]
    columns: dict[str, Sequence[Any]] = {
        "part": [w.part for w in worst], "truth": [w.truth for w in worst], "class": [w.kind for w in worst],
        "verdict": [w.verdict for w in worst], "margin in u": [w.margin for w in worst],
        "nearest limit": [w.nearest for w in worst], "picture's pixels": [" ".join(w.pictures) for w in worst],
    }  # fmt: skip
    return Worked(tuple(rows), columns, "trial", {"confidence": study.escapes.confidence}, margins(study))


def _limits(outcome: Mapping[str, Any]) -> Worked:
    if "n_good" in outcome:
        return _good_bad(outcome)
    study = revived(LimitsStudy, outcome)
    rows = [
        *([] if study.by_rule is None else [Row("guard band by the rule", study.by_rule.guard)]),
        *([] if study.by_risks is None else [Row("guard band by the agreed risks", study.by_risks.guard)]),
    ]
    each = (("at the limits", study.without_guard), ("by the rule", study.by_rule), ("as agreed", study.by_risks))
    for name, placed in each:
        if placed is not None:
            average, worst = (r.carried(study.undecided) for r in (placed.risks.average, placed.risks.worst))
            for what, mean, most in zip(("bad and accepted", "good and not"), average, worst, strict=True):
                told = f"95 %-worst station: {of_all(most)}"
                rows.append(Row(f"{what}, {name}", mean, told=told, said=of_all(mean)))
    return Worked(tuple(rows), picture=risk_curves(study, str(outcome.get("unit", "mm"))))


def _good_bad(outcome: Mapping[str, Any]) -> Worked:
    study = revived(GoodBadLimits, outcome)
    unit = str(outcome.get("unit", ""))
    rows = [Row(f"{side} limit", value, unit=unit) for side, value in (("lower", study.lower), ("upper", study.upper))]
    rows = [row for row in rows if row.value is not None]
    beyond = f"{study.good_lost} of {study.n_good} beyond"
    rows.append(_of_100(Row("good parts within, at least", study.good_kept, told=beyond)))
    if study.escapes is None:
        return Worked(tuple(rows))
    found = study.escapes
    row = _rate("bad parts within", "", found)
    rows.append(replace(row, numbers={path.lstrip("."): v for path, v in row.numbers.items()}))
    return Worked(
        tuple(rows), formula="rate", inputs={"events": found.events, "n": found.n, "confidence": found.confidence}
    )


def _pose(outcome: Mapping[str, Any]) -> Worked:
    study = revived(PoseStudy, outcome)
    rows = []
    for pose in study.poses:
        told = f"{pose.n} cycles"
        rows.append(Row(f"RP, pose {pose.name}", pose.rp.value, pose.rp.low, pose.rp.high, "mm", told=told))
        if pose.ap is None:
            rows.append(Row(f"AP, pose {pose.name}", None, told="it was not commanded"))
        else:
            rows.append(Row(f"AP, pose {pose.name}", pose.ap.value, pose.ap.low, pose.ap.high, "mm", told=told))
    return Worked(tuple(rows), picture=pose_picture(study))


def _touch(outcome: Mapping[str, Any]) -> Worked:
    points = outcome["points"]
    asked = _at_most(outcome["tolerance_mm"], "mm")
    rows = []
    if (worst := outcome.get("worst_mm")) is not None:
        numbers = {"worst": float(worst["value"])}
        ends = worst["value"], worst["low"], worst["high"]
        rows.append(Row("largest error", *ends, unit="mm", numbers=numbers, asked=asked))
    rows.append(_alone("rms of the errors", "rms", outcome["rms_mm"], "mm"))
    for k, point in enumerate(points):
        size, told = point["size_mm"], point["verdict"] or point["why"] or ""
        rows.append(_alone(f"error at point {point['row']}", f"sizes.{k}", size, "mm", told))
    columns: dict[str, list[Any]] = {"point": [p["row"] for p in points], "verdict": [p["verdict"] for p in points]}
    for name in ("plane", "expected", "shown"):
        for k, axis in enumerate("xy"):
            columns[f"{name} {axis}"] = [None if p[f"{name}_mm"] is None else p[f"{name}_mm"][k] for p in points]
    return Worked(tuple(rows), columns, "touch")


_KINDS: Mapping[str, Callable[[Mapping[str, Any]], Worked]] = {
    "type1": _type1,
    "rr": _rr,
    "linearity": _linearity,
    "stability": _stability,
    "lengths": _lengths,
    "agreement": _agreement,
    "capability": _capability,
    "trial": _trial,
    "limits": _limits,
    "pose": _pose,
    "touch": _touch,
}
