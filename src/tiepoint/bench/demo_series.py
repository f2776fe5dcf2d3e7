"""The world in which the demo's station is proved: what is put under its camera, and the photographs that it gives.

No measuring happens in here. Each series of a study is photographed as a person would take it: the part is put in anew
for every picture, into one of three carriers whose seats are not equally high, on days on which the lamp is not equally
bright. The camera reads out only where the plate lies.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from types import MappingProxyType
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench import demo_bench as world
from tiepoint.bench.demo_bench import DemoBench, as_seen
from tiepoint.bench.lengths import Bar
from tiepoint.bench.place import Place
from tiepoint.bench.plate import CHARACTERISTICS, NOMINAL, Hole, Lot, Plate, make_lot
from tiepoint.render.sensor import Light

Pixels = NDArray[Any]
T = TypeVar("T")

WINDOW_PX = (480, 368, 992, 688)
"""What of the sensor is read out (x, y, width, height): the plate in its fixture, however it comes to lie."""
CARRIERS = ("1", "2", "3")
CARRIER_SD_MM, DAY_SD_MM, LAMP_SD = 0.008, 0.002, 0.02
"""Between carriers the height of the seat differs, from day to day that of the fixture; and how bright the lamp is."""
U_REFERENCE_MM = 0.0003
"""How well the golden plate and the step plates are known: a standard uncertainty, from their certificates."""
STEPS_MM = (4.40, 4.45, 4.50, 4.55, 4.60)
"""Nominal diameters of bore A of the step plates."""
LOADING_EDGE_MM = 0.0005
"""How much an edge differs from loading to loading, as dirt and the plate's lie under the lamp have it."""
RELAID_MM = 0.3

CHALLENGES: tuple[tuple[str, Callable[[Plate, float], Plate]], ...] = (
    ("bore A", lambda p, far: replace(p, bore_a=replace(p.bore_a, diameter_mm=4.6 + far))),
    ("bore B", lambda p, far: replace(p, bore_b=replace(p.bore_b, diameter_mm=5.9 - far))),
    ("pitch", lambda p, far: replace(p, bore_b=replace(p.bore_b, x_mm=p.bore_a.x_mm + 38.15 + far))),
    ("slot", lambda p, far: replace(p, slot=replace(p.slot, width_mm=4.9 - far))),
    ("plate width", lambda p, far: replace(p, width_mm=60.2 + far)),
    ("place of B", lambda p, far: replace(p, bore_b=replace(p.bore_b, y_mm=12.2 + far))),
    ("bore A", lambda p, far: replace(p, bore_a=replace(p.bore_a, diameter_mm=4.4 - far))),
    ("squareness", lambda p, far: replace(p, angle_deg=90.4 + 5 * far)),
)
"""Challenge parts in turn: the class of each, and what takes a plate so far beyond a limit of the drawing."""
CLASSES: Mapping[str, str] = MappingProxyType(
    {
        "bore A oversize": "bore A",
        "bore A borderline": "bore A",
        "bore B borderline": "bore B",
        "bore B shifted": "place of B",
        "slot too wide": "slot",
        "slot borderline": "slot",
        "plate too narrow": "plate width",
        "edges out of square": "squareness",
    }
)
"""Of which class a plate of the lot is, by its defect."""
BEYOND_MM = (0.004, 0.06)
"""Challenge parts lie beyond their limit by so much, at least and at most."""


@dataclass(frozen=True, slots=True)
class Part:
    """A plate with its number: what it truly is, where light shows its edges, and of which class it is, a bad one."""

    name: str
    plate: Plate
    edge_mm: float
    kind: str = ""

    @property
    def good(self) -> bool:
        """Whether every characteristic truly lies within its limits."""
        return self.plate.conforms


@dataclass(frozen=True, slots=True)
class Putting:
    """A part that is put in once: into which carrier, on which day, and `number`, by which its picture differs."""

    part: Part
    number: int
    carrier: str = ""
    day: int = 0


