"""`tiepoint relief`: what it writes and prints, and the sentence for each thing that it cannot use."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from tiepoint.documents.pictures import load_picture, save_png
from tiepoint.recipe.shots import load_shot, write_shot

NAMES = ("albedo", "slope_x", "slope_y", "curvature", "relief", "confidence", "raised", "sunken")
LIGHTS = 'format = "tiepoint/lights/1"\n' + "".join(
    f'[[light]]\nid = "{name}"\nazimuth_deg = {90 * k}\nelevation_deg = 45\n'
    for k, name in enumerate(("east", "north", "west", "south"))
)


def bump(gains=(1, 1, 1, 1), height=6.0, shape=(120, 160)):
    """Return a matte bump of 6 px height under four lamps at 45°, by Lambert's law."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    z = height * np.exp(-((x - 80) ** 2 + (y - 60) ** 2) / 200)
    p, q = -(x - 80) / 100 * z, (y - 60) / 100 * z
    n = np.stack([-p, -q, np.ones_like(p)]) / np.sqrt(1 + p * p + q * q)
    lamps = [(np.cos(a) * np.sqrt(0.5), np.sin(a) * np.sqrt(0.5), np.sqrt(0.5)) for a in np.radians([0, 90, 180, 270])]
    rng = np.random.default_rng(1)
    light = [g * 170 * np.clip(np.tensordot(lamp, n, 1), 0, None) for lamp, g in zip(lamps, gains, strict=True)]
    return [np.clip(np.rint(v + rng.normal(0, 1, shape)), 0, 255).astype(np.uint8) for v in light], z


def by_colour():
    text = LIGHTS
    for name, channel in zip(("east", "north", "west", "south"), "rgbr", strict=True):
        text = text.replace(f'id = "{name}"', f'id = "{name}"\nchannel = "{channel}"')
    return text


@pytest.fixture
def shot(tmp_path):
    pictures, _ = bump()
    paths = [tmp_path / f"{k}.png" for k in range(4)]
    for path, picture in zip(paths, pictures, strict=True):
        save_png(path, picture)
    (tmp_path / "lights.toml").write_text(LIGHTS)
    return paths


def test_it_writes_floats_composites_and_what_can_be_looked_at(cli, shot, tmp_path):
    said = cli("relief", *shot, "--lights", tmp_path / "lights.toml", "--out", tmp_path / "out", "--json")
    assert (said.code, said.json["unit"], said.json["flags"]) == (0, "px", [])
    assert said.json["pictures"] == {name: f"{name}.tiff" for name in NAMES}
    north = said.json["lights"][1]
    assert (north["id"], north["position_mm"]) == ("north", None)
    assert (north["azimuth_deg"], north["elevation_deg"]) == pytest.approx((90.0, 45.0))
    kinds = {name: np.asarray(Image.open(tmp_path / "out" / f"{name}.tiff")).dtype.str[1:] for name in NAMES}
    assert kinds == dict.fromkeys(NAMES[:6], "f4") | {"raised": "u2", "sunken": "u2"}
    relief = np.asarray(Image.open(tmp_path / "out" / "relief.tiff"))
    _, z = bump()
    assert relief == pytest.approx(z - z.mean(), abs=0.3)  # noise of 1 grey level of 120, integrated
    for name in NAMES:
        assert load_picture(tmp_path / "out" / f"{name}.png").size == (160, 120)


def test_a_tie_gives_millimetres_and_a_feature_in_them(cli, shot, tmp_path, tie_file):
    # The tie of the tests: 0.05 mm a pixel of a picture of 640 × 480.
    pictures, z = bump(shape=(480, 640))
    for path, picture in zip(shot, pictures, strict=True):
        save_png(path, picture)
    words = ("relief", *shot, "--lights", tmp_path / "lights.toml", "--tie", tie_file, "--out", tmp_path / "out")
    said = cli(*words, "--feature", "0.5mm", "--json")
    assert (said.code, said.json["unit"], said.json["feature_px"]) == (0, "mm", pytest.approx(10.0))
    relief = np.asarray(Image.open(tmp_path / "out" / "relief.tiff"))
    assert np.ptp(relief) == pytest.approx(0.05 * np.ptp(z), rel=0.1)
    told = cli(*words)
    assert "Lamp east: seen from the middle at azimuth 0.0°, elevation 45.0°." in told.out
    assert "relief in mm, relative" in told.out


