"""Evidence that was altered, lost, never kept, or is of another station: `verify` and the report name it as that."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from tests.helpers.vent_station import REQUIREMENTS, Vent

from tiepoint.station.folder import open_station
from tiepoint.station.kept import keep_study
from tiepoint.station.ledger import Ledger

QUICK = ("--sample", "0")


@pytest.fixture
def proved(cli, vent: Vent) -> Vent:
    """A station with requirements that were agreed, a study with its table, and two judged shots."""
    (vent.folder / "requirements.toml").write_text(REQUIREMENTS, encoding="utf-8")
    assert cli("accept", vent.folder, "--why", "order 7", "--who", "M. Weiss").code == 0
    table = vent.folder.parent / "loads.csv"
    table.write_text("part,value\nA,4.401\nB,4.403\n", encoding="utf-8")
    keep_study(open_station(vent.folder), "rr", "bore.diameter", {"good": True, "grr": 0.003}, table, who="M. Weiss")
    for k in (0, 1):
        assert cli("run", vent.folder, vent.shots / f"vent-{k}.png", "--variant", "thin").code == 0
    return vent


def only(folder: Path, pattern: str) -> Path:
    (path,) = folder.glob(pattern)
    return path


def entries(vent: Vent, kind: str | None = None) -> list:
    with Ledger(open_station(vent.folder).ledger_path) as ledger:
        return list(ledger.entries(kind))


def call_it(vent: Vent, name: str) -> None:
    path = vent.folder / "station.toml"
    path.write_text(path.read_text().replace("vent bores", name))


class TestStudiesAndRequirements:
    def test_they_are_counted(self, cli, proved):
        told = cli("verify", proved.folder, *QUICK, "--json").json
        assert (told["good"], told["agreed"], told["studies"], told["notes"]) == (True, 1, 1, [])
        assert told["first"] == entries(proved)[0].sha

    @pytest.mark.parametrize(
        ("where", "change", "says"),
        [
            ("studies/*.json", ("0.003", "0.002"), "entry 3: {} was altered after the study was made"),
            ("studies/*.json", None, "entry 3: {} is missing"),
            ("studies/*.csv", ("4.401", "4.402"), "entry 3: {} was altered after the study was made"),
            ("studies/*.csv", None, "entry 3: {} is missing"),
            ("accepted/*/requirements.toml", ("upper = 4.5", "upper = 4.6"), "entry 1: {} was altered after it was"),
            ("accepted/*/requirements.toml", ("upper = 4.5", "upper = "), "entry 1: "),
            ("accepted/*/requirements.toml", None, "entry 1: {} is missing"),
        ],
    )
    def test_altered_and_missing_ones_are_told_apart(self, cli, proved, where, change, says):
        path = only(proved.folder, where)
        if change is None:
            path.unlink()
        else:
            assert change[0] in path.read_text()
            path.write_text(path.read_text().replace(*change))
        said = cli("verify", proved.folder, *QUICK)
        assert said.code == 1
        assert says.format(path) in said.out
        assert "Not all of it holds." in said.out

    def test_the_report_rests_on_the_same(self, cli, proved, tmp_path):
        path = only(proved.folder, "studies/*.csv")
        path.unlink()
        said = cli("report", proved.folder, "--out", tmp_path / "a.pdf", "--html", tmp_path / "a.html", "--json")
        assert (said.code, said.json["evidence_holds"]) == (1, False)
        assert "The evidence holds" not in (tmp_path / "a.html").read_text(encoding="utf-8")


class TestAnotherStation:
    def test_a_folder_that_was_copied_and_renamed_proves_nothing_about_the_other(self, cli, proved, tmp_path):
        """The records, studies and acts of one station, shown as those of another."""
        copy = Vent(tmp_path / "copy", proved.shots)
        shutil.copytree(proved.folder, copy.folder)
        call_it(copy, "other station, line 9")
        said = cli("verify", copy.folder, *QUICK)
        assert said.code == 1
        named = 'entry 1 and 4 more are of the station "vent bores", and this is "other station, line 9"'
        assert named in said.out
        told = cli("report", copy.folder, "--out", tmp_path / "a.pdf", "--html", tmp_path / "a.html", "--json")
        assert (told.code, told.json["evidence_holds"]) == (1, False)
        assert "of the station" in (tmp_path / "a.html").read_text(encoding="utf-8")
        assert cli("verify", proved.folder, *QUICK).code == 0

    def test_nothing_is_added_to_the_ledger_of_a_station_that_is_called_otherwise(self, cli, proved):
        before = len(entries(proved))
        call_it(proved, "vents, line 9")
        said = cli("run", proved.folder, proved.shots / "vent-0.png", "--variant", "thin")
        assert (said.code, 'of the station "vent bores"' in said.err) == (2, True)
        assert "tiepoint accept --why" in said.err
        data = proved.folder.parent / "loads.csv"
        said = cli("study", "rr", data, "--unit", "mm", "--factor", "none", "--for", proved.folder, "--of", "x")
        assert said.code == 2
        assert len(entries(proved)) == before

    def test_an_honest_rename_is_an_act_that_is_dated_and_told(self, cli, proved):
        call_it(proved, "vents, line 9")
        shown = cli("accept", proved.folder, "--show", "--json")
        assert shown.json["changes"] == ['station.toml: renamed from "vent bores" to "vents, line 9"']
        assert "--why" in cli("accept", proved.folder).err
        said = cli("accept", proved.folder, "--why", "line 4 is line 9 now", "--who", "M. Weiss")
        act = entries(proved)[-1]
        assert f"Renamed: entry {act.seq} of the ledger." in said.out
        assert (act.body["act"], act.body["was"], act.body["who"]) == ("rename", ["vent bores"], "M. Weiss")
        assert cli("run", proved.folder, proved.shots / "vent-0.png", "--variant", "thin").code == 0
        told = cli("verify", proved.folder, *QUICK, "--json")
        assert (told.code, told.json["faults"]) == (0, [])
        day = act.written_utc[:10]
        assert told.json["notes"] == [f'entry {act.seq}, {day}: renamed from "vent bores" to "vents, line 9"']
        assert entries(proved, "record")[-1].body["station"] == "vents, line 9"
        # The old name is not this station's any more, whoever writes it into station.toml again.
        path = proved.folder / "station.toml"
        path.write_text(path.read_text().replace("vents, line 9", "vent bores"))
        assert cli("verify", proved.folder, *QUICK).code == 1

    def test_a_ledger_of_before_still_holds_and_says_that_its_acts_name_no_station(self, cli, proved):
        """What version 0.1 wrote into an act: the same without `station`."""
        old = entries(proved)
        path = open_station(proved.folder).ledger_path
        path.unlink()
        shutil.rmtree(proved.folder / "archive")
        with Ledger(path, create=True) as ledger:
            for entry in old[:3]:
                ledger.append(entry.kind, {key: v for key, v in entry.body.items() if key != "station"})
        told = cli("verify", proved.folder, *QUICK, "--json")
        assert (told.code, told.json["faults"]) == (0, [])
        (note,) = told.json["notes"]
        assert note.startswith("3 acts name no station, the first of them entry 1")
        assert cli("run", proved.folder, proved.shots / "vent-0.png", "--variant", "thin").code == 0
        call_it(proved, "another")
        said = cli("verify", proved.folder, *QUICK)
        assert (said.code, 'entry 5 is of the station "vent bores"' in said.out) == (1, True)


class TestWhatRuns:
    def test_an_earlier_copy_that_is_pointed_to_again_is_found(self, cli, proved):
        """Accepted once, so no stranger; but not what was accepted last."""
        path = proved.folder / "accepted.toml"
        before = path.read_text()
        proved.change("plus = 0.1", "plus = 0.05")
        assert cli("accept", proved.folder, "--why", "narrower").code == 0
        assert cli("verify", proved.folder, *QUICK).code == 0
        path.write_text(before)
        said = cli("verify", proved.folder, *QUICK)
        assert (said.code, "has thin run by the copy" in said.out) == (1, True)
        path.unlink()
        said = cli("verify", proved.folder, *QUICK)
        assert (said.code, "has thin run by nothing, and the copy" in said.out) == (1, True)

    def test_evidence_that_lies_elsewhere_is_told_when_accepted_and_when_verified(self, cli, vent):
        path = vent.folder / "station.toml"
        path.write_text(path.read_text() + '[ledger]\nfile = "../elsewhere.sqlite"\n')
        said = cli("accept", vent.folder, "--why", "first")
        assert said.code == 0
        assert "lies outside of the station's folder" in said.err
        told = cli("verify", vent.folder, *QUICK, "--json").json
        assert (told["good"], len(told["notes"])) == (True, 1)

    def test_a_clock_that_was_set_back_is_told(self, cli, proved):
        with Ledger(open_station(proved.folder).ledger_path) as ledger:
            body = {"act": "note", "station": "vent bores", "who": "x", "why": "y"}
            seq = ledger.append("act", body, at="1999-11-26T08:00:00.000Z").seq
            ledger.append("act", body)
        told = cli("verify", proved.folder, *QUICK, "--json").json
        assert told["good"]
        assert [note for note in told["notes"] if "clock" in note] == [
            f"entry {seq} is dated before entry {seq - 1}: the clock was set back; the order is that of the entries"
        ]


KILLED = """
import os, sys
from pathlib import Path
from tiepoint.station import judge
from tiepoint.station.accepted import prepare_accepted
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
judge.keep = lambda *_: os._exit(137)  # as by the mains: no handler runs, nothing is closed
station = open_station(Path(sys.argv[1]))
with Ledger(station.ledger_path) as ledger:
    list(judge.judge(station, ledger, prepare_accepted(station, "thin"), [Path(sys.argv[2])]))
