"""The page Recipe as a person uses it: from an empty recipe on a bench shot to a judged plate, in a real browser."""

import json
import re
import tomllib

import numpy as np
import pytest
from tests.helpers import plate_on_the_bench
from tests.helpers.drafted_station import Asked
from tests.helpers.drafted_station import new_station as drafted
from tests.helpers.served import Served
from tests.helpers.workbench import PASSWORD, browser_for_pages
from tests.helpers.workbench import Person as Somebody

from tiepoint.bench.demo_bench import FIXTURE_MM
from tiepoint.cli.app import carry_out
from tiepoint.station.ledger import Ledger
from tiepoint.ties.document import from_document
from tiepoint.web.sessions import Local
from tiepoint.web.users import User, hashed, token_sha, write_users

PATH = "recipes/plate.toml"
MOST_ACTS = 30
"""Acts (presses, drags, fields) from an empty recipe to the judged plate; more would be a step back."""
browser = pytest.fixture(scope="module")(browser_for_pages)


class Person(Somebody):
    """Somebody who makes a recipe; what is drawn in the picture counts as an act too."""

    name = "recipe"

    def open(self, path="/recipe"):
        return super().open(path).log_in()

    def press(self, name, within=None, **how):
        (within or self.page).get_by_role("button", name=name, **how).first.click()
        self.acts += 1

    def card(self, kind):
        self.press(kind, within=self.page.locator(".card"), exact=True)

    def fill(self, label, text, within=None, **how):
        field = (within or self.page).get_by_label(label, **how).first
        field.fill(text)
        field.press("Enter")
        self.acts += 1

    def at(self, px):
        """Return where a pixel of the picture stands on the page, the picture being shown whole."""
        box = self.page.locator(".paper").bounding_box()
        size = self.page.evaluate("() => JSON.parse(sessionStorage.getItem('size') ?? 'null')") or self.size
        scale = min(box["width"] / size[0], box["height"] / size[1])
        middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        return tuple(m + (p - (s - 1) / 2) * scale for m, p, s in zip(middle, px, size, strict=True))

    def drag(self, start, end, steps=6):
        self.page.mouse.move(*self.at(start))
        self.page.mouse.down()
        self.page.mouse.move(*self.at(end), steps=steps)
        self.page.mouse.up()
        self.acts += 1

    def click(self, px):
        self.page.mouse.click(*self.at(px))
        self.acts += 1

    def row(self, name):
        return self.page.locator("table.steps tbody", has=self.page.get_by_role("button", name=name, exact=True))


def users_of(folder):
    users = [
        User("change", "change", hashed(PASSWORD), token_sha("change")),
        User("look", "look", None, token_sha("look")),
    ]
    write_users(folder / "private" / "users.json", users)


def pixels(folder, *part_mm):
    """Return where places of the plate's own frame stand in the picture, to the pixel or so."""
    tie = from_document(json.loads((folder / "ties" / "plane.json").read_text()), "tie")
    return tie.sight.to_px(np.array(part_mm, float) + FIXTURE_MM).tolist()


