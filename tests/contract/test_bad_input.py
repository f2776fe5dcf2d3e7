"""Every kind of unusable input: one sentence that says what, where and what to do; exit 2; nothing written."""

import errno
import json
import os
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tiepoint.bench.station import BenchStation
from tiepoint.documents.files import write_document
from tiepoint.documents.pictures import encode_png, save_png
from tiepoint.targets.document import to_document
from tiepoint.targets.draw import Target, new_target

TARGET = new_target("charuco", 10.0, 12, 9)


@pytest.fixture(scope="module")
def bench() -> BenchStation:
    """Return a small camera over the table: 0.11 mm/px."""
    return BenchStation(width_px=1224, height_px=1024, pixel_um=6.9)


@pytest.fixture(scope="module")
def photo(bench) -> np.ndarray:
    """Return a good photograph of the target."""
    return bench.photograph_target(TARGET, 1).picture


@pytest.fixture
def folder(tmp_path, monkeypatch, recipe_file, photo) -> Path:
    """Return the working folder, with a target, a good photo, a tie of another picture size, and a recipe."""
    monkeypatch.chdir(tmp_path)
    write_document(Path("target.json"), "target", to_document(TARGET))
    save_png(Path("photo.png"), photo)
    return tmp_path


@pytest.fixture
def refused(cli, folder):
    """Return a function that runs a command and holds that it was refused as promised; it returns the sentence."""

    def do(words: str | list[str]) -> str:
        before = content(folder)
        said = cli(*(words.split() if isinstance(words, str) else words), "--json")
        assert said.code == 2, said
        assert said.is_one_sentence(), said.err
        assert said.json["error"]["sentence"] in said.err
        assert content(folder) == before
        return said.err

    return do


def content(folder: Path) -> dict[str, bytes | None]:
    """Return every file and folder with its bytes."""
    return {str(p.relative_to(folder)): p.read_bytes() if p.is_file() else None for p in folder.rglob("*")}


def png(pixels: np.ndarray) -> bytes:
    return encode_png(pixels)


def dot(size: int) -> np.ndarray:
    return np.full((size, size), 128, np.uint8)


PHOTOS: dict[str, tuple[bytes | None, str]] = {
    "no file": (None, "no such file"),
    "empty": (b"", "is empty"),
    "text": (b"it was sunny", "is not a picture that can be read"),
    "one pixel": (png(dot(1)), "1 × 1 px; nothing can be measured below 8 px"),
    "small": (png(dot(9)), "px"),
    "grey": (png(np.full((480, 640), 128, np.uint8)), "almost even"),
    "black": (png(np.zeros((480, 640), np.uint8)), ""),
    "white": (png(np.full((480, 640), 255, np.uint8)), ""),
    "noise": (png(np.random.default_rng(0).integers(0, 255, (480, 640), dtype=np.uint8)), ""),
}


@pytest.mark.parametrize("case", PHOTOS)
def test_a_photo_in_which_nothing_can_be_found(refused, folder, case):
    data, said = PHOTOS[case]
    if data is not None:
        (folder / "bad.png").write_bytes(data)
    assert said in refused("tie target bad.png --target target.json --out new.json")


def test_a_photo_that_is_cut_off(refused, folder, photo):
    (folder / "bad.png").write_bytes(encode_png(photo)[:-5000])
    assert "cut off or damaged" in refused("tie target bad.png --target target.json --out new.json")


def test_a_photo_of_121_megapixels_is_refused_before_it_is_decoded(refused, folder, monkeypatch):
    Image.new("1", (11_000, 11_000)).save(folder / "bad.png")
    monkeypatch.setattr("tiepoint.documents.pictures._decode", lambda _: pytest.fail("it was decoded"))
    said = refused("tie target bad.png --target target.json --out new.json")
    assert "11000 × 11000 px (121 MP); at most 120 MP are read" in said


def as_16_bit(photo: np.ndarray) -> np.ndarray:
    return photo.astype(np.uint16) * 257


def as_colour(photo: np.ndarray) -> np.ndarray:
    return np.dstack([photo] * 3)


def as_rgba(photo: np.ndarray) -> np.ndarray:
    return np.dstack([photo] * 3 + [np.full_like(photo, 40)])


