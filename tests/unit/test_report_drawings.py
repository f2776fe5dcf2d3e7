"""Drawings: well-formed, true to their scales, the collar where the graticule leaves the picture."""

import itertools
import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from tiepoint.foundation.sources import BudgetRow
from tiepoint.model.decide import Limits, acceptance_limits
from tiepoint.report import charts, look, tables
from tiepoint.report.tie_picture import COLLAR, MAP_WIDTH, TieView, legend, map_size, map_svg
from tiepoint.report.tie_sheet import Margin, key, sheet_svg, wrapped

SVG = "{http://www.w3.org/2000/svg}"
W, H = 1000, 800
MM_PER_PX = 0.1


def view(*, turned=False, limit_um=15.0, residual_um=4.0):
    """A straight view of a plane, 0.1 mm a pixel, y up: every place on the map has a closed form."""
    x, y = np.linspace(-0.5, W - 0.5, 41), np.linspace(-0.5, H - 0.5, 33)
    px, py = np.meshgrid(x, y)
    x_mm, y_mm = MM_PER_PX * px - 20.0, MM_PER_PX * (H - 1 - py) - 10.0
    if turned:
        x_mm, y_mm = y_mm, x_mm
    U = 5 + 20 * np.hypot(px - (W - 1) / 2, py - (H - 1) / 2) / 500
    points = np.array([[200.0, 100.0], [500.0, 400.0], [800.0, 700.0]])
    residual = np.array([[1.0, 0.0], [0.0, -0.5], [1e-6, 0.0]]) * residual_um / 1000 / MM_PER_PX
    length = np.hypot(*residual.T) * MM_PER_PX * 1000
    return TieView((W, H), x, y, x_mm, y_mm, U, points, residual, length, np.array([False, True, True]), limit_um)


def parsed(text):
    return ET.fromstring(text)


def of_class(root, name):
    return [e for e in root.iter() if name in e.get("class", "").split()]


@pytest.mark.parametrize("turned", [False, True])
def test_collar_is_graduated_where_the_graticule_leaves_the_picture(turned):
    root = parsed(map_svg(view(turned=turned), "data:,", "a tie"))
    scale = MAP_WIDTH / W
    top = {
        float(e.get("x")): e.text for e in of_class(root, "t")
        if "middle" in e.get("class") and not e.get("transform") and float(e.get("y")) < COLLAR
    }  # fmt: skip
    assert len(top) >= 4
    for at, said in top.items():
        px = (at - COLLAR) / scale - 0.5
        assert MM_PER_PX * px - 20.0 == pytest.approx(float(said.replace("−", "-")), abs=0.005 * 2)
    names = [e.text for e in of_class(root, "quiet") if "mm" in (e.text or "")]
    assert names[:2] == (["x, mm", "y, mm"] if turned else ["y, mm", "x, mm"])


def test_bars_of_the_collar_alternate_every_half_step():
    root = parsed(map_svg(view(), "data:,", "a tie"))
    bars = [e for e in of_class(root, "bar-dark") if float(e.get("y")) < COLLAR - 1 and float(e.get("height")) == 6]
    edges = sorted((float(e.get("x")), float(e.get("x")) + float(e.get("width"))) for e in bars)
    lengths = [b - a for a, b in edges[1:-1]]
    gaps = [b[0] - a[1] for a, b in itertools.pairwise(edges)]
    half = lengths[0] / (MAP_WIDTH / W) * MM_PER_PX
    assert half in (pytest.approx(10.0, abs=0.02), pytest.approx(5.0, abs=0.02))
    # Coordinates are written with two decimals.
    assert np.allclose(lengths, lengths[0], atol=0.03)
    assert np.allclose(gaps, lengths[0], atol=0.03)


def test_limit_contour_is_the_circle_of_its_closed_form():
    root = parsed(map_svg(view(), "data:,", "a tie"))
    (line,) = [e for e in of_class(root, "limit") if "contour" in e.get("class") and "halo" not in e.get("class")
               and e.tag == SVG + "path"]  # fmt: skip
    points = np.array([[float(v) for v in pair.split()] for pair in re.split("[ML]", line.get("d"))[1:]])
    middle = COLLAR + np.array([W, H]) / 2 * MAP_WIDTH / W
    radius = np.hypot(*(points - middle).T) / (MAP_WIDTH / W)
    assert radius == pytest.approx(500 * (15 - 5) / 20, rel=0.01)


def test_arrows_are_as_long_as_the_key_says_and_tiny_ones_are_dots():
    shown = view()
    told = legend(shown)
    root = parsed(map_svg(shown, "data:,", "a tie"))
    heads = [np.array(re.findall(r"-?[\d.]+", e.get("d")), float)[:2] for e in of_class(root, "arrow-head")]
    starts = (shown.points_px + 0.5) * MAP_WIDTH / W + COLLAR
    drawn = [float(np.hypot(*(tip - start))) for tip, start in zip(heads, starts, strict=False)]
    assert len(drawn) == 2
    assert len(of_class(root, "arrow-dot")) == 1
    per_um = told.key_length / told.key_um
    assert drawn == pytest.approx(shown.residual_um[:2] * per_um, abs=0.02)
    # 1 µm drawn per_um units long, a unit being MM_PER_PX·W/MAP_WIDTH mm
    assert told.magnification == pytest.approx(per_um * 1000 * MM_PER_PX * W / MAP_WIDTH, rel=1e-6)
    assert heads[1][1] < starts[1][1]  # towards the top of the picture, as the residual


