"""What an acceptance report tells: gathered from a station's ledger, accepted copies and kept studies, nothing else.

Numbers are those of the records; every one goes with the entry of the ledger that it came from.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.model.decide import Limits, Verdict
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.recipe.records import record_from
from tiepoint.recipe.runner import Job
from tiepoint.recipe.station import Prepared
from tiepoint.report.acceptance_shots import Shots, ShotShown, chosen
from tiepoint.report.risk_numbers import limits_as_plain
from tiepoint.report.trial_page import MOST_SHOWN
from tiepoint.station.accepted import Bundle, Pointers, accepted_bundle, pointers_of, preparation_of
from tiepoint.station.archive import kept_of
from tiepoint.station.claims import judged_by
from tiepoint.station.dates import data_from, taken_of
from tiepoint.station.folder import Station
from tiepoint.station.judge import RUN, Run, runs_of
from tiepoint.station.kept import KeptStudy
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.made import made_of
from tiepoint.station.matrix import Known, Line, matrix
from tiepoint.station.requirements import Requirements, agreed_requirements, agreed_since, deviations
from tiepoint.station.served import Served, Written, served_of
from tiepoint.station.verify import Evidence, verify
from tiepoint.ties.tie import Tie

PICTURES = 12
"""Judged shots that are shown, unless more or fewer are asked for."""


@dataclass(frozen=True, slots=True)
class ReadingSeen:
    """One reading over all records of one variant: its values, its ± and what of it dominates.

    `U95`: the median. `share`: U95 over half the tolerance, None without two limits. `dominant`: the cause with the
    largest mean share of u², and that share. `columns`: what each record says of it (n,), by name. `limits_as_plain`:
    by which every record judged it, where that was one and the same; `linear`: whether all ± are by the linear law.
    """

    id: str
    name: str
    kind: str
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
    columns: Mapping[str, Sequence[Any]]
    limits_as_plain: Mapping[str, Any] | None
    linear: bool


@dataclass(frozen=True, slots=True)
class TextSeen:
    """A code or a text over all records of one variant: how often it was `read`, `as_expected`, or `unread`."""

    name: str
    kind: str
    variant: str | None
    read: int
    unread: int
    expected: int
    as_expected: int
    columns: Mapping[str, Sequence[Any]]
    seq: int


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
    """A tie that an accepted recipe rests on: its file, the tie, and its map over a shot (None: no shot fits it)."""

    file: str
    tie: Tie
    svg: str | None


@dataclass(frozen=True)
class AcceptedSeen:
    """What is accepted under a `name` (a variant, or a recipe): its copy, and a whole judged shot of it, or None."""

    name: str
    sha: str
    bundle: Bundle
    prepared: Prepared
    shot: ShotShown | None


@dataclass(frozen=True)
class AcceptanceStory:
    """All that the report tells. `made_utc`: when. `kept`: the `archived` entry of each record by its number.

    `served`: the time on duty, None where there was none. `wrong`: drawings of parts that trials judged wrongly and
    kept no picture of, from the archive, by a picture's hash.
    """

    station: Station
    made_utc: str
    requirements: Requirements
    agreed: Entry
    lines: tuple[Line, ...]
    deviations: tuple[str, ...]
    pointers: Pointers
    accepted: tuple[AcceptedSeen, ...]
    ties: tuple[TieSeen, ...]
    readings: tuple[ReadingSeen, ...]
    texts: tuple[TextSeen, ...]
    verdicts: Mapping[Verdict, int]
    records: tuple[Record, ...]
    written: Mapping[int, str]
    kept: Mapping[int, Entry]
    runs: tuple[Run, ...]
    shots: tuple[ShotShown, ...]
    wrong: Mapping[str, str]
    most_shots: int
    times: Times | None
    served: Served | None
    studies: tuple[KeptStudy, ...]
    acts: tuple[Entry, ...]
    evidence: Evidence


@dataclass(frozen=True)
class _Told:
    """What the ledger holds."""

    agreed: tuple[Requirements, Entry] | None
    since: Mapping[str, Entry]
    studies: tuple[KeptStudy, ...]
    records: tuple[Record, ...]
    written: Mapping[int, str]
    acts: tuple[Entry, ...]
    runs: tuple[Run, ...]
    kept: Mapping[int, Entry]
    served: Served | None


def gather(station: Station, *, made_utc: str, sample: int, pictures: int = PICTURES) -> AcceptanceStory:
    """Return what can be told of a station. `sample`: how many records are worked out again for it, `pictures`: shown.

    Raises a `TiepointError` where nothing was agreed or accepted, or the ledger cannot be read.
    """
    read = _Read()
    evidence = verify(station, sample=sample, look=read.add)
    if not evidence.chain.holds:
        raise UnusableInput(f"no report can stand on this ledger: {evidence.chain.faults[0]}")
    told = _told(station, read, evidence.made)
    if told.agreed is None:
        raise UnusableInput(
            f"nothing was agreed for {station.name}; write {station.folder / 'requirements.toml'}, and date it with "
            "tiepoint accept"
        )
    pointers, (requirements, act), records = pointers_of(station), told.agreed, told.records
    folders = {seq: kept_of(station, entry).folder for seq, entry in told.kept.items()}
    shots = Shots(station, folders)
    accepted = tuple(_accepted(station, shots, records, *one) for one in _each(pointers))
    prepared = [one.prepared for one in accepted]
    taken = taken_of(reversed(records), told.written)
    known = Known(
        requirements.table.characteristic,
        told.since,
        lambda study: data_from(station, study, taken.get),
        [made_of(job) for _, job in _jobs(accepted)],
        told.served,
    )
    lines = matrix(requirements.table.requirement, act, told.studies, known)
    return AcceptanceStory(
        station=station,
        made_utc=made_utc,
        requirements=requirements,
        agreed=act,
        lines=lines,
        deviations=deviations(requirements.table, tuple(judged_by(_jobs(accepted)))),
        pointers=pointers,
        accepted=accepted,
        ties=tuple(_ties(prepared, shots, records)),
        readings=tuple(readings_of(records)),
        texts=tuple(texts_of(records)),
        verdicts=Counter(r.verdict for r in records),
        records=records,
        written=told.written,
        kept=told.kept,
        runs=told.runs,
        shots=tuple(shots.shown(chosen(records, folders, pictures))),
        wrong=_wrong(told.studies, records, shots),
        most_shots=pictures,
        times=times_of(records),
        served=told.served,
        studies=told.studies,
        acts=told.acts,
        evidence=evidence,
    )


class _Read:
    """The entries of a ledger as they are read once: records as such, all others by their kind."""

    def __init__(self) -> None:
        self.records: list[Record] = []
        self.written: dict[int, str] = {}
        self.times: list[Written] = []
        self.others: defaultdict[str, list[Entry]] = defaultdict(list)

    def add(self, entry: Entry) -> None:
        """Take the next entry, which is as it was written."""
        if entry.kind == "record":
            self.records.append(record_from(entry.body, f"entry {entry.seq}", vouched=True))
            self.written[entry.seq] = entry.written_utc
            self.times.append(Written.of(entry))
        else:
            self.others[entry.kind].append(entry)


def _told(station: Station, read: _Read, studies: tuple[KeptStudy, ...]) -> _Told:
    records = tuple(read.records)
    with Ledger(station.ledger_place) as ledger:
        agreed, since = agreed_requirements(station, ledger), agreed_since(station, ledger)
    return _Told(
        agreed,
        since,
        studies,
        records,
        read.written,
        tuple(read.others["act"]),
        tuple(runs_of(read.others[RUN], records)),
        {e.body["record"]: e for e in read.others["archived"]},
        served_of(read.others["duty"], read.times, read.others[RUN]),
    )


def wrong_of(study: KeptStudy) -> list[Mapping[str, Any]]:
    """Return the worst showings of the parts that a kept trial judged wrongly."""
    worst = [part["worst"] for part in study.document["outcome"].get("parts", ())]
    return [w for w in worst if (w["verdict"] == "conforms") == (w["truth"] == "bad")]


def _wrong(studies: Sequence[KeptStudy], records: Sequence[Record], shots: Shots) -> dict[str, str]:
    of = {p.pixels_sha256: record for record in records for p in record.shot.pictures}
    found: dict[str, str] = {}
    for study in studies:
        if study.kind != "trial" or study.fault is not None:
            continue
        for worst in wrong_of(study)[:MOST_SHOWN]:
            known = [sha for sha in worst["pictures"] if sha in of]
            if known and worst["where"] not in (study.document.get("pictures") or {}):
                found.update((known[0], one.svg) for one in shots.shown([of[known[0]]]))
    return found


def _each(pointers: Pointers) -> Iterable[tuple[str, str, str | None]]:
    """Yield a name, the copy and the variant of everything that is accepted."""
    yield from ((name, sha, name) for name, sha in pointers.by_variant.items())
    yield from ((name, sha, None) for name, sha in pointers.by_recipe.items())


def _accepted(
    station: Station, shots: Shots, records: Sequence[Record], name: str, sha: str, variant: str | None
) -> AcceptedSeen:
    try:
        prepared, bundle = preparation_of(station, sha, variant).prepared(), accepted_bundle(station, sha)
    except TiepointError as error:
        raise UnusableInput(f"no report can stand on what is accepted: {error}") from error
    own = (r for r in reversed(records) if r.variant == variant and r.recipe_sha == bundle.recipe_sha)
    last = next((r for r in own if r.seq in shots.kept), None)
    return AcceptedSeen(name, sha, bundle, prepared, None if last is None else shots.whole(last))


def _jobs(accepted: Iterable[AcceptedSeen]) -> Iterable[tuple[str | None, Job]]:
    """Yield what is run for each variant (None: the recipe has none)."""
    for one in accepted:
        yield from one.prepared.jobs.items()


def _ties(prepared: Iterable[Prepared], shots: Shots, records: Sequence[Record]) -> Iterable[TieSeen]:
    told: dict[str, TieSeen] = {}
    for one in prepared:
        name = next(iter(one.jobs.values())).recipe.head.tie
        if one.tie is None or name is None or one.tie_shas[0] in told:
            continue
        file, sha = name.rpartition("/")[2], one.tie_shas[0]
        over = next((r for r in reversed(records) if sha in r.tie_shas and r.seq in shots.kept), None)
        told[sha] = TieSeen(file, one.tie, None if over is None else shots.tie_map(one.tie, file, over))
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
    alike = all(r.limits == last.limits for _, r in found)
    return ReadingSeen(
        id_,
        f"{last.name} {last.quantity}",
        last.kind,
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
        _columns(found),
        limits_as_plain(last.limits, last.unit) if alike and last.limits is not None else None,
        all(r.method == "linear" for _, r in read),
    )


def _columns(found: Sequence[tuple[int, Reading]]) -> dict[str, list[Any]]:
    """Return what each record says of a reading; `doubt`: what keeps a value that would conform undecided."""
    columns: dict[str, list[Any]] = {"entry": [seq for seq, _ in found]}
    columns |= {name: [getattr(r, name) for _, r in found] for name in ("value", "u", "U95", "verdict")}
    columns["dof"] = [None if r.dof is None or not math.isfinite(r.dof) else r.dof for _, r in found]
    columns["doubt"] = [r.reason.code if r.reason is not None else None for _, r in found]
    return columns


def texts_of(records: Sequence[Record]) -> Iterable[TextSeen]:
    """Yield every code and text that was to be read, by variant, in the order in which they first come."""
    groups: dict[tuple[str, str | None], list[tuple[int, Reading]]] = {}
    for record in records:
        for reading in record.readings:
            if reading.text is not None or reading.expected is not None or reading.kind in ("code", "text"):
                groups.setdefault((reading.id, record.variant), []).append((record.seq, reading))
    for (_, variant), found in groups.items():
        if all(r.value is None for _, r in found):
            yield _text_seen(variant, found)


def _text_seen(variant: str | None, found: Sequence[tuple[int, Reading]]) -> TextSeen:
    last = found[-1][1]
    read = [r for _, r in found if r.text is not None]
    columns: dict[str, list[Any]] = {
        "entry": [seq for seq, _ in found],
        "text": [r.text for _, r in found],
        "expected": [r.expected for _, r in found],
        "verdict": [r.verdict for _, r in found],
    }
    judged = [r for r in read if r.expected is not None]
    return TextSeen(
        f"{last.name} {last.quantity}",
        last.kind,
        variant,
        len(read),
        len(found) - len(read),
        len(judged),
        sum(r.verdict == "conforms" for r in judged),
        columns,
        found[-1][0],
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
