"""The whole job in a browser: from an empty folder to an accepted station on duty, its report and its evidence."""

import re
import subprocess
from collections import Counter
from dataclasses import dataclass, field, replace
from functools import cached_property

import cv2
import numpy as np
import pytest
from playwright.sync_api import expect
from tests.contract.test_open import Opened
from tests.helpers.served_station import CAMERA
from tests.helpers.served_station import Served as OnDuty
from tests.helpers.workbench import Person, browser_for_pages

from tiepoint.bench.marked import lot_of, marked_face
from tiepoint.bench.marked_station import MarkedStation, close_up
from tiepoint.bench.place import Place
from tiepoint.bench.plate import DEFECTS, individual
from tiepoint.bench.printing import Rule, print_target
from tiepoint.bench.station import BenchStation
from tiepoint.documents.files import read_document
from tiepoint.documents.pictures import encode_png
from tiepoint.render.camera import project, unproject
from tiepoint.targets.document import from_document

SIZE_PX = (1280, 960)
PARTS = 5
"""Good ones and bad ones each: so many show that no more than half of either is judged wrongly."""
MOST_ACTS = 95
"""Acts of the whole job (presses, fields, drags, drops); more would be a step back."""

browser = pytest.fixture(scope="module")(browser_for_pages)


@dataclass(frozen=True)
class Bench:
    """What is truly there: a camera of 1.2 MP, a printed target, plates whose faces lie in the target's plane."""

    camera: BenchStation = field(
        default_factory=lambda: BenchStation(width_px=SIZE_PX[0], height_px=SIZE_PX[1], pixel_um=6.6)
    )

    @cached_property
    def plates(self):
        rng, wrong = np.random.default_rng(4), ("bore A oversize", "slot too wide")
        made = {f"good {k}": individual("standard", rng) for k in range(1, PARTS + 1)}
        return made | {f"bad {k}": DEFECTS[wrong[k % 2]](individual("standard", rng)) for k in range(1, PARTS + 1)}

    @cached_property
    def photos(self):
        place = Place(30.0, 25.0)
        return {
            name: self.camera.photograph_plate(plate, place, 700 + k)
            for k, (name, plate) in enumerate(self.plates.items())
        }

    def png(self, name):
        return encode_png(self.photos[name].picture)

    def px(self, name, *places_mm):
        """Return where places of a plate's own frame are seen, as a person sees them."""
        at = self.photos[name].place.to_plane(np.array(places_mm, float))
        return project(self.camera.camera, np.column_stack([at, np.zeros(len(at))])).tolist()

    def mm_between(self, *ends_px):
        """Return how far two pixels truly lie apart in the plane."""
        return float(np.hypot(*np.diff(unproject(self.camera.camera, np.array(ends_px, float))[:, :2], axis=0)[0]))


class Newcomer(Person):
    """Who has never been here; acts are counted by page."""

    name = "whole"

    def __init__(self, browser, served):
        super().__init__(browser, served)
        self.page.set_default_timeout(240_000)  # what is compiled when it is first used takes minutes on a busy machine
        self.by_page, self._before, self._at = Counter(), 0, ""

    def go(self, to):
        """Go to a page by its stage; what was done is written to the page before."""
        self.by_page[self._at] += self.acts - self._before
        self._before, self._at = self.acts, to
        if to:
            self.page.locator(f"nav.trav a[href='/{to}']").click()
            self.acts += 1

    def stage(self, of, state):
        """Wait until a stage along the top says its state."""
        self.page.locator(f"nav.trav a[href='/{of}'][aria-label*=': {state}']").wait_for()

    def typed(self, label, text, within=None):
        cell = (within or self.page).get_by_label(label, exact=True).first
        cell.fill(text)
        cell.press("Enter")
        self.acts += 1

    def bring(self, **files):
        sent = [{"name": name, "mimeType": "image/png", "buffer": data} for name, data in files.items()]
        self.page.locator("main input[type=file]").first.set_input_files(sent)
        self.acts += 1

    def at(self, px):
        """Return where a pixel of the picture, shown whole, is on the page."""
        box = self.page.locator(".picture canvas").first.bounding_box()
        scale = min(box["width"] / SIZE_PX[0], box["height"] / SIZE_PX[1])
        middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        return tuple(m + (p - (n - 1) / 2) * scale for m, p, n in zip(middle, px, SIZE_PX, strict=True))

    def drag(self, start, end):
        self.page.mouse.move(*self.at(start))
        self.page.mouse.down()
        self.page.mouse.move(*self.at(end), steps=6)
        self.page.mouse.up()
        self.acts += 1

    def row(self, name):
        return self.page.locator("table.steps tbody", has=self.page.get_by_role("button", name=name, exact=True))

    def step(self, kind, start, end, quantity, low, high, name):
        """Draw a step, give it limits and a name."""
        self.page.locator(".card").get_by_role("button", name=kind, exact=True).click()
        self.acts += 1
        self.drag(start, end)
        self.row(kind).wait_for()
        self.page.get_by_label("Limit of", exact=True).select_option(quantity)
        self.acts += 1
        self.typed(f"Limit of {quantity}, at least", low)
        self.row(kind).get_by_text(f"at least {low}").wait_for()
        self.typed(f"Limit of {quantity}, at most", high)
        self.row(kind).get_by_text(f"{low} to {high}").wait_for()
        self.typed("Name", name, self.page.locator(".side"))
        self.row(name).wait_for()


