"""Plan over HTTP: worked out as it is typed, kept with comments, undone, foreseen by a job, refused at its field."""

import io
import json
import time

import numpy as np
import pytest
from PIL import Image
from tests.helpers.served import Served, new_station, refusal

from tiepoint.documents.pictures import load_picture
from tiepoint.web.users import User, token_sha, write_users

TYPED = {
    "part.size_mm": "60 × 40", "part.tolerance_mm": "0.2", "lens.stand_off_mm": "400", "sensor.pixels": "1440x1080",
    "target.material": "glass", "target.u_bars_mm": "3um",
}  # fmt: skip


@pytest.fixture
def folder(tmp_path):
    folder = new_station(tmp_path / "plates")
    write_users(
        folder / "private" / "users.json", [User(role, role, None, token_sha(role)) for role in ("look", "change")]
    )
    return folder


def sent(served, method, path, body, who="change"):
    headers = {"Authorization": f"Bearer {who}", "Content-Type": "application/json"}
    status, _, data = served.ask(method, path, headers=headers, body=json.dumps(body))
    return status, json.loads(data)


def kept(served, typed=TYPED, seen=None):
    status, told = sent(served, "PUT", "/api/plan", {"typed": typed, "seen": seen})
    assert status == 200, told
    return told


def foreseen(served):
    """Return the job of foreseeing, once it is over."""
    status, job = sent(served, "POST", "/api/plan/foresee", {})
    assert status == 202, job
    while job["state"] in ("waiting", "running"):
        time.sleep(0.05)  # as a page asks that missed the event
        job = served.get(f"/api/jobs/{job['id']}")[1]
    return job


def test_an_empty_station_has_no_plan_and_says_what_is_needed(folder):
    with Served(folder) as served:
        status, told = served.get("/api/plan")
        assert status == 200
        assert told["sha"] is None
        assert set(told["look"]["faults"]) == {"part.size_mm", "part.tolerance_mm", "lens.stand_off_mm"}
        usual = {field["key"]: field["usual"] for field in told["fields"]}
        assert (usual["part.loading_mm"], usual["lens.kind"], usual["lens.focal_mm"]) == ("1", "perspective", "")


def test_what_is_typed_is_worked_out_and_not_kept(folder):
    with Served(folder) as served:
        status, told = sent(served, "POST", "/api/plan/look", {"typed": TYPED}, who="look")
        assert status == 200
        assert told["faults"] == {}
        lines = {line["key"]: line for line in told["sheet"]["lines"]}
        # 25 mm is the longest that is made up to f = s·m/(1 + m), and the field of its thin lens 4.968 · 375/25 mm.
        assert lines["focal"]["value"] == "25.0"
        assert lines["field_long"]["value"].startswith("74.5")
        assert lines["field_long"]["pm"]
        assert told["sheet"]["chosen"]["lens.focal_mm"] == "25"
        assert sum(one["share"] for one in told["sheet"]["budget"]) == pytest.approx(1)
        assert not (folder / "plan.toml").exists()


def test_tie_advises_the_target_that_the_plan_is_foreseen_with(folder):
    # By the same route as the page Tie, with what it is handed: the field in the target's plane, below a part of 12 mm.
    with Served(folder) as served:
        told = kept(served, {**TYPED, "part.height_mm": "12"})
        target = told["look"]["sheet"]["target"]
        # Worked by hand: 1440 and 1080 px of 3.45 µm at m = 25/375 are 74.52 mm by 55.89 mm, there 412/400 times that.
        assert (target["width_mm"], target["height_mm"], target["away_mm"]) == (76.76, 57.57, 412)
        field = {"width": "76.76", "height": "57.57", "width_px": 1440, "height_px": 1080, "pattern": "charuco"}
        status, advised = sent(served, "POST", "/api/targets/advice", field)
        assert status == 200
        same = ("pitch_mm", "columns", "rows", "pattern")
        assert {key: advised[key] for key in same} == {key: target[key] for key in same}
        lines = {line["key"]: line for line in told["look"]["sheet"]["lines"]}
        assert lines["target"]["value"] == f"{advised['columns']} × {advised['rows']} of {advised['pitch_mm']:g}"
        says = foreseen(served)["result"]["target"]
        assert says.startswith(f"{advised['columns']} × {advised['rows']} squares of {advised['pitch_mm']:g} mm")


@pytest.mark.parametrize(
    ("key", "text", "says"),
    [
        ("part.tolerance_mm", "wide", "is not a length"),
        ("part.tolerance_mm", "-1", "is -1; choose above 0"),
        ("part.size_mm", "60", "is not two lengths"),
        ("lens.focal_mm", "500", "is 500; below it no picture is formed"),
        ("light.exposure_us", "1 fortnight", "is not a time"),
        ("part.surface", "<script>alert(1)</script>", "is not known here"),
        ("lens.lean_deg", "1e400", "is too large"),
        ("part.ground", "0.5", "the part reflects as much"),
    ],
)
def test_nonsense_is_said_at_its_field_and_nothing_is_kept(folder, key, text, says):
    with Served(folder) as served:
        told = kept(served)
        typed = {**TYPED, key: text}
        status, looked = sent(served, "POST", "/api/plan/look", {"typed": typed})
        assert status == 200
        assert looked["sheet"] is None
        assert says in looked["faults"][key]
        status, refused = sent(served, "PUT", "/api/plan", {"typed": typed, "seen": told["sha"]})
        assert status == 422
        assert refusal(status, json.dumps(refused).encode())["where"] == key
        assert served.get("/api/plan")[1]["sha"] == told["sha"]


