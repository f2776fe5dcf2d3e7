"""The recipe page's routes: drafts judged as `tiepoint run` does, edited with their comments, taught, painted."""

import base64
import hashlib
import json
import re
import tomllib

import pytest
from PIL import Image
from tests.helpers.drafted_station import PATH, RECIPE, SHOT, Asked, new_station, picture
from tests.helpers.served import Served

from tiepoint.cli.app import carry_out
from tiepoint.recipe.records import record_json
from tiepoint.recipe.shots import load_shot
from tiepoint.station.recipes.edits import Drag, apply
from tiepoint.station.recipes.places import frame_for
from tiepoint.station.recipes.text import plain
from tiepoint.station.recipes.trying import Bench


@pytest.fixture
def asked(tmp_path):
    folder = new_station(tmp_path / "plates")
    with Served(folder) as served:
        yield Asked(folder, served)


def by_command(folder, capsys, shot=SHOT, out="out"):
    """Return the record that `tiepoint run` writes of the draft as it is on disk, but for its times."""
    where = folder.parent / out
    assert carry_out(["run", str(folder / PATH), str(folder / shot), "--out", str(where)]) == 0
    capsys.readouterr()
    told = json.loads((where / "records.jsonl").read_text(encoding="utf-8"))
    return {k: v for k, v in told.items() if k not in ("timings", "sha", "seq")}


def as_kept(record):
    return json.loads(json.dumps({k: v for k, v in record_json(record).items() if k not in ("timings", "sha", "seq")}))


# --- judging -------------------------------------------------------------------------------------------------------


def test_a_draft_is_judged_to_the_bit_as_the_command_judges_it(tmp_path, capsys):
    folder = new_station(tmp_path / "plates")
    bench, loaded = Bench(folder / PATH), load_shot(folder / SHOT)
    content = plain((folder / PATH).read_bytes(), PATH)
    told = by_command(folder, capsys)
    first, again = (bench.judge(content, "shot", loaded) for _ in range(2))
    assert as_kept(first.outcome.record) == told
    assert as_kept(again.outcome.record) == told
    assert first.ran == {"bore A", "bore B", "pitch"}
    assert again.ran == frozenset()  # nothing differs, so nothing is measured again


def test_a_dragged_region_says_what_the_saved_one_says_and_measures_only_what_rests_on_it(tmp_path, capsys):
    folder = new_station(tmp_path / "plates")
    bench, loaded = Bench(folder / PATH), load_shot(folder / SHOT)
    content = plain((folder / PATH).read_bytes(), PATH)
    base = bench.judge(content, "shot", loaded)
    # 6 px to the right at 0.05 mm/px, and 4 px up: the plane's y runs up.
    drag = Drag(act="drag", step="bore A", handle="middle", grabbed_px=[300, 240], to_px=[306, 236])
    moved = json.loads(json.dumps(content))
    apply(moved, drag, base.job.recipe, lambda name, _: frame_for(name, base.job, base.seen, base.traces))
    assert moved["step"][0]["region"]["ring"]["centre"] == [15.3, 12.2]
    quick = bench.judge(moved, "shot", loaded, quick=True)
    assert quick.ran == {"bore A", "pitch"}
    text = (folder / PATH).read_text().replace("centre = [15, 12]", "centre = [15.3, 12.2]")
    (folder / PATH).write_text(text)
    told = by_command(folder, capsys)
    assert as_kept(quick.outcome.record)["readings"] == told["readings"]
    assert as_kept(bench.judge(plain(text.encode(), PATH), "shot", loaded).outcome.record) == told


def test_another_shot_another_tie_and_another_mask_are_measured_anew(tmp_path):
    folder = new_station(tmp_path / "plates")
    bench = Bench(folder / PATH)
    content = plain((folder / PATH).read_bytes(), PATH)
    first = bench.judge(content, "one", load_shot(folder / SHOT)).outcome.record
    other = bench.judge(content, "two", load_shot(folder / "shots/plates/plate-2.png"))
    assert other.ran == {"bore A", "bore B", "pitch"}
    assert other.outcome.record.readings[0].verdict == "rejected" != first.readings[0].verdict
    tie = folder / "ties" / "plane.json"
    told = json.loads(tie.read_text())
    tie.write_text(json.dumps({**told, "id": "another tie of the same plane"}))
    assert bench.judge(content, "two", load_shot(folder / SHOT)).ran == {"bore A", "bore B", "pitch"}
    Image.new("L", (64, 64)).save(folder / "recipes" / "m.png")
    content["step"][1]["mask"] = "m.png"
    assert bench.judge(content, "two", load_shot(folder / SHOT)).ran == {"bore B", "pitch"}
    blotted = Image.new("L", (64, 64))
    blotted.paste(255, (40, 0, 64, 64))
    blotted.save(folder / "recipes" / "m.png")
    assert bench.judge(content, "two", load_shot(folder / SHOT)).ran == {"bore B", "pitch"}


