"""The page Plan as a person uses it: from an empty station to a photographed part, in a real browser."""

import os
import re
from pathlib import Path

import pytest
from tests.helpers.browsers import headless
from tests.helpers.plain_bore import write_tie
from tests.helpers.served import Served, commit, new_station
from tests.helpers.workbench import DESK, PASSWORD, PHONE, Person

from tiepoint.web.page import app_files
from tiepoint.web.users import User, hashed, token_sha, write_users

WORKED_OUT = "What U of the longest size is made of"


@pytest.fixture(scope="module")
def browser():
    if not app_files():
        pytest.skip("the pages are not built (python hatch_build.py)")
    with headless() as found:
        yield found


@pytest.fixture
def folder(tmp_path):
    folder = new_station(tmp_path / "plates")
    users = [User("change", "change", hashed(PASSWORD), token_sha("change"))]
    write_users(folder / "private" / "users.json", users)
    return folder


@pytest.fixture
def served(folder):
    with Served(folder) as found:
        yield found


def kept(person, name):
    """Keep a screenshot where somebody wants to look at it."""
    if folder := os.environ.get("TIEPOINT_SHOTS"):
        Path(folder).mkdir(parents=True, exist_ok=True)
        person.page.screenshot(path=Path(folder) / f"plan-{name}.png")


def typed(person, label, text):
    """Type into a field and leave it, as with Tab: one act."""
    field = person.page.get_by_label(label, exact=True)
    field.fill(text)
    field.press("Tab")
    person.acts += 1


def shows(person, label, text):
    """Wait until a field holds a text."""
    from playwright.sync_api import expect

    expect(person.page.get_by_label(label, exact=True)).to_have_value(text, timeout=60_000)


def planned(person):
    """Type a whole plan."""
    typed(person, "Size, long by short side", "60 x 40")
    typed(person, "Tolerance, ±", "0.2")
    typed(person, "Stand-off", "400mm")
    person.page.get_by_role("heading", name=WORKED_OUT).wait_for()
    typed(person, "Pixels", "1440 x 1080")
    person.page.get_by_label("Target on").select_option("glass")
    person.acts += 1
    # What is typed last is kept last.
    with person.page.expect_response(lambda r: r.request.method == "PUT" and "3um" in (r.request.post_data or "")):
        typed(person, "u of a bar's reading", "3um")


def test_from_nothing_to_a_camera_that_was_photographed_with(browser, served, folder):
    person = Person(browser, served).open("/plan").log_in()
    page = person.page
    page.get_by_text("Say how large the part is").first.wait_for()
    kept(person, "empty")
    person.click("Begin with the part")
    assert page.evaluate("document.activeElement.getAttribute('aria-label')") == "Size, long by short side"
    planned(person)
    kept(person, "arithmetic")
    # 1.1 · 74.52 mm / 16 = 5.12 mm, and the next round pitch is 6 mm.
    target = page.get_by_role("row").filter(has_text="Target that fills it").first
    assert "14 × 11 of 6" in target.inner_text()
    # Every number unfolds its arithmetic.
    person.click("Magnification")
    page.get_by_text("f/(s − f) = 25/(400 − 25) = 0.06667").wait_for()
    with page.expect_response(lambda r: "/tiles/" in r.url and r.ok, timeout=300_000):
        person.click("Photograph with this camera")
    page.get_by_role("application").wait_for()
    page.get_by_text("Good for ± 0.2 mm").first.wait_for()
    assert page.get_by_role("row").filter(has_text="bore").is_visible()
    assert (folder / "plan" / "part.png").is_file()
    page.wait_for_load_state("networkidle")
    kept(person, "foreseen")
    with page.expect_response(lambda r: "/target/" in r.url and r.ok):
        page.get_by_role("radio", name="its target").click()
    page.wait_for_load_state("networkidle")
    kept(person, "target")
    # Nothing is lost on reload.
    page.reload()
    page.get_by_text("Good for ± 0.2 mm").first.wait_for()
    assert page.get_by_label("Stand-off", exact=True).input_value() == "400"
    bore = page.get_by_role("row").filter(has_text="bore").first
    assert re.search(r"\d+ of \d+$", bore.inner_text().strip()), bore.inner_text()  # true errors are kept too
    assert person.acts <= 10
    person.done()


