"""The plan of a station: `plan.toml`, what was foreseen with it, and what has been measured since.

format = "tiepoint/plan/1"

[part]
size_mm = [60, 40]
tolerance_mm = 0.1

[lens]
stand_off_mm = 400
"""

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
import tomlkit
from pydantic import Field
from pydantic_core import PydanticUndefined
from tomlkit import TOMLDocument
from tomlkit.items import Table as TomlTable

from tiepoint.documents.canonical import sha256_of_plain
from tiepoint.documents.files import check_format, format_of, read_document
from tiepoint.documents.pictures import encode_png
from tiepoint.documents.tables import typed_with_point
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.plan.asked import Asked, LensTable, LightTable, PartTable, SensorTable, TargetTable
from tiepoint.plan.typed import BY_KEY, typed
from tiepoint.recipe.tables import NotNegative, Positive, Table
from tiepoint.station import drafting
from tiepoint.station.drafting import Change, Step, read_draft
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger, has_ledger
from tiepoint.station.questions import last_records
from tiepoint.ties.document import from_document
from tiepoint.ties.tie import Tie
from tiepoint.ties.verdict import uncertainty_map

if TYPE_CHECKING:
    from tiepoint.plan.foresee import Foreseen

PLAN = "plan.toml"
PREVIEW, TARGET = "plan/part.png", "plan/target.png"
RECORDS = 100
ALIKE = 0.25
"""A reading is set beside what was foreseen of a size that differs from it by no larger share."""
_PARTED = re.compile(r"\s*[;x×*]\s*")
GRID = 15


class SizeTable(Table):
    """What was foreseen of one size: nominal, largest U and largest true error, in mm; none where it was not read.

    `inside`: how many of the `n` values lie within their own U of the truth; None in a plan that is older than that.
    """

    name: str
    nominal_mm: Positive
    U_mm: NotNegative | None = None
    error_mm: NotNegative | None = None
    inside: Annotated[int, Field(ge=0)] | None = None
    n: Annotated[int, Field(ge=0)] | None = None


class PredictedTable(Table):
    """`[predicted]`: what was foreseen, written by the program. `of`: the hash of what it was foreseen for."""

    of: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    good: bool
    says: str
    scale_um: Positive
    U_place_um: NotNegative | None = None
    size: Annotated[tuple[SizeTable, ...], Field(strict=False)] = ()


class PlanTable(Asked):
    """The whole document."""

    format: str
    predicted: PredictedTable | None = None


@dataclass(frozen=True)
class Plan:
    """A station's plan as it is kept. `is_current`: what was foreseen was foreseen for what is asked now."""

    table: PlanTable
    text: str
    sha: str | None

    @property
    def asked(self) -> Asked:
        """What is asked for."""
        return asked_of(self.table)

    @property
    def predicted(self) -> PredictedTable | None:
        """What was foreseen; None where nothing was, or for another plan."""
        told = self.table.predicted
        return told if told is not None and told.of == sha_of_asked(self.asked) else None

    @property
    def is_current(self) -> bool:
        """Whether nothing was foreseen, or for what is asked now."""
        return self.table.predicted is None or self.predicted is not None


@dataclass(frozen=True, slots=True)
class Beside:
    """One number predicted and measured, in `unit`; either may be None. `where`: what it was measured by."""

    what: str
    unit: str
    predicted: float | None
    measured: float | None
    where: str


def asked_of(table: PlanTable) -> Asked:
    """Return what is asked for, without the rest of the document."""
    return Asked(**{name: getattr(table, name) for name in _KINDS})


def sha_of_asked(asked: Asked) -> str:
    """Return the hash of what is asked for; a default that is written down changes nothing."""
    return sha256_of_plain(asked.model_dump(mode="json"))


def read_plan(station: Station) -> Plan | None:
    """Return the station's plan, None where it has none; `UnusableDocument` in a sentence where it is no plan."""
    draft = read_draft(station, PLAN)
    text = draft.text
    if text is None:
        return None
    path = station.folder / PLAN
    content = read_document(path, "plan")
    check_format(content, "plan", str(path))
    return Plan(PlanTable.read(content, f"{path}: "), text, draft.sha)


