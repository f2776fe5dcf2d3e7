"""Light over HTTP: lamps as drafts whose comments survive, and what a shot brings out, as the command has it."""

import io
import json
import time

import numpy as np
import pytest
from PIL import Image
from tests.contract.test_relief_command import LIGHTS, bump
from tests.helpers.served import Served, new_station, refusal

from tiepoint.documents.pictures import save_png
from tiepoint.web.users import User, token_sha, write_users

MACHINE = {"Authorization": "Bearer change", "Content-Type": "application/json"}


@pytest.fixture
def folder(tmp_path):
    folder = new_station(tmp_path / "plates")
    write_users(
        folder / "private" / "users.json", [User(role, role, None, token_sha(role)) for role in ("look", "change")]
    )
    shot = folder / "pictures" / "shots" / "bump"
    shot.mkdir(parents=True)
    for name, picture in zip(("0-east", "1-north", "2-west", "3-south"), bump()[0], strict=True):
        save_png(shot / f"{name}.png", picture)
    (folder / "lights.toml").write_text(LIGHTS.replace("[[light]]", "# as mounted in March\n[[light]]", 1))
    return folder


def sent(served, method, path, body):
    status, _, data = served.ask(method, path, headers=MACHINE, body=json.dumps(body))
    return status, data


def looked(served, **wanted):
    """Return the job of a look, once it is over."""
    status, data = sent(served, "POST", "/api/light/looks", {"pictures": ["pictures/shots/bump"], **wanted})
    assert status == 202, data
    job = json.loads(data)
    while job["state"] in ("waiting", "running"):
        time.sleep(0.02)  # as a page asks that missed the event
        job = served.get(f"/api/jobs/{job['id']}")[1]
    return job


def picture_of(served, path):
    status, headers, data = served.ask("GET", path)
    assert status == 200, data
    return headers, np.asarray(Image.open(io.BytesIO(data)))


def test_a_look_shows_the_pictures_that_the_command_writes(folder, cli, tmp_path):
    shot, out = folder / "pictures" / "shots" / "bump", tmp_path / "out"
    said = cli("relief", shot, "--lights", folder / "lights.toml", "--out", out, "--feature", "9px", "--json")
    assert said.code == 0
    with Served(folder) as served:
        look = looked(served, feature_px=9)["result"]
        assert (look["width"], look["height"], look["unit"]) == (160, 120, "px")
        assert [lamp["id"] for lamp in look["lamps"]] == ["east", "north", "west", "south"]
        assert look["noise_grey"] == pytest.approx(said.json["noise_grey"])
        for name in look["names"]:
            _, found = picture_of(served, f"/api/light/looks/{look['id']}/{name}/tiles/0/0/0?feature_px=9")
            assert np.array_equal(found, np.asarray(Image.open(out / f"{name}.png"))), name
        _, taken = picture_of(served, f"/api/light/looks/{look['id']}/taken-1/tiles/0/0/0")
        assert np.array_equal(taken, bump()[0][1])


def test_a_width_that_is_changed_changes_the_details_alone(folder):
    with Served(folder) as served:
        at = f"/api/light/looks/{looked(served)['result']['id']}"
        narrow, wide = (picture_of(served, f"{at}/raised/tiles/0/0/0?feature_px={px}")[1] for px in (4, 40))
        assert not np.array_equal(narrow, wide)
        same = [picture_of(served, f"{at}/slope_x/tiles/0/0/0?feature_px={px}")[1] for px in (4, 40)]
        assert np.array_equal(*same)


def test_at_a_pixel_the_slopes_are_those_of_the_bump(folder):
    with Served(folder) as served:
        at = f"/api/light/looks/{looked(served)['result']['id']}/at"
        told = served.get(f"{at}?x=70&y=60")[1]
        # The slope of 6·exp(−r²/200) at 10 px left of its top, which is what the picture was made of.
        assert told["slope_x"] == pytest.approx(10 / 100 * 6 * np.exp(-100 / 200), abs=3 * told["u"])
        status, _, body = served.ask("GET", f"{at}?x=160&y=60")
        assert (status, refusal(status, body)["where"]) == (422, "x")


