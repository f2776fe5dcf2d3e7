"""A recipe that names the file of what one of its steps was taught, or states under a key what it was taught.

The recipe is edited as text: comments, order and spacing stay as they are, and its revision counts on.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from tiepoint.documents.files import read_text
from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.recipe import Step

KEYS = ("shape", "good")
"""Under which steps name what they were taught."""


@dataclass(frozen=True)
class Naming:
    """A recipe that names the `file` of what a step was taught: its bytes and its `revision`, the next one."""

    file: Path
    recipe: bytes
    revision: int


def naming(recipe_path: Path, step: Step, key: str, stated: str | None) -> Naming:
    """Return a recipe whose step states under a key the file of what it was taught: what is `stated`, or its own name.

    Nothing is written. Raises `UnusableInput` where the recipe was edited meanwhile, so that the step is another now.
    """
    text = _text_of(recipe_path, step)
    steps: Any = text["step"]
    name = stated or _unused(f"{recipe_path.stem}.{_words(step.name)}", key, {n for s in steps for n in _named(s)})
    return Naming(recipe_path.parent / name, *_stated(text, step, key, name))


def stating(recipe_path: Path, step: Step, key: str, value: str) -> tuple[bytes, int]:
    """Return a recipe whose step states a value under a key, and its revision. Raises as `naming` does."""
    return _stated(_text_of(recipe_path, step), step, key, value)


def _stated(text: tomlkit.TOMLDocument, step: Step, key: str, value: str) -> tuple[bytes, int]:
    steps: Any = text["step"]
    steps[step.number - 1][key] = value
    revision = int(text.get("revision", 1)) + 1
    text["revision"] = revision
    return tomlkit.dumps(text).encode(), revision


def _text_of(recipe_path: Path, step: Step) -> tomlkit.TOMLDocument:
    try:
        text = tomlkit.parse(read_text(recipe_path))
        steps: Any = text.get("step", [])
        is_same = steps[step.number - 1]["name"] == step.name
    except (TOMLKitError, LookupError, TypeError):
        is_same = False
    if not is_same:
        raise UnusableInput(
            f'{recipe_path} was edited while "{step.name}" was taught, and nothing was changed; save it and teach again'
        )
    return text


def _words(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9_-]+", "-", name).strip("-") or "part"


def _named(step: Any) -> Iterator[str]:
    """Give the files that a step names, in the case in which all file systems tell them apart."""
    return (str(step[key]).lower() for key in KEYS if key in step)


def _unused(stem: str, key: str, taken: set[str]) -> str:
    """Return `plate.print.good.json`, with a number where another step names that: 左 and 右 have no plain letters."""
    names = (f"{stem}{number}.{key}.json" for number in ("", *(f"-{k}" for k in range(2, len(taken) + 3))))
    return next(name for name in names if name.lower() not in taken)
