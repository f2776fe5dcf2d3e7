"""The recipe's text, edited where it stands: comments, order and spacing of everything else stay.

All functions take a parsed recipe, the document of tomlkit or plain data alike, and change it in place. So what a page
tries on plain data, a hundred times while a region is dragged, is what is written in the end.
"""

import tomllib
from collections.abc import Mapping, MutableMapping, MutableSequence, Sequence
from typing import Any

import tomlkit
from tomlkit.container import Container
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Item

from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.tables import said_names

Content = MutableMapping[str, Any]
Key = str | int
NAMING = ("in", "between", "of", "datums", "needs")
"""Keys under which tables of a recipe name its steps."""


class NoToml(UnusableInput):
    """A recipe's text is no TOML."""


def parsed(text: str, where: str) -> tomlkit.TOMLDocument:
    """Return a recipe's text as a document that can be edited; `UnusableInput` where it is no TOML."""
    try:
        return tomlkit.parse(text)
    except TOMLKitError as error:
        raise NoToml(f"{where} is not TOML: {error}") from error


def plain(data: bytes, where: str) -> dict[str, Any]:
    """Return what a recipe's bytes hold as plain data; `UnusableInput` where they are no TOML."""
    try:
        return tomllib.loads(data.decode("utf-8-sig").replace("\r\n", "\n"))
    except UnicodeDecodeError as error:
        raise NoToml(f"{where} is not text in UTF-8; save it as such") from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise NoToml(f"{where} is not TOML: {error}") from error


def bare(content: Content) -> dict[str, Any]:
    """Return what a recipe holds as plain data, without how it is written."""
    told: dict[str, Any] = _plain(content)
    return told


def step_in(content: Content, name: str) -> Content:
    """Return the table of the step of that name; `UnusableInput` where there is none."""
    return steps_in(content)[number_of(content, name)]  # type: ignore[no-any-return]


def number_of(content: Content, name: str) -> int:
    """Return which step, from 0, has that name; `UnusableInput` where none has."""
    names = [str(step.get("name")) for step in steps_in(content)]
    if name not in names:
        raise UnusableInput(f'no step is named "{name}"; there are {said_names(names)}')
    return names.index(name)


def steps_in(content: Content) -> Any:
    """Return the list of a recipe's steps, as it stands there; an empty one where there are none."""
    return content.get("step", [])


def put(table: Content, path: Sequence[Key], value: Any) -> None:
    """Set what stands under a path of keys, or take it away where the value is None.

    Only what differs is touched: a number that stays keeps how it is written, and its comment.
    """
    *above, last = path
    here: Any = table
    for key in above:
        if isinstance(here, MutableMapping) and key not in here:
            if value is None:
                return
            here[key] = _new(here, {})
        here = here[key]
    if value is None:
        if last in here:
            del here[last]
            _tidy(table, path)
        return
    _set(here, last, value)


def _tidy(table: Content, path: Sequence[Key]) -> None:
    """Take away tables that hold nothing any more, so that no `limits = {}` is left."""
    for k in range(len(path) - 1, 0, -1):
        here: Any = table
        for key in path[: k - 1]:
            here = here[key]
        if isinstance(here[path[k - 1]], Mapping) and not here[path[k - 1]]:
            del here[path[k - 1]]


def _set(here: Any, key: Key, value: Any) -> None:
    old = here[key] if not isinstance(here, Mapping) or key in here else None
    if isinstance(value, Mapping) and isinstance(old, MutableMapping):
        for gone in [k for k in old if k not in value]:
            del old[gone]
        for inner, new in value.items():
            _set(old, inner, new)
    elif isinstance(value, list | tuple) and isinstance(old, MutableSequence) and len(old) == len(value):
        for k, new in enumerate(value):
            _set(old, k, new)
    elif old is None or not _is_same(_plain(old), _plain(value)):
        here[key] = _new(here, value)


def _is_same(old: Any, new: Any) -> bool:
    """Whether a value stays: 12 and 12.0 are one number, and True is none."""
    return old == new and isinstance(old, bool) == isinstance(new, bool)


