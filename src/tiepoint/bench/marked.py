"""The close-up of the plate's face: a raised lot number, a peened Data Matrix, a bead of sealant, scratches, dents.

Everything lies on the plate's free face (x 16 to 43, y 3 to 20 mm in the part frame), and its truth is what it was made
from. The metal is dark, brushed and stained; the sealant has the metal's own colour.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench.marked_symbols import PeenedSymbol, Peening, envelope, peened
from tiepoint.render.relief import Brushed, Coat, Finish, Item, Lobe, Mottle
from tiepoint.render.relief_letters import lettering
from tiepoint.render.relief_shapes import Bead, Blob, Dent, Gap, Groove, Ripple, Strokes

Array = NDArray[np.float64]

PART_NUMBER = "TP-40-118"
FACE_MM = (16.0, 3.0, 43.0, 20.0)
TEXT_AT_MM, TEXT_HEIGHT_MM = (19.6, 14.6), 2.2
STROKE_TOP_MM, STROKE_FLANK_MM, STROKE_HEIGHT_MM = 0.14, 0.16, 0.014
SYMBOL_AT_MM = (20.0, 6.4)
PEENING = Peening(depth_mm=0.013, rim_mm=0.0015, place_sd_mm=0.008, size_sd=0.05, depth_sd=0.1)
BEAD_WIDTH_MM, BEAD_RISE = 1.0, 0.17
BEAD_BOX_MM, BEAD_CORNER_MM, BEAD_OVERLAP_MM = (17.2, 4.2, 41.8, 18.8), 2.0, 1.5
GAP_LIMIT_MM = 0.4
"""The longest gap in the bead that the drawing allows."""
OPEN_MM = (29.0, 6.2, 39.5, 12.6)
"""Where the face bears nothing: scratches and dents are put here."""

METAL = Finish(
    albedo=0.3,
    gloss=0.05,
    lobe=Lobe(0.08, 0.1, 0.0),
    brushed=Brushed(0.015, 1.2, 0.03),
    mottles=(Mottle(0.28, 0.16, 0.1, 20.0), Mottle(0.2, 0.5, 0.3, 110.0), Mottle(0.1, 1.6, 0.8, 60.0)),
)
SEALANT = Coat(albedo=1.0, gloss=0.25)


@dataclass(frozen=True, slots=True)
class Blemish:
    """Something that should not be there: its kind, place on the face, length, width and depth, mm."""

    kind: str
    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float
    depth_mm: float
    angle_deg: float = 0.0


@dataclass(frozen=True)
class MarkedFace:
    """What one plate's face bears; `seed` draws its texture and the needle's unsteadiness.

    `gaps` and `blobs` are places along `bead_path()`. `missing`: the share of the symbol's dots that is not there.
    """

    lot: str
    serial: int
    seed: int
    gaps: tuple[Gap, ...] = ()
    blobs: tuple[Blob, ...] = ()
    blemishes: tuple[Blemish, ...] = ()
    missing: float = 0.0
    part_number: str = PART_NUMBER
    text: str = ""
    defects: tuple[str, ...] = ()

    @property
    def content(self) -> str:
        """What the symbol says: part number (1P), lot (1T), serial number (S), after ISO/IEC 15434."""
        return envelope(f"1P{self.part_number}", f"1T{self.lot}", f"S{self.serial:05d}")

    @property
    def lot_text(self) -> str:
        """What the raised letters say: the lot, unless the stamp was another."""
        return self.text or self.lot

    @cached_property
    def symbol(self) -> PeenedSymbol:
        """The symbol as it was peened."""
        rng = np.random.default_rng([self.seed, 3])
        return peened(self.content, *SYMBOL_AT_MM, replace(PEENING, missing=self.missing), rng)

    @cached_property
    def bead(self) -> Bead:
        """The bead as it was laid."""
        phases = np.random.default_rng([self.seed, 4]).uniform(0, 2 * math.pi, 2).tolist()
        ripples = (Ripple(0.04, 9.0, phases[0]), Ripple(0.025, 3.7, phases[1]))
        return Bead(bead_path(), BEAD_WIDTH_MM, BEAD_RISE, ripples, self.gaps, self.blobs)

    @property
    def truth(self) -> dict[str, float]:
        """The exact value of everything that is measured on the face; blemishes by number and longest."""
        gaps = [gap.length_mm for gap in self.gaps]
        return {
            "bead gaps": float(len(gaps)),
            "longest bead gap": max(gaps, default=0.0),
            "bead length": bead_length_mm() - sum(gaps),
            "widest bead": max([self._widest, *(blob.width_mm for blob in self.blobs)]),
            "blemishes": float(len(self.blemishes)),
            "longest blemish": max((b.length_mm for b in self.blemishes), default=0.0),
        }

    @property
    def conforms(self) -> bool:
        """Whether marks, bead and face are truly as they should be."""
        sound = not (self.blobs or self.blemishes) and self.truth["longest bead gap"] <= GAP_LIMIT_MM
        return sound and self.lot_text == self.lot and self.part_number == PART_NUMBER

    def items(self) -> list[Item]:
        """Return what the face bears, as shapes."""
        strokes = Strokes(
            lettering(self.lot_text, *TEXT_AT_MM, TEXT_HEIGHT_MM), STROKE_TOP_MM, STROKE_FLANK_MM, STROKE_HEIGHT_MM
        )
        marks = [Item(strokes), *(Item(dot) for dot in self.symbol.dots)]
        return [*marks, Item(self.bead, SEALANT), *(Item(_shape(each)) for each in self.blemishes)]

    @property
    def _widest(self) -> float:
        return float(self.bead.width_at(np.linspace(0, bead_length_mm(), 2000)).max())


def _shape(blemish: Blemish) -> Groove | Dent:
    if blemish.kind == "dent":
        return Dent(blemish.x_mm, blemish.y_mm, blemish.width_mm / DENT_WIDTHS, blemish.depth_mm)
    turn = math.radians(blemish.angle_deg)
    half = blemish.length_mm / 2 * np.array([math.cos(turn), math.sin(turn)])
    middle = np.array([blemish.x_mm, blemish.y_mm])
    return Groove(np.array([middle - half, middle + half]), blemish.width_mm, blemish.depth_mm)


DENT_WIDTHS = 2 * math.sqrt(2 * math.log(2))
"""A dent's width and length are those at half its depth."""


