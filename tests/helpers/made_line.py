"""A line for the duty loop: a camera and a wire that a test plays by hand."""

import queue
import threading
import time
from pathlib import Path

from tiepoint.model.record import Record
from tiepoint.station.cameras.delivery import Delivery, Frame
from tiepoint.station.duty.loop import Duty
from tiepoint.station.ledger import utc_now


class HandCamera:
    """Delivers what a test shows it."""

    name = "top"

    def __init__(self):
        self.shown, self.let_go, self.triggers = queue.Queue(), [], []
        self.link = ("joined", "")
        self.setting = None

    def show(self, id_, data, **about):
        frame = Frame("picture", f"{id_}.png", data=data)
        about = {"taken_utc": utc_now(), "taken_mono_ns": time.monotonic_ns()} | about
        self.shown.put(Delivery(id_, self.name, (frame,), **about))

    def start(self):
        pass

    def trigger(self, trigger):
        self.triggers.append(trigger)

    def take(self, timeout_s):
        try:
            return self.shown.get(timeout=timeout_s)
        except queue.Empty:
            return None

    def done(self, delivery):
        self.let_go.append(delivery.id)

    def set(self, setting):
        return setting

    def stop(self):
        pass


class HandWire:
    """Keeps what it is told, and lets a test wait for it."""

    name = "line"
    link = ("joined", "")

    def __init__(self):
        self.results, self.states, self.error = [], [], None
        self.triggered = None
        self._changed = threading.Condition()

    def start(self, triggered):
        self.triggered = triggered

    def tell(self, result):
        with self._changed:
            self.results.append(result)
            self._changed.notify_all()

    def state(self, told):
        with self._changed:
            if not self.states or self.states[-1] != told:
                self.states.append(told)
            self._changed.notify_all()

    def stop(self):
        with self._changed:
            self._changed.notify_all()

    def wait(self, what, timeout_s=90.0):
        with self._changed:
            self._changed.wait_for(lambda: self.error or what(self), timeout_s)
            assert what(self), (self.error, self.results, self.states[-3:])

    def of(self, id_) -> Record:
        """Return the record of a shot, once it was told."""
        self.wait(lambda me: any(r.record.shot.id == id_ for r in me.results))
        return next(r.record for r in self.results if r.record.shot.id == id_)

    def until(self, state, **about):
        """Wait until the station is in a state."""
        self.wait(
            lambda me: (
                me.states
                and me.states[-1].state == state
                and all(getattr(me.states[-1], k) == v for k, v in about.items())
            )
        )


class Running:
    """A station on duty in a thread, to be used in a `with`."""

    def __init__(self, station, keep=None, **more):
        self.camera, self.wire = HandCamera(), HandWire()
        self.duty = Duty(station, [self.camera], [self.wire], keep or (lambda record, delivery: None), **more)
        self.error = None
        self._thread = threading.Thread(target=self._run)

    def _run(self):
        try:
            self.duty.run()
        except BaseException as error:
            self.error = self.wire.error = error
            self.wire.stop()

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self.duty.stop()
        self._thread.join(60)
        assert not self._thread.is_alive()


def png(path: Path) -> bytes:
    """Return the bytes of a picture file."""
    return path.read_bytes()
