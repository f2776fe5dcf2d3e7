"""Reading plain data back: each thing checked, each fault in words that name it."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar, cast, get_args

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.reasons import FLAGS
from tiepoint.foundation.sources import Distribution, Kind, Scope, Source
from tiepoint.ties.lens import Lens

Array = NDArray[np.float64]
Plain = dict[str, Any]
Document = TypeVar("Document")

MOST = 1e60
"""Numbers beyond this are damage: their products would overflow."""

LEAST_DOF = 0.01
"""No scatter is told with fewer degrees of freedom; by much fewer nothing can be reckoned."""


def read_in_sentences(
    read: Callable[[Mapping[str, Any]], Document], content: Mapping[str, Any], where: str
) -> Document:
    """Return `read(content)`; whatever is wrong with the content becomes `UnusableDocument` in one sentence."""
    try:
        return read(content)
    except UnusableDocument as error:
        raise UnusableDocument(f"{where} cannot be used: {error}") from error
    except KeyError as error:
        raise UnusableDocument(f"{where} cannot be used: it has no {error.args[0]!r}; make it again") from error
    except (TypeError, ValueError, AttributeError, IndexError, OverflowError) as error:
        raise UnusableDocument(f"{where} cannot be used: {error}; make it again") from error


def fields_of(thing: Any) -> Plain:
    """Return a dataclass's fields by name."""
    return {name: getattr(thing, name) for name in thing.__dataclass_fields__}


@dataclass(frozen=True, slots=True)
class Head:
    """What documents of ties and cameras begin with: the sources of their factor, and their flags."""

    sources: tuple[Source, ...]
    flags: tuple[str, ...]


def head_in(content: Mapping[str, Any], form: str, parameters: Sequence[str]) -> Head:
    """Return the head of a document of a format whose factor has these parameters as rows."""
    if content["format"] != form:
        raise UnusableDocument(f"its format is {shown(content['format'])} where {form!r} was expected")
    if tuple(content["parameters"]) != tuple(parameters):
        raise UnusableDocument("its parameters are not those of this program")
    flags = tuple(text_in(f, "flags") for f in content["flags"])
    if unknown := [f for f in flags if f not in FLAGS]:
        raise UnusableDocument(f"its flag {unknown[0]!r} is not known")
    return Head(tuple(source_in(s) for s in content["sources"]), flags)


def listed(plain: Plain) -> Plain:
    """Return the same with lists for tuples, as JSON gives them back: a document then equals itself when read again."""
    return {k: list(v) if isinstance(v, tuple) else v for k, v in plain.items()}


def finite_out(plain: Plain) -> Plain:
    """Return the same with null for numbers that are not finite."""
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in plain.items()}


def source_out(source: Source) -> Plain:
    """Return a source as plain data."""
    return finite_out(fields_of(source))


def source_in(plain: Plain) -> Source:
    """Return the source that plain data holds."""
    u, dof = number_in(plain["u"], "u of a source"), plain["dof"]
    dof = math.inf if dof is None else number_in(dof, "dof of a source")
    if u < 0 or dof < LEAST_DOF:
        raise UnusableDocument(
            f"the source {plain['id']!r} has u {u:g} and dof {dof:g}; u is at least 0, and dof at least {LEAST_DOF:g}"
        )
    return Source(
        text_in(plain["id"], "id of a source"),
        text_in(plain["label"], "label of a source"),
        cast(Kind, one_of(plain["type"], get_args(Kind), "type of a source")),
        u,
        cast(Scope, one_of(plain["scope"], get_args(Scope), "scope of a source")),
        cast(Distribution, one_of(plain["distribution"], get_args(Distribution), "distribution of a source")),
        dof,
    )


def lens_in(plain: Plain) -> Lens:
    """Return the lens that plain data holds."""
    lens = Lens(**{k: number_in(plain[k], f"lens.{k}") for k in Lens.__dataclass_fields__})
    if lens.rho_px <= 0:
        raise UnusableDocument(f"lens.rho_px is {lens.rho_px:g}; it must be above 0")
    return lens


def shown(plain: Any) -> str:
    """Return a value as it is written, cut where it is long."""
    text = repr(plain)
    return text if len(text) <= 60 else f"{text[:57]}…"


def array_in(plain: Any, name: str, shape: tuple[int | None, ...]) -> Array:
    """Return a finite array of the expected shape (None: any length)."""
    array = np.array(plain, dtype=np.float64)
    if array.size == 0 and 0 in shape:
        array = array.reshape([0 if s is None else s for s in shape])
    if array.ndim != len(shape) or any(s is not None and s != k for s, k in zip(shape, array.shape, strict=True)):
        raise UnusableDocument(f"its {name} has the shape {array.shape}")
    if not (np.abs(array) <= MOST).all():
        raise UnusableDocument(f"its {name} holds something that is no number, or one beyond all measure")
    return array


def number_in(plain: Any, name: str) -> float:
    """Return a finite number."""
    if isinstance(plain, bool) or not isinstance(plain, (int, float)):
        raise UnusableDocument(f"its {name} is {shown(plain)}, which is no number")
    if not abs(plain) <= MOST:
        raise UnusableDocument(f"its {name} is {shown(plain)}, which is beyond all measure")
    return float(plain)


def not_negative_in(plain: Any, name: str) -> float:
    """Return a finite number of 0 or more, as every uncertainty is."""
    number = number_in(plain, name)
    if number < 0:
        raise UnusableDocument(f"its {name} is {number:g}; it must be 0 or more")
    return number


def maybe_number_in(plain: Any, name: str) -> float | None:
    """Return a finite number or None."""
    return None if plain is None else number_in(plain, name)


def whole_in(plain: Any, name: str) -> int:
    """Return a whole number."""
    if isinstance(plain, bool) or not isinstance(plain, int):
        raise UnusableDocument(f"its {name} is {shown(plain)}, which is no whole number")
    return plain


def pair_in(plain: Any, name: str) -> tuple[float, float]:
    """Return two finite numbers."""
    if not isinstance(plain, Sequence) or isinstance(plain, str) or len(plain) != 2:
        raise UnusableDocument(f"its {name} is {shown(plain)}, where two numbers were expected")
    return number_in(plain[0], name), number_in(plain[1], name)


def text_in(plain: Any, name: str) -> str:
    """Return text."""
    if not isinstance(plain, str):
        raise UnusableDocument(f"its {name} is {shown(plain)}, where text was expected")
    return plain


def one_of(plain: Any, known: Sequence[str], name: str) -> str:
    """Return text that is one of those known."""
    if plain not in known:
        raise UnusableDocument(f"its {name} is {shown(plain)}; one of {', '.join(known)} was expected")
    return str(plain)
