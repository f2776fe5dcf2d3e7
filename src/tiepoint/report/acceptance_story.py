"""What an acceptance report tells: gathered from a station's ledger, accepted copies and kept studies, nothing else.

Numbers are those of the records; every one goes with the entry of the ledger that it came from.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.model.decide import Limits, Verdict
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.recipe.records import record_from
from tiepoint.recipe.station import Prepared
from tiepoint.station.accepted import Pointers, pointers_of, preparation_of
from tiepoint.station.folder import Station
from tiepoint.station.kept import KeptStudy, kept_studies
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.matrix import Line, matrix
from tiepoint.station.requirements import Requirements, agreed_requirements, deviations
from tiepoint.station.verify import Evidence, verify
from tiepoint.ties.tie import Tie


@dataclass(frozen=True, slots=True)
class ReadingSeen:
    """One reading over all records of one recipe and variant: its values, its ± and what of it dominates.

    `U95`: the median. `share`: U95 over half the tolerance, None without two limits. `dominant`: the cause with the
    largest mean share of u², and that share. `seqs` (n,): the entries of the records, in the order of `values`.
    """

    id: str
    name: str
    variant: str | None
    unit: str
    limits: Limits | None
    values: tuple[float, ...]
    seqs: tuple[int, ...]
    unread: int
    U95: float | None
    share: float | None
    dominant: tuple[str, float] | None
    verdicts: Mapping[Verdict, int]


@dataclass(frozen=True, slots=True)
class Times:
    """Seconds to measure and judge each of `n` parts; a quantile that n parts cannot tell is None."""

    n: int
    p50: float
    p99: float | None
    p999: float | None
    most: float


@dataclass(frozen=True, slots=True)
class TieSeen:
    """A tie that an accepted recipe rests on: its file, and the tie."""

    file: str
    tie: Tie


@dataclass(frozen=True)
class AcceptanceStory:
    """All that the report tells. `made_utc`: when. `variants`: each with its accepted copy and its recipe's file."""

    station: Station
    made_utc: str
    requirements: Requirements
    agreed: Entry
    lines: tuple[Line, ...]
    deviations: tuple[str, ...]
    pointers: Pointers
    recipes: Mapping[str, str]
    ties: tuple[TieSeen, ...]
    readings: tuple[ReadingSeen, ...]
    verdicts: Mapping[Verdict, int]
    records: tuple[Record, ...]
    times: Times | None
    studies: tuple[KeptStudy, ...]
    acts: tuple[Entry, ...]
    evidence: Evidence

    @property
    def shown(self) -> int:
        """How many requirements are shown."""
        return sum(line.state == "shown" for line in self.lines)


def gather(station: Station, *, made_utc: str, sample: int) -> AcceptanceStory:
    """Return what can be told of a station. `sample`: how many records are worked out again for it.

    Raises a `TiepointError` where nothing was agreed or accepted, or the ledger cannot be read.
    """
    evidence = verify(station, sample=sample)
    with Ledger(station.ledger_path) as ledger:
        if not evidence.chain.holds:
            raise UnusableInput(f"no report can stand on this ledger: {evidence.chain.faults[0]}")
        agreed = agreed_requirements(station, ledger)
        if agreed is None:
            raise UnusableInput(
                f"nothing was agreed for {station.name}; write {station.folder / 'requirements.toml'}, and date it "
                "with tiepoint accept"
            )
        studies = tuple(kept_studies(station, ledger))
        records = tuple(record_from(e.body, f"entry {e.seq}") for e in ledger.entries("record"))
        acts = tuple(ledger.entries("act"))
    pointers = pointers_of(station)
    prepared = {name: _prepared(station, sha, variant) for name, sha, variant in _each(pointers)}
    requirements, act = agreed
    return AcceptanceStory(
        station,
        made_utc,
        requirements,
        act,
        matrix(requirements.table.requirement, act, studies, requirements.table.characteristic),
        deviations(requirements.table, _limits(prepared.values())),
        pointers,
        {name: p.recipe_path.name for name, p in prepared.items()},
        tuple(_ties(prepared.values())),
        tuple(readings_of(records)),
        Counter(r.verdict for r in records),
        records,
        times_of(records),
        studies,
        acts,
        evidence,
    )


