"""What is done for the evidence on duty, by the thread that does it."""

import threading
from datetime import UTC, datetime
from pathlib import Path

from tests.helpers.made_records import record

from tiepoint.station.archive import KeptPicture, keep_pictures
from tiepoint.station.care import Care
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger


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
