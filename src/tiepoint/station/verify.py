"""Whether a station's evidence is what it was: chain, what was accepted and agreed, studies, pictures, some records.

What is gone by right (`expired`), what is gone (`missing`), what is not what it was (`altered`) and what was never
there (`never_kept`) are told apart. Evidence of another station proves nothing about this one.
"""

import random
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tiepoint.foundation.errors import TiepointError
from tiepoint.station.accepted import (
    POINTER,
    accepted_bundle,
    copy_of_recipe,
    folder_of,
    pointers_of,
    preparation_of,
    run_after,
)
from tiepoint.station.archive import kept_of
from tiepoint.station.archive_keeper import KEEP
from tiepoint.station.folder import Station
from tiepoint.station.heads import head_faults, head_notes
from tiepoint.station.kept import KeptStudy, kept_studies
from tiepoint.station.ledger import Chain, Entry, Ledger
from tiepoint.station.naming import NamingSoFar
from tiepoint.station.replay import Case, Replayed, cases_of, replay
from tiepoint.station.requirements import AGREE, demand_as_agreed
from tiepoint.station.watch.hold import kept_reference, reference_path

SAMPLE = 20
"""Records that are worked out again, unless more are asked for."""

Telling = Callable[[int, int, str], None]
"""What is told how far a part of the work is: so many of so many, and of what."""


def _silent(done: int, of: int, what: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True)
class Evidence:
    """What was found. `head_known`: whether a head that was told elsewhere is in the ledger; None where none was given.

    `copies`: accepted copies that are whole. `kept` shots as they were; `expired`, `missing` and `altered` ones, the
    latter in sentences. `recomputed`: records worked out again, with what came of each. `made`: the studies that
    were kept, as they are now. `agreed`: requirements that are as they were. `never_kept`: records whose pictures no
    entry tells of. `notes`: what a reader should know and is no fault. `first`: the hash of the first entry, by
    which a station is told from every other, whatever it is called; None of an empty ledger.
    """

    chain: Chain
    head_known: bool | None
    copies: int
    kept: int
    expired: tuple[int, ...]
    faults: tuple[str, ...]
    recomputed: tuple[Replayed, ...]
    not_recomputed: tuple[str, ...]
    made: tuple[KeptStudy, ...] = ()
    agreed: int = 0
    never_kept: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()
    first: str | None = None

    @property
    def studies(self) -> int:
        """How many studies are as they were made, with their data."""
        return sum(one.fault is None for one in self.made)

    @property
    def good(self) -> bool:
        """Whether nothing is missing, nothing altered, and every record came out as it was."""
        return not self.all_faults

    @property
    def all_faults(self) -> tuple[str, ...]:
        """Everything that is wrong, in sentences."""
        told = (
            [] if self.head_known is not False else ["the head that was given is not in the ledger: its end is cut off"]
        )
        differ = [
            f"entry {r.seq} does not come out as it was judged: {_differs(r)}" for r in self.recomputed if not r.same
        ]
        bare = [
            f"entry {seq}: its shot was never kept; the ledger tells of no picture of it" for seq in self.never_kept
        ]
        return (*self.chain.faults, *told, *self.faults, *bare, *differ)


