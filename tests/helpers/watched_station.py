"""A station that is watched: a drawn scene of known blur, shift and light, and a watch that is shown it."""

import math
from dataclasses import replace
from functools import cache, cached_property
from pathlib import Path

import numpy as np
from scipy import ndimage, special
from tests.helpers.plain_bore import plain_tie
from tests.helpers.vent_station import new_station

from tiepoint.documents.pictures import picture_of
from tiepoint.model.decide import Limits
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.model.shot import Shot
from tiepoint.recipe.shots import LoadedShot, sensor_of
from tiepoint.station.accepted import accept, draft_of
from tiepoint.station.cameras.delivery import Delivery, Frame
from tiepoint.station.folder import open_station
from tiepoint.station.watch.hold import hold
from tiepoint.station.watch.watch import Clocks, Watch

WATCH = """
[watch]
every_s = 0.0
#

[[watch.patch]]
name = "tile"
box = [30, 30, 60, 40]

[[watch.patch]]
name = "lines"
box = [40, 380, 80, 60]
sharp = true

[[watch.edge]]
name = "left"
at = [500, 120]
[[watch.edge]]
name = "right"
at = [580, 120]
[[watch.edge]]
name = "top"
at = [540, 80]
towards_deg = 90
[[watch.edge]]
name = "bottom"
at = [540, 160]
towards_deg = 90
"""
BLUR_PX, NOISE = 0.8, 1.0


def scene(rng, *, light=1.0, blur=BLUR_PX, shift=(0.0, 0.0), scale=1.0, noise=NOISE, bore_mm=4.4, spot=None):
    """Return a picture (480, 640): a plate with a bore, a bright tile, a dark square whose sides are fixed edges, and
    lines 8 px apart. Edges are exact error functions, lines an exact cosine: blur and shift are what they are called.

    `spot`: (x, y, diameter, factor) of dirt that is out of focus.
    """
    exact = _scene(light, blur, shift, scale, bore_mm, spot)
    return np.clip(np.rint(exact + np.float32(noise) * rng.standard_normal(exact.shape, np.float32)), 0, 255).astype(
        np.uint8
    )


@cache
def _scene(light, blur, shift, scale, bore_mm, spot):
    y, x = np.mgrid[:480, :640].astype(float)
    x, y = ((c - m - s) / scale + m for c, m, s in ((x, 540.0, shift[0]), (y, 120.0, shift[1])))

    def step(away):
        return 0.5 * (1 + special.erf(away / (math.sqrt(2) * blur)))

    grey = 150 - 100 * step(bore_mm / 2 / 0.05 - np.hypot(x - 300, y - 240))
    grey = grey - 100 * step(40 - abs(x - 540)) * step(40 - abs(y - 120))
    grey = grey + 40 * (x < 120) * (y < 100)
    faded = math.exp(-2 * (math.pi * blur / 8) ** 2)
    grey = np.where((x < 150) & (y > 350), 120 + 50 * faded * np.cos(2 * math.pi * x / 8), grey)
    if spot is not None:
        sx, sy, diameter, factor = spot
        inside = (np.hypot(np.arange(640) - sx, np.arange(480)[:, None] - sy) <= diameter / 2).astype(float)
        grey = grey * (1 - (1 - factor) * ndimage.gaussian_filter(inside, 5))
    return (light * grey).astype(np.float32)


def loaded(pixels, **about) -> LoadedShot:
    """Return a picture as a shot."""
    picture = picture_of(pixels, Path("picture.png"))
    described = picture.described()
    shot = Shot("s", (described,), **about)
    return LoadedShot(Path("s"), shot, {"picture": picture}, {"picture": sensor_of(described)})


def bore(value, verdict="conforms", id_="bore.diameter"):
    """Return a reading of the bore's diameter."""
    limits = Limits(4.3, 4.5, "iso14253-1", 0.95)
    return Reading(
        id_, "bore", "circle", "diameter", "mm", "bore", "plane", value=value, u=0.001, dof=50.0, U95=0.002,
        limits=limits, verdict=verdict,
    )  # fmt: skip


