"""Lamps over a surface with relief: single ones and segments of a ring, far or near, and the light they give.

Light that a LED gives at a point: strength · (r₀/r)², r₀ the way from LED to aim; so `strength` is what falls on a
surface that faces the lamp at the aim. A *flat* LED gives, besides, less by the cosine of the angle from its axis.
What a surface returns is ρ·(n·l) of it (Lambert) and a glossy lobe.

The lobe is GGX, stretched along and across a brush: D and the masking of Walter et al. (Microfacet models for
refraction through rough surfaces, EGSR 2007, eq. 33), stretched as Burley has it (Physically-based shading at Disney,
2012), height-correlated masking after Heitz (Understanding the masking-shadowing function, JCGT 3, 2014, eq. 99); all
quoted from memory. Departures: masking takes α = √(along·across), and mirror reflectance is one number at every angle
(below 35° from the view's half vector it moves by less than 1 %, Schlick 1994).

Shadows: attached where n·l ≤ 0; cast where a ray towards the LED meets higher ground. Light from one part of the
surface onto another is left out.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

from tiepoint.foundation.errors import UnusableInput
from tiepoint.render.camera import about_z
from tiepoint.render.relief import Surface

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Flags = NDArray[np.bool_]

FAR_MM = 1e7
"""A far lamp stands here: over a field of 100 mm its direction turns by 1e-5 rad."""
TILE, BLOCK = 32, 8
ONE, HALF, TINY = np.float32(1.0), np.float32(0.5), np.float32(1e-6)


@dataclass(frozen=True, slots=True)
class Lamp:
    """A lamp of one or several LEDs, which share its strength.

    `leds_mm`: their places in the plane frame. `flat`: a LED gives less by the cosine of the angle from its axis, which
    points at `aim_mm`; otherwise the same everywhere. `gain`: what the lamp really gives, as a share of its strength.
    `azimuth_deg`, `elevation_deg`: where it is as seen from the aim.
    """

    id: str
    leds_mm: tuple[tuple[float, float, float], ...]
    aim_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    strength: float = 1.0
    gain: float = 1.0
    flat: bool = False

    @property
    def place_mm(self) -> Array:
        """The middle (3,) of its LEDs."""
        return np.asarray(np.mean(self.leds_mm, axis=0))

    @property
    def azimuth_deg(self) -> float:
        """Counter-clockwise from plane +x, 0 to 360."""
        x, y, _ = self.place_mm - self.aim_mm
        return math.degrees(math.atan2(y, x)) % 360.0

    @property
    def elevation_deg(self) -> float:
        """Above the plane."""
        x, y, z = self.place_mm - self.aim_mm
        return math.degrees(math.atan2(z, math.hypot(x, y)))

    @property
    def far(self) -> bool:
        """Whether its light comes from one direction everywhere."""
        return bool(np.linalg.norm(self.place_mm - self.aim_mm) > FAR_MM / 2)

    def within(self, x_mm: float, y_mm: float, z_mm: float, angle_deg: float) -> "Lamp":
        """Return the lamp in the frame of a part whose pose in the plane this is."""
        turn, origin = about_z(-math.radians(angle_deg)), np.array([x_mm, y_mm, z_mm])
        leds = tuple(_three(turn @ (np.array(led) - origin)) for led in self.leds_mm)
        return replace(self, leds_mm=leds, aim_mm=_three(turn @ (np.array(self.aim_mm) - origin)))


def lamp(
    id: str,
    azimuth_deg: float,
    elevation_deg: float,
    *,
    away_mm: float | None = None,
    aim_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
    span_deg: float = 0.0,
    leds: int = 1,
    strength: float = 1.0,
    gain: float = 1.0,
    flat: bool = False,
) -> Lamp:
    """Return a lamp `away_mm` from its aim, or far away; with a span, a ring segment of several LEDs."""
    if leds < 1 or not -90 < elevation_deg <= 90:
        raise UnusableInput(f"lamp {id}: it needs at least one LED and an elevation above −90° and up to 90°")
    turns = np.array([0.0]) if leds == 1 else np.linspace(-span_deg / 2, span_deg / 2, leds)
    azimuths, elevation = np.deg2rad(azimuth_deg + turns), math.radians(elevation_deg)
    away = away_mm or FAR_MM
    aside = away * math.cos(elevation)
    high = aim_mm[2] + away * math.sin(elevation)
    places = [(aim_mm[0] + aside * math.cos(a), aim_mm[1] + aside * math.sin(a), high) for a in azimuths.tolist()]
    return Lamp(id, tuple(places), aim_mm, strength, gain, flat)


def _three(values: Array) -> tuple[float, float, float]:
    x, y, z = values.tolist()
    return x, y, z


def ring(
    elevation_deg: float,
    *,
    segments: int = 4,
    away_mm: float | None = None,
    aim_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
    span_deg: float = 60.0,
    leds: int = 5,
    strength: float = 1.0,
    flat: bool = False,
) -> tuple[Lamp, ...]:
    """Return the segments of a ring light, the first at azimuth 0, named by their azimuths in degrees."""
    azimuths = [360.0 * k / segments for k in range(segments)]
    return tuple(
        lamp(
            f"ring {azimuth:g}",
            azimuth,
            elevation_deg,
            away_mm=away_mm,
            aim_mm=aim_mm,
            span_deg=span_deg,
            leds=leds,
            strength=strength,
            flat=flat,
        )
        for azimuth in azimuths
    )


def lit(surface: Surface, by: Lamp, eye_mm: tuple[float, float, float] = (0.0, 0.0, FAR_MM)) -> Floats:
    """Return what the surface sends to the eye under a lamp, (rows, cols): 1 is a white matte face facing it.

    Lamp and eye are in the surface's own frame.
    """
    grid, lobe = surface.grid, surface.lobe
    light = np.zeros((grid.rows, grid.columns), np.float32)
    frame = np.array([grid.left_mm, grid.top_mm, grid.step_mm, *eye_mm], np.float32)
    brush = math.radians(lobe.brush_deg)
    gloss = np.array([lobe.along, lobe.across, math.cos(brush), math.sin(brush)], np.float32)
    glossy = bool(surface.gloss.any())
    shadows = Shadows(surface)
    for led in by.leds_mm:
        row = _led_row(by, np.array(led))
        seen = shadows.clear_of(np.array(led))
        _add_led(
            surface.z_mm,
            surface.slope_x,
            surface.slope_y,
            surface.albedo,
            surface.gloss,
            seen,
            frame,
            row,
            gloss,
            glossy,
            light,
        )
    return light


def _led_row(by: Lamp, led: Array) -> Floats:
    """Return place, strength at the aim times r₀², axis, 1 for a flat LED."""
    axis = np.array(by.aim_mm) - led
    away = float(np.linalg.norm(axis))
    share = by.strength * by.gain / len(by.leds_mm)
    return np.array([*led, share * away**2, *(axis / away), float(by.flat)], np.float32)


class Shadows:
    """Which points of a surface a LED reaches. What only rays through flat ground would ask is not asked.

    A ray that leaves a point can only be cut off if, within its reach, the ground is somewhere steeper than the ray
    (mean value theorem); elsewhere no ray is marched.
    """

    def __init__(self, surface: Surface) -> None:
        self.surface = surface
        self.steepest, self.lowest, self.highest = _tiles(surface.slope_x, surface.slope_y, surface.z_mm)
        self.blocks = _block_tops(surface.z_mm)

    def clear_of(self, led: Array) -> Flags:
        """Return (rows, cols) whether the way from a point to the LED is free."""
        grid, z = self.surface.grid, self.surface.z_mm
        clear = np.ones(z.shape, np.bool_)
        slope = self._least_slope(led)
        if float(self.steepest.max()) <= slope:
            return clear
        reach = math.ceil((self.highest.max() - self.lowest.min()) / max(slope, 1e-3) / grid.step_mm / TILE)
        around = 2 * reach + 1
        tops = ndimage.maximum_filter(self.highest, around, mode="nearest")
        steep = ndimage.maximum_filter(self.steepest, around, mode="nearest") > slope
        place = np.array([(led[0] - grid.left_mm), (grid.top_mm - led[1]), led[2]]) / (grid.step_mm, grid.step_mm, 1)
        _march(z, steep, tops, self.blocks, place, clear)
        return clear

    def _least_slope(self, led: Array) -> float:
        """Return the least slope of all rays from the surface to the LED."""
        grid = self.surface.grid
        corners = np.array([[x, y] for x in (grid.x_mm[0], grid.x_mm[-1]) for y in (grid.y_mm[0], grid.y_mm[-1])])
        farthest = float(np.hypot(*(corners - led[:2]).T).max())
        return float((led[2] - float(self.highest.max())) / max(farthest, 1e-9))


@njit(cache=True, nogil=True)
def _tiles(slope_x: Floats, slope_y: Floats, z: Floats) -> tuple[Floats, Floats, Floats]:  # pragma: no cover - compiled
    """Return the steepest slope, the lowest and the highest point of each tile."""
    rows, columns = z.shape
    shape = ((rows + TILE - 1) // TILE, (columns + TILE - 1) // TILE)
    steepest = np.zeros(shape, np.float32)
    lowest, highest = np.full(shape, np.float32(np.inf)), np.full(shape, np.float32(-np.inf))
    for i in range(rows):
        for j in range(columns):
            a, b = i // TILE, j // TILE
            steep = slope_x[i, j] * slope_x[i, j] + slope_y[i, j] * slope_y[i, j]
            steepest[a, b] = max(steepest[a, b], steep)
            lowest[a, b] = min(lowest[a, b], z[i, j])
            highest[a, b] = max(highest[a, b], z[i, j])
    return np.sqrt(steepest), lowest, highest


@njit(cache=True, nogil=True)
def _block_tops(z: Floats) -> Floats:  # pragma: no cover - compiled
    """Return the highest point of each block, the first points of the next blocks included."""
    rows, columns = z.shape
    tops = np.empty(((rows + BLOCK - 1) // BLOCK, (columns + BLOCK - 1) // BLOCK), np.float32)
    for a in range(tops.shape[0]):
        for b in range(tops.shape[1]):
            top = z[a * BLOCK, b * BLOCK]
            for i in range(a * BLOCK, min((a + 1) * BLOCK + 1, rows)):
                for j in range(b * BLOCK, min((b + 1) * BLOCK + 1, columns)):
                    top = max(top, z[i, j])
            tops[a, b] = top
    return tops


@njit(cache=True, nogil=True, error_model="numpy")
def _march(
    z: Floats, asked: Flags, tops: Floats, blocks: Floats, led: Array, clear: Flags
) -> None:  # pragma: no cover - compiled
    """Follow each ray to the LED from point to point, over low blocks at once, until it is above all or met ground."""
    rows, columns = z.shape
    for i in range(rows):
        for j in range(columns):
            if not asked[i // TILE, j // TILE]:
                continue
            top = tops[i // TILE, j // TILE]
            dx, dy = led[0] - j, led[1] - i
            flat = np.sqrt(dx * dx + dy * dy)
            if flat < 1.0:
                continue
            ux, uy, rise = dx / flat, dy / flat, (led[2] - z[i, j]) / flat
            height, x, y = z[i, j] + rise, j + ux, i + uy
            while height < top and x >= 0 and y >= 0 and x < columns - 1 and y < rows - 1:
                a, b = int(y), int(x)
                if blocks[a // BLOCK, b // BLOCK] <= height:
                    ahead = _way_out(x, ux, b // BLOCK)
                    steps = int(min(ahead, _way_out(y, uy, a // BLOCK))) + 1
                else:
                    steps = 1
                    fy, fx = y - a, x - b
                    upper = z[a, b] + fx * (z[a, b + 1] - z[a, b])
                    lower = z[a + 1, b] + fx * (z[a + 1, b + 1] - z[a + 1, b])
                    if upper + fy * (lower - upper) > height:
                        clear[i, j] = False
                        break
                x += steps * ux
                y += steps * uy
                height += steps * rise


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _way_out(at: float, step: float, block: int) -> float:  # pragma: no cover - compiled
    """Return in how many steps a ray leaves a block along one axis."""
    if step > 0.0:
        return ((block + 1) * BLOCK - at) / step
    if step < 0.0:
        return (block * BLOCK - at) / step
    return np.inf


@njit(cache=True, nogil=True, error_model="numpy")
def _add_led(
    z: Floats,
    slope_x: Floats,
    slope_y: Floats,
    albedo: Floats,
    gloss: Floats,
    clear: Flags,
    frame: Floats,
    led: Floats,
    lobe: Floats,
    glossy: bool,
    light: Floats,
) -> None:  # pragma: no cover - compiled
    """Add what one LED makes every point send to the eye."""
    rows, columns = z.shape
    left, top, step, eye_x, eye_y, eye_z = frame[0], frame[1], frame[2], frame[3], frame[4], frame[5]
    led_x, led_y, led_z, power = led[0], led[1], led[2], led[3]
    axis_x, axis_y, axis_z, flat = led[4], led[5], led[6], led[7]
    a2, b2, tx, ty = lobe[0] * lobe[0], lobe[1] * lobe[1], lobe[2], lobe[3]
    mean2 = lobe[0] * lobe[1]
    for i in range(rows):
        y = top - np.float32(i) * step
        for j in range(columns):
            x = left + np.float32(j) * step
            lx, ly, lz = led_x - x, led_y - y, led_z - z[i, j]
            square = lx * lx + ly * ly + lz * lz
            inverse = ONE / np.sqrt(square)
            lx, ly, lz = lx * inverse, ly * inverse, lz * inverse
            p, q = slope_x[i, j], slope_y[i, j]
            nz = ONE / np.sqrt(ONE + p * p + q * q)
            nl = max((lz - p * lx - q * ly) * nz, np.float32(0.0))
            emitted = max(-(axis_x * lx + axis_y * ly + axis_z * lz), np.float32(0.0))
            falls = power * inverse * inverse * nl * (ONE + flat * (emitted - ONE))
            back = albedo[i, j]
            if glossy:
                vx, vy, vz = eye_x - x, eye_y - y, eye_z - z[i, j]
                near = ONE / np.sqrt(vx * vx + vy * vy + vz * vz)
                vx, vy, vz = vx * near, vy * near, vz * near
                nv = max((vz - p * vx - q * vy) * nz, TINY)
                hx, hy, hz = lx + vx, ly + vy, lz + vz
                h2 = hx * hx + hy * hy + hz * hz
                hn = (hz - p * hx - q * hy) * nz
                tn = -(p * tx + q * ty) * nz
                along = (hx * tx + hy * ty - tn * hn) / np.sqrt(ONE - tn * tn)
                rest = max(h2 - hn * hn - along * along, np.float32(0.0))
                spread = (along * along / a2 + rest / b2 + hn * hn) / h2
                masked = nl * np.sqrt(nv * nv * (ONE - mean2) + mean2) + nv * np.sqrt(nl * nl * (ONE - mean2) + mean2)
                back += gloss[i, j] * HALF / (mean2 * spread * spread * max(masked, TINY))
            light[i, j] += falls * back if clear[i, j] else np.float32(0.0)
