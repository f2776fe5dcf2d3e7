"""From files to files: recipe, tie, variants and shots in; records, tables and overlays out."""

import csv
import io
import json
import math
import tomllib
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.special import erf

from tiepoint.cli.main import main
from tiepoint.documents.pictures import encode_png, load_picture
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.foundation.reasons import FLAGS, Reason
from tiepoint.foundation.sources import Source
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture, RobotPose, Shot
from tiepoint.recipe.foresee import foresee
from tiepoint.recipe.recipe import load_recipe, read_recipe
from tiepoint.recipe.records import (
    COLUMNS,
    read_records,
    recompute,
    record_from,
    record_json,
    records_csv,
    sealed,
    write_records,
)
from tiepoint.recipe.shots import load_shot, write_shot
from tiepoint.recipe.station import prepare, run_shots
from tiepoint.recipe.variants import load_variants
from tiepoint.ties.document import to_document
from tiepoint.ties.tie import PARAMETERS, Sensor, Tie

KEPT = Path(__file__).resolve().parents[1] / "data" / "recipes"
SIZE = (200, 160)

RECIPE = """
format = "tiepoint/recipe/1"
name = "plate"
tie = "tie.json"
height = 0.0
u_height = 0.0

[[step]]
name = "A"
kind = "circle"
region.ring = { centre = [6, 7.9], inner = 1, outer = 3.2 }
limits.diameter = { lower = 3.9, upper = 4.1 }
drawing = "=1+1"

[[step]]
name = "B"
kind = "circle"
region.ring = { centre = [14, 7.9], inner = 1, outer = 3.2 }
limits.diameter = { lower = 3.9, upper = 4.1 }

[[step]]
name = "A to B"
kind = "distance"
between = ["A", "B"]
limits.distance = { lower = 7.9, upper = 8.1 }
"""


def picture(radius: float = 20.0, holes: int = 2, noise: float = 1.0) -> np.ndarray:
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]].astype(float)
    light = np.full(x.shape, 180.0)
    for cx in (60.0, 140.0)[:holes]:
        light -= 75 * (1 - erf((np.hypot(x - cx, y - 80) - radius) / (0.9 * math.sqrt(2))))
    return np.clip(light + np.random.default_rng(0).normal(0, noise, x.shape), 0, 255).astype(np.uint8)


def tie(**changes) -> Tie:
    H = np.array([[0.1, 0, 0], [0, -0.1, 0.1 * (SIZE[1] - 1)], [0, 0, 1.0]])
    factor = np.zeros((len(PARAMETERS), 1))
    factor[:6, 0] = H[:2].ravel()
    a, b, c = 0.0, SIZE[0] - 1.0, SIZE[1] - 1.0
    plain = Tie(
        "t", "target", "image", "plane", "projective", H, np.array([[a, a], [b, a], [b, c], [a, c]]),
        sources=(Source("rule", "scale of the rule", "B", 1e-4, "instrument"),), factor=factor, sensor=Sensor(*SIZE),
    )  # fmt: skip
    return replace(plain, **changes)


HEIGHT = "height = 0.0\nu_height = 0.0\n"


def write_tie(path: Path, **changes) -> Path:
    path.write_text(json.dumps(to_document(tie(**changes))), encoding="utf-8")
    return path


@pytest.fixture
def place(tmp_path) -> Path:
    (tmp_path / "plate.toml").write_text(RECIPE, encoding="utf-8")
    write_tie(tmp_path / "tie.json")
    (tmp_path / "good.png").write_bytes(encode_png(picture()))
    (tmp_path / "wide.png").write_bytes(encode_png(picture(radius=21.0)))
    (tmp_path / "half.png").write_bytes(encode_png(picture(holes=1)))
    return tmp_path


def ran(place: Path, *names: str, **more):
    return list(run_shots(prepare(place / "plate.toml", **more), [place / n for n in names]))


