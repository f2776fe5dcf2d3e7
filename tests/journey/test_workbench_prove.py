"""The page Prove as a person uses it: from an order to a claim that is shown, and the report, in a real browser."""

import contextlib
import io
import json
import tomllib

import pytest
from tests.contract.test_work_prove import DRAFT, Asked, serve, value_of
from tests.helpers.plain_bore import plain_tie
from tests.helpers.vent_station import new_station, picture
from tests.helpers.workbench import PASSWORD, PHONE, Person, browser_for_pages

from tiepoint.cli.main import main
from tiepoint.web.users import User, hashed, token_sha, write_users

browser = pytest.fixture(scope="module")(browser_for_pages)


class Prover(Person):
    """Somebody who follows a run sheet; a reading that is typed and confirmed is one act."""

    name = "prove"

    def open(self, path="/prove"):
        return super().open(path)

    def reading(self, text):
        self.page.locator(".run input").first.fill(text)
        self.page.keyboard.press("Enter")
        self.acts += 1


def cli(*words):
    """Run a command in this process."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()) as said:
        code = main([str(word) for word in words])
    assert code in (0, 1), said.getvalue()


@pytest.fixture
def accepted(tmp_path):
    """Return a station of bores whose drafts are accepted."""
    vent = new_station(tmp_path / "vent", plain_tie())
    cli("accept", vent.folder, "--why", "first acceptance", "--who", "M. Weiss")
    return vent


@pytest.fixture
def served(accepted):
    (accepted.folder / "requirements.toml").write_text(DRAFT, encoding="utf-8")
    with serve(accepted.folder) as served:
        users = [
            User("change", "change", hashed(PASSWORD), token_sha("change")),
            User("look", "look", hashed(PASSWORD), token_sha("look")),
        ]
        write_users(accepted.folder / "private" / "users.json", users)
        yield served


def test_from_an_order_to_a_claim_that_is_shown_and_the_report(browser, served, accepted):
    cli("run", accepted.folder, accepted.shots, "--variant", "thin")
    person, api = Prover(browser, served).open().log_in(), Asked(served)
    page = person.page
    # What is written down is agreed on, with a reason.
    person.click("Agree on what is written down")
    page.get_by_label("Title").wait_for()
    person.keep("order-light")
    person.click("Agree on this")
    page.get_by_text("requirement R1: new").wait_for()
    person.fill("Why", "order 7")
    person.click("Agree on this", exact=True)
    page.get_by_text("0 shown, 0 not shown, 5 not tried").wait_for()
    # What is not tried leads to its design, and that to a run sheet.
    person.click("Make a gauge R&R, bore.diameter")
    page.get_by_label("Characteristic").wait_for()
    assert page.get_by_label("Tolerance").input_value() == "0.2"
    page.get_by_label("What varies").fill("carrier")
    page.get_by_label("its levels").fill("A, B, C")
    page.keyboard.press("Tab")
    person.acts += 2
    page.get_by_text("90").first.wait_for()
    person.keep("design-light")
    person.click("Begin: gauge R&R")
    page.get_by_text("Run 1 of 90").first.wait_for()
    sheet = api.good("GET", "/sheets/rr-1")
    assert sheet["table"]["asked"]["most"] == 0.3
    assert page.locator(".part").inner_text() == sheet["rows"][0]["part"]
    # The first runs by hand: one after another by the keyboard alone.
    for k in range(3):
        page.get_by_text(f"Run {k + 1} of 90").first.wait_for()
        person.reading(value_of(sheet["rows"][k]))
    page.get_by_text("Run 4 of 90").first.wait_for()
    # Nonsense is said at the field, and stays in it.
    person.reading("four")
    page.get_by_text("give a number in mm").wait_for()
    assert page.locator(".run input").first.input_value() == "four"
    assert page.locator(".run input").first.get_attribute("aria-invalid") == "true"
    # A reload loses nothing, and shows the same sheet.
    page.reload()
    page.get_by_text("Run 4 of 90").first.wait_for()
    person.keep("sheet-light")
    for row in sheet["rows"][3:88]:
        path = f"/sheets/rr-1/runs/{row['run']}"
        api.good("PUT", path, {"cells": {"value": value_of(row)}, "was": {"value": ""}})
    page.get_by_text("Run 89 of 90").first.wait_for()  # what another wrote is here by itself
    person.reading(value_of(sheet["rows"][88]))
    page.get_by_text("Run 90 of 90").first.wait_for()
    person.reading(value_of(sheet["rows"][89]))
    page.get_by_text("Every run is taken.").wait_for()
    person.click("Make the study", exact=True)
    page.get_by_role("heading", name="Shown", exact=True).wait_for()
    page.get_by_text("1 shown, 0 not shown, 4 not tried").wait_for()
    says = api.good("GET", "")["studies"][0]["says"]
    page.get_by_text(says).first.wait_for()
    drawn = page.locator(".plate img").all()
    for image in drawn:
        wide, high = image.evaluate("one => one.decode().then(() => [one.naturalWidth, one.naturalHeight])")
        box, plate = image.bounding_box(), image.locator("xpath=..").bounding_box()
        assert wide > 100
        # It fills its plate, up to the edge of 12 px on either side: nothing is left white around the drawing.
        assert min(box["width"], box["height"] * wide / high) >= plate["width"] - 2 * 12 - 4
    # Drawings that stand side by side are equally high.
    assert drawn[0].bounding_box()["height"] == pytest.approx(drawn[1].bounding_box()["height"], abs=12)
    person.keep("study-light")
    person.click("Acceptance report")
    page.get_by_text("No report was made yet").wait_for()
    person.click("Make the report")
    page.get_by_role("link", name="Acceptance report, as a page").wait_for(timeout=240_000)
    person.keep("report-light")
    with person.context.expect_page() as opened:
        page.get_by_role("link", name="Acceptance report, as a page").click()
    person.acts += 1
    # On paper it opens from here, and from a phone on the floor.
    phone = Prover(browser, served, PHONE).open("/prove#report").log_in("look")
    for one in (person, phone):
        paper = one.page.get_by_role("link", name="on paper").last.get_attribute("href")
        told = one.context.request.get(f"http://{served.host}{paper}")
        assert told.headers["content-type"] == "application/pdf"
        assert told.body()[:5] == b"%PDF-"
    assert phone.overflows() <= 0
    phone.keep("report-phone")
    phone.done()
    report = opened.value
    report.click("#recompute-all")
    report.get_by_text("numbers worked out again: all the same").wait_for()
    # 5 readings are 5 acts; with 90 of them by hand it is 85 more.
    assert person.acts <= 22, person.acts
    person.done()


def test_two_pages_on_one_run_sheet(browser, served):
    api = Asked(served)
    api.good("POST", "/agree", {"why": "order 7"})
    wanted = {"of": "bore.diameter", "tolerance": 0.2, "factors": {"carrier": ["A", "B", "C"]}}
    api.good("POST", "/sheets", {"study": "rr", "wanted": wanted})
    person = Prover(browser, served).open("/prove#sheet=rr-1").log_in()
    page = person.page
    page.get_by_text("Run 1 of 90").first.wait_for()
    page.get_by_role("button", name="Change this run: 1", exact=True).click()
    field = page.locator(".run input").first
    field.fill("4.405")
    api.good("PUT", "/sheets/rr-1/runs/1", {"cells": {"value": "4.401"}})
    page.locator("tr.sel td", has_text="4.401").first.wait_for()
    assert field.input_value() == "4.405"  # what was typed stays
    # The page knows of it by now, so writing is meant; a page that did not hear of it is refused.
    page.route("**/api/prove/sheets/rr-1/runs/1", lambda route: route.continue_(
        post_data=json.dumps({"cells": {"value": "4.405"}, "was": {"value": ""}})), times=1)  # fmt: skip
    page.keyboard.press("Enter")
    page.get_by_text("was filled in meanwhile, on another page: it is 4.401; yours was not written").wait_for()
    person.keep("conflict-light")
    assert field.input_value() == "4.405"
    page.get_by_role("button", name="Write mine over it").click()
    page.get_by_text("Run 2 of 90").first.wait_for()
    assert api.good("GET", "/sheets/rr-1")["rows"][0]["cells"]["value"] == "4.405"
    person.done()


def test_a_trial_with_thumbnails_and_what_is_out_of_date(browser, served, accepted):
    api = Asked(served)
    api.good("POST", "/agree", {"why": "order 7"})
    cli("run", accepted.folder, accepted.shots, "--variant", "thin")
    shots = [
        picture(accepted.folder.parent / "brought" / f"p{k}.png", size, 40 + k)
        for k, size in enumerate((4.4, 4.7, 4.42))
    ]
    person = Prover(browser, served, scheme="dark").open("/prove").log_in()
    page = person.page
    person.click("Trial", exact=True)
    # Pictures are brought, and of each it is said what it is.
    page.get_by_label("Bring pictures").set_input_files(shots)
    person.acts += 1
    # What is no picture is said where it was brought, and stays said while the page reads on.
    page.locator("li", has_text="p2.png").wait_for()
    notes = accepted.folder.parent / "notes.txt"
    notes.write_text("three plates", encoding="utf-8")
    page.get_by_label("Bring pictures").set_input_files(notes)
    refused = page.get_by_role("alert").filter(has_text="notes.txt")
    refused.wait_for()
    for shot, word in (("p0.png", "good"), ("p1.png", "good"), ("p2.png", "bad")):
        parts = page.get_by_role("group", name=f"What the parts are: {shot}")
        parts.get_by_role("button", name=word).click()
        parts.get_by_role("button", name=word, pressed=True).wait_for()
        person.acts += 1
    person.fill("Class", "large")
    page.keyboard.press("Tab")
    page.get_by_text("3 of 3 said, 3 distinct parts").wait_for()
    assert refused.is_visible()
    # Two pictures of one part are one part.
    person.fill("Part: p1.png", "p0")
    page.keyboard.press("Tab")
    page.get_by_text("3 of 3 said, 2 distinct parts").wait_for()
    page.get_by_role("button", name="Try it").and_(page.locator(":enabled")).wait_for()
    person.keep("labels-dark")
    person.click("Try it")
    page.get_by_text("p2 is bad, large, and was judged: conforms").wait_for(timeout=120_000)
    thumbnails = page.locator(".wrong img")
    assert thumbnails.count() == 2
    for image in page.locator(".plate img").all():
        image.scroll_into_view_if_needed()
        assert image.evaluate("one => one.decode().then(() => one.naturalWidth)") > 100
    page.get_by_text("1 not shown").wait_for()
    person.keep("trial-dark")
    assert person.acts == 8
    accepted.change("outer = 3 ", "outer = 3.2 ")
    cli("accept", accepted.folder, "--why", "a wider ring")
    page.get_by_text("Out of date: what was accepted when it was made was replaced").wait_for()
    person.keep("stale-dark")
    person.done()


def test_an_empty_station_says_what_comes_first(browser, tmp_path):
    folder = tmp_path / "new"
    folder.mkdir()
    (folder / "station.toml").write_text('format = "tiepoint/station/1"\nname = "new"\n', encoding="utf-8")
    with serve(folder) as served:
        write_users(
            folder / "private" / "users.json", [User("change", "change", hashed(PASSWORD), token_sha("change"))]
        )
        person = Prover(browser, served).open().log_in()
        page = person.page
        person.click("Write down what is agreed")
        person.fill("Title", "Hinge plates for greenhouse vents")
        person.fill("Customer", "Assembly, line 4")
        page.get_by_role("button", name="Add a line").first.click()
        person.fill("Characteristic, 1", "bore A")
        person.fill("Reading, 1", "bore A.diameter")
        person.click("Write down", exact=True)
        page.get_by_text("missing; it must be stated").wait_for()
        assert page.get_by_text("characteristic[0]").count() == 0  # the field itself says where
        person.fill("Drawing, 1", "HV-60, C3")
        person.fill("from, 1", "4,6")
        person.fill("to, 1", "4.4")
        person.click("Write down", exact=True)
        page.get_by_text("give lower < upper").wait_for()
        assert page.get_by_label("from, 1").get_attribute("aria-invalid") == "true"
        person.keep("order-fault")
        assert page.get_by_label("Drawing, 1").input_value() == "HV-60, C3"
        person.fill("from, 1", "4.4")
        person.fill("to, 1", "4.6")
        person.click("Write down", exact=True)
        page.get_by_role("button", name="Agree on this").and_(page.locator(":enabled")).wait_for()
        path = folder / "requirements.toml"
        assert 'name = "bore A"' in path.read_text(encoding="utf-8")
        # What acts, what is done on duty, and who signs: all that the report tells.
        person.click("Add a line: What acts on the station")
        person.fill("Influence, 1", "light of the hall")
        person.click("Write down", exact=True)
        page.get_by_text("says neither tested, assumed nor excluded").wait_for()
        assert page.get_by_label("Range, or reason, 1").get_attribute("aria-invalid") == "true"
        person.fill("Range, or reason, 1", "300 to 900 lx")
        person.fill("Golden parts", "G1, G2")
        person.click("Add a line: After a change of")
        person.fill("After a change of, 1", "another lens")
        person.fill("is done again, 1", "rr, lengths")
        for k, role in enumerate(("For the supplier", "For the customer"), 1):
            person.click("Add a line: Who signs")
            person.fill(f"As what, {k}", role)
        person.keep("order-whole")
        person.click("Write down", exact=True)
        page.get_by_role("button", name="Agree on this").and_(page.locator(":enabled")).wait_for()
        found = tomllib.loads(path.read_text(encoding="utf-8"))
        assert found["influence"] == [{"name": "light of the hall", "tested": "300 to 900 lx"}]
        assert found["control"] == {
            "golden": ["G1", "G2"],
            "again": [{"change": "another lens", "tests": ["rr", "lengths"]}],
        }
        assert [one["role"] for one in found["signature"]] == ["For the supplier", "For the customer"]
        person.done()


def test_limits_are_made_from_the_page_and_a_touch_test_where_the_robot_is_tied(browser, served):
    api = Asked(served)
    api.good("POST", "/agree", {"why": "order 7"})
    person = Prover(browser, served).open("/prove#limits").log_in()
    page = person.page
    page.get_by_label("How parts vary").select_option("stated")
    for label, text in (("Mean", "4.4"), ("Standard deviation", "much"), ("u of each part's own", "0,002")):
        person.fill(label, text)
    person.click("Set the limits")
    page.get_by_text("much is no number").wait_for()
    person.fill("Standard deviation", "0.02")
    assert page.get_by_label("Lower limit").input_value() == "4.3"  # as the drawing has it
    person.fill("Bad and accepted, at most", "1")
    person.keep("limits-light")
    person.click("Set the limits")
    page.get_by_role("heading", name="Shown", exact=True).wait_for()
    person.keep("limits-study")
    person.page.get_by_role("link", name="Touch test").click()  # a robot is touched where it is tied
    page.get_by_role("radio", name="robot").and_(page.locator("[aria-checked=true]")).wait_for()
    assert [study["kind"] for study in api.good("GET", "")["studies"]] == ["limits"]
    person.done()
