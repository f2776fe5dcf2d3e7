"""A camera that OpenCV reads: a device of the operating system, a stream, or a video file.

OpenCV tells neither when a frame was exposed nor its number, so both are made sure of from outside: a thread reads
without pause and keeps the newest frame alone, and a trigger takes the first frame that came so long after it that
its exposure cannot have begun before. What froze is known by its pixels, which are the same bit for bit.
"""

import threading
from collections import deque
from pathlib import Path
from time import monotonic_ns
from typing import Any
from urllib.parse import urlsplit

import numpy as np
from numpy.typing import NDArray

from tiepoint.documents.canonical import pixels_sha256
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.cameras.delivery import Delivery, Frame, Link, Setting, Trigger
from tiepoint.station.cameras.lamps import open_lamps
from tiepoint.station.cameras.order import Order
from tiepoint.station.cameras.parts import Parts, said_of, utc_of
from tiepoint.station.cameras.table import CameraTable, DeviceTable
from tiepoint.station.cameras.waiting import Waiting

READ_AHEAD = 2
MOST_TRIGGERS = 64
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.25, 30.0


class DeviceCamera:
    """The camera of `from = "device"`."""

    def __init__(self, table: CameraTable, folder: Path) -> None:
        if table.device is None:
            raise UnusableInput(f'the camera "{table.name}" names no device')
        self._table = table
        self._device: DeviceTable = table.device
        self._folder = folder
        self._lamps = open_lamps(table.lamps)
        self._parts = Parts(table, folder)
        self._order = Order()
        self._waiting = Waiting(READ_AHEAD)
        self._triggers: deque[Trigger] = deque()
        self._changed = threading.Condition()
        self._stop = threading.Event()
        self._newest: tuple[NDArray[Any], int] | None = None
        self._threads: list[threading.Thread] = []
        self._link: tuple[Link, str] = ("waiting", "it was not started yet")
        self._says = ""

    @property
    def name(self) -> str:
        """By what station.toml calls it."""
        return self._table.name

    @property
    def link(self) -> tuple[Link, str]:
        """Whether frames come."""
        link, why = self._link
        newest = self._newest
        if link == "joined" and newest is not None:
            silent_s = (monotonic_ns() - newest[1]) / 1e9
            if silent_s > self._device.lost_s:
                return "away", f"no frame came for {silent_s:.1f} s"
        return link, "; ".join(filter(None, (why, self._says)))

    def start(self) -> None:
        """Begin to read; the camera need not be there yet."""
        if self._device.path is not None and not (self._folder / self._device.path).is_file():
            raise UnusableInput(f"the video {self._folder / self._device.path} is not there; look at its spelling")
        self._stop.clear()
        self._waiting.begin()
        self._link = ("waiting", f"{self._what} has given no frame yet")
        work = self._on_time if self._table.kind == "timer" else self._on_trigger
        self._threads = [
            threading.Thread(target=run, name=f"{self.name} {run.__name__}", daemon=True) for run in (self._read, work)
        ]
        for thread in self._threads:
            thread.start()

    def trigger(self, trigger: Trigger) -> None:
        """Take the next picture whose exposure begins after the trigger."""
        if self._table.kind == "timer":
            self._waiting.put(self._parts.nothing(trigger, "this camera takes its pictures by a timer"))
            return
        with self._changed:
            if len(self._triggers) < MOST_TRIGGERS:
                self._triggers.append(trigger)
                self._changed.notify_all()

    def take(self, timeout_s: float) -> Delivery | None:
        """Return the next shot."""
        return self._waiting.take(timeout_s)

    def done(self, delivery: Delivery) -> None:
        """Nothing is kept here."""

    def set(self, setting: Setting) -> Setting:
        """Set lamps; what an exposure or a gain means differs from device to device, and is set on the device."""
        if setting.exposure_s is not None or setting.gain is not None:
            raise UnusableInput(
                f'exposure and gain of the camera "{self.name}" cannot be set from here: each device counts them '
                "in units of its own; set them on the device"
            )
        self._lamps.set(setting.lamps)
        return setting

    def stop(self) -> None:
        """Stop; a read that hangs is left behind, and ends by itself."""
        self._stop.set()
        self._waiting.stop()
        with self._changed:
            self._changed.notify_all()
        for thread in self._threads:
            if thread is not threading.current_thread():
                thread.join(self._device.lost_s + 2)
        self._lamps.close()

    @property
    def _what(self) -> str:
        """What is read, in words without a password that may stand in a URL."""
        if self._device.index is not None:
            return f"the device {self._device.index}"
        if self._device.path is not None:
            return f"the video {self._device.path}"
        return f"the stream of {urlsplit(self._device.url or '').hostname}"

    def _read(self) -> None:
        """Open and read, again and again; after each failure later."""
        pause_s = FIRST_PAUSE_S
        while not self._stop.is_set():
            frames = 0
            try:
                capture = self._opened()
                if capture is not None:
                    frames = self._read_on(capture)
                    capture.release()
            except Exception as error:  # whatever it is: it is read again
                self._lost(f"{self._what}: {said_of(error)}")
            pause_s = FIRST_PAUSE_S if frames else pause_s
            if self._stop.wait(pause_s):
                return
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)

    def _opened(self) -> Any:
        import cv2

        device = self._device
        if device.index is not None:
            capture = cv2.VideoCapture(device.index)
        else:
            wait_ms = int(device.lost_s * 1000)
            limits = [cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, wait_ms, cv2.CAP_PROP_READ_TIMEOUT_MSEC, wait_ms]
            source = device.url or str(self._folder / str(device.path))
            capture = cv2.VideoCapture(source, cv2.CAP_FFMPEG, limits)
        if not capture.isOpened():
            capture.release()
            self._lost(f"{self._what} cannot be opened")
            return None
        if device.width is not None and device.height is not None:
            capture.set(cv2.CAP_PROP_FRAME_WIDTH, device.width)
            capture.set(cv2.CAP_PROP_FRAME_HEIGHT, device.height)
        return capture

    def _read_on(self, capture: Any) -> int:
        """Keep the newest frame until no more come, and return how many came."""
        import cv2

        # A file is there at once; it is played at its own pace, as the camera that made it gave it.
        pace_s = 1 / max(capture.get(cv2.CAP_PROP_FPS), 1.0) if self._device.path is not None else 0.0
        frames = 0
        while not self._stop.is_set():
            good, pixels = capture.read()
            if not good or pixels is None:
                self._lost(f"{self._what} gives no more frames")
                return frames
            frames += 1
            with self._changed:
                self._newest = pixels, monotonic_ns()
                self._changed.notify_all()
            if frames == 1:
                self._link = ("joined", f"{self._what}, since {utc_of(monotonic_ns())}")
            if pace_s and self._stop.wait(pace_s):
                break
        return frames

    def _lost(self, why: str) -> None:
        if self._link[0] != "away":
            self._link = ("away", f"{why}, since {utc_of(monotonic_ns())}")

    def _on_trigger(self) -> None:
        while not self._stop.is_set():
            with self._changed:
                self._changed.wait_for(lambda: self._triggers or self._stop.is_set())
                if self._stop.is_set():
                    return
                trigger = self._triggers.popleft()
            self._pass_on(self._shot(trigger.taken_mono_ns, trigger))

    def _on_time(self) -> None:
        period_ns = int((self._table.trigger.period_s or 1) * 1e9)
        due = monotonic_ns() + period_ns
        while not self._stop.wait(max(due - monotonic_ns(), 0) / 1e9):
            if self._link[0] == "joined":
                self._pass_on(self._shot(due, None))
            # What was missed is missed: pictures that pile up are of no use to anybody.
            due += period_ns * max(1, -(-(monotonic_ns() - due) // period_ns))

    def _pass_on(self, delivery: Delivery) -> None:
        if not self._waiting.put(delivery, self._table.trigger.latest_s) and not self._stop.is_set():
            self._says = f"nobody took the shot {delivery.id}"

    def _shot(self, since_ns: int, trigger: Trigger | None) -> Delivery:
        """Return one picture for each light, or one, all exposed after a moment; no result where one does not come."""
        until_ns = since_ns + int(self._table.trigger.latest_s * 1e9)
        lights = self._table.lights if len(self._table.lights) > 1 else ()
        frames, taken_ns = [], 0
        try:
            for light in lights or ("",):
                if light:
                    self._lamps.set({one: float(one == light) for one in lights})
                    self._stop.wait(self._table.lamps.settle_s if self._table.lamps else 0)
                came = self._after(monotonic_ns() if light else since_ns, until_ns)
                if came is None:
                    return self._nothing(since_ns, trigger, f"no frame came within {self._table.trigger.latest_s:g} s")
                pixels, came_ns = came
                taken_ns = taken_ns or came_ns  # a shot is as old as its first picture
                role = light or "picture"
                frames.append(Frame(role, role, pixels=self._plain(pixels), light=light or None, bits=self._table.bits))
            if lights:
                self._lamps.set(dict.fromkeys(lights, 0.0))
        except Exception as error:
            # Whatever it is: a thread that ended here would answer no trigger any more, and nobody would know why.
            return self._nothing(since_ns, trigger, said_of(error))
        judged = self._order.judge(hashes=[pixels_sha256(f.pixels) for f in frames if f.pixels is not None])
        return self._parts.delivery(frames, taken_ns, judged, trigger)

    def _nothing(self, since_ns: int, trigger: Trigger | None, why: str) -> Delivery:
        return self._parts.nothing(trigger or Trigger("", since_ns), why)

    def _after(self, since_ns: int, until_ns: int) -> tuple[NDArray[Any], int] | None:
        """Return a frame that came so long after a moment that it was exposed after it; None where none did in time."""
        least = since_ns + int(self._device.latency_s * 1e9)

        def new() -> bool:
            return self._newest is not None and self._newest[1] >= least

        with self._changed:
            self._changed.wait_for(lambda: new() or self._stop.is_set(), max(until_ns - monotonic_ns(), 0) / 1e9)
            newest = self._newest
            return newest if newest is not None and least <= newest[1] <= until_ns else None

    def _plain(self, pixels: NDArray[Any]) -> NDArray[Any]:
        """Return grey values or RGB; OpenCV gives BGR, also of what is grey."""
        import cv2

        if pixels.ndim == 2:
            return pixels
        if self._device.grey:
            return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY))
        return np.ascontiguousarray(pixels[:, :, 2::-1])
