"""The cell: a station over a belt and a robot beside it. Everything follows from one seed, and all truth is kept."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench.belt import Belt
from tiepoint.bench.clutter import Box
from tiepoint.bench.eye import Eye, EyeSet, eye_set, in_plane, spread_views
from tiepoint.bench.place import Place
from tiepoint.bench.plate import Plate, individual
from tiepoint.bench.robot import OVER, Arrival, Robot, smooth_map
from tiepoint.bench.scatter import CELL_LOOK, Arrangement, Crowd, LaidPlate, arranged, laid_with_middle, stacked
from tiepoint.bench.station import BenchStation
from tiepoint.bench.surface import Look
from tiepoint.foundation.frames import Pose2, Pose3, wrap
from tiepoint.render.camera import unproject
from tiepoint.render.outline import disc
from tiepoint.render.photo import Rendered, photograph
from tiepoint.render.scene import Lay, Piece, Scene, Sheet
from tiepoint.render.sensor import Picture
from tiepoint.render.stack import OutlineShare, outline_shares
from tiepoint.targets.draw import Target

Array = NDArray[np.float64]

ROBOT_FROM_PLANE = Pose3.from_angles((412.0, -186.0, 37.0), (137.0, 0.4, -0.3), "zyx-intrinsic-deg")
PART_FROM_GRIP = Pose3(29.0, 8.0, 0.0) @ OVER
FLANGE_FROM_CAMERA = Pose3.from_angles((42.0, -18.0, 65.0), (88.0, 2.0, -3.0), "zyx-intrinsic-deg")
FLANGE_FROM_TARGET = Pose3.from_angles((-60.0, -45.0, 30.0), (12.0, 3.0, -4.0), "zyx-intrinsic-deg")
PIN_REFLECTANCE = 0.9


@dataclass(frozen=True)
class PartTruth:
    """One plate of a picture, with all that is true of it.

    `edge`: length of its edges, openings included, and the shares of it that others hide or that lie outside.
    `robot_from_grip`: the tool pose that grips it exactly; None where it is not to be gripped.
    """

    laid: LaidPlate
    edge: OutlineShare
    robot_from_grip: Pose3 | None

    @property
    def plate(self) -> Plate:
        """The plate, with its exact characteristics."""
        return self.laid.plate

    @property
    def pose(self) -> Pose2:
        """Its corner and +x in the plane (mm, rad)."""
        return self.laid.pose

    @property
    def seen(self) -> float:
        """The share of its edges that the picture shows."""
        return 1 - self.edge.hidden - self.edge.outside


@dataclass(frozen=True, eq=False)
class CellShot:
    """A photograph of the cell: what lay there, in what light, and at which count of the belt."""

    picture: Picture
    parts: tuple[PartTruth, ...]
    encoder_count: int
    lamp: float
    blur_px: float
    rendered: Rendered

    @property
    def wanted(self) -> tuple[PartTruth, ...]:
        """The plates that a station for the standard plate shall find: of that variant, face up."""
        return tuple(part for part in self.parts if part.laid.wanted)


@dataclass(frozen=True, slots=True)
class Grasp:
    """Where the gripper really closed: its pose in the part's frame, and how far that is from the taught grip.

    `error_mm` (x, y, z) in the part's frame; `turn_deg` about its z, `tilt_deg` of the tool against the taught axis.
    """

    part_from_tool: Pose3
    error_mm: tuple[float, float, float]
    turn_deg: float
    tilt_deg: float
    arrival: Arrival

    @property
    def beside_mm(self) -> float:
        """The error along the part."""
        return math.hypot(self.error_mm[0], self.error_mm[1])


@dataclass(frozen=True, eq=False)
class Turning:
    """A pin held by the tool, seen in several turns about the tool point that the controller believes.

    `pin_mm` (n, 2): the pin in the plane; `centre_mm` (2,): the point about which the controller turned.
    """

    commanded: tuple[Pose3, ...]
    pin_mm: Array
    centre_mm: Array
    photos: tuple[Rendered, ...]


def default_robot(seed: int = 0) -> Robot:
    """Return an arm that repeats to 0.02 mm, is off by some 0.2 mm, and is touched by hand to 0.05 mm."""
    return Robot(
        ROBOT_FROM_PLANE,
        repeatability_mm=0.02,
        repeatability_deg=0.01,
        accuracy=smooth_map(0.2, seed),
        touch_mm=0.05,
    )


@dataclass(frozen=True)
class Cell:
    """A station, a belt and a robot of one seed. Shots have numbers: the same number is the same picture.

    `part_from_grip` is the taught grip: by default the tool points into the face, its x along the part's.
    """

    seed: int = 0
    station: BenchStation = field(default_factory=BenchStation)
    belt: Belt = field(default_factory=Belt)
    robot: Robot = field(default_factory=default_robot)
    crowd: Crowd = field(default_factory=Crowd)
    look: Look = CELL_LOOK
    part_from_grip: Pose3 = PART_FROM_GRIP

    @cached_property
    def field_mm(self) -> Box:
        """The box of the plane that the picture holds wholly or in part."""
        camera = self.station.camera
        right, below = camera.width_px - 0.5, camera.height_px - 0.5
        corners = np.array([[-0.5, -0.5], [right, -0.5], [right, below], [-0.5, below]])
        xy = unproject(camera, corners)[:, :2]
        (x0, y0), (x1, y1) = xy.min(axis=0).tolist(), xy.max(axis=0).tolist()
        return x0, y0, x1, y1

    def shot(self, number: int) -> CellShot:
        """Return a photograph of a draw of the crowd."""
        rng = self._rng(1, number)
        return self._photographed(arranged(self.crowd, self.field_mm, rng, self.look), number, 0)

    def empty_shot(self, number: int) -> CellShot:
        """Return the same without any plate that should be found: clutter, others, turned ones."""
        return replace(self, crowd=replace(self.crowd, wanted=(0, 0))).shot(number)

    def shot_of(self, plates: Sequence[LaidPlate], number: int) -> CellShot:
        """Return a photograph of given plates, the first lowest, among a draw of the crowd's clutter."""
        rng = self._rng(1, number)
        return self._photographed(stacked(self.crowd, tuple(plates), self.field_mm, rng, self.look), number, 0)

    def belt_shot(self, count: int) -> CellShot:
        """Return a photograph at a count of the belt: the parts that ride below the camera, each as itself."""
        riding = tuple(laid for _, laid in self.riding(count))
        arrangement = stacked(self.crowd, riding, self.field_mm, self._rng(1, count), self.look)
        return self._photographed(arrangement, count, count)

    def riding(self, count: float) -> tuple[tuple[int, LaidPlate], ...]:
        """Return number and lie of the parts on the belt that may be in the picture at a count."""
        x0, y0, x1, y1 = self.field_mm
        reach = math.hypot(x1 - x0, y1 - y0) / 2 + 50.0
        return tuple((n, self.part_on_belt(n, count)) for n in self.belt.numbers_within(count, reach))

    def part_on_belt(self, number: int, count: float) -> LaidPlate:
        """Return part `number` of the belt at any count: where it was put down, carried on."""
        rng = self._rng(2, 2 * number if number >= 0 else -2 * number - 1)
        plate = individual("standard", rng)
        angle = float(rng.uniform(-180, 180))
        return laid_with_middle(plate, self.belt.middle_of(number, count, rng), angle, plate.thickness_mm)

    def carried(self, part: PartTruth, counts: float) -> PartTruth:
        """Return the truth of a part `counts` after its picture."""
        laid = replace(part.laid, place=self.belt.carried(part.laid.place, counts))
        return PartTruth(laid, part.edge, self.true_grip(laid))

    def true_grip(self, laid: LaidPlate) -> Pose3 | None:
        """Return the tool pose (robot's frame) that grips a plate exactly; None for one that is not wanted."""
        if not laid.wanted:
            return None
        return self.robot.robot_from_plane @ laid.plane_from_part @ self.part_from_grip

    def pick(self, laid: LaidPlate, commanded: Pose3 | Pose2, number: int) -> Grasp:
        """Send the tool to a pose (robot's frame) and return where it closed on the plate.

        A planar pose is completed with the height of the exact grip and a tool straight down in the robot's frame.
        """
        robot_from_part = self.robot.robot_from_plane @ laid.plane_from_part
        if isinstance(commanded, Pose2):
            height = (robot_from_part @ self.part_from_grip).z_mm
            commanded = _upright(commanded, height) @ OVER
        arrival = self.robot.go(commanded, self._rng(3, number))
        return grasp(robot_from_part.inverse() @ arrival.tool, self.part_from_grip, arrival)

    def turn_about_tool(
        self, at_mm: tuple[float, float], angles_deg: Sequence[float], number: int, *, pin_mm: float = 6.0
    ) -> Turning:
        """Hold a pin of that diameter at the tool's true point over the plane, and turn the tool as commanded.

        The camera sees the pin's round end at height 0: it stays in place where the controller's tool point is right.
        `at_mm` is where the controller is told to be. Photographs are taken where `pin_mm` is above 0.
        """
        rng = self._rng(4, number)
        commanded = tuple(self.robot.tool_over(*at_mm, 0.0, angle) for angle in angles_deg)
        plane_from_robot = self.robot.robot_from_plane.inverse()
        pins = np.array([(plane_from_robot @ self.robot.go(pose, rng).tool).translation_mm for pose in commanded])
        photos = [self._pin_photo(pin, pin_mm, number + k) for k, pin in enumerate(pins)] if pin_mm > 0 else []
        return Turning(commanded, pins[:, :2], np.array(at_mm), tuple(photos))

    def eye_set(
        self, eye: Eye, target: Target, count: int = 15, *, pictures: bool = True, place: Place | None = None
    ) -> EyeSet:
        """Return `count` shots of a target for a hand-eye, camera in hand or camera to hand."""
        mount = FLANGE_FROM_CAMERA if eye == "in-hand" else FLANGE_FROM_TARGET
        views = spread_views((target.size_mm[0] / 2, target.size_mm[1] / 2), count)
        return eye_set(
            eye, self.station, self.robot, target, views, self.seed, mount=mount, place=place, pictures=pictures
        )

    def _photographed(self, arrangement: Arrangement, number: int, count: int) -> CellShot:
        rng = self._rng(5, number)
        low, high = self.crowd.lamp
        lamp = float(np.exp(rng.uniform(math.log(low), math.log(high))))
        blur = float(rng.uniform(*self.crowd.blur_px))
        station = self.station
        exposure = station.world.exposed(station.exposure)
        light = replace(exposure.light, level=exposure.light.level * lamp)
        scene = Scene(self.look.ground, arrangement.sheets, stacked=True)
        rendered = photograph(scene, station.camera, replace(exposure, light=light, blur_px=blur), rng)
        edges = outline_shares(scene, rendered.camera, arrangement.numbers)
        parts = tuple(
            PartTruth(laid, edge, self.true_grip(laid)) for laid, edge in zip(arrangement.plates, edges, strict=True)
        )
        return CellShot(rendered.picture, parts, count, lamp, blur, rendered)

    def _pin_photo(self, pin_mm: Array, diameter_mm: float, seed: int) -> Rendered:
        lay = Lay(float(pin_mm[0]), float(pin_mm[1]), 0.0, float(pin_mm[2]))
        ground = self.look.ground
        end = Sheet((Piece(disc(0, 0, diameter_mm / 2), PIN_REFLECTANCE, ground),), lay, ("pin",), np.zeros((1, 2)))
        return self.station.photograph(Scene(ground, (end,)), seed)

    def _rng(self, stream: int, number: int) -> np.random.Generator:
        # A seed has no sign; a belt counts both ways.
        return np.random.default_rng([self.seed, stream, abs(number), int(number < 0)])


def grasp(part_from_tool: Pose3, part_from_grip: Pose3, arrival: Arrival) -> Grasp:
    """Return how far a tool closed from the taught grip."""
    x, y, z = (part_from_tool.translation_mm - part_from_grip.translation_mm).tolist()
    turned = part_from_tool.rotation @ part_from_grip.rotation.T
    turn = math.degrees(wrap(math.atan2(turned[1, 0], turned[0, 0])))
    axes = part_from_tool.rotation[:, 2], part_from_grip.rotation[:, 2]
    tilt = math.degrees(math.atan2(float(np.linalg.norm(np.cross(*axes))), float(axes[0] @ axes[1])))
    return Grasp(part_from_tool, (x, y, z), turn, tilt, arrival)


def _upright(pose: Pose2, z_mm: float) -> Pose3:
    return in_plane(Place(pose.x_mm, pose.y_mm, math.degrees(pose.angle_rad), z_mm))
