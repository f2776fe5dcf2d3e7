"""A record in canonical pieces: made by the process that judged the part, chained by the one that writes the ledger.

Canonical JSON (RFC 8785) of an object is its members in the order of their names, so that of a record, and of its
entry, can be put together from the members' own. The writer then neither walks the record nor knows its sources.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import chain
from typing import Any

from tiepoint.documents.canonical import canonical, canonical_number, plain
from tiepoint.documents.files import format_of
from tiepoint.model.reading import SourceTerm
from tiepoint.model.record import Record

_CHAINED = ("prev_sha", "seq", "sha")
_NO_SOURCES = b'"sources":[]'
_UNHASHED = ("sha", "timings")
"""What a record's own hash is not taken of, as in `recipe.records`."""


@dataclass(frozen=True, slots=True)
class Composed:
    """`pieces`: the canonical JSON of each field, without those that the ledger gives. `record`: without its sources.

    Wires tell values, their U95 and verdicts; sources stand in the ledger alone.
    """

    record: Record
    pieces: Mapping[str, bytes]


def composed(record: Record) -> Composed:
    """Return a record's pieces. Raises `UnusableDocument` where it holds what no document can."""
    readings = tuple(replace(reading, sources=()) for reading in record.readings)
    light = replace(record, readings=readings)
    content: dict[str, Any] = {"format": format_of("record"), **plain(light)}
    pieces = {name: canonical(value) for name, value in content.items() if name not in _CHAINED}
    return Composed(light, {**pieces, "readings": _with_sources(pieces["readings"], record)})


def _with_sources(readings: bytes, record: Record) -> bytes:
    # No text can hold what is looked for: in it a quotation mark has a backslash before it.
    first, *rest = readings.split(_NO_SOURCES)
    told = (b'"sources":[%s]' % b",".join(map(_term, reading.sources)) for reading in record.readings)
    return first + b"".join(chain.from_iterable(zip(told, rest, strict=True)))


def _term(term: SourceTerm) -> bytes:
    # A station's sources are the same from part to part; what they weigh in each is not.
    return b'{"c":%s,%s' % (canonical_number(term.c).encode(), _rest_of(term._replace(c=0.0)))


@lru_cache(4096)
def _rest_of(term: SourceTerm) -> bytes:
    """Return the canonical JSON of a term behind its `c`, the first of its names."""
    return canonical(term).removeprefix(b'{"c":0,')


def chained(made: Composed, seq: int, prev_sha: str) -> tuple[Record, bytes]:
    """Return the record with its place in the chain and its hash, and its canonical JSON."""
    pieces = {**made.pieces, "seq": b"%d" % seq, "prev_sha": canonical(prev_sha)}
    sha = hashlib.sha256(_object({k: v for k, v in pieces.items() if k not in _UNHASHED})).hexdigest()
    body = _object({**pieces, "sha": canonical(sha)})
    return replace(made.record, seq=seq, prev_sha=prev_sha, sha=sha), body


def entry_text(kind: str, body: bytes, seq: int, written_utc: str, prev_sha: str) -> str:
    """Return the canonical JSON of a ledger's entry, from that of its body."""
    head = {"format": format_of("entry"), "seq": seq, "kind": kind, "written_utc": written_utc, "prev_sha": prev_sha}
    return _object({**{name: canonical(value) for name, value in head.items()}, "body": body}).decode()


def _object(pieces: Mapping[str, bytes]) -> bytes:
    # Names of fields are plain letters, whose order is the same in UTF-16 as here.
    return b"{" + b",".join(b'"%s":%s' % (name.encode(), pieces[name]) for name in sorted(pieces)) + b"}"