def test_a_plate_is_judged_by_a_recipe_that_was_empty_at_first(browser, tmp_path, capsys):
    folder = plate_on_the_bench.new_station(tmp_path / "plates")
    users_of(folder)
    truth = plate_on_the_bench.bench().plates[0].truth
    with Served(folder) as served:
        who = Person(browser, served)
        who.size = plate_on_the_bench.bench().size_px
        page = who.open().page
        dialog = page.get_by_role("dialog")
        who.keep("1-empty")

        page.get_by_text("A recipe says what is measured in a shot").first.wait_for()
        who.press("New recipe...")
        dialog.get_by_label("Name").fill("plate")
        dialog.get_by_label("Height of the surface").fill("3")
        dialog.get_by_label("Its standard u").fill("0.02")
        who.acts += 3
        who.press("Begin", within=dialog, exact=True)
        page.get_by_text("Nothing is measured yet").wait_for()

        # The find learns from where it is drawn.
        low, high = pixels(folder, (-4, -4), (64, 45))
        who.card("find")
        who.drag(low, high)
        who.row("find").get_by_text("share").or_(who.row("find").locator(".val")).first.wait_for()
        page.get_by_text("places on its outline").wait_for()
        who.keep("2-find")

        for name, x, rim in (("circle", 10, 12.25), ("circle 2", 48, 51)):
            who.card("circle")
            who.drag(*pixels(folder, (x, 12), (rim, 12)))
            who.row(name).wait_for()
        for name, low, high in (("circle", "4.4", "4.6"), ("circle 2", "5.9", "6.1")):
            who.press(name, within=page.locator("table.steps"), exact=True)
            page.get_by_label("Limit of", exact=True).select_option("diameter")
            who.acts += 1
            who.fill("Limit of diameter, at least", low)
            page.get_by_label("Limit of diameter, at most").first.wait_for()
            who.row(name).get_by_text(f"at least {float(low):g}").wait_for()
            who.fill("Limit of diameter, at most", high)
            who.row(name).get_by_text(f"{float(low):g} to {float(high):g}").wait_for()
        who.fill("Name", "bore B", within=page.locator(".side"), exact=True)
        who.row("bore B").wait_for()
        who.card("width")
        who.drag(*pixels(folder, (26, 22), (34, 30)))
        who.row("width").wait_for()
        page.get_by_label("Limit of", exact=True).select_option("width")
        who.acts += 1
        who.fill("Limit of width, at least", "4.9")
        who.row("width").get_by_text("at least 4.9").wait_for()
        who.fill("Limit of width, at most", "5.15")
        who.row("width").get_by_text("4.9 to 5.15").wait_for()
        who.card("distance")
        who.press("circle", within=page.locator("table.steps"), exact=True)
        who.press("bore B", within=page.locator("table.steps"), exact=True)
        who.row("distance").wait_for()
        page.locator(".side .headline .v.conforms").wait_for()
        who.keep("3-judged")
        assert who.acts <= MOST_ACTS

        # What the page says is what the truth of the bench is, and what the command says of the file.
        told = Asked(folder, served).tried(shot="shots/plates/plate-1.png")
        read = {s["name"]: s["readings"][0] for s in told["steps"]}
        for name, what in (("circle", "bore A diameter"), ("bore B", "bore B diameter"), ("width", "slot width"),
                           ("distance", "bore distance")):  # fmt: skip
            assert abs(read[name]["number"] - truth[what]) < 2 * read[name]["U95"], name
        out = tmp_path / "out"
        assert carry_out(["run", str(folder / PATH), str(folder / "shots/plates/plate-1.png"), "--out", str(out)]) == 0
        capsys.readouterr()
        record = json.loads((out / "records.jsonl").read_text())
        assert {r["step"]: r["value"] for r in record["readings"] if r["verdict"]} == {
            name: read[name]["number"] for name in ("circle", "bore B", "width")
        }
        draft = tomllib.loads((folder / PATH).read_text())
        assert [s.get("in", "plane") for s in draft["step"]] == ["plane", "find", "find", "find", "find"]
        who.done()


