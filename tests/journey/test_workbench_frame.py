"""What all pages share, in a real browser: stages, keyboard, phone, undo, two people, a server that comes back."""

import re

import pytest
from playwright.sync_api import expect
from tests.helpers.served import Served, new_station
from tests.helpers.workbench import DESK, PASSWORD, PHONE, Person, browser_for_pages, let_in

from tiepoint.station.drafting import Change, edit
from tiepoint.station.folder import open_station
from tiepoint.station.lamps import FOUR

STAGES = ("see", "plan", "tie", "light", "recipe", "prove", "duty", "evidence")
browser = pytest.fixture(scope="module")(browser_for_pages)


@pytest.fixture
def folder(tmp_path):
    folder = new_station(tmp_path / "plates")
    let_in(folder)
    return folder


def describe(folder, text=FOUR, says="Describe the lamps"):
    edit(open_station(folder), says, [Change("lights.toml", text.encode())], who="M. Weiss")


@pytest.mark.parametrize(("size", "scheme"), [(DESK, "light"), (DESK, "dark"), (PHONE, "light"), (PHONE, "dark")])
def test_every_page_opens_without_barriers_and_asks_nobody_else(browser, folder, size, scheme):
    with Served(folder) as served:
        person = Person(browser, served, size, scheme)
        for stage in STAGES:
            person.open(f"/{stage}").page.locator(".head h1").wait_for()
            person.page.wait_for_load_state("load")
            assert person.page.locator(".trav a[aria-current=page]").get_attribute("href") == f"/{stage}"
            assert person.barriers() == [], stage
            assert size == DESK or stage not in ("see", "duty", "evidence") or person.overflows() <= 0
            person.keep(f"{stage}-{scheme}-{size[0]}")
        person.done()


def test_an_empty_station_claims_nothing_and_says_what_comes_next(browser, folder):
    with Served(folder) as served:
        person = Person(browser, served).open("/duty")
        person.page.locator(
            ".strapline", has_text="put the station on duty on its own machine, as the guide Run a station says"
        ).wait_for()
        assert person.page.locator(".low .note").all_inner_texts() == ["No part yet.", "No part yet."]
        person.open("/evidence")
        expect(person.page.get_by_text("There is no record yet.")).to_have_count(2)
        person.done()


def test_the_stages_are_gone_through_by_keyboard_alone(browser, folder):
    with Served(folder) as served:
        person = Person(browser, served).open("/see")
        page = person.page
        page.locator(".trav a[href='/tie']").focus()
        page.keyboard.press("Enter")
        page.wait_for_url(re.compile("/tie$"))
        page.locator(".trav a[href='/tie'][aria-current=page]").wait_for()
        page.go_back()
        page.locator(".trav a[href='/see'][aria-current=page]").wait_for()
        page.locator("a.skip").focus()
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "numbers"
        person.done()


def test_a_folder_that_is_taken_away_is_said_and_not_shown_as_a_new_station(browser, folder):
    with Served(folder) as served:
        person = Person(browser, served).open("/recipe")
        said = person.page.get_by_role("alert").filter(has_text="The station's folder is not there any more")
        person.page.locator(".trav a[href='/recipe'][aria-current=page]").wait_for()
        expect(said).to_have_count(0)
        away = folder.with_name("away")
        folder.rename(away)
        expect(said).to_be_visible()
        expect(person.page.locator(".trav a[href='/tie']")).to_contain_text("Cannot be read")
        person.keep("folder-gone")
        line, tools = said.bounding_box(), person.page.locator(".tools").bounding_box()
        assert line["y"] + line["height"] <= tools["y"]  # what is said covers nothing that is pressed
        away.rename(folder)
        expect(said).to_have_count(0)
        person.done()


def test_an_edit_of_the_files_appears_and_is_undone_and_done_again(browser, folder):
    with Served(folder) as served:
        person = Person(browser, served).open("/light").log_in()
        page = person.page
        undo, redo = (page.locator(".head .group button").nth(k) for k in range(2))
        expect(page.get_by_role("button", name="Begin with four lamps")).to_be_visible()
        describe(folder)  # as another program would
        north = page.get_by_label("Elevation, north")
        expect(north).to_have_value("35")
        north.fill("28")
        person.click("Use these")
        expect(undo).to_have_attribute("title", "Undo: Change the lamp north")
        page.locator(".map").click()  # away from the field, which has an undo of its own
        page.keyboard.press("Control+z")
        expect(north).to_have_value("35")
        expect(redo).to_have_attribute("title", "Redo: Change the lamp north")
        redo.click()
        expect(north).to_have_value("28")
        assert "elevation_deg = 28" in (folder / "lights.toml").read_text()
        person.done()


