"""The demo: the whole job on the bench, its documents, its counts against the truth, and its page in a browser."""

import csv
import hashlib
import json
import math
import os
import pickle
import re
import shlex
import time
import tomllib
import xml.etree.ElementTree as ET
from html import unescape
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from tests.helpers.browsers import headless

from tiepoint.bench import demo_folder
from tiepoint.bench.demo import demo_once
from tiepoint.bench.demo_accept import Extent, ordered
from tiepoint.bench.demo_bench import PLATE_HEIGHT_MM, U_EDGE_MM, as_seen, make_bench
from tiepoint.bench.demo_face import close_up_of
from tiepoint.bench.demo_proofs import BORE, PITCH
from tiepoint.bench.demo_series import CARRIERS, LOADING_EDGE_MM, Series
from tiepoint.bench.plate import CHARACTERISTICS, Plate
from tiepoint.cli.main import main
from tiepoint.documents.files import read_document
from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.recipe import load_recipe
from tiepoint.recipe.records import read_records, recompute
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
from tiepoint.station.lock import LOCK
from tiepoint.station.requirements import agreed_requirements
from tiepoint.station.verify import verify
from tiepoint.targets.document import from_document as target_from
from tiepoint.ties.camera import camera_from_document
from tiepoint.ties.document import from_document as tie_from

