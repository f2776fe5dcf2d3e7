"""What a study's figures are worked out from: its raw numbers in columns, and each figure by its place in the outcome.

The page of the acceptance report works the same figures out again from the same columns, by `formulas.js`, whose
results have the names of the study's own fields.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from tiepoint.documents.revived import revived
from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.rounding import decimals_of, fixed
from tiepoint.report.proof_pictures import agreement_picture, capability_picture, lengths_picture
from tiepoint.report.risk_numbers import limits_numbers
from tiepoint.report.robot_numbers import pose_numbers, touch_numbers
from tiepoint.report.study_pictures import linearity_picture, rr_picture, stability_picture, type1_picture
from tiepoint.report.study_rows import Row, Worked, alone, at_least, at_most, figure_row, of_100, rate_row, share_asked
from tiepoint.report.trial_picture import margins
from tiepoint.studies.agreement import AgreementStudy
from tiepoint.studies.capability import KINDS, CapabilityStudy, Capable
from tiepoint.studies.lengths import LengthsStudy
from tiepoint.studies.linearity import LinearityStudy
from tiepoint.studies.measured import Measured
from tiepoint.studies.rr import RrStudy
from tiepoint.studies.stability import StabilityStudy
from tiepoint.studies.trial import TrialStudy
from tiepoint.studies.type1 import Type1Study
from tiepoint.studies.wording import per_cent, signed, unit_said


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


def _to_place(value: float, scatter: float, unit: str) -> str:
    """Return a value to the place of the second figure of its scatter."""
    return f"{fixed(value, decimals_of(scatter))} {unit_said(unit)}".strip()


def _measured(data: Measured, *names: str) -> dict[str, Sequence[Any]]:
    """Return the columns of values, with where each stands."""
    columns: dict[str, Sequence[Any]] = {"where": data.where, "value": data.values.tolist()}
    columns |= {name: getattr(data, name) for name in names if getattr(data, name) is not None}
    return columns


# --- each kind of study ----------------------------------------------------------------------------------------------


def _type1(outcome: Mapping[str, Any]) -> Worked:
    study = revived(Type1Study, outcome)
    asked = at_least(study.least)
    rows = (
        figure_row("Cg", "cg", study.cg, asked=asked),
        figure_row("Cgk", "cgk", study.cgk, asked=asked),
        figure_row("bias", "bias", study.bias, study.unit),
        figure_row("s, repeatability", "s", study.s, study.unit),
        replace(alone("mean", "mean", study.mean), said=_to_place(study.mean, study.s.value, study.unit)),
        alone("smallest tolerance that it is good for", "smallest_tolerance", study.smallest_tolerance, study.unit),
    )
    keys = ("tolerance", "reference", "u_reference", "share", "spread", "least")
    inputs = {key: getattr(study, key) for key in keys}
    return Worked(rows, {"value": study.values.tolist()}, "type1", inputs, type1_picture(study))


def _rr(outcome: Mapping[str, Any]) -> Worked:
    study = revived(RrStudy, outcome)
    of_tolerance, asked = study.share_of_tolerance, share_asked(study.most)
    of_variation = "" if of_tolerance else asked
    rows = [
        figure_row(
            f"spread by {c.name}",
            f"components.{k}.sd",
            c.sd,
            study.unit,
            told=f"{per_cent(c.share_of_variance)} of the variance",
        )
        for k, c in enumerate(study.components)
    ]
    rows += [
        figure_row("EV, repeatability", "ev", study.ev, study.unit),
        *([] if study.av is None else [figure_row("AV, factors", "av", study.av, study.unit)]),
        figure_row("GRR, all of measuring", "grr", study.grr, study.unit),
        figure_row("PV, parts", "pv", study.pv, study.unit),
        figure_row("TV, all", "tv", study.tv, study.unit),
        of_100(figure_row("GRR of the variation", "share_of_total", study.share_of_total, asked=of_variation)),
        figure_row("ndc, groups of parts told apart, not rounded", "categories", study.categories),
    ]  # fmt: skip
    if of_tolerance is not None:
        rows.append(of_100(figure_row("GRR of the tolerance", "share_of_tolerance", of_tolerance, asked=asked)))
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
        figure_row("largest bias in the range", "largest", study.largest, study.unit, at_most(study.most, study.unit)),
        figure_row("slope", "slope", study.slope),
        figure_row("bias at 0", "intercept", study.intercept, study.unit),
        alone("s within a reference" if own else "s about the line", "s", study.s, study.unit),
        alone("R²", "r_squared", study.r_squared),
    ]
    rows += [figure_row(f"bias at {a.reference:g}", f"at.{k}.bias", a.bias, study.unit) for k, a in enumerate(study.at)]
    # Kept as biases: a value is its reference and its bias.
    columns = {"reference": study.references.tolist(), "value": (study.references + study.biases).tolist()}
    if study.u_own is not None and own:
        columns["u_reference"] = study.u_own.tolist()
    return Worked(tuple(rows), columns, "linearity", {"u_reference": study.u_reference}, linearity_picture(study))


def _stability(outcome: Mapping[str, Any]) -> Worked:
    study = revived(StabilityStudy, outcome)
    last, sigma, end = len(study.labels) - 1, float(study.sigma[0]), float(study.averages[-1])
    rows = [
        figure_row("drift from first to last", "drift", study.drift, study.unit, at_most(study.most, study.unit)),
        replace(alone("centre", "centre", study.centre), said=_to_place(study.centre, sigma, study.unit)),
        alone("σ of the first point", "sigma.0", sigma, study.unit),
        replace(alone("weighted average at the end", f"averages.{last}", end), said=_to_place(end, sigma, study.unit)),
        alone("its standard deviation", f"spreads.{last}", float(study.spreads[-1]), study.unit),
        alone("alarms", "alarms", len(study.alarms)),
    ]
    shifts = ("none", "half a σ", "one σ")
    rows += [alone(f"points until an alarm, shift {s}", f"runs.{k}", study.runs[k]) for k, s in enumerate(shifts)]
    columns = _measured(study.data, "reference")
    if study.grouped_by is not None:
        columns["set"] = study.data.factors[study.grouped_by]
    inputs = {"base": study.base, "centre": study.centre if study.centre_given else None}
    inputs |= {"weight": study.weight, "width": study.width}
    return Worked(tuple(rows), columns, "stability", inputs, stability_picture(study))


def _lengths(outcome: Mapping[str, Any]) -> Worked:
    study = revived(LengthsStudy, outcome)
    worst = float(study.errors[study.worst])
    asked = "" if study.allowed is None else at_most(float(study.allowed[study.worst]), study.unit)
    n = len(study.errors)
    rows = [Row("worst error", worst, unit=study.unit, numbers={"worst_error": worst}, asked=asked)]
    rows += [figure_row("largest error, without its sign", "largest", study.largest, study.unit)]
    if study.within is not None and study.shown is not None:
        rows += [alone("errors that keep the maximum", "within", study.within, told=f"of {n}")]
        rows += [alone("… whatever the test's own u", "shown", study.shown, told=f"of {n}")]
    if study.scale is not None and study.offset is not None:
        rows += [
            figure_row("error per length", "scale", study.scale),
            figure_row("error at 0", "offset", study.offset, study.unit),
        ]
    for k, place in enumerate(study.places):
        numbers = {f"places.{k}.mean": place.mean, f"places.{k}.largest": place.largest}
        told = f"largest {signed(place.largest)}, {place.n} lengths"
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
    asked = {a.name: share_asked(a.most) for a in study.asked}
    rows: list[Row] = []
    if study.misses is not None and study.false_alarms is not None:
        rows += [rate_row("misses", "misses", study.misses, asked.get("miss rate", ""))]
        rows += [rate_row("false alarms", "false_alarms", study.false_alarms, asked.get("false alarm rate", ""))]
        rows += [rate_row(f"wrong of {c.name}", f"classes.{k}.wrong", c.wrong) for k, c in enumerate(study.classes)]
    if study.kappa is not None:
        rows += [figure_row("κ, agreement beyond chance", "kappa", study.kappa)]
    if study.same is not None:
        rows += [rate_row("parts on which all repeats agree", "same", study.same)]
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
    yield of_100(figure_row(f"Q_{name}", f"{path}.q", one.q, asked=share_asked(one.most)))
    yield alone(f"u_{name}", f"{path}.u", one.u, unit)
    yield figure_row(
        f"smallest tolerance, {name.partition(',')[0]}", f"{path}.smallest_tolerance", one.smallest_tolerance, unit
    )


def _trial(outcome: Mapping[str, Any]) -> Worked:
    study = revived(TrialStudy, outcome)
    asked = {a.name: share_asked(a.most) for a in study.asked}
    rows = [rate_row("bad parts that pass", "escapes", study.escapes, asked.get("share of bad parts that pass", ""))]
    due = asked.get("share of good parts that do not pass", "")
    rows += [rate_row("good parts that do not pass", "false_rejects", study.false_rejects, due)]
    rows += [
        rate_row(f"wrong of {c.name} ({c.truth})", f"classes.{k}.wrong", c.wrong) for k, c in enumerate(study.classes)
    ]
    worst = [p.worst for p in study.parts]
    columns: dict[str, Sequence[Any]] = {
        "part": [w.part for w in worst], "truth": [w.truth for w in worst], "class": [w.kind for w in worst],
        "verdict": [w.verdict for w in worst], "margin in u": [w.margin for w in worst],
        "nearest limit": [w.nearest for w in worst], "picture's pixels": [" ".join(w.pictures) for w in worst],
    }  # fmt: skip
    return Worked(tuple(rows), columns, "trial", {"confidence": study.escapes.confidence}, margins(study))


_KINDS: Mapping[str, Callable[[Mapping[str, Any]], Worked]] = {
    "type1": _type1,
    "rr": _rr,
    "linearity": _linearity,
    "stability": _stability,
    "lengths": _lengths,
    "agreement": _agreement,
    "capability": _capability,
    "trial": _trial,
    "limits": limits_numbers,
    "pose": pose_numbers,
    "touch": touch_numbers,
}
