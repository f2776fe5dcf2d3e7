"""What the API tells, over real HTTP from a real ledger and a real archive."""

import http.client
import io
import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from PIL import Image
from tests.helpers.served import NAME, Served, commit, keep_picture, new_station, refusal

from tiepoint.station.duty.status import write_status
from tiepoint.station.ledger import Ledger, utc_now
from tiepoint.station.wires.wire import Told


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    folder = new_station(
        tmp_path_factory.mktemp("web") / "plates", '[[camera]]\nname = "top"\nsays = "above the belt"\n'
    )
    commit(folder, 5)
    commit(folder, 2, "rejected", first=6)
    commit(folder, 1, "undecided", first=8)
    keep_picture(folder, 7)
    with Ledger(folder / "ledger.sqlite") as ledger:
        ledger.append("act", {"format": "tiepoint/act/1", "act": "accept", "station": NAME, "who": "M. Weiss",
                              "why": "first", "variants": {}, "recipes": {}})  # fmt: skip
        ledger.append("duty", {"format": "tiepoint/duty/1", "station": NAME, "event": "begins"})
    with Served(folder) as running:
        yield running


def test_the_station_is_told(served):
    status, told = served.get("/api/station")
    assert status == 200
    assert (told["name"], told["unit"], told["cameras"]) == (NAME, "mm", [{"name": "top", "says": "above the belt"}])


def test_records_are_paged_without_gap_or_doubling(served):
    seen, before = [], ""
    while True:
        status, told = served.get(f"/api/records?count=3{before}")
        assert status == 200
        seen += [one["seq"] for one in told["records"]]
        if told["next"] is None:
            break
        before = f"&before={told['next']}"
    assert seen == [8, 7, 6, 5, 4, 3, 2, 1]


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("part_id=GV-0003", [3]),
        ("verdict=rejected", [7, 6]),
        ("reading=bore%20A.diameter", [8, 7, 6]),
        ("variant=left&verdict=undecided", [8]),
        ("variant=right", []),
        (f"recipe={'b' * 64}&count=1", [8]),
        ("since=2100-01-01T00:00:00Z", []),
        ("until=2000-01-01T00:00:00Z", []),
    ],
)
def test_records_are_asked_for_by(served, asked, found):
    status, told = served.get(f"/api/records?{asked}")
    assert status == 200
    assert [one["seq"] for one in told["records"]] == found


def test_a_record_is_told_as_the_ledger_holds_it(served):
    status, told = served.get("/api/records/6")
    with Ledger(served.folder / "ledger.sqlite") as ledger:
        (entry,) = ledger.numbered([6])
    assert status == 200
    assert told["record"] == dict(entry.body)
    assert (told["sha"], told["prev_sha"], told["files"]) == (entry.sha, entry.prev_sha, [])


def test_a_kept_file_is_given_as_it_is_and_once(served):
    _, told = served.get("/api/records/7")
    (file,) = told["files"]
    status, headers, data = served.ask("GET", file["href"])
    assert status == 200
    assert data == (served.folder / "archive/2026-11-26/000000007/picture.png").read_bytes()
    assert headers["content-type"] == "image/png"
    assert headers["etag"] == f'"{file["sha256"]}"'
    status, _, data = served.ask("GET", file["href"], headers={"If-None-Match": headers["etag"]})
    assert (status, data) == (304, b"")


def test_a_preview_is_a_jpeg_of_at_most_1280_px_made_once(served):
    _, told = served.get("/api/records/7")
    before = served.app.state.here.cache.made
    answers = [served.ask("GET", told["files"][0]["preview"]) for _ in range(3)]
    assert served.app.state.here.cache.made == before + 1
    status, headers, data = answers[0]
    assert (status, headers["content-type"]) == (200, "image/jpeg")
    image = Image.open(io.BytesIO(data))  # Pillow reads what OpenCV wrote
    assert (image.format, image.size) == ("JPEG", (1280, 960))
    status, _, data = served.ask("GET", told["files"][0]["preview"], headers={"If-None-Match": headers["etag"]})
    assert (status, data) == (304, b"")


