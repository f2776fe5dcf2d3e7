"""Evidence: records with their pictures, in a chain whose head is told outside of the station."""

from tiepoint.station.folder import Station
from tiepoint.station.heads import heads_path
from tiepoint.station.on_record import on_record
from tiepoint.station.stages import Stage
from tiepoint.station.words import counted


def stage_of(station: Station) -> Stage:
    """Return the stage: begun with the first record; proved where the chain's head was told to a second place too.

    Whether the chain itself holds is what tiepoint verify looks at; it takes as long as there are records.
    """
    record = on_record(station)
    if not record.records:
        return Stage("evidence", "empty", "No records yet", True, (), ("Judge parts: each becomes a record.",))
    line = counted(record.records, "record")
    done = (f"{line} in the ledger.",)
    path = heads_path(station)
    if path is None:
        to_do = "Name a second place for the ledger's head: copy_head_to in [ledger] of station.toml."
        return Stage("evidence", "begun", line, True, done, (to_do, "Verify the evidence."))
    if not path.is_file():
        return Stage("evidence", "begun", line, True, done, ("No head was told to the second place yet.",))
    return Stage("evidence", "proved", line, True, (*done, "Its head is told to a second place."))
