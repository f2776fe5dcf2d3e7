"""Targets of a station: which to print for a field of view, their three files, and what the print measured."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.station.words import without_folder

if TYPE_CHECKING:
    from tiepoint.targets.draw import Target

FOLDER: Final = "targets"
LEAST_PX: Final = 20.0
"""Least width of a square in the picture, or of a dot's cell (docs/how-to/print-a-target.md)."""
GOOD_PX: Final = 60.0
ALONG: Final = 16
"""Squares along the longer side of the field: enough corners for a lens, each seen large."""
OVERFILL: Final = 1.1
WITHIN: Final = 0.92
"""How much of the field a pattern fills: a charuco may reach beyond it, a checker or dots must be seen whole."""
PITCHES_MM: Final = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.5)
"""Within a decade."""


@dataclass(frozen=True, slots=True)
class Advice:
    """A target that suits a field of view: what to draw, on which paper (None: none is large enough), and why."""

    pattern: str
    pitch_mm: float
    columns: int
    rows: int
    paper: str | None
    pitch_px: float
    sentences: tuple[str, ...]


def advise(field_mm: tuple[float, float], size_px: tuple[int, int], pattern: str = "charuco") -> Advice:
    """Return the target to print for a field of view of width × height that a picture of `size_px` shows.

    Raises `UnusableInput` where no target has squares that such a picture would show large enough.
    """
    from tiepoint.targets.draw import FEWEST, MOST_COLUMNS, new_target

    for mm, what in zip(field_mm, ("width", "height"), strict=True):
        if not (math.isfinite(mm) and mm > 0):
            raise UnusableInput(f"the {what} of the field is {mm:g} mm; give more than 0")
    per_mm = min(size_px[0] / field_mm[0], size_px[1] / field_mm[1])
    fill = OVERFILL if pattern == "charuco" else WITHIN
    wanted = max(max(field_mm) * fill / ALONG, GOOD_PX / per_mm)
    pitch = _round_pitch(wanted)
    counts = [(math.ceil if fill > 1 else math.floor)(round(mm * fill / pitch, 6)) for mm in field_mm]
    fewest = FEWEST.get(pattern, (4, 4))
    columns, rows = (min(max(n, least), MOST_COLUMNS) for n, least in zip(counts, fewest, strict=True))
    if pitch * per_mm < LEAST_PX or (fill <= 1 and (counts[0] < fewest[0] or counts[1] < fewest[1])):
        raise UnusableInput(
            f"a picture of {size_px[0]} × {size_px[1]} px is too coarse for a {pattern} that lies in "
            f"{field_mm[0]:g} × {field_mm[1]:g} mm whole; take a charuco, which may be cut by the border"
        )
    target = new_target(pattern, pitch, columns, rows)
    paper = _smallest_paper(target)
    return Advice(
        pattern, pitch, columns, rows, paper, pitch * per_mm,
        tuple(_why(target, field_mm, pitch * per_mm, paper)),
    )  # fmt: skip


def _round_pitch(mm: float) -> float:
    """Return the smallest round pitch that is at least so much, from a thousandth of a millimetre to a metre."""
    decade = 10.0 ** math.floor(math.log10(mm))
    pitch = next((round(p * decade, 6) for p in PITCHES_MM if p * decade >= mm * (1 - 1e-9)), 10 * decade)
    return min(max(pitch, 0.001), 1000.0)


def _smallest_paper(target: "Target") -> str | None:
    from tiepoint.targets.sheet import PAPERS_MM, page

    for name in sorted((n for n in PAPERS_MM if n.startswith("A")), key=lambda n: PAPERS_MM[n]):
        try:
            page(target, name)
        except UnusableInput:
            continue
        return name
    return None


def _why(target: "Target", field_mm: tuple[float, float], pitch_px: float, paper: str | None) -> Iterator[str]:
    width, height = target.size_mm
    cell = "dot" if target.pattern == "dots" else "square"
    reach = "a little more than" if target.pattern == "charuco" else "nearly"
    yield (
        f"{target.columns} × {target.rows} {cell}s of {target.pitch_mm:g} mm make {width:g} × {height:g} mm: {reach} "
        f"the field of {field_mm[0]:g} × {field_mm[1]:g} mm. A {cell} is {pitch_px:.0f} px wide in the picture, and "
        f"{LEAST_PX:.0f} is the least."
    )
    if paper is None:
        yield "No paper is so large: have it made on a plate, on a page that fits."
    elif min(width, height) < 20:
        yield "A printer's dots are coarse for so small a target: have it made on glass or film."


def files_of(target: "Target", paper: str | None, stem: str = "target") -> dict[str, bytes]:
    """Return a target's files by name: the page as PDF and SVG at true scale, and its document."""
    from tiepoint.documents.files import document_bytes
    from tiepoint.targets import sheet
    from tiepoint.targets.document import KIND, to_document

    return {
        f"{stem}.pdf": sheet.pdf(target, paper),
        f"{stem}.svg": sheet.svg(target, paper).encode(),
        f"{stem}.json": document_bytes(KIND, to_document(target)),
    }


def targets_in(folder: Path) -> Iterator[tuple[str, "Target | str"]]:
    """Yield the targets of a station by their path in it, in the order of their names; text is why one cannot be used.

    They are documents in `targets/`, and in folders there.
    """
    from tiepoint.documents.files import kind_of
    from tiepoint.station.tie_files import load_target

    place = folder / FOLDER
    for path in sorted([*place.glob("*.json"), *place.glob("*/*.json")]):
        if path.is_symlink():
            continue
        name = path.relative_to(folder).as_posix()
        try:
            if kind_of(path) == "target":
                yield name, load_target(path)
        except TiepointError as error:
            yield name, without_folder(str(error), folder)


def told_scale(target: "Target") -> Iterator[str]:
    """Yield what the print measured against what was drawn, in sentences; a warning where the bars may be exchanged."""
    from tiepoint.foundation.rounding import decimals_of, fixed, with_unit
    from tiepoint.targets.paper import exchange_goes_unseen, print_scale

    m = target.measured
    if m is None:
        return
    scale = print_scale(target)
    for k, (axis, bar) in enumerate((("x", target.bar_x_mm), ("y", target.bar_y_mm))):
        off = scale[k]
        per_cent = with_unit(100 * abs(off.value - 1), 100 * off.U95, "%")
        by = abs(off.value - 1) * bar
        yield (
            f"Along {axis} the print is {per_cent} {'larger' if off.value > 1 else 'smaller'} than drawn: over {bar:g} "
            f"mm that is {fixed(by, decimals_of(by))} mm, and it is now corrected."
        )
    if exchange_goes_unseen(target):
        yield (
            f"The bars are of nearly equal length and measure {m.x_mm:g} mm and {m.y_mm:g} mm: nothing later would "
            "show that they were taken for each other. If you are not sure which bar is which, look again: x is the "
            "one along the lower edge."
        )
