"""What parts are, as a person says it: a table of shots with their labels, or folders named by them.

A table has the columns shot, part_id, label (good or bad) and, where parts are of several kinds, class; shots are named
from the table's own folder. Folders: `good` and `bad` hold shots; any other folder, or one within `bad`, holds bad
parts of the class that it is named by. There each shot is a part, unless its shot.json names one.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tiepoint.documents.files import reason_of
from tiepoint.documents.grid import Grid, read_grid
from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.shots import shots_in

Truth = Literal["good", "bad"]
TRUTHS: tuple[Truth, ...] = ("good", "bad")
COLUMNS = ("shot", "part_id", "label")
MOST = 100_000


@dataclass(frozen=True, slots=True)
class Label:
    """A shot, the part that it shows (None where only the shot itself may name it), and what the part is."""

    shot: Path
    part: str | None
    truth: Truth
    kind: str
    where: str


def read_labels(path: Path, each: int = 1) -> tuple[Label, ...]:
    """Return the labels of a table, or of a folder of folders. `each`: pictures of one shot.

    Raises `UnusableInput` in one sentence with the row or the folder that cannot be used.
    """
    labels = (
        tuple(_of_folders(path, each)) if path.is_dir() else tuple(_of_table(read_grid(path, COLUMNS), path.parent))
    )
    if len(labels) > MOST:
        raise UnusableInput(f"{path} holds {len(labels)} shots; at most {MOST} are tried at once")
    seen: dict[Path, Label] = {}
    for label in labels:
        other = seen.setdefault(label.shot, label)
        if other is not label:
            raise UnusableInput(
                f"{path}: {other.where} and {label.where} name the same shot, {label.shot.name}; keep one"
            )
    return labels


def labels_of_parts(path: Path) -> dict[str, Label]:
    """Return the labels of a table by part, for shots that were taken before; `shot` may be missing.

    Raises `UnusableInput` where a part has two labels that differ.
    """
    grid = read_grid(path, ("part_id", "label"))
    kinds: Sequence[str] = grid.texts("class") if grid.has("class") else [""] * len(grid.rows)
    found: dict[str, Label] = {}
    for part, word, kind, place in zip(grid.names("part_id"), grid.texts("label"), kinds, grid.places, strict=True):
        label = Label(Path(), part, _truth(word, f"{grid.where}, {place}"), kind, place)
        other = found.setdefault(part, label)
        if (other.truth, other.kind) != (label.truth, label.kind):
            raise UnusableInput(
                f"{grid.where}: part {part} is labelled otherwise in {other.where} and in {place}; keep one"
            )
    return found


def _of_table(grid: Grid, folder: Path) -> Iterator[Label]:
    shots, parts, words = (grid.names(column) for column in COLUMNS)
    shots = grid.texts("shot")  # as they are spelled: a file named 1.0 is no file named 1
    kinds: Sequence[str] = grid.texts("class") if grid.has("class") else [""] * len(shots)
    for shot, part, word, kind, place in zip(shots, parts, words, kinds, grid.places, strict=True):
        path = Path(shot) if Path(shot).is_absolute() else folder / shot
        if not path.exists():
            raise UnusableInput(f"{grid.where}, {place}: there is no shot {path}; name it from the table's own folder")
        yield Label(path, part, _truth(word, f"{grid.where}, {place}"), kind, f"{shot}, {place}")


def _truth(word: str, where: str) -> Truth:
    for truth in TRUTHS:
        if word.lower() == truth:
            return truth
    raise UnusableInput(f"{where}: label reads {word[:40]!r}; write good or bad, and its kind in a column class")


def _of_folders(path: Path, each: int) -> Iterator[Label]:
    try:
        folders = sorted(p for p in path.iterdir() if p.is_dir())
    except OSError as error:
        raise UnusableInput(f"cannot read {path}: {reason_of(error)}") from error
    if not folders:
        raise UnusableInput(f"{path} holds no folder; make one named good, one named bad, or give a table of labels")
    for folder in folders:
        name = folder.name.lower()
        if name == "good":
            yield from _shots(path, folder, "good", "", each)
        elif name == "bad":
            yield from _bad(path, folder, each)
        else:
            yield from _shots(path, folder, "bad", folder.name, each)


def _bad(root: Path, folder: Path, each: int) -> Iterator[Label]:
    """Yield the shots of a folder named bad, and those of each class within it."""
    inner = sorted(p for p in folder.iterdir() if p.is_dir() and not (p / "shot.json").exists())
    classes = [p for p in inner if each == 1 or any(q.is_dir() for q in p.iterdir())]
    for kind in classes:
        yield from _shots(root, kind, "bad", kind.name, each)
    if any(p not in classes for p in folder.iterdir()):
        yield from _shots(root, folder, "bad", "", each, tuple(classes))


def _shots(
    root: Path, folder: Path, truth: Truth, kind: str, each: int, without: tuple[Path, ...] = ()
) -> Iterator[Label]:
    for shot in shots_in([folder], each):
        if shot not in without:
            yield Label(shot, None, truth, kind, shot.relative_to(root).as_posix())
