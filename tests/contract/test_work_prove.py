"""The page Prove over HTTP: claims, drafts, run sheets, studies, trial and report, as the commands answer."""

import csv
import json
import re
import threading
import tomllib

import numpy as np
import pytest
from tests.helpers.proved_station import BORE, DATA, ORDERED
from tests.helpers.served import Served, refusal
from tests.helpers.vent_station import picture

from tiepoint.documents.files import read_document
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
from tiepoint.station.verify import verify
from tiepoint.web.users import User, token_sha, write_users

DRAFT = ORDERED.replace("[[requirement]]", "# agreed with the customer by telephone\n[[requirement]]", 1)


class Asked:
    """Asks a station that is served, by the token of a role."""

    def __init__(self, served):
        self.served = served

    def __call__(self, method, path, content=None, token="change"):
        headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
        body = None if content is None else json.dumps(content)
        status, _, answer = self.served.ask(method, f"/api/prove{path}", headers=headers, body=body)
        return status, json.loads(answer) if status < 400 else refusal(status, answer)

    def good(self, method, path, content=None):
        status, told = self(method, path, content)
        assert status < 300, told
        return told

    def undo(self):
        headers = {"Authorization": "Bearer change", "Content-Type": "application/json"}
        assert self.served.ask("POST", "/api/undo", headers=headers, body="{}")[0] == 200

    def raw(self, path):
        headers = {"Authorization": "Bearer look"}
        return self.served.ask("GET", path, headers=headers)

    def job(self, told):
        """Return a job when it has ended, told by the stream of events."""
        ended = threading.Event()
        for _ in range(3000):
            headers = {"Authorization": "Bearer look"}
            _, _, answer = self.served.ask("GET", f"/api/jobs/{told['id']}", headers=headers)
            now = json.loads(answer)
            if now["state"] in ("done", "failed", "cancelled"):
                return now
            ended.wait(0.05)
        raise AssertionError(now)


def serve(folder):
    users = [User(role, role, None, token_sha(role)) for role in ("look", "operate", "change")]
    write_users(folder / "private" / "users.json", users)
    return Served(folder, requests_per_s=1000)


@pytest.fixture
def asked(accepted):
    """Return what asks a station whose requirements were agreed on."""
    (accepted.folder / "requirements.toml").write_text(DRAFT, encoding="utf-8")
    with serve(accepted.folder) as served:
        yield Asked(served)


@pytest.fixture
def agreed(asked):
    asked.good("POST", "/agree", {"why": "order 7"})
    return asked


WANTED = {"of": BORE, "tolerance": 0.2, "factors": {"carrier": ["A", "B", "C"]}}


def sheet_path(sheet):
    return f"designs/{sheet['id']}.csv"


def begun(asked, study="rr", **asked_of):
    return asked.good("POST", "/sheets", {"study": study, "wanted": WANTED, "asked": asked_of})


NOISE = np.random.default_rng(7).normal(0, 0.002, 1000)
"""Of a gauge that is good: σ is 2 µm."""


def value_of(row):
    """Return what a gauge that is good reads of a part in a carrier."""
    carrier = 0.0005 * "ABC".index(row["factors"]["carrier"])
    return f"{4.36 + 0.008 * int(row['part']) + carrier + NOISE[row['run']]:.5f}"


def fill_all(asked, sheet):
    told = sheet
    for row in sheet["rows"]:
        path = f"/sheets/{sheet['id']}/runs/{row['run']}"
        told = asked.good("PUT", path, {"cells": {"value": value_of(row)}, "was": {"value": ""}})
    return told


# --- what is agreed --------------------------------------------------------------------------------------------------


def test_a_draft_is_agreed_on_and_its_claims_are_not_tried(asked):
    told = asked.good("GET", "")
    assert [(c["id"], c["state"], c["draft"]) for c in told["claims"]][:2] == [
        ("R1", "not tried", "new"), ("R2", "not tried", "new"),
    ]  # fmt: skip
    assert told["to_do"][0]["by"] == "agree"
    assert "requirement R1: new, Measuring takes no more than 30 % of the tolerance of the bore., most 0.3" in told[
        "order"]["changes"]  # fmt: skip
    asked.good("POST", "/agree", {"why": "order 7"})
    told = asked.good("GET", "")
    assert {c["draft"] for c in told["claims"]} == {""}
    assert (told["shown"], told["not_shown"], told["not_tried"]) == (0, 0, 5)
    assert told["order"]["changes"] == []
    assert told["order"]["agreed_by"] == "change: order 7"
    assert told["claims"][0]["asked"] == "≤ 30 %"
    assert told["claims"][0]["drawing"] == "HV-60, sheet 2, C3"
    assert told["deviations"] == ["bore (wide): the drawing allows 4.3 to 4.5 mm, the recipe judges by 4.6 to 4.8 mm."]
    status, told = asked("POST", "/agree", {"why": "again"})
    assert (status, told["code"]) == (409, "not_taken")


