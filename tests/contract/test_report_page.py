"""The acceptance report of a station with every kind of study: what a customer sees of it, in a real browser."""

import contextlib
import io
import json
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from tests.contract.conftest import Said
from tests.helpers.browsers import headless
from tests.helpers.proved_station import ORDERED, prove, table
from tests.helpers.square_tie import square_tie
from tests.helpers.vent_station import Vent, new_station

from tiepoint.cli.main import main
from tiepoint.station.accepted import prepare_accepted
from tiepoint.station.folder import open_station
from tiepoint.station.judge import judge
from tiepoint.station.ledger import Ledger


def cli(*words: object) -> Said:
    """Run the command line in this process; unlike the fixture, for a whole module."""
    with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.redirect_stderr(io.StringIO()) as err:
        code = main([str(word) for word in words])
    return Said(code, out.getvalue(), err.getvalue())


@dataclass(frozen=True)
class Made:
    """A proved station, its report on paper and as a page."""

    vent: Vent
    pdf: Path
    page: Path


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Made:
    folder = tmp_path_factory.mktemp("proved")
    vent = new_station(folder / "vent", square_tie(0.05, 640, 480, 1e-4))
    prove(cli, vent)
    pdf, page = folder / "acceptance.pdf", folder / "acceptance.html"
    assert cli("report", vent.folder, "--out", pdf, "--html", page).code == 1
    return Made(vent, pdf, page)


@pytest.fixture(scope="module")
def chromium() -> Iterator[object]:
    with headless() as browser:
        yield browser


@pytest.fixture
def opened(chromium, made):
    """Return the page, opened without a network; at the end nothing was asked of it, and no script failed."""
    context = chromium.new_context(offline=True)
    page, wrong = context.new_page(), []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("request", lambda r: wrong.append(r.url) if not r.url.startswith(("file:", "data:")) else None)
    page.goto(made.page.as_uri())
    yield page
    context.close()
    assert wrong == []


def test_every_number_is_worked_out_again_and_is_the_same(opened):
    opened.click("#recompute-all")
    said = opened.locator("#recompute-all + span").inner_text()
    count = re.fullmatch(r" ?(\d+) numbers worked out again: all the same", said)
    assert count is not None, said
    assert int(count[1]) > 250
    assert opened.locator(".differs").count() == 0


@pytest.mark.parametrize(
    "kind", ["type1", "rr", "linearity", "stability", "lengths", "capability", "agreement", "trial"]
)
def test_a_wrong_raw_number_differs(opened, kind):
    """A person changes one raw number in the page: what rests on it differs, and nothing else."""
    button = opened.locator(f'button[data-how*=\'"formula":"{kind}"\']').last
    raw = opened.evaluate("(b) => JSON.parse(b.dataset.how).inputs.raw", button.element_handle())
    old, new = {"trial": ("conforms", "rejected"), "agreement": ("bad", "good")}.get(kind, ("4", "5"))
    change = """([id, old, now]) => {
      const pre = document.getElementById(id);
      const lines = pre.textContent.split("\\n");
      const at = lines.findIndex((line, k) => k && line.includes(old));
      lines[at] = lines[at].split("\\t").map((w, k) => (k || !w.includes("row") ? w.replace(old, now) : w)).join("\\t");
      pre.textContent = lines.join("\\n");
    }"""
    if kind == "capability":
        old, new = "0.002", "0.009"
    opened.evaluate(change, [raw, old, new])
    opened.click("#recompute-all")
    assert re.search(r"^ ?\d+ of \d+ numbers: differs$", opened.locator("#recompute-all + span").inner_text())
    for answer in opened.locator("td:has(.differs) button").all():
        assert opened.evaluate("(b) => JSON.parse(b.dataset.how).inputs.raw", answer.element_handle()) == raw
    assert "and the report says" in opened.locator("td .differs").first.inner_text()


def test_nonsense_in_place_of_a_raw_number_is_no_number(opened):
    opened.evaluate("for (const p of document.querySelectorAll('pre.raw')) p.textContent = 'value\\nx'")
    opened.click("#recompute-all")
    assert "numbers: differs" in opened.locator("#recompute-all + span").inner_text()
    assert "no number, and the report says" in opened.locator("td .differs").first.inner_text()


def test_every_link_leads_somewhere_and_records_name_their_files(opened, made):
    lost = opened.evaluate(
        "[...document.querySelectorAll('a[href^=\"#\"]')].map((a) => a.getAttribute('href').slice(1))"
        ".filter((id) => !document.getElementById(id))"
    )
    assert lost == []
    assert opened.locator("a.entry").count() > 20
    with Ledger(open_station(made.vent.folder).ledger_path) as ledger:
        for entry in ledger.entries("archived"):
            words = opened.locator(f"#e{entry.body['record']}").inner_text()
            assert entry.body["folder"] in words
            assert entry.body["files"]["picture.png"][:16] in words


@pytest.mark.parametrize("width", [360, 390, 1280])
def test_the_page_does_not_scroll_sideways(opened, width):
    opened.set_viewport_size({"width": width, "height": 800})
    opened.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    opened.click("#recompute-all")
    assert opened.evaluate("document.documentElement.scrollWidth") == width


