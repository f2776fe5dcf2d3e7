"""What the recipe page works with: benches and shots that stay warm, one judgement at a time, the newest first."""

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote

from tiepoint.recipe.shots import LoadedShot
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger
from tiepoint.station.recipes.shots import RECORD, load_working_shot, stamp_of_shot
from tiepoint.station.recipes.trying import Bench, Tried
from tiepoint.web.refused import Refused
from tiepoint.web.tiles import last_level

MOST_BENCHES, MOST_SHOTS = 4, 3

T = TypeVar("T")


class Room:
    """Of one application. Everything that is asked of a bench goes through `alone`."""

    def __init__(self, station: Station) -> None:
        self.station = station
        self._benches: OrderedDict[str, Bench] = OrderedDict()
        self._shots: OrderedDict[tuple[str, tuple[str, ...]], LoadedShot] = OrderedDict()
        self._lock, self._count = threading.Lock(), threading.Lock()
        self._newest: dict[str, int] = {}
        self.bases: dict[str, tuple[str, str, str | None, Tried]] = {}
        """By recipe, the draft as it was judged whole: shot, hash of the file, variant."""

    def ticket(self, who: str) -> int:
        """Return a number by which a later request of the same page is known to be newer."""
        with self._count:
            self._newest[who] = self._newest.get(who, 0) + 1
            return self._newest[who]

    def alone(self, work: Callable[[], T], who: str = "", ticket: int | None = None) -> T:
        """Return what work comes to that has the benches to itself; refused where a newer one waits behind it."""
        with self._lock:
            if ticket is not None and self._newest[who] != ticket:
                raise Refused(409, "a newer one was asked for", "wait for its answer", code="overtaken")
            return work()

    def bench(self, recipe: str) -> Bench:
        """Return the bench of a recipe."""
        if recipe not in self._benches:
            self._benches[recipe] = Bench(self.station.folder / recipe, self.station.variants_path)
            if len(self._benches) > MOST_BENCHES:
                self._benches.popitem(last=False)
        self._benches.move_to_end(recipe)
        return self._benches[recipe]

    def shot(self, ref: str, lights: tuple[str, ...] = ()) -> tuple[str, LoadedShot]:
        """Return a decoded shot, and what is another for another one."""
        stamp = stamp_of_shot(self.station, ref)
        key = (stamp, lights)
        if key not in self._shots:
            if ref.startswith(RECORD):
                with Ledger(self.station.ledger_place) as ledger:
                    self._shots[key] = load_working_shot(self.station, ref, lights, ledger)
            else:
                self._shots[key] = load_working_shot(self.station, ref, lights)
            while len(self._shots) > MOST_SHOTS:
                self._shots.popitem(last=False)
        self._shots.move_to_end(key)
        return stamp, self._shots[key]

    def pixels(self, ref: str, role: str) -> Any:
        """Return a picture of a shot (rows, cols[, RGB]), decoded, for its tiles; refused where there is none."""
        with self._lock:
            known = next(
                (s for (stamp, _), s in self._shots.items() if stamp == stamp_of_shot(self.station, ref)), None
            )
            loaded = known or self.shot(ref)[1]
        if role not in loaded.pictures:
            raise Refused(404, f"the shot has no picture {role[:40]!r}")
        return loaded.pictures[role].pixels

    def url(self, ref: str, role: str) -> str:
        """Return below which address the tiles of a shot's picture lie; another picture has another."""
        stamp = hashlib.sha256(stamp_of_shot(self.station, ref).encode()).hexdigest()[:12]
        return f"/api/recipe/tiles/{stamp}/{quote(role, safe='')}/{quote(ref)}"

    def thumb(self, ref: str, loaded: LoadedShot) -> str:
        """Return the address of a shot's first picture in small."""
        first = loaded.shot.pictures[0]
        return f"{self.url(ref, first.role)}/{last_level(*first.size)}/0/0"

    def path(self, recipe: str) -> Path:
        """Return where a recipe's draft lies."""
        return self.station.folder / recipe
