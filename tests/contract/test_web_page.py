"""The first page in a real browser: what it says of the last part, live, in words, and within its policy."""

import re
from dataclasses import replace

import pytest
from tests.helpers.browsers import headless
from tests.helpers.served import Served, commit, keep_picture, new_station, record

from tiepoint.station.duty.status import write_status
from tiepoint.station.ledger import Ledger, utc_now
from tiepoint.station.wires.wire import Told
from tiepoint.web import page as pages
from tiepoint.web.users import User, hashed, write_users


@pytest.fixture(scope="module")
def browser():
    with headless() as found:
        yield found


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setattr(pages, "APP", tmp_path / "not built")  # where the app is built, this page is not the first
    made = new_station(tmp_path / "plates")
    commit(made, 3)
    (seq,) = commit(made, 1, "undecided", first=4)
    keep_picture(made, seq)
    return made


def opened(browser, served, width=1340):
    page = browser.new_page(viewport={"width": width, "height": 844})
    page.heard = []
    page.on("console", lambda message: page.heard.append(message.text))
    page.on("pageerror", lambda error: page.heard.append(str(error)))
    page.goto(f"http://{served.host}/")
    return page


def text(page, id_):
    return re.sub(r"\s+", " ", page.locator(f"#{id_}").inner_text()).strip()


def test_the_last_part_is_told_with_its_picture_and_what_comes_next_live(folder, browser):
    with Served(folder) as served:
        page = opened(browser, served)
        page.locator("#picture").wait_for()
        assert text(page, "verdict") == "undecided"
        assert page.locator("#verdict use").get_attribute("href") == "#mark-undecided"
        assert text(page, "part") == "GV-0004"
        assert "± 0.0040 mm" in text(page, "rows")
        assert text(page, "rows").count("±") == 1
        assert "4.4 to 4.6 mm" in text(page, "rows")
        assert page.locator("#picture").evaluate("image => image.decode().then(() => image.naturalWidth)") == 1280
        assert text(page, "counts") == "conforms 3 rejected 0 undecided 1 unread 0"
        assert "off duty" in text(page, "state")

        (seq,) = commit(folder, 1, "rejected", first=9)
        page.locator("#verdict .rejected use").wait_for()
        page.get_by_text("GV-0009").first.wait_for()
        page.locator("#no-picture").wait_for()
        assert "not yet" in text(page, "no-picture")
        keep_picture(folder, seq, (64, 48))
        page.locator("#picture").wait_for()
        assert page.locator("#last li").count() == 2
        told = Told("fault", utc_now(), "camera top", "it does not answer")
        write_status(folder, pid=1, told=told, seq=seq, waiting=0, written_utc=utc_now())
        page.get_by_text("fault: it does not answer").wait_for()
        assert page.heard == []
        page.close()


@pytest.mark.parametrize("width", [390, 768, 1340])
def test_nothing_hangs_over_the_edge(folder, browser, width):
    with Served(folder) as served:
        page = opened(browser, served, width)
        page.locator("#picture").wait_for()
        assert page.evaluate("document.documentElement.scrollWidth") == width
        assert page.heard == []
        page.close()


def test_words_of_others_are_words_and_no_script(folder, browser):
    # What a code says may be anything: here it would be a script, were it not written as text.
    evil = "<img src=x onerror=alert(1)>"
    made = record(77, "rejected")
    with Ledger(folder / "ledger.sqlite") as ledger:
        ledger.commit(replace(made, shot=replace(made.shot, part_id=evil)))
    with Served(folder) as served:
        page = opened(browser, served)
        page.on("dialog", lambda dialog: page.heard.append(dialog.message))
        page.locator("#rows tr").first.wait_for()
        assert text(page, "part") == evil
        assert page.locator("dd img").count() == 0
        assert page.heard == []
        page.close()


def test_a_connection_that_is_lost_is_said(folder, browser):
    with Served(folder) as served:
        page = opened(browser, served)
        page.locator("#picture").wait_for()
    page.locator("#lost", has_text="The connection is lost").wait_for()
    assert text(page, "live") == "not live"
    page.close()


def test_a_person_logs_in_on_the_page(folder, browser, monkeypatch):
    write_users(folder / "private" / "users.json", [User("weiss", "look", hashed("four words are enough"))])
    # As beyond this machine, where nobody looks without a name.
    monkeypatch.setattr("tiepoint.web.settings.Settings.is_loopback", property(lambda _: False))
    monkeypatch.setattr("tiepoint.web.settings._demand_safe", lambda *_: None)
    with Served(folder) as served:
        page = opened(browser, served)
        page.get_by_label("Name").fill("weiss")
        page.get_by_label("Password").fill("not the one at all")
        page.get_by_role("button", name="Log in").click()
        page.get_by_text("name and password do not belong together").wait_for()
        page.get_by_label("Password").fill("four words are enough")
        page.get_by_role("button", name="Log in").click()
        page.locator("#picture").wait_for()
        assert text(page, "part") == "GV-0004"
        page.close()


def test_alarms_and_faults_are_told_with_what_to_do_and_an_old_verdict_with_its_date(folder, browser):
    fault = Told("fault", utc_now(), "camera top", "the folder is away", False, "", {}, {"top": "away"})
    write_status(folder, pid=1, told=fault, seq=4, waiting=0, written_utc=utc_now())
    about = {"format": "tiepoint/duty/1", "station": "hinge plates", "event": "alarm", "kind": "light",
             "about": "plate", "says": "The patch plate is 5 % darker.", "since_utc": utc_now(), "change": -0.05,
             "unit": "1", "next": "clean the lamp and its window", "why": ""}  # fmt: skip
    with Served(folder) as served:
        page = opened(browser, served, width=390)
        page.get_by_text("see to its cable").wait_for()
        assert "camera top: the folder is away What to do: see to its cable" in text(page, "todo")
        with Ledger(folder / "ledger.sqlite") as ledger:
            ledger.append("duty", {**about, "phase": "begins"})
        page.get_by_text("clean the lamp").wait_for()
        assert "5 % darker. What to do: clean the lamp and its window." in text(page, "todo")
        assert page.evaluate("document.documentElement.scrollWidth <= 390")
        write_status(
            folder, pid=1, told=replace(fault, state="on duty", fault="", says=""), seq=4, waiting=0,
            written_utc=utc_now(),
        )  # fmt: skip
        with Ledger(folder / "ledger.sqlite") as ledger:
            ledger.append("duty", {**about, "phase": "ends", "why": "settled"})
        page.locator("#todo").wait_for(state="hidden")
        page.evaluate("came({...shown.record, taken_utc: '2026-05-04T08:00:00Z'})")
        assert text(page, "taken").startswith("2026-05-04 ")
        assert page.heard == []
