"""Keeping pictures and taking them away: names of one's own, rules, and an order that no crash can turn round."""

import hashlib
import json
import os
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from tests.helpers.made_records import record

from tiepoint.documents.pictures import encode_png, load_picture
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.model.decide import Limits
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture
from tiepoint.recipe.shots import load_shot
from tiepoint.station.archive import kept_of
from tiepoint.station.archive_expiry import Retention, expire
from tiepoint.station.archive_found import found_again, not_archived
from tiepoint.station.archive_keeper import Keeper
from tiepoint.station.cameras.delivery import Delivery, Frame
from tiepoint.station.folder import Station, open_station
from tiepoint.station.ledger import Ledger
from tiepoint.station.verify import verify

GREY = np.random.default_rng(5).integers(0, 255, (40, 60), dtype=np.uint8)
FLAT = "{taken_utc:%Y-%m-%d}/{station}_{part_id}_{count:09d}_{picture}_{verdict}.png"


def made_station(folder: Path, archive: str = "") -> Station:
    (folder / "station.toml").write_text(f'format = "tiepoint/station/1"\nname = "vents"\n[archive]\n{archive}\n')
    return open_station(folder)


def delivery(*frames: Frame) -> Delivery:
    return Delivery("s1", "top", frames, "2026-11-26T08:00:00Z", 1)


def judged(pictures: dict[str, np.ndarray], verdict: str = "conforms", part: str | None = "A-1") -> Record:
    made = record(1, part=part, taken="2026-11-26T08:00:00Z")
    of_it = (replace(made.readings[0], limits=Limits(4.4, 4.6), verdict=verdict),)
    about = tuple(
        Picture(role, "", (p.shape[1], p.shape[0]), 8 * p.dtype.itemsize, "Mono8") for role, p in pictures.items()
    )
    about = tuple(replace(a, pixels_sha256=_pixels(pictures[a.role])) for a in about)
    shot = replace(made.shot, pictures=about)
    return replace(made, station="vents", readings=of_it, verdict=verdict, shot=shot, sha=None)


def _pixels(pixels: np.ndarray) -> str:
    """As CONTRIBUTING's pixel hash is written down: dtype, shape, and data in row order."""
    head = f"{pixels.dtype.str} {'x'.join(map(str, pixels.shape))}\n".encode()
    return hashlib.sha256(head + pixels.tobytes()).hexdigest()


def keep_one(station: Station, ledger: Ledger, keeper: Keeper, verdict: str = "conforms", part: str | None = "A-1"):
    """Commit a record and keep its shot, as duty does; return what was kept."""
    data = encode_png(GREY)
    committed = ledger.commit(judged({"picture": GREY}, verdict, part))
    body = keeper.keep(committed, delivery(Frame("picture", "x.png", data=data)))
    return None if body is None else kept_of(station, ledger.append("archived", body))


@pytest.mark.parametrize("names", ["", f'names = "{FLAT}"'])
def test_the_camera_s_own_bytes_are_kept_and_can_be_run_again(tmp_path: Path, names: str):
    station = made_station(tmp_path, names)
    # A comment in the file tells its bytes from any that we would write.
    data = encode_png(GREY) + b"bytes behind the picture's end"
    with Ledger(station.ledger_place, create=True) as ledger:
        keeper = Keeper(station, ledger)
        for _ in range(2):
            committed = ledger.commit(judged({"north": GREY, "south": GREY}))
            frames = (Frame("north", "1.png", data=data), Frame("south", "2.png", data=data))
            body = keeper.keep(committed, delivery(*frames))
            kept = kept_of(station, ledger.append("archived", body))
        assert kept.state() == ("kept", "")
        assert [s for _, s in sorted(kept.files.items())].count(hashlib.sha256(data).hexdigest()) == 2
        (tmp_path / "scratch").mkdir()
        shot = load_shot(kept.as_shot(tmp_path / "scratch"))
        assert list(shot.pictures) == ["north", "south"]
        assert np.array_equal(shot.pictures["south"].pixels, GREY)
        assert (shot.shot.part_id, shot.shot.variant) == ("A-1", "large")
    files = sorted(
        p.relative_to(station.archive_path).as_posix() for p in station.archive_path.rglob("*.*") if p.is_file()
    )
    if names:
        assert files[:3] == [
            "2026-11-26/vents_A-1_000000001_north_conforms.png",
            "2026-11-26/vents_A-1_000000001_shot_conforms.json",
            "2026-11-26/vents_A-1_000000001_south_conforms.png",
        ]
    else:
        day = datetime.now(UTC).strftime("%Y-%m-%d")
        assert files[0] == f"{day}/000000001_A-1_conforms/north.png"
        assert json.loads((station.archive_path / files[1]).read_text())["format"] == "tiepoint/shot/1"


