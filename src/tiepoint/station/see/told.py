"""What is said of a sight: its numbers beside what was agreed, in sentences, and what to do next."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from tiepoint.station.see.aim import NO_TARGET, Aim
from tiepoint.station.see.light import Flicker, Polygon
from tiepoint.station.see.sharpness import NAMES
from tiepoint.station.see.sight import Sight
from tiepoint.station.see.table import SeeTable

ALIGNED = 0.35
"""Cosine from which a corner lies on the side to which the camera leans, or opposite."""
SURE_LEAN = 0.7
"""Largest ± of a lean, as a share of it, with which a cause is named after it."""


@dataclass(frozen=True, slots=True)
class Number:
    """A number of a sight beside what was agreed. `name` as in *width|upper right*; `unit` px, %, ° or none.

    `value` and `u95` in that unit; `value` None where there is none, with the reason. `outside`: beyond `limit`.
    """

    name: str
    says: str
    value: float | None
    u95: float | None
    unit: Literal["px", "%", "°", ""]
    limit: float
    bound: Literal["at most", "at least"]
    outside: bool
    reason: str = ""


def numbers_of(
    sight: Sight, flicker: Flicker, agreed: SeeTable, scatter: Mapping[str, float] | None = None
) -> tuple[Number, ...]:
    """Return all numbers of a sight, in their order. `scatter`: the U (95 %) that one picture does not tell."""
    u = scatter or {}
    light, even, aim = sight.exposure, sight.evenness, sight.aim
    rows = [
        _number(f"width|{p.name}", p.name.capitalize(), p.width_px, p.u95_px, "px", agreed.width_px, reason=p.reason)
        for p in sight.places
    ]
    rows += [
        _number("saturated", "Saturated", 100 * light.saturated, u.get("saturated"), "%", 100 * agreed.saturated),
        _number("black", "Black", 100 * light.black, u.get("black"), "%", 100 * agreed.black),
        _number(
            "evenness", "Evenness, least of most", even.value, even.u95 or u.get("evenness"), "", agreed.evenness,
            "at least", even.reason,
        ),
        _number(
            "flicker", "Flicker" if flicker.hz is None else f"Flicker, at {flicker.hz:.0f} Hz", _percent(flicker.value),
            _percent(flicker.u95), "%", 100 * agreed.flicker, reason=flicker.reason,
        ),
        _number(
            "lean", "Lean", None if aim is None else aim.lean_deg, None if aim is None else aim.u95_deg, "°",
            agreed.lean_deg, reason=NO_TARGET,
        ),
        _number(
            "fills", "Target, of the field", None if aim is None else 100 * aim.fills, u.get("fills"), "%",
            100 * agreed.fills, "at least", NO_TARGET,
        ),
    ]  # fmt: skip
    # Evenness of a picture with anything in it is told, and nothing is asked of it.
    if even.by == "picture":
        k = next(k for k, row in enumerate(rows) if row.name == "evenness")
        note = even.reason or "by the brightest parts of the picture; a target or a white sheet tells it better"
        rows[k] = Number(
            "evenness", rows[k].says, even.value, rows[k].u95, "", agreed.evenness, "at least", False, note
        )
    return tuple(rows)


def _percent(share: float | None) -> float | None:
    return None if share is None else 100 * share


def _number(
    name: str, says: str, value: float | None, u95: float | None, unit: Literal["px", "%", "°", ""], limit: float,
    bound: Literal["at most", "at least"] = "at most", reason: str = "",
) -> Number:  # fmt: skip
    outside = value is not None and (value > limit if bound == "at most" else value < limit)
    return Number(name, says, value, u95, unit, limit, bound, outside, "" if value is not None else reason)


# --- in sentences ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Account:
    """What a sight amounts to: `good`, in a sentence or two, and what to do next, in order."""

    good: bool
    says: str
    to_do: tuple[str, ...]


def account_of(sight: Sight, flicker: Flicker, agreed: SeeTable) -> Account:
    """Return what to say of a sight, the consequence first."""
    numbers = {row.name: row for row in numbers_of(sight, flicker, agreed)}
    clauses = [*_sharp(sight, numbers, agreed), *_lit(sight, numbers), *_aimed(sight, numbers)]
    unseen = [name for name in NAMES if numbers[f"width|{name}"].value is None]
    if clauses:
        says = f"Not yet. {_joined([clause for clause, _ in clauses])}."
    elif len(unseen) == len(NAMES):
        says = "Sharpness cannot be told: there is no clear edge anywhere in the picture."
    elif unseen:
        says = f"Good where there is an edge. There is none in the {_listed(unseen)}."
    elif untold := _untold(sight, flicker):
        says = f"Good so far. It is sharp at all five places; {_listed(untold)} {_are(untold)} not told yet."
    else:
        says = "Good. It is sharp at all five places, and the light is as agreed."
    to_do = list(dict.fromkeys(todo for _, todo in clauses))
    if unseen:
        to_do.append("Lay a printed target, or a part with edges, over the whole field.")
    elif sight.aim is None and not clauses:
        to_do.append("Lay a printed target there: it tells lean, evenness and how much of the field is used.")
    return Account(not clauses and not unseen and not _untold(sight, flicker), says, tuple(to_do))


def _untold(sight: Sight, flicker: Flicker) -> list[str]:
    """Return what of the light nothing was said of by these pictures: it is not called as agreed."""
    told = {"its evenness": sight.evenness.by == "target", "its flicker": flicker.value is not None}
    return [name for name, is_told in told.items() if not is_told]


def not_as_held(numbers: Sequence[Number], changed: Sequence[str]) -> str:
    """Return in a sentence which numbers are not as they were held."""
    said = {row.name: row.says.lower() for row in numbers}
    widths = [said[name] for name in changed if name.startswith("width|")]
    others = [said[name] for name in changed if not name.startswith("width|")]
    if widths:
        others.insert(0, "sharpness everywhere" if len(widths) == len(NAMES) else f"sharpness in the {_listed(widths)}")
    return f"Not as held: {_listed(others)}."


def _sharp(sight: Sight, numbers: dict[str, Number], agreed: SeeTable) -> Iterator[tuple[str, str]]:
    soft = [name for name in NAMES if numbers[f"width|{name}"].outside]
    aim, seen = sight.aim, [name for name in NAMES if numbers[f"width|{name}"].value is not None]
    leans = aim is not None and aim.lean_deg > agreed.lean_deg and aim.u95_deg < SURE_LEAN * aim.lean_deg
    if aim is not None and leans:
        because = [name for name in soft if name != "middle" and abs(_towards(name, aim)) > ALIGNED]
        if because and "middle" not in soft:
            yield (
                f"the {_listed(because)} {_are(because)} soft because the camera leans by {aim.lean_deg:.1f}°",
                squared(aim),
            )
            soft = [name for name in soft if name not in because]
        else:
            yield f"the camera leans by {aim.lean_deg:.1f}°", squared(aim)
    elif numbers["lean"].outside and aim is not None:
        yield (
            f"the camera seems to lean by {aim.lean_deg:.1f} ± {aim.u95_deg:.1f}°",
            "State distance_mm of the camera in station.toml, so that its lean is told closer.",
        )
    if not soft:
        return
    turn = "Turn the focus ring until the widths are smallest, the middle first."
    if len(soft) == len(seen):
        yield "the picture is soft everywhere", turn
    elif "middle" in soft and len(soft) > 1:
        yield "most of the picture is soft", turn
    elif "middle" not in soft and len(soft) == 4:
        yield (
            "all corners are soft and the middle is sharp",
            "Close the iris by a step, or focus half way between middle and corners: the lens draws a curved field.",
        )
    else:
        yield f"the {_listed(soft)} {_are(soft)} soft", turn


def _towards(name: str, aim: Aim) -> float:
    """Return the cosine between a corner's direction from the middle and that in which the target is farther."""
    x = (1 if "right" in name else -1 if "left" in name else 0) / math.sqrt(2)
    y = (1 if "lower" in name else -1 if "upper" in name else 0) / math.sqrt(2)
    return x * aim.farther[0] + y * aim.farther[1]


