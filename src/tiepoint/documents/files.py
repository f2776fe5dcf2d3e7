"""Reading and writing a station's documents: versions checked, written whole or not at all."""

import errno
import json
import math
import os
import re
import secrets
import shutil
import stat
import time
import tomllib
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from tiepoint.documents.canonical import plain
from tiepoint.documents.undivided import Undivided
from tiepoint.foundation.errors import TiepointError, UnusableDocument, UnusableInput

MAJORS: dict[str, int] = {
    "accepted": 1,
    "act": 1,
    "answer": 1,
    "archived": 1,
    "belt": 1,
    "camera": 1,
    "duty": 1,
    "counter": 1,
    "entry": 1,
    "far": 1,
    "good": 1,
    "lights": 1,
    "pack": 1,
    "plan": 1,
    "recipe": 1,
    "record": 1,
    "request": 1,
    "requirements": 1,
    "robot": 1,
    "run": 1,
    "runs": 1,
    "see": 1,
    "shape": 1,
    "shot": 1,
    "state": 1,
    "station": 1,
    "study": 1,
    "target": 1,
    "tie": 1,
    "users": 1,
    "watch": 1,
    "watching": 1,
}
"""The newest major version of each kind of document that this program writes and reads."""

DEEPEST = 64
"""Lists and tables inside one another that are read at most: no document of ours comes near, and all that walks one
may then call itself."""


def format_of(kind: str) -> str:
    """Return the `format` line of a kind of document, as in `tiepoint/tie/1`."""
    return f"tiepoint/{kind}/{MAJORS[kind]}"


def write_atomic(path: Path, data: bytes) -> None:
    """Write a file whole or not at all.

    Raises `UnusableInput` where the place cannot be written; nothing is left behind.
    """
    write_together({path: data})


def write_together(files: Mapping[Path, bytes]) -> None:
    """Write files that belong together: all under temporary names beside them, flushed, and only then moved.

    When this returns their names are on the disk too, and those of folders that were made for them. A link is written
    through: the file that it points to is renewed, and the link stays. Raises `UnusableInput` where one of them cannot
    be written; nothing is left behind then, and the sentence says what was changed.
    """
    staged: dict[Path, tuple[Path, Path]] = {}
    moved: list[Path] = []
    named_in: set[Path] = set()
    path = Path()
    try:
        for path, data in files.items():
            real = _behind(path)
            named_in.update((real.parent, *(made.parent for made in _missing(real.parent))))
            staged[path] = real, _unused_name(path, real)
            with staged[path][1].open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        with Undivided():
            for path, (real, temporary) in staged.items():
                temporary.replace(real)
                moved.append(path)
        for folder in named_in:
            flush_folder(folder)
    except OSError as error:
        done = f"{' and '.join(map(str, moved))} was written before" if moved else "nothing was changed"
        raise UnusableInput(f"cannot write {path}: {reason_of(error)}; {done}") from error
    finally:
        with Undivided():
            for _, temporary in staged.values():
                temporary.unlink(missing_ok=True)


def append_together(files: Mapping[Path, bytes]) -> None:
    """Add to the ends of files that are there and belong together.

    Raises `UnusableInput` where one of them cannot be written; each is then as long as it was.
    """
    sizes: dict[Path, int] = {}
    path = Path()
    with Undivided():
        try:
            for path, data in files.items():
                sizes[path] = path.stat().st_size
                with path.open("ab") as file:
                    file.write(data)
        except OSError as error:
            for begun, size in sizes.items():
                with suppress(OSError):
                    os.truncate(begun, size)
            raise UnusableInput(f"cannot write {path}: {reason_of(error)}; what it held before is kept") from error


def clear_half_written(folder: Path, older_than_s: float = 3600.0) -> None:
    """Take away what a process that was killed left half-written in a folder, by the names that are given here.

    Only what nobody has touched for that long: another program may be at work there.
    """
    before = time.time() - older_than_s
    with suppress(OSError), os.scandir(folder) as there:
        for one in there:
            with suppress(OSError):
                if HALF_WRITTEN.fullmatch(one.name) and one.stat(follow_symlinks=False).st_mtime < before:
                    if one.is_dir(follow_symlinks=False):
                        shutil.rmtree(one.path)
                    else:
                        Path(one.path).unlink()