def test_a_dragged_region_is_read_while_it_moves_undone_and_run_over_the_folder(browser, tmp_path):
    folder = drafted(tmp_path / "plates")
    users_of(folder)
    text = (folder / PATH).read_text()
    with Served(folder) as served:
        who = Person(browser, served)
        who.size = (640, 480)
        page = who.open().page
        who.press("bore B", within=page.locator("table.steps"), exact=True)
        page.locator("[data-handle=outer]").wait_for()
        who.keep("4-drafted")
        # The ring is drawn in until it no longer holds the bore's edge: unread, and said so while the hand holds it.
        page.mouse.move(*who.at((460, 176)))
        page.mouse.down()
        page.mouse.move(*who.at((460, 210)), steps=8)
        who.row("bore B").get_by_text("unread").wait_for()
        assert (folder / PATH).read_text() == text
        page.mouse.move(*who.at((460, 180)), steps=8)
        page.mouse.up()
        who.row("bore B").get_by_text("diameter").wait_for()
        page.get_by_role("button", name="Undo").and_(page.locator(":enabled")).wait_for()
        assert "outer = 3.0" in (folder / PATH).read_text()
        page.keyboard.press("Control+z")
        page.get_by_text("radius 1.00 to 3.20 mm").wait_for()  # the page follows what was undone
        assert (folder / PATH).read_text() == text

        who.press("Run over a folder...")
        who.press("Run", within=page.get_by_role("dialog"), exact=True)
        page.get_by_text("the gravest first").wait_for()
        first = page.locator(".ran li").first
        assert "plate-2.png" in first.inner_text()
        assert "rejected" in first.inner_text()
        who.keep("5-folder")
        first.get_by_role("button").click()
        page.locator(".side .headline .v.rejected").wait_for()
        who.keep("6-rejected")

        # Somebody edits the file: it appears. Nonsense is said at its field, and what was typed stays.
        who.press("bore A", within=page.locator("table.steps"), exact=True)
        who.fill("Limit of diameter, at most", "0")
        page.locator(".field-say", has_text="upside down").first.wait_for()
        (folder / PATH).write_text(text.replace("4.50", "4.75"))
        page.locator(".side .headline .v.conforms").wait_for()
        page.reload()
        page.locator(".side .headline .v.conforms").wait_for()  # the same recipe and shot
        assert page.get_by_label("Shot", exact=True).input_value() == "shots/plates/plate-2.png"
        who.done()


def test_in_the_dark_it_is_the_same_page(browser, tmp_path):
    folder = drafted(tmp_path / "plates")
    users_of(folder)
    with Served(folder) as served:
        who = Person(browser, served, scheme="dark")
        page = who.open().page
        who.press("pitch", within=page.locator("table.steps"), exact=True)
        page.locator(".side .headline .v").wait_for()
        who.keep("7-dark")
        # A shot that cannot be read has no verdict: least of all that of the shot before.
        page.get_by_label("Shot", exact=True).select_option("shots/plates/plate-2.png")
        page.locator(".side .headline .v.rejected").wait_for()
        (folder / "shots/plates/plate-3.png").write_bytes(b"no picture at all")
        page.get_by_label("Shot", exact=True).select_option("shots/plates/plate-3.png")
        page.locator(".side .field-say", has_text="plate-3.png is not a picture that can be read").wait_for()
        who.keep("7-unreadable")
        assert page.locator(".side .headline .v").count() == 0
        assert page.locator("table.steps .v").count() == 0
        page.get_by_label("Shot", exact=True).select_option("shots/plates/plate-1.png")
        page.locator(".side .headline .v.conforms").wait_for()
        who.press("Accept revision 1...")
        page.get_by_role("dialog").get_by_text("Against what is accepted").wait_for()
        who.keep("8-accept")
        who.done()


