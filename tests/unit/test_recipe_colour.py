"""`colour` as a recipe runs it: what it reads, and what it refuses to read."""

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.reasons import FLAGS
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.beside import Beside
from tiepoint.recipe.masks import Mask
from tiepoint.recipe.recipe import Recipe, read_recipe
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.ties.tie import PARAMETERS, Sensor, Source, Tie

HEAD = 'format = "tiepoint/recipe/1"\nname = "cap"\n'
PATCH = "white = { region = { rectangle = { centre = [130, 40], size = [30, 30] } }"
REGION = "region = { rectangle = { centre = [60, 40], size = [50, 40] } }"
EVERY = 'readings = ["chroma", "hue", "spread"]'
CAP, WHITE = np.array([150, 60, 40]), np.array([220, 210, 190])


def picture(cap: np.ndarray = CAP, noise: float = 2.0, light: float = 1.0, seed: int = 1) -> np.ndarray:
    """Return a cap of one colour beside a white patch, under a lamp: light goes by the curve of IEC 61966-2-1."""
    encoded = np.full((90, 160, 3), 90.0)
    encoded[15:65, 30:90], encoded[20:60, 110:150] = cap, WHITE
    linear = light * ((encoded / 255 + 0.055) / 1.055) ** 2.4
    shown = (1.055 * linear ** (1 / 2.4) - 0.055) * 255
    return np.clip(np.rint(shown + np.random.default_rng(seed).normal(0, noise, shown.shape)), 0, 255).astype(np.uint8)


def recipe(more: str = "", region: str = REGION) -> Recipe:
    return read_recipe(tomllib.loads(f'{HEAD}[[step]]\nname = "cap"\nkind = "colour"\nin = "image"\n{region}\n{more}'))


def seen_of(pixels: np.ndarray, has_colour: bool = True) -> Seen:
    size = pixels.shape[1], pixels.shape[0]
    grey = np.rint(pixels.mean(axis=2)).astype(np.uint8)
    return Seen(
        Shot("shot", (Picture("picture", "", size, 8, "RGB8"),)),
        {"picture": grey},
        {"picture": Sensor(*size)},
        {"picture": pixels} if has_colour else {},
    )


def record(pixels: np.ndarray, more: str = "", region: str = REGION, has_colour: bool = True) -> Record:
    return run(Job(recipe(more, region), None), seen_of(pixels, has_colour)).record


def values(made: Record) -> dict[str, float]:
    assert all(r.value is not None for r in made.readings), [r.reason for r in made.readings]
    return {r.quantity: r.value for r in made.readings}


def reasons(made: Record) -> set[str]:
    return {r.reason.code for r in made.readings if r.reason}


def test_it_reads_the_colour_that_is_there() -> None:
    nominal = rgb2lab(np.uint8([[CAP]]))[0, 0]  # scikit-image's CIELAB
    made = record(picture(), 'nominal = [45, 40, 30]\nreadings = ["chroma", "hue", "spread", "delta_e"]')
    told = values(made)
    assert [told["L"], told["a"], told["b"]] == pytest.approx(nominal, abs=0.25)
    assert told["chroma"] == pytest.approx(np.hypot(*nominal[1:]), abs=0.3)
    assert told["hue"] == pytest.approx(np.degrees(np.arctan2(*nominal[:0:-1])), abs=0.3)
    assert told["delta_e"] == pytest.approx(deltaE_ciede2000(np.array([45.0, 40.0, 30.0]), nominal), abs=0.25)
    assert {r.unit for r in made.readings} == {"1", "deg"}
    assert all("camera_colour" in r.flags for r in made.readings)
    assert not FLAGS["camera_colour"].forbids


@pytest.mark.parametrize("region", [
    "region = { ring = { centre = [60, 40], inner = 5, outer = 22 } }",
    "region = { arc = { centre = [60, 40], radius = 15, width = 12, from_deg = -50, to_deg = 200 } }",
    "region = { polygon = { points = [[35, 20], [85, 22], [60, 62]] } }",
    "region = { rectangle = { centre = [60, 40], size = [30, 40], angle_deg = 30 } }",
])  # fmt: skip
def test_every_shape_of_region(region: str) -> None:
    whole, other = record(picture()), record(picture(), region=region)
    for a, b in zip(whole.readings, other.readings, strict=True):
        assert b.value == pytest.approx(a.value, abs=4 * np.hypot(a.u, b.u))


