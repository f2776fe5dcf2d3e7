"""The bench's camera for the page See: a target on a table, and everything that a person turns there to see it well.

Its truth is exact: how far the camera leans, how wide the lens's blur is at every place, how much each lamp gives. The
lens is ideal but for its aperture: a thin lens of focal length f at f-number N, focused on a plane, shows what lies off
that plane in a disc of which the standard deviation is a quarter of the diameter (of a uniform disc), and diffraction
adds σ = 0.42·λ·N (the Gaussian that is as wide as the middle of an Airy pattern; from memory, common practice).
A lean is rendered in full: perspective and blur both follow from where the plane lies.
"""

import math
import threading
import time
from collections import deque
from dataclasses import dataclass, replace
from functools import cache
from time import monotonic, monotonic_ns
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.bench.demo_bench import demo_target
from tiepoint.bench.station import TABLE, BenchStation, View
from tiepoint.foundation.errors import UnusableInput
from tiepoint.render.camera import unproject
from tiepoint.render.integral import irradiance
from tiepoint.render.scene import Scene
from tiepoint.render.sensor import EmvaSensor, Light, expose
from tiepoint.station.cameras.delivery import Delivery, Frame, Link, Setting, Trigger
from tiepoint.station.cameras.parts import utc_of
from tiepoint.targets.draw import Target

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

NAME = "bench"
WIDTH_PX, HEIGHT_PX, PIXEL_UM, FOCAL_MM = 1224, 1024, 6.9, 25.0
DISTANCE_MM = 400.0
LAMPS = {"north": (0.0, -0.5), "east": (0.5, 0.0), "south": (0.0, 0.5), "west": (-0.5, 0.0)}
"""Where the light of each comes from in the picture: its gradient, y down."""
WAVELENGTH_UM = 0.53
SHARPEST_PX = 0.45
LEVELS = (0.0, 0.3, 0.5, 0.7, 0.95, 1.3, 1.8, 2.5, 3.5, 5.0, 7.0, 10.0, 14.0)
"""Blurs (σ, px) beside the sharpest that are made; each pixel takes the two next to its own."""
FULL_AT = 0.22
"""Share of full scale that a white place gets from one lamp in 1 ms at f/4 without gain."""
FRAME_S = 0.12
ROOM_HZ = 100.0


@dataclass(frozen=True, slots=True)
class Turned:
    """What a person has turned: `focus_mm` is the distance that is in focus; `lean_deg` of the camera, which then
    stands towards `towards_deg` (0 right, 90 up in the picture) and sees that side nearer. `room`: light of the room
    that swings with the mains, as a share of a lamp's.
    """

    focus_mm: float = DISTANCE_MM
    f_number: float = 4.0
    lean_deg: float = 0.0
    towards_deg: float = 225.0
    exposure_s: float = 1.0e-3
    gain: float = 0.0
    room: float = 0.0
    lamps: tuple[tuple[str, float], ...] = tuple((name, 1.0) for name in LAMPS)


SET_WRONG = Turned(focus_mm=378.0, f_number=2.8, lean_deg=1.5, exposure_s=0.5e-3, room=0.3)
"""As a newcomer finds it: too wide open, focused too near, leaning, and with the room's light on it."""
_RANGES = {
    "focus_mm": (200.0, 1000.0), "f_number": (1.4, 22.0), "lean_deg": (0.0, 10.0), "towards_deg": (-360.0, 360.0),
    "exposure_s": (1e-5, 0.1), "gain": (0.0, 24.0), "room": (0.0, 3.0),
}  # fmt: skip
_SAID = {
    "focus_mm": "focus", "f_number": "f-number", "lean_deg": "lean", "towards_deg": "direction of the lean",
    "exposure_s": "exposure", "gain": "gain", "room": "light of the room",
}  # fmt: skip


def target_there() -> Target:
    """Return the target that lies there."""
    return demo_target()


def station_as(turned: Turned) -> BenchStation:
    """Return the bench's station with its camera standing as it was turned."""
    view = View((60.0, 45.0), DISTANCE_MM, turned.lean_deg, turned.towards_deg, 0.0)
    return BenchStation(
        view=view,
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
        pixel_um=PIXEL_UM,
        focal_mm=FOCAL_MM,
        off_centre_px=(0.0, 0.0),
    )