def test_map_without_tolerance_or_residuals_still_draws():
    empty = view(limit_um=None)
    bare = TieView(
        empty.size_px, empty.x_px, empty.y_px, empty.x_mm, empty.y_mm, np.full_like(empty.U_um, np.nan),
        np.empty((0, 2)), np.empty((0, 2)), np.empty(0), np.empty(0, bool),
    )  # fmt: skip
    for shown in (empty, bare):
        root = parsed(map_svg(shown, "data:,", "a tie"))
        assert root.get("viewBox") == f"0 0 {map_size(shown)[0]:g} {map_size(shown)[1]:g}"
        assert of_class(root, "limit") == []
    # With no U anywhere the whole picture is hatched.
    assert "url(#map-hatch)" in map_svg(bare, "data:,", "a tie")


def test_sheet_stands_alone():
    margin = Margin(
        "One photo of the target & its bars.", "Measure the height.", (("Tie", "by target"), ("Hash", "9c41"))
    )
    text = sheet_svg(view(), "data:image/png;base64,", "a tie", margin, "±0.05 mm")
    root = parsed(text)
    assert "var(" not in text
    assert "light-dark" not in text
    assert re.findall(r"https?://(?!www\.w3\.org/2000/svg)", text) == []
    said = " ".join(e.text or "" for e in root.iter(SVG + "text"))
    assert "One photo of the" in said
    assert "9c41" in said
    assert all(len(mark) > 10 and words for mark, words in key(view(), "±0.05 mm"))


def test_words_are_broken_within_their_width():
    lines = wrapped("Three photos of the target were taken in one pose", 80, 12, "face")
    assert " ".join(lines) == "Three photos of the target were taken in one pose"
    assert max(map(len, lines)) <= 80 / (12 * 0.445)
    grouped = "drawn 25\N{NARROW NO-BREAK SPACE}000 times larger"
    assert any("25\N{NARROW NO-BREAK SPACE}000" in line for line in wrapped(grouped, 60, 12, "face"))


# ---------- charts ----------


def numbers_in(path):
    return [float(v) for v in re.findall(r"-?[\d.]+", path)]


def test_strip_places_limits_guards_and_reading_to_one_scale():
    limits = Limits(4.40, 4.60)
    value, u = 4.53, 0.006
    root = parsed(charts.limit_strip(value, 2 * u, u, math.inf, limits))
    posts = sorted(numbers_in(e.get("d"))[0] for e in of_class(root, "post"))
    assert len(posts) == 2
    per_mm = (posts[1] - posts[0]) / 0.2
    (stem,) = of_class(root, "stem")
    assert numbers_in(stem.get("d"))[0] == pytest.approx(posts[0] + (value - 4.40) * per_mm, abs=0.02)
    (bar,) = of_class(root, "whisker")
    low, _, high = numbers_in(bar.get("d"))
    assert high - low == pytest.approx(max(4 * u * per_mm, 6), abs=0.03)
    guards = [e for e in root.iter(SVG + "rect") if e.get("fill") == "url(#guard)"]
    inner = acceptance_limits(u, math.inf, limits)
    assert [float(g.get("width")) for g in guards] == pytest.approx([(inner[0] - 4.4) * per_mm] * 2, abs=0.02)


@pytest.mark.parametrize(("value", "side"), [(4.9, 1), (4.1, -1)])
def test_strip_points_at_a_reading_beyond_its_ends(value, side):
    root = parsed(charts.limit_strip(value, 0.01, 0.005, math.inf, Limits(4.4, 4.6)))
    (head,) = of_class(root, "pointer")
    tip, _, back = numbers_in(head.get("d"))[:3]
    assert (tip > charts.STRIP_WIDTH / 2) == (side > 0)
    assert back * side < 0


def test_strip_without_a_reading_is_dotted_and_has_none():
    root = parsed(charts.limit_strip(None, 0.0, 0.0, math.inf, Limits(upper=0.2)))
    assert not of_class(root, "stem")
    assert of_class(root, "base")[0].get("stroke-dasharray")


def test_interval_crosses_zero_exactly_where_the_estimate_is_covered():
    for estimate, U, covers in ((0.004, 0.006, True), (0.008, 0.006, False), (-0.006, 0.006, True)):
        root = parsed(charts.interval(estimate, U, 0.02))
        (bar,) = of_class(root, "whisker")
        low, _, high = numbers_in(bar.get("d"))
        (zero,) = of_class(root, "zero")
        middle = numbers_in(zero.get("d"))[0]
        assert (low <= middle + 0.01 and high >= middle - 0.01) == covers
        assert ("miss" in bar.get("class")) != covers