def test_an_altered_picture_is_not_given_as_evidence(tmp_path):
    folder = new_station(tmp_path / "plates")
    commit(folder, 1)
    path = keep_picture(folder, 1, (64, 48))
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    with Served(folder) as served:
        status, _, body = served.ask("GET", "/api/records/1/files/picture.png")
        assert (status, refusal(status, body)["code"]) == (409, "altered")
        path.unlink()
        status, _, body = served.ask("GET", "/api/records/1/files/picture.png")
        assert (status, refusal(status, body)["code"]) == (404, "not_kept")


def test_a_record_says_what_the_plus_minus_of_its_readings_is_made_of(served):
    _, told = served.get("/api/records/7")
    (reading,) = told["readings"]
    assert reading["causes"] == [{"label": "Noise", "u": "0.0020", "share": 1.0}]
    assert reading["says"].startswith("± is 1.960 times the standard uncertainty u = 0.0020")


def test_counts_are_those_of_the_records(served):
    _, told = served.get("/api/counts")
    assert {one["verdict"]: one["count"] for one in told["counts"]} == {"conforms": 5, "rejected": 2, "undecided": 1}
    _, told = served.get("/api/counts?per=minute&verdict=rejected")
    assert sum(one["count"] for one in told["counts"]) == 2
    week = (datetime.now(UTC) - timedelta(days=8)).isoformat(timespec="seconds").replace("+00:00", "Z")
    status, told = served.get(f"/api/counts?per=minute&since={week}")
    assert status == 422
    assert "seven days" in told["error"]["says"]


def test_acts_and_what_happened_are_told(served):
    _, told = served.get("/api/acts")
    assert [entry["body"]["act"] for entry in told["entries"]] == ["accept"]
    _, told = served.get("/api/duty")
    assert [entry["body"]["event"] for entry in told["entries"]] == ["begins"]
    assert served.get("/api/studies") == (200, {"studies": []})
    assert served.get("/api/requirements")[1]["requirements"] == []


def test_a_stale_state_is_told_as_stale(tmp_path):
    folder = new_station(tmp_path / "plates")
    with Served(folder) as served:
        assert served.get("/api/state")[1]["state"] == "off duty"
        told = Told("on duty", utc_now(), counts={"conforms": 3}, links={"top": "joined"})
        write_status(folder, pid=1, told=told, seq=7, waiting=0, written_utc=utc_now())
        _, now = served.get("/api/state")
        assert (now["state"], now["fresh"], now["seq"], now["links"]) == ("on duty", True, 7, {"top": "joined"})
        write_status(folder, pid=1, told=told, seq=7, waiting=0, written_utc="2026-01-01T00:00:00.000Z")
        _, then = served.get("/api/state")
        assert (then["state"], then["fresh"]) == ("not known", False)
        assert "Stale" in then["says"]


@pytest.mark.parametrize(
    "told",
    [
        '{"counts": 5, "links": [1]}',
        '{"counts": {"conforms": "x"}, "links": {"top": 1}, "since_utc": 7}',
        "{}",
        "[]",
        "7",
    ],
)
def test_a_state_of_another_making_is_told_as_far_as_it_reads(tmp_path, told):
    folder = new_station(tmp_path / "plates")
    (folder / "duty").mkdir()
    head = '{"format": "tiepoint/state/1", "pid": 1, "written_utc": "2026-11-26T08:00:00Z", "seq": 1, "waiting": 0'
    (folder / "duty" / "state.json").write_text(f'{head}, "told": {told}}}')
    with Served(folder) as served:
        status, state = served.get("/api/state")
    assert (status, state["counts"], state["links"], state["since_utc"]) == (200, {}, {}, None)


def test_a_station_without_a_ledger_is_told_too(tmp_path):
    folder = tmp_path / "plates"
    folder.mkdir()
    (folder / "station.toml").write_text(f'format = "tiepoint/station/1"\nname = "{NAME}"\n')
    with Served(folder) as served:
        for path in ("records", "counts", "acts", "duty", "studies"):
            status, told = served.get(f"/api/{path}")
            assert status == 200
            assert [] in told.values()
        assert served.get("/api/records/1")[0] == 404
        assert not (folder / "ledger.sqlite").exists()
        new_station(folder)
        commit(folder, 1)  # it begins while it is served
        assert len(served.get("/api/records")[1]["records"]) == 1