def sentence(place: Path, **more) -> str:
    with pytest.raises(TiepointError) as caught:
        prepare(place / "plate.toml", **more)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_shots_become_records_in_their_order(place):
    records = [r.record for r in ran(place, "good.png", "wide.png", "half.png")]
    assert [r.verdict for r in records] == ["conforms", "rejected", "unread"]
    assert [r.seq for r in records] == [1, 2, 3]
    assert records[0].shot.id.startswith("good-")
    assert len({r.recipe_sha for r in records}) == 1
    assert all(len(r.tie_shas) == 1 and len(r.tie_shas[0]) == 64 for r in records)
    assert all(r.software.startswith("tiepoint ") for r in records)
    assert set(records[0].timings) == {"A", "B", "A to B"}


def test_the_same_shot_has_the_same_hash_whenever_it_is_run(place):
    first, second = (ran(place, "good.png")[0].record for _ in range(2))
    assert first.sha == second.sha
    assert replace(first, timings={}) == replace(second, timings={})
    assert first.sha != ran(place, "wide.png")[0].record.sha


def test_records_are_written_and_read_back_whole(place):
    records = [r.record for r in ran(place, "good.png", "half.png")]
    write_records(place / "out", records)
    assert read_records(place / "out" / "records.jsonl") == records
    lines = (place / "out" / "records.jsonl").read_text(encoding="utf-8").splitlines()
    assert json.loads(lines[0])["format"] == "tiepoint/record/1"
    for reading in records[0].readings:
        assert recompute(reading).u == pytest.approx(reading.u, rel=1e-12)
        assert recompute(reading).verdict == reading.verdict


def test_the_table_has_a_row_a_reading_and_no_formula(place):
    records = [r.record for r in ran(place, "good.png", "half.png")]
    rows = list(csv.DictReader(io.StringIO(records_csv(records))))
    assert len(rows) == 6
    assert tuple(rows[0]) == COLUMNS
    assert rows[0]["drawing"] == "'=1+1"
    assert float(rows[0]["value"]) == records[0].readings[0].value
    assert rows[4]["value"] == ""
    assert rows[4]["reason"] == records[1].readings[1].reason.sentence
    assert "edge" in rows[4]["reason"]
    assert {r["verdict"] for r in rows[4:]} == {"unread"}


@settings(deadline=None)
@given(st.text(max_size=20))
def test_no_text_of_a_table_is_run_by_a_spreadsheet(text):
    reading = Reading(
        "a", "a", "circle", "diameter", "mm", "a", "plane", drawing=text, reason=Reason("no_edge"), operator=text
    )
    shot = Shot(text or "x", (Picture("picture", "", (9, 9), 8, "Mono8"),), part_id=text)
    made = Record("", 1, shot, "", (), "", (reading,), "unread")
    row = list(csv.reader(io.StringIO(records_csv([made]), newline="")))[1]
    # OWASP, CSV injection: a cell that starts with one of these may be run as a formula.
    assert not any(cell[:1] in ("=", "+", "-", "@", "\t", "\r") and not cell[1:2].isdigit() for cell in row)


def test_an_altered_record_is_told(place):
    (made,) = [r.record for r in ran(place, "good.png")]
    content = record_json(made)
    content["readings"][0]["value"] += 0.001
    with pytest.raises(TiepointError, match="was altered: its content is not what its sha was taken of"):
        record_from(content)
    # Who has checked the chain that holds it need not take its hash again.
    assert record_from(content, vouched=True).readings[0].value == content["readings"][0]["value"]
    content["format"] = "tiepoint/record/2"
    with pytest.raises(TiepointError, match="newer than this program reads"):
        record_from(content)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_damaged_records_are_refused_in_a_sentence(place, data):
    content = record_json(_made(place))
    node, key = content, data.draw(st.sampled_from(sorted(content)))
    for _ in range(3):
        inner = node[key]
        if isinstance(inner, dict) and inner and data.draw(st.booleans()):
            node, key = inner, data.draw(st.sampled_from(sorted(inner)))
        elif isinstance(inner, list) and inner and data.draw(st.booleans()):
            node, key = inner, data.draw(st.integers(0, len(inner) - 1))
    node[key] = data.draw(st.sampled_from([None, 3, -1.5, "x", [], {}, True, ["x"], {"x": 1}]))
    try:
        told = record_from(content).verdict
    except TiepointError as error:
        told = str(error)
    assert told


