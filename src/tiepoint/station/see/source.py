"""Where the pictures of See come from: the newest there is, taken without disturbing whoever else wants them.

Off duty a camera of the station's own (a device, GenICam) is opened, and takes one picture after another by software
triggers. Of a watched folder, and of what is pushed, the newest picture that lies there is looked at, and stays. On
duty nothing is opened: the newest kept shot of the archive is shown. Or a picture that a person handed over.
"""

import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from time import monotonic_ns
from typing import Any, Literal, Protocol

from numpy.typing import NDArray

from tiepoint.documents.pictures import Loaded, decode_picture, load_picture, picture_of
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.recipe.shots import PICTURE_ENDINGS
from tiepoint.station.archive import kept_of
from tiepoint.station.cameras.delivery import Camera, Link, Setting, Trigger
from tiepoint.station.cameras.table import CameraTable, TriggerTable, open_camera, watched
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger
from tiepoint.station.questions import last_entries

Kind = Literal["camera", "folder", "duty", "pictures"]
LOOK_S = 0.25
MOST_FILES = 5000
HANDED_OVER, MOST_HANDED = "pictures/see", 12
"""Where a person's own pictures for this page lie, seen from the station's folder; so many of them are looked at."""
_ASIDE = ("before", "refused", "taken")


@dataclass(frozen=True)
class Seen:
    """A picture to be looked at: what it is called, when it was taken (UTC; monotonic ns, 0 where not known)."""

    loaded: Loaded
    name: str
    taken_utc: str
    taken_mono_ns: int = 0
    bits: int | None = None
    exposure_s: float | None = None
    gain: float | None = None


@dataclass(frozen=True, slots=True)
class Means:
    """What can be set where pictures come from: `exposure`, `gain`, and its `lamps` by name."""

    exposure: bool = False
    gain: bool = False
    lamps: tuple[str, ...] = ()


There = tuple[object, Callable[[], Seen]]
"""By what a picture is known again, and how it is read."""


class Source(Protocol):
    """Pictures, the newest alone. All calls come from one thread, but for `stop`."""

    @property
    def link(self) -> tuple[Link, str]:
        """Whether it gives pictures, and why not, in a clause."""
        ...

    @property
    def means(self) -> Means:
        """What can be set there."""
        ...

    def newest(self, timeout_s: float) -> Seen | None:
        """Return the newest picture, None where there is none that was not returned before, within that time."""
        ...

    def set(self, setting: Setting) -> Setting:
        """Set what can be set; `UnusableInput` where it cannot."""
        ...

    def stop(self) -> None:
        """Let go."""
        ...


class CameraSource:
    """A camera that is asked for one picture after another. What it cannot decode is no picture."""

    def __init__(self, camera: Camera, means: Means, bits: int | None = None) -> None:
        self._camera, self._means, self._bits = camera, means, bits
        self._count = 0
        camera.start()

    @property
    def link(self) -> tuple[Link, str]:
        """The camera's own."""
        return self._camera.link

    @property
    def means(self) -> Means:
        """What the camera can set."""
        return self._means

    def newest(self, timeout_s: float) -> Seen | None:
        """Trigger, and return what comes of it."""
        self._count += 1
        self._camera.trigger(Trigger(f"see-{self._count}", monotonic_ns(), part_id="see"))
        delivery = self._camera.take(timeout_s)
        if delivery is None:
            return None
        try:
            if delivery.status == "incomplete" or not delivery.frames:
                return None
            frame = delivery.frames[0]
            pixels: NDArray[Any] | None = frame.pixels
            if frame.data is not None:
                loaded = decode_picture(frame.data, Path(frame.name))
            elif pixels is not None:
                loaded = picture_of(pixels, Path(frame.name))
            bits = frame.bits or self._bits
            return Seen(
                loaded, delivery.camera, delivery.taken_utc, delivery.taken_mono_ns, bits, frame.exposure_s, frame.gain
            )
        finally:
            self._camera.done(delivery)

    def set(self, setting: Setting) -> Setting:
        """Set on the camera."""
        return self._camera.set(setting)

    def stop(self) -> None:
        """Stop the camera."""
        self._camera.stop()