@pytest.mark.parametrize("is_folder", [False, True])
def test_a_ledger_that_cannot_be_used_is_no_fault_of_the_question(tmp_path, is_folder):
    """503, so that who asks by a program tries again later; 422 is for what it should ask otherwise."""
    folder = new_station(tmp_path / "station")
    path = folder / "ledger.sqlite"
    path.unlink()
    if is_folder:
        path.mkdir()
    else:
        path.write_bytes(b"no database " * 1000)
    with Served(folder) as served:
        for question in ("records", "counts", "acts"):
            status, _, body = served.ask("GET", f"/api/{question}")
            told = refusal(status, body)
            assert (status, told["code"]) == (503, "not_ready"), told
            assert ("no ordinary file" if is_folder else "is damaged, or no ledger") in told["says"]
            assert str(tmp_path) not in body.decode()


def test_what_only_reads_leaves_the_ledger_as_it_is(served):
    before = (served.folder / "ledger.sqlite").read_bytes()
    for path in ("station", "state", "records", "records/7", "counts", "acts", "duty", "requirements", "session"):
        assert served.get(f"/api/{path}")[0] == 200
    assert (served.folder / "ledger.sqlite").read_bytes() == before


def test_the_documentation_names_every_answer(served):
    _, told = served.get("/api/openapi.json")
    for path, methods in told["paths"].items():
        for method, route in methods.items():
            documented = set(route["responses"])
            assert {"400", "403", "413", "421", "429", "500"} <= documented, (path, method)
            assert any(status.startswith("2") for status in documented), (path, method)
            assert route["description"], (path, method)


def test_a_connection_is_used_again(served):
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)
    for _ in range(3):
        connection.request("GET", "/api/state")
        answer = connection.getresponse()
        assert answer.status == 200
        json.loads(answer.read())
    connection.close()


# --- the process -----------------------------------------------------------------------------------------------------


def process(folder: Path, *words: str) -> subprocess.Popen:
    command = [sys.executable, "-m", "tiepoint.web", str(folder), *words]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def test_the_process_ends_cleanly_when_it_is_asked_to_even_with_a_viewer(tmp_path):
    folder = new_station(tmp_path / "plates")
    with process(folder, "--port", "0") as running:
        url = running.stdout.readline().strip()
        assert url.startswith("http://127.0.0.1:")
        connection = http.client.HTTPConnection(url.split("/")[2], timeout=60)
        connection.request("GET", "/api/events")
        viewer = connection.getresponse()
        assert viewer.status == 200
        running.terminate()
        assert viewer.read() is not None  # the stream ends in good order
        connection.close()
        _, told = running.communicate(timeout=60)
        assert (running.returncode, told) == (0, "")


def test_a_port_in_use_is_a_sentence(tmp_path):
    folder = new_station(tmp_path / "plates")
    with Served(folder) as served, process(folder, "--port", str(served.port)) as other:
        out, told = other.communicate(timeout=120)
    assert (other.returncode, out) == (2, "")
    assert len(told.splitlines()) == 1
    assert f"port {served.port}" in told
    assert "in use" in told


@pytest.mark.parametrize(
    ("more", "needs"),
    [
        ("", "[web.tls]"),
        ('[web.tls]\ncertificate = "a.pem"\nkey = "a.pem"\n', "tiepoint user add"),
    ],
)
def test_it_does_not_listen_beyond_this_machine_without_tls_and_users(tmp_path, more, needs):
    folder = new_station(tmp_path / "plates", more)
    (folder / "a.pem").write_text("")
    with process(folder, "--host", "0.0.0.0", "--port", "0") as running:
        out, told = running.communicate(timeout=120)
    assert (running.returncode, out) == (2, "")
    assert len(told.splitlines()) == 1
    assert needs in told


def test_no_station_is_a_sentence(tmp_path):
    with process(tmp_path) as running:
        _, told = running.communicate(timeout=120)
    assert running.returncode == 2
    assert "is no station" in told
    assert len(told.splitlines()) == 1