def test_the_plate_again_names_the_lamp_that_differs(cli, shot, tmp_path):
    flats = "".join(f'"flat{k}.png", ' for k in range(4))
    (tmp_path / "lights.toml").write_text(LIGHTS + f"[flat]\npictures = [{flats}]\n")
    for k, picture in enumerate(bump(height=0.0)[0]):
        save_png(tmp_path / f"flat{k}.png", picture)
    for path, picture in zip(shot, bump((1, 1, 0.97, 1), 0.0)[0], strict=True):
        save_png(path, picture)
    words = ("relief", *shot, "--lights", tmp_path / "lights.toml", "--out", tmp_path / "out", "--plate")
    said = cli(*words)
    assert said.code == 1
    assert "The lamp west gives 3 % less light than it should." in said.out
    assert cli(*words, "--json").json["lamps_differ"] == ["The lamp west gives 3 % less light than it should."]


def test_a_lamp_that_the_shot_itself_shows_to_be_dim_is_told(cli, shot, tmp_path):
    for path, picture in zip(shot, bump((1, 0.9, 1, 1), 25.0)[0], strict=True):
        save_png(path, picture)
    said = cli("relief", *shot, "--lights", tmp_path / "lights.toml", "--out", tmp_path / "out", "--json")
    assert "lamp_differs" in said.json["flags"]
    assert "The lamp north gives 9.7 % less light than it should." in said.json["notes"]


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda d: (d / "3.png").unlink(), "look at its spelling and its folder"),
        (
            lambda d: save_png(d / "2.png", np.full((120, 161), 90, np.uint8)),
            "2.png has 161 × 120 px of 8 bits where 0.png",
        ),
        (lambda d: save_png(d / "2.png", np.full((120, 160), 90, np.uint16)), "160 × 120 px of 16 bits where 0.png"),
        (lambda d: [save_png(d / f"{k}.png", np.full((120, 160), 255, np.uint8)) for k in range(4)], "are saturated"),
        (lambda d: [save_png(d / f"{k}.png", np.zeros((120, 160), np.uint8)) for k in range(4)], "are dark under"),
        (lambda d: save_png(d / "2.png", np.zeros((120, 160), np.uint8)), "under the lamp west is black where others"),
        (lambda d: (d / "2.png").write_bytes((d / "1.png").read_bytes()), "north and west are one and the same"),
        (lambda d: (d / "lights.toml").write_text(by_colour()), "asks for 2; give one an exposure, in its order"),
        (lambda d: (d / "lights.toml").write_text(LIGHTS.replace("45", "0")), "choose above 0"),
        (lambda d: (d / "lights.toml").write_text("x = 1"), "has no line format"),
        (lambda d: (d / "lights.toml").write_text(LIGHTS.partition('[[light]]\nid = "south"')[0]), "asks for 3"),
    ],
)
def test_what_it_cannot_use_is_told_in_a_sentence(cli, shot, tmp_path, change, sentence):
    change(tmp_path)
    said = cli("relief", *shot, "--lights", tmp_path / "lights.toml", "--out", tmp_path / "out")
    assert (said.code, said.is_one_sentence()) == (2, True)
    assert sentence in said.err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--feature", "0.3mm"], "without --tie there are no millimetres; give it in px, as in 6px"),
        (["--feature", "bigpx"], "is no width; type it as 6px or 0.3mm"),
        (["--feature", "0px"], "choose 1 px to 1000 px"),
        (["--plate"], "is compared with [flat], which"),
    ],
)
def test_an_option_that_cannot_be_meant_is_told_in_a_sentence(cli, shot, tmp_path, words, sentence):
    said = cli("relief", *shot, "--lights", tmp_path / "lights.toml", "--out", tmp_path / "out", *words)
    assert (said.code, said.is_one_sentence()) == (2, True)
    assert sentence in said.err


