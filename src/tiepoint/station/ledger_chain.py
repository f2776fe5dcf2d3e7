"""The chain of a ledger: an entry as text, and whether every text is what was written, and in its place.

An entry is one document, `tiepoint/entry/1`: `{format, seq, kind, written_utc, prev_sha, body}`, as its canonical JSON
(RFC 8785), and its `sha` is that text's SHA-256.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache
from itertools import chain, groupby
from json.encoder import encode_basestring as _text
from typing import Any

from tiepoint.documents.canonical import canonical, canonical_number, canonical_of_plain, plain
from tiepoint.documents.files import format_of
from tiepoint.model.reading import SourceTerm
from tiepoint.model.record import Record

NOTHING = "0" * 64
"""What the first entry is chained to."""

_LEFT_OUT = ("sha", "timings")
"""Of a record, what its own hash is not taken of."""
_SET = ("prev_sha", "seq", "sha")
"""What its place in the chain sets."""
_NO_SOURCES = b'"sources":[]'
_APART = frozenset((*_SET, *_LEFT_OUT))


@dataclass(frozen=True, slots=True)
class Head:
    """The last entry: its number, 0 for none, and its hash, which stands for all before it."""

    seq: int
    sha: str


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry. `kind`: `record`, `act`, `archived` or `run`; `body`: its document."""

    seq: int
    kind: str
    written_utc: str
    body: Mapping[str, Any]
    prev_sha: str
    sha: str


@dataclass(frozen=True, slots=True)
class Chain:
    """What a ledger's chain proves: `count` of entries, its `head`, and `faults` in sentences, none where it holds.

    `set_back`: entries that are dated more than a minute before the one before them: the clock was set back, and dates
    prove no order. The chain does. `sums_differ`: days whose sums are not those of the entries; they are no evidence.
    """

    count: int
    head: Head
    faults: tuple[str, ...]
    set_back: tuple[int, ...] = ()
    sums_differ: tuple[str, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether every entry is as it was written, and in its place."""
        return not self.faults


def utc_now() -> str:
    """Return the time in UTC to the millisecond, as entries give it."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def entry_text(after: Head, kind: str, written_utc: str, body: bytes) -> tuple[str, str]:
    """Return the canonical text of the entry after a head, whose body is canonical already, and its hash."""
    # The keys stand in their order, and texts as RFC 8785 has them: written out, since a line does it for every part.
    text = (
        f'{{"body":{body.decode()},"format":"{format_of("entry")}","kind":{_text(kind)},"prev_sha":"{after.sha}",'
        f'"seq":{after.seq + 1},"written_utc":{_text(written_utc)}}}'
    )
    return text, hashlib.sha256(text.encode()).hexdigest()


class RecordText:
    """A record's canonical text, made once, into which its place in the chain is set: its hash and the entry's need it.

    Canonical JSON of an object is its members in the order of their names, so it can be put together from theirs.
    `light`: the record without the sources of its readings. `content`: that as plain data, without its place.
    """

    def __init__(self, record: Record) -> None:
        """Make the text; `UnusableDocument` where a document cannot hold the record."""
        bare = tuple(replace(reading, sources=()) for reading in record.readings)
        self.light = replace(record, readings=bare)
        self.content = {"format": format_of("record"), **plain(replace(self.light, seq=0, prev_sha=None, sha=None))}
        by_place = groupby(sorted(self.content), key=lambda key: key if key in _APART else "")
        self._parts = [
            (apart, b"" if apart in _SET else canonical_of_plain({key: self.content[key] for key in keys})[1:-1])
            for apart, keys in by_place
        ]
        self._parts = [(apart, _with_sources(part, record) if apart == "" else part) for apart, part in self._parts]

    def placed(self, after: Head) -> tuple[str, bytes]:
        """Return the record's own hash, and its whole text, as the entry after a head."""
        there = {"prev_sha": b'"prev_sha":"%s"' % after.sha.encode(), "seq": b'"seq":%d' % (after.seq + 1)}
        hashed = [there.get(apart, part) for apart, part in self._parts if apart not in _LEFT_OUT]
        sha = hashlib.sha256(b"{%s}" % b",".join(hashed)).hexdigest()
        there["sha"] = b'"sha":"%s"' % sha.encode()
        return sha, b"{%s}" % b",".join(there.get(apart, part) for apart, part in self._parts)


def _with_sources(text: bytes, record: Record) -> bytes:
    """Return a text whose readings have no sources with theirs; one without readings as it is."""
    if b'"readings":' not in text:
        return text
    # No text can hold what is looked for: in it a quotation mark has a backslash before it.
    first, *rest = text.split(_NO_SOURCES)
    told = (b'"sources":[%s]' % b",".join(map(_term, reading.sources)) for reading in record.readings)
    return first + b"".join(chain.from_iterable(zip(told, rest, strict=True)))


def _term(term: SourceTerm) -> bytes:
    # A station's sources are the same from part to part; what they weigh in each is not.
    return b'{"c":%s,%s' % (canonical_number(term.c).encode(), _rest_of(*term[:-1]))


@lru_cache(4096)
def _rest_of(*term: Any) -> bytes:
    """Return the canonical JSON of a term, told without its `c`, behind that, which is the first of its names."""
    return canonical(SourceTerm._make((*term, 0.0))).removeprefix(b'{"c":0,')


def looked_at(row: Any, before: Head) -> tuple[list[str], dict[str, Any]]:
    """Return what is wrong with a row of entries after the one before it, and its document where nothing is."""
    # Here, since processes that judge make texts of entries, and need no database: it is a fifth of their start.
    from tiepoint.station.ledger_tables import columns_of

    if row.seq == before.seq + 2:
        return [f"entry {before.seq + 1} is missing"], {}
    if row.seq != before.seq + 1:
        return [f"entries {before.seq + 1} to {row.seq - 1} are missing"], {}
    if not isinstance(row.entry, str) or hashlib.sha256(row.entry.encode()).hexdigest() != row.sha:
        return [f"entry {row.seq} was altered: its content is not what its sha was taken of"], {}
    try:
        told = json.loads(row.entry)
        columns = columns_of(told["seq"], told["kind"], told["written_utc"], told["body"])
        whole = told["body"]["shot"].get("part_id") if told["kind"] == "record" else None
        follows = told["prev_sha"] == before.sha
    except (ValueError, KeyError, TypeError, AttributeError):
        return [f"entry {row.seq} was altered: it is no entry"], {}
    if not follows:
        return [f"entry {row.seq} does not follow entry {before.seq}: one of them was put in place of another"], {}
    if row.part_id == whole:  # an earlier tiepoint kept the whole of it beside the entry
        columns["part_id"] = whole
    wrong = [name for name, value in columns.items() if getattr(row, name) != value]
    return [f"entry {row.seq} was altered: its {wrong[0]} is not what its content says"] if wrong else [], told


def is_set_back(written_utc: str, before: str) -> bool:
    """Return whether a time lies clearly before that of the entry before; writers side by side differ by seconds."""
    try:
        return (datetime.fromisoformat(before) - datetime.fromisoformat(written_utc)).total_seconds() > 60
    except (ValueError, TypeError):
        return False
