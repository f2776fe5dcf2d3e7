"""Dataclasses as the plain data that a document keeps of them, and again from it."""

import dataclasses
import math
import types
from collections.abc import Mapping
from functools import cache
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

import numpy as np

from tiepoint.documents.canonical import plain
from tiepoint.foundation.errors import UnusableDocument

T = TypeVar("T")


def outcome_of(study: Any) -> dict[str, Any]:
    """Return a dataclass (or a mapping) as plain data, which `revived` takes up again.

    A number that is not finite, as the end of an open interval, is null: JSON has no word for it.
    """
    told = dataclasses.asdict(study) if dataclasses.is_dataclass(study) and not isinstance(study, type) else study
    return cast(dict[str, Any], plain(_finite(told)))


def _finite(thing: Any) -> Any:
    if isinstance(thing, dict):
        return {key: _finite(value) for key, value in thing.items()}
    if isinstance(thing, list | tuple):
        return [_finite(item) for item in thing]
    return None if isinstance(thing, float) and not math.isfinite(thing) else thing


def revived(kind: type[T], content: Any) -> T:
    """Return what plain data were made of, as its fields are declared; what a class has no field for is left out.

    A number that stands as null is infinite: downwards in a field `low`, upwards in any other. Raises
    `UnusableDocument` where the content is not of that kind.
    """
    try:
        return cast(T, _revived(kind, content))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise UnusableDocument(f"this is no {kind.__name__}: {type(error).__name__} ({error})") from error


@cache
def _fields(kind: Any) -> tuple[tuple[str, Any], ...]:
    hints = get_type_hints(kind)
    return tuple((f.name, hints[f.name]) for f in dataclasses.fields(kind) if f.init)


@cache
def _later(kind: Any) -> frozenset[str]:
    """Return the fields that a document of before they were may lack: those with a default."""
    return frozenset(f.name for f in dataclasses.fields(kind) if f.default is not dataclasses.MISSING)


def _revived(kind: Any, content: Any, name: str = "") -> Any:
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        return _one_of(inner, content, name)
    if dataclasses.is_dataclass(kind):
        made: Any = kind
        told = [(f, of) for f, of in _fields(made) if f in content or f not in _later(made)]
        return made(**{field: _revived(of, content[field], field) for field, of in told})
    if origin is np.ndarray:
        return np.asarray(content, float)
    if origin is tuple:
        each = inner[:1] * len(content) if inner[1:] == (Ellipsis,) else inner
        return tuple(_revived(of, item) for of, item in zip(each, content, strict=True))
    if origin is Literal:
        return content
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return {key: _revived(inner[1], item) for key, item in content.items()}
    if kind is float:
        return (-math.inf if name == "low" else math.inf) if content is None else float(content)
    if not isinstance(content, kind):
        raise TypeError(f"{name or 'it'} is {content!r}")
    return content


def _one_of(kinds: tuple[Any, ...], content: Any, name: str) -> Any:
    """Return the content as the first of several kinds that it is of."""
    if content is None and types.NoneType in kinds:
        return None
    kept = [kind for kind in kinds if kind is not types.NoneType]
    for kind in kept[:-1]:
        try:
            return _revived(kind, content, name)
        except (KeyError, TypeError, ValueError):
            continue
    return _revived(kept[-1], content, name)