def test_an_edit_keeps_comments_and_what_it_does_not_touch(asked, accepted):
    path = accepted.folder / "requirements.toml"
    before = asked.good("GET", "")["order"]
    order = before["order"]
    order["requirement"][0]["most"] = 0.2
    told = asked.good("PUT", "/order", {"seen": before["sha"], "order": order})
    assert path.read_text(encoding="utf-8") == DRAFT.replace("most = 0.3", "most = 0.2")
    order = told["order"]
    order["characteristic"].append({"name": "rim", "reading": "rim.width", "drawing": "C4", "upper": 3.0})
    order["requirement"].pop(1)
    told = asked.good("PUT", "/order", {"seen": told["sha"], "order": order})
    text = path.read_text(encoding="utf-8")
    assert "# agreed with the customer by telephone" in text
    assert 'id = "R2"' not in text
    assert '[[characteristic]]\nname = "rim"\nreading = "rim.width"\ndrawing = "C4"\nupper = 3.0' in text
    assert "confidence" not in text  # a default is not written
    asked.undo()
    assert path.read_text(encoding="utf-8") == DRAFT.replace("most = 0.3", "most = 0.2")


@pytest.mark.parametrize(
    ("change", "where", "says"),
    [
        (lambda o: o["requirement"][1].update(least=None), "requirement[1].most", "has no limit"),
        (lambda o: o["requirement"][0].update(by="guess"), "requirement[0].by", "use"),
        (lambda o: o["characteristic"][0].update(lower=5.0), "characteristic[0].lower", "give lower < upper"),
        (lambda o: o["requirement"][0].update(most=1e300), "requirement[0].most", "give a number"),
        (lambda o: o.update(title="  "), "title", "must be stated"),
        (lambda o: o["requirement"][1].update(id="R1"), "requirement[0].id", "stands twice"),
        (lambda o: o["requirement"][0].update(says="\x1b[2J"), "requirement[0].says", "use one line"),
    ],
)
def test_nonsense_is_said_at_its_field_and_nothing_is_written(asked, accepted, change, where, says):
    before = asked.good("GET", "")["order"]
    change(before["order"])
    status, told = asked("PUT", "/order", {"seen": before["sha"], "order": before["order"]})
    assert (status, told["where"]) == (422, where), told
    assert says in f"{told['says']}; {told['do']}"
    assert (accepted.folder / "requirements.toml").read_text(encoding="utf-8") == DRAFT


def test_a_draft_that_was_changed_meanwhile_is_a_conflict(asked, accepted):
    before = asked.good("GET", "")["order"]
    path = accepted.folder / "requirements.toml"
    path.write_text(DRAFT.replace("Assembly", "assembly"), encoding="utf-8")
    mine = path.read_text(encoding="utf-8")
    status, told = asked("PUT", "/order", {"seen": before["sha"], "order": before["order"]})
    assert status == 409
    assert "changed since" in told["says"]
    assert path.read_text(encoding="utf-8") == mine
    path.write_text("title = ", encoding="utf-8")
    order = asked.good("GET", "")["order"]
    assert order["order"] is None
    assert "TOML" in order["fault"]


# --- run sheets ------------------------------------------------------------------------------------------------------


def test_a_gauge_study_is_designed_filled_in_and_shown_as_by_the_command(agreed, accepted, cli):
    design = agreed.good("POST", "/designs", WANTED)
    by_command = cli("study", "design", BORE, "--tolerance", "0.2mm", "--factor", "carrier=A,B,C", "--json").json
    assert [(p["study"], p["runs"]) for p in design["plans"]] == [(p["study"], p["runs"]) for p in by_command["plans"]]
    assert design["sentences"] == by_command["sentences"]
    sheet = begun(agreed, most=0.3)
    assert (sheet["id"], sheet["runs"], sheet["taken"], sheet["next"]) == ("rr-1", 90, 0, 1)
    assert sheet["table"]["asked"]["factors"] == ["carrier"]
    ran = [run for run in by_command["runs"] if run["study"] == "rr"]
    assert [(r["part"], r["factors"]["carrier"], r["trial"]) for r in sheet["rows"]] == [
        (r["part"], dict(r["factors"])["carrier"], str(r["trial"])) for r in ran
    ]
    status, told = agreed("POST", "/sheets/rr-1/study", {})
    assert status == 422
    assert "90 of 90 runs of rr-1 are still open" in told["says"]
    full = fill_all(agreed, sheet)
    assert (full["taken"], full["next"]) == (90, None)
    told = agreed.good("GET", "")
    assert next(t for t in told["to_do"] if t["requirement"] == "R1")["says"] == (
        "Make the study of run sheet rr-1, which is full"
    )
    study = agreed.good("POST", "/sheets/rr-1/study", {})
    # As the command has it, of the same table, word by word: it is the one that the page tells.
    command = study["command"].split(" --for ")[0].removeprefix("tiepoint ")
    words = [re.sub(r"^'|'$", "", word) for word in command.split()]
    words[words.index("designs/rr-1.csv")] = str(accepted.folder / "designs" / "rr-1.csv")
    again = cli(*words, "--json").json
    assert study["sentences"] == again["sentences"]
    kept = read_document(accepted.folder / study["file"], "study")["outcome"]
    for name in ("grr", "pv", "share_of_tolerance", "table"):
        assert kept[name] == again[name]
    assert study["good"] is again["good"] is True
    told = agreed.good("GET", "")
    (claim,) = [c for c in told["claims"] if c["id"] == "R1"]
    assert (claim["state"], claim["study"], claim["stale"]) == ("shown", study["seq"], False)
    assert float(claim["high"]) < 30
    assert told["shown"] == 1
    assert verify(open_station(accepted.folder)).good


