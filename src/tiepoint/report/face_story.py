"""What is told of marks, beads and blemishes on faces under several lamps, beside their truth."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.model.decide import Verdict
from tiepoint.model.record import Record
from tiepoint.report.story import Check

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark: what it says in `truth`, and the `text` that was read, None where nothing was."""

    truth: str
    text: str | None

    @property
    def is_read(self) -> bool:
        """Whether it was read as it is."""
        return self.text == self.truth

    @property
    def is_misread(self) -> bool:
        """Whether something else was read."""
        return self.text not in (None, self.truth)


@dataclass(frozen=True)
class Face:
    """One face: its record, what is wrong with it in truth, and what was read of it.

    `by_lamp`: code and lot as read from the picture of one lamp alone, by lamp. `gap`: the longest one in the bead.
    `blemishes`: what was found where nothing should be, in words; `overlay_href`: file in the folder.
    """

    number: int
    record: Record
    defects: tuple[str, ...]
    is_good: bool
    code: Mark
    lot: Mark
    gap: Check
    blemishes: tuple[str, ...]
    by_lamp: Mapping[str, tuple[Mark, Mark]]
    overlay_href: str

    @property
    def is_right(self) -> bool:
        """Whether the verdict is what it should be."""
        return self.record.verdict == ("conforms" if self.is_good else "rejected")


@dataclass(frozen=True)
class Drawn:
    """What is drawn over a picture: lines (n, 2) px, and words with their verdict at a place (2,) px."""

    lines: tuple[Array, ...]
    verdict: Verdict | None
    words: str = ""
    at: Array | None = None


@dataclass(frozen=True)
class Shown:
    """A picture with what was read drawn over it: `pixels` (rows, cols), and in words what it shows."""

    pixels: NDArray[Any]
    drawn: tuple[Drawn, ...]
    says: str


@dataclass(frozen=True)
class FaceStory:
    """Faces under several lamps: `lot` is the one that is made, `shown` the index of the one in the pictures.

    `one_lamp` and `relief`: the same face before and after. `mpx`: for one lamp's code, how many million prepared
    pixels were looked at in vain, at most.
    """

    faces: tuple[Face, ...]
    lamps: tuple[str, ...]
    lot: str
    mpx: float
    shown: int
    one_lamp: Shown | None = None
    relief: Shown | None = None

    def read_by(self, lamp: str) -> tuple[int, int]:
        """Return how many codes and how many lot numbers one lamp's pictures gave."""
        pairs = [face.by_lamp[lamp] for face in self.faces]
        return sum(code.is_read for code, _ in pairs), sum(lot.is_read for _, lot in pairs)

    @property
    def best_lamp(self) -> str:
        """The lamp whose pictures gave most."""
        return max(self.lamps, key=lambda lamp: sum(self.read_by(lamp)))

    @property
    def by_relief(self) -> tuple[int, int]:
        """How many codes and how many lot numbers were read from relief."""
        return sum(face.code.is_read for face in self.faces), sum(face.lot.is_read for face in self.faces)

    @property
    def misread(self) -> int:
        """How many marks were read as something else, from whatever picture."""
        every = [
            m for face in self.faces for m in (face.code, face.lot, *(m for p in face.by_lamp.values() for m in p))
        ]
        return sum(mark.is_misread for mark in every)

    @property
    def wrong(self) -> int:
        """How many verdicts are not what they should be."""
        return sum(not face.is_right for face in self.faces)
