"""The close-up station: a camera straight above the plate's face, and the segments of a ring light round it."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench.marked import FACE_MM, METAL, MarkedFace
from tiepoint.bench.place import Place
from tiepoint.bench.station import BenchStation, Loading, View
from tiepoint.render.camera import project
from tiepoint.render.photo import Exposure
from tiepoint.render.relief import Finish, surface
from tiepoint.render.relief_lamps import Lamp, lamp
from tiepoint.render.relief_photo import ReliefExposure, ReliefShot, Sight, take
from tiepoint.render.sensor import EmvaSensor, Light

Array = NDArray[np.float64]

MIDDLE_MM = ((FACE_MM[0] + FACE_MM[2]) / 2, (FACE_MM[1] + FACE_MM[3]) / 2)
SIDES = ("east", "north", "west", "south")
FLAT_CARD = Finish(albedo=0.5)


def close_up() -> BenchStation:
    """Return the station whose camera sees the face at 0.0215 mm/px; the plane is the face's own height."""
    return BenchStation(
        view=View(MIDDLE_MM, 312.0, 1.0, 200.0, 0.6),
        width_px=1360,
        height_px=900,
        focal_mm=50.0,
        distortion_percent=-0.4,
        off_centre_px=(4.2, -3.1),
        exposure=Exposure(light=Light(0.85)),
    )


def side_lamps(
    *, elevation_deg: float = 45.0, away_mm: float | None = 140.0, span_deg: float = 50.0, leds: int = 3
) -> tuple[Lamp, ...]:
    """Return the four segments of the ring, from the right counter-clockwise; far ones without a distance."""
    return tuple(
        lamp(
            side,
            90.0 * k,
            elevation_deg,
            away_mm=away_mm,
            aim_mm=(*MIDDLE_MM, 0.0),
            span_deg=span_deg,
            leds=leds,
            flat=away_mm is not None,
        )
        for k, side in enumerate(SIDES)
    )


@dataclass(frozen=True, eq=False)
class FaceShot:
    """The pictures of a face under one lamp after another, the face with its truth, and where it truly lay."""

    shot: ReliefShot
    face: MarkedFace
    place: Place
    station: BenchStation

    def px(self, points_mm: Array) -> Array:
        """Return where points (n, 2) of the face are in the pictures, (n, 2)."""
        flat = self.place.to_plane(points_mm)
        height = np.full((len(flat), 1), self.place.height_mm)
        return project(self.station.camera, np.hstack([flat, height]))


@dataclass(frozen=True)
class MarkedStation:
    """The close-up at work. `gains`: what each lamp really gives, as a share of what it should; ids as in `lamps`."""

    station: BenchStation = field(default_factory=close_up)
    lamps: tuple[Lamp, ...] = field(default_factory=side_lamps)
    finish: Finish = METAL
    exposure: ReliefExposure = field(
        default_factory=lambda: ReliefExposure(0.7, 1.5, 0.01, EmvaSensor(gain_dn_per_e=0.02))
    )
    loading: Loading = field(default_factory=lambda: Loading(0.2, 0.15))

    def photograph(
        self,
        face: MarkedFace,
        seed: int,
        *,
        fixture: Place | None = None,
        shifts_px: Sequence[tuple[float, float]] | None = None,
    ) -> FaceShot:
        """Return a shot of a face that came to lie within `loading` of the fixture."""
        rng = np.random.default_rng([seed, 1])
        at = fixture or Place()
        dx, dy, turn = (
            rng.uniform(-1, 1, 3) * (self.loading.shift_mm, self.loading.shift_mm, self.loading.turn_deg)
        ).tolist()
        place = replace(at, x_mm=at.x_mm + dx, y_mm=at.y_mm + dy, angle_deg=at.angle_deg + turn)
        sight = Sight(self.station.camera, place.lay, self.exposure.fine)
        made = surface(sight.grid(), face.items(), self.finish, np.random.default_rng([face.seed, 2]))
        shot = take(made, sight, self.lamps, self.exposure, np.random.default_rng([seed, 2]), shifts_px)
        return FaceShot(shot, face, place, self.station)

    def photograph_flat(self, seed: int, finish: Finish = FLAT_CARD) -> ReliefShot:
        """Return a shot of an even matte card at the face's height, for `[flat] pictures`."""
        sight = Sight(self.station.camera, Place().lay, self.exposure.fine)
        card = surface(sight.grid(), [], finish, np.random.default_rng([seed, 3]))
        return take(card, sight, self.lamps, self.exposure, np.random.default_rng([seed, 4]))


def _numbers(values: Sequence[float]) -> str:
    return f"[{', '.join(f'{value:.4f}' for value in values)}]"


def lights_toml(lamps: Sequence[Lamp], flat: Sequence[str] = ()) -> str:
    """Return a lights.toml that says where the lamps are: near ones by their place, far ones by direction.

    A flat LED gives half its light 60° off its axis (Lambert).
    """
    lines = ['format = "tiepoint/lights/1"', ""]
    for each in lamps:
        lines += ["[[light]]", f'id = "{each.id}"']
        if each.far:
            lines += [f"azimuth_deg = {each.azimuth_deg:.6g}", f"elevation_deg = {each.elevation_deg:.6g}"]
        else:
            lines.append(f"position_mm = {_numbers(each.place_mm.tolist())}")
        if each.flat and not each.far:
            lines += [f"aim_mm = {_numbers(each.aim_mm)}", "half_angle_deg = 60"]
        lines.append("")
    if flat:
        lines += ["[flat]", f"pictures = [{', '.join(repr(name) for name in flat)}]", ""]
    return "\n".join(lines)
