"""`bead` in recipes: drawn beads whose gaps and widths are known exactly, and what must never pass."""

import math
import runpy
import tomllib
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.model.reading import Reading
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.bead_path import stations_of
from tiepoint.recipe.context import Context
from tiepoint.recipe.ground import ImageGround
from tiepoint.recipe.recipe import read_recipe
from tiepoint.recipe.runner import Job, Outcome, Seen, run
from tiepoint.recipe.steps.bead import BeadTable
from tiepoint.ties.tie import Sensor, Tie
from tiepoint.vision.bead import band_of, bead_in

HELPERS = Path(__file__).parents[1] / "helpers"
scenes = SimpleNamespace(**runpy.run_path(str(HELPERS / "shape_scenes.py")))
ties = SimpleNamespace(**runpy.run_path(str(HELPERS / "square_tie.py")))

HEAD = 'format = "tiepoint/recipe/1"\nname = "seal"\nheight = 0.0\nu_height = 0.0\n'
SCALE, ROWS, COLS = 0.05, 200, 640
"""mm in a pixel, and the size of the picture: 10 mm by 32 mm."""
PATH = "[[3, 5], [28, 5]]"


def tie(u_scale: float = 0.0) -> Tie:
    return ties.square_tie(SCALE, COLS, ROWS, u_scale)


def stretch(start, stop, radius: float, n: int = 60) -> np.ndarray:
    """A piece of bead with round ends from tip to tip (mm), in px."""
    a, b = np.array(start, float), np.array(stop, float)
    d = (b - a) / np.hypot(*(b - a))
    side, t = np.array([-d[1], d[0]]), np.linspace(-math.pi / 2, math.pi / 2, n)[:, None]
    cap = np.cos(t) * d + np.sin(t) * side
    points = np.vstack([b - radius * d + radius * cap, a + radius * d - radius * cap])
    return points / SCALE * (1, -1) + (0, ROWS - 1)


def picture(*pieces, level=190.0, ground=60.0, w=1.0, noise=2.0, seed=0, dtype=np.uint8) -> np.ndarray:
    clean = np.full((ROWS, COLS), ground)
    for piece in pieces:
        scenes.put(clean, [piece], level, w)
    return scenes.taken(clean, noise, np.random.default_rng(seed), dtype)


def outcome(text: str, grey: np.ndarray, job_tie: Tie | None = None) -> Outcome:
    rows, cols = grey.shape
    shot = Shot("shot", (Picture("picture", "", (cols, rows), 8, "Mono8"),))
    seen = Seen(shot, {"picture": grey}, {"picture": Sensor(cols, rows)})
    return run(Job(read_recipe(tomllib.loads(HEAD + text)), job_tie or tie()), seen)


def by_name(text: str, grey: np.ndarray, job_tie: Tie | None = None) -> dict[str, Reading]:
    return {r.quantity: r for r in outcome(text, grey, job_tie).record.readings}


ALL = '"gap_length", "first_gap", "breaks", "length", "mean_width", "least_width", "greatest_width", "offset"'


def step(more: str = "", looks: str = "bright", path: str = PATH, readings: str = ALL, width: float = 2.5) -> str:
    return (
        f'[[step]]\nname = "seal"\nkind = "bead"\nlooks = "{looks}"\n'
        f"region.path = {{ points = {path}, width = {width} }}\nreadings = [{readings}]\n{more}"
    )


def dome(at: float, gap: float, half: float, rise: float, w: float = 1.0) -> np.ndarray:
    """Height of a bead (mm) whose section is a circular cap, round about the ends of its middle lines too."""
    x, y = (np.arange(COLS) * SCALE)[None, :], ((ROWS - 1 - np.arange(ROWS)) * SCALE)[:, None]
    ends = ((-5.0, 3 + at - half), (3 + at + gap + half, 40.0))
    d = np.minimum(*(np.hypot(x - np.clip(x, a, b), y - 5.0) for a, b in ends))
    sphere = (half**2 + rise**2) / (2 * rise)
    high = np.where(d < half, np.sqrt(np.maximum(sphere**2 - d**2, 0)) - (sphere - rise), 0.0)
    noise = np.random.default_rng(0).normal(0, 0.002 * rise, high.shape)
    return (cv2.GaussianBlur(high, (0, 0), w) + noise).astype(np.float32)


