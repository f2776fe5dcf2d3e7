"""What tests of wires share: records that say what is asked of them, a clock that is set, waiting for others."""

import time

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source, measured
from tiepoint.model.decide import Limits
from tiepoint.model.reading import Reading
from tiepoint.model.record import Grip, Record
from tiepoint.model.shot import Picture, RobotPose, Shot
from tiepoint.recipe.records import sealed
from tiepoint.station.wires.wire import Result, Told

NS = 1_000_000
POSE = RobotPose((412.5, -95.25, 30.0), (1.0, 0.0, 0.0, 0.0))


class Clock:
    """A monotonic clock that a test sets on."""

    def __init__(self) -> None:
        self.ns = 10_000 * NS

    def __call__(self) -> int:
        return self.ns

    def on(self, ms: float) -> None:
        self.ns += round(ms * NS)


def reading(value, quantity="diameter", lower=4.4, upper=4.6):
    told = {
        "id": f"bore A.{quantity}", "name": "bore A", "kind": "circle", "quantity": quantity, "unit": "mm",
        "step": "bore A", "frame": "plane",
    }  # fmt: skip
    limits = None if lower is None else Limits(lower, upper)
    if value is None:
        reason = Reason("few_edges", {"found": 1, "sought": 60, "needed": 9})
        return Reading.without(reason, limits=limits, **told)
    return Reading.of(measured(value, Source(f"noise {quantity}", "noise", "A", 0.002, "shot")), limits=limits, **told)


def grip(pose=POSE, inside=True, reason=None, name="plate", **more):
    return Grip(name, pose, None if pose is None else (0.05, 0.06, 0.1, 0.2), inside, reason, **more)


def result(
    clock, seq=7, value=4.5, part="HV-0007", trigger="", age_ms=40, grips=(), is_check=False, seal=sealed, **shot
):
    """Return what is told of a part: it conforms at 4.5 mm, is rejected at 4.7, undecided at 4.6, unread without."""
    one = reading(value)
    taken = clock() - round(age_ms * NS)
    seen = Shot(f"s{seq}", (Picture("main", "a" * 64, (10, 10), 8, "mono8"),), taken_utc="2026-05-04T06:00:00Z",
                part_id=part, **shot)  # fmt: skip
    record = Record("vents", seq, seen, "0" * 64, ("1" * 64,), "tiepoint 0", (one,), one.verdict, grips=tuple(grips))
    return Result(seal(record), taken, clock(), f"{seq:064x}", trigger, is_check)


def told(state="on duty", **more):
    return Told(state, "2026-05-04T05:00:00Z", **more)


def until(true, s=10.0):
    """Wait for what another thread or process is about to do."""
    end = time.monotonic() + s
    while not true():
        assert time.monotonic() < end, "it did not happen"
        time.sleep(0.01)
