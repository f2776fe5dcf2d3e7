"""What a grip needs of its part: measured in the frame of every part found, and no part is gripped without it."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.frames import Pose3
from tiepoint.foundation.sources import Values
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.context import StepResult
from tiepoint.recipe.features import PartFeature
from tiepoint.recipe.grips import arm_of
from tiepoint.recipe.kinds import StepKind, installed_kinds
from tiepoint.recipe.recipe import read_recipe
from tiepoint.recipe.runner import Job, Outcome, Seen, run
from tiepoint.recipe.schema import StepTable
from tiepoint.ties.grip import SpaceRobot
from tiepoint.ties.sensor import Sensor
from tiepoint.ties.tie import Tie
from tiepoint.ties.uncertain_pose import exact

MM_PER_PX = 0.1
WIDTH, HEIGHT = 400, 240
TIE = Tie(
    "t", "target", "image", "plane", "affine",
    np.array([[MM_PER_PX, 0, 0], [0, -MM_PER_PX, MM_PER_PX * (HEIGHT - 1)], [0, 0, 1.0]]),
    np.array([[0, 0], [WIDTH - 1, 0], [WIDTH - 1, HEIGHT - 1], [0, HEIGHT - 1]], float),
    distance_mm=400.0, foot_mm=(20.0, 12.0),
)  # fmt: skip
BORE = (5.0, 2.0)
"""Where the bore lies in the part's frame, mm."""
PARTS = ((6.0, 6.0, 10.0), (20.0, 5.0, 100.0), (30.0, 14.0, -140.0))
"""x, y in mm and the angle in degrees of each part in the plane."""


def places() -> StepKind:
    """A find that gives the parts of `PARTS`, whatever the picture shows."""
    poses = [Values(np.array([x, y, math.radians(a)]), np.zeros((3, 0)), ()) for x, y, a in PARTS]
    first, *others = [PartFeature(pose) for pose in poses]
    result = StepResult({}, replace(first, others=tuple(others)))
    return StepKind("place", "Where the parts lie.", StepTable, (), lambda _: result, gives="part")


RECIPE = {
    "format": "tiepoint/recipe/1",
    "name": "pick",
    "step": [
        {"name": "part", "kind": "place"},
        {
            "name": "bore",
            "kind": "circle",
            "in": "part",
            "region": {"ring": {"centre": list(BORE), "inner": 0.7, "outer": 2.4}},
            "limits": {"diameter": {"nominal": 3.0, "plus": 0.2, "minus": 0.2}},
        },
        {"name": "twice", "kind": "distance", "between": ["bore", "pin"]},
        {
            "name": "pin",
            "kind": "circle",
            "in": "part",
            "region": {"ring": {"centre": [0, 0], "inner": 0.4, "outer": 1.6}},
        },
        {
            "name": "elsewhere",
            "kind": "circle",
            "region": {"ring": {"centre": [5, 5], "inner": 0.4, "outer": 1.6}},
        },
    ],
    "grip": [
        {
            "name": "jaws",
            "in": "part",
            "robot": "r.json",
            "envelope": {"x": [-99, 99], "y": [-99, 99], "z": [-9, 9]},
        }
    ],
}


def recipe_of(*needs: str):
    raw = {**RECIPE, "grip": [{**RECIPE["grip"][0], "needs": list(needs)}]}
    return read_recipe(raw, kinds={**installed_kinds(), "place": places()})


def picture(bores_mm: tuple[float, ...], pins_mm: tuple[float, ...] = (2.0, 2.0, 2.0)) -> np.ndarray:
    """Return a bright picture with the dark bore and pin of each part, of these diameters, 0 for none."""
    fine = 8
    grid = (np.arange(fine) + 0.5) / fine - 0.5
    x = (np.arange(WIDTH)[:, None] + grid).ravel() * MM_PER_PX
    y = (HEIGHT - 1 - (np.arange(HEIGHT)[:, None] + grid).ravel()) * MM_PER_PX
    shade = np.full((HEIGHT * fine, WIDTH * fine), 200.0)
    for (px, py, deg), bore, pin in zip(PARTS, bores_mm, pins_mm, strict=True):
        c, s = math.cos(math.radians(deg)), math.sin(math.radians(deg))
        for (u, v), size in ((BORE, bore), ((0.0, 0.0), pin)):
            at = px + c * u - s * v, py + s * u + c * v
            shade[np.hypot(x[None] - at[0], y[:, None] - at[1]) < size / 2] = 60.0
    grey = shade.reshape(HEIGHT, fine, WIDTH, fine).mean(axis=(1, 3))
    return np.clip(np.round(grey + np.random.default_rng(1).normal(0, 1, grey.shape)), 0, 255).astype(np.uint8)


def told(recipe, grey: np.ndarray) -> Outcome:
    arm = arm_of(recipe.grips[0], SpaceRobot(exact(Pose3(0.0, 0.0, 0.0))), 1.0)
    shot = Shot("s", (Picture("p", "", (WIDTH, HEIGHT), 8, "Mono8"),))
    return run(Job(recipe, TIE, arms=(arm,)), Seen(shot, {"p": grey}, {"p": Sensor(WIDTH, HEIGHT)}))


def test_without_needs_every_part_is_gripped_whatever_it_shows():
    grips = told(recipe_of(), picture((3.0, 2.0, 0.0))).record.grips
    assert [grip.robot_from_grip is not None for grip in grips] == [True, True, True]


def test_parts_are_gripped_by_what_each_shows_in_its_own_frame():
    grips = told(recipe_of("bore"), picture((3.0, 2.0, 0.0))).record.grips
    assert [grip.robot_from_grip is not None for grip in grips] == [True, False, False]
    assert [grip.name for grip in grips] == ["jaws", "jaws #2", "jaws #3"]
    assert {grip.reason.code for grip in grips[1:]} == {"need_not_met"}
    assert '"bore" diameter of 2.0' in grips[1].reason.sentence
    assert "rejected" in grips[1].reason.sentence
    assert '"bore" diameter is not there' in grips[2].reason.sentence


def test_a_good_part_is_gripped_though_the_one_seen_best_is_not():
    outcome = told(recipe_of("bore"), picture((2.0, 3.0, 3.0)))
    assert [grip.robot_from_grip is not None for grip in outcome.record.grips] == [False, True, True]
    # Readings are those of the part seen best, as without needs.
    (diameter,) = [r for r in outcome.record.readings if r.id == "bore.diameter"]
    assert diameter.verdict == "rejected"
    assert outcome.record.readings == told(recipe_of(), picture((2.0, 3.0, 3.0))).record.readings


def test_what_a_needed_step_rests_on_is_measured_there_too():
    grips = told(recipe_of("twice"), picture((3.0, 3.0, 3.0), (2.0, 0.0, 2.0))).record.grips
    assert [grip.robot_from_grip is not None for grip in grips] == [True, False, True]
    assert '"twice" distance is not there' in grips[1].reason.sentence


@pytest.mark.parametrize("name", ["gone", "elsewhere", "part"])
def test_only_steps_in_the_frame_of_its_find_can_be_needed(name):
    with pytest.raises(UnusableDocument, match=f'needs names "{name}"; name steps that live in the frame of "part"'):
        recipe_of(name)