PLATES = 9
FEW = Extent(loads=10, parts=3, each_step=3, days=10, bad=8, good=10)
BROWSER = ("--no-sandbox", "--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking",
           "--disable-component-update", "--disable-sync")  # fmt: skip


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Return the result of one demo with a few plates, and what it said: one for all processes that run these tests."""
    own = tmp_path_factory.getbasetemp()
    place = (own.parent if "PYTEST_XDIST_WORKER" in os.environ else own) / "one-demo"
    done = place / "result.pickle"
    try:
        place.mkdir()
    except FileExistsError:
        while not done.exists():  # another process is at it
            time.sleep(1.0)
    else:
        said = []
        try:
            found = demo_once(place / "station", said.append, seed=7, plates=PLATES), said
        except BaseException as error:
            found = error
        (place / "written").write_bytes(pickle.dumps(found))
        (place / "written").rename(done)
    found = pickle.loads(done.read_bytes())
    if isinstance(found, BaseException):
        raise found
    return found


def test_demo_tells_its_steps_in_sentences(demo):
    _, said = demo
    assert len(said) >= 6
    assert all(not sentence[0].islower() and sentence.endswith(".") for sentence in said)
    assert not any("summary" in sentence for sentence in said)  # where it is, the command tells at its end


def test_every_document_of_the_station_loads(demo):
    folder = demo[0].folder
    target = target_from(read_document(folder / "targets" / "target.json", "target"))
    assert target.measured is not None
    ties = {
        path.stem: tie_from(read_document(path, "tie"), path.name)
        for path in (folder / "ties").glob("*.json")
        if path.stem != "camera"
    }
    assert {"plane", "plane-on-blocks", "by-length", "by-pairs", "by-views"} <= set(ties)
    assert ties["plane"].quality is not None
    assert len(camera_from_document(read_document(folder / "ties" / "camera.json", "camera")).views) == 8
    assert all(other.check.covers for other in demo[0].story.others)
    assert load_recipe(folder / "recipes" / "hinge-plate.toml", {"bore_b": "6.0"}).needs_tie
    assert tomllib.loads((folder / "station.toml").read_text(encoding="utf-8"))["format"] == "tiepoint/station/1"
    assert (folder / "targets" / "target.pdf").read_bytes().startswith(b"%PDF")
    for path in [*folder.rglob("*.svg")]:
        ET.parse(path)
    assert len(list((folder / "overlays").glob("plate-*.svg"))) == PLATES
    assert len(list((folder / "shots" / "plates").glob("*.png"))) == PLATES


def test_the_summary_is_one_file(demo):
    html = demo[0].summary.read_text(encoding="utf-8")
    shown = re.findall(r'<img [^>]*src="([^"]*)"', html)
    assert len(shown) > 10
    # The one that is empty shows the picture that was chosen.
    assert [src[:40] for src in shown if src and not src.startswith("data:image/")] == []


def test_records_can_be_worked_out_again_from_their_files(demo):
    result, _ = demo
    records = read_records(result.folder / "records.jsonl")
    assert [r.verdict for r in records] == [p.record.verdict for p in result.story.plates]
    for reading in (r for record in records for r in record.readings if r.value is not None):
        again = recompute(reading)
        assert again.verdict == reading.verdict
        assert again.u == pytest.approx(reading.u, rel=1e-9)
    with (result.folder / "records.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == sum(len(r.readings) for r in records)


def test_intervals_cover_and_nothing_bad_passes(demo):
    """The bench draws every error from what the work states, so honest intervals cover; counts are counted again."""
    result, _ = demo
    lengths = result.story.lengths
    assert len(lengths) == 20
    assert len({(c.height_mm, c.place) for c in lengths}) == 20
    assert result.lengths.covered == sum(abs(c.value - c.true) <= c.U for c in lengths) >= result.lengths.low
    bench = make_bench(7, PLATES)
    assert result.plates.escapes == 0
    assert result.plates.false_rejects == 0
    for plate, made in zip(result.story.plates, bench.plates, strict=True):
        assert plate.good == made.conforms
        assert sorted(plate.truth.values()) == sorted(made.truth.values())
    judged = [(p, r) for p in result.story.plates for r in p.record.readings if r.id in p.truth]
    assert len(judged) == PLATES * len(CHARACTERISTICS)
    held = sum(abs(r.value - p.truth[r.id]) <= r.U95 for p, r in judged)
    assert (result.readings.covered, result.readings.n) == (held, len(judged))
    assert result.readings.as_expected


def test_faces_are_read_from_relief_and_not_from_one_lamp(demo):
    """The bench's own faces are the truth; records of both recipes stand in the folder."""
    result, _ = demo
    told = result.story.face
    made = close_up_of(7, len(told.faces)).faces
    assert sum(not face.conforms for face in made) == 4
    for face, true in zip(told.faces, made, strict=True):
        assert face.record.verdict == ("conforms" if true.conforms else "rejected")
        assert face.code.text == true.content.translate({0x1D: "␝", 0x1E: "␞", 0x04: "␄"})
        assert face.lot.text == true.lot_text
        assert face.gap.covers
        assert face.gap.true == max((gap.length_mm for gap in true.gaps), default=0.0)
        found = {words.partition(" ")[0].rstrip(",") for words in face.blemishes}
        assert found == {blemish.kind for blemish in true.blemishes}
        assert not any(mark.is_read for pair in face.by_lamp.values() for mark in pair)
    assert told.misread == told.wrong == 0
    kept = read_records(result.folder / "records-face.jsonl")
    assert [record.verdict for record in kept] == [face.record.verdict for face in told.faces]
    alone = read_records(result.folder / "records-face-one-lamp.jsonl")
    assert {reading.verdict for record in alone for reading in record.readings if reading.expected} == {"unread"}


def test_calculation_by_hand_agrees_with_the_record(demo):
    """JCGM 100, eq. 12 with the causes that the demo states; the small ones that the hand leaves out are below 3 %."""
    hand = demo[0].story.hand
    assert math.sqrt(sum(line.u_mm**2 for line in hand.lines)) == pytest.approx(hand.reading.u, rel=0.03)


