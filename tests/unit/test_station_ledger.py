"""The ledger: what was acknowledged stays, what is changed is found."""

import hashlib
import json
import os
import sqlite3
import subprocess
import sys
import zlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
import rfc8785

from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.foundation.reasons import Reason
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.model.shot import Shot
from tiepoint.recipe.records import record_from
from tiepoint.station.ledger import NOTHING, Head, Ledger

AT = "2026-11-26T08:00:00.000Z"


def record(part: str | None = "A-1") -> Record:
    about = {"id": "bore.diameter", "name": "bore", "kind": "circle", "quantity": "diameter", "unit": "mm"}
    reading = Reading.without(Reason("not_a_number"), limits=None, step="bore", frame="plane", **about)
    shot = Shot("shot-1", (), part_id=part, status="incomplete")
    return Record("vent", 1, shot, "ab" * 32, (), "tiepoint", (reading,), "unread")


def act(number: int) -> dict[str, object]:
    return {"format": "tiepoint/act/1", "act": "note", "who": "M. Weiss", "why": f"note {number}"}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite"


@pytest.fixture
def filled(path: Path) -> Path:
    with Ledger(path, create=True) as ledger:
        for k in range(3):
            ledger.append("act", act(k), at=AT)
            ledger.commit(record(f"A-{k}"), at=AT)
    return path


def rows(path: Path) -> list[tuple[int, str, str]]:
    base = sqlite3.connect(path)
    try:
        return base.execute("SELECT seq, sha, entry FROM entries ORDER BY seq").fetchall()
    finally:
        base.close()


def tamper(path: Path, *lines: str) -> None:
    """Change the file as someone would who knows SQLite."""
    base = sqlite3.connect(path)
    for line in ("DROP TRIGGER no_update", "DROP TRIGGER no_delete", *lines):
        base.execute(line)
    base.commit()
    base.close()


def test_a_ledger_begins_empty(path: Path):
    with Ledger(path, create=True) as ledger:
        assert ledger.head == Head(0, NOTHING)
        assert list(ledger.entries()) == []
        assert ledger.check().holds


def test_every_entry_is_its_canonical_text_and_follows_the_last(filled: Path):
    """By RFC 8785 as the rfc8785 package has it, and SHA-256 as hashlib has it: none of the ledger's own code."""
    before = NOTHING
    for seq, sha, entry in rows(filled):
        told = json.loads(entry)
        assert (told["seq"], told["prev_sha"]) == (seq, before)
        assert entry.encode() == rfc8785.dumps(told)
        before = hashlib.sha256(entry.encode()).hexdigest()
        assert sha == before
    with Ledger(filled) as ledger:
        assert ledger.head == Head(6, before)
        assert ledger.holds(before) == 6
        assert ledger.holds("00" * 32) is None


def test_entries_are_counted_without_being_read(filled: Path):
    with Ledger(filled) as ledger:
        for kind in {entry.kind for entry in ledger.entries()}:
            for after in (0, 1, ledger.head.seq):
                assert ledger.count(kind, after=after) == sum(1 for _ in ledger.entries(kind, after=after))
        assert ledger.count("nothing of the kind") == 0


def test_a_record_gets_its_number_and_its_place_in_the_chain(filled: Path):
    with Ledger(filled) as ledger:
        entries = list(ledger.entries("record"))
        assert [e.seq for e in entries] == [2, 4, 6]
        kept = [record_from(e.body) for e in entries]
        assert [r.seq for r in kept] == [2, 4, 6]
        assert [r.prev_sha for r in kept] == [e.prev_sha for e in entries]
        assert [e.body["shot"]["part_id"] for e in ledger.entries(part_id="A-1")] == ["A-1"]
        assert [e.seq for e in ledger.entries(after=4)] == [5, 6]
        assert ledger.check().holds


