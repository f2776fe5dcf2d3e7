"""A GenICam camera (GigE Vision, USB3 Vision) through Aravis, which is installed beside this program."""

import threading
from collections import deque
from pathlib import Path
from time import monotonic_ns

from tiepoint.documents.canonical import pixels_sha256
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.cameras.aravis import Device, Got, library
from tiepoint.station.cameras.delivery import Delivery, Frame, Link, Setting, Trigger
from tiepoint.station.cameras.lamps import Lamps, open_lamps
from tiepoint.station.cameras.lines import LineLamps
from tiepoint.station.cameras.order import Expected, Judged, Order
from tiepoint.station.cameras.parts import Parts, said_of, utc_of, worse
from tiepoint.station.cameras.sequence import LightSequence
from tiepoint.station.cameras.table import CameraTable, GenicamTable
from tiepoint.station.cameras.waiting import Waiting

READ_AHEAD = 4
MOST_TRIGGERS = 64
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.25, 30.0
_LOOK_S = 0.05


class GenicamCamera:
    """The camera of `from = "genicam"`. One thread of its own speaks to the device."""

    def __init__(self, table: CameraTable, folder: Path) -> None:
        if table.genicam is None:
            raise UnusableInput(f'the camera "{table.name}" names no GenICam device')
        self._table = table
        self._settings: GenicamTable = table.genicam
        self._parts = Parts(table, folder)
        self._expected = Expected(table.trigger.latest_s)
        self._order = Order(table.genicam.counter_bits)
        self._waiting = Waiting(READ_AHEAD)
        self._triggers: deque[Trigger] = deque()
        self._stop = threading.Event()
        self._wake = threading.Event()
        self._lock = threading.RLock()
        self._device: Device | None = None
        self._lamps: Lamps = open_lamps(table.lamps)
        self._sequence: LightSequence | None = None
        self._wanted = Setting(table.exposure_s, table.gain)
        self._is_set = Setting()
        self._thread: threading.Thread | None = None
        self._link: tuple[Link, str] = ("waiting", "it was not started yet")
        self._says = ""

    @property
    def name(self) -> str:
        """By what station.toml calls it."""
        return self._table.name

    @property
    def link(self) -> tuple[Link, str]:
        """Whether the camera answers."""
        return self._link[0], "; ".join(filter(None, (self._link[1], self._says)))

    def start(self) -> None:
        """Begin to look for the camera; `UnusableInput` where Aravis is not installed."""
        library()
        self._stop.clear()
        self._waiting.begin()
        self._link = ("waiting", f"the GenICam camera {self._settings.id} is looked for")
        self._thread = threading.Thread(target=self._run, name=f"{self.name} genicam", daemon=True)
        self._thread.start()

    def trigger(self, trigger: Trigger) -> None:
        """Trigger by software, or expect the picture that a line triggers."""
        if not self._table.waits_for_triggers:
            self._waiting.put(
                self._parts.nothing(trigger, "this camera takes pictures unasked, and names its own parts")
            )
        elif len(self._triggers) < MOST_TRIGGERS:
            self._triggers.append(trigger)
            self._wake.set()

    def take(self, timeout_s: float) -> Delivery | None:
        """Return the next shot."""
        return self._waiting.take(timeout_s)

    def done(self, delivery: Delivery) -> None:
        """Nothing is kept here."""

    def set(self, setting: Setting) -> Setting:
        """Set exposure, gain and lamps, and return what the camera says it has; it keeps them when it was away."""
        with self._lock:
            if self._device is None:
                raise UnusableInput(f'the camera "{self.name}" is away, and nothing of it can be set now')
            self._lamps.set(setting.lamps)
            self._apply(self._device, setting)
            self._wanted = Setting(
                self._wanted.exposure_s if setting.exposure_s is None else setting.exposure_s,
                self._wanted.gain if setting.gain is None else setting.gain,
            )
            return Setting(self._is_set.exposure_s, self._is_set.gain, setting.lamps)

    def stop(self) -> None:
        """Stop, darken the lamps, and let go of the camera."""
        self._stop.set()
        self._wake.set()
        self._waiting.stop()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(self._settings.lost_s + 5)

    def _run(self) -> None:
        """Open the camera and serve it, again and again; after each failure later."""
        pause_s = FIRST_PAUSE_S
        while not self._stop.is_set():
            try:
                self._open()
                pause_s = FIRST_PAUSE_S
                self._serve()
            except Exception as error:
                # Whatever it is: a thread that ended here would leave the camera joined, and silent for ever.
                if self._link[0] != "away":
                    self._link = ("away", f"{said_of(error)}, since {utc_of(monotonic_ns())}")
            finally:
                self._close()
            self._stay_away(pause_s)
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)

    def _open(self) -> None:
        device = Device(self._settings.id)
        with self._lock:
            self._device = device
            if self._settings.pixel_format:
                device.do("arv_camera_set_pixel_format_from_string", self._settings.pixel_format.encode())
            for name, value in self._settings.features.items():
                device.set_feature(name, value)
            self._apply(device, self._wanted)
            source = self._settings.line if self._table.kind == "hardware" else "Software"
            device.do("arv_camera_set_trigger", source.encode())
            if self._table.lamps is not None and self._table.lamps.kind == "genicam":
                self._lamps = lamps = LineLamps(self._table.lamps, device)
                if self._table.lamps.sequence is not None and len(self._table.lights) > 1:
                    advance = self._table.lamps.sequence
                    self._sequence = LightSequence(device, self._table.lights, lamps.lines, advance)
            # Numbers of GigE Vision begin with 1, after their last one too.
            self._order = Order(self._settings.counter_bits, skips_zero=device.is_gige)
            device.begin(self._settings.buffers)
        self._link = ("joined", f"the GenICam camera {self._settings.id}, since {utc_of(monotonic_ns())}")

    def _close(self) -> None:
        with self._lock:
            device, self._device = self._device, None
            sequence, self._sequence = self._sequence, None
            try:
                if sequence is not None:
                    sequence.close()
                if device is not None or not isinstance(self._lamps, LineLamps):
                    self._lamps.close()
            except UnusableInput as error:
                self._says = f"the lamps may still be lit: {error}"
            if device is not None:
                device.close()

    def _apply(self, device: Device, setting: Setting) -> None:
        """Set exposure and gain; raises `UnusableInput` where the camera then says that it has another."""
        if setting.exposure_s is not None:
            self._demand(device, "exposure_time", "exposure_s", setting.exposure_s, 1e6)
            device.do("arv_camera_set_exposure_time", setting.exposure_s * 1e6)
        if setting.gain is not None:
            self._demand(device, "gain", "gain", setting.gain, 1.0)
            device.do("arv_camera_set_gain", setting.gain)
        timed = device.has("ExposureTime") or device.has("ExposureTimeAbs")
        exposure_s = device.do("arv_camera_get_exposure_time") / 1e6 if timed else None
        gain = device.do("arv_camera_get_gain") if device.has("Gain") or device.has("GainRaw") else None
        self._is_set = Setting(exposure_s, gain)
        for what, asked, has in (("exposure_s", setting.exposure_s, exposure_s), ("gain", setting.gain, gain)):
            # Cameras round to their clock; a twentieth off is another setting.
            if asked is not None and (has is None or abs(has - asked) > 0.05 * abs(asked) + 1e-6):
                raise UnusableInput(f'the camera "{self.name}" does not take {what} = {asked:g}: it has {has}')

    def _demand(self, device: Device, name: str, what: str, value: float, units: float) -> None:
        """Raise where the camera does not take a value; not all cameras refuse by themselves."""
        least, most = device.bounds(f"arv_camera_get_{name}_bounds")
        if not least <= value * units <= most:
            raise UnusableInput(
                f'the camera "{self.name}" does not take {what} = {value:g}; give {least / units:g} to {most / units:g}'
            )

    def _serve(self) -> None:
        """Serve until the camera is lost (`UnusableInput`) or this is stopped."""
        looked, due = monotonic_ns(), monotonic_ns()
        period_ns = int((self._table.trigger.period_s or 0) * 1e9)
        while not self._stop.is_set():
            if self._table.kind == "hardware":
                self._on_line(self._next(_LOOK_S))
            elif period_ns and monotonic_ns() >= due:
                self._pass_on(self._shot(due, None))
                due += period_ns * max(1, -(-(monotonic_ns() - due) // period_ns))
            elif self._triggers:
                trigger = self._triggers.popleft()
                self._pass_on(self._shot(trigger.taken_mono_ns, trigger))
            else:
                self._wake.clear()
                if not self._triggers:
                    self._wake.wait(min(max(due - monotonic_ns(), 0) / 1e9, 0.5) if period_ns else 0.5)
            if monotonic_ns() - looked > self._settings.lost_s * 0.5e9:
                # A camera that waits for a trigger says nothing: it is asked whether it is there.
                self._do("arv_camera_get_payload")
                looked = monotonic_ns()

    def _next(self, timeout_s: float) -> Got | None:
        device = self._device
        return None if device is None else device.next(timeout_s)

    def _do(self, function: str) -> None:
        with self._lock:
            if self._device is not None:
                self._device.do(function)

    def _shot(self, since_ns: int, trigger: Trigger | None) -> Delivery:
        """Return one picture for each light, or one; no result where the camera or a lamp refuses, or anything else."""
        try:
            return self._triggered(since_ns, trigger)
        except Exception as error:
            if self._sequence is not None:
                self._begin_anew()  # the next part begins with the first light again
            return self._parts.nothing(trigger or Trigger("", since_ns), said_of(error))

    def _triggered(self, since_ns: int, trigger: Trigger | None) -> Delivery:
        until_ns = since_ns + int(self._table.trigger.latest_s * 1e9)
        lights = self._table.lights if len(self._table.lights) > 1 else ()
        frames, taken_ns, judged = [], 0, Judged()
        for k, light in enumerate(lights or ("",)):
            if light:
                self._light(light)
            if self._come_unasked() and k:
                # It would be taken for this one's, though it was lit by the lamp before.
                judged = worse(judged, Judged("out_of_order", "a picture came between its own that nobody asked for"))
            taken_ns = taken_ns or monotonic_ns()  # a shot is as old as its first picture
            self._do("arv_camera_software_trigger")
            got = self._next(max(until_ns - monotonic_ns(), 0) / 1e9)
            if got is None:
                # Its picture may still come, and must not be taken for that of the next part.
                self._begin_anew()
                why = f"no picture came within {self._table.trigger.latest_s:g} s"
                return self._parts.nothing(trigger or Trigger("", since_ns), why)
            judged = worse(judged, self._judged(got))
            if got.pixels is not None:
                frames.append(self._frame(got, light))
        if lights and self._sequence is not None:
            self._light(lights[0])  # it has gone round: the last picture too was lit by the lamp that it is taken for
        elif lights:
            with self._lock:
                self._lamps.set(dict.fromkeys(lights, 0.0))
        return self._parts.delivery(frames if judged.status != "incomplete" else (), taken_ns, judged, trigger)

    def _come_unasked(self) -> int:
        """Take out what has come without being asked for, and return how many pictures that are."""
        count = 0
        while (old := self._next(0)) is not None:
            self._order.judge([old.frame_id])
            count += 1
        return count

    def _light(self, light: str) -> None:
        """See to it that the next picture is lit by one lamp of the shot's."""
        with self._lock:
            if self._sequence is not None:
                self._sequence.demand(light)
                return
            self._lamps.set({one: float(one == light) for one in self._table.lights})
        self._stop.wait(self._table.lamps.settle_s if self._table.lamps else 0)

    def _on_line(self, got: Got | None) -> None:
        """Give a picture that a line triggered to its part, and give up those whose pictures have not come."""
        now = monotonic_ns()
        while self._triggers:
            trigger = self._triggers.popleft()
            if not self._expected.add(trigger):
                self._pass_on(self._parts.nothing(trigger, "too many parts wait for their pictures"))
        for trigger in self._expected.missed(now):
            self._pass_on(self._parts.nothing(trigger, f"no picture came within {self._table.trigger.latest_s:g} s"))
        if got is None:
            return
        judged = self._judged(got)
        trigger_of = None
        if self._table.waits_for_triggers:
            for trigger in self._expected.lost(judged.lost):
                self._pass_on(self._parts.nothing(trigger, "its picture was lost: a frame number is missing"))
            matched = self._expected.match(now)
            trigger_of, judged = matched.trigger, worse(judged, Judged(matched.status, matched.why))
        frames = [self._frame(got, "")] if got.pixels is not None and judged.status != "incomplete" else []
        self._pass_on(self._parts.delivery(frames, now, judged, trigger_of))

    def _judged(self, got: Got) -> Judged:
        hashes = [] if got.pixels is None else [pixels_sha256(got.pixels)]
        by_order = self._order.judge([got.frame_id], hashes)
        return worse(Judged("incomplete", got.lacks), by_order) if got.lacks else by_order

    def _frame(self, got: Got, light: str) -> Frame:
        role = light or "picture"
        return Frame(
            role,
            role,
            pixels=got.pixels,
            light=light or None,
            bits=self._table.bits or got.bits,
            counter=got.frame_id,
            exposure_s=self._is_set.exposure_s,
            gain=self._is_set.gain,
            roi_offset=got.offset,
        )

    def _begin_anew(self) -> None:
        with self._lock:
            if self._device is not None:
                self._device.end()
                if self._sequence is not None:
                    self._sequence.begin()
                self._device.begin(self._settings.buffers)
        self._order.restarted()

    def _stay_away(self, pause_s: float) -> None:
        """Wait before the next try; a part that is triggered meanwhile is told at once that there is no result."""
        until = monotonic_ns() + int(pause_s * 1e9)
        while not self._stop.is_set() and monotonic_ns() < until:
            self._wake.clear()
            self._give_up_all()
            self._wake.wait(max(until - monotonic_ns(), 0) / 1e9)

    def _give_up_all(self) -> None:
        """Tell of every part that waits that there is no result."""
        waiting = [*self._expected.lost(len(self._expected)), *self._triggers]
        self._triggers.clear()
        for trigger in waiting:
            self._pass_on(self._parts.nothing(trigger, f"the camera is away: {self._link[1]}"))

    def _pass_on(self, delivery: Delivery) -> None:
        if not self._waiting.put(delivery, self._table.trigger.latest_s) and not self._stop.is_set():
            self._says = f"nobody took the shot {delivery.id}"
