"""Duty as a person on the floor has it: at a desk, on a phone, with a station that judges, and one that goes away."""

import re
import threading
from contextlib import contextmanager
from dataclasses import replace

import pytest
from tests.helpers.browsers import headless
from tests.helpers.looked_at import DESK, PHONE, Looked
from tests.helpers.plain_bore import plain_tie
from tests.helpers.served import Served, commit, keep_picture, new_station, record
from tests.helpers.served_station import Served as OnDuty
from tests.helpers.served_station import entries, free_port, prepared
from tests.helpers.vent_station import new_station as vents
from tests.helpers.vent_station import picture

from tiepoint.station.duty.status import write_status
from tiepoint.station.ledger import Ledger, utc_now
from tiepoint.station.watch.kinds import NEXT
from tiepoint.station.wires.wire import Told
from tiepoint.web.users import User, hashed, write_users

PASSWORD = "four words are enough"


@pytest.fixture(scope="module")
def browser():
    with headless() as found:
        yield found


@pytest.fixture
def folder(tmp_path):
    made = new_station(tmp_path / "plates")
    commit(made, 3)
    (seq,) = commit(made, 1, "undecided", first=4)
    keep_picture(made, seq)
    return made


@contextmanager
def saying(folder, told):
    """Have a state be told all the while, as duty does: one that is seconds old is no news."""
    ending = threading.Event()

    def say():
        while not ending.is_set():
            write_status(folder, pid=1, told=told, seq=4, waiting=0, written_utc=utc_now())
            ending.wait(0.5)

    thread = threading.Thread(target=say)
    thread.start()
    try:
        yield
    finally:
        ending.set()
        thread.join()


@pytest.fixture(scope="module")
def line(tmp_path_factory):
    place = tmp_path_factory.mktemp("line")
    vent = vents(place / "vent", plain_tie())
    port = free_port()
    folder = prepared(vent, more=f"[web]\nport = {port}\n")
    write_users(folder / "private" / "users.json", [User("weiss", "operate", hashed(PASSWORD))])
    with OnDuty(folder, "tiepoint.cli.main", "serve", str(folder), "--port", str(port)) as running:
        running.host = f"127.0.0.1:{port}"
        running.until_state("on duty")
        yield running


class TestAStationThatJudges:
    """With a real duty, a real watched folder, real pictures of bores."""

    def show(self, line, part, diameter):
        shown = picture(line.folder.parent / "made" / f"{part}.png", diameter, 7)
        line.drop(f"{part}.png", shown.read_bytes())

    def test_a_shift_at_the_desk(self, line, browser):
        with Looked(browser, DESK) as looked:
            page = looked.open(line, "/duty").page
            looked.says("No part was judged yet. What comes is shown here.")
            self.show(line, "GV-1", 4.4)
            page.locator(".now .v.conforms").wait_for()
            page.locator('g[data-step="bore"] .po.con').first.wait_for()
            assert looked.text(".now .part") == "GV-1"
            assert "4.3 to 4.5 mm" in looked.text(".readings")
            self.show(line, "GV-2", 4.7)
            page.locator(".now .v.rejected").wait_for()
            page.locator('g[data-step="bore"] .po.rej').first.wait_for()
            looked.says("bore.diameter above limit")
            assert looked.text(".counts") == "conforms 1 rejected 1 undecided 0 unread 0"
            looked.keep("duty-desk")

            # Before this the person only looked: what follows is what hands do.
            assert looked.acts == 0
            looked.click(page.get_by_role("radio", name="rejected"))
            assert page.locator('g[data-step="bore"]').count() == 1
            self.show(line, "GV-3", 4.41)
            page.locator(".now .part", has_text="GV-3").wait_for()
            page.locator(".now .v.conforms").wait_for()
            page.locator('g[data-step="bore"]').wait_for(state="detached")
            looked.click(page.get_by_role("button", name="solo bore"))
            page.locator('g[data-step="bore"]').wait_for()
            looked.click(page.locator(".strap button").first)
            looked.says("is held here; the line goes on")
            page.locator(".now .v.rejected").wait_for()
            self.show(line, "GV-4", 4.42)
            line.record_of("GV-4")
            looked.click(page.get_by_role("button", name="Back to the last part"))
            page.locator(".now .part", has_text="GV-4").wait_for()
            assert looked.acts == 4

            looked.log_in("weiss", PASSWORD)
            looked.click(page.get_by_role("button", name="Act…"))
            looked.click(page.get_by_text("Go off duty"))
            looked.type(page.get_by_label("Why"), "the belt is cleaned")
            looked.click(page.get_by_role("button", name="Do it"))
            looked.says("It stands in the ledger as entry")
            looked.keep("duty-acts")
            looked.click(page.get_by_role("dialog").get_by_role("button", name="Close"))
            looked.says("off duty")
            # Who does not see it is told too, politely.
            page.locator('p[role="status"]', has_text="The station is off duty").wait_for()
            assert looked.acts == 9
            looked.is_sound()
        (act,) = [e.body for e in entries(line.folder, kind="act") if e.body["act"] == "rest"]
        assert (act["who"], act["why"]) == ("weiss", "the belt is cleaned")