def test_lamps_at_a_place_need_a_tie(cli, shot, tmp_path):
    text = LIGHTS.replace("azimuth_deg = 0\nelevation_deg = 45", "position_mm = [100, 0, 100]")
    (tmp_path / "lights.toml").write_text(text)
    said = cli("relief", *shot, "--lights", tmp_path / "lights.toml", "--out", tmp_path / "out")
    assert (said.code, "position_mm means nothing without a tie; give --tie" in said.err) == (2, True)


def test_a_folder_of_one_picture_a_lamp_is_a_shot_as_recipes_take_it(cli, shot, tmp_path):
    (tmp_path / "shot").mkdir()
    for path in shot:
        path.rename(tmp_path / "shot" / path.name)
    words = ("--lights", tmp_path / "lights.toml", "--out", tmp_path / "out", "--json")
    said = cli("relief", tmp_path / "shot", *words)
    assert (said.code, said.json["unit"]) == (0, "px")
    (tmp_path / "shot" / "3.png").unlink()
    refused = cli("relief", tmp_path / "shot", *words)
    assert refused.code == 2
    assert "holds 3 pictures where there are 4 lights" in refused.err


def test_a_shot_that_lacks_the_picture_of_a_light_is_refused_as_recipes_refuse_it(cli, shot, tmp_path):
    folder = tmp_path / "shot"
    folder.mkdir()
    for path in shot:
        path.rename(folder / path.name)
    # Pictures in another order than the lights; one of them under a lamp that there is not.
    lights = ("north", "east", "west", "somewhere")
    pictures = load_shot(folder, lights).shot.pictures
    kept = tuple(replace(p, role=f"p{k}", file=f"{k}.png") for k, p in enumerate(pictures))
    write_shot(folder, replace(load_shot(folder, lights).shot, pictures=kept))
    said = cli("relief", folder, "--lights", tmp_path / "lights.toml", "--out", tmp_path / "out")
    assert (said.code, said.is_one_sentence()) == (2, True)
    assert 'holds no picture under the light "south"' in said.err


def test_pictures_whose_names_tell_another_order_than_the_lights_are_refused(cli, shot, tmp_path):
    # As a shell gives them for *.png: in the order of the alphabet.
    sides = [
        path.rename(path.with_name(f"{n}.png"))
        for path, n in zip(shot, ("east", "north", "west", "south"), strict=True)
    ]
    words = ("--lights", tmp_path / "lights.toml", "--out", tmp_path / "out")
    said = cli("relief", *sorted(sides), *words)
    assert (said.code, said.is_one_sentence()) == (2, True)
    assert 'IMAGE... has south.png in the place of the light "west"; name the pictures in the order' in said.err
    assert cli("relief", *sides, *words).code == 0
    flat = '[flat]\npictures = ["east.png", "west.png", "north.png", "south.png"]\n'
    (tmp_path / "lights.toml").write_text(LIGHTS + flat)
    said = cli("relief", *sides, *words)
    assert (said.code, said.is_one_sentence()) == (2, True)
    assert '[flat] has west.png in the place of the light "north"' in said.err


def test_a_lamp_with_a_place_is_counted_from_the_ties_height_as_recipes_do(cli, shot, tmp_path, tie_file):
    # A lamp 100 mm east of the picture's middle (16, 12) mm and 100 mm above the plane stands at 45°; seen from a
    # surface 50 mm up, at atan(50/100) = 26.6°.
    pictures, _ = bump(shape=(480, 640))
    for path, picture in zip(shot, pictures, strict=True):
        save_png(path, picture)
    places = ([116, 12, 100], [16, 112, 100], [-84, 12, 100], [16, -88, 100])
    text = LIGHTS
    for k, place in enumerate(places):
        text = text.replace(f"azimuth_deg = {90 * k}\nelevation_deg = 45\n", f"position_mm = {place}\n")
    (tmp_path / "lights.toml").write_text(text)
    document = json.loads(tie_file.read_text())
    high = tmp_path / "high.json"
    high.write_text(json.dumps({**document, "height_mm": 50.0}))
    for tie, elevation in ((tie_file, 45.0), (high, math.degrees(math.atan(0.5)))):
        words = ("relief", *shot, "--lights", tmp_path / "lights.toml", "--tie", tie, "--out", tmp_path / "out")
        said = cli(*words, "--json")
        assert said.json["lights"][0]["elevation_deg"] == pytest.approx(elevation, abs=0.1)