@pytest.mark.parametrize(("encode", "ending"), [("png", ".png"), ("tiff", ".tif"), ("jpeg", ".jpg")])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_pixels_are_encoded_as_stated_and_a_lossy_copy_says_so(tmp_path: Path, encode: str, ending: str, kind: type):
    station = made_station(tmp_path, f'encode = "{encode}"')
    pixels = (GREY.astype(kind)) * (257 if kind is np.uint16 else 1)
    with Ledger(station.ledger_place, create=True) as ledger:
        committed = ledger.commit(judged({"picture": pixels}))
        body = Keeper(station, ledger).keep(committed, delivery(Frame("picture", "", pixels=pixels)))
        kept = kept_of(station, ledger.append("archived", body))
    assert kept.is_lossy == (encode == "jpeg")
    loaded = load_picture(kept.folder / f"picture{ending}")
    assert np.array_equal(loaded.pixels, pixels) == (encode != "jpeg")
    assert load_shot(kept.folder).shot.pictures[0].pixels_sha256 == _pixels(loaded.pixels)


def test_what_cannot_be_decoded_is_kept_as_it_came(tmp_path: Path):
    station = made_station(tmp_path)
    with Ledger(station.ledger_place, create=True) as ledger:
        made = judged({}, "unread")
        committed = ledger.commit(replace(made, shot=replace(made.shot, status="incomplete")))
        frames = (Frame("north", "n.png", data=b"half a pict"), Frame("south", "../../s.exe", data=b"MZ"))
        body = Keeper(station, ledger).keep(committed, delivery(*frames))
        kept = kept_of(station, ledger.append("archived", body))
    assert sorted(kept.files) == ["north.png", "shot.json", "south.bin"]
    assert (kept.folder / "north.png").read_bytes() == b"half a pict"
    assert load_shot(kept.folder).shot.pictures == ()


def test_nothing_is_ever_written_over(tmp_path: Path):
    for names in ("", f'names = "{FLAT}"'):
        folder = tmp_path / str(len(names))
        folder.mkdir()
        station = made_station(folder, names)
        committed = replace(judged({"picture": GREY}), seq=7)
        given = delivery(Frame("picture", "x.png", data=encode_png(GREY)))
        bodies = [Keeper(station).keep(committed, given) for _ in range(3)]
        assert len({body["folder"] for body in bodies}) == 3
        files = [p for p in station.archive_path.rglob("*") if p.is_file()]
        assert len(files) == 6


def test_a_disk_that_takes_no_more_leaves_nothing_half_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    station = made_station(tmp_path)
    committed = replace(judged({"picture": GREY}), seq=7)
    given = delivery(Frame("picture", "x.png", data=encode_png(GREY)))

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as broken:
        broken.setattr("os.fsync", full)
        with pytest.raises(UnusableInput, match=r"cannot keep the shot in .*no space left"):
            Keeper(station).keep(committed, given)
    assert [p for p in tmp_path.rglob("*") if p.name != "station.toml"] == []
    assert Keeper(station).keep(committed, given) is not None


