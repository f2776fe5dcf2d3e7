"""Whether a station's evidence is what it was: chain, accepted copies, kept pictures, and some records anew.

What is gone by right (`expired`), what is gone (`missing`) and what is not what it was (`altered`) are told apart.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass

from tiepoint.foundation.errors import TiepointError
from tiepoint.station.accepted import accepted_bundle, copy_of_recipe, folder_of, pointers_of, preparation_of
from tiepoint.station.archive import kept_of
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Chain, Ledger
from tiepoint.station.replay import Case, Replayed, cases_of, replay

SAMPLE = 20
"""Records that are worked out again, unless more are asked for."""


@dataclass(frozen=True)
class Evidence:
    """What was found. `head_known`: whether a head that was told elsewhere is in the ledger; None where none was given.

    `copies`: accepted copies that are whole. `kept` shots as they were; `expired`, `missing` and `altered` ones, the
    latter in sentences. `recomputed`: records worked out again, with what came of each.
    """

    chain: Chain
    head_known: bool | None
    copies: int
    kept: int
    expired: tuple[int, ...]
    faults: tuple[str, ...]
    recomputed: tuple[Replayed, ...]
    not_recomputed: tuple[str, ...]

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
        return (*self.chain.faults, *told, *self.faults, *differ)


def verify(
    station: Station,
    *,
    head: str | None = None,
    sample: int = SAMPLE,
    seed: int = 1,
    progress: Callable[[str], None] | None = None,
) -> Evidence:
    """Look through the evidence of a station. `head`: a hash that was told elsewhere, such as in a report.

    Raises a `TiepointError` where there is no ledger, or it cannot be read.
    """
    with Ledger(station.ledger_path) as ledger:
        chain = ledger.check()
        known = None if head is None else ledger.holds(head) is not None
        if not chain.holds:
            # What an altered ledger says of files and records proves nothing about them.
            return Evidence(chain, known, 0, 0, (), (), (), ("nothing else was looked at: the chain does not hold",))
        gone = {k for e in ledger.entries("act") if e.body.get("act") == "expire" for k in e.body.get("records", ())}
        kept = [kept_of(station, entry) for entry in ledger.entries("archived")]
        copies, faults = _copies(station, ledger)
        whole: set[int] = set()
        expired = []
        for one in kept:
            state, says = one.state()
            if state == "missing" and one.record in gone:
                expired.append(one.record)
            elif state == "kept":
                whole.add(one.record)
            else:
                faults.append(f"entry {one.record}: {says}")
            if progress is not None:
                progress(one.folder.name)
        told, left = _recomputed(station, ledger, whole, sample, seed)
    return Evidence(chain, known, copies, len(whole), tuple(expired), tuple(faults), told, left)


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
    return whole, faults


def _recomputed(
    station: Station, ledger: Ledger, whole: set[int], sample: int, seed: int
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
            told += replay(preparation_of(station, copy), group)
        except TiepointError as error:
            left[str(error)] = None
    return tuple(sorted(told, key=lambda r: r.seq)), tuple(left)


def _differs(one: Replayed) -> str:
    if one.lost is not None:
        return one.lost
    if one.was != one.now:
        return f"{one.was} then, {one.now} now"
    return f"{one.changes[0].id} was {one.changes[0].was}, and is {one.changes[0].now}"
