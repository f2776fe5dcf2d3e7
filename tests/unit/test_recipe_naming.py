"""How a recipe comes to name what its steps were taught: as text, and only where it is still what was read."""

import tomllib
from pathlib import Path

import pytest

from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.naming import naming
from tiepoint.recipe.recipe import Step, load_recipe

HEAD = 'format = "tiepoint/recipe/1"\nname = "plate" # of steel\n'
STEP = """
[[step]]
name = "{}"
kind = "compare"
in = "image"
region.rectangle = {{ centre = [50, 40], size = [30, 20] }}
"""


def recipe_of(folder: Path, *names: str) -> Path:
    path = folder / "plate.toml"
    path.write_text(HEAD + "".join(map(STEP.format, names)), encoding="utf-8")
    return path


def step(path: Path, name: str) -> Step:
    return next(s for s in load_recipe(path).steps if s.name == name)


def test_the_step_names_its_file_and_all_else_stays(tmp_path):
    path = recipe_of(tmp_path, "print", "rim")
    named = naming(path, step(path, "rim"), "good", None)
    content = tomllib.loads(named.recipe.decode())
    assert named.file == tmp_path / "plate.rim.good.json"
    assert [s.get("good") for s in content["step"]] == [None, "plate.rim.good.json"]
    assert (named.revision, content["revision"]) == (2, 2)
    assert b"# of steel" in named.recipe


@pytest.mark.parametrize("names", [("左", "右", "上"), ("rim 1", "rim-1", "Rim?1")])
def test_steps_never_share_a_file_that_neither_named(tmp_path, names):
    path = recipe_of(tmp_path, *names)
    untaught = {name: step(path, name) for name in names}
    files = []
    for one in untaught.values():
        named = naming(path, one, "good", None)
        files.append(named.file.name.lower())
        path.write_bytes(named.recipe)
    assert len({*files}) == len(names)
    told = [s["good"].lower() for s in tomllib.loads(path.read_text("utf-8"))["step"]]
    assert told == files


@pytest.mark.parametrize(
    "now",
    [
        HEAD + STEP.format("rim") + STEP.format("print"),
        HEAD + STEP.format("rim"),
        HEAD,
        "",
        "[[step",
        HEAD + "step = 5\n",
        HEAD + "[[step]]\nkind = 1\n",
    ],
    ids=["another stands first", "gone", "no step", "empty", "half written", "a number", "nameless"],
)
def test_a_recipe_that_was_edited_meanwhile_is_left_alone(tmp_path, now):
    path = recipe_of(tmp_path, "print")
    was = step(path, "print")
    path.write_text(now, encoding="utf-8")
    with pytest.raises(UnusableInput, match='was edited while "print" was taught, and nothing was changed'):
        naming(path, was, "good", None)
    assert path.read_text("utf-8") == now
