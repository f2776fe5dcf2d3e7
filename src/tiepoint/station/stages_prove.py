"""Prove: what was agreed is shown by studies of what is run."""

from tiepoint.station.claims import claims_now
from tiepoint.station.folder import Station
from tiepoint.station.matrix import Line, in_all
from tiepoint.station.on_record import OnRecord, on_record
from tiepoint.station.requirements import ON_DUTY, REQUIREMENTS
from tiepoint.station.stages import Stage
from tiepoint.station.words import counted


def stage_of(station: Station) -> Stage:
    """Return the stage: proved where every requirement is shown, but those that only a station on duty can show."""
    record = on_record(station)
    lines: tuple[Line, ...] = ()
    if record.last("agree") is not None:
        lines = claims_now(station).lines
    if lines:
        return _by_lines(record, lines)
    agree = "Write down what is agreed in requirements.toml, and accept it."
    if (station.folder / REQUIREMENTS).is_file():
        agree = "Accept requirements.toml: studies are held against what was agreed before them."
    if not record.studies:
        return Stage("prove", "empty", "Nothing agreed yet", True, (), (agree,))
    stale = [study for study in record.studies if study.replaced is not None]
    done = (f"{counted(len(record.studies), 'study', 'studies')} on record.",)
    if stale and len(stale) == len(record.studies):
        return Stage("prove", "out of date", "Studied what is not run", False, done, ("Make the studies again.", agree))
    return Stage("prove", "begun", "Studied, nothing agreed", True, done, (agree,))


def _by_lines(record: OnRecord, lines: tuple[Line, ...]) -> Stage:
    shown = [line for line in lines if line.state == "shown"]
    left = [line for line in lines if line.state != "shown" and line.asked.by not in ON_DUTY]
    said, done = f"{len(shown)} of {len(lines)} shown", (in_all(lines),)
    to_do = tuple(f"{line.asked.id}: {line.why}." for line in left[:8])
    if not left:
        later = tuple(f"{one.asked.id}: {one.why}." for one in lines if one.state != "shown")
        return Stage("prove", "proved", said, True, done, later)
    stale = [line for line in left if line.study is not None and (line.study.replaced is not None or line.older)]
    if stale:
        return Stage("prove", "out of date", "Studied what is not run", False, done, to_do)
    return Stage("prove", "begun" if record.studies else "empty", said, True, done, to_do)
