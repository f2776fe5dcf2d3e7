"""What must hold of a station that was strained: its ledger and archive against what was sent and what was told."""

import hashlib
import itertools
from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path

from tiepoint.documents.files import read_document
from tiepoint.station.archive import kept_of
from tiepoint.station.archive_found import found_again, not_archived
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger


@dataclass
class Held:
    """What was found in a station's ledger and archive. `faults`: in words, what may never be."""

    records: int = 0
    conforms: int = 0
    acknowledged: int = 0
    kept: int = 0
    not_kept: int = 0
    faults: list[str] = field(default_factory=list)


def held(
    folder: Path, sent: dict[str, str], told: list[dict], *, begun_again: bool = True, shown: Collection[str] = ()
) -> Held:
    """Hold ledger and archive against what was sent and what a wire told (`told`: results, as they came).

    `shown`: damaged pictures that show a good part all the same. `begun_again`: the station was on duty once more after
    the last crash, and has taken up what it had left.
    """
    station, out = open_station(folder), Held()
    with Ledger(station.ledger_place) as ledger:
        chain = ledger.check()
        out.faults += [*chain.faults, *(f"sums differ on {day}" for day in chain.sums_differ)]
        bodies = {e.seq: e.body for e in ledger.entries("record")}
        kept = [kept_of(station, e) for e in ledger.entries("archived")]
        lost = list(found_again(station, ledger, not_archived(ledger, last=10**9)))
    out.records, out.kept = len(bodies), len(kept)
    shots = Counter(body["shot"]["id"] for body in bodies.values())
    out.faults += [f"{shot} stands {n} times in the ledger" for shot, n in shots.items() if n > 1]
    out.faults += [f"nobody sent {shot}" for shot in shots if shot not in sent]
    counted = [int(b["shot"]["part_id"]) for b in bodies.values() if b["shot"]["part_id"] is not None]
    out.faults += [f"the count went from {a} to {b}" for a, b in itertools.pairwise(counted) if b <= a]
    for body in bodies.values():
        if body["verdict"] == "conforms":
            out.conforms += 1
            if not body["shot"]["id"].startswith("good") and body["shot"]["id"] not in shown:
                out.faults.append(f"{body['shot']['id']} was passed")
    for one in {t["seq"]: t for t in told}.values():
        out.acknowledged += 1
        body = bodies.get(one["seq"])
        # What was written beyond its deadline is told as unread, whatever it was judged.
        fits = body is not None and one["verdict"] in (body["verdict"], "unread")
        if body is None or not fits or (body["shot"]["part_id"], body["sha"]) != (one["part_id"], one["record_sha"]):
            out.faults.append(f"record {one['seq']} was told, and is not in the ledger as it was told")
    heard = Counter((t["seq"], t["record_sha"]) for t in told)
    out.faults += [f"{n} records were told as {seq}" for seq, n in Counter(s for s, _ in heard).items() if n > 1]
    out.faults += [says for state, says in (one.state() for one in kept) if state != "kept"]
    whole = set(sent.values())
    for path in station.archive_path.rglob("*.png"):
        if hashlib.sha256(path.read_bytes()).hexdigest() not in whole:
            out.faults.append(f"{path} is torn")
    twice = Counter(one.record for one in kept)
    out.faults += [f"the shot of record {seq} is kept {n} times" for seq, n in twice.items() if n > 1]
    if begun_again:
        out.faults += [f"{body['folder']} is whole, and no entry tells of it" for body in lost]
    reserved = folder / "counters" / "top.json"
    counter = read_document(reserved, "counter")["reserved_to"] if reserved.exists() else 0
    if max([0, *counted, *(int(t["part_id"] or 0) for t in told)]) > counter:
        out.faults.append(f"a number beyond {counter} was given, which would be given again")
    with_pictures = {seq for seq, body in bodies.items() if body["shot"]["pictures"]}
    out.not_kept = len(with_pictures - set(twice))
    return out
