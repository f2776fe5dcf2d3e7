"""What waits on the disk: in order, bounded, counted, and what a crash leaves of it."""

import os
import subprocess
import sys
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.wires.spool import Spool


def spool(folder, most=1000, most_bytes=1e6):
    return Spool(folder, most, most_bytes)


def texts(held):
    return [m.text for m in held.first(10_000)]


def test_messages_keep_their_order_and_numbers_over_restarts(tmp_path):
    held = spool(tmp_path)
    held.append([("t", "one"), ("t", "zwei\n ✓")])
    held.close()
    held = spool(tmp_path)
    held.append([("t", "three")])
    assert [(m.number, m.text) for m in held.first(9)] == [(1, "one"), (2, "zwei\n ✓"), (3, "three")]
    held.done(2)
    held.close()
    held = spool(tmp_path)
    assert [(m.number, m.text) for m in held.first(9)] == [(3, "three")]
    held.done(3)
    held.close()
    held = spool(tmp_path)
    held.append([("t", "four")])
    assert [m.number for m in held.first(9)] == [4], "a number is never used twice"
    held.close()


def test_the_oldest_is_dropped_and_counted(tmp_path):
    held = spool(tmp_path, most=3)
    held.append([("t", str(k)) for k in range(5)])
    assert (texts(held), held.dropped) == (["2", "3", "4"], 2)
    held.close()
    held = spool(tmp_path, most=3)
    assert (texts(held), held.dropped) == (["2", "3", "4"], 2)
    held.close()


def test_the_disk_it_takes_is_bounded(tmp_path):
    held = spool(tmp_path, most=10_000, most_bytes=300_000)
    for k in range(100):
        held.append([("t", f"{k}" + "x" * 10_000)])
    taken = sum(f.stat().st_size for f in tmp_path.iterdir())
    assert taken < 300_000 + 2 * 80_000
    assert len(held) + held.dropped == 100
    assert held.first(1)[0].number == held.dropped + 1
    held.done(100)
    assert sum(f.stat().st_size for f in tmp_path.iterdir()) < 80_000
    held.close()


@given(cut=st.integers(0, 200))
def test_a_file_that_was_cut_anywhere_keeps_what_was_whole(tmp_path_factory, cut):
    folder = tmp_path_factory.mktemp("spool")
    held = spool(folder)
    held.append([("t", "a" * 20), ("t", "b" * 20), ("t", "c" * 20)])
    held.close()
    (segment,) = folder.glob("*.spool")
    whole = segment.read_bytes()
    os.truncate(segment, max(0, len(whole) - cut))
    held = spool(folder)
    kept = texts(held)
    assert kept == ["a" * 20, "b" * 20, "c" * 20][: len(kept)]
    assert len(kept) == whole[: max(0, len(whole) - cut)].count(b"\n")
    held.append([("t", "d")])
    assert texts(held) == [*kept, "d"]
    held.close()


def test_a_line_that_was_altered_is_counted_and_not_sent(tmp_path):
    held = spool(tmp_path)
    held.append([("t", "first"), ("t", "second"), ("t", "third")])
    held.close()
    (segment,) = tmp_path.glob("*.spool")
    segment.write_bytes(segment.read_bytes().replace(b"second", b"sEcond"))
    held = spool(tmp_path)
    assert (texts(held), held.dropped) == (["first", "third"], 1)
    held.close()


def test_a_line_carries_the_check_that_the_page_states(tmp_path):
    held = spool(tmp_path)
    held.append([("t", "x")])
    held.close()
    (segment,) = tmp_path.glob("*.spool")
    number, check, content = segment.read_bytes().rstrip(b"\n").split(b" ", 2)
    # CRC-32/ISO-HDLC, whose check value for 123456789 is CBF43926 (ITU-T V.42; zlib's own function).
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert (number, int(check, 16), content) == (b"1", zlib.crc32(b'1 ["t","x"]'), b'["t","x"]')


WRITER = """
import sys
from pathlib import Path
from tiepoint.station.wires.spool import Spool
held = Spool(Path(sys.argv[1]), 100_000, 1e9)
for k in range(100_000):
    held.append([("t", str(k))])
    print(k, flush=True)
"""


def test_what_was_acknowledged_survives_kill_9(tmp_path):
    before = 0
    for _ in range(3):
        child = subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True)
        for _ in range(40):
            said = int(child.stdout.readline())
        child.kill()
        rest = child.stdout.read().split("\n")[:-1]
        child.stdout.close()
        child.wait()
        said = max([said, *map(int, rest)])
        held = spool(tmp_path, 100_000, 1e9)
        now = texts(held)[before:]
        assert now[: said + 1] == [str(k) for k in range(said + 1)]
        assert len(now) <= said + 2, "one more may have been written, and not said"
        assert held.dropped == 0
        before += len(now)
        held.close()


def test_a_folder_that_cannot_be_written_is_a_sentence(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(UnusableInput, match="cannot keep messages in"):
        spool(tmp_path / "file")


def test_a_disk_that_is_full_loses_what_was_offered_and_nothing_else(tmp_path, monkeypatch):
    held = spool(tmp_path)
    held.append([("t", "kept")])

    class Full:
        def __init__(self, file):
            self.file = file

        def write(self, data):
            self.file.write(data[:7])
            raise OSError(28, "No space left on device")

        def close(self):
            self.file.close()

    held._file = Full(held._file)
    with pytest.raises(OSError, match="No space"):
        held.append([("t", "lost")])
    held.append([("t", "kept too")])
    assert texts(held) == ["kept", "kept too"]
    held.close()
    held = spool(tmp_path)
    assert (texts(held), held.dropped) == (["kept", "kept too"], 0)
    held.close()