def test_the_rules_say_what_is_kept(tmp_path: Path):
    station = made_station(tmp_path, 'keep = ["not-conforming", { every = 4 }]')
    verdicts = ["conforms"] * 3 + ["rejected", "conforms", "unread", "undecided", "conforms", "conforms"]
    with Ledger(station.ledger_place, create=True) as ledger:
        keeper = Keeper(station, ledger)
        for k, verdict in enumerate(verdicts):
            if k == 6:  # duty began anew: it counts on
                keeper = Keeper(station, ledger)
            keep_one(station, ledger, keeper, verdict)
        records = [e.seq for e in ledger.entries("record")]
        kept = [records.index(e.body["record"]) for e in ledger.entries("archived")]
        assert kept == [0, 3, 4, 5, 6, 8]
        assert not_archived(ledger) == tuple(records[k] for k in (1, 2, 7))
        assert [e.body["rules"]["every"] for e in ledger.entries("act") if e.body["act"] == "keep"] == [4]
    told = verify(station, sample=0)
    assert told.never_kept == ()
    assert told.kept == 6


@pytest.mark.parametrize(
    ("archive", "says"),
    [
        ("keep = []", "keep is empty"),
        ("keep = [{ every = 2 }, { every = 3 }]", "every or ring twice"),
        ("keep = {}", "or without a number"),
        ("keep = { every = 0 }", "every"),
        ('keep = "some"', "keep"),
        ('encode = "webp"', "encode"),
        ('names = "{part_id}"', "has no {count}"),
    ],
)
def test_rules_of_no_use_are_told(tmp_path: Path, archive: str, says: str):
    with pytest.raises((UnusableInput, UnusableDocument)) as told:
        Keeper(made_station(tmp_path, archive))
    assert says in str(told.value)


def test_the_ring_holds_the_last_and_takes_the_others_away(tmp_path: Path):
    station = made_station(tmp_path, 'keep = ["not-conforming", { ring = 3 }]')
    with Ledger(station.ledger_place, create=True) as ledger:
        keeper, retention = Keeper(station, ledger), Retention(station, ledger)
        gone: list[int] = []
        for k in range(8):
            if k == 5:
                retention.end()
                retention = Retention(station, ledger)
            kept = keep_one(station, ledger, keeper, "rejected" if k == 1 else "conforms")
            assert kept is not None
            while not retention._under_way.done():
                pass
            gone += retention.step(ledger)
        retention.end()
        records = [e.seq for e in ledger.entries("record")]
        assert gone == [records[k] for k in (0, 2, 3, 4)]
        there = {e.body["record"] for e in ledger.entries("archived") if kept_of(station, e).folder.exists()}
        assert there == {records[k] for k in (1, 5, 6, 7)}
    told = verify(station, sample=0)
    assert (told.kept, told.expired, told.faults) == (4, tuple(gone), ())