@pytest.mark.parametrize(
    ("key", "text", "kept_as"),
    [
        ("part.tolerance_mm", "0,25", "0.25"),
        ("part.tolerance_mm", "0,01in", "0.254"),
        ("part.size_mm", "60,5 × 40,25", "60.5 × 40.25"),
        ("part.size_mm", "60,40", "60 × 40"),
        ("lens.f_number", "5,6", "5.6"),
        ("light.exposure_us", "0,5 ms", "500"),
    ],
)
def test_a_decimal_comma_is_one_as_on_the_other_pages(folder, key, text, kept_as):
    with Served(folder) as served:
        assert kept(served, {**TYPED, key: text})["typed"][key] == kept_as


def test_a_text_that_is_too_long_is_refused_in_plain_words(folder):
    with Served(folder) as served:
        status, refused = sent(served, "POST", "/api/plan/look", {"typed": {**TYPED, "lens.f_number": "9" * 10_000}})
        assert (status, refused["error"]["where"]) == (422, "typed.lens.f_number")
        assert refused["error"]["says"] == "typed.lens.f_number has 10000 characters"
        assert refused["error"]["do"] == "give at most 200"


def test_a_plan_is_kept_with_comments_and_undone(folder):
    with Served(folder) as served:
        told = kept(served)
        path = folder / "plan.toml"
        path.write_text(path.read_text("utf-8").replace("tolerance_mm", "# GV-82 / 1\ntolerance_mm"), "utf-8")
        told = served.get("/api/plan")[1]
        told = kept(served, {**TYPED, "lens.f_number": "8"}, told["sha"])
        assert told["typed"]["lens.f_number"] == "8"
        assert "# GV-82 / 1" in path.read_text("utf-8")
        status, step = sent(served, "POST", "/api/undo", {})
        assert (status, step["says"]) == (200, "Change the plan")
        assert "f_number" not in path.read_text("utf-8")


def test_two_who_change_it_at_once_are_told(folder):
    with Served(folder) as served:
        told = kept(served)
        kept(served, {**TYPED, "lens.f_number": "8"}, told["sha"])
        status, refused = sent(served, "PUT", "/api/plan", {"typed": TYPED, "seen": told["sha"]})
        assert status == 409
        assert refused["error"]["code"] == "conflict"


def test_who_only_looks_changes_nothing(folder):
    with Served(folder) as served:
        for method, path, body in (("PUT", "/api/plan", {"typed": TYPED}), ("POST", "/api/plan/foresee", {})):
            status, _ = sent(served, method, path, body, who="look")
            assert status == 403
        assert not (folder / "plan.toml").exists()


def test_what_the_camera_would_deliver_is_foreseen_and_kept(folder):
    with Served(folder) as served:
        kept(served)
        job = foreseen(served)
        assert job["state"] == "done", job
        result = job["result"]
        assert result["good"]
        assert result["is_kept"]
        assert [size["name"] for size in result["sizes"]] == ["length", "width", "bore"]
        told = served.get("/api/plan")[1]
        assert told["predicted"]["is_current"]
        assert told["predicted"]["says"] == " ".join(result["sentences"])
        part = next(p for p in told["pictures"] if p["which"] == "part")
        assert (part["width"], part["height"]) == (1440, 1080)
        _, headers, data = served.ask("GET", f"/api/plan/pictures/part/{part['sha']}/tiles/0/1/1")
        assert headers["content-type"] == "image/png"
        tile = np.asarray(Image.open(io.BytesIO(data)))
        assert np.array_equal(tile, load_picture(folder / "plan" / "part.png").grey[512:1024, 512:1024])
        assert served.ask("GET", f"/api/plan/pictures/part/{'0' * 64}/tiles/0/0/0")[0] == 404
        # Another plan: what was foreseen does not stand for it.
        told = kept(served, {**TYPED, "lens.focal_mm": "16"}, told["sha"])
        assert told["predicted"] is None


def test_the_stage_tells_how_far_the_plan_is(folder):
    def stage():
        return next(one for one in served.get("/api/stages")[1]["stages"] if one["id"] == "plan")

    with Served(folder) as served:
        assert stage()["state"] == "empty"
        kept(served)
        assert (stage()["state"], stage()["line"]) == ("begun", "Not foreseen yet")
        assert foreseen(served)["state"] == "done"
        assert (stage()["state"], stage()["line"]) == ("begun", "Nothing measured beside")


def test_nothing_is_foreseen_where_nothing_is_planned(folder):
    with Served(folder) as served:
        status, refused = sent(served, "POST", "/api/plan/foresee", {})
        assert status == 422
        assert "there is no plan yet" in refused["error"]["says"]


def test_a_foreseeing_can_be_cancelled(folder):
    with Served(folder) as served:
        kept(served)
        _, job = sent(served, "POST", "/api/plan/foresee", {})
        sent(served, "DELETE", f"/api/jobs/{job['id']}", {})
        while job["state"] in ("waiting", "running"):
            time.sleep(0.05)  # as above
            job = served.get(f"/api/jobs/{job['id']}")[1]
        assert job["state"] == "cancelled"
        assert not (folder / "plan").exists()
