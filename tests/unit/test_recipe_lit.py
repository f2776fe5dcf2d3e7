"""Steps that look at the relief of a shot: which pictures make it, what is refused, what records keep of it."""

import math
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tiepoint.documents.pictures import save_png
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.recipe.context import StepResult
from tiepoint.recipe.kinds import Quantity, StepKind, installed_kinds
from tiepoint.recipe.lamp_names import lights_named
from tiepoint.recipe.lights import read_lights
from tiepoint.recipe.lit import Lit
from tiepoint.recipe.lit_doubt import doubt_of
from tiepoint.recipe.recipe import read_recipe
from tiepoint.recipe.runner import Job, run
from tiepoint.recipe.schema import LookingTable
from tiepoint.recipe.shots import load_shot, shots_in, write_shot
from tiepoint.recipe.station import prepare, run_shots, seen_of
from tiepoint.recipe.teach import keep_lesson, step_to_teach, teach_shot

SIDES = {"east": 0, "north": 90, "west": 180, "south": 270}
LIGHTS = 'format = "tiepoint/lights/1"\n' + "".join(
    f'[[light]]\nid = "{name}"\nazimuth_deg = {azimuth}\nelevation_deg = 45\n' for name, azimuth in SIDES.items()
)
RECIPE = """
format = "tiepoint/recipe/1"
name = "mark"
{head}

[[step]]
name = "ridge"
kind = "{kind}"
in = "image"
{more}
"""
EDGE = "region.rectangle = { centre = [60, 40], size = [60, 20] }\n"
SLOPE = 0.2


def picture(azimuth_deg: float) -> np.ndarray:
    """Return a roof (80, 120) under a lamp: its left half rises by `SLOPE` towards +x, its right half falls.

    I = ρ·n·l with n ∝ (−p, −q, 1) (Woodham 1980, eq. 1 and 4), ρ = 180, lamps 45° high.
    """
    p = np.where(np.arange(120) < 60, SLOPE, -SLOPE) * np.ones((80, 1))
    a, e = math.radians(azimuth_deg), math.radians(45)
    light = (-p * math.cos(a) * math.cos(e) + math.sin(e)) / np.sqrt(1 + p**2)
    noise = np.random.default_rng(round(azimuth_deg)).normal(0, 0.5, p.shape)
    return np.clip(np.rint(180 * light + noise), 0, 255).astype(np.uint8)


@pytest.fixture
def folder(tmp_path):
    """Return a folder with lights.toml, and a shot of four pictures without a shot.json in `shot`."""
    (tmp_path / "lights.toml").write_text(LIGHTS)
    (tmp_path / "shot").mkdir()
    for k, (name, azimuth) in enumerate(SIDES.items()):
        save_png(tmp_path / "shot" / f"{k}-{name}.png", picture(azimuth))
    return tmp_path


def recipe_in(folder, head='lights = "lights.toml"', more='picture = "slope_x"\n' + EDGE):
    path = folder / "mark.toml"
    path.write_text(RECIPE.format(head=head, more=more, kind="edge"))
    return path


def only(folder, path, shot="shot", **more):
    return next(iter(run_shots(prepare(path, **more), [folder / shot])))


def looking(name, folder, shot="shot"):
    """Return what a step that looks at a picture of the relief is given."""
    given = []

    def told(context):
        given.append(context)
        return StepResult({})

    kinds = {
        **installed_kinds(),
        "look": StepKind("look", "", LookingTable, (Quantity("n", "number", "", True),), told),
    }
    text = RECIPE.format(head="", kind="look", more=f'picture = "{name}"')
    recipe = read_recipe(tomllib.loads(text), kinds=kinds)
    lit = Lit(read_lights(tomllib.loads(LIGHTS)))
    outcome = run(Job(recipe, None, lit=lit), seen_of(load_shot(folder / shot, lit.document.each)))
    return given[0] if given else None, outcome.record


def test_the_slope_of_a_roof_is_that_of_the_drawing(folder):
    context, _ = looking("slope_x", folder)
    assert context.picture.shape == (80, 120)
    assert np.median(context.picture[10:70, 10:50]) == pytest.approx(SLOPE, abs=0.003)
    assert np.median(context.picture[10:70, 70:110]) == pytest.approx(-SLOPE, abs=0.003)
    north = context.others("north")
    assert np.array_equal(north, picture(90))
    assert np.median(np.abs(context.others("slope_y")[10:70, 10:110])) < 0.005


