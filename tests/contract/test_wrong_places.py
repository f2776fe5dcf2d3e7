"""Every command of the guides with a wrong thing in each place: one sentence, and no file of yours is changed."""

import json
import runpy
from pathlib import Path

import numpy as np
import pytest

from tiepoint.documents.files import write_document
from tiepoint.documents.pictures import save_png
from tiepoint.targets.document import to_document
from tiepoint.targets.draw import new_target

HELPER = runpy.run_path(str(Path(__file__).parents[1] / "helpers" / "picking_station.py"))
COMMANDS = [
    "target draw --pattern charuco --pitch 10mm --columns 12 --rows 9 --paper A4 --out new",
    "target describe --pattern charuco --pitch 40mm --columns 5 --rows 7 --family 6x6_250 --marker 20mm --out new.json",
    "target measure target.json --bar-x 119.76mm --bar-y 89.86mm --u 0.03mm --with rule",
    "tie target grey.png --target target.json --tolerance 0.4mm --out new.json",
    "tie length grey.png --from 82,117 --to 562,91 --length 109.8mm --u 0.05mm --out new.json",
    "tie pairs pairs.csv --unit mm --from plane --to robot --tolerance 0.3mm --out new.json",
    "tie move tie.json --height 3mm --u-height 0.02mm --distance 400mm --u-distance 2mm --out new.json",
    "tie probe tie.json --at 50,50",
    "tie probe tie.json --points points.csv",
    "run pick.toml shot --variants variants.csv --variant left --out new",
    "teach pick.toml part shot",
    "grip show pick.toml shot --at-count 900",
    "grip teach pick.toml part shot --held 400,-115,38 --deg 180,0,180 --u 0.1mm",
    "grip centre views.csv --u 0.02mm --turns",
    "belt counts.csv --u 0.03mm --distance 900mm --pitch 100mm --out new.json",
    "touch sheet robot.json --pitch 2mm --tolerance 0.3mm --out new.pdf",
    "touch check robot.json touched.csv --tolerance 0.3mm --u 0.05mm",
    "study pose cycles.csv --u 0.005mm --most-rp 0.05mm",
]
TABLES = {
    "counts.csv": "count,x_mm,y_mm\n0,0,0\n1000,50,0.1\n2000,100,0.2\n3000,150,0.3\n",
    "cycles.csv": "x_mm,y_mm\n" + "10,20\n10.01,20\n10,20.01\n" * 4,
    "views.csv": "x_mm,y_mm,turn_deg\n10,0,0\n0,10,90\n-10,0,180\n0,-10,270\n",
    "pairs.csv": "from_x,from_y,to_x,to_y\n0,0,5,5\n100,0,105,5\n100,80,105,85\n0,80,5,85\n50,30,55,35\n20,70,25,75\n",
    "variants.csv": "variant,height_mm,u_height_mm,a\nleft,3,0.02,4.5\n",
    "points.csv": "x,y\n10,10\n",
}
WRONG_FILES = [
    *("folder", "empty", "bytes", "words.txt", "grey.png", "pick.toml", "pairs.csv", "target.json", "robot.json"),
    *("shot/shot.json", "none/here.json", "grey.png/below", "a b/ünï.json", "-x.png", ""),
]
WRONG_NUMBERS = ["3", "3kg", "mm", "-3mm", "0mm", "nan", "1e400mm", "1e-320mm", "3,5mm", "", "1e300mm"]
WRONG_WORDS = ["", "-1", "1e5", "99999999999999999999", "x", "nan", "é", "1,2,3"]


@pytest.fixture
def station(tmp_path, monkeypatch) -> Path:
    """Return the folder of a station, with a target, tables, and things that are of no use, as the working folder."""
    monkeypatch.chdir(tmp_path)
    HELPER["picking_station"](tmp_path)
    write_document(Path("target.json"), "target", to_document(new_target("charuco", 10.0, 12, 9)))
    save_png(Path("grey.png"), np.full((480, 640), 128, np.uint8))
    for name, text in TABLES.items():
        Path(name).write_text(text, encoding="utf-8")
    Path("folder").mkdir()
    Path("empty").write_bytes(b"")
    Path("bytes").write_bytes(bytes(range(256)))
    Path("words.txt").write_text("it was\nsunny\n", encoding="utf-8")
    return tmp_path


