"""What the page Evidence is told, over real HTTP: series, files of any length, capability, and whether it holds."""

import csv
import io
import json
import threading
import time
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from tests.helpers.made_records import record
from tests.helpers.served import Served, new_station, refusal

from tiepoint.documents.revived import outcome_of
from tiepoint.model.decide import Limits
from tiepoint.station import verify as room
from tiepoint.station.folder import open_station
from tiepoint.station.kept import keep_study
from tiepoint.station.ledger import Ledger
from tiepoint.studies.capability import Cause, study_capability
from tiepoint.web.users import User, hashed, write_users

PASSWORD = "four words are enough"

VALUES = np.random.default_rng(5).normal(4.5, 0.03, 700)


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    folder = new_station(tmp_path_factory.mktemp("web") / "plates")
    with Ledger(folder / "ledger.sqlite") as ledger:
        for k, value in enumerate(VALUES.tolist()):
            ledger.commit(judged(k, value), at=f"2026-11-26T{8 + k // 60 // 60:02}:{k // 60 % 60:02}:{k % 60:02}.000Z")
    with Served(folder) as running:
        yield running


def judged(k, value):
    made = record(k, value, part=f"GV-{k:04d}")
    reading = replace(
        made.readings[0], limits=Limits(4.4, 4.6), verdict="conforms" if 4.4 <= value <= 4.6 else "rejected"
    )
    return replace(made, readings=(reading,), verdict=reading.verdict, sha=None)


def ended(served, job):
    """Return a job once it is over."""
    while True:
        _, told = served.get(f"/api/jobs/{job['id']}")
        if told["state"] not in ("waiting", "running"):
            return told
        time.sleep(0.02)  # its progress is told by events; a test of one result may ask


def post(served, path, body=None):
    status, _, data = served.ask(
        "POST", path, headers={"Content-Type": "application/json"}, body=json.dumps(body or {})
    )
    return status, data


def test_a_series_is_thinned_and_no_extreme_is_lost(served):
    _, every = served.get("/api/evidence/series")
    (one,) = every["series"]
    assert (every["behind"], one["reading"], one["parts"], one["unit"]) == (0, "bore A.diameter", 700, "mm")
    status, told = served.get(f"/api/evidence/series/{one['id']}?buckets=50")
    assert status == 200
    assert len(told["buckets"]) == 50
    assert min(b["low"] for b in told["buckets"]) == VALUES.min()
    assert max(b["high"] for b in told["buckets"]) == VALUES.max()
    assert sum(b["against"] for b in told["buckets"]) == int((abs(VALUES - 4.5) > 0.1).sum())
    assert [t["seq"] for t in told["ticks"]][:1] == [1]
    assert told["ticks"][-1] == {"seq": 700, "written_utc": "2026-11-26T08:11:39.000Z"}
    spread = told["spread"]
    assert spread["n"] == 700
    # scipy's own interval of the mean, numpy's s
    low, high = stats.t.interval(0.95, 699, loc=VALUES.mean(), scale=stats.sem(VALUES))
    assert (spread["mean"]["low"], spread["mean"]["high"]) == pytest.approx((low, high))
    assert spread["pp"]["value"] == pytest.approx(0.2 / (6 * VALUES.std(ddof=1)))


def test_a_series_is_brushed_by_records_and_by_times(served):
    _, told = served.get("/api/evidence/series/1?first=101&last=200&buckets=1000")
    assert [b["first"] for b in told["buckets"]] == list(range(101, 201))
    assert [b["low"] for b in told["buckets"]] == VALUES[100:200].tolist()
    assert told["spread"]["n"] == 100
    _, told = served.get("/api/evidence/series/1?since=2026-11-26T08:02:00Z&until=2026-11-26T08:03:00Z")
    assert (told["first"], told["last"]) == (121, 180)
    _, told = served.get("/api/evidence/series/1?since=2027-11-26T08:02:00Z")
    assert (told["buckets"], told["spread"]) == ([], None)
    assert told["says"] == "No part of these has the reading."
    _, told = served.get("/api/evidence/series/1?first=1&last=5")
    assert "take 10 or more" in told["says"]
    status, _, body = served.ask("GET", "/api/evidence/series/77")
    assert (status, refusal(status, body)["says"]) == (422, "there is no series 77")