class TestTheLastPart:
    @pytest.mark.parametrize(("size", "scheme"), [(DESK, "light"), (PHONE, "dark")], ids=["desk", "phone"])
    def test_it_is_told_with_its_picture_and_what_comes_next_live(self, folder, browser, size, scheme):
        with Served(folder) as served, Looked(browser, size, scheme) as looked:
            page = looked.open(served, "/duty").page
            page.locator(".picture canvas").wait_for()
            page.locator(".now .v.undecided").wait_for()
            assert looked.text(".now .part") == "GV-0004"
            assert "±" in looked.text(".readings")
            # No copy of its recipe is here: the picture is shown all the same, and why nothing is drawn.
            looked.says("is in no accepted copy here")
            (seq,) = commit(folder, 1, "rejected", first=9)
            page.locator(".now .v.rejected").wait_for()
            looked.says("No picture of this part is kept, or not yet.")
            keep_picture(folder, seq, (64, 48))
            page.locator(".picture canvas").wait_for()
            assert page.locator(".strap button").count() == 2
            looked.keep(f"duty-last-{size[0]}")
            looked.is_sound()

    def test_words_of_others_are_words_and_no_script(self, folder, browser):
        evil = "<img src=x onerror=alert(1)>"
        made = record(77, "rejected")
        with Ledger(folder / "ledger.sqlite") as ledger:
            ledger.commit(replace(made, shot=replace(made.shot, part_id=evil)))
        with Served(folder) as served, Looked(browser, PHONE) as looked:
            page = looked.open(served, "/duty").page
            page.locator(".now .part", has_text="onerror").wait_for()
            assert page.locator(".now .part").inner_text() == evil
            assert page.locator(".now img").count() == 0
            looked.is_sound()

    def test_a_phone_tells_in_one_look_what_happened_to_which_part_and_what_to_do(self, folder, browser):
        with Served(folder) as served, Looked(browser, (360, 640)) as looked:
            page = looked.open(served, "/duty").page
            commit(folder, 1, "rejected", first=9)
            page.locator(".now .v.rejected").wait_for()
            assert looked.text(".now .part") == "GV-0009"
            says = page.locator(".now .says")
            assert "allowed" in says.inner_text()
            assert "What to do: keep this part apart." in says.inner_text()
            box = says.bounding_box()
            assert box["y"] + box["height"] <= 320  # in the upper half, without scrolling
            looked.keep("duty-phone-one-look")
            # Of one that is held, while the line goes on, it is told too.
            commit(folder, 1, "conforms", first=10)
            page.locator(".now .v.conforms").wait_for()
            looked.click(page.locator(".strap button").first)
            page.locator(".now .part", has_text="GV-0009").wait_for()
            assert "What to do: keep this part apart." in says.inner_text()
            looked.is_sound()

    @pytest.mark.parametrize("width", [360, 768, 1180, 1340])
    def test_nothing_hangs_over_the_edge(self, folder, browser, width):
        with Served(folder) as served, Looked(browser, (width, 844)) as looked:
            looked.open(served, "/duty").page.locator(".readings .v").first.wait_for()
            looked.is_sound()


