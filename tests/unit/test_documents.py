"""Documents: canonical form against RFC 8785, hashes, versions, and files that are whole or not there."""

import errno
import hashlib
import json
import math
import os
import shutil
import struct
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st
from tests.helpers.power import Disk, read, shim

from tiepoint.documents import files
from tiepoint.documents.canonical import canonical, pixels_sha256, plain, sha256
from tiepoint.documents.files import MAJORS, format_of, read_document, write_atomic, write_document
from tiepoint.foundation.errors import TiepointError, UnusableDocument, UnusableInput


def test_the_example_of_rfc_8785():
    # RFC 8785, 3.2.2 (from memory).
    given_text = r"""{
      "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
      "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
      "literals": [null, true, false]
    }"""
    due = (
        r'{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        r'"string":"€$\u000f\nA' + r"'" + r'B\"\\\\\"/"}'
    )
    assert canonical(json.loads(given_text)) == due.encode()


def test_names_are_sorted_by_utf_16_as_in_rfc_8785():
    # RFC 8785, 3.2.3 (from memory): the emoji's surrogates sort before U+FB33.
    names = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    due = ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
    assert list(json.loads(canonical(dict.fromkeys(names, 0)))) == due


@pytest.mark.parametrize(
    ("bits", "text"),
    [
        # RFC 8785, Appendix B (from memory).
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("0000000000000001", "5e-324"),
        ("7fefffffffffffff", "1.7976931348623157e+308"),
        ("4340000000000000", "9007199254740992"),
        ("4430000000000000", "295147905179352830000"),
        ("44b52d02c7e14af5", "9.999999999999997e+22"),
        ("44b52d02c7e14af6", "1e+23"),
        ("44b52d02c7e14af7", "1.0000000000000001e+23"),
        ("444b1ae4d6e2ef4e", "999999999999999700000"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("41b3de4355555553", "333333333.3333332"),
        ("becbf647612f3696", "-0.0000033333333333333333"),
        ("43143ff3c1cb0959", "1424953923781206.2"),
    ],
)
def test_numbers_are_written_as_in_rfc_8785(bits, text):
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical(number).decode() == text


def test_a_hash_is_over_content_and_not_over_layout(tmp_path):
    one, two = tmp_path / "one.json", tmp_path / "two.json"
    one.write_text('{"format": "tiepoint/tie/1", "a": 1.0, "b": [2, 3]}')
    two.write_text('{\n  "b": [2,\n 3],\n "a": 1, "format": "tiepoint/tie/1"}')
    assert sha256(read_document(one, "tie")) == sha256(read_document(two, "tie"))
    three = tmp_path / "three.toml"
    three.write_text('# a remark\nformat = "tiepoint/tie/1"\nb = [2, 3]\na = 1.0\n')
    assert sha256(read_document(three, "tie")) == sha256(read_document(one, "tie"))
    assert sha256({"a": 1}) == hashlib.sha256(b'{"a":1}').hexdigest()


def test_plain_data_of_dataclasses_arrays_and_numbers():
    @dataclass(frozen=True)
    class Inner:
        dof: float
        place: tuple[int, int]

    found = plain({"in": Inner(math.inf, (1, 2)), "a": np.array([[1.5, 2]]), "n": np.float32(0.5), "i": np.int64(7)})
    assert found == {"in": {"dof": None, "place": [1, 2]}, "a": [[1.5, 2.0]], "n": 0.5, "i": 7}


@pytest.mark.parametrize(
    ("thing", "place"),
    [
        ({"a": {"b": [1.0, math.nan]}}, "a.b[1] is nan"),
        ({"u": math.inf}, "u is inf"),
        ({"dof": math.nan}, "dof is nan"),
        ({"a": object()}, "a is of type object"),
        (np.array([np.inf]), "[0] is inf"),
    ],
)
def test_what_a_document_cannot_hold_is_named_with_its_place(thing, place):
    with pytest.raises(UnusableDocument) as caught:
        canonical(thing)
    assert place in str(caught.value)


def test_whole_numbers_that_a_double_cannot_hold_count_as_the_nearest_double():
    # RFC 8785, 3.2.2.3: every number is an IEEE 754 double, written as ECMAScript writes it.
    assert canonical({"taken_mono_ns": 2**53 + 1}) == b'{"taken_mono_ns":9007199254740992}'
    assert canonical({"taken_mono_ns": -(2**60)}) == b'{"taken_mono_ns":-1152921504606847000}'
    assert canonical({"n": 2**53 - 1}) == b'{"n":9007199254740991}'
    with pytest.raises(UnusableDocument, match="a number of 401 digits"):
        canonical({"n": 10**400})


def test_a_pixel_hash_depends_on_pixels_alone():
    picture = np.arange(24, dtype=np.uint16).reshape(4, 6)
    due = pixels_sha256(picture)
    assert pixels_sha256(picture.astype(">u2")) == due
    assert pixels_sha256(np.asfortranarray(picture)) == due
    assert pixels_sha256(np.repeat(picture, 2, axis=1)[:, ::2]) == due
    others = [picture.reshape(6, 4), picture.astype(np.uint8), picture + 1]
    assert len({due, *map(pixels_sha256, others)}) == 4


JSON_LIKE = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    # Surrogates alone are no text: UTF-8 cannot hold them.
    | st.text(st.characters(exclude_categories=("Cs",)), max_size=12),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(st.characters(exclude_categories=("Cs",))), inner)
    ),
    max_leaves=12,
)


