"""All numbers of a plan for one camera, and how far each moves with what is known only within bounds."""

import math
from dataclasses import dataclass

from tiepoint.foundation.sources import coverage_factor
from tiepoint.plan import lighting, optics
from tiepoint.plan.asked import Asked
from tiepoint.plan.choose import Chosen, depth_wanted, field_wanted
from tiepoint.plan.target import target_of
from tiepoint.targets.paper import DRIFT_K, MATERIALS, UNMEASURED_HALF

ALONG_SHARE = 0.8
"""Share of an edge that a step looks at."""
K95 = coverage_factor(0.975, math.inf)


@dataclass(frozen=True, slots=True)
class Camera:
    """The camera as it may really be: a chosen one with the stand-off and focal length that it happens to have."""

    asked: Asked
    chosen: Chosen
    stand_off_mm: float
    magnification: float

    @property
    def working(self) -> float:
        """The effective f-number."""
        return optics.working_number(self.chosen.f_number, self.magnification)

    @property
    def scale_mm(self) -> float:
        """Millimetres on the part in one pixel."""
        return self.chosen.pixel_um / 1000 / self.magnification

    @property
    def field_mm(self) -> tuple[float, float]:
        """What is seen at the part's surface."""
        width, height = self.chosen.size_mm
        return width / self.magnification, height / self.magnification

    @property
    def motion_px(self) -> float:
        """How far a part moves while it is exposed."""
        return lighting.blur_px(self.asked.part.speed_mm_s, self.chosen.exposure_us, self.scale_mm)

    @property
    def optical_px(self) -> float:
        """sd of the blur of lens and diffraction, in focus, in px."""
        airy = optics.airy_sd_um(self.asked.light.wavelength_nm, self.working) / self.chosen.pixel_um
        return math.hypot(self.asked.lens.blur_px, airy)

    @property
    def defocus_px(self) -> float:
        """sd of the blur of what lies at either end of the depth, with the middle in focus."""
        circle = optics.circle_at(depth_wanted(self.asked) / 2, self.chosen.f_number, self.magnification)
        return optics.disc_sd(circle * 1000 / self.chosen.pixel_um)

    @property
    def fill(self) -> float:
        """The share of full scale that the brighter of part and ground reaches."""
        light = self.asked.light
        if light.lux is None:
            return light.fill
        return min(
            self.electrons(lighting.w_m2_of(light.lux, light.wavelength_nm)) / self.asked.sensor.full_well_e, 1.0
        )

    def electrons(self, on_part_w_m2: float) -> float:
        """Return the electrons of a pixel that sees the brighter of part and ground under that light."""
        part, sensor, light = self.asked.part, self.asked.sensor, self.asked.light
        on_sensor = lighting.on_sensor(on_part_w_m2, max(part.reflectance, part.ground), self.working)
        falling = lighting.photons(self.chosen.pixel_um**2, self.chosen.exposure_us, light.wavelength_nm, on_sensor)
        return sensor.quantum_efficiency * falling

    @property
    def needed_w_m2(self) -> float:
        """The irradiance on the part that fills the sensor as asked."""
        return self.asked.light.fill * self.asked.sensor.full_well_e / self.electrons(1.0)

    @property
    def noise_over_step(self) -> float:
        """Noise halfway up the edge between part and ground, over the height of that step."""
        part, sensor = self.asked.part, self.asked.sensor
        full = float((1 << sensor.bits) - 1)
        bright = self.fill * full
        dark = bright * min(part.reflectance, part.ground) / max(part.reflectance, part.ground)
        noise = lighting.noise_dn((bright + dark) / 2, full / sensor.full_well_e, sensor.dark_noise_e)
        return noise / (bright - dark)


def as_stated(asked: Asked, chosen: Chosen) -> Camera:
    """Return the camera as it is stated."""
    return Camera(asked, chosen, asked.lens.stand_off_mm, chosen.magnification)


def numbers(camera: Camera) -> dict[str, float]:
    """Return every number of the plan by its key."""
    asked, chosen = camera.asked, camera.chosen
    part, m, scale = asked.part, camera.magnification, camera.scale_mm
    wanted = field_wanted(asked)
    circle = chosen.pixel_um / 1000
    field = camera.field_mm
    corner = math.hypot(*field) / 2
    told = {
        "field_wanted_long": wanted[0],
        "field_wanted_short": wanted[1],
        "scale": scale * 1000,
        "tolerance_px": 2 * part.tolerance_mm / scale,
        "magnification": m,
        "field_long": field[0],
        "field_short": field[1],
        "working": camera.working,
        "depth_of_field": optics.depth_of_field(chosen.f_number, circle, m),
        "airy": optics.airy_um(asked.light.wavelength_nm, camera.working) / chosen.pixel_um,
        "rayleigh": optics.rayleigh_um(asked.light.wavelength_nm, camera.working, m),
        "motion": camera.motion_px,
        "edge_blur": math.sqrt(camera.optical_px**2 + camera.defocus_px**2 + optics.box_sd(camera.motion_px) ** 2),
        "needed": camera.needed_w_m2,
        "fill": 100 * camera.fill,
        "snr": _snr(camera),
        "parallax_height": 1000 * _parallax(camera, corner, part.u_height_mm),
        "parallax_depth": 1000 * _parallax(camera, corner, part.depth_mm),
    }
    if part.feature_mm is not None:
        told["feature_px"] = part.feature_mm / scale
    if chosen.focal_mm is not None:
        told["extension"] = optics.extension_of(chosen.focal_mm, m)
    along = ALONG_SHARE * min(part.size_mm) / scale
    told["edge_noise"] = 1000 * scale * optics.edge_noise_px(camera.noise_over_step, told["edge_blur"], along)
    rows = length_budget(camera, told["edge_noise"] / 1000)
    told |= {f"u_{name}": 1000 * u for name, u in rows.items()}
    told["U_length"] = 1000 * K95 * math.sqrt(sum(u * u for u in rows.values()))
    told["share"] = 100 * told["U_length"] / 1000 / part.tolerance_mm
    return told


