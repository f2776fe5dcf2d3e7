"""What a hand does to a recipe: one edit each, told in pixels where the hand is in a picture, written in the frame.

`resolve` turns what is told in pixels into values of the recipe, by the frames of the last judgement; `apply` writes an
edit into a parsed recipe, the document of tomlkit or plain data alike.
"""

from collections.abc import Callable, Sequence
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.kinds import StepKind, installed_kinds
from tiepoint.recipe.recipe import Recipe, Step
from tiepoint.recipe.regions import SHAPES
from tiepoint.recipe.schema import SoughtTable
from tiepoint.recipe.steps.find import FindTable
from tiepoint.recipe.tables import said_names
from tiepoint.station.recipes import text as texts
from tiepoint.station.recipes.forms import fields_of, shapes_of
from tiepoint.station.recipes.handles import dragged, drawn, plain_of, quarter, without_point
from tiepoint.station.recipes.places import Frame, region_path, shape_in

Array = NDArray[np.float64]
Frames = Callable[[str, str | None], Frame]
"""A frame by its name, over the picture of a role; raises `UnusableInput` where it is not known."""
Px = Annotated[list[float], Field(min_length=2, max_length=2)]
Word = Annotated[str, Field(min_length=1, max_length=80)]
Region = Literal["rectangle", "ring", "arc", "polygon", "path"]


