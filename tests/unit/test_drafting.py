"""Edits of drafts: whole or not at all, undone and done again, and never over what somebody else wrote."""

import hashlib
import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest
import tomlkit

from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.station import drafting, undoing
from tiepoint.station.drafting import Change, Conflict, edit, history, read_draft, redo, sha_of, undo
from tiepoint.station.folder import open_station

WHO = "m.weiss"
RECIPE = "recipes/plate.toml"


@pytest.fixture
def station(tmp_path):
    (tmp_path / "station.toml").write_text('format = "tiepoint/station/1"\nname = "hinge plates"\n')
    return open_station(tmp_path)


def put(station, path, text, **more):
    return edit(station, f"Write {path}", [Change(path, text.encode())], who=WHO, **more)


def text(station, path):
    found = read_draft(station, path).data
    return None if found is None else found.decode()


def test_an_edit_is_undone_and_done_again(station):
    put(station, RECIPE, "a")
    put(station, RECIPE, "b")
    edit(station, "Take it away", [Change(RECIPE, None)], who=WHO)
    seen = [text(station, RECIPE)]
    for _ in range(3):
        undo(station, WHO)
        seen.append(text(station, RECIPE))
    for _ in range(3):
        redo(station, WHO)
        seen.append(text(station, RECIPE))
    assert seen == [None, "b", "a", None, "a", "b", None]
    with pytest.raises(UnusableInput, match="nothing that could be done again"):
        redo(station, WHO)


def test_the_history_says_what_who_and_which_files(station):
    put(station, RECIPE, "a")
    put(station, "ties/top.json", "{}")
    undo(station, "a.other")
    told = history(station)
    assert [(step.number, step.says, step.who, step.paths) for step in told.done] == [
        (1, f"Write {RECIPE}", WHO, (RECIPE,))
    ]
    assert [step.number for step in told.undone] == [2]


def test_a_new_edit_ends_what_could_be_done_again(station):
    put(station, RECIPE, "a")
    put(station, RECIPE, "b")
    undo(station, WHO)
    put(station, RECIPE, "c")
    assert [step.number for step in history(station).done] == [1, 3]
    assert not history(station).undone
    assert sorted(p.name for p in (station.folder / ".undo/steps").iterdir()) == ["000001", "000003"]


def test_files_of_one_content_are_told_apart(station):
    put(station, "ties/a.json", "same")
    put(station, "ties/b.json", "same")
    put(station, "ties/a.json", "other")
    put(station, "ties/b.json", "another")
    for _ in range(4):
        undo(station, WHO)
    for _ in range(4):
        redo(station, WHO)
    assert (text(station, "ties/a.json"), text(station, "ties/b.json")) == ("other", "another")


def test_what_changes_nothing_is_no_step(station):
    put(station, RECIPE, "a")
    assert put(station, RECIPE, "a").paths == ()
    assert len(history(station).done) == 1


def test_comments_survive_an_edit_by_tomlkit(station):
    put(station, RECIPE, "# the bore that the pin goes through\nx = 1 # tight\n")
    draft = read_draft(station, RECIPE)
    document = tomlkit.parse(draft.data.decode())
    document["x"] = 2
    put(station, RECIPE, tomlkit.dumps(document), seen={RECIPE: draft.sha})
    assert text(station, RECIPE) == "# the bore that the pin goes through\nx = 2 # tight\n"


def test_two_who_saw_the_same_file_do_not_overwrite_each_other(station):
    put(station, RECIPE, "a")
    seen = {RECIPE: sha_of(station, RECIPE)}
    put(station, RECIPE, "mine", seen=seen)
    with pytest.raises(Conflict, match="changed since you last saw it"):
        put(station, RECIPE, "yours", seen=seen)
    assert text(station, RECIPE) == "mine"


def test_one_who_saw_no_file_does_not_overwrite_one_that_came(station):
    (station.folder / "ties").mkdir()
    (station.folder / "ties/top.json").write_text("by hand")
    with pytest.raises(Conflict):
        put(station, "ties/top.json", "by page", seen={"ties/top.json": None})
    assert (station.folder / "ties/top.json").read_text() == "by hand"


def test_of_several_files_none_is_changed_where_one_conflicts(station):
    put(station, RECIPE, "a")
    with pytest.raises(Conflict):
        edit(station, "both", [Change("ties/top.json", b"x"), Change(RECIPE, b"y")], who=WHO, seen={RECIPE: "0" * 64})
    assert sha_of(station, "ties/top.json") is None


def test_an_edit_whose_file_was_changed_since_is_not_undone(station):
    put(station, RECIPE, "a")
    put(station, RECIPE, "b")
    (station.folder / RECIPE).write_text("by hand")
    with pytest.raises(Conflict, match=r"recipes/plate\.toml was changed since by something else"):
        undo(station, WHO)
    assert (station.folder / RECIPE).read_text() == "by hand"
    (station.folder / RECIPE).write_text("b")
    undo(station, WHO)
    assert text(station, RECIPE) == "a"