def test_a_lost_connection_is_ruled_under_the_head_and_nothing_is_missed(folder, browser):
    with Looked(browser) as looked:
        with Served(folder) as served:
            page = looked.open(served, "/duty").page
            page.locator(".now .part", has_text="GV-0004").wait_for()
            port = served.port
        page.locator("p[role=status]", has_text="The station does not answer. Its last word was at").wait_for()
        assert looked.text(".now .part") == "GV-0004"  # the old stays
        commit(folder, 3, "rejected", first=20)
        with Served(folder, port=port) as served:
            page.locator(".now .part", has_text="GV-0022").wait_for()
            page.locator("p[role=status]", has_text="The station does not answer").wait_for(state="detached")
            assert page.locator(".strap button").count() == 4
            looked.is_sound()


def test_a_picture_that_does_not_come_holds_up_no_number(folder, browser):
    with Served(folder) as served, Looked(browser) as looked:
        page = looked.open(served, "/duty").page
        page.locator(".picture canvas").wait_for()
        held_up = []
        page.route("**/preview?*", lambda route: held_up.append(route))  # and never answered
        for first in (20, 21):
            (seq,) = commit(folder, 1, "rejected", first=first)
            keep_picture(folder, seq)
            page.locator(".now .part", has_text=f"GV-00{first}").wait_for()
        assert held_up
        looked.says("Still the picture of record 4; that of this part has not come yet.")
        for route in held_up:
            route.abort()
        page.unroute("**/preview?*")
        page.locator(".over-note", has_text="Still the picture").wait_for(state="detached")
        page.locator(".titleblock", has_text=str(seq)).wait_for()
        page.locator(".picture canvas").wait_for()


def test_alarms_and_faults_are_told_with_what_to_do(folder, browser):
    fault = Told("fault", utc_now(), "camera top", "the folder is away", False, "", {}, {"top": "away"})
    about = {"format": "tiepoint/duty/1", "station": "hinge plates", "event": "alarm", "kind": "light",
             "about": "plate", "says": "The patch plate is 5 % darker.", "since_utc": utc_now(), "change": -0.05,
             "unit": "1", "next": "clean the lamp and its window", "why": ""}  # fmt: skip
    with saying(folder, fault), Served(folder) as served, Looked(browser, PHONE) as looked:
        page = looked.open(served, "/duty").page
        looked.says("see to its cable")
        assert "camera top The folder is away. What to do: see to its cable" in looked.text(".strapline")
        with Ledger(folder / "ledger.sqlite") as ledger:
            ledger.append("duty", {**about, "phase": "begins"})
        looked.says("clean the lamp")
        assert "5 % darker. What to do: clean the lamp and its window, look at its current" in looked.text(".alarm")
        page.locator('p[role="status"]', has_text="Alarm: The patch plate is 5 % darker.").wait_for()
        with Ledger(folder / "ledger.sqlite") as ledger:
            ledger.append("duty", {**about, "phase": "ends", "why": "settled"})
        looked.says("None is on.")
        # As the watch writes it, for a terminal too: who is at a page reads where to go there.
        says, next_ = "The fixed edges lie 2 px aside.", NEXT["position"]
        moved = {**about, "kind": "position", "about": "x", "says": f"{says} Next: {next_}.", "next": next_}
        assert "tiepoint tie target" in next_
        with Ledger(folder / "ledger.sqlite") as ledger:
            ledger.append("duty", {**moved, "phase": "begins"})
        looked.says("make the tie anew (by target, on the page Tie) and accept it")
        assert "tiepoint" not in looked.text(".alarm")
        looked.is_sound()


