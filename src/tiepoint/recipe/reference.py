"""The JSON Schema of a recipe, and the reference page, both made from the kinds that are installed."""

import re
from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import BaseModel

from tiepoint.documents.files import format_of
from tiepoint.recipe.grips import EnvelopeTable, GripTable
from tiepoint.recipe.kinds import StepKind, installed_kinds
from tiepoint.recipe.regions import SHAPES, Arc, Path, Polygon, Rectangle, Ring
from tiepoint.recipe.schema import (
    BetweenTable,
    Decide,
    EdgeTable,
    Head,
    LimitTable,
    LookingTable,
    SoughtTable,
    StepTable,
)
from tiepoint.recipe.tables import keys_of

_SHAPES: dict[str, type[BaseModel]] = dict(zip(SHAPES, (Rectangle, Ring, Arc, Polygon, Path), strict=True))


def recipe_schema(kinds: Mapping[str, StepKind] | None = None) -> dict[str, Any]:
    """Return the JSON Schema of a recipe (draft 2020-12), with a branch for every kind of step."""
    kinds = installed_kinds() if kinds is None else kinds
    schema = Head.model_json_schema(ref_template="#/$defs/{model}")
    definitions = schema.setdefault("$defs", {})
    branches = []
    for name, kind in kinds.items():
        table = kind.table.model_json_schema(ref_template="#/$defs/{model}")
        definitions.update(table.pop("$defs", {}))
        table["properties"]["kind"] = {"const": name}
        table["properties"]["limits"] = _by_quantity(kind, table["properties"]["limits"])
        table["properties"]["readings"]["items"] = {"enum": [q.name for q in kind.quantities]}
        table["title"], table["description"] = name, kind.says
        definitions[f"step-{name}"] = table
        branches.append({"$ref": f"#/$defs/step-{name}"})
    schema["properties"]["step"]["items"] = {"oneOf": branches}
    grips = GripTable.model_json_schema(ref_template="#/$defs/{model}")
    definitions.update(grips.pop("$defs", {}))
    definitions["grip"] = grips
    schema["properties"]["grip"]["items"] = {"$ref": "#/$defs/grip"}
    schema["properties"]["format"] = {"const": format_of("recipe")}
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": "tiepoint recipe"}


def reference_page(kinds: Mapping[str, StepKind] | None = None) -> str:
    """Return the reference of the recipe as Markdown."""
    kinds = installed_kinds() if kinds is None else kinds
    parts = [
        _HEAD.format(format=format_of("recipe")),
        _said(Head),
        _table_of_keys(Head, skip=("step", "grip")),
        _section("[decide]", Decide),
        _section("[edge.NAME]", EdgeTable),
        _section("Every step", StepTable),
        _section("Every step that looks at a picture", LookingTable, skip=keys_of(StepTable)),
        _section("Every step that looks for edges", SoughtTable, skip=keys_of(LookingTable)),
        _section("limits.QUANTITY", LimitTable),
        _REGIONS,
        *(_section(f"region.{name}", shape, level=3) for name, shape in _SHAPES.items()),
        _section("[[grip]]", GripTable),
        _section("grip.envelope", EnvelopeTable, level=3),
        _KINDS,
        *(_kind(kind) for kind in kinds.values()),
    ]
    return "\n\n".join(parts) + "\n"


_HEAD = """# The recipe

This page is made from the code (`tiepoint.recipe.reference`); a test holds that it is up to date.

A recipe is a TOML file: what is looked for in a picture, where, and what is allowed. It starts with
`format = "{format}"`. Numbers are in the recipe's unit, angles in degrees; `in = "image"`: in px, y down.
A number that differs from variant to variant may be the name of a column of `variants.csv` instead, where the
type says *number or column*.

## The head"""

_REGIONS = """## Regions

A rectangle is searched along its own x axis, which `angle_deg` turns counter-clockwise as seen; a ring and an arc
are searched outwards from their centre. `polarity` is along that direction: `rising` where it gets brighter. So a dark
hole in a bright plate is `rising` in a ring, and the upper edge of a bright plate on a dark ground, sought upwards
(`angle_deg = 90`), is `falling`."""

UNITS = {"angle": "deg", "number": "1", "length": "the recipe's", "area": "the recipe's, squared", "text": "text"}
"""How the unit of a quantity is told, by its dimension."""

_KINDS = """## Kinds of steps

The first quantities of a kind, marked *always*, are written to every record; the others where they have limits or
are named in `readings`."""


