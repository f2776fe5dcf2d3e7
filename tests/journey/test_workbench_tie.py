"""The page Tie as a person uses it: from an empty station to a reading, in each way, in a real browser."""

import json
import re

import numpy as np
import pytest
from playwright.sync_api import expect
from tests.helpers.browsers import headless
from tests.helpers.served import Served
from tests.helpers.tie_station import SIZE_PX, photo_png, printed, tie_station
from tests.helpers.workbench import DESK, PASSWORD, Person

from tiepoint.documents.files import read_document, write_document
from tiepoint.render.camera import unproject
from tiepoint.targets.document import to_document as target_document
from tiepoint.ties.document import from_document
from tiepoint.web.page import app_files
from tiepoint.web.users import User, hashed, token_sha, write_users

PAIRS_PX = [(150, 150), (1050, 170), (1020, 850), (180, 880), (600, 500), (850, 350), (350, 650)]
PASTE = """(area, text) => {
  const data = new DataTransfer();
  data.setData("text/plain", text);
  area.dispatchEvent(new ClipboardEvent("paste", { clipboardData: data, bubbles: true, cancelable: true }));
}"""


@pytest.fixture(scope="module")
def browser():
    if not app_files():
        pytest.skip("the pages are not built (python hatch_build.py)")
    with headless() as found:
        yield found


class Tier(Person):
    """Somebody who ties; what is done with the mouse on the picture counts as an act too."""

    def __init__(self, browser, served, scheme="light"):
        super().__init__(browser, served, scheme=scheme)
        self.open("/tie").log_in()

    def keep(self, name):
        super().keep(f"tie-{name}")

    def way(self, name):
        self.page.get_by_role("radio", name=name).click()
        self.acts += 1

    def drop(self, png, name="photo.png"):
        file = {"name": name, "mimeType": "image/png", "buffer": png}
        self.page.locator("input[type=file]").first.set_input_files([file])
        self.acts += 1

    def take(self, label, choice):
        self.page.get_by_label(label).select_option(choice)
        self.acts += 1

    def at(self, px):
        """Return where a pixel of the picture is on the screen, which shows it whole."""
        box = self.page.locator(".picture canvas").bounding_box()
        scale = min(box["width"] / SIZE_PX[0], box["height"] / SIZE_PX[1])
        middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        return tuple(m + (p - (n - 1) / 2) * scale for m, p, n in zip(middle, px, SIZE_PX, strict=True))

    def press(self, px):
        self.page.mouse.click(*self.at(px))
        self.acts += 1

    def paste(self, text):
        self.page.get_by_label("Paste here").evaluate(PASTE, text)
        self.acts += 1

    def rest(self, px):
        """Rest the pointer on a pixel; return the pixel, and x and y with their ± as they are read there."""
        self.page.mouse.move(*self.at(px))
        self.acts += 1
        self.page.locator("table.budget").wait_for()
        pixel = self.page.locator("h2", has_text="At the pointer").locator(".aside").inner_text()
        values = [self.page.locator(f"[data-read={axis}]").inner_text() for axis in "xy"]
        halves = [text.split()[1] for text in self.page.locator(".probeout .pmb").all_inner_texts()]
        numbers = [float(text.replace("−", "-")) for text in (*values, *halves)]
        return [float(v) for v in pixel.removeprefix("pixel ").split(",")], numbers[:2], numbers[2:]


@pytest.fixture
def station(tmp_path):
    return tie_station(tmp_path / "station")


@pytest.fixture
def served(station):
    users = [User("change", "change", hashed(PASSWORD), token_sha("change"))]
    write_users(station.folder / "private" / "users.json", users)
    with Served(station.folder) as served:
        yield served


def demand_true(station, read, to=None):
    """Compare what was read with the bench's own truth; `to`: how the tie's plane lies to the bench's."""
    px, values, halves = read
    true = station.true_mm([px])[0] if to is None else to(px)
    for value, half, truth in zip(values, halves, true, strict=True):
        # U is at 95 %, the pixel was told to a tenth (0.012 mm), and one of two values may lie farther out.
        assert abs(value - truth) <= 2 * half + 0.012