def test_intervals_hold_and_say_what_they_are_made_of() -> None:
    # 60 pictures whose noise alone differs, against the mean of them all: 4 readings, errors over u of unit spread.
    made = [record(picture(seed=k), EVERY) for k in range(60)]
    for name in ("L", "a", "b", "chroma", "hue", "spread"):
        readings = [next(r for r in m.readings if r.quantity == name) for m in made]
        told, u = np.array([(r.value, r.u) for r in readings]).T
        # The deviation of 60 errors has a relative sampling deviation of 1/√118 = 0.09.
        assert 0.7 < (told - told.mean()).std() / u.mean() < 1.3, name
        assert {s.label for s in readings[0].sources} == {'Scatter of "cap"'}


def test_a_white_patch_takes_the_lamp_out() -> None:
    white = f"{PATCH}, reflectance = 0.9, u = 0.02 }}"
    bright, dim = (record(picture(light=light, noise=1.0), white) for light in (1.0, 0.6))
    plain, dark = (record(picture(light=light, noise=1.0)) for light in (1.0, 0.6))
    moved = [b.value - a.value for a, b in zip(plain.readings, dark.readings, strict=True)]
    assert moved[0] < -8
    for a, b in zip(bright.readings, dim.readings, strict=True):
        assert b.value == pytest.approx(a.value, abs=0.4)
    # Closed form: light is 0.9·cap/white by channel; u of the white scales it all.
    light = 0.9 * (((CAP / 255 + 0.055) / (WHITE / 255 + 0.055)) ** 2.4)
    Y = light @ [0.2126, 0.7152, 0.0722]
    L = bright.readings[0]
    assert L.value == pytest.approx(116 * np.cbrt(Y) - 16, abs=0.2)
    known = next(s for s in L.sources if s.label == "Reflectance of the white")
    assert abs(known.c * known.u) == pytest.approx(116 / 3 * np.cbrt(Y) * 0.02 / 0.9, rel=1e-3)
    assert known.scope == "station"


def plane_tie() -> Tie:
    """Return a tie of 0.1 mm per pixel, y up from the lower left corner of the picture."""
    H = np.array([[0.1, 0, 0], [0, -0.1, 8.9], [0, 0, 1.0]])
    corners = np.array([[0, 0], [159, 0], [159, 89], [0, 89]], float)
    factor = np.zeros((len(PARAMETERS), 1))
    source = Source("rule", "scale of the rule", "B", 1e-4, "instrument")
    return Tie(
        "t", "target", "image", "plane", "projective", H, corners, sources=(source,), factor=factor,
        sensor=Sensor(160, 90),
    )  # fmt: skip


def test_a_region_in_the_plane_and_a_white_that_stands_still_in_the_picture() -> None:
    in_image = record(picture(), f"{PATCH}, reflectance = 0.9 }}")
    text = f"""{HEAD}[[step]]
name = "cap"
kind = "colour"
region = {{ rectangle = {{ centre = [6.0, 4.9], size = [5.0, 4.0] }} }}
{PATCH}, reflectance = 0.9, in = "image" }}
"""
    made = run(Job(read_recipe(tomllib.loads(text)), plane_tie()), seen_of(picture())).record
    assert [r.frame for r in made.readings] == ["plane"] * 3
    assert [r.value for r in made.readings] == pytest.approx([r.value for r in in_image.readings], abs=0.05)


def test_linear_levels_are_taken_as_light() -> None:
    told = values(record(picture(noise=1.0), 'encoding = "linear"'))
    assert told["L"] == pytest.approx(116 * np.cbrt(CAP / 255 @ [0.2126, 0.7152, 0.0722]) - 16, abs=0.1)


def test_a_nominal_colour_is_judged() -> None:
    white = f"{PATCH}, reflectance = 0.9 }}\n"
    L, a, b = (r.value for r in record(picture(), white).readings)
    limit = f"{white}nominal = [{L}, {a}, {b}]\nlimits.delta_e.upper = 2"
    near = record(picture(seed=5), limit)
    assert near.verdict == "conforms"
    assert 0 <= near.readings[-1].value < 0.2
    far = record(picture(CAP + np.array([0, 12, 0]), seed=5), limit)
    assert far.verdict == "rejected"