def length_budget(camera: Camera, u_edge_noise_mm: float) -> dict[str, float]:
    """Return the standard uncertainties, in mm, that a length right across the part is made of, by their keys.

    u² = (L·u_k)² + 2·u_r² + (2·u_e)² + (L·u_h/Z)² + (L·h·u_Z/Z²)²: print scale, reading of both edges, what the edges
    are (a shift outwards counts twice), height, and the stand-off by which a tie is moved to the part's height. What
    the lens model leaves over is not in it: only a picture shows that.
    """
    asked, part, z = camera.asked, camera.asked.part, camera.stand_off_mm
    length = max(part.size_mm)
    rows = {
        "scale": length * scale_u(asked, _bar_mm(camera)),
        "reading": math.sqrt(2) * u_edge_noise_mm,
        "edge": 2 * part.u_edge_mm,
    }
    if asked.lens.kind == "telecentric":
        rows["height"] = math.sqrt(2) * part.u_height_mm * _tangent(asked)
        rows["stand_off"] = math.sqrt(2) * part.height_mm * _tangent(asked)
    else:
        rows["height"] = length * part.u_height_mm / z
        rows["stand_off"] = length * part.height_mm * asked.lens.stand_off_within_mm / math.sqrt(3) / z**2
    return rows


def _bar_mm(camera: Camera) -> float:
    """Return the length of the target's bar along x; the field's where no target suits it."""
    found = target_of(camera.asked, camera.chosen)
    return camera.field_mm[0] if isinstance(found, str) else found.bar_x_mm


def scale_u(asked: Asked, bar_mm: float) -> float:
    """Return the relative standard uncertainty of a target's scale, one axis, by what is known of its print."""
    material = MATERIALS[asked.target.material]
    after = math.hypot(material.swelling_half, material.per_k * DRIFT_K) / math.sqrt(3)
    if asked.target.u_bars_mm == 0:
        return math.hypot(UNMEASURED_HALF / math.sqrt(3), after)
    return math.hypot(asked.target.u_bars_mm / bar_mm, after)


def spreads(asked: Asked, chosen: Chosen) -> dict[str, float]:
    """Return U at 95 % of every number, from the bounds of stand-off and focal length.

    Each is moved by ± its standard uncertainty (half-width/√3) while all else stays, and the halves of what that
    changes are added as squares (JCGM 100, 5.1.3, note 2).
    """
    lens = asked.lens
    off = lens.stand_off_within_mm / math.sqrt(3)
    pairs = [(_moved(asked, chosen, off, 1.0), _moved(asked, chosen, -off, 1.0))]
    if chosen.focal_mm is not None:
        share = lens.focal_within_percent / 100 / math.sqrt(3)
        pairs.append((_moved(asked, chosen, 0.0, 1 + share), _moved(asked, chosen, 0.0, 1 - share)))
    tables = [(numbers(up), numbers(down)) for up, down in pairs]
    keys = tables[0][0]
    return {k: K95 * math.sqrt(sum(((up[k] - down[k]) / 2) ** 2 for up, down in tables)) for k in keys}


def _moved(asked: Asked, chosen: Chosen, off_mm: float, focal: float) -> Camera:
    stand_off = asked.lens.stand_off_mm + off_mm
    if chosen.focal_mm is None:
        return Camera(asked, chosen, stand_off, chosen.magnification)
    # A lens that would not focus at all is held where it just does.
    real = min(focal * chosen.focal_mm, 0.99 * stand_off)
    return Camera(asked, chosen, stand_off, optics.magnification_of(real, stand_off))


def _tangent(asked: Asked) -> float:
    return math.tan(math.radians(asked.lens.telecentricity_deg)) / math.sqrt(3)


def _parallax(camera: Camera, corner_mm: float, off_mm: float) -> float:
    if camera.asked.lens.kind == "telecentric":
        return off_mm * math.tan(math.radians(camera.asked.lens.telecentricity_deg))
    # Something as high as the lens is refused elsewhere; here it is only very large.
    return optics.parallax_mm(corner_mm, min(off_mm, 0.95 * camera.stand_off_mm), camera.stand_off_mm)


def _snr(camera: Camera) -> float:
    sensor = camera.asked.sensor
    electrons = camera.fill * sensor.full_well_e
    gain = float((1 << sensor.bits) - 1) / sensor.full_well_e
    return electrons * gain / lighting.noise_dn(electrons * gain, gain, sensor.dark_noise_e)
