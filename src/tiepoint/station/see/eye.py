"""One taker of pictures for all who look: the newest alone, looked at once, and let go of when nobody looks.

A thread asks the source for its newest picture, looks at it, and keeps what the last few dozen told; who is slow misses
pictures and never makes any wait. It ends when nobody has asked for some seconds, or as soon as the station goes on
duty, so that a camera is free for whoever needs it.
"""

import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from time import monotonic, monotonic_ns

import numpy as np
import scipy
from numpy.typing import NDArray

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.recipe.shots import LoadedShot
from tiepoint.station.cameras.delivery import Link, Setting
from tiepoint.station.see.light import Flicker, cells_of, flicker_of, in_step, with_reason
from tiepoint.station.see.sight import Sight, sight_of
from tiepoint.station.see.source import Means, Seen, Source
from tiepoint.targets.draw import Target

IDLE_S = 15.0
TAKE_S = 3.0
SERIES, SCATTERED = 48, 12
LATELY = 120
"""Points of the trace of focus."""
KEPT_SHOTS = 12
"""Pictures that are kept whole, to be held as accepted."""
LARGEST_KEPT = 60_000_000
"""Bytes of such pictures; of larger ones fewer are kept."""
MAINS_HZ = (100.0, 120.0)
PAUSE_S = 0.02


@dataclass(frozen=True)
class Looked:
    """What the newest picture told: its `number` from 1 on, the sight, flicker, the ± by scatter, and `lately`.

    `lately`: of the last pictures, the widths of the five places (NaN where there is no edge). `per_s`: pictures.
    `sharp_at`: how many pictures ago the middle was sharpest, and so is told where to turn back to.
    """

    number: int
    seen: Seen
    sight: Sight
    flicker: Flicker
    scatter: dict[str, float]
    lately: tuple[tuple[float, ...], ...]
    pictures: int
    per_s: float


@dataclass
class _Series:
    """What the last pictures of one size and setting told."""

    cells: deque[NDArray[np.float64]] = field(default_factory=lambda: deque(maxlen=SERIES))
    times_s: deque[float] = field(default_factory=lambda: deque(maxlen=SERIES))
    shares: deque[dict[str, float]] = field(default_factory=lambda: deque(maxlen=SCATTERED))
    shots: deque[Seen] = field(default_factory=lambda: deque(maxlen=KEPT_SHOTS))


