"""The demo's world: what is true there, and the photographs that it gives. No measuring happens in here.

Everything that the work states an uncertainty for is really off by a draw from it: print, swelling and bow of the
paper, the rule, the heights, the camera's distance as measured, and where light shows a punched edge.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench.lengths import Bar, verification_bars
from tiepoint.bench.place import Place
from tiepoint.bench.plate import Hole, Plate, make_lot
from tiepoint.bench.printing import PrintedTarget, Rule, print_target
from tiepoint.bench.station import TABLE, BenchStation, View
from tiepoint.render.camera import project
from tiepoint.render.scene import Cylinder, Scene
from tiepoint.targets.draw import Target, new_target
from tiepoint.targets.paper import SWELLING_HALF
from tiepoint.ties.by_target import FLATNESS_MM

Array = NDArray[np.float64]
Pixels = NDArray[Any]

WIDTH_PX, HEIGHT_PX = 1920, 1440
PIXEL_UM = 4.4
FIXTURE_MM = (30.0, 25.0)
"""Where the plate's own corner stands in the plane: the recipe's places rest on it."""
PLATE_HEIGHT_MM = 3.0
SECOND_HEIGHT_MM = 12.0
U_HEIGHT_MM = 0.02
U_EDGE_MM = 0.002
U_DISTANCE_MM = 2.0
BAR_LENGTHS_MM = {False: (40.0, 25.0, 30.0, 35.0, 20.0), True: (30.0, 20.0, 25.0, 35.0, 25.0)}
"""Nominal lengths of the gauge bars, by whether they lie along y."""
FIELD_MIDDLE_MM, FIELD_MM = (60.0, 45.0), (104.0, 76.0)
CAMERA_VIEWS = 8
BEGIN = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
"""When the station is ordered, in the demo's own time."""
BAR_PLACES = ("middle", "lower left", "lower right", "upper left", "upper right")
"""Where `verification_bars` lays its bars, in its order."""


@dataclass(frozen=True)
class DemoBench:
    """The simulated station of one seed: `station` photographs, the rest is what is really so there."""

    seed: int
    station: BenchStation
    printed: PrintedTarget
    swelling: tuple[float, float]
    sag_mm: float
    height_errors_mm: tuple[float, float]
    measured_distance_mm: float
    plates: tuple[Plate, ...]
    edges_mm: tuple[float, ...]

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of every picture."""
        return self.station.width_px, self.station.height_px

    @cached_property
    def paper(self) -> PrintedTarget:
        """The print as it is when it is photographed: swollen since its bars were measured."""
        x, y = self.swelling
        return replace(self.printed, scale_x=self.printed.scale_x * (1 + x), scale_y=self.printed.scale_y * (1 + y))

    @property
    def true_scale(self) -> tuple[float, float]:
        """The print's scale along x and y while it is photographed."""
        return self.paper.scale_x, self.paper.scale_y

    def target_photo(self) -> Pixels:
        """Return the photograph of the target on the table, not quite flat."""
        sheet = self.station.target_on(self.paper)
        width, height = self.paper.target.size_mm
        bow = Cylinder(self.sag_mm, width, 0.0, (width / 2, height / 2))
        scene = Scene(TABLE, (sheet.laid(replace(sheet.lay, bow=bow)),))
        return self.station.photograph(scene, self._seed(1)).picture

    def view_station(self, number: int) -> BenchStation:
        """Return the station as it stands to the target in one of several leans, for a camera document."""
        turn = 360.0 * number / CAMERA_VIEWS
        shift = 4.0 * math.cos(math.radians(2 * turn)), 3.0 * math.sin(math.radians(3 * turn))
        view = View((60.0 + shift[0], 45.0 + shift[1]), 425.0, 8.0 + 16.0 * (number % 2), turn, 4.0 * (number % 3 - 1))
        return self.station.seen_from(view)

    def view_photo(self, number: int) -> Pixels:
        """Return the photograph of the target in that lean."""
        return self.view_station(number).photograph_target(self.paper, self._seed(100 + number)).picture

    def bars(self, height_mm: float, turned: bool) -> tuple[Bar, ...]:
        """Return five bars as they really lie, at the height where they really are."""
        error = self.height_errors_mm[1] if height_mm else 0.0
        seed = self._seed(200 + 2 * round(height_mm) + turned)
        return verification_bars(
            FIELD_MIDDLE_MM, FIELD_MM, BAR_LENGTHS_MM[turned], seed, turned=turned, height_mm=height_mm + error
        )

    def bars_photo(self, bars: Sequence[Bar]) -> Pixels:
        """Return the photograph of bars on the table or on blocks."""
        return self.station.photograph_bars(bars, self._seed(300 + round(10 * bars[0].place.height_mm))).picture

    def clicked(self, bar: Bar) -> Array:
        """Return the ends (2, 2) of a bar in its photograph, as a person clicks them: to a pixel."""
        ends = bar.place.to_plane(np.array([[-bar.true_mm / 2, 0.0], [bar.true_mm / 2, 0.0]]))
        places = np.column_stack([ends, np.full(2, bar.place.height_mm)])
        return np.round(project(self.station.camera, places))

    def plate_photo(self, number: int) -> Pixels:
        """Return the photograph of a plate (numbers count from 1) as it came to lie in the fixture."""
        plate, edge = self.plates[number - 1], self.edges_mm[number - 1]
        fixture = Place(*FIXTURE_MM, 0.0, PLATE_HEIGHT_MM + self.height_errors_mm[0])
        corner = fixture.to_plane(np.array([[edge, edge]]))[0]
        lying = replace(fixture, x_mm=float(corner[0]), y_mm=float(corner[1]))
        return self.station.photograph_plate(as_seen(plate, edge), lying, self._seed(400 + number)).picture

    def _seed(self, number: int) -> int:
        return self.seed * 10_000 + number