@pytest.mark.parametrize("change", [as_16_bit, as_colour, as_rgba])
def test_sixteen_bit_colour_and_transparency_are_no_obstacle(cli, folder, photo, change):
    if change is as_16_bit:
        save_png(folder / "other.png", change(photo))
    else:
        Image.fromarray(change(photo)).save(folder / "other.png")
    assert cli("tie", "target", "photo.png", "--target", "target.json", "--out", "a.json", "--json").code == 0
    assert cli("tie", "target", "other.png", "--target", "target.json", "--out", "b.json", "--json").code == 0
    places = [cli("tie", "probe", name, "--at", "600,500", "--json").json["points"][0] for name in ("a.json", "b.json")]
    for axis in "xy":
        apart = abs(places[0][axis] - places[1][axis])
        assert apart < 0.2 * places[0][f"u_{axis}"]


def test_two_targets_in_one_photo(refused, folder, bench):
    half = BenchStation(width_px=612, height_px=1024, pixel_um=6.9, view=bench.view)
    one = half.photograph_target(new_target("charuco", 10.0, 6, 9), 1).picture
    save_png(folder / "two.png", np.hstack([one, one]))
    write_document(folder / "small.json", "target", to_document(new_target("charuco", 10.0, 6, 9)))
    assert "shows it twice" in refused("tie target two.png --target small.json --out new.json")


@pytest.mark.parametrize(
    "other",
    [
        new_target("charuco", 10.0, 9, 12),
        new_target("charuco", 10.0, 12, 9, family="4x4_250"),
        new_target("checker", 10.0, 12, 9),
        new_target("dots", 10.0, 12, 9),
    ],
    ids=["rows and columns swapped", "another family", "checker", "dots"],
)
def test_another_kind_of_target_than_the_document_says(refused, folder, other: Target):
    write_document(folder / "other.json", "target", to_document(other))
    assert "target of other.json was not found" in refused("tie target photo.png --target other.json --out new.json")


PAIRS = "from_x,from_y,to_x,to_y\n"
TABLES = {
    "not a number": (PAIRS + "1,2,nan,4\n", "to_x reads 'nan'"),
    "text": (PAIRS + "1,2,3,here\n", "row 1 (line 2): to_y reads 'here'"),
    "no header": ("1,2,3,4\n", "has no column from_x"),
    "empty": ("", "is empty"),
    "no rows": (PAIRS, "holds no row"),
    "one pair": (PAIRS + "1,2,3,4\n", ""),
    "two pairs": (PAIRS + "1,2,3,4\n5,6,7,8\n", ""),
    "the same point": (PAIRS + "1,2,3,4\n" * 5, ""),
    "on a line": (PAIRS + "".join(f"{k},{2 * k},{k},{-2 * k}\n" for k in range(1, 9)), "line"),
    "mirrored": (PAIRS + "0,0,0,0\n100,0,10,0\n100,80,10,8\n0,80,0,8\n50,30,5,3\n20,70,2,7\n", "mirror"),
    "beyond all measure": (PAIRS + "1e300,0,1e300,0\n0,1e300,0,1e300\n3,4,5,6\n5,1,2,3\n", ""),
}


