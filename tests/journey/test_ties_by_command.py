"""Ties made by the commands, held to the renderer's exact truth and to a worked example."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tiepoint.bench.printing import PrintedTarget, Rule
from tiepoint.bench.station import BenchStation, View
from tiepoint.cli.main import main
from tiepoint.documents.files import write_document
from tiepoint.documents.pictures import save_png
from tiepoint.render.camera import project, unproject
from tiepoint.targets.document import to_document
from tiepoint.targets.draw import new_target
from tiepoint.targets.paper import apply_measure

TARGET = new_target("charuco", 10.0, 12, 9)
PLACES_PX = np.array([[150.0, 150.0], [1000.0, 200.0], [600.0, 500.0], [200.0, 850.0], [1050.0, 820.0]])


@pytest.fixture(scope="module")
def bench() -> BenchStation:
    return BenchStation(width_px=1224, height_px=1024, pixel_um=6.9)


@pytest.fixture
def ask(capsys):
    """Return a function that runs a command with --json and returns its exit code and object."""

    def do(*words: object) -> tuple[int, dict]:
        capsys.readouterr()
        code = main([*map(str, words), "--json"])
        return code, json.loads(capsys.readouterr().out)

    return do


@pytest.fixture
def folder(tmp_path, monkeypatch, bench) -> Path:
    """Return a folder with a print of 99.7 % by 99.9 %, measured without error, and its photo."""
    monkeypatch.chdir(tmp_path)
    rule = Rule("rule no 12")
    x, y = TARGET.bar_x_mm * 0.997, TARGET.bar_y_mm * 0.999
    printed = PrintedTarget(TARGET, 0.997, 0.999, rule, 0.0, x, y)
    save_png(Path("photo.png"), bench.photograph_target(printed, 5).picture)
    measured = apply_measure(TARGET, x, y, 0.02, rule.name, "2026-01-05T07:30:00Z")
    write_document(Path("target.json"), "target", to_document(measured))
    return tmp_path


def probed(ask, tie: str, places: np.ndarray = PLACES_PX) -> tuple[np.ndarray, np.ndarray]:
    """Return where the tie puts the places, and the standard uncertainties (n, 2)."""
    _, said = ask("tie", "probe", tie, "--at", *(f"{x:g},{y:g}" for x, y in places))
    points = said["points"]
    return np.array([[p["x"], p["y"]] for p in points]), np.array([[p["u_x"], p["u_y"]] for p in points])


def test_a_tie_by_target_is_as_right_as_it_says(ask, folder, bench):
    code, said = ask("tie", "target", "photo.png", "--target", "target.json", "--out", "tie.json")
    assert code == 0
    assert (said["made"], said["from_frame"], said["to_frame"], said["unit"]) == ("target", "image", "plane", "mm")
    assert said["out"] == "tie.json"
    assert 0.4 < said["covered_share"] < 1
    found, u = probed(ask, "tie.json")
    truth = unproject(bench.camera, PLACES_PX)[:, :2]
    # Bars read without error: what is left of 2 · 5 coordinates must stay within a wide interval of the stated u.
    assert np.abs(found - truth).max() < 3 * u.max()
    assert (np.abs(found - truth) < 4 * u + 1e-3).all()
    # Ignored, the print scale alone would be an error of 0.3 % of 110 mm.
    assert np.abs(found - truth).max() < 0.1


def test_a_tie_moved_to_another_height_is_as_right_as_it_says(ask, folder, bench):
    ask("tie", "target", "photo.png", "--target", "target.json", "--out", "tie.json")
    distance = float(bench.camera.centre_mm[2])
    words = ["--height", "12mm", "--u-height", "0.02mm", "--distance", f"{distance:.3f}mm", "--u-distance", "1mm"]
    code, said = ask("tie", "move", "tie.json", *words, "--out", "up.json")
    assert (code, said["height_mm"], said["u_height_mm"]) == (0, 12.0, 0.02)
    found, u = probed(ask, "up.json")
    truth = unproject(bench.camera, PLACES_PX, 12.0)[:, :2]
    assert (np.abs(found - truth) < 4 * u + 2e-3).all()
    flat, _ = probed(ask, "tie.json")
    # 12 mm of 400 mm: 3 % of up to 60 mm would be 1.8 mm.
    assert np.abs(flat - truth).max() > 1


def test_a_distance_that_is_stated_serves_the_move_and_is_asked_for_no_more(ask, folder, bench):
    distance = float(bench.camera.centre_mm[2])
    words = ["tie", "target", "photo.png", "--target", "target.json"]
    _, silent = ask(*words, "--out", "silent.json")
    assert any("State it (--distance" in note for note in silent["notes"])
    _, moved = ask(
        "tie", "move", "silent.json", "--height", "12mm", "--u-height", "0.02mm", "--distance", f"{distance:.3f}mm",
        "--u-distance", "1mm", "--out", "moved.json",
    )  # fmt: skip
    assert not any("State it" in note for note in moved["notes"])
    code, said = ask(*words, "--distance", f"{distance:.3f}mm", "--u-distance", "1mm", "--out", "tie.json")
    assert code == 0
    assert not any("State it" in note for note in said["notes"])
    code, _ = ask("tie", "move", "tie.json", "--height", "12mm", "--u-height", "0.02mm", "--out", "up.json")
    assert code == 0
    found, u = probed(ask, "up.json")
    assert (np.abs(found - unproject(bench.camera, PLACES_PX, 12.0)[:, :2]) < 4 * u + 2e-3).all()


def test_a_photo_that_viewers_turn_is_told_and_told_again(folder, capsys):
    with Image.open("photo.png") as picture:
        exif = picture.getexif()
        exif[0x0112] = 6  # Orientation: shown a quarter turn to the right (Exif 2.32, 4.6.4 A)
        picture.save("turned.jpg", quality=95, exif=exif)
    told = "turned.jpg asks viewers to turn it"
    for words in (
        "tie target turned.jpg --target target.json --out tie.json",
        "tie probe tie.json --at 611,512",
        "tie move tie.json --height 3mm --u-height 0.1mm --distance 400mm --u-distance 5mm --out up.json",
        "tie probe up.json --at 611,512",
    ):
        assert main(words.split()) == 0
        out, err = capsys.readouterr()
        assert told in out + err, words
    assert main(["tie", "target", "photo.png", "--target", "target.json", "--out", "tie.json"]) == 0
    assert "asks viewers" not in "".join(capsys.readouterr())


def test_a_tie_by_length_holds_for_that_length(ask, folder, bench):
    ends_mm = np.array([[0.0, 90 * 0.999, 0.0], [110 * 0.997, 90 * 0.999, 0.0]])
    a, b = project(bench.camera, ends_mm)
    length_mm = 110 * 0.997  # the last dark square of the top row ends there
    ends = ["--from", f"{a[0] + 1.5:.1f},{a[1] - 2:.1f}", "--to", f"{b[0] - 2:.1f},{b[1] + 1:.1f}"]
    code, said = ask(
        "tie", "length", "photo.png", *ends, "--length", f"{length_mm}mm", "--u", "0.01mm", "--out", "q.json"
    )
    assert code == 0
    assert said["made"] == "length"
    _, told = ask("tie", "probe", "q.json", "--length", f"{a[0]:.3f},{a[1]:.3f}", f"{b[0]:.3f},{b[1]:.3f}")
    (found,) = told["lengths"]
    assert found["value"] == pytest.approx(length_mm, abs=2 * found["U95"])
    assert found["U95"] < 0.1


def test_a_tie_by_pairs_is_that_of_the_worked_example(ask, tmp_path, monkeypatch):
    # Umeyama (PAMI 13, 1991), computed in double precision from these four pairs: scale 0.05000, angle −10.030°,
    # shift (300.021, 50.021) on (x, −y); worst leave-one-out 0.0739 mm.
    monkeypatch.chdir(tmp_path)
    rows = ["100,100,304.09,44.23", "1900,120,392.49,27.56", "1880,1300,381.30,-30.36", "110,1280,294.27,-13.95"]
    Path("pairs.csv").write_text("\n".join(["from_x,from_y,to_x,to_y", *rows]))
    code, said = ask("tie", "pairs", "pairs.csv", "--unit", "mm", "--model", "similarity", "--out", "tie.json")
    assert code == 0
    assert said["model"] == "similarity"
    assert said["quality"]["max_mm"] == pytest.approx(0.0739, abs=5e-5)
    _, told = ask("tie", "probe", "tie.json", "--at", "1000,700", "110,1280")
    middle, corner = ([p["x"], p["y"]] for p in told["points"])
    scale, turn = 0.05, math.radians(-10.030)
    for (x, y), found in (((1000, 700), middle), ((110, 1280), corner)):
        due = [
            300.021 + scale * (math.cos(turn) * x - math.sin(turn) * -y),
            50.021 + scale * (math.sin(turn) * x + math.cos(turn) * -y),
        ]
        assert found == pytest.approx(due, abs=0.012)


def test_a_tolerance_that_the_tie_cannot_meet_ends_with_1(ask, folder):
    words = ["tie", "target", "photo.png", "--target", "target.json", "--out", "tie.json", "--tolerance"]
    good_code, good = ask(*words, "0.5mm")
    poor_code, poor = ask(*words, "0.001mm")
    assert (good_code, good["good"]) == (0, True)
    assert (poor_code, poor["good"]) == (1, False)
    assert "0.001 mm" in poor["sentences"][0]
    # A tie that is not good is written all the same: the work was done, and others may ask less of it.
    assert Path("tie.json").is_file()


def test_a_camera_by_views_is_found_and_serves_a_move(ask, folder, bench):
    views = [
        View(distance_mm=420.0, tilt_deg=18.0 + 8.0 * (n % 2), azimuth_deg=45.0 * n, roll_deg=4.0 * (n % 3 - 1))
        for n in range(8)
    ]
    for n, view in enumerate(views):
        save_png(Path(f"view-{n}.png"), bench.seen_from(view).photograph_target(TARGET, 40 + n).picture)
    names = [f"view-{n}.png" for n in range(8)]
    write_document(Path("nominal.json"), "target", to_document(TARGET))
    code, said = ask("tie", "views", *names, "--target", "nominal.json", "--out", "camera.json")
    assert code == 0
    assert (said["bad_views"], len(said["views"])) == ([], 8)
    truth = bench.camera.focal_px[0]
    assert said["focal_px"] == pytest.approx(truth, abs=4 * said["u_focal_px"])
    assert said["u_focal_px"] < 0.01 * truth
    ask("tie", "target", "photo.png", "--target", "target.json", "--camera", "camera.json", "--out", "tie.json")
    words = ["--height", "12mm", "--u-height", "0.02mm", "--camera", "camera.json", "--out", "up.json"]
    assert ask("tie", "move", "tie.json", *words)[0] == 0
    # With a lens that is known, the tie holds where the target was, and not beyond.
    inner = np.array([[300.0, 300.0], [900.0, 300.0], [600.0, 500.0], [320.0, 700.0], [900.0, 720.0]])
    found, u = probed(ask, "up.json", inner)
    assert (np.abs(found - unproject(bench.camera, inner, 12.0)[:, :2]) < 4 * u + 2e-3).all()
