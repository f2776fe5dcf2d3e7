"""What a recipe has beside its steps, by hand in a real browser: masks, drawings, edges, rules, whites and grips."""

import base64
import tomllib

import ezdxf
import pytest
from PIL import Image
from playwright.sync_api import expect
from tests.helpers.drafted_station import new_station as drafted
from tests.helpers.drafted_station import picture
from tests.helpers.served import Served
from tests.helpers.workbench import browser_for_pages
from tests.journey.test_workbench_recipe import PATH, Person, users_of

from tiepoint.cli.app import carry_out

browser = pytest.fixture(scope="module")(browser_for_pages)


@pytest.fixture
def folder(tmp_path):
    made = drafted(tmp_path / "plates")
    users_of(made)
    return made


def draft_of(folder):
    return tomllib.loads((folder / PATH).read_text(encoding="utf-8"))


def sat(browser, served):
    """Return who sits at the page of the draft."""
    who = Person(browser, served)
    who.size = (640, 480)
    who.open()
    who.row("bore A").locator(".val").first.wait_for()
    return who


def let_go(page, path):
    """Let a file go over the picture, as who drags it in from a folder of theirs does."""
    data = base64.b64encode(path.read_bytes()).decode()
    script = """([name, data]) => {
        const held = new DataTransfer();
        held.items.add(new File([Uint8Array.from(atob(data), (c) => c.charCodeAt(0))], name));
        const at = document.querySelector(".drop");
        for (const kind of ["dragover", "drop"])
            at.dispatchEvent(new DragEvent(kind, { dataTransfer: held, bubbles: true, cancelable: true }));
    }"""
    page.evaluate(script, [path.name, data])


def test_a_mask_is_painted_laid_open_and_undone_by_hand(browser, folder):
    with Served(folder) as served:
        who = sat(browser, served)
        page = who.page
        who.press("bore A", within=page.locator("table.steps"), exact=True)
        page.locator("[data-handle=outer]").wait_for()
        who.press("mask", exact=True)
        page.get_by_text("Paint over what is not to be looked at").wait_for()
        page.get_by_label("Brush").fill("8")
        # Its ring is about (300, 240) with 64 px: painted over on the right, where the bore's edge is at 44 px.
        who.drag((340, 200), (340, 280))
        page.get_by_text("% of the region's box. Stated in every record.").wait_for()
        assert draft_of(folder)["step"][0]["mask"] == "masks/plate.bore-A.png"
        with Image.open(folder / "recipes" / "masks" / "plate.bore-A.png") as mask:
            assert mask.getextrema() != (0, 0)
        who.row("bore A").locator(".val").first.wait_for()
        who.keep("forms-mask")
        who.press("mask", exact=True)
        who.press("Lay all open")
        page.get_by_text("Stated in every record.").wait_for(state="detached")
        assert "mask" not in draft_of(folder)["step"][0]
        page.keyboard.press("Control+z")
        page.get_by_text("Stated in every record.").wait_for()
        assert draft_of(folder)["step"][0]["mask"] == "masks/plate.bore-A.png"
        who.done()