@pytest.mark.parametrize("case", TABLES)
def test_a_table_of_pairs_that_cannot_be_used(refused, folder, case):
    text, said = TABLES[case]
    (folder / "pairs.csv").write_text(text)
    assert said in refused("tie pairs pairs.csv --unit mm --out new.json")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("tie length photo.png --from 82,117 --to 82,117 --length 10mm --out new.json", "choose a length of at least"),
        ("tie length photo.png --from 82,117 --to 1062,91 --length 0mm --out new.json", "choose a length above 0"),
        ("tie length photo.png --from 82,117 --to 1062,91 --length -5mm --out new.json", "choose a length above 0"),
        ("tie length photo.png --from 82,117 --to 1062,91 --length 110 --out new.json", "'110' has no unit"),
        ("tie length photo.png --from 82,117 --to 9999,91 --length 9mm --out new.json", "outside the picture of 1224"),
        ("tie length photo.png --from 82,nan --to 1062,91 --length 9mm --out new.json", "'82,nan' is not a point"),
        ("tie length photo.png --from 82,117 --to 1062,91 --length 9mm --u -1mm --out new.json", "choose 0mm or more"),
        ("tie length photo.png --from 600,20 --to 700,20 --length 9mm --out new.json", "neither an edge nor a corner"),
        ("tie probe tie.json --at 9999,5", "lies outside the picture, which is 640 × 480 px"),
        ("tie move tie.json --height 12mm --u-height 0.1mm --out new.json", ""),
        ("tie move tie.json --height 12mm --u-height 0.1mm --distance 400mm --out new.json", "give --u-distance too"),
        ("tie move tie.json --height 12mm --u-height 0.1mm --u-distance 4mm --out new.json", "without --distance"),
        ("target draw --pattern charuco --pitch 0mm --columns 9 --rows 6 --out new", "choose a length above 0"),
        ("target draw --pattern charuco --pitch 10mm --columns 1 --rows 1 --out new", "too few"),
        ("target draw --pattern charuco --pitch 10mm --columns 900 --rows 600 --out new", ""),
        ("target draw --pattern charuco --pitch 10mm --columns 90 --rows 6 --paper A4 --out new", "A4"),
        ("target draw --pattern checker --pitch 10mm --columns 9 --rows 6 --paper A99 --out new", "A99"),
        ("target draw --pattern star --pitch 10mm --columns 9 --rows 6 --out new", "'star' is not one of"),
        ("target measure target.json --bar-x 5mm --bar-y 5mm --u 0.1mm --with rule", ""),
        ("target measure target.json --bar-x 119mm --bar-y 89mm --u 0mm --with rule", "choose a length above 0"),
        ("target measure tie.json --bar-x 119mm --bar-y 89mm --u 1mm --with rule", "is a tie document where a target"),
        ("run plate.toml photo.png", "640 × 480 px"),
        ("run plate.toml photo.png --variant left", ""),
        ("run plate.toml none.png", "no such file"),
        ("run target.json photo.png", "is a target document where a recipe document was expected"),
    ],
)
def test_what_cannot_be_done(refused, words, said):
    assert said in refused(words)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('kind = "circle"', 'kind = "ellipsoid"'), 'kind is "ellipsoid"; use'),
        (("lower = 4.4, upper = 4.6", "lower = 4.6, upper = 4.4"), "upside down: lower 4.6 is above upper 4.4"),
        (("limits.diameter", "limits.girth"), 'limits names "girth"'),
        (("inner = 2", "inner = nan"), "nan"),
        (("tiepoint/recipe/1", "tiepoint/recipe/2"), "newer than this program reads"),
        (("tie.json", "none.json"), "none.json, and there is none; make it with tiepoint tie"),
        (("[[step]]", "[[stop]]"), "stop"),
        (("unit =", "unit ="), "640 × 480 px"),
    ],
)
def test_a_recipe_that_cannot_be_used(refused, folder, recipe_file, change, said):
    recipe_file.write_text(recipe_file.read_text().replace(*change))
    assert said in refused("run plate.toml photo.png")


@pytest.mark.parametrize(
    ("shot", "said"),
    [
        ({"roi_offset": [8, 0]}, "offset"),
        ({"binning": [2, 2]}, "binning"),
        ({"flip": "x"}, "flip"),
    ],
)
def test_a_shot_of_another_sensor_setting_than_the_tie(refused, folder, shot, said):
    # The tie does not state its offset, so nothing proves how the shot's pixels are its own.
    (folder / "shot").mkdir()
    save_png(folder / "shot" / "it.png", np.full((480, 640), 90, np.uint8))
    picture = {"role": "picture", "file": "it.png", "size": [640, 480], "bits": 8, "pixel_format": "Mono8", **shot}
    write_document(folder / "shot" / "shot.json", "shot", {"id": "1", "pictures": [picture]})
    assert said in refused("run plate.toml shot")


def test_one_odd_shot_among_others_is_unread_and_stops_nothing(cli, folder):
    save_png(folder / "fits.png", np.full((480, 640), 90, np.uint8))
    told = cli("run", "plate.toml", "fits.png", "photo.png", "--json")
    verdicts = [record["verdict"] for record in told.json["records"]]
    reasons = [record["readings"][0]["reason"]["code"] for record in told.json["records"]]
    assert (told.code, verdicts, reasons) == (1, ["unread", "unread"], ["no_edge", "tie_refused"])


def test_a_shot_that_cannot_be_read_is_unread_and_loses_no_other(cli, folder):
    image_recipe(folder)
    (folder / "bad.png").write_text("x")
    told = cli("run", "image.toml", "photo.png", "bad.png", "photo.png", "--out", "out")
    assert told.code == 1
    assert "bad.png" in told.err
    lines = (folder / "out" / "records.jsonl").read_text(encoding="utf-8").splitlines()
    rows = (folder / "out" / "records.csv").read_text(encoding="utf-8-sig").splitlines()
    assert [json.loads(line)["seq"] for line in lines] == [1, 2, 3]
    assert [json.loads(line)["verdict"] == "unread" for line in lines] == [False, True, False]
    assert [row.partition(",")[0] for row in rows] == ["seq", "1", "2", "3"]


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such names")
def test_the_name_of_a_file_does_not_steer_the_terminal(cli, folder):
    # ISO/IEC 6429: ESC [ 2 J clears the page. UAX #9: U+202E turns the writing, so that "gnp.daer" shows as "read.png".
    image_recipe(folder)
    names = ["\x1b[2Jphoto.png", "\u202ephoto.png", "\x9b2Jbad.png"]
    for name in names[:2]:
        shutil.copy("photo.png", name)
    (folder / names[2]).write_text("x")
    told = cli("run", "image.toml", *names)
    refused = cli("run", "image.toml", "\x1b[2Jmissing.png")
    for text in (told.out, told.err, refused.err):
        assert text
        assert not {"\x1b", "\x9b", "\u202e"} & set(text)
    assert "\N{REPLACEMENT CHARACTER}[2Jphoto.png: " in told.out