@given(JSON_LIKE)
def test_canonical_form_keeps_the_content_and_is_its_own_canonical_form(thing):
    once = canonical(thing)
    assert canonical(json.loads(once)) == once
    assert json.loads(once, parse_int=float) == thing


@given(JSON_LIKE)
def test_the_canonical_form_is_that_of_another_program(thing):
    # The package rfc8785 as a witness; the edges of its exponents are in Appendix B, above.
    assert canonical(thing) == rfc8785.dumps(thing)
    around = [0.1 * 10.0**k * s for k in range(-9, 24) for s in (1.0, -1.25, 3.3333333333333335)]
    assert canonical([thing, around]) == rfc8785.dumps([thing, around])


@given(st.dictionaries(st.sampled_from(["a", "b", "ü"]), JSON_LIKE))
def test_what_is_written_is_read_again(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("documents") / "it.json"
    write_document(path, "tie", content)
    assert read_document(path, "tie") == {"format": format_of("tie"), **content}


@pytest.mark.parametrize("kind", sorted(MAJORS))
def test_a_newer_version_and_another_kind_are_refused_in_a_sentence(tmp_path, kind):
    newer = tmp_path / "newer.json"
    newer.write_text(f'{{"format": "tiepoint/{kind}/{MAJORS[kind] + 1}"}}')
    with pytest.raises(UnusableDocument, match="newer than this program reads"):
        read_document(newer, kind)
    other = tmp_path / "other.json"
    other.write_text(f'{{"format": "{format_of(kind)}"}}')
    wanted = "tie" if kind != "tie" else "recipe"
    with pytest.raises(UnusableDocument, match=f"is a {kind} document where a {wanted} document was expected"):
        read_document(other, wanted)


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("x.json", b"", "cannot be read as JSON: it is empty"),
        ("x.json", b"{", "cannot be read as JSON: a name in double quotes is missing (line 1, column 2)"),
        ("x.json", b'{\n "a": 1\n "b": 2}', "a comma is missing, or a bracket (line 3, column 2)"),
        ("x.json", b'{"a" 1}', "a colon is missing after the name (line 1, column 6)"),
        ("x.json", b'{"a": }', "a value is missing (line 1, column 7)"),
        ("x.json", b'{"a": 1} 2', "something stands after the end (line 1, column 10)"),
        ("x.json", b'{"a": "b', "a text has no closing quote (line 1, column 7)"),
        ("x.json", b'{"a": "b\n"}', "a text has no closing quote on its line (line 1, column 9)"),
        ("x.json", b'{"a": "C:\\d"}', "a backslash stands alone; write two (line 1, column 10)"),
        ("x.json", b"[1, 2]", "holds a list"),
        ("x.json", b"\xff\xfe", "not text in UTF-8"),
        ("x.json", b'{"a": 1}', "is it a tie document?"),
        ("x.json", b'{"format": 3}', "is it a tie document?"),
        ("x.json", b'{"format": "tiepoint/tie/-1"}', "is it a tie document?"),
        ("x.json", '{"format": "tiepoint/tie/²"}'.encode(), "is it a tie document?"),
        ("x.json", b'{"format": "tiepoint/tie/99999999999999999999999"}', "newer"),
        ("x.json", b'{"format": "tiepoint/tie/1", "u": NaN}', "holds NaN, which is not a finite number"),
        ("x.json", b'{"format": "tiepoint/tie/1", "u": 1e999}', "holds 1e999, which is not a finite number"),
        ("x.json", b'{"format": "tiepoint/tie/1", "name": "\\ud800"}', "cannot be read as JSON"),
        ("x.toml", b'format = "tiepoint/tie/1"\nu = nan', "holds nan, which is not a finite number"),
        ("x.json", b"[" * 100_000, "cannot be read as JSON"),
        ("x.json", b'{"format": "tiepoint/tie/1", "n": ' + b"9" * 5000 + b"}", "cannot be read as JSON"),
        ("x.toml", b"a = ", "cannot be read as TOML"),
        ("x.toml", b"a = [" + b"[" * 5000, "cannot be read as TOML"),
        (
            "x.json",
            b'{"format": "tiepoint/tie/1", "unit": "mm", "unit": "in"}',
            "the key 'unit' stands twice; keep one",
        ),
        (
            "x.json",
            b'{"format": "tiepoint/tie/1", "a": ' + b"[" * 800 + b"]" * 800 + b"}",
            "more than 64 lists or tables",
        ),
        (
            "x.json",
            b'{"format": "tiepoint/tie/1", "a": ' + b"[" * 64 + b"]" * 64 + b"}",
            "more than 64 lists or tables",
        ),
        ("x.toml", b"[" + b"a." * 100 + b"a]", "more than 64 lists or tables"),
        ("x.toml", b"a = " + b"9" * 6000, "a number of thousands of digits"),
        ("x.json", b'{"a": ' + b"9" * 6000 + b"}", "a number of 6000 digits"),
        ("x.toml", b"a = 1\0", "holds a byte of value 0"),
    ],
)
def test_damaged_documents_are_refused_in_a_sentence(tmp_path, name, data, said):
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(TiepointError) as caught:
        read_document(path, "tie")
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_byte_order_mark_is_no_obstacle(tmp_path):
    path = tmp_path / "x.json"
    path.write_bytes(b'\xef\xbb\xbf{"format": "tiepoint/tie/1"}')
    assert read_document(path, "tie") == {"format": "tiepoint/tie/1"}