def _lit(sight: Sight, numbers: dict[str, Number]) -> Iterator[tuple[str, str]]:
    light = sight.exposure
    if numbers["saturated"].outside:
        where = _where(light.saturated_at, sight.size)
        share = f"{100 * light.saturated:.1f} % of the picture"
        if light.saturated > 0.25:
            yield f"{share} is saturated", "Expose for a shorter time, or lower the lamps."
        else:
            yield (
                f"light {where} leaves {share} without grey levels",
                "Turn or lower the lamp until the hatching goes, or expose for a shorter time.",
            )
    if numbers["black"].outside:
        share = f"{100 * light.black:.1f} % of the picture"
        yield (
            f"{share} is black {_where(light.black_at, sight.size)}",
            "Expose for longer, or light what is black; what nobody measures may stay so.",
        )
    if numbers["flicker"].outside:
        yield (
            f"the light flickers by {numbers['flicker'].value:.1f} %",
            "Expose for a multiple of 10 ms where the mains have 50 Hz (8.33 ms at 60 Hz), or keep other light out.",
        )
    if numbers["evenness"].outside:
        yield (
            f"the light falls to {sight.evenness.value:.2f} of its most",
            "Move the lamps farther away, or apart, until the light is even.",
        )


def _aimed(sight: Sight, numbers: dict[str, Number]) -> Iterator[tuple[str, str]]:
    aim = sight.aim
    if aim is not None and aim.corners_seen < 4:
        yield (
            f"only {aim.corners_seen} of the target's four corners are in the picture",
            "Move the target or the camera until all of it is seen.",
        )
    elif aim is not None and numbers["fills"].outside:
        yield f"the target fills only {100 * aim.fills:.0f} % of the field", "Go closer, or take a larger target."