def bead_path() -> Array:
    """Return the path (n, 2) of the bead: once round the face, counter-clockwise, and a little further over its start.

    It begins in the middle of the lower side.
    """
    x0, y0, x1, y1 = BEAD_BOX_MM
    r, middle = BEAD_CORNER_MM, (x0 + x1) / 2
    rounds = [(x1 - r, y0 + r, -90), (x1 - r, y1 - r, 0), (x0 + r, y1 - r, 90), (x0 + r, y0 + r, 180)]
    corners = [_quarter(x, y, r, start) for x, y, start in rounds]
    return np.vstack([[[middle, y0]], *corners, [[middle + BEAD_OVERLAP_MM, y0]]])


def bead_length_mm() -> float:
    """Return the length of the path once round, without the piece that lies over its start."""
    path = bead_path()
    return float(np.hypot(*np.diff(path, axis=0).T).sum()) - BEAD_OVERLAP_MM


def _quarter(x: float, y: float, r: float, start_deg: float) -> Array:
    turn = np.deg2rad(start_deg + np.linspace(0, 90, 13))
    return np.column_stack([x + r * np.cos(turn), y + r * np.sin(turn)])


Change = Callable[[MarkedFace, np.random.Generator], MarkedFace]


def _with_gap(face: MarkedFace, rng: np.random.Generator) -> MarkedFace:
    return replace(face, gaps=(Gap(_on_a_straight(rng), float(rng.uniform(0.6, 2.5))),))