class Eye:
    """The taker. `open_source` makes its source when somebody first looks; the next two are for `sight_of`.

    `must_stop`: whether the camera is to be let go of now. `lamps`: the currents that were set from here.
    """

    def __init__(
        self, open_source: Callable[[], Source], *, targets: Sequence[Target] = (), distance_mm: float | None = None,
        must_stop: Callable[[], bool] = lambda: False, idle_s: float = IDLE_S,
    ) -> None:  # fmt: skip
        self._open, self._targets, self._distance_mm = open_source, tuple(targets), distance_mm
        self._must_stop, self._idle_s = must_stop, idle_s
        self._changed = threading.Condition()
        self._source: Source | None = None
        self._thread: threading.Thread | None = None
        self._ending = threading.Event()
        self._asked, self._waiting = monotonic(), 0
        self._looked: Looked | None = None
        self._series = _Series()
        self._lately: deque[tuple[float, ...]] = deque(maxlen=LATELY)
        self._number, self._since_ns = 0, 0
        self.lamps: dict[str, float] = {}
        self._says: tuple[Link, str] = ("waiting", "nobody has looked yet")

    @property
    def link(self) -> tuple[Link, str]:
        """Whether pictures come, and why not, in a clause."""
        return self._says

    @property
    def looked(self) -> Looked | None:
        """What the newest picture told, if there was any."""
        return self._looked

    @property
    def is_open(self) -> bool:
        """Whether it takes pictures now."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def means(self) -> Means:
        """What can be set, as far as its source is open."""
        source = self._source
        return Means() if source is None else source.means

    def ask(self) -> Looked | None:
        """Return what the newest picture told, whichever it is, and have pictures taken from now on; never waits."""
        with self._changed:
            self._asked = monotonic()
            if not self.is_open and not self._ending.is_set():
                self._thread = threading.Thread(target=self._run, name="see", daemon=True)
                self._thread.start()
            return self._looked

    def look(self, after: int, timeout_s: float) -> Looked | None:
        """Return what a picture later than number `after` told; None where none came within that time."""
        with self._changed:
            self.ask()
            self._waiting += 1
            self._changed.wait_for(
                lambda: (self._looked is not None and self._looked.number > after) or self._ending.is_set(), timeout_s
            )
            self._waiting -= 1
            self._asked = monotonic()
            looked = self._looked
        return looked if looked is not None and looked.number > after else None

    def set(self, setting: Setting) -> Setting:
        """Set the camera; what the last pictures told is of another setting from then on."""
        source = self._source
        if source is None:
            raise UnusableInput("no camera is open to be set; look at its live picture first")
        done = source.set(setting)
        self.lamps |= dict(setting.lamps)
        self.turned()
        return done

    def turned(self) -> None:
        """Begin the series anew: something was turned, and pictures from before it tell of another state."""
        with self._changed:
            self._series, self._since_ns = _Series(), monotonic_ns()

    def shots(self) -> tuple[LoadedShot, ...]:
        """Return the last pictures of this setting as shots, oldest first, to be held as accepted."""
        from tiepoint.model.shot import Shot
        from tiepoint.ties.sensor import Sensor

        with self._changed:
            kept = list(self._series.shots)
        found = []
        for k, seen in enumerate(kept):
            picture = seen.loaded.described()
            shot = Shot(f"see-{k + 1}-{picture.pixels_sha256[:12]}", (picture,), taken_utc=seen.taken_utc)
            found.append(
                LoadedShot(
                    seen.loaded.path, shot, {picture.role: seen.loaded}, {picture.role: Sensor(*seen.loaded.size)}
                )
            )
        return tuple(found)

    def close(self) -> None:
        """End, and let go of the camera."""
        self._ending.set()
        source, thread = self._source, self._thread
        if source is not None:
            source.stop()
        with self._changed:
            self._changed.notify_all()
        if thread is not None and thread is not threading.current_thread():
            thread.join(10)

    def _run(self) -> None:
        try:
            source = self._source = self._open()
        except TiepointError as error:
            self._say("away", str(error))
            return
        try:
            while not self._ending.is_set() and (self._waiting or monotonic() - self._asked < self._idle_s):
                if self._must_stop():
                    self._say("waiting", "the station went on duty, and the camera was let go of")
                    break
                self._once(source)
        finally:
            source.stop()
            self._source = None
            with self._changed:
                self._series = _Series()

    def _once(self, source: Source) -> None:
        try:
            seen = source.newest(TAKE_S)
            self._says = source.link
            if seen is None:
                self._ending.wait(PAUSE_S)
                return
            self._keep(seen, sight_of(
                seen.loaded.grey, self._targets, bits=seen.bits, distance_mm=self._distance_mm
            ))  # fmt: skip
        except TiepointError as error:
            self._say("away", str(error))
            self._ending.wait(1.0)

    def _keep(self, seen: Seen, sight: Sight) -> None:
        at = (seen.taken_mono_ns or monotonic_ns()) / 1e9
        cells = cells_of(seen.loaded.grey, sight.exposure.full)
        with self._changed:
            series = _Series() if 0 < seen.taken_mono_ns < self._since_ns else self._series
            if series.cells and self._looked is not None and self._looked.sight.size != sight.size:
                series = self._series = _Series()
            series.cells.append(cells)
            series.times_s.append(at)
            series.shares.append(_scattered(sight))
            series.shots.append(seen)
            while len(series.shots) > 5 and sum(one.loaded.pixels.nbytes for one in series.shots) > LARGEST_KEPT:
                series.shots.popleft()
            self._lately.append(tuple(np.nan if p.width_px is None else p.width_px for p in sight.places))
            self._number += 1
            self._looked = Looked(
                self._number, seen, sight, _flicker(series), _u_by_scatter(list(series.shares)), tuple(self._lately),
                len(series.cells), _rate(list(series.times_s)),
            )  # fmt: skip
            self._changed.notify_all()

    def _say(self, link: Link, why: str) -> None:
        with self._changed:
            self._says = (link, why)
            self._changed.notify_all()


def _flicker(series: _Series) -> Flicker:
    times = list(series.times_s)
    told = flicker_of(list(series.cells), times)
    if told.value is not None and all(in_step(times, hz) for hz in MAINS_HZ):
        return with_reason(told, "pictures come in step with the mains, so that a swing of theirs cannot be seen")
    return told


def _scattered(sight: Sight) -> dict[str, float]:
    """Return the numbers whose ± one picture does not tell, in the units of `told.Number`."""
    told = {"saturated": 100 * sight.exposure.saturated, "black": 100 * sight.exposure.black}
    if sight.evenness.value is not None:
        told["evenness"] = sight.evenness.value
    if sight.aim is not None:
        told["fills"] = 100 * sight.aim.fills
    return told


def _u_by_scatter(told: Sequence[dict[str, float]]) -> dict[str, float]:
    """Return U (95 %) of the newest picture's numbers, by how the last ones differ from one to the next."""
    found = {}
    for name in told[-1]:
        values = np.array([one[name] for one in told if name in one])
        if len(values) >= 4:
            steps = np.diff(values)
            sigma = float(np.sqrt(np.mean(steps**2) / 2))
            found[name] = float(scipy.special.stdtrit(len(steps), 0.975)) * sigma
    return found


def _rate(times_s: Sequence[float]) -> float:
    lately = times_s[-SCATTERED:]
    return (len(lately) - 1) / (lately[-1] - lately[0]) if len(lately) > 1 and lately[-1] > lately[0] else 0.0
