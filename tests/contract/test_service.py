"""What the operating system is told to begin a station: read back as its own manuals say that it reads it."""

import os
import re
import subprocess
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station import service as service_module
from tiepoint.station.folder import open_station
from tiepoint.station.service import install, remove, service_of

TASK = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"
NASTY = 'vents 50% of $HOME "A"'


@pytest.fixture
def station(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    # A name that each of the languages would read as something else; Windows has no file with a quotation mark.
    folder = tmp_path / (NASTY.replace('"', "") if os.name == "nt" else NASTY)
    folder.mkdir()
    (folder / "station.toml").write_text('format = "tiepoint/station/1"\nname = "Hinge plates, line 4"\n')
    return open_station(folder)


def values(text, key):
    return [line.partition("=")[2] for line in text.splitlines() if line.startswith(f"{key}=")]


def words_of_systemd(line):
    """Return the words of a command as systemd.service(5) and systemd.syntax(7) have them, for double quotes alone."""
    found = re.findall(r'"((?:[^"\\]|\\.)*)"', line)
    assert " ".join(f'"{word}"' for word in found) == line
    unescaped = [re.sub(r"\\(.)", r"\1", word) for word in found]
    assert all("%" not in word.replace("%%", "") and "$" not in word.replace("$$", "") for word in unescaped)
    return [word.replace("%%", "%").replace("$$", "$") for word in unescaped]


@pytest.mark.skipif(os.name == "nt", reason="systemd is none of Windows'")
@pytest.mark.parametrize("kind", ["user", "system"])
def test_systemd_takes_the_unit_and_the_command_comes_back(station, kind, tmp_path):
    made = service_of(station, kind, account="vision")
    (command,) = values(made.text, "ExecStart")
    program, *rest = words_of_systemd(command)
    assert Path(program).is_file()
    assert rest == ["-m", "tiepoint.cli.main", "serve", str(station.folder), "--as-accepted"]
    assert values(made.text, "User") == ([] if kind == "user" else ["vision"])
    assert made.name == "tiepoint-hinge-plates-line-4.service"
    # The authority: systemd's own reader, which names every line that it does not take.
    unit = tmp_path / made.name
    unit.write_bytes(made.data)
    asked = ["systemd-analyze", *(["--user"] if kind == "user" else []), "verify", str(unit)]
    done = subprocess.run(asked, capture_output=True, text=True, env={**os.environ, "XDG_RUNTIME_DIR": str(tmp_path)})
    assert (done.returncode, [line for line in done.stderr.splitlines() if unit.name in line]) == (0, [])


def words_of_windows(line):
    """Return the words of a command line by the rules of Microsoft, "Parsing C command-line arguments"."""
    words, word, is_quoted, k = [], None, False, 0
    while k < len(line):
        slashes = len(line) - k - len(line[k:].lstrip("\\"))
        k += slashes
        letter = line[k : k + 1]
        if letter == '"':
            word = (word or "") + "\\" * (slashes // 2)
            if slashes % 2:
                word += '"'
            else:
                is_quoted = not is_quoted
        elif letter and letter in " \t" and not is_quoted:
            words += [] if word is None and not slashes else [(word or "") + "\\" * slashes]
            word = None
        else:
            word = (word or "") + "\\" * slashes + letter
        k += 1
    return [*words, *([] if word is None else [word])]


@pytest.mark.parametrize("folder", ["C:\\stations\\vents", "D:\\line 4\\vents\\", 'a "b" c\\', "plain", ""])
def test_a_windows_command_line_comes_back(folder):
    line = " ".join(map(service_module._windows_word, ["-m", folder, "last"]))
    assert words_of_windows(line) == ["-m", folder, "last"]


def test_the_task_of_windows_says_what_it_must(station):
    made = service_of(
        station, "windows", account="LINE4\\vision", program=["C:\\tools\\py & co\\python.exe", "-m", "x"]
    )
    assert made.data[:2] in (b"\xff\xfe", b"\xfe\xff")  # Unicode with its mark, as schtasks asks for
    task = ElementTree.fromstring(made.data)

    def said(path):
        return task.findtext("/".join(f"{TASK}{part}" for part in path.split("/")))

    assert said("Actions/Exec/Command") == "C:\\tools\\py & co\\python.exe"
    serves = ["-m", "x", "serve", str(station.folder), "--as-accepted"]
    assert words_of_windows(said("Actions/Exec/Arguments")) == serves
    assert said("Principals/Principal/UserId") == "LINE4\\vision"
    assert said("Principals/Principal/RunLevel") == "LeastPrivilege"
    assert said("Settings/ExecutionTimeLimit") == "PT0S"  # without it a task is ended after 72 hours
    assert task.find(f"{TASK}Triggers/{TASK}BootTrigger") is not None
    assert made.then[0].startswith('schtasks /Create /TN "tiepoint-hinge-plates-line-4" /XML ')


def test_what_was_written_is_taken_away_and_nothing_else(station, tmp_path):
    made = service_of(station, "user", account="vision")
    with pytest.raises(UnusableInput, match="nothing was installed"):
        remove(made)
    install(made)
    install(made)  # written anew, as after a move of the program
    assert made.path == tmp_path / "config" / "systemd" / "user" / made.name
    assert made.path.read_bytes() == made.data

    other = tmp_path / "other"
    other.mkdir()
    (other / "station.toml").write_text('format = "tiepoint/station/1"\nname = "Hinge plates, line 4"\n')
    theirs = service_of(open_station(other), "user", account="vision")
    for refused in (install, remove):
        with pytest.raises(UnusableInput, match="of another station"):
            refused(theirs)
    assert made.path.read_bytes() == made.data

    wants = made.path.parent / "default.target.wants"
    wants.mkdir()
    (wants / made.name).write_text("as systemctl enable leaves it")
    with pytest.raises(UnusableInput, match=r"systemctl --user disable --now tiepoint-hinge-plates-line-4\.service"):
        remove(made)
    (wants / made.name).unlink()
    remove(made)
    assert not made.path.exists()


@pytest.mark.parametrize("account", ["root", "SYSTEM", "LocalSystem"])
def test_no_station_runs_by_an_account_that_may_do_anything(station, account):
    for kind in ("system", "windows"):
        with pytest.raises(UnusableInput, match="name one with --account"):
            service_of(station, kind, account=account)


@pytest.mark.parametrize("name", ["", "../x", "a/b", "a b", "-x", "x" * 101, "a\nb"])
def test_a_name_that_no_system_takes_is_refused(station, name):
    with pytest.raises(UnusableInput, match="--name is"):
        service_of(station, "user", account="vision", name=name or " ")


def test_a_name_with_a_line_break_becomes_no_second_line(station):
    with pytest.raises(UnusableInput, match="no line of a service"):
        service_of(station, "system", account="vision\nExecStartPre=/bin/true")


def test_the_commands(station, cli, tmp_path):
    said = cli("service", "install", station.folder, "--as", "user", "--show", "--json")
    assert said.code == 0
    assert not said.json["written"]
    assert not Path(said.json["path"]).exists()
    assert "ExecStart=" in said.json["text"]

    said = cli("service", "install", station.folder, "--as", "user")
    assert said.code == 0, said.err
    assert "systemctl --user enable --now tiepoint-hinge-plates-line-4.service" in said.out
    assert "tiepoint check" in said.err  # nothing is accepted yet
    said = cli("service", "remove", station.folder, "--as", "user")
    assert said.code == 0, said.err
    assert list((tmp_path / "config" / "systemd" / "user").iterdir()) == []

    assert cli("service", "install", station.folder, "--as", "cron").code == 2
    assert cli("service", "install", tmp_path / "nowhere").code == 2
