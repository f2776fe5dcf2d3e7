"""Webhooks against a real HTTP server: signed, in order, none where it is not allowed."""

import hashlib
import hmac
import json
import ssl
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest
from tests.helpers.broker import certificate
from tests.helpers.wires import Clock, result, until

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.wires.table import WebhookTable
from tiepoint.station.wires.webhook import WebhookWire, signature

CLOCK = Clock()
SECRET = b"0123456789abcdef-a secret"


class Hearer:
    """A server that keeps what it gets, and answers what it is told to: a status, or None to say nothing."""

    def __init__(self, port=0, context=None):
        self.got, self.answers, outer = [], [], self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["Content-Length"]))
                status = outer.answers.pop(0) if outer.answers else 204
                outer.got.append((self.path, dict(self.headers), body, status))
                if status is None:
                    outer.quiet.wait(20)
                    return
                self.send_response(status)
                if 300 <= status < 400:
                    self.send_header("Location", f"http://127.0.0.1:{outer.port}/elsewhere")
                self.end_headers()

            def do_GET(self):
                outer.got.append((self.path, {}, b"", 200))
                self.send_error(405)

            def log_message(self, *_):
                pass

        self.quiet = threading.Event()
        self.server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        if context is not None:
            self.server.socket = context.wrap_socket(self.server.socket, server_side=True)
        self.port = self.server.server_port
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.02,))
        self.thread.start()

    def close(self):
        self.quiet.set()
        self.server.shutdown()
        self.thread.join()
        self.server.server_close()

    @property
    def seqs(self):
        return [json.loads(body)["seq"] for _, _, body, status in self.got if status == 204]


@pytest.fixture
def hearer():
    made = Hearer()
    yield made
    made.close()


def hook(tmp_path, port, path="/vents/results?line=4", allowed=None, scheme="http", **more):
    (tmp_path / "secret").write_bytes(SECRET + b"\n")
    table = {"name": "hook", "url": f"{scheme}://127.0.0.1:{port}{path}", "secret_file": "secret", **more}
    allowed = (f"{scheme}://127.0.0.1:{port}/vents",) if allowed is None else allowed
    wire = WebhookWire(WebhookTable.read(table, ""), tmp_path, allowed, lambda: 1_770_000_000.4, 0.05)
    wire.start(lambda _: True)
    return wire


def test_a_summary_is_posted_and_signed(tmp_path, hearer):
    wire = hook(tmp_path, hearer.port)
    wire.tell(result(CLOCK, 70, value=4.5))
    wire.tell(result(CLOCK, 71, value=4.7))
    until(lambda: len(wire._spool) == 0 and hearer.got)
    ((path, headers, body, _),) = hearer.got  # what conforms is not told unless asked
    assert path == "/vents/results?line=4"
    assert headers["X-Tiepoint-Time"] == "1770000000"
    expected = hmac.new(SECRET, b"1770000000." + body, hashlib.sha256).hexdigest()
    assert headers["X-Tiepoint-Signature"] == f"sha256={expected}"
    told = json.loads(body)
    assert (told["number"], told["seq"], told["verdict"]) == (1, 71, "rejected")
    assert not {"grips", "pictures", "sources", "timings", "shot"} & told.keys()
    assert wire.link == ("joined", "the last message was taken (204)")
    wire.stop()


def test_over_tls_only_a_server_that_is_vouched_for_gets_anything(tmp_path):
    certificate(tmp_path)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(tmp_path / "ca.pem", tmp_path / "key.pem")
    hearer = Hearer(context=context)
    stranger = hook(tmp_path, hearer.port, scheme="https")
    stranger.tell(result(CLOCK, 1, value=4.7))
    until(lambda: stranger.link[0] == "away")
    assert "certificate verify failed" in stranger.link[1]
    stranger.stop()
    assert hearer.got == []
    wire = hook(tmp_path, hearer.port, scheme="https", ca_file="ca.pem")
    until(lambda: hearer.seqs == [1])
    wire.stop()
    hearer.close()


def test_the_signature_is_hmac_sha_256_as_published():
    # RFC 4231, 4.3: HMAC-SHA-256 of "what do ya want for nothing?" under the key "Jefe".
    rfc = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert hmac.new(b"Jefe", b"what do ya want for nothing?", hashlib.sha256).hexdigest() == rfc
    assert signature(b"Jefe", "12", b"{}") == f"sha256={hmac.new(b'Jefe', b'12.{}', hashlib.sha256).hexdigest()}"


@pytest.mark.parametrize("first", [500, 503, 429, 408])
def test_what_may_succeed_later_is_tried_again_in_order(tmp_path, hearer, first):
    hearer.answers = [first, first]
    wire = hook(tmp_path, hearer.port)
    for seq in (1, 2, 3):
        wire.tell(result(CLOCK, seq, value=4.7))
    until(lambda: hearer.seqs == [1, 2, 3])
    assert [json.loads(body)["seq"] for _, _, body, _ in hearer.got] == [1, 1, 1, 2, 3]
    wire.stop()


@pytest.mark.parametrize("first", [301, 302, 307, 400, 403, 404])
def test_redirects_and_refusals_are_not_followed_and_counted(tmp_path, hearer, first):
    hearer.answers = [first]
    wire = hook(tmp_path, hearer.port)
    wire.tell(result(CLOCK, 1, value=4.7))
    until(lambda: wire.refused == 1)
    assert f"it refuses with {first}" in wire.link[1]
    wire.tell(result(CLOCK, 2, value=4.7))
    until(lambda: hearer.seqs == [2])
    assert all(path == "/vents/results?line=4" for path, *_ in hearer.got)
    wire.stop()


def test_what_was_told_while_nobody_answered_is_sent_when_somebody_does(tmp_path):
    first = Hearer()
    first.close()
    wire = hook(tmp_path, first.port)
    for seq in range(1, 21):
        wire.tell(result(CLOCK, seq, value=4.7))
    until(lambda: len(wire._spool) == 20 and wire.link[0] == "away")
    assert "20 messages wait" in wire.link[1]
    wire.stop()
    wire = hook(tmp_path, first.port)
    again = Hearer(first.port)
    until(lambda: again.seqs == list(range(1, 21)), 20)
    wire.stop()
    again.close()


def test_who_takes_and_never_answers_holds_nobody_up(tmp_path, hearer):
    hearer.answers = [None]
    wire = hook(tmp_path, hearer.port, timeout_ms=200)
    for seq in (1, 2):
        wire.tell(result(CLOCK, seq, value=4.7))
    until(lambda: hearer.seqs == [1, 2])
    wire.stop()


def test_what_waits_for_another_address_is_not_sent_to_this_one(tmp_path, hearer):
    old = Hearer()
    old.close()
    wire = hook(tmp_path, old.port)
    wire.tell(result(CLOCK, 1, value=4.7))
    until(lambda: len(wire._spool) == 1)
    wire.stop()
    wire = hook(tmp_path, hearer.port)
    until(lambda: wire.refused == 1)
    assert hearer.got == []
    wire.stop()


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"path": "/other"}, "which wires.allowed does not allow"),
        ({"allowed": ()}, "which wires.allowed does not allow"),
        ({"secret_file": "none"}, "cannot read .*none"),
        ({"secret_file": "short"}, "holds no secret of at least 16 bytes"),
        ({"ca_file": "none.pem"}, "cannot use .*none.pem"),
    ],
)
def test_what_cannot_be_is_a_sentence(tmp_path, more, sentence):
    (tmp_path / "short").write_text("1234")
    with pytest.raises(UnusableInput, match=sentence):
        hook(tmp_path, 9, **more)
