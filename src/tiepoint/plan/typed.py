"""What a person types of a plan, by the key of `plan.toml` that it is for: `60mm`, `300mm/s`, `50us`, `2448x2048`."""

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from tiepoint.foundation.errors import UnknownUnit, UnusableInput
from tiepoint.foundation.units import MM_PER, parse_length
from tiepoint.recipe.tables import MOST
from tiepoint.targets.paper import MATERIALS

Kind = Literal["length", "micrometre", "two lengths", "speed", "time", "pixels", "number", "whole", "choice"]

US_PER = {"us": 1.0, "µs": 1.0, "μs": 1.0, "ms": 1e3, "s": 1e6}
_NUMBER = re.compile(r"\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*(.*?)\s*\Z", re.ASCII)
_BETWEEN = re.compile(r"\s*[,;x×*]\s*")


@dataclass(frozen=True, slots=True)
class Field:
    """One key of a plan: its `group`, label, kind, and the unit in which `plan.toml` keeps it.

    `needed`: without it there is no plan. `choices`: of a choice.
    """

    key: str
    label: str
    kind: Kind
    unit: str = ""
    needed: bool = False
    choices: tuple[str, ...] = ()


FIELDS: tuple[Field, ...] = (
    Field("part.size_mm", "Size, long by short side", "two lengths", "mm", needed=True),
    Field("part.tolerance_mm", "Tolerance, ±", "length", "mm", needed=True),
    Field("part.feature_mm", "Smallest bore", "length", "mm"),
    Field("part.loading_mm", "Lies beside its place by, ±", "length", "mm"),
    Field("part.height_mm", "Height above the target", "length", "mm"),
    Field("part.u_height_mm", "u of that height", "length", "mm"),
    Field("part.depth_mm", "Sharp over", "length", "mm"),
    Field("part.u_edge_mm", "u of what an edge is", "length", "mm"),
    Field("part.speed_mm_s", "Speed", "speed", "mm/s"),
    Field("part.reflectance", "Reflects, 0 to 1", "number"),
    Field("part.ground", "Behind it, 0 to 1", "number"),
    Field("part.surface", "Surface", "choice", choices=("matt", "shiny")),
    Field("part.slope_deg", "Slope to be shown", "number", "°"),
    Field("sensor.pixels", "Pixels", "pixels", "px"),
    Field("sensor.pixel_um", "Pitch of a pixel", "micrometre", "µm"),
    Field("sensor.bits", "Bits", "whole"),
    Field("sensor.full_well_e", "Full well", "number", "e"),
    Field("sensor.dark_noise_e", "Dark noise", "number", "e"),
    Field("sensor.quantum_efficiency", "Quantum efficiency", "number"),
    Field("lens.kind", "Lens", "choice", choices=("perspective", "telecentric")),
    Field("lens.stand_off_mm", "Stand-off", "length", "mm", needed=True),
    Field("lens.stand_off_within_mm", "Known within, ±", "length", "mm"),
    Field("lens.focal_mm", "Focal length", "length", "mm"),
    Field("lens.focal_within_percent", "Focal length within, ±", "number", "%"),
    Field("lens.magnification", "Magnification", "number"),
    Field("lens.nearest_mm", "Focuses from", "length", "mm"),
    Field("lens.f_number", "f-number", "number"),
    Field("lens.blur_px", "Blur of the lens, sd", "number", "px"),
    Field("lens.distortion_percent", "Distortion in the corner", "number", "%"),
    Field("lens.lean_deg", "Lean of the camera", "number", "°"),
    Field("lens.telecentricity_deg", "Telecentricity, ±", "number", "°"),
    Field("light.wavelength_nm", "Wavelength", "number", "nm"),
    Field("light.exposure_us", "Exposure", "time", "µs"),
    Field("light.lux", "Light on the part", "number", "lx"),
    Field("light.mains_hz", "Flickers with the mains", "choice", "Hz", choices=("0", "50", "60")),
    Field("light.fill", "Range to be filled, 0 to 1", "number"),
    Field("target.material", "Target on", "choice", choices=tuple(MATERIALS)),
    Field("target.u_bars_mm", "u of a bar's reading", "length", "mm"),
)
"""All keys of a plan, in the order in which they are asked for."""