def test_a_page_is_told_readings_as_they_are_written_and_drawn_in_pixels(asked):
    told = asked.tried(selected="bore A")
    assert told["verdict"] == "conforms"
    assert told["fault"] is None
    assert [s["name"] for s in told["steps"]] == ["bore A", "bore B", "pitch"]
    bore = told["steps"][0]
    (reading,) = bore["readings"]
    assert reading["verdict"] == "conforms"
    assert float(reading["value"]) == pytest.approx(4.4, abs=0.01)
    assert (reading["lower"], reading["upper"], reading["unit"]) == (4.3, 4.5, "mm")
    assert re.fullmatch(r"[\d.]+", reading["pm"])
    at = {h["name"]: h["at"] for h in bore["handles"]}
    # By hand: the tie has 0.05 mm/px with its origin at the lower left of 480 rows.
    assert at == {"middle": [300, 240], "inner": [320, 240], "outer": [300, 176]}
    assert bore["shape"] == "ring"
    assert told["steps"][1]["handles"] == []
    grid = told["grid"]
    assert grid["X"][0] == pytest.approx(0)
    assert grid["Y"][0] == pytest.approx(24)
    url = told["shot"]["pictures"][0]["url"]
    status, headers, data = asked.served.ask("GET", f"{url}/1/0/0", headers={"Authorization": "Bearer look"})
    assert (status, headers["content-type"], data[:2]) == (200, "image/jpeg", b"\xff\xd8")
    assert asked.served.ask("GET", f"{url}/1/9/9", headers={"Authorization": "Bearer look"})[0] == 404


def test_while_a_hand_moves_only_what_comes_out_anew_is_told(asked):
    asked.tried()
    drag = {"act": "drag", "step": "bore A", "handle": "outer", "grabbed_px": [300, 176], "to_px": [300, 186]}
    told = asked.tried(drag, live=True, selected="bore A")
    assert [s["name"] for s in told["steps"]] == ["bore A", "pitch"]
    assert told["is_partial"]
    assert {h["name"]: h["at"] for h in told["steps"][0]["handles"]}["outer"] == [300, 186]
    assert "outer = 3.2" in (asked.folder / PATH).read_text()  # nothing is written


def test_a_text_that_is_not_saved_is_judged_as_it_stands(asked):
    text = RECIPE.replace("upper = 4.50", "upper = 4.35")
    assert asked.tried(text=text)["steps"][0]["verdict"] == "rejected"
    fault = asked.tried(text=text.replace("[[step]]", "[[step", 1))["fault"]
    assert "is not TOML" in fault["says"]


# --- editing -------------------------------------------------------------------------------------------------------


def test_an_edit_touches_what_it_changes_and_every_comment_stays(asked):
    drag = {"act": "drag", "step": "bore A", "handle": "middle", "grabbed_px": [300, 240], "to_px": [310, 240]}
    status, told = asked.edit(drag)
    assert (status, told["step"]) == (200, "bore A")
    text = (asked.folder / PATH).read_text(encoding="utf-8")
    assert text == RECIPE.replace("centre = [15, 12]", "centre = [15.5, 12]")
    assert told["sha"] == hashlib.sha256(text.encode()).hexdigest()
    status, told = asked.edit({"act": "put", "step": "bore A", "path": ["limits", "diameter", "upper"], "value": 4.6})
    assert status == 200
    assert "limits.diameter = { lower = 4.30, upper = 4.6 } # drawing HV-60" in (asked.folder / PATH).read_text()
    for _ in range(2):
        assert asked("POST", "/api/undo", {})[0] == 200
    assert (asked.folder / PATH).read_text(encoding="utf-8") == RECIPE
    assert asked("POST", "/api/redo", {})[0] == 200
    assert "centre = [15.5, 12]" in (asked.folder / PATH).read_text()