def with_typed(text: str, changes: Mapping[str, str], *, bare: bool = False) -> tuple[str, dict[str, str]]:
    """Return the text of a plan with what was typed set in it, comments kept, and by key why one was not taken.

    An empty text takes a key out, so that its default holds, or it is chosen. `text` may be empty: a new plan.
    """
    document = tomlkit.parse(text) if text.strip() else _new()
    faults: dict[str, str] = {}
    for key, said in changes.items():
        try:
            _set(document, key, typed(key, _pointed(key, said) if bare else said, bare=bare))
        except UnusableInput as error:
            faults[key] = str(error)
    return tomlkit.dumps(document), faults


def _pointed(key: str, said: str) -> str:
    """Return what was typed on a page with decimal points; of two numbers, where something else than a comma parts
    them.
    """
    field = BY_KEY.get(key)
    if field is None or field.kind not in ("two lengths", "pixels"):
        return typed_with_point(said)
    parts = _PARTED.split(said)
    return said if len(parts) == 1 else " × ".join(map(typed_with_point, parts))


def asked_by(text: str, where: str = "") -> Asked:
    """Return what the text of a plan asks for; `UnusableDocument` with its first fault, which begins with its key."""
    return asked_of(PlanTable.read(tomlkit.parse(text).unwrap(), where))


def keep(
    station: Station,
    text: str,
    *,
    who: str,
    foreseen: "Foreseen | None" = None,
    seen: Mapping[str, str | None] | None = None,
    says: str = "Plan",
) -> Step:
    """Write the text of a plan into the station, with what was foreseen for it, as one edit that can be undone.

    What was foreseen before for something else goes. `seen`: as `drafting.edit` takes it.
    """
    document = tomlkit.parse(text)
    asked = asked_by(text, f"{PLAN}: ")
    told = PlanTable.read(document.unwrap(), "").predicted
    changes: list[Change] = []
    if foreseen is not None:
        document["predicted"] = _predicted(asked, foreseen)
        changes = [Change(PREVIEW, encode_png(foreseen.preview)), Change(TARGET, encode_png(foreseen.target))]
    elif told is not None and told.of != sha_of_asked(asked):
        del document["predicted"]
    data = tomlkit.dumps(document).encode("utf-8")
    return drafting.edit(station, says, [Change(PLAN, data), *changes], who=who, seen=seen)


def typed_of(text: str) -> dict[str, str]:
    """Return what stands in the text of a plan by key, as a person would type it without units."""
    content = tomlkit.parse(text).unwrap() if text.strip() else {}
    told: dict[str, str] = {}
    for key in BY_KEY:
        table, _, name = key.partition(".")
        value = content.get(table, {}).get(name) if isinstance(content.get(table), dict) else None
        if isinstance(value, list):
            told[key] = " × ".join(_short(one) for one in value)
        elif value is not None:
            told[key] = _short(value)
    return told


def beside(station: Station, plan: Plan) -> tuple[Beside, ...]:
    """Return what was foreseen beside what the station's ties and its last records show.

    A tie or ledger that cannot be read is passed over: what is wrong with it is told where it is used.
    """
    return tuple(_beside_ties(station, plan.predicted)) + tuple(_beside_records(station, plan.predicted))


def _beside_ties(station: Station, told: PredictedTable | None) -> Iterator[Beside]:
    for path in sorted((station.folder / "ties").glob("*.json")):
        with suppress(TiepointError):
            tie = from_document(read_document(path, "tie"), str(path))
            if tie.from_frame != "image" or tie.to_frame != "plane":
                continue
            where = f"ties/{path.name}"
            yield Beside("Scale", "µm/px", None if told is None else told.scale_um, 1000 * _scale(tie), where)
            grid = uncertainty_map(tie, GRID, GRID)
            if grid.inside.any():
                measured = float(grid.U_um[grid.inside].max())
                foreseen = None if told is None else told.U_place_um
                yield Beside("U of a place, the largest", "µm", foreseen, measured, where)


def _scale(tie: Tie) -> float:
    """Return the mm of one pixel in the middle of a tie's region: the root of what area one pixel covers."""
    middle = tie.valid_region.mean(axis=0)
    return float(math.sqrt(abs(np.linalg.det(tie.map(middle[None]).d_px[0]))))