def add_step(content: Content, table: Mapping[str, Any], after: str | None = None) -> None:
    """Add a step behind all others, or behind the one that is named."""
    steps = steps_in(content)
    place = len(steps) if after is None else number_of(content, after) + 1
    is_text = isinstance(content, Container | Item)
    if "step" not in content:
        if not is_text:
            content["step"] = [dict(table)]
            return
        several = tomlkit.aot()
        several.append(_table(table))
        content["step"] = several
        return
    steps.insert(place, _table(table) if isinstance(steps, AoT) else _new(content, dict(table)))


def remove_step(content: Content, name: str) -> None:
    """Take a step away. Who rests on it is told by the reading of what is left."""
    steps = steps_in(content)
    del steps[number_of(content, name)]
    if not steps:
        del content["step"]


def move_step(content: Content, name: str, to: int) -> None:
    """Have a step stand at another place, from 0."""
    steps = steps_in(content)
    k = number_of(content, name)
    table = steps[k]
    del steps[k]
    steps.insert(max(0, min(to, len(steps))), table)


def grip_in(content: Content, name: str) -> Content:
    """Return the table of the grip of that name; `UnusableInput` where there is none."""
    return content["grip"][_number_of_grip(content, name)]  # type: ignore[no-any-return]


def add_grip(content: Content, table: Mapping[str, Any]) -> None:
    """Add a grip behind all others."""
    if "grip" in content:
        grips = content["grip"]
        grips.append(_table(table) if isinstance(grips, AoT) else _new(content, dict(table)))
    elif isinstance(content, Container | Item):
        several = tomlkit.aot()
        several.append(_table(table))
        content["grip"] = several
    else:
        content["grip"] = [dict(table)]


def remove_grip(content: Content, name: str) -> None:
    """Take a grip away."""
    k = _number_of_grip(content, name)
    del content["grip"][k]
    if not content["grip"]:
        del content["grip"]


def _number_of_grip(content: Content, name: str) -> int:
    names = [str(grip.get("name")) for grip in content.get("grip", [])]
    if name not in names:
        raise UnusableInput(f'no grip is named "{name}"; there are {said_names(names) or "none"}')
    return names.index(name)


def rename_step(content: Content, name: str, to: str) -> None:
    """Give a step another name, wherever it is named."""
    if to != name and to in [s.get("name") for s in steps_in(content)]:
        raise UnusableInput(f'a step is named "{to}" already; choose another name')
    step_in(content, name)["name"] = to
    for table in (*steps_in(content), *content.get("grip", [])):
        for key in NAMING:
            named = table.get(key)
            if named == name:
                table[key] = to
            elif isinstance(named, MutableSequence):
                for k, one in enumerate(named):
                    if one == name:
                        named[k] = to


def unused_name(content: Content, wanted: str) -> str:
    """Return a name that no step has: `bore`, `bore 2`, …"""
    taken = {str(s.get("name")) for s in steps_in(content)}
    return next(n for n in (wanted, *(f"{wanted} {k}" for k in range(2, len(taken) + 3))) if n not in taken)


def _table(plain: Mapping[str, Any]) -> tomlkit.items.Table:
    made = tomlkit.table()
    for key, value in plain.items():
        if value is not None:
            made.add(key, _item(value))
    made.add(tomlkit.nl())
    return made


def _new(here: Any, value: Any) -> Any:
    """Return a value as it is put into a document, or into plain data."""
    return _item(value) if isinstance(here, Container | Item) else value


def _item(value: Any) -> Any:
    return tomlkit.value(_written(value)) if isinstance(value, Mapping | list | tuple) else tomlkit.item(value)


def _written(value: Any) -> str:
    """Return a value as a person writes it in TOML, with room between braces and what they hold."""
    if isinstance(value, Mapping):
        pairs = ", ".join(f"{tomlkit.key(k).as_string()} = {_written(v)}" for k, v in value.items() if v is not None)
        return f"{{ {pairs} }}" if pairs else "{}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(_written(v) for v in value)}]"
    return str(tomlkit.item(value).as_string())


def _plain(value: Any) -> Any:
    return value.unwrap() if isinstance(value, Container | Item) else value
