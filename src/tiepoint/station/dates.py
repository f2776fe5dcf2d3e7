"""Since when a study's data are: by what they themselves tell of when they were taken."""

import json
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

from tiepoint.documents.grid import read_grid
from tiepoint.foundation.errors import TiepointError
from tiepoint.model.record import Record
from tiepoint.station.folder import Station
from tiepoint.station.kept import STUDIES, KeptStudy

TIMES = ("taken_utc", "time", "when_utc", "when")
"""Columns of a table that tell when a row was taken, as RFC 3339."""

RECORDS = ".jsonl"
"""The ending of data that are records."""

_LAST_ZONE = timezone(timedelta(hours=-12))


def moment(text: str) -> datetime | None:
    """Return a time to the second; None where it is none.

    Without a zone it is taken as late as it may be meant, so that no data are called older than they are.
    """
    with suppress(ValueError, OverflowError):
        told = datetime.fromisoformat(text.strip())
        placed = told if told.tzinfo is not None else told.replace(tzinfo=_LAST_ZONE)
        return placed.astimezone(UTC).replace(microsecond=0)
    return None


def is_before(one: str, other: str) -> bool:
    """Whether a time is before another, as far as both can be read."""
    a, b = moment(one), moment(other)
    return a is not None and b is not None and a < b


def taken_of(records: Iterable[Record], written: Mapping[int, str]) -> dict[str, str]:
    """Return when each picture was taken, by the hash of its pixels. `written`: when records were, by their entry."""
    told: dict[str, str] = {}
    for record in records:
        for picture in record.shot.pictures:
            told.setdefault(picture.pixels_sha256, record.shot.taken_utc or written.get(record.seq, ""))
    return told


def data_from(station: Station, study: KeptStudy, taken: Callable[[str], str | None]) -> str | None:
    """Return since when a study's data are; None where they do not tell.

    `taken`: tells when a picture was taken, by the hash of its pixels; None where no record has it.
    """
    if study.fault is not None:
        return None
    whens = [*_of_pictures(study, taken), str(study.document.get("taken_utc") or "")]
    data = study.document.get("data")
    if data is not None:
        path = station.folder / STUDIES / str(data["file"])
        # Whether the file is as it was kept is the evidence's matter.
        with suppress(TiepointError, OSError, ValueError, KeyError, TypeError):
            whens += _of_records(path, taken) if path.suffix == RECORDS else _of_table(path)
    read = [(at, when) for when in whens if (at := moment(when)) is not None]
    return min(read)[1] if read else None


def asks_pictures(study: KeptStudy) -> bool:
    """Whether a study is of pictures of which the records tell when they were taken."""
    data = study.document.get("data")
    return study.kind == "trial" or (data is not None and str(data["file"]).endswith(RECORDS))


def _of_pictures(study: KeptStudy, taken: Callable[[str], str | None]) -> list[str]:
    """Return when the pictures of a trial were taken that the station has seen."""
    if study.kind != "trial":
        return []
    parts = study.document["outcome"].get("parts", ())
    return [when for part in parts for sha in part["worst"]["pictures"] if (when := taken(sha))]


def _of_records(path: Path, taken: Callable[[str], str | None]) -> list[str]:
    whens = []
    with path.open(encoding="utf-8") as lines:
        for line in lines:
            shot = json.loads(line)["shot"]
            by_picture = [taken(p["pixels_sha256"]) for p in shot["pictures"]]
            whens += [when for when in (shot.get("taken_utc"), *by_picture) if when]
    return whens


def _of_table(path: Path) -> list[str]:
    grid = read_grid(path, ())
    name = next((name for name in TIMES if grid.has(name)), None)
    if name is None:
        return []
    return [text for text in grid.texts(name) if len(text) >= 16 and text[4] == "-" and text[10] in "T "]