def test_steps_are_added_by_what_is_drawn_named_and_taken_away(asked):
    slot = {"act": "add", "kind": "width", "shape": "rectangle", "points_px": [[250, 60], [350, 140]], "name": "slot"}
    assert asked.edit(slot)[1]["step"] == "slot"
    told = asked.tried(selected="slot")
    (reading,) = told["steps"][-1]["readings"]
    assert float(reading["value"]) == pytest.approx(3.0, abs=0.01)  # 60 px of 0.05 mm, as it is drawn
    # Drawn tall, it would be searched along the slot, where there is no edge: it is searched where it reads.
    tall = {"act": "draw", "step": "slot", "shape": "rectangle", "points_px": [[280, 40], [320, 160]]}
    assert asked.edit(tall)[0] == 200
    (reading,) = asked.tried()["steps"][-1]["readings"]
    assert float(reading["value"]) == pytest.approx(3.0, abs=0.01)
    assert asked.edit({"act": "add", "kind": "point", "rests_on": ["bore A", "bore B"]})[1]["step"] == "point"
    status, refused = asked.edit({"act": "remove", "step": "bore A"})
    assert (status, refused["says"]) == (422, '"pitch" and "point" rest on "bore A"')
    assert asked.edit({"act": "rename", "step": "bore A", "to": "left bore"})[0] == 200
    draft = tomllib.loads((asked.folder / PATH).read_text())
    assert draft["step"][2]["between"] == ["left bore", "bore B"]
    assert draft["step"][-1]["between"] == ["left bore", "bore B"]
    assert asked.edit({"act": "remove", "step": "point"})[0] == 200
    assert asked.edit({"act": "move", "step": "slot", "to": 0})[0] == 200
    assert [s["name"] for s in asked.tried()["draft"]] == ["slot", "left bore", "bore B", "pitch"]
    assert asked.tried()["fault"] is None


def test_a_recipe_begins_empty_and_its_first_step_is_drawn_into_a_picture(asked):
    status, told = asked("POST", "/api/recipe/drafts", {"name": "new plate", "tie": "ties/plane.json"})
    assert (status, told["step"]) == (201, "recipes/new-plate.toml")
    wanted = {"recipe": told["step"], "shot": SHOT}
    status, judged = asked("POST", "/api/recipe/try", wanted)
    assert (status, judged["draft"], judged["fault"], judged["steps"]) == (200, [], None, [])
    add = {"act": "add", "kind": "circle", "shape": "ring", "points_px": [[300, 240], [344, 240]]}
    status, done = asked("POST", "/api/recipe/edit", {**wanted, "sha": judged["sha"], "edit": add})
    assert status == 200, done
    judged = asked("POST", "/api/recipe/try", wanted)[1]
    assert float(judged["steps"][0]["readings"][0]["value"]) == pytest.approx(4.4, abs=0.01)
    assert asked("POST", "/api/recipe/drafts", {"name": "new plate"})[0] == 422
    assert not list((asked.folder / "recipes").glob("*.try-*"))


def test_a_mask_is_painted_in_the_picture_and_goes_where_its_region_goes(asked):
    told = asked.tried()
    stroke = {"points_px": [[360, 200], [360, 280]], "radius_px": 30}
    wanted = {"recipe": PATH, "shot": SHOT, "sha": told["sha"], "step": "bore A", "strokes": [stroke]}
    status, done = asked("POST", "/api/recipe/mask", wanted)
    assert status == 200, done
    assert 'mask = "masks/plate.bore-A.png"' in (asked.folder / PATH).read_text()
    mask = asked.tried()["steps"][0]["mask"]
    # By hand: 34 of the 128 columns of the box, less the round ends of the stroke.
    assert 25 < mask["percent"] < 26.6
    xs = [x for line in mask["lines"] for x, _ in line]
    assert (min(xs), max(xs)) == (pytest.approx(330, abs=2), pytest.approx(364, abs=2))
    drag = {"act": "drag", "step": "bore A", "handle": "middle", "grabbed_px": [300, 240], "to_px": [310, 240]}
    moved = asked.tried(drag)["steps"][0]["mask"]
    assert min(x for line in moved["lines"] for x, _ in line) == pytest.approx(340, abs=2)
    over = {**wanted, "sha": done["sha"], "strokes": [{"points_px": [[300, 240]], "radius_px": 200}]}
    status, refused = asked("POST", "/api/recipe/mask", over)
    assert (status, refused["says"]) == (422, "the mask would hide the whole region")
    assert asked("POST", "/api/undo", {})[0] == 200
    assert not (asked.folder / "recipes" / "masks").exists()
    assert (asked.folder / PATH).read_text(encoding="utf-8") == RECIPE


