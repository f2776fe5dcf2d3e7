"""The head in a second place: what was cut off is found by it, and a place that is away keeps nobody waiting."""

import os
import sqlite3
from pathlib import Path

import pytest

from tiepoint.station.acts import write_act
from tiepoint.station.folder import Station, open_station
from tiepoint.station.heads import HeadCopy, copy_head, told_heads
from tiepoint.station.ledger import Head, Ledger
from tiepoint.station.naming import act_of
from tiepoint.station.verify import verify


@pytest.fixture
def station(tmp_path: Path) -> Station:
    folder = tmp_path / "vents"
    folder.mkdir()
    (folder / "station.toml").write_text(
        'format = "tiepoint/station/1"\nname = "vents"\n[ledger]\ncopy_head_to = "../quality/vents.heads"\n'
    )
    (tmp_path / "quality").mkdir()
    made = open_station(folder)
    for k in range(4):
        write_act(made, act_of(made, "note", who="M. Weiss", why=f"{k}"))
    return made


def test_a_line_a_day(station: Station, tmp_path: Path):
    copy = HeadCopy(station)
    with Ledger(station.ledger_place) as ledger:
        first = ledger.head
        assert copy.step(ledger, at="2026-11-26T08:00:00.000Z") is None
        ledger.append("act", act_of(station, "note", who="M. Weiss", why="more"))
        assert copy.step(ledger, at="2026-11-26T09:00:00.000Z") is None
        assert HeadCopy(station).step(ledger, at="2026-11-26T10:00:00.000Z") is None
        assert copy.step(ledger, at="2026-11-27T08:00:00.000Z") is None
        second = ledger.head
    text = (tmp_path / "quality" / "vents.heads").read_text()
    assert text == f"2026-11-26 4 {first.sha}\n2026-11-27 5 {second.sha}\n"
    told = verify(station, sample=0)
    assert told.good
    assert any(note.startswith("2 heads were copied to") for note in told.notes)


@pytest.mark.skipif(os.name == "nt", reason="Windows has no folder to flush")
def test_a_new_file_s_name_is_on_the_disk_too(station: Station, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """POSIX: what `fsync` of a file leaves open is whether its folder knows it (fsync(2), Linux)."""
    flushed: list[int] = []
    flush = os.fsync

    def seen(there: int) -> None:
        flushed.append(os.fstat(there).st_ino)
        flush(there)

    monkeypatch.setattr(os, "fsync", seen)
    path = tmp_path / "quality" / "vents.heads"
    with Ledger(station.ledger_place) as ledger:
        for day in ("2026-11-26", "2026-11-27"):
            assert copy_head(path, ledger.head, day)
    assert flushed == [path.stat().st_ino, path.parent.stat().st_ino, path.stat().st_ino]


def test_an_end_that_was_cut_off_is_found(station: Station):
    with Ledger(station.ledger_place) as ledger:
        HeadCopy(station).step(ledger, at="2026-11-26T08:00:00.000Z")
    base = sqlite3.connect(station.ledger_path)
    base.execute("DROP TRIGGER no_delete")
    base.execute("DELETE FROM entries WHERE seq = 4")
    base.commit()
    base.close()
    told = verify(station, sample=0)
    assert told.chain.holds
    assert "entry 4, the head of 2026-11-26 by" in told.all_faults[0]


def test_a_place_that_is_away_is_told_and_tried_again_later(station: Station, tmp_path: Path):
    (tmp_path / "quality").rmdir()
    copy = HeadCopy(station)
    with Ledger(station.ledger_place) as ledger:
        said = copy.step(ledger)
        assert said is not None
        assert "cannot copy the ledger's head to" in said
        assert copy.step(ledger) is None  # not at every turn
        (tmp_path / "quality").mkdir()
        assert HeadCopy(station).step(ledger) is None
    assert len(told_heads(station)) == 1


def test_a_file_that_cannot_be_read_is_no_fault_of_the_evidence(station: Station, tmp_path: Path):
    told = verify(station, sample=0)
    assert told.good
    assert any("cannot be looked at" in note for note in told.notes)
    (tmp_path / "quality" / "vents.heads").write_bytes(b"2026-11-26 4 abc")  # broken off by the mains
    assert copy_head(tmp_path / "quality" / "vents.heads", Head(4, "ab" * 32), "2026-11-27")
    assert [one.head.seq for one in told_heads(station)] == [4]
