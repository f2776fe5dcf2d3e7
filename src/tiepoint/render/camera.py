"""The simulated camera: from millimetres to pixels and back, exactly.

Camera axes: x right, y down, z forward. Plane: y up, z towards the camera (docs/explanations/frames-and-signs.md).
Pixel centres are integers, so a picture of width w spans −0.5 to w − 0.5.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.render.lenses import BrownLens, DivisionLens, Frame, Lens, TelecentricLens

Array = NDArray[np.float64]

UPRIGHT = np.diag([1.0, -1.0, -1.0])
"""Camera from plane for a camera that looks straight down: plane x to the right, plane y up."""


class UnrenderableScene(PoorGeometry):
    """A scene cannot be seen by this camera, or not as it was described."""


@dataclass(frozen=True, eq=False)
class Camera:
    """A camera and its place. `rotation` (3, 3) and `translation_mm` (3,): X_camera = R·X_plane + t.

    `focal_px` (x, y) in px; in px per mm for a telecentric lens. `principal_px` is where the axis meets the
    picture.
    """

    width_px: int
    height_px: int
    focal_px: tuple[float, float]
    principal_px: tuple[float, float]
    lens: Lens = field(default_factory=BrownLens)
    rotation: Array = field(default_factory=lambda: UPRIGHT.copy())
    translation_mm: Array = field(default_factory=lambda: np.array([0.0, 0.0, 400.0]))

    @property
    def frame(self) -> Frame:
        """Focal lengths and principal point."""
        return Frame(*self.focal_px, *self.principal_px)

    @property
    def centre_mm(self) -> Array:
        """The projection centre (3,) in the plane frame."""
        return np.asarray(-self.rotation.T @ self.translation_mm)

    def aimed(
        self,
        at_mm: tuple[float, float] = (0.0, 0.0),
        *,
        distance_mm: float = 400.0,
        tilt_deg: float = 0.0,
        azimuth_deg: float = 0.0,
        roll_deg: float = 0.0,
        height_mm: float = 0.0,
    ) -> "Camera":
        """Return the camera looking at the point `at_mm` of the plane at `height_mm`.

        The axis leans by `tilt_deg` from the plane's normal, and the camera stands on the side `azimuth_deg`
        (counter-clockwise from plane +x) of the point. A positive roll turns what is seen counter-clockwise.
        """
        tilt, azimuth = math.radians(tilt_deg), math.radians(azimuth_deg)
        if not (distance_mm > 0 and abs(tilt) < math.radians(89.0)):
            raise UnrenderableScene(
                f"a distance of {distance_mm:g} mm and a tilt of {tilt_deg:g}° cannot be; "
                "choose a distance above 0 and a tilt below 89°"
            )
        lean = about_z(azimuth) @ about_y(-tilt) @ about_z(-azimuth)
        rotation = about_z(-math.radians(roll_deg)) @ UPRIGHT @ lean
        sideways = distance_mm * math.sin(tilt)
        rise = distance_mm * math.cos(tilt)
        centre = np.array(
            [
                at_mm[0] + sideways * math.cos(azimuth),
                at_mm[1] + sideways * math.sin(azimuth),
                height_mm + rise,
            ]
        )
        return replace(self, rotation=rotation, translation_mm=-rotation @ centre)


def about_z(angle: float) -> Array:
    """Return the rotation (3, 3) by `angle` rad about z."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def about_y(angle: float) -> Array:
    """Return the rotation (3, 3) by `angle` rad about y."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def perspective(width_px: int, height_px: int, focal_px: float, lens: Lens | None = None) -> Camera:
    """Return a camera with square pixels and its principal point in the picture's middle."""
    middle = ((width_px - 1) / 2, (height_px - 1) / 2)
    return Camera(width_px, height_px, (focal_px, focal_px), middle, lens or BrownLens())


def orthographic(width_px: int, height_px: int, px_per_mm: float = 1.0) -> Camera:
    """Return a telecentric camera over the plane, plane (0, 0) in the centre of the top left pixel, y up.

    With one px per mm, plane (x, −y) is pixel (x, y): the form in which edges are tested against closed forms.
    """
    scale = (px_per_mm, px_per_mm)
    return Camera(width_px, height_px, scale, (0.0, 0.0), TelecentricLens())


def in_camera(camera: Camera, xyz_mm: Array) -> Array:
    """Return points (n, 3) of the plane frame in the camera's axes."""
    return np.asarray(np.atleast_2d(xyz_mm) @ camera.rotation.T + camera.translation_mm)


def directions(camera: Camera, xyz_mm: Array) -> Array:
    """Return normalised coordinates (n, 2) of points (n, 3); mm beside the axis for a telecentric lens."""
    seen = in_camera(camera, xyz_mm)
    if not camera.lens.central:
        return seen[:, :2]
    if seen.size and float(seen[:, 2].min()) <= 0:
        raise UnrenderableScene("a point lies behind the camera; raise the camera or shrink the scene")
    return np.asarray(seen[:, :2] / seen[:, 2:])


