"""Records as files: `tiepoint/record/1` as JSON and back, one line each in `records.jsonl`, one row a reading in CSV.

The hash of a record is over its canonical content without `sha` itself and without `timings`: how long the work
took is kept, but two runs over the same shot say the same and hash the same.
"""

import csv
import io
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

from tiepoint.documents.canonical import plain, sha256_of_plain
from tiepoint.documents.files import (
    append_together,
    check_format,
    demand_folder,
    format_of,
    parsed_json,
    read_text,
    write_together,
)
from tiepoint.foundation.errors import MixedSources, UnusableDocument, UnusableInput
from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Distribution, Kind, Scope, Source, Value
from tiepoint.model.decide import Limits, decide
from tiepoint.model.reading import Reading, SourceTerm
from tiepoint.model.record import Grip, Record
from tiepoint.model.shot import RobotPose
from tiepoint.recipe.shots import read_shot

JSONL, CSV = "records.jsonl", "records.csv"
_HASHED = "_content_sha"
"""Where a record keeps the hash that was taken of it; no field of it, so that a changed copy has none."""

COLUMNS = (
    "seq", "shot", "part_id", "taken_utc", "variant", "record_verdict", "id", "step", "kind", "quantity", "operator",
    "value", "u", "dof", "U95", "unit", "lower", "upper", "rule", "p", "verdict", "reason", "flags", "drawing",
    "frame", "method", "text", "expected", "record_sha",
)  # fmt: skip
"""Columns of `records.csv`, one row a reading."""


def record_json(record: Record) -> dict[str, Any]:
    """Return a record as plain data with its `format` first and its own `sha`."""
    body = {"format": format_of("record"), **plain(record)}
    # A record never changes, and its hash costs as much as measuring the part: it is taken once.
    if _HASHED not in record.__dict__:
        record.__dict__[_HASHED] = _sha(body)
    return {**body, "sha": record.__dict__[_HASHED]}


def sealed(record: Record) -> Record:
    """Return the record with its `sha` filled in."""
    made = replace(record, sha=record_json(record)["sha"])
    made.__dict__[_HASHED] = made.sha
    return made


def record_from(content: Mapping[str, Any], where: str = "the record", *, vouched: bool = False) -> Record:
    """Return the record that plain data holds; `vouched`: by a chain that was checked, so its `sha` is not worked out.

    Raises `UnusableDocument` in one sentence where it holds none, or where its content is not what `sha` was taken of.
    """
    check_format(dict(content), "record", where)
    try:
        record = _record(content, where)
        said = None if vouched else content.get("sha")
        altered = said is not None and said != _sha(dict(content))
    except KeyError as error:
        raise UnusableDocument(f"{where} cannot be used: it has no {error.args[0]!r}") from error
    except (TypeError, ValueError, AttributeError, UnusableInput, MixedSources) as error:
        raise UnusableDocument(f"{where} cannot be used: {error}") from error
    if altered:
        raise UnusableDocument(f"{where} was altered: its content is not what its sha was taken of")
    return record


def read_records(path: Path) -> list[Record]:
    """Return the records of a `records.jsonl`; `UnusableDocument` naming the line otherwise."""
    records = []
    for number, line in enumerate(read_text(path).splitlines(), 1):
        where = f"{path.name}, line {number}"
        try:
            content = parsed_json(line) if line.strip() else None
        except (ValueError, UnusableDocument) as error:
            raise UnusableDocument(f"{where} is not JSON: {error}") from error
        if content is None:
            continue
        if not isinstance(content, dict):
            raise UnusableDocument(f"{where} holds no record")
        records.append(record_from(content, where))
    return records


def write_records(directory: Path, records: Iterable[Record]) -> None:
    """Write `records.jsonl` and `records.csv` into a folder, whole or not at all."""
    kept = list(records)
    # A byte order mark, since the spreadsheets that open it by a double click take it for the old code page without.
    csv_text = "\ufeff" + records_csv(kept)
    write_together({directory / JSONL: records_jsonl(kept).encode(), directory / CSV: csv_text.encode()})


def add_record(directory: Path, record: Record) -> None:
    """Add a record to files that `write_records` began: what was measured is kept, however the work ends.

    Raises `UnusableInput` where they cannot be written; the records before it stay.
    """
    rows = records_csv([record]).partition("\r\n")[2]
    append_together({directory / JSONL: records_jsonl([record]).encode(), directory / CSV: rows.encode()})


def demand_no_records(directory: Path) -> None:
    """Raise `UnusableInput` where a folder cannot take records, or holds those of an earlier run."""
    demand_folder(directory)
    for name in (JSONL, CSV):
        path = directory / name
        if path.is_symlink() or (path.exists() and not (path.is_file() and path.stat().st_size == 0)):
            raise UnusableInput(f"{path} is there already; name another folder, so that earlier records are not lost")


def records_jsonl(records: Iterable[Record]) -> str:
    """Return records as JSON, one a line."""
    return "".join(json.dumps(record_json(r), ensure_ascii=False, allow_nan=False) + "\n" for r in records)