def test_an_edge_is_measured_in_a_relief_picture_and_drawn_over_the_shot(folder):
    ran = only(folder, recipe_in(folder))
    reading = ran.record.readings[0]
    # The ridge lies between the columns 59 and 60, half a pixel left of the region's middle.
    assert reading.value == pytest.approx(-0.5, abs=0.1)
    assert ran.record.lights_sha == read_lights(tomllib.loads(LIGHTS)).sha
    assert "ridge" in ran.overlay()
    # Nobody said how far an edge of a slope lies from that of the part: nothing conforms by it.
    assert "edges_computed" in reading.flags


def test_an_edge_in_a_relief_picture_conforms_where_its_definition_stands_for_it(folder):
    more = 'picture = "slope_x"\nlimits.offset = { lower = -2, upper = 1 }\n' + EDGE
    assert only(folder, recipe_in(folder, more=more)).record.verdict == "undecided"
    text = recipe_in(folder, more=more + 'edge = "crest"\n').read_text()
    (folder / "mark.toml").write_text(text.replace("[[step]]", "[edge.crest]\nu = 0.2\n\n[[step]]"))
    assert only(folder, folder / "mark.toml").record.verdict == "conforms"


def test_pictures_that_are_named_by_their_lamps_are_theirs_in_whatever_order(folder):
    for path in sorted((folder / "shot").iterdir()):
        path.rename(path.with_name(path.name.partition("-")[2]))
    assert [p.name for p in sorted((folder / "shot").iterdir())][2] == "south.png"
    context, _ = looking("slope_x", folder)
    assert np.median(context.picture[10:70, 10:50]) == pytest.approx(SLOPE, abs=0.003)


@pytest.mark.parametrize(
    ("names", "told"),
    [
        (("East.png", "7_north.jpg", "south.png", "west-lamp.png"), ("east", "north", "south", "west")),
        (("east.png", "north.png", "south.png", "southwest.png"), None),
        (("east.png", "east-2.png", "south.png", "west.png"), None),
        (("IMG_1.png", "IMG_2.png", "IMG_3.png", "IMG_4.png"), None),
    ],
)
def test_a_name_tells_a_lamp_where_each_tells_one_of_its_own(names, told):
    assert lights_named(names, tuple(SIDES)) == told


def test_the_longest_id_that_stands_in_a_name_is_meant():
    assert lights_named(("part-2-2-low.png", "part-2.png"), ("2", "2-low")) == ("2-low", "2")


def test_a_shot_json_tells_which_picture_was_taken_under_which_lamp(folder):
    loaded = load_shot(folder / "shot", tuple(SIDES))
    files = sorted(p.name for p in (folder / "shot").iterdir())
    pictures = [
        replace(p, role=f"p{k}", file=file) for k, (p, file) in enumerate(zip(loaded.shot.pictures, files, strict=True))
    ]
    write_shot(folder / "shot", replace(loaded.shot, pictures=tuple(reversed(pictures))))
    context, _ = looking("slope_x", folder)
    assert np.median(context.picture[10:70, 10:50]) == pytest.approx(SLOPE, abs=0.003)


def test_a_shot_without_a_lamps_picture_is_unread(folder):
    loaded = load_shot(folder / "shot", tuple(SIDES))
    files = sorted(p.name for p in (folder / "shot").iterdir())
    pictures = [replace(p, file=file) for p, file in zip(loaded.shot.pictures, files, strict=True)]
    write_shot(folder / "shot", replace(loaded.shot, pictures=tuple(pictures[:3])))
    _, record = looking("slope_x", folder)
    assert record.readings[0].reason.code == "no_picture"


def test_a_single_picture_is_no_shot_under_four_lamps(folder):
    reading = only(folder, recipe_in(folder), "shot/0-east.png").record.readings[0]
    assert reading.value is None
    assert "1 picture where the lights ask for 4; name the folder of them all" in reading.reason.sentence


def test_a_folder_with_too_few_pictures_is_refused_with_the_lights(folder):
    (folder / "shot" / "3-south.png").unlink()
    with pytest.raises(UnusableInput, match='holds 3 pictures where there are 4 lights \\("east", "north"'):
        only(folder, recipe_in(folder))


def test_folders_of_shots_under_lamps_are_found(folder):
    (folder / "many").mkdir()
    (folder / "shot").rename(folder / "many" / "b")
    assert shots_in([folder / "many"], 4) == [folder / "many" / "b"]
    assert shots_in([folder / "many" / "b"], 4) == [folder / "many" / "b"]
    assert len(shots_in([folder / "many" / "b"])) == 4
    (folder / "none").mkdir()
    with pytest.raises(UnusableInput, match="no picture and no shot"):
        shots_in([folder / "none"], 4)


def test_a_recipe_that_looks_at_relief_without_lights_is_refused(folder):
    with pytest.raises(
        UnusableInput, match=r'step 1 "ridge" looks at "slope_x" of the relief, and there are no lights'
    ):
        prepare(recipe_in(folder, head=""))


