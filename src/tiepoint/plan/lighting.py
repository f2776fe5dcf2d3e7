"""The arithmetic of light: motion blur, flicker, photons, noise, and the angle that shows a slope."""

import math
from dataclasses import dataclass

from tiepoint.plan.asked import Surface

LM_PER_W = 683.0
"""Of light at 555 nm (the definition of the candela)."""
PHOTONS = 50.34
"""Photons = 50.34·A·t·λ·E, A in µm², t in ms, λ in µm, E in µW/cm² (EMVA 1288, from memory): 1/(h·c) in these units."""
BRIGHT_FIELD_DEG = 8.0
"""Slopes up to this are shown by a light that the flat surface throws into the lens (common practice)."""
FLATTEST_LAMP_DEG = 10.0
"""No lamp stands lower over a part: its own height is in the way (common practice)."""


def blur_px(speed_mm_s: float, exposure_us: float, scale_mm: float) -> float:
    """Return over how many pixels a part moves while it is exposed: v·t/scale."""
    return speed_mm_s * exposure_us * 1e-6 / scale_mm


def longest_us(speed_mm_s: float, scale_mm: float, most_px: float) -> float:
    """Return the longest exposure that blurs by at most `most_px`; infinite at rest."""
    return math.inf if speed_mm_s == 0 else most_px * scale_mm / speed_mm_s * 1e6


def flicker_us(mains_hz: int) -> float:
    """Return the period with which lamps on the mains flicker: half a cycle, 10 ms at 50 Hz."""
    return 1e6 / (2 * mains_hz)


def photons(area_um2: float, exposure_us: float, wavelength_nm: float, irradiance_w_m2: float) -> float:
    """Return the photons that fall on a pixel (EMVA 1288): 50.34·A·t·λ·E."""
    return PHOTONS * area_um2 * (exposure_us / 1000) * (wavelength_nm / 1000) * (irradiance_w_m2 * 100)


def on_sensor(on_part: float, reflectance: float, working: float) -> float:
    """Return the irradiance on the sensor, on the axis, of a matt part: ρ·E/(4·N_w²) (the camera equation)."""
    return reflectance * on_part / (4 * working**2)


def on_part(on_the_sensor: float, reflectance: float, working: float) -> float:
    """Return the irradiance on the part that gives one on the sensor."""
    return on_the_sensor * 4 * working**2 / reflectance


def eye(wavelength_nm: float) -> float:
    """Return V(λ), how an eye weighs light: 1.019·exp(−285.4·(λ − 0.559)²), λ in µm (a usual fit, within 0.03)."""
    return min(1.0, 1.019 * math.exp(-285.4 * (wavelength_nm / 1000 - 0.559) ** 2))


def lux_of(irradiance_w_m2: float, wavelength_nm: float) -> float:
    """Return the illuminance of light of one colour."""
    return irradiance_w_m2 * LM_PER_W * eye(wavelength_nm)


def w_m2_of(lux: float, wavelength_nm: float) -> float:
    """Return the irradiance of light of one colour that measures so many lux."""
    return lux / (LM_PER_W * eye(wavelength_nm))


def noise_dn(signal_dn: float, gain_dn_per_e: float, dark_noise_e: float) -> float:
    """Return the sd of a grey value: σ² = K²·σ_d² + 1/12 + K·signal (EMVA 1288, from memory)."""
    return math.sqrt(gain_dn_per_e**2 * dark_noise_e**2 + 1 / 12 + gain_dn_per_e * signal_dn)


@dataclass(frozen=True, slots=True)
class Angle:
    """From where a slope is lit: `elevation_deg` above the surface, what it does, and the formula behind it.

    `contrast`: of a matt slope against its opposite, over the flat surface's light; None for a shiny one.
    """

    elevation_deg: float
    field: str
    contrast: float | None
    how: str
    says: str


def lamp_for(slope_deg: float, surface: Surface, lens_half_deg: float) -> Angle:
    """Return where a lamp shows a slope to a camera that looks straight down.

    `lens_half_deg`: half the angle under which the part sees the lens. Shiny: the law of reflection. Matt: Lambert's
    law.
    """
    return _shiny(slope_deg, lens_half_deg) if surface == "shiny" else _matt(slope_deg)


def _shiny(slope: float, lens_half: float) -> Angle:
    turned = 90 - 2 * slope
    how = f"elevation = 90° − 2·slope = 90° − 2·{slope:g}° = {turned:g}°"
    if slope <= max(BRIGHT_FIELD_DEG, lens_half):
        half = max(slope, lens_half)
        said = (
            "Bright field: light from above, through a half mirror or a dome no wider than ± "
            f"{half:.0f}° as the part sees "
            f"it. What leans by {slope:g}° throws it beside the lens, and is dark on a bright surface."
        )
        return Angle(90.0, "bright", None, how, said)
    if turned < FLATTEST_LAMP_DEG:
        said = (
            f"A mirror that leans by {slope:g}° throws to the camera only what comes from {turned:g}° "
            "above the surface: "
            "no lamp stands so. Use a low ring, and look for the rounding of the edge instead."
        )
        return Angle(FLATTEST_LAMP_DEG, "dark", None, how, said)
    said = (
        f"Dark field: a lamp {turned:g}° above the surface, on the side to which the slope falls. "
        "The flat surface throws "
        "its light past the lens and is dark."
    )
    return Angle(turned, "dark", None, how, said)


def _matt(slope: float) -> Angle:
    elevation = max(2 * FLATTEST_LAMP_DEG, min(slope + FLATTEST_LAMP_DEG, 80.0))
    contrast = math.tan(math.radians(slope)) / math.tan(math.radians(elevation))
    how = (
        f"contrast = tan(slope)/tan(elevation) = tan({slope:g}°)/tan({elevation:g}°) = {contrast:.2g}; lower is "
        "stronger, and throws shadows below the slope itself"
    )
    said = (
        f"Lamps {elevation:g}° above the surface, one at a time from several sides: a slope towards the lamp is "
        f"{100 * contrast:.0f} % brighter than the flat surface, its opposite as much darker."
    )
    return Angle(elevation, "dark", contrast, how, said)