def test_of_two_people_at_one_field_none_loses_what_was_typed(browser, folder):
    describe(folder)
    with Served(folder) as served:
        one, other = (Person(browser, served) for _ in range(2))
        other.page.route("**/api/events", lambda route: route.abort())  # it hears nothing of the other's edit
        for person, angle in ((one, "20"), (other, "50")):
            person.open("/light").log_in()
            person.page.get_by_label("Elevation, east").fill(angle)
        one.click("Use these")
        expect(one.page.get_by_role("button", name="Use these")).to_have_count(0)
        other.click("Use these")
        expect(other.page.get_by_role("alert").filter(has_text="lights.toml")).to_be_visible()
        expect(other.page.get_by_label("Elevation, east")).to_have_value("50")
        assert "elevation_deg = 20" in (folder / "lights.toml").read_text()
        other.click("Use these")  # having seen why
        expect(other.page.get_by_role("button", name="Use these")).to_have_count(0)
        expect(one.page.get_by_label("Elevation, east")).to_have_value("50")
        one.done()
        other.done()


def test_a_server_that_comes_back_is_noticed_and_what_was_typed_is_still_there(browser, folder):
    describe(folder)
    with Served(folder) as served:
        port = served.port
        person = Person(browser, served).open("/light").log_in()
        person.page.get_by_label("Elevation, west").fill("44")
    page = person.page
    page.get_by_text("The station does not answer").wait_for()
    person.click("Use these")
    page.get_by_text("what you typed is still here").first.wait_for()
    person.keep("away")
    with Served(folder, port=port):
        page.get_by_text("The station does not answer. Its last word").wait_for(state="detached")
        assert page.get_by_label("Elevation, west").input_value() == "44"
        page.get_by_role("button", name="Log in").first.wait_for()  # a new process has forgotten who was there
        person.log_in()
        person.click("Use these")
        page.get_by_role("button", name="Use these").wait_for(state="detached")
    assert "elevation_deg = 44" in (folder / "lights.toml").read_text()
    person.context.close()


def test_on_plan_no_word_of_the_lost_line_stays_once_the_station_is_back(browser, folder):
    with Served(folder) as served:
        port = served.port
        person = Person(browser, served).open("/plan").log_in()
        person.page.get_by_label("f-number").fill("8")
    page = person.page
    page.get_by_text("The station does not answer. Its last word").wait_for()
    page.get_by_label("f-number").press("Tab")
    said = page.get_by_text("what you typed is still here").first
    said.wait_for()
    with Served(folder, port=port):
        said.wait_for(state="detached")
        expect(page.get_by_label("f-number")).to_have_value("8")
    person.context.close()


def test_who_logs_in_while_the_station_cannot_be_reached_keeps_what_was_typed(browser, folder):
    with Served(folder) as served:
        person = Person(browser, served)
        page, away = person.page, []
        page.route("**/api/session", lambda route: route.abort() if away else route.continue_())
        away.append(True)
        person.open("/tie").click("Log in")
        strapline = page.locator(".strapline", has_text="The station does not answer")
        strapline.wait_for()
        dialog = page.get_by_role("dialog", name="Log in")
        dialog.get_by_label("Name").fill("change")
        away.clear()
        strapline.wait_for(state="detached")
        expect(dialog.get_by_label("Name")).to_have_value("change")
        dialog.get_by_label("Password").fill(PASSWORD)
        dialog.get_by_role("button", name="Log in").click()
        page.get_by_role("button", name="change", exact=True).wait_for()
        person.done()


def test_the_numbers_leave_the_window_and_come_back(browser, folder):
    describe(folder)
    with Served(folder) as served:
        person = Person(browser, served).open("/light")
        with person.page.expect_popup() as popup:
            person.click("detach")
        popup.value.get_by_label("Azimuth, south").wait_for()
        assert person.page.get_by_label("Azimuth, south").count() == 0
        person.click("Bring back")
        person.page.get_by_label("Azimuth, south").wait_for()
        person.done()