def test_pictures_are_drawings_that_do_nothing(agreed, accepted, cli):
    cli("study", "rr", DATA / "rr_10x3x3.csv", "--tolerance", "8mm", "--most", "30%", "--for", accepted.folder)
    (short,) = agreed.good("GET", "")["studies"]
    study = agreed.good("GET", f"/studies/{short['seq']}")
    # AIAG, Measurement Systems Analysis, 4th ed., III-B: GRR 27.86 % of the variation.
    (found,) = [f for f in study["figures"] if f["name"] == "GRR of the variation"]
    assert (found["value"], found["unit"]) == ("27.9", "%")
    assert [p["name"] for p in study["pictures"]] == ["spreads", "readings", "held"]
    for one in study["pictures"]:
        for theme in ("light", "dark"):
            status, headers, body = agreed.raw(f"{one['href']}?theme={theme}")
            assert (status, headers["content-type"]) == (200, "image/svg+xml")
            assert "sandbox" in headers["content-security-policy"]
            assert body.startswith(b"<svg")
            assert b"<script" not in body
    light, dark = (agreed.raw(f"{study['pictures'][0]['href']}?theme={t}")[2] for t in ("light", "dark"))
    assert light != dark
    etag = agreed.raw(study["pictures"][0]["href"])[1]["etag"]
    status, _, body = agreed.served.ask(
        "GET", study["pictures"][0]["href"], headers={"Authorization": "Bearer look", "If-None-Match": etag}
    )
    assert (status, body) == (304, b"")
    assert agreed.raw("/api/prove/studies/999/pictures/held.svg")[0] == 404


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        ({"value": "four"}, "give a number in mm"),
        ({"value": "1e300"}, "beyond all measure"),
        ({"value": "4.4\x00"}, "give a number"),
        ({"length": "4.4"}, "has no column length"),
        ({"value": "nan"}, "give a number"),
        ({"remarks": "#x"}, "one line"),
    ],
)
def test_a_value_that_is_none_is_said_at_its_field(agreed, accepted, cells, says):
    begun(agreed)
    path = accepted.folder / "designs" / "rr-1.csv"
    before = path.read_bytes()
    status, told = agreed("PUT", "/sheets/rr-1/runs/1", {"cells": cells})
    assert status == 422, told
    assert says in f"{told['says']}; {told['do']}"
    assert path.read_bytes() == before


def test_two_pages_on_one_sheet_lose_nothing(agreed, accepted):
    begun(agreed)
    mine = agreed.good("PUT", "/sheets/rr-1/runs/1", {"cells": {"value": "4,401"}, "was": {"value": ""}})
    assert mine["rows"][0]["cells"] == {"value": "4.401"}
    # Another run is no conflict, though the file is another one by now.
    other = agreed.good("PUT", "/sheets/rr-1/runs/2", {"cells": {"value": "4.402"}, "was": {"value": ""}})
    assert [row["cells"]["value"] for row in other["rows"][:3]] == ["4.401", "4.402", ""]
    status, told = agreed("PUT", "/sheets/rr-1/runs/1", {"cells": {"value": "4.5"}, "was": {"value": ""}})
    assert (status, told["code"]) == (409, "conflict")
    assert (
        "run 1 of rr-1 was filled in meanwhile, on another page: it is 4.401; yours was not written"
        in f"{told['says']}; {told['do']}"
    )
    # The same once more is the same; and who saw what stands there may change it.
    agreed.good("PUT", "/sheets/rr-1/runs/1", {"cells": {"value": "4.401"}, "was": {"value": ""}})
    agreed.good("PUT", "/sheets/rr-1/runs/1", {"cells": {"value": "unread"}, "was": {"value": "4.401"}})
    done = agreed.good("PUT", "/sheets/rr-1/runs/1", {"cells": {"value": ""}, "was": {"value": "unread"}})
    assert done["next"] == 1
    assert done["rows"][0]["time"] == ""


def test_what_others_write_into_the_table_stays(agreed, accepted):
    begun(agreed)
    path = accepted.folder / "designs" / "rr-1.csv"
    text = path.read_text(encoding="utf-8-sig").replace("\r\n", "\n").replace("run,", "# lamp changed at noon\nrun,", 1)
    path.write_text(text, encoding="utf-8")
    agreed.good("PUT", "/sheets/rr-1/runs/3", {"cells": {"value": "4.41", "remarks": "oil on it"}})
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    assert lines[0] == "# lamp changed at noon"
    assert [k for k, (a, b) in enumerate(zip(lines, text.splitlines(), strict=True)) if a != b] == [4]
    assert "oil on it" in lines[4]
    path.write_text("part,value\n1,2\n", encoding="utf-8")
    (sheet,) = agreed.good("GET", "")["sheets"]
    assert "run" in sheet["fault"]
    assert agreed("GET", "/sheets/rr-1")[0] == 422


