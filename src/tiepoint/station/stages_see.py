"""See: the camera aims and is sharp, and how it looks was held as the accepted state."""

from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry
from tiepoint.station.on_record import Copy, OnRecord, copies_of, on_record
from tiepoint.station.stages import Stage
from tiepoint.station.words import counted
from tiepoint.station.working_pictures import pictures_of


def stage_of(station: Station) -> Stage:
    """Return the stage: proved once the state is held, out of date where it is run with another tie or light since."""
    record, cameras = on_record(station), station.table.camera
    held = record.last("hold")
    if held is not None:
        done = (f"The state was held as accepted by {held.body['who']} (entry {held.seq}).",)
        if _aims_otherwise(station, record, held):
            again = "Hold the state anew: another tie, or other lights, were accepted since."
            return Stage("see", "out of date", "Held before it was run", True, done, (again,), "not as held")
        return Stage("see", "proved", f"Held, {counted(int(held.body.get('shots', 0)), 'shot')}", True, done)
    if cameras:
        done = (f"station.toml names {', '.join(camera.name for camera in cameras)}.",)
        to_do = ("Aim and focus the camera, and hold the state as accepted once it runs as it should.",)
        return Stage("see", "begun", counted(len(cameras), "camera"), True, done, to_do)
    if pictures := pictures_of(station, "see"):
        done = (f"{counted(len(pictures), 'picture')} handed over.",)
        to_do = ("Hold the state as accepted once it looks as it should, or name the camera in station.toml.",)
        return Stage("see", "begun", counted(len(pictures), "picture"), True, done, to_do)
    return Stage("see", "empty", "No camera yet", True, (), ("Name a camera in station.toml, or bring pictures.",))


def _aims_otherwise(station: Station, record: OnRecord, held: Entry) -> bool:
    """Whether what is run now rests on other ties or lights than what was run when the state was held."""
    before = [act for act in record.acts if act.body.get("act") == "accept" and act.seq < held.seq]
    if not before:
        # No other tie was run before: what was held lacks its say only where the watch has fixed edges.
        return bool(station.table.watch.edge) and bool(record.copies)
    then = {name: sha for copy in copies_of(station, before[-1]) for name, sha in _seen_by(copy)}
    return any(then.get(name, sha) != sha for copy in record.copies for name, sha in _seen_by(copy))


def _seen_by(copy: Copy) -> list[tuple[str, str]]:
    return [(name, sha) for name, sha in copy.files.items() if name.startswith("ties/") or name.endswith("lights.toml")]
