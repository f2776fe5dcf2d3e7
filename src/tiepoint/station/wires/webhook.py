"""Webhooks: the record's summary is posted to an address that the station allows, signed, from a spool.

Nothing else leaves: no pictures, no paths, no people. Redirects are not followed. The signature is HMAC-SHA256
(RFC 2104) over the time, a point, and the body; who listens compares it, and refuses what is old or came before.
"""

import hashlib
import hmac
import http.client
import json
import ssl
import threading
import time
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

from tiepoint.documents.files import read_bytes, reason_of
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.cameras.delivery import Link
from tiepoint.station.wires.outbox import Outbox, spool_folder
from tiepoint.station.wires.spool import Message
from tiepoint.station.wires.table import WebhookTable, below
from tiepoint.station.wires.wire import Result, Told, Triggered

FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 60.0
LEAST_SECRET = 16
"""Bytes of a secret: a shorter one can be guessed."""
AGAIN = (408, 425, 429)
"""Answers below 500 after which the same may succeed later (RFC 9110, 8470, 6585); any other refuses for good."""


def signature(secret: bytes, when: str, body: bytes) -> str:
    """Return what `X-Tiepoint-Signature` says."""
    return f"sha256={hmac.new(secret, when.encode() + b'.' + body, hashlib.sha256).hexdigest()}"


class WebhookWire:
    """One `[[wires.webhook]]`. `folder`: of the station; `allowed`: what addresses may begin with."""

    def __init__(
        self,
        table: WebhookTable,
        folder: Path,
        allowed: tuple[str, ...],
        unix_s: Callable[[], float] = time.time,
        first_wait_s: float = FIRST_WAIT_S,
    ) -> None:
        self.table, self.folder, self.allowed, self.unix_s = table, folder, allowed, unix_s
        self.first_wait_s = first_wait_s
        self.outbox = Outbox(table.spool, spool_folder(folder, table.name), table.url)
        self.refused = 0
        self._why = "nothing was sent yet"
        self._link: Link = "waiting"
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def name(self) -> str:
        """By what station.toml calls it."""
        return self.table.name

    @property
    def link(self) -> tuple[Link, str]:
        """Whether the last message was taken, and what waits."""
        refused = f"{self.refused} were refused" if self.refused else ""
        return self._link, "; ".join(filter(None, [self._why, self.outbox.says, refused]))

    def start(self, triggered: Triggered) -> None:  # noqa: ARG002  # nobody triggers by a webhook
        """Begin to send; `UnusableInput` where the address is not allowed or there is no secret."""
        if not any(below(self.table.url, start) for start in self.allowed):
            raise UnusableInput(f"the webhook {self.name} goes to {self.table.url}, which wires.allowed does not allow")
        path = self.folder / self.table.secret_file
        self._secret = read_bytes(path, 10_000).strip()
        if len(self._secret) < LEAST_SECRET:
            raise UnusableInput(f"{path} holds no secret of at least {LEAST_SECRET} bytes; write a longer one")
        self._context = self._trust()
        self._spool = self.outbox.open()
        self._thread = threading.Thread(target=self._run, name=f"wire {self.name}", daemon=True)
        self._thread.start()

    def tell(self, result: Result) -> None:
        """Take a result, where its verdict is one that is told; it is sent when its turn comes."""
        if result.record.verdict in self.table.when:
            self.outbox.put(result)

    def state(self, told: Told) -> None:
        """Nobody is told the state by webhook."""

    def stop(self) -> None:
        """Keep what was not sent, and let go."""
        self._stop.set()
        self.outbox.wake.set()
        if self._thread is None:
            return
        self._thread.join(self.table.timeout_ms / 1000 + 5)
        self.outbox.close()

    def _trust(self) -> ssl.SSLContext:
        ca = None if self.table.ca_file is None else str(self.folder / self.table.ca_file)
        try:
            return ssl.create_default_context(cafile=ca)
        except (OSError, ssl.SSLError) as error:
            raise UnusableInput(f"the webhook {self.name} cannot use {ca}: {reason_of(error)}") from error

    def _run(self) -> None:
        wait_s = 0.0
        while not self._stop.is_set():
            if wait_s:
                self._collect_for(wait_s)
            else:
                self.outbox.wake.wait(0.5)
            self.outbox.wake.clear()
            self.outbox.collect()
            wait_s = self._send_all(wait_s)

    def _collect_for(self, wait_s: float) -> None:
        """Wait, and take to the disk what comes meanwhile."""
        end = time.monotonic() + wait_s
        while (left := end - time.monotonic()) > 0 and not self._stop.is_set():
            self.outbox.wake.wait(left)
            self.outbox.wake.clear()
            self.outbox.collect()

    def _send_all(self, waited_s: float) -> float:
        """Send what waits, oldest first; return how long to wait before the next try, 0 where all went."""
        while not self._stop.is_set() and (waiting := self._spool.first(1)):
            if not self._send(waiting[0]):
                return min(max(self.first_wait_s, 2 * waited_s), LONGEST_WAIT_S)
            waited_s = 0.0
            self._spool.done(waiting[0].number)
            self.outbox.collect()
        return 0.0

    def _send(self, message: Message) -> bool:
        """Return whether a message is done with: taken, or refused for good."""
        if message.topic != self.table.url:
            self.refused += 1  # kept for an address that is not this one any more
            return True
        try:
            status = self._post(message)
        except (OSError, http.client.HTTPException, ValueError) as error:
            return self._away(reason_of(error) or type(error).__name__)
        if 200 <= status < 300:
            self._link, self._why = "joined", f"the last message was taken ({status})"
            return True
        if status >= 500 or status in AGAIN:
            return self._away(f"it answers {status}")
        self.refused += 1
        self._link, self._why = "away", f"it refuses with {status}, and redirects are not followed"
        return True

    def _away(self, why: str) -> bool:
        self._link, self._why = "away", why
        return False

    def _post(self, message: Message) -> int:
        url = urlsplit(self.table.url)
        body = json.dumps({"number": message.number, **json.loads(message.text)}, separators=(",", ":")).encode("ascii")
        when = f"{self.unix_s():.0f}"
        timeout_s = self.table.timeout_ms / 1000
        if url.scheme == "https":
            connection: http.client.HTTPConnection = http.client.HTTPSConnection(
                url.hostname or "", url.port, timeout=timeout_s, context=self._context
            )
        else:
            connection = http.client.HTTPConnection(url.hostname or "", url.port, timeout=timeout_s)
        try:
            connection.request("POST", f"{url.path or '/'}{f'?{url.query}' if url.query else ''}", body, {
                "Content-Type": "application/json",
                "X-Tiepoint-Time": when,
                "X-Tiepoint-Signature": signature(self._secret, when, body),
            })  # fmt: skip
            answer = connection.getresponse()
            answer.read(1000)  # no more than that is of interest, and an endless one ends here
            return answer.status
        finally:
            connection.close()
