"""Studies that a station keeps: each one that was made, with its data and its outcome, good or not.

A study is a document in `studies/`, `tiepoint/study/1`, and beside it the table that it was made of. The ledger has an
act for each, with the hashes of both, so that none can be left out, changed or made before its data.
"""

import glob
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tiepoint.documents.canonical import sha256
from tiepoint.documents.files import document_bytes, format_of, read_bytes, read_document, write_together
from tiepoint.documents.names import portable
from tiepoint.foundation.errors import TiepointError, UnusableDocument
from tiepoint.model.record import Record
from tiepoint.station.accepted import run_after
from tiepoint.station.acts import write_act
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.made import made_by, taken_from
from tiepoint.station.naming import act_of
from tiepoint.station.stamps import stamps_of

STUDIES = "studies"
STUDY = "study"
MOST_BYTES = 400_000_000
MOST_KNOWN = 256
"""Studies whose documents are held, once they were read."""

_read: dict[tuple[object, ...], dict[str, Any]] = {}
"""Documents that were as they were kept, by their files and hashes, and the stamps of the files then."""


@dataclass(frozen=True)
class KeptStudy:
    """A study that was made: its `kind`, what it is `of` (a reading's id, as a rule), its document and its act.

    `fault`: why its document is not there as it was kept; then `document` is empty. `replaced`: the entry by which
    something that was accepted when it was made is not run any more; None where all of it still is.
    """

    kind: str
    of: str | None
    good: bool | None
    document: Mapping[str, Any]
    act: Entry
    fault: str | None = None
    replaced: Entry | None = None


def keep_study(
    station: Station,
    kind: str,
    of: str | None,
    outcome: Mapping[str, Any],
    data: Path | None,
    *,
    who: str,
    command: str | None = None,
    pictures: Mapping[str, str] | None = None,
    records: Sequence[Record] = (),
    at: str | None = None,
) -> Entry:
    """Write a study and its data into the station and an act of it into the ledger; return the act's entry.

    `outcome`: the study as plain data, with `good`. `data`: the file that it was made of. `command`: what was typed.
    `pictures`: SVG documents by the place that the study gives each, as of the parts that a trial judged wrongly.
    `records`: those that it was made of; which recipe they name, and since when they are, is kept with it.
    Raises `UnusableInput` where it cannot be written.
    """
    table = None if data is None else read_bytes(data, MOST_BYTES)
    content: dict[str, Any] = {"station": station.name, "kind": kind, "of": of, "command": command, "data": None}
    content |= {"outcome": dict(outcome), **({"pictures": dict(pictures)} if pictures else {})}
    if records:
        content |= {"made_by": list(made_by(records)), "taken_utc": taken_from(records)}

    def written(seq: int) -> dict[str, Any]:
        stem = _free(station.folder / STUDIES, portable(f"{seq:06d}-{kind}" + (f"-{of}" if of else ""))[:80])
        return _written(station, stem, content, table, data, who)

    # Files and entry go by one number, which nobody else gets meanwhile; on duty others may, and it is only a name.
    return write_act(station, written, at=at)


def _free(folder: Path, stem: str) -> str:
    """Return a name that no study has; one that lost its act to a fault keeps its own."""
    names = (stem, *(f"{stem}-{k}" for k in range(2, 1000)))
    return next(name for name in names if not (folder / f"{name}.json").exists())


def _written(
    station: Station, stem: str, content: dict[str, Any], table: bytes | None, data: Path | None, who: str
) -> dict[str, Any]:
    """Write a study and its table under a name; return the act that tells of them."""
    folder, files = station.folder / STUDIES, {}
    if data is not None and table is not None:
        content = {**content, "data": {"file": f"{stem}{data.suffix.lower()}", "named": data.name}}
        files[folder / content["data"]["file"]] = table
    write_together({folder / f"{stem}.json": document_bytes("study", content), **files})
    kind, of = content["kind"], content["of"]
    return act_of(
        station,
        STUDY,
        who=who,
        why=f"{kind} of {of}" if of else kind,
        kind=kind,
        of=of,
        good=content["outcome"].get("good"),
        file=f"{STUDIES}/{stem}.json",
        sha=sha256({"format": format_of("study"), **content}),
        data_sha=None if table is None else hashlib.sha256(table).hexdigest(),
        tie_sha=content["outcome"].get("tie_sha"),
    )


def kept_studies(station: Station, ledger: Ledger, *, again: bool = True) -> Iterator[KeptStudy]:
    """Yield every study that was made, in the order of the ledger, whether its document is still as it was or not.

    `again`: all of them are read again, as who looks for what was altered must; otherwise those whose files have
    another time or size than when they were read last.
    """
    acts = [entry for entry in ledger.entries("act") if entry.body.get("act") in (STUDY, "accept")]
    accepted = [frozenset(copies.values()) for copies in run_after(acts)]
    for k, entry in enumerate(acts):
        if entry.body["act"] != STUDY:
            continue
        body = entry.body
        try:
            document, fault = _document(station, body) if again else _known(station, body), None
        except TiepointError as error:
            document, fault = {}, str(error)
        replaced = next((acts[j] for j in range(k + 1, len(acts)) if not accepted[k] <= accepted[j]), None)
        yield KeptStudy(body["kind"], body["of"], body["good"], document, entry, fault, replaced)


def _known(station: Station, body: Mapping[str, Any]) -> dict[str, Any]:
    path = station.folder.joinpath(*str(body["file"]).split("/"))
    told = path, body["sha"], body["data_sha"], stamps_of(sorted(path.parent.glob(f"{glob.escape(path.stem)}.*")))
    if told not in _read:
        _read[told] = _document(station, body)
        for old in list(_read)[:-MOST_KNOWN]:
            _read.pop(old, None)
    return _read[told]


def _document(station: Station, body: Mapping[str, Any]) -> dict[str, Any]:
    path = station.folder.joinpath(*str(body["file"]).split("/"))
    _demand_there(path)
    document = read_document(path, "study")
    if sha256(document) != body["sha"]:
        raise UnusableDocument(f"{path} was altered after the study was made")
    if body["data_sha"] is not None:
        data = path.with_name(document["data"]["file"])
        _demand_there(data)
        if hashlib.sha256(read_bytes(data, MOST_BYTES)).hexdigest() != body["data_sha"]:
            raise UnusableDocument(f"{data} was altered after the study was made")
    return document


def _demand_there(path: Path) -> None:
    if not path.is_file():
        raise UnusableDocument(f"{path} is missing; restore it from a backup, or make the study again")
