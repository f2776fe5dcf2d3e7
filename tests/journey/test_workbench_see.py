"""The page See as a person uses it, at a desk and on a phone: aimed and focused on the bench, and held as accepted."""

from contextlib import contextmanager

import cv2
import numpy as np
import pytest
from tests.helpers.looked_at import DESK, PHONE, Looked
from tests.helpers.served import Served, new_station
from tests.helpers.workbench import browser_for_pages, let_in
from tests.unit.test_work_see import a_station, drop

from tiepoint.bench.demo_bench import demo_target
from tiepoint.bench.station import BenchStation, View
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
from tiepoint.station.lock import DUTY, WriterLock

browser = pytest.fixture(scope="module")(browser_for_pages)


@pytest.fixture(scope="module")
def photo():
    bench = BenchStation(View(tilt_deg=0, roll_deg=0), width_px=816, height_px=684, pixel_um=10.35)
    return bench.photograph_target(demo_target(), 1).picture


def with_a_person(folder):
    """Give a station users who log in by a password."""
    let_in(folder)
    return folder


class Seer(Looked):
    """Who aims and focuses: what is typed is given by Enter."""

    name = "see"

    def type(self, found, text):
        super().type(found, text)
        found.press("Enter")

    def field(self, name):
        return self.page.get_by_role("textbox", name=name, exact=True)


@contextmanager
def a_person(browser, served, size=DESK, scheme="light", where="/see"):
    with Seer(browser, size, scheme) as person:
        yield person.open(served, where)
        person.is_sound()