def test_a_long_entry_lies_there_compressed_and_is_the_same_text(path: Path):
    """Unpacked by zlib alone, the text is its canonical one (rfc8785), and its hash that text's (hashlib)."""
    long = {**act(1), "why": "Größe ± " * 600}
    with Ledger(path, create=True) as ledger:
        ledger.append("act", long, at=AT)
        ledger.append("act", act(2), at=AT)
        assert [e.body for e in ledger.entries()] == [long, act(2)]
        assert ledger.last("act").body == act(2)
        assert [e.body for e in ledger.numbered([1])] == [long]
        assert ledger.check().holds
    (_, sha, packed), (_, _, short) = rows(path)
    text = zlib.decompress(packed)
    assert len(text) > 4000 > 10 * len(packed)
    assert rfc8785.dumps(json.loads(text)) == text
    assert hashlib.sha256(text).hexdigest() == sha
    assert isinstance(short, str)


@pytest.mark.parametrize("how", ["another", "cut off", "no text", "no end to it"])
def test_a_long_entry_that_was_altered_is_found(path: Path, how: str, monkeypatch: pytest.MonkeyPatch):
    with Ledger(path, create=True) as ledger:
        ledger.append("act", {**act(1), "why": "x" * 5000}, at=AT)
    ((_, _, packed),) = rows(path)
    put = {
        "another": zlib.compress(zlib.decompress(packed).replace(b"note", b"nota"), 1),
        "cut off": packed[:-6],
        "no text": zlib.compress(b"\xff" * 5000),
        "no end to it": zlib.compress(b"0" * 3_000_000),
    }[how]
    monkeypatch.setattr("tiepoint.station.ledger_tables._MOST", 1_000_000)
    tamper(path, f"UPDATE entries SET entry = x'{put.hex()}'")
    with Ledger(path) as ledger:
        assert ledger.check().faults == ("entry 1 was altered: its content is not what its sha was taken of",)
        if how != "another":
            with pytest.raises(UnusableDocument, match="entry 1 was altered and cannot be read"):
                list(ledger.entries())


def test_only_the_entries_that_are_asked_for_are_read(filled: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("tiepoint.station.ledger._AT_ONCE", 2)
    tamper(filled, "UPDATE entries SET entry = 'none' WHERE seq = 3")
    with Ledger(filled) as ledger:
        assert [e.seq for e in ledger.entries(only={6, 5, 1, 4, 99})] == [1, 4, 5, 6]
        assert [e.seq for e in ledger.entries("record", after=2, only={6, 5, 1, 4})] == [4, 6]
        assert list(ledger.entries(only=())) == []
        assert ledger.records(after=2) == [4, 6]


def test_many_entries_are_read_some_at_a_time(filled: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("tiepoint.station.ledger._AT_ONCE", 2)
    with Ledger(filled) as ledger:
        assert [e.seq for e in ledger.entries()] == list(range(1, 7))
        assert ledger.check().count == 6


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("UPDATE entries SET entry = replace(entry, 'note 1', 'note 7') WHERE seq = 3", "entry 3 was altered"),
        ("UPDATE entries SET verdict = 'conforms' WHERE seq = 4", "entry 4 was altered: its verdict"),
        ("UPDATE entries SET part_id = 'B' WHERE seq = 4", "entry 4 was altered: its part_id"),
        ("UPDATE entries SET entry = x'00ff' WHERE seq = 2", "entry 2 was altered"),
        ("DELETE FROM entries WHERE seq = 3", "entry 3 is missing"),
        ("DELETE FROM entries WHERE seq IN (2, 3, 4)", "entries 2 to 4 are missing"),
        (
            "UPDATE entries SET seq = 9 WHERE seq = 2; UPDATE entries SET seq = 2 WHERE seq = 3",
            "entry 2 does not follow",
        ),
    ],
)
def test_what_is_changed_behind_its_back_is_found(filled: Path, line: str, says: str):
    tamper(filled, *line.split(";"))
    with Ledger(filled) as ledger:
        told = ledger.check()
    assert not told.holds
    assert told.faults[0].startswith(says)


