"""What accepted recipes give that wires tell, and what of `[wires]` does not fit it: units, texts, limits, grips."""

from collections.abc import Iterable, Iterator
from contextlib import suppress
from typing import TYPE_CHECKING

from tiepoint.foundation.errors import TiepointError
from tiepoint.recipe.judge import Asked
from tiepoint.recipe.runner import Job
from tiepoint.recipe.tables import meant, said_names, shown
from tiepoint.station.cameras.table import CameraTable
from tiepoint.station.duty.table import DutyTable
from tiepoint.station.wires.layout import holds
from tiepoint.station.wires.table import MapTable, WiresTable, same_reading

if TYPE_CHECKING:
    from tiepoint.station.duty.judging import Judge


def jobs_of(judge: "Judge") -> tuple[Job, ...]:
    """Return what is accepted, by variant; without what cannot be prepared, which is told where its recipe is."""
    jobs = []
    named = [(sha, name) for name, sha in judge.pointers.by_variant.items()]
    for sha, name in [*named, *((sha, None) for sha in judge.pointers.by_recipe.values())]:
        with suppress(TiepointError):
            jobs.append(judge.copies[sha].job(name))
    return tuple(jobs)


def readings_of(jobs: Iterable[Job]) -> tuple[Asked, ...]:
    """Return every reading that recipes give, as each of them asks for it."""
    return tuple(asked for job in jobs for of_step in job.asked.values() for asked in of_step)


def units_of(asked: Iterable[Asked]) -> dict[str, str]:
    """Return the unit of each reading by its id; those of all recipes where they differ."""
    units: dict[str, dict[str, None]] = {}
    for one in asked:
        units.setdefault(one.id, {})[one.unit] = None
    return {reading: " or ".join(its) for reading, its in units.items()}


def misfits(table: WiresTable, jobs: Iterable[Job]) -> Iterator[str]:
    """Yield, in sentences that begin with their places, what can never be told as the table means it."""
    jobs = tuple(jobs)
    asked = readings_of(jobs)
    for k, one in enumerate(table.map):
        its = [a for a in asked if one.reading is not None and same_reading(a.id, one.reading)]
        yield from (f"wires.map[{k}]{fault}" for fault in dict.fromkeys(_misfits_of(one, its)))
    grips = list(dict.fromkeys(grip.name for job in jobs for grip in job.recipe.grips))
    for k, robot in enumerate(table.robot):
        if robot.grip is not None and robot.grip not in grips and jobs:
            there = meant(robot.grip, grips) if grips else "none of them has a grip"
            yield f"wires.robot[{k}].grip is {shown(robot.grip)}, which no accepted recipe has; {there}"


def too_late(table: WiresTable, duty: DutyTable, cameras: Iterable[CameraTable]) -> Iterator[str]:
    """Yield which rejecters, held back by `pass`, a part that cannot be read may have gone by before it is told of."""
    within = {"duty.deadline_ms": duty.deadline_ms}
    for k, camera in enumerate(cameras):
        if camera.comes_from == "folder" and camera.folder is not None:
            within[f"camera[{k}].folder.incomplete_after_s"] = round(1000 * camera.folder.incomplete_after_s)
    longest = max(within, key=lambda key: within[key])
    for k, one in enumerate(table.remote_io):
        if one.pass_ is not None and one.delay_from == "seen" and one.delay_ms < within[longest]:
            yield (
                f"wires.remote_io[{k}].delay_ms is {one.delay_ms}, and by {longest} a part that cannot be read is told "
                f"of up to {within[longest]} ms after it was seen: it would be past the rejecter that pass holds back; "
                "shorten that, throw out later, or let good alone pass parts"
            )


def mixed(table: WiresTable, cameras: Iterable[CameraTable]) -> Iterator[str]:
    """Yield the cameras beyond the first, where a wire that parts pass by tells the results of all."""
    on_duty = [(k, camera.name) for k, camera in enumerate(cameras) if camera.comes_from is not None]
    if table.modbus or table.robot or table.remote_io:
        for k, name in on_duty[1:]:
            yield (
                f"camera[{k}].name is {shown(name)}, and its results come by the same wires as those of "
                f"{shown(on_duty[0][1])}, which do not say of which camera they are: a part would pass by the one "
                "though the other rejects it; make a station of each camera"
            )


def _misfits_of(one: MapTable, its: list[Asked]) -> Iterator[str]:
    name, units = shown(one.reading), list(dict.fromkeys(a.unit for a in its))
    if any(a.quantity.dimension == "text" for a in its):
        yield f".reading is {name}, a text, which no register holds; map a number, or tell texts by MQTT"
        return
    if len(units) > 1:
        yield (
            f".reading is {name}, which accepted recipes give in {said_names(units)}: the register would change its "
            "unit with the variant; write one unit into all recipes"
        )
    limits = [(limit, a.unit) for a in its if a.limits is not None for limit in (a.limits.lower, a.limits.upper)]
    for limit, unit in limits if one.what == "value" else ():
        if limit is not None and not holds(limit, one.as_, one.scale):
            yield (
                f".scale makes {limit * one.scale:g} of the limit {limit:g} {unit} of {name}, which {one.as_} cannot "
                "hold: there would be no value; give a smaller scale, or two registers"
            )
            return