def test_lights_of_the_command_line_go_before_the_recipes_and_the_record_says_so(folder):
    (folder / "other.toml").write_text(LIGHTS.replace("= 45", "= 30"))
    record = only(folder, recipe_in(folder), lights_path=folder / "other.toml").record
    assert record.notes == (
        'The lights "other.toml" were given on the command line and used instead of the recipe\'s "lights.toml".',
    )
    same = only(folder, recipe_in(folder), lights_path=folder / "lights.toml").record
    assert same.notes == ()


def test_lights_say_which_pictures_a_shot_has_whatever_steps_look_at(folder):
    path = recipe_in(folder, "", EDGE)
    assert prepare(path, lights_path=folder / "lights.toml").each == tuple(SIDES)
    assert prepare(path).each == ()


def test_a_shot_that_a_job_has_seen_keeps_its_relief(folder):
    job = prepare(recipe_in(folder)).job(None)
    seen = seen_of(load_shot(folder / "shot", tuple(SIDES))).under(job)
    assert seen.under(job) is seen
    other = prepare(recipe_in(folder)).job(None)
    assert seen.under(other) is not seen
    assert seen.under(other).lit is other.lit


def test_a_step_may_look_at_the_picture_of_one_lamp_alone(folder):
    more = 'picture = "north"\npolarity = "either"\n' + EDGE
    record = only(folder, recipe_in(folder, more=more)).record
    assert [p.light for p in record.shot.pictures] == list(SIDES)
    given = only(folder, recipe_in(folder, "", more), lights_path=folder / "lights.toml").record
    assert [p.light for p in given.shot.pictures] == list(SIDES)
    assert given.notes == ('The lights "lights.toml" were given on the command line and used.',)


def test_a_colour_channel_of_a_relief_picture_is_unread(folder):
    _, record = looking('slope_x"\nplane = "r', folder)
    assert record.readings[0].reason.code == "no_channel"


def test_lamps_with_a_place_are_counted_from_the_surface_of_the_part():
    text = LIGHTS.replace("azimuth_deg = 0\nelevation_deg = 45", "position_mm = [100, 0, 120]")
    lit = Lit(read_lights(tomllib.loads(text)))
    plane = np.array([[0.1, 0, 0], [0, -0.1, 0]])
    assert lit.lights(plane, 20.0).lights[0].position_mm == (100, 0, 100)
    assert lit.lights(plane, 20.0).lights[1].position_mm is None


def test_a_find_is_taught_from_the_relief_and_finds_there(folder):
    part = np.zeros((80, 120))
    part[30:55, 40:70] = part[30:40, 40:95] = 1.0
    part = gaussian_filter(part, 0.8)
    for k, azimuth in enumerate(SIDES.values()):
        light = picture(azimuth) * (0.4 + 0.6 * part)
        save_png(folder / "shot" / f"{k}-{list(SIDES)[k]}.png", np.rint(light).astype(np.uint8))
    region = "{ rectangle = { centre = [66, 42], size = [76, 44] } }"
    taught = f'picture = "albedo"\ntaught = {{ region = {region}, origin = [40, 30] }}\n'
    text = RECIPE.format(head='lights = "lights.toml"', kind="find", more=taught).replace('"ridge"', '"plate"')
    path = folder / "plate.toml"
    path.write_text(text)
    prepared = prepare(path)
    loaded = load_shot(folder / "shot", prepared.each)
    job = prepared.job(None)
    step = step_to_teach(job.recipe, "plate")
    keep_lesson(path, step, teach_shot(job, step, seen_of(loaded)), {"shot": loaded.shot.id})
    values = {r.quantity: r.value for r in only(folder, path).record.readings}
    assert (values["x"], values["y"]) == (pytest.approx(40, abs=0.02), pytest.approx(30, abs=0.02))
    assert values["share"] > 0.9
    with pytest.raises(UnusableInput, match=r'"plate" cannot be taught. No relief can be computed from the shot'):
        teach_shot(job, step, seen_of(load_shot(folder / "shot" / "0-east.png")))


def blank(level):
    return lambda _: np.full((80, 120), level, np.uint8)


def under_daylight(_):
    return np.random.default_rng(9).normal(3, 1, (80, 120)).clip(0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("north", "code", "names"),
    [
        (blank(0), "lamp_dark", {"north"}),
        (under_daylight, "lamp_dark", {"north"}),
        (blank(255), "lamp_saturated", {"north"}),
        (lambda east: east, "pictures_same", {"east", "north"}),
    ],
    ids=["off", "off by day", "blinding", "delivered twice"],
)
def test_a_lamp_that_was_not_seen_never_lets_a_part_pass(folder, north, code, names):
    # Relief by the three others has no step of 0.5, so without a doubt this would conform.
    save_png(folder / "shot" / "1-north.png", north(picture(0)))
    more = 'level = 0.5\nshade = "brighter"\nlimits.count = { upper = 0 }\npicture = "slope_x"\n' + EDGE
    path = folder / "mark.toml"
    path.write_text(RECIPE.format(head='lights = "lights.toml"', more=more, kind="patches"))
    record = only(folder, path).record
    reason = record.readings[0].reason
    assert (record.verdict, reason.code) == ("unread", code)
    assert names <= {*reason.params.values()}


