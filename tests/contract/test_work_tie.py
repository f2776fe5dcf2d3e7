"""Tying from a page: what it comes to is what the command makes of the same input, and what is true on the bench."""

import csv
import io
import json
import math

import numpy as np
import pytest
from tests.helpers.served import Served, refusal
from tests.helpers.tie_station import SIZE_PX, tie_station
from typer.testing import CliRunner

from tiepoint.cli.app import app
from tiepoint.documents.files import read_document
from tiepoint.station import drafting
from tiepoint.station.folder import open_station
from tiepoint.ties.document import from_document
from tiepoint.ties.verdict import U_at

PIXELS = [(600.0, 500.0), (330.5, 300.25), (900.0, 300.0), (350.0, 800.0), (850.0, 760.75)]


class Page:
    """What a page does: asks by a token, and waits for the end of its jobs."""

    def __init__(self, served, station):
        self.served, self.station = served, station

    def __call__(self, method, path, content=None, token="change"):
        headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
        body = None if content is None else json.dumps(content)
        status, _, answer = self.served.ask(method, path, headers=headers, body=body)
        return status, json.loads(answer) if status < 400 else refusal(status, answer)

    def solve(self, **wanted):
        """Return the job as it ended."""
        status, begun = self("POST", "/api/tie/solve", wanted)
        assert status == 202, begun
        return ended(self.served, begun["id"])

    def tied(self, **wanted):
        """Return what a job came to that is to be done."""
        job = self.solve(**wanted)
        assert job["state"] == "done", job["fault"]
        return job["result"]


def ended(served, id_):
    """Return a job once the station's events have told of its end."""
    import http.client

    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=120)
    try:
        connection.request("GET", "/api/events", headers={"Authorization": "Bearer look"})
        stream = connection.getresponse()
        while True:
            status, _, body = served.ask("GET", f"/api/jobs/{id_}", headers={"Authorization": "Bearer look"})
            told = json.loads(body)
            assert status == 200, told
            if told["state"] in ("done", "failed", "cancelled"):
                return told
            while b"job" not in stream.readline():
                pass
    finally:
        connection.close()


@pytest.fixture
def page(tmp_path):
    station = tie_station(tmp_path / "station")
    with Served(station.folder) as served:
        yield Page(served, station)


@pytest.fixture(scope="module")
def tied(tmp_path_factory):
    """Return a page of a station that is tied by target, as `plane`; nothing of it is to be changed."""
    station = tie_station(tmp_path_factory.mktemp("tied") / "station")
    with Served(station.folder) as served:
        page = Page(served, station)
        wanted = {"photos": [station.keep_photo()], "target": station.keep_target(), "height": "3", "name": "plane"}
        page.tied(way="target", **wanted)
        yield page


def run(*words):
    """Return what a command prints."""
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code in (0, 1), done.output
    return json.loads(done.stdout)


def test_a_tie_by_target_is_the_one_that_the_command_makes(tied, tmp_path):
    folder = tied.station.folder
    run(
        "tie", "target", folder / "pictures/tie/photo.png", "--target", folder / "targets/target.json",
        "--height", "3mm", "--out", tmp_path / "by-command.json", "--json",
    )  # fmt: skip
    assert read_document(folder / "ties/plane.json", "tie") == read_document(tmp_path / "by-command.json", "tie")


def test_what_is_told_of_a_tie_is_what_the_command_tells(tied, tmp_path):
    folder = tied.station.folder
    status, told = tied("GET", "/api/tie/ties/plane?tolerance=0.3")
    assert status == 200
    command = run(
        "tie", "target", folder / "pictures/tie/photo.png", "--target", folder / "targets/target.json",
        "--height", "3mm", "--tolerance", "0.3mm", "--out", tmp_path / "by-command.json", "--json",
    )  # fmt: skip
    assert told["verdict"]["sentences"] == command["sentences"]
    assert told["verdict"]["is_good"] == command["good"]
    assert told["verdict"]["share"] == command["verdict"]["share"]
    assert told["sha"] == command["sha"]
    rows = {row["what"]: row for row in told["rows"]}
    assert float(rows["Error, root mean square"]["value"]) == pytest.approx(
        1000 * command["quality"]["rms_mm"], rel=0.06
    )
    assert told["picture"] == "pictures/tie/photo.png"
    assert told["height"]["value"] == "3"


