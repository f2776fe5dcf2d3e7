"""The demo part: a hinge plate for greenhouse vents, its nominal form, individuals and their exact truth.

Part frame: origin where the lower and the left edge cross (the corner itself is rounded), +x along the lower edge,
y up into the plate, z up. Left and right edge are parallel, lower and upper edge are parallel, bores are round: so
every characteristic has one value, whatever operator measures it.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Characteristic:
    """What the drawing asks: nominal and limits in `unit`; a lower limit is missing where only more is worse."""

    nominal: float
    lower: float | None
    upper: float
    unit: str = "mm"

    def conforms(self, value: float) -> bool:
        """Return whether a true value lies within the limits."""
        return (self.lower is None or value >= self.lower) and value <= self.upper


CHARACTERISTICS: Mapping[str, Characteristic] = MappingProxyType(
    {
        "bore A diameter": Characteristic(4.5, 4.4, 4.6),
        "bore B diameter": Characteristic(6.0, 5.9, 6.1),
        "bore distance": Characteristic(38.0, 37.85, 38.15),
        "slot width": Characteristic(5.0, 4.9, 5.15),
        "plate width": Characteristic(60.0, 59.8, 60.2),
        "edge distance": Characteristic(12.0, 11.85, 12.15),
        "edge angle": Characteristic(90.0, 89.6, 90.4, "deg"),
        "true position B": Characteristic(0.0, None, 0.4),
    }
)
"""Edge distance: centre of bore A from the lower edge. Edge angle: from the lower to the left edge. True position
B: 2·√(dx² + dy²) of bore B from its nominal place in the part frame (ISO 1101; datums: lower edge, left edge)."""


@dataclass(frozen=True, slots=True)
class Hole:
    """A round bore."""

    x_mm: float
    y_mm: float
    diameter_mm: float


@dataclass(frozen=True, slots=True)
class Slot:
    """A slot with round ends: its middle, length over all, width, and direction from the part's +x."""

    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float
    angle_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Scratch:
    """A thin line on the face from (x0, y0) to (x1, y1); `contrast` is added to the face's reflectance."""

    x0_mm: float
    y0_mm: float
    x1_mm: float
    y1_mm: float
    width_mm: float
    contrast: float


@dataclass(frozen=True)
class Plate:
    """One hinge plate; the defaults are the nominal part.

    The bend runs across the plate from `bend_from_mm` to `bend_to_mm` above the lower edge; beyond it lies the
    flange. Free for lot text, Data Matrix and sealing bead: the face between the bores, x 16 to 43, y 3 to 20.
    """

    width_mm: float = 60.0
    height_mm: float = 40.0
    angle_deg: float = 90.0
    corner_radius_mm: float = 4.0
    thickness_mm: float = 3.0
    bore_a: Hole = Hole(10.0, 12.0, 4.5)
    bore_b: Hole = Hole(48.0, 12.0, 6.0)
    slot: Slot = Slot(30.0, 26.0, 16.0, 5.0)
    bend_from_mm: float = 31.0
    bend_to_mm: float = 34.0
    scratches: tuple[Scratch, ...] = ()
    defects: tuple[str, ...] = ()
    variant: str = "standard"

    def at_height(self, height_mm: float) -> Array:
        """Return the points (2, 2) of the left and the right edge at a height above the lower edge."""
        slope = math.radians(self.angle_deg)
        left = height_mm / math.tan(slope)
        return np.array([[left, height_mm], [left + self.width_mm / math.sin(slope), height_mm]])

    @property
    def truth(self) -> dict[str, float]:
        """The exact value of every characteristic."""
        a, b, nominal = self.bore_a, self.bore_b, VARIANTS[self.variant].bore_b
        return {
            "bore A diameter": a.diameter_mm,
            "bore B diameter": b.diameter_mm,
            "bore distance": math.hypot(b.x_mm - a.x_mm, b.y_mm - a.y_mm),
            "slot width": self.slot.width_mm,
            "plate width": self.width_mm,
            "edge distance": a.y_mm,
            "edge angle": self.angle_deg,
            "true position B": 2 * math.hypot(b.x_mm - nominal.x_mm, b.y_mm - nominal.y_mm),
        }

    @property
    def conforms(self) -> bool:
        """Whether every characteristic truly lies within its limits."""
        return all(CHARACTERISTICS[name].conforms(value) for name, value in self.truth.items())


NOMINAL = Plate()