def _by_quantity(kind: StepKind, limits: dict[str, Any]) -> dict[str, Any]:
    value = limits["additionalProperties"]
    return {"type": "object", "properties": {q.name: value for q in kind.quantities}, "additionalProperties": False}


def _section(title: str, table: type[BaseModel], *, skip: Iterable[str] = (), level: int = 2) -> str:
    return f"{'#' * level} {title}\n\n{_said(table)}\n\n{_table_of_keys(table, skip=skip)}"


def _said(table: type[BaseModel]) -> str:
    text = re.sub(r"\s*\n\s*\n\s*", "\n\n", table.__doc__ or "")
    return "\n\n".join(re.sub(r"\s+", " ", part).strip() for part in text.split("\n\n"))


def _table_of_keys(table: type[BaseModel], *, skip: Iterable[str] = ()) -> str:
    rows = ["| key | type | default |", "|---|---|---|"]
    left_out = set(skip)
    for name, field in table.model_fields.items():
        key = field.alias or name
        if key in left_out:
            continue
        default = "required" if field.is_required() else _default(field.get_default(call_default_factory=True))
        rows.append(f"| `{key}` | {_type(table, key)} | {default} |")
    return "\n".join(rows)


def _default(value: Any) -> str:
    if value is None or value == () or value == {}:
        return ""
    if isinstance(value, BaseModel):
        return "see below"
    return f"`{str(value).lower() if isinstance(value, bool) else value}`"


def _type(table: type[BaseModel], key: str) -> str:
    schema = table.model_json_schema(ref_template="{model}")
    return _words(schema["properties"][key], schema.get("$defs", {}))


def _words(schema: Mapping[str, Any], tables: Mapping[str, Any]) -> str:
    """Return a JSON Schema type as words; `tables`: the definitions that it refers to, by name."""
    if "$ref" in schema:
        name = str(schema["$ref"]).rpartition("/")[2]
        shapes = tables.get(name, {}).get("properties", {}) if name.endswith("Region") else ()
        return " or ".join(f"`{{ {shape} = … }}`" for shape in shapes) or "table"
    if "enum" in schema:
        return " or ".join(f"`{v}`" for v in schema["enum"])
    if "anyOf" in schema:
        inner = [s for s in schema["anyOf"] if s.get("type") != "null"]
        if {s.get("type") for s in inner} == {"number", "string"}:
            return "number or column"
        return " or ".join(dict.fromkeys(_words(s, tables) for s in inner))
    if schema.get("type") == "array":
        return _list_words(schema, tables)
    plain = {"number": "number", "integer": "whole number", "string": "text", "boolean": "true or false"}
    bound = f" above {schema['exclusiveMinimum']:g}" if "exclusiveMinimum" in schema else ""
    bound = f" of at least {schema['minimum']:g}" if "minimum" in schema else bound
    return plain.get(schema.get("type", ""), "table") + bound


def _list_words(schema: Mapping[str, Any], tables: Mapping[str, Any]) -> str:
    items = schema.get("prefixItems")
    if items:
        return f"[{', '.join(_words(i, tables) for i in items)}]"
    least = schema.get("minItems")
    return f"list of {_words(schema.get('items', {}), tables)}" + (f", at least {least}" if least else "")


def _way(way: tuple[str, ...]) -> str:
    if not way:
        return "no other step"
    first, *others = (f"a {feature}" for feature in way)
    return first + "".join(f", {f}" for f in others[:-1]) + (f" and {others[-1]}" if others else "")


def _kind(kind: StepKind) -> str:
    base: type[StepTable] = next(t for t in (SoughtTable, LookingTable, StepTable) if issubclass(kind.table, t))
    own = [k for k in keys_of(kind.table) if k not in keys_of(base)]
    lines = [f"### {kind.kind}", kind.says]
    if kind.table.__doc__ and kind.table is not BetweenTable:
        lines.append(_said(kind.table))
    if own:
        lines.append(_table_of_keys(kind.table, skip=[k for k in keys_of(kind.table) if k not in own]))
    if kind.takes:
        ways = [_way(way) for way in kind.takes if way]
        alone = " It may also stand alone." if () in kind.takes else ""
        lines.append(f"Rests on {'; or on '.join(ways)}.{alone}" + (f" Gives a {kind.gives}." if kind.gives else ""))
    elif kind.gives:
        lines.append(f"Gives a {kind.gives}.")
    rows = ["| quantity | unit | what |", "|---|---|---|"]
    for q in kind.quantities:
        unit = UNITS[q.dimension]
        rows.append(f"| `{q.name}` | {unit} | {q.says}{', *always*' if q.always else ''} |")
    return "\n\n".join([*lines, "\n".join(rows)])
