"""Whether a station can go on duty: all that is wrong with its folder, at once, each with its file and line."""

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import PydanticCustomError

from tiepoint.documents.files import check_format, kind_of, read_document, read_text
from tiepoint.documents.toml_lines import line_of
from tiepoint.foundation.errors import TiepointError
from tiepoint.recipe.lights import load_lights
from tiepoint.recipe.recipe import load_recipe
from tiepoint.recipe.tables import Table, place_of, sentence
from tiepoint.recipe.variants import load_variants
from tiepoint.station.accepted import pointers_of
from tiepoint.station.archive_far import far_faults
from tiepoint.station.archive_keeper import whys
from tiepoint.station.cameras.table import camera_faults
from tiepoint.station.duty.challenge import challenge_labels
from tiepoint.station.duty.judging import Judge
from tiepoint.station.duty.table import faults_of
from tiepoint.station.folder import RECIPES, STATION, VARIANTS, Station, StationTable
from tiepoint.station.ledger import Ledger, has_ledger
from tiepoint.station.lock import is_on_duty
from tiepoint.station.naming import demand_own
from tiepoint.station.ports import IN_USE, is_free
from tiepoint.station.requirements import REQUIREMENTS, load_requirements
from tiepoint.station.see.held import held_path, kept_sight
from tiepoint.station.watch.hold import kept_reference, reference_path
from tiepoint.station.wires.known import jobs_of, misfits, mixed, too_late
from tiepoint.station.wires.table import faults as wire_faults
from tiepoint.station.wires.table import listened_to

_LINE = re.compile(r"line (\d+)")


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong: the file, seen from the station's folder, its line where it is known, and a sentence."""

    file: str
    line: int | None
    says: str

    @property
    def sentence(self) -> str:
        """The whole of it, as a person reads it."""
        return f"{self.file}{'' if self.line is None else f', line {self.line}'}: {self.says}"


def check(folder: Path, *, ports: bool = False, drafts: bool = True, far: bool = True) -> tuple[Fault, ...]:
    """Return all that keeps a station from going on duty. `ports`: whether those of its wires are free now, too.

    Without `drafts` nothing is looked at but station.toml and what is accepted, which is what it runs. Without `far`
    a far archive is not asked whether it takes pictures: who begins to serve has no time to wait for one that is away.
    Raises nothing for what the folder holds; what cannot be read is a fault.
    """
    return looked_at(folder, ports=ports, drafts=drafts, far=far)[0]


def looked_at(folder: Path, *, ports: bool, drafts: bool, far: bool) -> tuple[tuple[Fault, ...], Judge | None]:
    """Return the same, and what is accepted, prepared, where it could be: who begins to serve need not do it again."""
    made: list[Judge] = []
    faults = tuple(dict.fromkeys(_faults(folder, ports, drafts, far, made)))
    return faults, made[0] if made else None


def _faults(folder: Path, ports: bool, drafts: bool, far: bool, made: list[Judge]) -> Iterator[Fault]:
    path = folder / STATION
    text, faults = _text_of(path)
    yield from faults
    if text is not None:
        yield from _of_table(path, text)
    if drafts:
        yield from _of_documents(folder)
    station = _as_far_as_it_reads(folder)
    if station is not None and text is not None:
        yield from _of_station(station, text, drafts, made)
        for says in far_faults(station, ask=far):
            yield Fault(STATION, line_of(text, "archive.far"), says)
        if ports:
            yield from _of_ports(station, text)


def _text_of(path: Path) -> tuple[str | None, list[Fault]]:
    try:
        return read_text(path), []
    except TiepointError as error:
        return None, [Fault(path.name, None, str(error))]


def _of_table(path: Path, text: str) -> Iterator[Fault]:
    """Yield every fault of station.toml, and not the first alone."""
    try:
        content = read_document(path, "station")
        check_format(content, "station", str(path))
    except TiepointError as error:
        yield _fault(path, error)
        return
    for place, says in faults_in(StationTable, content):
        yield Fault(STATION, line_of(text, place), says)


def faults_in(table: type[Table], content: Any) -> Iterator[tuple[str, str]]:
    """Yield all faults of a table: the place of each, and its sentence."""
    try:
        table.model_validate(content, context={"row": None})
    except ValidationError as error:
        for one in error.errors(include_url=False):
            context, kind = dict(one.get("ctx", {})), one["type"]
            known: Any = PydanticCustomError("said", "{message}", context) if kind == "said" else kind
            told: Any = {"type": known, "loc": one["loc"], "input": one["input"], "ctx": context}
            alone = ValidationError.from_exception_data("", [told])
            yield place_of((*one["loc"], *filter(None, [context.get("field")]))), sentence(alone)


def _as_far_as_it_reads(folder: Path) -> Station | None:
    """Return the station by what of its station.toml can be read, so that the rest is looked at too."""
    with suppress(TiepointError):
        content = read_document(folder / STATION, "station")
        faulty = {re.split(r"[.\[]", place)[0] for place, _ in faults_in(StationTable, content)}
        kept = {key: value for key, value in content.items() if key not in faulty}
        return Station(folder, StationTable.read({"name": "station", **kept}, ""))
    return None


