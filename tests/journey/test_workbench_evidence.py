"""Evidence as an auditor has it: find a record, see it as it was judged, look at a reading over all of them, verify."""

import contextlib
import csv
import io

import pytest
from playwright.sync_api import expect
from tests.helpers.browsers import headless
from tests.helpers.looked_at import DESK, PHONE, Looked
from tests.helpers.plain_bore import plain_tie
from tests.helpers.served import Served
from tests.helpers.vent_station import new_station, picture

from tiepoint.cli.main import main
from tiepoint.web.users import User, hashed, write_users

PASSWORD = "four words are enough"
PARTS = 24


def cli(*words):
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()) as said:
        code = main([str(word) for word in words])
    assert code in (0, 1), said.getvalue()


@pytest.fixture(scope="module")
def browser():
    with headless() as found:
        yield found


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A station that has judged 24 bores, of which every eighth is too wide."""
    place = tmp_path_factory.mktemp("evidence")
    vent = new_station(place / "vent", plain_tie())
    cli("accept", vent.folder, "--why", "first acceptance", "--who", "M. Weiss")
    for shot in vent.shots.iterdir():
        shot.unlink()
    for k in range(PARTS):
        picture(vent.shots / f"vent-{k:02d}.png", 4.7 if k % 8 == 3 else 4.38 + 0.002 * k, k)
    cli("run", vent.folder, vent.shots, "--variant", "thin")
    write_users(vent.folder / "private" / "users.json", [User("weiss", "operate", hashed(PASSWORD))])
    return vent.folder


@pytest.fixture(scope="module")
def served(folder):
    with Served(folder) as running:
        yield running


def found(page, count):
    """Wait until so many records are found."""
    expect(page.locator(".found tbody .choose")).to_have_count(count, timeout=60_000)


def test_an_audit_at_the_desk(served, browser):
    with Looked(browser, DESK) as looked:
        page = looked.open(served, "/evidence").page
        # The newest record is there at once, as it was judged.
        page.locator('g[data-step="bore"] .po').first.wait_for()
        page.locator("svg.trend .mean").wait_for()
        assert looked.text(".low .aside").endswith(f"{PARTS} parts")
        looked.keep("evidence-desk")

        # What the ± of a reading is made of, and how it comes from the standard uncertainty.
        page.get_by_role("button", name="bore", exact=True).click()
        page.get_by_text("times the standard uncertainty u =").wait_for()
        assert page.locator("table.budget tbody tr").count() >= 1
        page.get_by_role("button", name="bore", exact=True).click()
        page.locator("table.budget").wait_for(state="detached")

        page.get_by_label("Verdict").select_option("rejected")
        looked.acts += 1
        looked.click(page.get_by_role("button", name="Search"))
        found(page, 3)
        looked.click(page.locator(".found .choose").nth(1))
        page.locator('g[data-step="bore"] .po.rej').first.wait_for()
        page.locator(".tools .v.rejected").wait_for()
        with page.expect_download() as csv_file:
            looked.click(page.get_by_role("link", name="CSV"))
        rows = list(csv.DictReader(csv_file.value.path().read_text(encoding="utf-8-sig").splitlines()))
        assert [row["verdict"] for row in rows] == ["rejected"] * 3
        assert all(abs(float(row["value"]) - 4.7) < 0.01 for row in rows)  # as they were drawn

        # By a reading's own value: those that were drawn between 4.401 and 4.411 mm, none of them near either.
        page.get_by_label("Verdict").select_option("")
        looked.type(page.get_by_label("Reading", exact=True).first, "bore.diameter")
        page.get_by_label("from, mm").fill("0x10")
        page.get_by_role("button", name="Search").click()
        page.get_by_role("alert").filter(has_text="0x10 is no number; give one, as 4.5").wait_for()
        assert page.get_by_label("from, mm").get_attribute("aria-invalid") == "true"
        looked.type(page.get_by_label("from, mm"), "4,401")
        looked.type(page.get_by_label("to", exact=True), "4.411")
        looked.click(page.get_by_role("button", name="Search"))
        drawn = [k for k in range(PARTS) if k % 8 != 3 and 4.401 < 4.38 + 0.002 * k < 4.411]
        found(page, len(drawn))
        looked.keep("evidence-value")
        page.get_by_label("and it is").select_option("rejected")
        looked.type(page.get_by_label("from, mm"), "")
        looked.type(page.get_by_label("to", exact=True), "")
        looked.click(page.get_by_role("button", name="Search"))
        found(page, 3)
        looked.click(page.get_by_role("button", name="Clear"))
        page.get_by_label("Verdict").select_option("rejected")
        looked.click(page.get_by_role("button", name="Search"))
        found(page, 3)
        # No label of the trend overruns its picture.
        edges = page.locator("svg.trend").evaluate(
            "s => { const b = s.getBoundingClientRect(); return [...s.querySelectorAll('text')].map(t => "
            "{ const r = t.getBoundingClientRect(); return Math.max(b.left - r.left, r.right - b.right); }); }"
        )
        assert max(edges) <= 0.5, edges

        # Brush the first half of the trend.
        chart = page.locator("svg.trend").bounding_box()
        page.mouse.move(chart["x"] + 60, chart["y"] + 60)
        page.mouse.down()
        page.mouse.move(chart["x"] + 52 + (chart["width"] - 60) / 2 - 3, chart["y"] + 60, steps=6)
        page.mouse.up()
        looked.acts += 1
        page.locator(".low .aside", has_text="12 parts").wait_for()
        looked.click(page.get_by_role("button", name="Whole"))
        page.locator(".low .aside", has_text=f"{PARTS} parts").wait_for()
        assert "Ppk" in looked.text("#numbers")
        looked.keep("evidence-search")

        # Nothing is lost on a reload.
        page.reload()
        found(page, 3)
        assert page.get_by_label("Verdict").input_value() == "rejected"

        looked.log_in("weiss", PASSWORD)
        looked.type(page.get_by_label("Head that was told elsewhere"), "not sixty-four digits")
        looked.click(page.get_by_role("button", name="Look through the evidence"))
        page.locator("#verify-refused").wait_for()
        assert page.get_by_label("Head that was told elsewhere").input_value() == "not sixty-four digits"
        assert page.get_by_label("Head that was told elsewhere").get_attribute("aria-invalid") == "true"
        looked.type(page.get_by_label("Head that was told elsewhere"), "")
        looked.type(page.get_by_label("Records worked out again"), "4")
        looked.click(page.get_by_role("button", name="Look through the evidence"))
        looked.says("All of it is as it was.")
        looked.says("4 of 4 records came out as they were.")
        looked.keep("evidence-verified")
        assert looked.acts <= 22
        looked.is_sound()


def test_an_altered_picture_is_found_and_not_shown_as_evidence(folder, browser):
    with Served(folder) as served, Looked(browser, PHONE, "dark") as looked:
        victim = sorted(folder.glob("archive/*/*/*.png"))[-1]
        true = victim.read_bytes()
        victim.write_bytes(true[:-1] + b"x")
        try:
            page = looked.open(served, "/evidence").page
            looked.says("The file was altered after it was kept.")
            looked.log_in("weiss", PASSWORD)
            looked.type(page.get_by_label("Records worked out again"), "0")
            looked.click(page.get_by_role("button", name="Look through the evidence"))
            looked.says("1 thing is not as they were.")
            looked.says("was altered after it was kept")
            looked.keep("evidence-phone")
            looked.is_sound()
        finally:
            victim.write_bytes(true)


def test_on_a_phone_a_record_that_is_pressed_comes_into_sight(served, browser):
    with Looked(browser, PHONE) as looked:
        page = looked.open(served, "/evidence").page
        page.locator("svg.trend .mean").wait_for()
        chosen = page.locator(".found .choose").nth(3)
        part = chosen.inner_text()
        looked.click(chosen)
        name = page.locator(".tools .which b", has_text=part)
        name.wait_for()
        expect(name).to_be_in_viewport()
        expect(page.locator(".picture canvas").first).to_be_in_viewport()


@pytest.mark.parametrize("width", [360, 820, 1180, 1340])
def test_nothing_hangs_over_the_edge(served, browser, width):
    with Looked(browser, (width, 844)) as looked:
        looked.open(served, "/evidence").page.locator("svg.trend .mean").wait_for()
        looked.is_sound()


def test_a_search_that_cannot_be_is_said_and_the_old_result_stays(served, browser):
    with Looked(browser) as looked:
        page = looked.open(served, "/evidence").page
        page.locator(".found .choose").first.wait_for()
        looked.type(page.get_by_label("Part", exact=True), "no such part")
        looked.press("Enter")
        looked.says("No record is like that.")
        assert page.get_by_text("There is no record yet.").count() == 0
        looked.click(page.get_by_role("button", name="Clear"))
        page.locator(".found .choose").first.wait_for()
        looked.is_sound()
