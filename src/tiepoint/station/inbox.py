"""The inbox: people's acts, handed to the one writer while duty runs.

A command writes what it wants in the ledger as a document into `inbox/` of the station's folder and waits for the
answer beside it; the duty process looks there between two parts, adds the entry, and answers with its number and hash,
or with a refusal. A request is renamed when it is taken, or withdrawn, so that it is either, and never both. What was
taken when duty was killed, or could not be written, is looked up in the ledger before it is tried again, and not added
twice. What nobody can be waiting for any more is refused: an act must not take effect days after it was asked for.
"""

import re
import secrets
import time
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tiepoint.documents.files import document_bytes, format_of, read_document, reason_of, write_atomic, write_document
from tiepoint.foundation.errors import TiepointError, UnusableDocument, UnusableInput
from tiepoint.recipe.tables import shown
from tiepoint.station.act_shapes import demand_act
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry, Ledger, utc_now

INBOX = "inbox"
REQUEST, ANSWER = "request", "answer"
WAIT_S = 20.0
MOST_BYTES = 4_000_000
"""Of a request: an act is small; what it is about lies in files."""
MOST_AT_ONCE = 100
_ASKED, _TAKEN, _ANSWERED = ".json", ".taken", ".answer"
_STEM = re.compile(r"[0-9]{8}T[0-9]{9}Z-[0-9a-f]{16}")
_AGAIN_S = 0.05
OLD_S = 300.0
"""After so long nobody waits for a request."""
_KEPT_S = 86_400.0
"""How long an answer lies there that nobody fetched."""


# --- who asks --------------------------------------------------------------------------------------------------------


def ask(station: Station, body: Mapping[str, Any], *, wait_s: float = WAIT_S) -> Entry:
    """Have the duty process add an act, and return its entry.

    Raises `UnusableInput` where it refuses, or does not answer in time; the request is then withdrawn.
    """
    folder = station.folder / INBOX
    stem = f"{re.sub(r'[-:.]', '', utc_now())}-{secrets.token_hex(8)}"
    asked, answered = folder / f"{stem}{_ASKED}", folder / f"{stem}{_ANSWERED}"
    data = document_bytes(REQUEST, {"body": dict(body)})
    if len(data) > MOST_BYTES:
        raise UnusableInput(f"an act has at most {MOST_BYTES / 1e6:.0f} MB, and this one {len(data) / 1e6:.0f} MB")
    write_atomic(asked, data)
    until, given_up = time.monotonic() + wait_s, False
    while not answered.exists():
        if time.monotonic() >= until:
            if _withdrawn(asked):
                raise UnusableInput(
                    f"the duty process of {station.folder} did not answer within {wait_s:g} s, and nothing was added; "
                    "look whether it still works, and do it again"
                )
            if given_up:
                raise UnusableInput(
                    f"the duty process of {station.folder} took the act {stem} and did not say what became of it; "
                    "look for it in the ledger before you do it again"
                )
            until, given_up = until + wait_s, True
        time.sleep(_AGAIN_S)
    told = read_document(answered, ANSWER)
    with suppress(OSError):
        answered.unlink()
    if told.get("refused") is not None:
        raise UnusableInput(str(told["refused"]))
    return Entry(told["seq"], "act", told["written_utc"], told["body"], told["prev_sha"], told["sha"])


def _age_s(stem: str) -> float:
    """Return how long ago a request was asked for, by its name."""
    asked = datetime.strptime(f"{stem.partition('Z')[0]}000", "%Y%m%dT%H%M%S%f").replace(tzinfo=UTC)
    return (datetime.now(UTC) - asked).total_seconds()


def _withdrawn(asked: Path) -> bool:
    with suppress(OSError):
        asked.rename(asked.with_suffix(".withdrawn")).unlink()
        return True
    return False


# --- who answers -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Request:
    """An act that somebody asks for: its own number `id`, its `body`, or why it cannot be one (`fault`)."""

    id: str
    body: Mapping[str, Any]
    fault: str | None = None


