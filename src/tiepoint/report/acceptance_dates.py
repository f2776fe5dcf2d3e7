"""Which came first, what was asked for or the data: by what the data themselves tell of when they were taken."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tiepoint.documents.grid import read_grid
from tiepoint.foundation.errors import TiepointError
from tiepoint.model.record import Record
from tiepoint.station.folder import Station
from tiepoint.station.kept import STUDIES, KeptStudy
from tiepoint.station.ledger import Entry
from tiepoint.station.matrix import Line

TIMES = ("taken_utc", "time", "when_utc", "when")
"""Columns of a table that tell when a row was taken, as RFC 3339 in UTC."""


@dataclass(frozen=True, slots=True)
class Dated:
    """When a requirement was `stated`, from when its study's data are, and when the study was made; UTC.

    `data_from` is None where the data do not tell; `older`: whether they, or the study, are older than the requirement.
    """

    line: Line
    stated: str
    data_from: str | None
    made: str | None

    @property
    def older(self) -> bool:
        """Whether the data or the study came before what they are held against."""
        return any(when is not None and when < self.stated for when in (self.data_from, self.made))


def dated(
    station: Station, agreed: Entry, lines: Sequence[Line], records: Sequence[Record], written: Mapping[int, str]
) -> tuple[Dated, ...]:
    """Return the dates of each requirement. `written`: when each record was written, by its entry."""
    taken = {p.pixels_sha256: _taken(r, written) for r in reversed(records) for p in r.shot.pictures}
    told: dict[int, str | None] = {}
    found = []
    for line in lines:
        act = None if line.study is None else line.study.act
        if line.study is not None and line.study.act.seq not in told:
            told[line.study.act.seq] = data_from(station, line.study, taken)
        when = None if act is None else told[act.seq]
        found.append(Dated(line, agreed.written_utc, when, None if act is None else act.written_utc))
    return tuple(found)


def _taken(record: Record, written: Mapping[int, str]) -> str:
    return record.shot.taken_utc or written.get(record.seq, "")


def data_from(station: Station, study: KeptStudy, taken: Mapping[str, str]) -> str | None:
    """Return since when a study's data are; None where they do not tell. `taken`: when a picture was, by its hash."""
    data = study.document.get("data")
    if data is None:
        return None
    path = station.folder / STUDIES / str(data["file"])
    whens = [w for w in _of_pictures(study, taken) if w]
    try:
        whens += _of_records(path, taken) if path.suffix == ".jsonl" else _of_table(path)
    except (TiepointError, OSError, ValueError, KeyError, TypeError):
        return None  # whether the file is as it was kept is the evidence's matter
    return min(whens, default=None)


def _of_pictures(study: KeptStudy, taken: Mapping[str, str]) -> list[str]:
    """Return when the pictures of a trial were taken that the station has seen."""
    if study.kind != "trial":
        return []
    parts = study.document["outcome"].get("parts", ())
    return [taken[sha] for part in parts for sha in part["worst"]["pictures"] if sha in taken]


def _of_records(path: Path, taken: Mapping[str, str]) -> list[str]:
    whens = []
    with path.open(encoding="utf-8") as lines:
        for line in lines:
            shot = json.loads(line)["shot"]
            by_picture = [taken[p["pixels_sha256"]] for p in shot["pictures"] if p["pixels_sha256"] in taken]
            whens += [when for when in (shot.get("taken_utc"), *by_picture) if when]
    return whens


def _of_table(path: Path) -> list[str]:
    grid = read_grid(path, ())
    name = next((name for name in TIMES if grid.has(name)), None)
    if name is None:
        return []
    return [text for text in grid.texts(name) if len(text) >= 19 and text[4] == "-" and text[10] in "T "]
