"""What lies in a watched folder: which files are whole, which belong to one shot, and which never will.

No thread, no clock and no camera here: whoever looks says when. Nothing is ever deleted that was not judged, and no
more is remembered of the folder than what waits, its paths, not its pixels.
"""

import heapq
import os
import stat
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from tiepoint.documents.files import reason_of
from tiepoint.model.shot import ShotStatus
from tiepoint.recipe.shots import PICTURE_ENDINGS
from tiepoint.station.cameras.name_pattern import LONGEST, NamePattern
from tiepoint.station.cameras.plain_files import below, open_plain, set_aside
from tiepoint.station.cameras.table import FolderTable
from tiepoint.station.cameras.whole import what_is_missing

REFUSED, BEFORE = "refused", "before"
_MOST_STUCK = 10_000

State = tuple[int, int]
"""Size and time of a file: while they stand still, nobody writes it."""


@dataclass(slots=True)
class Lying:
    """A file in the folder. `since_ns`: since when its state has not changed; `lacks`: what it lacks to be whole.

    `turn`: when it was first seen, under a temporary name too, and the time that it had then: its place in the order.
    """

    path: Path
    state: State
    seen_ns: int
    since_ns: int
    turn: tuple[int, int]
    lacks: str = ""
    whole: bool = False


@dataclass(frozen=True)
class Arrived:
    """A shot as it lies in the folder, whole or given up; `files` by lamp, "" where a shot has one picture.

    `told`: what its names tell. `shot_folder`: of a shot with its own shot.json, and its `turn`. `seen_ns`: when its
    first file was.
    """

    files: Mapping[str, Lying]
    told: Mapping[str, str]
    seen_ns: int
    status: ShotStatus = "complete"
    why: str = ""
    shot_folder: Path | None = None
    turn: tuple[int, int] = (0, 0)

    @property
    def first(self) -> tuple[int, int]:
        """The turn of what of it was seen first; it begins with when that was, under a temporary name too."""
        return min((lying.turn for lying in self.files.values()), default=self.turn)


@dataclass(slots=True)
class _Set:
    """The pictures of one shot that have come so far."""

    told: dict[str, str]
    files: dict[str, Lying] = field(default_factory=dict)
    surplus: str = ""