def numbers(text):
    return [float(one.replace("−", "-")) for one in re.findall(r"−?\d+(?:\.\d+)?", text)]


def see(person, bench):
    """Hand over how the camera sees a chart, and hold it."""
    from tiepoint.bench.demo_bench import demo_target

    picture = bench.camera.photograph_target(demo_target(), 5).picture
    rng = np.random.default_rng(1)
    noisy = [np.clip(picture + rng.normal(0, 1, picture.shape), 0, 255).astype(np.uint8) for _ in range(6)]
    person.bring(**{f"aim-{k}.png": cv2.imencode(".png", one)[1].tobytes() for k, one in enumerate(noisy)})
    person.page.locator("#numbers .sidehead", has_text="± by the last 6").wait_for()
    person.stage("see", "begun")
    assert person.page.locator("g.ticket").count() == 5
    person.click("Hold as accepted…")
    person.typed("Why", "aimed and focused", person.page.get_by_role("dialog"))
    person.page.get_by_text("Held as accepted, 6 pictures.").wait_for()
    person.stage("see", "proved")
    person.keep("see")


def plan(person):
    """Say the part, and have the planned camera photograph it."""
    person.click("Begin with the part")
    page = person.page
    page.get_by_text("More of the sensor").click()
    person.acts += 1
    for label, text in (
        ("Size, long by short side", "60 x 40"), ("Tolerance, ±", "0.2"), ("Stand-off", "400"), ("Focal length", "25"),
        ("Pixels", "1280 x 960"),
    ):  # fmt: skip
        person.typed(label, text)
    with page.expect_response(lambda r: r.request.method == "PUT" and "6.6" in (r.request.post_data or "")):
        person.typed("Pitch of a pixel", "6.6")
    person.click("Photograph with this camera")
    page.get_by_role("heading", name="Foreseen on its pictures", exact=True).wait_for()
    person.keep("plan")


def tie(person, bench, folder):
    """Print a target for the field of the plan, photograph it where the plates' faces lie, and read a length."""
    page = person.page
    page.get_by_label("Field of view, width").wait_for()
    expect(page.get_by_label("Field of view, width")).not_to_have_value("")
    person.click("What to print?")
    page.get_by_text("squares of").first.wait_for()
    person.click("Draw it")
    page.get_by_label("Bar along the lower edge").wait_for()
    drawn = from_document(read_document(folder / "targets" / "target.json", "target"), "target")
    real = print_target(drawn, 3, rule=Rule("glass scale no 4", 2e-5, 0.015, 0.005))
    for label, text in (
        ("Bar along the lower edge", f"{real.reading_x_mm}"), ("Bar along the left edge", f"{real.reading_y_mm}"),
        ("Standard uncertainty of one bar", f"{real.u_mm}"), ("What the bars were measured with", real.rule.name),
        ("Lens to target, its u", "5"),
    ):  # fmt: skip
        person.fill(label, text)
    person.click("Keep")
    page.get_by_text("both axes are corrected").first.wait_for()
    corner = Place(60 - drawn.size_mm[0] / 2, 45 - drawn.size_mm[1] / 2)
    person.bring(**{"photo.png": encode_png(bench.camera.photograph_target(real, 5, corner).picture)})
    page.locator("path.cont").first.wait_for()
    # The tolerance of the plan is the one that it has to serve.
    page.locator("section", has_text="Good enough for").locator(".say.big").wait_for()
    ends = (300, 640), (900, 300)
    for end in ends:
        page.mouse.click(*person.at(end))
        person.acts += 1
    row = page.locator("section", has_text="Length between two points").locator("tr", has=page.locator("td.val"))
    row.wait_for()
    told = numbers(row.locator("th").inner_text())
    value, half = numbers(" ".join(row.locator("td").all_inner_texts()))[:2]
    # U is at 95 %; the pixels are told to a tenth (0.007 mm at each end).
    assert abs(value - bench.mm_between(told[:2], told[2:4])) <= 1.5 * half + 0.014
    person.stage("tie", "begun")
    person.keep("tie")