def project(camera: Camera, xyz_mm: Array) -> Array:
    """Return pixels (n, 2) of points (n, 3) of the plane frame; `UnrenderableScene` for one behind the camera.

    Beyond the range in which the lens is one-to-one (`visible` tells) the model's formula is followed as it is.
    """
    return camera.lens.bend(directions(camera, xyz_mm), camera.frame)


def visible(camera: Camera, xyz_mm: Array) -> NDArray[np.bool_]:
    """Return (n,) whether points (n, 3) land inside the picture, within the lens's one-to-one range."""
    normal = directions(camera, xyz_mm)
    reached = np.all(camera.lens.held(normal, camera.frame) == normal, axis=1)
    px = camera.lens.bend(normal, camera.frame)
    limit = np.array([camera.width_px, camera.height_px]) - 0.5
    return np.asarray(reached & np.all((px >= -0.5) & (px <= limit), axis=1))


def unproject(camera: Camera, px: Array, z_mm: float | Array = 0.0) -> Array:
    """Return points (n, 3) of the plane frame at height `z_mm` (a number, or (n,)) seen at pixels (n, 2).

    Raises `PoorGeometry` where a ray does not meet that height in front of the camera.
    """
    px = np.atleast_2d(np.asarray(px, float))
    start, way = rays(camera, px)
    if way.size and float(way[:, 2].max()) >= -1e-12:
        raise PoorGeometry("a ray runs parallel to the plane or away from it; tilt the camera less")
    along = (np.asarray(z_mm, float) - start[:, 2]) / way[:, 2]
    return np.asarray(start + along[:, None] * way)


def rays(camera: Camera, px: Array) -> tuple[Array, Array]:
    """Return starts (n, 3) in mm and directions (n, 3), in the plane frame, of the rays of pixels (n, 2)."""
    normal = camera.lens.straighten(px, camera.frame)
    ones, zeros = np.ones(len(normal)), np.zeros(len(normal))
    if camera.lens.central:
        start = np.broadcast_to(camera.centre_mm, (len(normal), 3))
        return start, np.column_stack([normal, ones]) @ camera.rotation
    start = (np.column_stack([normal, zeros]) - camera.translation_mm) @ camera.rotation
    return start, np.column_stack([zeros, zeros, ones]) @ camera.rotation


def corner_distortion_percent(camera: Camera) -> float:
    """Return the lens's radial error, in % of the ideal radius, in the picture's farthest corner (barrel < 0)."""
    frame = camera.frame
    corners = np.array([[x, y] for x in (-0.5, camera.width_px - 0.5) for y in (-0.5, camera.height_px - 0.5)], float)
    seen = np.hypot(*(corners - camera.principal_px).T)
    ideal = np.hypot(*(frame.to_px(camera.lens.straighten(corners, frame)) - camera.principal_px).T)
    far = int(np.argmax(seen))
    return float(100 * (seen[far] - ideal[far]) / ideal[far])


def with_brown_corner(camera: Camera, percent: float, *, p1: float = 0.0, p2: float = 0.0) -> Camera:
    """Return the camera with a Brown lens whose k1 gives `percent` in the farthest corner (barrel < 0).

    k1 is solved with the stated decentring in place; raises `UnrenderableScene` where no one-to-one k1 exists.
    """
    x, y = _farthest_half(camera)
    seen = math.hypot(x / camera.focal_px[0], y / camera.focal_px[1])
    ideal = seen / (1 + percent / 100)
    # Without decentring: seen = ideal·(1 + k1·ideal²); the decentring then moves it a little.
    start = percent / 100 / ideal**2

    def miss(k1: float) -> float:
        return corner_distortion_percent(replace(camera, lens=BrownLens(k1=k1, p1=p1, p2=p2))) - percent

    refusal = f"one radial term cannot give {percent:g} % in the corner; ask for less"
    try:
        k1 = start if p1 == p2 == 0 else float(optimize.newton(miss, start, x1=start * 1.01 + 1e-6, tol=1e-12))
        left_over = miss(k1)
    except (PoorGeometry, RuntimeError) as error:
        raise UnrenderableScene(refusal) from error
    # Beyond the fold the corner is reached by another ray than the one that was meant.
    if abs(left_over) > 1e-6:
        raise UnrenderableScene(refusal)
    return replace(camera, lens=BrownLens(k1=k1, p1=p1, p2=p2))


def with_division_corner(camera: Camera, percent: float, offset_px: tuple[float, float] = (0.0, 0.0)) -> Camera:
    """Return the camera with a division lens that gives `percent` at the farthest corner's distance (barrel < 0).

    `offset_px` moves the centre of distortion away from the principal point; the percentage is about that centre.
    """
    rho = math.hypot(*_farthest_half(camera))
    # At |d| = rho: |u| = rho/(1 + kappa), so the stated percentage is 100·kappa.
    return replace(camera, lens=DivisionLens(percent / 100, rho, offset_px))


def _farthest_half(camera: Camera) -> tuple[float, float]:
    """Return the way (x, y) in px from the principal point to the farthest corner."""
    cx, cy = camera.principal_px
    x = max(cx + 0.5, camera.width_px - 0.5 - cx)
    y = max(cy + 0.5, camera.height_px - 0.5 - cy)
    return x, y