def blur_of(turned: Turned) -> Array:
    """Return the blur (rows, cols) σ in px at every place of the picture: defocus and diffraction."""
    camera = station_as(turned).camera
    y, x = np.mgrid[0:HEIGHT_PX:16, 0:WIDTH_PX:16]
    places = unproject(camera, np.column_stack([x.ravel(), y.ravel()]).astype(float), 0.0)
    depth = (places @ camera.rotation.T + camera.translation_mm)[:, 2].reshape(x.shape)
    aperture = FOCAL_MM / turned.f_number
    image_mm = turned.focus_mm * FOCAL_MM / (turned.focus_mm - FOCAL_MM)
    disc_mm = aperture * image_mm * np.abs(depth - turned.focus_mm) / (depth * turned.focus_mm)
    diffraction_px = 0.42 * WAVELENGTH_UM * turned.f_number / PIXEL_UM
    sigma = np.hypot(np.hypot(disc_mm * 1000 / PIXEL_UM / 4, diffraction_px), SHARPEST_PX)
    return np.asarray(cv2.resize(sigma, (WIDTH_PX, HEIGHT_PX), interpolation=cv2.INTER_LINEAR), float)


@dataclass
class _Made:
    """What was rendered for a way of standing, and the picture for a way of focusing it."""

    lean: tuple[float, float] | None = None
    sharp: Floats | None = None
    optics: tuple[float, float] | None = None
    blurred: Floats | None = None