def test_places_are_those_of_the_command_and_true(tied):
    asked = [word for x, y in PIXELS for word in (f"{x},{y}",)]
    command = run("tie", "probe", tied.station.folder / "ties/plane.json", "--at", *asked, "--json")["points"]
    status, told = tied("POST", "/api/tie/ties/plane/ask", {"points": PIXELS})
    assert status == 200
    true = tied.station.true_mm(PIXELS)
    for point, one, (x, y) in zip(told["points"], command, true, strict=True):
        for axis, truth in (("x", x), ("y", y)):
            value, pm = float(point[axis]["value"].replace("−", "-")), float(point[axis]["pm"])
            half = 10.0 ** -len(point[axis]["value"].partition(".")[2]) / 2
            assert value == pytest.approx(one[axis], abs=1.001 * half)
            # The bench's own truth. U is at 95 %, and these are ten values of one tie: three U hold them all.
            assert abs(value - truth) <= 3 * pm
        assert math.isclose(sum(cause["share"] for cause in point["causes"]), 1.0, abs_tol=1e-9)


def test_a_length_is_that_of_the_command_and_true(tied):
    a, b = PIXELS[1], PIXELS[2]
    words = [f"{x},{y}" for x, y in (a, b)]
    (command,) = run("tie", "probe", tied.station.folder / "ties/plane.json", "--length", *words, "--json")["lengths"]
    _, told = tied("POST", "/api/tie/ties/plane/ask", {"lengths": [[a, b]]})
    number = told["lengths"][0]["length"]
    assert float(number["value"]) == pytest.approx(command["value"], abs=1e-3)
    assert float(number["pm"]) == pytest.approx(command["U95"], rel=0.1)
    true = float(np.hypot(*np.diff(tied.station.true_mm([a, b]), axis=0)[0]))
    assert abs(float(number["value"]) - true) <= 3 * float(number["pm"])


def test_inches_are_the_same_place(tied):
    asked = {"points": PIXELS[:1], "lengths": [PIXELS[:2]]}
    _, mm = tied("POST", "/api/tie/ties/plane/ask", asked)
    _, inch = tied("POST", "/api/tie/ties/plane/ask", {**asked, "unit": "in"})
    assert 25.4 * float(inch["points"][0]["x"]["value"]) == pytest.approx(
        float(mm["points"][0]["x"]["value"]), abs=0.02
    )
    assert inch["lengths"][0]["length"]["unit"] == "in"


def test_the_map_has_its_contours_where_U_is_so_large(tied):
    """`U_at` of the ties is the authority; between the samples of the map its lines are off by their bend."""
    tie = from_document(read_document(tied.station.folder / "ties/plane.json", "tie"))
    _, told = tied("GET", "/api/tie/ties/plane?tolerance=0.2")
    drawn = told["map"]
    assert (drawn["width"], drawn["height"]) == SIZE_PX
    assert drawn["contours"][0]["kind"] == "limit"
    assert drawn["limit_um"] == pytest.approx(60.0)  # 30 % of the tolerance's half (ISO 22514-7)
    assert {c["kind"] for c in drawn["contours"]} >= {"limit", "index", "contour"}
    for contour in drawn["contours"]:
        points = np.array([p for line in contour["lines"] for p in line])
        assert len(points) > 1
        assert 1000 * U_at(tie, points) == pytest.approx(contour["U_um"], rel=0.01)
    assert len(drawn["arrows"]) == len(drawn["unseen"]) == len(drawn["residual_um"])
    assert len(drawn["arrows"]) > 60
    assert max(drawn["residual_um"]) == drawn["residual_um"][drawn["worst"]]
    origin, along_x, along_y = tied.station.true_mm(drawn["axes"])
    assert origin == pytest.approx([0, 0], abs=0.2)
    assert along_x == pytest.approx([drawn["axes_mm"], 0], abs=0.2)
    assert along_y == pytest.approx([0, drawn["axes_mm"]], abs=0.2)