def make_bench(seed: int, plates: int) -> DemoBench:
    """Return the simulated station of a seed with so many plates."""
    rng = np.random.default_rng([seed, 17])
    station = BenchStation(width_px=WIDTH_PX, height_px=HEIGHT_PX, pixel_um=PIXEL_UM)
    swelling = rng.uniform(-SWELLING_HALF, SWELLING_HALF, 2)
    heights = U_HEIGHT_MM * rng.standard_normal(2)
    distance = float(station.camera.centre_mm[2]) + U_DISTANCE_MM * float(rng.standard_normal())
    edges = U_EDGE_MM * rng.standard_normal(plates)
    return DemoBench(
        seed=seed,
        station=station,
        printed=print_target(demo_target(), seed, rule=Rule("glass scale no 4", 2e-5, 0.015, 0.005)),
        swelling=(float(swelling[0]), float(swelling[1])),
        sag_mm=float(rng.uniform(-FLATNESS_MM, FLATNESS_MM)),
        height_errors_mm=(float(heights[0]), float(heights[1])),
        measured_distance_mm=round(distance),
        plates=make_lot(plates, seed),
        edges_mm=tuple(edges.tolist()),
    )


def demo_target() -> Target:
    """Return the target that the demo prints."""
    return new_target("charuco", 10.0, 12, 9)


def as_seen(plate: Plate, edge_mm: float) -> Plate:
    """Return the plate whose edges lie where light shows those of `plate`: `edge_mm` towards its lit side.

    The part frame moves with the lower and the left edge, by `edge_mm` along both axes.
    """

    def hole(real: Hole) -> Hole:
        return Hole(real.x_mm - edge_mm, real.y_mm - edge_mm, real.diameter_mm + 2 * edge_mm)

    slot = plate.slot
    return replace(
        plate,
        width_mm=plate.width_mm - 2 * edge_mm,
        height_mm=plate.height_mm - 2 * edge_mm,
        bore_a=hole(plate.bore_a),
        bore_b=hole(plate.bore_b),
        slot=replace(
            slot,
            x_mm=slot.x_mm - edge_mm,
            y_mm=slot.y_mm - edge_mm,
            length_mm=slot.length_mm + 2 * edge_mm,
            width_mm=slot.width_mm + 2 * edge_mm,
        ),
        bend_from_mm=plate.bend_from_mm - edge_mm,
        bend_to_mm=plate.bend_to_mm - edge_mm,
    )
