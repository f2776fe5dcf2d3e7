"""The station's folder is changed beneath the pages: each says so in a sentence, and nothing is written over it."""

import json
import os
import shutil
from pathlib import Path

import pytest
from tests.helpers.drafted_station import SHOT, Asked, new_station
from tests.helpers.served import Served, refusal

from tiepoint.web.sessions import Local

AGREED = {
    "width_px": 2.5, "saturated": 0.01, "black": 0.3, "evenness": 0.2, "flicker": 0.1, "lean_deg": 1.0, "fills": 0.5,
}  # fmt: skip
DAMAGED = {
    "empty": b"",
    "cut off": b'format = "tiepoint/station/1"\nname = "hinge pl',
    "not UTF-8": b'format = "tiepoint/station/1"\nname = "\xe9\xff"\n',
    "a byte of value 0": b"a\0b",
    "another kind": b'format = "tiepoint/tie/1"\n',
    "no table": b'format = "tiepoint/station/1"\nname = "hinge plates"\nsee = 3\n',
    "newer": b'format = "tiepoint/station/99"\nname = "hinge plates"\n',
}


@pytest.fixture
def asked(tmp_path):
    folder = new_station(tmp_path / "plates")
    local = Local.named("visitor")
    with Served(folder, local=local) as served:
        page = Asked(folder, served)
        headers = {"Content-Type": "application/json", "Origin": f"http://{served.host}"}
        _, told, session = served.ask("POST", "/api/session/key", headers=headers, body=json.dumps({"key": local.key}))
        page.cookie, page.csrf = told["set-cookie"].partition(";")[0], json.loads(session)["csrf"]
        yield page


def by_page(asked, method, path, content):
    """Ask as the page of who has the station open at this machine: no file of users is needed for that."""
    kind = "multipart/form-data; boundary=b" if isinstance(content, bytes) else "application/json"
    headers = {
        "Content-Type": kind, "Cookie": asked.cookie, "X-CSRF-Token": asked.csrf,
        "Origin": f"http://{asked.served.host}",
    }  # fmt: skip
    body = content if isinstance(content, bytes) else json.dumps(content)
    status, _, answer = asked.served.ask(method, path, headers=headers, body=body)
    return status, json.loads(answer) if status < 400 else refusal(status, answer)


@pytest.mark.parametrize("data", DAMAGED.values(), ids=DAMAGED.keys())
def test_into_a_station_toml_that_cannot_be_read_nothing_is_agreed(asked, data):
    path = asked.folder / "station.toml"
    path.write_bytes(data)
    status, told = asked("PUT", "/api/see/agreed", AGREED)
    assert (status, told["says"].startswith("station.toml")) == (422, True), told
    assert path.read_bytes() == data
    assert asked("GET", "/api/history")[1]["done"] == []


def test_a_station_toml_that_was_taken_away_is_not_written_anew_with_what_was_agreed(asked):
    (asked.folder / "station.toml").unlink()
    status, told = asked("PUT", "/api/see/agreed", AGREED)
    assert (status, "station.toml" in told["says"]) == (422, True), told
    assert not (asked.folder / "station.toml").exists()


def test_what_is_agreed_keeps_what_an_editor_wrote_with_a_byte_order_mark(asked):
    path = asked.folder / "station.toml"
    path.write_bytes(b"\xef\xbb\xbf# by hand\n" + path.read_bytes())
    assert asked("PUT", "/api/see/agreed", AGREED)[0] == 200
    assert "# by hand" in path.read_text()


LATIN = "shot,part_id,label\r\nplate-1.png,Türblech,good\r\n".encode("latin-1")
"""As a spreadsheet of an older system saves it."""


@pytest.mark.parametrize(
    ("path", "method", "route", "content"),
    [
        ("pictures/trial/labels.csv", "PUT", "/api/prove/labels", {"shot": "plate-1.png", "label": "bad"}),
        ("requirements.toml", "PUT", "/api/prove/order", {"seen": None, "order": {}}),
        ("lights.toml", "PUT", "/api/light/lamps", {"seen": None, "lamps": []}),
        ("plan.toml", "PUT", "/api/plan", {"seen": None, "typed": {"part.size_mm": "60 × 40"}}),
    ],
)
def test_a_draft_that_is_not_utf_8_is_named_and_kept_byte_by_byte(asked, path, method, route, content):
    place = asked.folder / path
    place.parent.mkdir(parents=True, exist_ok=True)
    data = LATIN if path.endswith(".csv") else "# Stütze\n".encode("latin-1")
    place.write_bytes(data)
    if "lamps" in content:
        content = {**content, "lamps": LAMPS}
    status, told = asked(method, route, content)
    assert (status, "UTF-8" in told["says"]) == (422, True), told
    assert place.read_bytes() == data