def test_every_picture_is_shown(opened):
    opened.evaluate("for (const i of document.images) i.loading = 'eager'")
    # Waited for in one call: the page's own policy forbids what a browser would have to evaluate again and again.
    opened.evaluate("Promise.all([...document.images].map((i) => i.decode().catch(() => null)))")
    assert opened.evaluate("[...document.images].filter((i) => !i.naturalWidth).map((i) => i.alt)") == []
    alts = opened.evaluate("[...document.images].map((i) => i.alt)")
    for words in (
        "thin: what its accepted recipe looks at", "plane.json: U at 95 %", "recipes/bore.png", "Gauge R&R",
        "Linearity", "Stability", "Known lengths", "Capability", "Agreement", "Trial",
        "Limits with known risk", "Pose of the robot", "P2 is good, and was judged: rejected",
        "P4 is bad, large, and was judged: conforms",
    ):  # fmt: skip
        assert any(words in alt for alt in alts), words


def text_of(path: Path) -> str:
    pdfium = pytest.importorskip("pypdfium2")
    document = pdfium.PdfDocument(path)
    try:
        return " ".join(" ".join(page.get_textpage().get_text_range() for page in document).split())
    finally:
        document.close()


def test_paper_and_page_tell_all_that_a_report_must(made):
    """The contents that were ordered of it; what there is none of is told as not tried or not shown."""
    html = " ".join(re.sub(r"<[^>]+>", " ", made.page.read_text(encoding="utf-8")).replace("&amp;", "&").split())
    for told in (text_of(made.pdf), html):
        for words in (
            "What this station can and cannot do", "Requirements", "not checked", "light of the hall", "Set-up",
            "Ties and their quality", "Known lengths", "Gauge R&R", "Linearity", "Stability", "Capability", "Agreement",
            "Trial", "Codes and texts", "Robot touch test", "Pose of the robot", "Times", "P99.9", "Maximum",
            "Fault injections", "Alarm: a golden part leaves", "Deviations", "Golden parts", "each shift",
            "another lamp or exposure", "Evidence", "Cautions", "not a safety device", "Signatures", "M. Weiss",
            "only a station on duty can show it", "Which came first", "whole",
        ):  # fmt: skip
            assert words in told, words
        assert "Not tried: no study of this kind" not in told  # there is one of every kind
        assert "error at point 3" in told
        assert "1 wrong of 2" in told  # no escape may be among 2 995, and one was
        assert "RP, pose" in told


def test_what_is_younger_than_its_data_is_told_loudly(made, tmp_path):
    """A table that tells when each value was taken, the first of them long before anything was agreed."""
    vent = shutil.copytree(made.vent.folder, tmp_path / "vent")
    rows = [(4.4 + 0.001 * (k % 5), f"2020-01-{1 + k:02d}T08:00:00Z") for k in range(25)]
    data = table(tmp_path / "old.csv", ("value", "time"), rows)
    words = ("--unit", "mm", "--reference", "4.402mm", "--tolerance", "0.2mm", "--for", vent, "--of", "bore.diameter")
    assert cli("study", "type1", data, *words).code in (0, 1)
    cli("report", vent, "--out", tmp_path / "a.pdf", "--html", tmp_path / "a.html")
    for told in (text_of(tmp_path / "a.pdf"), (tmp_path / "a.html").read_text(encoding="utf-8")):
        assert "Younger than the data that they are held against: R2." in told
        assert "2020-01-01 08:00 UTC" in told
        assert "measure again" in told
    assert "Younger than the data" not in text_of(made.pdf)


def test_a_study_of_a_table_leads_to_the_records_that_it_names(made, tmp_path):
    """A row whose record says otherwise is of another list, and leads nowhere."""
    vent = shutil.copytree(made.vent.folder, tmp_path / "vent")
    with Ledger(open_station(vent).ledger_path) as ledger:
        said = [(e.seq, e.body["verdict"]) for e in ledger.entries("record")]
    other = {"conforms": "rejected"}
    rows = [(f"p{k}", "good", verdict, seq) for k, (seq, verdict) in enumerate(said)]
    rows[0] = (*rows[0][:2], other.get(said[0][1], "conforms"), said[0][0])
    data = table(tmp_path / "decided.csv", ("part", "reference", "value", "record"), rows)
    assert cli("study", "agreement", data, "--for", vent, "--of", "today").code in (0, 1)
    cli("report", vent, "--out", tmp_path / "a.pdf", "--html", tmp_path / "a.html")
    page = (tmp_path / "a.html").read_text(encoding="utf-8")
    title = r'id="study-\d+"[^>]*>(?:(?!<section).)*?Agreement of decisions: today'
    section = page[re.search(title, page, re.S).end() :]
    told = section[section.index("Records that it is of") :].partition("</table>")[0]
    led = {int(seq) for seq in re.findall(r'href="#e(\d+)"', told)}
    assert {seq for seq, _ in said[1:]} <= led
    assert said[0][0] not in led


