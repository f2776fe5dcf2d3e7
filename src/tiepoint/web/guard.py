"""What every request passes before anything is done with it: its path, host, origin, rate, size and pace.

Hosts are checked on this machine too: a page on the internet can have its name point at 127.0.0.1 (DNS rebinding), and
a request that a browser sends there says that name. What goes wrong behind the guard is answered in one shape as well,
and where it was is told on this side only.
"""

import asyncio
import logging
import re
import time
from collections.abc import Callable, Mapping, MutableMapping
from dataclasses import dataclass

from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tiepoint.station.ledger import utc_now
from tiepoint.web.access import AccessLog
from tiepoint.web.rates import Rates, peer_of
from tiepoint.web.refused import Refused
from tiepoint.web.settings import Settings

SMALL_BYTES = 65_536
"""Of what is sent but for pictures, and by whom it is not known that they may change the station."""
MEDIUM_BYTES = 4_000_000
"""Of a draft, a mask or a table, from who may change the station."""
SMALL_S, MEDIUM_S, LARGE_S = 10.0, 30.0, 60.0
"""How long a body may take to come."""
SLOWEST = 1e6
"""Bytes a second: a picture of a person who may change the station may come as slowly, as by radio."""
LONGEST_PATH, LONGEST_QUERY = 1000, 4000
LOGINS_PER_S, LOGINS = 1 / 12, 5
PUSHED = re.compile(r"/api/cameras/[^/]+/shots")
TILE = re.compile(r"/api/.+/tiles/\d+/\d+/\d+")
TILES = 4
"""So many times oftener than anything else tiles may be asked for: a picture is made of many small ones."""
LOGINS_AT = ("/api/session", "/api/session/key")
SMALL_AT = (*LOGINS_AT, "/api/acts", "/api/accept")
PICTURES = "/api/pictures"

_HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "font-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
}
_HSTS = {"strict-transport-security": "max-age=31536000"}
_UNFIT = re.compile(r"[\x00-\x1f\x7f\\]|%(?:2f|5c|00)", re.IGNORECASE)
_CHANGES = frozenset({"POST", "PUT", "PATCH", "DELETE"})
_log = logging.getLogger("tiepoint.web")


class Guard:
    """The middleware."""

    def __init__(
        self, app: ASGIApp, settings: Settings, access: AccessLog, demand_sender: Callable[[Scope], None]
    ) -> None:
        """`demand_sender` refuses, by its headers alone, a request of somebody who may not change the station."""
        per_s = settings.table.requests_per_s
        self._app, self._settings, self._access = app, settings, access
        self._rates, self._logins = Rates(per_s, 2 * per_s), Rates(LOGINS_PER_S, LOGINS)
        self._tiles, self._demand_sender = Rates(TILES * per_s, 2 * TILES * per_s), demand_sender
        safety = _HEADERS | (_HSTS if settings.is_secure else {})
        self._headers = [(name.encode(), value.encode()) for name, value in safety.items()]
        self._large = settings.table.largest_mb * 1_000_000

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        path, begun = str(scope["path"]), time.monotonic()
        answer = _Answer(send, path, self._headers)
        try:
            bounds = self._check(scope)
            await self._app(scope, self._body(receive, answer, bounds), answer.send)
        except Refused as refused:
            await answer.refuse(refused)
        except ClientDisconnect:
            pass  # who sent it went away before it was whole: nobody is there to be answered, and nothing was at fault
        except Exception:
            _log.exception("a fault of tiepoint itself, at %s %s", scope["method"], ascii(path))
            await answer.refuse(Refused(500))
        finally:
            user = scope.get("state", {}).get("user")
            self._access.write(
                at_utc=utc_now(), peer=_peer(scope), user=user, method=scope["method"], path=path,
                status=answer.status, bytes=answer.bytes, ms=round(1e3 * (time.monotonic() - begun), 1),
            )  # fmt: skip

    def _check(self, scope: Scope) -> "_Bounds":
        headers = _headers_of(scope)
        self._check_rate(scope)
        self._check_path(scope)
        host = headers.get("host", "")
        if _name_of(host) not in self._settings.hosts:
            raise Refused(421, where="Host")
        self._check_origin(scope, headers, host)
        bounds = self._bounds(scope, headers)
        # Last, so that no page of another site uses up a person's attempts.
        if scope["method"] == "POST" and scope["path"] in LOGINS_AT:
            _demand(self._logins.wait_s(peer_of(_peer(scope))))
        return bounds

    def _check_rate(self, scope: Scope) -> None:
        is_tile = scope["method"] == "GET" and TILE.fullmatch(scope["path"]) is not None
        _demand((self._tiles if is_tile else self._rates).wait_s(peer_of(_peer(scope))))

    def _check_path(self, scope: Scope) -> None:
        raw = bytes(scope.get("raw_path") or b"").decode("latin-1")
        path = str(scope["path"])
        if len(raw) > LONGEST_PATH or len(scope["query_string"]) > LONGEST_QUERY:
            raise Refused(400, "the address is too long", "ask for less at once")
        if _UNFIT.search(raw) or _UNFIT.search(path) or {".", ".."} & set(path.split("/")) or "//" in path:
            raise Refused(400, "the address holds what no address of the station has", "see /api/openapi.json")

    def _check_origin(self, scope: Scope, headers: MutableMapping[str, str], host: str) -> None:
        """Refuse what a page of another site sent, as far as browsers tell."""
        origin = headers.get("origin")
        if origin is not None and origin != f"{scope['scheme']}://{host}":
            raise Refused(403, "a page of another site asks", "open the station's own page", where="Origin")
        site = headers.get("sec-fetch-site", "none")
        looks = scope["method"] == "GET" and not scope["path"].startswith("/api/")
        if site not in ("same-origin", "none") and not looks:
            raise Refused(403, "a page of another site asks", "open the station's own page", where="Sec-Fetch-Site")
        if scope["method"] in _CHANGES and "cookie" in headers and origin is None:
            raise Refused(
                403, "a page's request tells no Origin", "send the token of a machine instead", where="Origin"
            )

    def _bounds(self, scope: Scope, headers: Mapping[str, str]) -> "_Bounds":
        """Return how large a body may be and how long it may take, by who sends it where; refused if it says more."""
        length = headers.get("content-length")
        if length is not None and (not length.isdecimal() or len(length) > 18):
            raise Refused(400, where="Content-Length")
        bounds = self._bounds_of(scope, None if length is None else int(length))
        if scope["method"] in _CHANGES and length is not None and int(length) > bounds.most:
            raise bounds.too_large()
        return bounds

    def _bounds_of(self, scope: Scope, length: int | None) -> "_Bounds":
        path, small = scope["path"], _Bounds(SMALL_BYTES, SMALL_S)
        if PUSHED.fullmatch(path):
            return _Bounds(self._large, LARGE_S)
        known = path.startswith("/api/") and path not in SMALL_AT and scope["method"] in _CHANGES
        if not known or (length is not None and length <= SMALL_BYTES):
            return small
        try:
            self._demand_sender(scope)
        except Refused:
            if length is None:
                return small
            raise
        if path != PICTURES:
            return _Bounds(MEDIUM_BYTES, MEDIUM_S)
        return _Bounds(self._large, max(LARGE_S, (length or 0) / SLOWEST))

    def _body(self, receive: Receive, answer: "_Answer", bounds: "_Bounds") -> Receive:
        """Return how the body is read: no more than is allowed, and no slower."""
        until = time.monotonic() + bounds.seconds
        so_far, is_whole = 0, False

        async def read() -> Message:
            nonlocal so_far, is_whole
            if is_whole:
                return await receive()  # waits for the other side to go away
            try:
                async with asyncio.timeout(max(0.0, until - time.monotonic())):
                    message = await receive()
            except TimeoutError:
                answer.instead = Refused(408)
                raise answer.instead from None
            so_far += len(message.get("body", b""))
            is_whole = not message.get("more_body", False)
            if so_far > bounds.most:
                answer.instead = bounds.too_large()
                raise answer.instead
            return message

        return read


