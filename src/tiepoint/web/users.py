"""Who may what: the users' file of a station, beside its documents and outside of version control.

Passwords are kept as scrypt (RFC 7914) with a salt of their own, tokens of machines as SHA-256: a token is 256 random
bits, which nobody tries out.
"""

import base64
import hashlib
import hmac
import secrets
import stat
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from tiepoint.documents.files import read_document, reason_of, write_document
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.station.folder import STATION

Role = Literal["look", "operate", "change", "camera"]
"""What somebody may: look; also act on duty; also change what is accepted. A camera only hands over its pictures."""

ROLES: tuple[Role, ...] = get_args(Role)
SHORTEST, LONGEST = 12, 200
N, R, P = 2**15, 8, 3
"""Cost of scrypt: 32 MB and some tenths of a second."""
_KIND = "users"
_NAME = "a name has 1 to 40 letters, digits, dots, dashes or underscores, and begins with a letter or a digit"


@dataclass(frozen=True, slots=True)
class User:
    """Somebody who is known. `password`: as kept, `token_sha256`: of a machine's token; one of them is there.

    `camera`: whose pictures a token hands over, where the role is that of a camera.
    """

    name: str
    role: Role
    password: str | None = None
    token_sha256: str | None = None
    camera: str | None = None

    def may(self, role: Role) -> bool:
        """Whether this role is at least that one."""
        return self.role != "camera" and ROLES.index(self.role) >= ROLES.index(role)

    def may_push(self, camera: str) -> bool:
        """Whether pictures of a camera may be handed over."""
        return self.camera == camera if self.role == "camera" else self.may("operate")


def hashed(password: str) -> str:
    """Return a password as it is kept: the cost, a salt and the key that scrypt makes of it."""
    salt = secrets.token_bytes(16)
    told = [base64.b64encode(part).decode() for part in (salt, _key(password, salt, N, R, P))]
    return f"scrypt:{N}:{R}:{P}:{':'.join(told)}"


def is_right(password: str, kept: str | None) -> bool:
    """Return whether a password is the one that is kept; takes as long where none is."""
    kind, n, r, p, salt, key = (kept or _NOBODY).split(":")
    made = _key(password, base64.b64decode(salt), int(n), int(r), int(p))
    return hmac.compare_digest(made, base64.b64decode(key)) and kind == "scrypt" and kept is not None


def _key(password: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    data = password.encode("utf-8", "surrogatepass")
    return hashlib.scrypt(data, salt=salt, n=n, r=r, p=p, maxmem=256 * n * r + 2**20, dklen=32)


_NOBODY = f"scrypt:{N}:{R}:{P}:{base64.b64encode(bytes(16)).decode()}:{base64.b64encode(bytes(32)).decode()}"


def token_sha(token: str) -> str:
    """Return a token, or what names a session, as it is kept: no comparison tells how far one was guessed."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def new_token() -> str:
    """Return a token that nobody has."""
    return secrets.token_urlsafe(32)


class Users:
    """The users of a file, read anew as soon as it has changed: who was taken away is unknown at once."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._stamp: tuple[int, int, int] | None = None
        self._by_name: dict[str, User] = {}

    def named(self, name: str) -> User | None:
        """Return a user by name."""
        return self._now().get(name)

    def by_token(self, token: str) -> User | None:
        """Return the machine that has a token."""
        sha = token_sha(token)
        for user in self._now().values():
            if user.token_sha256 is not None and hmac.compare_digest(user.token_sha256, sha):
                return user
        return None

    def _now(self) -> dict[str, User]:
        try:
            told = self._path.stat()
        except OSError:
            self._stamp, self._by_name = None, {}
            return {}
        stamp = told.st_mtime_ns, told.st_size, told.st_ino
        if stamp != self._stamp:
            self._by_name = {user.name: user for user in read_users(self._path)}
            self._stamp = stamp
        return self._by_name


def read_users(path: Path) -> list[User]:
    """Return the users of a file, none where there is no file; `UnusableDocument` where it cannot be read."""
    if not path.exists():
        return []
    said = read_document(path, _KIND).get("users")
    if not isinstance(said, list):
        raise UnusableDocument(f"{path} has no list of users; add them with tiepoint user add")
    return [_user(raw, path) for raw in said]


def _user(raw: Any, path: Path) -> User:
    with suppress(TypeError, ValueError):
        user = User(**raw)
        texts = (user.password, user.token_sha256, user.camera)
        if isinstance(user.name, str) and user.role in ROLES and all(t is None or isinstance(t, str) for t in texts):
            if user.password is not None:
                kind, n, r, p, salt, key = user.password.split(":")
                if kind != "scrypt" or int(n) > 2**20 or int(r) > 32 or int(p) > 16:
                    raise ValueError
                base64.b64decode(salt, validate=True), base64.b64decode(key, validate=True)
            return user
    raise UnusableDocument(f"{path} holds what is no user; take it out, and add the user with tiepoint user add")


def write_users(path: Path, users: Iterable[User]) -> None:
    """Write the file, its owner's alone unless it was given to others; its folder is left out by version control.

    Raises `UnusableInput` where it cannot be written.
    """
    make_private(path.parent)
    mode = stat.S_IMODE(path.stat().st_mode) if path.is_file() else 0o600
    write_document(path, _KIND, {"users": [asdict(user) for user in sorted(users, key=lambda u: u.name)]})
    with suppress(OSError):
        path.chmod(mode)


def make_private(folder: Path) -> None:
    """Make a folder that is its owner's alone; it, or one that is there, is left out by version control.

    The station's own folder is not: its documents belong there.
    """
    ignored = folder / ".gitignore"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not (ignored.exists() or (folder / STATION).exists()):
            ignored.write_text("*\n", encoding="utf-8")
    except OSError as error:
        raise UnusableInput(f"cannot make {folder}: {reason_of(error)}; see to that") from error


def demand_name(name: str) -> str:
    """Return a name that a user may have; `UnusableInput` otherwise."""
    good = 1 <= len(name) <= 40 and name[0].isalnum() and all(c.isalnum() or c in "._-" for c in name)
    if not good or not name.isascii():
        raise UnusableInput(f"{name[:60]!r} is no name of a user: {_NAME}")
    return name


def demand_password(password: str) -> str:
    """Return a password that is long enough; `UnusableInput` otherwise."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise UnusableInput(f"a password has {SHORTEST} to {LONGEST} characters; choose several words")
    return password