def test_a_draft_is_accepted_with_its_reason_after_what_it_changes_was_seen(browser, tmp_path, capsys):
    folder = drafted(tmp_path / "plates")
    assert carry_out(["accept", str(folder), "--why", "first", "--who", "M. Weiss"]) == 0
    shots = [str(folder / "shots" / "plates" / f"plate-{k}.png") for k in (1, 2)]
    assert carry_out(["run", str(folder), *shots]) in (0, 1)  # one conforms, one is rejected
    capsys.readouterr()
    local = Local.named("M. Weiss")
    with Served(folder, local=local) as served:
        who = Person(browser, served)
        page, dialog = who.page, who.page.get_by_role("dialog")
        page.goto(f"http://{served.host}/recipe#key={local.key}")
        page.locator(".against", has_text="Nothing differs").wait_for()
        who.press("bore A", within=page.locator("table.steps"), exact=True)
        who.fill("Limit of diameter, at most", "4.7")
        against = page.locator(".against")
        against.locator("ins", has_text="upper = 4.7").wait_for()
        against.locator("del", has_text="upper = 4.50").wait_for()
        who.keep("9-against")

        who.press("Accept revision 2...")
        dialog.locator("ins", has_text="upper = 4.7").wait_for()
        who.press("Accept", within=dialog, exact=True)
        dialog.locator(".field-say", has_text="Say why").wait_for()
        with Ledger(folder / "ledger.sqlite") as ledger:
            assert ledger.last("act").body["why"] == "first"
        who.press("Judge the last 50 kept shots again")
        dialog.get_by_text("1 of the last 2 kept shots would get another verdict").wait_for()
        who.keep("10-what-it-would-change")
        dialog.get_by_label("Why").fill("the bore may be wider, HV-60 rev. C")
        who.press("Accept", within=dialog, exact=True)
        dialog.get_by_text("Accepted. Duty runs it").wait_for()
        with Ledger(folder / "ledger.sqlite") as ledger:
            act = ledger.last("act").body
        assert (act["act"], act["why"]) == ("accept", "the bore may be wider, HV-60 rev. C")
        assert any("upper = 4.7" in path.read_text() for path in (folder / "accepted").rglob("plate.toml"))
        who.press("Close", within=dialog, exact=True)
        page.locator(".against", has_text="Nothing differs").wait_for()
        who.done()


def test_an_outline_follows_the_hand_whatever_the_station_answers_late_and_inches_are_inches(browser, tmp_path):
    folder = drafted(tmp_path / "plates")
    users_of(folder)
    with Served(folder) as served:
        who = Person(browser, served)
        who.size = (640, 480)
        page = who.open().page
        who.press("bore A", within=page.locator("table.steps"), exact=True)
        page.locator("[data-handle=middle]").wait_for()
        held, late = [], [True]

        def hold(route):
            if late and route.request.post_data_json.get("live"):
                held.append(route)
            else:
                route.continue_()

        def asks(route):
            return route.url.endswith("/api/recipe/try") and route.post_data_json.get("live")

        page.route("**/api/recipe/try", hold)
        outline = page.locator("path.po.hand").first
        left = outline.bounding_box()["x"]
        px = who.at((301, 240))[0] - who.at((300, 240))[0]

        def moved():
            return (outline.bounding_box()["x"] - left) / px

        page.mouse.move(*who.at((300, 240)))
        page.mouse.down()
        with page.expect_request(asks):
            page.mouse.move(*who.at((310, 240)))
        assert abs(moved() - 10) < 0.6  # at once: the station has not answered
        page.mouse.move(*who.at((320, 240)))
        assert abs(moved() - 20) < 0.6
        late.clear()
        with page.expect_response("**/api/recipe/try"):  # of where the hand was before
            held.pop().continue_()
        assert abs(moved() - 20) < 0.6
        who.keep("11-held")
        page.mouse.up()
        assert abs(moved() - 20) < 0.6
        page.get_by_role("button", name="Undo").and_(page.locator(":enabled")).wait_for()
        # 20 px are 1 mm here, and the bore of the picture stayed where it was.
        assert tomllib.loads((folder / PATH).read_text())["step"][0]["region"]["ring"]["centre"] == [16.0, 12.0]
        page.locator("[data-handle=middle]").wait_for()
        assert abs(moved() - 20) < 0.6
        page.keyboard.press("Control+z")
        who.row("bore A").get_by_text("4.3 to 4.5").wait_for()

        # The same in inches: what is typed is in the unit that is shown, and the recipe keeps its own.
        page.get_by_role("radio", name="inch").click()
        who.row("bore B").get_by_text(re.compile(r"0\.157")).wait_for()  # 4 mm
        page.get_by_label("Limit of diameter, at most").first.fill("0.18")
        page.get_by_label("Limit of diameter, at most").first.press("Enter")
        who.row("bore A").get_by_text("to 0.18").wait_for()
        who.keep("12-inch")
        # 0.18 in are 4.572 mm exactly (1 in = 25.4 mm, 1959).
        assert tomllib.loads((folder / PATH).read_text())["step"][0]["limits"]["diameter"]["upper"] == 4.572
        who.done()