def test_a_plan_that_an_editor_wrote_with_a_byte_order_mark_is_read_and_goes_on(asked):
    path = asked.folder / "plan.toml"
    typed = {"part.size_mm": "60 × 40", "part.tolerance_mm": "0.2", "lens.stand_off_mm": "400"}
    assert asked("PUT", "/api/plan", {"seen": None, "typed": typed})[0] == 200
    path.write_bytes(b"\xef\xbb\xbf# by hand\n" + path.read_bytes())
    status, told = asked("GET", "/api/plan")
    assert (status, told["typed"]["part.size_mm"]) == (200, "60 × 40"), told
    status, told = asked("PUT", "/api/plan", {"seen": told["sha"], "typed": {**typed, "part.size_mm": "70 × 40"}})
    assert status == 200, told
    assert "# by hand" in path.read_text(encoding="utf-8")


@pytest.mark.parametrize("left", ["nothing", "an empty folder"], ids=["taken away", "a disk that was taken off"])
def test_where_the_station_was_taken_away_nothing_is_begun_anew(asked, left):
    data = (asked.folder / SHOT).read_bytes()
    away = asked.folder.with_name("away")
    asked.folder.rename(away)
    if left != "nothing":
        asked.folder.mkdir()
    body = b'--b\r\nContent-Disposition: form-data; name="picture"; filename="a.png"\r\n\r\n' + data + b"\r\n--b--\r\n"
    for method, path, content in (
        (
            "PUT",
            "/api/plan",
            {
                "seen": None,
                "typed": {"part.size_mm": "60 × 40", "part.tolerance_mm": "0.2", "lens.stand_off_mm": "400"},
            },
        ),
        ("PUT", "/api/light/lamps", {"seen": None, "lamps": LAMPS}),
        ("POST", "/api/undo", {}),
        ("POST", "/api/pictures?use=tie", body),
    ):
        status, told = by_page(asked, method, path, content)
        assert (status, "not there any more" in told["says"]) == (422, True), (path, told)
    assert not list(asked.folder.rglob("*"))
    shutil.rmtree(asked.folder, ignore_errors=True)
    away.rename(asked.folder)
    assert by_page(asked, "POST", "/api/pictures?use=tie", body)[0] == 201


def test_a_station_that_was_taken_away_is_not_told_as_a_new_one(asked):
    assert asked("GET", "/api/stages")[1]["fault"] == ""
    away = asked.folder.with_name("away")
    asked.folder.rename(away)
    status, told = by_page(asked, "GET", "/api/stages", {})
    assert (status, {one["line"] for one in told["stages"]}) == (200, {"Cannot be read"})
    assert "not there any more" in told["fault"]
    away.rename(asked.folder)
    assert asked("GET", "/api/stages")[1]["fault"] == ""


def test_a_station_toml_that_was_damaged_is_told_beside_what_it_said_before(asked):
    path = asked.folder / "station.toml"
    path.write_bytes(path.read_bytes() + b"unit = [")
    told = asked("GET", "/api/stages")[1]
    assert told["fault"].startswith("Station.toml cannot be read as TOML")
    assert str(asked.folder) not in told["fault"]
    assert {one["line"] for one in told["stages"]} != {"Cannot be read"}


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")
def test_a_pipe_in_the_place_of_a_draft_holds_nobody_up(asked):
    path = asked.folder / "lights.toml"
    os.mkfifo(path)
    for method, content in (("GET", None), ("PUT", {"seen": None, "lamps": LAMPS})):
        status, told = asked(method, "/api/light/lamps", content)
        assert (status, "not an ordinary file" in json.dumps(told)) == (422, True), told


LAMPS = [{"id": f"lamp {k}", "azimuth_deg": 90.0 * k, "elevation_deg": 30.0} for k in range(4)]


@pytest.mark.parametrize("named", [".", "plates"])
def test_a_station_that_is_named_from_where_one_stands_is_told_of_in_whole_words(tmp_path, monkeypatch, named):
    """`tiepoint open .`: where its folder is left out of sentences, no other full stop, and no word, may go with it."""
    folder = new_station(tmp_path / "plates")
    monkeypatch.chdir(folder if named == "." else tmp_path)
    with Served(Path(named)) as served:
        (folder / "station.toml").write_text('format = "tiepoint/station/1"\nname = "plates"\nunit = "plates."\n')
        status, _, answer = served.ask("GET", "/api/stages")
    fault = json.loads(answer)["fault"]
    assert (status, fault.startswith("Station.toml: unit is"), '"plates."' in fault) == (200, True, True), fault