def flush_folder(folder: Path) -> None:
    """Make the names in a folder last through a power cut; Windows has no such call, and does it with the file."""
    if os.name == "nt":
        return
    with suppress(OSError):  # some network folders cannot be flushed
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _missing(folder: Path) -> list[Path]:
    """Return the folders on the way to one, itself included, that are not there yet."""
    missing = []
    while not folder.exists() and folder != folder.parent:
        missing.append(folder)
        folder = folder.parent
    return missing


def _behind(path: Path) -> Path:
    """Return the file that a link points to, or the path itself."""
    if not path.is_symlink():
        return path
    try:
        real = path.resolve()
    except RuntimeError:  # how Python up to 3.12 tells of links that point at each other
        real = path
    if real.is_symlink():
        raise UnusableInput(f"cannot write {path}: it is a link that leads back to itself; name another")
    return real


def _unused_name(path: Path, real: Path) -> Path:
    real.parent.mkdir(parents=True, exist_ok=True)
    if real.is_dir():
        raise UnusableInput(f"cannot write {path}: it is a folder; name a file")
    if real.exists() and not real.is_file():
        # Moving onto a device or a pipe would put a file in its place.
        raise UnusableInput(f"cannot write {path}: it is not an ordinary file; name another")
    # Not tempfile: its files are readable by their owner alone, and a station's documents are shared. Not the file's
    # own name with something added: that may be longer than a name can be.
    return real.with_name(f".{secrets.token_hex(8)}.part")


def demand_folder(path: Path) -> None:
    """Raise `UnusableInput` where a path cannot be a folder to write into; nothing is made yet."""
    try:
        there = _nearest(path)
        good = there.is_dir()
    except (OSError, ValueError) as error:
        raise UnusableInput(f"cannot write into {path}: {reason_of(error)}; name another folder") from error
    if not good:
        raise UnusableInput(f"cannot write into {path}: {there} is no folder; name another")
    if not os.access(there, os.W_OK | os.X_OK):
        raise UnusableInput(f"cannot write into {path}: permission denied; name another folder")


def _nearest(path: Path) -> Path:
    """Return what there is of a path: itself, or the nearest place above it."""
    for there in (path, *path.parents):
        try:
            there.stat()
        except (FileNotFoundError, NotADirectoryError):
            continue
        return there
    raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))


def demand_replaceable(path: Path, kind: str, inputs: Iterable[Path | None] = ()) -> None:
    """Raise `UnusableInput` where writing a document to `path` would take the place of anything but its like.

    An input of the same command is never replaced, nor a file that holds no document of that kind; an empty one is.
    """
    try:
        if not path.is_file():
            return
        if any(given is not None and given.exists() and path.samefile(given) for given in inputs):
            raise UnusableInput(f"{path} is read by this command, and would be replaced by its outcome; name another")
        if path.stat().st_size == 0:
            return
    except (OSError, ValueError) as error:
        raise UnusableInput(f"cannot use {path}: {reason_of(error)}") from error
    if not _holds(path, kind):
        raise UnusableInput(f"{path} exists and holds no {kind}; name another, or take it away first")


def _holds(path: Path, kind: str) -> bool:
    try:
        content = parsed_json(read_text(path))
    except (ValueError, UnusableInput):
        return False
    said = content.get("format") if isinstance(content, dict) else None
    return isinstance(said, str) and said.startswith(f"tiepoint/{kind}/")


def write_document(path: Path, kind: str, content: dict[str, Any]) -> None:
    """Write a JSON document, whole or not at all."""
    write_atomic(path, document_bytes(kind, content))


