"""`tiepoint service`: have a station begin with the machine."""

import sys
from typing import TYPE_CHECKING, Annotated, cast

import typer

from tiepoint.cli.answer import Answer, Json, group, help_alone, present
from tiepoint.cli.station import Folder
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.station.service import Kind, Service

app = group("service")

As = Annotated[
    str | None,
    typer.Option(
        "--as", metavar="KIND", help="user, system or windows; user or windows by default, as the machine is."
    ),
]
Name = Annotated[str | None, typer.Option("--name", metavar="NAME", help="By which the system calls it.")]
Account = Annotated[
    str | None,
    typer.Option("--account", metavar="NAME", help="By which it runs, of system and windows; yours by default."),
]


@app.callback(invoke_without_command=True)
def _root(context: typer.Context) -> None:
    """Have a station begin with the machine, and end with it in good order.

    A file is written, and you are told what to do with it: tiepoint needs no rights, begins nothing and ends nothing.
    user: a unit of systemd of your own; system: one of the whole machine, which an administrator puts in its place;
    windows: a task of its scheduler. Guards, emergency stops and people's safety never depend on it.
    """
    help_alone(context)


@app.command()
def install(
    station: Folder,
    as_: As = None,
    name: Name = None,
    account: Account = None,
    show: Annotated[bool, typer.Option("--show", help="Only show what would be written, and where.")] = False,
    as_json: Json = False,
) -> None:
    """Write what the system needs to begin a station at each start of the machine, and say what to do next.

    \b
      tiepoint service install plates --show
      tiepoint service install plates
      tiepoint service install plates --as system --account vision
    """
    from tiepoint.station.service import install as installed

    service = _service(station, as_, name, account)
    if not show:
        installed(service)
    said = f"This would be written to {service.path}:" if show else f"Written: {service.path}"
    lines = (
        said,
        *(("", *service.text.splitlines(), "") if show else ()),
        "It begins with the machine once you do this:",
        *(f"  {line}" for line in service.then),
        *_notes(service),
    )
    hints = () if show else _faults(station)
    document = {**_document(service), "text": service.text, "written": not show, "then": list(service.then)}
    present(Answer(document, lines, hints=hints), as_json)


@app.command()
def remove(
    station: Folder,
    as_: As = None,
    name: Name = None,
    show: Annotated[bool, typer.Option("--show", help="Only show what would be removed.")] = False,
    as_json: Json = False,
) -> None:
    """Take away what install wrote. The station's folder, with all that it holds, stays as it is.

    \b
      tiepoint service remove plates
    """
    from tiepoint.station.service import remove as removed

    service = _service(station, as_, name, "nobody")
    if not show:
        removed(service)
    # A user's unit that begins with the machine is not removed: that it does no more was done before.
    due = service.after if service.kind == "user" and not show else (*service.before, *service.after)
    lines = (
        f"This would be removed: {service.path}" if show else f"Removed: {service.path}",
        "It is ended, and begins no more, by this:",
        *(f"  {line}" for line in due),
    )
    present(Answer({**_document(service), "removed": not show, "then": list(due)}, lines), as_json)


def _service(station: "Folder", as_: str | None, name: str | None, account: str | None) -> "Service":
    import getpass

    from tiepoint.station.folder import open_station
    from tiepoint.station.service import service_of

    try:
        who = account or getpass.getuser()
    except (OSError, KeyError, ImportError) as error:  # an account without a name
        raise UnusableInput("the system does not say by which account this runs; name one with --account") from error
    return service_of(open_station(station), _kind(as_), account=who, name=name)


def _kind(asked: str | None) -> "Kind":
    if asked is None and not sys.platform.startswith(("linux", "win")):
        raise UnusableInput(
            f"tiepoint writes services for systemd and for Windows, and this is {sys.platform}; let it begin "
            "tiepoint serve STATION by its own means, or say with --as for which system to write"
        )
    kind = asked or ("windows" if sys.platform == "win32" else "user")
    if kind not in ("user", "system", "windows"):
        raise UnusableInput(f"--as is {kind[:60]!r}; give user, system or windows")
    return cast("Kind", kind)


def _notes(service: "Service") -> tuple[str, ...]:
    if service.kind == "user":
        return (
            "The last line lets it run while you are not logged in. What it says: journalctl --user -u " + service.name,
        )
    if service.kind == "system":
        return (f"What it says: journalctl -u {service.name}",)
    return ("Windows asks for the account's password, which it needs to begin without anybody logged in.",)


def _faults(station: "Folder") -> tuple[str, ...]:
    from tiepoint.station.check import check

    count = len(check(station))
    if not count:
        return ()
    things = "1 thing keeps" if count == 1 else f"{count} things keep"
    return (f"{things} this station from going on duty now; see tiepoint check {station}",)


def _document(service: "Service") -> dict[str, object]:
    return {"kind": service.kind, "name": service.name, "path": str(service.path)}