"""


class TestShotsThatWereNeverKept:
    def test_it_is_said_at_once_that_the_record_stands_and_its_shot_does_not(self, cli, proved):
        away = proved.folder / "archive"
        shutil.move(away, proved.folder / "put-away")
        away.write_text("no folder can be made here")
        said = cli("run", proved.folder, proved.shots / "vent-0.png", "--variant", "thin")
        assert said.code == 2
        seq = entries(proved, "record")[-1].seq
        assert f"entry {seq} of the ledger is the record of vent-0-" in said.err
        assert "(conforms), and its shot was not kept: cannot keep the shot in" in said.err
        assert "nothing was changed" not in said.err
        away.unlink()
        shutil.move(proved.folder / "put-away", away)
        self.demand_told(cli, proved, seq)

    def test_so_it_is_where_the_program_was_killed_between_the_two(self, cli, proved):
        words = [sys.executable, "-c", KILLED, str(proved.folder), str(proved.shots / "vent-0.png")]
        assert subprocess.run(words, check=False).returncode == 137
        self.demand_told(cli, proved, entries(proved, "record")[-1].seq)

    @staticmethod
    def demand_told(cli, vent: Vent, seq: int) -> None:
        told = cli("verify", vent.folder, *QUICK, "--json")
        assert (told.code, told.json["never_kept"], told.json["kept_shots"]) == (1, [seq], 2)
        assert told.json["faults"] == [f"entry {seq}: its shot was never kept; the ledger tells of no picture of it"]
        assert "2 as they were, 1 never kept" in cli("verify", vent.folder, *QUICK).out

    def test_a_shot_that_could_not_be_read_had_nothing_to_keep(self, cli, proved):
        bad = proved.shots / "vent-9.png"
        bad.write_bytes(b"no picture")
        cli("run", proved.folder, proved.shots / "vent-0.png", bad, "--variant", "thin")
        assert entries(proved, "record")[-1].body["verdict"] == "unread"
        told = cli("verify", proved.folder, *QUICK, "--json").json
        assert (told["good"], told["never_kept"]) == (True, [])


def test_a_document_of_a_study_names_its_station(proved):
    document = json.loads(only(proved.folder, "studies/*.json").read_text(encoding="utf-8"))
    assert document["station"] == "vent bores"