def test_outside_its_region_a_tie_says_so_and_gives_no_value(tied):
    _, told = tied("POST", "/api/tie/ties/plane/ask", {"points": [[1.0, 1.0]]})
    point = told["points"][0]
    assert (point["x"], point["inside"]) == (None, False)
    assert point["says"] == "The place lies outside the region in which the tie is valid."
    _, beyond = tied("POST", "/api/tie/ties/plane/ask", {"points": [[1.0, 1.0]], "extrapolate": True})
    assert beyond["points"][0]["x"] is not None


def test_a_tie_by_length_is_the_one_that_the_command_makes(page, tmp_path):
    photo = page.station.keep_photo()
    # Two crossings of the target, a pixel beside where they are.
    tie = tied_plane(page, photo)
    start, end = crossings(page, tie)
    wanted = {"photo": photo, "start": start, "end": end, "length": "80", "u": "0,02", "name": "length"}
    result = page.tied(way="length", **wanted)
    assert [s[:12] for s in result["sentences"]] == ["The point A ", "The point B "]
    run(
        "tie", "length", page.station.folder / photo, "--from", f"{start[0]},{start[1]}",
        "--to", f"{end[0]},{end[1]}", "--length", "80mm", "--u", "0.02mm", "--out", tmp_path / "l.json", "--json",
    )  # fmt: skip
    made = read_document(page.station.folder / "ties/length.json", "tie")
    assert made == read_document(tmp_path / "l.json", "tie")
    _, snapped = page("POST", "/api/tie/snap", {"photo": photo, "at": start})
    assert snapped["kind"] == "crossing"
    # Ten squares of a print whose scale the bench knows lie between the crossings.
    true = page.station.true_mm([[snapped["x"], snapped["y"]]])[0]
    scale = page.station.printed.scale_x, page.station.printed.scale_y
    assert true == pytest.approx([10 * scale[0], 10 * scale[1]], abs=0.05)


def tied_plane(page, photo):
    page.tied(way="target", photos=[photo], target=page.station.keep_target(), name="plane")
    return from_document(read_document(page.station.folder / "ties/plane.json", "tie"))


def crossings(page, tie):
    """Return two places near crossings of the target, 80 mm apart along x as it was drawn, to a whole pixel."""
    middle = np.array([[600.0, 500.0]])
    goal = np.array([[10.0, 10.0], [90.0, 10.0]])
    px = np.repeat(middle, 2, axis=0)
    for _ in range(20):
        mapped = tie.map(px)
        px = px - np.linalg.solve(mapped.d_px, (mapped.xy_mm - goal)[:, :, None])[:, :, 0]
    return [[float(round(v)) for v in p] for p in px]


def test_points_by_hand_are_said_to_be(page):
    photo = page.station.keep_photo()
    _, told = page("POST", "/api/tie/snap", {"photo": photo, "at": [2.0, 2.0]})
    assert told["kind"] == "hand"
    assert (told["x"], told["y"]) == (2.0, 2.0)


# --- pairs -----------------------------------------------------------------------------------------------------------

PX = [(100.0, 900.0), (1100.0, 880.0), (1080.0, 120.0), (130.0, 150.0), (600.0, 500.0), (850.0, 300.0), (320.0, 660.0)]


def pair_rows(page):
    """Return pairs to a hundredth of a millimetre, where the bench says that they lie."""
    return [
        [f"{x:g}", f"{y:g}", f"{a:.2f}", f"{b:.2f}"]
        for (x, y), (a, b) in zip(PX, page.station.true_mm(PX), strict=True)
    ]


