"""A touch test as the plain data that a station keeps of it, and that `touch check --json` prints."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from tiepoint.documents.values import value_document
from tiepoint.station.folder import Station
from tiepoint.ties.tie import Tie
from tiepoint.ties.touch import CheckedPoint, TouchCheck

BOTH_ENDS = 0.9
"""Confidence of both ends of the largest error together: each holds with 95 % alone."""


def touch_outcome(found: TouchCheck, tie: Tie, tie_sha: str, u_mm: float | None = None) -> dict[str, Any]:
    """Return a touch test of a tie as plain data.

    `tie_sha`: of the tie's document; another tie is not proved by it. `u_mm`: as it was stated; None where the tie's
    scatter stood in.
    """
    return {
        "tie_sha": tie_sha,
        "good": found.good,
        "holds": found.holds,
        "tolerance_mm": found.tolerance_mm,
        "u_touch_mm": found.u_touch_mm,
        "dof_touch": None if u_mm is not None or tie.quality is None else max(2 * tie.quality.n - 4, 2),
        "points": [_point(p) for p in found.points],
        "offset_mm": None if found.offset_mm is None else [value_document(v) for v in found.offset_mm],
        "turn_rad": None if found.turn_rad is None else value_document(found.turn_rad),
        "scale": None if found.scale is None else value_document(found.scale),
        "worst_mm": None if found.worst_mm is None else _ends(*found.worst_mm),
        "rms_mm": found.rms_mm if found.rms_mm >= 0 else None,
        "rest_rms_mm": found.rest_rms_mm,
        "hints": list(found.hints),
        "sentences": list(found.sentences),
    }


def keep_touched(station: Station, outcome: Mapping[str, Any], rows_mm: Sequence[Sequence[float]], *, who: str) -> int:
    """Keep a touch test as a study, with the table that it was made of; return the act's entry in the ledger."""
    from tiepoint.station.kept import keep_study

    lines = ["from_x,from_y,to_x,to_y", *(",".join(f"{v:.10g}" for v in row) for row in rows_mm), ""]
    with TemporaryDirectory() as folder:
        table = Path(folder) / "touched.csv"
        table.write_text("\n".join(lines), encoding="utf-8", newline="\n")
        return keep_study(station, "touch", None, outcome, table, who=who).seq


def _ends(value: float, low: float, high: float) -> dict[str, float]:
    return {"value": value, "low": low, "high": high, "confidence": BOTH_ENDS}


def _point(p: CheckedPoint) -> dict[str, Any]:
    return {
        "row": p.row,
        "plane_mm": list(p.plane_mm),
        "shown_mm": list(p.shown_mm),
        "expected_mm": None if p.expected_mm is None else list(p.expected_mm),
        "error_mm": None if p.error_mm is None else list(p.error_mm),
        "size_mm": p.size_mm,
        "verdict": p.verdict,
        "why": p.why or None,
    }
