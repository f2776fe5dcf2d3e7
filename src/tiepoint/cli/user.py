"""`tiepoint user`: who may look at a station, act on it, or hand pictures over, beyond its own machine."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tiepoint.cli.answer import Answer, Json, group, present, table
from tiepoint.cli.station import Folder
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.web.users import Role, User

app = group("user")

LONGEST_LINE = 1000

Name = Annotated[str, typer.Argument(metavar="NAME", help="Letters, digits, dots, dashes and underscores.")]
FromStdin = Annotated[
    bool, typer.Option("--password-stdin", help="Take the password from standard input, its first line.")
]
RoleOption = Annotated[str, typer.Option("--role", metavar="look|operate|change", help="What the user may.")]


@app.callback(invoke_without_command=True)
def _root(context: typer.Context) -> None:
    """Say who may look at a station, act on it, change what is accepted, or hand pictures over.

    \b
      tiepoint user add plates m.weiss --role operate
      tiepoint user add plates top-camera --camera top
      tiepoint user list plates
      tiepoint user hash
    """
    from tiepoint.cli.answer import help_alone

    help_alone(context)


@app.command()
def add(
    station: Folder,
    name: Name,
    role: RoleOption = "look",
    machine: Annotated[bool, typer.Option("--token", help="A machine, which gets a token and no password.")] = False,
    camera: Annotated[
        str | None, typer.Option("--camera", metavar="NAME", help="A machine that hands over this camera's pictures.")
    ] = None,
    from_stdin: FromStdin = False,
    as_json: Json = False,
) -> None:
    """Add a person, who is asked for a password, or a machine, which gets a token that is told once.

    look: see all that the station tells. operate: also act on duty (challenge, bypass, variant, rest). change: also
    accept. What is kept is a salted scrypt of the password, or the hash of the token, in the file that [web] users
    names; it belongs in no version control. Who is added is known at once, also to a station that is being served.

    \b
      tiepoint user add plates m.weiss --role operate
      tiepoint user add plates line-board --role look --token
      tiepoint user add plates top-camera --camera top
    """
    from tiepoint.web.users import User, demand_name, demand_password, hashed, new_token, token_sha

    users, write = _users(station)
    demand_name(name)
    if name in users:
        raise UnusableInput(f"there is a user {name} already; change the role, or remove the user first")
    if camera is None and not machine:
        password = demand_password(_password(name, from_stdin))
        users[name] = User(name, _role(role), hashed(password))
        write()
        present(Answer({"name": name, "role": role}, (f"{name} may {role}.",)), as_json)
    if from_stdin:
        raise UnusableInput("a machine has a token and no password; leave out --password-stdin")
    token = new_token()
    users[name] = User(name, _role(role) if camera is None else "camera", None, token_sha(token), camera)
    write()
    may = f"may {role}" if camera is None else f'may hand over pictures of the camera "{camera}"'
    told = {"name": name, "role": users[name].role, "camera": camera, "token": token}
    present(Answer(told, (f"{name} {may}. Its token, told this once:", token)), as_json)


@app.command()
def role(station: Folder, name: Name, role: RoleOption, as_json: Json = False) -> None:
    """Give a user another role, at once.

    \b
      tiepoint user role plates m.weiss --role change
    """
    from dataclasses import replace

    users, write = _users(station)
    user = _known(users, name)
    if user.role == "camera":
        raise UnusableInput(f"{name} hands over pictures, and may nothing else; remove it, and add another")
    users[name] = replace(user, role=_role(role))
    write()
    present(Answer({"name": name, "role": role}, (f"{name} may {role}.",)), as_json)


@app.command()
def remove(station: Folder, name: Name, as_json: Json = False) -> None:
    """Take a user away: password, token and sessions are worth nothing at once.

    \b
      tiepoint user remove plates m.weiss
    """
    users, write = _users(station)
    del users[_known(users, name).name]
    write()
    present(Answer({"name": name, "role": None}, (f"{name} is no user any more.",)), as_json)


@app.command("hash")
def hash_(
    from_stdin: FromStdin = False,
    as_json: Json = False,
) -> None:
    """Print what stands for a password of FTP in station.toml, as password of [camera.receiver].

    It is salted, so another each time. The camera itself is given the password.

    \b
      tiepoint user hash
    """
    from tiepoint.station.cameras.receiver import hash_password

    password = _password("the FTP receiver", from_stdin)
    if not 8 <= len(password) <= 200 or not password.isprintable():
        raise UnusableInput("a password of the FTP receiver has 8 to 200 printable characters; choose another")
    kept = hash_password(password)
    present(Answer({"password": kept}, (f'password = "{kept}"',)), as_json)


@app.command("list")
def list_(station: Folder, as_json: Json = False) -> None:
    """List the users with their roles.

    \b
      tiepoint user list plates
    """
    users, _ = _users(station)
    told = [users[name] for name in sorted(users)]
    rows = [(u.name, u.role, u.camera or "", "password" if u.password else "token") for u in told]
    document = [{"name": u.name, "role": u.role, "camera": u.camera, "is_machine": u.password is None} for u in told]
    present(Answer({"users": document}, tuple(table(rows)) or ("There are no users.",)), as_json)


def _users(station: Path) -> "tuple[dict[str, User], Callable[[], None]]":
    """Return the users by name, and what writes them."""
    from tiepoint.station.folder import open_station
    from tiepoint.web.users import read_users, write_users

    there = open_station(station)
    path = there.folder / there.table.web.users
    users = {user.name: user for user in read_users(path)}
    return users, lambda: write_users(path, users.values())


def _known(users: "dict[str, User]", name: str) -> "User":
    if name not in users:
        there = f"there are {', '.join(sorted(users)[:12])}" if users else "there are none"
        raise UnusableInput(f"there is no user {name[:60]!r}; {there}")
    return users[name]


def _role(role: str) -> "Role":
    from tiepoint.web.users import ROLES

    found = next((known for known in ROLES if known == role and known != "camera"), None)
    if found is None:
        raise UnusableInput(f"--role is {role[:60]!r}; give look, operate or change")
    return found


def _password(name: str, from_stdin: bool) -> str:
    if from_stdin:
        return sys.stdin.readline(LONGEST_LINE).rstrip("\r\n")
    if not sys.stdin.isatty():
        raise UnusableInput("a password is asked for at a terminal; there is none here, so give --password-stdin")
    said: str = typer.prompt(f"Password of {name}", hide_input=True, confirmation_prompt=True, err=True)
    return said
