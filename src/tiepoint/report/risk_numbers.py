"""What is worked out again of limits with a known risk: the risks, and of a table of readings how the parts vary."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from tiepoint.documents.revived import revived
from tiepoint.foundation.units import to_unit
from tiepoint.model.decide import ISO, SIMPLE, Limits, guard_mm
from tiepoint.report.risk_pictures import risk_curves
from tiepoint.report.study_rows import Row, Worked, alone, finite, of_100, of_all, rate_row
from tiepoint.studies.good_bad import GoodBadLimits
from tiepoint.studies.limits import LimitsStudy, Placed
from tiepoint.studies.risks import RISKS_OF, Normal, StationRisks


def limits_as_plain(limits: Limits, unit: str) -> dict[str, Any]:
    """Return limits as the page's formulas take them, a guard band of fixed length in the unit of the limits."""
    guard = 0.0 if limits.rule in (ISO, SIMPLE) else to_unit(guard_mm(limits.rule), unit)
    return {"lower": limits.lower, "upper": limits.upper, "rule": limits.rule, "p": limits.p, "guard": guard}


def limits_numbers(outcome: Mapping[str, Any]) -> Worked:
    """Return guard bands with their risks."""
    if "n_good" in outcome:
        return _good_bad(outcome)
    study = revived(LimitsStudy, outcome)
    rows, parts = list(_guards(study)), study.spread.parts
    each = (("without_guard", "at the limits", study.without_guard), ("by_rule", "by the rule", study.by_rule))
    for path, name, placed in (*each, ("by_risks", "as agreed", study.by_risks)):
        if placed is not None:
            rows += _risks(study, path, name, placed)
    columns = {"value": study.readings.tolist()} if study.readings is not None and _is_of_readings(study) else {}
    if columns and isinstance(parts, Normal):
        rows += [alone("mean of the parts", "spread.parts.mean", parts.mean, study.unit)]
        rows += [alone("spread of the parts", "spread.parts.sd", parts.sd, study.unit)]
        rows += [alone("… at most (95 %)", "spread.sd_high", study.spread.sd_high, study.unit)]
    return Worked(tuple(rows), columns, "limits", _inputs(study), risk_curves(study, study.unit))


def _guards(study: LimitsStudy) -> Iterator[Row]:
    if study.by_rule is not None:
        yield alone("guard band by the rule", "by_rule.guard", study.by_rule.guard, study.unit)
    if study.by_risks is not None:
        yield Row("guard band by the agreed risks", study.by_risks.guard, unit=study.unit)


def _risks(study: LimitsStudy, path: str, name: str, placed: Placed) -> Iterator[Row]:
    """Yield both risks at a guard band; those that a requirement is held by are worked out again too."""
    for which, what in enumerate(("bad and accepted", "good and not")):
        key = RISKS_OF[study.undecided][which]
        stations: Mapping[str, StationRisks] = {"risks": placed.risks, "unfavourable": placed.unfavourable}
        numbers = {
            f"{path}.{where}.{one}.{key}": float(getattr(getattr(of, one), key))
            for where, of in stations.items()
            for one in ("average", "no_error", "worst")
        }
        mean, most = (numbers[f"{path}.risks.{one}.{key}"] for one in ("average", "worst"))
        told = f"95 %-worst station: {of_all(most)}"
        yield Row(f"{what}, {name}", mean, numbers=finite(numbers), told=told, said=of_all(mean))


def _is_of_readings(study: LimitsStudy) -> bool:
    """Whether the parts' spread is that of the readings that are kept."""
    x, parts = study.readings, study.spread.parts
    if x is None or study.spread.n != x.size or not parts.read:
        return False
    if isinstance(parts, Normal):
        return math.isclose(parts.mean, float(x.mean()))
    return bool((x == parts.values).all())


def _inputs(study: LimitsStudy) -> dict[str, Any]:
    parts = study.spread.parts
    told: dict[str, Any] = {"values": None if isinstance(parts, Normal) else parts.values.tolist(), "read": parts.read}
    if isinstance(parts, Normal):
        told = {"mean": parts.mean, "sd": parts.sd, "read": parts.read}
    return {
        "limits": limits_as_plain(study.limits, study.unit),
        "u_own": study.u_own,
        "u_common": study.u_common,
        "dof": study.dof if math.isfinite(study.dof) else None,
        "parts": told,
        "sd_high": study.spread.sd_high,
        "by_rule": study.by_rule is not None,
        "by_risks": None if study.by_risks is None else study.by_risks.guard,
    }


def _good_bad(outcome: Mapping[str, Any]) -> Worked:
    study = revived(GoodBadLimits, outcome)
    unit = str(outcome.get("unit", ""))
    rows = [Row(f"{side} limit", value, unit=unit) for side, value in (("lower", study.lower), ("upper", study.upper))]
    rows = [row for row in rows if row.value is not None]
    beyond = f"{study.good_lost} of {study.n_good} beyond"
    rows.append(of_100(Row("good parts within, at least", study.good_kept, told=beyond)))
    if study.escapes is None:
        return Worked(tuple(rows))
    found = study.escapes
    row = rate_row("bad parts within", "", found)
    rows.append(replace(row, numbers={path.lstrip("."): v for path, v in row.numbers.items()}))
    return Worked(
        tuple(rows), formula="rate", inputs={"events": found.events, "n": found.n, "confidence": found.confidence}
    )
