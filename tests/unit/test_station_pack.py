"""Moving a station whole: what arrives is what was sent, and a hostile file writes nowhere."""

import hashlib
import json
import sqlite3
import stat
import zipfile
from pathlib import Path
from typing import Any

import pytest
from tests.helpers.made_records import record

from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.station import pack as pack_module
from tiepoint.station.acts import write_act
from tiepoint.station.archive import KeptPicture, keep_pictures
from tiepoint.station.archive_expiry import expire
from tiepoint.station.drafting import Change, edit
from tiepoint.station.folder import Station, open_station
from tiepoint.station.ledger import Ledger
from tiepoint.station.naming import act_of
from tiepoint.station.pack import pack, unpack
from tiepoint.station.verify import verify


@pytest.fixture
def station(tmp_path: Path) -> Station:
    folder = tmp_path / "vents"
    (folder / "recipes").mkdir(parents=True)
    (folder / "station.toml").write_text('format = "tiepoint/station/1"\nname = "station"\n')
    (folder / "recipes" / "bore.toml").write_text("# a draft\n")
    (folder / "recipes" / "bore.png").write_bytes(bytes(range(256)) * 20)
    made = open_station(folder)
    write_act(made, act_of(made, "note", who="M. Weiss", why="begun"))
    with Ledger(made.ledger_place) as ledger:
        for k in range(5):
            ledger.commit(record(k))
    return made


def test_a_station_arrives_as_it_was_sent(station: Station, tmp_path: Path):
    (station.folder / "inbox").mkdir()
    (station.folder / "inbox" / "x.json").write_text("{}")
    with Ledger(station.ledger_place) as writer:  # its newest entries lie in the log beside the file
        writer.append("act", act_of(station, "note", who="M. Weiss", why="while it is open"))
        told = pack(station, tmp_path / "out" / "vents.zip")
        head = writer.head
    there = unpack(tmp_path / "out" / "vents.zip", tmp_path / "new" / "vents")
    assert told.head == head.sha
    with Ledger(there.ledger_place) as ledger:
        assert ledger.head == head
        assert ledger.check().holds
    names = sorted(p.relative_to(there.folder).as_posix() for p in there.folder.rglob("*") if p.is_file())
    assert names == ["ledger.sqlite", "recipes/bore.png", "recipes/bore.toml", "station.toml"]
    assert (there.folder / "recipes" / "bore.png").read_bytes() == bytes(range(256)) * 20
    assert verify(there, head=told.head, sample=0).chain.holds
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["vents.zip"]


def test_the_manifest_s_hashes_are_those_of_the_files(station: Station, tmp_path: Path):
    """By zipfile and hashlib alone."""
    pack(station, tmp_path / "vents.zip")
    with zipfile.ZipFile(tmp_path / "vents.zip") as packed:
        manifest = json.loads(packed.read("manifest.json"))
        assert {f"station/{name}" for name in manifest["files"]} | {"manifest.json"} == set(packed.namelist())
        for name, told in manifest["files"].items():
            data = packed.read(f"station/{name}")
            assert told == {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}


def test_nothing_is_written_over(station: Station, tmp_path: Path):
    out = tmp_path / "vents.zip"
    pack(station, out)
    with pytest.raises(UnusableInput, match="is there already"):
        pack(station, out)
    with pytest.raises(UnusableInput, match="is there already; name a new folder"):
        unpack(out, station.folder)
    with pytest.raises(UnusableInput, match="lies in the folder that is packed"):
        pack(station, station.folder / "self.zip")
    with pytest.raises(UnusableInput, match="no such file"):
        unpack(tmp_path / "none.zip", tmp_path / "new")
    (tmp_path / "empty").mkdir()
    assert unpack(out, tmp_path / "empty").name == "station"


def test_what_cannot_be_moved_is_told(station: Station, tmp_path: Path):
    link = station.folder / "recipes" / "linked.toml"
    link.symlink_to(tmp_path / "elsewhere.toml")
    with pytest.raises(UnusableInput, match="is a link"):
        pack(station, tmp_path / "a.zip")
    link.unlink()
    (station.folder / "station.toml").write_text(
        'format = "tiepoint/station/1"\nname = "station"\n[archive]\nfolder = "../pictures"\n'
    )
    with pytest.raises(UnusableInput, match="has to hold it"):
        pack(open_station(station.folder), tmp_path / "a.zip")
    assert list(tmp_path.glob("*.zip")) + list(tmp_path.glob(".*")) == []