class NewestSource:
    """The newest of what somebody else puts somewhere; nothing there is moved, taken or changed."""

    def __init__(self, says: str) -> None:
        self._says, self._stop = says, threading.Event()
        self._known: object = None
        self._link: tuple[Link, str] = ("waiting", f"no picture is in {says} yet")

    @property
    def link(self) -> tuple[Link, str]:
        """Whether there is one."""
        return self._link

    @property
    def means(self) -> Means:
        """Nothing can be set there."""
        return Means()

    def newest(self, timeout_s: float) -> Seen | None:
        """Return the newest, once."""
        try:
            for key, read in self._there():
                if key == self._known:
                    break
                with suppress(TiepointError, OSError):  # half written: the next older one, and this one next time
                    seen = read()
                    self._known, self._link = key, ("joined", f"the newest of {self._says}")
                    return seen
        except (TiepointError, OSError) as error:
            self._link = ("away", str(error))
        self._stop.wait(min(timeout_s, LOOK_S))
        return None

    def set(self, setting: Setting) -> Setting:
        """Refuse any."""
        if setting != Setting():
            raise UnusableInput(f"nothing can be set where pictures come from {self._says}; set it at the camera")
        return setting

    def stop(self) -> None:
        """Let whoever waits go on."""
        self._stop.set()

    def _there(self) -> Iterator[There]:
        raise NotImplementedError


class FolderSource(NewestSource):
    """The newest picture below a folder: of a watched one, or of a person's own."""

    def __init__(self, folder: Path, says: str, bits: int | None = None) -> None:
        super().__init__(says)
        self._folder, self._bits = folder, bits

    def _there(self) -> Iterator[There]:
        for at, path in sorted(_pictures(self._folder), key=lambda one: one[0], reverse=True)[:3]:
            yield (at, str(path)), partial(self._seen, path, at)

    def _seen(self, path: Path, at_ns: int) -> Seen:
        taken = datetime.fromtimestamp(at_ns / 1e9, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        return Seen(load_picture(path), path.name, taken, bits=self._bits)


class HandedSource(FolderSource):
    """A person's own pictures, each once, in the order in which they came: several that came at once are a series."""

    def _there(self) -> Iterator[There]:
        for at, path in sorted(_pictures(self._folder))[-MOST_HANDED:]:
            if not isinstance(self._known, tuple) or (at, str(path)) > self._known:
                yield (at, str(path)), partial(self._seen, path, at)


def _pictures(folder: Path) -> list[tuple[int, Path]]:
    """Return the pictures below a folder (one folder down, as shots are) and when each was written, in ns."""
    found = []
    try:
        inside = list(folder.iterdir())[:MOST_FILES]
    except OSError:
        return []
    for path in inside:
        if path.name.startswith("."):
            continue
        if path.is_dir():
            inside_it = [] if path.name in _ASIDE else list(path.iterdir())[:100]
        else:
            inside_it = [path]
        for one in inside_it:
            if one.suffix.lower() in PICTURE_ENDINGS and not one.name.startswith("."):
                with suppress(OSError):
                    found.append((one.stat().st_mtime_ns, one))
    return found


class DutySource(NewestSource):
    """The newest shot that duty has kept; read from the ledger and the archive, so that duty is not disturbed."""

    def __init__(self, station: Station) -> None:
        super().__init__("what duty keeps")
        self._station = station

    def _there(self) -> Iterator[There]:
        with Ledger(self._station.ledger_place) as ledger:
            entries = last_entries(ledger, "archived", 1)
        for entry in entries:
            kept = kept_of(self._station, entry)
            name = next((n for n in kept.files if Path(n).suffix.lower() in PICTURE_ENDINGS), None)
            if name is not None:
                yield entry.seq, partial(_kept, kept.folder / name, f"record {kept.record}", entry.written_utc)


def _kept(path: Path, name: str, at_utc: str) -> Seen:
    return Seen(load_picture(path), name, at_utc)


# --- which there are -------------------------------------------------------------------------------------------------


def means_of(table: CameraTable) -> Means:
    """Return what can be set of a camera from here."""
    is_genicam = table.comes_from == "genicam"
    lamps = () if table.lamps is None else tuple(lamp.name for lamp in table.lamps.lamp)
    return Means(is_genicam, is_genicam, lamps)


def open_source(table: CameraTable, station: Station) -> Source:
    """Return the pictures of a camera of a station that is off duty.

    It is opened with its own lens and lamps as they are: one picture a trigger, whatever triggers it on duty. Raises
    `UnusableInput` where it cannot be.
    """
    folder = watched(table, station.folder)
    if folder is not None:
        return FolderSource(folder, f"the folder of the camera {table.name}", table.bits)
    # No counter of parts goes on for pictures that are only looked at.
    free = table.model_copy(
        update={
            "trigger": TriggerTable(kind="software", latest_s=table.trigger.latest_s),
            "lights": (),
            "part_id": "code",
        }
    )
    return CameraSource(open_camera(free, station.folder), means_of(table), table.bits)
