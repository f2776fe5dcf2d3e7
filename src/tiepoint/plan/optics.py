"""The arithmetic of lenses: thin lens, depth of field, diffraction, blur, parallax. Lengths in mm unless named.

Sources: thin lens, depth of field and Airy disc as in Hecht, Optics, and Ray, Applied Photographic Optics (from
memory). Distances are from the principal planes of a thin lens: a thick one adds the gap between its two.
"""

import math

AIRY_SD = 0.42
"""sd of the Gaussian that lies nearest to an Airy disc, over λ·N: least squares of the intensity (Zhang, Zerubia,
Olivo-Marin, Applied Optics 46, 2007, from memory; the tests fit it again)."""


def focal_for(stand_off_mm: float, magnification: float) -> float:
    """Return the focal length that gives a magnification at a stand-off: f = s·m/(1 + m)."""
    return stand_off_mm * magnification / (1 + magnification)


def magnification_of(focal_mm: float, stand_off_mm: float) -> float:
    """Return the magnification of a lens in focus at a stand-off: m = f/(s − f)."""
    return focal_mm / (stand_off_mm - focal_mm)


def extension_of(focal_mm: float, magnification: float) -> float:
    """Return how far the lens moves out from where it shows infinity: f·m."""
    return focal_mm * magnification


def working_number(f_number: float, magnification: float) -> float:
    """Return the effective f-number N·(1 + m), for a pupil magnification of 1."""
    return f_number * (1 + magnification)


def depth_of_field(f_number: float, circle_mm: float, magnification: float) -> float:
    """Return the whole depth over which the circle of confusion stays within `circle_mm`: 2·N·c·(1 + m)/m²."""
    return 2 * f_number * circle_mm * (1 + magnification) / magnification**2


def sharp_from_to(focal_mm: float, stand_off_mm: float, f_number: float, circle_mm: float) -> tuple[float, float]:
    """Return the nearest and the farthest sharp distance: s·f²/(f² ± N·c·(s − f)), the latter perhaps infinite."""
    spread = f_number * circle_mm * (stand_off_mm - focal_mm)
    square = focal_mm**2
    far = stand_off_mm * square / (square - spread) if spread < square else math.inf
    return stand_off_mm * square / (square + spread), far


def circle_at(off_mm: float, f_number: float, magnification: float) -> float:
    """Return the circle of confusion on the sensor, in mm, of what lies `off_mm` from the plane in focus."""
    return off_mm * magnification**2 / working_number(f_number, magnification)


def airy_um(wavelength_nm: float, working: float) -> float:
    """Return the diameter of the Airy disc on the sensor, to its first dark ring, in µm: 2.44·λ·N·(1 + m)."""
    return 2.44 * wavelength_nm / 1000 * working


def rayleigh_um(wavelength_nm: float, working: float, magnification: float) -> float:
    """Return how far apart, in µm on the part, Rayleigh's criterion wants two points: 1.22·λ·N·(1 + m)/m."""
    return airy_um(wavelength_nm, working) / 2 / magnification


def airy_sd_um(wavelength_nm: float, working: float) -> float:
    """Return the sd on the sensor, in µm, of the Gaussian nearest to the Airy disc."""
    return AIRY_SD * wavelength_nm / 1000 * working


def disc_sd(diameter: float) -> float:
    """Return the sd, along one axis, of an evenly filled disc: d/4."""
    return diameter / 4


def box_sd(width: float) -> float:
    """Return the sd of an even smear: b/√12."""
    return width / math.sqrt(12)


def parallax_mm(radius_mm: float, off_mm: float, stand_off_mm: float) -> float:
    """Return how far a point `radius_mm` beside the axis seems shifted where it lies `off_mm` nearer: r·h/(Z − h)."""
    return radius_mm * off_mm / (stand_off_mm - off_mm)


def edge_noise_px(noise_over_step: float, blur_px: float, along_px: float) -> float:
    """Return the least sd across an edge `along_px` long, in px: (σ/A)·√(2·w_e·√π)/√ℓ, w_e² = w² + 1/12.

    The bound of Fisher's information for a step blurred by a Gaussian of sd `blur_px` and box pixels, levels and blur
    known (Gatherer, Stanford CSL-TR-93-560, from memory); free levels raise it by a tenth to a third.
    """
    whole = math.sqrt(blur_px**2 + 1 / 12)
    return noise_over_step * math.sqrt(2 * whole * math.sqrt(math.pi)) / math.sqrt(along_px)
