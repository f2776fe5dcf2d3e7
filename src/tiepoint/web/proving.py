"""Studies and requirements, as the acceptance report tells them too."""

from typing import Any

from tiepoint.station.claims import claims_now
from tiepoint.station.folder import Station
from tiepoint.station.kept import KeptStudy, kept_studies
from tiepoint.station.ledger import Ledger
from tiepoint.station.matrix import Line, in_all


def studies_told(station: Station, ledger: Ledger) -> dict[str, Any]:
    """Return all kept studies."""
    return {"studies": [_study(study) for study in kept_studies(station, ledger)]}


def _study(study: KeptStudy) -> dict[str, Any]:
    act, replaced = study.act, study.replaced
    return {
        "seq": act.seq, "written_utc": act.written_utc, "kind": study.kind, "of": study.of, "good": study.good,
        "who": str(act.body.get("who", "")), "fault": study.fault, "replaced": replaced and replaced.seq,
    }  # fmt: skip


def requirements_told(station: Station) -> dict[str, Any]:
    """Return every requirement that was agreed, and whether it is shown."""
    claims = claims_now(station)
    return {"says": in_all(claims.lines), "requirements": [_line(line) for line in claims.lines]}


def _line(line: Line) -> dict[str, Any]:
    asked, found = line.asked, line.found
    figure = found and {k: getattr(found, k) for k in ("name", "value", "low", "high", "unit")}
    return {
        "id": asked.id, "by": asked.by, "of": asked.of, "state": line.state, "why": line.why, "agreed": line.agreed.seq,
        "figure": figure, "study": line.study and line.study.act.seq, "more": line.more,
    }  # fmt: skip
