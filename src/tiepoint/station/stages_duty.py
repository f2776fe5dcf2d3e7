"""Duty: the station judges parts by what was accepted."""

from tiepoint.station.duty.status import read_status
from tiepoint.station.folder import Station
from tiepoint.station.on_record import OnRecord, on_record
from tiepoint.station.stages import Stage


def stage_of(station: Station) -> Stage:
    """Return the stage: proved while it is on duty, which it is only once its challenge set was judged right."""
    record, status = on_record(station), read_status(station.folder)
    if not record.copies:
        return Stage("duty", "empty", "Nothing accepted", True, (), ("Accept a recipe: duty runs nothing else.",))
    on = status is not None and status.is_fresh
    state = str(status.told.get("state", "")) if status is not None and on else "off duty"
    if state != "on duty":
        says = str(status.told.get("says", "")) if status is not None and on else ""
        to_do = says or "Put the station on duty with tiepoint serve."
        return Stage("duty", "begun", "Accepted, not running", True, _done(record), (to_do,), state)
    since = str(status.told.get("since_utc") or "") if status is not None else ""
    line = f"Since {since[:10]} {since[11:16]}" if since else "Judges parts"
    return Stage("duty", "proved", line, True, _done(record), (), state)


def _done(record: OnRecord) -> tuple[str, ...]:
    return tuple(f"Runs {copy.recipe} ({copy.sha[:8]})." for copy in record.copies)