_KEPT_RECORDS: list[Record] = []


def _made(place: Path) -> Record:
    if not _KEPT_RECORDS:
        _KEPT_RECORDS.append(ran(place, "good.png")[0].record)
    return sealed(_KEPT_RECORDS[0])


def test_the_command_line_s_tie_wins_and_the_record_says_so(place):
    write_tie(place / "other.json", id="other")
    (made,) = [r.record for r in ran(place, "good.png", tie_path=place / "other.json")]
    assert made.notes == (
        'The tie "other.json" was given on the command line and used instead of the recipe\'s "tie.json".',
    )
    (same,) = [r.record for r in ran(place, "good.png", tie_path=place / "tie.json")]
    assert same.notes == ()
    assert made.tie_shas != same.tie_shas


def test_what_a_run_rests_on_is_checked_first(place):
    (place / "plate.toml").write_text(RECIPE.replace('tie = "tie.json"\n', ""), encoding="utf-8")
    assert "states no tie; give one with --tie" in sentence(place)
    (place / "plate.toml").write_text(RECIPE.replace("tie.json", "none.json"), encoding="utf-8")
    assert "none.json" in sentence(place)
    (place / "plate.toml").write_text(RECIPE, encoding="utf-8")
    write_tie(place / "tie.json", to_frame="robot")
    assert "is a tie from image to robot" in sentence(place)
    assert "give --variants too" in sentence(place, variant="left")


def test_a_recipe_in_the_image_needs_no_tie(place):
    (place / "plate.toml").write_bytes((KEPT / "in-the-image.toml").read_bytes())
    prepared = prepare(place / "plate.toml")
    assert prepared.tie is None
    given_ = prepare(place / "plate.toml", tie_path=place / "tie.json")
    assert given_.warnings == ("The tie that was given is not used: every step of the recipe measures in the image.",)


def test_a_height_that_the_tie_cannot_be_moved_to_is_refused(place):
    (place / "plate.toml").write_text(RECIPE.replace("height = 0.0", "height = 3.0", 1), encoding="utf-8")
    said = sentence(place)
    assert said.startswith("the surface of the part is stated at 3 mm (u 0 mm), and the tie was made at 0 mm: ")
    assert "camera" in said


NOT_STATED = FLAGS["height_not_stated"].sentence


def test_a_height_that_nobody_stated_is_said_once_and_flags_lengths_alone(place):
    (place / "plate.toml").write_text(RECIPE.replace(HEIGHT, ""), encoding="utf-8")
    prepared = prepare(place / "plate.toml")
    assert prepared.warnings == (NOT_STATED,)
    (made,) = [r.record for r in run_shots(prepared, [place / "good.png"])]
    assert made.notes.count(NOT_STATED) == 1
    assert {("height_not_stated" in r.flags) for r in made.readings if r.unit == "mm"} == {True}
    assert not [r for r in made.readings if r.unit == "deg" and "height_not_stated" in r.flags]
    # The ± holds in the tie's plane alone, and nobody said that the edges lie there.
    judged = [r for r in made.readings if r.limits is not None]
    assert {(r.verdict, r.reason.code if r.reason else "") for r in judged} == {("undecided", "doubtful")}
    assert made.verdict == "undecided"


def test_a_variant_may_state_the_height(place):
    (place / "plate.toml").write_text(RECIPE.replace(HEIGHT, ""), encoding="utf-8")
    (place / "variants.csv").write_text("variant,height_mm,u_height_mm\nflat,0,0\n", encoding="utf-8")
    prepared = prepare(place / "plate.toml", variants_path=place / "variants.csv", variant="flat")
    assert prepared.warnings == ()


