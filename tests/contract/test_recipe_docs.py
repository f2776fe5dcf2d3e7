"""The recipe's pages keep their word: the schema accepts what loads, the how-tos run."""

import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from scipy.special import erf

from tiepoint.foundation.errors import TiepointError
from tiepoint.model.reading import Reading
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.kinds import StepKind, installed_kinds
from tiepoint.recipe.recipe import read_recipe
from tiepoint.recipe.reference import recipe_schema, reference_page
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.recipe.variants import read_variants
from tiepoint.ties.sensor import Sensor

ROOT = Path(__file__).resolve().parents[2]
KEPT = ROOT / "tests" / "data" / "recipes"
HOW_TO = ROOT / "docs" / "how-to"
HEAD = 'format = "tiepoint/recipe/1"\nname = "x"\n'
GOOD = '[[step]]\nname = "a"\nkind = "circle"\nregion.ring = { centre = [0, 0], inner = 1, outer = 2 }\n'


def blocks(page: str, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", (HOW_TO / page).read_text(encoding="utf-8"), re.DOTALL)


@pytest.mark.parametrize("path", sorted(KEPT.glob("*.toml")), ids=lambda p: p.stem)
def test_the_schema_accepts_every_kept_recipe(path):
    jsonschema.Draft202012Validator.check_schema(recipe_schema())
    jsonschema.validate(json.loads(json.dumps(tomllib.loads(path.read_text(encoding="utf-8")))), recipe_schema())


@pytest.mark.parametrize(
    "text",
    [
        GOOD.replace("circle", "circel"),
        GOOD.replace("inner = 1, ", ""),
        GOOD.replace("inner", "iner"),
        GOOD + "limits.diametre = { lower = 1 }",
        GOOD + "speed = 3",
        GOOD + 'readings = ["colour"]',
        GOOD + 'polarity = "bright"',
        GOOD.replace("inner = 1", "inner = 0"),
    ],
)
def test_the_schema_refuses_what_the_program_refuses(text):
    jsonschema.validate(tomllib.loads(HEAD + GOOD), recipe_schema())
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(tomllib.loads(HEAD + text), recipe_schema())


def test_the_reference_names_every_kind_quantity_and_key():
    page = reference_page()
    for name, kind in installed_kinds().items():
        assert f"### {name}\n" in page
        for quantity in kind.quantities:
            assert f"| `{quantity.name}` |" in page
        for key in recipe_schema()["$defs"][f"step-{name}"]["properties"]:
            assert f"| `{key}` |" in page


def test_the_recipe_of_the_how_to_loads_piece_by_piece():
    first, rests, edge, limit = blocks("write-a-recipe.md", "toml")
    recipe = read_recipe(tomllib.loads(first + rests + edge))
    assert [s.name for s in recipe.order] == ["bore A", "bore B", "A to B", "slot"]
    (table,) = blocks("write-a-recipe.md", "csv")
    row = read_variants(table)["large"].columns
    content = tomllib.loads(first.partition("limits.")[0] + limit)
    assert read_recipe(content, row=row).steps[0].table.limits["diameter"].bounds == pytest.approx((5.9, 6.1))


def slot_picture(near: float, far: float, depth: float = 130, soft: float = 1.3) -> np.ndarray:
    """Return a dark slot along x whose half width goes from `near` to `far` px over the picture.

    `soft` is the blur of its lower side, √2 w; that of the upper one is 1.3.
    """
    y, x = np.mgrid[0:120, 0:300].astype(float)
    half = near + (far - near) * x / 299
    inside = (1 + erf((y - 60 + half) / 1.3)) * (1 + erf((60 + half - y) / soft)) / 4
    noise = np.random.default_rng(1).normal(0, 1, x.shape)
    return np.clip(170 - depth * inside + noise, 0, 255).astype(np.uint8)


FLARE = """
[edge.any]
u = 3.0

[[step]]
name = "flare"
kind = "flare"
in = "image"
edge = "any"
region.rectangle = { centre = [50, 60], size = [70, 40], angle_deg = 90 }
far.rectangle = { centre = [250, 60], size = [70, 40], angle_deg = 90 }
"""


def flare_step() -> tuple[str, StepKind]:
    """Return the how-to's code, and the step that it makes."""
    (code,) = blocks("add-a-step.md", "python")
    made: dict[str, object] = {}
    exec(compile(code, "add-a-step.md", "exec"), made)
    step = made["STEP"]
    assert isinstance(step, StepKind)
    return code, step


def flare_of(picture: np.ndarray) -> Reading:
    recipe = read_recipe(tomllib.loads(HEAD + FLARE), kinds={**installed_kinds(), "flare": flare_step()[1]})
    shot = Shot("s", (Picture("picture", "", (300, 120), 8, "Mono8"),))
    seen = Seen(shot, {"picture": picture}, {"picture": Sensor(300, 120)})
    (reading,) = run(Job(recipe, None), seen).record.readings
    return reading


def test_a_part_held_a_little_off_is_placed_as_the_how_to_has_it():
    # Worked in double precision from T′ = Goal·(T⁻¹·Part)⁻¹, planar poses.
    (code,) = blocks("find-a-part.md", "python")
    exec(compile(code, "find-a-part.md", "exec"), {})


def test_the_step_of_the_how_to_is_short_and_works():
    code, step = flare_step()
    assert len([line for line in code.splitlines() if line.strip()]) <= 30
    reading = flare_of(slot_picture(12, 15))
    # Twice 3 px over 299 px, seen 200 px apart; the edge definition of 3 px cancels between the two widths.
    assert reading.value == pytest.approx(2 * 3 / 299 * 200, abs=4 * reading.u)
    assert reading.u < 0.05
    assert reading.flags == ()
    assert "### flare" in reference_page({"flare": step})


def test_the_step_of_the_how_to_keeps_every_warning():
    # Contrast 8 over noise 1: below ten, it is low. And one side softer than the other tells of a bevel or a burr.
    assert flare_of(slot_picture(12, 15, depth=8)).flags == ("low_contrast",)
    assert flare_of(slot_picture(12, 15, soft=2.2)).flags == ("edge_differs_by_side",)


def test_the_code_of_the_how_to_is_typed_and_formatted_as_the_source_is(tmp_path):
    path = tmp_path / "flare.py"
    path.write_text(flare_step()[0], encoding="utf-8", newline="\n")
    config = str(ROOT / "pyproject.toml")
    for tool in (
        ["ruff", "format", "--check", "--config", config],
        ["ruff", "check", "--config", config],
        ["mypy", "--strict"],
    ):
        done = subprocess.run(
            [sys.executable, "-m", *tool, str(path)], cwd=ROOT, capture_output=True, encoding="utf-8", check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr


def test_the_entry_points_of_the_how_to_are_the_door_that_is_used():
    entry, _ = blocks("add-a-step.md", "toml")
    assert list(tomllib.loads(entry)["project"]["entry-points"]) == ["tiepoint.steps"]
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert set(project["entry-points"]["tiepoint.steps"]) == set(installed_kinds())


def test_the_recipe_of_the_how_to_is_read_with_the_step_and_refused_without():
    _, text = blocks("add-a-step.md", "toml")
    kinds = installed_kinds()
    (step,) = read_recipe(tomllib.loads(text), kinds={**kinds, "flare": flare_step()[1]}).steps
    assert step.kind.kind == "flare"
    with pytest.raises(TiepointError, match='kind is "flare"; use one of angle'):
        read_recipe(tomllib.loads(text), kinds=kinds)