def test_an_alarm_that_ends_while_its_reason_is_typed_puts_no_other_act_in_its_place(folder, browser):
    """The first of the acts takes the station off duty: it must never stand where the settling of an alarm stood."""
    write_users(folder / "private" / "users.json", [User("weiss", "operate", hashed(PASSWORD))])
    now = Told("on duty", utc_now(), "", "", False, "", {}, {})
    about = {"format": "tiepoint/duty/1", "station": "hinge plates", "event": "alarm", "kind": "light",
             "about": "plate", "says": "Darker since 2026-11-27T08:59:01.009Z.", "since_utc": utc_now(),
             "change": -0.05, "unit": "1", "next": "clean the lamp and its window", "why": ""}  # fmt: skip
    with saying(folder, now), Served(folder) as served, Looked(browser, PHONE) as looked:
        commit(folder, 1, first=30)
        page = looked.open(served, "/duty").page
        looked.log_in("weiss", PASSWORD)
        with Ledger(folder / "ledger.sqlite") as ledger:
            ledger.append("duty", {**about, "phase": "begins"})
        looked.says("Darker since")
        assert "T08:59" not in looked.text(".alarm")  # by the clock on the wall, and not in UTC
        # What is wrong stands in the first look, though the part conforms.
        assert re.search(r"Alarm since .*: light plate\. What to do: clean the lamp", looked.text(".now .says"))
        looked.keep("duty-alarm-phone")
        looked.click(page.get_by_role("button", name="Settled…"))
        dialog = page.get_by_role("dialog")
        looked.type(dialog.get_by_label("Why"), "the window was wiped")
        with Ledger(folder / "ledger.sqlite") as ledger:
            ledger.append("duty", {**about, "phase": "ends", "why": "settled"})
        looked.says("This alarm is over meanwhile")
        assert dialog.get_by_role("radio", name="The cause of an alarm is gone").is_checked()
        assert dialog.get_by_role("button", name="Do it").is_disabled()
        assert dialog.get_by_label("Why").input_value() == "the window was wiped"
        looked.keep("duty-alarm-over")
        looked.click(dialog.get_by_role("button", name="Close"))
        # Nothing is chosen for a person, and what is missing is said in a sentence.
        looked.click(page.get_by_role("button", name="Act…"))
        assert dialog.get_by_role("radio", checked=True).count() == 0
        looked.click(dialog.get_by_role("button", name="Do it"))
        looked.says("Choose what is to be done.")
        looked.click(dialog.get_by_text("Another lot begins"))
        looked.type(dialog.get_by_label("Why"), "")
        looked.click(dialog.get_by_role("button", name="Do it"))
        looked.says("Name the lot.")
        looked.is_sound()


def test_beyond_this_machine_a_person_logs_in_on_the_page(folder, browser, monkeypatch):
    write_users(folder / "private" / "users.json", [User("weiss", "look", hashed(PASSWORD))])
    monkeypatch.setattr("tiepoint.web.settings.Settings.is_loopback", property(lambda _: False))
    monkeypatch.setattr("tiepoint.web.settings._demand_safe", lambda *_: None)
    with Served(folder) as served, Looked(browser) as looked:
        page = looked.open(served, "/duty").page
        looked.click(page.get_by_role("button", name="Log in").first)
        dialog = page.get_by_role("dialog", name="Log in")
        looked.type(dialog.get_by_label("Name"), "weiss")
        looked.type(dialog.get_by_label("Password"), "not the one at all")
        looked.click(dialog.get_by_role("button", name="Log in"))
        looked.says("name and password do not belong together")
        assert dialog.get_by_label("Name").input_value() == "weiss"  # what was typed is still there
        looked.type(dialog.get_by_label("Password"), PASSWORD)
        looked.click(dialog.get_by_role("button", name="Log in"))
        page.locator(".now .part", has_text="GV-0004").wait_for()
        assert page.get_by_role("button", name="Act…").count() == 0  # who only looks is offered no act
        looked.is_sound()