def test_a_find_is_taught_from_the_shot_and_steps_live_in_its_frame(asked):
    add = {"act": "add", "kind": "find", "name": "plate", "shape": "rectangle", "points_px": [[70, 5], [610, 440]]}
    assert asked.edit(add)[0] == 200
    told = asked.tried()
    assert told["steps"][-1]["readings"][0]["verdict"] is None
    assert told["steps"][-1]["fault"]
    wanted = {"recipe": PATH, "sha": told["sha"], "step": "plate", "shots": [SHOT]}
    status, job = asked("POST", "/api/recipe/teach", wanted)
    assert status == 202
    job = asked.ended(job)
    assert job["state"] == "done", job["fault"]
    assert re.match(r"\d+ places on its outline", job["result"]["lines"][0])
    told = asked.tried(selected="plate")
    found = {r["quantity"]: r for r in told["steps"][-1]["readings"]}
    assert found["share"]["number"] > 0.9
    assert told["steps"][-1]["axes"]
    add = {"act": "add", "kind": "circle", "name": "own", "frame": "plate", "shape": "ring",
           "points_px": [[300, 240], [344, 240]]}  # fmt: skip
    assert asked.edit(add)[0] == 200
    own = next(s for s in asked.tried()["steps"] if s["name"] == "own")
    assert float(own["readings"][0]["value"]) == pytest.approx(4.4, abs=0.01)
    (written,) = [s for s in tomllib.loads((asked.folder / PATH).read_text())["step"] if s["name"] == "own"]
    assert written["in"] == "plate"
    assert (asked.folder / "recipes" / "plate.plate.shape.json").is_file()


def test_a_draft_runs_over_a_folder_and_the_gravest_come_first(asked):
    status, job = asked("POST", "/api/recipe/folder", {"recipe": PATH, "folder": "shots/plates"}, token="look")
    assert status == 202
    told = asked.ended(job)["result"]
    assert [(r["name"], r["verdict"]) for r in told["ran"]] == [
        ("plate-2.png", "rejected"), ("plate-1.png", "conforms"), ("plate-3.png", "conforms")
    ]  # fmt: skip
    assert told["ran"][0]["why"].startswith("bore A: ")
    assert told["counts"] == {"rejected": 1, "conforms": 2}
    status, headers, _ = asked.served.ask("GET", told["ran"][0]["thumb"], headers={"Authorization": "Bearer look"})
    assert (status, headers["content-type"]) == (200, "image/jpeg")


def test_a_shot_that_cannot_be_read_is_told_without_where_the_station_lies(asked):
    torn = asked.folder / "shots" / "plates" / "torn.png"
    torn.write_bytes((asked.folder / "shots" / "plates" / "plate-1.png").read_bytes()[:2000])
    told = asked.ended(asked("POST", "/api/recipe/folder", {"recipe": PATH, "folder": "shots/plates"})[1])["result"]
    (found,) = [one for one in told["ran"] if one["name"] == "torn.png"]
    assert found["verdict"] == "unread"
    assert found["why"].startswith("shots/plates/torn.png cannot be decoded")


def test_the_card_is_sorted_by_what_a_step_gives_and_its_forms_are_the_tables_own(asked):
    card = asked("GET", "/api/recipe/card")[1]
    by_gives = {}
    for kind in card["kinds"]:
        by_gives.setdefault(kind["gives"], []).append(kind["kind"])
    assert by_gives == {
        "a place": ["find", "edge", "line", "circle", "arc", "point"],
        "a length": ["width", "distance", "true_position"],
        "an angle": ["angle"],
        "a surface": ["patches", "bead", "colour", "compare"],
        "a mark": ["code", "text"],
    }
    circle = next(k for k in card["kinds"] if k["kind"] == "circle")
    fields = {f["key"]: f for f in circle["fields"]}
    assert fields["operator"]["choices"] == ["least-squares", "two-point", "max-inscribed", "min-circumscribed"]
    find = next(k for k in card["kinds"] if k["kind"] == "find")
    share = next(f for f in find["fields"] if f["key"] == "least_share")
    assert (share["type"], share["least"], share["most"]) == ("number", 0.2, 1.0)


