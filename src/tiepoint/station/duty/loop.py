"""The duty loop: what cameras deliver is judged, written into the ledger, told, and kept, in this order.

One thread writes: it alone has the ledger. Each camera has a thread, each process that judges has one, keeping has one;
they meet in `Waiting`. Nothing is told before it is in the ledger, and nothing conforms unless the station is on duty,
the part was judged in time and its record says so.
"""

import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from tiepoint.documents.files import format_of
from tiepoint.documents.software import software
from tiepoint.foundation.errors import TiepointError
from tiepoint.foundation.reasons import Reason
from tiepoint.model.record import Record
from tiepoint.station.accepted import copy_of_recipe, pointers_of
from tiepoint.station.archive import kept_of
from tiepoint.station.archive_found import found_again, not_archived
from tiepoint.station.cameras.delivery import Camera, Delivery, Trigger
from tiepoint.station.cameras.parts import utc_of
from tiepoint.station.composed import Composed
from tiepoint.station.duty.challenge import Shown, challenge_of, in_words
from tiepoint.station.duty.condition import Changed, Condition
from tiepoint.station.duty.judges import Judges
from tiepoint.station.duty.judging import Judge, Task, Warm, said_of
from tiepoint.station.duty.keeping import Keeping, Kept
from tiepoint.station.duty.table import faults_of
from tiepoint.station.duty.waiting import Part, Waiting
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger, utc_now
from tiepoint.station.naming import demand_own
from tiepoint.station.wires.wire import Result, Told, Wire
from tiepoint.studies.labels import read_labels

DUTY = "duty"
TICK_S = 0.2
TAKE_S = 0.25
RETRY_S = 0.5
CHALLENGE_S = 60.0
"""How long a challenge part may take: a challenge asks whether it is judged right, not how fast."""
STOPPING_S = 10.0
LAST_KEPT, MOST_LOOKED_AT = 2000, 20
"""Among so many last entries, and so many kept shots, one is looked for to warm a recipe up with."""

Keep = Callable[[Record, Delivery], Mapping[str, Any] | None]
Inbox = Callable[["Duty"], None]


@dataclass
class _Trial:
    """A challenge that is under way: how many answers it waits for, and those that came."""

    due: int
    parts: list[Shown] = field(default_factory=list)


