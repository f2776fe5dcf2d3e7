"""Who asks: a session in a cookie, a machine's token, or, from this machine, anybody who only looks.

A page's session is a cookie that no script reads and no other site sends, and a second secret that every write must
carry in a header: neither a form nor a script of another site knows it.
"""

import asyncio
import hmac
import secrets
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from fastapi import Request
from starlette.types import Scope

from tiepoint.web.refused import Refused
from tiepoint.web.settings import Settings, is_loopback
from tiepoint.web.users import LONGEST, Role, User, Users, is_right, token_sha

LASTS_S, IDLE_S = 12 * 3600.0, 2 * 3600.0
MOST = 1000
WAITING = 8
"""People who may wait for their password to be looked at: each takes a core for some tenths of a second."""
CSRF = "X-CSRF-Token"
ANYBODY = User("anybody", "look")
"""Who asks from this machine without a name."""

_CHANGES = frozenset({"POST", "PUT", "PATCH", "DELETE"})


@dataclass(slots=True)
class Session:
    """A person who is logged in. `csrf`: what each write must carry; times are those of the monotonic clock.

    `password`: as it is kept: who is taken away, and added again with another, is another.
    """

    user: str
    password: str | None
    csrf: str
    begun_s: float
    used_s: float


@dataclass(slots=True)
class Local:
    """The person at this machine, who is in no file of users, and the key that lets them in once; "" once it has."""

    user: User
    key: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)

    @staticmethod
    def named(name: str) -> "Local":
        """Return the person of a name, who may change the station; no user's name can be the same."""
        kept = "".join(c if c.isascii() and (c.isalnum() or c in "._-") else "_" for c in name)[:40]
        return Local(User(f"{kept or 'somebody'} (here)", "change"))


class Sessions:
    """Who is logged in. Kept in memory: whoever restarts the process logs everybody out."""

    def __init__(self, settings: Settings, local: "Local | None" = None) -> None:
        """`local`: who is let in by a key, once; only where nobody but this machine is listened to."""
        self.users = Users(settings.users)
        # Another for each that is opened: a browser does not tell ports apart, and would forget one for the other.
        own = "" if local is None else f"-{secrets.token_hex(4)}"
        self.cookie = f"{'__Host-tiepoint' if settings.is_secure else 'tiepoint'}{own}"
        self._local = local if settings.is_loopback else None
        self._settings = settings
        self._open: OrderedDict[str, Session] = OrderedDict()
        self._one_at_a_time = asyncio.Semaphore(1)
        self._waiting = 0

    async def begin(self, name: str, password: str) -> tuple[str, Session, User]:
        """Return a new session and the id of it for the cookie; refused where name and password do not belong."""
        if self._waiting >= WAITING:
            raise Refused(429, "too many log in at once", "wait a little", headers={"Retry-After": "5"})
        user = self.users.named(name)
        self._waiting += 1
        try:
            async with self._one_at_a_time:
                good = await asyncio.to_thread(is_right, password[:LONGEST], user.password if user else None)
        finally:
            self._waiting -= 1
        if user is None or not good:
            raise Refused(401, "name and password do not belong together", "look at both", where="password")
        id_, session = self._begun(user)
        return id_, session, user

    def begin_by_key(self, key: str, peer: str) -> tuple[str, Session, User]:
        """Return a new session of the person at this machine, as `begin`; refused for any other key, and the next time.

        `peer`: the address of who asks, which has to be this machine's.
        """
        local = self._local
        # Used up by the one request that has it: a page that is loaded again, or who reads a browser's history, has
        # nothing.
        good = hmac.compare_digest(token_sha(key), token_sha(local.key if local is not None and local.key else ""))
        if local is None or not local.key or not good or not is_loopback(peer):
            raise Refused(
                401, "this key is not known, or was used before", "open the station anew, as it was opened before",
                where="key",
            )  # fmt: skip
        local.key = ""
        id_, session = self._begun(local.user)
        return id_, session, local.user

    def _begun(self, user: User) -> tuple[str, Session]:
        id_, now = secrets.token_urlsafe(32), time.monotonic()
        session = self._open[token_sha(id_)] = Session(user.name, user.password, secrets.token_urlsafe(32), now, now)
        while len(self._open) > MOST:
            self._open.popitem(last=False)
        return id_, session

    def _named(self, name: str) -> User | None:
        """Return a user by name; the person at this machine is in no file, and no file takes their place."""
        return self._local.user if self._local is not None and name == self._local.user.name else self.users.named(name)

    def end(self, request: Request) -> None:
        """Forget the session of a request."""
        self._open.pop(token_sha(request.cookies.get(self.cookie, "")), None)

    def of(self, request: Request) -> Session | None:
        """Return the session of a request; None where it has none that still lasts."""
        key, now = token_sha(request.cookies.get(self.cookie, "")), time.monotonic()
        session = self._open.get(key)
        if session is None:
            return None
        is_local = self._local is not None and session.user == self._local.user.name
        # Who has it open at this machine stays as long as the process: their key was used up.
        if not is_local and (now - session.begun_s > LASTS_S or now - session.used_s > IDLE_S):
            del self._open[key]
            return None
        session.used_s = now
        return session

    def who(self, request: Request) -> User:
        """Return who asks, which the access log then tells; refused where that is not known.

        So is a page's write that lacks its secret.
        """
        user = self._who(request)
        request.state.user = user.name
        return user

    def demand_sender(self, scope: Scope) -> None:
        """Refuse who may not change the station: nobody else sends what is large, before a route asks who it is."""
        user = self._who(Request(scope))
        if not user.may("change"):
            raise not_allowed(user, "to send so much needs the role change")

    def _who(self, request: Request) -> User:
        says = request.headers.get("authorization")
        if says is not None:
            kind, _, token = says.partition(" ")
            user = self.users.by_token(token.strip()) if kind.lower() == "bearer" else None
            if user is None:
                raise _unknown("the token is not known")
            return user
        session = self.of(request)
        user = None if session is None else self._named(session.user)
        if session is not None and user is not None and user.password == session.password:
            given = request.headers.get(CSRF, "").encode("utf-8", "replace")
            if request.method in _CHANGES and not hmac.compare_digest(given, session.csrf.encode()):
                raise Refused(403, f"the header {CSRF} is missing or of another session", "read /api/session for it")
            return user
        if self._settings.is_loopback:
            return ANYBODY
        raise _unknown("who asks is not known")


def needs(role: Role) -> Callable[[Request], Awaitable[User]]:
    """Return what gives a route the user who asks, and refuses those who may not."""

    async def asked(request: Request) -> User:
        user = sessions_of(request).who(request)
        if not user.may(role):
            raise not_allowed(user, f"this needs the role {role}")
        return user

    return asked


def sessions_of(request: Request) -> Sessions:
    """Return the sessions of the application that a request came to."""
    found: Sessions = request.app.state.sessions
    return found


def not_allowed(user: User, why: str) -> Refused:
    """Return the refusal of what a user may not do: somebody without a name may log in."""
    if user is ANYBODY:
        return _unknown(f"{why}, and nobody is logged in")
    return Refused(403, f"{why}, and {user.name} has the role {user.role}", "ask who looks after the users")


def _unknown(why: str) -> Refused:
    return Refused(401, why, "log in, or send the token of a machine", headers={"WWW-Authenticate": "Bearer"})