def test_an_entry_forged_with_its_hash_breaks_the_chain_behind_it(filled: Path):
    forged = rows(filled)[2][2].replace("note 1", "note 9")
    tamper(
        filled,
        f"UPDATE entries SET entry = '{forged}', sha = '{hashlib.sha256(forged.encode()).hexdigest()}' WHERE seq = 3",
    )
    with Ledger(filled) as ledger:
        assert ledger.check().faults == ("entry 4 does not follow entry 3: one of them was put in place of another",)


def test_entries_cut_off_the_end_are_missed_by_who_knows_the_head(filled: Path):
    last = rows(filled)[-1][1]
    tamper(filled, "DELETE FROM entries WHERE seq = 6")
    with Ledger(filled) as ledger:
        assert ledger.check().holds
        assert ledger.holds(last) is None


@pytest.mark.parametrize("line", ["UPDATE entries SET kind = 'x'", "DELETE FROM entries"])
def test_the_database_itself_refuses_to_change_a_row(filled: Path, line: str):
    base = sqlite3.connect(filled)
    with pytest.raises(sqlite3.IntegrityError, match="only ever added to"):
        base.execute(line)
    base.close()


def test_no_ledger_no_database_and_a_newer_one_are_told(path: Path, tmp_path: Path):
    with pytest.raises(UnusableInput, match="there is no ledger"):
        Ledger(path)
    path.write_bytes(b"this is no database, however long it may be" * 40)
    with pytest.raises(UnusableDocument, match=r"damaged, or no ledger: .*; restore it from a backup"):
        Ledger(path)
    other = tmp_path / "other.sqlite"
    base = sqlite3.connect(other)
    base.execute("CREATE TABLE mine (a)")
    base.commit()
    base.close()
    with pytest.raises(UnusableDocument, match="no ledger of a station"):
        Ledger(other)
    Ledger(tmp_path / "new.sqlite", create=True).close()
    base = sqlite3.connect(tmp_path / "new.sqlite")
    base.execute("PRAGMA user_version = 99")
    base.close()
    with pytest.raises(UnusableDocument, match="newer tiepoint"):
        Ledger(tmp_path / "new.sqlite")
    with pytest.raises(UnusableInput, match="no ordinary file"):
        Ledger(tmp_path, create=True)