def test_a_value_far_from_the_others_is_pointed_out_and_can_be_undone(agreed):
    begun(agreed)
    assert agreed.good("PUT", "/sheets/rr-1/runs/1", {"cells": {"value": "4.41"}})["caution"] == ""
    told = agreed.good("PUT", "/sheets/rr-1/runs/2", {"cells": {"value": "44.1"}})
    assert "44.1 is far from 4.4" in told["caution"]
    assert told["step"]["says"] == "Run 2 of rr-1: 44.1"


def test_a_run_is_filled_from_the_records_of_the_station(agreed, accepted, cli):
    begun(agreed, study="type1")
    assert agreed("POST", "/sheets/type1-1/runs/1/record", {})[0] == 409
    for k in range(9):
        picture(accepted.shots / f"vent-{k}.png", 4.4, 60 + k)
    cli("run", accepted.folder, accepted.shots, "--variant", "thin")
    told = agreed.good("GET", "/sheets/type1-1/records")["records"]
    assert [r["verdict"] for r in told] == ["conforms"] * 9
    row = agreed.good("POST", "/sheets/type1-1/runs/1/record", {"record": told[2]["seq"]})["rows"][0]
    assert row["record"] == str(told[2]["seq"])
    assert float(row["cells"]["value"]) == pytest.approx(4.4, abs=0.01)
    status, said = agreed("POST", "/sheets/type1-1/runs/2/record", {"record": told[2]["seq"]})
    assert status == 422
    assert "stands in run 1 already" in said["says"]
    rest = [record["seq"] for record in told if record["seq"] != told[2]["seq"]]
    for run, seq in enumerate(rest, 2):
        row = agreed.good("POST", f"/sheets/type1-1/runs/{run}/record", {})["rows"][run - 1]
        assert row["record"] == str(seq)  # the newest that is not on the sheet
    agreed.good("PUT", "/sheets/type1-1/runs/10", {"cells": {"value": "4.4002"}})
    status, said = agreed("POST", "/sheets/type1-1/study", {"as_far": True})
    assert (status, said["says"]) == (422, "designs/type1-1.csv has no reference")
    agreed.good("PUT", "/sheets/type1-1/known", {"part": "reference", "column": "reference", "value": "4.4"})
    study = agreed.good("POST", "/sheets/type1-1/study", {"as_far": True})
    with Ledger(accepted.folder / "ledger.sqlite") as ledger:
        record = ledger.numbered([told[0]["seq"]])[0].body
    assert study["recipe"] == record["recipe_sha"][:12]


def test_a_study_of_a_recipe_that_has_changed_since_is_out_of_date(agreed, accepted, cli):
    sheet = begun(agreed, most=0.3)
    fill_all(agreed, sheet)
    study = agreed.good("POST", "/sheets/rr-1/study", {})
    assert study["stale"] == ""
    accepted.change("outer = 3 ", "outer = 3.2 ")
    assert cli("accept", accepted.folder, "--why", "a wider ring").code == 0
    told = agreed.good("GET", "")
    assert told["sheets"][0]["out_of_date"].startswith("Out of date: it was begun when ")
    assert told["studies"][0]["stale"].startswith("Out of date: what was accepted when it was made was replaced by")
    (claim,) = [c for c in told["claims"] if c["id"] == "R1"]
    assert (claim["state"], claim["stale"]) == ("not shown", True)
    assert begun(agreed)["out_of_date"] == ""


@pytest.mark.parametrize("study", ["linearity", "stability", "lengths", "capability", "pose"])
def test_every_kind_has_its_sheet_and_its_study(agreed, accepted, cli, study):
    extra = {"capability": {"tolerance": 0.2}, "linearity": {"most_bias": 0.02}, "lengths": {"most_error": 0.02}}
    sheet = begun(agreed, study=study, **extra.get(study, {}))
    refs = {"linearity": "reference", "lengths": "known"}
    for k, part in enumerate(sheet["parts"]):
        if study in refs:
            known = {"part": part, "column": refs[study], "value": f"{4.2 + 0.1 * k:.1f}"}
            agreed.good("PUT", f"/sheets/{sheet['id']}/known", known)
    sheet = agreed.good("GET", f"/sheets/{sheet['id']}")
    path = accepted.folder / sheet_path(sheet)
    with path.open(encoding="utf-8-sig", newline="") as file:
        head, *rows = csv.reader(file)
    for row, told in zip(rows, sheet["rows"], strict=True):
        wobble = float(NOISE[told["run"]])
        value = {
            "linearity": {"value": f"{float(told['known'].get('reference') or 0) + wobble:.5f}", "unit": "mm"},
            "lengths": {"value": f"{float(told['known'].get('known') or 0) + wobble:.5f}", "unit": "mm"},
            "stability": {"value": f"{4.4 + wobble:.5f}", "unit": "mm"},
            "capability": {"value": "0.001", "dof": "60", "unit": "mm"},
            "pose": {"x_mm": f"{100 + wobble:.5f}", "y_mm": f"{50 - NOISE[500 + told['run']]:.5f}"},
        }[study]
        if told["part"] not in ("system_other", "other", "stations"):
            for name, cell in value.items():
                row[head.index(name)] = cell
    with path.open("w", encoding="utf-8", newline="") as file:  # filled in by hand, in a spreadsheet
        csv.writer(file).writerows([head, *rows])
    made = agreed.good("POST", f"/sheets/{sheet['id']}/study", {})
    assert made["sentences"]
    assert made["pictures"]
    outcome = read_document(accepted.folder / made["file"], "study")
    words = made["command"].split(" --for ")[0].split()[1:]
    data = accepted.folder / "studies" / outcome["data"]["file"]
    words[words.index(f"designs/{sheet['id']}.csv")] = str(data)
    again = cli(*words, "--json").json
    said = [sentence.replace(str(data), sheet_path(sheet)) for sentence in again["sentences"]]
    assert said == made["sentences"]


