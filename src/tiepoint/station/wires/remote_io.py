"""Coils of a remote I/O station: good, pass and ready, written as a Modbus TCP client, so that no power means reject.

`pass` holds the rejecter back: it is on while the station is on duty, and off for a pulse for each part that does not
conform. So a broken wire, a station without power and a program that has ended reject everything. It comes on only when
the parts have gone by that were on their way while the station was not on duty: nobody has seen them. Set the I/O
station's own watchdog as well: it switches outputs off where nobody writes, and we write at least every half second.
"""

import heapq
import threading
import time
from collections.abc import Callable
from typing import Any

from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ModbusException

from tiepoint.station.cameras.delivery import Link
from tiepoint.station.wires.exchange import SILENT_MS
from tiepoint.station.wires.table import RemoteIoTable
from tiepoint.station.wires.wire import Result, Told, Triggered

REFRESH_NS = 500_000_000
RETRY_S = 0.5
MOST_DUE = 1000


class Outputs:
    """What the coils have to be at a moment: pure, by a clock that is passed in. Not for several threads at once."""

    def __init__(self, table: RemoteIoTable) -> None:
        self.table = table
        self.missed = 0  # good parts, which are rejected
        self.passed = 0  # others, which are past a rejecter that pass holds back
        self._due: list[tuple[int, int, bool]] = []  # (when, count, good)
        self._count = 0
        self._pulse: tuple[bool, int] | None = None  # (good, until)
        self._told: Told | None = None
        self._told_ns = 0
        self._seen_from_ns = 0  # from then on every part that reaches the rejecter was seen on duty

    def state(self, told: Told, now_ns: int) -> None:
        """Take the station's state; off duty nothing that was due is due any more."""
        was_on_duty = self._on_duty(now_ns)
        self._told, self._told_ns = told, now_ns
        if told.state != "on duty":
            self._due.clear()
            self._pulse = None
        elif not was_on_duty:
            self._seen_from_ns = now_ns + self.table.delay_ms * 1_000_000

    def tell(self, result: Result, now_ns: int) -> None:
        """Plan the pulse of a part. A check moves nothing as good."""
        begun = result.taken_mono_ns if self.table.delay_from == "seen" else now_ns
        good = result.record.verdict == "conforms" and not result.is_check
        if len(self._due) >= MOST_DUE:
            self.missed += 1
            return
        self._count += 1
        heapq.heappush(self._due, (begun + self.table.delay_ms * 1_000_000, self._count, good))

    def next_ns(self, now_ns: int) -> int:
        """Return when the coils change next, or are due to be written again."""
        ends = [] if self._pulse is None else [self._pulse[1]]
        starts = [self._due[0][0]] if self._due else []
        held = [self._seen_from_ns] if self._seen_from_ns > now_ns else []
        return min([now_ns + REFRESH_NS, *ends, *starts, *held])

    def at(self, now_ns: int) -> dict[int, bool]:
        """Return what each coil has to be now."""
        while self._due and self._due[0][0] <= now_ns:
            when, _, good = heapq.heappop(self._due)
            if now_ns - when > self.table.late_ms * 1_000_000:
                self.missed += good
                self.passed += not good and self.table.pass_ is not None
                good = False  # by now another part is there: nothing is said to be good
            # The later part is the one that is there: its pulse ends the one before. A part that is not good keeps its.
            held = self._pulse is not None and not self._pulse[0] and self._pulse[1] > now_ns
            self._pulse = (good and not held, max(when, now_ns) + self.table.pulse_ms * 1_000_000)
        if self._pulse is not None and now_ns >= self._pulse[1]:
            self._pulse = None
        on_duty = self._on_duty(now_ns)
        good = on_duty and self._pulse is not None and self._pulse[0]
        passes = on_duty and now_ns >= self._seen_from_ns and (self._pulse is None or self._pulse[0])
        told = ((self.table.good, good), (self.table.pass_, passes), (self.table.ready, on_duty))
        return {coil: value for coil, value in told if coil is not None}

    def _on_duty(self, now_ns: int) -> bool:
        fresh = now_ns - self._told_ns <= SILENT_MS * 1_000_000
        return self._told is not None and fresh and self._told.state == "on duty"


class RemoteIoWire:
    """One `[[wires.remote_io]]`."""

    def __init__(self, table: RemoteIoTable, now_ns: Callable[[], int] = time.monotonic_ns) -> None:
        self.table, self.now_ns = table, now_ns
        self.outputs = Outputs(table)
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._end = False
        self._link: Link = "waiting"
        self._why = "not connected yet"
        self._thread: threading.Thread | None = None

    @property
    def name(self) -> str:
        """By what station.toml calls it."""
        return self.table.name

    @property
    def link(self) -> tuple[Link, str]:
        """Whether the I/O station takes what is written."""
        missed = f"; {self.outputs.missed} good parts were told too late, and rejected" if self.outputs.missed else ""
        passed = f"; {self.outputs.passed} parts that are not good were told too late to be thrown out: look for them"
        told = f"{self._why}{missed}{passed if self.outputs.passed else ''}"
        return self._link, f"{self.table.host} port {self.table.port}: {told}"

    def start(self, triggered: Triggered) -> None:  # noqa: ARG002  # inputs are not read
        """Begin to write; an I/O station that is away is waited for."""
        self._thread = threading.Thread(target=self._run, name=f"wire {self.name}", daemon=True)
        self._thread.start()

    def tell(self, result: Result) -> None:
        """Plan the pulse of a part."""
        with self._lock:
            self.outputs.tell(result, self.now_ns())
        self._wake.set()

    def state(self, told: Told) -> None:
        """Take the station's state."""
        with self._lock:
            self.outputs.state(told, self.now_ns())
        self._wake.set()

    def stop(self) -> None:
        """Switch every coil off, which rejects, as far as the I/O station still listens."""
        self._end = True
        self._wake.set()
        if self._thread is None:
            return
        self._thread.join(3 * self.table.timeout_ms / 1000 + 5)

    def _run(self) -> None:
        client = ModbusTcpClient(self.table.host, port=self.table.port, timeout=self.table.timeout_ms / 1000, retries=0)
        while not self._end:
            with self._lock:
                coils = self.outputs.at(self.now_ns())
            if not self._write(client, coils):
                self._wake.wait(RETRY_S)
                self._wake.clear()
                continue
            with self._lock:
                wait_s = (self.outputs.next_ns(now := self.now_ns()) - now) / 1e9
            if wait_s > 0:
                self._wake.wait(wait_s)
            self._wake.clear()
        self._write(client, dict.fromkeys(self.outputs.at(self.now_ns()), False))
        client.close()  # type: ignore[no-untyped-call]  # pymodbus leaves it so

    def _write(self, client: ModbusTcpClient, coils: dict[int, bool]) -> bool:
        """Write every coil, those that reject first; whatever fails is tried again."""
        try:
            if not client.connected and not client.connect():  # type: ignore[no-untyped-call]  # as above
                return self._away("nobody answers")
            for coil, value in sorted(coils.items(), key=lambda c: c[1]):
                answer: Any = client.write_coil(coil, value, device_id=self.table.unit)
                if answer.isError():
                    return self._away(f"it refuses coil {coil} (exception {answer.exception_code})")
        except (ModbusException, OSError) as error:
            client.close()  # type: ignore[no-untyped-call]  # as above
            return self._away(str(error)[:200])
        self._link, self._why = "joined", "it takes what is written"
        return True

    def _away(self, why: str) -> bool:
        self._link, self._why = ("away" if self._link != "waiting" else "waiting"), why
        return False
