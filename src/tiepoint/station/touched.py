"""A touch test as the plain data that a station keeps of it, and that `touch check --json` prints."""

import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tiepoint.documents.tables import read_numbers
from tiepoint.documents.values import value_document
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.folder import Station
from tiepoint.station.kept import keep_study
from tiepoint.station.ledger import Entry
from tiepoint.ties.grip import planar_robot_refusal
from tiepoint.ties.tie import Tie
from tiepoint.ties.touch import CheckedPoint, TouchCheck, check_touches

MOST_TOUCHES = 1000

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


# --- of a station ----------------------------------------------------------------------------------------------------


def touch_of(
    tie: Tie, tie_sha: str, text: str, tolerance_mm: float, u_mm: float | None, where: str = "the table"
) -> tuple[TouchCheck, dict[str, Any]]:
    """Judge a tie by the points of a table (from_x, from_y, to_x, to_y); return the test, and it as plain data."""
    if (said := planar_robot_refusal(tie)) is not None:
        raise UnusableInput(said)
    rows = read_numbers(text, ("from_x", "from_y", "to_x", "to_y"), where, MOST_TOUCHES).values
    found = check_touches(tie, [r[:2] for r in rows], [r[2:] for r in rows], tolerance_mm, u_mm)
    return found, touch_outcome(found, tie, tie_sha, u_mm)


def keep_touch(station: Station, of: str | None, outcome: Mapping[str, Any], text: str, *, who: str) -> Entry:
    """Keep a touch test with the table that it was made of, good or not; return the act of the ledger."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "touched.csv"
        path.write_text(text, encoding="utf-8")
        return keep_study(station, "touch", of, outcome, path, who=who)