def test_lamps_are_changed_and_their_comments_stay(folder):
    with Served(folder) as served:
        told = served.get("/api/light/lamps")[1]
        assert (told["fault"], [lamp["azimuth_deg"] for lamp in told["lamps"]]) == ("", [0, 90, 180, 270])
        told["lamps"][0]["elevation_deg"] = 30
        body = {"seen": told["sha"], "lamps": told["lamps"]}
        status, data = sent(served, "PUT", "/api/light/lamps", body)
        assert (status, json.loads(data)["lamps"][0]["elevation_deg"]) == (200, 30)
        assert "# as mounted in March" in (folder / "lights.toml").read_text()
        status, data = sent(served, "PUT", "/api/light/lamps", body)  # another tab, which has not seen that
        assert (status, refusal(status, data)["code"]) == (409, "conflict")
        status, _ = sent(served, "POST", "/api/undo", {"number": None})
        assert status == 200
        assert served.get("/api/light/lamps")[1]["lamps"][0]["elevation_deg"] == 45


def test_a_station_without_lamps_begins_with_four(folder):
    (folder / "lights.toml").unlink()
    with Served(folder) as served:
        told = served.get("/api/light/lamps")[1]
        assert (told["sha"], told["lamps"], told["fault"]) == (None, [], "")
        lamps = [{"id": name, "azimuth_deg": 90 * k, "elevation_deg": 30} for k, name in enumerate("abcd")]
        status, data = sent(served, "PUT", "/api/light/lamps", {"seen": None, "lamps": lamps})
        assert status == 200, data
        assert [lamp["id"] for lamp in served.get("/api/light/lamps")[1]["lamps"]] == list("abcd")


@pytest.mark.parametrize(
    ("lamps", "says"),
    [
        ([{"id": "a", "azimuth_deg": 0, "elevation_deg": 30}] * 4, "stands twice"),
        ([{"id": c, "azimuth_deg": 10, "elevation_deg": 30} for c in "abcd"], "in one plane"),
        ([{"id": c, "azimuth_deg": 90} for c in "abcd"], "elevation_deg"),
        ([{"id": "a", "elevation_deg": 95}], "elevation_deg"),
    ],
)  # fmt: skip
def test_lamps_that_cannot_be_are_told_in_a_sentence_and_nothing_is_lost(folder, lamps, says):
    before = (folder / "lights.toml").read_bytes()
    with Served(folder) as served:
        body = {"seen": served.get("/api/light/lamps")[1]["sha"], "lamps": lamps}
        status, data = sent(served, "PUT", "/api/light/lamps", body)
        assert status == 422
        assert says in refusal(status, data)["says"]
    assert (folder / "lights.toml").read_bytes() == before


@pytest.mark.parametrize(
    ("pictures", "says"),
    [
        (["pictures/shots/bump/0-east.png"], "1 picture was given"),
        (["pictures/shots/none"], "none"),
        (["../../etc"], "no name of a draft"),
        (["ledger.sqlite"], "no draft"),
    ],
)
def test_what_cannot_be_looked_at_is_told_in_a_sentence(folder, pictures, says):
    with Served(folder) as served:
        job = looked(served, pictures=pictures)
        assert job["state"] == "failed"
        assert says in job["fault"]["says"]


def test_who_only_looks_changes_nothing(folder):
    with Served(folder) as served:
        for method, path, body in (
            ("PUT", "lamps", {"seen": None, "lamps": [{"id": "a"}]}),
            ("POST", "looks", {"pictures": ["x"]}),
        ):
            headers = {**MACHINE, "Authorization": "Bearer look"}
            status, _, _ = served.ask(method, f"/api/light/{path}", headers=headers, body=json.dumps(body))
            assert status == 403


def test_an_old_look_is_not_mistaken_for_the_new_one(folder):
    with Served(folder) as served:
        old = looked(served)["result"]["id"]
        looked(served)
        status, _, body = served.ask("GET", f"/api/light/looks/{old}/relief/tiles/0/0/0")
        assert (status, refusal(status, body)["do"]) == (404, "look again")