def test_where_no_shot_can_be_read_nothing_is_written(cli, folder):
    image_recipe(folder)
    for name in ("bad.png", "worse.png"):
        (folder / name).write_text("x")
    told = cli("run", "image.toml", "bad.png", "worse.png", "--out", "out")
    assert told.code == 2
    assert "none of the shots can be measured: bad.png" in told.err.splitlines()[-1]
    assert not (folder / "out" / "records.jsonl").exists()


@pytest.mark.parametrize("name", ["records.jsonl", "records.csv"])
@pytest.mark.parametrize("kind", ["file", "folder"])
def test_earlier_records_are_not_lost_and_nothing_is_drawn_before(refused, folder, name, kind):
    image_recipe(folder)
    (folder / "out").mkdir()
    (folder / "out" / name).write_text("earlier") if kind == "file" else (folder / "out" / name).mkdir()
    assert "earlier records are not lost" in refused("run image.toml photo.png --out out --overlay drawn")


@pytest.mark.parametrize("kind", ["tie", "target"])
def test_a_file_of_a_newer_version(refused, folder, kind):
    newer = json.loads((folder / f"{kind}.json").read_text()) | {"format": f"tiepoint/{kind}/2"}
    (folder / f"{kind}.json").write_text(json.dumps(newer))
    words = {
        "tie": "tie probe tie.json --at 1,1",
        "target": "tie target photo.png --target target.json --out new.json",
    }
    assert f"{kind}.json is of version 2, newer than this program reads (1); update tiepoint" in refused(words[kind])


@pytest.mark.parametrize(
    "words",
    [
        "tie probe empty --at 1,1",
        "tie target empty --target target.json --out new.json",
        "tie target photo.png --target empty --out new.json",
        "tie target photo.png --target target.json --out empty",
        "tie pairs empty --unit mm --out new.json",
        "tie length empty --from 1,1 --to 90,90 --length 5mm --out new.json",
        "run empty photo.png",
        "run plate.toml empty",
        "target measure empty --bar-x 119mm --bar-y 89mm --u 1mm --with rule",
    ],
)
def test_a_folder_for_a_file(refused, folder, words):
    (folder / "empty").mkdir()
    refused(words)


WRITES = {
    "tie target": "tie target photo.png --target target.json --out {}/new.json",
    "tie length": "tie length photo.png --from 82,117 --to 1062,91 --length 110mm --out {}/new.json",
    "target draw": "target draw --pattern checker --pitch 10mm --columns 9 --rows 6 --out {}/new",
    "run --out": "run image.toml photo.png --out {}",
    "run --overlay": "run image.toml photo.png --overlay {}",
}


def image_recipe(folder: Path) -> None:
    text = (
        (folder / "plate.toml")
        .read_text()
        .replace('kind = "circle"', 'kind = "circle"\nin = "image"')
        .replace('tie = "tie.json"\nheight = 0.0\nu_height = 0.0\n', "")
    )
    text = text.replace("[15, 12], inner = 2, outer = 4", "[600, 500], inner = 20, outer = 40")
    (folder / "image.toml").write_text(text)


@pytest.mark.parametrize("name", WRITES)
def test_a_place_that_forbids_writing(refused, folder, name):
    # A file where a folder should be: forbidden to everyone, also to an administrator.
    image_recipe(folder)
    (folder / "taken").write_text("mine")
    refused(WRITES[name].format("taken"))


@pytest.mark.parametrize("name", WRITES)
def test_a_disk_that_is_full(refused, folder, monkeypatch, name):
    image_recipe(folder)
    (folder / "there").mkdir()

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    if name == "target draw":
        (folder / "there" / "new").mkdir()
    assert "no space left on device; nothing was changed" in refused(WRITES[name].format("there")).lower()


