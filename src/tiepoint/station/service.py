"""A station that begins with the machine: what the operating system is told, as text, and where that lies.

Nothing here needs rights, and nothing is begun: the text is written, and a person gives it to the system, by commands
that are told. Three kinds: a `user`'s unit of systemd, which needs nobody's leave; a unit of the whole `system`; and a
task of the scheduler of `windows`, which begins at boot and is begun anew where it fails.

Sources: systemd.unit(5), systemd.service(5), systemd.syntax(7); Microsoft, "Task Scheduler Schema".
"""

import os
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal
from xml.sax.saxutils import escape

from tiepoint.documents.files import read_bytes, reason_of, write_atomic
from tiepoint.documents.names import portable
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.folder import Station

Kind = Literal["user", "system", "windows"]
FOLDER = "service"
SERVES = "Serves the station in "
MOST_BYTES = 100_000
ENDING_S = 60
"""Longer than the processes of a station have to end in good order."""


@dataclass(frozen=True, slots=True)
class Service:
    """What the operating system is to be told. `then`: the commands after it was written, which let it begin.

    `before` and `after`: those that end it, before the file is taken away and after. `name`: by which the system calls
    it; `path`: where the `data` lies, which is `text` as the system reads it.
    """

    kind: Kind
    name: str
    path: Path
    text: str
    data: bytes
    then: tuple[str, ...]
    before: tuple[str, ...]
    after: tuple[str, ...] = ()


def service_of(
    station: Station, kind: Kind, *, account: str, name: str | None = None, program: Sequence[str] | None = None
) -> Service:
    """Return the service of a station. `account`: by which a `system` or `windows` service runs.

    Raises `UnusableInput` where the account is the system's own, or folder or name cannot be told.
    """
    folder = station.folder.resolve()
    command = [*(program or (sys.executable, "-m", "tiepoint.cli.main")), "serve", str(folder), "--as-accepted"]
    _demand_writable([str(folder), account, *command])
    called = name or f"tiepoint-{_slug(station.name)}"
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,99}", called):
        raise UnusableInput(
            f"--name is {called[:60]!r}; use letters, digits, dots, dashes and underscores, at most 100"
        )
    if kind != "user" and account.lower() in ("root", "system", "localsystem"):
        raise UnusableInput(
            f"a station does not run by the account {account}, which may do anything; name one with --account that may "
            "write in its folder, and nothing else"
        )
    return (
        _task(folder, called, command, account) if kind == "windows" else _unit(folder, called, command, kind, account)
    )


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", portable(name).lower()).strip("-") or "station"


def _demand_writable(words: Sequence[str]) -> None:
    for word in words:
        if not word.isprintable():
            raise UnusableInput(f"{word[:60]!r} holds what no line of a service can; give it another name")


# --- systemd ---------------------------------------------------------------------------------------------------------


def _unit(folder: Path, name: str, command: Sequence[str], kind: Kind, account: str) -> Service:
    user, unit = kind == "user", f"{name}.service"
    lines = (
        f"# {SERVES}{folder}",
        "[Unit]",
        f"Description=tiepoint station {_literal(name)}",
        *(() if user else ("Wants=network-online.target", "After=network-online.target")),
        "# It is begun anew however often it ends: a folder on a network, or a camera, may come late.",
        "StartLimitIntervalSec=0",
        "",
        "[Service]",
        f"ExecStart={' '.join(map(_quoted, command))}",
        f"WorkingDirectory={_literal(str(folder))}",
        *(() if user else (f"User={_literal(account)}",)),
        "Restart=on-failure",
        "RestartSec=10",
        "# The first process is asked to end, and ends the others in good order.",
        "KillMode=mixed",
        f"TimeoutStopSec={ENDING_S}",
        "SuccessExitStatus=143",
        "NoNewPrivileges=true",
        "",
        "[Install]",
        f"WantedBy={'default' if user else 'multi-user'}.target",
        "",
    )
    text = "\n".join(lines)
    control, path = ("systemctl --user", _user_units() / unit) if user else ("sudo systemctl", folder / FOLDER / unit)
    there = f"/etc/systemd/system/{unit}"
    begin = (
        *(() if user else (f"sudo install -m 644 {_in_shell(path)} {there}",)),
        f"{control} daemon-reload",
        f"{control} enable --now {unit}",
        *(("loginctl enable-linger",) if user else ()),
    )
    stop = (f"{control} disable --now {unit}",)
    first = f"{control} stop {unit}" if user else f"sudo rm {there}"
    return Service(kind, unit, path, text, text.encode(), begin, stop, (first, f"{control} daemon-reload"))