@dataclass(frozen=True, slots=True)
class _Bounds:
    """Of a request's body: how many bytes at most, and in how long."""

    most: int
    seconds: float

    def too_large(self) -> Refused:
        return Refused(413, f"more than {self.most:,} bytes are not taken here".replace(",", " "))


class _Answer:
    """What is sent back: with the headers of safety, and what it came to."""

    def __init__(self, send: Send, path: str, headers: list[tuple[bytes, bytes]]) -> None:
        self._send, self._path, self._headers = send, path, headers
        self.status, self.bytes = 0, 0
        self.instead: Refused | None = None
        self._is_muted = False

    async def send(self, message: Message) -> None:
        """Pass on a part of the answer; where the body was refused, that is answered in place of anything else."""
        if message["type"] == "http.response.start":
            if self.instead is not None and not self.status:
                await self.refuse(self.instead)
            if self.status:
                self._is_muted = True
                return
            self.status = message["status"]
            named = {name.lower() for name, _ in message["headers"]}
            added = [(k, v) for k, v in self._headers if k not in named]
            if b"cache-control" not in named:
                added.append((b"cache-control", b"no-store"))
            message = {**message, "headers": [*message["headers"], *added]}
        elif self._is_muted:
            return
        else:
            self.bytes += len(message.get("body", b""))
        await self._send(message)

    async def refuse(self, refused: Refused) -> None:
        """Send a refusal, if nothing was sent yet; the connection is not used again."""
        if self.status:
            return
        data = refused.data(self._path)
        headers = {**refused.headers, "Content-Type": "application/json", "Content-Length": str(len(data))}
        said = [(k.lower().encode("latin-1"), v.encode("latin-1", "replace")) for k, v in headers.items()]
        self.instead = None
        await self.send({"type": "http.response.start", "status": refused.status, "headers": [*said, _CLOSE]})
        await self.send({"type": "http.response.body", "body": data})


_CLOSE = (b"connection", b"close")


def _demand(wait_s: float) -> None:
    if wait_s > 0.0:
        raise Refused(429, headers={"Retry-After": str(int(wait_s) + 1)})


def _headers_of(scope: Scope) -> dict[str, str]:
    """Return the headers by name; refused where one that decides anything stands twice."""
    told: dict[str, str] = {}
    for name, value in scope["headers"]:
        key = name.decode("latin-1").lower()
        if key in told and key in ("host", "origin", "authorization", "content-length", "content-type"):
            raise Refused(400, f"the header {key} stands twice", "send it once")
        told[key] = value.decode("latin-1")
    return told


def _name_of(host: str) -> str:
    """Return the name in a Host header, without its port."""
    told = re.fullmatch(r"\[([0-9a-fA-F:.]+)\](?::\d{1,5})?|([^\[\]:@/\s]+)(?::\d{1,5})?", host)
    return "" if told is None else (told[1] or told[2]).lower().rstrip(".")


def _peer(scope: Scope) -> str:
    client = scope.get("client")
    return str(client[0]) if client else ""
