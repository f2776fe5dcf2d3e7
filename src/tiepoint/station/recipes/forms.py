"""The step card and its forms: every installed kind, by what it gives, with its keys as its table declares them."""

import inspect
import re
import types
from collections.abc import Container, Iterator, Mapping
from functools import cache
from typing import Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from tiepoint.model.decide import ISO, SIMPLE
from tiepoint.recipe.grips import GripTable
from tiepoint.recipe.kinds import StepKind, installed_kinds
from tiepoint.recipe.regions import SHAPES, Arc, Path, Polygon, Rectangle, Region, Ring
from tiepoint.recipe.schema import EdgeTable, Head, StepTable

GIVES = ("a place", "a length", "an angle", "a surface", "a mark")
"""How the step card is sorted: by what a step gives."""
OWN = frozenset({"name", "kind", "in_", "limits", "readings", "region", "mask", "taught", "shape", "good"})
"""Keys that are not filled in on a form: they are drawn, painted, taught, or have their own place on the page."""
WITHIN = frozenset({"in_", "region"})
"""The same of tables within: they are drawn."""
LENGTHS = frozenset({
    "around", "bias", "feature", "height", "least_apart", "least_gap", "mm", "most_shift", "most_width", "nominal",
    "offset", "plane_z", "u_height", "u_offset", "u_plane_z", "u_robot", "x", "y", "z",
})  # fmt: skip
AREAS = frozenset({"least_area", "most_area"})
FieldType = Literal["number", "whole", "text", "yes or no", "choice", "step", "steps", "list"]
Dimension = Literal["", "length", "area", "angle"]


class Field(BaseModel):
    """A key of a step, or of the head, as a form asks for it. `least` and `most` are allowed themselves, unless `open`.

    `key`: with the tables that it stands in, as in `decide.rule`. `default`: what holds where it is not stated. `many`:
    how many of them a list has, 0 for any. `offers`: texts that are often meant.
    """

    key: str
    type: FieldType
    choices: list[str] = []
    default: Any = None
    required: bool = False
    least: float | None = None
    most: float | None = None
    is_open: bool = False
    many: int = 0
    dimension: Dimension = ""
    offers: list[str] = []


class QuantityTold(BaseModel):
    """What a kind can read. `always`: it is read without being asked for."""

    name: str
    dimension: str
    says: str
    always: bool


class KindTold(BaseModel):
    """A kind of step on the card. `rests_on`: which features it takes, each way a list; `shapes`: its regions'."""

    kind: str
    says: str
    gives: str
    feature: str | None
    rests_on: list[list[str]]
    shapes: list[str]
    quantities: list[QuantityTold]
    operators: list[str]
    fields: list[Field]
    help: str
    is_masked: bool
    is_taught: Literal["shape", "good", "marks"] | None


@cache
def step_card() -> tuple[KindTold, ...]:
    """Return all kinds, in the order of the card."""
    told = [_told(kind) for kind in installed_kinds().values()]
    places = ("find", "edge", "line", "circle", "arc", "point", "width", "distance", "true_position", "angle",
              "patches", "bead", "colour", "compare", "code", "text")  # fmt: skip
    order = {kind: k for k, kind in enumerate(places)}
    return tuple(sorted(told, key=lambda k: (GIVES.index(k.gives), order.get(k.kind, len(places)), k.kind)))


def gives_of(kind: StepKind) -> str:
    """Return under which head of the card a kind stands, a guest's too."""
    first = next((q for q in kind.quantities if q.always), kind.quantities[0])
    if first.dimension == "text":
        return "a mark"
    shapes = shapes_of(kind)
    if kind.gives != "part" and ({"polygon", "path"} & set(shapes)):
        return "a surface"
    if kind.gives is not None:
        return "a place"
    return "an angle" if first.dimension == "angle" else "a length"


def shapes_of(kind: StepKind) -> tuple[str, ...]:
    """Return the shapes that a kind can look in; of a find, those that it is taught in."""
    fields = kind.table.model_fields
    if "region" not in fields:
        return ()
    models = [m for m in _models(fields["region"].annotation) if issubclass(m, Region)]
    return tuple(name for name in SHAPES for model in models if name in model.model_fields)


def head_fields() -> list[Field]:
    """Return the keys of the head that a form asks for."""
    return list(_fields(Head, {"format", "step", "grip", "edge"}))


def edge_fields() -> list[Field]:
    """Return the keys of an edge definition."""
    # Its u is a length; that of a white or of a table of another kind is a share.
    return [f if f.key != "u" else f.model_copy(update={"dimension": "length"}) for f in _fields(EdgeTable, ())]


def grip_fields() -> list[Field]:
    """Return the keys of a grip that a form asks for; where it is drawn, by `towards`, is written in the file."""
    return list(_fields(GripTable, {"name", "in_", "towards"}))


def fields_of(kind: StepKind) -> list[Field]:
    """Return the keys of a kind's table that a form asks for."""
    return list(_fields(kind.table, OWN))