def test_files_are_listed_with_their_hashes(demo):
    result, _ = demo
    listed = {f.path: f.sha256 for f in result.story.files}
    on_disk = {p.relative_to(result.folder).as_posix() for p in result.folder.rglob("*") if p.is_file()}
    # Who writes next holds the lock's file, and it says who: no two runs leave it alike.
    assert on_disk - set(listed) == {"demo.json", "summary.html", f"station/{LOCK}"}
    for path in ("records.jsonl", "ties/plane.json", "shots/target.png"):
        assert hashlib.sha256((result.folder / path).read_bytes()).hexdigest() == listed[path]
    assert all(f.what for f in result.story.files)
    # 70 MB, 36 close-ups of 1.2 MP, whose stains and grain no PNG makes smaller than 0.6 MB, and the windows of 0.7 MP
    # that the accepted station kept, with their records.
    kept = len(result.accepted.story.records)
    assert sum(f.size_bytes for f in result.story.files) < 80e6 + 36 * 0.65e6 + kept * 0.45e6


def test_the_same_seed_leaves_the_same_documents_and_replaces_only_its_own(tmp_path):
    folder = tmp_path / "demo"
    kept = []
    for _ in range(2):
        result = demo_once(folder, seed=3, plates=1, faces=1, extent=FEW)
        kept.append({f.path: f.sha256 for f in result.story.files})
        (folder / "mine.txt").write_text("a person's own")
    assert kept[0] == kept[1]
    assert (folder / "mine.txt").read_text() == "a person's own"
    assert "mine.txt" not in json.loads((folder / demo_folder.MARKER).read_text(encoding="utf-8"))["files"]


@pytest.mark.parametrize(
    "marker",
    [
        None,
        "{",
        '{"made_by": "someone", "files": []}',
        '{"made_by": "tiepoint demo", "files": ["../x"]}',
        '{"made_by": "tiepoint demo", "files": ["a\\u0000b"]}',
        "[" * 100_000,
    ],
)
def test_a_folder_that_is_no_demos_is_refused_untouched(tmp_path, marker):
    folder = tmp_path / "work"
    folder.mkdir()
    (folder / "drawing.txt").write_text("do not lose")
    (tmp_path / "x").write_text("outside")
    if marker is not None:
        (folder / demo_folder.MARKER).write_text(marker)
    with pytest.raises(UnusableInput, match="is not empty and is no demo's folder; name a new or empty folder"):
        demo_once(folder, plates=1)
    assert (folder / "drawing.txt").read_text() == "do not lose"
    assert (tmp_path / "x").read_text() == "outside"
    assert sorted(p.name for p in folder.iterdir()) == sorted(
        ["drawing.txt", *([demo_folder.MARKER] if marker else [])]
    )


def test_nothing_is_taken_away_through_a_link_out_of_the_folder(tmp_path):
    folder, other = tmp_path / "work", tmp_path / "other"
    folder.mkdir()
    other.mkdir()
    (other / "keep.txt").write_text("do not lose")
    try:
        (folder / "l").symlink_to(other)
    except OSError:
        pytest.skip("this system forbids links")
    (folder / demo_folder.MARKER).write_text('{"made_by": "tiepoint demo", "files": ["l/keep.txt"]}')
    with pytest.raises(UnusableInput, match="is no demo's folder"):
        demo_folder.claim(folder)
    assert (other / "keep.txt").read_text() == "do not lose"


def test_what_a_stopped_demo_left_of_its_station_is_begun_anew_and_a_persons_shots_stay(tmp_path):
    archive = tmp_path / "station" / "archive"
    for day in ("2026-01-05", "2026-11-26"):  # the demo's own time, and a person's
        (archive / day / "000000003_golden_conforms").mkdir(parents=True)
    (tmp_path / "station" / "ledger.sqlite").write_bytes(b"half of one")
    (tmp_path / "station" / "accepted" / ("0" * 64)).mkdir(parents=True)
    (tmp_path / "station" / "accepted.toml").write_text("of a ledger that is gone")
    station = ordered(tmp_path, make_bench(7, 1))
    with Ledger(station.ledger_path) as ledger:
        assert ledger.head.seq == 1
        assert agreed_requirements(station, ledger)[1].written_utc.startswith("2026-01-05")
    assert [day.name for day in archive.iterdir()] == ["2026-11-26"]
    assert not (tmp_path / "station" / "accepted.toml").exists()  # or the next accepting finds nothing that differs
    assert not list((tmp_path / "station" / "accepted").glob("0*"))


