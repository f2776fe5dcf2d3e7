"""Light: the lamps of a shot are described, and what they bring out was accepted and tried."""

from collections.abc import Mapping
from typing import Any

from tiepoint.station.folder import Station
from tiepoint.station.on_record import draft_sha, on_record
from tiepoint.station.stages import Stage
from tiepoint.station.words import counted


def stage_of(station: Station) -> Stage:
    """Return the stage: proved where the accepted lights are as they were, and a good study was made with them."""
    names, record = _names(station), on_record(station)
    accepted = sorted({name for copy in record.copies for name in copy.files if name.endswith("lights.toml")})
    if not names and not accepted:
        to_do = "Describe the lamps, if raised or engraved detail has to be brought out; else go on."
        return Stage("light", "empty", "No lamps described", True, (), (to_do,))
    done = [f"{counted(len(names), 'description')} of lamps: {', '.join(names)}."]
    changed = [name for name in accepted if draft_sha(station, name) not in record.accepted_as(name)]
    if changed:
        to_do = f"Accept {', '.join(changed)}, which is not as it was accepted, or undo the change."
        return Stage("light", "out of date", "Not as it was accepted", True, tuple(done), (to_do,))
    if not accepted:
        to_do = "Use the lamps in a recipe, and accept both."
        return Stage("light", "begun", "Not accepted", True, tuple(done), (to_do,))
    done.append(f"Accepted: {', '.join(accepted)}.")
    tried = [s for s in record.good("trial", "rr", "type1", "agreement") if s.replaced is None and _lit(s.document)]
    if not tried:
        to_do = "Make a trial or a study of parts that are lit so."
        return Stage("light", "begun", "Accepted, not tried", True, tuple(done), (to_do,))
    done.append(f"Good on record: {tried[-1].kind} (entry {tried[-1].act.seq}).")
    return Stage("light", "proved", "Accepted and tried", True, tuple(done))


def _names(station: Station) -> list[str]:
    places = (station.folder, station.folder / "lights", station.folder / "recipes")
    found = (path for place in places for path in sorted(place.glob("*lights.toml")))
    return [path.relative_to(station.folder).as_posix() for path in found]


def _lit(document: Mapping[str, Any]) -> bool:
    """Whether a study's records were made with lamps."""
    return any(one.get("lights_sha") for one in document.get("made_by") or ())