def test_a_station_on_duty_whose_shots_come_and_go_arrives_as_its_ledger_tells(
    station: Station, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    def keep(part: str) -> int:
        with Ledger(station.ledger_place) as ledger:
            made = ledger.commit(record(len(part), part=part))
            shot = [KeptPicture("main", part.encode() * 100, ".bin", None)]
            ledger.append("archived", keep_pictures(station, made, shot, "2026-11-26T08:00:00.000Z"))
            return made.seq

    shots = [keep(f"A-{k}") for k in range(3)]
    waiting = station.folder / "incoming" / "a.png"
    waiting.parent.mkdir()
    waiting.write_bytes(b"waits to be judged")
    real, calls = pack_module._added, []

    def added(packed: zipfile.ZipFile, name: str, path: Path) -> dict[str, Any]:
        calls.append(name)
        if len(calls) == 1:  # this one goes by right, and the newest, and another comes
            expire(station, [shots[0], shots[-1]], who="tiepoint", why="pushed out of the ring")
            keep("B-1")
        if name == "incoming/a.png":
            waiting.unlink()  # it was judged
        return real(packed, name, path)

    monkeypatch.setattr(pack_module, "_added", added)
    pack(station, tmp_path / "vents.zip")
    there = unpack(tmp_path / "vents.zip", tmp_path / "new")
    # Five records of before were never kept, as they were here; nothing else is told.
    here, told = (verify(one, sample=0) for one in (station, there))
    assert (told.chain, told.kept, told.expired) == (here.chain, here.kept, here.expired)
    assert [f.replace(str(there.folder), "") for f in told.all_faults] == [
        f.replace(str(station.folder), "") for f in here.all_faults
    ]
    assert len(list((there.folder / "archive").rglob("*.bin"))) == here.kept == 2


GOOD = b'format = "tiepoint/station/1"\nname = "station"\n'


def forged(path: Path, files: dict[str, bytes], *, told: dict[str, object] | None = None, mode: int = 0) -> Path:
    """Write what may pass for a packed station."""
    listed = {
        name.removeprefix("station/"): {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
        for name, data in files.items()
    }
    manifest = {"format": "tiepoint/pack/1", "station": "station", "files": {**listed, **(told or {})}}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in files.items():
            info = zipfile.ZipInfo(name)
            info.external_attr = mode << 16
            packed.writestr(info, data)
        packed.writestr("manifest.json", json.dumps(manifest))
    return path


HOSTILE = [
    "../outside.txt", "station/../../outside.txt", "/tmp/outside.txt", "station//etc/passwd", "station/a\\..\\b",
    "station/C:/x", "station/CON", "station/a.", "station/", "station/a/./b", "other/x", "station/a\0b",
    "station/STATION.toml",
]  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_that_leads_elsewhere_is_refused_before_anything_is_written(tmp_path: Path, name: str):
    packed = forged(tmp_path / "x.zip", {"station/station.toml": GOOD, name: b"x"})
    with pytest.raises(UnusableDocument, match=r"it is not unpacked|does not hold it"):
        unpack(packed, tmp_path / "deep" / "new")
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == [packed]


def test_links_bombs_and_altered_files_are_refused(tmp_path: Path):
    link = forged(tmp_path / "link.zip", {"station/station.toml": GOOD, "station/l": b"/etc/passwd"}, mode=stat.S_IFLNK)
    bomb = forged(
        tmp_path / "bomb.zip",
        {"station/station.toml": GOOD, "station/big": b"\0" * 30_000_000},
        told={"big": {"sha256": "0" * 64, "bytes": 10}},
    )
    altered = forged(
        tmp_path / "altered.zip",
        {"station/station.toml": GOOD},
        told={"station.toml": {"sha256": "0" * 64, "bytes": len(GOOD)}},
    )
    short = forged(
        tmp_path / "short.zip", {"station/station.toml": GOOD}, told={"ledger": {"sha256": "0" * 64, "bytes": 1}}
    )
    none = tmp_path / "none.zip"
    none.write_bytes(b"PK\x03\x04 and no more")
    other = tmp_path / "other.zip"
    with zipfile.ZipFile(other, "w") as there:
        there.writestr("readme.txt", "another's file")
    damaged = tmp_path / "damaged.zip"
    data = bytearray(forged(tmp_path / "d.zip", {"station/station.toml": GOOD * 100}).read_bytes())
    data[60] ^= 0xFF
    damaged.write_bytes(data)
    for path, says in (
        (link, "which is no file"),
        (bomb, "is not what was packed"),
        (altered, "is not what was packed"),
        (short, "does not hold it"),
        (none, "no packed station, or damaged"),
        (other, "it has no manifest.json"),
        (damaged, "no packed station, or damaged|is not what was packed"),
    ):
        with pytest.raises(UnusableDocument, match=says):
            unpack(path, tmp_path / "new")
        assert not (tmp_path / "new").exists()
    assert list(tmp_path.glob(".*")) == []


def test_what_was_altered_before_it_was_packed_is_found_after(station: Station, tmp_path: Path):
    base = sqlite3.connect(station.ledger_path)
    base.execute("DROP TRIGGER no_update")
    base.execute("UPDATE entries SET verdict = 'conforms' WHERE seq = 3")
    base.commit()
    base.close()
    pack(station, tmp_path / "vents.zip")
    assert not verify(unpack(tmp_path / "vents.zip", tmp_path / "new"), sample=0).good


WEB = '[web]\nusers = "people.json"\naccess_log = "logs/seen.jsonl"\n[web.tls]\ncertificate = "c.pem"\nkey = "c.key"\n'


def test_who_may_get_in_is_not_packed(station: Station, tmp_path: Path):
    toml = station.folder / "station.toml"
    toml.write_text(toml.read_text() + WEB)
    secret = (
        "private/users.json",
        "private/deep/x.key",
        "people.json",
        "logs/seen.jsonl",
        "logs/seen.jsonl.1",
        "c.key",
    )
    for name in (*secret, "c.pem"):
        (station.folder / name).parent.mkdir(parents=True, exist_ok=True)
        (station.folder / name).write_text("not for everybody")
    (station.folder / "private" / "linked.pem").symlink_to("/etc/ssl/linked.pem")
    told = pack(open_station(station.folder), tmp_path / "vents.zip")
    assert set(told.left_out) == set(secret)
    with zipfile.ZipFile(tmp_path / "vents.zip") as packed:
        names = {name.removeprefix("station/") for name in packed.namelist()}
    assert not names & set(secret)
    assert "c.pem" in names
    assert verify(unpack(tmp_path / "vents.zip", tmp_path / "new"), sample=0).chain.holds


def test_what_was_edited_before_is_not_packed_and_the_pictures_of_pages_are(station: Station, tmp_path: Path):
    for text in (b"a", b"b"):
        edit(station, "Write", [Change("plan.toml", text), Change("pictures/tie/a.txt", text)], who="a page")
    pack(station, tmp_path / "vents.zip")
    with zipfile.ZipFile(tmp_path / "vents.zip") as packed:
        names = {name.removeprefix("station/") for name in packed.namelist()}
    assert not [name for name in names if name.startswith(".undo")]
    assert {"plan.toml", "pictures/tie/a.txt"} <= names


def test_nobody_gets_in_by_a_pack(tmp_path: Path):
    outside = tmp_path / "outside.json"
    outside.write_text("another's")
    toml = GOOD + b'[web]\nusers = "../outside.json"\naccess_log = "deep/../people.json"\n'
    files = {"station/station.toml": toml, "station/private/users.json": b"{}", "station/people.json": b"{}"}
    there = unpack(forged(tmp_path / "x.zip", files), tmp_path / "new")
    assert [p.name for p in there.folder.rglob("*") if p.is_file()] == ["station.toml"]
    assert outside.read_text() == "another's"


@pytest.mark.parametrize(
    "more",
    [
        b'[ledger]\nurl = "postgresql+psycopg://x@evil.example/x"\npassword_env = "HOME"\n',
        b'[ledger]\nfile = "../elsewhere.sqlite"\n',
        b'[archive]\nfolder = "/var/log"\n',
    ],
)
def test_a_pack_has_its_evidence_with_it_and_nobody_is_asked_for_it(tmp_path: Path, more: bytes):
    packed = forged(tmp_path / "x.zip", {"station/station.toml": GOOD + more, "station/ledger.sqlite": b"x"})
    with pytest.raises(UnusableDocument, match="which no pack has; it is not unpacked"):
        unpack(packed, tmp_path / "new")
    assert list(tmp_path.rglob("*")) == [packed]


def test_a_ledger_on_a_server_is_no_part_of_a_pack(station: Station, tmp_path: Path):
    toml = station.folder / "station.toml"
    toml.write_text(toml.read_text() + '[ledger]\nurl = "postgresql+psycopg://station@db.example/vents"\n')
    with pytest.raises(UnusableInput, match=r"is on a server, .*back that up as the server's other databases"):
        pack(open_station(station.folder), tmp_path / "vents.zip")


def test_what_the_disk_or_the_memory_does_not_hold_is_refused_at_once(tmp_path: Path):
    good = {"station/station.toml": GOOD}
    large = forged(tmp_path / "large.zip", good, told={"big": {"sha256": "0" * 64, "bytes": 10**18}})
    with pytest.raises(UnusableInput, match=r"holds 1000000000\.0 GB, and .* has room for"):
        unpack(large, tmp_path / "new")
    long = forged(tmp_path / "long.zip", good, told={"x" * 5_000_000: {"sha256": "0" * 64, "bytes": 1}})
    with pytest.raises(UnusableDocument, match=r"manifest\.json of 5 MB, which is none"):
        unpack(long, tmp_path / "new")
    strange = tmp_path / "strange.zip"
    with (
        zipfile.ZipFile(strange, "w", zipfile.ZIP_LZMA) as packed,
        zipfile.ZipFile(forged(tmp_path / "x.zip", good)) as made,
    ):
        for name in made.namelist():
            packed.writestr(name, made.read(name))
    with pytest.raises(UnusableDocument, match="compressed in another way"):
        unpack(strange, tmp_path / "new")
    assert not (tmp_path / "new").exists()
