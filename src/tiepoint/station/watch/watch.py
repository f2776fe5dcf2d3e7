"""The watch of a station on duty: every part that was kept goes by, and every tick; alarms become events and faults.

    watch = Watch(station, kept_reference(station))
    duty = Duty(..., seen=watch.seen, every_tick=watch.every_tick)
    duty.later(lambda: watch.end(duty)); duty.stop()

It looks where pictures are kept, behind the verdict's back, at one shot in `every_s` at most. Whatever goes wrong in
it is an alarm of the kind `watch`, and never the line's trouble.
"""

import shutil
import threading
import time
from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from tiepoint.foundation.errors import UnusablePicture
from tiepoint.model.record import Record
from tiepoint.recipe.tables import shown
from tiepoint.station.cameras.delivery import Delivery
from tiepoint.station.duty.seeing import loaded_of
from tiepoint.station.folder import Station
from tiepoint.station.ledger import utc_now
from tiepoint.station.watch import state, tally
from tiepoint.station.watch.alarms import Alarm, Turn, charts_of, with_next
from tiepoint.station.watch.counts import PLAIN
from tiepoint.station.watch.forecast import clock_jump, disk_forecast
from tiepoint.station.watch.hold import Reference, is_golden
from tiepoint.station.watch.looking import looked_at, motion_numbers, record_numbers
from tiepoint.station.watch.painter import Painter
from tiepoint.station.watch.sights import Sights

if TYPE_CHECKING:
    from tiepoint.station.duty.loop import Duty

ALARM, DETECTION = "alarm", "detection"
SAVE_S = 60.0
HOUR_S = 3600.0
CLOCK_CALM_S = 3600.0
ENOUGH_LOOKS = 20
"""Looks in a row without trouble after which the watch's own alarm ends."""
DISK_SAMPLES = 120
EASIER = 1.5
"""How many times as long as asked a disk must last before its alarm ends."""


@dataclass(frozen=True, slots=True)
class Clocks:
    """Where time and free bytes come from; a test has its own."""

    wall: Callable[[], float] = time.time
    mono: Callable[[], float] = time.monotonic
    free: Callable[[Path], float] = lambda path: float(shutil.disk_usage(path).free)