def _each(pointers: Pointers) -> Iterable[tuple[str, str, str | None]]:
    """Yield a name, the copy and the variant of everything that is accepted."""
    yield from ((name, sha, name) for name, sha in pointers.by_variant.items())
    yield from ((name, sha, None) for name, sha in pointers.by_recipe.items())


def _prepared(station: Station, sha: str, variant: str | None) -> Prepared:
    try:
        return preparation_of(station, sha, variant).prepared()
    except TiepointError as error:
        raise UnusableInput(f"no report can stand on what is accepted: {error}") from error


def _limits(prepared: Iterable[Prepared]) -> dict[str, Limits | None]:
    """Return by which limits the accepted recipes judge, by the id of the reading."""
    jobs = [job for p in prepared for job in p.jobs.values()]
    return {asked.id: asked.limits for job in jobs for of_step in job.asked.values() for asked in of_step}


def _ties(prepared: Iterable[Prepared]) -> Iterable[TieSeen]:
    told: dict[str, TieSeen] = {}
    for one in prepared:
        name = next(iter(one.jobs.values())).recipe.head.tie
        if one.tie is not None and name is not None:
            told.setdefault(one.tie_shas[0], TieSeen(name.rpartition("/")[2], one.tie))
    return told.values()


# --- what the records say --------------------------------------------------------------------------------------------


def readings_of(records: Sequence[Record]) -> Iterable[ReadingSeen]:
    """Yield every reading over the records that hold it, by variant, in the order in which they first come."""
    groups: dict[tuple[str, str | None], list[tuple[int, Reading]]] = {}
    for record in records:
        for reading in record.readings:
            groups.setdefault((reading.id, record.variant), []).append((record.seq, reading))
    for (id_, variant), found in groups.items():
        if any(r.unit for _, r in found):
            yield _seen(id_, variant, found)


def _seen(id_: str, variant: str | None, found: Sequence[tuple[int, Reading]]) -> ReadingSeen:
    last = found[-1][1]
    read = [(seq, r) for seq, r in found if r.value is not None]
    widths = [r.U95 for _, r in read if r.U95 is not None]
    U95 = float(np.median(widths)) if widths else None
    return ReadingSeen(
        id_,
        f"{last.name} {last.quantity}",
        variant,
        last.unit,
        last.limits,
        tuple(float(r.value) for _, r in read if r.value is not None),
        tuple(seq for seq, _ in read),
        len(found) - len(read),
        U95,
        _share(U95, last.limits),
        _dominant([r for _, r in read]),
        Counter(r.verdict for _, r in found if r.verdict is not None),
    )


def _share(U95: float | None, limits: Limits | None) -> float | None:
    if U95 is None or limits is None or limits.lower is None or limits.upper is None:
        return None
    return 2.0 * U95 / (limits.upper - limits.lower)


def _dominant(read: Sequence[Reading]) -> tuple[str, float] | None:
    """Return the cause that makes most of u² on average, and its share."""
    shares: defaultdict[str, float] = defaultdict(float)
    for reading in read:
        squares = [(term.label, (term.c * term.u) ** 2) for term in reading.sources]
        whole = sum(square for _, square in squares)
        for label, square in squares if whole > 0 else ():
            shares[label] += square / whole / len(read)
    return max(shares.items(), key=lambda told: told[1]) if shares else None


def times_of(records: Sequence[Record]) -> Times | None:
    """Return how long records took; None where none says. P99 takes 100 of them at least, P99.9 1,000."""
    spent = np.array([sum(r.timings.values()) for r in records if r.timings])
    if not spent.size:
        return None
    told = [float(np.quantile(spent, q)) if spent.size * (1 - q) >= 1 else None for q in (0.99, 0.999)]
    return Times(spent.size, float(np.median(spent)), told[0], told[1], float(spent.max()))
