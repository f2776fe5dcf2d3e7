"""The draft of `requirements.toml`, changed from a page: comments stay, and nothing is written that could not be read.

`merged` puts the table that a page has into the text that is there, key by key; `differences` tells two tables apart in
sentences, as who agrees reads them.
"""

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT

from tiepoint.documents.files import format_of
from tiepoint.foundation.errors import UnusableDocument
from tiepoint.station.drafting import Change, Step, edit, read_draft
from tiepoint.station.folder import Station
from tiepoint.station.requirements import REQUIREMENTS, Requirements, RequirementsTable, requirements_from

KEYS = {"characteristic": "name", "requirement": "id", "influence": "name", "signature": "role"}
"""Lists of tables, and the key by which one of each is known again."""


def merged(text: str, stated: Mapping[str, Any], needed: Mapping[str, Any] | None = None) -> str:
    """Return the text with what is stated, as plain data without None; comments and order of what stays are kept.

    `needed`: the same without what is the default, which is written only where it stands already. Raises
    `UnusableDocument` where the text is no TOML.
    """
    try:
        there = tomlkit.parse(text)
    except TOMLKitError as error:
        raise UnusableDocument(f"{REQUIREMENTS} cannot be read as TOML: {error}; mend it by hand first") from error
    own = {"format": _plain(there.get("format", format_of("requirements")))}
    _merge(there, {**own, **stated}, {**own, **(stated if needed is None else needed)})
    return tomlkit.dumps(there)


def _merge(there: Any, stated: Mapping[str, Any], needed: Mapping[str, Any]) -> None:
    for key in [k for k in there if k not in stated]:
        del there[key]
    for key, value in stated.items():
        if key in KEYS and isinstance(value, Sequence):
            _merge_list(there, key, value, needed.get(key, value))
        elif key in there and isinstance(value, Mapping) and isinstance(there[key], Mapping):
            _merge(there[key], value, needed.get(key, {}))
        elif key in there and _plain(there[key]) != value:
            there[key] = value
        elif key not in there and key in needed:
            there[key] = needed[key]
    for key in KEYS:
        if key in there and key not in stated:
            del there[key]


def _merge_list(there: Any, key: str, stated: Sequence[Mapping[str, Any]], needed: Sequence[Mapping[str, Any]]) -> None:
    """Put a list of tables in the wanted order; each that was there before is changed, and not written anew."""
    was = list(there.get(key, ()))
    old = dict(zip(_names(was, key), was, strict=True))
    names = _names(stated, key)
    for name, one, bare in zip(names, stated, needed, strict=True):
        if name in old:
            _merge(old[name], one, bare)
    if names[: len(old)] == list(old) and isinstance(there.get(key), AoT):
        for bare in needed[len(old) :]:
            there[key].append(_table(bare))
        return
    new = tomlkit.aot()
    for name, bare in zip(names, needed, strict=True):
        new.append(old[name] if name in old else _table(bare))
    there[key] = new


def _names(rows: Sequence[Mapping[str, Any]], key: str) -> list[tuple[str, int]]:
    """Return by what each row of a list is known again; two may sign in the same role, so the how manieth counts."""
    told = [str(one.get(KEYS[key])) for one in rows]
    return [(name, told[:k].count(name)) for k, name in enumerate(told)]


def _table(one: Mapping[str, Any]) -> Any:
    made = tomlkit.table()
    for key, value in one.items():
        made.add(key, value)
    return made


def _plain(value: Any) -> Any:
    return value.unwrap() if hasattr(value, "unwrap") else value


def write_draft(
    station: Station, stated: Mapping[str, Any], needed: Mapping[str, Any], *, who: str, seen: str | None
) -> tuple[Requirements, Step]:
    """Write the draft as a page has it (see `merged`), and return it with the step that undoes that.

    `seen`: the SHA-256 of the file as the page last saw it, None where it was not there. Raises `Conflict` where it is
    otherwise by now, and `UnusableDocument` in a sentence, with its place, where it could not be agreed on.
    """
    draft = read_draft(station, REQUIREMENTS)
    text = draft.text or ""
    new = merged(text, stated, needed)
    found = requirements_from(tomllib.loads(new), REQUIREMENTS)
    step = edit(
        station,
        _says(text, found.table),
        [Change(REQUIREMENTS, new.encode())],
        who=who,
        seen={REQUIREMENTS: seen},
    )
    return found, step


def _says(text: str, table: RequirementsTable) -> str:
    """Return in a few words what an edit does."""
    try:
        was = requirements_from(tomllib.loads(text), REQUIREMENTS).table
    except (UnusableDocument, ValueError):
        return "Write down what is agreed"
    told = tuple(differences(was, table))
    return f"Agreed on: {told[0]}"[:120] if len(told) == 1 else f"Agreed on: {len(told)} changes"


# --- what differs ----------------------------------------------------------------------------------------------------


def differences(was: RequirementsTable | None, is_: RequirementsTable) -> Iterator[str]:
    """Yield, in words, what a table of requirements changes of another; of the first one, what it asks for."""
    before = {} if was is None else _by_name(was)
    after = _by_name(is_)
    for name in before:
        if name not in after:
            yield f"{name}: taken out"
    for name, told in after.items():
        if name not in before:
            yield f"{name}: new{_first(told)}"
            continue
        old = before[name]
        for key in dict.fromkeys((*old, *told)):
            if old.get(key) != told.get(key):
                yield f"{name}: {key} {_said(old.get(key))} → {_said(told.get(key))}"


def _first(told: Mapping[str, Any]) -> str:
    limit = ", ".join(f"{k} {_said(told[k])}" for k in ("lower", "upper", "most", "least") if told.get(k) is not None)
    says = str(told.get("says") or told.get("reading") or "")
    told_ = ", ".join(part for part in (says, limit) if part)
    return f", {told_}" if told_ else ""


def _said(value: Any) -> str:
    if value is None or value == [] or value == "":
        return "not stated"
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def _by_name(table: RequirementsTable) -> dict[str, dict[str, Any]]:
    """Return what a table says, by what it says it of."""
    told = table.model_dump(mode="json", exclude_none=True)
    found: dict[str, dict[str, Any]] = {}
    for kind, key in KEYS.items():
        for one in told.pop(kind, ()):
            found[f"{kind} {one[key]}"] = {k: v for k, v in one.items() if k != key}
    control = told.pop("control", {})
    told.pop("format", None)
    return {"order": told, **({"control": control} if any(control.values()) else {}), **found}
