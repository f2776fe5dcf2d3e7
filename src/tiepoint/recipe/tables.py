"""What every table of a recipe has in common: unknown keys are refused, numbers are finite, errors are sentences.

A number that may differ from variant to variant may be the name of a column of `variants.csv` instead: it is
looked up while the recipe is read, so that everything behind sees plain numbers.
"""

import difflib
import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, ValidationInfo, model_validator
from pydantic_core import PydanticCustomError

from tiepoint.documents.tables import plain_number
from tiepoint.foundation.errors import UnusableDocument

MOST = 1e7
"""No coordinate, limit or count of a recipe is larger: beyond lies a slip of the hand."""


class Table(BaseModel):
    """A table of a recipe: frozen, with no keys beyond those it states."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False, populate_by_name=False)

    @model_validator(mode="before")
    @classmethod
    def _only_known_keys(cls, raw: Any) -> Any:
        if not isinstance(raw, Mapping):
            raise said("", f"is {shown(raw)}; give a table, as in {{ key = value }}")
        known = keys_of(cls)
        for key in raw:
            if key not in known:
                raise said(str(key), f"is not known here; {meant(str(key), known)}")
        return raw

    @classmethod
    def read(cls, raw: Any, where: str, row: Mapping[str, str] | None = None) -> Self:
        """Return the table that plain data holds; `UnusableDocument` with the first fault as a sentence.

        `row` is the variant's line of `variants.csv`, by column.
        """
        try:
            return cls.model_validate(raw, context={"row": row})
        except ValidationError as error:
            raise UnusableDocument(f"{where}{sentence(error)}") from None


def keys_of(table: type[BaseModel]) -> list[str]:
    """Return the keys of a table as a recipe spells them."""
    return [f.alias or name for name, f in table.model_fields.items()]


def said(field: str, message: str) -> PydanticCustomError:
    """Return the error `<place>.<field> <message>`; `message` starts with a verb."""
    return PydanticCustomError("said", "{message}", {"message": message, "field": field})


def shown(value: Any) -> str:
    """Return how a value is shown in a sentence: as a recipe would spell it, cut to length."""
    if isinstance(value, float) and not math.isfinite(value):
        return f"{value}"
    try:
        text = json.dumps(value, ensure_ascii=False)
    except (TypeError, ValueError):
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "…"


def said_names(names: Iterable[str]) -> str:
    """Return `"a", "b" and "c"`, cut where there are many."""
    quoted = [f'"{n}"' for n in names]
    if len(quoted) > 12:
        return ", ".join(quoted[:12]) + f" and {len(quoted) - 12} more"
    return " and ".join([", ".join(quoted[:-1]), quoted[-1]] if len(quoted) > 1 else quoted) or "none"


def sentence(error: ValidationError) -> str:
    """Return the first fault of a validation as `place is value; what is allowed`."""
    first = error.errors(include_url=False)[0]
    context = first.get("ctx", {})
    place = place_of((*first["loc"], *filter(None, [context.get("field")])))
    if first["type"] == "said":
        return f"{place} {context['message']}".strip()
    if first["type"] == "missing":
        return f"{place} is missing; it must be stated"
    return f"{place} is {shown(first['input'])}; {_allowed(first['type'], context, first['msg'])}"


def place_of(loc: Sequence[str | int]) -> str:
    """Return `region.ring.centre[1]` for a path of keys and indices, without the ways in which a value may be read."""
    text = ""
    for part in loc:
        if isinstance(part, str) and _WAY.match(part):
            continue
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


_WAY = re.compile(r"function-(before|after|wrap|plain)\[")
"""How pydantic names one of several ways to read a value (observed)."""

_ALLOWED = {
    "float_type": "give a number",
    "float_parsing": "give a number",
    "int_type": "give a whole number",
    "finite_number": "give a finite number",
    "string_type": "give text in quotes",
    "string_too_short": "give at least one letter",
    "string_pattern_mismatch": "use one line without quotes and without #, and without unseen characters",
    "bool_type": "give true or false",
    "tuple_type": "give a list, as in [10, 12]",
    "list_type": "give a list",
    "dict_type": "give a table, as in { key = value }",
    "too_short": "the list is too short",
    "too_long": "the list is too long",
}


def _allowed(kind: str, context: Mapping[str, Any], message: str) -> str:
    for key, words in (("gt", "above"), ("ge", "at least"), ("lt", "below"), ("le", "at most")):
        if key in context:
            return f"choose {words} {context[key]:g}"
    if kind == "literal_error":
        return f"use {str(context['expected']).replace(chr(39), chr(34))}"
    if kind == "string_too_long":
        return f"use at most {context['max_length']} letters"
    if kind in ("too_short", "too_long"):
        count = context.get("min_length" if kind == "too_short" else "max_length")
        return f"{_ALLOWED[kind]}: give {count}"
    return _ALLOWED.get(kind, message[:1].lower() + message[1:])


def meant(key: str, known: Sequence[str], otherwise: str = "known are") -> str:
    """Return the known name that is meant, or all of them."""
    near = difflib.get_close_matches(key, known, 1)
    return f'did you mean "{near[0]}"?' if near else f"{otherwise} {', '.join(known)}"


def _number(raw: Any) -> Any:
    if isinstance(raw, bool) or not isinstance(raw, (int, float)):
        raise said("", f"is {shown(raw)}; give a number")
    # Compared before anything else: a whole number of four hundred digits is no float.
    if not abs(raw) <= MOST:
        raise said("", f"is {shown(raw)}; give a number between -{MOST:.0e} and {MOST:.0e}")
    return raw


def _number_or_column(raw: Any, info: ValidationInfo) -> Any:
    if not isinstance(raw, str):
        return _number(raw)
    row: Mapping[str, str] | None = (info.context or {}).get("row")
    if row is None:
        raise said("", f"takes its value from the column {shown(raw)}; give --variants and --variant")
    if raw not in row:
        raise said("", f"names the column {shown(raw)}, which variants.csv does not have; {meant(raw, list(row))}")
    number = plain_number(row[raw])
    if number is None:
        raise said("", f"names the column {shown(raw)}, whose value {shown(row[raw])} is not a number")
    return _number(number)


Number = Annotated[float, BeforeValidator(_number)]
"""A finite number."""

# The bound stands next to the type, where the JSON Schema finds it.
Positive = Annotated[float, Field(gt=0), BeforeValidator(_number)]
NotNegative = Annotated[float, Field(ge=0), BeforeValidator(_number)]

Varying = Annotated[
    float,
    BeforeValidator(_number_or_column, json_schema_input_type=float | str),
]
"""A finite number, or the name of a column of `variants.csv`."""

Point = Annotated[tuple[Number, Number], Field(strict=False)]
VaryingPoint = Annotated[tuple[Varying, Varying], Field(strict=False)]

Name = Annotated[
    str,
    Field(
        min_length=1,
        max_length=80,
        pattern=r"^[^\u0000-\u001f\u007f-\u009f\u200b\u200e\u200f\u2028-\u202e\u2060-\u2069\ufeff\"#]+$",
    ),
]
"""A name: one line without quotes, without what steers a terminal or turns the writing, and without `#`, which sets
apart the members of an ensemble of sources."""
