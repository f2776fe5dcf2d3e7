"""What the camera of a plan would see, target and part, drawn by the renderer with exact truth."""

import math
from dataclasses import dataclass, replace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.plan.asked import Asked
from tiepoint.plan.choose import field_wanted
from tiepoint.plan.numbers import Camera as Planned
from tiepoint.plan.target import target_of
from tiepoint.render import camera as cameras
from tiepoint.render.integral import SHARPEST_PX, irradiance
from tiepoint.render.lenses import TelecentricLens
from tiepoint.render.outline import disc, rectangle
from tiepoint.render.scene import WHITE_PAPER, Cylinder, Lay, Piece, Scene, Sheet, target_sheet
from tiepoint.render.sensor import EmvaSensor, Floats, Light, Picture, expose
from tiepoint.targets.draw import Measured, Target, shapes
from tiepoint.ties.by_target import FLATNESS_MM

Array = NDArray[np.float64]

TURN_DEG = 1.0
LEAN_TOWARDS_DEG = 25.0
"""No camera stands square: it is rolled a little, and leans to some side, so that edges do not run along its rows."""
BLACK_DN = 2.0
FALLOFF = 0.04
STRETCH = 0.002
"""By how much a print is not to scale; its bars are measured."""
MOVING = np.polynomial.legendre.leggauss(3)
STILL_PX = 0.05


@dataclass(frozen=True, eq=False)
class World:
    """The true station: the camera over its plane, the target, and the middle of the field, where parts lie."""

    planned: Planned
    camera: cameras.Camera
    target: Target
    middle_mm: tuple[float, float]

    @property
    def asked(self) -> Asked:
        """What the plan was asked for."""
        return self.planned.asked


def world_of(planned: Planned) -> World:
    """Return the true station of a plan; `UnusableInput` where no target suits its field."""
    asked, chosen = planned.asked, planned.chosen
    found = target_of(asked, chosen)
    if isinstance(found, str):
        raise UnusableInput(found)
    target = found.target()
    middle = (target.size_mm[0] / 2, target.size_mm[1] / 2)
    lens = asked.lens
    if lens.kind == "telecentric":
        scale = 1 / planned.scale_mm
        at = ((chosen.columns - 1) / 2, (chosen.rows - 1) / 2)
        bare = cameras.Camera(chosen.columns, chosen.rows, (scale, scale), at, TelecentricLens())
    else:
        # Behind a thin lens the sensor stands f·(1 + m): that is the pinhole's distance.
        image_mm = planned.magnification * planned.stand_off_mm
        bare = cameras.perspective(chosen.columns, chosen.rows, image_mm * 1000 / chosen.pixel_um)
        if lens.distortion_percent:
            bare = cameras.with_brown_corner(bare, lens.distortion_percent)
    camera = bare.aimed(
        middle,
        distance_mm=planned.stand_off_mm + asked.part.height_mm,
        tilt_deg=lens.lean_deg,
        azimuth_deg=LEAN_TOWARDS_DEG,
        roll_deg=TURN_DEG,
    )
    return World(planned, camera, target, middle)


def flatness_mm(asked: Asked) -> float:
    """Return the half-width of how far the target leaves a plane: paper bends, a plate hardly does."""
    return FLATNESS_MM if asked.target.material in ("paper", "film") else FLATNESS_MM / 5


def photographed_target(world: World, rng: np.random.Generator) -> tuple[Picture, Target]:
    """Return the photograph of the printed target, in focus and at rest, and the target as its bars were measured."""
    asked, target = world.asked, world.target
    stretch = 1 + STRETCH * np.array([-1.0, 0.4])
    bow = Cylinder(flatness_mm(asked) * float(rng.uniform(-1, 1)), max(target.size_mm), 90.0, world.middle_mm)
    lay = Lay(scale_x=float(stretch[0]), scale_y=float(stretch[1]), bow=bow)
    sheet = target_sheet(shapes(target), lay=lay)
    share = irradiance(Scene(WHITE_PAPER, (sheet,)), world.camera, _sharp(world.planned.optical_px))
    picture = _exposed(world, share, WHITE_PAPER, asked.light.fill, rng)
    u = asked.target.u_bars_mm
    if u == 0:
        return picture, replace(target, material=asked.target.material)
    true = stretch * (target.bar_x_mm, target.bar_y_mm)
    read = true + u * rng.standard_normal(2)
    measured = Measured(float(read[0]), float(read[1]), u, "the rule", "2000-01-01")
    return picture, replace(target, measured=measured, material=asked.target.material)