class Inflow:
    """The folder of one camera. Call `look` again and again; what is ready stands in `ready`, in its order.

    `in_order`: which part a shot is of is told by its turn alone. Then none is ready before those that came before it,
    and what is not whole in time is given up, however often it is still written to.
    """

    def __init__(
        self,
        table: FolderTable,
        root: Path,
        pattern: NamePattern | None,
        lights: tuple[str, ...],
        *,
        in_order: bool = False,
    ) -> None:
        self.root = root
        self._in_order = in_order
        self.ready: deque[Arrived] = deque()
        self.says = ""
        self._table = table
        self._pattern = pattern
        self._lights = lights if len(lights) > 1 else ()
        self._refused, self._before = root / REFUSED, root / BEFORE
        self._taken = below(root, table.moved_to, "moved_to")
        self._lying: dict[str, Lying] = {}
        self._held: set[str] = set()
        self._stuck: dict[str, State] = {}
        self._away = False
        self._came_while_away: set[str] = set()

    def begin(self) -> int:
        """Set aside what lies there already, where the station says so, and return how many; raises `OSError`."""
        if self._table.at_start == "judge":
            return 0
        self._away = True  # until it could be looked into: what comes meanwhile is late
        there = [name for name, _ in self._entries(10**9)]
        for name in there:
            self._aside(name, self._before)
        self._away = False
        return len(there)

    def look(self, clock_ns: Callable[[], int]) -> None:
        """Look through the folder; raises `OSError` where it is not there, or where nothing can be taken out of it."""
        if len(self._stuck) >= _MOST_STUCK:
            # What is judged and stays would be judged again once it is forgotten.
            raise OSError(f"{len(self._stuck)} files cannot be taken out of it")
        most = self._table.most_waiting * max(1, len(self._lights))
        try:
            found = dict(self._entries(most))
        except OSError:
            self._away, self._lying = True, {}
            raise
        now_ns = clock_ns()  # after the list: a file that came after a trigger was not seen before it
        if self._away:
            self._away, self._came_while_away = False, set(found)
        renamed = {self._final(name): lying.turn for name, lying in self._lying.items() if name not in found}
        self._lying = {name: lying for name, lying in self._lying.items() if name in found}
        for name, state in found.items():
            self._notice(name, state, now_ns, renamed.get(name, (now_ns, state[1])))
        if self._table.holds == "shots":
            shots = list(self._shot_folders(now_ns))
        else:
            shots = [*self._unreadable(now_ns), *self._gathered(now_ns)]
        for arrived in self._next(shots)[: self._table.most_waiting - len(self.ready)]:
            self._hold(arrived)

    def let_go(self, arrived: Arrived) -> None:
        """Delete or move what a shot lay in, after its record is in the ledger; what was no result is set aside."""
        for name in self._all_names(arrived):
            self._held.discard(name)
            if arrived.status != "complete":
                self._aside(name, self._refused)
            elif self._table.after == "move":
                self._aside(name, self._taken)
            else:
                self._delete(name)

    def wait_ns(self, now_ns: int) -> int:
        """Return how long nothing can become ready unless somebody writes into the folder, at most until a poll."""
        poll, settle = int(self._table.poll_s * 1e9), int(self._table.settle_s * 1e9)
        due = [lying.since_ns + settle - now_ns for lying in self._lying.values() if not lying.whole]
        return max(1_000_000, min([poll, *(left for left in due if left > 0)]))

    def _entries(self, most: int) -> Iterator[tuple[str, State]]:
        """Yield what lies in the folder, the oldest first, but for what waits, is stuck, or is the station's own."""
        with os.scandir(self.root) as entries:
            fresh = (
                (told[1], entry.name, told)
                for entry in entries
                if self._is_of_the_camera(entry)
                if (told := _state(entry)) is not None and self._stuck.get(entry.name) != told
            )
            oldest = heapq.nsmallest(most, fresh)
        return ((name, told) for _, name, told in oldest)

    def _is_of_the_camera(self, entry: "os.DirEntry[str]") -> bool:
        own = {REFUSED, BEFORE, Path(self._table.moved_to).parts[0]}
        if entry.name in own or entry.name in self._held:
            return False
        return self._table.holds == "shots" or not entry.is_dir(follow_symlinks=False)

    def _next(self, shots: list[Arrived]) -> list[Arrived]:
        """Return the shots whose turn it is, in their order."""
        if not self._in_order:
            return sorted(shots, key=_turn)
        ready = {name for arrived in shots for name in _names(arrived)}
        waiting = [(self._count(name), *one.turn) for name, one in self._lying.items() if name not in ready]
        first = min(waiting, default=None)
        return [one for one in sorted(shots, key=_turn) if first is None or _turn(one)[:3] < first]

    def _count(self, name: str) -> int:
        told = {} if self._table.holds == "shots" else self._read(name.removeprefix("."))
        return int(told.get("count", 0)) if isinstance(told, dict) else 0

    def _final(self, name: str) -> str:
        """Return what a file will be called once it is written."""
        return name.removeprefix(".").removesuffix(self._table.temporary)

    def _notice(self, name: str, state: State, now_ns: int, turn: tuple[int, int]) -> None:
        lying = self._lying.get(name)
        if lying is None:
            self._lying[name] = Lying(self.root / name, state, now_ns, now_ns, turn)
        elif lying.state != state:
            lying.state, lying.since_ns, lying.whole = state, now_ns, False

    def _unreadable(self, now_ns: int) -> Iterator[Arrived]:
        """Yield what can be no picture of a shot: set aside, and no result where it is meant for one."""
        for name, lying in list(self._lying.items()):
            why = self._fault(name, lying, now_ns)
            if not why:
                continue
            if Path(name).suffix.lower() in PICTURE_ENDINGS:
                yield Arrived({"": lying}, {}, lying.seen_ns, "incomplete", f"{said_name(name)}: {why}")
            else:
                self._aside(name, self._refused)
            self._lying.pop(name, None)

    def _fault(self, name: str, lying: Lying, now_ns: int) -> str:
        mode = _mode(lying.path)
        if mode is None:
            return ""
        if name.startswith("."):  # how some programs call a file until they have written it
            since_ns = lying.turn[0] if self._in_order else lying.since_ns
            waited = now_ns - since_ns >= self._table.incomplete_after_s * 1e9
            return "it was not finished" if waited else ""
        if stat.S_ISLNK(mode):
            return "it is a link, and links are not followed"
        if not stat.S_ISREG(mode):
            return "it is no file"
        if lying.state[0] > self._table.largest_mb * 1e6:
            return f"it has {lying.state[0] / 1e6:.0f} MB; at most {self._table.largest_mb:.0f} MB are read"
        told = self._read(name)
        return told if isinstance(told, str) else ""

    def _read(self, name: str) -> dict[str, str] | str:
        """Return what a name tells, also while its file is still called by a temporary one."""
        final = name.removesuffix(self._table.temporary)
        if len(final) > LONGEST or not final.isprintable():
            return "its name is too long, or holds characters that are not seen"
        if Path(final).suffix.lower() not in PICTURE_ENDINGS:
            return "it is called like no picture"
        return self._pattern.read(final) if self._pattern else {}

    def _gathered(self, now_ns: int) -> Iterator[Arrived]:
        """Yield the shots that are whole, or given up."""
        sets: dict[tuple[str, ...], _Set] = {}
        for name, lying in sorted(self._lying.items(), key=lambda item: item[1].seen_ns):
            told = self._read(name)
            if isinstance(told, str) or name.startswith("."):
                continue
            self._check(name, lying, now_ns)
            key = self._pattern.shot_key(told) if self._pattern and self._lights else (name,)
            shot = sets.setdefault(key, _Set(told))
            light = told.get("light", "")
            if light in shot.files:
                shot.surplus = f"two pictures of the lamp {light} came"
                light = f"{light} {name}"
            shot.files[light] = lying
        for shot in sets.values():
            arrived = self._arrived(shot, now_ns)
            if arrived is not None:
                yield arrived

    def _arrived(self, shot: _Set, now_ns: int) -> Arrived | None:
        lying = shot.files.values()
        seen = min(one.seen_ns for one in lying)
        last = max(one.turn[0] if self._in_order and not one.whole else one.since_ns for one in lying)
        missing = [light for light in self._lights if light not in shot.files]
        broken = [f"{said_name(one.path.name)}: {one.lacks}" for one in lying if not one.whole]
        if not missing and not broken and not shot.surplus:
            return Arrived(shot.files, shot.told, seen)
        if now_ns - last < self._table.incomplete_after_s * 1e9:
            return None
        why = shot.surplus or "; ".join([*broken, *(f"no picture of the lamp {light} came" for light in missing)])
        return Arrived(shot.files, shot.told, seen, "incomplete", why)

    def _check(self, name: str, lying: Lying, now_ns: int) -> None:
        """See whether a file is written to its end."""
        if lying.whole:
            return
        if name.endswith(self._table.temporary):
            lying.lacks = f"it still ends in {self._table.temporary}"
        elif self._table.whole == "still" and now_ns - lying.since_ns < self._table.settle_s * 1e9:
            lying.lacks = "it is still being written"
        else:
            lying.lacks = lacks(lying.path)
            lying.whole = not lying.lacks

    def _shot_folders(self, now_ns: int) -> Iterator[Arrived]:
        """Yield the folders of shots, whole or given up; one that has its final name is written to its end."""
        for name, lying in list(self._lying.items()):
            temporary = name.startswith(".") or name.endswith(self._table.temporary)
            mode = _mode(lying.path)
            waited = now_ns - lying.since_ns
            if mode is None or (temporary and waited < self._table.incomplete_after_s * 1e9):
                continue
            if not stat.S_ISDIR(mode):
                del self._lying[name]
                if Path(name).suffix.lower() in PICTURE_ENDINGS:  # it is meant for a shot: its part was not seen
                    yield _given_up(lying, f"{said_name(name)} lies in no folder of a shot, with a shot.json beside it")
                else:
                    self._aside(name, self._refused)
            elif temporary:
                yield _given_up(lying, f"{said_name(name)} was not finished")
            elif (lying.path / "shot.json").exists():
                yield Arrived({}, {}, lying.seen_ns, shot_folder=lying.path, turn=lying.turn)
            elif waited >= self._table.incomplete_after_s * 1e9:
                yield _given_up(lying, f"{said_name(name)} has no shot.json")

    def _hold(self, arrived: Arrived) -> None:
        if arrived.status == "complete" and self._came_while_away.intersection(_names(arrived)):
            why = "it came while the folder was away"
            arrived = replace(arrived, status="late", why=why)
        for name in self._all_names(arrived):
            self._held.add(name)
            self._lying.pop(name, None)
        self.ready.append(arrived)

    def _all_names(self, arrived: Arrived) -> list[str]:
        """Return the names of a shot's files, and of what was given up those that it is still to be called by.

        Who writes it may end and rename it before it is set aside: it would be judged as one part more.
        """
        names = _names(arrived)
        return names if arrived.status == "complete" else sorted({*names, *map(self._final, names)})

    def _aside(self, name: str, folder: Path) -> None:
        self._away_with(name, lambda path: set_aside(path, folder))

    def _delete(self, name: str) -> None:
        self._away_with(name, _remove)

    def _away_with(self, name: str, do: Callable[[Path], object]) -> None:
        """Take something out of the folder; what cannot be taken out is known from then on, and not judged again."""
        path = self.root / name
        try:
            told = _state_of(path)
            do(path)
        except FileNotFoundError:
            return
        except OSError as error:
            self.says = f"{said_name(name)} cannot be taken out of {self.root}: {reason_of(error)}"
            self._stuck[name] = told