def tickets(page):
    return page.locator("g.ticket")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_newcomer_sees_well_at_the_bench(browser, tmp_path, scheme):
    folder = with_a_person(new_station(tmp_path / "empty"))
    with Served(folder, requests_per_s=500) as served, a_person(browser, served, scheme=scheme) as person:
        page = person.page
        page.get_by_text("No camera is named yet.").wait_for()
        person.click(page.get_by_role("button", name="Look at the bench"))
        tickets(page).nth(4).wait_for()
        say = page.locator("#numbers .say")
        assert say.inner_text().startswith("Not yet.")
        assert tickets(page).filter(has_text="too soft").count() >= 1
        # Who only looks sets nothing.
        assert person.field("Exposure").count() == 0
        person.keep(f"desk-begun-{scheme}")
        person.log_in()
        person.type(person.field("Exposure"), "soon")
        page.get_by_text("soon is no number; give one, as 4.0").wait_for()
        assert person.field("Exposure").input_value() == "soon"
        person.type(person.field("Focus at"), "9000")
        page.get_by_text("the focus of the bench cannot be 9000; give 200 to 1000").wait_for()
        assert person.field("Focus at").input_value() == "9000"
        for name, value in (
            ("Focus at", "400"), ("Iris f/", "5.6"), ("Lean", "0"), ("Light of the room", "0"), ("Exposure", "2,1"),
        ):  # fmt: skip
            person.type(person.field(name), value)
        page.locator("#numbers .say", has_text="Good. It is sharp at all five places").wait_for()
        assert tickets(page).filter(has_text="too soft").count() == 0
        assert page.locator("#numbers tr.lead").count() == 0
        page.get_by_role("img", name="Circular level: the camera leans").wait_for()
        assert (
            page.get_by_role("button", name="Hold as accepted…").count() == 0
        )  # the bench is no camera of the station
        person.keep(f"desk-good-{scheme}")
        assert person.acts <= 9
        # What was agreed is typed, refused at its field, and kept.
        person.click(page.get_by_role("button", name="What was agreed…"))
        person.type(person.field("Edge width at most"), "wide")
        person.click(page.get_by_role("button", name="Agree", exact=True))
        page.get_by_text("wide is no number").wait_for()
        person.type(person.field("Edge width at most"), "9.5")
        person.keep(f"desk-agreed-{scheme}")
        person.click(page.get_by_role("button", name="Agree", exact=True))
        page.get_by_role("columnheader", name="At most 9.5").wait_for()
        assert open_station(folder).table.see.width_px == 9.5
        # Each lamp alone: a shot to work on.
        person.click(page.get_by_role("button", name="in turn"))
        page.get_by_text("one under each lamp, are the shot lamps-").wait_for()
        assert len(list((folder / "pictures/shots").glob("lamps-*/*.png"))) > 1
        # Nothing is lost on reload: it looks at the same place, as it was set.
        page.reload()
        page.locator("#numbers .say", has_text="Good.").wait_for()
        assert person.field("Iris f/").input_value() == "5.6"


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_a_camera_is_named_on_the_page_and_its_first_picture_is_seen(browser, photo, tmp_path, size):
    folder = with_a_person(new_station(tmp_path / "empty"))
    with Served(folder, requests_per_s=500) as served, a_person(browser, served, size=size) as person:
        page = person.page
        page.get_by_text("No camera is named yet.").wait_for()
        person.log_in()
        person.click(page.get_by_role("button", name="Cameras…").first)
        form = page.get_by_role("dialog", name="The station's cameras")
        form.get_by_label("Its name").fill("top")
        form.get_by_label("Names of its files").fill("{part}.png")
        person.click(form.get_by_role("button", name="Name it"))
        form.get_by_text("folder.path").wait_for()  # the first that is wrong, at its field
        form.get_by_label("Folder, seen from the station's").fill("incoming")
        person.click(form.get_by_role("button", name="Name it"))
        form.locator(".field-say", has_text="folder.names").wait_for()
        person.keep(f"camera-refused-{size[0]}")
        form.get_by_label("Names of its files").fill("{part_id}.png")
        person.click(form.get_by_role("button", name="Name it"))
        form.wait_for(state="hidden")
        assert open_station(folder).table.camera[0].folder.names == "{part_id}.png"
        (folder / "incoming").mkdir(exist_ok=True)
        drop(folder, photo, 1)
        tickets(page).first.wait_for()
        assert page.locator("#see-from").input_value() == "camera:top"
        # It is changed where it was named, and undone like any edit.
        person.click(page.get_by_role("button", name="Cameras…").first)
        form.locator("select").first.select_option("top")
        assert form.get_by_label("Names of its files").input_value() == "{part_id}.png"
        form.get_by_label("Its pictures").select_option("push")
        person.keep(f"camera-pushed-{size[0]}")
        person.click(form.get_by_role("button", name="Change it"))
        form.wait_for(state="hidden")
        assert open_station(folder).table.camera[0].comes_from == "push"
        page.locator('button[title="Undo: Change the camera top"]').wait_for(state="attached")
        page.keyboard.press("Control+z")
        page.locator('button[title="Undo: Name the camera top"]').wait_for(state="attached")
        assert open_station(folder).table.camera[0].comes_from == "folder"


def test_what_is_seen_is_held_with_a_reason(browser, photo, tmp_path):
    folder = with_a_person(a_station(tmp_path / "s"))
    rng = np.random.default_rng(5)

    def noisy(picture=photo):
        return np.clip(picture + rng.normal(0, 1, picture.shape), 0, 255).astype(np.uint8)

    with Served(folder, requests_per_s=500) as served, a_person(browser, served) as person:
        page = person.page
        drop(folder, noisy(), 1)
        page.get_by_text("p1.png").wait_for()
        person.log_in()
        hold = page.get_by_role("button", name="Hold as accepted…")
        person.click(hold)
        person.type(page.get_by_label("Why"), "aimed and focused")
        page.get_by_text("1 of at least 5 pictures are there to be held").wait_for()
        assert page.get_by_label("Why").input_value() == "aimed and focused"
        for k in range(2, 7):
            drop(folder, noisy(), k)
            page.get_by_text(f"p{k}.png").wait_for()
        person.click(page.get_by_role("button", name="Hold", exact=True))
        page.get_by_text("Held as accepted, 6 pictures.").wait_for()
        page.get_by_role("button", name="Compare with held").wait_for()
        drop(folder, noisy(cv2.GaussianBlur(photo, (0, 0), 1.3)), 9)
        page.get_by_text("p9.png").wait_for()
        page.get_by_text("not as held").first.wait_for()
        page.locator("nav").get_by_text("not as held").first.wait_for()
        page.locator("path.held-c").first.wait_for()
        person.keep("desk-not-as-held")
        assert person.acts <= 3
    with Ledger(open_station(folder).ledger_place) as ledger:
        act = ledger.last("act").body
    assert (act["act"], act["who"], act["why"]) == ("hold", "change", "aimed and focused")