def test_by_target_from_an_empty_station_to_a_reading(browser, served, station):
    person = Tier(browser, served)
    page, print_ = person.page, printed()
    person.fill("Field of view, width", "125")
    person.fill("Field of view, height", "95")
    person.click("What to print?")
    page.get_by_text("squares of").first.wait_for()
    person.keep("advice-light")
    for label, text in (("Pitch", "10"), ("Columns", "13"), ("Rows", "10")):
        person.fill(label, text)
    person.click("Draw it")
    person.fill("Bar along the lower edge", str(print_.reading_x_mm))
    person.fill("Bar along the left edge", str(print_.reading_y_mm))
    person.fill("Standard uncertainty of one bar", str(print_.u_mm))
    person.fill("What the bars were measured with", print_.rule.name)
    person.keep("bars-light")
    person.click("Keep")
    page.get_by_text("both axes are corrected").first.wait_for()
    person.drop(photo_png(5))
    page.locator("path.cont").first.wait_for()
    person.fill("Tolerance, plus or minus", "0.2")
    page.keyboard.press("Enter")
    page.locator("path.cont.limit").first.wait_for()
    demand_true(station, person.rest((600, 480)))
    person.keep("map-light")
    assert person.acts == 15
    # A length between two places, exactly and with shared sources.
    person.press((300, 700))
    person.press((900, 400))
    page.get_by_text("drag A or B").wait_for()
    told = page.locator("section", has_text="Length between two points").locator("td.val").inner_text()
    true = float(np.hypot(*np.diff(station.true_mm([(300, 700), (900, 400)]), axis=0)[0]))
    assert float(told) == pytest.approx(true, abs=0.3)  # pressed to a screen's pixel, which is two of the picture's
    page.emulate_media(color_scheme="dark")
    person.keep("map-dark")
    # A tie that is not good for what is asked of it is improved before it is used.
    first = page.locator(".margin .mnote b").first
    expect(first).to_have_text("Use the tie in a recipe, and accept both.")
    person.fill("Tolerance, plus or minus", "0.001")
    page.keyboard.press("Enter")
    expect(first).to_contain_text("Not good for ±0.001 mm")
    helps = page.locator("section", has_text="Good enough for").locator(".note").last.inner_text()
    expect(first.locator("xpath=..")).to_contain_text(helps)
    person.keep("not-good-dark")
    person.fill("Tolerance, plus or minus", "0.2")
    page.keyboard.press("Enter")
    expect(first).to_have_text("Use the tie in a recipe, and accept both.")
    # Nothing is lost on reload.
    page.reload()
    page.locator("path.cont.limit").first.wait_for()
    # And what was done is undone.
    person.click("Undo")
    page.locator("path.cont").first.wait_for(state="detached")
    assert not (station.folder / "ties/plane.json").exists()
    person.done()


def test_a_stand_off_of_the_plan_alone_is_said_to_count_for_nothing_yet(browser, served, station):
    plan = "[part]\nsize_mm = [60, 40]\ntolerance_mm = 0.2\n\n[lens]\nstand_off_mm = 400\n"
    (station.folder / "plan.toml").write_text(f'format = "tiepoint/plan/1"\n\n{plan}', encoding="utf-8")
    person = Tier(browser, served)
    said = person.page.get_by_text("400 mm is what the plan says, and counts only once its u is typed")
    said.wait_for()
    person.keep("planned")
    person.fill("Lens to target, its u", "5")
    said.wait_for(state="detached")
    person.done()