def _given_up(lying: Lying, why: str) -> Arrived:
    return Arrived({}, {}, lying.seen_ns, "incomplete", why, lying.path, lying.turn)


def _turn(arrived: Arrived) -> tuple[int, int, int, str]:
    """Return a shot's place among those that are ready: by its count, by when it was first seen, by its name."""
    count = arrived.told.get("count")
    return int(count) if count else 0, *arrived.first, min(_names(arrived), default="")


def _names(arrived: Arrived) -> list[str]:
    if arrived.shot_folder is not None:
        return [arrived.shot_folder.name]
    return [lying.path.name for lying in arrived.files.values()]


def _state(entry: "os.DirEntry[str]") -> State | None:
    try:
        told = entry.stat(follow_symlinks=False)
    except OSError:
        return None
    return told.st_size, told.st_mtime_ns


def _state_of(path: Path) -> State:
    told = path.lstat()
    return told.st_size, told.st_mtime_ns


def _mode(path: Path) -> int | None:
    try:
        return path.lstat().st_mode
    except OSError:
        return None


def lacks(path: Path) -> str:
    """Return, in a clause, what a picture file lacks to be whole, or why it cannot be read."""
    try:
        with open_plain(path) as file:
            return what_is_missing(file)
    except OSError as error:
        return f"it cannot be read: {reason_of(error)}"


def _remove(path: Path) -> None:
    """Delete a file, or the folder of a shot with the files in it."""
    if path.is_symlink() or not path.is_dir():
        path.unlink()
        return
    for inside in list(path.iterdir()):
        inside.unlink()
    path.rmdir()


def said_name(name: str) -> str:
    """Return a name as a sentence can hold it."""
    shown = name if name.isprintable() else ascii(name)[1:-1]
    return shown if len(shown) <= 80 else shown[:77] + "…"
