"""Stopping from outside: by the keyboard (Ctrl-C), by the system (SIGTERM), or by a terminal that closes.

What asks for it is a signal, and what answers is an exception that unwinds the work like any other: files that are not
whole are taken away, a bar of progress gives the cursor back. It waits where it would do harm: while files are moved
into their places, and while code in C waits for an answer that it takes for granted. Some code in C, and every
finalizer, swallows the exception: so it is asked for again until the work is seen to unwind.
"""

import _thread
import signal
import sys
import time
from types import FrameType

from tiepoint.documents import undivided

SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
"""Those of them that the system has: Windows has neither the third nor a sender for the second, others not the last."""

PATIENCE_S = 2.0
"""Who presses twice is not meant to hinder the tidying up; who presses again after this may."""

_AGAIN_S = 0.005
_TAKEN_FOR_GRANTED = ("_find_and_load", "_numba_unpickle")
"""A module that C imports, and the class of a named tuple that Numba returns: without it the process dies."""

_raised_s: list[float] = []


class Stopped(BaseException):
    """Something outside asked the program to end; `code` is the exit code by which shells tell of it."""

    def __init__(self, number: int) -> None:
        """Keep the signal's `number`."""
        super().__init__(number)
        self.number = number

    @property
    def code(self) -> int:
        """The signal's number above 128."""
        return 128 + self.number


def listen() -> None:
    """Turn each signal that ends a program into `Stopped`, where nobody (as `nohup` does) chose otherwise."""
    sys.unraisablehook = _swallowed
    for number in _known():
        if signal.getsignal(number) in (signal.SIG_DFL, signal.default_int_handler):
            signal.signal(number, _hear)


def leave(stopped: bool = False) -> None:
    """Hear nothing more. A program that is `stopped` says so and ends; one that is done ends at once if asked to."""
    for number in _known():
        if signal.getsignal(number) is _hear:
            signal.signal(number, signal.SIG_IGN if stopped else signal.SIG_DFL)


def _known() -> list[signal.Signals]:
    return [getattr(signal, name) for name in SIGNALS if hasattr(signal, name)]


def _hear(number: int, frame: FrameType | None) -> None:
    unwinding = _unwinds(sys.exc_info()[1])
    if unwinding and time.monotonic() - _raised_s[-1] < PATIENCE_S:
        return
    _thread.start_new_thread(_again, (number,))
    if undivided.is_under_way() or _must_return(frame):
        return
    _raised_s.append(time.monotonic())
    raise Stopped(number)


def _unwinds(error: BaseException | None) -> bool:
    """Return whether what is being handled is a stop, or came of one."""
    while error is not None:
        if isinstance(error, Stopped):
            return True
        error = error.__context__
    return False


def _must_return(frame: FrameType | None) -> bool:
    while frame is not None:
        if frame.f_code.co_name in _TAKEN_FOR_GRANTED:
            return True
        frame = frame.f_back
    return False


def _again(number: int) -> None:
    """Ask once more in a moment. Nothing may be imported for it: the main thread may hold the lock of any module."""
    time.sleep(_AGAIN_S)
    _thread.interrupt_main(signal.Signals(number))


def _swallowed(unraisable: "sys.UnraisableHookArgs") -> None:
    """Keep silent about a stop that the interpreter could pass to nobody, as in a finalizer: it is asked for again."""
    if not isinstance(unraisable.exc_value, Stopped):
        sys.__unraisablehook__(unraisable)