def light(person):
    """Look at a face that is lit from four sides."""
    person.click("Begin with four lamps")
    person.page.get_by_label("Azimuth, east").wait_for()
    close = close_up()
    small = MarkedStation(replace(close, width_px=680, height_px=450, pixel_um=6.9))
    lit = small.photograph(marked_face(1, 3, "", lot_of(3)), 31).shot.pictures
    person.bring(
        **{f"{k}-{lamp.id}.png": encode_png(one) for k, (lamp, one) in enumerate(zip(small.lamps, lit, strict=True))}
    )
    person.page.get_by_role("button", name="relief").first.wait_for()
    person.stage("light", "begun")
    person.keep("light")


def recipe(person, bench):
    """Teach, draw, give limits, run over the folder, accept."""
    page, dialog = person.page, person.page.get_by_role("dialog")
    person.click("New recipe...")
    for label, text in (("Name", "plate"), ("Height of the surface", "0"), ("Its standard u", "0.02")):
        dialog.get_by_label(label).fill(text)
        person.acts += 1
    dialog.get_by_role("button", name="Begin", exact=True).click()
    person.acts += 1
    # The shot of the page Light is one shot here, and not four pictures.
    page.locator("#recipe-shot option[value^='pictures/shots/shot-']").wait_for(state="attached")
    assert page.locator("#recipe-shot option").count() == 1
    names = ("good 1", "good 2", "bad 1")
    person.bring(**{f"{name}.png": bench.png(name) for name in names})
    expect(page.locator("#recipe-shot")).to_have_value("pictures/shots/good 1.png", timeout=240_000)
    page.get_by_text("Nothing is measured yet").wait_for()
    page.locator(".card").get_by_role("button", name="find", exact=True).click()
    person.acts += 1
    person.drag(*bench.px("good 1", (-4, -4), (64, 45)))
    page.get_by_text("places on its outline").wait_for()
    person.step("circle", *bench.px("good 1", (10, 12), (12.25, 12)), "diameter", "4.4", "4.6", "bore A")
    person.step("width", *bench.px("good 1", (26, 22), (34, 30)), "width", "4.9", "5.15", "slot")
    page.locator(".side .headline .v.conforms").wait_for()
    for name, what in (("bore A", "bore A diameter"), ("slot", "slot width")):
        cells = person.row(name).locator("td.val, td.pm")
        value, half = numbers(" ".join(cells.all_inner_texts()))[:2]
        assert abs(value - bench.plates["good 1"].truth[what]) <= 2 * half, name
    person.click("Run over a folder...")
    dialog.get_by_role("button", name="Run", exact=True).click()
    person.acts += 1
    page.get_by_text("the gravest first").wait_for()
    assert "bad 1.png" in page.locator(".ran li").first.inner_text()
    person.keep("recipe")
    person.click(re.compile("^Accept revision"))
    dialog.get_by_label("Why").fill("first acceptance")
    dialog.get_by_role("button", name="Accept", exact=True).click()
    person.acts += 2
    page.get_by_text("Accepted. Duty runs it from now on.").wait_for()
    dialog.get_by_role("button", name="Close").click()
    person.acts += 1
    person.stage("duty", "off duty")
    person.stage("see", "proved")  # what was held is not out of date by the first acceptance
    person.stage("plan", "proved")  # the tie is of the camera that was planned


