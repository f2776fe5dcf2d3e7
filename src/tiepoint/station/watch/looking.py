"""From what a camera delivered to the numbers that are charted; the same for what is held and for what is watched.

A number goes by `kind|what|picture`, as in `grey|white tile|left`. Positions of edges become shift, scale and turn
once it is known where the edges were when the station was accepted.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.record import Record
from tiepoint.recipe.shots import LoadedShot
from tiepoint.station.watch import dirt
from tiepoint.station.watch.look import look_at_edges, look_at_patch
from tiepoint.station.watch.motion import moved
from tiepoint.station.watch.table import Edge, WatchTable
from tiepoint.vision.full_scale import full_scale

Array = NDArray[np.float64]

FIND, RUNNER_UP = "find", "runner_up"


@dataclass(frozen=True)
class Looked:
    """What one shot told: `numbers` by their names, `lost` edges, and each picture `reduced` to blocks."""

    numbers: Mapping[str, float]
    lost: tuple[str, ...]
    reduced: Mapping[str, dirt.Floats]


def looked_at(loaded: LoadedShot, table: WatchTable) -> Looked:
    """Return what the fixed places of a shot look like. Raises `UnusableInput` for a place outside of a picture."""
    numbers: dict[str, float] = {}
    lost: list[str] = []
    small: dict[str, dirt.Floats] = {}
    for role, picture in loaded.pictures.items():
        numbers |= _patches(picture.grey, role, table)
        for name, edge in _edges(picture.grey, role, table):
            if edge is None:
                lost.append(name)
            else:
                numbers[f"along|{name}"], numbers[f"blur|{name}"] = edge
        if table.dirt is not None:
            small[role] = dirt.reduced(picture.grey, dirt.block_for(*picture.size))
    if loaded.shot.temperature_c is not None:
        numbers["temperature||"] = loaded.shot.temperature_c
    return Looked(numbers, tuple(lost), small)


def _patches(grey: NDArray[np.generic], role: str, table: WatchTable) -> dict[str, float]:
    full = full_scale([grey])
    numbers: dict[str, float] = {}
    for patch in table.patch:
        if patch.picture not in (None, role):
            continue
        x, y, width, height = patch.box
        if y + height > grey.shape[0] or x + width > grey.shape[1]:
            raise UnusableInput(
                f"watch.patch {patch.name} reaches to {x + width}, {y + height} px, and picture {role} has "
                f"{grey.shape[1]} × {grey.shape[0]} px; set its box anew"
            )
        told, of = look_at_patch(grey[y : y + height, x : x + width], full), f"{patch.name}|{role}"
        numbers |= {f"grey|{of}": told.grey, f"saturated|{of}": told.saturated, f"black|{of}": told.black}
        if patch.sharp and told.sharpness is not None:
            numbers[f"sharpness|{of}"] = told.sharpness
    return numbers


def _edges(grey: NDArray[np.generic], role: str, table: WatchTable) -> Iterator[tuple[str, tuple[float, float] | None]]:
    for edge in table.edge:
        if edge.picture not in (None, role):
            continue
        told = look_at_edges(grey, np.array([edge.at]), _way(edge)[None], edge.length, edge.width)
        along, blur = float(told.along[0]), float(told.blur[0])
        yield f"{edge.name}|{role}", (along, blur) if math.isfinite(along) else None


def _way(edge: Edge) -> Array:
    angle = math.radians(edge.towards_deg)
    return np.array([math.cos(angle), math.sin(angle)])


def motion_numbers(numbers: Mapping[str, float], were: Mapping[str, float], table: WatchTable) -> dict[str, float]:
    """Return how the camera has moved, picture by picture, from where the edges `were`: shift in px, turn, scale − 1.

    Only of a shot in which every edge that was held is seen again: with one fewer another middle would be meant.
    """
    edges, found = {edge.name: edge for edge in table.edge}, {}
    for role in dict.fromkeys(name.split("|")[2] for name in were):
        names = [name for name in were if name.split("|")[2] == role]
        if not all(name in numbers for name in names):
            continue
        mine = [edges[name.split("|")[1]] for name in names if name.split("|")[1] in edges]
        if len(mine) < len(names):
            continue
        shifts = np.array([numbers[name] - were[name] for name in names])
        told = moved(np.array([e.at for e in mine], float), np.array([_way(e) for e in mine]), shifts)
        for key, value in (("x", told.x_px), ("y", told.y_px), ("along", told.along_px)):
            if value is not None:
                found[f"position|{key}|{role}"] = value
        for key, value in (("turn", told.turn_rad), ("scale", told.scale)):
            if value is not None:
                found[f"{key}||{role}"] = value
    return found


def record_numbers(record: Record, *, is_golden: bool) -> dict[str, float]:
    """Return what is charted of a record: the runner-up's share of each find, and every value of a golden part."""
    part = record.shot.part_id or ""
    numbers = {}
    for reading in record.readings:
        if reading.value is None:
            continue
        if reading.kind == FIND and reading.quantity == RUNNER_UP:
            numbers[f"runner_up|{reading.id}|{record.variant or ''}"] = reading.value
        if is_golden:
            numbers[f"golden|{reading.id}|{part}"] = reading.value
    return numbers
