"""Where pictures for See come from, and the one taker of each for all who look at it."""

import hashlib
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.station.cameras.table import CameraTable
from tiepoint.station.folder import Station, open_station
from tiepoint.station.lock import is_on_duty

if TYPE_CHECKING:
    from tiepoint.bench.see_camera import SeeCamera
    from tiepoint.station.see.eye import Eye
    from tiepoint.station.see.source import Source
    from tiepoint.targets.draw import Target

SourceKind = Literal["camera", "folder", "duty", "pictures", "bench"]
BENCH, DUTY, PICTURES = "bench", "duty", "pictures"
MOST_TARGETS = 8


@dataclass(frozen=True, slots=True)
class Offered:
    """A place that pictures come from: its id, what it is called, and `why_not` it cannot be looked at now."""

    id: str
    name: str
    kind: SourceKind
    why_not: str = ""


class Eyes:
    """The takers of an application. A taker whose camera is described otherwise by now is closed and made anew."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._eyes: dict[str, tuple[str, Eye]] = {}
        self._bench: SeeCamera | None = None

    @property
    def bench(self) -> "SeeCamera":
        """The simulated camera, made when it is first asked for."""
        if self._bench is None:
            from tiepoint.bench.see_camera import SeeCamera  # here, since rendering comes with it

            self._bench = SeeCamera()
        return self._bench

    def of(self, station: Station, id_: str) -> "Eye":
        """Return the taker of a place; `UnusableInput` where there is no such place, or not now."""
        offered = {one.id: one for one in offers(station)}
        if id_ not in offered:
            raise UnusableInput(f"no pictures come from {id_[:80]}; choose {', '.join(offered)}")
        if offered[id_].why_not:
            raise UnusableInput(offered[id_].why_not)
        key = self._key(station, id_)
        with self._lock:
            known = self._eyes.get(id_)
            if known is not None and known[0] == key:
                return known[1]
            if known is not None:
                known[1].close()
            eye = self._made(station, id_)
            self._eyes[id_] = (key, eye)
            return eye

    def known(self, id_: str) -> "Eye | None":
        """Return a taker that is there already."""
        found = self._eyes.get(id_)
        return None if found is None else found[1]

    def not_as_held(self, station: Station) -> tuple[str, ...]:
        """Return what of the picture that is looked at now is not as held, in words; nothing where nobody looks."""
        from tiepoint.station.see.held import changed_since, kept_sight
        from tiepoint.station.see.told import numbers_of

        if not any(eye.is_open for _, eye in list(self._eyes.values())):
            return ()
        try:
            held = kept_sight(station)
        except TiepointError:
            return ()
        eye = None if held is None else self.known(held.camera)
        if held is None or eye is None or not eye.is_open or eye.looked is None:
            return ()
        looked = eye.looked
        rows = numbers_of(looked.sight, looked.flicker, open_station(station.folder).table.see, looked.scatter)
        changed = changed_since(held, rows)
        return tuple(row.says for row in rows if row.name in changed)

    def close(self) -> None:
        """End all."""
        with self._lock:
            for _, eye in self._eyes.values():
                eye.close()
            self._eyes.clear()

    def _made(self, station: Station, id_: str) -> "Eye":
        from tiepoint.station.see.eye import Eye

        if id_ == BENCH:
            from tiepoint.bench.see_camera import DISTANCE_MM, target_there

            return Eye(self._bench_source, targets=[target_there()], distance_mm=DISTANCE_MM)
        table = _camera(station, id_)
        stops = (lambda: is_on_duty(station.folder)) if table is not None and _is_opened(table) else (lambda: False)
        distance = _distance(station, table)
        return Eye(_opening(station, id_), targets=targets_of(station), distance_mm=distance, must_stop=stops)

    def _bench_source(self) -> "Source":
        from tiepoint.station.see.source import CameraSource, Means

        return CameraSource(self.bench, Means(True, True, tuple(name for name, _ in self.bench.turned.lamps)))

    def _key(self, station: Station, id_: str) -> str:
        """Return what a taker was made of, so that it is made anew where that changed."""
        table = _camera(station, id_)
        told = "" if table is None else table.model_dump_json()
        targets = "".join(target.id for target in targets_of(station))
        return hashlib.sha256(f"{told}|{targets}|{station.table.see.target}".encode()).hexdigest()


def offers(station: Station) -> list[Offered]:
    """Return where pictures come from at a station, the likeliest first."""
    from tiepoint.station.see.source import HANDED_OVER

    on_duty = is_on_duty(station.folder)
    found = [Offered(DUTY, "what duty keeps", "duty")] if on_duty else []
    for table in station.table.camera:
        if table.comes_from is None:
            continue
        opened = _is_opened(table)
        why = f"the camera {table.name} belongs to duty now; look at what duty keeps" if opened and on_duty else ""
        found.append(Offered(f"camera:{table.name}", table.name, "camera" if opened else "folder", why))
    if (station.folder / HANDED_OVER).is_dir():
        found.append(Offered(PICTURES, "pictures handed over", "pictures"))
    return [*sorted(found, key=lambda one: bool(one.why_not)), Offered(BENCH, "the bench", "bench")]


def targets_of(station: Station) -> "list[Target]":
    """Return the targets that may be in view: the one that `[see]` names, or those below `targets`."""
    from tiepoint.documents.files import read_document
    from tiepoint.targets.document import from_document

    named = station.table.see.target
    paths = [station.folder / named] if named else sorted((station.folder / "targets").rglob("*.json"))[:MOST_TARGETS]
    found: dict[str, Target] = {}
    for path in paths:
        try:
            target = from_document(read_document(path, "target"), str(path))
        except TiepointError:
            continue  # `tiepoint check` says what is wrong with it
        found.setdefault(target.id, target)
    return list(found.values())


def _opening(station: Station, id_: str) -> "Callable[[], Source]":
    from tiepoint.station.see.source import HANDED_OVER, DutySource, HandedSource, open_source

    if id_ == DUTY:
        return lambda: DutySource(station)
    if id_ == PICTURES:
        return lambda: HandedSource(station.folder / HANDED_OVER, "the pictures that were handed over")
    table = _camera(station, id_)
    if table is None:
        raise UnusableInput(f"no camera is called {id_[:80]}; look at station.toml")
    return lambda: open_source(table, station)


def _camera(station: Station, id_: str) -> CameraTable | None:
    return next((table for table in station.table.camera if id_ == f"camera:{table.name}"), None)


def _is_opened(table: CameraTable) -> bool:
    return table.comes_from in ("device", "genicam")


def _distance(station: Station, table: CameraTable | None) -> float | None:
    """Return how far a camera is from what it sees, where station.toml says it; of duty's, where there is one."""
    if table is None and len(station.table.camera) == 1:
        table = station.table.camera[0]
    return None if table is None else table.distance_mm
