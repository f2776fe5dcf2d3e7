"""Edits of a station's drafts, each whole or not at all, every one undone and done again: the only way a page writes.

What an edit takes the place of is kept in `.undo/` in the station's folder, one folder an edit, `journal.json` beside
them. An edit is staged there, then its intent is written (`pending.json`), then its files are moved to their places,
and then the journal tells of it. Whoever is next finds the intent of one that was broken off, and completes it, or
takes it back where somebody else changed a file of it meanwhile. Nothing that others write is ever replaced unseen.
"""

import hashlib
import shutil
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from tiepoint.documents.files import reason_of
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.station.draft_names import place_of
from tiepoint.station.folder import Station
from tiepoint.station.lock import WriterLock
from tiepoint.station.there import demand_there
from tiepoint.station.undoing import FOLDER, Journal, Moved, Step, begin, settle

MOST_CHANGES = 1000
WAIT_S = 10.0
OLD_S = 86_400.0
"""What came so long ago, and was not taken in, was left behind by a fault."""

__all__ = ["Change", "Conflict", "History", "Moved", "Step", "edit", "history", "read_draft", "redo", "sha_of", "undo"]


class Conflict(UnusableInput):
    """What was to be changed is not any more as it was when who changes it last saw it."""


@dataclass(frozen=True, slots=True)
class Change:
    """What is to become of a file: `path` from the station's folder, with `/`; `data` None takes it away.

    `data` may be a file that was written below `coming` of this module: it is moved to its place, and never held.
    """

    path: str
    data: bytes | Path | None


@dataclass(frozen=True, slots=True)
class Draft:
    """A file as it is: what it holds, and the SHA-256 of that; both None where it is not there."""

    path: str
    data: bytes | None
    sha: str | None

    @property
    def text(self) -> str | None:
        """What it holds as text, without a byte order mark; `UnusableDocument` where it is not text in UTF-8."""
        if self.data is None:
            return None
        try:
            return self.data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise UnusableDocument(
                f"{self.path} is not text in UTF-8 (byte {error.start}); save it as UTF-8"
            ) from error


@dataclass(frozen=True, slots=True)
class History:
    """The edits that were done, and those that were undone and can be done again; the next of each comes last."""

    done: tuple[Step, ...]
    undone: tuple[Step, ...]


def edit(
    station: Station,
    says: str,
    changes: Sequence[Change],
    *,
    who: str,
    seen: Mapping[str, str | None] | None = None,
) -> Step:
    """Change drafts, all of `changes` or nothing, and return the step that undoes it.

    `says`: what is done, in a few words, as "Move the bore's ring". `seen`: by path the SHA-256 of the file as who
    changes it last saw it, None where it was not there; files that only matter for the edit may be among them.
    Raises `Conflict` where one is otherwise by now, `UnusableInput` where a path is no draft's, or the disk refuses.
    """
    if not 1 <= len(changes) <= MOST_CHANGES:
        raise UnusableInput(f"an edit changes 1 to {MOST_CHANGES} files, and this one {len(changes)}; make several")
    for change in changes:
        _place(station, change.path)
    if len({change.path.casefold() for change in changes}) < len(changes):
        raise UnusableInput("an edit names a file twice; give it one content")
    with _alone(station) as journal:
        for path, sha in (seen or {}).items():
            _demand_seen(station, path, sha)
        return begin(journal, says, who, {change.path: change.data for change in changes})


def undo(station: Station, who: str, *, number: int | None = None) -> Step:
    """Take the last edit back. `number`: the step that is meant, so that nobody undoes another's by mistake.

    Raises `Conflict` where a file was changed since by something else, which would be lost.
    """
    with _alone(station) as journal:
        return _turned(station, journal, journal.last, number, who, "undone")


def redo(station: Station, who: str, *, number: int | None = None) -> Step:
    """Do again the edit that was undone last; as `undo`."""
    with _alone(station) as journal:
        return _turned(station, journal, journal.next, number, who, "done again")