def test_pairs_are_judged_mended_and_kept_as_the_command_reads_them(page, tmp_path):
    rows, photo = pair_rows(page), page.station.keep_photo()
    wrong = [list(row) for row in rows]
    wrong[1][2:], wrong[4][2:] = rows[4][2:], rows[1][2:]
    _, told = page("POST", "/api/tie/pairs", {"rows": wrong, "photo": photo})
    assert told["is_good"] is False
    (finding,) = [f for f in told["findings"] if f["is_refused"]]
    assert (finding["code"], finding["rows"]) == ("rows-exchanged", [2, 5])
    assert [row["is_refused"] for row in told["rows"]] == [k in (1, 4) for k in range(len(rows))]
    refused = page.solve(way="pairs", name="pairs", rows=wrong, photo=photo)
    assert refused["fault"]["where"] == "rows"
    assert "rows 2 and 5" in refused["fault"]["says"]
    assert not (page.station.folder / "ties/pairs.json").exists()
    for mend in finding["mends"]:
        wrong[mend["row"] - 1][mend["column"]] = mend["text"]
    assert [[float(c) for c in row] for row in wrong] == [[float(c) for c in row] for row in rows]
    _, mended = page("POST", "/api/tie/pairs", {"rows": wrong, "photo": photo})
    assert mended["is_good"] is True
    page.tied(way="pairs", name="pairs", rows=wrong, photo=photo)
    table = (page.station.folder / "ties/pairs.csv").read_text()
    assert next(csv.reader(io.StringIO(table))) == ["from_x", "from_y", "to_x", "to_y"]
    run("tie", "pairs", page.station.folder / "ties/pairs.csv", "--unit", "mm", "--out", tmp_path / "p.json", "--json")
    made, command = (read_document(p, "tie") for p in (page.station.folder / "ties/pairs.json", tmp_path / "p.json"))
    # The page knows the picture's size beside, which bounds what the pairs do not show.
    assert np.array(made["matrix"]) == pytest.approx(np.array(command["matrix"]), rel=1e-9)
    _, asked = page("POST", "/api/tie/ties/pairs/ask", {"points": [PX[4]]})
    true = page.station.true_mm([PX[4]])[0]
    point = asked["points"][0]
    assert abs(float(point["x"]["value"]) - true[0]) <= 3 * float(point["x"]["pm"])


def test_a_mirrored_set_is_named_and_not_kept(page):
    rows = [[a, b, d, c] for a, b, c, d in pair_rows(page)]
    _, told = page("POST", "/api/tie/pairs", {"rows": rows})
    assert "mirrored" in {f["code"] for f in told["findings"] if f["is_refused"]}
    assert page.solve(way="pairs", name="pairs", rows=rows)["state"] == "failed"


@pytest.mark.parametrize(
    ("text", "first"),
    [
        ("from_x\tfrom_y\tto_x\tto_y\n1\t2\t3,5\t4\n5\t6\t7,25\t8\n", ["1", "2", "3.5", "4"]),
        ('"1"\t"2"\t"3,5"\t4\n', ["1", "2", "3.5", "4"]),
        ("1;2;3,5;4\r\n5;6;7,25;8\r\n", ["1", "2", "3.5", "4"]),
        ("x,y,X,Y\n1,2,3.5,4\n", ["1", "2", "3.5", "4"]),
        ("to_x,to_y,from_x,from_y\n3.5,4,1,2\n", ["1", "2", "3.5", "4"]),
        ("\ufeff1\t2\t\N{MINUS SIGN}3.5\t4", ["1", "2", "-3.5", "4"]),
    ],
)
def test_what_is_pasted_from_a_spreadsheet_is_read(page, text, first):
    status, told = page("POST", "/api/tie/pasted", {"text": text})
    assert status == 200, told
    assert told["rows"][0] == first
    assert told["faults"] == []


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "nothing was pasted"),
        ("1\t2\n3\t4", "the rows have 2 cells"),
        ("1\t2\t1,234\t5\n1\t2\t2,345\t5", "the comma may be a decimal one"),
    ],
)
def test_what_cannot_be_read_is_said_at_the_table(page, text, says):
    status, told = page("POST", "/api/tie/pasted", {"text": text})
    assert (status, told["where"]) == (422, "text")
    assert says in told["says"]


def test_an_inch_mark_is_not_taken_for_a_quotation_mark(page):
    """Read as mm, a place in inches would be told 25.4 times too small, with both sides in one unit."""
    _, told = page("POST", "/api/tie/pasted", {"text": '0.39"\t0.40"\t16.2"\t-7.3"\n'})
    assert told["rows"] == [['0.39"', '0.40"', '16.2"', '-7.3"']]
    assert [f["column"] for f in told["faults"]] == ["from_x", "from_y", "to_x", "to_y"]