def verify(
    station: Station,
    *,
    head: str | None = None,
    sample: int = SAMPLE,
    seed: int = 1,
    look: Callable[[Entry], None] | None = None,
    telling: Telling | None = None,
) -> Evidence:
    """Look through the evidence of a station. `head`: a hash that was told elsewhere, such as in a report.

    `look`: is shown every entry that is as it was written, in their order, for who tells of them too. `telling`: is
    told how far each part of the work is, and may end all of it by what it raises.
    Raises a `TiepointError` where there is no ledger, or it cannot be read.
    """
    with Ledger(station.ledger_place) as ledger:
        naming, due = NamingSoFar(station), list[tuple[int, str]]()
        tell = telling or _silent
        entries = ledger.head.seq if telling is not None else 0

        def seen(entry: Entry) -> None:
            tell(entry.seq, entries, "the chain of entries")
            naming.add(entry)
            # A shot that could not be read has no picture to keep, and its record says so.
            if entry.kind == "record" and entry.body["shot"]["pictures"]:
                due.append((entry.seq, entry.body["verdict"]))
            if look is not None:
                look(entry)

        chain = ledger.check(seen)
        heads = tuple(head_faults(station, ledger))
        known = None if head is None else ledger.holds(head) is not None
        if not chain.holds:
            # What an altered ledger says of files and records proves nothing about them.
            return Evidence(chain, known, 0, 0, (), (), (), ("nothing else was looked at: the chain does not hold",))
        copies, of_copies = _copies(station, ledger)
        studies = tuple(kept_studies(station, ledger))
        of_studies = [f"entry {one.act.seq}: {one.fault}" for one in studies if one.fault is not None]
        agreed, of_agreed = _agreed(station, ledger)
        of_agreed += _held(station, ledger)
        shots = _shots(station, ledger, due, tell)
        told, left = _recomputed(station, ledger, shots.whole, sample, seed, tell)
        first = next((entry.sha for entry in ledger.entries(only=(1,))), None)
    return Evidence(
        chain,
        known,
        copies,
        len(shots.whole),
        shots.expired,
        (*naming.naming.faults(station), *heads, *of_copies, *of_agreed, *of_studies, *shots.faults),
        told,
        left,
        made=studies,
        agreed=agreed,
        never_kept=shots.never_kept,
        notes=(*naming.naming.notes(), *_set_back(chain), *_sums(chain), *head_notes(station), *station.outside()),
        first=first,
    )


def _set_back(chain: Chain) -> Iterator[str]:
    for seq in chain.set_back:
        yield f"entry {seq} is dated before entry {seq - 1}: the clock was set back; the order is that of the entries"


def _sums(chain: Chain) -> Iterator[str]:
    if chain.sums_differ:
        days = f"{chain.sums_differ[0]} and {len(chain.sums_differ) - 1} days more"
        yield (
            f"the sums of {days if len(chain.sums_differ) > 1 else chain.sums_differ[0]} are not those of the entries; "
            "they are no evidence, and tiepoint sums makes them anew"
        )


def never_kept_of(station: Station) -> tuple[int, ...]:
    """Return the records whose shots had to be kept, and of which no entry says that they are kept, or gone."""
    with Ledger(station.ledger_place) as ledger:
        due = [(e.seq, e.body["verdict"]) for e in ledger.entries("record") if e.body["shot"]["pictures"]]
        return _shots(station, ledger, due).never_kept


@dataclass(frozen=True, slots=True)
class _Shots:
    """Records by what became of their pictures; `faults`: of the missing and the altered."""

    whole: frozenset[int]
    expired: tuple[int, ...]
    never_kept: tuple[int, ...]
    faults: tuple[str, ...]


def _shots(station: Station, ledger: Ledger, due: Sequence[tuple[int, str]], tell: Telling = _silent) -> _Shots:
    """Return what became of every judged shot. `due`: records whose shot had pictures."""
    gone = {k for e in ledger.entries("act") if e.body.get("act") == "expire" for k in e.body.get("records", ())}
    whole, told_of = set[int](), set[int]()
    expired: list[int] = []
    faults: list[str] = []
    for one in (kept_of(station, entry) for entry in ledger.entries("archived")):
        tell(len(told_of), max(len(due), len(told_of)), "the kept pictures")
        told_of.add(one.record)
        state, says = one.state()
        if state == "missing" and one.record in gone:
            expired.append(one.record)
        elif state == "kept":
            whole.add(one.record)
        else:
            faults.append(f"entry {one.record}: {says}")
    rules = [(e.seq, e.body["rules"]) for e in ledger.entries("act") if e.body.get("act") == KEEP]
    bare = ((seq, verdict) for seq, verdict in due if seq not in told_of and seq not in gone)
    never = tuple(seq for seq, verdict in bare if _had_to_be_kept(seq, verdict, rules))
    return _Shots(frozenset(whole), tuple(expired), never, tuple(faults))


def _had_to_be_kept(seq: int, verdict: str, rules: Sequence[tuple[int, Mapping[str, Any]]]) -> bool:
    """Return whether the rules that were stated before a record have its shot kept, or do not say that it is not.

    Of every n-th nobody can tell afterwards which it was; the ring's are kept at first, all of them.
    """
    told = next((said for since, said in reversed(rules) if since < seq), None)
    if told is None or told["all"] or told["ring"] is not None:
        return True
    return bool(told["not_conforming"]) and verdict != "conforms"


