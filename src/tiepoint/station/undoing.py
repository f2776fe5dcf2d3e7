"""How an edit of drafts is done, undone, and completed after a fault: files change places, and nothing is copied.

`steps/000012/` holds of each file of step 12 what is not in place now: `0.before` while it is done, `0.after` while
it is undone. A file in place is linked there before another takes its place: whoever reads it finds it at any time.
"""

import hashlib
import json
import os
import re
import shutil
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

from tiepoint.documents.files import parsed_json, read_text, reason_of, write_atomic
from tiepoint.foundation.errors import TiepointError, UnusableDocument, UnusableInput
from tiepoint.station.draft_names import demand_draft, place_of
from tiepoint.station.ledger_chain import utc_now

FOLDER = ".undo"
FORMAT = "tiepoint/undo/1"
MOST_STEPS = 200
MOST_BYTES = 2_000_000_000
"""Of what is kept: beyond, the oldest steps can no longer be undone. The newest always can."""
LONGEST = 200

Direction = Literal["forward", "back"]


@dataclass(frozen=True, slots=True)
class Moved:
    """A file of a step: its SHA-256 before and after, None where it was not, or is not, there."""

    path: str
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True)
class Step:
    """An edit that was done: what it did in a few words, who and when, and to which files. `bytes`: kept for it."""

    number: int
    says: str
    who: str
    at_utc: str
    moved: tuple[Moved, ...]
    bytes: int = 0

    @property
    def paths(self) -> tuple[str, ...]:
        """The files that it changed."""
        return tuple(one.path for one in self.moved)


@dataclass(frozen=True, slots=True)
class _Swap:
    """One file that changes places: `source` comes to `place`, and what is there goes to `keep`."""

    place: Path
    source: Path
    keep: Path
    was: str | None
    will: str | None

    @property
    def is_done(self) -> bool:
        return not self.source.exists() if self.will is not None else not self.place.exists()

    @property
    def reversed(self) -> "_Swap":
        return _Swap(self.place, self.keep, self.source, self.will, self.was)

    def do(self) -> None:
        """Change places; nothing where it was done already."""
        if self.is_done:
            return
        if self.will is None:
            self.place.replace(self.keep)
            with suppress(OSError):  # it holds something else, and stays
                self.place.parent.rmdir()
            return
        if self.was is not None and not self.keep.exists():
            _link(self.place, self.keep)
        self.place.parent.mkdir(parents=True, exist_ok=True)
        self.source.replace(self.place)


@dataclass(frozen=True)
class Journal:
    """The steps of a station in their order, of which the first `at` are done; `next_number` is that of a new one."""

    folder: Path
    steps: tuple[Step, ...] = ()
    at: int = 0
    next_number: int = 1

    @staticmethod
    def read(folder: Path) -> "Journal":
        """Return the journal of a station's folder; `UnusableDocument` where it is damaged."""
        path = folder / FOLDER / "journal.json"
        return _journal(folder, _read(path), path) if path.exists() else Journal(folder)

    @property
    def last(self) -> Step | None:
        """The step that is undone next."""
        return self.steps[self.at - 1] if self.at else None

    @property
    def next(self) -> Step | None:
        """The step that is done again next."""
        return self.steps[self.at] if self.at < len(self.steps) else None

    def changed_since(self, step: Step) -> str | None:
        """Return the first file of a step that is not as the step left it, or, if it is undone, as it found it."""
        is_done = step in self.steps[: self.at]
        for one in step.moved:
            if _sha(self.folder / one.path) != (one.after if is_done else one.before):
                return one.path
        return None

    def turn(self, step: Step, who: str) -> Step:
        """Undo the last step, or do the next again; return it, with who did so."""
        is_done = step in self.steps[: self.at]
        for one in step.moved:
            place_of(self.folder, one.path)
        swaps = _swaps(self.folder, step, "back" if is_done else "forward")
        if not all(swap.will is None or swap.source.is_file() for swap in swaps):
            raise UnusableInput(
                f"what {step.says!r} took the place of was taken away from {self.folder / FOLDER}; restore it there"
            )
        _carry_out(replace(self, at=self.at + (-1 if is_done else 1)), step, "back" if is_done else "forward")
        return replace(step, who=_line(who), at_utc=utc_now())

    def as_plain(self) -> dict[str, Any]:
        """Return the journal as it is written."""
        return {
            "format": FORMAT, "at": self.at, "next": self.next_number, "steps": [asdict(step) for step in self.steps]
        }  # fmt: skip


def begin(journal: Journal, says: str, who: str, contents: Mapping[str, bytes | Path | None]) -> Step:
    """Do a new step: what was undone before can then not be done again. Nothing is written where nothing changes."""
    number, folder = journal.next_number, journal.folder
    own = _own(folder, number)
    moved: list[Moved] = []
    kept = 0
    try:
        shutil.rmtree(own, ignore_errors=True)
        own.mkdir(parents=True)
        for path, data in contents.items():
            place, staged = folder / path, own / f"{len(moved)}.after"
            before, after = _sha(place), _staged(staged, data)
            if before == after:
                staged.unlink(missing_ok=True)
                continue
            moved.append(Moved(path, before, after))
            kept += 0 if before is None else place.stat().st_size
    except OSError as error:
        shutil.rmtree(own, ignore_errors=True)
        raise UnusableInput(f"cannot keep what an edit changes: {reason_of(error)}; nothing was changed") from error
    step = Step(number, _line(says), _line(who), utc_now(), tuple(moved), kept)
    if not moved:
        shutil.rmtree(own, ignore_errors=True)
        return replace(step, number=0)
    steps = _trimmed((*journal.steps[: journal.at], step))
    _carry_out(Journal(folder, steps, len(steps), number + 1), step, "forward")
    _clear(folder, steps)
    return step


