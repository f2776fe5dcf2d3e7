"""Which requirement is shown by what stands on record now, as the acceptance report decides it too."""

from collections.abc import Iterator

from tiepoint.station.accepted import pointers_of, preparation_of
from tiepoint.station.dates import data_from
from tiepoint.station.folder import Station
from tiepoint.station.kept import KeptStudy, kept_studies
from tiepoint.station.ledger import Ledger
from tiepoint.station.made import Made, made_of
from tiepoint.station.matrix import Known, Line, matrix
from tiepoint.station.requirements import ON_DUTY, agreed_requirements, agreed_since
from tiepoint.station.served import Served, Written, served_of


def proven(station: Station, ledger: Ledger) -> tuple[Line, ...]:
    """Return a line for each requirement that was agreed; none where nothing was. It reads every record."""
    agreed = agreed_requirements(station, ledger)
    if agreed is None:
        return ()
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
    return matrix(requirements.table.requirement, act, studies, known)


def _served(ledger: Ledger) -> Served | None:
    return served_of(ledger.entries("duty"), map(Written.of, ledger.entries("record")), ledger.entries("run"))


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