def test_a_plan_can_be_read_on_a_phone(browser, served, folder):
    (folder / "plan.toml").write_text(
        'format = "tiepoint/plan/1"\n[part]\nsize_mm = [60, 40]\ntolerance_mm = 0.2\n[lens]\nstand_off_mm = 400\n',
        "utf-8",
    )
    person = Person(browser, served, PHONE).open("/plan")
    page = person.page
    page.get_by_role("heading", name=WORKED_OUT).scroll_into_view_if_needed()
    assert person.overflows() <= 0
    for found in (
        page.get_by_label("Size, long by short side", exact=True),
        page.get_by_role("button", name="Magnification"),
    ):
        box = found.bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= PHONE[0]
    kept(person, "phone")
    person.done()


def test_nonsense_is_said_at_its_field_and_the_old_result_stays(browser, served, folder):
    person = Person(browser, served).open("/plan").log_in()
    planned(person)
    before = (folder / "plan.toml").read_text("utf-8")
    for label, text, says in (
        ("Tolerance, ±", "wide", "is not a length"),
        ("Focal length", "500mm", "below it no picture is formed"),
        ("Speed", "fast", "is not a speed"),
        ("Size, long by short side", "60", "is not two lengths"),
    ):
        field = person.page.get_by_label(label, exact=True)
        was = field.input_value()
        typed(person, label, text)
        person.page.get_by_role("alert").filter(has_text=says).wait_for()
        assert field.input_value() == text
        assert person.page.get_by_role("heading", name=WORKED_OUT).is_visible()
        kept(person, "fault")
        typed(person, label, was)
        person.page.get_by_role("alert").filter(has_text=says).wait_for(state="detached")
    assert (folder / "plan.toml").read_text("utf-8") == before
    person.done()


def test_undo_takes_back_what_was_typed_and_two_tabs_do_not_lose_it(browser, served, folder):
    one, other = (Person(browser, served).open("/plan").log_in() for _ in range(2))
    planned(one)
    typed(one, "f-number", "8")
    # The other tab hears of the draft.
    shows(other, "f-number", "8")
    one.page.get_by_role("button", name="Undo").click()
    for person in (one, other):
        shows(person, "f-number", "")
    # An edit of the file appears on both, its comment stays through an edit of the page.
    path = folder / "plan.toml"
    path.write_text(path.read_text("utf-8").replace("stand_off_mm = 400", "stand_off_mm = 410 # measured"), "utf-8")
    shows(one, "Stand-off", "410")
    typed(one, "f-number", "8")
    shows(other, "f-number", "8")
    assert "stand_off_mm = 410 # measured" in path.read_text("utf-8")
    one.done()
    other.done()


def test_what_was_measured_stands_beside_and_who_only_looks_changes_nothing(browser, served, folder):
    (folder / "ties").mkdir()
    write_tie(folder / "ties")
    commit(folder, 3)
    person = Person(browser, served).open("/plan").log_in()
    planned(person)
    person.page.reload()
    person.page.get_by_role("row").filter(has_text="ties/tie.json").first.wait_for()
    person.page.get_by_role("row").filter(has_text="U of bore A, diameter").wait_for()
    kept(person, "measured")
    looker = Person(browser, served, DESK, "dark").open("/plan")
    looker.page.get_by_role("heading", name=WORKED_OUT).wait_for()
    assert looker.page.get_by_label("Stand-off", exact=True).is_disabled()
    assert looker.page.get_by_role("button", name="Photograph").count() == 0
    kept(looker, "dark")
    looker.done()
    person.done()
