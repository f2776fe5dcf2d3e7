"""Does a hostile request ever write into a station, or read outside of it? `python proofs/web.py [--requests 10000]`

The real server on loopback, over raw sockets: requests made of the tricks that are known (paths, hosts, origins,
tokens, lengths, multipart, JSON), and such with bytes changed, dropped and doubled. Held for each: no answer of 500 or
above, no trace, nothing of a file beside the station; and after every hundred, eight at a time: every file of the
station and the ledger's head are what they were, and it still answers. Routes that write are among those asked, without
a name that may. What is not whole is given up after a tenth of a second, so that a run takes minutes.
"""

import argparse
import hashlib
import logging
import random
import socket
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from common import write_result
from tests.helpers.served import Served, commit, keep_picture, new_station

from tiepoint.station.ledger import Ledger
from tiepoint.studies.rates import rate
from tiepoint.web import guard

SECRET = b"what lies beside the station 7f3a"
EACH = 100
WORDS = [
    "..", "../" * 8, "..%2f", "%2e%2e/", "..%5c", "..%c0%af", "%00", "%0d%0a", "//", "secret.txt", "etc/passwd",
    "private", "users.json", "ledger.sqlite", "picture.png", "%ff", "*", "{}", "${x}", "'--", "<script>", "%252e", "~",
    "\\", ";", "AAAA" * 50, "-1", "0", "1", "99999999999999999999", "1e9", "NaN", "null", "?", "&", "=", "#", "%",
]  # fmt: skip
PLACES = ["/", "/static/", "/api/", "/api/records/", "/api/records/1/files/", "/api/records?part_id=",
          "/api/records?since=",
          "/api/events?after=x", "/api/counts?per=", "/api/session", "/api/acts", "/api/cameras/top/shots"]  # fmt: skip
HEADERS = [
    "Host: evil.example", "Host: 127.0.0.1.evil.example", "Host:", "Origin: null", "Origin: http://evil.example",
    "Cookie: tiepoint=x", "Cookie: tiepoint=" + "a" * 3000, "Authorization: Bearer x", "Authorization: Basic eDp4",
    "Authorization: Bearer \xff", "X-CSRF-Token: x", "Content-Length: -1", "Content-Length: 99999999999",
    "Transfer-Encoding: chunked", "Content-Type: multipart/form-data; boundary=b", "Content-Type: application/json",
    "Last-Event-ID: -1", "If-None-Match: *", "Range: bytes=0-9", "X-Forwarded-For: 127.0.0.1", "Expect: 100-continue",
    "Upgrade: websocket", "X-Original-URL: /private", "Sec-Fetch-Site: cross-site", "Accept-Encoding: " + "gzip," * 300,
]  # fmt: skip
BODIES = [b"", b"{", b"[" * 3000, b'{"act":"bypass","why":"x"}', b'{"name":"a","password":"b"}', b"\x00" * 100,
          b"--b\r\nContent-Disposition: form-data; name=\"picture\"; filename=\"../../x.png\"\r\n\r\n\x89PNG\r\n--b--",
          b"5\r\nhello\r\n0\r\n\r\n", b"zz\r\n", b"--b\r\n" * 200]  # fmt: skip
VERBS = ["GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "get", "X" * 40]


def made(dice: random.Random, host: str) -> bytes:
    """Return one request."""
    target = dice.choice(PLACES) + "".join(dice.choices(WORDS, k=dice.randrange(4)))
    told = [] if dice.random() < 0.1 else [f"Host: {host}"]
    told += [*dice.choices(HEADERS, k=dice.randrange(4)), "Connection: close"]
    method = dice.choice(VERBS) if dice.random() < 0.5 else "GET"
    head = "\r\n".join([f"{method} {target.replace(' ', '%20')} HTTP/1.1", *told]) + "\r\n\r\n"
    data = bytearray(head.encode("latin-1", "replace") + (dice.choice(BODIES) if method != "GET" else b""))
    if dice.random() < 0.3:
        for _ in range(dice.randrange(1, 8)):
            at, what = dice.randrange(len(data)), dice.randrange(3)
            data[at : at + 1] = b"" if what == 0 else bytes([dice.randrange(256)]) * what
    return bytes(data)


def answer_to(port: int, data: bytes) -> bytes:
    """Return what comes back: to the end of the connection, or its first megabyte, or the first event of many."""
    received = b""
    with socket.create_connection(("127.0.0.1", port), timeout=60) as raw:
        try:
            raw.sendall(data)
            while part := raw.recv(65536):
                received += part
                if len(received) > 1_000_000 or b"text/event-stream" in received:
                    break
        except (ConnectionResetError, BrokenPipeError):
            pass
    return received


def files_of(folder: Path) -> dict[str, str]:
    """Return the hash of every file in and beside the station, and the ledger's head.

    Left out are the access log, and what SQLite lays beside a ledger that is read.
    """
    own = (".jsonl", ".sqlite-shm", ".sqlite-wal")
    found = (p for p in folder.rglob("*") if p.is_file() and p.suffix not in own)
    with Ledger(folder / "plates" / "ledger.sqlite") as ledger:
        head = ledger.head.sha
    return {"head": head, **{str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in found}}


def harmful(received: bytes) -> bool:
    """Whether an answer is one that must never be given."""
    return received[9:10] == b"5" or b"Traceback" in received or SECRET in received or b"root:x:" in received


def asked(count: int, seed: int) -> dict[str, Any]:
    """Send so many requests; return how many did no harm, and how many were answered by which class of status."""
    dice, good, answered = random.Random(seed), 0, dict.fromkeys(("2", "3", "4", "none"), 0)
    with tempfile.TemporaryDirectory() as place:
        top = Path(place)
        folder = new_station(top / "plates", '[[camera]]\nname = "top"\nfrom = "push"\n')
        commit(folder, 5)
        keep_picture(folder, 1, (64, 48))
        (top / "secret.txt").write_bytes(SECRET)
        with Served(folder, head_s=0.1, requests_per_s=10_000) as served, ThreadPoolExecutor(8) as eight:
            before = files_of(top)
            for begin in range(0, count, EACH):
                sent = [made(dice, served.host) for _ in range(min(EACH, count - begin))]
                received = list(eight.map(partial(answer_to, served.port), sent))
                for status in (one[9:10].decode("latin-1") for one in received):
                    answered[status if status in answered else "none"] += 1
                if files_of(top) == before and served.get("/api/state")[0] == 200:
                    good += sum(not harmful(one) for one in received)
    return {"good": good, "answered": answered}


def main() -> None:
    """Run it and write the result."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--requests", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    words = parser.parse_args()
    guard.SMALL_S = guard.LARGE_S = 0.1
    logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL)  # as the web process has it
    told = asked(words.requests, words.seed)
    found = rate(told["good"], words.requests)
    line = {
        "what": "hostile requests that did no harm", "n": words.requests, "percent": 100 * (found.value or 0.0),
        "low": 100 * found.low, "high": 100 * found.high,
    }  # fmt: skip
    said = told["answered"]
    result = {
        "claim": "No hostile request writes into a station, reads outside of it, or is answered by a fault.",
        "table": [line],
        "notes": [
            f"Answered: {said['2']} with 2xx, {said['3']} with 3xx, {said['4']} with 4xx; {said['none']} connections "
            "were closed without an answer.",
            f"Every file in and beside the station was compared after each {EACH} requests; a difference counts "
            "for all of them.",
        ],
    }
    print(write_result("web", ("web",), Path(__file__), result))
    print(line, *result["notes"], sep="\n")


if __name__ == "__main__":
    main()