def _fields(table: type[BaseModel], skipped: Container[str], before: str = "") -> Iterator[Field]:
    for name, info in table.model_fields.items():
        if name in skipped:
            continue
        within = _models(info.annotation)
        if within:
            yield from _fields(within[0], WITHIN, f"{before}{info.alias or name}.")
        elif made := _field(name, info):
            yield made.model_copy(
                update={"key": before + made.key, "dimension": _dimension(made), "offers": _offers(made)}
            )


def _dimension(field: Field) -> Dimension:
    if field.key in LENGTHS and (field.key, field.many) != ("nominal", 3):  # L*, a* and b* are none
        return "length"
    return "area" if field.key in AREAS else "angle" if field.key.endswith("_deg") or field.key == "deg" else ""


def _offers(field: Field) -> list[str]:
    return [ISO, SIMPLE, "guard:0.01mm"] if field.key == "rule" else []


def _told(kind: StepKind) -> KindTold:
    taught: Literal["shape", "good", "marks"] | None = None
    if "shape" in kind.table.model_fields and "taught" in kind.table.model_fields:
        taught = "shape"
    elif "good" in kind.table.model_fields:
        taught = "good"
    elif kind.kind in ("text", "code"):
        taught = "marks"
    return KindTold(
        kind=kind.kind,
        says=kind.says,
        gives=gives_of(kind),
        feature=kind.gives,
        rests_on=[list(way) for way in kind.takes],
        shapes=list(shapes_of(kind)),
        quantities=[
            QuantityTold(name=q.name, dimension=q.dimension, says=q.says, always=q.always) for q in kind.quantities
        ],
        operators=list(kind.operators),
        fields=fields_of(kind),
        help=_help(kind.table),
        is_masked="mask" in kind.table.model_fields,
        is_taught=taught,
    )


def _help(table: type[StepTable]) -> str:
    """Return what is said of a kind's own keys."""
    return re.sub(r"\s+", " ", inspect.cleandoc(table.__doc__ or ""))


def _field(name: str, info: FieldInfo) -> Field | None:
    """Return a key as a form asks for it; None for what no form can ask for in one line."""
    key, kind = info.alias or name, info.annotation
    args = [a for a in _arguments(kind) if a is not type(None)]
    default = None if info.is_required() else info.get_default(call_default_factory=True, validated_data={})
    if isinstance(default, BaseModel):
        default = None
    told: dict[str, Any] = {"key": key, "default": _plain(default), "required": info.is_required()}
    told |= _bounds([*info.metadata, *(m for a in args for m in _metadata(a))])
    if key in ("between", "of", "datums", "needs"):
        many = isinstance(default, tuple) or get_origin(_bare(args[0])) is tuple
        return Field(**told, type="steps" if many else "step")
    choices = [str(c) for a in args for c in _choices(a)]
    if choices:
        return Field(**told, type="choice", choices=choices)
    bare = [_bare(a) for a in args]
    if bool in bare:
        return Field(**told, type="yes or no")
    if float in bare:
        return Field(**told, type="number")
    if int in bare:
        return Field(**told, type="whole")
    if str in bare and not any(get_origin(b) is tuple for b in bare):
        return Field(**told, type="text")
    several = next((b for b in bare if get_origin(b) in (tuple, list)), None)
    if several is not None:
        inner = [a for a in get_args(several) if a is not Ellipsis]
        whole = Ellipsis in get_args(several)
        chosen = [str(c) for a in inner for c in _choices(a)]
        return Field(**told, type="list", choices=list(dict.fromkeys(chosen)), many=0 if whole else len(inner))
    return None


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    return [_plain(v) for v in value] if isinstance(value, tuple | list) else value


def _arguments(kind: Any) -> tuple[Any, ...]:
    """Return the ways in which a value may be given."""
    if get_origin(kind) in (Union, types.UnionType):
        return tuple(a for arg in get_args(kind) for a in _arguments(arg))
    return (kind,)


def _bare(kind: Any) -> Any:
    return _bare(get_args(kind)[0]) if hasattr(kind, "__metadata__") else kind


def _metadata(kind: Any) -> Iterator[Any]:
    for one in getattr(kind, "__metadata__", ()):
        yield from one.metadata if isinstance(one, FieldInfo) else (one,)


def _choices(kind: Any) -> tuple[Any, ...]:
    bare = _bare(kind)
    if get_origin(bare) is Literal:
        return get_args(bare)
    return ()


def _bounds(metadata: list[Any]) -> dict[str, Any]:
    told: dict[str, Any] = {}
    for one in metadata:
        if isinstance(one, Gt | Ge):
            told["least"] = float(one.gt if isinstance(one, Gt) else one.ge)  # type: ignore[arg-type]
            told["is_open"] = told.get("is_open", False) or isinstance(one, Gt)
        if isinstance(one, Lt | Le):
            told["most"] = float(one.lt if isinstance(one, Lt) else one.le)  # type: ignore[arg-type]
    return told


def _models(kind: Any) -> list[type[BaseModel]]:
    return [_bare(a) for a in _arguments(kind) if _is_model(_bare(a))]


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


assert {m.__name__.lower() for m in (Rectangle, Ring, Arc, Polygon, Path)} == set(SHAPES)