def test_what_the_plan_says_of_field_and_distance_is_not_typed_again(browser, served, station):
    # Worked by hand: 1440 px of 3.45 µm at m = 25/375 are 74.52 mm; a target 12 mm below the part, 412 mm from the
    # lens, is seen over 412/400 of that, 76.76 mm. 1.1 · 76.76/16 = 5.28 mm, and the next round pitch is 6 mm.
    plan = (
        "[part]\nsize_mm = [60, 40]\ntolerance_mm = 0.2\nheight_mm = 12\n\n[sensor]\npixels = [1440, 1080]\n\n"
        "[lens]\nstand_off_mm = 400\n"
    )
    (station.folder / "plan.toml").write_text(f'format = "tiepoint/plan/1"\n\n{plan}', encoding="utf-8")
    person = Tier(browser, served)
    page = person.page
    page.get_by_text("412 mm is what the plan says").wait_for()
    person.click("What to print?")
    page.get_by_text("15 × 11 squares of 6 mm").wait_for()
    fields = {"Field of view, width": "76.76", "Field of view, height": "57.57", "Pitch": "6", "Columns": "15"}
    assert {label: page.get_by_label(label, exact=True).input_value() for label in fields} == fields
    person.keep("planned-field")
    # The same lengths in the other unit: 76.76/25.4 = 3.022 in.
    page.get_by_role("radio", name="inch").click()
    page.get_by_text("16.22047244 in is what the plan says").wait_for()
    assert page.get_by_label("Field of view, width", exact=True).input_value().startswith("3.0220")
    person.click("What to print?")
    page.get_by_text("15 × 11 squares of 6 mm").wait_for()
    # What the plan says is asked of it again, and is nothing that somebody typed.
    page.get_by_role("radio", name="mm").click()
    (station.folder / "plan.toml").write_text(
        f'format = "tiepoint/plan/1"\n\n{plan.replace("stand_off_mm = 400", "stand_off_mm = 500")}', encoding="utf-8"
    )
    page.reload()
    page.get_by_text("512 mm is what the plan says").wait_for()
    person.done()