def test_wrong_parts_of_records_are_drawn_from_the_archive(made, tmp_path):
    """A trial of records keeps no pictures of its own: what the station kept of these shots is shown."""
    vent = shutil.copytree(made.vent.folder, tmp_path / "vent")
    shot = shutil.copytree(next(iter(sorted((vent / "archive").glob("*/*_rejected")))), tmp_path / "P7")
    told = json.loads((shot / "shot.json").read_text(encoding="utf-8"))
    (shot / "shot.json").write_text(json.dumps({**told, "part_id": "P7"}), encoding="utf-8")
    assert cli("run", vent, shot, "--out", tmp_path / "today").code == 1
    labels = table(tmp_path / "labels.csv", ("part_id", "label"), [("P7", "good")])
    said = cli("trial", tmp_path / "today" / "records.jsonl", labels, "--for", vent)
    assert said.code == 0, said.err
    cli("report", vent, "--out", tmp_path / "a.pdf", "--html", tmp_path / "a.html")
    page = (tmp_path / "a.html").read_text(encoding="utf-8")
    assert re.search(r'<img[^>]*alt="P7 is good, and was judged: rejected', page)


def test_runs_that_were_broken_off_are_listed(made, tmp_path):
    station = open_station(shutil.copytree(made.vent.folder, tmp_path / "vent"))
    with Ledger(station.ledger_path) as ledger:
        work = judge(station, ledger, prepare_accepted(station, "thin"), sorted(made.vent.shots.glob("*.png")))
        next(work)
        work.close()
        ledger.append("run", {"format": "tiepoint/run/1", "of": None, "shots": 3})
    cli("report", station.folder, "--out", tmp_path / "a.pdf")
    told = text_of(tmp_path / "a.pdf")
    assert "STOPPED after 1" in told
    assert "BROKEN OFF, without an end" in told
    assert "was not finished" in told


def test_a_report_of_many_shots_lists_all_and_shows_a_hundred(made, tmp_path):
    station = open_station(shutil.copytree(made.vent.folder, tmp_path / "vent"))
    shot = made.vent.shots / "vent-2.png"  # rejected, and as noisy as a picture may be
    with Ledger(station.ledger_path) as ledger:
        assert sum(1 for _ in judge(station, ledger, prepare_accepted(station, "thin"), [shot] * 104)) == 104
    pdf, page = tmp_path / "a.pdf", tmp_path / "a.html"
    cli("report", station.folder, "--out", pdf, "--html", page, "--pictures", "100")
    assert pdf.stat().st_size < 5e6
    assert page.stat().st_size < 8e6
    told = page.read_text(encoding="utf-8")
    assert told.count('loading="lazy"') >= 100
    assert all(f'id="e{r}"' in told for r in re.findall(r'href="#e(\d+)"', told))
    assert len(re.findall(r"_rejected/", told)) >= 104
    assert "at most 100 of 110 kept shots" in told


def test_a_signature_proves_a_report_and_no_other(made, tmp_path):
    if shutil.which("openssl") is None:
        pytest.skip("no openssl is installed (apt-get install openssl)")
    key, public, pdf = tmp_path / "key.pem", tmp_path / "public.pem", tmp_path / "acceptance.pdf"
    for words in (("genpkey", "-algorithm", "ed25519", "-out", key), ("pkey", "-in", key, "-pubout", "-out", public)):
        subprocess.run(["openssl", *map(str, words)], check=True, env=os.environ)
    cli("report", made.vent.folder, "--out", pdf, "--html", pdf.with_suffix(".html"), "--sign", key)
    for path in (pdf, pdf.with_suffix(".html")):
        said = cli("verify", "--report", path, "--by", public)
        assert (said.code, "was signed by the key" in said.out) == (0, True)
    pdf.write_bytes(pdf.read_bytes() + b"%")
    said = cli("verify", "--report", pdf, "--by", public, "--json")
    assert (said.code, said.json["signed"]) == (1, False)
    assert "no signature" in cli("verify", "--report", made.pdf, "--by", public).err
    assert "give both" in cli("verify", "--report", pdf).err
    assert "leave" in cli("verify", made.vent.folder, "--report", pdf, "--by", public).err
    assert "name the station" in cli("verify").err
    assert "no private key" in cli("report", made.vent.folder, "--out", pdf, "--sign", public).err


def test_a_station_without_anything_but_an_order_says_so_of_everything(tmp_path):
    vent = new_station(tmp_path / "vent", square_tie(0.05, 640, 480, 1e-4))
    (vent.folder / "requirements.toml").write_text(ORDERED, encoding="utf-8")
    assert cli("accept", vent.folder, "--why", "order 7").code == 0
    assert cli("report", vent.folder, "--out", tmp_path / "a.pdf").code == 1
    told = text_of(tmp_path / "a.pdf")
    assert "0 of 5 requirements are shown, and 5 of 5 not tried" in told
    for words in (
        "No quantity was measured yet: not tried", "no shot judged by it was kept", "Records: none",
        "Runs: the ledger tells of none", "no record says how long it took", "Codes and texts: not tried",
    ):  # fmt: skip
        assert words in told, words
    assert told.count("Not tried: no study of this kind") == 11
