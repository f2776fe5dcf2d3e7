"""What the page Duty is told, over real HTTP: of a real ledger, of judged pictures, of a station that is empty."""

import json
import threading
from dataclasses import replace

import pytest
from scipy import stats
from tests.helpers.served import Served, commit, keep_picture, new_station, record, refusal

from tiepoint.station.duty.status import write_status
from tiepoint.station.ledger import Ledger, utc_now
from tiepoint.station.wires.wire import Told


@pytest.fixture
def folder(tmp_path):
    return new_station(tmp_path / "plates", '[duty]\ndeadline_ms = 40\n\n[[camera]]\nname = "top"\n')


def test_a_station_that_has_judged_nothing(folder):
    with Served(folder) as served:
        status, told = served.get("/api/duty/now")
    assert status == 200
    assert (told["seq"], told["last"], told["readings"], told["not_conforming"]) == (0, None, [], [])
    assert told["yielded"] == {"value": None, "low": 0.0, "high": 1.0, "n": 0}
    assert told["deadline_ms"] == 40
    assert told["links"] == [{"name": "top", "what": "camera", "state": "not known", "says": ""}]


def test_the_last_part_with_its_trend_and_what_speaks_against_others(folder):
    commit(folder, 40)
    against = [*commit(folder, 2, "rejected", first=41), *commit(folder, 1, "undecided", first=43)]
    keep_picture(folder, against[0])
    told = Told("on duty", utc_now(), "", "", False, "", {}, {"top": "joined", "line": "waiting"})
    write_status(folder, pid=1, told=told, seq=43, waiting=0, written_utc=utc_now(), links={"line": "no client yet"})
    with Served(folder) as served:
        _, now = served.get("/api/duty/now")
        _, again = served.get("/api/duty/now?since=2100-01-01T00:00:00Z")
        assert served.ask("GET", now["not_conforming"][-1]["picture"])[0] == 200
        status, _, body = served.ask("GET", "/api/duty/now?since=yesterday")
        assert (status, refusal(status, body)["says"]) == (422, "'yesterday' is no time")
    assert (now["seq"], now["last"]["verdict"], now["last"]["part_id"]) == (43, "undecided", "GV-0043")
    (reading,) = now["readings"]
    assert (reading["written"], reading["pm"], reading["limits"]) == ("4.6001", "±\u202f0.0040 mm", "4.4 to 4.6 mm")
    assert [p["value"] for p in reading["trend"]] == [4.5] * 29 + [4.8, 4.8, 4.6001]
    assert [p["verdict"] for p in reading["trend"][-2:]] == ["rejected", "undecided"]
    assert now["counts"] == {"conforms": 40, "rejected": 2, "undecided": 1, "unread": 0}
    # scipy's own exact interval
    due = stats.binomtest(40, 43).proportion_ci(0.95, "exact")
    assert (now["yielded"]["low"], now["yielded"]["high"]) == pytest.approx((due.low, due.high))
    assert [(c["reading"], c["says"], c["parts"]) for c in now["causes"]] == [
        ("bore A.diameter", "above limit", 2),
        ("bore A.diameter", "in guard band", 1),
    ]
    assert [one["record"]["seq"] for one in now["not_conforming"]] == against[::-1]
    assert [one["picture"] is not None for one in now["not_conforming"]] == [False, False, True]
    assert [(one["name"], one["what"], one["state"], one["says"]) for one in now["links"]] == [
        ("top", "camera", "joined", ""),
        ("line", "wire", "waiting", "no client yet"),
    ]
    assert (again["yielded"]["n"], again["causes"], again["seq"]) == (0, [], 43)


def test_lists_stay_bounded_however_much_there_is(folder):
    hostile = "</script><b>" * 50
    with Ledger(folder / "ledger.sqlite") as ledger:
        for k in range(600):
            made = record(k, "rejected")
            reading = replace(made.readings[0], id=f"{hostile}{k % 30}", name=hostile)
            ledger.commit(replace(made, readings=(reading,), sha=None))
    with Served(folder) as served:
        _, now = served.get("/api/duty/now")
    assert (len(now["causes"]), now["causes_of"], now["causes_among"]) == (8, 500, 600)
    assert len(now["not_conforming"]) == 8
    assert now["readings"][0]["name"] == hostile


def test_a_record_is_drawn_where_its_bore_is(judged):
    """The bore of the shots is drawn about (300, 240) px, with a diameter of 4.4 mm at 0.05 mm a pixel."""
    with Served(judged.folder) as served:
        first, _, last = sorted(one["seq"] for one in served.get("/api/records")[1]["records"])
        status, told = served.get(f"/api/records/{first}/drawing")
        assert status == 200
        assert (told["seq"], told["same"], told["says"]) == (first, True, "")
        (sheet,) = told["sheets"]
        assert (sheet["width"], sheet["height"]) == (640, 480)
        (step,) = told["steps"]
        assert (step["name"], step["kind"], step["verdict"], step["rank"]) == ("bore", "circle", "conforms", 0)
        assert step["readings"] == ["bore.diameter"]
        found = [point for line in step["found"] for point in line]
        assert len(found) > 20
        for x, y in found:
            assert ((x - 300) ** 2 + (y - 240) ** 2) ** 0.5 == pytest.approx(44.0, abs=0.3)
        sought = [point for line in step["sought"] for point in line]
        assert max(((x - 300) ** 2 + (y - 240) ** 2) ** 0.5 for x, y in sought) == pytest.approx(60.0, abs=0.5)
        plane = sheet["plane"]
        assert len(plane["X"]) == plane["cols"] * plane["rows"]
        assert (plane["X"][1] - plane["X"][0]) / plane["step_x"] == pytest.approx(0.05, rel=1e-5)
        assert (plane["Y"][plane["cols"]] - plane["Y"][0]) / plane["step_y"] == pytest.approx(-0.05, rel=1e-5)
        # The third part's bore is too wide: the same place, and another verdict
        _, third = served.get(f"/api/records/{last}/drawing")
        assert (third["steps"][0]["verdict"], third["steps"][0]["rank"]) == ("rejected", 3)
        made = served.app.state.here.cache.made
        answers = [None] * 6
        threads = [
            threading.Thread(target=lambda k=k: answers.__setitem__(k, served.get(f"/api/records/{first}/drawing")))
            for k in range(6)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert {json.dumps(a) for a in answers} == {json.dumps((200, told))}
        assert served.app.state.here.cache.made == made


def test_what_cannot_be_drawn_is_told(folder, judged):
    (seq,) = commit(folder, 1)
    with Served(folder) as served:
        status, _, body = served.ask("GET", f"/api/records/{seq}/drawing")
        assert (status, refusal(status, body)["code"]) == (404, "not_kept")
        assert served.ask("GET", "/api/records/99/drawing")[0] == 404
        keep_picture(folder, seq, (64, 48))
        status, _, body = served.ask("GET", f"/api/records/{seq}/drawing")
        assert status == 422
        assert "in no accepted copy here" in refusal(status, body)["says"]
    for picture in judged.folder.glob("archive/*/*/*.png"):
        picture.write_bytes(b"no picture")
    with Served(judged.folder) as served:
        seq = served.get("/api/records")[1]["records"][0]["seq"]
        status, _, body = served.ask("GET", f"/api/records/{seq}/drawing")
        assert status == 422
        assert "cannot be read" in refusal(status, body)["says"]