STEP = """
[step]
pictures = ["s0.png", "s1.png", "s2.png", "s3.png"]
low = { centre = [20, 60], size = [38, 60] }
high = { centre = [80, 60], size = [36, 60] }
height_mm = 0.3
u_height_mm = 0.001
"""


def pad(height_px, k, shape=(120, 160)):
    """Return a matte pad 40 px wide, its flanks 15 px, by Lambert's law under the lamp k."""
    x = np.arange(shape[1], dtype=float)
    t = np.clip((np.abs(x - 80) - 20) / 15, 0, 1)
    p = -np.sign(x - 80) * height_px * 6 * t * (1 - t) / 15 * np.ones(shape)
    a = np.radians(90 * k)
    light = 170 * np.sqrt(0.5) * (1 - p * np.cos(a)) / np.sqrt(1 + p * p)
    return np.clip(np.rint(light + np.random.default_rng(k).normal(0, 1, shape)), 0, 255).astype(np.uint8)


@pytest.fixture
def stepped(shot, tmp_path):
    (tmp_path / "lights.toml").write_text(LIGHTS + STEP)
    for k, path in enumerate(shot):
        save_png(tmp_path / f"s{k}.png", pad(6.0, k))
        save_png(path, pad(3.0, k))
    return shot


def test_a_known_step_gives_relief_in_millimetres(cli, stepped, tmp_path):
    words = ("relief", *stepped, "--lights", tmp_path / "lights.toml", "--out", tmp_path / "out")
    said = cli(*words, "--json")
    # A pad of 6 px is stated to be 0.3 mm high: 0.05 mm each px, and one of 3 px is 0.15 mm high.
    scale = said.json["scale"]
    assert (said.code, said.json["unit"], said.json["relief_unit"]) == (0, "px", "mm")
    assert scale["factor"] == pytest.approx(0.05, abs=2 * scale["u_factor"])
    assert scale["u_factor"] < 0.001
    assert scale["step_read"] * scale["factor"] == pytest.approx(0.3)
    height = np.asarray(Image.open(tmp_path / "out" / "relief.tiff"))
    assert height[40:80, 70:90].mean() - height[40:80, 5:35].mean() == pytest.approx(0.15, abs=0.004)
    told = cli(*words)
    assert "relief in mm, after a known step" in told.out
    assert "The relief is in mm after a known step: times 0.0" in told.out


def test_without_a_known_step_relief_is_said_to_be_relative(cli, shot, tmp_path):
    said = cli("relief", *shot, "--lights", tmp_path / "lights.toml", "--out", tmp_path / "out", "--json")
    assert (said.json["relief_unit"], said.json["scale"]) == ("relative", None)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("height_mm = 0.3", "height_mm = 0", "step.height_mm"),
        ("[20, 60]", "[10, 60]", "[step]: low or high leaves the picture"),
        ("[20, 60]", "[50, 60]", "[step]: low and high overlap"),
        ('"s2.png", ', "", "[step] names 3 pictures where the lights take 4"),
        ("s2.png", "no.png", "[step]: cannot read"),
        ("[80, 60], size = [36, 60]", "[42, 60], size = [4, 60]", "[step]: the step reads as"),
    ],
)
def test_a_step_that_cannot_be_is_refused(cli, stepped, tmp_path, old, new, sentence):
    assert old in STEP
    (tmp_path / "lights.toml").write_text(LIGHTS + STEP.replace(old, new))
    said = cli("relief", *stepped, "--lights", tmp_path / "lights.toml", "--out", tmp_path / "out")
    assert said.code == 2
    assert sentence in said.err


def test_a_step_of_another_size_than_the_shot_is_refused(cli, stepped, tmp_path):
    for k, path in enumerate(stepped):
        save_png(path, pad(3.0, k, (120, 170)))
    said = cli("relief", *stepped, "--lights", tmp_path / "lights.toml", "--out", tmp_path / "out")
    assert "[step] has 160 × 120 px where the shot has 170 × 120 px" in said.err
