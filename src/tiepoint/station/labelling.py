"""Labels that a person gives to the shots of a trial: a table beside them, written line by line as drafts are.

`pictures/trial/labels.csv` has the columns shot, part_id, label and class, as `studies.labels` reads it; lines of other
shots stay as they are written.
"""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass

from tiepoint.documents.tables import LONGEST_NAME, Cells, read_cells
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.drafting import Change, Conflict, Step, edit, read_draft
from tiepoint.station.folder import Station
from tiepoint.studies.labels import COLUMNS, TRUTHS

USE = "trial"
PLACE = f"pictures/{USE}/labels.csv"
HEADER = (*COLUMNS, "class")
_TRIES = 5


@dataclass(frozen=True, slots=True)
class Labelled:
    """A shot with its label: `part` "" where the shot alone is the part, `kind` the class of a bad one."""

    shot: str
    part: str
    label: str
    kind: str


def labels_of(station: Station) -> tuple[Labelled, ...]:
    """Return the labels that were given so far; none where there is no table, or none in it."""
    text = _text(station)[0]
    return () if text is None else tuple(Labelled(*_row(cells, row)) for cells in [_cells(text)] for row in cells.rows)


def absent(station: Station, labels: Sequence[Labelled]) -> tuple[str, ...]:
    """Return the shots that have a label and are not there any more, so that no trial can be made."""
    folder = (station.folder / PLACE).parent
    return tuple(one.shot for one in labels if not (folder / one.shot).exists())


def give_label(station: Station, one: Labelled, *, who: str) -> Step:
    """Write the label of a shot; an empty one takes its line away. `UnusableInput` in a sentence for what is none."""
    if one.label not in (*TRUTHS, ""):
        raise UnusableInput(f"label reads {one.label[:40]!r}; a part is good or bad")
    for name, cell in (("shot", one.shot), ("part_id", one.part), ("class", one.kind)):
        if len(cell) > LONGEST_NAME or not cell.isprintable() or cell.startswith("#") or (name == "shot" and not cell):
            raise UnusableInput(f"{name} reads {cell[:40]!r}; give one line of at most {LONGEST_NAME} characters")
    says = f"{one.shot} is {one.label}" if one.label else f"{one.shot} has no label"
    for left in reversed(range(_TRIES)):
        text, sha = _text(station)
        change = Change(PLACE, ("\ufeff" + _with(text, one)).encode())
        try:
            return edit(station, says, [change], who=who, seen={PLACE: sha})
        except Conflict:
            if not left:
                raise  # another shot was labelled in that moment each time
    raise AssertionError


def _text(station: Station) -> tuple[str | None, str | None]:
    draft = read_draft(station, PLACE)
    return draft.text, draft.sha


def _with(text: str | None, one: Labelled) -> str:
    """Return the table with the line of one shot written, added or taken out."""
    if text is None:
        return _line(HEADER, ",") + _line(_cells_of(one, HEADER, ()), ",")
    cells = _cells(text)
    lines = text.splitlines(keepends=True)
    shots = [_row(cells, row)[0] for row in cells.rows]
    if one.shot in shots:
        at = shots.index(one.shot)
        new = _line(_cells_of(one, cells.header, cells.rows[at]), cells.separator) if one.label else ""
        lines[cells.lines[at] - 1] = new
    elif one.label:
        lines[-1] = lines[-1].rstrip("\r\n") + "\r\n"
        lines.append(_line(_cells_of(one, cells.header, ()), cells.separator))
    return "".join(lines)


def _cells(text: str) -> Cells:
    told = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    if len(told) < 2:  # its last label was taken back: no study reads it then
        return Cells(",", HEADER, (), ())
    return read_cells(text, COLUMNS, PLACE)


def _row(cells: Cells, row: Sequence[str]) -> tuple[str, str, str, str]:
    def cell(name: str) -> str:
        return row[cells.header.index(name)] if name in cells.header else ""

    return cell("shot"), cell("part_id"), cell("label").lower(), cell("class")


def _cells_of(one: Labelled, header: Sequence[str], old: Sequence[str]) -> list[str]:
    told = {"shot": one.shot, "part_id": one.part or one.shot.rpartition(".")[0] or one.shot, "label": one.label}
    told["class"] = one.kind if one.label == "bad" else ""
    kept = dict(zip(header, old, strict=False))
    return [told.get(name, kept.get(name, "")) for name in header]


def _line(cells: Sequence[str], separator: str) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator="\r\n").writerow(cells)
    return out.getvalue()