class HandClock:
    """A clock that a test sets, and a disk that it fills."""

    def __init__(self):
        self.mono_s, self.set_by_s, self.free_bytes = 1000.0, 0.0, 5e11

    @property
    def clocks(self):
        return Clocks(lambda: 1.8e9 + self.mono_s + self.set_by_s, lambda: self.mono_s, lambda _: self.free_bytes)


class HandDuty:
    """What a watch asks of a duty, kept for a test: events, faults, and copies that are judged by hand."""

    def __init__(self, station):
        self.table, self.waiting, self.condition = station.table.duty, [], self
        self.events, self.faults, self.copies = [], {}, []

    def later(self, job):
        job()

    def write_event(self, event, **about):
        self.events.append({"event": event, **about})

    def fault(self, name, says):
        self.faults.pop(name, None) if says is None else self.faults.update({name: says})

    def came(self, delivery, checked=None):
        self.copies.append((delivery, checked))


class Watched:
    """A station whose accepted state was held from 60 quiet shots, its watch, and a line that shows it parts."""

    def __init__(self, folder, more="", head="", held=60, seed=1):
        vent = new_station(folder / "station", plain_tie())
        toml = vent.folder / "station.toml"
        toml.write_text(toml.read_text() + WATCH.replace("#", head) + more)
        self.station = open_station(vent.folder)
        accept(self.station, [draft_of(self.station, vent.recipe)], who="M. Weiss", why="first")
        self.rng, self.clock, self.n = np.random.default_rng(seed), HandClock(), 0
        self.reference = hold(self.station, [loaded(scene(self.rng), temperature_c=24.0) for _ in range(held)])
        self.duty = HandDuty(self.station)
        self.began_at, self.took_s = 0, 0.01
        self.begin()

    def begin(self):
        """Begin a watch, as after a restart."""
        self.watch = Watch(self.station, self.reference, clocks=self.clock.clocks, seed=5)

    def show(self, count=1, *, pixels=None, verdict="conforms", value=4.4, part_id=None, **faults):
        """Show parts, half a second apart; stop where an alarm begins. Return after how many."""
        begun, self.began_at = len(self.alarms), self.n
        for k in range(count):
            self.n += 1
            self.clock.mono_s += 0.5
            picture = scene(self.rng, **faults) if pixels is None else pixels
            frame = Frame("picture", "p.png", pixels=picture)
            utc = f"2026-11-26T08:00:00.{self.n:06d}Z"
            seen_ns = round(1e9 * self.clock.mono_s)
            delivery = Delivery(f"s{self.n}", "top", (frame,), utc, seen_ns, part_id=part_id, temperature_c=24.0)
            shot = Shot(delivery.id, (), taken_utc=utc, part_id=part_id)
            readings = (bore(value, verdict),) if verdict != "unread" else ()
            record = Record("vent bores", self.n, shot, self.recipe_sha, (), "t", readings, verdict, "thin")
            self.watch.seen(replace(record, timings={"bore": self.took_s}), delivery)
            self.watch.every_tick(self.duty)
            if len(self.alarms) > begun:
                return k + 1
        return count

    def held_shot(self):
        """Return a quiet shot to hold as accepted."""
        return loaded(scene(self.rng), temperature_c=24.0)

    def golden(self, value):
        """Return the record of a golden part."""
        shot = Shot("g", (), part_id="G-1")
        return Record("vent bores", 0, shot, self.recipe_sha, (), "t", (bore(value),), "conforms", "thin")

    @cached_property
    def recipe_sha(self):
        from tiepoint.station.accepted import accepted_bundle, pointers_of

        return accepted_bundle(self.station, pointers_of(self.station).shas[0]).recipe_sha

    @property
    def alarms(self):
        """What has begun, as (kind, about)."""
        return [(e["kind"], e["about"]) for e in self.duty.events if e.get("phase") == "begins"]

    @property
    def ended(self):
        return [(e["kind"], e["about"]) for e in self.duty.events if e.get("phase") == "ends"]
