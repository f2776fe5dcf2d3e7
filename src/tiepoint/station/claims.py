"""What was agreed at a station, and which of it is shown now: by its ledger, accepted copies and kept studies."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from tiepoint.recipe.runner import Job
from tiepoint.station.accepted import Pointers, pointers_of, preparation_of
from tiepoint.station.dates import asks_pictures, data_from
from tiepoint.station.folder import Station, open_station
from tiepoint.station.kept import KeptStudy, kept_studies
from tiepoint.station.ledger import Entry, Ledger, has_ledger
from tiepoint.station.made import Made, made_of
from tiepoint.station.matrix import Known, Line, matrix
from tiepoint.station.on_record import stamp_of
from tiepoint.station.passed import Passed
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


def claims_now(station: Station) -> Claims:
    """Return what is shown now; of a station without a ledger that nothing was agreed.

    It is worked out anew only after an act or a word of duty, and where an accepted copy or a study is another file.
    """
    if not has_ledger(station.ledger_place):
        return Claims(None, None, (), (), (), (), pointers_of(station))
    with Ledger(station.ledger_place) as ledger:
        last = tuple(entry and (entry.seq, entry.sha) for entry in map(ledger.last, ("act", "duty")))
    return _claims(station.folder, last, stamp_of(station))


@lru_cache(maxsize=2)
def _claims(folder: Path, last: tuple[object, ...], stamp: tuple[object, ...]) -> Claims:  # noqa: ARG001  # the key
    station = open_station(folder)
    with Ledger(station.ledger_place) as ledger:
        return claims_of(station, ledger)


def claims_of(station: Station, ledger: Ledger) -> Claims:
    """Return what is shown of what was agreed; a `TiepointError` where a copy is not what was accepted or agreed."""
    studies, pointers = tuple(kept_studies(station, ledger, again=False)), pointers_of(station)
    jobs = tuple(jobs_of(station, pointers))
    judged, accepted = tuple(judged_by(jobs)), tuple(made_of(job) for _, job in jobs)
    agreed = agreed_requirements(station, ledger)
    if agreed is None:
        return Claims(None, None, (), studies, judged, accepted, pointers)
    requirements, act = agreed
    asked, since = requirements.table.requirement, agreed_since(station, ledger)
    was_on_duty = ledger.last("duty") is not None
    on_duty = [since.get(one.id, act).seq for one in asked if one.by in ON_DUTY and was_on_duty]
    with Passed(station) as passed:
        if on_duty or any(asks_pictures(study) for study in studies):
            passed.take_in(ledger)
        known = Known(
            requirements.table.characteristic,
            since,
            lambda study: data_from(station, study, passed.taken),
            accepted,
            _served(ledger, passed.written(min(on_duty))) if on_duty else None,
        )
        lines = matrix(asked, act, studies, known)
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


def _served(ledger: Ledger, records: Iterable[Written]) -> Served | None:
    """Return what is told of the time on duty; a requirement asks of it only what came after it was agreed."""
    return served_of(ledger.entries("duty"), records, ledger.entries("run"))