def test_records_as_csv_and_json_are_those_that_are_meant(served):
    status, headers, body = served.ask("GET", "/api/evidence/records.csv")
    assert status == 200
    assert headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(body.decode("utf-8-sig"))))  # the standard library's reader
    assert len(rows) == 700
    assert [float(r["value"]) for r in rows] == VALUES[::-1].tolist()
    assert rows[-1]["part_id"] == "GV-0000"
    status, _, body = served.ask("GET", "/api/evidence/records.json?since=2026-11-26T08:11:00Z")
    told = json.loads(body)["records"]
    assert [one["shot"]["part_id"] for one in told] == [f"GV-{k:04d}" for k in range(699, 659, -1)]
    _, _, body = served.ask("GET", "/api/evidence/records.json?part_id=none")
    assert json.loads(body) == {"records": []}
    status, _, body = served.ask("GET", "/api/evidence/records.csv?since=soon")
    assert (status, refusal(status, body)["says"]) == (422, "'soon' is no time")


def test_what_a_spreadsheet_would_run_is_quoted(tmp_path):
    folder = new_station(tmp_path / "plates")
    with Ledger(folder / "ledger.sqlite") as ledger:
        ledger.commit(record(1, part='=HYPERLINK("http://x")'))
    with Served(folder) as served:
        _, _, body = served.ask("GET", "/api/evidence/records.csv")
    assert "'=HYPERLINK" in body.decode()


def test_a_long_ledger_is_read_by_a_job_first(served, monkeypatch):
    monkeypatch.setattr("tiepoint.web.work.evidence.AT_ONCE", 10)
    for name in ("trends.sqlite", "trends.sqlite-wal", "trends.sqlite-shm"):
        (served.folder / "duty" / name).unlink(missing_ok=True)
    _, told = served.get("/api/evidence/series")
    assert (told["behind"], told["of"], told["series"]) == (700, 700, [])
    status, data = post(served, "/api/evidence/series")
    assert status == 202
    done = ended(served, json.loads(data))
    assert (done["state"], done["result"]) == ("done", {"behind": 0})
    _, told = served.get("/api/evidence/series")
    assert (told["behind"], told["series"][0]["parts"]) == (0, 700)


def test_capability_is_that_of_the_studies_which_were_kept(tmp_path):
    folder = new_station(tmp_path / "plates")
    causes = [Cause("calibration", 0.0005), Cause("resolution", 0.0001), Cause("bias", 0.001),
              Cause("repeatability_reference", 0.0008, 24), Cause("repeatability_parts", 0.002, 29)]  # fmt: skip
    study = study_capability(causes, 0.2)
    table = tmp_path / "causes.csv"
    table.write_text("kind,figure\n", encoding="utf-8")
    keep_study(open_station(folder), "capability", "bore A.diameter", outcome_of(study), table, who="M. Weiss")
    with Served(folder) as served:
        _, told = served.get("/api/evidence/capability?reading=bore%20A.diameter")
        assert served.get("/api/evidence/capability?reading=other")[1] == {"studies": []}
    (one,) = told["studies"]
    for name, part in (("q_ms", study.system), ("q_mp", study.process)):
        assert (one[name]["value"], one[name]["low"], one[name]["high"]) == (part.q.value, part.q.low, part.q.high)
    assert one["says"] == list(study.sentences)


@pytest.fixture
def operator(judged):
    """Write a user with the role operate; return what logs that person in."""
    write_users(judged.folder / "private" / "users.json", [User("weiss", "operate", hashed(PASSWORD))])

    def log_in(served):
        body = json.dumps({"name": "weiss", "password": PASSWORD})
        headers = {"Content-Type": "application/json", "Origin": f"http://{served.host}"}
        _, answer, told = served.ask("POST", "/api/session", headers=headers, body=body)
        return headers | {"Cookie": answer["set-cookie"].split(";")[0], "X-CSRF-Token": json.loads(told)["csrf"]}

    return log_in


def verify(served, headers, **wanted):
    status, _, data = served.ask("POST", "/api/evidence/verify", headers=headers, body=json.dumps(wanted))
    return status, data


def test_a_head_that_is_none_is_refused_in_plain_words(judged, operator):
    with Served(judged.folder) as served:
        status, data = verify(served, operator(served), head="12 ab")
        told = refusal(status, data)
        assert (status, told["where"], told["says"]) == (422, "head", "head reads '12 ab'")
        assert told["do"] == "give a hash as it is told: 64 digits, 0 to 9 and a to f"