def run(**changed):
    told = {
        "name": "bore", "unit": "mm", "parts": (1, 2, 3), "values": np.array([4.5, np.nan, 4.7]),
        "U": np.array([0.01, np.nan, 0.01]), "truth": np.array([4.502, 4.6, 4.65]),
        "verdicts": ("conforms", "unread", "rejected"), "limits": Limits(4.4, 4.6),
    }  # fmt: skip
    return charts.Trend(**{**told, **changed})


def test_trend_marks_what_was_not_read_and_what_misses_the_truth():
    root = parsed(charts.trend(run()))
    assert len(of_class(root, "m-unread")) == 1
    assert len(of_class(root, "m-rejected")) == 1
    bars = of_class(root, "whisker")
    assert len(bars) == 2
    assert [bool(e.get("stroke-dasharray")) for e in bars] == [False, True]


def test_trend_draws_errors_to_the_scale_of_its_graduation():
    root = parsed(charts.trend(run()))
    labels = {e.text: float(e.get("y")) - 4 for e in of_class(root, "t") if "end" in e.get("class")}
    step = max(float(t) for t in labels if re.fullmatch(r"\d+", t))
    per_um = (labels["0"] - labels[f"{step:g}"]) / step
    low, high = sorted(numbers_in(of_class(root, "whisker")[1].get("d"))[1:3])
    assert (labels["0"] - low) / per_um == pytest.approx(60, abs=0.3)  # 4.70 + 0.01 − 4.65 mm
    assert (labels["0"] - high) / per_um == pytest.approx(40, abs=0.3)


def test_trend_of_nothing_read_still_draws():
    nothing = run(values=np.full(3, np.nan), U=np.full(3, np.nan), verdicts=("unread",) * 3)
    assert len(of_class(parsed(charts.trend(nothing)), "m-unread")) == 3
    assert parsed(charts.trend(run(limits=None, verdicts=(None,) * 3))).tag == SVG + "svg"


def test_verdict_is_a_mark_and_a_word():
    for kind in charts.VERDICTS:
        assert kind in "".join(parsed(charts.verdict(kind)).itertext())
    shapes = parsed(charts.symbols())
    assert {e.get("id") for e in shapes.iter("symbol")} == {f"mark-{v}" for v in charts.VERDICTS}


# ---------- tables and look ----------


def test_budget_puts_small_sources_together_and_keeps_the_whole():
    rows = [
        BudgetRow(str(k), f"cause {k}", "B", "tie", u, u**2, math.inf) for k, u in enumerate((0.8, 0.59, 0.06, 0.05))
    ]
    total = sum(r.share for r in rows)
    rows = [BudgetRow(r.id, r.label, r.type, r.scope, r.u, r.share / total, r.dof) for r in rows]
    table = parsed(tables.budget_table(rows, "µm", 1000.0))
    widths = [float(e.get("style")[4:-1]) for e in table.iter("span") if e.get("class") == "share"]
    assert sum(widths) == pytest.approx(100, abs=0.3)
    names = [e.text for e in table.iter("th") if e.get("scope") == "row"]
    assert names == ["Cause 0", "Cause 1", "2 smaller ones together"]
    assert "Cause &lt;b&gt;" in tables.budget_table([BudgetRow("a", "cause <b>", "B", "tie", 1, 1, 1)], "µm", 1)


def test_tokens_have_two_themes_and_drawings_use_only_tokens():
    light, dark = look.tokens("light"), look.tokens("dark")
    assert light["--sheet"] != dark["--sheet"]
    assert "var(" not in look.plain_sheet()
    assert set(re.findall(r"var\((--[a-z0-9-]+)\)", look.sheet("drawing"))) <= set(light)
    own = set(re.findall(r"(--[a-z0-9-]+):", look.sheet("style"))) | {"--w"}
    assert set(re.findall(r"var\((--[a-z0-9-]+)", look.sheet("style"))) <= set(light) | own


def contrast(a, b):
    """Contrast ratio (WCAG 2.2, relative luminance of sRGB)."""
    lum = []
    for colour in (a, b):
        rgb = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
        linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        lum.append(float(linear @ [0.2126, 0.7152, 0.0722]))
    return (max(lum) + 0.05) / (min(lum) + 0.05)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_inks_can_be_read(theme):
    """WCAG 2.2, 1.4.3 (text 4.5 : 1) and 1.4.11 (marks 3 : 1)."""
    token = look.tokens(theme)
    for ground in ("--sheet", "--desk"):
        for ink in ("--ink", "--ink2", *(f"--v-{v}-ink" for v in charts.VERDICTS)):
            assert contrast(token[ink], token[ground]) >= 4.5, (ink, ground)
    for ink in ("--contour", "--residual", "--hand", "--edge", "--v-conforms", "--v-rejected", "--v-unread"):
        assert contrast(token[ink], token["--sheet"]) >= 3.0, ink


def test_faces_are_embedded_and_light():
    rules = look.faces()
    assert rules.count("@font-face") == 12
    assert rules.count("data:font/woff2;base64,") == 12
    assert len(rules) < 400_000
