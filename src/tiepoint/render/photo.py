"""A photograph and its truth: the one call that the bench, the tests and the proofs make."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tiepoint.render.camera import Camera, project, visible
from tiepoint.render.integral import irradiance
from tiepoint.render.scene import Scene
from tiepoint.render.sensor import EmvaSensor, Grain, Light, Picture, Sensor, expose, through_jpeg

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Exposure:
    """Everything between the scene and the file: optical blur, light, texture, sensor, compression."""

    blur_px: float = 0.8
    light: Light = field(default_factory=Light)
    sensor: Sensor = field(default_factory=EmvaSensor)
    grain: Grain | None = None
    jpeg_quality: int | None = None


@dataclass(frozen=True, eq=False)
class Truth:
    """Where named points are: `xyz_mm` (n, 3) in the plane frame, `px` (n, 2) in the picture, `seen` (n,)."""

    names: tuple[str, ...]
    xyz_mm: Array
    px: Array
    seen: NDArray[np.bool_]

    def __getitem__(self, name: str) -> Array:
        """Return the pixel (2,) of a named point."""
        return np.asarray(self.px[self.names.index(name)])


@dataclass(frozen=True, eq=False)
class Rendered:
    """A picture (h, w), u8 or u16, with the truth and all that made it."""

    picture: Picture
    truth: Truth
    camera: Camera
    scene: Scene


def photograph(scene: Scene, camera: Camera, exposure: Exposure, rng: np.random.Generator) -> Rendered:
    """Return a photograph of the scene and the exact places of its sheets' named points."""
    share = exposure.light.on(irradiance(scene, camera, exposure.blur_px))
    if exposure.grain is not None:
        share = exposure.grain.on(share, rng)
    picture = expose(share, exposure.sensor, rng)
    if exposure.jpeg_quality is not None:
        picture = through_jpeg(picture, exposure.jpeg_quality)
    return Rendered(picture, truth_of(scene, camera), camera, scene)


def truth_of(scene: Scene, camera: Camera) -> Truth:
    """Return the exact places of all named points; points without names are called by their number."""
    names: list[str] = []
    places = [np.empty((0, 3))]
    for sheet in scene.sheets:
        names += sheet.point_names or [str(k) for k in range(len(sheet.points_mm))]
        places.append(sheet.lay.place(sheet.points_mm))
    xyz = np.concatenate(places)
    return Truth(tuple(names), xyz, project(camera, xyz), visible(camera, xyz))
