"""Boards that others printed, described by the command: OpenCV's photographs and OpenCV's own drawings of boards."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from tiepoint.cli.main import main
from tiepoint.documents.pictures import save_png
from tiepoint.targets.document import from_document
from tiepoint.targets.find import find_target

CHESSBOARD = "--pattern checker --pitch 30mm --columns 10 --rows 7"
CHARUCO = "--pattern charuco --pitch 40mm --columns 5 --rows 7 --family 6x6_250 --marker 20mm"


@pytest.fixture
def said(capsys, tmp_path, monkeypatch):
    """Return a function that runs a command in a folder of its own: exit code, standard output and error."""
    monkeypatch.chdir(tmp_path)

    def do(words: str, *more: object) -> tuple[int, str, str]:
        capsys.readouterr()
        code = main([*words.split(), *map(str, more)])
        return code, *capsys.readouterr()

    return do


def test_a_real_chessboard_is_described_measured_and_tied(said, photos: Path):
    # OpenCV's sample photo of a board of 9 × 6 inner corners; its squares as tests/truth has them.
    photo = photos / "chessboard_30mm" / "left01.jpg"
    code, out, _ = said(f"target describe {CHESSBOARD} --out board.json")
    assert code == 0
    assert "10 × 7 squares of 30 mm, 9 × 6 inner corners; the top left one is dark" in out
    assert "nominally 240 mm" in out
    assert "nominally 180 mm" in out
    code, out, err = said("tie target", photo, "--target", "board.json", "--out", "tie.json")
    assert code == 0
    assert "The bars were not measured, so ± takes a print at 100 %" in err
    assert "tiepoint target measure board.json" in err
    assert "The print was not measured" in out
    code, *_ = said("target measure board.json --bar-x 240mm --bar-y 180mm --u 0.05mm --with calliper")
    assert code == 0
    code, out, err = said("tie target", photo, "--target", "board.json", "--out", "tie.json", "--json")
    assert code == 0
    assert "print_not_measured" not in json.loads(out)["flags"]
    assert "not measured" not in err
    # OpenCV's own corner finder is the witness for where the corners lie: all 54 are inner corners of 30 mm.
    grey = cv2.imread(str(photo), cv2.IMREAD_GRAYSCALE)
    found, corners = cv2.findChessboardCorners(grey, (9, 6))
    assert found
    ends = corners[[0, 8]].reshape(2, 2)
    words = [f"{x:.2f},{y:.2f}" for x, y in ends]
    code, out, _ = said("tie probe tie.json --json --length", *words)
    (length,) = json.loads(out)["lengths"]
    # A whole-pixel corner finder is good to about a pixel, here 0.8 mm.
    assert length["value"] == pytest.approx(240, abs=0.8)


def test_a_real_charuco_is_described_and_tied(said, photos: Path):
    # OpenCV's sample photo: 5 × 7 squares of 40 mm, markers of 20 mm; its dictionary by OpenCV's name.
    words = CHARUCO.replace("6x6_250", "DICT_6X6_250")
    assert said(f"target describe {words} --out board.json")[0] == 0
    photo = photos / "charuco_40mm" / "choriginal.jpg"
    code, out, _ = said("tie target", photo, "--target", "board.json", "--out", "tie.json", "--json")
    assert code == 0
    told = json.loads(out)
    assert told["quality"]["n"] == 24
    assert "print_not_measured" in told["flags"]


@pytest.mark.parametrize(
    ("size", "first_id", "legacy", "words"),
    [
        ((6, 8), 0, False, ""),
        ((6, 8), 40, False, "--first-id 40"),
        ((5, 7), 17, False, "--first-id 17"),
        # OpenCV: boards of before 4.6 with an even number of rows begin with a white square.
        ((6, 8), 0, True, "--white-first"),
        ((5, 7), 0, True, ""),
    ],
)
def test_boards_as_opencv_draws_them_are_found_where_it_has_their_corners(
    said, tmp_path, size, first_id, legacy, words
):
    columns, rows = size
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    count = columns * rows // 2
    board = cv2.aruco.CharucoBoard(size, 0.04, 0.028, dictionary, np.arange(first_id, first_id + count))
    board.setLegacyPattern(legacy)
    picture = cv2.GaussianBlur(board.generateImage((100 * columns, 100 * rows), marginSize=0), (0, 0), 1.0)
    picture = cv2.copyMakeBorder(picture, 60, 60, 60, 60, cv2.BORDER_CONSTANT, value=255)
    description = f"--pattern charuco --pitch 40mm --columns {columns} --rows {rows} --family 5x5_250 --marker 28mm"
    code, *_ = said(f"target describe {description} {words} --out board.json")
    assert code == 0
    target = from_document(json.loads((tmp_path / "board.json").read_text(encoding="utf-8")))
    sighting = find_target(picture, target)
    assert len(sighting.ids) == (columns - 1) * (rows - 1)
    # Drawn at 2.5 px/mm, y down, the square's corner between pixels.
    x, y = sighting.plane_mm.T
    expected = np.column_stack([60 + 2.5 * x - 0.5, 60 + 2.5 * (40 * rows - y) - 0.5])
    assert np.abs(sighting.px - expected).max() < 0.1


def test_dots_that_others_drew_are_measured_from_dot_to_dot(said, tmp_path):
    words = "--pattern dots --pitch 12mm --columns 9 --rows 6 --dot 7.2mm"
    code, out, _ = said(f"target describe {words} --out grid.json")
    assert code == 0
    # Closed form: eight and five steps of 12 mm.
    assert "9 × 6 dots" in out
    assert "nominally 96 mm" in out
    assert "nominally 60 mm" in out
    picture = np.full((560, 800), 230, np.uint8)
    for column in range(9):
        for row in range(6):
            cv2.circle(picture, ((80 + 80 * column) * 16, (80 + 80 * row) * 16), 24 * 16, 30, -1, cv2.LINE_AA, 4)
    save_png(tmp_path / "grid.png", cv2.GaussianBlur(picture, (0, 0), 1.0))
    code, out, _ = said("tie target grid.png --target grid.json --out tie.json --json")
    assert code == 0
    assert set(json.loads(out)["flags"]) >= {"half_turn_unknown", "print_not_measured"}


def test_ruler_bars_of_its_own_are_kept(said, tmp_path):
    code, out, _ = said(f"target describe {CHESSBOARD} --bar-x 250mm --bar-y 200mm --out board.json")
    assert code == 0
    assert json.loads((tmp_path / "board.json").read_text(encoding="utf-8"))["bars"] == {"x_mm": 250, "y_mm": 200}
    assert "Measure its bars, nominally 250 mm and 200 mm" in out


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (CHARUCO.replace("--family 6x6_250", ""), "a charuco needs --family and --marker"),
        (CHARUCO.replace("--marker 20mm", ""), "a charuco needs --family and --marker"),
        (
            CHARUCO.replace("6x6_250", "ARUCO_ORIGINAL"),
            "--family is ARUCO_ORIGINAL, which is not known; use one of 4x4_50",
        ),
        (CHARUCO.replace("20mm", "40mm"), "--marker is 40mm and the pitch 40 mm: it must be smaller"),
        (
            f"{CHARUCO} --first-id 240",
            "17 markers from 240 on are more than the family 6x6_250 has, which ends with 249",
        ),
        (f"{CHARUCO} --first-id -1", "the first marker is -1; markers are numbered from 0 on"),
        (f"{CHARUCO} --marked", "--marked does not belong to a charuco"),
        (f"{CHESSBOARD} --marker 20mm", "--marker does not belong to a checker; it takes --white-first, --marked"),
        (f"{CHESSBOARD} --bar-x 200mm", "one ruler bar stands without the other"),
        ("--pattern dots --pitch 12mm --columns 9 --rows 6 --dot 12mm", "--dot is 12mm and the pitch 12 mm"),
        ("--pattern dots --pitch 12mm --columns 9 --rows 6 --white-first", "--white-first does not belong to a dots"),
    ],
)
def test_what_cannot_be_is_one_sentence(said, tmp_path, words, sentence):
    code, _, err = said(f"target describe {words} --out board.json")
    assert code == 2
    assert sentence in err
    assert not (tmp_path / "board.json").exists()


def test_bars_that_may_have_been_exchanged_are_asked_about(said):
    square = "--pattern checker --pitch 10mm --columns 11 --rows 11"
    said(f"target describe {square} --out board.json")
    doubtful = said("target measure board.json --bar-x 99.8mm --bar-y 99.2mm --u 0.1mm --with rule")
    alike = said("target measure board.json --bar-x 99.5mm --bar-y 99.4mm --u 0.1mm --with rule")
    assert (doubtful[0], alike[0]) == (0, 0)
    assert "If you are not sure which bar is which, look again" in doubtful[2]
    assert "which bar is which" not in alike[2]