def two_pieces(gap: float, at: float, radius: float = 0.5, y: float = 5.0, slant: float = 0.0) -> tuple:
    """A bead along the path that is missing from `at` mm after its start over `gap` mm."""
    d, start = np.array([math.cos(slant), math.sin(slant)]), np.array([3.0, y])
    return (
        stretch(start - 1.5 * d, start + at * d, radius),
        stretch(start + (at + gap) * d, start + 27.5 * d, radius),
    )


@pytest.mark.parametrize("w", [0.7, 1.4])
@pytest.mark.parametrize("gap", [0.5, 0.62, 3.0])
def test_gaps_are_found_and_sized(gap, w):
    errors, z = [], []
    for seed in range(8):
        at = 11 + 0.013 * seed
        told = by_name(step(), picture(*two_pieces(gap, at), w=w, seed=seed))
        assert told["gaps"].value == 1
        for quantity, truth in (("longest_gap", gap), ("gap_length", gap), ("first_gap", at), ("length", 25 - gap)):
            errors.append(told[quantity].value - truth)
            z.append(errors[-1] / told[quantity].u)
    # The figure to reach: gaps of 0.5 mm sized to 0.05 mm at 0.05 mm/px.
    assert np.abs(errors).max() < 0.012
    assert np.sqrt(np.mean(np.square(z))) < 1.3


@pytest.mark.parametrize("radius", [0.3, 0.6])
def test_widths_and_offset_are_those_of_the_bead(radius):
    told = by_name(step(), picture(stretch((1.5, 5.2), (30, 5.2), radius)))
    for quantity, truth in (
        ("mean_width", 2 * radius), ("least_width", 2 * radius), ("greatest_width", 2 * radius), ("offset", 0.2),
    ):  # fmt: skip
        assert abs(told[quantity].value - truth) < 2.5 * told[quantity].u, quantity
        # A twentieth of a pixel.
        assert told[quantity].u < 0.05 * SCALE, quantity
    assert told["gaps"].value == told["longest_gap"].value == told["breaks"].value == 0
    assert told["first_gap"].reason.code == "no_gap"
    assert told["length"].value == pytest.approx(25)


@pytest.mark.parametrize(("wide_px", "w"), [(4, 0.7), (4, 1.4), (6, 1.0), (6, 1.5), (6, 2.0), (8, 1.5), (12, 2.0)])
@pytest.mark.parametrize("band", [3.0, 5.0])
def test_a_bead_that_never_shows_its_full_height_is_as_wide_as_it_is(wide_px, w, band):
    truth = wide_px * SCALE
    for seed, y in enumerate((5.0, 5.017)):
        grey = picture(stretch((1.5, y), (30, y), truth / 2), w=w, seed=seed)
        told = by_name(step(path=f"[[3, {y}], [28, {y}]]", width=band * truth), grey)
        for quantity in ("mean_width", "least_width", "greatest_width"):
            assert abs(told[quantity].value - truth) < 2 * told[quantity].u, quantity
            assert "bead_narrow" not in told[quantity].flags
        # By half of the height that is seen they were up to 1.3 px too wide.
        assert abs(told["mean_width"].value - truth) < 0.05 * SCALE


def test_a_bead_that_is_too_narrow_does_not_pass_as_wider():
    # Found by a metrologist: 0.3 mm read 0.317 ± 0.005, and conformed.
    grey = picture(stretch((1.5, 5), (30, 5), 0.15), w=1.5, seed=1)
    assert (
        by_name(step("limits.least_width = { lower = 0.31 }\n", width=0.9), grey)["least_width"].verdict != "conforms"
    )


def test_a_narrow_bead_that_widens_is_followed():
    # Four to eight pixels wide over 25 mm.
    edge = np.array([[3, 5.1], [28, 5.2], [28, 4.8], [3, 4.9]]) / SCALE * (1, -1) + (0, ROWS - 1)
    told = by_name(step(path="[[3.5, 5], [27.5, 5]]", width=1.2), picture(edge, w=1.2))
    # Strips are a seventh of a millimetre long; 0.016 mm in width for each millimetre.
    for quantity, truth in (("mean_width", 0.3), ("least_width", 0.209), ("greatest_width", 0.391)):
        assert told[quantity].value == pytest.approx(truth, abs=0.1 * SCALE), quantity


