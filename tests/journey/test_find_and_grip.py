"""Teach a part, find it anywhere, measure in its own frame, tell the robot: by the commands, against rendered truth."""

import json
import math
from pathlib import Path

import cv2
import numpy as np
import pytest

from tiepoint.bench.place import Place
from tiepoint.bench.plate import Plate
from tiepoint.bench.printing import PrintedTarget, Rule
from tiepoint.bench.station import BenchStation, Loading
from tiepoint.cli.main import main
from tiepoint.documents.files import write_document
from tiepoint.documents.pictures import load_picture
from tiepoint.foundation.sources import constant, stack
from tiepoint.targets.draw import new_target
from tiepoint.ties.by_target import Setting, tie_by_target
from tiepoint.ties.document import to_document

HEAD = """# what a person wrote stays
format = "tiepoint/recipe/1"
name = "plate"
unit = "mm"
tie = "tie.json"
height = 3.0
u_height = 0.02

[[step]]
name = "plate"   # the part
kind = "find"
taught = { region = { rectangle = { centre = [60, 45], size = [68, 48] } }, origin = [30, 25] }
least_share = 0.6

[[step]]
name = "bore A"
kind = "circle"
in = "plate"
region.ring = { centre = [10, 12], inner = 1.4, outer = 3.4 }
readings = ["x", "y"]

[[step]]
name = "bore B"
kind = "circle"
in = "plate"
region.ring = { centre = [48, 12], inner = 2.0, outer = 4.2 }

[[step]]
name = "A to B"
kind = "distance"
between = ["bore A", "bore B"]
"""
GRIP = """
[[grip]]
name = "middle"
in = "plate"
offset = [30, 20]
turn_deg = 90
z = 1.0
robot = "robot.json"
plane_z = 100.0
alike = 2
envelope = { x = [200, 500], y = [-200, 200], z = [90, 130] }
"""
STILL = Loading(0.0, 0.0)
POSES = ((30.0, 25.0, 0.0), (34.0, 22.0, 10.0), (82.0, 66.0, 200.0), (76.0, 18.0, 100.0))


@pytest.fixture(scope="module")
def cell(tmp_path_factory):
    """Return a folder with a tie whose target was printed true to scale, a robot's tie and four shots of one plate."""
    folder = tmp_path_factory.mktemp("cell")
    bench = BenchStation(width_px=1632, height_px=1224, pixel_um=5.0)
    target = new_target("charuco", 10.0, 12, 9)
    photo = bench.photograph_target(PrintedTarget(target, 1.0, 1.0, Rule(), 0.0, 0.0, 0.0), 3)
    flat = Setting(
        distance=constant(float(bench.camera.centre_mm[2])),
        flatness_mm=0.0,
        scale=stack([constant(1.0), constant(1.0)]),
    )
    write_document(folder / "tie.json", "tie", to_document(tie_by_target([photo.picture], target, flat)))
    for number, (x, y, angle) in enumerate(POSES):
        picture = bench.photograph_plate(Plate(), Place(x, y, angle, 3.0), 10 + number, STILL).picture
        cv2.imwrite(str(folder / f"shot-{number}.png"), picture)
    cv2.imwrite(str(folder / "empty.png"), bench.photograph_plate(Plate(), Place(400, 400, 0, 3.0), 9).picture)
    angle = math.radians(30)
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    places = np.array([[5, 5], [115, 5], [115, 85], [5, 85], [60, 45], [30, 70]], float)
    rows = [f"{x},{y},{p:.4f},{q:.4f}" for (x, y), (p, q) in zip(places, places @ turn.T + (300, 20), strict=True)]
    (folder / "pairs.csv").write_text("from_x,from_y,to_x,to_y\n" + "\n".join(rows))
    words = [
        "tie",
        "pairs",
        folder / "pairs.csv",
        "--unit",
        "mm",
        "--from",
        "plane",
        "--to",
        "robot",
        "--model",
        "rigid",
    ]
    assert main([str(w) for w in (*words, "--out", folder / "robot.json")]) == 0
    return folder


def taught(cell: Path, tmp_path: Path, text: str) -> Path:
    for name in ("tie.json", "robot.json"):
        (tmp_path / name).write_bytes((cell / name).read_bytes())
    recipe = tmp_path / "plate.toml"
    recipe.write_text(text)
    assert main(["teach", str(recipe), "plate", str(cell / "shot-0.png")]) == 0
    return recipe


