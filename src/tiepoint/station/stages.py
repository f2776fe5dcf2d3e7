"""How far the job is: each of its eight stages with its state, in a line, and what was done and is to do.

A stage is *proved* only by what stands on record, and *out of date* where something that it rests on is not any more
what it was proved with, by hash. What each stage looks at stands in `stages_<id>.py`.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from importlib import import_module
from typing import Literal

from tiepoint.foundation.errors import TiepointError
from tiepoint.station.folder import Station
from tiepoint.station.there import demand_there
from tiepoint.station.words import sentence, without_folder

StageId = Literal["see", "plan", "tie", "light", "recipe", "prove", "duty", "evidence"]
StageState = Literal["empty", "begun", "proved", "out of date"]
IDS: tuple[StageId, ...] = ("see", "plan", "tie", "light", "recipe", "prove", "duty", "evidence")
"""In the order in which the job is done."""
LONGEST_LINE = 24


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage of the job. `line`: at most 24 characters. `rests`: whether it still rests on the one before.

    `word`: its own for its state, as *on duty*. `done`, `to_do`: whole sentences; the first of `to_do` comes next.
    """

    id: StageId
    state: StageState
    line: str
    rests: bool = True
    done: tuple[str, ...] = ()
    to_do: tuple[str, ...] = ()
    word: str = ""


def stages_of(station: Station) -> tuple[Stage, ...]:
    """Return all stages in their order; one that cannot be told says why, and keeps no other from being told."""
    try:
        demand_there(station.folder)
    except TiepointError as error:
        return tuple(_unreadable(id_, station, error) for id_ in IDS)
    return tuple(_told(station))


def first_to_do(stages: tuple[Stage, ...]) -> StageId:
    """Return the first stage that is not proved; Evidence where all are."""
    return next((stage.id for stage in stages if stage.state != "proved"), "evidence")


def _told(station: Station) -> Iterator[Stage]:
    for id_ in IDS:
        stage_of: Callable[[Station], Stage] = import_module(f"tiepoint.station.stages_{id_}").stage_of
        try:
            stage = stage_of(station)
        except TiepointError as error:
            stage = _unreadable(id_, station, error)
        rests = stage.rests and stage.state not in ("empty", "out of date")
        yield replace(stage, line=stage.line[:LONGEST_LINE], rests=rests)


def _unreadable(id_: StageId, station: Station, error: TiepointError) -> Stage:
    says = sentence(without_folder(str(error), station.folder))
    return Stage(id_, "begun", "Cannot be read", False, (), (says,))