def test_a_writer_that_holds_on_is_told(filled: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("tiepoint.station.ledger_base.WAIT_S", 0.1)
    base = sqlite3.connect(filled, isolation_level=None)
    base.execute("BEGIN IMMEDIATE")
    with Ledger(filled) as ledger, pytest.raises(UnusableInput, match="another program has been writing"):
        ledger.append("act", act(9))
    base.execute("ROLLBACK")
    base.close()
    with Ledger(filled) as ledger:
        assert ledger.append("act", act(9)).seq == 7


def shut(path: Path) -> Path:
    """Have nothing be written beside a ledger, even by root: the index of SQLite would lie where no folder is."""
    index = path.with_name("ledger.sqlite-shm")
    try:
        index.symlink_to(path.parent / "nowhere" / "index")
    except OSError:
        pytest.skip("this system has no links for everybody")
    return index


@pytest.fixture
def unwritable(filled: Path) -> Path:
    shut(filled)
    return filled


def test_a_ledger_where_nothing_can_be_written_is_read(unwritable: Path):
    with Ledger(unwritable) as ledger:
        assert ledger.check().holds
        assert [e.seq for e in ledger.entries("record")] == [2, 4, 6]
        with pytest.raises(UnusableInput, match=r"use a copy in a folder that can; no entry was added"):
            ledger.append("act", act(9))


def test_a_log_that_such_a_ledger_leaves_out_is_never_passed_over(filled: Path):
    """A copy of a folder whose writer was killed: SQLite, told that the file cannot change, would lose two entries."""
    with Ledger(filled) as ledger:
        ledger.append("act", act(8))
        ledger.append("act", act(9))
        log = filled.with_name("ledger.sqlite-wal").read_bytes()
        alone = filled.read_bytes()
    filled.write_bytes(alone)
    filled.with_name("ledger.sqlite-wal").write_bytes(log)
    index = shut(filled)
    with pytest.raises(UnusableInput, match=r"lie in ledger.sqlite-wal beside it.*copy the station with both files"):
        Ledger(filled)
    index.unlink()
    with Ledger(filled) as ledger:
        assert ledger.head.seq == 8


def test_a_ledger_that_changes_while_it_is_read_so_is_told(unwritable: Path):
    with Ledger(unwritable) as ledger:
        unwritable.write_bytes(unwritable.read_bytes() + bytes(4096))
        with pytest.raises(UnusableInput, match="written to while it was read"):
            list(ledger.entries())


def test_a_folder_without_the_right_to_write_is_read(filled: Path):
    # Not below tmp_path, which only its owner may enter: root may write everywhere, so it reads as somebody else.
    with TemporaryDirectory() as made:
        folder = Path(made)
        copy = folder / filled.name
        copy.write_bytes(filled.read_bytes())
        copy.chmod(0o444)
        folder.chmod(0o555)
        root = hasattr(os, "geteuid") and os.geteuid() == 0
        try:
            if root:
                os.seteuid(65534)
            with Ledger(copy) as ledger:
                assert ledger.head.seq == 6
        finally:
            if root:
                os.seteuid(0)
            folder.chmod(0o755)
            copy.chmod(0o644)


def test_a_ledger_that_may_not_be_read_is_told_as_that(filled: Path):
    with TemporaryDirectory() as made:
        copy = Path(made) / filled.name
        copy.write_bytes(filled.read_bytes())
        copy.chmod(0)
        Path(made).chmod(0o777)
        root = hasattr(os, "geteuid") and os.geteuid() == 0
        try:
            if root:
                os.seteuid(65534)
            with pytest.raises(UnusableInput, match=r"cannot use the ledger .*: permission denied; give this account"):
                Ledger(copy)
        finally:
            if root:
                os.seteuid(0)
            copy.chmod(0o644)


def test_the_number_of_an_entry_is_nobody_elses_meanwhile(path: Path):
    Ledger(path, create=True).close()

    def write(_: int) -> None:
        with Ledger(path) as ledger:
            for _ in range(5):
                ledger.append_made("act", lambda seq: act(seq))

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(write, range(4)))
    with Ledger(path) as ledger:
        assert [e.body["why"] for e in ledger.entries()] == [f"note {k}" for k in range(1, 21)]
        assert ledger.last("act").seq == 20
        assert ledger.last("record") is None


def test_writers_side_by_side_make_one_chain(path: Path):
    Ledger(path, create=True).close()

    def write(who: int) -> None:
        with Ledger(path) as ledger:
            for k in range(25):
                ledger.append("act", act(100 * who + k))

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(write, range(4)))
    with Ledger(path) as ledger:
        told = ledger.check()
    assert (told.count, told.faults) == (100, ())


WRITER = """
import sys
from pathlib import Path
from tiepoint.station.ledger import Ledger
with Ledger(Path(sys.argv[1])) as ledger:
    while True:
        entry = ledger.append("act", {"format": "tiepoint/act/1", "act": "note", "why": "x" * 2000})
        print(entry.seq, entry.sha, flush=True)
"""


def test_what_was_acknowledged_outlives_a_kill(path: Path):
    """Three writers killed in the midst of work: nothing they told of is missing, and the chain holds."""
    Ledger(path, create=True).close()
    told: list[tuple[int, str]] = []
    for k in range(3):
        writer = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True)
        assert writer.stdout is not None
        for _ in range(20 + 30 * k):
            seq, sha = writer.stdout.readline().split()
            told.append((int(seq), sha))
        writer.kill()
        rest, _ = writer.communicate()
        told += [
            (int(seq), sha) for seq, _, sha in (line.partition(" ") for line in rest.splitlines()) if len(sha) == 64
        ]
    there = {(seq, sha) for seq, sha, _ in rows(path)}
    assert set(told) <= there
    assert len(there) - len(told) <= 3  # committed, and killed before it was told
    with Ledger(path) as ledger:
        assert ledger.check().holds