def test_a_file_for_a_folder_is_refused(tmp_path):
    (tmp_path / "demo").write_text("")
    with pytest.raises(UnusableInput, match="is a file where a folder was expected"):
        demo_once(tmp_path / "demo", plates=1)


def test_edges_move_towards_the_light_all_round():
    """A bore in a lit face grows by twice the shift, the face shrinks by it; the true distances stay."""
    real, e = Plate(), U_EDGE_MM
    seen = as_seen(real, e)
    assert seen.bore_a.diameter_mm - real.bore_a.diameter_mm == pytest.approx(2 * e)
    assert seen.width_mm - real.width_mm == pytest.approx(-2 * e)
    assert seen.bore_b.x_mm - seen.bore_a.x_mm == pytest.approx(real.bore_b.x_mm - real.bore_a.x_mm)
    # In the plane the part frame has moved by e, so the bore stands where it stood.
    assert seen.bore_a.x_mm + e == pytest.approx(real.bore_a.x_mm)


# ---------- the report to sign ----------

FIGURES = {
    "type1": ("cgk",),
    "rr": ("share_of_tolerance",),
    "linearity": ("largest",),
    "capability": ("process", "q"),
    "agreement": ("misses",),
}
"""Where the study's own document has the figure that its requirement is held by."""


@pytest.fixture(scope="module")
def kept(demo):
    """Return the documents of the studies that the station kept, by kind and by what they are of."""
    found = [read_document(path, "study") for path in (demo[0].folder / "station" / "studies").glob("*.json")]
    return {(study["kind"], study["of"]): study for study in found}


def test_one_requirement_is_not_shown_and_the_count_is_that_of_the_closed_form(demo):
    """No escape among n shows 1 % where 0.95 ≤ 1 − 0.99ⁿ (Clopper & Pearson's bound for no event): n = 299."""
    result = demo[0]
    accepted, needed = result.accepted, math.ceil(math.log(0.05) / math.log(0.99))
    assert accepted.ids("not shown") == ("R11",)
    assert accepted.ids("not tried") == ("R14", "R15", "R16")
    assert len(accepted.ids("shown")) == 12
    assert needed == 299
    bad = [row for row in _rows(result.folder / "proof" / "labels.csv") if row["label"] == "bad"]
    assert accepted.more == needed - len({row["part_id"] for row in bad})
    asked = accepted.story.requirements.table.requirement
    assert [line.asked.id for line in accepted.story.lines] == [one.id for one in asked]


def test_the_criteria_are_older_than_every_record_and_every_study(demo):
    story = demo[0].accepted.story
    assert story.agreed.seq == 1
    assert story.agreed.written_utc < min(r.shot.taken_utc for r in story.records)
    assert all(story.agreed.seq < study.act.seq for study in story.studies)
    taken = [line.data_from for line in story.lines if line.state != "not tried"]
    assert all(when is not None and story.agreed.written_utc < when for when in taken)  # of every study it is known


def test_numbers_of_the_report_are_those_of_the_studies(demo, kept):
    """Each line's figure is read from the study's file, as the page and the paper show it."""
    page = _plain(demo[0].accepted.html.read_text(encoding="utf-8"))
    held = [line for line in demo[0].accepted.story.lines if line.asked.by in FIGURES]
    assert len(held) >= 6
    for line in held:
        of = kept[line.asked.by, line.asked.of]["outcome"]
        for key in FIGURES[line.asked.by]:
            of = of[key]
        assert line.found.value == of["value"]
        assert _stands(of["value"], _row_of(page, line.asked.id).rpartition(line.found.name)[2])


