"""Every study in the report: what it found, its picture, its figures with what they are worked out from."""

import math
import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from typing import Any

from tiepoint.documents.grid import read_grid
from tiepoint.documents.tables import plain_number
from tiepoint.foundation.errors import TiepointError
from tiepoint.foundation.rounding import fixed
from tiepoint.model.record import Record
from tiepoint.report.acceptance_evidence import KINDS, when
from tiepoint.report.acceptance_story import AcceptanceStory, wrong_of
from tiepoint.report.blocks import (
    Block,
    Cell,
    Facts,
    Figure,
    Grid,
    Listed,
    Note,
    Picture,
    Pictures,
    Raw,
    Recompute,
    Say,
    Section,
    cells,
)
from tiepoint.report.study_numbers import worked
from tiepoint.report.study_rows import Row, Worked
from tiepoint.report.trial_page import MOST_SHOWN
from tiepoint.station.kept import STUDIES, KeptStudy
from tiepoint.studies.wording import unit_said

_RECORD = re.compile(r"record (\d+)")


def raw_name(study: KeptStudy) -> str:
    """Return by which name formulas call the raw numbers of a study."""
    return f"raw-study-{study.act.seq}"


def inputs_of(study: KeptStudy, found: Worked) -> dict[str, Any]:
    """Return what the formula of a study takes: its inputs, and the raw numbers where it has any."""
    return {**found.inputs, "raw": raw_name(study)} if found.columns else dict(found.inputs)


def sections_of_studies(story: AcceptanceStory) -> Iterator[Section]:
    """Yield a section for each study, kind by kind; of a kind that has none, one that says so."""
    known = [*KINDS, *dict.fromkeys(s.kind for s in story.studies if s.kind not in KINDS)]
    for kind in known:
        made = [s for s in story.studies if s.kind == kind]
        for study in made:
            later = [s.act.seq for s in made if s.of == study.of and s.act.seq > study.act.seq]
            aside = f"entry {study.act.seq}" + (f", made again in entry {later[-1]}" if later else "")
            yield Section(f"study-{study.act.seq}", _title(study), tuple(_study(story, study)), aside)
        if not made:
            name = KINDS[kind]
            said = Say(f"Not tried: no study of this kind ({kind}) was kept for the station.")
            yield Section(f"study-{kind}", name[:1].upper() + name[1:], (said,), "not tried")


def _title(study: KeptStudy) -> str:
    name = KINDS.get(study.kind, study.kind)
    return f"{name[:1].upper()}{name[1:]}: {study.of}" if study.of else name[:1].upper() + name[1:]


def _study(story: AcceptanceStory, study: KeptStudy) -> Iterator[Block]:
    if study.fault is not None:
        yield Say(f"Nothing can be told of it: {study.fault}.", loud=True)
        return
    outcome: Mapping[str, Any] = study.document["outcome"]
    yield Say(" ".join(outcome.get("sentences", ())) or "It says nothing.")
    found = worked(study.kind, outcome)
    if found.picture is not None:
        yield Figure(found.picture, f"{_title(study)}.", study.act.seq)
    yield from _figures(study, found)
    if study.kind == "trial":
        yield from _wrong(story, study)
    if convention := outcome.get("convention"):
        yield Note(str(convention))
    checks = outcome.get("checks", ())
    if checks:
        yield Listed(tuple(f"{_held(check['holds'])}: {check['sentence']}" for check in checks))
    yield from _came_from(story, study, found)


def _figures(study: KeptStudy, found: Worked) -> Iterator[Block]:
    if not found.rows:
        return
    rows = tuple(_row(study, found, row) for row in found.rows)
    head = ("Figure", "Found", "95 % interval", "Asked", "")
    yield Grid(head, rows, frozenset({1, 2, 3}), (29, 16, 22, 10, 23))


def _row(study: KeptStudy, found: Worked, row: Row) -> tuple[Cell, ...]:
    how = None
    if found.formula is not None and row.numbers:
        how = Recompute(found.formula, inputs_of(study, found), row.numbers)
    value = "not tried" if row.value is None else row.said or f"{_number(row.value)} {unit_said(row.unit)}".strip()
    alone = row.low is None and row.high is None
    interval = "" if alone or row.low == row.high else f"{_end(row.low)} to {_end(row.high)}"
    return cells(row.name, value, interval, row.asked, Cell(row.told, how=how))


def _number(value: float) -> str:
    """Return a number with four figures, a whole one whole."""
    if float(value).is_integer():
        return fixed(value, 0)
    return fixed(value, max(0, 3 - math.floor(math.log10(abs(value)))))


def _end(value: float | None) -> str:
    return "open" if value is None or not math.isfinite(value) else _number(value)