def test_missing_files_folders_and_large_files_are_refused_in_a_sentence(tmp_path):
    with pytest.raises(UnusableInput, match="no such file or directory; look at its spelling and its folder"):
        files.read_bytes(tmp_path / "none", 10)
    with pytest.raises(UnusableInput, match="is a folder where a file was expected"):
        files.read_bytes(tmp_path, 10)
    (tmp_path / "file").write_bytes(b"0" * 11)
    with pytest.raises(UnusableInput, match="at most"):
        files.read_bytes(tmp_path / "file", 10)
    with pytest.raises(UnusableInput, match="cannot read"):
        files.read_bytes(tmp_path / "file" / "below", 10)
    with pytest.raises(UnusableInput, match="cannot read"):
        files.read_bytes(Path("a\0b"), 10)


@pytest.mark.parametrize("failing", ["fsync", "replace", "open"])
@pytest.mark.parametrize("error", [errno.ENOSPC, errno.EIO])
def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch, failing, error):
    path = tmp_path / "tie.json"
    path.write_bytes(b"old")

    def fail(*_, **__):
        raise OSError(error, os.strerror(error))

    monkeypatch.setattr(*{"fsync": (os, "fsync"), "replace": (Path, "replace"), "open": (Path, "open")}[failing], fail)
    with pytest.raises(UnusableInput, match="nothing was changed") as caught:
        write_atomic(path, b"new")
    monkeypatch.undo()
    assert str(path) in str(caught.value)
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_files_that_belong_together_are_written_all_or_none(tmp_path, monkeypatch):
    one, two = tmp_path / "new" / "one", tmp_path / "new" / "two"
    files.write_together({one: b"1", two: b"2"})
    assert (one.read_bytes(), two.read_bytes()) == (b"1", b"2")
    synced = []

    def full_at_the_second(handle):
        synced.append(handle)
        if len(synced) == 2:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full_at_the_second)
    with pytest.raises(UnusableInput, match="two: no space left on device; nothing was changed"):
        files.write_together({one: b"3", two: b"4"})
    assert (one.read_bytes(), two.read_bytes()) == (b"1", b"2")
    assert sorted(p.name for p in one.parent.iterdir()) == ["one", "two"]