class Duty:
    """A station in service. `run` is the writer's thread and returns when `stop` was called."""

    def __init__(
        self,
        station: Station,
        cameras: Sequence[Camera],
        wires: Sequence[Wire],
        keep: Keep,
        *,
        inbox: Inbox | None = None,
        every_tick: Callable[["Duty"], None] | None = None,
        seen: Callable[[Record, Delivery], None] | None = None,
        at_end: Callable[["Duty"], None] | None = None,
        judge: Judge | None = None,
    ) -> None:
        """`keep` writes the files of a part; `inbox` hears people's acts; `every_tick` is called some times a second.

        `seen` is handed every record with what the camera delivered, by the thread that keeps. `at_end` is called once,
        while the ledger can still be written. `judge`: what was accepted a moment ago, prepared.
        """
        self._made_before = judge
        self.station, self.table = station, station.table.duty
        self.cameras, self.wires = tuple(cameras), tuple(wires)
        self._inbox, self._every_tick, self._seen, self._at_end = inbox, every_tick, seen, at_end
        self.waiting = Waiting(self.table.waiting)
        self.condition = Condition(self._changed)
        self.counts: Counter[str] = Counter()
        self.since_utc = utc_now()
        self.last: Record | None = None
        self.variant = self.table.variant
        self.tie_checked_utc: str | None = None
        self._keeping = Keeping(4 * self.table.waiting, keep, self._was_kept, self._troubled("archive"))
        self._jobs: deque[Callable[[], None]] = deque()
        self._changes: deque[Changed] = deque()
        self._expected: dict[str, Trigger] = {}
        self._given_up: deque[str] = deque(maxlen=1000)
        self._lock = threading.Lock()
        self._ending = threading.Event()
        self._trial: _Trial | None = None
        self._challenge_due_s: float | None = None
        self._judges: Judges | None = None
        self._told_s = 0.0
        self._release_due = False
        self._threads: list[threading.Thread] = []

    # --- from outside ------------------------------------------------------------------------------------------------

    def stop(self) -> None:
        """End the service in good order; from any thread, and from a signal's handler."""
        self._ending.set()

    def triggered(self, trigger: Trigger) -> bool:
        """Take a trigger that came down a wire; false where the station cannot take a part now."""
        if self.condition.now.state != "on duty" or self.waiting.is_full:
            return False
        with self._lock:
            self._expected[trigger.id] = trigger
        for camera in self.cameras:
            camera.trigger(trigger)
        return True

    def came(self, delivery: Delivery, checked: Callable[[Record], None] | None = None) -> None:
        """Take what a camera delivered; with `checked` a part that is only judged to see whether it would be."""
        allowed_s = self.table.deadline_ms / 1e3 if checked is None else CHALLENGE_S
        answer: Reason | None = None
        if checked is None:
            if self._is_given_up(delivery):
                if not delivery.frames:
                    return  # the camera gives up what was given up here before
                delivery = replace(delivery, status="late", why="its trigger was given up before it came")
            answer = self.condition.forbids
        now = time.monotonic()
        # A clock of the camera's own may run ahead; no part gets more time than is allowed.
        deadline = min(delivery.taken_mono_ns / 1e9, now) + allowed_s
        part = Part(Task(delivery, self.variant), deadline, answer, checked)
        if not self.waiting.came(part) and checked is not None:
            checked(self._judge.unread(part.task, Reason("shot_too_many", {"waiting": len(self.waiting)})))

    def later(self, job: Callable[[], None]) -> None:
        """Have a job done by the writer's thread, which alone has the ledger."""
        self._jobs.append(job)
        self.waiting.stir()

    @property
    def told(self) -> Told:
        """The station's state, as wires are told it."""
        now = self.condition.now
        links = {camera.name: camera.link[0] for camera in self.cameras}
        links |= {wire.name: wire.link[0] for wire in self.wires}
        return Told(
            now.state, self.since_utc, now.fault, now.says, self.tie_overdue(), self._head, dict(self.counts), links
        )

    # --- the writer's thread -----------------------------------------------------------------------------------------

    def run(self) -> None:
        """Serve until stopped. Raises a `TiepointError` where it cannot even begin."""
        with Ledger(self.station.ledger_place) as self.ledger, self.ledger.folding_back():
            demand_own(self.station, self.ledger)
            self._head = self.ledger.head.sha
            try:
                self._begin()
                while not self._ending.is_set():
                    self._turned()
            finally:
                self._end()

    def _begin(self) -> None:
        self.write_event("begins", software=software())
        # First of all, as it takes longest: what the processes that judge load is loaded here meanwhile.
        self._prepare()
        before, self._made_before = self._made_before, None
        is_still = before is not None and before.pointers == pointers_of(self.station)
        self._judge = before if before is not None and is_still else Judge(self.station)
        self._look_at_set_up()
        # No more were on their way to the archive than wait to be kept, each with an entry or two of its own.
        lost = not_archived(self.ledger, last=1000 + 12 * self.table.waiting)
        for body in found_again(self.station, self.ledger, lost):
            self._head = self.ledger.append("archived", body).sha
        for wire in self.wires:
            wire.start(self.triggered)
        self._tell_state()
        self._threads = [
            threading.Thread(target=self._look, args=(camera,), name=f"camera-{camera.name}", daemon=True)
            for camera in self.cameras
        ]
        for camera in self.cameras:
            camera.start()
        for thread in self._threads:
            thread.start()

    def _look_at_set_up(self) -> None:
        """Begin or end the fault that `[duty]` does not fit what is accepted."""
        self.condition.fault("set-up", next(faults_of(self.table, sorted(self._judge.pointers.by_variant)), None))

    def _prepare(self) -> None:
        """Begin the processes that judge; once they are warm, show the challenge. The line is told meanwhile."""
        self.condition.set("warming", "it is warming up")
        old, self._judges = self._judges, None
        warm = Warm(tuple(self._last_kept()))

        def prepared() -> None:
            if old is not None:
                old.join()
            judges = self._begun(warm)
            if judges is not None and self._ending.is_set():
                judges.join()
            elif judges is not None:
                self.later(lambda: self._are_ready(judges))

        threading.Thread(target=prepared, name="prepare", daemon=True).start()

    def _begun(self, warm: Warm) -> Judges | None:
        told = self._troubled("judging")
        while not self._ending.is_set():
            try:
                judges = Judges(
                    self.station.folder, self.table.workers, warm, self.waiting.next_task, self.waiting.done, told
                )
            except (TiepointError, OSError) as error:
                told(str(error))
                self._ending.wait(10 * RETRY_S)
            else:
                told(None)
                return judges
        return None

    def _are_ready(self, judges: Judges) -> None:
        self._judges = judges
        self._release()

    def _last_kept(self) -> list[tuple[str, Path]]:
        """Return a kept shot for each copy that is run, or a challenge part, to warm up with."""
        due = set(pointers_of(self.station).shas)
        found: dict[str, Path] = {}
        after = max(0, self.ledger.head.seq - LAST_KEPT)
        kept = [kept_of(self.station, entry) for entry in self.ledger.entries("archived", after=after)]
        for one in reversed(kept[-MOST_LOOKED_AT:]):
            if due <= found.keys():
                break
            for entry in self.ledger.numbered([one.record]):
                sha = copy_of_recipe(self.station, entry.body["recipe_sha"])
                if sha is not None and one.folder.is_dir():
                    found.setdefault(sha, one.folder)
        if due - found.keys() and self.table.challenge is not None:
            with suppress(TiepointError):  # what is wrong with it is told when it is shown
                labels = read_labels(self.station.folder / self.table.challenge.labels)
                found |= dict.fromkeys(due - found.keys(), labels[0].shot)
        return list(found.items())

    def _turned(self) -> None:
        """Do a turn. Whatever goes wrong in it that nobody foresaw is a fault by name, and the next turn is tried."""
        try:
            self._turn(TICK_S)
        except Exception as error:
            self.condition.fault("duty", said_of(error))
            self._ending.wait(RETRY_S)
        else:
            self.condition.fault("duty", None)

    def _turn(self, wait_s: float) -> None:
        part = self.waiting.first(wait_s)
        self._in_order(self._jobs, lambda job: job())
        self._in_order(self._changes, self._write_change)
        if part is not None:
            self._write_if_kept(part)
        now = time.monotonic()
        if now - self._told_s >= TICK_S:
            self._told_s = now
            self._tick()

    def _write_if_kept(self, part: Part) -> None:
        """Write a part; nothing conforms whose pictures cannot be kept: it waits, is late then, and not passed."""
        if part.checked is None and part.delivery.frames and self._keeping.is_full:
            self.condition.fault("archive", "more parts come than can be kept")
            self._ending.wait(0.01)
        else:
            self._write(part)

    def _write(self, part: Part) -> None:
        """Write a part's record, and tell it; where it cannot be written, it stays the first one."""
        made = self._made(part)
        if part.checked is not None:
            self.waiting.written(part)
            part.checked(made.record)
            return
        before, part.tried = part.tried, part.tried or made
        try:
            record, sha = self.ledger.commit_composed(made, before=before)
        except TiepointError as error:
            self.condition.fault("ledger", str(error))
            self._ending.wait(RETRY_S)
            return
        self.condition.fault("ledger", None)
        self.waiting.written(part)
        told = self._in_time(part, record)
        self._head, self.last = sha, told
        self.counts[told.verdict] += 1
        delivery = part.delivery
        result = Result(told, delivery.taken_mono_ns, time.monotonic_ns(), sha, delivery.trigger)
        self._to_wires(lambda wire: wire.tell(result))
        if not delivery.frames and self._keeping.is_full:
            self._let_go(delivery)  # nothing of it is to be kept, so it need not wait for those that are
        else:
            self._keeping.add(record, delivery, STOPPING_S)

    def _in_time(self, part: Part, record: Record) -> Record:
        """Return what is told of a record that was written: that it is unread, where that took beyond the deadline."""
        part.late(time.monotonic())
        told = replace(self._made(part).record, seq=record.seq, prev_sha=record.prev_sha, sha=record.sha)
        if told.verdict != record.verdict:
            says = (
                f"record {record.seq} was judged {record.verdict}, and told as {told.verdict}: it was written too late"
            )
            self.later(partial(self.write_event, "late", record=record.seq, told=told.verdict, says=says))
        return told

    def _made(self, part: Part) -> Composed:
        if isinstance(part.answer, Composed):
            return part.answer
        assert part.answer is not None
        if part.made is None:
            # Made once: the ledger knows by it a record whose first attempt a server had, and only its answer was lost.
            part.made = self._judge.composed(self._judge.unread(part.task, part.answer))
        return part.made

    def _in_order(self, waiting: "deque[Any]", do: Callable[[Any], None]) -> None:
        """Do what waits for the ledger, one after another; where that cannot be written, the rest waits on."""
        while waiting:
            try:
                do(waiting[0])
            except TiepointError as error:
                self.condition.fault("ledger", str(error))
                self._ending.wait(RETRY_S)
                return
            waiting.popleft()

    # --- what happens by the way -------------------------------------------------------------------------------------

    def _tick(self) -> None:
        self._miss_pictures()
        if self._release_due:
            self._release()
        for camera in self.cameras:
            link, why = camera.link
            self.condition.fault(f"camera {camera.name}", why if link == "away" else None)
        if not self.condition.has("ledger") and (missed := self.waiting.taken_missed()):
            self.later(lambda: self.write_event("missed", parts=missed))
        if self._challenge_due_s is not None and time.monotonic() > self._challenge_due_s and self._trial is None:
            self._show_challenge()
        for heard in (self._inbox, self._every_tick):
            if heard is not None:
                heard(self)
        self._tell_state()

    def _tell_state(self) -> None:
        told = self.told
        self._to_wires(lambda wire: wire.state(told))

    def _to_wires(self, do: Callable[[Wire], None]) -> None:
        """Tell every wire. No wire raises for its other side; one that does has a fault, and the others are told."""
        for wire in self.wires:
            try:
                do(wire)
            except Exception as error:
                self.condition.fault(f"wire {wire.name}", said_of(error))
            else:
                self.condition.fault(f"wire {wire.name}", None)

    def _changed(self, change: Changed) -> None:
        self._changes.append(change)
        self.waiting.stir()

    def _write_change(self, change: Changed) -> None:
        self.since_utc = utc_now()
        self._tell_state()
        self.write_event("state", state=change.state, fault=change.fault, says=change.says)

    def write_event(self, event: str, **about: Any) -> None:
        """Write into the ledger what happened to the station; on the writer's thread."""
        body = {"format": format_of(DUTY), "station": self.station.name, "event": event, **about}
        self._head = self.ledger.append(DUTY, body).sha

    def _troubled(self, name: str) -> Callable[[str | None], None]:
        return lambda why: self.condition.fault(name, why)

    def _was_kept(self, kept: Kept) -> None:
        if self._seen is not None:
            try:
                self._seen(kept.record, kept.delivery)
            except Exception as error:
                self.later(partial(self.write_event, "watch", says=said_of(error)))
        if self.condition.has("archive"):
            self.condition.fault("archive", None)

        def told() -> None:
            if kept.body is not None:
                self._head = self.ledger.append("archived", kept.body).sha
            self._let_go(kept.delivery)

        self.later(told)

    def _let_go(self, delivery: Delivery) -> None:
        for camera in self.cameras:
            if camera.name == delivery.camera:
                camera.done(delivery)

    # --- cameras -----------------------------------------------------------------------------------------------------

    def _look(self, camera: Camera) -> None:
        while not self._ending.is_set():
            try:
                delivery = camera.take(TAKE_S)
                if delivery is not None:
                    self.came(delivery)
            except Exception as error:
                # Whatever it is: a thread that ended here would leave the station blind, and nobody would know.
                self.condition.fault(f"taking {camera.name}", said_of(error))
                self._ending.wait(RETRY_S)
                continue
            self.condition.fault(f"taking {camera.name}", None)

    def _is_given_up(self, delivery: Delivery) -> bool:
        """Whether a delivery's trigger was given up here before; from now on it waits for nothing more."""
        with self._lock:
            waited = self._expected.pop(delivery.trigger, None) if delivery.trigger else None
            return bool(delivery.trigger) and waited is None and delivery.trigger in self._given_up

    def _miss_pictures(self) -> None:
        """Give up triggers whose picture did not come in time: each is a part, and it was not seen."""
        late = time.monotonic_ns() - self.table.deadline_ms * 1_000_000
        with self._lock:
            given_up = [t for t in self._expected.values() if t.taken_mono_ns < late]
            for trigger in given_up:
                del self._expected[trigger.id]
                self._given_up.append(trigger.id)
        for trigger in given_up:
            named = self.cameras[0].name if self.cameras else ""
            delivery = Delivery(
                f"{named}-{trigger.id}", named, (), utc_of(trigger.taken_mono_ns), trigger.taken_mono_ns, "incomplete",
                "no picture came",
                trigger.part_id, trigger.variant, trigger.encoder_count, trigger.robot_from_flange, trigger=trigger.id,
            )  # fmt: skip
            reason = Reason("shot_not_complete", {"status": "incomplete"})
            self.waiting.came(Part(Task(delivery, self.variant), time.monotonic() + 1.0, reason))

    # --- release -----------------------------------------------------------------------------------------------------

    def _release(self) -> None:
        """Let the station begin, once its cameras are there and its challenge set, if it has one, is judged right."""
        waits = next((c for c in self.cameras if c.link[0] == "waiting"), None)
        if waits is not None:
            self.condition.set("warming", f"the camera {waits.name} is not there yet: {waits.link[1]}")
            self._release_due = True
            return
        self._release_due = False
        if self.table.challenge is None:
            self.condition.set("on duty")
            return
        self.condition.set("not released", "its challenge set was not judged yet")
        self._show_challenge()

    def _show_challenge(self) -> None:
        assert self.table.challenge is not None
        self._challenge_due_s = None
        taken, now = utc_now(), time.monotonic_ns()
        try:
            parts = challenge_of(self.station.folder / self.table.challenge.labels, taken, now)
        except TiepointError as error:
            self._not_released(f"its challenge set cannot be shown: {error}")
            return
        self._trial = trial = _Trial(len(parts))
        for label, delivery in parts:
            self._wait_for_room()

            def checked(record: Record, label: Any = label) -> None:
                trial.parts.append(Shown(label, record.verdict))
                if len(trial.parts) == trial.due:
                    self.later(lambda: self._challenged(trial))

            self.came(delivery, checked)

    def _wait_for_room(self) -> None:
        while self.waiting.is_full and not self._ending.is_set():
            part = self.waiting.first(TICK_S)
            if part is not None:
                self._write_if_kept(part)

    def _challenged(self, trial: _Trial) -> None:
        if trial is not self._trial:
            return  # it was begun anew since, as for another accepted copy; that one tells
        assert self.table.challenge is not None
        good = all(one.is_right for one in trial.parts)
        told = [{"part_id": one.label.part, "label": one.label.truth, "verdict": one.verdict} for one in trial.parts]
        said = in_words(trial.parts)
        self.write_event("challenge", good=good, says=said, parts=told)  # where it cannot be, this is done again
        self._trial = None
        if self.table.challenge.every_h is not None:
            self._challenge_due_s = time.monotonic() + 3600 * self.table.challenge.every_h
        if good:
            self.condition.set("on duty")
        else:
            self._not_released(said[0].lower() + said[1:].rstrip("."))

    def _not_released(self, why: str) -> None:
        self.condition.set("not released", why)

    def bypass(self, who: str) -> None:
        """Release the station though its challenge set was not judged right; whose act it is stands in the ledger."""
        self.condition.set("on duty", f"it was released without its challenge set, by {who}")

    def rest(self, who: str) -> None:
        """Take the station off duty, with all its processes running: no part conforms until it is put on duty again."""
        self.condition.set("off duty", f"it was taken off duty by {who}")

    def resume(self) -> None:
        """Put the station on duty again, by its challenge set where it has one."""
        if self.condition.now.state == "off duty":
            self._release()

    def challenge_again(self) -> None:
        """Show the challenge set once more."""
        if self.table.challenge is not None and self._trial is None:
            self._show_challenge()

    def renew(self) -> None:
        """Run what is accepted now: the processes that judge are begun anew, and the challenge is shown again."""
        try:
            if pointers_of(self.station) == self._judge.pointers:
                return
            self._judge = Judge(self.station)
        except TiepointError as error:
            self.condition.fault("set-up", str(error))
            return
        self._look_at_set_up()
        self._prepare()

    def tie_overdue(self) -> bool:
        """Whether the last good touch test is older than it may be, or there is none."""
        if self.table.tie_check_h is None:
            return False
        if self.tie_checked_utc is None:
            return True
        age = datetime.now(UTC) - datetime.fromisoformat(self.tie_checked_utc)
        return age.total_seconds() > 3600 * self.table.tie_check_h

    # --- the end -----------------------------------------------------------------------------------------------------

    def _end(self) -> None:
        self._ending.set()  # also where it could not begin: nothing else is begun then
        self.condition.set("off duty", "it was stopped")
        for camera in self.cameras:
            camera.stop()
        until = time.monotonic() + STOPPING_S
        while len(self.waiting) and time.monotonic() < until and not self.condition.has("ledger"):
            self._turn(TICK_S)
        self.waiting.close()
        for thread in self._threads:
            thread.join(STOPPING_S)
        self._keeping.end(STOPPING_S)
        if self._at_end is not None:
            self._at_end(self)
        self._in_order(self._jobs, lambda job: job())
        self._in_order(self._changes, self._write_change)
        with suppress(TiepointError):
            self.write_event("ends", counts=dict(self.counts))
        self._tell_state()
        for wire in self.wires:
            wire.stop()
        if self._judges is not None:
            self._judges.join()
