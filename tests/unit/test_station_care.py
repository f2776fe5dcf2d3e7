"""What is done for the evidence on duty, by the thread that does it."""

import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests.helpers.made_records import record

from tiepoint.station.archive import KeptPicture, keep_pictures
from tiepoint.station.care import Care
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger


def test_what_nobody_foresaw_is_told_and_ends_no_care(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    (tmp_path / "station.toml").write_text('format = "tiepoint/station/1"\nname = "station"\n')
    station = open_station(tmp_path)
    with Ledger(station.ledger_place, create=True) as ledger:
        ledger.commit(record(1))
    told: list[tuple[str, str | None]] = []
    again = threading.Event()

    def breaks(*_: object) -> None:
        raise ZeroDivisionError("a slip")

    def hears(name: str, why: str | None) -> None:
        told.append((name, why))
        if why is not None:
            monkeypatch.undo()
        elif name == "care":
            again.set()

    monkeypatch.setattr("tiepoint.station.heads.HeadCopy.step", breaks)
    with Care(station, hears, every_s=0.01, away_s=0.01):
        assert again.wait(60)
    name, why = told[0]
    assert name == "care"
    assert "ZeroDivisionError" in (why or "")


def test_heads_and_shots_go_to_their_other_places(tmp_path: Path):
    (tmp_path / "vents").mkdir()
    (tmp_path / "vents" / "station.toml").write_text(
        'format = "tiepoint/station/1"\nname = "station"\n[ledger]\ncopy_head_to = "../there/heads"\n'
        f'[archive]\nfar = "file://{tmp_path}/far"\n'
    )
    station = open_station(tmp_path / "vents")
    with Ledger(station.ledger_place, create=True) as ledger:
        for k in range(3):
            made = ledger.commit(record(k))
            pictures = [KeptPicture("main", bytes([k]) * 100, ".png", made.shot.pictures[0])]
            ledger.append("archived", keep_pictures(station, made, pictures, "2026-11-26T08:00:00.000Z"))
        head = ledger.head
    troubles: dict[str, str | None] = {}
    copied = threading.Event()

    def told(name: str, why: str | None) -> None:
        troubles[name] = why
        if name == "far archive":
            copied.set()

    (tmp_path / "far").write_text("a file where a folder is due")
    with Care(station, told, every_s=0.01):
        assert copied.wait(60)
    assert "cannot copy to the far archive" in (troubles["far archive"] or "")
    assert "cannot copy the ledger's head" in (troubles["second place of the head"] or "")

    (tmp_path / "far").unlink()
    (tmp_path / "there").mkdir()
    copied.clear()
    with Care(station, told, every_s=0.01) as care:
        assert copied.wait(60)
    assert care.far_state is not None
    assert (care.far_state.copied, care.far_state.wait) == (3, 0)
    assert set(troubles.values()) == {None}
    assert len(list((tmp_path / "far").rglob("main.png"))) == 3
    day = datetime.now(UTC).strftime("%Y-%m-%d")
    assert (tmp_path / "there" / "heads").read_text() == f"{day} {head.seq} {head.sha}\n"