def records(capsys, *words: object) -> list[dict]:
    capsys.readouterr()
    assert main(["run", *(str(w) for w in words), "--json"]) in (0, 1)
    return json.loads(capsys.readouterr().out)["records"]


def value(record: dict, name: str) -> dict:
    return next(r for r in record["readings"] if r["id"] == name)


def test_a_plate_is_found_and_measured_in_its_own_frame_wherever_it_lies(cell, tmp_path, capsys):
    recipe = taught(cell, tmp_path, HEAD)
    text = recipe.read_text()
    assert "# what a person wrote stays" in text
    assert "# the part" in text
    assert "revision = 2" in text
    made = records(capsys, recipe, *(cell / f"shot-{k}.png" for k in range(4)))
    for record, (x, y, angle) in zip(made, POSES, strict=True):
        for name, truth in (("x", x), ("y", y), ("angle", (angle + 180) % 360 - 180)):
            reading = value(record, f"plate.{name}")
            assert abs(reading["value"] - truth) < 1.5 * reading["U95"] + (0.002 if name == "angle" else 0.004)
        for name, truth in (
            ("bore A.diameter", Plate().bore_a.diameter_mm),
            ("A to B.distance", 38.0),
            # The part's frame is where it was put when the shape was taught: places in it repeat.
            ("bore A.x", value(made[0], "bore A.x")["value"]),
            ("bore A.y", value(made[0], "bore A.y")["value"]),
        ):
            reading = value(record, name)
            assert abs(reading["value"] - truth) < 1.5 * reading["U95"], (name, angle, reading)
        assert abs(value(record, "bore A.x")["value"] - Plate().bore_a.x_mm) < 0.01
        assert value(record, "bore A.x")["frame"] == "plate"


def test_a_part_that_is_not_there_leaves_nothing_measured(cell, tmp_path, capsys):
    recipe = taught(cell, tmp_path, HEAD + GRIP)
    (record,) = records(capsys, recipe, cell / "empty.png")
    assert value(record, "plate.x")["reason"]["code"] == "shape_not_found"
    assert {r["reason"]["code"] for r in record["readings"] if r["step"] != "plate"} == {"step_failed"}
    assert record["verdict"] == "unread"
    assert record["grips"][0]["robot_from_grip"] is None


def test_grips_are_where_the_robot_finds_the_part(cell, tmp_path, capsys):
    recipe = taught(cell, tmp_path, HEAD + GRIP)
    made = records(capsys, recipe, cell / "shot-?.png")
    for record, (x, y, angle) in zip(made, POSES, strict=True):
        (grip,) = record["grips"]
        turned = math.radians(angle)
        # The middle (30, 20) of the plate in the plane, then the robot's frame: turned by 30°, shifted by (300, 20).
        px = x + 30 * math.cos(turned) - 20 * math.sin(turned)
        py = y + 30 * math.sin(turned) + 20 * math.cos(turned)
        a = math.radians(30)
        truth = (300 + px * math.cos(a) - py * math.sin(a), 20 + px * math.sin(a) + py * math.cos(a), 104.0)
        for got, true, U in zip(grip["robot_from_grip"]["position_mm"], truth, grip["U"], strict=False):
            assert abs(got - true) < 1.5 * U + 0.003
        # Jaws may be exchanged: of both equal turns the one nearer to home (0°) is told.
        assert abs(grip["turn_deg"]) <= 90.01
        assert abs((grip["turn_deg"] - (angle + 120) + 90) % 180 - 90) < grip["U"][3] + 0.01
        assert grip["inside_envelope"]


def test_a_grip_outside_its_envelope_is_refused(cell, tmp_path, capsys):
    recipe = taught(cell, tmp_path, HEAD + GRIP.replace("x = [200, 500]", "x = [0, 100]"))
    (record,) = records(capsys, recipe, cell / "shot-1.png")
    assert record["grips"][0]["robot_from_grip"] is None
    assert record["grips"][0]["reason"]["code"] == "outside_envelope"