BY_KEY: Mapping[str, Field] = {field.key: field for field in FIELDS}


def typed(key: str, text: str, *, bare: bool = False) -> Any:
    """Return what a text says for a key, as `plan.toml` keeps it; None for an empty one.

    `bare`: a number without a unit is taken in the key's own, which stands beside it where it is typed. Raises
    `UnusableInput` with a sentence that begins with what was typed.
    """
    field = BY_KEY.get(key)
    if field is None:
        raise UnusableInput(f"{key[:60]!r} is no key of a plan; keys are {', '.join(BY_KEY)}")
    if not text.strip():
        return None
    if len(text) > 80:
        raise UnusableInput(f"{text[:40]!r}… is too long for a number with its unit")
    value = _READERS[field.kind](field, text, bare)
    for one in value if isinstance(value, list) else [value]:
        if not isinstance(one, str) and not abs(one) <= MOST:
            raise UnusableInput(f"{text!r} is too large; look at it again")
    return value


def _number(field: Field, text: str, bare: bool) -> float:
    del bare
    match = _NUMBER.match(text)
    # Its own unit may stand behind it.
    if match is None or match[2] not in ("", field.unit):
        example = {"°": "12.5", "%": "5", "nm": "550"}.get(field.unit, "0.5")
        unit = f" of {field.unit}" if field.unit else ""
        raise UnusableInput(f"{text!r} is not a number{unit}; type one, as in {example}")
    return float(match[1])


def _whole(field: Field, text: str, bare: bool) -> int:
    value = _number(field, text, bare)
    if not math.isfinite(value) or value != int(value):
        raise UnusableInput(f"{text!r} is not a whole number; type one")
    return int(value)


def _length(field: Field, text: str, bare: bool) -> float:
    match = _NUMBER.match(text)
    if bare and match is not None and not match[2]:
        return float(match[1])
    try:
        mm = parse_length(text)
    except UnknownUnit as error:
        raise UnusableInput(str(error)) from None
    return mm / MM_PER[field.unit]


def _two(field: Field, text: str, bare: bool) -> list[float]:
    parts = _BETWEEN.split(text.strip())
    if len(parts) != 2:
        raise UnusableInput(f"{text!r} is not two lengths; type both sides, as in 60mm,40mm")
    return [_length(field, part, bare) for part in parts]


def _pixels(field: Field, text: str, bare: bool) -> list[int]:
    parts = _BETWEEN.split(text.strip())
    if len(parts) != 2:
        raise UnusableInput(f"{text!r} is not columns and rows; type both, as in 2448x2048")
    return [_whole(field, part, bare) for part in parts]


def _speed(field: Field, text: str, bare: bool) -> float:
    del field
    match = _NUMBER.match(text)
    if match is not None and bare and not match[2]:
        return float(match[1])
    for ending, per in (("/s", 1.0), ("/min", 60.0)):
        if text.strip().endswith(ending):
            try:
                return parse_length(text.strip().removesuffix(ending)) / per
            except UnknownUnit:
                break
    raise UnusableInput(f"{text!r} is not a speed; type a length a second, as in 300mm/s or 12m/min")


def _time(field: Field, text: str, bare: bool) -> float:
    del field
    match = _NUMBER.match(text)
    if match is not None and (match[2] in US_PER or (bare and not match[2])):
        return float(match[1]) * US_PER.get(match[2], 1.0)
    raise UnusableInput(f"{text!r} is not a time; type a number with its unit, as in 50us or 2ms")


def _choice(field: Field, text: str, bare: bool) -> str | int:
    del bare
    word = text.strip().removesuffix(field.unit).strip() if field.unit else text.strip()
    if word not in field.choices:
        raise UnusableInput(f"{text!r} is not known here; choose {' or '.join(field.choices)}")
    return int(word) if word.isdecimal() else word


_READERS: Mapping[Kind, Callable[[Field, str, bool], Any]] = {
    "length": _length,
    "micrometre": _length,
    "two lengths": _two,
    "speed": _speed,
    "time": _time,
    "pixels": _pixels,
    "number": _number,
    "whole": _whole,
    "choice": _choice,
}