def test_a_disk_that_is_full_leaves_the_old_document(cli, folder, monkeypatch):
    before = (folder / "target.json").read_bytes()
    monkeypatch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError(errno.ENOSPC, "No space left on device")))
    said = cli(
        "target", "measure", "target.json", "--bar-x", "119.8mm", "--bar-y", "89.9mm", "--u", "0.1mm", "--with", "r"
    )
    assert (said.code, (folder / "target.json").read_bytes()) == (2, before)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the file system in memory is Linux's")
def test_a_file_system_that_is_really_full(refused, folder):
    """A real full disk where one can be made; writing under /dev/full's own folder must not replace a device."""
    assert "not an ordinary file" in refused(
        "tie length photo.png --from 82,117 --to 1062,91 --length 9mm --out /dev/full"
    )
    assert Path("/dev/full").is_char_device()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("tie pairs pairs.csv --unit mm --out pairs.csv", "is read by this command"),
        ("tie target photo.png --target target.json --out photo.png", "is read by this command"),
        ("tie target photo.png --target target.json --out target.json", "is read by this command"),
        ("tie length photo.png --from 82,117 --to 1062,91 --length 110mm --out target.json", "holds no tie"),
        ("tie length photo.png --from 82,117 --to 1062,91 --length 110mm --out plate.toml", "holds no tie"),
        ("tie views photo.png --target target.json --out tie.json", "holds no camera"),
        ("tie move tie.json --height 1mm --u-height 0mm --out tie.json", "is read by this command"),
    ],
)
def test_a_file_of_yours_is_not_replaced(refused, folder, words, said):
    (folder / "pairs.csv").write_text(PAIRS + "0,0,0,0\n100,0,10,0\n100,80,10,-8\n0,80,0,-8\n50,30,5,-3\n")
    assert said in refused(words)


@pytest.mark.parametrize(
    "words",
    [
        "target draw --pattern charuco --pitch 10mm --columns 12 --rows 9 --out .",
        "target describe --pattern checker --pitch 10mm --columns 12 --rows 9 --out target.json",
    ],
)
def test_a_target_that_was_measured_is_not_replaced(refused, cli, folder, words):
    assert cli(*words.split()).code == 0, "one that nobody measured may be drawn again"
    measured = json.loads((folder / "target.json").read_text())["bars"]
    bars = f"--bar-x {measured['x_mm']}mm --bar-y {measured['y_mm']}mm --u 0.1mm --with rule"
    assert cli("target", "measure", "target.json", *bars.split()).code == 0
    assert "target.json holds the measurement of a print; choose another folder, or delete it" in refused(words)


@pytest.mark.parametrize(
    "change",
    [
        {"matrix": [[0] * 3] * 3},
        {"matrix": [[1, 0, 0], [0, 1, 0], [0] * 3]},
        {"u_height_mm": -1},
        {"u_distance_mm": -5},
    ],
)
def test_a_tie_that_cannot_hold(refused, folder, change):
    (folder / "bad.json").write_text(json.dumps(json.loads((folder / "tie.json").read_text()) | change))
    assert "bad.json cannot be used" in refused("tie probe bad.json --at 100,100")


def test_names_that_are_no_names(refused, folder):
    shutil.copy(folder / "photo.png", folder / "-photo.png")
    refused(["tie", "target", "a" * 5000 + ".png", "--target", "target.json", "--out", "new.json"])
    refused(["tie", "target", "photo.png", "--target", "target.json", "--out", "b" * 5000 + ".json"])
    refused(["tie", "target", "photo\0.png", "--target", "target.json", "--out", "new.json"])


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ("--pitch 10mm --columns 0 --rows 5", "0 × 5"),
        ("--pitch 10mm --columns 5 --rows -3", "5 × -3"),
        ("--pitch 1e9mm --columns 5 --rows 5", "a pitch of 1e+09 mm cannot be printed; choose 0.001 mm to 1000 mm"),
        ("--pitch 1e-9mm --columns 5 --rows 5", "a pitch of 1e-09 mm cannot be printed; choose 0.001 mm to 1000 mm"),
    ],
)
@pytest.mark.parametrize("pattern", ["charuco", "checker", "dots"])
def test_targets_that_nobody_can_print(refused, folder, pattern, asked, said):
    assert said in refused(f"target draw --pattern {pattern} {asked} --out drawn")
    assert not (folder / "drawn").exists()
    if pattern == "checker":  # the others are described by more than these
        assert said in refused(f"target describe --pattern {pattern} {asked} --out board.json")
