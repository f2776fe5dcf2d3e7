"""Plain data, its canonical form (RFC 8785) and its hash.

Hashes are over content and not over bytes, so that a reformatted file keeps its hash.
"""

import dataclasses
import functools
import hashlib
import json
import math
import re
from collections.abc import Hashable, Mapping
from typing import Any, cast

import numpy as np
import rfc8785
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableDocument

_LARGEST_WHOLE = 2**53 - 1
_NO_NUMBERS = re.compile(r'((?:"[^"\\]*+(?:\\.[^"\\]*+)*+"[{}\[\]:,]*+|[{}\[\]:,]++|true|false|null)++)')
"""What stands between the numbers of a JSON text without spaces."""
_BARE = frozenset({str, int, bool, type(None)})


def plain(thing: Any, where: str = "") -> Any:
    """Return dataclasses, arrays and tuples, named or not, as dicts, lists and numbers that JSON can hold.

    Infinite degrees of freedom (any field named `dof`) become null; any other number that is not
    finite is refused, naming the place.
    """
    names = _fields_of(cast(Hashable, type(thing)))
    if names is not None:
        return {name: _field(getattr(thing, name), name, where) for name in names}
    if isinstance(thing, Mapping):
        return {str(key): _field(value, str(key), where) for key, value in thing.items()}
    if isinstance(thing, np.ndarray):
        return plain(thing.tolist(), where)
    if isinstance(thing, (list, tuple)):
        return [plain(item, f"{where}[{k}]") for k, item in enumerate(thing)]
    if isinstance(thing, np.generic):
        return plain(thing.item(), where)
    if isinstance(thing, float) and not math.isfinite(thing):
        raise UnusableDocument(f"{where or 'the document'} is {thing}, which a document cannot hold")
    if thing is None or isinstance(thing, (bool, int, float, str)):
        return thing
    raise UnusableDocument(f"{where or 'the document'} is of type {type(thing).__name__}, which a document cannot hold")


@functools.cache
def _fields_of(kind: Any) -> tuple[str, ...] | None:
    """Return the names of the fields of a dataclass or a named tuple; None for every other type."""
    if dataclasses.is_dataclass(kind):
        return tuple(field.name for field in dataclasses.fields(kind))
    return getattr(kind, "_fields", None) if issubclass(kind, tuple) else None


def canonical(thing: Any) -> bytes:
    """Return the canonical JSON (RFC 8785) of what `plain` takes.

    Whole numbers beyond ±(2⁵³ − 1), such as a clock's nanoseconds after a hundred days, count as the nearest
    double, which is what every number is to RFC 8785.
    """
    return _bytes(plain(thing))


def canonical_number(value: float) -> str:
    """Return a finite number as `canonical` writes it."""
    return _number(repr(value))


def canonical_of_plain(content: Any) -> bytes:
    """Return the same of what is plain already."""
    return _bytes(content)


def sha256(thing: Any) -> str:
    """Return the SHA-256 of canonical content, in hex."""
    return sha256_of_plain(plain(thing))


def sha256_of_plain(content: Any) -> str:
    """Return the same of what is plain already."""
    return hashlib.sha256(_bytes(content)).hexdigest()


def pixels_sha256(pixels: NDArray[Any]) -> str:
    """Return the hash of a picture's pixels: dtype (little-endian), shape, and data in row order."""
    data = np.ascontiguousarray(pixels).astype(pixels.dtype.newbyteorder("<"), copy=False)
    head = f"{data.dtype.str} {'x'.join(map(str, data.shape))}\n".encode()
    hashed = hashlib.sha256(head)
    hashed.update(data.data)  # as it lies: a copy of 5 MP costs as much as half of the hash
    return hashed.hexdigest()


def _bytes(content: Any) -> bytes:
    """Return the canonical bytes of plain content.

    A line hashes every record, and Python's own JSON differs by its numbers alone, as long as no text has letters
    beyond U+FFFF, whose halves in UTF-16 sort before others.
    """
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))
    if len(text.encode("utf-16-le")) > 2 * len(text):
        return rfc8785.dumps(_as_doubles(content))
    parts = _NO_NUMBERS.split(text)
    parts[::2] = map(_number, parts[::2])
    return "".join(parts).encode()


def _number(text: str) -> str:
    """Return a number of Python's JSON as ECMAScript writes it (ECMA-262, Number::toString): the same digits."""
    if text.endswith(".0"):
        return text[:-2] if text != "-0.0" else "0"
    mantissa, e, exponent = text.partition("e")
    if not e:
        is_long = "." not in text and len(text) >= len(str(_LARGEST_WHOLE))
        return _number(repr(float(_as_doubles(int(text))))) if is_long else text
    power, sign, digits = int(exponent), "-" * mantissa.startswith("-"), mantissa.lstrip("-").replace(".", "")
    if -7 < power < 0:
        return f"{sign}0.{'0' * (-power - 1)}{digits}"
    return f"{sign}{digits:0<{power + 1}}" if 0 < power < 21 else f"{mantissa}e{power:+d}"


def _as_doubles(thing: Any) -> Any:
    if isinstance(thing, dict):
        return {key: _as_doubles(value) for key, value in thing.items()}
    if isinstance(thing, list):
        return [_as_doubles(item) for item in thing]
    if isinstance(thing, int) and abs(thing) > _LARGEST_WHOLE:
        try:
            return float(thing)
        except OverflowError:
            raise UnusableDocument(f"the document holds a number of {len(str(thing))} digits, which is none") from None
    return thing


def _field(value: Any, name: str, where: str) -> Any:
    # Mostly fields are bare; their place is told only where one cannot be held.
    if type(value) in _BARE or (type(value) is float and math.isfinite(value)):
        return value
    place = f"{where}.{name}" if where else name
    if name == "dof" and isinstance(value, float) and math.isinf(value):
        return None
    return plain(value, place)