def prove(person, bench, duty):
    """Agree, design a trial of few parts, show them as its run sheet says, and have the report made."""
    page = person.page
    person.click("Write down what is agreed")
    person.fill("Title", "Hinge plates for greenhouse vents")
    person.fill("Customer", "Assembly, line 4")
    person.click("Add a line")
    # What the recipe judges is offered with its limits.
    assert page.get_by_label("Reading, 1", exact=True).input_value() == "bore A.diameter"
    assert page.get_by_label("from, 1", exact=True).input_value() == "4.4"
    person.fill("Drawing, 1", "GV-82 / 1")
    page.get_by_role("button", name="Add a line").nth(1).click()
    person.acts += 1
    person.fill("Requirement, 1", "No more than half of the bad plates pass.")
    page.get_by_label("By, 1").select_option("trial")
    person.fill("Of, 1", "escapes")
    page.get_by_role("textbox", name="Limit, 1").fill("50")
    person.acts += 2
    person.click("Write down", exact=True)
    page.get_by_role("button", name="Agree on this").and_(page.locator(":enabled")).wait_for()
    person.click("Agree on this")
    person.fill("Why", "order 7")
    person.click("Agree on this", exact=True)
    page.get_by_text("0 shown, 0 not shown, 1 not tried").wait_for()
    person.click("Design a study")
    page.get_by_label("False rejects at most").wait_for()
    person.typed("False rejects at most", "50")
    page.locator("tr", has_text="trial").get_by_role("cell", name=str(2 * PARTS), exact=True).first.wait_for()
    person.click("Begin: trial")
    for k in range(1, 2 * PARTS + 1):
        page.get_by_text(f"Run {k} of {2 * PARTS}").first.wait_for()
        part = page.locator(".part").inner_text()
        duty.drop(f"plate-{k:02}.png", bench.png(part))  # the part is put in, and the station judges it
        page.locator(".records li", has_text=f"plate-{k:02}").wait_for()
        page.keyboard.press("r")
        person.acts += 1
    page.get_by_text("Every run is taken.").wait_for()
    person.keep("sheet")
    person.click("Make the study", exact=True)
    page.get_by_role("heading", name="Shown", exact=True).wait_for()
    page.get_by_text(f"0 of {PARTS} bad parts passed").first.wait_for()
    page.get_by_text("1 shown, 0 not shown, 0 not tried").wait_for()
    for stage in ("prove", "recipe"):
        person.stage(stage, "proved")
    person.keep("study")
    person.click("Acceptance report")
    person.click("Make the report")
    link = page.get_by_role("link", name="Acceptance report, on paper")
    link.wait_for()
    person.keep("report")
    return page.request.get(f"http://{person.served.host}{link.get_attribute('href')}").body()


def demand_report(pdf, path):
    """Read the report as anybody would: it names the station, its tie, and the claim that is shown."""
    path.write_bytes(pdf)
    text = subprocess.run(["pdftotext", path, "-"], check=True, capture_output=True, text=True).stdout
    flat = " ".join(text.split())
    for words in ("hinge plates", "plane.json", "No more than half of the bad plates pass.", "GV-82 / 1"):
        assert words in flat, words


def on_duty(person, bench, duty):
    """See a part that is shown while the page is open, with its reading beside the truth."""
    page = person.page
    duty.drop("last.png", bench.png("good 3"))
    page.locator(".now .part", has_text="last").wait_for()
    page.locator(".now .v.conforms").wait_for()
    (reading,) = [r for r in duty.record_of("last").body["readings"] if r["id"] == "bore A.diameter"]
    assert abs(reading["value"] - bench.plates["good 3"].truth["bore A diameter"]) <= reading["U95"]
    person.stage("duty", "on duty")
    person.keep("duty")


def evidence(person):
    """Find the part, and verify that nothing was altered."""
    page = person.page
    person.typed("Part", "last", page.get_by_role("form", name="Search"))
    person.click("Search")
    expect(page.locator(".found tbody .choose")).to_have_count(1, timeout=60_000)
    person.click("Look through the evidence")
    page.get_by_text("All of it is as it was.").wait_for()
    person.keep("evidence")
    person.stage("evidence", "begun")


def test_a_newcomer_goes_from_an_empty_folder_to_an_accepted_station(browser, tmp_path):
    folder, bench = tmp_path / "hinge plates", Bench()
    with Opened(folder) as opened:
        opened.host = f"127.0.0.1:{opened.port}"
        person = Newcomer(browser, opened).open(f"/see#key={opened.key}")
        person.page.get_by_role("button", name="Undo").wait_for()
        for stage in ("see", "plan", "tie", "light", "recipe", "prove", "duty", "evidence"):
            person.stage(stage, "empty")
        person.go("see")
        see(person, bench)
        person.go("plan")
        plan(person)
        person.go("tie")
        tie(person, bench, folder)
        person.go("light")
        light(person)
        person.go("recipe")
        recipe(person, bench)
        # The camera is named by hand: no page does that yet.
        with (folder / "station.toml").open("a", encoding="utf-8") as file:
            file.write(f"\n[duty]\ndeadline_ms = 60000\n{CAMERA}")
        (folder / "incoming").mkdir()
        words = ("tiepoint.cli.main", "serve", str(folder), "--without-web")
        with OnDuty(folder, *words) as duty:
            duty.until_state("on duty")
            person.go("prove")
            pdf = prove(person, bench, duty)
            person.go("duty")
            on_duty(person, bench, duty)
            person.go("evidence")
            evidence(person)
            person.go("")
        demand_report(pdf, tmp_path / "report.pdf")
        acts = {page: count for page, count in person.by_page.items() if page}
        print(acts, sum(acts.values()))  # who looks at the journey wants to know
        assert sum(acts.values()) <= MOST_ACTS, acts
        person.done()