def test_a_cell_that_is_no_number_is_said_at_the_cell_and_stays(page):
    _, told = page("POST", "/api/tie/pasted", {"text": "1\t2\tthree\t4\n5\t6\t7\t8"})
    assert told["rows"][0] == ["1", "2", "three", "4"]
    assert [(f["row"], f["column"]) for f in told["faults"]] == [(1, "to_x")]
    _, judged = page("POST", "/api/tie/pairs", {"rows": told["rows"]})
    assert (judged["is_good"], judged["faults"][0]["row"]) == (False, 1)


# --- the robot -------------------------------------------------------------------------------------------------------

TURN_DEG, SHIFT = 25.0, (400.0, -120.0)


def to_robot(mm):
    """Return where the bench's robot has places of the plane (n, 2): a turn and a shift that are known."""
    c, s = math.cos(math.radians(TURN_DEG)), math.sin(math.radians(TURN_DEG))
    return np.asarray(mm, float) @ np.array([[c, -s], [s, c]]).T + SHIFT


def test_places_are_the_robots_numbers_and_back(page):
    tied_plane(page, page.station.keep_photo())
    points = np.array([(10.0, 10), (110, 12), (105, 80), (15, 85), (60, 45), (85, 25)])
    rows = [
        [f"{x:g}", f"{y:g}", f"{a:.3f}", f"{b:.3f}"] for (x, y), (a, b) in zip(points, to_robot(points), strict=True)
    ]
    page.tied(way="pairs", name="robot", rows=rows, from_frame="plane", to_frame="robot")
    both = {"plane": "plane", "robot": "robot"}
    at, towards = [600.0, 500.0], [800.0, 500.0]
    status, told = page("POST", "/api/tie/robot", {**both, "at": at, "towards": towards})
    assert status == 200, told
    here, ahead = to_robot(page.station.true_mm([at, towards]))
    for axis, true in zip("xy", here, strict=True):
        assert abs(float(told[axis]["value"].replace("−", "-")) - true) <= 3 * float(told[axis]["pm"])
    turn = math.degrees(math.atan2(*(ahead - here)[::-1]))
    assert float(told["turn"]["value"].replace("−", "-")) == pytest.approx(turn, abs=0.3)
    assert "never starts a motion" in told["cautions"][0]
    origin, along_x, along_y = to_robot(page.station.true_mm(told["axes"]))
    assert along_x - origin == pytest.approx([told["axes_mm"], 0], abs=0.3)
    assert along_y - origin == pytest.approx([0, told["axes_mm"]], abs=0.3)
    numbers = {k: told[k]["value"].replace("−", "-") for k in ("x", "y", "turn")}
    _, back = page("POST", "/api/tie/robot", {**both, **numbers})
    assert back["at"] == pytest.approx(at, abs=0.2)
    status, beyond = page("POST", "/api/tie/robot", {**both, "x": "9000", "y": "0"})
    assert (status, beyond["where"]) == (422, "x")
    assert page("POST", "/api/tie/robot", {**both, "x": "1", "y": "1", "turn": "left"})[1]["where"] == "turn"
    status, same = page("POST", "/api/tie/robot", {"plane": "plane", "robot": "plane", "at": at})
    assert (status, same["where"]) == (422, "robot")
    assert told["apart"] == ""
    # A table with its sides exchanged, or both in inches, fits as well: no residual tells it, the picture does.
    slips = {
        "exchanged": [row[2:] + row[:2] for row in rows],
        "inch": [[f"{float(v) / 25.4:.4f}" for v in r] for r in rows],
    }
    for name, wrong in slips.items():
        page.tied(way="pairs", name=name, rows=wrong, from_frame="plane", to_frame="robot")
        _, told = page("POST", "/api/tie/robot", {"plane": "plane", "robot": name})
        assert "the sides of its table may be exchanged, or its places be in another unit" in told["apart"], name
        assert "Do not move by it" in told["apart"]