def _beside_records(station: Station, told: PredictedTable | None) -> Iterator[Beside]:
    largest: dict[str, tuple[float, float]] = {}
    with suppress(TiepointError):
        if not has_ledger(station.ledger_place):
            return
        with Ledger(station.ledger_place) as ledger:
            for entry in last_records(ledger, RECORDS):
                for reading in entry.body.get("readings", ()):
                    _take(largest, reading)
    for name, (value, U) in sorted(largest.items()):
        size = _like(told, value)
        where = f"the last {RECORDS} records"
        yield Beside(f"U of {name}", "µm", None if size is None else 1000 * (size.U_mm or 0.0), 1000 * U, where)


def _take(largest: dict[str, tuple[float, float]], reading: Mapping[str, Any]) -> None:
    """Keep the largest U of each size that is read in mm."""
    if reading.get("unit") != "mm" or reading.get("quantity") not in ("width", "diameter", "distance"):
        return
    value, U = reading.get("value"), reading.get("U95")
    if value is not None and U is not None:
        name = f"{reading['name']}, {reading['quantity']}"
        if largest.get(name, (0.0, -1.0))[1] < U:
            largest[name] = float(value), float(U)


def _like(told: PredictedTable | None, value: float) -> SizeTable | None:
    sizes: Sequence[SizeTable] = () if told is None else [s for s in told.size if s.U_mm is not None]
    near = min(sizes, key=lambda s: abs(math.log(max(value, 1e-9) / s.nominal_mm)), default=None)
    return near if near is not None and abs(value / near.nominal_mm - 1) <= ALIKE else None


def _predicted(asked: Asked, foreseen: "Foreseen") -> TomlTable:
    table = tomlkit.table()
    table.comment("what was foreseen; written by tiepoint plan")
    place = foreseen.U_place_mm
    told: dict[str, Any] = {
        "of": sha_of_asked(asked),
        "good": foreseen.good,
        "says": " ".join(foreseen.sentences),
        "scale_um": _rounded(1000 * foreseen.scale_mm),
        **({} if place is None else {"U_place_um": _rounded(1000 * place)}),
    }
    for key, value in told.items():
        table.add(key, value)
    sizes = tomlkit.aot()
    for one in foreseen.readings:
        size = tomlkit.table()
        size.add("name", one.name)
        size.add("nominal_mm", one.nominal)
        if one.U is not None:
            size.add("U_mm", _rounded(one.U))
        if one.worst is not None:
            size.add("error_mm", _rounded(abs(one.worst)))
        size.add("inside", one.inside)
        size.add("n", one.n)
        sizes.append(size)
    if foreseen.readings:
        table.add("size", sizes)
    return table


def _rounded(value: float) -> float:
    return float(f"{value:.4g}")


def _new() -> TOMLDocument:
    document = tomlkit.document()
    document.add(tomlkit.comment("What this station is to be: tiepoint plan works it out."))
    document.add("format", format_of("plan"))
    return document


def _set(document: TOMLDocument, key: str, value: Any) -> None:
    table, _, name = key.partition(".")
    if value is None:
        held = document.get(table)
        if isinstance(held, dict) and name in held:
            del held[name]
        return
    if table not in document:
        document.add(table, tomlkit.table())
    held = document[table]
    if not isinstance(held, dict):
        raise UnusableInput(f"{table} is no table in {PLAN}; make it one, as in [{table}]")
    if isinstance(value, list):
        value = [_whole(one) for one in value]
    held[name] = _whole(value)


def _whole(value: Any) -> Any:
    """Return a whole number as one, so that the file says 60 where 60 was typed."""
    return int(value) if isinstance(value, float) and value == int(value) and abs(value) < 1e9 else value


def _short(value: Any) -> str:
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def usual(key: str) -> str:
    """Return what holds where a key is left out, as it would be typed; empty where that is chosen, or nothing."""
    table, _, name = key.partition(".")
    kind = _KINDS[table]
    default = kind.model_fields[name].default
    return "" if default is None or default is PydanticUndefined else _short(default)


def at_key(sentence: str) -> tuple[str, str]:
    """Return the key that a sentence about a plan begins with, and the sentence; an empty key where it names none."""
    match = re.match(r"([a-z]+\.[a-z_]+)(\[\d\])?\s", sentence)
    return (match[1], sentence[match.end() :]) if match and match[1] in BY_KEY else ("", sentence)


_KINDS: Mapping[str, type[Table]] = {
    "part": PartTable,
    "sensor": SensorTable,
    "lens": LensTable,
    "light": LightTable,
    "target": TargetTable,
}
