"""Who asks: a session in a cookie, a machine's token, or, from this machine, anybody who only looks.

A page's session is a cookie that no script reads and no other site sends, and a second secret that every write must
carry in a header: neither a form nor a script of another site knows it.
"""

import asyncio
import hashlib
import hmac
import secrets
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from fastapi import Request

from tiepoint.web.refused import Refused
from tiepoint.web.settings import Settings
from tiepoint.web.users import LONGEST, Role, User, Users, is_right

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


class Sessions:
    """Who is logged in. Kept in memory: whoever restarts the process logs everybody out."""

    def __init__(self, settings: Settings) -> None:
        self.users = Users(settings.users)
        self.cookie = "__Host-tiepoint" if settings.is_secure else "tiepoint"
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
        id_, now = secrets.token_urlsafe(32), time.monotonic()
        session = self._open[_kept(id_)] = Session(user.name, user.password, secrets.token_urlsafe(32), now, now)
        while len(self._open) > MOST:
            self._open.popitem(last=False)
        return id_, session, user

    def end(self, request: Request) -> None:
        """Forget the session of a request."""
        self._open.pop(_kept(request.cookies.get(self.cookie, "")), None)

    def of(self, request: Request) -> Session | None:
        """Return the session of a request; None where it has none that still lasts."""
        key, now = _kept(request.cookies.get(self.cookie, "")), time.monotonic()
        session = self._open.get(key)
        if session is None:
            return None
        if now - session.begun_s > LASTS_S or now - session.used_s > IDLE_S:
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

    def _who(self, request: Request) -> User:
        says = request.headers.get("authorization")
        if says is not None:
            kind, _, token = says.partition(" ")
            user = self.users.by_token(token.strip()) if kind.lower() == "bearer" else None
            if user is None:
                raise _unknown("the token is not known")
            return user
        session = self.of(request)
        user = None if session is None else self.users.named(session.user)
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


def _kept(id_: str) -> str:
    """Return by what a session is looked up: no comparison of secrets tells how far one was guessed."""
    return hashlib.sha256(id_.encode("utf-8", "replace")).hexdigest()
