"""Overlays of one run: a file for each shot, with a name that every system can hold, and none drawn over another."""

import sys
from pathlib import Path

import numpy as np
import pytest

from tiepoint.documents.files import write_document
from tiepoint.documents.pictures import save_png


@pytest.fixture
def drawn(cli, tmp_path, monkeypatch, recipe_file):
    """Return a function that runs shots of even grey and returns the overlays that are there then."""
    monkeypatch.chdir(tmp_path)

    def do(*shots: str) -> list[str]:
        for shot in map(Path, shots):
            shot.parent.mkdir(parents=True, exist_ok=True)
            if not shot.is_dir():
                save_png(shot, np.full((480, 640), 90, np.uint8))
        said = cli("run", recipe_file, *shots, "--overlay", "drawn", "--out", "out")
        assert said.code == 1, said.err
        return sorted(path.name for path in Path("drawn").iterdir())

    return do


def test_shots_of_one_name_in_several_folders_are_drawn_apart(drawn):
    shots = ["a/shot.png", "b/shot.png", "b/Shot.bmp.png", "c/SHOT.png", "d/shot-2.png", "a/shot.png"]
    assert drawn(*shots) == ["SHOT-3.svg", "Shot.bmp.svg", "shot-2-2.svg", "shot-2.svg", "shot.svg"]


@pytest.mark.skipif(sys.platform == "win32", reason="Windows cannot hold the pictures")
def test_names_that_windows_cannot_hold_are_changed_everywhere(drawn):
    names = ["con", "12:30", "12_30", "end ", "Prüfling 1", "-x", 251 * "a"]
    assert drawn(*(f"s/{name}.png" for name in names)) == sorted(
        ["_con.svg", "12_30.svg", "12_30-2.svg", "end_.svg", "Prüfling 1.svg", "-x.svg", 200 * "a" + ".svg"]
    )


def test_a_folder_is_a_shot_by_its_whole_name(drawn):
    for folder in (Path("shots/run.1"), Path("shots/run.2")):
        folder.mkdir(parents=True)
        save_png(folder / "it.png", np.full((480, 640), 90, np.uint8))
        picture = {"role": "picture", "file": "it.png", "size": [640, 480], "bits": 8, "pixel_format": "Mono8"}
        write_document(folder / "shot.json", "shot", {"id": folder.name, "pictures": [picture]})
    assert drawn("run.png", "shots") == ["run.1.svg", "run.2.svg", "run.svg"]