def test_a_folder_in_the_place_of_a_file_and_a_file_in_the_place_of_a_folder(tmp_path):
    with pytest.raises(UnusableInput, match="it is a folder; name a file"):
        write_atomic(tmp_path, b"")
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(UnusableInput, match="cannot write"):
        write_atomic(tmp_path / "file" / "below.json", b"")
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no device files and no permission bits")
def test_devices_are_not_replaced_and_permissions_are_those_of_any_new_file(tmp_path):
    fifo = tmp_path / "pipe"
    os.mkfifo(fifo)
    with pytest.raises(UnusableInput, match="not an ordinary file"):
        write_atomic(fifo, b"")
    assert fifo.is_fifo()
    write_atomic(tmp_path / "new.json", b"{}")
    (tmp_path / "plain.json").write_bytes(b"{}")
    assert (tmp_path / "new.json").stat().st_mode == (tmp_path / "plain.json").stat().st_mode


def test_as_many_lists_inside_one_another_as_are_allowed_are_read(tmp_path):
    path = tmp_path / "x.json"
    path.write_text('{"format": "tiepoint/tie/1", "a": ' + "[" * 63 + "]" * 63 + "}")
    assert read_document(path, "tie")["a"]


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no device files")
@pytest.mark.parametrize("name", ["pipe", "/dev/zero"])
def test_what_never_ends_is_not_read(tmp_path, name):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(UnusableInput, match="is not an ordinary file"):
        files.read_bytes(tmp_path / name, 10)


def test_a_file_that_grows_while_it_is_read_is_not_read_for_ever(tmp_path, monkeypatch):
    path = tmp_path / "growing"
    path.write_bytes(b"0" * 5)
    stated = path.stat()
    path.write_bytes(b"0" * 100)
    monkeypatch.setattr(Path, "stat", lambda *_, **__: stated)
    assert files.read_bytes(path, 100) == b"0" * 100
    with pytest.raises(UnusableInput, match="at most"):
        files.read_bytes(path, 99)


@pytest.fixture
def link(tmp_path):
    """Return a function that makes a link, where the system lets us."""

    def make(name: str, to: str) -> Path:
        try:
            (tmp_path / name).symlink_to(to)
        except OSError:
            pytest.skip("this system forbids links")
        return tmp_path / name

    return make


def test_a_link_is_written_through(tmp_path, link):
    (tmp_path / "real.json").write_bytes(b"old")
    write_atomic(link("link.json", "real.json"), b"new")
    assert (tmp_path / "link.json").is_symlink()
    assert (tmp_path / "real.json").read_bytes() == b"new"
    loop = link("loop.json", "loop.json")
    with pytest.raises(UnusableInput, match="leads back to itself"):
        write_atomic(loop, b"new")
    assert loop.is_symlink()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["link.json", "loop.json", "real.json"]


def test_a_second_file_that_cannot_be_moved_is_told_with_what_was_written_before(tmp_path, monkeypatch):
    one, two = tmp_path / "one", tmp_path / "two"
    two.write_bytes(b"old")
    moves, move = [], Path.replace

    def fail_at_the_second(self, target):
        moves.append(target)
        if len(moves) == 2:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        return move(self, target)

    monkeypatch.setattr(Path, "replace", fail_at_the_second)
    with pytest.raises(UnusableInput, match=r"two: permission denied; .*one was written before"):
        files.write_together({one: b"1", two: b"2"})
    assert (one.read_bytes(), two.read_bytes()) == (b"1", b"old")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["one", "two"]


