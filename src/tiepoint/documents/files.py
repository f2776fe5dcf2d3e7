"""Reading and writing a station's documents: versions checked, written whole or not at all."""

import json
import math
import os
import secrets
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tiepoint.documents.canonical import plain
from tiepoint.foundation.errors import UnusableDocument, UnusableInput

MAJORS: dict[str, int] = {
    "camera": 1,
    "recipe": 1,
    "record": 1,
    "shot": 1,
    "station": 1,
    "target": 1,
    "tie": 1,
}
"""The newest major version of each kind of document that this program writes and reads."""


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

    Raises `UnusableInput` where one of them cannot be written; then none is, and nothing is left behind.
    """
    staged: dict[Path, Path] = {}
    path = Path()
    try:
        for path, data in files.items():
            staged[path] = _unused_name(path)
            with staged[path].open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        for path, temporary in staged.items():
            temporary.replace(path)
    except OSError as error:
        raise UnusableInput(f"cannot write {path}: {reason_of(error)}; nothing was changed") from error
    finally:
        for temporary in staged.values():
            temporary.unlink(missing_ok=True)


def _unused_name(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.is_dir():
        raise UnusableInput(f"cannot write {path}: it is a folder; name a file")
    if path.exists() and not path.is_file():
        # Moving onto a device or a pipe would put a file in its place.
        raise UnusableInput(f"cannot write {path}: it is not an ordinary file; name another")
    # Not tempfile: its files are readable by their owner alone, and a station's documents are shared.
    return path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")


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
        content = _parsed(text, toml=path.suffix == ".toml")
    except (ValueError, RecursionError, UnusableDocument) as error:
        raise UnusableDocument(f"{path} cannot be read as {path.suffix[1:].upper() or 'JSON'}: {error}") from error
    if not isinstance(content, dict):
        raise UnusableDocument(f"{path} holds a {type(content).__name__} where a document was expected")
    check_format(content, kind, str(path))
    return content


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


def read_text(path: Path, most_bytes: int = 50_000_000) -> str:
    """Return a UTF-8 text file (a byte order mark is dropped); `UnusableDocument` in a sentence otherwise."""
    data = read_bytes(path, most_bytes)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnusableDocument(f"{path} is not text in UTF-8 (byte {error.start}); save it as UTF-8") from error


def read_bytes(path: Path, most_bytes: int) -> bytes:
    """Return a file's bytes; `UnusableInput` where it is missing, a folder, forbidden, or larger than allowed."""
    try:
        if path.is_dir():
            raise UnusableInput(f"{path} is a folder where a file was expected")
        size = path.stat().st_size
        if size > most_bytes:
            raise UnusableInput(f"{path} has {size / 1e6:.0f} MB; at most {most_bytes / 1e6:.0f} MB are read")
        return path.read_bytes()
    except (OSError, ValueError) as error:
        raise UnusableInput(f"cannot read {path}: {reason_of(error)}") from error


def reason_of(error: Exception) -> str:
    """Return an operating system's words for what went wrong, without its numbers."""
    words = getattr(error, "strerror", None) or str(error)
    return words[:1].lower() + words[1:]


def _parsed(text: str, *, toml: bool) -> Any:
    if toml:
        return tomllib.loads(text, parse_float=_finite)
    content = json.loads(text, parse_constant=_finite, parse_float=_finite)
    if "\\u" in text:
        # Half of a surrogate pair is legal JSON and no text: it could never be written again.
        json.dumps(content, ensure_ascii=False).encode()
    return content


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise UnusableDocument(f"it holds {text}, which is not a finite number")
    return number