def test_a_mask_goes_with_its_region(cell, tmp_path, capsys):
    """The upper half of bore A is painted over: the edge points that are left are those of its lower half."""
    paint = np.zeros((64, 64), np.uint8)
    paint[:32] = 255
    cv2.imwrite(str(tmp_path / "half.png"), paint)
    text = HEAD.replace('readings = ["x", "y"]', 'readings = ["x", "y"]\nmask = "half.png"')
    recipe = taught(cell, tmp_path, text)
    plain = records(capsys, recipe, cell / "shot-2.png")[0]
    whole = records(capsys, taught(cell, tmp_path, HEAD), cell / "shot-2.png")[0]
    # Half a circle leaves centre and radius leaning on each other.
    assert value(plain, "bore A.y")["u"] > value(whole, "bore A.y")["u"]
    assert plain["recipe_sha"] != whole["recipe_sha"]
    assert abs(value(plain, "bore A.diameter")["value"] - Plate().bore_a.diameter_mm) < 0.02
    paint[:] = 255
    cv2.imwrite(str(tmp_path / "half.png"), paint)
    recipe.write_text(text)
    assert main(["run", str(recipe), str(cell / "shot-2.png")]) == 2
    assert "hides the whole region" in capsys.readouterr().err


def test_a_drawing_teaches_as_well(cell, tmp_path, capsys):
    """The outline as ezdxf writes it: the plate's rectangle and its bores, in the part's own coordinates."""
    ezdxf = pytest.importorskip("ezdxf")
    drawing = ezdxf.new(setup=False)
    drawing.header["$INSUNITS"] = 4
    space, plate = drawing.modelspace(), Plate()
    for bore in (plate.bore_a, plate.bore_b):
        space.add_circle((bore.x_mm, bore.y_mm), bore.diameter_mm / 2)
    slot = plate.slot
    half, r = slot.length_mm / 2 - slot.width_mm / 2, slot.width_mm / 2
    for sign in (1, -1):
        space.add_line((slot.x_mm - half, slot.y_mm + sign * r), (slot.x_mm + half, slot.y_mm + sign * r))
    space.add_arc((slot.x_mm + half, slot.y_mm), r, -90, 90)
    space.add_arc((slot.x_mm - half, slot.y_mm), r, 90, 270)
    drawing.saveas(tmp_path / "plate.dxf")
    recipe = taught(cell, tmp_path, HEAD)
    assert main(["teach", str(recipe), "plate", "--outline", str(tmp_path / "plate.dxf")]) == 0
    made = records(capsys, recipe, cell / "shot-1.png", cell / "shot-3.png")
    for record, (x, y, _) in zip(made, (POSES[1], POSES[3]), strict=True):
        assert abs(value(record, "plate.x")["value"] - x) < 0.05
        assert abs(value(record, "plate.y")["value"] - y) < 0.05


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('in = "plate"\nregion.ring = { centre = [10', 'in = "plat"\nregion.ring = { centre = [10', "name of a find"),
        ("size = [68, 48]", "size = [0.5, 0.5]", "region to teach"),
        ("origin = [30, 25] }", "origin = [30, 25] }\nscales = [0, 1]", "above 0"),
        ("origin = [30, 25] }", "origin = [30, 25] }\nof = [\"bore A\"]", "stands beside shape"),
        ("{ rectangle = { centre = [60, 45], size = [68, 48] } }", "{ }", "states no shape"),
        ('taught = {', 'shape = "none.json"\ntaught = {', "is not there"),
        ('taught = {', 'shape = "../none.json"\ntaught = {', "below it"),
    ],
)  # fmt: skip
def test_what_cannot_be_found_is_said(cell, tmp_path, capsys, old, new, said):
    (tmp_path / "tie.json").write_bytes((cell / "tie.json").read_bytes())
    assert old in HEAD
    (tmp_path / "plate.toml").write_text(HEAD.replace(old, new, 1))
    assert main(["teach", str(tmp_path / "plate.toml"), "plate", str(cell / "shot-0.png")]) == 2
    assert said in capsys.readouterr().err


def test_the_size_of_a_part_is_told_where_it_is_sought(cell, tmp_path, capsys):
    text = HEAD.replace("least_share = 0.6", 'least_share = 0.6\nscales = [0.9, 1.1]\nreadings = ["scale"]')
    recipe = taught(cell, tmp_path, text)
    for record in records(capsys, recipe, cell / "shot-1.png", cell / "shot-3.png"):
        scale = value(record, "plate.scale")
        # The plate is the one that was taught: its size is 1, known to some thousandths of a pixel in some hundred.
        assert abs(scale["value"] - 1.0) < 1.5 * scale["U95"] + 1e-4
        assert 0 < scale["u"] < 1e-3