def squared(aim: Aim) -> str:
    """Return how the camera is set square: which side of what holds it is lifted, by how much on 100 mm.

    What looks down and sees the upper right farther leans towards it: its bracket comes up at the lower left.
    """
    side = side_of((-aim.farther[0], -aim.farther[1]))
    rise = 100 * math.tan(math.radians(aim.lean_deg))
    return f"Square the camera: lift the {side} of its bracket by {rise:.1f} mm on 100 mm."


def side_of(way: Sequence[float]) -> str:
    """Return in words where a direction of the picture points (x right, y down)."""
    x, y = way
    across = "right" if x > 0 else "left"
    along = "lower" if y > 0 else "upper"
    if abs(x) < 0.38 * math.hypot(x, y):
        return f"{along} side"
    return f"{across} side" if abs(y) < 0.38 * math.hypot(x, y) else f"{along} {across}"


def _where(polygons: Sequence[Polygon], size: tuple[int, int]) -> str:
    """Return in words where the largest of some outlines lies."""
    if not polygons:
        return "here and there"
    x = sum(point[0] for point in polygons[0]) / len(polygons[0]) / size[0]
    y = sum(point[1] for point in polygons[0]) / len(polygons[0]) / size[1]
    column, row = min(int(3 * x), 2), min(int(3 * y), 2)
    words = ("upper", "", "lower")[row], ("left", "", "right")[column]
    return f"at the {' '.join(filter(None, words))}" if any(words) else "in the middle"


def _listed(names: Sequence[str]) -> str:
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))


def _are(names: Sequence[str]) -> str:
    return "is" if len(names) == 1 else "are"


def _joined(clauses: Sequence[str]) -> str:
    text = ", and ".join(filter(None, [", ".join(clauses[:-1]), clauses[-1]]))
    return text[:1].upper() + text[1:]
