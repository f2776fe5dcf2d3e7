"""The tutorials are followed, command by command, on pictures of the simulated station."""

from dataclasses import replace
from pathlib import Path

import pytest

from tiepoint.bench.place import Place
from tiepoint.bench.plate import Hole, Plate
from tiepoint.bench.printing import PrintedTarget, Rule
from tiepoint.bench.station import BenchStation
from tiepoint.documents.pictures import save_png
from tiepoint.targets.draw import new_target

ROOT = Path(__file__).resolve().parents[2]
TUTORIALS = ROOT / "docs" / "tutorials"
FIXTURE = Place(30.0, 25.0, 0.0, 3.0)


@pytest.fixture
def pictures(tmp_path) -> None:
    """Take the pictures that the tutorial speaks of: a print of 99.8 %, a good plate, one without its second bore."""
    bench = BenchStation(width_px=1224, height_px=1024, pixel_um=6.9)
    target = new_target("charuco", 10.0, 12, 9)
    printed = PrintedTarget(target, 0.9980, 0.9984, Rule("glass scale no 4"), 0.0, 119.76, 89.86)
    save_png(tmp_path / "photo.png", bench.photograph_target(printed, 1).picture)
    undrilled = replace(Plate(), bore_b=Hole(48.0, 12.0, 0.01))
    for name, plate in (("plate-1.png", Plate()), ("plate-2.png", undrilled)):
        save_png(tmp_path / name, bench.photograph_plate(plate, FIXTURE, 2).picture)


def test_the_tutorial_and_then_the_readme_say_what_they_show(pictures, follow):
    follow(TUTORIALS / "first-millimetre.md")
    follow(ROOT / "README.md")


def test_every_tutorial_is_followed():
    # The second is followed in test_demo.py, beside what it is about.
    assert sorted(p.name for p in TUTORIALS.glob("*.md")) == ["first-millimetre.md", "the-demo.md"]


def test_a_page_that_lies_is_found_out(tmp_path, follow):
    page = tmp_path / "page.md"
    page.write_text("```console\n$ tiepoint --version\ntiepoint 99.0\n```\n")
    with pytest.raises(AssertionError, match=r"no line like 'tiepoint 99\.0'"):
        follow(page)
    page.write_text("```console\n$ tiepoint nonsense\n```\n")
    with pytest.raises(AssertionError, match="exit code 2"):
        follow(page)
