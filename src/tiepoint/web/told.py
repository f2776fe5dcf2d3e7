"""Entries of the ledger and the duty's state as plain data, as pages are told them."""

import json
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.rounding import value_and_pm
from tiepoint.model.decide import ISO
from tiepoint.station.duty.condition import next_of
from tiepoint.station.duty.status import Status
from tiepoint.station.ledger import Entry
from tiepoint.station.words import limits_said
from tiepoint.web.on_a_page import on_a_page

BEGIN = on_a_page("put the station on duty with tiepoint serve")
KINDS = ("record", "archived", "act", "duty", "run")
"""Kinds of entries that are told live."""


def record_in_short(entry: Entry) -> dict[str, Any]:
    """Return what a list tells of a record. `held_by`: the first reading that does not conform, and why."""
    body = entry.body
    shot, readings = body["shot"], body["readings"]
    against = [r for r in readings if r.get("verdict") not in (None, "conforms")]
    return {
        "seq": entry.seq,
        "written_utc": entry.written_utc,
        "verdict": body["verdict"],
        "part_id": shot.get("part_id"),
        "shot": shot["id"],
        "taken_utc": shot.get("taken_utc"),
        "status": shot.get("status", "complete"),
        "variant": body.get("variant"),
        "recipe_sha": body["recipe_sha"],
        "not_conforming": [r["id"] for r in against],
        "why": said_of(against[0]) if against else "",
    }


def said_of(reading: Mapping[str, Any]) -> str:
    """Return in a sentence why a reading does not conform; "" where it tells no reason."""
    reason = reading.get("reason")
    if not isinstance(reason, Mapping):
        return ""
    with suppress(KeyError, ValueError, TypeError, IndexError):
        return on_a_page(Reason(str(reason["code"]), dict(reason.get("params") or {})).sentence)
    return str(reason.get("code", ""))


_PRINTED = {"deg": "°", "1": "", "um": "µm", "mm2": "mm²", "in2": "in²", "px2": "px²"}


def unit_printed(unit: str | None) -> str:
    """Return a unit as pages print it: `deg` is typed, ° is read."""
    return _PRINTED.get(unit or "", unit or "")


def reading_written(reading: Mapping[str, Any]) -> dict[str, str]:
    """Return a reading as it is written for a person."""
    limits = reading.get("limits") or {}
    lower, upper, unit = limits.get("lower"), limits.get("upper"), unit_printed(reading.get("unit"))
    said = limits_said(lower, upper)
    said = f"{said} {unit}".strip() if said else ""
    value = reading.get("value")
    if not isinstance(value, float | int):
        return {"value": reading.get("text") or "no value", "pm": "", "limits": said}
    exactly = limits.get("rule", ISO) != ISO
    shown, pm = value_and_pm(float(value), reading.get("U95"), (lower, upper), exactly=exactly)
    return {"value": shown, "pm": f"{pm} {unit}".strip(), "limits": said}


def reading_whole(reading: Mapping[str, Any]) -> dict[str, Any]:
    """Return a reading as it is written, with what its ± is made of."""
    from tiepoint.report.reading_budget import budget_of_reading

    unit = unit_printed(reading.get("unit"))
    made = budget_of_reading(reading, unit)
    causes = [{"label": one.label, "u": one.u[0], "share": one.share} for one in made.causes]
    return {**reading_written(reading), "unit": unit, "causes": causes, "says": made.says}


def entry_in_short(entry: Entry) -> dict[str, Any]:
    """Return what is told of any entry: of a record in short, of others the whole."""
    if entry.kind == "record":
        return record_in_short(entry)
    return {"seq": entry.seq, "written_utc": entry.written_utc, "kind": entry.kind, "body": dict(entry.body)}


def state_told(status: Status | None) -> dict[str, Any]:
    """Return the duty's state. `fresh`: whether it is of the last seconds; if not, `says` it in words."""
    if status is None:
        return {
            "state": "off duty", "fresh": False, "says": "No duty process has run here yet.", "fault": "",
            "next": f"accept a recipe, name a camera, and {BEGIN}",
            "since_utc": None, "written_utc": None, "seq": 0, "waiting": 0, "tie_overdue": False, "counts": {},
            "links": {},
        }  # fmt: skip
    told = status.told
    state, says = str(told.get("state", "")), on_a_page(str(told.get("says", "")))
    next_ = on_a_page(next_of(str(told.get("fault", "")))) if state == "fault" else ""
    if not status.is_fresh and state == "off duty":
        next_ = BEGIN
    if not status.is_fresh and state != "off duty":
        says = (
            f"Stale: the last word of duty is of {status.written_utc}, when it was {state}; it hangs, or was ended "
            "without a word."
        )
        state, next_ = "not known", f"keep every part apart, since none is judged now; end what hangs, and {BEGIN}"
    since = told.get("since_utc")
    return {
        "state": state, "fresh": status.is_fresh, "says": says, "fault": str(told.get("fault", "")),
        "next": next_,
        "since_utc": since if isinstance(since, str) else None, "written_utc": status.written_utc, "seq": status.seq,
        "waiting": status.waiting, "tie_overdue": bool(told.get("tie_overdue")),
        "counts": _pairs(told.get("counts"), int), "links": _pairs(told.get("links"), str),
    }  # fmt: skip


def _pairs(said: Any, kind: type) -> dict[str, Any]:
    """Return what a table of the state tells, of that kind: a file of another version must end no reader."""
    return {str(k): v for k, v in said.items() if isinstance(v, kind)} if isinstance(said, Mapping) else {}


def as_event(kind: str, content: Mapping[str, Any], seq: int | None = None) -> bytes:
    """Return an event of the stream (WHATWG HTML, 9.2); only what stands in the ledger has an id to go on from."""
    number = "" if seq is None else f"id: {seq}\n"
    return f"{number}event: {kind}\ndata: {json.dumps(content, separators=(',', ':'))}\n\n".encode()
