"""A process that keeps shots, killed in the midst of it again and again: nothing torn, nothing unaccounted for."""

import hashlib
import subprocess
import sys
from pathlib import Path

from tiepoint.recipe.shots import load_shot
from tiepoint.station.archive import kept_of
from tiepoint.station.archive_found import found_again, not_archived
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
from tiepoint.station.verify import verify

KEEPS = """
import sys
from dataclasses import replace
from pathlib import Path
import numpy as np
sys.path.insert(0, sys.argv[2])
from tests.helpers.made_records import record
from tiepoint.documents.canonical import pixels_sha256
from tiepoint.documents.pictures import encode_png
from tiepoint.model.shot import Picture
from tiepoint.station.archive_keeper import Keeper
from tiepoint.station.cameras.delivery import Delivery, Frame
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
station = open_station(Path(sys.argv[1]))
grey = np.random.default_rng(1).integers(0, 255, (300, 400), dtype=np.uint8)
data, sha = encode_png(grey), pixels_sha256(grey)
made = record(1)
lights = tuple(Picture(role, sha, (400, 300), 8, "Mono8") for role in ("east", "north", "west"))
made = replace(made, shot=replace(made.shot, pictures=lights), sha=None)
frames = tuple(Frame(light.role, "x.png", data=data) for light in lights)
with Ledger(station.ledger_place, create=True) as ledger:
    keeper = Keeper(station, ledger)
    while True:
        committed = ledger.commit(made)
        body = keeper.keep(committed, Delivery("s1", "top", frames, "2026-11-26T08:00:00Z", 1))
        ledger.append("archived", body)
        print(committed.seq, flush=True)
"""


def test_what_is_kept_is_whole_and_what_is_not_is_told(tmp_path: Path):
    (tmp_path / "station.toml").write_text('format = "tiepoint/station/1"\nname = "station"\n')
    station = open_station(tmp_path)
    told: list[int] = []
    for k in range(3):
        command = [sys.executable, "-c", KEEPS, str(tmp_path), str(Path(__file__).parents[2])]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        for _ in range(3 + 2 * k):
            told.append(int(process.stdout.readline()))
        process.kill()
        rest, _ = process.communicate()
        told += [int(line) for line in rest.splitlines()]
        with Ledger(station.ledger_place) as ledger:  # as the next start does it
            for body in list(found_again(station, ledger, not_archived(ledger))):
                ledger.append("archived", body)
            open_ones = not_archived(ledger)
    with Ledger(station.ledger_place) as ledger:
        assert ledger.check().holds
        kept = [kept_of(station, e) for e in ledger.entries("archived")]
        assert set(told) <= {k.record for k in kept}
        assert len({k.record for k in kept}) == len(kept)
    assert all(k.state() == ("kept", "") for k in kept)
    of_pictures = {hashlib.sha256(p.read_bytes()).hexdigest() for p in station.archive_path.rglob("*.png")}
    assert len(of_pictures) == 1  # no torn one under a picture's name, kept or not
    assert len(load_shot(kept[-1].folder).pictures) == 3
    evidence = verify(station, sample=0)
    assert set(evidence.never_kept) >= set(open_ones)
    assert len(evidence.never_kept) <= 4
    assert evidence.faults == ()
