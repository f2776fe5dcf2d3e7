"""The lines of motion and light."""

import math
from collections.abc import Iterator, Mapping

from tiepoint.plan import lighting
from tiepoint.plan.choose import AT_REST_US, MOST_BLUR_PX
from tiepoint.plan.line import Line, State, Told, g
from tiepoint.plan.numbers import Camera

COMMON = "common practice"
EMVA = "EMVA 1288"
BRIGHTEST_LUX = 300_000.0
"""Three times the sun at noon: beyond it, light comes from a lamp that flashes (common practice)."""
LEAST_FILL = 0.5


def angle_of(camera: Camera) -> lighting.Angle | None:
    """Return from where the asked slope is lit, None where none is asked."""
    part = camera.asked.part
    return None if part.slope_deg is None else lighting.lamp_for(part.slope_deg, part.surface, lens_half_deg(camera))


def lens_half_deg(camera: Camera) -> float:
    """Return half the angle under which the part sees the lens: the aperture f/N at the stand-off."""
    if camera.chosen.focal_mm is None:
        # The numerical aperture on the part's side, m/(2·N_e).
        return math.degrees(math.asin(min(1.0, camera.magnification / (2 * camera.working))))
    return math.degrees(math.atan(camera.chosen.focal_mm / camera.chosen.f_number / 2 / camera.stand_off_mm))


def lines(
    camera: Camera, numbers: Mapping[str, float], spread: Mapping[str, float], angle: lighting.Angle | None
) -> Iterator[Line]:
    """Yield the lines of motion, then those of light."""
    told = Told(numbers, spread)
    yield from _motion(camera, told)
    yield from _light(camera, told)
    if angle is not None:
        part = camera.asked.part
        low = (
            angle.field == "dark"
            and part.surface == "shiny"
            and 90 - 2 * float(part.slope_deg or 0) < lighting.FLATTEST_LAMP_DEG
        )
        source = "law of reflection" if part.surface == "shiny" else "Lambert's law"
        yield Line(
            "lamp",
            "light",
            "Lamp above the surface",
            angle.elevation_deg,
            "°",
            None,
            angle.how,
            source,
            "caution" if low else "fine",
            angle.says,
        )


def _motion(camera: Camera, told: Told) -> Iterator[Line]:
    part, light, chosen, n = camera.asked.part, camera.asked.light, camera.chosen, told.numbers
    if part.speed_mm_s > 0:
        longest = lighting.longest_us(part.speed_mm_s, camera.scale_mm, MOST_BLUR_PX)
        how = (
            f"{MOST_BLUR_PX:g} px · scale / v = {MOST_BLUR_PX:g} · {g(n['scale'])} µm / "
            f"{g(part.speed_mm_s)} mm/s = {g(longest)} µs"
        )
        yield Line("longest", "motion", "Longest exposure", longest, "µs", None, how, COMMON)
    by_plan = "exposure_us" in chosen.by_plan
    how = "as stated"
    if by_plan:
        how = "the longest that motion, light and flicker allow" + (
            f", at rest {g(AT_REST_US / 1000)} ms" if part.speed_mm_s == 0 and light.lux is None else ""
        )
    yield Line(
        "exposure",
        "motion",
        "Exposure",
        chosen.exposure_us,
        "µs",
        None,
        how,
        "chosen" if by_plan else "as stated",
        *_flickers(camera),
        chosen=by_plan,
    )
    if part.speed_mm_s > 0:
        how = (
            f"v · t / scale = {g(part.speed_mm_s)} mm/s · {g(chosen.exposure_us)} µs / {g(n['scale'])} "
            f"µm = {g(n['motion'])} px"
        )
        far: tuple[State, str] = ("fine", "")
        if n["motion"] > MOST_BLUR_PX * (1 + 1e-9):
            far = (
                "caution" if n["motion"] <= 2 else "fault",
                f"The part moves by {g(n['motion'])} px while it is exposed; {MOST_BLUR_PX:g} px are the "
                "rule for measuring: expose for less, with more light or a flash.",
            )
        yield told.line("motion", "motion", "Motion while exposed", "px", how, COMMON, far)


def _flickers(camera: Camera) -> tuple[State, str]:
    mains, exposure = camera.asked.light.mains_hz, camera.chosen.exposure_us
    if not mains:
        return "fine", ""
    period = lighting.flicker_us(mains)
    turns = exposure / period
    if turns >= 0.999 and abs(turns - round(turns)) < 1e-3:
        return "fine", ""
    return "caution", (
        f"Lamps on {mains} Hz mains flicker every {g(period / 1000)} ms, and {g(exposure)} µs is no "
        "whole number of that: shroud "
        "the station and flash, or pictures differ in brightness."
    )


def _light(camera: Camera, told: Told) -> Iterator[Line]:
    light, sensor, chosen, n = camera.asked.light, camera.asked.sensor, camera.chosen, told.numbers
    wanted = light.fill * sensor.full_well_e / sensor.quantum_efficiency
    how = (
        f"photons = 50.34 · A · t · λ · E: {g(wanted)} photons on {g(chosen.pixel_um)}² µm² in "
        f"{g(chosen.exposure_us)} µs; on the part "
        "4 · N_e²/ρ times that on the sensor = 4 · "
        f"{g(n['working'])}²/{g(max(camera.asked.part.reflectance, camera.asked.part.ground))} times"
    )
    lux = lighting.lux_of(n["needed"], light.wavelength_nm)
    seen = 400 <= light.wavelength_nm <= 700
    much: tuple[State, str] = ("fine", "")
    if seen and light.lux is None and lux > BRIGHTEST_LUX:
        much = (
            "caution",
            f"{g(lux)} lux are more than a steady lamp gives: flash, open the iris, or take larger pixels.",
        )
    yield told.line("needed", "light", "Light needed on the part", "W/m²", how, f"{EMVA}; camera equation", much)
    if seen:
        how = (
            f"683 lm/W · V(λ) · E = 683 · {g(lighting.eye(light.wavelength_nm))} · {g(n['needed'])} W/m² = {g(lux)} lx"
        )
        yield Line("lux", "light", "The same, as a meter tells", lux, "lx", None, how, "definition of the candela")
    if light.lux is not None:
        how = f"{g(light.lux)} lx for {g(chosen.exposure_us)} µs, {g(lux)} lx fill {g(100 * light.fill)} %"
        dim: tuple[State, str] = ("fine", "")
        if n["fill"] < 100 * light.fill * LEAST_FILL:
            dim = (
                "fault" if n["fill"] < 5 else "caution",
                f"The light fills {g(n['fill'])} % of the sensor's range: dark pictures, and the noise "
                f"shows. {g(lux)} lx are needed, or a larger aperture.",
            )
        elif n["fill"] >= 99:
            dim = (
                "fault",
                "The sensor is full: what is brightest tells nothing any more. Expose for less, or close the iris.",
            )
        yield told.line("fill", "light", "Range filled", "%", how, EMVA, dim)
    how = "signal/√(K² · σ_d² + 1/12 + K · signal), in grey values, at the brighter of part and ground"
    yield told.line("snr", "light", "Signal over noise", "", how, EMVA)
