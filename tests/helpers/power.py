"""What a disk holds when the power goes off: worked out from all that a process did to its files, in its order.

`power.c`, preloaded into the process, writes that down. Here it is played again up to a moment, and what no `fsync`
had reached by then is dropped, or some of it is: a disk and its file system may write what was not flushed at any
time, in part, and in any order. Held to is what POSIX says and no more (IEEE Std 1003.1, fsync): the content of a file
is safe once the file was flushed, its name once the folder was.
"""

import os
import random
import shutil
import struct
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import pytest
from tests.helpers.broker import Listener

_HEAD = struct.Struct("<cQQQII")
SECTOR = 512


def shim(folder: Path) -> Path:
    """Compile what is preloaded; skip where that cannot be."""
    made, source = folder / "power.so", Path(__file__).with_name("power.c")
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None or os.uname().sysname != "Linux":
        pytest.skip("there is no C compiler here (Debian: gcc), or this is no Linux")
    subprocess.run([compiler, "-shared", "-fPIC", "-O2", "-o", made, source, "-ldl", "-lpthread"], check=True)
    return made


class Done(NamedTuple):
    """One thing that was done: `kind` o(pened), w(ritten), s(ynced), t(runcated), r(enamed), l(inked), u(nlinked), or a
    d(irectory)."""

    kind: str
    inode: int
    at: int
    ns: int
    one: str
    data: bytes


def read(journal: Path) -> list[Done]:
    """Return a journal; an entry that was cut off at its end is left out."""
    data, at, found = journal.read_bytes(), 0, []
    while at + _HEAD.size <= len(data):
        kind, inode, where, ns, n, m = _HEAD.unpack_from(data, at)
        begin, at = at + _HEAD.size, at + _HEAD.size + n + m
        if at <= len(data):
            found.append(Done(kind.decode(), inode, where, ns, data[begin : begin + n].decode(), data[begin + n : at]))
    return found


@dataclass(eq=False)
class _Node:
    """A file or a folder. `safe`: what is on the disk for sure; `since`: what was done after that."""

    inode: int
    is_folder: bool = False
    now: bytearray = field(default_factory=bytearray)
    safe: bytes = b""
    since: list[tuple[int, bytes | None]] = field(default_factory=list)


class Disk:
    """A disk on which a process works, played from its journal. `folder`: as it was before, all of it safe."""

    def __init__(self, folder: Path, copy: Path) -> None:
        """`copy`: of the folder at that time; the folder itself is only asked for its inodes, now."""
        self.folder = folder
        self._now: dict[str, _Node] = {}
        self._by_inode: dict[int, _Node] = {}
        self._since: dict[str, list[dict[str, _Node | None]]] = {}
        for path in (folder, *folder.rglob("*")):
            node = _Node(path.stat().st_ino, path.is_dir())
            if not node.is_folder:
                node.safe = (copy / path.relative_to(folder)).read_bytes()
                node.now = bytearray(node.safe)
            self._now[str(path)] = self._by_inode[node.inode] = node
        self._safe = dict(self._now)

    def do(self, done: Done) -> None:
        """Play one thing that was done."""
        one = os.path.normpath(done.one) if done.one else ""
        two = os.path.normpath(done.data.decode()) if done.kind in "rl" and done.data else ""
        node = self._by_inode.get(done.inode)
        if done.kind == "o":
            there = self._now.get(one)
            if there is None or there.inode != done.inode:
                self._by_inode[done.inode] = there = _Node(done.inode)
                self._named({one: there})
            if done.at < len(there.now):
                self._cut(there, done.at)
        elif done.kind == "d":
            self._by_inode[done.inode] = made = _Node(done.inode, is_folder=True)
            self._named({one: made})
        elif done.kind == "s" and node is not None:
            self._sync(node)
        elif done.kind == "w" and node is not None:
            _write(node.now, done.at, done.data)
            node.since.append((done.at, done.data))
        elif done.kind == "t" and node is not None:
            self._cut(node, done.at)
        elif done.kind in "rl" and one in self._now:
            assert not self._now[one].is_folder, f"{one}: folders that are moved are not played"
            self._named({two: self._now[one], **({one: None} if done.kind == "r" else {})})
        elif done.kind == "u" and one in self._now:
            self._named({one: None})

    def _named(self, names: dict[str, _Node | None]) -> None:
        parents = {str(Path(name).parent) for name in names}
        assert len(parents) == 1, f"{names}: what is moved between folders is not played"
        _put(self._now, names)
        self._since.setdefault(parents.pop(), []).append(names)

    def _cut(self, node: _Node, length: int) -> None:
        _resize(node.now, length)
        node.since.append((length, None))

    def _sync(self, node: _Node) -> None:
        if node.is_folder:
            (path,) = (p for p, there in self._now.items() if there is node)
            for names in self._since.pop(path, ()):
                _put(self._safe, names)
        else:
            node.safe, node.since = bytes(node.now), []

    def lay_out(self, to: Path, chance: random.Random | None) -> Path:
        """Make the folder as it is found when the power is back: only what is safe, or by chance some more of it."""
        names = dict(self._safe)
        if chance is not None:
            for waiting in self._since.values():
                for one in waiting[: chance.randint(0, len(waiting))]:
                    _put(names, one)
        made = {str(self.folder): to}
        to.mkdir(parents=True)
        for name, node in sorted(names.items()):
            parent = made.get(str(Path(name).parent))
            if name in made or parent is None:
                continue  # its folder's own name was lost
            path = parent / Path(name).name
            if node.is_folder:
                path.mkdir()
                made[name] = path
            elif not name.endswith("-shm"):  # memory that SQLite shares; it is made anew
                path.write_bytes(node.safe if chance is None else _some(node, chance))
        return to


def _some(node: _Node, chance: random.Random) -> bytes:
    content = bytearray(node.safe)
    for at, data in node.since:
        if data is None:
            if chance.random() < 0.5:
                _resize(content, at)
        elif (luck := chance.random()) < 0.6:
            # Some writes get through to a sector, and no further.
            got = data if luck < 0.4 else data[: chance.randrange(len(data) + 1) // SECTOR * SECTOR]
            if got:
                _write(content, at, got)
    return bytes(content)


def _put(into: dict[str, _Node], names: dict[str, _Node | None]) -> None:
    for name, node in names.items():
        if node is None:
            into.pop(name, None)
        else:
            into[name] = node


def _write(content: bytearray, at: int, data: bytes) -> None:
    if at > len(content):
        content.extend(bytes(at - len(content)))
    content[at : at + len(data)] = data


def _resize(content: bytearray, length: int) -> None:
    del content[length:]
    content.extend(bytes(length - len(content)))


def cuts(
    disk: Disk, done: list[Done], count: int, seed: int, scratch: Path, first: int = 0
) -> Iterator[tuple[int, Path]]:
    """Yield, for moments by chance from the `first` thing that was done on, the time (ns) and what is found then."""
    chance = random.Random(seed)
    moments = sorted(chance.sample(range(first, len(done)), min(count, len(done) - first)))
    at = 0
    for k, moment in enumerate(moments):
        while at <= moment:
            disk.do(done[at])
            at += 1
        there = disk.lay_out(scratch / f"cut-{k}" / "station", chance if k % 2 else None)
        yield done[moment].ns, there
        shutil.rmtree(there.parent)


class TimedListener(Listener):
    """A listener who knows when each message had come: `times`, by the monotonic clock."""

    def __init__(self, port: int) -> None:
        self.times: list[int] = []
        super().__init__(port)

    def _heard(self, client, data, message) -> None:
        self.times.append(time.monotonic_ns())
        super()._heard(client, data, message)