def test_a_variant_s_height_without_its_uncertainty_takes_the_recipe_s_or_is_refused(place):
    (place / "variants.csv").write_text("variant,height_mm\nflat,0\n", encoding="utf-8")
    chosen = {"variants_path": place / "variants.csv", "variant": "flat"}
    assert prepare(place / "plate.toml", **chosen).warnings == ()
    (place / "plate.toml").write_text(RECIPE.replace(HEIGHT, ""), encoding="utf-8")
    assert 'variant "flat" has a height_mm without u_height_mm, and the recipe states no u_height' in sentence(
        place, **chosen
    )


def test_under_parallel_rays_the_height_does_not_matter(place):
    (place / "plate.toml").write_text(RECIPE.replace(HEIGHT, ""), encoding="utf-8")
    write_tie(place / "tie.json", made="target", model="affine")
    assert prepare(place / "plate.toml").warnings == ()


def test_a_tie_that_knows_its_camera_is_moved_to_the_part_s_height(place):
    text = RECIPE.replace(HEIGHT, "height = 4.0\nu_height = 0.2\n")
    (place / "plate.toml").write_text(text, encoding="utf-8")
    (place / "good.png").write_bytes(encode_png(picture(noise=0.0)))
    flat = ran(place, "good.png", tie_path=write_tie(place / "flat.json", height_mm=4.0, u_height_mm=0.2))
    write_tie(place / "tie.json", distance_mm=400.0, foot_mm=(10.0, 8.0))
    moved = ran(place, "good.png")
    before, after = flat[0].record.readings[2], moved[0].record.readings[2]
    # 4 mm nearer to a lens 400 mm away: lengths are 1 % shorter (similar triangles, ΔL = L·h/(Z − h) turned about),
    # and the height's u of 0.2 mm is 0.2/400 of them.
    # Strips lie where the region is seen, which is elsewhere now, over other pixels: without noise that moves edges by
    # less than a thousandth of a pixel.
    assert after.value / before.value == pytest.approx(1 - 4 / 400, abs=1e-5)
    (term,) = [t for t in after.sources if t.id == "height:plate"]
    assert abs(term.c * term.u) == pytest.approx(before.value * 0.2 / 400, rel=1e-4)
    assert term.scope == "station"


def variants(place: Path, text: str) -> Path:
    path = place / "variants.csv"
    path.write_text(text, encoding="utf-8")
    return path


TABLE = (
    "variant,height_mm,u_height_mm,recipe,low\nsmall,0,0,plate.toml,3.9\nlarge,0,0,plate.toml,4.1\nlid,0,0,lid.toml,1\n"
)


def test_a_variant_sets_its_limits_and_is_recorded(place):
    (place / "plate.toml").write_text(
        RECIPE.replace("lower = 3.9", 'lower = "low"').replace("upper = 4.1", "upper = 9")
    )
    table = variants(place, TABLE)
    small = ran(place, "good.png", variants_path=table, variant="small")[0].record
    large = ran(place, "good.png", variants_path=table, variant="large")[0].record
    assert (small.variant, small.verdict) == ("small", "conforms")
    assert (large.variant, large.verdict) == ("large", "rejected")
    assert large.readings[0].limits.lower == 4.1
    assert 'variant "lid" is measured by "lid.toml", not by plate.toml' in sentence(
        place, variants_path=table, variant="lid"
    )
    assert 'no variant "middle"; there are "small", "large" and "lid"' in sentence(
        place, variants_path=table, variant="middle"
    )
    assert "give --variants and --variant" in sentence(place)


