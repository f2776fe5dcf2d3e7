"""Light on the scene and a sensor under it: from reflectance to grey values.

Sensors: EMVA 1288 (quoted from memory) and plain Gaussian noise. Both draw electrons and read noise as one
Gaussian of the right variance: above some ten electrons a Poisson count differs from it by less than a grey value.
"""

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Picture = NDArray[np.uint8] | NDArray[np.uint16]
Bits = Literal[8, 10, 12, 16]


@dataclass(frozen=True, slots=True)
class Light:
    """Light and lens shading over the picture, multiplied after the optics, as vignetting acts.

    `level`: what a reflectance of 1 gives in the picture's middle, as a share of full scale. With X, Y from −1 to
    1 across the half diagonal: level·(1 + gradient_x·X + gradient_y·Y − falloff·(X² + Y²)); y down.
    """

    level: float = 0.9
    gradient_x: float = 0.0
    gradient_y: float = 0.0
    falloff: float = 0.0

    def on(self, reflectance: Floats) -> Floats:
        """Return the lit picture (h, w) as a share of full scale."""
        height, width = reflectance.shape
        half = np.hypot(width, height) / 2
        x = (np.arange(width) - (width - 1) / 2) / half
        y = (np.arange(height) - (height - 1) / 2) / half
        along_x = 1 + self.gradient_x * x - self.falloff * x**2
        along_y = self.gradient_y * y - self.falloff * y**2
        field = self.level * (along_x[None, :] + along_y[:, None])
        return np.asarray(reflectance * field.astype(np.float32))


@dataclass(frozen=True, slots=True)
class Grain:
    """Texture of a surface: brightness varies by `sd` of itself, smooth over `along_px` and `across_px`."""

    sd: float
    along_px: float = 6.0
    across_px: float = 0.8

    def on(self, picture: Floats, rng: np.random.Generator) -> Floats:
        """Return the picture (h, w) multiplied by one draw of the texture."""
        white = rng.standard_normal(picture.shape, dtype=np.float32)
        smooth = cv2.GaussianBlur(white, (0, 0), sigmaX=self.along_px, sigmaY=self.across_px)
        return np.asarray(picture * (1 + np.float32(self.sd / float(smooth.std())) * smooth), np.float32)


@dataclass(frozen=True, slots=True)
class EmvaSensor:
    """A camera after EMVA 1288: σ² = K²·σ_d² + 1/12 + K·(µ − µ_dark), in grey values (DN).

    `gain_dn_per_e` is K, `dark_noise_e` σ_d, `black_dn` µ_dark. A share `tail_share` of the pixels has its noise
    multiplied by `tail_factor` (heavy tails). Values are right-aligned; full scale is 2^bits − 1.
    """

    gain_dn_per_e: float = 0.025
    dark_noise_e: float = 6.0
    black_dn: float = 2.0
    bits: Bits = 8
    tail_share: float = 0.0
    tail_factor: float = 8.0

    @property
    def noise(self) -> tuple[float, float]:
        """Variance before quantisation, DN²: a constant and a slope per DN of the mean."""
        gain = self.gain_dn_per_e
        return gain**2 * self.dark_noise_e**2 - gain * self.black_dn, gain


@dataclass(frozen=True, slots=True)
class PlainSensor:
    """The same Gaussian noise everywhere: `noise` is its sd as a share of full scale, before quantisation."""

    noise_share: float = 0.01
    black_dn: float = 0.0
    bits: Bits = 8
    tail_share: float = 0.0
    tail_factor: float = 8.0

    @property
    def noise(self) -> tuple[float, float]:
        """Variance before quantisation, DN²: a constant and a slope per DN of the mean."""
        return (self.noise_share * full_scale(self.bits)) ** 2, 0.0


Sensor = EmvaSensor | PlainSensor


def full_scale(bits: Bits) -> int:
    """Return the largest grey value."""
    return (1 << bits) - 1


def expose(share: Floats, sensor: Sensor, rng: np.random.Generator) -> Picture:
    """Return what the sensor reads where light fills `share` (h, w) of its range: u8 for 8 bits, else u16.

    A share of 1 reaches full scale; more saturates.
    """
    constant, slope = sensor.noise
    noise = rng.standard_normal(share.shape, dtype=np.float32)
    if sensor.tail_share > 0:
        hit = rng.random(share.shape, dtype=np.float32) < sensor.tail_share
        noise[hit] *= np.float32(sensor.tail_factor)
    top = full_scale(sensor.bits)
    out = np.empty(share.shape, np.uint8 if sensor.bits == 8 else np.uint16)
    _read_out(np.ascontiguousarray(share), noise, top - sensor.black_dn, sensor.black_dn, constant, slope, top, out)
    return out


@njit(cache=True, nogil=True)
def _read_out(
    share: Floats, noise: Floats, scale: float, black: float, constant: float, slope: float, top: int, out: Picture
) -> None:  # pragma: no cover - compiled
    """Scale, add noise, round, clip."""
    height, width = share.shape
    for y in range(height):
        for x in range(width):
            mean = black + scale * share[y, x]
            sd = np.sqrt(max(constant + slope * mean, 0.0))
            # Half up: floor(v + 1/2), which is round() but for exact halves, and clips below at 0.
            value = max(mean + sd * noise[y, x] + 0.5, 0.0)
            out[y, x] = min(int(value), top)


def through_jpeg(picture: Picture, quality: int) -> NDArray[np.uint8]:
    """Return an 8-bit picture as it comes back from JPEG of that quality (1..100)."""
    if picture.dtype != np.uint8:
        raise UnusableInput(f"JPEG keeps 8 bits and this picture has {picture.dtype}; render it with an 8-bit sensor")
    done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise UnusableInput("the picture could not be written as JPEG; choose a smaller one")
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8)