def wrong_for(word: str) -> list[str]:
    if word[:1].isdigit() and word.endswith("mm"):
        return WRONG_NUMBERS
    if ("." in word and not word[0].isdigit()) or word in ("new", "shot"):
        return WRONG_FILES
    return WRONG_WORDS


def variations(command: str) -> list[list[str]]:
    """Return the words of a command with each argument and value wrong in each way, each option gone, or its value."""
    words = command.split()
    ways = []
    for k in range(1 if words[0] in ("run", "teach", "belt") else 2, len(words)):
        if words[k].startswith("--"):
            ways += [words[:k] + words[k + 2 :], words[: k + 1]]
        else:
            ways += [[*words[:k], wrong, *words[k + 1 :]] for wrong in wrong_for(words[k])]
    return ways


def content(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def renewed(words: list[str]) -> set[str]:
    """Return what a command may change: the document that it is about, or its like at the place that is named."""
    mine = {"target measure": words[2:3], "grip teach": words[2:3]}.get(" ".join(words[:2]), [])
    return {*mine, *(words[1:2] if words[0] == "teach" else [])}


@pytest.mark.parametrize("command", COMMANDS)
def test_a_wrong_thing_in_each_place(cli, station, command):
    for words in variations(command):
        before = content(station)
        said = cli(*words)
        after = content(station)
        assert said.code in (0, 1, 2), (words, said)
        if said.code == 2:
            assert said.is_one_sentence(), (words, said)
            assert after == before, words
        lost = {name for name in before if after.get(name) != before[name]} - renewed(words)
        replaced = {name for name in lost if before[name] and kind(before[name]) != kind(after.get(name, b""))}
        assert not replaced, (words, replaced)
        for name in after:
            if name not in before:
                (station / name).unlink()
        for name in lost | renewed(words):
            if name in before:
                (station / name).write_bytes(before[name])


def kind(data: bytes) -> str:
    """Return what kind of document bytes are, or how they begin."""
    try:
        return str(json.loads(data)["format"])
    except (ValueError, KeyError, TypeError):
        return data[:8].hex()


@pytest.mark.parametrize("name", ["grey.png", "pairs.csv", "robot.json", "pick.toml"])
def test_a_description_replaces_no_other_file(cli, station, name):
    before = (station / name).read_bytes()
    said = cli(*f"target describe --pattern checker --pitch 30mm --columns 10 --rows 7 --out {name}".split())
    assert (said.code, said.is_one_sentence()) == (2, True)
    assert f"{name} exists and holds no target; name another, or take it away first" in said.err
    assert (station / name).read_bytes() == before


@pytest.mark.parametrize(("name", "said"), [("json", "holds no target"), ("pdf", "is no PDF"), ("svg", "is no SVG")])
def test_a_drawing_replaces_no_other_file(cli, station, name, said):
    (station / f"target.{name}").write_text("mine", encoding="utf-8")
    before = content(station)
    told = cli(*COMMANDS[0].replace("--out new", "--out .").split())
    assert (told.code, told.is_one_sentence()) == (2, True)
    assert f"target.{name} exists and {said}" in told.err
    assert content(station) == before


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            "belt counts.csv --u 1um --pitch 1e-320mm --distance 9mm",
            "--pitch is 1e-320mm; no length of a station is so small",
        ),
        (
            "touch sheet robot.json --pitch 1e300mm --out n.pdf",
            "--pitch is 1e300mm; no length of a station is so large",
        ),
        (
            "target draw --pattern checker --pitch 1mm --columns x --rows 7 --out new",
            "'--columns'; give a whole number",
        ),
        ("tie length -x.png --from 1,1 --to 9,9 --length 9mm --out n.json", "begins with a dash is named ./-…"),
        ("tie probe grey.png --at 1,1", "grey.png is a picture where a text file was expected; look at the order"),
        ("tie pairs target.json --unit mm --out n.json", "target.json has no column from_x"),
        ("tie length pick.toml --from 1,1 --to 9,9 --length 9mm --out n.json", "pick.toml "),
    ],
)
def test_the_sentence_says_what_to_do(cli, station, words, said):
    told = cli(*words.split())
    assert (told.code, told.is_one_sentence()) == (2, True), told
    assert said in told.err
    assert "invalid literal" not in told.err