def test_paper_and_page_have_a_line_for_each_requirement(demo):
    accepted = demo[0].accepted
    paper, page = _text_of(accepted.pdf), _plain(accepted.html.read_text(encoding="utf-8"))
    for line in accepted.story.lines:
        for text in (paper, page):
            assert " ".join(line.asked.says.split()) in text
        assert line.state in _row_of(page, line.asked.id)
    assert f"{accepted.more} more, all judged rightly, would" in paper
    assert f"{accepted.more} more, all judged rightly, would" in page
    assert [line.asked.id for line in accepted.story.lines if "not shown" in _row_of(page, line.asked.id)] == ["R11"]
    assert "simulated station" in paper
    assert accepted.pdf.stat().st_size < 5e6
    assert accepted.html.stat().st_size < 8e6


def test_the_evidence_of_the_demos_station_holds(demo):
    result = demo[0]
    found = verify(open_station(result.folder / "station"), sample=5)
    assert found.good, found.all_faults
    assert found.kept == len(result.accepted.story.records)
    assert (result.accepted.replayed, result.accepted.otherwise) == (25, 0)
    assert not [path for path in (result.folder / "station").rglob("*") if path.name.endswith(("-wal", "-shm"))]


def test_every_study_can_be_made_again_by_the_command_that_it_keeps(demo, kept, monkeypatch, capsys):
    """The command line is the witness: run in the demo's folder it says what was kept."""
    monkeypatch.chdir(demo[0].folder)
    for (kind, _), study in kept.items():
        words = shlex.split(study["command"])[1:]
        for option in ("--for", "--of"):
            if option in words:
                at = words.index(option)
                del words[at : at + 2]
        main([*words, "--json"])
        said = json.loads(capsys.readouterr().out)
        assert said["sentences"] == study["outcome"]["sentences"], kind
        for name in said.keys() & study["outcome"].keys() - {"sentences"}:
            assert _close(said[name], study["outcome"][name]), (kind, name)


def test_gauge_studies_find_what_is_really_so_at_the_bench(demo, kept):
    """The bench knows what differs: light at an edge from loading to loading, and the seats of the carriers."""
    series = Series(make_bench(7, PLATES))
    bore, pitch = (kept["rr", id_]["outcome"] for id_ in (BORE, PITCH))
    assert bore["ev"]["low"] < 2 * LOADING_EDGE_MM * 1.1
    assert bore["ev"]["high"] > 2 * LOADING_EDGE_MM
    seats = [series.seat_mm(carrier) for carrier in CARRIERS]
    lens_mm = float(series.bench.station.camera.centre_mm[2]) - PLATE_HEIGHT_MM
    carriers = 38.0 / lens_mm * np.std(seats, ddof=1)
    assert pitch["av"]["low"] <= carriers <= pitch["av"]["high"]


def _rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _plain(html):
    return " ".join(unescape(re.sub(r"<[^>]*>", "\n", html)).split())


def _row_of(page, id_):
    """Return the words of a requirement's row in the table of requirements."""
    table = page[page.index("What was agreed") :]
    return re.search(rf" {id_} .*?(?= R\d+ |$)", table).group()


def _stands(value, words):
    """Whether the first number of `words` is the value, rounded to two digits or more; shares may stand in per cent."""
    number, per_cent = re.match(r" (\d+(?:\.\d+)?)( %)?", words).groups()
    last = 10.0 ** -len(number.partition(".")[2])
    digits = len(number.replace(".", "").lstrip("0"))
    return abs(float(number) - value * (100 if per_cent else 1)) <= 0.501 * last and (digits > 1 or value == 0)


def _text_of(pdf):
    document = pypdfium2.PdfDocument(pdf)
    return " ".join(" ".join(page.get_textpage().get_text_bounded().split()) for page in document)


