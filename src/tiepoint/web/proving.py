"""Studies and requirements, as the acceptance report tells them too: asked seldom, so worked out when asked."""

from collections.abc import Iterator
from typing import Any

from tiepoint.station.accepted import pointers_of, preparation_of
from tiepoint.station.dates import data_from
from tiepoint.station.folder import Station
from tiepoint.station.kept import KeptStudy, kept_studies
from tiepoint.station.ledger import Ledger
from tiepoint.station.made import Made, made_of
from tiepoint.station.matrix import Known, Line, in_all, matrix
from tiepoint.station.requirements import ON_DUTY, agreed_requirements, agreed_since
from tiepoint.station.served import Served, Written, served_of


def studies_told(station: Station, ledger: Ledger) -> dict[str, Any]:
    """Return all kept studies."""
    return {"studies": [_study(study) for study in kept_studies(station, ledger)]}


def _study(study: KeptStudy) -> dict[str, Any]:
    act, replaced = study.act, study.replaced
    return {
        "seq": act.seq, "written_utc": act.written_utc, "kind": study.kind, "of": study.of, "good": study.good,
        "who": str(act.body.get("who", "")), "fault": study.fault, "replaced": replaced and replaced.seq,
    }  # fmt: skip


def requirements_told(station: Station, ledger: Ledger) -> dict[str, Any]:
    """Return every requirement that was agreed, and whether it is shown."""
    agreed = agreed_requirements(station, ledger)
    if agreed is None:
        return {"says": "No requirement was agreed.", "requirements": []}
    requirements, act = agreed
    studies = tuple(kept_studies(station, ledger))
    taken = _taken(ledger, studies)
    known = Known(
        requirements.table.characteristic,
        agreed_since(station, ledger),
        lambda study: data_from(station, study, taken),
        list(_accepted(station)),
        _served(ledger) if any(asked.by in ON_DUTY for asked in requirements.table.requirement) else None,
    )
    lines = matrix(requirements.table.requirement, act, studies, known)
    return {"says": in_all(lines), "requirements": [_line(line) for line in lines]}


def _served(ledger: Ledger) -> Served | None:
    written = (
        Written(e.seq, e.body["shot"].get("taken_utc"), e.written_utc, e.body["verdict"])
        for e in ledger.entries("record")
    )
    return served_of(ledger.entries("duty"), written)


def _accepted(station: Station) -> Iterator[Made]:
    pointers = pointers_of(station)
    named = [(sha, variant) for variant, sha in pointers.by_variant.items()]
    for sha, variant in [*named, *((sha, None) for sha in pointers.by_recipe.values())]:
        yield from (made_of(job) for job in preparation_of(station, sha, variant).prepared().jobs.values())


def _taken(ledger: Ledger, studies: tuple[KeptStudy, ...]) -> dict[str, str]:
    """Return when pictures were taken, by their hash, as `taken_of` does for the report: the newest record's word."""
    if not any(study.kind == "trial" or study.document.get("data") for study in studies):
        return {}
    told: dict[str, str] = {}
    for entry in ledger.entries("record"):
        shot = entry.body["shot"]
        for picture in shot["pictures"]:
            told[picture["pixels_sha256"]] = shot.get("taken_utc") or entry.written_utc
    return told


def _line(line: Line) -> dict[str, Any]:
    asked, found = line.asked, line.found
    figure = found and {k: getattr(found, k) for k in ("name", "value", "low", "high", "unit")}
    return {
        "id": asked.id, "by": asked.by, "of": asked.of, "state": line.state, "why": line.why, "agreed": line.agreed.seq,
        "figure": figure, "study": line.study and line.study.act.seq, "more": line.more,
    }  # fmt: skip