VARIANTS: Mapping[str, Plate] = MappingProxyType(
    {
        "standard": NOMINAL,
        "long": Plate(width_mm=72.0, bore_b=Hole(60.0, 12.0, 6.0), slot=Slot(36.0, 26.0, 16.0, 5.0), variant="long"),
        "short pitch": Plate(bore_b=Hole(44.0, 12.0, 6.0), variant="short pitch"),
        "large bores": Plate(bore_a=Hole(10.0, 12.0, 5.5), bore_b=Hole(48.0, 12.0, 7.5), variant="large bores"),
        "handed": Plate(bore_a=Hole(12.0, 12.0, 6.0), bore_b=Hole(50.0, 12.0, 4.5), variant="handed"),
    }
)
"""Nominal plates of the family. The limits above are those of the standard one."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Manufacturing spread: standard deviations of what varies from plate to plate."""

    diameter_mm: float = 0.015
    place_mm: float = 0.025
    slot_width_mm: float = 0.02
    width_mm: float = 0.03
    angle_deg: float = 0.06


Change = Callable[[Plate], Plate]

DEFECTS: Mapping[str, Change] = MappingProxyType(
    {
        "bore A oversize": lambda p: replace(p, bore_a=replace(p.bore_a, diameter_mm=4.72)),
        "bore B shifted": lambda p: replace(p, bore_b=replace(p.bore_b, x_mm=48.31, y_mm=11.86)),
        "slot too wide": lambda p: replace(p, slot=replace(p.slot, width_mm=5.27)),
        "plate too narrow": lambda p: replace(p, width_mm=59.66),
        "edges out of square": lambda p: replace(p, angle_deg=90.62),
        "bore A borderline": lambda p: replace(p, bore_a=replace(p.bore_a, diameter_mm=4.598)),
        "bore B borderline": lambda p: replace(p, bore_b=replace(p.bore_b, diameter_mm=6.103)),
        "slot borderline": lambda p: replace(p, slot=replace(p.slot, width_mm=5.149)),
    }
)
"""What can deliberately be wrong. The borderline ones lie 1 to 3 µm from a limit, on either side."""


@dataclass(frozen=True)
class Lot:
    """How a lot is made: its spread, the share of plates with a deliberate defect, scratches on the face."""

    spread: Spread = field(default_factory=Spread)
    defect_share: float = 0.32
    scratches_at_most: int = 3


def make_lot(count: int, seed: int, lot: Lot | None = None) -> tuple[Plate, ...]:
    """Return `count` plates. The share with defects is met exactly, their kinds in turn, their order by the seed."""
    lot = lot or Lot()
    rng = np.random.default_rng(seed)
    kinds = list(DEFECTS)
    defective = [kinds[k % len(kinds)] for k in range(round(lot.defect_share * count))]
    wanted = [*defective, *[""] * (count - len(defective))]
    return tuple(_individual(wanted[k], lot, rng) for k in rng.permutation(count))


def individual(variant: str, rng: np.random.Generator, lot: Lot | None = None) -> Plate:
    """Return one plate of a variant, without a deliberate defect."""
    return _individual("", lot or Lot(), rng, VARIANTS[variant])


def _individual(defect: str, lot: Lot, rng: np.random.Generator, form: Plate = NOMINAL) -> Plate:
    def around(nominal: float, sd: float) -> float:
        # Cut at 2.5 sd: a good plate of the lot is within its limits by construction.
        return nominal + sd * float(np.clip(rng.standard_normal(), -2.5, 2.5))

    def hole(nominal: Hole) -> Hole:
        return Hole(
            around(nominal.x_mm, lot.spread.place_mm),
            around(nominal.y_mm, lot.spread.place_mm),
            around(nominal.diameter_mm, lot.spread.diameter_mm),
        )

    slot = form.slot
    plate = replace(
        form,
        width_mm=around(form.width_mm, lot.spread.width_mm),
        height_mm=around(form.height_mm, lot.spread.width_mm),
        angle_deg=around(form.angle_deg, lot.spread.angle_deg),
        bore_a=hole(form.bore_a),
        bore_b=hole(form.bore_b),
        slot=replace(
            slot,
            x_mm=around(slot.x_mm, lot.spread.place_mm),
            y_mm=around(slot.y_mm, lot.spread.place_mm),
            width_mm=around(slot.width_mm, lot.spread.slot_width_mm),
        ),
        scratches=_scratches(int(rng.integers(0, lot.scratches_at_most + 1)), rng),
    )
    return replace(DEFECTS[defect](plate), defects=(defect,)) if defect else plate


def _scratches(count: int, rng: np.random.Generator) -> tuple[Scratch, ...]:
    """Return scratches on the free part of the face, clear of every edge that is measured."""
    made = []
    for _ in range(count):
        x, y = rng.uniform(20, 38), rng.uniform(6, 17)
        way, length = rng.uniform(0, math.pi), rng.uniform(2.0, 5.0)
        dx, dy = length / 2 * math.cos(way), length / 2 * math.sin(way)
        contrast = float(rng.choice([-0.25, 0.15]))
        made.append(Scratch(x - dx, y - dy, x + dx, y + dy, float(rng.uniform(0.03, 0.08)), contrast))
    return tuple(made)
