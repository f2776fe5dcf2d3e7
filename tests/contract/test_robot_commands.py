"""What `touch`, `belt` and `study pose` say, write and refuse."""

import json
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest

from tiepoint.documents.files import read_document, write_document
from tiepoint.foundation.frames import Pose2
from tiepoint.ties.belt import from_document
from tiepoint.ties.document import to_document
from tiepoint.ties.pairs import tie_by_pairs

GRID = np.array([[x, y] for x in (10.0, 60.0, 110.0) for y in (10.0, 45.0, 80.0)])
TRUE = Pose2(412.0, -186.0, 0.4)


@pytest.fixture
def robot_tie():
    to = TRUE.apply(GRID) + np.random.default_rng(1).normal(0, 0.03, GRID.shape)
    return tie_by_pairs(GRID, to, from_frame="plane", to_frame="robot", model="rigid", u_to_mm=0.03).tie


@pytest.fixture
def robot_file(tmp_path, robot_tie):
    path = tmp_path / "robot.json"
    write_document(path, "tie", to_document(robot_tie))
    return path


def csv(path, header, rows):
    path.write_text("\n".join([header, *(",".join(f"{v:.6g}" for v in row) for row in rows)]) + "\n")
    return path


def words_of(pdf):
    with pypdfium2.PdfDocument(pdf.read_bytes()) as document:
        assert len(document) == 1
        return document[0].get_textpage().get_text_range()


def test_a_sheet_holds_points_and_cautions_and_its_check_closes_the_loop(cli, robot_file, tmp_path):
    sheet = tmp_path / "touch.pdf"
    said = cli("touch", "sheet", robot_file, "--pitch", "7.5mm", "--tolerance", "0.5mm", "--out", sheet, "--json")
    assert said.code == 0
    points = said.json["points"]
    words = words_of(sheet)
    for part in ("enabling device in hand", "ISO 10218", "never starts a", "Local rules", "shown x", "Reduced-speed"):
        assert part in words, part
    for point in points:
        assert f"{point['robot_mm'][0]:.2f}" in words
    places = np.array([p["plane_mm"] for p in points])
    touched = csv(tmp_path / "t.csv", "from_x,from_y,to_x,to_y", np.hstack([places, TRUE.apply(places)]))
    checked = cli("touch", "check", robot_file, touched, "--tolerance", "0.3mm", "--u", "0.03mm", "--json")
    assert checked.code == 0
    assert checked.json["good"]
    assert [p["verdict"] for p in checked.json["points"]] == ["conforms"] * 6
    off = csv(
        tmp_path / "o.csv", "from_x,from_y,to_x,to_y", np.hstack([places, TRUE.apply(places) + np.array([0.5, 0.0])])
    )
    bent = cli("touch", "check", robot_file, off, "--tolerance", "0.3mm", "--u", "0.03mm")
    assert bent.code == 1
    assert "The tool point is off by (-0." in bent.out
    assert "rejected" in bent.out


def test_the_same_tie_gives_the_same_sheet_and_only_sheets_are_replaced(cli, robot_file, tmp_path):
    a, b = tmp_path / "a.pdf", tmp_path / "b.pdf"
    for path in (a, b, a):
        assert cli("touch", "sheet", robot_file, "--out", path).code == 0
    assert a.read_bytes() == b.read_bytes()
    said = cli("touch", "sheet", robot_file, "--out", robot_file)
    assert said.code == 2
    assert "is no PDF" in said.err


def test_twelve_points_fit_the_page(cli, robot_file, tmp_path):
    assert cli("touch", "sheet", robot_file, "--points", "12", "--out", tmp_path / "s.pdf").code == 0
    assert "crosses: points that the tie was made from" in words_of(tmp_path / "s.pdf").lower()


