"""The summary page: nothing from outside, every number with a unit, counts as they are."""

import hashlib
import math
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from tiepoint.documents.pictures import encode_png
from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source, Value, budget
from tiepoint.model.decide import Limits, overall
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture, Shot
from tiepoint.report import look
from tiepoint.report.plate_sections import decided_sentence
from tiepoint.report.story import (
    Check,
    FileEntry,
    HandCalculation,
    HandLine,
    OtherTie,
    Plate,
    PrintScale,
    Story,
    TieStory,
    coverage,
    outcome,
)
from tiepoint.report.summary import SECTIONS, stages, summary_html
from tiepoint.report.tie_picture import TieView
from tiepoint.targets.draw import new_target

WIDTH, HEIGHT = 1600, 1200
MM_PER_PX = 0.08


def plane_of(px):
    """A camera that looks straight down, y up: the plane is the picture, scaled."""
    return (px[..., 0] * MM_PER_PX, (HEIGHT - px[..., 1]) * MM_PER_PX)


def view(limit_um=15.0):
    x, y = np.linspace(-0.5, WIDTH - 0.5, 49), np.linspace(-0.5, HEIGHT - 0.5, 37)
    grid = np.stack(np.meshgrid(x, y), axis=2)
    x_mm, y_mm = plane_of(grid)
    U = 6 + 12 * ((grid[..., 0] - 800) ** 2 + (grid[..., 1] - 600) ** 2) / 900**2
    random = np.random.default_rng(4)
    points = np.stack(np.meshgrid(np.arange(150, 1500, 120), np.arange(100, 1150, 120)), axis=2).reshape(-1, 2) * 1.0
    residual = random.normal(0, 0.02, points.shape)
    return TieView(
        (WIDTH, HEIGHT), x, y, x_mm, y_mm, U, points, residual, np.hypot(*residual.T) * MM_PER_PX * 1000,
        np.ones(len(points), bool), limit_um, np.array([[100.0, 80], [1500, 80], [1500, 1120], [100, 1120]]),
    )  # fmt: skip