class _Edit(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class Add(_Edit):
    """Add a step of a kind: with a region drawn in the picture, or between others; its name is found where none is."""

    act: Literal["add"]
    kind: Word
    name: Word | None = None
    frame: Word = "plane"
    shape: Region | None = None
    points_px: list[Px] = Field([], max_length=1000)
    rests_on: list[Word] = Field([], max_length=3)
    picture: Word | None = None
    after: Word | None = None


class Put(_Edit):
    """Set what stands under a path of keys of a step or a grip, or of the head where none is named; null takes it away.

    `also`: further keys of the same table, for those that have no sense alone, as a height and its u.
    """

    act: Literal["put"]
    step: Word | None = None
    grip: Word | None = None
    path: list[str | int] = Field(min_length=1, max_length=8)
    value: Any = None
    also: dict[str, Any] = Field({}, max_length=8)


class Drag(_Edit):
    """Take a handle of a step's region at one pixel and let it go at another."""

    act: Literal["drag"]
    step: Word
    handle: Word
    grabbed_px: Px
    to_px: Px


class Draw(_Edit):
    """Draw a step's region anew, or its `white`: in the `frame` image where that stands still in the picture."""

    act: Literal["draw"]
    step: Word
    of: Literal["region", "white"] = "region"
    frame: Word | None = None
    shape: Region
    points_px: list[Px] = Field(max_length=1000)


class Nudge(_Edit):
    """Change a region without a place: search it a `quarter` turn further, or `leave` a point of it out."""

    act: Literal["quarter", "leave"]
    step: Word
    handle: Word = "middle"


class Remove(_Edit):
    """Take a step away."""

    act: Literal["remove"]
    step: Word


class Rename(_Edit):
    """Give a step another name, wherever it is named."""

    act: Literal["rename"]
    step: Word
    to: Word


class Move(_Edit):
    """Have a step stand at another place of the list, from 0."""

    act: Literal["move"]
    step: Word
    to: Annotated[int, Field(ge=0, le=1000)]


class AddGrip(_Edit):
    """Add a grip to a find, told to a robot; where the gripper may go is never guessed."""

    act: Literal["add grip"]
    table: dict[str, Any] = Field(max_length=30)


class DropGrip(_Edit):
    """Take a grip away."""

    act: Literal["drop grip"]
    grip: Word


Edit = Annotated[
    Add | Put | Drag | Draw | Nudge | Remove | Rename | Move | AddGrip | DropGrip, Field(discriminator="act")
]


def is_small(edit: Edit) -> bool:
    """Whether an edit only moves a region, so that a look at it may be quick."""
    return isinstance(edit, Drag | Draw | Nudge)


def apply(content: texts.Content, edit: Edit, recipe: Recipe, frames: Frames) -> str | None:
    """Write an edit into a parsed recipe, which `recipe` was read from; return the step to look at then, if any.

    Raises `UnusableInput` where it cannot be done.
    """
    if isinstance(edit, Add):
        return _add(content, edit, frames)
    if isinstance(edit, Put):
        _put(content, edit)
        return edit.step
    if isinstance(edit, AddGrip):
        texts.add_grip(content, edit.table)
        return None
    if isinstance(edit, DropGrip):
        texts.remove_grip(content, edit.grip)
        return None
    if isinstance(edit, Remove):
        _demand_free(content, edit.step)
        texts.remove_step(content, edit.step)
        return None
    if isinstance(edit, Rename):
        texts.rename_step(content, edit.step, edit.to)
        return edit.to
    if isinstance(edit, Move):
        texts.move_step(content, edit.step, edit.to)
        return edit.step
    step = next((s for s in recipe.steps if s.name == edit.step), None)
    if step is None:
        raise UnusableInput(f'no step is named "{edit.step}"; there are {said_names(s.name for s in recipe.steps)}')
    _reshape(texts.step_in(content, edit.step), step, edit, frames)
    return edit.step


def describe(edit: Edit) -> str:
    """Return in a few words what an edit does, for the list of what can be undone."""
    if isinstance(edit, Add):
        return f"Add {edit.kind}"
    if isinstance(edit, Put):
        said = ".".join(str(k) for k in edit.path)
        return f"{edit.step or edit.grip or 'Recipe'}: {said}"
    if isinstance(edit, AddGrip):
        return f"Add the grip {str(edit.table.get('name', ''))[:80]}".strip()
    if isinstance(edit, DropGrip):
        return f"Remove the grip {edit.grip}"
    return f"{_DONE[edit.act]} {edit.step}"


_DONE = {
    "drag": "Move the region of",
    "draw": "Draw the region of",
    "quarter": "Turn the search of",
    "leave": "Leave out a point of",
    "remove": "Remove",
    "rename": "Rename",
    "move": "Move",
}


# --- steps ---------------------------------------------------------------------------------------------------------


def _add(content: texts.Content, edit: Add, frames: Frames) -> str:
    kinds = installed_kinds()
    if edit.kind not in kinds:
        raise UnusableInput(f'there is no kind of step "{edit.kind}"; there are {said_names(kinds)}')
    kind = kinds[edit.kind]
    name = texts.unused_name(content, edit.name or edit.kind.replace("_", " "))
    table: dict[str, Any] = {"name": name, "kind": edit.kind}
    if edit.frame != "plane":
        table["in"] = edit.frame
    if edit.picture is not None:
        table["picture"] = edit.picture
    table |= _drawn_table(kind, edit, frames) if edit.shape else _resting_table(kind, edit)
    # What a kind cannot do without, and a hand has not said: the first of its choices, to be changed on the form.
    demanded = [f for f in fields_of(kind) if f.required and f.choices and "." not in f.key and f.key not in table]
    table |= {f.key: f.choices[0] for f in demanded}
    texts.add_step(content, table, edit.after)
    return name


def _drawn_table(kind: StepKind, edit: Add, frames: Frames) -> dict[str, Any]:
    assert edit.shape is not None
    if edit.shape not in shapes_of(kind):
        raise UnusableInput(f"{edit.kind} looks in a {' or a '.join(shapes_of(kind)) or 'step, and in no region'}")
    frame = frames(edit.frame, edit.picture)
    places = frame.to_frame(np.array(edit.points_px))
    shape = drawn(edit.shape, places, across_short=issubclass(kind.table, SoughtTable), is_down=frame.is_down)
    region = plain_of(shape, frame.decimals)
    if issubclass(kind.table, FindTable):
        return {"taught": {"region": region, "origin": _pair(places.min(axis=0), frame)}}
    return {"region": region}


def _resting_table(kind: StepKind, edit: Add) -> dict[str, Any]:
    """Return what a step states that rests on others."""
    keys, names = kind.table.model_fields, list(edit.rests_on)
    if not names:
        raise UnusableInput(f"{edit.kind} needs {'a region' if shapes_of(kind) else 'other steps to rest on'}; give it")
    if "between" in keys:
        return {"between": names}
    if issubclass(kind.table, FindTable):
        return {"of": names}
    told: dict[str, Any] = {"of": names[0]}
    if len(names) > 1:
        told["datums"] = names[1:]
    if "nominal" in keys:
        told["nominal"] = [0.0, 0.0]
    return told


def _put(content: texts.Content, edit: Put) -> None:
    if edit.step is not None and edit.grip is not None:
        raise UnusableInput("a step and a grip are two things; name one of them")
    is_head = edit.step is None and edit.grip is None
    if is_head and {edit.path[0], *edit.also} & {"step", "format", "grip"}:
        raise UnusableInput(f"{edit.path[0]} is not set here; edit a step or a grip by its name")
    if edit.step is not None and edit.path == ["name"]:
        raise UnusableInput("a step is renamed, so that whoever names it does too; rename it")
    table = (
        content
        if is_head
        else texts.grip_in(content, edit.grip)
        if edit.grip
        else texts.step_in(content, edit.step or "")
    )
    try:
        texts.put(table, edit.path, edit.value)
        for key, value in edit.also.items():
            texts.put(table, (key,), value)
    except (LookupError, TypeError, ValueError) as error:
        raise UnusableInput(f"{'.'.join(map(str, edit.path))} cannot be set there: {error}") from error


def _demand_free(content: texts.Content, name: str) -> None:
    users = [str(s.get("name")) for s in (*texts.steps_in(content), *content.get("grip", [])) if _names(s, name)]
    if users:
        raise UnusableInput(
            f'{said_names(users)} {"rests" if len(users) == 1 else "rest"} on "{name}"; remove it first'
        )


def _names(table: Any, name: str) -> bool:
    return any(named == name or (not isinstance(named, str) and name in (named or [])) for named in
               (table.get(key) for key in texts.NAMING))  # fmt: skip


# --- regions -------------------------------------------------------------------------------------------------------


def _reshape(table: texts.Content, step: Step, edit: Drag | Draw | Nudge, frames: Frames) -> None:
    picture = step.looks_at[0] if step.looks_at else None
    frame = frames(step.frame, picture)
    if isinstance(edit, Drag) and edit.handle in ("origin", "axis"):
        _drag_origin(table, step, edit, frame)
        return
    path, shape = region_path(step), shape_in(step)
    if isinstance(edit, Draw) and edit.of == "white":
        _draw_white(table, step, edit, frames)
        return
    if isinstance(edit, Draw):
        if edit.shape not in shapes_of(step.kind):
            raise UnusableInput(f"{step.kind.kind} looks in a {' or a '.join(shapes_of(step.kind))}")
        across = issubclass(step.kind.table, SoughtTable)
        made = drawn(edit.shape, frame.to_frame(np.array(edit.points_px)), across_short=across, is_down=frame.is_down)
        texts.put(table, path or ("region",), plain_of(made, frame.decimals))
        return
    if path is None or shape is None:
        raise UnusableInput(f'"{step.name}" has no region; draw one')
    if isinstance(edit, Drag):
        grabbed, to = frame.to_frame(np.array([edit.grabbed_px, edit.to_px]))
        made = dragged(shape, edit.handle, grabbed, to, frame.is_down)
    else:
        made = quarter(shape) if edit.act == "quarter" else without_point(shape, edit.handle)
    texts.put(table, path, plain_of(made, frame.decimals))


def _draw_white(table: texts.Content, step: Step, edit: Draw, frames: Frames) -> None:
    """Have the light be counted by a patch of the picture: what is known of its reflectance stays."""
    if "white" not in step.kind.table.model_fields:
        raise UnusableInput(f'"{step.name}" is a {step.kind.kind}, which takes no white; draw one in a colour')
    if edit.frame not in (None, "image", step.frame):
        raise UnusableInput(f'a white lies in the image, or goes with "{step.name}" in {step.frame}; draw it there')
    frame = frames(edit.frame or step.frame, step.looks_at[0] if step.looks_at else None)
    made = drawn(edit.shape, frame.to_frame(np.array(edit.points_px)), is_down=frame.is_down)
    known = {k: v for k, v in dict(table.get("white", {})).items() if k in ("reflectance", "u")}
    still = {"in": "image"} if edit.frame == "image" and step.frame != "image" else {}
    texts.put(table, ("white",), {"region": plain_of(made, frame.decimals), **still, **known})


def _drag_origin(table: texts.Content, step: Step, edit: Drag, frame: Frame) -> None:
    """Have the frame of a part that is taught begin elsewhere, or point elsewhere."""
    if not isinstance(step.table, FindTable) or step.table.taught is None:
        raise UnusableInput(f'"{step.name}" is taught no frame')
    taught = step.table.taught
    grabbed, to = frame.to_frame(np.array([edit.grabbed_px, edit.to_px]))
    origin = frame.up(taught.origin)
    if edit.handle == "origin":
        texts.put(table, ("taught", "origin"), _pair(origin + to - grabbed, frame))
        return
    x, y = to - origin
    texts.put(table, ("taught", "angle_deg"), round(float(np.degrees(np.arctan2(y, x))), 2))


def _pair(point: Array, frame: Frame) -> Sequence[float]:
    x, y = point.tolist()
    return [round(x, frame.decimals), round(-y if frame.is_down else y, frame.decimals)]


assert set(SHAPES) == {"rectangle", "ring", "arc", "polygon", "path"}