def test_a_drawing_is_let_go_over_the_picture_and_a_gripper_is_told_where_to_go(browser, folder, tmp_path, capsys):
    drawing = ezdxf.new()
    drawing.header["$INSUNITS"] = 4  # millimetres, by the DXF reference
    # The plate as it is drawn into the picture: 500 × 400 px at 0.05 mm, its bore A and its slot.
    drawing.modelspace().add_lwpolyline([(0, 0), (25, 0), (25, 20), (0, 20)], close=True)
    drawing.modelspace().add_circle((10.5, 8.75), 2.2)
    drawing.modelspace().add_lwpolyline([(7.5, 14.25), (13.5, 14.25), (13.5, 17.25), (7.5, 17.25)], close=True)
    drawing.saveas(tmp_path / "plate.dxf")
    pairs = [f"{x},{y},{x + 100},{y + 200}" for x in (2, 16, 30) for y in (2, 12, 22)]
    (tmp_path / "pairs.csv").write_text("\n".join(["from_x,from_y,to_x,to_y", *pairs]) + "\n", encoding="utf-8")
    words = ["tie", "pairs", str(tmp_path / "pairs.csv"), "--unit", "mm", "--from", "plane", "--to", "robot"]
    assert carry_out([*words, "--out", str(folder / "ties" / "robot.json")]) == 0
    capsys.readouterr()
    (tmp_path / "plate.txt").write_text("no drawing")
    (tmp_path / "torn.dxf").write_text("no drawing either")
    with Served(folder) as served:
        who = sat(browser, served)
        page = who.page
        let_go(page, tmp_path / "plate.txt")  # of no use there, and not taken for one
        let_go(page, tmp_path / "torn.dxf")
        page.get_by_text("cannot read torn.dxf").first.wait_for()
        let_go(page, tmp_path / "plate.dxf")
        page.get_by_text("25 × 20 mm").first.wait_for()
        who.keep("forms-drawing")
        find = draft_of(folder)["step"][-1]
        assert find["kind"] == "find"

        who.press("New grip...")
        grips = page.get_by_role("region", name="Grips")
        grips.get_by_label("Grips, Name").fill("jaws")
        add = grips.get_by_role("button", name="Add", exact=True)
        assert add.is_disabled()  # until it is stated where it may go: that is never guessed
        for axis, low, high in (("x", 0, 500), ("y", 0, 500), ("z", -10, 10)):
            grips.get_by_label(f"{axis}, from").fill(str(low))
            grips.get_by_label(f"{axis}, to").fill(str(high))
        who.keep("forms-grip")
        add.click()
        grips.get_by_text("jaws").first.wait_for()
        (grip,) = draft_of(folder)["grip"]
        assert (grip["in"], grip["envelope"]) == (find["name"], {"x": [0, 500], "y": [0, 500], "z": [-10, 10]})
        # The robot's numbers are the plane's, moved by (100, 200): the corner at (4.5, 3.25) of the plane.
        grips.get_by_text("104.5").first.wait_for()
        page.get_by_role("button", name="Undo").and_(page.locator(":enabled")).click()
        grips.get_by_text("jaws").first.wait_for(state="detached")
        assert "grip" not in draft_of(folder)
        who.done()


def test_edges_rules_and_a_white_are_stated_on_the_page(browser, folder):
    Image.fromarray(picture()).convert("RGB").save(folder / "shots" / "plates" / "colour.png")
    with Served(folder) as served:
        who = sat(browser, served)
        page = who.page
        page.get_by_text("The recipe itself").click()
        head = page.locator("section", has=page.get_by_label("Name of the edge"))
        head.get_by_label("Name of the edge").fill("bevel")
        who.fill("Standard u", "-1", within=head, exact=True)
        who.press("Add", within=head, exact=True)
        refused = page.locator(".field-say", has_text="edge.bevel.u")
        refused.first.wait_for()
        assert "edge" not in draft_of(folder)
        who.fill("Standard u", "0.01", within=head, exact=True)
        expect(refused).to_have_count(0)  # it is mended: what was wrong with it is told no more
        who.press("Add", within=head, exact=True)
        page.locator("b", has_text="bevel").wait_for()
        assert draft_of(folder)["edge"] == {"bevel": {"u": 0.01}}
        rule = head.get_by_label("Decision rule", exact=True)
        rule.fill("as it looks")
        rule.press("Enter")
        refused = head.get_by_role("alert")
        expect(refused).to_contain_text("as it looks")
        expect(page.get_by_role("alert")).to_have_count(1)  # at its field, and nowhere else
        who.keep("forms-head")
        rule.fill("")
        expect(refused).to_have_count(0)
        rule.press("Enter")
        expect(head.get_by_label("Standard u of that", exact=True)).to_be_visible()

        page.locator("#recipe-shot").select_option("shots/plates/colour.png")
        who.card("colour")
        who.drag((380, 300), (440, 380))
        who.row("colour").wait_for()
        who.press("Draw its white")
        page.get_by_text("Draw the white or grey patch").wait_for()
        who.drag((520, 300), (570, 380))
        # The plate is of one grey: against itself it is the white of CIELAB, L* = 100, by definition (CIE 15).
        who.row("colour").get_by_text("100.").first.wait_for()
        assert set(draft_of(folder)["step"][-1]["white"]["region"]) == {"rectangle"}
        who.keep("forms-white")
        who.done()
