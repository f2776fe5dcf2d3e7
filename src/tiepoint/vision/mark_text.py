"""One line of text: what rapidocr's recogniser sees in a picture that shows that line and nothing else, and how sure.

The recogniser reads scenes of every kind, so it must be told what may stand there: which characters occur, and how the
line is built. What it cannot see is the difference between characters that look alike in plain lettering (0 and O, 1
and I); only the place where one stands tells them apart, and only where it is known what may stand in that place.
"""

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.vision.mark_rungs import Picture, Rung, prepare

LINE_PX = 48
"""Height in pixels of the lines that the recogniser was trained on."""
MOST_LONG = 100
"""Heights that a line may be long: the recogniser makes a longer one too small to be seen, or breaks."""

_GROUPS = (
    "0ODQ",
    "1Il|",
    "2Zz",
    "5Ss",
    "6Gb",
    "8B",
    "9gq",
    "Cc",
    "Kk",
    "Oo",
    "Pp",
    "Uu",
    "Vv",
    "Ww",
    "Xx",
    "Yy",
    "-—_",
)
"""Characters that plain lettering draws alike (common practice); each may be taken for any of its group."""


def alike(character: str) -> frozenset[str]:
    """Return the characters that a character may be taken for, itself too."""
    return frozenset(character).union(*(group for group in _GROUPS if character in group))


@dataclass(frozen=True)
class Letter:
    """One character as it was seen, and the recogniser's own measure of how sure it is, 0 to 1 (no probability)."""

    character: str
    score: float


@dataclass(frozen=True)
class LineSeen:
    """A line without its spaces: how wide a gap is, the recogniser cannot tell.

    `resolved` counts characters that were seen as one that looks alike and cannot stand there.
    """

    letters: tuple[Letter, ...]
    resolved: int = 0

    @property
    def text(self) -> str:
        """What was read."""
        return "".join(letter.character for letter in self.letters)

    @property
    def least_score(self) -> float:
        """The score of the least sure character; 0 of an empty line."""
        return min((letter.score for letter in self.letters), default=0.0)


def see_line(picture: Picture) -> LineSeen:
    """Return what the recogniser sees in a picture (rows, columns) of one upright line."""
    rows, cols = picture.shape
    if min(rows, cols) < 4 or cols > MOST_LONG * rows:
        return LineSeen(())
    fitted = cv2.resize(
        picture,
        (max(round(cols * LINE_PX / rows), 8), LINE_PX),
        interpolation=cv2.INTER_AREA if rows > LINE_PX else cv2.INTER_LINEAR,
    )
    # All three switches every time: the recogniser keeps what it was told last.
    told = _recogniser()(
        np.ascontiguousarray(cv2.cvtColor(fitted, cv2.COLOR_GRAY2BGR)),
        use_det=False,
        use_cls=False,
        use_rec=True,
        return_word_box=True,
    )
    text = str(told.txts[0]) if told.txts else ""
    info = told.word_results[0] if told.word_results else None
    scores = list(getattr(info, "confs", ())) if text else []
    if len(scores) != len(text):
        return LineSeen(())
    return LineSeen(tuple(Letter(c, float(s)) for c, s in zip(text, scores, strict=True) if not c.isspace()))


@cache
def _recogniser() -> Callable[..., Any]:
    """Return the recogniser with the models of its own wheel, on one thread, so that it says the same every time."""
    with warnings.catch_warnings():
        # What its own imports deprecate is no fault of ours.
        warnings.simplefilter("ignore")
        from rapidocr import RapidOCR

        reader: Callable[..., Any] = RapidOCR(
            params={
                "Global.log_level": "error",
                "EngineConfig.onnxruntime.intra_op_num_threads": 1,
                "EngineConfig.onnxruntime.inter_op_num_threads": 1,
            }
        )
        return reader


def resolved(line: LineSeen, allowed: Sequence[Callable[[str], bool]]) -> LineSeen:
    """Return a line with each character that cannot stand in its place taken for the only alike one that can.

    `allowed`: by place, whether a character may stand there. Where none or several can, the character stays.
    """
    letters, count = [], 0
    for letter, may in zip(line.letters, allowed, strict=True):
        others = [c for c in sorted(alike(letter.character)) if may(c)]
        if may(letter.character) or len(others) != 1:
            letters.append(letter)
        else:
            letters.append(replace(letter, character=others[0]))
            count += 1
    return LineSeen(tuple(letters), line.resolved + count)


TEXT_RUNGS = (
    Rung(),
    Rung(smooth=1.5),
    Rung(even=41),
    Rung(even=41, smooth=2.5),
)
"""The preparations for text, each tried as it is and inverted: strokes on metal may be brighter than their ground."""


def prepared(picture: NDArray[Any], rung: Rung) -> tuple[Picture, Picture]:
    """Return a prepared line, as it is and inverted."""
    made = prepare(picture, rung)
    return made, np.asarray(255 - made, np.uint8)