BY_STEPS = """
[[step]]
name = "left edge"
kind = "line"
region.rectangle = {{ centre = [30, 45], size = [4, 18] }}

[[step]]
name = "lower edge"
kind = "line"
region.rectangle = {{ centre = [60, 25], size = [4, 40], angle_deg = 90 }}

[[step]]
name = "bore A in the plane"
kind = "circle"
region.ring = {{ centre = [40, 37], inner = 1.4, outer = 3.4 }}

[[step]]
name = "bore B in the plane"
kind = "circle"
region.ring = {{ centre = [78, 37], inner = 2.0, outer = 4.2 }}

[[step]]
name = "datums"
kind = "find"
of = {of}

[[step]]
name = "bore B"
kind = "circle"
in = "datums"
region.ring = {{ centre = {at}, inner = 2.0, outer = 4.2 }}
readings = ["x", "y"]
"""


@pytest.mark.parametrize(
    ("of", "pose", "at"),
    [
        ('["lower edge", "left edge"]', (30.0, 25.0, 0.0), (48.0, 12.0)),
        ('["left edge", "lower edge"]', (30.0, 25.0, 90.0), (12.0, -48.0)),
        ('["bore A in the plane", "bore B in the plane"]', (40.0, 37.0, 0.0), (38.0, 0.0)),
        ('["bore B in the plane", "bore A in the plane"]', (78.0, 37.0, 180.0), (0.0, 0.0)),
        ('["bore A in the plane", "lower edge"]', (40.0, 37.0, 0.0), (38.0, 0.0)),
        ('["bore A in the plane"]', (40.0, 37.0, 0.0), (38.0, 0.0)),
    ],
)  # fmt: skip
def test_other_steps_make_a_frame(cell, tmp_path, capsys, of, pose, at):
    """The plate lies at (30, 25), unturned: its lower left corner there, its bores at (40, 37) and (78, 37)."""
    (tmp_path / "tie.json").write_bytes((cell / "tie.json").read_bytes())
    recipe = tmp_path / "plate.toml"
    recipe.write_text(HEAD.partition("[[step]]")[0] + BY_STEPS.format(of=of, at=list(at)))
    (record,) = records(capsys, recipe, cell / "shot-0.png")
    for name, true in zip(("x", "y"), pose, strict=False):
        reading = value(record, f"datums.{name}")
        assert abs(reading["value"] - true) < 1.5 * reading["U95"] + 0.002
    angle = value(record, "datums.angle")
    assert -180 <= angle["value"] <= 180
    assert abs((angle["value"] - pose[2] + 180) % 360 - 180) < 1.5 * angle["U95"] + 0.01
    for name, true in zip(("x", "y"), at, strict=True):
        reading = value(record, f"bore B.{name}")
        # What moves frame and bore together cancels: the tie alone is known to ± 0.021 mm here.
        assert abs(reading["value"] - true) < 1.5 * reading["U95"] + 0.002
        assert reading["U95"] < 0.012


def test_a_region_of_any_shape_holds_the_middle_of_the_part(cell, tmp_path, capsys):
    """The plates' middles lie at (60, 45) and (60.6, 36.9): a triangle holds the first alone, its box both."""
    triangle = "least_share = 0.6\nregion.polygon = { points = [[40, 30], [40, 70], [90, 52]] }"
    recipe = taught(cell, tmp_path, HEAD.replace("least_share = 0.6", triangle))
    inside, outside = records(capsys, recipe, cell / "shot-0.png", cell / "shot-2.png")
    assert value(inside, "plate.x")["value"] is not None
    assert value(outside, "plate.x")["reason"]["code"] == "shape_not_found"
    assert main(["run", str(recipe), str(cell / "shot-0.png"), "--overlay", str(tmp_path / "drawn")]) == 1
    assert (tmp_path / "drawn" / "shot-0.svg").stat().st_size > 10_000


def test_an_empty_folder_is_said(cell, tmp_path, capsys):
    recipe = taught(cell, tmp_path, HEAD)
    (tmp_path / "nothing").mkdir()
    assert main(["run", str(recipe), str(tmp_path / "nothing")]) == 2
    assert "holds no picture" in capsys.readouterr().err
    assert load_picture(cell / "shot-0.png").grey.shape == (1224, 1632)


def said(capsys, *words: object, code: int = 0, beside: str = "") -> dict:
    capsys.readouterr()
    assert main([*(str(w) for w in words), "--json"]) == code
    answer, heard = capsys.readouterr()
    assert beside in heard
    return json.loads(answer)