def document_bytes(kind: str, content: dict[str, Any]) -> bytes:
    """Return a JSON document with its `format` line first, indented, UTF-8, newline at the end."""
    body = {"format": format_of(kind), **plain(content)}
    return (json.dumps(body, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def read_document(path: Path, kind: str) -> dict[str, Any]:
    """Return the content of a JSON or TOML document (by its ending), its kind and version checked.

    Raises `UnusableDocument` with one sentence: missing, not text, not JSON/TOML, another kind, newer.
    """
    text = read_text(path)
    try:
        content = _parsed_toml(text) if path.suffix == ".toml" else parsed_json(text)
    except json.JSONDecodeError as error:
        raise UnusableDocument(f"{path} cannot be read as JSON: {_syntax(error)}") from error
    except (ValueError, UnusableDocument) as error:
        raise UnusableDocument(f"{path} cannot be read as {path.suffix[1:].upper() or 'JSON'}: {error}") from error
    if not isinstance(content, dict):
        raise UnusableDocument(f"{path} holds a {type(content).__name__} where a document was expected")
    check_format(content, kind, str(path))
    return content


_SYNTAX = {
    "Expecting value": "a value is missing",
    "Expecting property name": "a name in double quotes is missing",
    "Expecting ',' delimiter": "a comma is missing, or a bracket",
    "Expecting ':' delimiter": "a colon is missing after the name",
    "Extra data": "something stands after the end",
    "Unterminated string": "a text has no closing quote",
    "Invalid control character": "a text has no closing quote on its line",
    "Invalid \\": "a backslash stands alone; write two",
    "Illegal trailing comma": "a comma stands before a closing bracket",
}
"""What the standard library's decoder says, by how it begins, in words for who edits the file."""


def _syntax(error: json.JSONDecodeError) -> str:
    """Return what is wrong with JSON text, and where."""
    if not error.doc.strip():
        return "it is empty"
    said = next((ours for theirs, ours in _SYNTAX.items() if error.msg.startswith(theirs)), "it is no JSON")
    return f"{said} (line {error.lineno}, column {error.colno})"


def kind_of(path: Path) -> str | None:
    """Return the kind that a JSON document says it is; None where it says none, or cannot be read as one."""
    try:
        content = parsed_json(read_text(path))
    except (ValueError, TiepointError):
        return None
    said = content.get("format") if isinstance(content, dict) else None
    parts = said.split("/") if isinstance(said, str) else []
    return parts[1] if len(parts) == 3 else None


def check_format(content: dict[str, Any], kind: str, where: str) -> None:
    """Raise `UnusableDocument` where content is of another kind or of a newer major version."""
    said = content.get("format")
    parts = said.split("/") if isinstance(said, str) else []
    if len(parts) != 3 or parts[0] != "tiepoint" or not (parts[2].isascii() and parts[2].isdigit()):
        raise UnusableDocument(f'{where} has no line format = "{format_of(kind)}"; is it a {kind} document?')
    if parts[1] != kind:
        raise UnusableDocument(f"{where} is a {parts[1]} document where a {kind} document was expected")
    if len(parts[2]) > 6 or int(parts[2]) > MAJORS[kind]:
        raise UnusableDocument(
            f"{where} is of version {parts[2][:12]}, newer than this program reads ({MAJORS[kind]}); update tiepoint"
        )


HALF_WRITTEN = re.compile(r"\.[0-9a-f]{16}\.part")
"""How a file, or a folder of files, is called until it is whole."""

_PICTURES = (b"\x89PNG\r\n", b"\xff\xd8\xff", b"II*\0", b"MM\0*")
"""How PNG, JPEG and TIFF begin."""


def read_text(path: Path, most_bytes: int = 50_000_000) -> str:
    """Return a UTF-8 text file (a byte order mark is dropped); `UnusableDocument` in a sentence otherwise."""
    data = read_bytes(path, most_bytes)
    if data.startswith(_PICTURES):
        raise UnusableDocument(f"{path} is a picture where a text file was expected; look at the order of the names")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnusableDocument(f"{path} is not text in UTF-8 (byte {error.start}); save it as UTF-8") from error
    if "\0" in text:
        raise UnusableDocument(f"{path} is not text (it holds a byte of value 0); save it as UTF-8")
    return text


def read_bytes(path: Path, most_bytes: int) -> bytes:
    """Return the bytes of an ordinary file; `UnusableInput` where it is missing, forbidden, or larger than allowed."""
    try:
        state = path.stat()
        if stat.S_ISDIR(state.st_mode):
            raise UnusableInput(f"{path} is a folder where a file was expected")
        if not stat.S_ISREG(state.st_mode):
            # A pipe would wait for its writer, and a device may never end.
            raise UnusableInput(f"{path} is not an ordinary file; save what it gives to a file first")
        _check_size(path, state.st_size, most_bytes)
        with path.open("rb") as file:
            data = file.read(state.st_size + 1)
            if len(data) != state.st_size:  # it has changed meanwhile, or states no size
                data += file.read(most_bytes + 1 - len(data))
    except FileNotFoundError as error:
        raise UnusableInput(f"cannot read {path}: {reason_of(error)}; look at its spelling and its folder") from error
    except (OSError, ValueError) as error:
        raise UnusableInput(f"cannot read {path}: {reason_of(error)}") from error
    _check_size(path, len(data), most_bytes)
    return data


def _check_size(path: Path, size: int, most_bytes: int) -> None:
    if size > most_bytes:
        raise UnusableInput(f"{path} has {size / 1e6:.0f} MB; at most {most_bytes / 1e6:.0f} MB are read")


def name_of(path: Path) -> str:
    """Return a file's name as text that any document can hold: bytes that are no UTF-8 become �."""
    return os.fsencode(path.name).decode("utf-8", "replace")


def reason_of(error: Exception) -> str:
    """Return an operating system's words for what went wrong, without its numbers."""
    words = getattr(error, "strerror", None) or str(error)
    return words[:1].lower() + words[1:]


def parsed_json(text: str) -> Any:
    """Return what JSON text holds.

    Raises `ValueError` or `UnusableDocument`, with the end of a sentence: not JSON, a key twice, no number, too deep.
    """
    try:
        content = json.loads(
            text, parse_constant=_finite, parse_float=_finite, parse_int=_whole, object_pairs_hook=_each_once
        )
    except RecursionError:
        raise _too_deep() from None
    _check_depth(content)
    if "\\u" in text:
        # Half of a surrogate pair is legal JSON and no text: it could never be written again.
        json.dumps(content, ensure_ascii=False).encode()
    return content


def _parsed_toml(text: str) -> Any:
    try:
        content = tomllib.loads(text)
    except RecursionError:
        raise _too_deep() from None
    except tomllib.TOMLDecodeError:
        raise
    except ValueError as error:
        # Python converts no more than some thousand digits, and advises programmers on it.
        raise UnusableDocument("it holds a number of thousands of digits") from error
    _check_depth(content)
    _check_finite(content)
    return content


def _check_finite(content: Any, here: tuple[str, ...] = ()) -> None:
    """Raise where a value of TOML, which knows nan and inf, is no finite number; tables in a list count from 1."""
    if isinstance(content, float) and not math.isfinite(content):
        raise UnusableDocument(f"it holds {content}, which is not a finite number, in {', '.join(here)[:120]}")
    if isinstance(content, dict):
        for key, value in content.items():
            _check_finite(value, (*here, key))
    elif isinstance(content, list):
        for k, value in enumerate(content, 1):
            _check_finite(value, (*here[:-1], f"{here[-1]} {k}"))


def _check_depth(content: Any) -> None:
    level = [content] if isinstance(content, (dict, list)) else []
    for _ in range(DEEPEST):
        inner = (thing.values() if isinstance(thing, dict) else thing for thing in level)
        level = [item for items in inner for item in items if isinstance(item, (dict, list))]
        if not level:
            return
    raise _too_deep()


def _too_deep() -> UnusableDocument:
    return UnusableDocument(f"it holds more than {DEEPEST} lists or tables inside one another")


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table = dict(pairs)
    if len(table) < len(pairs):
        names = [name for name, _ in pairs]
        doubled = next(name for k, name in enumerate(names) if name in names[:k])
        raise UnusableDocument(f"the key {doubled[:60]!r} stands twice; keep one")
    return table


def _whole(text: str) -> int:
    if len(text) > 4000:
        raise UnusableDocument(f"it holds a number of {len(text)} digits")
    return int(text)


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise UnusableDocument(f"it holds {text[:20]}, which is not a finite number")
    return number