def test_a_shot_brings_its_own_variant(place):
    (place / "plate.toml").write_text(
        RECIPE.replace("lower = 3.9", 'lower = "low"').replace("upper = 4.1", "upper = 9")
    )
    table = variants(place, TABLE)
    for name in ("small", "large"):
        shot_folder(place / name, variant=name)
    records = [r.record for r in ran(place, "small", "large", variants_path=table)]
    assert [(r.variant, r.verdict) for r in records] == [("small", "conforms"), ("large", "rejected")]
    with pytest.raises(UnusableInput, match='the shot is of variant "large", and "small" was asked for'):
        ran(place, "large", variants_path=table, variant="small")


def test_what_can_never_conform_is_said_when_the_recipe_is_loaded(place):
    (place / "plate.toml").write_text(RECIPE.replace("lower = 7.9, upper = 8.1", "lower = 7.9999, upper = 8.0001"))
    prepared = prepare(place / "plate.toml")
    (said,) = prepared.warnings
    assert said.startswith("A to B can never conform: its tolerance is 0.0002 mm, and with u = ")
    (job,) = prepared.jobs.values()
    assert [f.possible for f in foresee(job.recipe, job.tie)] == [True, True, False]
    (made,) = [r.record for r in run_shots(prepared, [place / "good.png"])]
    assert said in made.notes
    assert made.verdict != "conforms"


def shot_folder(folder: Path, **changes) -> Path:
    folder.mkdir()
    (folder / "face.png").write_bytes(encode_png(picture()))
    described = replace(load_picture(folder / "face.png").described("face"), camera="cam 1", exposure_s=0.004)
    write_shot(folder, replace(Shot("4711", (described,), taken_utc="2026-03-01T10:00:00Z", part_id="P7"), **changes))
    return folder


def test_a_described_shot_keeps_all_it_states(place):
    pose = RobotPose((1.0, 2.0, 3.0), (1.0, 0.0, 0.0, 0.0))
    folder = shot_folder(place / "shot", robot_from_flange=pose, encoder_count=12, temperature_c=21.5, taken_mono_ns=5)
    loaded = load_shot(folder)
    assert loaded.shot.robot_from_flange == pose
    assert (loaded.shot.part_id, loaded.shot.encoder_count, loaded.shot.temperature_c) == ("P7", 12, 21.5)
    assert loaded.sensors["face"] == Sensor(*SIZE, (0, 0), (1, 1), (False, False))
    (made,) = [r.record for r in ran(place, "shot")]
    assert made.verdict == "conforms"
    assert record_from(record_json(made)).shot == loaded.shot


def test_a_folder_with_one_picture_is_that_picture(place):
    (place / "one").mkdir()
    (place / "one" / "a.png").write_bytes(encode_png(picture()))
    assert load_shot(place / "one").shot.id == load_shot(place / "one" / "a.png").shot.id
    (place / "one" / "b.png").write_bytes(encode_png(picture()))
    with pytest.raises(UnusableInput, match=r"holds 2 pictures and no shot\.json; name one picture file"):
        load_shot(place / "one")
    (place / "none").mkdir()
    with pytest.raises(UnusableInput, match="holds no picture"):
        load_shot(place / "none")