def test_a_lamp_that_is_stated_as_weak_may_be_weak(folder):
    weak = picture(90) / 40
    save_png(folder / "shot" / "1-north.png", np.rint(weak).astype(np.uint8))
    assert looking("slope_x", folder)[1].readings[0].reason.code == "lamp_dark"
    text = LIGHTS.replace('id = "north"\n', 'id = "north"\ngain = 0.025\n')
    lights = read_lights(tomllib.loads(text))
    given = [np.rint(picture(a) / (40 if a == 90 else 1)).astype(np.uint8) for a in SIDES.values()]
    assert doubt_of(given, lights.lights(), lights.each) is None


def test_blank_pictures_of_all_lamps_are_left_to_what_computes_the_relief():
    lights = read_lights(tomllib.loads(LIGHTS))
    for level in (0, 90, 255):
        assert doubt_of([blank(level)(0)] * 4, lights.lights(), lights.each) is None


STEP = """
[step]
pictures = ["s0.png", "s1.png", "s2.png", "s3.png"]
low = { centre = [14, 40], size = [26, 60] }
high = { centre = [59.5, 40], size = [28, 60] }
height_mm = 0.2
u_height_mm = 0.001
"""


def pad(azimuth_deg, slope):
    """Return a pad (80, 120), 40 px wide, whose straight flanks of 10 px rise by `slope`: by Lambert's law."""
    x = np.arange(120) - 59.5
    p = np.where((np.abs(x) > 20) & (np.abs(x) < 30), -slope * np.sign(x), 0.0) * np.ones((80, 1))
    a = math.radians(azimuth_deg)
    light = math.sqrt(0.5) * (1 - p * math.cos(a)) / np.sqrt(1 + p**2)
    noise = np.random.default_rng(round(azimuth_deg) + 1).normal(0, 0.5, p.shape)
    return np.clip(np.rint(170 * light + noise), 0, 255).astype(np.uint8)


def test_a_known_step_scales_the_relief_of_every_shot_and_the_record_says_so(folder):
    for k, (name, azimuth) in enumerate(SIDES.items()):
        save_png(folder / f"s{k}.png", pad(azimuth, 0.4))
        save_png(folder / "shot" / f"{k}-{name}.png", pad(azimuth, 0.2))
    lit = Lit(read_lights(tomllib.loads(LIGHTS + STEP), folder=folder))
    assert lit.sha not in (lit.document.sha, Lit(read_lights(tomllib.loads(LIGHTS))).sha)
    seen = seen_of(load_shot(folder / "shot", lit.document.each))
    relief = lit.relief(seen.shot.pictures, seen.grey, seen.colour, None)
    # A flank of 10 px at 0.4 rises by 4 px, which are 0.2 mm; one at 0.2 by 2 px, hence 0.1 mm.
    assert relief.scale.factor == pytest.approx(0.05, abs=2 * relief.scale.u)
    height = relief.picture("relief")
    assert np.median(height[10:70, 46:74]) - np.median(height[10:70, 2:27]) == pytest.approx(0.1, abs=0.003)
    assert relief.notes[-1].startswith("The relief is in mm after a known step: times 0.0")


def test_a_step_that_cannot_be_read_leaves_every_shot_without_relief(folder):
    for k, azimuth in enumerate(SIDES.values()):
        save_png(folder / f"s{k}.png", pad(azimuth, -0.4))
    lit = Lit(read_lights(tomllib.loads(LIGHTS + STEP), folder=folder))
    seen = seen_of(load_shot(folder / "shot", lit.document.each))
    told = lit.relief(seen.shot.pictures, seen.grey, seen.colour, None)
    assert told.code == "relief_refused"
    assert "[step]: the step reads as -4" in told.sentence


def test_a_step_that_cannot_be_read_is_refused_when_the_recipe_is_loaded(folder):
    for k, azimuth in enumerate(SIDES.values()):
        save_png(folder / f"s{k}.png", pad(azimuth, -0.4))
    (folder / "lights.toml").write_text(LIGHTS + STEP)
    with pytest.raises(UnusableDocument, match=r"lights.toml: \[step\]: the step reads as -4"):
        prepare(recipe_in(folder))
