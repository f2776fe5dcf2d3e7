"""Targets of a station: which to print for a field of view, their three files, and what the print measured."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.station.words import without_folder

if TYPE_CHECKING:
    from tiepoint.targets.draw import Target
    from tiepoint.targets.for_field import ForField

FOLDER: Final = "targets"


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
    from tiepoint.targets.for_field import for_field

    found = for_field(field_mm, size_px, pattern)
    target = found.target()
    paper = _smallest_paper(target)
    return Advice(
        pattern, found.pitch_mm, found.columns, found.rows, paper, found.pitch_px,
        tuple(_why(target, found, field_mm, paper)),
    )  # fmt: skip


def _smallest_paper(target: "Target") -> str | None:
    from tiepoint.targets.sheet import PAPERS_MM, page

    for name in sorted((n for n in PAPERS_MM if n.startswith("A")), key=lambda n: PAPERS_MM[n]):
        try:
            page(target, name)
        except UnusableInput:
            continue
        return name
    return None


def _why(target: "Target", found: "ForField", field_mm: tuple[float, float], paper: str | None) -> Iterator[str]:
    from tiepoint.targets.for_field import LEAST_PX

    width, height = target.size_mm
    cell = "dot" if target.pattern == "dots" else "square"
    reach = "a little more than" if target.pattern == "charuco" else "nearly"
    yield (
        f"{found.cells} make {width:g} × {height:g} mm: {reach} the field of {field_mm[0]:g} × {field_mm[1]:g} mm. A "
        f"{cell} is {found.pitch_px:.0f} px wide in the picture, and {LEAST_PX:.0f} is the least."
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