def history(station: Station) -> History:
    """Return what was done and undone."""
    if not (station.folder / FOLDER).is_dir():
        return History((), ())
    journal = Journal.read(station.folder)
    return History(journal.steps[: journal.at], tuple(reversed(journal.steps[journal.at :])))


def recover(station: Station) -> None:
    """Complete, or take back, an edit that was broken off, and clear what came and was never taken in.

    Whoever edits next completes it too; so what cannot be done now is left to them, who are told why.
    """
    with suppress(OSError, UnusableInput):
        if (station.folder / FOLDER / "pending.json").exists():
            with _alone(station):
                pass
        for left in (station.folder / FOLDER / "coming").glob("*"):
            if time.time() - left.stat().st_mtime > OLD_S:
                shutil.rmtree(left, ignore_errors=True)


def coming(station: Station) -> Path:
    """Return the folder in which a file may be written that `Change` then moves to its place."""
    demand_there(station.folder)
    folder = station.folder / FOLDER / "coming"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def sha_of(station: Station, path: str) -> str | None:
    """Return the SHA-256 of a draft's bytes; None where it is not there."""
    return _sha(_place(station, path))


def read_draft(station: Station, path: str, most_bytes: int = 50_000_000) -> Draft:
    """Return what a draft holds, and the SHA-256 of that, which belong together."""
    place = _place(station, path)
    try:
        with place.open("rb") as file:
            data = file.read(most_bytes + 1)
    except FileNotFoundError:
        return Draft(path, None, None)
    except OSError as error:
        raise UnusableInput(f"cannot read {path}: {reason_of(error)}") from error
    if len(data) > most_bytes:
        raise UnusableInput(f"{path} has more than {most_bytes / 1e6:.0f} MB; no draft is so large")
    return Draft(path, data, hashlib.sha256(data).hexdigest())


@contextmanager
def _alone(station: Station) -> Iterator[Journal]:
    """Give the journal to one who edits at a time, with no edit half done."""
    demand_there(station.folder)
    own = station.folder / FOLDER
    try:
        own.mkdir(mode=0o700, exist_ok=True)
        if not (own / ".gitignore").exists():
            (own / ".gitignore").write_text("*\n", encoding="utf-8")
    except OSError as error:
        raise UnusableInput(f"cannot write {own}: {reason_of(error)}; see to that") from error
    with WriterLock(own, "editing drafts", wait_s=WAIT_S):
        settle(station.folder)
        yield Journal.read(station.folder)


def _place(station: Station, path: str) -> Path:
    """Return where a draft lies; refused is also what station.toml names for something else, as its file of users."""
    place, table = place_of(station.folder, path), station.table
    tls = table.web.tls
    named = [table.ledger.file, table.ledger.password_file, table.ledger.copy_head_to, table.web.users]
    named += [table.web.access_log, table.archive.folder, *(() if tls is None else (tls.certificate, tls.key))]
    for name in filter(None, named):
        own = (station.folder / name).resolve()
        if place.resolve() == own or own in place.resolve().parents:
            raise UnusableInput(f"{path[:80]} is no draft, and is not changed from a page: station.toml names it")
    return place


def _demand_seen(station: Station, path: str, sha: str | None) -> None:
    if sha_of(station, path) != sha:
        raise Conflict(f"{path} was changed since you last saw it; look at it as it is now, and make the change again")


def _turned(station: Station, journal: Journal, step: Step | None, number: int | None, who: str, what: str) -> Step:
    """Undo or redo a step."""
    if step is None:
        raise UnusableInput(f"there is nothing that could be {what}")
    if number is not None and step.number != number:
        raise Conflict(f"another edit came since ({step.says!r} by {step.who}); look at what is there now")
    for one in step.moved:
        _place(station, one.path)
    if (changed := journal.changed_since(step)) is not None:
        raise Conflict(
            f"{changed} was changed since by something else, and {step.says!r} is not {what}: that would be lost; "
            "change the file itself"
        )
    return journal.turn(step, who)


def _sha(place: Path) -> str | None:
    try:
        with place.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise UnusableInput(f"cannot read {place.name}: {reason_of(error)}") from error
