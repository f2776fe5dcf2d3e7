"""MQTT: results, state and a will, at least once (QoS 1), from a spool that outlives a broker and this process.

`<topic>/result` gets each record's summary, in order; `<topic>/state` the station's state, retained. Where the station
is lost, the broker itself says so there: that is the will. What was sent and not acknowledged when the connection broke
is sent again, as QoS 1 says; a listener knows it by its `seq`.
"""

import hashlib
import ssl
import threading
import time
from collections import deque
from pathlib import Path
from queue import SimpleQueue
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tiepoint.documents.files import read_text, reason_of
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.cameras.delivery import Link
from tiepoint.station.wires.outbox import Outbox, spool_folder, text_of, told_state
from tiepoint.station.wires.table import MqttTable
from tiepoint.station.wires.wire import Result, Told, Triggered

WINDOW = 20
"""Messages that are on their way at a time."""
AGAIN_S = 60.0
"""The state is told at each change, and at least this often."""
LAST_S = 2.0


class MqttWire:
    """One `[[wires.mqtt]]`. `folder`: of the station."""

    def __init__(self, table: MqttTable, folder: Path, station: str) -> None:
        self.table, self.folder = table, folder
        self.outbox = Outbox(table.spool, spool_folder(folder, table.name), f"{table.topic}/result")
        # One id for one wire: a broker then ends what is left of an earlier connection before it begins a new one,
        # and the old one's will does not come after the new one's state.
        self._id = f"tiepoint-{hashlib.sha256(f'{station}/{table.name}'.encode()).hexdigest()[:13]}"
        self._acked: SimpleQueue[int] = SimpleQueue()
        self._flying: deque[tuple[int, int]] = deque()  # (message id, number in the spool)
        self._landed: set[int] = set()
        self._told: Told | None = None
        self._state_due = False
        self._connected = self._ever = self._stop = False
        self._why = "not connected yet"
        self._thread: threading.Thread | None = None

    @property
    def name(self) -> str:
        """By what station.toml calls it."""
        return self.table.name

    @property
    def link(self) -> tuple[Link, str]:
        """Whether the broker is there, and what waits for it."""
        where = f"{self.table.host} port {self.table.port}"
        said = "; ".join(filter(None, [where if self._connected else f"{where}: {self._why}", self.outbox.says]))
        return ("joined" if self._connected else "away" if self._ever else "waiting"), said

    def start(self, triggered: Triggered) -> None:  # noqa: ARG002  # nobody triggers by MQTT
        """Begin to connect; a broker that is away is waited for."""
        self._client = self._made()
        self._spool = self.outbox.open()
        self._client.connect_async(self.table.host, self.table.port, self.table.keepalive_s)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._run, name=f"wire {self.name}", daemon=True)
        self._thread.start()

    def tell(self, result: Result) -> None:
        """Take a result: it is sent when its turn comes."""
        self.outbox.put(result)

    def state(self, told: Told) -> None:
        """Take the state: it is sent where it is another one."""
        before, self._told = self._told, told
        if before is None or _kept(before) != _kept(told):
            self._state_due = True
            self.outbox.wake.set()

    def stop(self) -> None:
        """Say that the station is off duty, keep what was not sent, and disconnect."""
        self._stop = True
        self.outbox.wake.set()
        if self._thread is None:
            return
        self._thread.join(10)
        if self._connected:
            info = self._client.publish(self._state_topic, self._off("stopped"), 1, retain=True)
            end = time.monotonic() + LAST_S
            while not info.is_published() and self._connected and time.monotonic() < end:
                time.sleep(0.01)
        self._client.disconnect()
        self._client.loop_stop()
        self._take_acknowledged()
        self.outbox.close()

    @property
    def _state_topic(self) -> str:
        return f"{self.table.topic}/state"

    def _off(self, says: str) -> str:
        return text_of({"state": "off duty", "fault": "", "says": says, "tie_overdue": False})

    def _made(self) -> Client:
        client = Client(CallbackAPIVersion.VERSION2, self._id, protocol=MQTTProtocolVersion.MQTTv311)
        client.max_inflight_messages_set(WINDOW)
        client.reconnect_delay_set(1, 10)
        client.will_set(self._state_topic, self._off("the connection to the station was lost"), 1, retain=True)
        client.on_connect, client.on_disconnect, client.on_publish = self._on_connect, self._on_away, self._on_ack
        client.on_connect_fail = self._on_fail
        if self.table.user_file is not None:
            lines = read_text(self.folder / self.table.user_file, 10_000).splitlines()
            if len(lines) < 2:
                raise UnusableInput(f"{self.folder / self.table.user_file} has no user and password, a line each")
            client.username_pw_set(lines[0].strip(), lines[1].strip())
        if self.table.tls:
            self._secure(client)
        return client

    def _secure(self, client: Client) -> None:
        named = (self.table.ca_file, self.table.certificate_file, self.table.key_file)
        ca, certificate, key = (None if name is None else str(self.folder / name) for name in named)
        try:
            context = ssl.create_default_context(cafile=ca)
            if certificate is not None:
                context.load_cert_chain(certificate, key)
        except (OSError, ssl.SSLError) as error:
            raise UnusableInput(
                f"the wire {self.name} cannot use its certificates {', '.join(filter(None, named))}: {reason_of(error)}"
            ) from error
        client.tls_set_context(context)

    # --- called by the client's own thread

    def _on_connect(self, client: Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:  # noqa: ARG002
        if reason.is_failure:
            self._why = f"the broker refuses: {str(reason).lower()}"
            return
        self._connected = self._ever = self._state_due = True
        self.outbox.wake.set()

    def _on_away(self, client: Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:  # noqa: ARG002
        if self._connected:
            self._why = f"lost ({str(reason).lower()})"
        self._connected = False

    def _on_fail(self, client: Client, data: Any) -> None:  # noqa: ARG002
        self._why = "nobody answers there"

    def _on_ack(self, client: Client, data: Any, mid: int, reason: Any, properties: Any) -> None:  # noqa: ARG002
        self._acked.put(mid)
        self.outbox.wake.set()

    # --- the wire's own thread

    def _run(self) -> None:
        told_s = time.monotonic()
        while not self._stop:
            self.outbox.wake.wait(0.5)
            self.outbox.wake.clear()
            self.outbox.collect()
            self._take_acknowledged()
            if not self._connected:
                continue
            if self._state_due or time.monotonic() - told_s > AGAIN_S:
                told_s = time.monotonic()
                self._tell_state()
            self._send()

    def _tell_state(self) -> None:
        self._state_due = False
        if self._told is not None:
            text = text_of(told_state(self._told, self.outbox.dropped))
            self._client.publish(self._state_topic, text, 1, retain=True)

    def _send(self) -> None:
        room = WINDOW - len(self._flying)
        if room <= 0:
            return
        beyond = self._flying[-1][1] if self._flying else 0
        for message in self._spool.first(room, beyond):
            # The client keeps what it was given until it is acknowledged, and sends it again itself.
            text = f'{{"number":{message.number},{message.text[1:]}'
            self._flying.append((self._client.publish(message.topic, text, 1).mid, message.number))

    def _take_acknowledged(self) -> None:
        flying = {mid for mid, _ in self._flying}
        while not self._acked.empty():
            mid = self._acked.get()
            if mid in flying:  # else it was of the state
                self._landed.add(mid)
        number = 0
        while self._flying and self._flying[0][0] in self._landed:
            mid, number = self._flying.popleft()
            self._landed.discard(mid)
        if number:
            self._spool.done(number)


def _kept(told: Told) -> tuple[object, ...]:
    """Return what of a state is news; counts and the head change with each part, and are told with the next news."""
    return (told.state, told.fault, told.says, told.tie_overdue, dict(told.links))