def test_a_picture_that_shot_json_does_not_describe_is_refused(place):
    folder = shot_folder(place / "shot")
    (folder / "face.png").write_bytes(encode_png(picture(radius=21)))
    with pytest.raises(UnusableInput, match=r"is not the picture that shot\.json describes"):
        load_shot(folder)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"pictures": []}, "pictures is []; list at least one picture"),
        ({"status": "fine"}, 'status is "fine"; use "complete"'),
        ({"speed": 3}, '"speed" is not known here'),
        ({"encoder_count": 1.5}, "encoder_count is 1.5; give a whole number"),
        ({"id": 5}, "id is 5; give text"),
        ({"robot_from_flange": {"position_mm": [1, 2], "quaternion": [1, 0, 0, 0]}}, "three numbers in position_mm"),
        ({"robot_from_flange": 3}, "robot_from_flange is 3; give three numbers"),
        ({"robot_from_flange": {"position_mm": 5, "quaternion": [1]}}, "give three numbers"),
        ({"robot_from_flange": {"position_mm": [1, 2, 3], "quaternion": [1, 1, 0, 0]}}, "give one of length 1"),
        ({"taken_utc": "yesterday"}, 'taken_utc is "yesterday"; give a UTC time'),
        ({"taken_utc": "2026-13-05T07:30:00Z"}, "give a UTC time"),
        ({"taken_mono_ns": -1}, "taken_mono_ns is -1; give a number from 0"),
    ],
)
def test_a_faulty_shot_json_is_refused_in_a_sentence(place, change, said):
    folder = shot_folder(place / "shot")
    content = json.loads((folder / "shot.json").read_text(encoding="utf-8"))
    (folder / "shot.json").write_text(json.dumps({**content, **change}), encoding="utf-8")
    with pytest.raises(TiepointError) as caught:
        load_shot(folder)
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"file": "../face.png"}, "names no file beside shot.json"),
        ({"file": "..\\face.png"}, "names no file beside shot.json"),
        ({"file": None}, "names no file beside shot.json"),
        ({"size": [10, 10], "pixels_sha256": ""}, "has 200 × 160 px where shot.json states 10 × 10"),
        ({"binning": [0, 1]}, "binning is [0, 1]; give two whole numbers of 1"),
        ({"bits": -7}, "bits is -7; give a number from 1 to 32"),
        ({"exposure_s": -1}, "exposure_s is -1; give a number from 0"),
        ({"roi_offset": [10**30, 0]}, "give two whole numbers of 0"),
        ({"flip": "left"}, 'flip is "left"; use "none"'),
        ({"size": [10]}, "size is [10]; give two whole numbers"),
    ],
)
def test_a_faulty_picture_of_a_shot_is_refused_in_a_sentence(place, change, said):
    folder = shot_folder(place / "shot")
    content = json.loads((folder / "shot.json").read_text(encoding="utf-8"))
    content["pictures"][0].update(change)
    (folder / "shot.json").write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(TiepointError) as caught:
        load_shot(folder)
    assert said in str(caught.value)


def test_an_overlay_is_a_whole_svg_that_needs_nothing_else(place):
    (half,) = ran(place, "half.png")
    svg = ElementTree.fromstring(half.overlay())
    ns = "{http://www.w3.org/2000/svg}"
    texts = [t.text for t in svg.iter(f"{ns}text")]
    assert {"unread", "A", "B"} <= set(texts)
    assert any("±" in t for t in texts)
    (image,) = svg.iter(f"{ns}image")
    assert image.get("href").startswith("data:image/jpeg;base64,")
    titles = [t.text for t in svg.iter(f"{ns}title")]
    assert any(half.record.readings[1].reason.sentence in t for t in titles)
    linked = ElementTree.fromstring(half.overlay(link="half.png"))
    assert next(linked.iter(f"{ns}image")).get("href") == "half.png"


def test_an_overlay_shows_where_something_was_sought_or_the_whole_picture(place):
    (place / "plate.toml").write_text(RECIPE.split('[[step]]\nname = "B"')[0], encoding="utf-8")
    (good,) = ran(place, "good.png")

    def view(**how) -> list[float]:
        return [float(v) for v in ElementTree.fromstring(good.overlay(**how)).get("viewBox").split()]

    assert view(whole=True) == [-0.5, -0.5, *SIZE]
    x, y, width, height = view()
    assert width < 150
    # The ring about (60, 80) px with a radius of 32 px lies inside, with room around it.
    assert x < 28
    assert x + width > 92
    assert y < 48
    assert y + height > 112


def test_a_level_and_solo_choose_what_is_drawn(place):
    (half,) = ran(place, "half.png")

    def names(**how) -> set[str]:
        texts = [t.text for t in ElementTree.fromstring(half.overlay(**how)).iter("{http://www.w3.org/2000/svg}text")]
        return {"A", "B", "A to B", "A to B: unread"} & set(texts)

    # The distance between a hole and no hole has no place in the picture: it is listed in the corner.
    assert names() == {"A", "B", "A to B: unread"}
    assert names(level="undecided") == {"B", "A to B: unread"}
    assert names(level="rejected") == set()
    assert names(level="rejected", solo="A") == {"A"}