def _wrong(story: AcceptanceStory, study: KeptStudy) -> Iterator[Block]:
    """Yield the parts that a trial judged wrongly, as thumbnails where their pictures were kept."""
    wrong, n = wrong_of(study), len(study.document["outcome"].get("parts", ()))
    if not wrong:
        yield Say("No part was judged wrongly.")
        return
    seen = {p.pixels_sha256: r.seq for r in story.records for p in r.shot.pictures}
    yield Note(f"Judged wrongly: {len(wrong)} of {n} parts, the first {MOST_SHOWN} with their pictures.")
    drawn = {w["where"]: svg for w in wrong[:MOST_SHOWN] if (svg := _drawn(story, study, w)) is not None}
    if drawn:
        yield Pictures(tuple(_thumbnail(w, drawn[w["where"]], seen) for w in wrong if w["where"] in drawn), across=3)
    left = [w for w in wrong[:MOST_SHOWN] if w["where"] not in drawn]
    if left:
        yield Listed(tuple(f"{_said(w)}; its picture was not kept with the study: not shown." for w in left))


def _drawn(story: AcceptanceStory, study: KeptStudy, worst: Mapping[str, Any]) -> str | None:
    """Return the picture of a part as the trial kept it, else as the archive has it."""
    kept: Mapping[str, str] = study.document.get("pictures") or {}
    if worst["where"] in kept:
        return kept[worst["where"]]
    return next((story.wrong[sha] for sha in worst["pictures"] if sha in story.wrong), None)


def _thumbnail(worst: Mapping[str, Any], overlay: str, seen: Mapping[str, int]) -> Picture:
    entry = next((seen[sha] for sha in worst["pictures"] if sha in seen), None)
    return Picture(overlay, _said(worst), entry)


def _said(worst: Mapping[str, Any]) -> str:
    kind = f", {worst['kind']}" if worst["kind"] else ""
    margin = ""
    if worst["margin"] is not None:
        way = "within" if worst["margin"] >= 0 else "beyond"
        margin = f", {worst['nearest']} {abs(worst['margin']):.1f} u {way} its limit"
    return f"{worst['part']} is {worst['truth']}{kind}, and was judged: {worst['verdict']}{margin} ({worst['where']})"


def _held(holds: bool | None) -> str:
    return {True: "Holds", False: "Does not hold", None: "Cannot be told"}[holds]


def _came_from(story: AcceptanceStory, study: KeptStudy, found: Worked) -> Iterator[Block]:
    """Yield where a study's numbers came from: its file, its data with their hash, its records, and the raw numbers."""
    body = study.act.body
    facts = [("Kept as", f"{body['file']}, SHA-256 {str(body['sha'])[:16]}…")]
    facts.append(("Made", f"{when(study.act.written_utc)} by {body['who']}"))
    if data := study.document.get("data"):
        facts.append(("Data", f"{data['named']}, kept as {data['file']}, SHA-256 {str(body['data_sha'])[:16]}…"))
    else:
        facts.append(("Data", "not kept with it"))
    if study.document.get("command"):
        facts.append(("Command", str(study.document["command"])))
    yield Facts(tuple(facts))
    entries = _entries(story, study, found)
    told = f"{len(entries)} of the ledger" if entries else "none that its data name: the study is of its table"
    kept = Cell("the study, as it was made", entry=study.act.seq)
    yield Grid(("Kept", "Records that it is of"), (cells(kept, Cell(told, entries=entries)),), frozenset(), (30, 70))
    if found.columns:
        yield Raw(raw_name(study), "Raw numbers of the study", found.columns, entries)
    if found.formula is None:
        yield Note("Its figures are not worked out again in the page: make the study again from its data.")
    elif found.left:
        yield Note(found.left)


def _entries(story: AcceptanceStory, study: KeptStudy, found: Worked) -> tuple[int, ...]:
    """Return the entries of the ledger that a study's values came from; of a trial by the hashes of its pictures.

    A table names them in a column `record`; a row leads to its record where that holds the row's value.
    """
    told = (_RECORD.search(str(one)) for one in found.columns.get("where", ()))
    named = {seq for m in told if m is not None and (seq := int(m[1])) in story.written}
    if study.kind == "trial":
        seen = {p.pixels_sha256: r.seq for r in story.records for p in r.shot.pictures}
        parts = study.document["outcome"].get("parts", ())
        named |= {seen[sha] for part in parts for sha in part["worst"]["pictures"] if sha in seen}
    return tuple(sorted(named | set(_named_in_table(story, study))))


def _named_in_table(story: AcceptanceStory, study: KeptStudy) -> Iterator[int]:
    data = study.document.get("data")
    path = None if data is None else story.station.folder / STUDIES / str(data["file"])
    if path is None or path.suffix == ".jsonl":
        return
    records = {str(record.seq): record for record in story.records}
    with suppress(TiepointError):  # a table without these columns names no record
        grid = read_grid(path, ("record", "value"))
        for seq, value in zip(grid.texts("record"), grid.texts("value"), strict=True):
            if seq in records and _holds(records[seq], value):
                yield int(seq)


def _holds(record: Record, value: str) -> bool:
    """Whether a record says a value of a table: it may be a number of another list that stands under `record`."""
    number = plain_number(value)
    read = (r.value for r in record.readings if r.value is not None)
    return value == record.verdict if number is None else any(math.isclose(v, number, rel_tol=1e-12) for v in read)