# --- bad input -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("field", "text"),
    [("height", "three"), ("height", "1e99"), ("u_height", "-1"), ("distance", "0"), ("distance", "400")],
)
def test_nonsense_is_said_at_its_field(page, field, text):
    wanted = {"way": "target", "photos": [page.station.keep_photo()], "target": page.station.keep_target(), "name": "t"}
    status, told = page("POST", "/api/tie/solve", {**wanted, field: text})
    assert status == 422
    assert told["where"] == ("u_distance" if text == "400" else field)
    assert list((page.station.folder / "ties").glob("*")) == [] if (page.station.folder / "ties").exists() else True


@pytest.mark.parametrize("name", ["../../evil", "a/../b", "con", "<script>", "a" * 200, ".hidden", "x\u202ey"])
def test_a_hostile_name_is_refused_at_its_field_and_writes_nothing(page, name):
    wanted = {"way": "pairs", "rows": pair_rows(page), "name": name}
    status, told = page("POST", "/api/tie/solve", wanted)
    assert status == 422
    assert "name" in told["where"]
    assert not (page.station.folder / "ties").exists()


def test_what_is_no_picture_is_said_by_name(page):
    place = page.station.folder / "pictures/tie"
    place.mkdir(parents=True)
    (place / "notes.png").write_text("no picture")
    job = page.solve(way="target", photos=["pictures/tie/notes.png"], target=page.station.keep_target(), name="t")
    assert job["state"] == "failed"
    assert job["fault"]["where"] == "photos"
    assert "notes.png is not a picture that can be read" in job["fault"]["says"]
    gone = page.solve(way="target", photos=["pictures/tie/gone.png"], target=page.station.keep_target(), name="t")
    assert "there is no picture" in gone["fault"]["says"]


def test_photos_of_different_sizes_are_no_pose(page):
    from PIL import Image

    one = page.station.keep_photo()
    Image.new("L", (640, 480), 90).save(page.station.folder / "pictures/tie/small.png")
    job = page.solve(way="target", photos=[one, "pictures/tie/small.png"], target=page.station.keep_target(), name="t")
    assert "small.png has 640 × 480 px and photo.png 1224 × 1024" in job["fault"]["says"]


def test_nobody_replaces_a_tie_unseen(page):
    wanted = {"way": "pairs", "rows": pair_rows(page), "name": "pairs"}
    result = page.tied(**wanted)
    job = page.solve(**wanted)
    assert (job["state"], job["fault"]["where"]) == ("failed", "name")
    assert page.tied(**wanted, seen=result["seen"])["name"] == "pairs"


def test_a_tie_is_undone_and_done_again(page):
    page.tied(way="pairs", rows=pair_rows(page), name="pairs")
    path = page.station.folder / "ties/pairs.json"
    before = path.read_bytes()
    assert page("POST", "/api/undo", {})[0] == 200
    assert not path.exists()
    assert not path.with_suffix(".csv").exists()
    assert page("POST", "/api/redo", {})[0] == 200
    assert path.read_bytes() == before
    (step,) = drafting.history(open_station(page.station.folder)).done
    assert (step.says, step.who) == ("Tie pairs by pairs", "change")


def test_who_only_looks_solves_nothing(page):
    status, told = page("POST", "/api/tie/solve", {"way": "pairs", "rows": pair_rows(page), "name": "p"}, token="look")
    assert (status, told["code"]) == (403, "not_allowed")


def test_a_damaged_tie_is_listed_with_its_fault_and_asked_in_vain(page):
    (page.station.folder / "ties").mkdir()
    (page.station.folder / "ties/broken.json").write_text('{"format": "tiepoint/tie/1"}')
    (page.station.folder / "ties/none.json").write_bytes(b"\xff\xfe")
    _, told = page("GET", "/api/tie/ties")
    faults = {one["name"]: one["fault"] for one in told["ties"]}
    assert set(faults) == {"broken", "none"}
    assert all(faults.values())
    assert page("GET", "/api/tie/ties/broken")[0] == 422
    assert page("GET", "/api/tie/ties/absent")[0] == 404