def _user_units() -> Path:
    """Return the folder of a user's own units (XDG Base Directory Specification)."""
    stated = os.environ.get("XDG_CONFIG_HOME", "")
    return (Path(stated) if Path(stated).is_absolute() else Path.home() / ".config") / "systemd" / "user"


def _literal(text: str) -> str:
    """Return a text in which systemd looks for no specifiers."""
    return text.replace("%", "%%")


def _quoted(word: str) -> str:
    """Return a word of a command line of systemd, in which nothing is replaced."""
    inner = _literal(word).replace("\\", "\\\\").replace('"', '\\"').replace("$", "$$")
    return f'"{inner}"'


def _in_shell(path: Path) -> str:
    text = str(path)
    return text if re.fullmatch(r"[\w@%+=:,./-]+", text, re.ASCII) else "'" + text.replace("'", "'\"'\"'") + "'"


# --- Windows ---------------------------------------------------------------------------------------------------------


def _task(folder: Path, name: str, command: Sequence[str], account: str) -> Service:
    program, *words = command
    path = folder / FOLDER / f"{name}.xml"
    text = f"""<?xml version="1.0" encoding="UTF-16"?>
<Task version="1.2" xmlns="http://schemas.microsoft.com/windows/2004/02/mit/task">
  <RegistrationInfo>
    <Description>{escape(f"{SERVES}{folder}")}</Description>
  </RegistrationInfo>
  <Triggers>
    <BootTrigger>
      <Enabled>true</Enabled>
    </BootTrigger>
  </Triggers>
  <Principals>
    <Principal id="Author">
      <UserId>{escape(account)}</UserId>
      <LogonType>Password</LogonType>
      <RunLevel>LeastPrivilege</RunLevel>
    </Principal>
  </Principals>
  <Settings>
    <MultipleInstancesPolicy>IgnoreNew</MultipleInstancesPolicy>
    <DisallowStartIfOnBatteries>false</DisallowStartIfOnBatteries>
    <StopIfGoingOnBatteries>false</StopIfGoingOnBatteries>
    <ExecutionTimeLimit>PT0S</ExecutionTimeLimit>
    <Priority>4</Priority>
    <RestartOnFailure>
      <Interval>PT1M</Interval>
      <Count>999</Count>
    </RestartOnFailure>
  </Settings>
  <Actions Context="Author">
    <Exec>
      <Command>{escape(program)}</Command>
      <Arguments>{escape(" ".join(map(_windows_word, words)))}</Arguments>
      <WorkingDirectory>{escape(str(folder))}</WorkingDirectory>
    </Exec>
  </Actions>
</Task>
"""
    create = f'schtasks /Create /TN "{name}" /XML "{path}" /RU "{account}" /RP *'
    begin = (create, f'schtasks /Run /TN "{name}"')
    stop = (f'schtasks /End /TN "{name}"', f'schtasks /Delete /TN "{name}" /F')
    return Service("windows", name, path, text, text.encode("utf-16"), begin, stop)


def _windows_word(word: str) -> str:
    """Return a word of a command line as programs take it apart (Microsoft, "Parsing C command-line arguments")."""
    if word and not re.search(r'[\s"]', word):
        return word
    inner = re.sub(r'(\\*)"', r'\1\1\\"', word)
    return '"' + re.sub(r"(\\+)$", r"\1\1", inner) + '"'


# --- writing ---------------------------------------------------------------------------------------------------------


def install(service: Service) -> None:
    """Write a service where it belongs. Raises `UnusableInput` where another station's lies there, or it cannot be."""
    _demand_own(service)
    try:
        service.path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UnusableInput(f"cannot make {service.path.parent}: {reason_of(error)}") from error
    write_atomic(service.path, service.data)


def remove(service: Service) -> None:
    """Take a service away. Raises `UnusableInput` where it is not there, is still enabled, or is another station's."""
    if not service.path.is_file():
        raise UnusableInput(f"there is no {service.path}; nothing was installed for this station by that name")
    _demand_own(service)
    if service.kind == "user":
        enabled = service.path.parent / "default.target.wants" / service.name
        if enabled.is_symlink() or enabled.exists():
            raise UnusableInput(f"{service.name} still begins with the machine; first do {service.before[0]}")
    try:
        service.path.unlink()
    except OSError as error:
        raise UnusableInput(f"cannot remove {service.path}: {reason_of(error)}") from error


def _demand_own(service: Service) -> None:
    if not service.path.exists():
        return
    data = read_bytes(service.path, MOST_BYTES)
    text = data.decode("utf-16" if service.kind == "windows" else "utf-8", "replace")
    own = next(line for line in service.text.splitlines() if SERVES in line)
    if own not in text.splitlines():
        raise UnusableInput(f"{service.path} is of another station or another hand; choose another with --name")