def test_decisions_are_typed_and_a_trial_is_filled_from_records(agreed, accepted, cli):
    wanted = {"of": "bore", "factors": {"shift": ["early", "late"]}, "most_escapes": 0.5, "most_false": 0.5}
    sheet = agreed.good("POST", "/sheets", {"study": "agreement", "wanted": wanted})
    assert (sheet["fills"], sheet["asks"], sheet["table"]["asked"]["by"]) == (["value"], ["reference"], "shift")
    cli("run", accepted.folder, accepted.shots, "--variant", "thin")
    sheet = agreed.good("POST", "/sheets", {"study": "trial", "wanted": wanted, "asked": {"most_misses": 0.5}})
    labels = [row["label"] for row in sheet["rows"]]
    bad, good = labels.index("bad"), labels.index("good")
    newest = agreed.good("GET", f"/sheets/{sheet['id']}/records")["records"]
    for row, record, kind in ((bad, newest[0], "large"), (good, newest[1], "")):
        path = f"/sheets/{sheet['id']}/runs/{sheet['rows'][row]['run']}/record"
        agreed.good("POST", path, {"record": record["seq"], "kind": kind})
    made = agreed.good("POST", f"/sheets/{sheet['id']}/study", {"as_far": True})
    assert made["wrong"] == []
    (escapes,) = [f for f in made["figures"] if f["name"] == "bad parts that pass"]
    assert escapes["told"].startswith("0 of 1")


def test_sheets_are_printed_and_taken_away_and_brought_back(agreed, accepted):
    begun(agreed)
    status, headers, body = agreed.raw("/api/prove/sheets/rr-1/paper.pdf")
    assert (status, headers["content-type"], body[:5]) == (200, "application/pdf", b"%PDF-")
    agreed.good("DELETE", "/sheets/rr-1")
    assert agreed.good("GET", "")["sheets"] == []
    agreed.undo()
    assert [s["id"] for s in agreed.good("GET", "")["sheets"]] == ["rr-1"]
    assert agreed("GET", "/sheets/rr-9")[0] == 404


@pytest.mark.parametrize(
    ("wanted", "where"),
    [
        ({"study": "rr", "wanted": {**WANTED, "tolerance": -1}}, "wanted.tolerance"),
        ({"study": "rr", "wanted": {**WANTED, "factors": {"value": ["A", "B"]}}}, "factors"),
        ({"study": "rr", "wanted": WANTED, "asked": {"reference": 4.0}}, "asked"),
        ({"study": "rr", "wanted": WANTED, "asked": {"most": 30}}, "asked.most"),
        ({"study": "guess", "wanted": WANTED}, "study"),
    ],
)
def test_a_sheet_that_cannot_be_is_not_begun(agreed, accepted, wanted, where):
    status, told = agreed("POST", "/sheets", wanted)
    assert (status, told["where"]) == (422, where), told
    assert not (accepted.folder / "designs").exists()


def test_who_only_looks_changes_nothing(agreed):
    begun(agreed)
    for method, path, content in (
        ("PUT", "/order", {"seen": None, "order": {}}),
        ("POST", "/agree", {"why": "x"}),
        ("POST", "/sheets", {"study": "rr", "wanted": WANTED}),
        ("PUT", "/sheets/rr-1/runs/1", {"cells": {"value": "1"}}),
        ("DELETE", "/sheets/rr-1", None),
        ("POST", "/report", {}),
        ("POST", "/trial", {"recipe": "x", "labels": "y"}),
    ):
        assert agreed(method, path, content, token="look")[0] == 403
    assert agreed("GET", "", token="look")[0] == 200


# --- what to do next, the trial, the report --------------------------------------------------------------------------


def test_what_to_do_next_is_ranked_by_what_it_spares(agreed, accepted, cli):
    assert agreed.good("GET", "/next") == []
    for k in range(12):
        picture(accepted.shots / f"vent-{k}.png", 4.38 + 0.004 * k, 60 + k)
    cli("run", accepted.folder, accepted.shots, "--variant", "thin")
    by_command = cli("limits", *_records(accepted, cli), "--reading", BORE, "--json").json["next_steps"]
    told = agreed.good("GET", "/next")
    assert [one["says"].lower() for one in told] == [step["action"].lower() for step in by_command["steps"]]
    assert all("→" in one["gain"] for one in told)