def _of_documents(folder: Path) -> Iterator[Fault]:
    """Yield what is wrong with the drafts and tables beside station.toml."""
    variants = folder / VARIANTS
    rows: dict[str, Any] = {}
    if variants.is_file():
        try:
            rows = load_variants(variants)
        except TiepointError as error:
            yield _fault(variants, error)
    readers: list[tuple[Sequence[Path], Callable[[Path], Any]]] = [
        ([folder / REQUIREMENTS], load_requirements),
        (sorted(folder.glob("lights*.toml")), load_lights),
        (sorted((folder / "ties").glob("*.json")), lambda path: read_document(path, kind_of(path) or "tie")),
    ]
    for paths, read in readers:
        for path in paths:
            if path.is_file():
                yield from _tried(path, lambda path=path, read=read: read(path))  # type: ignore[misc]
    is_told = not variants.is_file() or bool(rows)
    for path in sorted((folder / RECIPES).glob("*.toml")) if is_told else ():
        row = next((v.columns for v in rows.values() if v.is_for(path)), None)
        yield from _tried(path, lambda path=path, row=row: load_recipe(path, row))  # type: ignore[misc]


def _of_station(station: Station, text: str, drafts: bool, made: list[Judge]) -> Iterator[Fault]:
    """Yield what does not fit together."""
    judge: Judge | None = None
    try:
        pointers = pointers_of(station)
        judge = Judge(station)
        made.append(judge)
    except TiepointError as error:
        yield _fault(station.folder / "accepted.toml", error)
    else:
        if not pointers.shas:
            yield Fault("accepted.toml", None, "nothing is accepted; accept the drafts with tiepoint accept")
        if drafts:
            yield from _not_accepted(station, tuple(pointers.by_variant))
        for says in faults_of(station.table.duty, sorted(pointers.by_variant)):
            yield Fault(STATION, line_of(text, says.split(" ", 1)[0]), says)
    for says in wire_faults(station.table.wires, _readings(station, judge), "", station.folder):
        yield Fault(STATION, line_of(text, says.split(" ", 1)[0]), says)
    table = station.table
    fits = misfits(table.wires, () if judge is None else jobs_of(judge))
    with_cameras = (*too_late(table.wires, table.duty, table.camera), *mixed(table.wires, table.camera))
    for says in (*fits, *with_cameras):
        yield Fault(STATION, line_of(text, says.split(" ", 1)[0]), says)
    for says in camera_faults(station.table.camera, station.folder):
        yield Fault(STATION, line_of(text, "camera"), says)
    for says in whys(station.table.archive):
        yield Fault(STATION, line_of(text, f"archive.{'names' if 'pattern' in says else 'keep'}"), says)
    challenge = station.table.duty.challenge
    if challenge is not None:
        labels = station.folder / challenge.labels
        yield from _tried(labels, lambda: challenge_labels(labels))
    yield from _tried(reference_path(station), lambda: kept_reference(station))
    yield from _tried(held_path(station), lambda: kept_sight(station))
    for fault in _tried(station.folder / STATION, lambda: _ledger(station)):
        yield replace(fault, line=line_of(text, "ledger"))


def _readings(station: Station, judge: Judge | None) -> Iterator[str]:
    """Yield the ids of the readings that accepted recipes give; where none can be read, whatever is asked for."""
    if judge is None or not judge.copies:
        yield from (m.reading for m in station.table.wires.map if m.reading is not None)
        return
    for sha, prepared in judge.copies.items():
        names = [name for name, its in judge.pointers.by_variant.items() if its == sha]
        for name in names or (None,):
            with suppress(TiepointError):  # it is told where the recipe is
                yield from (asked.id for told in prepared.job(name).asked.values() for asked in told)


def _not_accepted(station: Station, accepted: Sequence[str]) -> Iterator[Fault]:
    if station.variants_path is None or not accepted:
        return
    with suppress(TiepointError):
        lines = station.variants_path.read_text(encoding="utf-8", errors="replace").splitlines()
        for name in load_variants(station.variants_path):
            if name not in accepted:
                line = next((k for k, row in enumerate(lines, 1) if row.split(",")[0].strip(' "') == name), None)
                says = f'nothing is accepted for the variant "{name}"; accept its recipe, or take the line away'
                yield Fault(VARIANTS, line, says)


def _ledger(station: Station) -> None:
    if has_ledger(station.ledger_place):
        with Ledger(station.ledger_place) as ledger:
            demand_own(station, ledger)


def _of_ports(station: Station, text: str) -> Iterator[Fault]:
    """Yield which ports of wires cannot be listened on; a station on duty listens on them itself."""
    if is_on_duty(station.folder):
        return
    for place, bind, port in listened_to(station.table.wires):
        why = is_free(bind, port) if port else None
        if why is not None:
            yield Fault(STATION, line_of(text, place), f"{place}: {why}; {IN_USE}")


def _tried(path: Path, read: Callable[[], object]) -> Iterator[Fault]:
    try:
        read()
    except TiepointError as error:
        yield _fault(path, error)


def _fault(path: Path, error: TiepointError) -> Fault:
    """Return what an error says of a file, with the line that it names."""
    said = str(error)
    line = _LINE.search(said)
    says = re.sub(rf"^({re.escape(str(path))}|{re.escape(path.name)})(, line \d+)?: ", "", said)
    return Fault(path.name if path.parent.name in ("", ".") else _short(path), int(line[1]) if line else None, says)


def _short(path: Path) -> str:
    """Return a file's path without what stands before the station's folder."""
    inside = {RECIPES, "ties", "accepted", "studies"}
    return f"{path.parent.name}/{path.name}" if path.parent.name in inside else path.name