def _with_small_gap(face: MarkedFace, rng: np.random.Generator) -> MarkedFace:
    return replace(face, gaps=(Gap(_on_a_straight(rng), 0.5),))


def _with_blob(face: MarkedFace, rng: np.random.Generator) -> MarkedFace:
    return replace(face, blobs=(Blob(_on_a_straight(rng), float(rng.uniform(1.8, 2.2))),))


def _scratched(face: MarkedFace, rng: np.random.Generator) -> MarkedFace:
    length, width = float(rng.uniform(2.5, 6.0)), float(rng.uniform(0.04, 0.09))
    x, y = _in_the_open(rng, 1.3)
    scratch = Blemish("scratch", x, y, length, width, 0.07 * width, float(rng.uniform(-20, 20)))
    return replace(face, blemishes=(scratch,))


def _dented(face: MarkedFace, rng: np.random.Generator) -> MarkedFace:
    width = float(rng.uniform(0.7, 1.4))
    x, y = _in_the_open(rng, 1.0)
    return replace(face, blemishes=(Blemish("dent", x, y, width, width, float(rng.uniform(0.03, 0.06))),))


def _with_other_text(face: MarkedFace, rng: np.random.Generator) -> MarkedFace:
    return replace(face, text=_another(face.lot, rng))


def _with_other_part(face: MarkedFace, rng: np.random.Generator) -> MarkedFace:
    return replace(face, part_number=f"TP-{int(rng.integers(41, 80))}-118")


FACE_DEFECTS: Mapping[str, Change] = MappingProxyType(
    {
        "bead with a gap": _with_gap,
        "scratched": _scratched,
        "dented": _dented,
        "bead with a blob": _with_blob,
        "stamp of another lot": _with_other_text,
        "bead with a gap of 0.5 mm": _with_small_gap,
        "code of another part": _with_other_part,
    }
)
"""What can be wrong with a face."""


def marked_face(serial: int, seed: int, defect: str = "", lot: str | None = None) -> MarkedFace:
    """Return one plate's face. `lot` follows from the seed unless it is given."""
    rng = np.random.default_rng([seed, serial])
    face = MarkedFace(lot or lot_of(seed), serial, int(rng.integers(1 << 31)))
    return replace(FACE_DEFECTS[defect](face, rng), defects=(defect,)) if defect else face


def lot_of(seed: int) -> str:
    """Return a lot number: letters, week, and a count."""
    rng = np.random.default_rng([seed, 6])
    letters = "".join(rng.choice(list("AEFHKNTVXZ"), 2).tolist())
    return f"{letters}{int(rng.integers(10, 53))}-{int(rng.integers(100, 1000))}"


def _another(lot: str, rng: np.random.Generator) -> str:
    """Return a lot number that differs in its last digits."""
    return f"{lot[:-3]}{(int(lot[-3:]) + int(rng.integers(1, 899))) % 900 + 100}"


def _on_a_straight(rng: np.random.Generator) -> float:
    """Return a place along the path from which 3 mm are straight, whatever lies there."""
    path = bead_path()
    pieces = np.hypot(*np.diff(path, axis=0).T)
    starts = np.concatenate([[0.0], np.cumsum(pieces)])[:-1]
    fits = [k for k in range(1, len(pieces) - 1) if pieces[k] > 6.0]
    k = int(rng.choice(fits))
    return float(starts[k] + rng.uniform(1.5, pieces[k] - 4.5))


def _in_the_open(rng: np.random.Generator, rim_mm: float) -> tuple[float, float]:
    x0, y0, x1, y1 = OPEN_MM
    return float(rng.uniform(x0 + 2 * rim_mm, x1 - 2 * rim_mm)), float(rng.uniform(y0 + rim_mm, y1 - rim_mm))