def settle(folder: Path) -> None:
    """Complete what was broken off, or take it back where somebody else has changed one of its files since."""
    pending = folder / FOLDER / "pending.json"
    if not pending.exists():
        return
    told = _read(pending)
    after = _journal(folder, told.get("journal", {}), pending)
    step, direction = _step(told.get("step", {}), pending), told.get("direction")
    swaps = _swaps(folder, step, "back" if direction == "back" else "forward")
    try:
        if all(swap.is_done or _sha(swap.place) == swap.was for swap in swaps):
            _finish(after, swaps)
        else:
            _take_back(swaps)
    except OSError as error:
        raise UnusableInput(
            f"an edit that was broken off cannot be completed: {reason_of(error)}; see to that, its files are in "
            f"{folder / FOLDER}"
        ) from error
    pending.unlink(missing_ok=True)


def _carry_out(after: Journal, step: Step, direction: Direction) -> None:
    """Do a step, or undo it, and have the journal be `after` then."""
    folder = after.folder
    swaps = _swaps(folder, step, direction)
    pending = folder / FOLDER / "pending.json"
    write_atomic(pending, _bytes({"format": FORMAT, "direction": direction, "step": asdict(step),
                                  "journal": after.as_plain()}))  # fmt: skip
    try:
        _finish(after, swaps)
    except (OSError, TiepointError) as error:
        with suppress(OSError):
            _take_back(swaps)
            pending.unlink(missing_ok=True)
        said = reason_of(error) if isinstance(error, OSError) else str(error)
        raise UnusableInput(f"cannot write {', '.join(step.paths)[:200]}: {said}; nothing was changed") from error
    pending.unlink(missing_ok=True)


def _finish(after: Journal, swaps: Sequence[_Swap]) -> None:
    for swap in swaps:
        swap.do()
    write_atomic(after.folder / FOLDER / "journal.json", _bytes(after.as_plain()))


def _take_back(swaps: Sequence[_Swap]) -> None:
    """Undo what was done of a step, but for files that are not as it left them: those stay as they are."""
    for swap in swaps:
        if swap.is_done and _sha(swap.place) == swap.will:
            swap.reversed.do()


def _swaps(folder: Path, step: Step, direction: Direction) -> list[_Swap]:
    own = _own(folder, step.number)
    forward = [
        _Swap(folder / one.path, own / f"{k}.after", own / f"{k}.before", one.before, one.after)
        for k, one in enumerate(step.moved)
    ]
    return forward if direction == "forward" else [swap.reversed for swap in forward]


def _staged(place: Path, data: bytes | Path | None) -> str | None:
    """Put what a file is to hold beside the journal; return its SHA-256."""
    if data is None:
        return None
    if isinstance(data, Path):
        data.replace(place)
        return _sha(place)
    with place.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    return hashlib.sha256(data).hexdigest()


def _link(place: Path, keep: Path) -> None:
    """Have what a file holds by a second name; a copy where the system has no such names."""
    try:
        keep.hardlink_to(place)
    except OSError:
        part = keep.with_suffix(".part")
        shutil.copyfile(place, part)
        part.replace(keep)


def _trimmed(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """Return the newest steps, as many as may be kept."""
    kept, held = 0, 0
    for step in reversed(steps):
        held += step.bytes
        if kept and (kept >= MOST_STEPS or held > MOST_BYTES):
            break
        kept += 1
    return steps[len(steps) - kept :]


def _clear(folder: Path, steps: tuple[Step, ...]) -> None:
    """Take away what is kept of steps that the journal does not know any more."""
    known = {f"{step.number:06d}" for step in steps}
    for own in (folder / FOLDER / "steps").iterdir():
        if own.name not in known:
            shutil.rmtree(own, ignore_errors=True)


def _own(folder: Path, number: int) -> Path:
    return folder / FOLDER / "steps" / f"{number:06d}"


def _sha(place: Path) -> str | None:
    try:
        with place.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (FileNotFoundError, NotADirectoryError):
        return None


def _line(text: str) -> str:
    """Return a text as one line of printable characters."""
    return re.sub(r"\s+", " ", "".join(c if c.isprintable() else " " for c in text)).strip()[:LONGEST]


# --- the documents ---------------------------------------------------------------------------------------------------


def _bytes(content: Mapping[str, Any]) -> bytes:
    return (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode("utf-8", "replace")


def _read(path: Path) -> dict[str, Any]:
    try:
        told = parsed_json(read_text(path))
    except (ValueError, UnusableDocument) as error:
        raise _damaged(path) from error
    if not isinstance(told, dict) or told.get("format") != FORMAT:
        raise _damaged(path)
    return told


def _journal(folder: Path, told: Mapping[str, Any], path: Path) -> Journal:
    steps, at, number = told.get("steps"), told.get("at"), told.get("next")
    if not (isinstance(steps, list) and isinstance(at, int) and isinstance(number, int) and 0 <= at <= len(steps)):
        raise _damaged(path)
    return Journal(folder, tuple(_step(one, path) for one in steps), at, number)


def _step(told: Any, path: Path) -> Step:
    try:
        moved = tuple(Moved(demand_draft(one["path"]), one["before"], one["after"]) for one in told["moved"])
        return Step(int(told["number"]), str(told["says"]), str(told["who"]), str(told["at_utc"]), moved,
                    int(told["bytes"]))  # fmt: skip
    except (KeyError, TypeError, ValueError, AttributeError, UnusableInput) as error:
        raise _damaged(path) from error


def _damaged(path: Path) -> UnusableDocument:
    return UnusableDocument(
        f"{path} is damaged, and tells no more what was edited; move the folder {FOLDER} away, and a new history begins"
    )