def test_an_undone_edit_whose_file_was_changed_since_is_not_done_again(station):
    put(station, RECIPE, "a")
    undo(station, WHO)
    (station.folder / "recipes").mkdir(exist_ok=True)
    (station.folder / RECIPE).write_text("by hand")
    with pytest.raises(Conflict):
        redo(station, WHO)
    assert (station.folder / RECIPE).read_text() == "by hand"


def test_nobody_undoes_another_step_than_was_meant(station):
    first = put(station, RECIPE, "a")
    put(station, "ties/top.json", "{}")
    with pytest.raises(Conflict, match="another edit came since"):
        undo(station, WHO, number=first.number)


@pytest.mark.parametrize(
    "path",
    [
        "../other/station.toml", "/etc/passwd", "recipes/../../x.toml", "recipes//x.toml", "recipes/./x.toml", "",
        "recipes\\x.toml", "recipes/x\0.toml", "recipes/con.toml", "recipes/x. ", "recipes/a:b.toml",
        ".undo/journal.json", "recipes/.hidden.toml", "accepted/x/manifest.json", "accepted.toml", "Accepted.TOML",
        "ledger.sqlite", "private/users.json", "archive/x.png", "inbox/x.json", "studies/000001-rr.json", "x.exe",
        "recipes/" + "x" * 300 + ".toml", "recipes/\u202egpj.toml", "recipes/new\nline.toml", "C:/x.toml",
    ],
)  # fmt: skip
def test_no_page_writes_beside_the_drafts(station, path):
    before = sorted(p for p in station.folder.rglob("*"))
    with pytest.raises(UnusableInput):
        put(station, path, "x")
    assert sorted(p for p in station.folder.rglob("*")) == before


@pytest.mark.parametrize("path", ["people.json", "tables/ledger.json", "pictures/kept/x.png", "robots/key.json"])
def test_what_the_station_names_for_something_else_is_no_draft(station, path):
    (station.folder / "station.toml").write_text(
        'format = "tiepoint/station/1"\nname = "hinge plates"\n[ledger]\nfile = "tables/ledger.json"\n'
        '[archive]\nfolder = "pictures/kept"\n[web]\nusers = "people.json"\n[web.tls]\ncertificate = "c.pem"\n'
        'key = "robots/key.json"\n'
    )
    there = open_station(station.folder)
    for act in (lambda: put(there, path, "x"), lambda: read_draft(there, path), lambda: sha_of(there, path)):
        with pytest.raises(UnusableInput, match="no draft"):
            act()
    assert not (station.folder / path).exists()