@dataclass(frozen=True, slots=True)
class Lying:
    """How a part lies: its middle in the plane, its turn, and its true height."""

    x_mm: float
    y_mm: float
    angle_deg: float
    height_mm: float


def loaded(world: World, rng: np.random.Generator) -> Lying:
    """Return how one part comes to lie: within the loading's bounds, at a height with its u."""
    part = world.asked.part
    shift = part.loading_mm * rng.uniform(-1, 1, 2)
    # A turn that moves the part's ends by no more than the loading.
    turn = math.degrees(min(part.loading_mm / max(part.size_mm), math.radians(5.0)))
    rise = float(np.clip(rng.standard_normal(), -2.5, 2.5)) * part.u_height_mm
    at = world.middle_mm
    return Lying(
        at[0] + float(shift[0]), at[1] + float(shift[1]), turn * float(rng.uniform(-1, 1)), part.height_mm + rise
    )


def bore_mm(asked: Asked) -> float:
    """Return the diameter of the bore that is drawn: the smallest feature, else a quarter of the short side."""
    return asked.part.feature_mm or min(asked.part.size_mm) / 4


def photographed_part(world: World, lying: Lying, rng: np.random.Generator) -> Picture:
    """Return the photograph of a part: a plate with a bore in its middle, at the end of the depth, as it moves."""
    asked, planned = world.asked, world.planned
    long, short = max(asked.part.size_mm), min(asked.part.size_mm)
    body = rectangle(-long / 2, -short / 2, long / 2, short / 2)
    face, ground = asked.part.reflectance, asked.part.ground
    pieces = (Piece(body, face, ground), Piece(disc(0, 0, bore_mm(asked) / 2), ground, face))
    blur = _sharp(math.hypot(planned.optical_px, planned.defocus_px))
    moved = planned.motion_px * planned.scale_mm
    steps = MOVING if planned.motion_px > STILL_PX else (np.zeros(1), np.full(1, 2.0))
    share: Floats | None = None
    for at, weight in zip(*steps, strict=True):
        lay = Lay(lying.x_mm + float(at) * moved / 2, lying.y_mm, lying.angle_deg, lying.height_mm)
        one = irradiance(Scene(ground, (Sheet(pieces, lay),)), world.camera, blur) * np.float32(weight / 2)
        share = one if share is None else share + one
    return _exposed(world, cast(Floats, share), max(face, ground), planned.fill, rng)


def _sharp(blur_px: float) -> float:
    return max(blur_px, SHARPEST_PX)


def _exposed(world: World, share: Floats, brightest: float, fill: float, rng: np.random.Generator) -> Picture:
    sensor = world.asked.sensor
    gain = float((1 << sensor.bits) - 1) / sensor.full_well_e
    made = EmvaSensor(gain, sensor.dark_noise_e, BLACK_DN, sensor.bits)
    return expose(Light(fill / brightest, falloff=FALLOFF).on(share), made, rng)


@dataclass(frozen=True, slots=True)
class Grid:
    """Where points of a picture lie at the part's height: mm (rows, cols) at pixels `x0`, `y0` and from there on."""

    x0: float
    y0: float
    step_x: float
    step_y: float
    x_mm: Array
    y_mm: Array


def grid_of(planned: Planned, cols: int = 7, rows: int = 7) -> Grid:
    """Return where the pictures of a planned camera lie, in the frame of its target."""
    camera, chosen = world_of(planned).camera, planned.chosen
    x = np.linspace(-0.5, chosen.columns - 0.5, cols)
    y = np.linspace(-0.5, chosen.rows - 0.5, rows)
    px = np.stack(np.meshgrid(x, y), axis=2).reshape(-1, 2)
    xyz = cameras.unproject(camera, px, planned.asked.part.height_mm)
    mm = xyz[:, :2].reshape(rows, cols, 2)
    return Grid(float(x[0]), float(y[0]), float(x[1] - x[0]), float(y[1] - y[0]), mm[:, :, 0], mm[:, :, 1])


def rim_of(world: World) -> float:
    """Return how far round the part its edges may be looked for: half of the rim that the field has."""
    wanted = field_wanted(world.asked)
    spare = (wanted[1] - min(world.asked.part.size_mm)) / 2 - world.asked.part.loading_mm
    return float(max(spare, 8 * world.planned.scale_mm))