def test_a_grip_is_taught_where_it_was_held_and_shown_there_again(cell, tmp_path, capsys):
    """T = P·P₀⁻¹·T₀: what the robot held is told of the same shot, and of another as the part went in between."""
    recipe = taught(cell, tmp_path, HEAD + GRIP.replace("alike = 2", "alike = 1   # one way only"))
    held, deg = (359.25, 55.5, 106.5), (155.0, 0.0, 180.0)
    typed = ["--held", "359.25,55.5,106.5", "--deg", "155,0,180", "--u", "0.1mm", "--u-turn", "0.2"]
    lesson = said(
        capsys, "grip", "teach", recipe, "middle", cell / "shot-0.png", *typed, beside="Angles were taken as zyx-in"
    )
    text = recipe.read_text()
    assert "# one way only" in text
    assert (lesson["revision"], lesson["pointing"]) == (3, "down")
    assert lesson["u_mm"] >= 0.1
    (grip,) = said(capsys, "grip", "show", recipe, cell / "shot-0.png")["grips"]
    assert grip["robot_from_grip"]["position_mm"] == pytest.approx(held, abs=2e-3)
    assert grip["turn_deg"] == pytest.approx(deg[0], abs=2e-3)
    # From shot 0 to shot 2 the plate went from (30, 25) at 0° to (82, 66) at 200°; the robot's frame is turned by 30°.
    (there,) = said(capsys, "grip", "show", recipe, cell / "shot-2.png")["grips"]
    back, on, a = np.array(held[:2]) - (300, 20), math.radians(200), math.radians(30)
    turn = lambda v: np.array([[math.cos(v), -math.sin(v)], [math.sin(v), math.cos(v)]])  # noqa: E731
    on_part = turn(-a) @ back - (30, 25)
    expected = turn(a) @ (turn(on) @ on_part + (82, 66)) + (300, 20)
    for got, true, U in zip(there["robot_from_grip"]["position_mm"][:2], expected, there["U"], strict=False):
        assert abs(got - true) < 1.5 * U + 0.003
    assert (there["turn_deg"] - (deg[0] + 200) + 180) % 360 - 180 == pytest.approx(0.0, abs=there["U"][3] + 0.01)


def test_what_cannot_be_taught_or_shown_is_said(cell, tmp_path, capsys):
    recipe = taught(cell, tmp_path, HEAD + GRIP)
    before = recipe.read_text()
    held = ["--held", "359.25,55.5,106.5", "--u", "0.1mm"]
    for words, sentence in (
        (["middle", cell / "shot-0.png", *held, "--deg", "155,30,180"], "the tool leans by 30.0° against the part"),
        (["middle", cell / "empty.png", *held, "--deg", "155,0,180"], 'the find "plate" found no part in the shot'),
        (["centre", cell / "shot-0.png", *held, "--deg", "155,0,180"], 'no grip of the recipe is named "centre"'),
        (["middle", cell / "shot-0.png", *held, "--deg", "155,nan,180"], "type three numbers with commas between"),
        (["middle", cell / "shot-0.png", *held, "--deg", "1,0,180", "--angles", "abc"], "is not known; use one of"),
    ):
        capsys.readouterr()
        assert main(["grip", "teach", str(recipe), *(str(w) for w in words)]) == 2
        assert sentence in capsys.readouterr().err
    assert recipe.read_text() == before
    assert main(["grip", "show", str(recipe), str(cell / "shot-0.png"), "--at-count", "5"]) == 2
    assert "--at-count is for parts on a belt" in capsys.readouterr().err
    refused = said(capsys, "grip", "show", recipe, cell / "empty.png", code=1)
    assert refused["grips"][0]["reason"]["code"] == "step_failed"


def test_the_point_about_which_a_tool_turns_is_told(tmp_path, capsys):
    # The worked example of docs/how-to/prove-the-robot.md: a mark 6.5 mm from (412, −35), its arm (6, 2.5).
    views = tmp_path / "views.csv"
    views.write_text("x_mm,y_mm,turn_deg\n418.0,-37.5,0\n414.5,-29.0,90\n406.0,-32.5,180\n")
    found = said(capsys, "grip", "centre", views, "--u", "0.02mm", "--turns")
    assert found["centre_mm"] == pytest.approx([412.0, -35.0], abs=1e-9)
    assert found["offset_mm"] == pytest.approx([6.0, 2.5], abs=1e-9)
    assert said(capsys, "grip", "centre", views, "--u", "0.02mm")["offset_mm"] is None
