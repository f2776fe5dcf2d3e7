"""`lights.toml`: what it says, and the sentence for each thing that it must not say."""

import tomllib

import numpy as np
import pytest

from tiepoint.documents.pictures import save_png
from tiepoint.foundation.errors import UnusableDocument
from tiepoint.recipe.lights import load_lights, read_lights
from tiepoint.vision.relief_lights import to_angles

HEAD = 'format = "tiepoint/lights/1"\n'


def ring(count=4, elevation=45, more=""):
    return HEAD + "".join(
        f'[[light]]\nid = "{k}"\nazimuth_deg = {360 / count * k}\nelevation_deg = {elevation}\n{more}'
        for k in range(count)
    )


def read(text, **options):
    return read_lights(tomllib.loads(text), **options)


def test_directions_are_where_the_lamps_are_seen_from_the_part():
    document = read(ring(more='gain = 0.9\nwavelength_nm = 470\npulse_us = 200\nrisk_group = "exempt"\n'))
    lights = document.lights()
    assert lights.ids == ("0", "1", "2", "3")
    assert lights.lights[0].direction == pytest.approx((np.sqrt(0.5), 0, np.sqrt(0.5)))
    assert lights.lights[1].direction == pytest.approx((0, np.sqrt(0.5), np.sqrt(0.5)))
    assert to_angles(lights.lights[3].direction) == pytest.approx((270, 45))
    assert {light.gain for light in lights.lights} == {0.9}
    assert document.flat is None


def test_the_hash_is_that_of_the_content_and_not_of_the_spelling():
    assert read(ring()).sha == read(ring().replace("azimuth_deg = 0.0", "azimuth_deg=0.0 # east")).sha
    assert read(ring()).sha != read(ring(elevation=46)).sha


EVEN_CROSSTALK = "crosstalk = [[1, 0, 0], [0, 1, 0], [0, 0, 1]]\n"
LAMP = '[[light]]\nid = "{}"\n{}\n'


def colours(crosstalk):
    text = ring(3)
    for k, channel in enumerate("rgb"):
        text = text.replace(f'id = "{k}"', f'id = "{k}"\nchannel = "{channel}"')
    return text.replace(HEAD, HEAD + f"crosstalk = {crosstalk}\n")


def lamps(more, count=4):
    return HEAD + "".join(LAMP.format(k, more) for k in range(count))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (HEAD, "light is missing; it must be stated"),
        (ring(2), "lights.toml has 2 lights; relief takes 3 to 16"),
        (ring(17), "lights.toml has 17 lights"),
        (ring(4).replace('id = "3"', 'id = "1"'), 'light "1" stands twice; give each lamp an id of its own'),
        (ring(4, 0), "light[0].elevation_deg is 0; choose above 0"),
        (ring(4, 91), "light[0].elevation_deg is 91; choose at most 90"),
        (ring(4).replace("elevation_deg = 45", "", 1), 'light "0" has no elevation_deg; state both angles'),
        (ring(4, more="position_mm = [1, 2, 3]\n"), 'light "0" has both azimuth_deg and position_mm; keep one'),
        (ring(4, more="azimut = 3\n"), "did you mean"),
        (ring(4, more="gain = 0\n"), "light[0].gain is 0; choose at least 0.001"),
        (ring(4, more="gain = 1e-300\n"), "light[0].gain is 1e-300; choose at least 0.001"),
        (ring(4, more="gain = 1e6\n"), "light[0].gain is 1000000.0; choose at most 1000"),
        (ring(4).replace('"3"', '"a\\u202eb"'), "without quotes and without #, and without unseen characters"),
        (ring(4).replace('"3"', '"a\\u009b31m"'), "without quotes and without #, and without unseen characters"),
        (colours("[[0, 0, 0], [0, 0, 0], [0, 0, 0]]"), "crosstalk has 0 on its diagonal; state above 0"),
        (colours("[[1, 0, 0], [0, -1, 0], [0, 0, 1]]"), "crosstalk has -1 on its diagonal; state above 0"),
        (colours("[[1, 1, 1], [1, 1, 1], [1, 1, 1]]"), "crosstalk mixes the channels so that they cannot be parted"),
        (ring(4, more='channel = "x"\n'), 'light[0].channel is "x"; use "r", "g" or "b"'),
        (ring(4).replace('id = "0"\n', 'id = "0"\nchannel = "r"\n'), '"1", "2" and "3" has no channel, and others'),
        (ring(4, more="aim_mm = [0, 0, 0]\n"), "aim_mm and half_angle_deg go together"),
        (lamps("position_mm = [1, 0, -5]"), "a lamp stands above the plane"),
        (lamps(""), "is no [ball] or [flat] to find it by; state one"),
        (
            HEAD + "".join(LAMP.format(k, f"azimuth_deg = 0\nelevation_deg = {20 + 20 * k}") for k in range(4)),
            "the lamps stand in one plane with the part; slopes across that plane cannot be told",
        ),
        (ring() + '[flat]\npictures = ["a.png"]\n', "[flat] names 1 pictures where the lights take 4; one each"),
        (EVEN_CROSSTALK + ring(), "crosstalk is that of three lights with the channels"),
        (ring().replace("lights/1", "lights/2"), "newer than this program reads"),
    ],
)  # fmt: skip
def test_what_lights_must_not_say_is_told_in_a_sentence(text, sentence):
    with pytest.raises(UnusableDocument) as told:
        read(text)
    assert sentence in str(told.value)


def test_lamps_in_one_plane_are_refused_however_many_they_are():
    # Three lamps in one upright plane through the part: their directions span two dimensions.
    text = HEAD + "".join(
        LAMP.format(k, f"azimuth_deg = {a}\nelevation_deg = {e}")
        for k, (a, e) in enumerate([(30, 40), (210, 60), (30, 80)])
    )
    with pytest.raises(UnusableDocument, match="in one plane"):
        read(text)