def test_names_are_text_in_an_overlay_and_never_markup(place):
    name = "<script>&'"
    (place / "plate.toml").write_text(RECIPE.replace('"A"', json.dumps(name)), encoding="utf-8")
    (good,) = ran(place, "good.png")
    svg = ElementTree.fromstring(good.overlay())
    assert name in [t.text for t in svg.iter("{http://www.w3.org/2000/svg}text")]
    assert not list(svg.iter("script"))


@pytest.mark.parametrize("path", sorted(KEPT.glob("*.toml")), ids=lambda p: p.stem)
def test_kept_recipes_load_for_ever(path):
    rows = ["small", "large"] if path.stem == "two-sizes" else [None]
    table = load_variants(KEPT / "variants.csv")
    for row in rows:
        recipe = load_recipe(path, None if row is None else table[row].columns)
        assert recipe.steps
        assert {s.name for s in recipe.order} == {s.name for s in recipe.steps}


FRAGMENTS = (
    "nan",
    "inf",
    "-1",
    "0",
    "1e400",
    '""',
    "[]",
    "{}",
    "true",
    '"x"',
    "[1]",
    "[[1, 2], 3]",
    "9" * 400,
    "é",
    "\x00",
    "[[step]]",
    "=",
    "]",
    "\n",
)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(sorted(KEPT.glob("*.toml"))), st.data())
def test_mutated_recipes_are_read_or_refused_in_one_sentence(path, data):
    text = path.read_text(encoding="utf-8")
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(text)))
        length = data.draw(st.integers(0, 12))
        text = text[:start] + data.draw(st.sampled_from(FRAGMENTS)) + text[start + length :]
    try:
        content = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        return
    try:
        told = str(len(read_recipe(content, row={"bore_nominal": "4.5", "bore_minus": "0.05", "bore_x": "10"}).steps))
    except TiepointError as error:
        told = str(error)
    assert told
    assert "\n" not in told


def test_a_changed_copy_of_a_record_has_a_hash_of_its_own(place):
    kept = sealed(_made(place))
    changed = replace(kept, station="another")
    assert record_json(kept)["sha"] == kept.sha == record_json(record_from(record_json(kept)))["sha"]
    assert record_json(changed)["sha"] != kept.sha
    assert record_from({**record_json(changed)}).station == "another"


def test_a_shot_that_cannot_be_read_is_unread_among_others_and_refused_alone(place, capsys):
    whole = (place / "good.png").read_bytes()
    (place / "torn.png").write_bytes(whole[: len(whole) // 2])
    (place / "folder.png").mkdir()
    good, torn, folder, wide = ran(place, "good.png", "torn.png", "folder.png", "wide.png")
    assert (good.record.verdict, torn.record.verdict, folder.record.verdict) == ("conforms", "unread", "unread")
    assert wide.record.verdict == "rejected"
    assert [r.id for r in torn.record.readings] == [r.id for r in good.record.readings]
    assert {r.reason.code for r in torn.record.readings} == {"shot_unreadable"}
    assert "torn.png" in torn.record.readings[0].reason.sentence
    assert record_from(record_json(torn.record)) == torn.record
    with pytest.raises(TiepointError, match=r"torn\.png"):
        ran(place, "torn.png")
    words = ["run", *(str(place / n) for n in ("plate.toml", "torn.png", "good.png")), "--out", str(place / "o")]
    assert main([*words, "--overlay", str(place / "pictures")]) == 1
    assert "torn.png" in capsys.readouterr().err
    assert [r.verdict for r in read_records(place / "o" / "records.jsonl")] == ["unread", "conforms"]
    assert [p.name for p in (place / "pictures").iterdir()] == ["good.svg"]