def test_verify_from_the_page_says_what_the_command_says(judged, cli, operator):
    with Served(judged.folder) as served:
        status, data = post(served, "/api/evidence/verify")
        assert (status, refusal(status, data)["says"]) == (401, "this needs the role operate, and nobody is logged in")
        who = operator(served)
        status, data = verify(served, who, sample=3)
        assert status == 202
        found = ended(served, json.loads(data))
        assert found["state"] == "done", found
        told, due = found["result"], cli("verify", judged.folder, "--sample", "3", "--json").json
        assert (told["good"], told["entries"], told["head"]) == (True, due["entries"], due["head"])
        assert (told["kept"], told["recomputed"], told["same"]) == (3, 3, 3)
        for picture in judged.folder.glob("archive/*/*/*.png"):
            picture.write_bytes(picture.read_bytes() + b"x")
        found = ended(served, json.loads(verify(served, who, sample=0)[1]))
        assert found["result"]["good"] is False
        assert len(found["result"]["faults"]) == 3
        assert all(str(judged.folder) not in fault for fault in found["result"]["faults"])
        status, data = verify(served, who, head="abc")
        assert status == 422
        assert refusal(status, data)["where"] == "head"


def test_verify_is_cancelled_in_the_middle(judged, operator, monkeypatch):
    begun, go = threading.Event(), threading.Event()
    true = room._shots

    def waiting(*args):
        begun.set()
        go.wait(60)
        return true(*args)

    monkeypatch.setattr(room, "_shots", waiting)
    with Served(judged.folder) as served:
        who = operator(served)
        job = json.loads(verify(served, who)[1])
        assert begun.wait(60)
        assert served.ask("DELETE", f"/api/jobs/{job['id']}", headers=who)[0] == 200
        go.set()
        assert ended(served, job)["state"] == "cancelled"


def _parts(served, query):
    """Return the parts that a search finds, page by page, as a list and as a file."""
    found, before = [], ""
    while True:
        status, told = served.get(f"/api/records?count=7&{query}{before}")
        assert status == 200, told
        found += [one["part_id"] for one in told["records"]]
        if told["next"] is None:
            break
        before = f"&before={told['next']}"
    _, _, body = served.ask("GET", f"/api/evidence/records.csv?{query}")
    assert [r["part_id"] for r in csv.DictReader(io.StringIO(body.decode("utf-8-sig")))] == found
    return found


def test_records_are_found_by_a_readings_value_and_verdict(served):
    bore = "reading=bore%20A.diameter"
    by_numpy = [f"GV-{k:04d}" for k in np.flatnonzero((VALUES >= 4.55) & (VALUES <= 4.56))[::-1]]
    assert len(by_numpy) > 7
    assert _parts(served, f"{bore}&at_least=4.55&at_most=4.56&of=any") == by_numpy
    assert _parts(served, f"{bore}&at_most=4.42&of=conforms") == [
        f"GV-{k:04d}" for k in np.flatnonzero((VALUES >= 4.4) & (VALUES <= 4.42))[::-1]
    ]
    rejected = [f"GV-{k:04d}" for k in np.flatnonzero(abs(VALUES - 4.5) > 0.1)[::-1]]
    assert _parts(served, f"{bore}&of=rejected") == rejected
    assert _parts(served, f"{bore}&of=undecided") == []
    # With what else is asked for: a time, a part.
    late = "since=2026-11-26T08:08:00Z"
    assert _parts(served, f"{bore}&of=any&at_least=4.55&{late}") == [
        f"GV-{k:04d}" for k in np.flatnonzero(VALUES >= 4.55)[::-1] if k >= 480
    ]
    assert _parts(served, f"{bore}&of=any&at_least=0&part_id=GV-0123") == ["GV-0123"]
    for query, where, says in (
        ("at_least=4.5", "reading", "of no reading"),
        (f"{bore}&at_least=four", "at_least", "at_least reads 'four'"),
        (f"{bore}&at_least=5&at_most=4", None, "from 5 to 4"),
    ):
        status, _, body = served.ask("GET", f"/api/records?{query}")
        told = refusal(status, body)
        assert (status, where in (None, told["where"])) == (422, True)
        assert says in told["says"]


def test_what_a_search_gives_as_a_file_says_unit_and_uncertainty(served):
    _, _, body = served.ask("GET", "/api/evidence/records.csv?part_id=GV-0007")
    (row,) = csv.DictReader(io.StringIO(body.decode("utf-8-sig")))
    _, _, body = served.ask("GET", "/api/evidence/records.json?part_id=GV-0007")
    (reading,) = json.loads(body)["records"][0]["readings"]
    assert (row["unit"], reading["unit"]) == ("mm", "mm")
    assert float(row["U95"]) == reading["U95"] > float(row["u"]) == reading["u"] > 0