def photo_uri():
    y, x = np.mgrid[0 : HEIGHT // 8, 0 : WIDTH // 8]
    return look.data_uri(encode_png(np.where((x // 15 + y // 15) % 2, 200, 60).astype(np.uint8)), "image/png")


SOURCES = (
    (Source("tie:print", "Print scale of the target", "B", 0.004, "tie"), 1.0),
    (Source("height:plane", "Height of the plane", "B", 0.05, "tie"), 0.06),
    (Source("edge:places", "Where the edges lie in the pixels", "A", 0.0016, "shot", dof=60.0), 1.0),
)
LIMITS = {"A to B": Limits(27.90, 28.10), "slot": Limits(5.90, 6.10)}


def reading(step, value, limits):
    told = {"id": f"{step}.x", "name": step, "kind": "distance", "quantity": "distance", "unit": "mm", "step": step}
    if value is None:
        return Reading.without(Reason("no_edge"), limits=limits, frame="plane", **told)
    return Reading.of(Value(value, dict(SOURCES)), limits=limits, frame="plane", **told)


def plate(number, true, error):
    values = {step: None if error is None else true[step] + error for step in LIMITS}
    readings = tuple(reading(step, values[step], limits) for step, limits in LIMITS.items())
    picture = Picture("picture", "0" * 64, (WIDTH, HEIGHT), 8, "Mono8")
    record = Record(
        "demo", number, Shot(f"shot-{number}", (picture,)), "1" * 64, ("2" * 64,), "tiepoint 0", readings,
        overall([r.verdict for r in readings]),
    )  # fmt: skip
    return Plate(
        number, record, {f"{k}.x": v for k, v in true.items()}, f"overlays/plate-{number:02d}.svg", photo_uri()
    )


def story():
    random = np.random.default_rng(2)
    true = [{"A to B": 28 + random.normal(0, 0.05), "slot": 6 + random.normal(0, 0.05)} for _ in range(25)]
    plates = tuple(plate(k, t, None if k == 9 else random.normal(0, 0.004)) for k, t in enumerate(true, 1))
    tie = TieStory(
        view(), photo_uri(), 0.05, True, 0.84,
        ("Good for ±0.05 mm inside the heavy 15 µm contour, 84 % of the picture.", "The widest U there is 14.2 µm."),
        budget(Value(60.0, dict(SOURCES))), "in the middle of the picture",
        "One photo of the target. The bars are corrected on both axes.", "Measure the bars to ±0.05 mm.",
        (("Tie", "by target"), ("Model", "plane, 2 lens terms"), ("Hash", "9c41e07b52fa")),
        120, 0.0043, 0.0003, 0.0081, 0.0117, 0.0021, "Each point is predicted by a fit without it.", 0.84, 0.0031,
    )  # fmt: skip
    lengths = tuple(
        Check(f"{where}, along {axis}", height, 60.0, 60.0 + random.normal(0, 0.005), 0.011)
        for height in (0.0, 12.0)
        for where in ("middle", "upper left", "upper right", "lower left", "lower right")
        for axis in "xy"
    )
    first = plates[0].record.readings[0]
    hand = HandCalculation(
        1, first, budget(Value(first.value, dict(SOURCES))), 28.0 + (true[0]["A to B"] - 28),
        (HandLine("print scale", "28 mm · 1.4e-4", 0.004), HandLine("height", "28 mm · 0.05 / 400", 0.0035)),
    )  # fmt: skip
    files = tuple(
        FileEntry(f"shots/plate-{k:02d}.png", 1_130_000, hashlib.sha256(str(k).encode()).hexdigest(), "a photo")
        for k in range(1, 26)
    )
    return Story(
        "A hinge plate, from photograph to millimetre", "Bench station, seed 7, 1600 × 1200 px",
        "A target is printed, photographed and tied to millimetres; 25 plates are measured and judged.",
        new_target("charuco", 10, 12, 9), '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4 3"/>',
        "targets/target.pdf",
        (PrintScale("x", 100, 99.71, 0.05, 0.9970, 0.001), PrintScale("y", 80, 79.79, 0.05, 0.9975, 0.0012)),
        tie, (OtherTie("by length", "Two points.", Check("block", 0, 50, 50.03, 0.06), "Whether it leans."),),
        lengths, "Bars of known length at five places in two directions.", plates, "format = 1", hand, files,
        ("The bench is a simulation.",), "tiepoint 0.1.0", 41.0,
    )  # fmt: skip


class Seen(HTMLParser):
    """What a browser would fetch, and what tables say."""

    def __init__(self, page):
        super().__init__()
        self.links, self.ids, self.stack = [], [], []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        told = dict(attrs)
        self.ids += [told["id"]] if "id" in told else []
        self.links += [(tag, key, told[key]) for key in ("src", "href") if told.get(key)]


@pytest.fixture(scope="module")
def page():
    return summary_html(story())


def test_page_fetches_nothing_and_its_anchors_exist(page):
    seen = Seen(page)
    fetched = [value for tag, key, value in seen.links if key == "src" or tag in ("link", "image")]
    assert fetched
    assert all(value.startswith("data:") for value in fetched)
    assert re.findall(r"url\((?!#|data:)", page) == []
    assert re.findall(r"https?://(?!www\.w3\.org/2000/svg)", page) == []
    anchors = {value[1:] for _, key, value in seen.links if key == "href" and value.startswith("#")}
    assert anchors <= set(seen.ids)
    assert len(seen.ids) == len(set(seen.ids))


def test_sections_are_on_the_page_in_their_order(page):
    ids = re.findall(r'<section class="sheet" id="([a-z]+)">', page)
    assert ids == ["found", "target", "tie", "prove", "plates", "reading", "others", "files", "cautions"]
    # This story has no robot, so nothing is told of proving one, nor of picking; no face under several lamps, and no
    # station that was accepted.
    assert len(SECTIONS) == len(ids) + 4


def test_every_number_of_a_table_has_a_unit(page):
    units = re.compile(r"µm|mm|px|°|%|MB|kB|\b1\b")
    for table in re.findall(r"<table.*?</table>", page, re.S):
        head = re.findall(r"<th scope=\"col\"[^>]*>(.*?)</th>", table, re.S)
        for row in re.findall(r"<tr><th.*?</tr>|<tr class=.*?</tr>", table.partition("<tbody>")[2], re.S):
            cells = re.findall(r"<(t[hd])([^>]*)>(.*?)</t[hd]>", row, re.S)
            for number, (_, kind, inside) in enumerate(cells):
                if 'class="val"' not in kind or not re.search(r"\d", inside):
                    continue
                beside = " ".join(text for _, _, text in cells[number : number + 3])
                assert units.search(head[number]) or units.search(re.sub(r"^.*?</", "", beside)), row


def test_counts_on_the_page_are_those_of_the_records(page):
    told = story()
    found = outcome(told.plates)
    judged = [all(LIMITS[k[:-2]].lower <= v <= LIMITS[k[:-2]].upper for k, v in p.truth.items()) for p in told.plates]
    assert found.n == 25
    assert found.of(True, "conforms") + found.of(False, "conforms") == sum(
        p.record.verdict == "conforms" for p in told.plates
    )
    assert found.escapes == sum(
        p.record.verdict == "conforms" and not g for p, g in zip(told.plates, judged, strict=True)
    )
    held = sum(abs(c.value - c.true) <= c.U for c in told.lengths)
    assert f"{held} of {len(told.lengths)} intervals cover the truth" in page
    assert found.of(None, "unread") == 1


def test_words_from_documents_are_escaped():
    told = story()
    hostile = replace(told, title="<script>alert(1)</script>", cautions=("a <b> & c",))
    page = summary_html(hostile)
    assert "<script>alert" not in page
    assert "a &lt;b&gt; &amp; c" in page


def test_coverage_band_is_binomial():
    """Central 95 % of a binomial, n = 20, p = 0.95: P(X <= 16) = 0.0159, P(X <= 17) = 0.0755 (tables, from memory)."""
    checks = [Check("", 0, 0.0, 0.0, 1.0)] * 17 + [Check("", 0, 0.0, 2.0, 1.0)] * 3
    found = coverage(checks)
    assert (found.covered, found.n, found.low, found.high) == (17, 20, 17, 20)
    assert found.as_expected
    assert math.isclose(sum(math.comb(20, k) * 0.95**k * 0.05 ** (20 - k) for k in range(17)), 0.0159, abs_tol=1e-4)


def test_what_was_not_read_is_said_and_covers_nothing():
    told = story()
    unread = Check.of("middle, along x", 0.0, 60.0, reading("slot", None, None))
    assert not unread.covers
    assert (coverage([unread, *told.lengths]).n, coverage([unread]).unread) == (len(told.lengths), 1)
    page = summary_html(replace(told, lengths=(unread, *told.lengths)))
    assert "1 more could not be read, and say why" in page
    assert "No edge with the asked polarity stands out" in page
    # The plate that gave no value in the story is counted too, once for each of its quantities.
    assert "2 more gave no value" in page


def test_decided_sentence_says_the_consequence_first():
    told = outcome(story().plates)
    said = decided_sentence(told)
    assert said.startswith("No bad plate passed" if told.escapes == 0 else str(told.escapes))
    escaped = replace(told, counts={(False, "conforms"): 2, (True, "rejected"): 1, (True, "conforms"): 3})
    assert decided_sentence(escaped) == "2 bad plates passed, 1 good plate rejected, and every plate could be decided."


def test_the_traverse_says_what_the_story_tells():
    told = story()
    tie, _, prove, evidence = stages(told)
    assert (tie.state, tie.extent, prove.state, evidence.state) == ("proved", "over 84 %", "proved", "proved")
    whole = stages(replace(told, tie=replace(told.tie, share=1.0)))[0]
    assert (whole.state, whole.extent) == ("proved", "")
    wrong = tuple(replace(check, value=check.true + 2 * check.U) for check in told.lengths)
    bare = tuple(replace(file, sha256="") for file in told.files)
    worse = stages(replace(told, tie=replace(told.tie, good=False, share=0.3), lengths=wrong, files=bare))
    assert [stage.state for stage in worse if stage.name != "Recipe"] == ["begun"] * 3
    assert worse[0].extent == ""


def test_more_intervals_than_independent_ones_would_hold_are_explained():
    # Binomial with p = 0.95 and n = 200, from its own sum: P(at most 196) = 0.974…, so 97.5 % lie at or below 196.
    at_most = [sum(math.comb(200, k) * 0.95**k * 0.05 ** (200 - k) for k in range(m + 1)) for m in (195, 196, 197)]
    exact = next(m for m, p in zip((195, 196, 197), at_most, strict=True) if p >= 0.975)
    checks = [Check("", 0, 1, 1, 0.1)] * 199 + [Check("", 0, 1, 2, 0.1)]
    found = coverage(checks)
    assert found.high == exact
    assert found.above
    assert found.as_expected
    assert not coverage([*checks[:exact], *[checks[-1]] * (200 - exact)]).above


def test_the_truth_is_shown_at_any_width_and_a_miss_has_a_key():
    told = story()
    missed = replace(told.lengths[0], value=told.lengths[0].true + 2 * told.lengths[0].U)
    page = summary_html(replace(told, lengths=(missed, *told.lengths[1:])))
    assert re.findall(r"<th[^>]*narrow-hide[^>]*>[^<]*tru", page) == []
    for anchor in ("prove", "others"):
        section = page[page.index(f'id="{anchor}"') :].partition("</section>")[0]
        assert section.count("<table") == section.count('<div class="scroll"><table') > 0
        assert "broken: it misses the truth" in section
    assert 'class="miss-key"' in page


def test_why_a_calculation_by_hand_differs_is_said():
    told = story()
    said = "By hand the page only lies higher & lower."
    assert said.replace("&", "&amp;") in summary_html(replace(told, hand=replace(told.hand, said=said)))
    assert "By hand the page" not in summary_html(told)
