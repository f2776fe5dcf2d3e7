"""What a plan chooses where nothing is stated: sensor, focal length, f-number, exposure, from what is commonly made."""

import math
from dataclasses import dataclass

from tiepoint.plan import lighting, optics
from tiepoint.plan.asked import Asked

FORMATS = (
    (1440, 1080, 3.45),
    (2048, 1536, 3.45),
    (2448, 2048, 3.45),
    (4096, 3000, 3.45),
    (5472, 3648, 2.4),
    (5320, 4600, 2.74),
    (6464, 4852, 3.45),
    (9344, 7000, 3.2),
)
"""Columns, rows and pitch in µm of area sensors that many makers' cameras carry (common practice)."""
FOCALS_MM = (4.0, 6.0, 8.0, 12.0, 16.0, 25.0, 35.0, 50.0, 75.0, 100.0)
"""Focal lengths that are commonly made."""
F_NUMBERS = (4.0, 5.6, 8.0, 11.0, 16.0)
"""From where common lenses are at their sharpest, in the steps of ISO 517 (from memory)."""

RIM = 1.1
"""The field is a tenth larger than what the part needs: the target and the edges' surroundings must be seen too."""
PX_PER_TOLERANCE, PX_PER_FEATURE = 10.0, 10.0
"""Pixels in the whole width of a tolerance, and across a feature that is measured (common practice)."""
MOST_AIRY_PX = 2.0
MOST_BLUR_PX = 0.5
"""An Airy disc larger than the first, or a motion longer than the second, costs sharpness (common practice)."""
AT_REST_US = 10_000.0
"""The exposure of a part at rest, where nothing else limits it."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """The camera that a plan is about. `by_plan`: names of what was not stated, and chosen."""

    columns: int
    rows: int
    pixel_um: float
    focal_mm: float | None
    magnification: float
    f_number: float
    exposure_us: float
    by_plan: tuple[str, ...]

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the sensor."""
        return self.columns * self.pixel_um / 1000, self.rows * self.pixel_um / 1000

    @property
    def scale_mm(self) -> float:
        """Millimetres on the part in one pixel."""
        return self.pixel_um / 1000 / self.magnification


def field_wanted(asked: Asked) -> tuple[float, float]:
    """Return long and short side, in mm, of what must be seen: part, loading on both sides, and a rim."""
    long, short = max(asked.part.size_mm), min(asked.part.size_mm)
    return RIM * (long + 2 * asked.part.loading_mm), RIM * (short + 2 * asked.part.loading_mm)


def scale_wanted(asked: Asked) -> float:
    """Return the mm in one pixel that tolerance and smallest feature ask for."""
    by_tolerance = 2 * asked.part.tolerance_mm / PX_PER_TOLERANCE
    feature = asked.part.feature_mm
    return by_tolerance if feature is None else min(by_tolerance, feature / PX_PER_FEATURE)


def depth_wanted(asked: Asked) -> float:
    """Return the depth that must be sharp: what is asked for, and ± 2 u of the height."""
    return asked.part.depth_mm + 4 * asked.part.u_height_mm


def choose(asked: Asked) -> Chosen:
    """Return the camera: what is stated as stated, all else chosen."""
    by_plan: list[str] = []
    columns, rows, pixel = _sensor(asked, by_plan)
    field = field_wanted(asked)
    filling = min(columns * pixel / 1000 / field[0], rows * pixel / 1000 / field[1])
    focal, magnification = _lens(asked, filling, by_plan)
    number = asked.lens.f_number
    if number is None:
        by_plan.append("f_number")
        number = _f_number(asked, pixel, magnification)
    exposure = asked.light.exposure_us
    if exposure is None:
        by_plan.append("exposure_us")
        exposure = _exposure(asked, pixel, magnification, number)
    return Chosen(columns, rows, pixel, focal, magnification, number, exposure, tuple(by_plan))


def _sensor(asked: Asked, by_plan: list[str]) -> tuple[int, int, float]:
    if asked.sensor.pixels is not None:
        columns, rows = asked.sensor.pixels
        return max(columns, rows), min(columns, rows), asked.sensor.pixel_um
    by_plan.append("pixels")
    scale, field = scale_wanted(asked), field_wanted(asked)
    enough = [f for f in FORMATS if f[0] * scale >= field[0] and f[1] * scale >= field[1]]
    return enough[0] if enough else FORMATS[-1]


def _lens(asked: Asked, filling: float, by_plan: list[str]) -> tuple[float | None, float]:
    lens = asked.lens
    if lens.kind == "telecentric":
        if lens.magnification is not None:
            return None, lens.magnification
        by_plan.append("magnification")
        decade = 10.0 ** (math.floor(math.log10(filling)) - 1)
        return None, math.floor(filling / decade) * decade
    focal = lens.focal_mm
    if focal is None:
        by_plan.append("focal_mm")
        ideal = optics.focal_for(lens.stand_off_mm, filling)
        focal = max((f for f in FOCALS_MM if f <= ideal and f < lens.stand_off_mm), default=0.0)
        # Nothing so short is made: the field line says that it does not fit.
        focal = focal or min(FOCALS_MM[0], 0.9 * lens.stand_off_mm)
    return focal, optics.magnification_of(focal, lens.stand_off_mm)


def _f_number(asked: Asked, pixel: float, magnification: float) -> float:
    """Return the smallest number that makes the depth sharp; where none does, the largest that diffraction allows."""
    depth = depth_wanted(asked)
    for number in F_NUMBERS:
        if optics.depth_of_field(number, pixel / 1000, magnification) >= depth:
            return number
    allowed = [
        number
        for number in F_NUMBERS
        if optics.airy_um(asked.light.wavelength_nm, optics.working_number(number, magnification))
        <= MOST_AIRY_PX * pixel
    ]
    return max(allowed, default=F_NUMBERS[0])


def _exposure(asked: Asked, pixel: float, magnification: float, number: float) -> float:
    longest = lighting.longest_us(asked.part.speed_mm_s, pixel / 1000 / magnification, MOST_BLUR_PX)
    light = asked.light
    if light.lux is not None:
        need = needed_us(asked, pixel, magnification, number)
        # Beyond a second nobody waits: the line of the light says that it is not enough.
        longest = min(longest, need, 1e6)
    else:
        longest = min(longest, AT_REST_US)
    if light.mains_hz and longest >= lighting.flicker_us(light.mains_hz):
        period = lighting.flicker_us(light.mains_hz)
        return math.floor(longest / period) * period
    return longest


def needed_us(asked: Asked, pixel: float, magnification: float, number: float) -> float:
    """Return the exposure that fills the sensor as asked, under the lux that were measured."""
    light, sensor = asked.light, asked.sensor
    assert light.lux is not None
    working = optics.working_number(number, magnification)
    on_sensor = lighting.on_sensor(
        lighting.w_m2_of(light.lux, light.wavelength_nm), max(asked.part.reflectance, asked.part.ground), working
    )
    per_us = lighting.photons(pixel**2, 1.0, light.wavelength_nm, on_sensor)
    return light.fill * sensor.full_well_e / (sensor.quantum_efficiency * per_us)