class Inbox:
    """The inbox as the duty process sees it; by one thread.

    for request in inbox.pending():
        entry = inbox.answer(ledger, request)
    """

    def __init__(self, station: Station) -> None:
        """Make the folder where there is none; what was taken and not answered before is pending first."""
        self._station, self._folder = station, station.folder / INBOX
        try:
            self._folder.mkdir(exist_ok=True)
        except OSError as error:
            raise UnusableInput(f"cannot make {self._folder}: {reason_of(error)}; see to that") from error
        self._left = sorted(self._names(_TAKEN))
        self._before = frozenset(self._left)
        self._tidied = float("-inf")

    def pending(self) -> Iterator[Request]:
        """Yield what is asked for, oldest first, at most a hundred at once; never raises."""
        self._tidy()
        for stem in list(self._left):
            self._left.remove(stem)
            yield self._request(stem)
        for stem in sorted(self._names(_ASKED))[:MOST_AT_ONCE]:
            with suppress(OSError):  # it was withdrawn meanwhile
                (self._folder / f"{stem}{_ASKED}").rename(self._folder / f"{stem}{_TAKEN}")
                yield self._request(stem)

    def answer(self, ledger: Ledger, request: Request) -> Entry | None:
        """Add what a request asks for, and answer it; None where it is refused.

        Raises `UnusableInput` where the ledger cannot be written: the request is then pending again.
        """
        if request.fault is not None:
            self.refuse(request, request.fault)
            return None
        try:
            entry = self._added_before(ledger, request)
            if entry is None and (old_s := _age_s(request.id)) > OLD_S:
                self.refuse(request, f"it was asked for {old_s / 60:.0f} min ago, and nobody waits for it; ask again")
                return None
            if entry is None:
                entry = ledger.append("act", {**request.body, "request": request.id})
        except TiepointError:
            self._left.append(request.id)
            self._before |= {request.id}
            raise
        self._say(request, {k: getattr(entry, k) for k in ("seq", "sha", "prev_sha", "written_utc", "body")})
        return entry

    def refuse(self, request: Request, why: str) -> None:
        """Answer a request with a refusal, in a sentence."""
        self._say(request, {"refused": why})

    def _request(self, stem: str) -> Request:
        try:
            path = self._folder / f"{stem}{_TAKEN}"
            if path.is_symlink():
                raise UnusableDocument(f"{path.name} is a link; a request is a file")
            if path.stat().st_size > MOST_BYTES:
                raise UnusableDocument(f"{path.name} has {path.stat().st_size / 1e6:.0f} MB; an act is small")
            body = read_document(path, REQUEST).get("body")
            if not isinstance(body, dict):
                raise UnusableDocument(f"{path.name} asks for no act")
            self._demand_act(body)
            return Request(stem, body)
        except (TiepointError, OSError) as error:
            return Request(stem, {}, str(error))

    def _demand_act(self, body: Mapping[str, Any]) -> None:
        texts = {key: body.get(key) for key in ("act", "station", "who", "why")}
        if body.get("format") != format_of("act") or not all(isinstance(t, str) and t for t in texts.values()):
            raise UnusableDocument("what is asked for is no act: it needs format, act, station, who and why")
        if body["station"] != self._station.name:
            raise UnusableInput(
                f"the act is of the station {shown(body['station'])}, and {shown(self._station.name)} is on duty; stop "
                "duty, and do it again"
            )
        demand_act(body)

    def _added_before(self, ledger: Ledger, request: Request) -> Entry | None:
        """Return the entry of a request that was taken before, where it was added then."""
        if request.id not in self._before:
            return None
        return next((e for e in ledger.entries("act") if e.body.get("request") == request.id), None)

    def _say(self, request: Request, told: Mapping[str, Any]) -> None:
        # Where the answer cannot be written, the request stays taken: the next start finds it in the ledger.
        with suppress(UnusableInput, OSError):
            write_document(self._folder / f"{request.id}{_ANSWERED}", ANSWER, dict(told))
            (self._folder / f"{request.id}{_TAKEN}").unlink()

    def _names(self, ending: str) -> Iterator[str]:
        with suppress(OSError):
            for path in self._folder.iterdir():
                if path.suffix == ending and _STEM.fullmatch(path.stem):
                    yield path.stem

    def _tidy(self) -> None:
        """Take away, once an hour, answers that nobody fetched."""
        if time.monotonic() - self._tidied < 3600:
            return
        self._tidied = time.monotonic()
        for stem in list(self._names(_ANSWERED)):
            with suppress(OSError):
                path = self._folder / f"{stem}{_ANSWERED}"
                if time.time() - path.stat().st_mtime > _KEPT_S:
                    path.unlink()