def test_by_length_from_an_empty_station_to_a_reading(browser, served, station):
    plane = from_document(read_document(made_plane(station), "tie"))
    person = Tier(browser, served)
    page = person.page
    person.way("by length")
    person.drop(photo_png(5))
    page.locator(".picture canvas").wait_for()
    ends = [(px[0], px[1]) for px in pixels_of(plane, [(20, 50), (110, 50)])]
    for k, end in enumerate(ends):
        person.press(end)
        page.locator("li", has_text="AB"[k]).get_by_text("crossing").wait_for()
    # Nine squares, as they came out of the printer.
    person.fill("Known length", f"{90 * printed().scale_x:.4f}")
    person.keep("length-light")
    person.click("Tie", exact=True)
    page.locator("path.cont").first.wait_for()
    read = person.rest(pixels_of(plane, [(70, 55)])[0])
    assert person.acts == 7
    person.keep("length-tied-light")
    start, end = station.true_mm(ends)
    along = (end - start) / np.hypot(*(end - start))
    middle = station.true_mm([[(SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2]])[0]

    def to(px):
        # By length: the origin is the picture's middle, +x runs along image x.
        x_axis = station.true_mm([[SIZE_PX[0] - 1, (SIZE_PX[1] - 1) / 2]])[0] - middle
        x_axis = x_axis / np.hypot(*x_axis)
        d = station.true_mm([px])[0] - middle
        return d @ x_axis, d @ [-x_axis[1], x_axis[0]]

    assert along @ along == pytest.approx(1)
    demand_true(station, read, to)
    person.done()


def test_by_pairs_from_an_empty_station_to_a_reading(browser, served, station):
    person = Tier(browser, served)
    page = person.page
    person.way("by pairs")
    person.drop(photo_png(5))
    page.locator(".picture canvas").wait_for()
    mm = station.true_mm(PAIRS_PX).round(2)
    mm[[1, 4]] = mm[[4, 1]]  # two rows are exchanged
    rows = [f"{x}\t{y}\t{a:.2f}\t{b:.2f}".replace(".", ",") for (x, y), (a, b) in zip(PAIRS_PX, mm, strict=True)]
    person.paste("\n".join(rows))
    page.get_by_text("Rows 2 and 5 are exchanged").first.wait_for()
    person.keep("pairs-refused-light")
    assert page.get_by_role("button", name="Keep as a tie").is_disabled()
    person.click("Mend it")
    page.get_by_text("All rows fit together").wait_for()
    person.keep("pairs-mended-light")
    person.click("Keep as a tie")
    page.get_by_text("Quality on points").wait_for()
    demand_true(station, person.rest((620, 470)))
    assert person.acts == 6
    page.emulate_media(color_scheme="dark")
    person.keep("pairs-dark")
    person.done()


def test_pairs_to_a_robot_bring_the_caution_and_say_what_to_do_with_inches(browser, served):
    """Where somebody is to move a robot by hand the page says how; a side in inches is told with its way out."""
    person = Tier(browser, served)
    page = person.page
    person.way("by pairs")
    assert page.get_by_text("reduced-speed manual mode").count() == 0
    page.get_by_label("from", exact=True).select_option("plane")
    page.get_by_label("to", exact=True).select_option("robot")
    page.get_by_text("Touch in reduced-speed manual mode with the enabling device in hand (ISO 10218)").wait_for()
    points = ((10, 10), (110, 12), (105, 80), (15, 85), (60, 45))
    person.paste("\n".join(f"{x}\t{y}\t{(400 - y) / 25.4:.3f}\t{(x - 120) / 25.4:.3f}" for x, y in points))
    said = page.get_by_role("alert").filter(has_text="look like inch for mm")
    said.wait_for()
    assert "Type both sides in one unit, and say which under Unit of the table." in said.inner_text()
    assert page.get_by_role("button", name="Keep as a tie").is_disabled()
    person.keep("pairs-robot-light")
    person.done()


def test_what_is_wrong_is_said_at_its_field_and_nothing_is_lost(browser, served, station):
    station.keep_target()
    person = Tier(browser, served)
    page = person.page
    page.get_by_label("Height of the plane", exact=True).fill("three")
    person.drop(b"no picture at all", "<img src=x onerror=alert(1)>.png")
    said = page.locator(".photos .field-say")
    said.wait_for()
    assert "onerror" not in page.locator(".photos").inner_html().replace("&lt;", "<").split("field-say")[0]
    person.drop(photo_png(5))
    page.get_by_text("which is no length").wait_for()
    field = page.get_by_label("Height of the plane", exact=True)
    assert field.input_value() == "three"
    assert field.get_attribute("aria-invalid") == "true"
    field.fill("3")
    person.click("Tie", exact=True)
    page.locator("path.cont").first.wait_for()
    assert json.loads((station.folder / "ties/plane.json").read_text())["height_mm"] == 3.0
    person.keep("said-light")
    person.done()


def test_a_plus_minus_that_may_not_hold_is_doubted_above_the_numbers(browser, served, station):
    """Nobody measured the bars: the scale may be off by percents, which no ± on the page holds."""
    (station.folder / "targets").mkdir()
    write_document(station.folder / "targets/target.json", "target", target_document(printed().target))
    person = Tier(browser, served)
    page = person.page
    person.drop(photo_png(5))
    page.locator("path.cont").first.wait_for()
    doubt = page.get_by_text("The print was not measured")
    doubt.wait_for()
    person.rest((600, 480))
    assert doubt.bounding_box()["y"] < page.locator("[data-read=x]").bounding_box()["y"] < DESK[1]
    person.keep("doubted-light")
    person.done()


def made_plane(station):
    """Tie the plane beside the station, so that the test knows where the target's crossings are seen."""
    from tiepoint.foundation.sources import constant
    from tiepoint.station.tie_files import load_photo
    from tiepoint.station.tying import by_target
    from tiepoint.ties.document import to_document

    beside = station.folder.parent / "beside"
    beside.mkdir()
    (beside / "photo.png").write_bytes(photo_png(5))
    tie = by_target([load_photo(beside / "photo.png")], station.target, height=constant(0.0))
    write_document(beside / "plane.json", "tie", to_document(tie))
    return beside / "plane.json"


def pixels_of(tie, drawn_mm):
    """Return where places of the drawing are seen (n, 2), by Newton's steps through the tie."""
    scale = np.array([printed().scale_x, printed().scale_y])
    goal = np.array(drawn_mm, float) * scale
    px = np.full((len(goal), 2), 500.0)
    for _ in range(20):
        mapped = tie.map(px)
        px = px - np.linalg.solve(mapped.d_px, (mapped.xy_mm - goal)[:, :, None])[:, :, 0]
    return [(float(x), float(y)) for x, y in px]


def test_a_shot_is_taken_a_face_tied_and_a_robot_proved_without_a_file(browser, served, station):
    """The bench's own rays say what is true at the face; the robot is a turn and a shift that are known."""
    station.keep_target()
    (station.folder / "shots").mkdir()
    (station.folder / "shots/table.png").write_bytes(photo_png(5))
    to_robot = tied_robot(station)
    person = Tier(browser, served)
    page = person.page
    person.way("by target")
    person.take("Take a shot that the station has", "shots/table.png")
    page.locator("path.cont").first.wait_for()
    # The upper face of a part, 6 mm above the table.
    person.click("Move to another height…")
    page.get_by_text("This tie does not know where its camera stands").wait_for()
    person.fill("Height to move to", "6")
    person.click("Move", exact=True)
    page.get_by_text("the height stands without its standard uncertainty").wait_for()
    camera = station.bench.camera
    far = abs(float((-camera.rotation.T @ camera.translation_mm)[2]))
    for label, text in (
        ("Height to move to, its u", "0.05"), ("Lens above the tie's plane", f"{far:.1f}"),
        ("Lens above the tie's plane, its u", "2"),
    ):  # fmt: skip
        person.fill(label, text)
    # In inches it is the same height; and back.
    for unit, text in (("inch", f"{6 / 25.4:.10g}"), ("mm", "6")):
        page.get_by_role("radio", name=unit, exact=True).click()
        expect(page.get_by_label("Height to move to", exact=True)).to_have_value(text)
    person.keep("move-light")
    person.click("Move", exact=True)
    page.get_by_text("Moved from the height of 0 mm").first.wait_for()
    page.locator("path.cont").first.wait_for()
    demand_true(station, person.rest((600, 480)), lambda px: unproject(camera, np.atleast_2d(px), 6.0)[0, :2])
    assert person.acts == 10
    person.keep("moved-light")
    # Of another tie the place is told anew, though the pointer rests: no ± of the tie that was shown before stays.
    person.rest((900, 300))
    person.press((300, 700))
    person.press((900, 300))
    told = page.locator("section", has_text="Length between two points").locator("td.val")
    moved = page.locator("[data-read=x]").inner_text(), told.inner_text()
    # The robot: an envelope, and a touch test.
    page.get_by_label("Tie", exact=True).select_option("plane")
    page.locator("path.cont").first.wait_for()
    for shown, before in ((page.locator("[data-read=x]"), moved[0]), (told, moved[1])):
        expect(shown).not_to_have_text(before)
    assert float(told.inner_text()) == pytest.approx(float(moved[1]) * far / (far - 6.0), rel=1e-3)
    page.locator("table.budget").wait_for()
    person.way("robot")
    page.get_by_text("robot x", exact=True).first.wait_for()
    # What is touched is the tie that is looked at, not the first of the list.
    looked_at, touched_by = page.get_by_label("Robot's tie").all()
    assert looked_at.input_value() == touched_by.input_value() == "arm"
    looked_at.select_option("robot")
    page.wait_for_function("([...document.querySelectorAll('select')].filter(s => s.value === 'robot').length === 2)")
    here = to_robot(station.true_mm([(600, 500)]))[0]
    person.fill("Envelope of the grip, Robot x, to", f"{here[0] - 5:.1f}")
    person.press((600, 500))
    page.get_by_text("The grip would leave the robot's envelope").wait_for()
    person.keep("envelope-light")
    # In inches it is the same envelope, and the grip is beyond it as before.
    envelope = page.get_by_label("Envelope of the grip, Robot x, to")
    page.get_by_role("radio", name="inch").click()
    page.locator("[data-robot=x] + .pm", has_text="in").wait_for()
    assert float(envelope.input_value()) * 25.4 == pytest.approx(round(here[0] - 5, 1), abs=1e-6)
    page.get_by_text("The grip would leave the robot's envelope").wait_for()
    page.get_by_role("radio", name="mm", exact=True).click()
    expect(envelope).to_have_value(f"{here[0] - 5:.1f}")
    page.locator("[data-robot=x] + .pm", has_text="mm").wait_for()
    # Where an envelope cannot be read no place is told: the numbers of before are not those of the gripper's cross.
    person.fill("Envelope of the grip, Robot y, from", "ten")
    person.press((500, 420))
    page.get_by_text("which is no length").wait_for()
    expect(page.locator("[data-robot=x]")).to_have_count(0)
    person.fill("Envelope of the grip, Robot y, from", "")
    page.keyboard.press("Enter")
    expect(page.locator("[data-robot=x]")).to_have_count(1)
    person.fill("Off by at most", "0.3")
    person.fill("Points", "4")
    person.click("Choose points")
    page.get_by_text("Turn the tool by half a turn for some of the points").wait_for()
    cells = page.get_by_label("as it was shown")
    cells.nth(7).wait_for()
    touched = [text.split(", ") for text in page.locator("[data-touch=plane]").all_inner_texts()]
    shown = to_robot(np.array(touched, float))
    for k, value in enumerate(shown.ravel()):
        cells.nth(k).fill(f"{value:.2f}")
    # In inches they are the same points, and what was typed is of them; and back.
    first = page.locator("[data-touch=plane]").first
    in_mm = first.inner_text()
    page.get_by_role("radio", name="inch").click()
    expect(first).to_have_text(re.compile(r"^-?\d\.\d{4}, -?\d\.\d{4}$"))
    assert float(cells.nth(0).input_value()) * 25.4 == pytest.approx(round(shown[0, 0], 2), abs=1e-6)
    page.get_by_role("radio", name="mm", exact=True).click()
    expect(first).to_have_text(in_mm)
    assert float(cells.nth(7).input_value()) == pytest.approx(round(shown[3, 1], 2), abs=1e-6)
    person.fill("Standard u of a touch", "0.02")
    person.click("Judge")
    page.get_by_role("button", name="Keep as a study").wait_for()
    assert page.locator("td.why .v.conforms").count() == 4
    page.locator("td.why").last.scroll_into_view_if_needed()
    person.keep("touched-light")
    person.click("Keep as a study")
    page.get_by_text("Kept as a study, entry").wait_for()
    page.emulate_media(color_scheme="dark")
    person.keep("touched-dark")
    assert [path.name for path in (station.folder / "studies").glob("*-touch.json")]
    person.done()


def tied_robot(station):
    """Tie a robot to the plane by pairs, as `robot`, exactly but for what is typed; return how it is turned."""
    from tiepoint.ties.document import to_document
    from tiepoint.ties.pairs import tie_by_pairs

    turn = np.array([[0.8, -0.6], [0.6, 0.8]])

    def to_robot(mm):
        return np.asarray(mm, float) @ turn.T + [400.0, -120.0]

    plane = np.array([(10.0, 10), (110, 12), (105, 80), (15, 85), (60, 45), (85, 25), (30, 60)])
    tie = tie_by_pairs(plane, to_robot(plane).round(2), from_frame="plane", to_frame="robot").tie
    (station.folder / "ties").mkdir(exist_ok=True)
    for name in ("arm", "robot"):
        write_document(station.folder / f"ties/{name}.json", "tie", to_document(tie))
    return to_robot