def test_a_link_that_leads_elsewhere_is_not_followed(station, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside")
    (outside / "x.toml").write_text("theirs")
    (station.folder / "recipes").symlink_to(outside, target_is_directory=True)
    (station.folder / "plan.toml").symlink_to(outside / "x.toml")
    for path in ("recipes/x.toml", "recipes/new.toml", "plan.toml"):
        with pytest.raises(UnusableInput, match="link"):
            put(station, path, "mine")
        with pytest.raises(UnusableInput, match="link"):
            read_draft(station, path)
    assert [p.name for p in outside.iterdir()] == ["x.toml"]
    assert (outside / "x.toml").read_text() == "theirs"


def test_a_journal_that_was_tampered_with_leads_nowhere(station, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "x.toml"
    put(station, RECIPE, "a")
    journal = station.folder / ".undo/journal.json"
    told = json.loads(journal.read_text())
    told["steps"][0]["moved"][0]["path"] = f"../../{outside.parent.name}/x.toml"
    journal.write_text(json.dumps(told))
    with pytest.raises(UnusableDocument, match="a new history begins"):
        undo(station, WHO)
    assert not outside.exists()


def test_what_was_kept_and_is_gone_is_not_undone_into_nothing(station):
    put(station, RECIPE, "a")
    put(station, RECIPE, "b")
    (station.folder / ".undo/steps/000002/0.before").unlink()
    with pytest.raises(UnusableInput, match="restore it there"):
        undo(station, WHO)
    assert text(station, RECIPE) == "b"


def test_a_large_file_is_moved_and_not_copied(station):
    part = drafting.coming(station) / "part"
    part.write_bytes(os.urandom(1000))
    inode, sha = part.stat().st_ino, hashlib.sha256(part.read_bytes()).hexdigest()
    edit(station, "Add a picture", [Change("pictures/tie/a.png", part)], who=WHO)
    place = station.folder / "pictures/tie/a.png"
    assert (place.stat().st_ino, sha_of(station, "pictures/tie/a.png")) == (inode, sha)
    undo(station, WHO)
    assert not place.exists()
    redo(station, WHO)
    assert place.stat().st_ino == inode


def test_old_steps_make_room(station, monkeypatch):
    monkeypatch.setattr(undoing, "MOST_STEPS", 3)
    for k in range(6):
        put(station, RECIPE, f"{k}")
    assert [step.number for step in history(station).done] == [4, 5, 6]
    assert len(list((station.folder / ".undo/steps").iterdir())) == 3


def test_large_steps_make_room_but_the_newest_is_kept(station, monkeypatch):
    monkeypatch.setattr(undoing, "MOST_BYTES", 10)
    for k in range(4):
        put(station, RECIPE, f"{k}" * 8)
    assert [step.number for step in history(station).done] == [4]
    undo(station, WHO)
    assert text(station, RECIPE) == "2" * 8


def test_edits_of_many_threads_are_all_there(station):
    def write(k):
        for j in range(5):
            put(station, f"ties/{k}-{j}.json", f"{k} {j}")

    threads = [threading.Thread(target=write, args=(k,)) for k in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(history(station).done) == 20
    for _ in range(20):
        undo(station, WHO)
    assert not (station.folder / "ties").exists()


def test_a_disk_that_refuses_leaves_all_as_it_was(station, monkeypatch):
    put(station, RECIPE, "a")
    put(station, "ties/top.json", "a")
    real = Path.replace

    def refuses(self, target):
        if Path(target).name == "top.json":
            raise OSError(28, "No space left on device")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", refuses)
    with pytest.raises(UnusableInput, match="no space left on device; nothing was changed"):
        edit(station, "both", [Change(RECIPE, b"b"), Change("ties/top.json", b"b")], who=WHO)
    monkeypatch.undo()
    assert (text(station, RECIPE), text(station, "ties/top.json")) == ("a", "a")
    assert len(history(station).done) == 2


DRIVER = """
import json, os, signal, sys
from pathlib import Path
from tiepoint.station import drafting
from tiepoint.station.drafting import Change, edit, history, read_draft, undo
from tiepoint.station.folder import open_station

station, what = open_station(Path(sys.argv[1])), sys.argv[2]
paths = ("recipes/a.toml", "ties/new.json", "ties/old.json")
new = [Change(paths[0], b"new"), Change(paths[1], b"new"), Change(paths[2], None)]

def contents():
    found = [read_draft(station, path).data for path in paths]
    return [None if data is None else data.decode() for data in found]

def killed_at(left):
    def dying(method):
        def wrapped(*args, **kwargs):
            nonlocal left
            left -= 1
            if left < 0:
                os.kill(os.getpid(), signal.SIGKILL)
            return method(*args, **kwargs)
        return wrapped
    for name in ("replace", "hardlink_to", "unlink", "mkdir", "rmdir", "open"):
        setattr(Path, name, dying(getattr(Path, name)))
    edit(station, "three", new, who="x") if what == "edit" else undo(station, "x")
    os._exit(0)

edit(station, "begin", [Change(paths[0], b"old"), Change(paths[2], b"old")], who="x")
for at in range(100):
    if what == "undo":
        edit(station, "three", new, who="x")
    if (child := os.fork()) == 0:
        killed_at(at)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    drafting.recover(station)
    is_three, back = history(station).done[-1].says == "three", None
    found = contents()
    if is_three:
        undo(station, "x")
        back = contents()
    print(json.dumps([code, found, is_three, back]))
    if code == 0:
        break
"""
BEFORE, AFTER = ["old", None, "old"], ["new", "new", None]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="the system cannot kill a process at a point")
@pytest.mark.parametrize("what", ["edit", "undo"])
def test_an_edit_that_was_killed_anywhere_is_whole_before_or_whole_after(station, what):
    command = [sys.executable, "-c", DRIVER, str(station.folder), what]
    lines = subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines()
    told = [json.loads(line) for line in lines]
    assert {code for code, *_ in told[:-1]} == {-signal.SIGKILL}
    assert told[-1][0] == 0
    for _, found, is_three, back in told:
        # The history belongs to what is there, so that the way back is there too.
        assert (found, back) == ((AFTER, BEFORE) if is_three else (BEFORE, None))
    assert len(told) > 10
    assert {is_three for _, _, is_three, _ in told} == {True, False}


def test_what_was_changed_while_an_edit_was_broken_off_is_kept(station, monkeypatch):
    put(station, RECIPE, "a")
    put(station, "ties/top.json", "a")

    class Killed(BaseException):
        pass

    def killed(*_):
        raise Killed

    monkeypatch.setattr(undoing, "_finish", killed)
    with pytest.raises(Killed):
        edit(station, "both", [Change(RECIPE, b"b"), Change("ties/top.json", b"b")], who=WHO)
    monkeypatch.undo()
    (station.folder / RECIPE).write_text("by hand")
    drafting.recover(station)
    assert (text(station, RECIPE), text(station, "ties/top.json")) == ("by hand", "a")
    assert not (station.folder / ".undo/pending.json").exists()
