"""Commands that keep and move a station's evidence, and people's acts while another process is on duty."""

import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.helpers.vent_station import picture

from tiepoint.station.folder import open_station
from tiepoint.station.inbox import INBOX
from tiepoint.station.ledger import Ledger
from tiepoint.station.questions import counts, last_records

ON_DUTY = """
import sys
from pathlib import Path
from tiepoint.station.folder import open_station
from tiepoint.station.inbox import Inbox
from tiepoint.station.ledger import Ledger
from tiepoint.station.lock import DUTY, WriterLock
import select
station = open_station(Path(sys.argv[1]))
with WriterLock(station.folder, DUTY), Ledger(station.ledger_place, create=True) as ledger:
    inbox = Inbox(station)
    print("on duty", flush=True)
    while not select.select([sys.stdin], [], [], 0.01)[0]:
        for request in inbox.pending():
            inbox.answer(ledger, request)
"""


@contextmanager
def on_duty(folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Have another process hold the lock and answer the inbox, as the duty process does."""
    command = [sys.executable, "-c", ON_DUTY, str(folder)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdin is not None
        assert other.stdout is not None
        assert other.stdout.readline().strip() == "on duty"
        try:
            yield other
        finally:
            other.stdin.close()


def test_acts_go_through_the_inbox_while_duty_runs(cli, vent):
    with on_duty(vent.folder) as other:
        first = cli("accept", vent.folder, "--why", "first", "--who", "M. Weiss", "--json")
        assert first.code == 0
        vent.change("outer = 3", "outer = 2.9")
        second = cli("accept", vent.folder, "--why", "narrower", "--json")
        assert second.json["accepted"]["entry"] > first.json["accepted"]["entry"]
        refused = cli("run", vent.folder, vent.shots, "--variant", "thin")
        assert refused.code == 2
        assert refused.is_one_sentence()
        assert f"another program writes at {vent.folder}: duty, since" in refused.err
        assert f"process {other.pid}" in refused.err
        assert cli("verify", vent.folder).code == 0
    with Ledger(open_station(vent.folder).ledger_place) as ledger:
        acts = [e.body for e in ledger.entries("act")]
        assert [a["why"] for a in acts if a["act"] == "accept"] == ["first", "narrower"]
        assert all(a["request"] for a in acts)
        assert ledger.check().holds
    assert list((vent.folder / INBOX).iterdir()) == []
    assert cli("run", vent.folder, vent.shots, "--variant", "thin").code in (0, 1)


def test_a_station_is_moved_whole(cli, judged, tmp_path):
    packed = cli("pack", judged.folder, "--out", tmp_path / "vents.zip", "--json")
    assert packed.code == 0
    moved = cli("unpack", tmp_path / "vents.zip", "--out", tmp_path / "moved", "--json")
    assert moved.code == 0
    evidence = moved.json["evidence"]
    assert evidence["good"]
    assert evidence["head"] == packed.json["head"]
    assert evidence["kept_shots"] == evidence["recomputed"] == evidence["recomputed_same"] == 3
    again = cli("unpack", tmp_path / "vents.zip", "--out", tmp_path / "moved")
    assert again.code == 2
    assert again.is_one_sentence()
    assert cli("replay", tmp_path / "moved").code == 0
    # And what was lost on the way before is found when it arrives.
    shutil.rmtree(judged.kept()[0])
    assert cli("pack", judged.folder, "--out", tmp_path / "less.zip").code == 0
    told = cli("unpack", tmp_path / "less.zip", "--out", tmp_path / "less")
    assert told.code == 1
    assert "is missing" in told.out


def test_a_shot_is_taken_away_by_right(cli, judged):
    station = open_station(judged.folder)
    with Ledger(station.ledger_place) as ledger:
        record = next(ledger.entries("record")).seq
    said = cli("expire", judged.folder, "--record", record, "--why", "shows a person", "--json")
    assert said.code == 0
    assert said.json["records"] == [record]
    assert len(judged.kept()) == 2
    told = cli("verify", judged.folder, "--json")
    assert told.code == 0
    assert told.json["expired"] == [record]
    nothing = cli("expire", judged.folder, "--never-kept", "--why", "look")
    assert "Every shot that had to be kept was." in nothing.out
    for words, says in (
        (("--record", record, "--why", "again"), "is gone already"),
        (("--record", 1, "--why", "a slip"), "is no record"),
        (("--why", "nothing named"), "say which shots are meant"),
        (("--record", record, "--never-kept", "--why", "both"), "say which shots are meant"),
        (("--record", record, "--why", " "), "--why takes a line"),
    ):
        wrong = cli("expire", judged.folder, *words)
        assert wrong.code == 2
        assert wrong.is_one_sentence()
        assert says in wrong.err


def test_what_a_repair_left_wrong_is_counted_anew(cli, judged):
    base = sqlite3.connect(judged.folder / "ledger.sqlite")
    base.executescript("UPDATE sums SET count = 77; DELETE FROM judged")
    base.close()
    said = cli("verify", judged.folder, "--sample", "0")
    assert said.code == 0
    assert "are not those of the entries; they are no evidence, and tiepoint sums makes them anew" in said.out
    with on_duty(judged.folder):
        assert "another program writes at" in cli("sums", judged.folder).err
    told = cli("sums", judged.folder, "--json")
    with Ledger(judged.folder / "ledger.sqlite") as ledger:
        records = len(list(ledger.entries("record")))
        assert (told.code, told.json["records"]) == (0, records)
        assert sum(one.count for one in counts(ledger)) == records
        assert len(last_records(ledger, 1000)) == records
    assert "sums" not in cli("verify", judged.folder, "--sample", "0").out
    base = sqlite3.connect(judged.folder / "ledger.sqlite")
    base.executescript("DROP TRIGGER no_update; UPDATE entries SET entry = '{}' WHERE kind = 'record'")
    base.close()
    refused = cli("sums", judged.folder)
    assert refused.code == 2
    assert "is not counted anew, for its chain does not hold: entry" in refused.err


def test_an_archive_with_names_of_one_s_own_is_verified_and_replayed(cli, vent):
    text = (vent.folder / "station.toml").read_text()
    names = "{verdict}/{taken_utc:%Y}_{station}_{part_id}_{count:06d}_{picture}.png"
    (vent.folder / "station.toml").write_text(f'{text}\n[archive]\nnames = "{names}"\n')
    assert cli("accept", vent.folder, "--why", "first").code == 0
    picture(vent.shots / "more.png", 4.4, 9)
    cli("run", vent.folder, vent.shots, "--variant", "thin")
    files = sorted(p.name for p in (vent.folder / "archive").rglob("*.*"))
    assert len(files) == 8
    assert all("_vent bores_" in name for name in files)
    told = cli("verify", vent.folder, "--json")
    assert told.code == 0
    assert told.json["kept_shots"] == told.json["recomputed_same"] == 4
    assert cli("replay", vent.folder).code == 0