def flat_blur(radius_px: float, wide_px: float) -> np.ndarray:
    """A bead behind a disc, as out of focus: exact by its columns, at sixteen rows to a pixel."""
    fine = 16
    at = (np.arange(ROWS * fine) + 0.5) / fine - 0.5 - (ROWS - 1 - 5 / SCALE)
    # A disc blurs what goes on along it by its chords: half an ellipse.
    x = np.arange(-radius_px, radius_px + 1 / fine, 1 / fine)
    chord = np.sqrt(np.maximum(radius_px**2 - x**2, 0.0))
    seen = np.convolve((np.abs(at) < wide_px / 2).astype(float), chord / chord.sum(), "same")
    rows = 60 + 130 * seen.reshape(ROWS, fine).mean(axis=1)
    noise = np.random.default_rng(0).normal(0, 2.0, (ROWS, COLS))
    return np.clip(np.rint(rows[:, None] + noise), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("wide_px", [4, 6, 8])
@pytest.mark.parametrize("radius_px", [1.6, 3.0])
def test_another_blur_than_a_gaussian_one_is_in_the_uncertainty(wide_px, radius_px):
    told = by_name(step(width=4 * wide_px * SCALE), flat_blur(radius_px, wide_px))["mean_width"]
    assert abs(told.value - wide_px * SCALE) < 2 * told.u
    assert ("bead_narrow" in told.flags) is (radius_px == 3.0)


@pytest.mark.parametrize(
    "grey", [picture(stretch((1.5, 5), (30, 5), 0.1), w=2.2), dome(11.0, 1.5, 0.25, 0.2)], ids=["all blur", "dome"]
)
def test_where_width_and_height_cannot_be_told_apart_no_width_passes(grey):
    told = by_name(step("limits.mean_width = { lower = 0.01 }\n", width=1.0), grey)["mean_width"]
    assert "bead_narrow" in told.flags
    assert told.verdict == "undecided"


def test_the_way_across_a_curve_is_square_to_it_at_its_ends_too():
    middle, radius = np.array([300.0, 150.0]), 80.0
    angle = np.linspace(0.3, 2.6, 400)
    points = (middle + radius * np.column_stack([np.cos(angle), np.sin(angle)])).tolist()
    raw = {"name": "s", "kind": "bead", "looks": "bright", "region": {"path": {"points": points, "width": 48.0}}}
    table = BeadTable.read(raw, "")
    context = Context(table, picture(), ImageGround(), 1.0, (), None, "s")
    made = stations_of(context, table.region.path, (ROWS + 100, COLS))
    out = (made.xy * (1, -1) - middle) / radius * (1, -1)
    # Chords of a circle are square to its radius; a step of the path turns by 0.006.
    assert np.abs(np.einsum("ki,ki->k", made.along, out)).max() < 0.01


def test_a_bead_that_wanders_swells_and_shrinks_is_told_by_its_extremes():
    # Offset 0.3·sin over one period, half width 0.5 + 0.12·cos over three: extremes are those amplitudes.
    x = np.linspace(1.5, 30, 500)
    phase = math.tau * (x - 3) / 25
    middle, half = 5 + 0.3 * np.sin(phase), 0.5 + 0.12 * np.cos(3 * phase)
    outline = np.vstack([np.column_stack([x, middle + half]), np.column_stack([x, middle - half])[::-1]])
    told = by_name(
        step("most_width = 1.15\n", readings=ALL + ', "blobs"'),
        picture(outline / SCALE * (1, -1) + (0, ROWS - 1)),
    )
    # A strip averages over a thirteenth of a period: 0.4 % of the swelling.
    assert told["greatest_width"].value == pytest.approx(1.24, abs=0.006)
    assert told["least_width"].value == pytest.approx(0.76, abs=0.006)
    assert told["offset"].value == pytest.approx(0.3, abs=0.006)
    # Wider than 1.15 where cos > 0.625: at both ends of the path, and twice between.
    assert told["blobs"].value == 4


def test_many_gaps_and_breaks_are_told_apart_by_length():
    cuts = ((5.0, 0.6), (9.0, 0.25), (14.0, 1.5), (20.0, 0.25))
    edges = [1.5, *(v for at, gap in cuts for v in (3 + at, 3 + at + gap)), 30.0]
    pieces = [stretch((a, 5), (b, 5), 0.5) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    told = by_name(step("least_gap = 0.4\n"), picture(*pieces, w=0.7))
    assert (told["gaps"].value, told["breaks"].value) == (2, 2)
    assert told["longest_gap"].value == pytest.approx(1.5, abs=0.01)
    assert told["gap_length"].value == pytest.approx(2.1, abs=0.015)
    assert told["first_gap"].value == pytest.approx(5.0, abs=0.01)
    assert told["length"].value == pytest.approx(25 - 2.6, abs=0.03)
    near = by_name(step("least_gap = 0.601\nlimits.gaps = { upper = 3 }\n"), picture(*pieces, w=0.7))
    assert "count_not_sure" in near["gaps"].flags
    assert near["gaps"].verdict == "undecided"


def test_a_dark_bead_and_one_on_a_float_picture_are_measured_alike():
    pieces = two_pieces(0.8, 12.0)
    bright = by_name(step(), picture(*pieces))
    dark = by_name(step(looks="dark"), 255 - picture(*pieces))
    single = by_name(step(), picture(*pieces, dtype=np.float32, level=0.4, ground=-0.1, noise=0.006))
    for told in (dark, single):
        for quantity in ("longest_gap", "mean_width", "first_gap"):
            assert abs(told[quantity].value - bright[quantity].value) < 3 * bright[quantity].u


def slope_of(pieces, rise: float, w: float = 1.0, noise: float = 0.004, seed: int = 0) -> np.ndarray:
    """The slope across the path of a bead whose section is a parabola of that slope at its feet: −rise·2·d/width."""
    high = np.zeros((ROWS, COLS))
    v = np.arange(ROWS)[:, None] * np.ones(COLS)
    for piece, middle, radius in pieces:
        share = scenes.seen_share([piece], ROWS, COLS, 0.0)
        high += share * rise * (v - (ROWS - 1 - middle / SCALE)) / (radius / SCALE)
    return (cv2.GaussianBlur(high, (0, 0), w) + np.random.default_rng(seed).normal(0, noise, high.shape)).astype(
        np.float32
    )


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_bead_of_the_ground_s_own_colour_is_measured_by_its_flanks(sign):
    pieces = [(piece, 5.0, 0.6) for piece in two_pieces(0.9, 12.0, radius=0.6)]
    told = by_name(step(looks="flanks"), slope_of(pieces, sign * 0.3))
    assert told["gaps"].value == 1
    # Flanks die away beside the tip of a round end: what is added for that is known to half of it.
    assert abs(told["longest_gap"].value - 0.9) < 2 * told["longest_gap"].u
    assert told["longest_gap"].u < 0.2
    assert told["mean_width"].value == pytest.approx(1.2, abs=0.05)
    assert told["offset"].value < 0.02


@pytest.mark.parametrize("share", [0.5, 0.2])
def test_a_dome_is_measured_at_the_share_of_its_height_that_is_asked_for(share):
    half, rise, gap = 0.8, 0.2, 1.5
    told = by_name(step(f"edge_at = {share}\n", width=3.6), dome(11.0, gap, half, rise))
    # The cap of a sphere of radius S has the height q·rise at d² = S² − (S − rise + q·rise)².
    sphere = (half**2 + rise**2) / (2 * rise)
    there = math.sqrt(sphere**2 - (sphere - rise * (1 - share)) ** 2)
    # Its crown is told by the mean over a tenth of the band, which is 1 % lower.
    assert told["mean_width"].value == pytest.approx(2 * there, abs=0.012)
    assert told["longest_gap"].value == pytest.approx(gap + 2 * (half - there), abs=0.03)
    assert told["gaps"].value == 1


def test_what_is_seen_in_a_computed_picture_conforms_by_an_edge_definition_alone():
    grey = dome(11.0, 1.5, 0.8, 0.2)
    lit = dict.fromkeys(("picture", "relief"), grey)
    sensors = {name: Sensor(COLS, ROWS) for name in lit}
    shot = Shot("shot", tuple(Picture(name, "", (COLS, ROWS), 32, "Float32") for name in lit))
    text = step('picture = "relief"\nlimits.mean_width = { lower = 1, upper = 2 }\n', width=3.6)
    for more, head, verdict in (
        ("", "", "undecided"),
        ('edge = "foot"\n', "[edge.foot]\nbias = 0.02\nu = 0.01\n", "conforms"),
    ):
        recipe = read_recipe(tomllib.loads(HEAD + head + text + more))
        told = {r.quantity: r for r in run(Job(recipe, tie()), Seen(shot, lit, sensors)).record.readings}
        assert told["mean_width"].verdict == verdict
        assert ("edges_computed" in told["mean_width"].flags) is (verdict == "undecided")


def test_tie_and_edge_definition_act_on_lengths_as_they_must():
    u_scale, u_edge = 1e-3, 0.004
    text = f"[edge.e]\nu = {u_edge}\n" + step('edge = "e"\n')
    told = by_name(text, picture(*two_pieces(2.0, 11.0)), tie(u_scale))

    def part(quantity: str, name: str) -> float:
        return abs(sum(t.c * t.u for t in told[quantity].sources if name in t.id))

    for quantity, length in (("mean_width", 1.0), ("longest_gap", 2.0), ("greatest_width", 1.0)):
        assert part(quantity, "rule 12") == pytest.approx(u_scale * length, rel=0.01), quantity
        # Each end of a length takes the shift once.
        assert part(quantity, "edge:e") == pytest.approx(2 * u_edge, rel=1e-6), quantity
    # The light is on the bead: it seems narrower and what is missing longer, and their sum stays.
    signs = {q: next(t.c for t in told[q].sources if "edge:e" in t.id) for q in ("mean_width", "longest_gap", "length")}
    assert signs["mean_width"] < 0 < signs["longest_gap"]
    assert signs["length"] == -signs["longest_gap"]


def test_a_path_round_a_corner_and_in_the_image():
    # A right angle of bead; in the image, y down. Away from the corner the width is that of the bead.
    legs = [stretch((4, 2), (4, 8.3), 0.4), stretch((3.7, 8), (20, 8), 0.4)]
    shape = picture(*legs)
    points = [[4 / SCALE, ROWS - 1 - 3 / SCALE], [4 / SCALE, ROWS - 1 - 8 / SCALE], [18 / SCALE, ROWS - 1 - 8 / SCALE]]
    told = by_name(step('in = "image"\n', path=str(points), width=36), shape)
    assert told["gaps"].value == 0
    assert told["mean_width"].value == pytest.approx(16, abs=0.5)
    assert told["length"].value == pytest.approx(100 + 280)


def masked(folder: Path, columns: slice) -> None:
    painted = np.zeros((10, 100), np.uint8)
    painted[:, columns] = 255
    cv2.imwrite(str(folder / "mask.png"), painted)


def test_what_a_mask_covers_is_left_out_and_said(tmp_path):
    masked(tmp_path, slice(40, 60))
    recipe = read_recipe(tomllib.loads(HEAD + step('mask = "mask.png"\n')), folder=tmp_path)
    grey = picture(*two_pieces(1.0, 12.0))
    seen = Seen(
        Shot("s", (Picture("picture", "", (COLS, ROWS), 8, "Mono8"),)),
        {"picture": grey},
        {"picture": Sensor(COLS, ROWS)},
    )
    told = {r.quantity: r for r in run(Job(recipe, tie()), seen).record.readings}
    # The box of the region is 27.5 mm long, the path 25: a fifth of the former is covered.
    assert told["gaps"].value == 0
    assert told["length"].value == pytest.approx(25 - 5.5, abs=0.15)
    assert told["gaps"].flags == ("path_masked",)


WASHED = picture(*two_pieces(0.0, 12.0))
WASHED[:, 300:360] = np.clip(0.5 * (WASHED[:, 300:360].astype(float) + 60), 0, 255).astype(np.uint8)
NO_NUMBERS = picture(*two_pieces(0.0, 12.0), dtype=np.float32)
NO_NUMBERS[95:105, 300:306] = np.nan


@pytest.mark.parametrize(
    ("grey", "more", "code"),
    [
        (picture(), {}, "no_bead"),
        (np.zeros((ROWS, COLS), np.uint8), {}, "no_bead"),
        (np.full((ROWS, COLS), 255, np.uint8), {}, "no_bead"),
        (picture(*two_pieces(1, 9)), {"path": "[[3, 5], [33, 5]]"}, "outside_picture"),
        (picture(*two_pieces(1, 9)), {"path": "[[3, 5], [28, 9.5]]"}, "outside_picture"),
        (picture(*two_pieces(1, 9)), {"path": "[[3, 5], [12, 5], [3, 5]]"}, "path_turns_back"),
        (picture(*two_pieces(1, 9)), {"path": "[[5, 5], [5.00005, 5]]"}, "path_short"),
        (picture(*two_pieces(1, 9)), {"path": "[[5, 5], [5.6, 5]]"}, "path_short"),
        (WASHED, {}, "path_not_judged"),
        (NO_NUMBERS, {}, "path_not_judged"),
        (picture(stretch((1.5, 5), (30, 5), 1.7)), {"width": 3.4}, "no_bead"),
        (picture(stretch((1.5, 5), (30, 6.6), 0.5)), {}, "path_not_judged"),
    ],
    ids=[
        "nothing there", "black", "saturated", "beyond the end", "beyond the side", "there and back", "no length",
        "hardly any length", "half as bright", "not numbers", "as wide as its band", "leaves its band",
    ],
)  # fmt: skip
def test_what_cannot_be_judged_never_passes(grey, more, code):
    told = outcome(step("limits.gaps = { upper = 9 }\nlimits.least_width = { lower = 0.01 }\n", **more), grey).record
    assert told.verdict == "unread"
    assert {r.reason.code for r in told.readings if r.limits is not None} == {code}


def test_a_saturated_bead_is_flagged_and_does_not_conform():
    told = by_name(step("limits.gaps = { upper = 0 }\n"), picture(stretch((1.5, 5), (30, 5), 0.5), level=400.0))
    assert "saturated" in told["gaps"].flags
    assert told["gaps"].verdict == "undecided"


def test_the_verdict_follows_the_longest_gap():
    text = step("limits.longest_gap = { upper = 0.5 }\nlimits.least_width = { lower = 0.8 }\n")
    whole = outcome(text, picture(stretch((1.5, 5), (30, 5), 0.5))).record
    broken = outcome(text, picture(*two_pieces(0.6, 9.0))).record
    thin = outcome(text, picture(stretch((1.5, 5), (30, 5), 0.38))).record
    assert [r.verdict for r in (whole, broken, thin)] == ["conforms", "rejected", "rejected"]


def test_the_overlay_draws_both_edges_and_the_gap():
    from tiepoint.recipe.overlay import overlay_svg

    grey = picture(*two_pieces(1.0, 9.0))
    done = outcome(step(), grey)
    # Two edges of two stretches, and a mark at either end of the gap.
    assert len(done.traces[0].result.outlines) == 6
    assert done.traces[0].result.at == pytest.approx([12.5, 5.0], abs=0.1)
    assert "seal" in overlay_svg(done, grey)


def test_the_band_is_what_opencv_samples():
    rng = np.random.default_rng(1)
    grey = rng.integers(0, 255, (60, 90)).astype(np.uint8)
    s, o = np.arange(50.0), np.linspace(-8, 8, 17)
    d, side = np.array([math.cos(0.3), math.sin(0.3)]), np.array([-math.sin(0.3), math.cos(0.3)])
    middle = np.array([15.0, 15.0]) + s[:, None] * d
    band = band_of(grey, middle, middle - 8 * side, middle + 8 * side, 17, np.ones(50, bool), 255.0)
    at = (middle[:, None] + o[:, None] * side).astype(np.float32)
    theirs = cv2.remap(grey.astype(np.float32), at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    # OpenCV rounds its weights to 1/32.
    assert np.abs(band.grey - theirs).max() < 255 / 16
    assert np.abs(band.grey - theirs).mean() < 1.5


def test_noise_alone_is_no_bead():
    rng = np.random.default_rng(2)
    x = np.arange(20.0, 420.0)
    right, middle, left = (np.column_stack([x, np.full_like(x, y)]) for y in (15.0, 40.0, 65.0))
    for _ in range(20):
        grey = rng.normal(100, 5, (80, 440)).astype(np.float32)
        band = band_of(grey, middle, right, left, 51, np.ones(400, bool), math.inf)
        for looks in ("bright", "dark", "flanks"):
            assert bead_in(band, looks) is None


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("limits.blobs = { upper = 0 }\n", "most_width is missing; a blob is where the bead is wider than that"),
        ("edge_at = 0.95\n", "edge_at is 0.95; choose at most 0.9"),
        ('edge = "e"\n', "which the recipe does not define"),
        ("limits.area = { upper = 1 }\n", "bead reads"),
        ("region.rectangle = { centre = [0, 0], size = [1, 1] }\n", "looks in a path"),
    ],
)
def test_a_table_that_cannot_be_meant_is_refused_in_a_sentence(more, words):
    text = step(more)
    if "rectangle" in more:
        text = text.replace(text[text.index("region.path") : text.index("readings")], "")
    with pytest.raises(UnusableDocument) as refused:
        read_recipe(tomllib.loads(HEAD + text))
    assert words in str(refused.value)