def records_csv(records: Iterable[Record]) -> str:
    """Return records as CSV text, one row a reading; text that a spreadsheet would run as a formula is quoted."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for record in records:
        sha = record.sha or record_json(record)["sha"]
        for reading in record.readings:
            writer.writerow([_cell(v) for v in _row(record, sha, reading)])
    return out.getvalue()


def recompute(reading: Reading) -> Reading:
    """Return the reading with u, dof, U95 and verdict recomputed from its own sources.

    Where the method is not `linear`, the interval came from a distribution and is kept, as is the verdict from it.
    """
    if reading.value is None:
        return reading
    value = value_of(reading)
    if reading.method != "linear":
        return replace(reading, u=value.u, dof=value.dof)
    verdict = None
    if reading.limits is not None:
        verdict = decide(value.value, value.u, value.dof, reading.limits, reading.unit)
    return replace(reading, u=value.u, dof=value.dof, U95=value.U95).judged(verdict)


def value_of(reading: Reading) -> Value:
    """Return a reading's value as a linear form over its sources, to be combined with others."""
    if reading.value is None:
        raise ValueError(f"reading {reading.id!r} has no value")
    return Value(reading.value, {_source(t): t.c for t in reading.sources})


def _source(term: SourceTerm) -> Source:
    return Source(
        term.id,
        term.label,
        cast(Kind, term.type),
        term.u,
        cast(Scope, term.scope),
        cast(Distribution, term.distribution),
        term.dof,
    )


def _sha(body: Mapping[str, Any]) -> str:
    return sha256_of_plain({k: v for k, v in body.items() if k not in ("sha", "timings")})


def _row(record: Record, sha: str, reading: Reading) -> tuple[object, ...]:
    shot, limits = record.shot, reading.limits
    return (
        record.seq, shot.id, shot.part_id, shot.taken_utc, record.variant, record.verdict, reading.id, reading.step,
        reading.kind, reading.quantity, reading.operator, reading.value, reading.u,
        None if reading.dof is None or math.isinf(reading.dof) else reading.dof, reading.U95, reading.unit,
        limits and limits.lower, limits and limits.upper, limits and limits.rule, limits and limits.p,
        reading.verdict, reading.reason and reading.reason.sentence, " ".join(reading.flags), reading.drawing,
        reading.frame, reading.method, reading.text, reading.expected, sha,
    )  # fmt: skip


def _cell(value: object) -> str:
    if value is None:
        return ""
    if not isinstance(value, str):
        return repr(value)
    return "'" + value if value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _record(content: Mapping[str, Any], where: str) -> Record:
    return Record(
        station=content["station"],
        seq=content["seq"],
        shot=read_shot(content["shot"], where),
        recipe_sha=content["recipe_sha"],
        tie_shas=tuple(content["tie_shas"]),
        software=content["software"],
        readings=tuple(_reading(r) for r in content["readings"]),
        verdict=content["verdict"],
        variant=content["variant"],
        lights_sha=content["lights_sha"],
        grips=tuple(_grip(g) for g in content["grips"]),
        notes=tuple(content["notes"]),
        timings=dict(content["timings"]),
        prev_sha=content["prev_sha"],
        sha=content["sha"],
    )


def _reading(raw: Mapping[str, Any]) -> Reading:
    limits, value, flags = raw["limits"], raw["value"], tuple(raw["flags"])
    return Reading(
        **{k: raw[k] for k in ("id", "name", "kind", "quantity", "unit", "step", "frame", "operator", "verdict")},
        value=value,
        u=raw["u"],
        dof=math.inf if value is not None and raw["dof"] is None else raw["dof"],
        U95=raw["U95"],
        sources=tuple(_term(t) for t in raw["sources"]),
        limits=None if limits is None else Limits(limits["lower"], limits["upper"], limits["rule"], limits["p"]),
        reason=_reason(raw["reason"]),
        drawing=raw["drawing"],
        flags=flags,
        method=raw["method"],
        text=raw.get("text"),
        expected=raw.get("expected"),
    )


def _term(raw: Mapping[str, Any]) -> SourceTerm:
    names = ("id", "label", "type", "distribution", "u", "scope", "c")
    return SourceTerm(**{k: raw[k] for k in names}, dof=math.inf if raw["dof"] is None else raw["dof"])


def _reason(raw: Mapping[str, Any] | None) -> Reason | None:
    return None if raw is None else Reason(raw["code"], dict(raw["params"]))


def _grip(raw: Mapping[str, Any]) -> Grip:
    pose = raw["robot_from_grip"]
    return Grip(
        raw["name"],
        None if pose is None else RobotPose(tuple(pose["position_mm"]), tuple(pose["quaternion"])),
        None if raw["U"] is None else tuple(raw["U"]),
        raw["inside_envelope"],
        _reason(raw["reason"]),
        raw.get("turn_deg"),
        raw.get("age_s"),
        raw.get("count"),
    )