class SeeCamera:
    """A camera like any other, which renders what is before it; slower than a real one, and as exact as the bench."""

    def __init__(self, turned: Turned = SET_WRONG, *, seed: int = 1, frame_s: float = FRAME_S) -> None:
        self._turned, self._frame_s = turned, frame_s
        self._rng = np.random.default_rng([seed, 7700])
        self._lock = threading.Lock()
        self._made = _Made()
        self._triggers: deque[Trigger] = deque()
        self._changed = threading.Condition()
        self._running = False
        self._count, self._last = 0, 0.0

    @property
    def name(self) -> str:
        """What it is called."""
        return NAME

    @property
    def link(self) -> tuple[Link, str]:
        """There while it runs."""
        return ("joined", "the simulated camera runs") if self._running else ("waiting", "the simulated camera stands")

    @property
    def turned(self) -> Turned:
        """What is really so."""
        return self._turned

    def start(self) -> None:
        """Begin."""
        self._running = True

    def trigger(self, trigger: Trigger) -> None:
        """Take one picture."""
        with self._changed:
            if len(self._triggers) < 4:
                self._triggers.append(trigger)
            self._changed.notify_all()

    def take(self, timeout_s: float) -> Delivery | None:
        """Return the next picture, no sooner after the last one than a camera of that rate could."""
        with self._changed:
            self._changed.wait_for(lambda: self._triggers or not self._running, timeout_s)
            if not self._running or not self._triggers:
                return None
            trigger = self._triggers.popleft()
        rest = self._last + self._frame_s - monotonic()
        if rest > 0:
            time.sleep(rest)
        self._last = monotonic()
        taken = monotonic_ns()
        turned = self._turned
        pixels = self.picture(turned, taken / 1e9)
        self._count += 1
        frame = Frame(
            "picture",
            "picture",
            pixels=pixels,
            bits=8,
            counter=self._count,
            exposure_s=turned.exposure_s,
            gain=turned.gain,
        )
        return Delivery(
            f"{NAME}-{self._count}", NAME, (frame,), utc_of(taken), taken, part_id=trigger.part_id, trigger=trigger.id
        )

    def done(self, delivery: Delivery) -> None:
        """Nothing is kept here."""

    def set(self, setting: Setting) -> Setting:
        """Set exposure, gain and lamps."""
        changes: dict[str, Any] = {}
        if setting.exposure_s is not None:
            changes["exposure_s"] = setting.exposure_s
        if setting.gain is not None:
            changes["gain"] = setting.gain
        if setting.lamps:
            known = dict(self._turned.lamps)
            for name, current in setting.lamps.items():
                if name not in known:
                    raise UnusableInput(f"no lamp of the bench is called {name}; there are {', '.join(known)}")
                if not 0 <= current <= 1:
                    raise UnusableInput(f"the lamp {name} cannot have the current {current:g}; give 0 to 1")
                known[name] = float(current)
            changes["lamps"] = tuple(known.items())
        self.turn(**changes)
        return setting

    def turn(self, **changes: Any) -> Turned:
        """Turn what a person turns by hand; `UnusableInput` for what cannot be turned so far."""
        for name, value in changes.items():
            if name in _RANGES and not _RANGES[name][0] <= value <= _RANGES[name][1]:
                low, high = _RANGES[name]
                raise UnusableInput(f"the {_SAID[name]} of the bench cannot be {value:g}; give {low:g} to {high:g}")
        with self._lock:
            self._turned = replace(self._turned, **changes)
        return self._turned

    def stop(self) -> None:
        """Stop."""
        with self._changed:
            self._running = False
            self._triggers.clear()
            self._changed.notify_all()

    def picture(self, turned: Turned, at_s: float) -> NDArray[np.uint8]:
        """Return the picture of a moment."""
        share = self._blurred(turned) * self._light(turned, at_s)
        gain = 10 ** (turned.gain / 20)
        sensor = EmvaSensor(gain_dn_per_e=0.025 * gain)
        return np.asarray(expose(np.asarray(share, np.float32), sensor, self._rng), np.uint8)

    def _light(self, turned: Turned, at_s: float) -> Floats:
        """Return the light (rows, cols) as a share of full scale: of the lamps, and of the room, which swings."""
        scale = FULL_AT * turned.exposure_s / 1e-3 * (4.0 / turned.f_number) ** 2 * 10 ** (turned.gain / 20)
        light = np.zeros((HEIGHT_PX, WIDTH_PX), np.float32)
        for name, current in turned.lamps:
            if current:
                light += np.float32(scale * current) * _field_of(name)
        if turned.room:
            # The mean of 1 + sin over the exposure.
            phase, half = 2 * math.pi * ROOM_HZ * at_s, math.pi * ROOM_HZ * turned.exposure_s
            swing = 1 + math.sin(phase + half) * math.sin(half) / half
            light += np.float32(scale * turned.room * swing)
        return light

    def _blurred(self, turned: Turned) -> Floats:
        """Return the picture of reflectance through the lens, made anew only where it was turned."""
        with self._lock:
            lean = turned.lean_deg, turned.towards_deg
            optics = turned.focus_mm, turned.f_number
            if self._made.sharp is None or self._made.lean != lean:
                station = station_as(turned)
                scene = Scene(TABLE, (station.target_on(target_there()),))
                self._made = _Made(lean, irradiance(scene, station.camera, SHARPEST_PX))
            if self._made.blurred is None or self._made.optics != optics:
                assert self._made.sharp is not None
                self._made.blurred = _through(self._made.sharp, blur_of(turned))
                self._made.optics = optics
            return self._made.blurred


@cache
def _field_of(lamp: str) -> Floats:
    """Return the light of a lamp over the picture (rows, cols), 1 in its middle."""
    x, y = LAMPS[lamp]
    return Light(1.0, x * 0.5, y * 0.5, 0.06).on(np.ones((HEIGHT_PX, WIDTH_PX), np.float32))


def _through(sharp: Floats, sigma: Array) -> Floats:
    """Return a sharp picture with another blur at every place: between the two that are next to it, by variance."""
    more = np.sqrt(np.maximum(sigma**2 - SHARPEST_PX**2, 0.0))
    levels = np.array([level for level in LEVELS if level <= max(more.max() * 1.6, LEVELS[1])])
    which = np.clip(np.searchsorted(levels, more, side="right") - 1, 0, len(levels) - 2)
    low, high = levels[which] ** 2, levels[which + 1] ** 2
    share = np.clip((more**2 - low) / (high - low), 0, 1).astype(np.float32)
    out = np.zeros_like(sharp)
    before: NDArray[Any] = sharp
    for k in range(len(levels) - 1):
        after = cv2.GaussianBlur(sharp, (0, 0), float(levels[k + 1]))
        mine = which == k
        out[mine] = ((1 - share) * before + share * after)[mine]
        before = after
    return out