def test_a_ring_that_is_far_behind_says_so_until_it_holds_no_more_than_it_may(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("tiepoint.station.archive_expiry.AT_ONCE", 4)
    monkeypatch.setattr("tiepoint.station.archive_expiry.MOST_LOOKED_AT", 7)
    station = made_station(tmp_path, "keep = { ring = 5 }")
    with Ledger(station.ledger_place, create=True) as ledger:
        keeper = Keeper(station, ledger)
        kept = [keep_one(station, ledger, keeper) for _ in range(30)]
        shutil.rmtree(kept[2].folder)  # by a person, past the station
        retention, gone, steps = Retention(station, ledger), [], 0
        while steps == 0 or retention.is_behind:
            retention._under_way.result()
            gone += retention.step(ledger)
            steps += 1
        retention.end()
    assert steps >= 7
    assert gone == [k.record for i, k in enumerate(kept[:25]) if i != 2]
    assert [k.folder.exists() for k in kept] == [i >= 25 for i in range(30)]
    assert verify(station, sample=0).faults != ()  # who took one away without an act is not covered by the ring


def test_the_old_and_what_there_is_no_room_for_goes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    station = made_station(tmp_path, "days = 30\nkeep_free_gb = 5")
    now = datetime.now(UTC)
    with Ledger(station.ledger_place, create=True) as ledger:
        keeper = Keeper(station, ledger)
        for _ in range(3):
            keep_one(station, ledger, keeper)
        records = [e.seq for e in ledger.entries("record")]
        retention = Retention(station, ledger)
        room = {"free": 6e9}
        monkeypatch.setattr("shutil.disk_usage", lambda _: type("", (), {"free": room["free"]})())
        retention._under_way.result()
        assert retention.step(ledger, now=now + timedelta(days=29)) == ()
        room["free"] = 4e9
        retention._under_way.result()
        assert retention.step(ledger, now=now) == tuple(records)
        assert ledger.last("act").body["why"] == "the disk has less than 5 GB free"
        room["free"] = 6e9
        late = keep_one(station, ledger, keeper)
        retention._under_way.result()
        assert retention.step(ledger, now=now + timedelta(days=31)) == (late.record,)
        retention.end()
    told = verify(station, sample=0)
    assert (told.kept, told.expired, told.faults) == (0, (*records, late.record), ())


def test_a_crash_between_the_act_and_the_files_is_mended_on_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    station = made_station(tmp_path, "days = 1")
    with Ledger(station.ledger_place, create=True) as ledger:
        kept = keep_one(station, ledger, Keeper(station, ledger))
        with monkeypatch.context() as broken:
            broken.setattr("tiepoint.station.archive_expiry.remove", lambda *_: None)
            retention = Retention(station, ledger)
            retention._under_way.result()
            assert retention.step(ledger, now=datetime.now(UTC) + timedelta(days=2)) == (kept.record,)
            retention.end()
        assert kept.state()[0] == "kept"
        Retention(station, ledger).end()
        assert kept.state()[0] == "missing"
        assert list(station.archive_path.iterdir()) == []
    assert verify(station, sample=0).expired == (kept.record,)


def test_a_shot_that_was_never_kept_is_taken_off_the_books_by_an_act(tmp_path: Path):
    station = made_station(tmp_path)
    with Ledger(station.ledger_place, create=True) as ledger:
        keeper = Keeper(station, ledger)
        kept = keep_one(station, ledger, keeper)
        lost = ledger.commit(judged({"picture": GREY}))
    assert verify(station, sample=0).never_kept == (lost.seq,)
    expire(station, [lost.seq], who="M. Weiss", why="the mains failed before it was kept")
    told = verify(station, sample=0)
    assert (told.never_kept, told.kept, told.good) == ((), 1, True)
    with pytest.raises(UnusableInput, match="is gone already"):
        expire(station, [lost.seq], who="M. Weiss", why="again")
    with pytest.raises(UnusableInput, match="is no record"):
        expire(station, [9999], who="M. Weiss", why="a slip")
    expire(station, [kept.record], who="M. Weiss", why="shows a person")
    assert not kept.folder.exists()
    assert verify(station, sample=0).expired == (kept.record,)


@pytest.mark.parametrize(
    "names",
    [
        None,
        "{kept_utc:%Y-%m-%d}/{kept_utc:%H%M%S}/{count:09d}_{part_id}/{picture}.png",
        "{station}/{kept_utc:%Y-%m-%d_%H%M%S}_{count}/{picture}.png",
        "{count:09d}/{kept_utc}/{picture}.png",
        "{kept_utc:%Y-%m-%d}/{kept_utc:%H%M%S}_{count:09d}_{picture}.png",
        "{part_id}_{count}_{picture}.png",
    ],
)
def test_a_shot_whose_entry_was_lost_is_found_again(tmp_path: Path, names: str | None):
    """By whatever pattern: a name to the second does not tell when the shot of a record was kept."""
    station = made_station(tmp_path, "" if names is None else f'names = "{names}"')
    with Ledger(station.ledger_place, create=True) as ledger:
        keeper = Keeper(station, ledger)
        keep_one(station, ledger, keeper)
        earlier = "2026-05-04T06:00:00.000Z"  # as if it had waited for the archive
        committed = ledger.commit(judged({"picture": GREY}, part="B"), at=earlier)
        body = keeper.keep(committed, delivery(Frame("picture", "x.png", data=encode_png(GREY))))
        half = ledger.commit(judged({"picture": GREY}, part="C"))  # killed before it was kept
        assert not_archived(ledger) == (committed.seq, half.seq)
        assert list(found_again(station, ledger, not_archived(ledger))) == [body]
        ledger.append("archived", body)
        assert not_archived(ledger) == (half.seq,)
    assert verify(station, sample=0).never_kept == (half.seq,)


@pytest.mark.parametrize("encode", ["png", "jpeg"])
def test_a_shot_of_the_ring_that_is_found_again_leaves_it_again(tmp_path: Path, encode: str):
    keep = f'keep = ["not-conforming", {{ every = 4 }}, {{ ring = 2 }}]\nencode = "{encode}"'
    station = made_station(tmp_path, keep)
    with Ledger(station.ledger_place, create=True) as ledger:
        keeper, bodies = Keeper(station, ledger), []
        for k in range(6):
            committed = ledger.commit(judged({"picture": GREY}, "rejected" if k == 2 else "conforms", part=f"P{k}"))
            bodies.append(keeper.keep(committed, delivery(Frame("picture", "picture", pixels=GREY))))
        # Killed before any of the entries was written; meanwhile somebody has other rules in station.toml.
        Keeper(made_station(tmp_path, "keep = { ring = 3 }"), ledger)
        found = list(found_again(station, ledger, not_archived(ledger)))
        assert found == bodies
        assert [body.get("by", "all") for body in found] == ["all", "ring", "all", "ring", "all", "ring"]
        assert {body.get("lossy", False) for body in found} == {encode == "jpeg"}


def test_what_was_half_written_is_taken_away_on_the_next_start(tmp_path: Path):
    station = made_station(tmp_path)
    with Ledger(station.ledger_place, create=True) as ledger:
        keeper = Keeper(station, ledger)
        kept = keep_one(station, ledger, keeper)
        made = [ledger.commit(judged({"picture": GREY}, part="B")) for _ in range(2)]
        bodies = [keeper.keep(one, delivery(Frame("picture", "x.png", data=encode_png(GREY)))) for one in made]
        folders = [station.archive_path / body["folder"] for body in bodies]
        # As power or a kill leaves it: the one had no name of its own yet, of the other the sidecar was missing one.
        for path in folders[0].iterdir():
            path.rename(path.with_name(f".{0x1234:016x}.part" if path.suffix == ".png" else f".{0x99:016x}.part"))
        (folders[1] / f".{7:016x}.part").write_bytes(b"half")
        (folders[1] / ".mine.part").write_bytes(b"somebody else's")
        assert [body["record"] for body in found_again(station, ledger, not_archived(ledger))] == [made[1].seq]
        assert not folders[0].exists()
        assert sorted(path.name for path in folders[1].iterdir()) == [".mine.part", *sorted(bodies[1]["files"])]
        assert kept.state() == ("kept", "")


def test_what_was_not_touched_since_is_not_looked_through(tmp_path: Path):
    """An archive of years has folders that nobody looks into on a start."""
    station = made_station(tmp_path)
    with Ledger(station.ledger_place, create=True) as ledger:
        keeper = Keeper(station, ledger)
        committed = ledger.commit(judged({"picture": GREY}, part="B"))
        body = keeper.keep(committed, delivery(Frame("picture", "x.png", data=encode_png(GREY))))
        day = station.archive_path / body["folder"].partition("/")[0]
        os.utime(day, (0, 0))
        assert list(found_again(station, ledger, [committed.seq])) == []
        os.utime(day)
        assert list(found_again(station, ledger, [committed.seq])) == [body]


def test_an_entry_leads_nowhere_else(tmp_path: Path):
    station = made_station(tmp_path)
    with Ledger(station.ledger_place, create=True) as ledger:
        for folder, name in (("../outside", "x.png"), ("day", "../../x.png"), ("/etc", "passwd"), ("a\\b", "x")):
            body = {"format": "tiepoint/archived/1", "record": 1, "folder": folder, "files": {name: "0" * 64}}
            with pytest.raises(UnusableDocument, match="that no archive has"):
                kept_of(station, ledger.append("archived", body))