def ball_picture(direction, size=200, radius=80):
    """Return a mirror ball that shows a lamp, by the mirror law at every pixel: bright where 2(n·z)n − z nears it."""
    y, x = np.mgrid[:size, :size]
    nx, ny = (x - 100) / radius, -(y - 98) / radius
    nz = np.sqrt(np.clip(1 - nx**2 - ny**2, 0, 1))
    mirrored = np.stack([2 * nz * nx, 2 * nz * ny, 2 * nz * nz - 1])
    near = np.tensordot(direction, mirrored, 1)
    return np.clip(30 * (nz > 0) + 400 * np.exp((near - 1) / 2e-3), 0, 255).astype(np.uint8)


def test_lamps_are_found_on_a_mirror_ball(tmp_path):
    directions = [(np.cos(a) * 0.6, np.sin(a) * 0.6, 0.8) for a in np.radians([10, 100, 190, 280])]
    for k, direction in enumerate(directions):
        save_png(tmp_path / f"ball{k}.png", ball_picture(direction))
    names = ", ".join(f'"ball{k}.png"' for k in range(4))
    text = lamps("")
    text += f"[ball]\npictures = [{names}]\ncentre_px = [100, 98]\nradius_px = 80\n"
    (tmp_path / "lights.toml").write_text(text)
    document = load_lights(tmp_path / "lights.toml")
    for light, direction in zip(document.lights().lights, directions, strict=True):
        assert np.degrees(np.arccos(np.dot(light.direction, direction))) < 0.3
    # The picture's right is the plane's −y: on the plane the lamps stand turned by −90°.
    turned = document.lights(np.array([[0.0, -0.1, 0], [-0.1, 0.0, 0]]))
    assert to_angles(turned.lights[0].direction)[0] == pytest.approx(280, abs=0.3)
    (tmp_path / "lights.toml").write_text(text.replace("radius_px = 80", "radius_px = 180"))
    with pytest.raises(UnusableDocument, match="the ball leaves the picture; look at centre_px and radius_px"):
        load_lights(tmp_path / "lights.toml").lights()


def flat_under(place, rows=120, cols=160, mm=0.5):
    x, y = (np.arange(cols) - 80) * mm, (60 - np.arange(rows)) * mm
    away = [place[0] - x[None], place[1] - y[:, None]]
    return place[2] / (away[0] ** 2 + away[1] ** 2 + place[2] ** 2) ** 1.5


def test_near_lamps_are_found_by_their_light_on_a_flat_plate(tmp_path):
    places = [(150, 0, 180), (0, 150, 180), (-150, 0, 180), (0, -150, 180)]
    pictures = [flat_under(place) for place in places]
    scale = 60000 / max(p.max() for p in pictures)
    for k, picture in enumerate(pictures):
        save_png(tmp_path / f"flat{k}.png", np.rint(scale * picture).astype(np.uint16))
    names = ", ".join(f'"flat{k}.png"' for k in range(4))
    text = lamps("") + f"[flat]\npictures = [{names}]\n"
    (tmp_path / "lights.toml").write_text(text)
    document = load_lights(tmp_path / "lights.toml")
    found = document.lights(np.array([[0.5, 0, -40], [0, -0.5, 30]]))
    assert document.flat[0].dtype == np.uint16
    for light, place in zip(found.lights, places, strict=True):
        assert light.position_mm == pytest.approx(place, abs=1.5)
    with pytest.raises(UnusableDocument, match="which takes a tie"):
        document.lights()
    save_png(tmp_path / "flat0.png", np.full((120, 160), 30000, np.uint16))
    with pytest.raises(UnusableDocument, match="falls off too little over the plate"):
        load_lights(tmp_path / "lights.toml").lights(np.array([[0.5, 0, -40], [0, -0.5, 30]]))


def test_pictures_of_the_flat_reference_must_be_alike(tmp_path):
    for k in range(4):
        save_png(tmp_path / f"{k}.png", np.full((40, 50 + k), 100, np.uint8))
    (tmp_path / "lights.toml").write_text(ring() + '[flat]\npictures = ["0.png", "1.png", "2.png", "3.png"]\n')
    with pytest.raises(UnusableDocument, match=r"1.png has 51 × 40 px of 8 bits where 0.png has 50 × 40"):
        _ = load_lights(tmp_path / "lights.toml").flat


@pytest.mark.parametrize(("level", "what"), [(0, "black"), (255, "saturated")])
def test_a_flat_reference_that_shows_no_light_is_refused(tmp_path, level, what):
    # Three quarters of it are blank: a lamp's strength there was seen by nobody.
    for k in range(4):
        picture = np.full((40, 60), 100, np.uint8)
        picture[:30] = level if k == 2 else 100
        save_png(tmp_path / f"{k}.png", picture)
    (tmp_path / "lights.toml").write_text(ring() + '[flat]\npictures = ["0.png", "1.png", "2.png", "3.png"]\n')
    with pytest.raises(UnusableDocument, match=rf'\[flat\] is {what} under light "2"; take it again'):
        _ = load_lights(tmp_path / "lights.toml").flat


def test_a_picture_that_is_not_there_is_told_with_who_names_it(tmp_path):
    (tmp_path / "lights.toml").write_text(ring() + '[flat]\npictures = ["0.png", "1.png", "2.png", "3.png"]\n')
    with pytest.raises(UnusableDocument, match=r"lights.toml: \[flat\]: cannot read .*0.png: no such file"):
        _ = load_lights(tmp_path / "lights.toml").flat