@pytest.mark.parametrize(
    ("change", "words", "code", "said"),
    [
        ({"flags": ("pairs_suspect",)}, (), 1, "typing error"),
        ({"flags": ("pairs_scattered",)}, (), 1, "No touch test with this tie"),
        ({}, ("--tolerance", "0.001mm"), 1, "Not good for ±0.001 mm"),
        ({"to_frame": "plane"}, (), 2, "from the plane to the robot"),
        ({}, ("--points", "2"), 2, "3 to 12 points"),
        ({}, ("--pitch", "90mm"), 2, "smaller --pitch"),
    ],
)
def test_no_sheet_for_what_is_not_good(cli, robot_tie, tmp_path, change, words, code, said):
    path, sheet = tmp_path / "r.json", tmp_path / "s.pdf"
    write_document(path, "tie", to_document(replace(robot_tie, **change)))
    answer = cli("touch", "sheet", path, *words, "--out", sheet)
    assert answer.code == code
    assert said in answer.out + answer.err
    assert not sheet.exists()


def test_a_touched_table_with_swapped_columns_is_hinted_at(cli, robot_file, tmp_path):
    places = np.array([[35.0, 25.0], [85.0, 65.0], [35.0, 62.0], [88.0, 24.0], [60.0, 30.0]])
    path = csv(tmp_path / "t.csv", "from_x,from_y,to_y,to_x", np.hstack([places, TRUE.apply(places)]))
    said = cli("touch", "check", robot_file, path, "--tolerance", "0.3mm")
    assert said.code == 1
    assert "The touched table looks mistyped: the set is mirrored" in said.out


def test_a_belt_is_told_and_kept(cli, tmp_path):
    # 0.08 mm in a count at 0.5°: 900 mm at a pitch of 100 mm are nine parts.
    counts = np.array([0.0, 2000, 5000, 9000])
    way = np.array([np.cos(np.deg2rad(0.5)), np.sin(np.deg2rad(0.5))]) * 0.08
    rows = np.column_stack([counts, np.outer(counts, way)])
    table, out = csv(tmp_path / "c.csv", "count,x_mm,y_mm", rows), tmp_path / "belt.json"
    words = ("belt", table, "--u", "0.05mm", "--distance", "900mm", "--pitch", "100mm", "--out", out)
    told = cli(*words, "--json")
    assert told.code == 0
    assert told.json["mm_per_count"]["value"] == pytest.approx(0.08, rel=1e-4)
    assert told.json["direction_deg"]["value"] == pytest.approx(0.5, rel=1e-3)
    assert told.json["parts_in_flight"] == 9
    kept = from_document(read_document(out, "belt"))
    assert pytest.approx(told.json["mm_per_count"]["U95"]) == kept.mm_per_count.U95
    assert json.loads(out.read_text())["format"] == "tiepoint/belt/1"
    assert "9 parts are under way" in cli(*words).out
    rows[2, 1] += 30
    wrong = cli("belt", csv(table, "count,x_mm,y_mm", rows))
    assert wrong.code == 2
    assert wrong.is_one_sentence()
    assert "row 3 does not belong to the others" in wrong.err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--pitch", "100mm"), "give both"),
        (("--wrap", "1"), "cannot begin anew after 1 counts"),
        (("--u", "0.1"), "has no unit"),
        (("--out", "TABLE"), "is read by this command"),
    ],
)
def test_a_belt_that_cannot_be_is_one_sentence(cli, tmp_path, words, said):
    table = csv(tmp_path / "c.csv", "count,x_mm,y_mm", [[0, 0, 0], [100, 10, 0], [200, 20, 0.1]])
    answer = cli("belt", table, *[table if w == "TABLE" else w for w in words])
    assert answer.code == 2
    assert answer.is_one_sentence()
    assert said in answer.err


CYCLES = "x_mm,y_mm,z_mm,commanded_x_mm,commanded_y_mm,commanded_z_mm"


def cycles(n=30, sd=0.02):
    places = np.array([400.0, 100.0, 50.0]) + np.random.default_rng(3).normal([0.1, 0, 0], sd, (n, 3))
    return np.hstack([places, np.tile([400.0, 100.0, 50.0], (n, 1))])


