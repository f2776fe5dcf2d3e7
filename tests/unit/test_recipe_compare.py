"""`compare` as a recipe runs it: taught from a picture that scikit-image carries, with blemishes of known size."""

import tomllib
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage import data

from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.beside import Beside
from tiepoint.recipe.blemishes import _components
from tiepoint.recipe.masks import Mask
from tiepoint.recipe.recipe import Recipe, load_recipe, read_recipe
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.recipe.steps.compare import STEP, CompareTable
from tiepoint.recipe.teach_good import advice, keep_good, teach_good
from tiepoint.ties.tie import Sensor

HEAD = 'format = "tiepoint/recipe/1"\nname = "print"\n'
REGION = "region = { rectangle = { centre = [150, 140], size = [224, 200] } }"
# A public-domain photo of a wall that scikit-image carries, softened as by a lens.
BASE = cv2.GaussianBlur(data.brick()[:280, :300].astype(np.float32), (0, 0), 0.9)

SMOOTH = (120 + 40 * np.add.outer(np.sin(np.arange(280) / 9), np.cos(np.arange(300) / 7))).astype(np.float32)


def picture(
    seed: int, base: np.ndarray = BASE, off: tuple[float, float] | None = None, dtype: type = np.uint8
) -> np.ndarray:
    """Return a good part as one more picture shows it: moved a little, lit a little otherwise, with noise."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(-0.5, 0.5, 2) if off is None else off
    shape = base.shape[1], base.shape[0]
    moved = cv2.warpAffine(
        base, np.array([[1, 0, x], [0, 1, y]]), shape, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
    )
    light = cv2.resize(rng.normal(0, 1.5, (4, 4)).astype(np.float32), shape, interpolation=cv2.INTER_CUBIC)
    shown = moved + light + rng.normal(0, 2.0, moved.shape)
    return shown.astype(np.float32) if dtype is np.float32 else np.clip(np.rint(shown), 0, 255).astype(dtype)


def planted(base: np.ndarray, x: float, y: float, radius: float, by: float) -> np.ndarray:
    """Return a picture with a disc of another grey, each pixel by how much of it the disc covers (8 × 8 samples)."""
    rows, cols = base.shape
    fine = (np.arange(8) + 0.5) / 8 - 0.5
    yy = (np.arange(rows)[:, None] + fine).ravel()
    xx = (np.arange(cols)[:, None] + fine).ravel()
    inside = (np.hypot(xx[None] - x, yy[:, None] - y) <= radius).reshape(rows, 8, cols, 8).mean(axis=(1, 3))
    return (base + by * cv2.GaussianBlur(inside.astype(np.float32), (0, 0), 0.7)).astype(np.float32)


def recipe(more: str = "", region: str = REGION) -> Recipe:
    return read_recipe(
        tomllib.loads(f'{HEAD}[[step]]\nname = "print"\nkind = "compare"\nin = "image"\n{region}\n{more}')
    )


def seen(pixels: np.ndarray) -> Seen:
    size = pixels.shape[1], pixels.shape[0]
    return Seen(
        Shot("shot", (Picture("picture", "", size, 8, "Mono8"),)), {"picture": pixels}, {"picture": Sensor(*size)}
    )


def taught(made: Recipe, pictures: list[np.ndarray], mask: Mask | None = None) -> Recipe:
    """Return the recipe as it is after teaching."""
    made = with_beside(made, Beside(mask))
    good, _ = teach_good([(Job(made, None), seen(p)) for p in pictures], "print")
    return with_beside(made, Beside(mask, good=good))


def with_beside(made: Recipe, beside: Beside) -> Recipe:
    step = replace(made.order[0], beside=beside)
    return replace(made, steps=(step,), order=(step,))


def record(made: Recipe, pixels: np.ndarray) -> Record:
    return run(Job(made, None), seen(pixels)).record


def values(made: Record) -> dict[str, float]:
    assert all(r.value is not None or r.reason.code == "no_blemish" for r in made.readings), [
        r.reason for r in made.readings
    ]
    return {r.quantity: r.value for r in made.readings}


EVERY = 'readings = ["length", "width", "total", "x", "y", "shift"]'


@pytest.fixture(scope="module")
def known() -> Recipe:
    return taught(recipe(EVERY + "\nlimits.count.upper = 0"), [picture(k) for k in range(20)])


def test_a_good_part_conforms(known: Recipe) -> None:
    made = record(known, picture(100))
    assert made.verdict == "conforms"
    told = values(made)
    assert (told["count"], told["area"], told["total"]) == (0, 0, 0)
    assert 0.3 < told["contrast"] < 1


@pytest.mark.parametrize(("radius", "by"), [(8.0, -60), (5.0, 70), (12.0, -45)])
def test_a_planted_disc_is_found_and_sized(known: Recipe, radius: float, by: float) -> None:
    x, y = 140.3, 120.6
    made = record(known, picture(101, planted(BASE, x, y, radius, by), off=(0.0, 0.0)))
    assert made.verdict == "rejected"
    told = {r.quantity: r for r in made.readings}
    assert told["count"].value == 1
    assert told["contrast"].value > 1
    # Closed form: π·r², a diameter of 2·r, its own place.
    for quantity, true in [
        ("area", np.pi * radius**2),
        ("length", 2 * radius),
        ("width", 2 * radius),
        ("x", x),
        ("y", y),
    ]:
        assert abs(told[quantity].value - true) < 1.3 * told[quantity].U95, quantity


def test_intervals_hold() -> None:
    # Discs of one size at 40 places, closed form: the interval of 95 % holds at least 33 times of 40 (fewer come up
    # once in 2,000), and is not twice as wide as the errors ask for.
    made = taught(recipe(EVERY), [picture(k, SMOOTH) for k in range(12)])
    rng, share, held = np.random.default_rng(5), {}, {}
    for k in range(40):
        x, y = rng.uniform(70, 230), rng.uniform(70, 210)
        readings = record(made, picture(200 + k, planted(SMOOTH, x, y, 7.0, -50), off=(0.0, 0.0))).readings
        for r in readings:
            true = {"area": np.pi * 49, "length": 14.0, "width": 14.0, "x": x, "y": y}.get(r.quantity)
            if true is not None:
                share.setdefault(r.quantity, []).append((r.value - true) / r.u)
                held.setdefault(r.quantity, []).append(abs(r.value - true) <= r.U95)
    for quantity in ("area", "length", "width", "x", "y"):
        assert sum(held[quantity]) >= 33, quantity
        assert 0.5 < np.sqrt(np.mean(np.square(share[quantity]))) < 1.4, quantity


def test_several_blemishes_are_counted_and_small_ones_left_out(known: Recipe) -> None:
    base = planted(planted(planted(BASE, 90, 90, 9, -60), 200, 90, 5, 70), 120, 200, 2.0, -90)
    told = values(record(known, picture(7, base, off=(0.0, 0.0))))
    assert told["count"] == 3
    assert told["area"] == pytest.approx(np.pi * 81, rel=0.05)
    assert told["total"] == pytest.approx(np.pi * (81 + 25 + 4), rel=0.05)
    table = known.order[0].table.model_copy(update={"least_area": 40.0})
    step = replace(known.order[0], table=table)
    assert values(record(replace(known, steps=(step,), order=(step,)), picture(7, base, off=(0.0, 0.0))))["count"] == 2


def test_a_shade_is_looked_at_alone(known: Recipe) -> None:
    base = planted(planted(BASE, 90, 90, 9, -60), 200, 90, 6, 70)
    for shade, radius in (("darker", 9), ("brighter", 6)):
        step = replace(known.order[0], table=known.order[0].table.model_copy(update={"shade": shade}))
        told = values(record(replace(known, steps=(step,), order=(step,)), picture(7, base, off=(0.0, 0.0))))
        assert told["count"] == 1
        assert told["area"] == pytest.approx(np.pi * radius**2, rel=0.05)


def test_what_is_painted_over_or_outside_does_not_count() -> None:
    dirty = planted(BASE, 80, 80, 10, -70)
    painted = np.zeros((100, 112), bool)
    painted[:50, :50] = True  # the upper left of the region's box
    masked = taught(recipe(EVERY), [picture(k) for k in range(8)], Mask(painted))
    assert values(record(masked, picture(60, dirty)))["count"] == 0
    ring = "region = { ring = { centre = [150, 140], inner = 20, outer = 60 } }"
    ringed = taught(recipe(EVERY, ring), [picture(k) for k in range(8)])
    assert values(record(ringed, picture(60, dirty)))["count"] == 0
    assert values(record(ringed, picture(60, planted(BASE, 150, 90, 6, -70))))["count"] == 1
    # Taught with a mask, and looked at without it: nobody knows what good parts show there.
    bare = with_beside(masked, Beside(None, good=masked.order[0].beside.good))
    assert {r.reason.code for r in record(bare, picture(60)).readings} == {"taught_otherwise"}


def test_relief_pictures_are_compared_too() -> None:
    height = (SMOOTH - 120) / 4000  # slopes about nothing, some parts in a hundred

    def relief(seed: int, more: np.ndarray | float = 0.0) -> np.ndarray:
        return (height + more + np.random.default_rng(seed).normal(0, 5e-4, height.shape)).astype(np.float32)

    made = taught(recipe(EVERY), [relief(k) for k in range(10)])
    assert values(record(made, relief(50)))["count"] == 0
    dent = planted(np.zeros_like(SMOOTH), 140, 130, 8, 0.02)
    told = values(record(made, relief(51, dent)))
    assert told["count"] == 1
    assert told["area"] == pytest.approx(np.pi * 64, rel=0.03)
    unseen = relief(52)
    unseen[130, 140] = np.nan
    readings = {r.quantity: r for r in record(made, unseen).readings}
    assert readings["count"].value == 1
    assert readings["contrast"].reason.code == "not_a_number"


def test_a_lamp_that_ages_is_taken_out_where_asked() -> None:
    good = [picture(k, SMOOTH) for k in range(8)]
    dim = np.asarray(picture(70, SMOOTH) * 0.85, np.uint8)
    plain, levelled = taught(recipe(), good), taught(recipe('levelled = true\nreadings = ["gain"]'), good)
    assert values(record(plain, dim))["contrast"] > 1
    made = record(levelled, dim)
    assert values(made)["gain"] == pytest.approx(0.85, abs=0.02)
    assert values(made)["count"] == 0
    assert "levelled" in made.readings[0].flags
    dark = record(levelled, np.asarray(picture(70, SMOOTH) * 0.3, np.uint8))
    assert {r.reason.code for r in dark.readings} == {"light_differs"}


def test_one_good_picture_has_a_floor_and_says_so() -> None:
    made = taught(recipe(EVERY), [picture(0, SMOOTH)])
    told = record(made, picture(1, SMOOTH))
    assert values(told)["count"] == 0
    assert "few_good" in told.readings[0].flags
    assert values(record(made, picture(1, planted(SMOOTH, 120, 100, 6, -60))))["count"] == 1
    assert "a floor stands in" in advice(1)
    assert advice(20) is None


def test_what_is_not_as_it_was_is_never_passed(known: Recipe) -> None:
    def codes(pixels: np.ndarray) -> set[str]:
        made = record(known, pixels)
        assert made.verdict in ("unread", "rejected")
        return {r.reason.code for r in made.readings if r.reason}

    assert codes(picture(5, off=(3.6, 1.0))) == {"moved"}
    for pixels in (np.zeros((280, 300), np.uint8), np.full((280, 300), 255, np.uint8), picture(5, BASE[::-1].copy())):
        codes(pixels)
    speckled = picture(5).copy()
    speckled[::6, ::6] = 255
    assert codes(speckled) == {"many_blemishes"}
    assert codes(picture(5)[:200]) == {"outside_picture"}
    assert {r.reason.code for r in record(recipe(), picture(5)).readings} == {"good_not_taught"}


def test_files_go_round_and_are_part_of_the_recipe(tmp_path: Path) -> None:
    file = tmp_path / "print.toml"
    text = f'# kept\n{HEAD}[[step]]\nname = "the print"\nkind = "compare"\nin = "image"\n{REGION}\n'
    file.write_text(text)
    before = load_recipe(file)
    shots = [(Job(before, None), seen(picture(k))) for k in range(6)]
    good, shifts = teach_good(shots, "the print")
    lesson = keep_good(file, before.steps[0], good, shifts, [f"shot {k}" for k in range(6)])
    assert lesson.revision == 2
    assert file.read_text().startswith("# kept")
    after = load_recipe(file)
    kept = after.steps[0].beside.good
    assert np.array_equal(kept.levels, good.levels, equal_nan=True)
    assert kept.learnt.maxima == good.learnt.maxima
    assert after.sha != before.sha
    assert values(record(after, picture(33)))["count"] == 0
    tif = tmp_path / "print.the-print.good.tif"
    other, _ = teach_good(shots[:5], "the print")
    keep_good(file, after.steps[0], other, shifts[:5], [f"shot {k}" for k in range(5)])
    assert load_recipe(file).sha != after.sha
    tif.write_bytes(tif.read_bytes()[:2000])
    with pytest.raises(UnusableDocument, match=r"good cannot be used: .*is cut off or damaged; teach again"):
        load_recipe(file)


def test_a_shot_that_does_not_show_the_region_is_not_learnt_from() -> None:
    made = recipe()
    with pytest.raises(UnusableInput, match=r'shot "shot" cannot be learnt from\. The region leaves the picture'):
        teach_good([(Job(made, None), seen(picture(0)[:150]))], "print")


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("false_alarm = 0", "false_alarm is 0; choose at least 0.001"),
        ('shade = "odd"', 'shade is "odd"; use "either", "darker" or "brighter"'),
        ('good = "nowhere.json"', "name a file in the recipe's folder"),
    ],
)
def test_what_is_written_wrongly_is_refused_in_a_sentence(more: str, words: str) -> None:
    with pytest.raises(UnusableDocument, match=words):
        recipe(more)


def test_the_step_of_the_page_is_read_as_it_is_written() -> None:
    page = (Path(__file__).parents[2] / "docs/how-to/compare-with-good-parts.md").read_text("utf-8")
    (step,) = tomllib.loads(page.split("```toml\n")[1].split("```")[0])["step"]
    table = CompareTable.read(step, "")
    assert (table.lives_in, table.false_alarm, table.readings) == (None, 0.01, ("length", "total"))
    for quantity in STEP.quantities:
        assert f"`{quantity.name}`" in page


@pytest.mark.parametrize("share", [0.0, 0.003, 0.02, 0.3])
@pytest.mark.parametrize("apart_px", [0.0, 2.0])
def test_marks_are_told_apart_as_opencv_does(share, apart_px):
    marks = (np.random.default_rng(4).random((60, 80)) < share).astype(np.uint8)
    labels, told = _components(marks, apart_px)
    count, theirs, stats, _ = cv2.connectedComponentsWithStats(marks, connectivity=8, ltype=cv2.CV_32S)
    if apart_px == 0:
        assert sorted(told[1:].tolist()) == sorted(stats[1:].tolist())
        assert len(np.unique(np.column_stack([labels.ravel(), theirs.ravel()]), axis=0)) == count
    assert np.array_equal(labels > 0, marks > 0)
    for k, (left, top, wide, tall, pixels) in enumerate(told[1:].tolist(), 1):
        y, x = np.nonzero(labels == k)
        assert (x.min(), y.min(), np.ptp(x) + 1, np.ptp(y) + 1, len(x)) == (left, top, wide, tall, pixels)


def test_marks_with_less_than_a_gap_between_them_are_one():
    marks = np.zeros((20, 60), np.uint8)
    for left in (5, 14, 30):  # with 4 and 11 places between them
        marks[8:11, left : left + 5] = 1
    assert [len(_components(marks, gap)[1]) - 1 for gap in (0.0, 2.0, 6.0, 13.0)] == [3, 3, 2, 1]