def _close(one, other):
    if isinstance(one, dict):
        return all(_close(one[key], other.get(key)) for key in one)
    if isinstance(one, list):
        return len(one) == len(other) and all(map(_close, one, other))
    if isinstance(one, float) and isinstance(other, int | float):
        return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-12)
    return one == other


# ---------- the page in a browser ----------


@pytest.fixture(scope="module")
def browser():
    """Return a headless Chromium."""
    with headless(BROWSER) as opened:
        yield opened


@pytest.fixture(
    scope="module",
    params=[(1440, "light"), (1440, "dark"), (390, "light"), (360, "dark")],
    ids=lambda p: f"{p[0]}-{p[1]}",
)
def page(request, browser, demo):
    """Return the summary, opened at one size and theme, with what it asked for and complained of."""
    width, scheme = request.param
    opened = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    opened.complaints, opened.asked = [], []
    opened.on("console", lambda message: opened.complaints.append(message.text))
    opened.on("pageerror", lambda error: opened.complaints.append(str(error)))
    opened.on("request", lambda asked: opened.asked.append(asked.url))
    opened.goto(Path(demo[0].summary).as_uri())
    opened.evaluate("document.fonts.ready")
    yield opened
    opened.close()


def test_page_opens_without_a_complaint_or_a_request(page):
    page.locator("#cautions").scroll_into_view_if_needed()
    assert page.complaints == []
    assert [url for url in page.asked if not url.startswith(("data:", "file:"))] == []
    assert len([url for url in page.asked if url.startswith("file:")]) == 1


def test_page_does_not_scroll_sideways(page):
    wide, view = page.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
    assert wide <= view
    outside = page.evaluate(
        """[...document.querySelectorAll('main *')].filter(e => !e.closest('.pictures, .scroll, pre, svg, details') &&
           e.getBoundingClientRect().width > 0 && e.getBoundingClientRect().right > innerWidth + 1)
           .map(e => e.tagName + '.' + e.className)"""
    )
    assert outside == []


def test_page_brings_its_faces(page):
    loaded = page.evaluate("[...document.fonts].filter(f => f.status == 'loaded').map(f => f.family + ' ' + f.weight)")
    assert {"Fira Sans Condensed 400", "Fira Sans Condensed 600", "Source Serif 4 400"} <= {
        face.replace('"', "") for face in loaded
    }


def test_figures_of_the_collar_can_be_read_at_any_size(page):
    sizes = page.evaluate(
        """[...document.querySelectorAll('#tie svg.map text.t')].filter(t => getComputedStyle(t).display != 'none')
           .map(t => parseFloat(getComputedStyle(t).fontSize) * Math.hypot(t.getScreenCTM().a, t.getScreenCTM().b))"""
    )
    assert len(sizes) >= 8
    assert min(sizes) >= 9.0


def test_a_picture_opens_large_and_closes(page):
    large = page.locator(".large")
    assert not large.is_visible()
    page.locator(".pictures a").nth(1).click()
    assert large.is_visible()
    assert page.locator(".large b").inner_text() == "plate 2"
    assert page.evaluate("document.querySelector('.large img').naturalWidth") > 0
    page.locator(".large button").click()
    assert not large.is_visible()
    assert page.url.endswith("summary.html")


def test_the_page_says_what_the_demo_found(page, demo):
    result, _ = demo
    text = page.locator("#found").inner_text()
    assert "Yes, this station can be believed." in text
    assert f"{result.lengths.covered} of {result.lengths.n}" in text
    assert page.locator(".pictures a").count() == PLATES
    assert (
        "7 of 7 codes and 7 of 7 lot numbers are read from relief, and none of them"
        in page.locator("#face").inner_text()
    )
    words = page.evaluate(
        """[...document.querySelectorAll('.seen svg text')]
           .map(t => parseFloat(getComputedStyle(t).fontSize) * Math.hypot(t.getScreenCTM().a, t.getScreenCTM().b))"""
    )
    assert len(words) == 5
    assert min(words) >= 9.0