class Watch:
    """`seen` is called by the thread that keeps, everything else by the writer's."""

    def __init__(
        self,
        station: Station,
        reference: Reference | None,
        *,
        clocks: Clocks = Clocks(),  # it never changes
        seed: int | None = None,
        told: Mapping[str, Alarm | None] = MappingProxyType({}),
    ) -> None:
        """`reference`: the accepted state; without one, only what needs none is watched. What was known is taken up.

        `told`: what the ledger last told of alarms (`on.alarms_told`), which may be newer than what was known.
        """
        self.station, self.reference, self._clocks = station, reference, clocks
        self.table = station.table.watch
        self._lock = threading.RLock()
        self._turns: deque[Turn] = deque()
        known = state.read_state(station, "" if reference is None else reference.sha)
        self.alarms, self.counts, self.tally = known.alarms, known.counts, known.tally
        self._charts = None if reference is None else charts_of(reference, self.table, known.tolerances)
        if self._charts is not None:
            self._charts.courses = {n: c for n, c in known.courses.items() if n in self._charts.rules}
        self._turns += known.over
        told_over = {turn.alarm.name for turn in known.over}
        self._turns += self._not_watched()
        self._tolerances = known.tolerances
        self._sights = Sights(reference, self.table)
        blurs = {} if reference is None else reference.blurs
        self._painter = Painter(station, blurs, self._judged, np.random.default_rng(seed))
        self._looked_s = self._disk_s = -np.inf
        self._disk: deque[tuple[float, float]] = deque(maxlen=DISK_SAMPLES)
        self._per_hour = 0.0
        self._unread: dict[str, str] = {}
        self._days: list[tally.Tally] = []
        self._good_looks = 0
        now = clocks.mono()
        self._saved_s = self._told_s = now
        self._clock = (clocks.wall(), now)
        self._jumped_s = now
        self._turns += self._clock_was(known.wall_s)
        self._turns += self._as_told(told, told_over, known.is_of_another)
        self._is_begun = False

    # --- the thread that keeps ---------------------------------------------------------------------------------------

    def seen(self, record: Record, delivery: Delivery) -> None:
        """Take a part that was judged and kept."""
        with self._told():
            now = self._clocks.mono()
            with self._lock:
                self._painter.arrived(record, min(now, delivery.taken_mono_ns / 1e9))
                self._of_record(record, delivery.taken_utc)
            self._look(record, delivery, now)
            self._sample_disk(now)
            if now - self._saved_s >= SAVE_S:
                self._saved_s = now
                self._save()

    def _of_record(self, record: Record, at_utc: str) -> None:
        golden = is_golden(record, self.table)
        self._turns += self.counts.put(record, at_utc, self.table, self.alarms)
        if golden:
            self._learn_tolerances(record)
        if self._charts is not None:
            numbers = record_numbers(record, is_golden=golden)
            self._turns += self._charts.put(numbers, at_utc, self.alarms)
            if golden:
                self._turns += self._of_golden(str(record.shot.part_id), numbers, at_utc)

    def _of_golden(self, part: str, numbers: Mapping[str, float], at_utc: str) -> Iterator[Turn]:
        """Yield what begins and ends where a golden part has no chart, or its charts get no value."""
        assert self._charts is not None
        held = [name for name in self._charts.rules if name.startswith("golden|") and name.split("|", 2)[2] == part]
        if not held:
            says = f"The golden part {shown(part)} was not held as accepted: whether it measures as it did is open."
            yield from self.alarms.begins(with_next(Alarm("watch", "golden parts", says, at_utc)))
            return
        lacks = [name.split("|")[1] for name in held if name not in numbers]
        about = f"{part}, unread"
        if not lacks:
            self._unread.pop(part, None)
            yield from self.alarms.ends(f"golden {about}", "it is measured again")
        elif (since := self._unread.setdefault(part, at_utc)) != at_utc:
            says = f"The golden part {shown(part)} came twice in a row without a value of {', '.join(lacks[:5])}."
            yield from self.alarms.begins(with_next(Alarm("golden", about, says, since)))

    def _learn_tolerances(self, record: Record) -> None:
        """Take note of the limits of a golden part, which stand in records alone: a change is held against them."""
        found = state.tolerances_of(record)
        if self.reference is not None and not found.items() <= self._tolerances.items():
            self._tolerances |= found
            courses = {} if self._charts is None else self._charts.courses
            self._charts = charts_of(self.reference, self.table, self._tolerances)
            self._charts.courses = courses

    def _look(self, record: Record, delivery: Delivery, now: float) -> None:
        wanted = self._painter.wants(record, delivery, now)
        is_due = now - self._looked_s >= self.table.every_s
        if delivery.status != "complete" or not delivery.frames or not (wanted is not None or is_due):
            return
        try:
            loaded = loaded_of(delivery)
        except UnusablePicture:
            return  # its record says so
        if is_due:
            self._looked_s = now
            look = looked_at(loaded, self.table)
            with self._lock:
                if self._charts is not None and self.reference is not None:
                    numbers = {**look.numbers} | motion_numbers(look.numbers, self.reference.edges, self.table)
                    self._turns += self._charts.put(numbers, delivery.taken_utc, self.alarms)
                self._turns += self._sights.put(look, delivery.taken_utc, self.alarms)
                self._good_looks += self._painter.trouble is None
                if self._good_looks >= ENOUGH_LOOKS:
                    self._turns += self.alarms.ends("watch", "it looks again")
        if wanted is not None:
            self._painter.offer(wanted, record, delivery, loaded)
            if self._painter.trouble is not None:
                self._trouble(self._painter.trouble)

    def _sample_disk(self, now: float) -> None:
        if now - self._disk_s < self.table.disk.every_s:
            return
        self._disk_s = now
        path = self.station.archive_path
        self._disk.append((now, self._clocks.free(path if path.is_dir() else self.station.folder)))
        told, hours = disk_forecast(self._disk), self.table.disk.hours
        if told is None:
            return
        with self._lock:
            # While it is on, by the fastest that was seen: a disk that is full, or a line that stands, uses none up.
            is_on = "disk" in self.alarms.on
            self._per_hour = max(told.per_hour, self._per_hour if is_on else 0.0)
            if told.hours_left < hours:
                says = (
                    f"The archive's disk has {told.free / 1e9:.3g} GB free and loses {told.per_hour / 1e9:.3g} GB an "
                    f"hour: it is full in {told.hours_left:.2g} h, and {hours:g} h were agreed."
                )
                alarm = Alarm("disk", "", says, utc_now(), told.hours_left, "h")
                self._turns += self.alarms.begins(with_next(alarm))
            elif self._per_hour > 0 and told.free > EASIER * hours * self._per_hour:
                lasts = min(told.free / self._per_hour, 9999)
                self._turns += self.alarms.ends(
                    "disk", f"at {self._per_hour / 1e9:.3g} GB an hour it lasts {lasts:.3g} h"
                )

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Whatever goes wrong in here is told as an alarm: an error that is let out would end the line's own thread."""
        try:
            yield
        except Exception as error:
            self._trouble(f"{error}" if str(error) else type(error).__name__)

    def _trouble(self, why: str) -> None:
        with self._lock:
            self._good_looks = 0
            says = f"The watch cannot look: {why.rstrip('.')}."
            self._turns += self.alarms.begins(with_next(Alarm("watch", "", says, utc_now())))

    # --- the writer's thread -----------------------------------------------------------------------------------------

    def every_tick(self, duty: "Duty") -> None:
        """Tell what has begun and ended, look at the clock, and have a copy judged where the line leaves a gap."""
        with self._told_of_duty(duty):
            now = self._clocks.mono()
            if not self._is_begun:
                self._is_begun = True
                for alarm in self.alarms.on.values():
                    self._set_fault(duty, alarm, alarm.says)
            self._look_at_clock(now)
            if self._days or now - self._told_s >= HOUR_S:
                self._told_s = now
                self._tell_tally(duty)
            self._painter.submit(duty, now, duty.table.deadline_ms / 1e3)

    def end(self, duty: "Duty") -> None:
        """Tell what is left to tell, and keep what is known; a job for `duty.later` before `duty.stop`."""
        with self._told_of_duty(duty):
            self._tell_tally(duty)
            self._save()

    def lot_begins(self, name: str | None) -> None:
        """Take parts from now on as of a lot that a person named; None: their ids tell again."""
        with self._lock:
            self.counts.lot = name

    def settled(self, duty: "Duty", name: str, who: str, why: str) -> bool:
        """End an alarm of which a person says that its cause is gone, and begin its chart anew; false where it is off.

        An alarm that puts the station in a fault ends no other way: while there is a fault, nothing is looked at.
        """
        with self._lock:
            alarm = self.alarms.on.get(name)
            if alarm is None:
                return False
            self._turns += self.alarms.ends(name, f"{who}: {why}")
            self._begin_anew(alarm)
        self._tell_turns(duty)
        return True

    @contextmanager
    def _told_of_duty(self, duty: "Duty") -> Iterator[None]:
        with self._told():
            yield
        self._tell_turns(duty)

    def _tell_turns(self, duty: "Duty") -> None:
        while self._turns:
            turn = self._turns.popleft()
            self._set_fault(duty, turn.alarm, turn.alarm.says if turn.is_on else None)
            # By the writer's jobs, which wait while the ledger cannot be written; nothing of ours can end the writer.
            duty.later(_event(duty, turn))

    def _set_fault(self, duty: "Duty", alarm: Alarm, says: str | None) -> None:
        if alarm.kind in self.table.fault:
            duty.condition.fault(f"watch {alarm.name}", says)

    def _look_at_clock(self, now: float) -> None:
        wall = self._clocks.wall()
        jump = clock_jump(self._clock, (wall, now), self.table.clock_s)
        self._clock = (wall, now)
        with self._lock:
            if jump:
                self._jumped_s = now
                self._turns += self._clock_alarm(jump, "")
            elif now - self._jumped_s >= CLOCK_CALM_S:
                self._turns += self.alarms.ends("clock", "it has run evenly for an hour")

    def _as_told(self, told: Mapping[str, Alarm | None], is_over: Collection[str], of_another: bool) -> Iterator[Turn]:
        """Yield the end of what the ledger says is on and nobody here knows of any more: it was told in the last minute
        before the process was ended without a word.

        What puts the station in a fault is on again instead, until a person has seen to it; and what the ledger says
        has ended, is.
        """
        for name, alarm in told.items():
            if alarm is None and name in self.alarms.on:
                self._begin_anew(self.alarms.on.pop(name))
            elif alarm is not None and name not in self.alarms.on and name not in is_over:
                if alarm.kind in self.table.fault and not (of_another and alarm.kind in state.OF_REFERENCE):
                    self.alarms.on[name] = alarm
                else:
                    yield Turn(alarm, False, "the station ended without a word; where it lasts, it begins again")

    def _begin_anew(self, alarm: Alarm) -> None:
        """Begin anew the charts, grounds and counts by which an alarm is raised."""
        if self._charts is not None:
            self._charts.settle(alarm.kind, alarm.about)
        self._sights.settle(alarm)
        self.counts.settle(alarm)

    def _not_watched(self) -> Iterator[Turn]:
        """Yield what stands in [watch] and is not watched; and the end of what does not stand there any more."""
        stated = self.table.patch or self.table.edge or self.table.golden is not None
        if self.reference is None and stated:
            says = "The watch has no accepted state: nothing of light, focus, place, dirt and golden parts is watched."
            yield from self.alarms.begins(with_next(Alarm("watch", "accepted state", says, utc_now())))
        painted = {*(defect.name for defect in self.table.defect), PLAIN} if self.table.defect else set()
        agreed = {verdict for verdict, most in self.table.shares.model_dump().items() if most is not None}
        for alarm in list(self.alarms.on.values()):
            if alarm.kind == "detection" and alarm.about not in painted:
                yield from self.alarms.ends(alarm.name, "it is not painted any more")
            elif alarm.kind == "share" and alarm.about not in agreed:
                yield from self.alarms.ends(alarm.name, "no share of it is agreed any more")

    def _clock_was(self, wall_s: float | None) -> Iterator[Turn]:
        """Yield an alarm where the clock stands before what it showed when the station was last on duty."""
        back = 0.0 if wall_s is None else wall_s - self._clock[0]
        if back >= self.table.clock_s:
            yield from self._clock_alarm(-back, " while the station was off duty")

    def _clock_alarm(self, jump: float, when: str) -> Iterator[Turn]:
        way = "forward" if jump > 0 else "back"
        says = f"The clock was set {way} by {abs(jump):.3g} s{when}."
        yield from self.alarms.begins(with_next(Alarm("clock", "", says, utc_now(), jump, "s")))

    # --- what was painted --------------------------------------------------------------------------------------------

    def _judged(self, name: str, is_found: bool | None) -> None:
        with self._lock:
            if is_found is None:
                self.tally = tally.dropped(self.tally)
            else:
                now = utc_now()
                if self.tally.day not in ("", now[:10]):
                    # What the last hour added to yesterday would be told of today.
                    self._days.append(self.tally)
                    self.tally = tally.hour_over(self.tally)
                self.tally = tally.counted(self.tally, name, is_found, now[:10])
                self._turns += self.counts.put_copy(name, is_found, now, self.table, self.alarms)

    def _tell_tally(self, duty: "Duty") -> None:
        with self._lock:
            due, self.tally = [*self._days, self.tally], tally.hour_over(self.tally)
            self._days.clear()
        for told in due:
            if told.hour or told.dropped:
                duty.later(partial(duty.write_event, DETECTION, **tally.body_of(told)))

    def _save(self) -> None:
        with self._lock:
            courses = {} if self._charts is None else self._charts.courses
            sha = "" if self.reference is None else self.reference.sha
            content = state.content_of(
                sha, courses, self.alarms, self.counts, self.tally, self._tolerances, self._clocks.wall()
            )
        state.write_state(self.station, content)


def _event(duty: "Duty", turn: Turn) -> Callable[[], None]:
    alarm = turn.alarm
    about: Mapping[str, object] = {
        "kind": alarm.kind, "about": alarm.about, "phase": "begins" if turn.is_on else "ends", "says": alarm.says,
        "since_utc": alarm.since_utc, "change": alarm.change, "unit": alarm.unit, "next": alarm.next, "why": turn.why,
    }  # fmt: skip
    return lambda: duty.write_event(ALARM, **about)
