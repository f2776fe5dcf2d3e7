"""What was agreed at a station, and which of it is shown now: by its ledger, accepted copies and kept studies."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from tiepoint.recipe.runner import Job
from tiepoint.station.accepted import Pointers, pointers_of, preparation_of
from tiepoint.station.dates import data_from
from tiepoint.station.folder import Station
from tiepoint.station.kept import KeptStudy, kept_studies
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.made import Made, made_of
from tiepoint.station.matrix import Known, Line, matrix
from tiepoint.station.requirements import ON_DUTY, Judged, Requirements, agreed_requirements, agreed_since
from tiepoint.station.served import Served, Written, served_of


@dataclass(frozen=True)
class Claims:
    """What was `agreed`, by which `act` (both None where nothing was), a line for each requirement, and all studies.

    `judged`: by which limits the accepted recipes judge each reading; `accepted`: what they are made of.
    """

    agreed: Requirements | None
    act: Entry | None
    lines: tuple[Line, ...]
    studies: tuple[KeptStudy, ...]
    judged: tuple[Judged, ...]
    accepted: tuple[Made, ...]
    pointers: Pointers


def claims_of(station: Station, ledger: Ledger) -> Claims:
    """Return what is shown of what was agreed; a `TiepointError` where a copy is not what was accepted or agreed."""
    studies, pointers = tuple(kept_studies(station, ledger)), pointers_of(station)
    jobs = tuple(jobs_of(station, pointers))
    judged, accepted = tuple(judged_by(jobs)), tuple(made_of(job) for _, job in jobs)
    agreed = agreed_requirements(station, ledger)
    if agreed is None:
        return Claims(None, None, (), studies, judged, accepted, pointers)
    requirements, act = agreed
    taken = _taken(ledger, studies)
    known = Known(
        requirements.table.characteristic,
        agreed_since(station, ledger),
        lambda study: data_from(station, study, taken),
        accepted,
        _served(ledger) if any(asked.by in ON_DUTY for asked in requirements.table.requirement) else None,
    )
    lines = matrix(requirements.table.requirement, act, studies, known)
    return Claims(requirements, act, lines, studies, judged, accepted, pointers)


def jobs_of(station: Station, pointers: Pointers) -> Iterator[tuple[str | None, Job]]:
    """Yield what is run for each variant (None: the recipe has none)."""
    named = [(sha, variant) for variant, sha in pointers.by_variant.items()]
    for sha, variant in [*named, *((sha, None) for sha in pointers.by_recipe.values())]:
        yield from preparation_of(station, sha, variant).prepared().jobs.items()


def judged_by(jobs: Iterable[tuple[str | None, Job]]) -> Iterator[Judged]:
    """Yield by which limits recipes judge each reading, variant by variant."""
    for variant, job in jobs:
        for of_step in job.asked.values():
            yield from (Judged(variant, asked.id, asked.unit, asked.limits) for asked in of_step)


def _served(ledger: Ledger) -> Served | None:
    return served_of(ledger.entries("duty"), map(Written.of, ledger.entries("record")), ledger.entries("run"))


def _taken(ledger: Ledger, studies: tuple[KeptStudy, ...]) -> Mapping[str, str]:
    """Return when pictures were taken, by their hash, as `taken_of` does for the report: the newest record's word."""
    if not any(study.kind == "trial" or study.document.get("data") for study in studies):
        return {}
    told: dict[str, str] = {}
    for entry in ledger.entries("record"):
        shot = entry.body["shot"]
        for picture in shot["pictures"]:
            told[picture["pixels_sha256"]] = shot.get("taken_utc") or entry.written_utc
    return told
