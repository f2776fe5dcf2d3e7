"""Grips of a draft: the robots that one may be told to, and what each comes to on the shot, in words and in pixels."""

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from tiepoint.documents.files import kind_of, read_document
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.foundation.rounding import value_and_pm
from tiepoint.foundation.units import MM_PER
from tiepoint.model.record import Grip
from tiepoint.recipe.grips import GripTable
from tiepoint.station.folder import Station
from tiepoint.station.recipes.places import frame_for
from tiepoint.station.recipes.trying import Tried

ARM_PX = 46.0
"""How long a grip's +x is drawn."""


def robots_of(station: Station) -> list[str]:
    """Return the ties plane → robot and the hand-eyes, by their path in the station's folder."""
    found = []
    for folder in ("ties", "robots"):
        for path in sorted((station.folder / folder).glob("*.json")):
            try:
                if _leads_to_robot(path):
                    found.append(f"{folder}/{path.name}")
            except TiepointError:
                continue
    return found


def _leads_to_robot(path: Path) -> bool:
    kind = kind_of(path)
    return kind == "robot" or (kind == "tie" and bool(read_document(path, "tie").get("to_frame") == "robot"))


def grips_told(tried: Tried, unit: str) -> list[dict[str, Any]]:
    """Return each grip of the shot: its name, in words where the gripper is to go or why nowhere, and its +x in pixels.

    Of a find that finds several parts there are several.
    """
    if tried.outcome is None:
        return []
    tables = {grip.name: grip for grip in tried.job.recipe.grips}
    drawn: set[str] = set()
    told = []
    for grip in tried.outcome.record.grips:
        # The frame is that of the part seen best, whose grip comes first.
        line = [] if grip.name in drawn else list(_line(tried, tables[grip.name]))
        drawn.add(grip.name)
        told.append({
            "name": grip.name, "good": grip.robot_from_grip is not None, "says": said_grip(grip, unit), "line": line,
        })  # fmt: skip
    return told


def said_grip(grip: Grip, unit: str) -> str:
    """Return where the gripper is to go in the robot's frame, each number with its ±, or why nowhere."""
    if grip.robot_from_grip is None or grip.U is None or grip.turn_deg is None:
        return grip.reason.sentence if grip.reason else "no part was found"
    per = MM_PER[unit]
    figures = [
        (*value_and_pm(value / per, U / per), unit)
        for value, U in zip(grip.robot_from_grip.position_mm, grip.U[:3], strict=True)
    ]
    figures.append((*value_and_pm(grip.turn_deg, grip.U[3]), "°"))
    said = (" ".join(part for part in told if part) for told in figures)
    return ", ".join(f"{name} {one}" for name, one in zip(("x", "y", "z", "turn"), said, strict=True))


def _line(tried: Tried, table: GripTable) -> Iterator[list[float]]:
    """Yield the middle of a grip and a place along its +x, in pixels of the first picture."""
    try:
        frame = frame_for(table.in_, tried.job, tried.seen, tried.traces)
    except UnusableInput:
        return
    at = np.array(table.offset)
    turn = math.radians(table.turn_deg)
    way = np.array([math.cos(turn), math.sin(turn)])
    if table.towards is not None:
        way = np.array(table.towards) - at
        way = way / np.hypot(*way)
    px = frame.to_px(np.array([at, at + way]))
    if not np.isfinite(px).all():
        return
    ahead = (px[1] - px[0]) / np.hypot(*(px[1] - px[0])) * ARM_PX
    yield from np.round(np.array([px[0], px[0] + ahead]), 1).tolist()