@dataclass(frozen=True)
class Series:
    """What is photographed for the studies of one bench; numbers of parts and pictures are `Extent`'s."""

    bench: DemoBench

    @cached_property
    def golden(self) -> Part:
        """The golden plate: as the drawing means it, but for what a shop gets right of it."""
        rng = self._rng(1)
        a, b = NOMINAL.bore_a, NOMINAL.bore_b
        real = replace(
            NOMINAL,
            bore_a=Hole(a.x_mm, a.y_mm, a.diameter_mm + 0.003 * float(rng.standard_normal())),
            bore_b=Hole(b.x_mm + 0.005 * float(rng.standard_normal()), b.y_mm, b.diameter_mm),
        )
        return Part("golden", real, self._edge(rng))

    def steps(self) -> tuple[Part, ...]:
        """Return the step plates, whose bores A go over the tolerance; all were ground alike, as light shows."""
        rng = self._rng(2)
        edge, made = self._edge(rng), []
        for k, diameter in enumerate(STEPS_MM, 1):
            real = replace(NOMINAL.bore_a, diameter_mm=diameter + 0.001 * float(rng.standard_normal()))
            made.append(Part(f"step-{k}", replace(NOMINAL, bore_a=real), edge))
        return tuple(made)

    def as_made(self, count: int) -> tuple[Part, ...]:
        """Return plates as production makes them, none of them deliberately bad."""
        rng = self._rng(3)
        lot = make_lot(count, self.bench.seed + 1, Lot(defect_share=0.0))
        return tuple(Part(f"as-{k:02d}", plate, self._edge(rng)) for k, plate in enumerate(lot, 1))

    def challenges(self, count: int) -> tuple[Part, ...]:
        """Return known-bad plates of all classes in turn, each a little beyond its limit."""
        rng = self._rng(4)
        lot = make_lot(count, self.bench.seed + 2, Lot(defect_share=0.0))
        made = []
        for k, plate in enumerate(lot):
            kind, beyond = CHALLENGES[k % len(CHALLENGES)]
            bad = beyond(plate, float(rng.uniform(*BEYOND_MM)))
            made.append(Part(f"bad-{k + 1:02d}", bad, self._edge(rng), kind))
        return tuple(made)

    def lot(self) -> tuple[Part, ...]:
        """Return the demo's own plates, each with the class of its defect."""
        made = zip(self.bench.plates, self.bench.edges_mm, strict=True)
        return tuple(
            Part(f"plate-{k:02d}", p, e, "".join(CLASSES[d] for d in p.defects)) for k, (p, e) in enumerate(made, 1)
        )

    def shuffled(self, runs: Sequence[T]) -> list[T]:
        """Return runs in random order, so that what drifts does not pass for a difference between parts."""
        return [runs[k] for k in self._rng(5).permutation(len(runs))]

    def certified(self, part: Part, characteristic: str) -> float:
        """Return what a part's certificate says of a characteristic: the truth, but for its own uncertainty."""
        k = list(CHARACTERISTICS).index(characteristic)
        off = np.random.default_rng([self.bench.seed, 1700, k, *part.name.encode()]).standard_normal()
        return round(part.plate.truth[characteristic] + U_REFERENCE_MM * float(off), 5)

    def photo(self, put: Putting) -> Pixels:
        """Return the photograph of a part as it came to lie, of the window that is read out."""
        day = np.random.default_rng([self.bench.seed, 1800, put.day]).standard_normal(2)
        station = self.bench.station
        exposure = replace(station.exposure, light=_dimmed(station.exposure.light, 1 + LAMP_SD * float(day[0])))
        height = world.PLATE_HEIGHT_MM + self.bench.height_errors_mm[0] + self.seat_mm(put.carrier)
        fixture = Place(*world.FIXTURE_MM, 0.0, height + DAY_SD_MM * float(day[1]))
        edge = put.part.edge_mm + LOADING_EDGE_MM * float(self._rng(10_000 + put.number).standard_normal())
        corner = fixture.to_plane(np.array([[edge, edge]]))[0]
        lying = replace(fixture, x_mm=float(corner[0]), y_mm=float(corner[1]))
        reading = replace(station, window_px=WINDOW_PX, exposure=exposure)
        seen = as_seen(put.part.plate, edge)
        return reading.photograph_plate(seen, lying, self.bench.seed * 10_000 + 2000 + put.number).picture

    def bars_again(self, bars: tuple[Bar, ...], number: int) -> tuple[tuple[Bar, ...], Pixels]:
        """Return bars as they were laid anew in their places, and their photograph."""
        rng = self._rng(500 + number)
        laid = tuple(replace(bar, place=_relaid(bar.place, rng)) for bar in bars)
        return laid, self.bench.station.photograph_bars(laid, self.bench.seed * 10_000 + 1500 + number).picture

    def seat_mm(self, carrier: str) -> float:
        """Return how much higher a carrier's seat is than the fixture."""
        heights = CARRIER_SD_MM * self._rng(6).standard_normal(len(CARRIERS))
        return float(heights[CARRIERS.index(carrier)]) if carrier else 0.0

    def _edge(self, rng: np.random.Generator) -> float:
        return world.U_EDGE_MM * float(rng.standard_normal())

    def _rng(self, stream: int) -> np.random.Generator:
        return np.random.default_rng([self.bench.seed, 1600, stream])


def _dimmed(light: Light, share: float) -> Light:
    return replace(light, level=light.level * share)


def _relaid(place: Place, rng: np.random.Generator) -> Place:
    shift = RELAID_MM * rng.uniform(-1, 1, 2)
    return replace(place, x_mm=place.x_mm + float(shift[0]), y_mm=place.y_mm + float(shift[1]))
