"""The simulated station: one camera over a plane, and photographs of what is put there, each with its truth.

The plane frame is the station's: a target put down without a place lies with its own frame on it, so a tie made
from that photograph gives coordinates of this frame. Nothing here measures; truth comes from the geometry alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench.lengths import Bar, check_apart
from tiepoint.bench.place import Place
from tiepoint.bench.plate import Plate
from tiepoint.bench.printing import PrintedTarget
from tiepoint.bench.surface import Look, bar_sheet, plate_sheet
from tiepoint.bench.worlds import WORLDS, World
from tiepoint.render.camera import Camera
from tiepoint.render.photo import Exposure, Rendered, photograph
from tiepoint.render.scene import WHITE_PAPER, Lay, Scene, Sheet, target_sheet
from tiepoint.render.sensor import Light, Picture
from tiepoint.targets.draw import Target, points, shapes

Array = NDArray[np.float64]

BAR_REFLECTANCE = 0.82
TABLE = 0.35


@dataclass(frozen=True, slots=True)
class View:
    """Where the camera stands: it looks at a point of the plane from a distance, leaning and rolled."""

    at_mm: tuple[float, float] = (60.0, 45.0)
    distance_mm: float = 400.0
    tilt_deg: float = 3.5
    azimuth_deg: float = 25.0
    roll_deg: float = 1.2


@dataclass(frozen=True, slots=True)
class Loading:
    """How exactly a part comes to lie in its fixture: half-widths of a uniform scatter."""

    shift_mm: float = 0.3
    turn_deg: float = 0.2


@dataclass(frozen=True, eq=False)
class PlatePhoto:
    """A photograph of a plate: the picture, the plate with its exact characteristics, and where it truly lay."""

    picture: Picture
    plate: Plate
    place: Place
    rendered: Rendered

    @property
    def truth(self) -> dict[str, float]:
        """The exact value of every characteristic."""
        return self.plate.truth


@dataclass(frozen=True)
class BenchStation:
    """A camera of 5 MP with 3.45 µm pixels and a 25 mm lens, 400 mm above the plane: 0.055 mm/px.

    `distortion_percent` at the picture's corner (barrel < 0); `off_centre_px` moves the principal point off the
    picture's middle. `exposure` is the plain one; the world changes it as it must. `window_px` (x, y, width, height):
    what of the sensor is read out, all of it by default.
    """

    view: View = field(default_factory=View)
    world: World = WORLDS["plain"]
    width_px: int = 2448
    height_px: int = 2048
    pixel_um: float = 3.45
    focal_mm: float = 25.0
    distortion_percent: float = -2.5
    off_centre_px: tuple[float, float] = (9.3, -6.1)
    exposure: Exposure = field(default_factory=lambda: Exposure(light=Light(0.9, falloff=0.04)))
    look: Look = field(default_factory=Look)
    window_px: tuple[int, int, int, int] | None = None

    @property
    def camera(self) -> Camera:
        """The camera with the world's lens, aimed; its picture is what is read out."""
        return self._whole if self.window_px is None else _read_out(self._whole, self.window_px)

    @property
    def _whole(self) -> Camera:
        focal = (self.world.focal_mm or self.focal_mm) * 1000 / self.pixel_um
        middle = (
            (self.width_px - 1) / 2 + self.off_centre_px[0],
            (self.height_px - 1) / 2 + self.off_centre_px[1],
        )
        bare = Camera(self.width_px, self.height_px, (focal, focal), middle)
        view = self.view
        return self.world.lensed(bare, self.distortion_percent).aimed(
            view.at_mm,
            distance_mm=self.world.distance_mm or view.distance_mm,
            tilt_deg=view.tilt_deg,
            azimuth_deg=view.azimuth_deg,
            roll_deg=view.roll_deg,
        )

    def seen_from(self, view: View) -> "BenchStation":
        """Return the station with its camera standing elsewhere."""
        return replace(self, view=view)

    def photograph(self, scene: Scene, seed: int) -> Rendered:
        """Return a photograph of any scene."""
        return photograph(scene, self.camera, self.world.exposed(self.exposure), np.random.default_rng(seed))

    def photograph_target(
        self, target: Target | PrintedTarget, seed: int, place: Place | None = None, *, margin_mm: float | None = 12.0
    ) -> Rendered:
        """Return a photograph of a target on the table; the truth holds its feature points, named by their ids.

        A `PrintedTarget` comes with its print scales. The world may bow the paper. Without a margin the paper
        fills the picture.
        """
        sheet = self.target_on(target, place, margin_mm=margin_mm)
        return self.photograph(Scene(WHITE_PAPER if margin_mm is None else TABLE, (sheet,)), seed)

    def target_on(
        self, target: Target | PrintedTarget, place: Place | None = None, *, margin_mm: float | None = 12.0
    ) -> Sheet:
        """Return the target as it lies on the table, for photographs that are taken again and again."""
        drawn = target.target if isinstance(target, PrintedTarget) else target
        ids, nominal = points(drawn)
        width, height = drawn.size_mm
        lay = (place or Place()).lay
        if isinstance(target, PrintedTarget):
            lay = replace(lay, scale_x=target.scale_x, scale_y=target.scale_y)
        lay = replace(lay, bow=self.world.bow(width, (width / 2, height / 2)))
        return target_sheet(
            shapes(drawn),
            lay=lay,
            margin_mm=margin_mm,
            ground=TABLE,
            point_names=tuple(str(k) for k in ids),
            points_mm=nominal,
        )

    def photograph_plate(self, plate: Plate, fixture: Place, seed: int, loading: Loading | None = None) -> PlatePhoto:
        """Return a photograph of a plate in a fixture.

        `fixture` is the pose of the part frame in the plane, at the height of the plate's upper face. The plate
        comes to lie within `loading` of it, by the seed; where it truly lay is in the answer.
        """
        loading = loading or Loading()
        # A stream of its own, so that the noise of a seed does not depend on the loading.
        scatter = np.random.default_rng([seed, 1]).uniform(-1, 1, 3)
        place = Place(
            fixture.x_mm + loading.shift_mm * float(scatter[0]),
            fixture.y_mm + loading.shift_mm * float(scatter[1]),
            fixture.angle_deg + loading.turn_deg * float(scatter[2]),
            fixture.height_mm,
        )
        look = replace(self.look, bevel_mm=self.world.bevel_mm or self.look.bevel_mm)
        # The lamp stands still while the part turns.
        look = replace(look, lamp_azimuth_deg=look.lamp_azimuth_deg - place.angle_deg)
        rendered = self.photograph(Scene(look.ground, (plate_sheet(plate, place.lay, look),)), seed)
        return PlatePhoto(rendered.picture, plate, place, rendered)

    def photograph_bars(self, bars: Sequence[Bar], seed: int) -> Rendered:
        """Return a photograph of gauge bars; the truth holds `<name> start` and `<name> end`, middles of their ends.

        Raises `UnrenderableScene` where bars overlap.
        """
        check_apart(bars)
        ground = self.look.ground
        sheets = tuple(_named(bar, ground) for bar in bars)
        return self.photograph(Scene(ground, sheets), seed)


def _read_out(camera: Camera, window_px: tuple[int, int, int, int]) -> Camera:
    """Return the camera whose picture is a window (x, y, width, height) of the other's."""
    x, y, width, height = window_px
    principal = camera.principal_px[0] - x, camera.principal_px[1] - y
    return replace(camera, width_px=width, height_px=height, principal_px=principal)


def _named(bar: Bar, ground: float) -> Sheet:
    lay: Lay = bar.place.lay
    sheet = bar_sheet(bar.true_mm, bar.width_mm, lay, BAR_REFLECTANCE, ground)
    return replace(sheet, point_names=tuple(f"{bar.name} {end}" for end in sheet.point_names))
