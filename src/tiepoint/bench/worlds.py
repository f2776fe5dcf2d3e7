"""Worlds that the measuring code does not model, by name. `plain` is the one that it does."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from tiepoint.foundation.errors import UnusableInput
from tiepoint.render.camera import Camera, with_brown_corner, with_division_corner
from tiepoint.render.lenses import FisheyeLens
from tiepoint.render.photo import Exposure
from tiepoint.render.scene import Cylinder
from tiepoint.render.sensor import Grain, Light

Lensed = Callable[[Camera, float], Camera]
"""A camera without a lens error, and the asked distortion in % at its corner, to the camera of this world."""


def division(camera: Camera, percent: float) -> Camera:
    """Return the camera with the lens that ties model: division, its centre off the principal point."""
    return with_division_corner(camera, percent, offset_px=(6.0, -9.0))


def decentred(camera: Camera, percent: float) -> Camera:
    """Return the camera with a polynomial lens that is also decentred: some px of tangential error at the corner."""
    # A displacement of about p·r²·f: the same some px for every focal length.
    x, y = (n / 2 / f for n, f in zip((camera.width_px, camera.height_px), camera.focal_px, strict=True))
    p = 2.0 / camera.focal_px[0] / (x * x + y * y)
    return with_brown_corner(camera, percent, p1=p, p2=-0.7 * p)


def fisheye(camera: Camera, percent: float) -> Camera:
    """Return the camera with an equidistant fisheye; its distortion follows from the field, whatever was asked."""
    del percent
    return replace(camera, lens=FisheyeLens())


@dataclass(frozen=True)
class World:
    """How a bench differs from the plain one.

    `focal_mm`, `distance_mm`: another lens and stand-off, where the world needs one. `sag_mm`: the target's
    paper stands up in its middle, over its length. `bevel_mm`: width of the plate's bevels.
    """

    name: str
    says: str
    lensed: Lensed = division
    focal_mm: float | None = None
    distance_mm: float | None = None
    sag_mm: float = 0.0
    bevel_mm: float = 0.0
    light: Light | None = None
    grain: Grain | None = None
    jpeg_quality: int | None = None
    tail_share: float = 0.0

    def exposed(self, exposure: Exposure) -> Exposure:
        """Return the exposure as this world changes it."""
        sensor = replace(exposure.sensor, tail_share=self.tail_share) if self.tail_share else exposure.sensor
        return replace(
            exposure,
            sensor=sensor,
            light=self.light or exposure.light,
            grain=self.grain or exposure.grain,
            jpeg_quality=self.jpeg_quality or exposure.jpeg_quality,
        )

    def bow(self, span_mm: float, centre_mm: tuple[float, float]) -> Cylinder | None:
        """Return how the target's paper is bowed along its length; None where it is flat."""
        return Cylinder(self.sag_mm, span_mm, 0.0, centre_mm) if self.sag_mm else None


_ALL = (
    World("plain", "what ties model: a division lens with a free centre, a flat print, sharp edges"),
    World("polynomial", "radial distortion by a polynomial instead of a division", with_brown_corner),
    World("tangential", "a decentred polynomial lens", decentred),
    World("fisheye", "an equidistant 6 mm fisheye at 100 mm", fisheye, focal_mm=6.0, distance_mm=100.0),
    World("jpeg", "pictures that went through JPEG of quality 75", jpeg_quality=75),
    World("uneven light", "light that falls off by two thirds across the picture", light=Light(0.75, 0.28, 0.18, 0.2)),
    World("bevelled edges", "edges with a bevel of 0.12 mm that catches the lamp on one side", bevel_mm=0.12),
    World("bowed paper", "a target whose paper stands up by 0.5 mm in the middle", sag_mm=0.5),
    World("heavy tails", "one pixel in fifty with eight times the noise", tail_share=0.02),
    World("brushed", "surfaces with a brushed texture of 1 %", grain=Grain(0.01)),
)

WORLDS: Mapping[str, World] = MappingProxyType({each.name: each for each in _ALL})


def world(name: str) -> World:
    """Return a world by its name; `UnusableInput` lists the known ones."""
    if name not in WORLDS:
        raise UnusableInput(f"the bench has no world {name!r}; choose one of {', '.join(WORLDS)}")
    return WORLDS[name]