def test_a_study_of_a_pose_says_its_figures_and_judges_by_the_upper_end(cli, tmp_path):
    table = csv(tmp_path / "d.csv", CYCLES, cycles())
    told = cli("study", "pose", table, "--json")
    (pose,) = told.json["poses"]
    assert told.code == 0
    assert told.json["good"] is None
    assert pose["rp"]["low"] <= 3.616 * 0.02 <= pose["rp"]["high"]
    assert pose["ap"]["low"] <= 0.1 <= pose["ap"]["high"]
    assert cli("study", "pose", table, "--most-rp", "0.2mm", "--most-ap", "0.2mm").code == 0
    near = cli("study", "pose", table, "--most-rp", f"{pose['rp']['value'] * 1.02}mm")
    assert near.code == 1
    assert "is not shown" in near.out


def test_planar_cycles_and_several_poses_are_read(cli, tmp_path):
    rng = np.random.default_rng(5)
    rows = [[p, 10 * p + rng.normal(0, 0.02), rng.normal(0, 0.02), 179.99 + rng.normal(0, 0.02), 10 * p, 0, -180]
            for p in (1, 2, 3) for _ in range(12)]  # fmt: skip
    table = csv(tmp_path / "d.csv", "pose,x_mm,y_mm,turn_deg,commanded_x_mm,commanded_y_mm,commanded_turn_deg", rows)
    said = cli("study", "pose", table, "--u", "0.005mm", "--json")
    assert [p["name"] for p in said.json["poses"]] == ["1", "2", "3"]
    assert all(p["turn_ap_deg"][0] < 0.05 for p in said.json["poses"])
    sentences = " ".join(said.json["sentences"])
    assert "A pose has 12 cycles; ISO 9283 asks for 30" in sentences
    assert "Only x and y were measured" in sentences
    assert "Measuring alone, with u 0.005 mm" in sentences


def test_poses_may_have_names(cli, tmp_path):
    rng = np.random.default_rng(6)
    lines = [f"{name},{x},{y}" for x, y in rng.normal(0, 0.02, (12, 2)) for name in ("over the belt", "tray; 2", "1.0")]
    lines += [f"1,{x},{y}" for x, y in rng.normal(0, 0.02, (3, 2))]
    table = tmp_path / "d.csv"
    table.write_text("\n".join(["pose,x_mm,y_mm", *lines]) + "\n")
    poses = cli("study", "pose", table, "--json").json["poses"]
    assert [(p["name"], p["n"]) for p in poses] == [("over the belt", 12), ("tray; 2", 12), ("1", 15)]
    table.write_text("\n".join(["pose,x_mm,y_mm", "a,1,2", ",1,3"]) + "\n")
    refused = cli("study", "pose", table)
    assert refused.code == 2
    assert refused.is_one_sentence()
    assert "row 2 (line 3): pose reads ''; give a name" in refused.err


@pytest.mark.parametrize(
    ("header", "rows", "words", "said"),
    [
        ("x_mm,y_mm,a,b,c", [[1, 2, 3, 4, 5]] * 6, (), "say with --angles what they mean"),
        ("x_mm,y_mm", [[1, 2]] * 6, ("--angles", "euler"), "is not known; use one of zyx-intrinsic-deg"),
        ("x_mm,y_mm", [[1, 2]] * 6, ("--angles", "rotvec-deg"), "has no columns a, b, c"),
        ("x_mm,y_mm", [[1, 2]] * 6, (), "the same to the last digit"),
        ("x_mm,y_mm", [[1, 2], [1, 3]], (), "has 2 cycles"),
        ("x_mm,z_mm", [[1, 2]] * 6, (), "has no column y_mm"),
        ("x_mm,y_mm,commanded_x_mm,commanded_y_mm", [[1, k, k, 2] for k in range(6)], (), "tell the poses apart"),
    ],
)
def test_cycles_that_cannot_be_studied_are_one_sentence(cli, tmp_path, header, rows, words, said):
    answer = cli("study", "pose", csv(tmp_path / "d.csv", header, rows), *words)
    assert answer.code == 2
    assert answer.is_one_sentence()
    assert said in answer.err