@pytest.mark.parametrize("light", [1.0, 0.95])
def test_without_a_white_a_lamp_reads_as_a_colour_and_nothing_conforms(light: float) -> None:
    # The same cap under a light that is 5 % weaker: ΔE00 0.8 where the truth is 0, which its ± does not hold.
    nominal = rgb2lab(np.uint8([[CAP]]))[0, 0].tolist()
    made = record(picture(light=light), f"nominal = {nominal}\nlimits.delta_e.upper = 3\nlimits.L = {{ lower = 1 }}")
    assert {r.verdict for r in made.readings if r.limits is not None} == {"undecided"}
    assert all("white_not_stated" in r.flags for r in made.readings)
    seen = made.readings[-1].value
    dimmed = rgb2lab((1.055 * (light * ((CAP / 255 + 0.055) / 1.055) ** 2.4) ** (1 / 2.4) - 0.055)[None, None])[0, 0]
    assert seen == pytest.approx(deltaE_ciede2000(np.array(nominal), dimmed), abs=0.1)
    assert "white_not_stated" not in record(picture(), f"{PATCH} }}").readings[0].flags


def test_grey_has_no_hue() -> None:
    made = record(picture(np.array([120, 120, 120])), 'readings = ["hue"]')
    assert reasons(made) == {"no_hue"}


def test_what_cannot_be_told_is_not_told() -> None:
    assert reasons(record(picture(), has_colour=False)) == {"no_colour"}
    assert reasons(record(picture(np.array([255, 60, 40])))) == {"saturated"}
    assert reasons(record(picture(np.array([0, 0, 0]), noise=0.0))) == {"no_light"}
    assert reasons(record(picture(np.array([200, 0, 0]), noise=0.0))) == {"no_light"}
    assert reasons(record(picture(), region=REGION.replace("60, 40", "10, 40"))) == {"outside_picture"}
    assert reasons(record(picture(), region=REGION.replace("50, 40", "5, 5"))) == {"few_pixels"}
    white = f"{PATCH} }}"
    bright = picture()
    bright[20:60, 110:150] = 255
    made = record(bright, white)
    assert reasons(made) == {"white_unusable"}
    assert made.readings[0].reason.sentence.endswith("100 % of the pixels that matter are saturated.")
    for pixels in (np.zeros((90, 160, 3), np.uint8), np.full((90, 160, 3), 255, np.uint8)):
        assert record(pixels, "limits.L = { lower = 0, upper = 100 }").verdict == "unread"


def test_single_glints_are_left_out_and_said() -> None:
    pixels = picture()
    before = record(pixels)
    pixels[30:33, 50:53] = 255
    made = record(pixels)
    assert "glints_left_out" in made.readings[0].flags
    assert made.readings[0].value == pytest.approx(before.readings[0].value, abs=0.05)


def test_what_is_painted_over_does_not_count() -> None:
    pixels = picture()
    before = record(pixels)
    pixels[20:40, 35:86] = (30, 60, 160)
    painted = np.zeros((10, 10), bool)
    painted[:6] = True  # the top of the region is up in the picture
    plain = recipe()
    step = replace(plain.order[0], beside=Beside(Mask(painted)))
    made = run(Job(replace(plain, steps=(step,), order=(step,)), None), seen_of(pixels)).record
    assert made.readings[1].value == pytest.approx(before.readings[1].value, abs=0.3)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("limits.delta_e.upper = 2", "nominal is missing, and delta_e is told from it; give L"),
        ('plane = "r"', "plane stands in a colour step, which looks at all three channels; leave it out"),
        ('encoding = "log"', 'encoding is "log"; use "sRGB" or "linear"'),
        ("nominal = [1, 2]", "nominal"),
        (f'{PATCH}, in = "cap" }}', "white.in is not known"),
        (f"{PATCH}, reflectance = 0 }}", "choose above 0"),
        ("white = { region = {} }", "white.region states no shape; give a rectangle, a ring, an arc or a polygon"),
    ],
)  # fmt: skip
def test_what_is_written_wrongly_is_refused_in_a_sentence(more: str, words: str) -> None:
    with pytest.raises(UnusableDocument, match=words.replace("*", r"\*")):
        recipe(more)


def test_the_page_works_as_it_is_written() -> None:
    page = (Path(__file__).parents[2] / "docs/how-to/tell-a-colour.md").read_text("utf-8")
    text = page.split("```toml\n")[1].split("```")[0]
    made = run(Job(read_recipe(tomllib.loads(text)), None), seen_of(picture())).record
    assert made.verdict == "conforms"
    assert [r.quantity for r in made.readings] == ["L", "a", "b", "delta_e"]