def _records(accepted, cli):
    out = accepted.folder.parent / "out"
    copy = next(iter(sorted((accepted.folder / "accepted").glob("*/recipes"))))
    words = ("--variants", copy.parent / "variants.csv", "--variant", "thin", "--out", out)
    cli("run", copy / "bore.toml", accepted.shots, *words)
    return [out / "records.jsonl"]


def test_a_trial_is_a_job_with_thumbnails_of_what_was_wrong(agreed, accepted, cli):
    folder = accepted.folder / "pictures" / "trial"
    sizes = [("good", "", 4.40), ("good", "", 4.7), ("bad", "large", 4.8), ("bad", "large", 4.42)]
    rows = ["shot,part_id,label,class"]
    for k, (label, kind, size) in enumerate(sizes):
        picture(folder / f"p{k}.png", size, 40 + k)
        rows.append(f"p{k}.png,P{k},{label},{kind}")
    (folder / "labels.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    told = agreed.good("GET", "/trial")
    assert "pictures/trial/labels.csv" in told["labels"]
    wanted = {"recipe": "recipes/bore.toml, as accepted", "labels": "pictures/trial/labels.csv", "variant": "thin"}
    job = agreed.job(agreed.good("POST", "/trial", {**wanted, "most_escapes": 0.01}))
    assert job["state"] == "done", job
    assert (job["done"], job["of"]) == (4, 4)
    study = agreed.good("GET", f"/studies/{job['result']['study']}")
    assert [(w["part"], w["truth"], w["verdict"]) for w in study["wrong"]] == [
        ("P3", "bad", "conforms"), ("P1", "good", "rejected"),
    ]  # fmt: skip
    for one in study["wrong"]:
        status, headers, body = agreed.raw(one["picture"])
        assert (status, headers["content-type"]) == (200, "image/svg+xml")
        assert b"<image" in body
    copy = next(iter(sorted((accepted.folder / "accepted").glob("*/recipes"))))
    words = ("--variant", "thin", "--variants", copy.parent / "variants.csv", "--most-escapes", "1%", "--json")
    again = cli("trial", copy / "bore.toml", folder / "labels.csv", *words).json
    assert study["sentences"] == again["sentences"]
    for bad in ({"labels": "../shots"}, {"labels": "nowhere"}, {"recipe": "recipes/none.toml"}):
        status, said = agreed("POST", "/trial", {**wanted, **bad})
        assert (status, said["where"]) == (422, next(iter(bad)))


def test_a_trial_that_is_cancelled_keeps_nothing(agreed, accepted):
    folder = accepted.folder / "pictures" / "trial"
    shot = picture(folder / "p0.png", 4.4, 40).read_bytes()
    for k in range(1, 200):
        (folder / f"p{k}.png").write_bytes(shot)
    rows = "".join(f"p{k}.png,P{k},good\n" for k in range(200))
    (folder / "labels.csv").write_text(f"shot,part_id,label\n{rows}", encoding="utf-8")
    wanted = {"recipe": "recipes/bore.toml", "labels": "pictures/trial/labels.csv", "variant": "thin"}
    job = agreed.good("POST", "/trial", wanted)
    headers = {"Authorization": "Bearer change"}
    assert agreed.served.ask("DELETE", f"/api/jobs/{job['id']}", headers=headers)[0] == 200
    ended = agreed.job(job)
    assert (ended["state"], ended["result"]) == ("cancelled", None)
    assert agreed.good("GET", "")["studies"] == []


def test_shots_are_labelled_one_by_one_and_other_lines_stay(agreed, accepted):
    assert agreed.good("GET", "/labels")["labels"] == []
    (accepted.folder / "pictures" / "trial").mkdir(parents=True)
    path = accepted.folder / "pictures" / "trial" / "labels.csv"
    agreed.good("PUT", "/labels", {"shot": "p0.png", "label": "good"})
    told = agreed.good("PUT", "/labels", {"shot": "p1.png", "part": "GV-7", "label": "bad", "kind": "large"})
    assert told["labels"][1] == {"shot": "p1.png", "part": "GV-7", "label": "bad", "kind": "large"}
    text = path.read_text(encoding="utf-8-sig") + "# the burrs come on Monday\n"
    path.write_text(text, encoding="utf-8")
    agreed.good("PUT", "/labels", {"shot": "p0.png", "label": "bad", "kind": "burr"})
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    assert lines == ["shot,part_id,label,class", "p0.png,p0,bad,burr", "p1.png,GV-7,bad,large",
                     "# the burrs come on Monday"]  # fmt: skip
    agreed.good("PUT", "/labels", {"shot": "p0.png", "label": ""})
    agreed.good("PUT", "/labels", {"shot": "p1.png", "label": ""})
    assert agreed.good("PUT", "/labels", {"shot": "p2.png", "label": "good"})["labels"][0]["part"] == "p2"
    # A picture that was taken away meanwhile is named, so that somebody can bring it again or take its label back.
    assert agreed.good("GET", "/labels")["absent"] == ["p2.png"]
    picture(path.with_name("p2.png"), 4.4, 3)
    assert agreed.good("GET", "/labels")["absent"] == []
    for bad in ({"shot": "", "label": "good"}, {"shot": "p1.png", "label": "fair"}, {"shot": "#1", "label": "bad"}):
        assert agreed("PUT", "/labels", bad)[0] == 422


def test_the_acceptance_report_is_a_job_and_its_page_reaches_nothing(agreed, accepted, cli):
    cli("run", accepted.folder, accepted.shots, "--variant", "thin")
    job = agreed.job(agreed.good("POST", "/report", {"sample": 2, "pictures": 2}))
    assert job["state"] == "done", job
    assert job["result"]["good"] is False
    out = accepted.folder.parent / "acceptance.pdf"
    by_command = cli("report", accepted.folder, "--out", out, "--sample", "2", "--pictures", "2", "--json").json
    assert job["result"]["lines"] == by_command["lines"]
    (report,) = agreed.good("GET", "")["reports"]
    status, headers, body = agreed.raw(report["pdf"])
    assert (status, headers["content-type"], body[:5]) == (200, "application/pdf", b"%PDF-")
    status, headers, body = agreed.raw(report["html"])
    assert (status, body[:15].lower()) == (200, b"<!doctype html>")
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "sandbox" in policy
    assert "connect-src" not in policy
    assert agreed.raw("/api/prove/reports/acceptance-20200101T000000Z.pdf")[0] == 404


def test_without_an_agreement_there_is_no_report(asked):
    status, told = asked("POST", "/report", {})
    assert status == 409
    assert "nothing was agreed" in told["says"]


def test_a_station_without_anything_says_what_comes_first(tmp_path):
    (tmp_path / "new").mkdir()
    (tmp_path / "new" / "station.toml").write_text('format = "tiepoint/station/1"\nname = "new"\n', encoding="utf-8")
    with serve(tmp_path / "new") as served:
        told = Asked(served).good("GET", "")
    assert told["claims"] == told["studies"] == told["sheets"] == []
    assert told["says"].startswith("Nothing is agreed on yet: write down")


# --- limits, and all that may be asked or agreed on -------------------------------------------------------------------


def _same(kept, told):
    """Assert that a kept outcome is what the command told, but for what is of the file alone."""
    assert {k: v for k, v in kept.items() if k != "study"} == {k: v for k, v in told.items() if k != "study"}


def _outcome(accepted, study):
    return read_document(accepted.folder / study["file"], "study")["outcome"]


def test_limits_are_set_as_the_command_sets_them(agreed, accepted, cli):
    wanted = {"of": BORE, "by": "stated", "lower": 9.9, "upper": 10.1, "mean": 10, "spread": 0.03, "u": 0.006,
              "u_common": 0.01, "most_consumer": 0.0001}  # fmt: skip
    told = agreed.good("POST", "/limits", wanted)
    words = ("--lower", "9.9mm", "--upper", "10.1mm", "--mean", "10mm", "--spread", "0.03mm", "--u", "0.006mm")
    by_command = cli("limits", *words, "--u-common", "0.01mm", "--most-consumer", "100ppm", "--json").json
    _same(_outcome(accepted, told), by_command)
    assert (told["kind"], told["of"]) == ("limits", BORE)
    assert [p["name"] for p in told["pictures"]]
    # From the records of the station, with what to do next.
    for k in range(12):
        picture(accepted.shots / f"vent-{k}.png", 4.38 + 0.004 * k, 60 + k)
    cli("run", accepted.folder, accepted.shots, "--variant", "thin")
    told = agreed.good("POST", "/limits", {"of": BORE, "variant": "thin", "most_producer": 0.3})
    shares = ("--most-producer", "30%")
    by_command = cli("limits", *_records(accepted, cli), "--reading", BORE, *shares, "--json").json
    kept = _outcome(accepted, told)
    assert kept["by_risks"] == by_command["by_risks"]
    assert kept["next_steps"] == by_command["next_steps"]
    assert told["recipe"]  # so that it is out of date when another recipe is accepted
    # From a table of parts, which is kept.
    rows = [
        "value,label",
        *(f"{0.1 + k / 1000},good" for k in range(40)),
        *(f"{0.2 + k / 1000},bad" for k in range(30)),
    ]
    told = agreed.good("POST", "/limits", {"of": "burr", "by": "table", "table": "\n".join(rows), "most_escapes": 0.1})
    path = accepted.folder.parent / "burr.csv"
    path.write_text("\n".join(rows), encoding="utf-8")
    _same(_outcome(accepted, told), cli("limits", path, "--most-escapes", "10%", "--json").json)
    assert told["data"] == "parts.csv"
    assert verify(open_station(accepted.folder)).good


@pytest.mark.parametrize(
    ("more", "where", "says"),
    [
        ({"by": "stated", "mean": 10, "spread": 0.1}, "u", "a reading's u is missing"),
        ({"by": "stated", "mean": 10, "spread": 0.1, "u": 0.01}, "lower", "the part's limits are not said"),
        ({"by": "stated", "mean": 4, "spread": 1, "u": 0.1, "lower": 5, "upper": 4}, "lower", "give lower < upper"),
        ({"by": "records"}, "of", "holds no record"),
        ({"by": "table", "table": "value\nten"}, "table", "ten"),
        ({"by": "table", "table": "value,label\n4,fine\n"}, "table", "write good or bad"),
        ({"by": "table", "table": "value\n4.1\n4.2\n"}, "table", "state its standard uncertainty"),
    ],
)
def test_limits_that_cannot_be_set_say_at_which_field(agreed, more, where, says):
    status, told = agreed("POST", "/limits", {"of": BORE, **more})
    assert (status, told["where"]) == (422, where)
    assert says in f"{told['says']}; {told['do']}"


def test_all_that_a_study_takes_is_asked_on_its_sheet(agreed, accepted):
    sheet = begun(agreed, most=0.3)
    options = {one["name"]: one for one in sheet["options"]}
    assert list(options) == ["factors", "every", "tolerance", "spread", "most", "pool"]
    assert (options["most"]["value"], options["most"]["unit"]) == ("30", "%")
    assert (options["spread"]["value"], options["spread"]["usual"]) == ("", "6")
    assert options["pool"]["choices"] == ["rule", "always", "never"]
    told = agreed.good(
        "PUT", f"/sheets/{sheet['id']}/asked", {"asked": {"most": "10 %", "spread": "5,15", "every": "carrier"}}
    )
    assert told["table"]["asked"] | {"most": 0.1, "spread": 5.15, "every": ["carrier"]} == told["table"]["asked"]
    fill_all(agreed, told)
    study = agreed.good("POST", f"/sheets/{sheet['id']}/study", {})
    assert "--all carrier --tolerance 0.2mm --spread 5.15 --most 10%" in study["command"]
    agreed.undo()
    for typed, where in (
        ({"most": "much"}, "most"),
        ({"most": "300"}, "most"),
        ({"bias": "1"}, "bias"),
        ({"pool": "x"}, "pool"),
    ):
        status, refused = agreed("PUT", f"/sheets/{sheet['id']}/asked", {"asked": typed})
        assert (status, refused["where"]) == (422, where)


def test_influences_control_and_signatures_are_written_with_the_rest(asked, accepted):
    path = accepted.folder / "requirements.toml"
    before = asked.good("GET", "")["order"]
    order = before["order"]
    order["influence"].append({"name": "dust", "excluded": "the hood is shut"})
    order["control"]["every"] = "each day"
    order["control"]["again"].append({"change": "another lens", "tests": ["rr", "lengths"]})
    order["signature"].append({"role": "For the customer", "name": "A. Roth"})  # a second one in the same role
    order["not_checked"] += ["the hinge's play"]
    asked.good("PUT", "/order", {"seen": before["sha"], "order": order})
    text = path.read_text(encoding="utf-8")
    assert "# agreed with the customer by telephone" in text
    found = tomllib.loads(text)
    assert found["influence"][1] == {"name": "dust", "excluded": "the hood is shut"}
    assert [one["change"] for one in found["control"]["again"]][-1] == "another lens"
    assert found["control"]["golden"] == ["G1", "G2"]
    assert [(s["role"], s.get("name")) for s in found["signature"]] == [
        ("For the supplier", "M. Weiss"), ("For the customer", None), ("For the customer", "A. Roth")
    ]  # fmt: skip
    assert found["not_checked"] == ["the back of the plate", "the hinge's play"]
    again = asked.good("GET", "")["order"]
    assert again["order"]["signature"] == order["signature"] or again["fault"] == ""
    order["influence"][1]["excluded"] = None
    status, refused = asked("PUT", "/order", {"seen": again["sha"], "order": order})
    assert (status, refused["where"]) == (422, "influence[1].tested")
    order["influence"][1]["excluded"] = "shut"
    order["control"]["again"][-1]["tests"] = ["guess"]
    status, refused = asked("PUT", "/order", {"seen": again["sha"], "order": order})
    assert (status, refused["where"][:13]) == (422, "control.again")


def test_what_to_do_next_is_told_in_every_state(asked, accepted):
    path = accepted.folder / "requirements.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("lower = 4.3", "lower = 4.9"), encoding="utf-8")
    todo = asked.good("GET", "")["to_do"]
    assert [(t["by"], t["says"]) for t in todo] == [("agree", "Mend requirements.toml")]
    assert "give lower < upper" in todo[0]["why"]
    head, _, rest = text.partition("[[requirement]]")
    only = "\n[[requirement]]" + rest.partition("[[requirement]]")[0]
    path.write_text(head + only.replace('"rr"', '"limits"'), encoding="utf-8")
    asked.good("POST", "/agree", {"why": "order 7"})
    todo = asked.good("GET", "")["to_do"]
    assert [(t["by"], t["of"]) for t in todo] == [("limits", BORE)]
    wanted = {"of": BORE, "by": "stated", "lower": 4.3, "upper": 4.5, "mean": 4.4, "spread": 0.005, "u": 0.002}
    asked.good("POST", "/limits", {**wanted, "most_consumer": 0.01})
    assert [(t["by"], t["says"]) for t in asked.good("GET", "")["to_do"]] == [("report", "Make the acceptance report")]
    begun(asked)
    asked.good("PUT", "/sheets/rr-1/runs/1", {"cells": {"value": "4.4"}})
    assert asked.good("GET", "")["to_do"][0]["says"] == "Go on with run sheet rr-1"