def test_a_persons_own_picture_is_looked_at(browser, photo, tmp_path):
    folder = with_a_person(new_station(tmp_path / "s"))
    mine, wrong = tmp_path / "mine.png", tmp_path / "notes.png"
    cv2.imwrite(str(mine), photo)
    wrong.write_text("no picture", encoding="utf-8")
    with Served(folder, requests_per_s=500) as served, a_person(browser, served) as person:
        page = person.page
        person.log_in()
        page.locator("input[type=file]").set_input_files(wrong)
        page.locator(".tools [role=alert]").wait_for()
        assert "notes.png" in page.locator(".tools [role=alert]").inner_text()
        page.locator("input[type=file]").set_input_files(mine)
        tickets(page).nth(4).wait_for()
        page.get_by_text("No printed target of this station is seen whole.").wait_for()


def test_a_picture_that_is_handed_over_while_another_place_is_looked_at_takes_its_place(browser, photo, tmp_path):
    folder, mine = with_a_person(new_station(tmp_path / "s")), tmp_path / "mine.png"
    cv2.imwrite(str(mine), photo)
    with Served(folder, requests_per_s=500) as served, a_person(browser, served) as person:
        page = person.page
        person.log_in()
        assert page.get_by_label("From").locator("option:checked").inner_text() == "choose"
        person.click(page.get_by_role("button", name="Look at the bench"))
        person.field("Focus at").wait_for()
        page.locator("input[type=file]").set_input_files(mine)
        page.get_by_text("mine.png, taken").wait_for()
        assert page.get_by_label("From").locator("option:checked").inner_text() == "pictures handed over"
        assert person.field("Focus at").count() == 0  # nothing of the bench is left in sight
        # Taken back, nothing of it is shown under another name.
        person.click(page.get_by_role("button", name="Undo"))
        page.get_by_text("No camera is named yet.").wait_for()
        assert tickets(page).count() == 0


@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (360, "dark")])
def test_on_a_phone_beside_the_camera(browser, tmp_path, width, scheme):
    folder = with_a_person(new_station(tmp_path / "s"))
    with (
        Served(folder, requests_per_s=500) as served,
        a_person(browser, served, (width, PHONE[1]), scheme, "/see?from=bench") as person,
    ):
        page = person.page
        tickets(page).nth(4).wait_for()
        page.locator(".say", has_text="Not yet.").first.wait_for()
        boxes = [one.locator("rect").bounding_box() for one in tickets(page).all()]
        for k, a in enumerate(boxes):
            for b in boxes[k + 1 :]:
                apart_x = abs(a["x"] - b["x"]) >= min(a["width"], b["width"]) - 1
                apart_y = abs(a["y"] - b["y"]) >= min(a["height"], b["height"]) - 1
                assert apart_x or apart_y
        person.keep(f"phone-{width}-{scheme}")
        page.locator("#numbers").scroll_into_view_if_needed()
        person.keep(f"phone-numbers-{width}-{scheme}")


def test_who_looks_while_the_line_runs_is_told_to_lay_nothing_there(browser, photo, tmp_path):
    folder = a_station(tmp_path / "s")
    drop(folder, photo[:, :300], 1)  # not the whole target, so that a desk would be told to lay one there
    where = "/see?from=camera%3Atop"
    with WriterLock(folder, DUTY), Served(folder) as served, a_person(browser, served, PHONE, where=where) as person:
        page = person.page
        page.get_by_text("The line runs: lay nothing there").wait_for()
        assert page.get_by_text("Lay a printed target there").count() == 0