# --- bad input -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("edit", "where", "says"),
    [
        ({"act": "put", "step": "bore A", "path": ["limits", "diameter"], "value": {"lower": 5, "upper": 4}},
         "limits.diameter", "is upside down"),
        ({"act": "put", "step": "bore A", "path": ["operator"], "value": "largest"}, "operator", "operator is"),
        ({"act": "put", "step": "bore A", "path": ["oprator"], "value": "largest"}, "oprator", "is not known here"),
        ({"act": "put", "step": None, "path": ["tie"], "value": "../ties/none.json"}, "tie", "there is none"),
        ({"act": "put", "step": None, "path": ["height"], "value": "high"}, "height", "names the column|give a number"),
        ({"act": "put", "step": "bore A", "path": ["name"], "value": "x"}, "", "renamed"),
        ({"act": "rename", "step": "bore A", "to": "bore B"}, "", "already"),
        ({"act": "rename", "step": "bore A", "to": "a#b"}, "rename", "name"),
        ({"act": "add", "kind": "circle"}, "", "needs a region"),
        ({"act": "add", "kind": "circle", "shape": "rectangle", "points_px": [[1, 1], [9, 9]]}, "", "looks in a ring"),
        ({"act": "add", "kind": "circle", "shape": "ring", "points_px": [[1, 1], [1, 1]]}, "", "no size"),
        ({"act": "add", "kind": "sorcery"}, "", "there is no kind of step"),
        ({"act": "add", "kind": "circle", "frame": "bore A", "shape": "ring", "points_px": [[1, 1], [9, 1]]},
         "", "frame"),
        ({"act": "drag", "step": "pitch", "handle": "middle", "grabbed_px": [1, 1], "to_px": [2, 2]}, "", "no region"),
        ({"act": "drag", "step": "bore A", "handle": "nose", "grabbed_px": [1, 1], "to_px": [2, 2]}, "", "no handle"),
        ({"act": "remove", "step": "<script>alert(1)</script>"}, "", "no step is named"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_said_at_its_field_and_nothing_is_written(asked, edit, where, says):
    status, refused = asked.edit(edit)
    assert status == 422
    assert re.search(says, f"{refused['says']}; {refused['do']}"), refused
    if where:
        assert refused["where"] == where
    assert (asked.folder / PATH).read_text(encoding="utf-8") == RECIPE


def test_a_file_that_was_changed_underneath_is_never_written_over(asked):
    sha = asked.tried()["sha"]
    other = RECIPE.replace("4.50", "4.55")
    (asked.folder / PATH).write_text(other, encoding="utf-8")
    put = {"act": "put", "step": "bore A", "path": ["operator"], "value": "two-point"}
    status, refused = asked.edit(put, sha=sha)
    assert (status, refused["code"], refused["where"]) == (409, "changed", "recipe")
    assert (asked.folder / PATH).read_text(encoding="utf-8") == other
    assert asked.tried()["sha"] != sha  # the page is told of it as it is now


def test_a_draft_that_cannot_be_run_says_why_and_can_be_mended_from_the_page(asked):
    broken = RECIPE.replace("inner = 1.0, outer = 3.2 } } # wide", "inner = 4.0, outer = 3.2 } } # wide")
    (asked.folder / PATH).write_text(broken, encoding="utf-8")
    told = asked.tried()
    assert told["fault"]["says"] == 'plate.toml: step 1 "bore A": region.ring.inner is 4'
    assert [s["name"] for s in told["draft"]] == ["bore A", "bore B", "pitch"]
    assert told["shot"]["pictures"][0]["width"] == 640
    mend = {"act": "put", "step": "bore A", "path": ["region", "ring", "inner"], "value": 1.0}
    assert asked.edit(mend)[0] == 200
    assert asked.tried()["fault"] is None


@pytest.mark.parametrize("shot", ["../station.toml", "shots/../station.toml", "shots/none.png", "/etc/passwd",
                                  "private/users.json", "record/1", "record/x", "shots/plates"])  # fmt: skip
def test_a_shot_is_one_of_the_station_or_refused(asked, shot):
    status, refused = asked("POST", "/api/recipe/try", {"recipe": PATH, "shot": shot})
    assert status == 422, refused


def test_a_picture_of_another_size_than_the_tie_judges_nothing_and_says_why(asked):
    Image.fromarray(picture(size=(320, 240))).save(asked.folder / "shots" / "small.png")
    told = asked.tried(shot="shots/small.png")
    assert told["verdict"] == "unread"
    assert "640" in told["steps"][0]["fault"]
    (asked.folder / "shots" / "no.png").write_bytes(b"GIF89a not a picture")
    status, refused = asked("POST", "/api/recipe/try", {"recipe": PATH, "shot": "shots/no.png"})
    assert status == 422
    assert "no.png" in refused["says"]


def test_who_may_only_look_edits_nothing(asked):
    sha = asked.tried()["sha"]
    put = {"act": "put", "step": "bore A", "path": ["operator"], "value": "two-point"}
    wanted = {"recipe": PATH, "shot": SHOT, "sha": sha, "edit": put}
    assert asked("POST", "/api/recipe/edit", wanted, token="look")[0] == 403
    assert asked("POST", "/api/recipe/try", {"recipe": PATH, "shot": SHOT}, token="look")[0] == 200
    assert asked("POST", "/api/recipe/drafts", {"name": "x"}, token="look")[0] == 403


def test_kept_shots_are_worked_on_and_judged_again_beside_what_they_were(asked, capsys):
    folder = asked.folder
    assert carry_out(["accept", str(folder), "--why", "first", "--who", "M. Weiss"]) == 0
    shots = [str(folder / "shots" / "plates" / f"plate-{k}.png") for k in (1, 2)]
    assert carry_out(["run", str(folder), *shots]) in (0, 1)
    capsys.readouterr()
    seqs = [r["seq"] for r in asked("GET", "/api/records")[1]["records"]]
    told = asked.tried(shot=f"record/{seqs[0]}")
    assert told["steps"][0]["verdict"] == "rejected"
    url = told["shot"]["pictures"][0]["url"]
    assert asked.served.ask("GET", f"{url}/1/0/0", headers={"Authorization": "Bearer look"})[0] == 200
    # The draft begins to differ: it is the next revision from then on.
    put = {"act": "put", "step": "bore A", "path": ["limits", "diameter", "upper"], "value": 4.7}
    assert asked.edit(put)[0] == 200
    assert tomllib.loads((folder / PATH).read_text())["revision"] == 2
    status, job = asked("POST", "/api/recipe/folder", {"recipe": PATH, "kept": 10})
    assert status == 202
    ran = asked.ended(job)["result"]["ran"]
    assert [(r["ref"], r["was"], r["verdict"]) for r in ran] == [
        (f"record/{seqs[0]}", "rejected", "conforms"),
        (f"record/{seqs[1]}", "conforms", "conforms"),
    ]
    assert asked("POST", "/api/recipe/folder", {"recipe": PATH, "kept": 1, "folder": "shots/plates"})[0] == 422


# --- forms, units, drawings and grips ------------------------------------------------------------------------------


def test_lengths_are_told_in_the_unit_that_is_asked_for(asked):
    own, told = asked.tried(selected="bore A"), asked.tried(selected="bore A", unit="in")
    # An inch is 25.4 mm exactly: the international yard and pound agreement of 1959.
    mm, inch = (t["steps"][0]["readings"][0] for t in (own, told))
    assert (mm["unit"], inch["unit"]) == ("mm", "in")
    assert inch["number"] * 25.4 == pytest.approx(mm["number"], rel=1e-12)
    assert inch["upper"] * 25.4 == pytest.approx(4.5, rel=1e-12)
    assert float(inch["value"]) * 25.4 == pytest.approx(mm["number"], abs=1e-4)
    assert mm["verdict"] == inch["verdict"] == "conforms"
    assert told["grid"]["X"][1] * 25.4 == pytest.approx(own["grid"]["X"][1], abs=2e-3)
    assert told["steps"][0]["size"] == "radius 0.039 to 0.126 in"


def test_a_region_is_told_as_a_hand_moves_it(asked):
    hand = asked.tried(selected="bore A")["steps"][0]["hand"]
    assert hand["shape"] == {"kind": "ring", "centre": [15.0, 12.0], "inner": 1.0, "outer": 3.2}
    m = hand["map"]
    # The plain tie: 20 px/mm, y up in the plane and down in the picture.
    assert (m["a"] * 15 + m["c"] * 12 + m["e"], m["b"] * 15 + m["d"] * 12 + m["f"]) == pytest.approx((300, 240), abs=1)
    assert (m["a"], m["d"]) == pytest.approx((20, -20), abs=1e-6)


def test_forms_ask_for_the_tables_within_and_for_edges_and_rules(asked):
    card = asked("GET", "/api/recipe/card")[1]
    assert {"decide.rule", "decide.p"} <= {f["key"] for f in card["head"]}
    colour = next(k for k in card["kinds"] if k["kind"] == "colour")
    assert {"white.reflectance", "white.u", "decide.rule"} <= {f["key"] for f in colour["fields"]}
    assert [f["key"] for f in card["edge"]] == ["bias", "u", "scope"]
    assert {"robot", "envelope.z", "needs"} <= {f["key"] for f in card["grip"]}
    put = {"act": "put", "path": ["edge", "bevel"], "value": {"u": 0.01}}
    assert asked.edit(put)[0] == 200
    assert asked.edit({"act": "put", "step": "bore A", "path": ["edge"], "value": "bevel"})[0] == 200
    assert asked.edit({"act": "put", "step": "bore A", "path": ["decide", "rule"], "value": "simple"})[0] == 200
    written = tomllib.loads((asked.folder / PATH).read_text())
    assert written["edge"] == {"bevel": {"u": 0.01}}
    assert (written["step"][0]["edge"], written["step"][0]["decide"]) == ("bevel", {"rule": "simple"})
    status, refused = asked.edit({"act": "put", "path": ["edge", "bevel", "u"], "value": -1})
    assert (status, refused["where"]) == (422, "edge.bevel.u")


def test_a_white_is_drawn_and_stands_still_in_the_picture(asked):
    rgb = asked.folder / "shots" / "plates" / "colour.png"
    Image.fromarray(picture()).convert("RGB").save(rgb)
    shot = "shots/plates/colour.png"
    add = {"act": "add", "kind": "colour", "shape": "rectangle", "points_px": [[380, 300], [440, 380]]}
    assert asked.edit(add, shot=shot)[0] == 200
    draw = {"act": "draw", "of": "white", "step": "colour", "frame": "image", "shape": "rectangle",
            "points_px": [[520, 300], [570, 380]]}  # fmt: skip
    status, told = asked.edit(draw, shot=shot)
    assert status == 200, told
    written = tomllib.loads((asked.folder / PATH).read_text())["step"][-1]
    assert written["white"] == {
        "region": {"rectangle": {"centre": [545.0, 340.0], "size": [50.0, 80.0]}},
        "in": "image",
    }
    # The plate is of one grey: against itself it is the white of CIELAB, L* = 100, by definition (CIE 15).
    lightness = next(r for r in asked.tried(shot=shot)["steps"][-1]["readings"] if r["quantity"] == "L")
    assert lightness["number"] == pytest.approx(100, abs=0.2)
    status, told = asked.edit({**draw, "step": "bore A"}, shot=shot)
    assert status == 422
    assert "takes no white" in told["says"]


def test_a_drawing_teaches_a_find_where_the_part_lies(asked):
    import ezdxf

    drawing = ezdxf.new()
    drawing.header["$INSUNITS"] = 4
    # The plate as it was drawn into the picture: 500 × 400 px at 0.05 mm, its bore A and its slot.
    drawing.modelspace().add_lwpolyline([(0, 0), (25, 0), (25, 20), (0, 20)], close=True)
    drawing.modelspace().add_circle((10.5, 8.75), 2.2)
    drawing.modelspace().add_lwpolyline([(7.5, 14.25), (13.5, 14.25), (13.5, 17.25), (7.5, 17.25)], close=True)
    path = asked.folder.parent / "plate.dxf"
    drawing.saveas(path)
    wanted = {"recipe": PATH, "sha": asked.tried()["sha"], "file": "plate.dxf",
              "drawing": base64.b64encode(path.read_bytes()).decode()}  # fmt: skip
    status, told = asked("POST", "/api/recipe/outline", wanted)
    assert status == 200, told
    assert "25 × 20 mm" in told["lines"][0]
    found = {r["quantity"]: r["number"] for r in asked.tried()["steps"][-1]["readings"]}
    # Its lower left corner is at px 90, 415: (90, 480 - 415) · 0.05 mm.
    assert (found["x"], found["y"]) == pytest.approx((4.5, 3.25), abs=0.02)
    for more, says in (
        ({"file": "plate.png"}, "no DXF"),
        ({"drawing": base64.b64encode(b"junk").decode()}, "cannot read plate.dxf"),
    ):
        status, told = asked("POST", "/api/recipe/outline", {**wanted, "sha": asked.tried()["sha"], **more})
        assert status == 422
        assert says in told["says"]


def test_a_grip_is_added_told_and_taken_away(asked):
    add = {"act": "add", "kind": "find", "name": "plate", "shape": "rectangle", "points_px": [[70, 5], [610, 440]]}
    assert asked.edit(add)[0] == 200
    _, job = asked(
        "POST", "/api/recipe/teach", {"recipe": PATH, "sha": asked.tried()["sha"], "step": "plate", "shots": [SHOT]}
    )
    assert asked.ended(job)["state"] == "done"
    rows = "from_x,from_y,to_x,to_y\n" + "".join(
        f"{x},{y},{x + 100},{y + 200}\n" for x in (2, 16, 30) for y in (2, 12, 22)
    )
    table = asked.folder.parent / "pairs.csv"
    table.write_text(rows, encoding="utf-8")
    robot = asked.folder / "ties" / "robot.json"
    words = ["tie", "pairs", str(table), "--unit", "mm", "--from", "plane", "--to", "robot", "--out", str(robot)]
    assert carry_out(words) == 0
    assert asked("GET", "/api/recipe/drafts")[1]["robots"] == ["ties/robot.json"]
    envelope = {"x": [0, 500], "y": [0, 500], "z": [-10, 10]}
    grip = {"name": "jaws", "in": "plate", "robot": "../ties/robot.json", "envelope": envelope}
    status, told = asked.edit({"act": "add grip", "table": grip})
    assert status == 200, told
    told = asked.tried()
    (one,) = told["grips"]
    assert one["good"], one["says"]
    origin = {r["quantity"]: r["number"] for r in told["steps"][-1]["readings"]}
    x, y = (float(re.search(rf"\b{axis} ([\d.]+)", one["says"])[1]) for axis in "xy")
    # The robot's numbers are the plane's, moved by (100, 200).
    assert (x, y) == pytest.approx((origin["x"] + 100, origin["y"] + 200), abs=0.01)
    assert len(one["line"]) == 2
    narrow = {"act": "put", "grip": "jaws", "path": ["envelope", "x"], "value": [0, 50]}
    assert asked.edit(narrow)[0] == 200
    assert not asked.tried()["grips"][0]["good"]
    status, refused = asked.edit({**narrow, "value": [50, 0]})
    assert (status, refused["where"]) == (422, "grip.jaws.envelope.x")
    assert asked.edit({"act": "drop grip", "grip": "jaws"})[0] == 200
    assert "grip" not in tomllib.loads((asked.folder / PATH).read_text())


@pytest.mark.parametrize(
    ("edit", "says"),
    [
        ({"act": "rename", "step": "bore A", "to": "\u202e21"}, "unseen characters"),
        ({"act": "rename", "step": "bore A", "to": '3"'}, "without quotes"),
        ({"act": "put", "step": "bore A", "path": ["limits", "diameter", "plus"], "value": "NaN"}, "NaN"),
        ({"act": "put", "step": "bore A", "path": ["limits", "diameter", "plus"], "value": "<script>"}, "<script>"),
    ],
)
def test_nonsense_is_refused_also_where_no_variant_was_chosen_yet(asked, edit, says):
    table = "variant,height_mm,u_height_mm,recipe,bore_a\nthin,0,0,plate,4.4\nthick,0,0,plate,4.6\n"
    (asked.folder / "variants.csv").write_text(table)
    draft = asked.folder / PATH
    text = RECIPE.replace("lower = 4.30, upper = 4.50", 'nominal = "bore_a", plus = 0.1, minus = 0.1')
    draft.write_text(text.replace("height = 0.0\nu_height = 0.0\n", ""), encoding="utf-8")
    before = draft.read_bytes()
    fault = asked.tried()["fault"]
    assert "column" in fault["says"] or "variant" in fault["says"], fault
    assert "--variant" not in json.dumps(fault)
    status, told = asked.edit(edit)
    assert (status, says in told["says"] + told["do"]) == (422, True), told
    assert draft.read_bytes() == before
    assert asked.edit({"act": "put", "step": "bore A", "path": ["limits", "diameter", "plus"], "value": 0.2})[0] == 200


def test_variants_are_told_with_the_drafts_that_measure_them(asked):
    (asked.folder / "variants.csv").write_text(
        "variant,height_mm,u_height_mm,recipe\nthin,0,0,plate\nwide,0,0,other\n", encoding="utf-8"
    )
    text = RECIPE.replace('name = "plate"', 'name = "other"')
    (asked.folder / "recipes" / "other.toml").write_text(text, encoding="utf-8")
    told = asked("GET", "/api/recipe/drafts")[1]
    assert told["variants"] == [
        {"name": "thin", "recipes": [PATH]}, {"name": "wide", "recipes": ["recipes/other.toml"]}
    ]  # fmt: skip
    assert asked.tried(variant="thin")["verdict"] == "conforms"
    assert "measured by" in asked.tried(variant="wide")["fault"]["says"]