def _agreed(station: Station, ledger: Ledger) -> tuple[int, list[str]]:
    """Return how many of the requirements that were ever agreed are as they were, and what is wrong with the others."""
    acts = {e.body["requirements"]: e.seq for e in ledger.entries("act") if e.body.get("act") == AGREE}
    faults = []
    for sha, seq in acts.items():
        try:
            demand_as_agreed(station, sha)
        except TiepointError as error:
            faults.append(f"entry {seq}: {error}")
    return len(acts) - len(faults), faults


def _held(station: Station, ledger: Ledger) -> Iterator[str]:
    """Yield what is wrong with the state that the watch holds the station against: alarms are only as wide as that."""
    act = next((e for e in reversed(list(ledger.entries("act"))) if e.body.get("act") == "hold"), None)
    if act is None:
        return
    try:
        reference = kept_reference(station)
    except TiepointError as error:
        yield f"entry {act.seq}: {error}"
        return
    if reference is None or reference.sha != act.body["sha"]:
        what = "is missing" if reference is None else "is not what was held"
        yield f"entry {act.seq}: {reference_path(station)} {what}; restore it from a backup, or tiepoint hold it anew"


def _copies(station: Station, ledger: Ledger) -> tuple[int, list[str]]:
    """Return how many accepted copies are whole, and what is wrong with the others."""
    acts = [e.body for e in ledger.entries("act") if e.body.get("act") == "accept"]
    shas = dict.fromkeys((*(sha for act in acts for sha in act["recipes"].values()), *pointers_of(station).shas))
    known = {sha for act in acts for sha in act["recipes"].values()}
    whole, faults = 0, []
    for sha in shas:
        if sha not in known:
            faults.append(f"{folder_of(station, sha)} is run, and nobody accepted it: the ledger has no such act")
            continue
        try:
            accepted_bundle(station, sha)
            whole += 1
        except TiepointError as error:
            faults.append(str(error))
    return whole, [*faults, *_other_pointers(station, ledger, known)]


def _other_pointers(station: Station, ledger: Ledger, known: Collection[str]) -> Iterator[str]:
    """Yield what is run by another accepted copy than the one that was accepted for it last."""
    *_, due = ({}, *run_after(ledger.entries("act")))
    now = pointers_of(station)
    runs = {**now.by_recipe, **now.by_variant}
    for name in dict.fromkeys((*due, *runs)):
        is_, was = runs.get(name), due.get(name)
        if is_ != was and (is_ is None or is_ in known):
            told = ["nothing" if sha is None else f"the copy {sha[:12]}" for sha in (is_, was)]
            yield f"{station.folder / POINTER} has {name} run by {told[0]}, and {told[1]} was accepted for it last"


def _recomputed(
    station: Station, ledger: Ledger, whole: frozenset[int], sample: int, seed: int, tell: Telling = _silent
) -> tuple[tuple[Replayed, ...], tuple[str, ...]]:
    """Return some records worked out again by the copies that judged them, and why some could not be."""
    chosen = random.Random(seed).sample(sorted(whole), min(sample, len(whole)))
    told: list[Replayed] = []
    left: dict[str, None] = {}
    by_recipe: dict[str, list[Case]] = {}
    for case in cases_of(station, ledger, frozenset(chosen)):
        by_recipe.setdefault(case.record.recipe_sha, []).append(case)
    for recipe_sha, group in by_recipe.items():
        copy = copy_of_recipe(station, recipe_sha)
        if copy is None:
            left[f"the recipe {recipe_sha[:12]} of {len(group)} records is in no accepted copy"] = None
            continue
        try:
            for one in replay(preparation_of(station, copy), group):
                told.append(one)
                tell(len(told), len(chosen), "records worked out again")
        except TiepointError as error:
            left[str(error)] = None
    return tuple(sorted(told, key=lambda r: r.seq)), tuple(left)


def _differs(one: Replayed) -> str:
    if one.lost is not None:
        return one.lost
    if one.was != one.now:
        return f"{one.was} then, {one.now} now"
    return f"{one.changes[0].id} was {one.changes[0].was}, and is {one.changes[0].now}"