@pytest.mark.skipif(sys.platform == "win32", reason="Windows counts whole paths")
def test_the_longest_name_that_a_file_can_have_can_be_written(tmp_path):
    # POSIX NAME_MAX is 255 bytes on every file system in common use.
    path = tmp_path / ("a" * 255)
    write_atomic(path, b"x")
    assert path.read_bytes() == b"x"


def test_only_its_like_or_nothing_is_replaced(tmp_path):
    tie, notes, empty = tmp_path / "tie.json", tmp_path / "notes.txt", tmp_path / "empty.json"
    write_document(tie, "tie", {"id": "x"})
    notes.write_text("mine")
    empty.touch()
    for good in (tie, empty, tmp_path / "new.json"):
        files.demand_replaceable(good, "tie", [notes, None, tmp_path / "none"])
    with pytest.raises(UnusableInput, match="exists and holds no camera"):
        files.demand_replaceable(tie, "camera")
    with pytest.raises(UnusableInput, match="exists and holds no tie"):
        files.demand_replaceable(notes, "tie")
    with pytest.raises(UnusableInput, match="is read by this command"):
        files.demand_replaceable(tmp_path / "." / "tie.json", "tie", [tie])


def test_a_place_that_can_be_no_folder_is_told_before_anything_is_made(tmp_path):
    (tmp_path / "file").touch()
    files.demand_folder(tmp_path)
    files.demand_folder(tmp_path / "new" / "below")
    for bad in (tmp_path / "file", tmp_path / "file" / "below", Path("a\0b"), tmp_path / ("a" * 5000)):
        with pytest.raises(UnusableInput, match="cannot write into"):
            files.demand_folder(bad)
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


def test_what_cannot_be_added_to_the_end_of_every_file_is_added_to_none(tmp_path, monkeypatch):
    one, other = tmp_path / "a.jsonl", tmp_path / "a.csv"
    one.write_bytes(b"1\n")
    other.write_bytes(b"n\n1\n")
    files.append_together({one: b"2\n", other: b"2\n"})
    real = Path.open

    def half_full(self: Path, *given: object) -> object:
        file = real(self, *given)
        if self == other:
            file.write(b"3,")
            file.close()
            raise OSError(errno.ENOSPC, "No space left on device")
        return file

    monkeypatch.setattr(Path, "open", half_full)
    with pytest.raises(UnusableInput, match=r"cannot write .*a.csv: no space left on device; what it held before is"):
        files.append_together({one: b"3\n", other: b"3\n"})
    monkeypatch.undo()
    assert (one.read_bytes(), other.read_bytes()) == (b"1\n2\n", b"n\n1\n2\n")


def test_what_was_written_is_there_after_a_power_cut_its_name_and_its_new_folder_too(tmp_path):
    """Held to is POSIX: a name is on the disk once its folder was flushed (IEEE Std 1003.1, fsync)."""
    folder, library, journal = tmp_path / "station", shim(tmp_path), tmp_path / "journal"
    folder.mkdir()
    (folder / "old.json").write_bytes(b"old")
    shutil.copytree(folder, tmp_path / "before")
    disk = Disk(folder, tmp_path / "before")
    files = "{here / 'old.json': b'new', here / 'ties' / 'made' / 'plane.json': b'tie'}"
    work = f"from pathlib import Path; here = Path({str(folder)!r}); write_together({files})"
    env = {"LD_PRELOAD": str(library), "TIEPOINT_POWER_ROOT": str(folder), "TIEPOINT_POWER_JOURNAL": str(journal)}
    command = [sys.executable, "-c", f"from tiepoint.documents.files import write_together; {work}"]
    subprocess.run(command, env={**os.environ, **env}, check=True)
    for done in read(journal):
        disk.do(done)
    there = disk.lay_out(tmp_path / "found", None)
    found = {path.relative_to(there).as_posix(): path.read_bytes() for path in there.rglob("*") if path.is_file()}
    assert found == {"old.json": b"new", "ties/made/plane.json": b"tie"}
