"""A camera that drops its pictures into a folder, by FTP, SMB or any other way.

All work on the folder is done by one thread of its own, so that a network folder that hangs holds up nobody: `take`,
`trigger` and `done` only pass things to and fro. That thread reads no more than a few shots ahead.
"""

import hashlib
import os
import threading
from collections import deque
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from time import monotonic_ns
from typing import TYPE_CHECKING

from tiepoint.documents.files import read_document, reason_of
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.model.shot import Shot
from tiepoint.recipe.shots import read_shot
from tiepoint.station.cameras.delivery import Delivery, Frame, Link, Setting, Trigger
from tiepoint.station.cameras.inflow import Arrived, Inflow, lacks, said_name
from tiepoint.station.cameras.order import Expected, Judged, Matched, Order
from tiepoint.station.cameras.parts import Parts, said_of, utc_of, worse
from tiepoint.station.cameras.plain_files import read_plain
from tiepoint.station.cameras.table import CameraTable, FolderTable, watched
from tiepoint.station.cameras.waiting import Waiting

if TYPE_CHECKING:
    from tiepoint.station.cameras.receiver import Receiver

READ_AHEAD = 2
_SILENT_NS = 10_000_000_000
_MOST_PICTURES = 64
_MOST_TOLD = 200


class FolderCamera:
    """The camera of `from = "folder"`, and of `push`, whose folder `web` writes into."""

    def __init__(self, table: CameraTable, folder: Path) -> None:
        root = watched(table, folder)
        if root is None:
            raise UnusableInput(f'the camera "{table.name}" watches no folder')
        self._table = table
        self._settings = _settings(table)
        self._root = root
        # Where neither name nor code tells which part it is, a picture that overtakes another would be judged for it.
        in_order = table.named_by in ("trigger", "counter")
        self._inflow = Inflow(self._settings, root, table.pattern, table.lights, in_order=in_order)
        self._parts = Parts(table, folder)
        self._order = Order(63)
        self._expected = Expected(table.trigger.latest_s)
        self._told: deque[Trigger] = deque()
        self._done: deque[Delivery] = deque()
        self._waiting = Waiting(2 * _MOST_TOLD)
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self.receiver = self._receiving(folder)
        self._link: tuple[Link, str] = ("waiting", "it was not started yet")
        self._alive_ns = monotonic_ns()

    @property
    def name(self) -> str:
        """By what station.toml calls it."""
        return self._table.name

    @property
    def link(self) -> tuple[Link, str]:
        """Whether the folder is there, and since when or why not."""
        silent_ns = monotonic_ns() - self._alive_ns
        if self._threads and silent_ns > _SILENT_NS + self._settings.poll_s * 1e9:
            return "away", f"{self._root} has not answered for {silent_ns / 1e9:.0f} s"
        link, says = self._link
        receiving = self.receiver.says if self.receiver else ""
        return link, "; ".join(filter(None, (says, self._inflow.says, receiving)))

    def start(self) -> None:
        """Watch the folder from now on; it need not be there yet.

        What lies there is set aside first, by the camera's own thread: a network folder may hang, and a station begins
        all the same. Until then `link` says that it was not looked into yet.
        """
        if self.receiver is not None:
            self.receiver.start()
        self._stop.clear()
        self._waiting.begin()
        self._link = ("waiting", f"{self._root} was not looked into yet")
        self._alive_ns = monotonic_ns()
        self._threads = [
            threading.Thread(target=run, name=f"{self.name} {run.__name__}", daemon=True)
            for run in (self._work, self._listen)
        ]
        for thread in self._threads:
            thread.start()

    def trigger(self, trigger: Trigger) -> None:
        """Expect the picture of a part; where this camera waits for no triggers, there is no result for it."""
        if len(self._told) + len(self._waiting) >= _MOST_TOLD:
            return  # nobody takes what is made; who triggered gets no result, and rejects
        if not self._table.waits_for_triggers:
            self._waiting.put(
                self._parts.nothing(trigger, 'this camera sends pictures unasked: its part_id is no "trigger"')
            )
            return
        self._told.append(trigger)
        self._wake.set()

    def take(self, timeout_s: float) -> Delivery | None:
        """Return the next shot that is whole, or was given up."""
        delivery = self._waiting.take(timeout_s)
        self._wake.set()
        return delivery

    def done(self, delivery: Delivery) -> None:
        """Delete or move the files of a shot, as station.toml says."""
        self._done.append(delivery)
        self._wake.set()

    def set(self, setting: Setting) -> Setting:
        """Refuse any setting: who drops files into a folder takes none."""
        if setting != Setting():
            raise UnusableInput(f'the camera "{self.name}" sends files, and nothing of it can be set from here')
        return Setting()

    def stop(self) -> None:
        """Stop watching; what was let go of is still taken out of the folder."""
        self._stop.set()
        self._wake.set()
        if self.receiver is not None:
            self.receiver.stop()
        self._waiting.stop()
        for thread in self._threads:
            if thread is not threading.current_thread():
                thread.join(5)

    def _receiving(self, folder: Path) -> "Receiver | None":
        if self._table.receiver is None:
            return None
        from tiepoint.station.cameras.receiver import Receiver

        return Receiver(self._table.receiver, self._settings, self._root, folder, self._wake.set)

    def _begun(self) -> str:
        with suppress(OSError):
            # A place for what is pushed is our own; a folder of others may be on a disk that is not there yet.
            self._root.mkdir(exist_ok=True, parents=self._table.comes_from == "push")
        try:
            count = self._inflow.begin()
        except OSError as error:
            return f"{self._root} is not there: {reason_of(error)}"
        return f"set aside, as they were there before: {count}" if count else "nothing came yet"

    def _work(self) -> None:
        self._link = ("joined", self._begun())
        while not self._stop.is_set():
            self._wake.clear()
            pause_s = 1.0
            try:
                self._let_go()
                self._look()
                pause_s = self._pause_s()
            except Exception as error:
                # Whatever it is: a thread that ended here would look into the folder no more.
                self._link = ("away", f"{self._root}: {said_of(error)}, since {utc_of(monotonic_ns())}")
            self._alive_ns = monotonic_ns()
            self._wake.wait(pause_s)
        self._let_go()

    def _pause_s(self) -> float:
        now = monotonic_ns()
        waits = [self._inflow.wait_ns(now)]
        if self._expected.next_ns is not None:
            waits.append(max(self._expected.next_ns - now, 0) + 1_000_000)
        return min(waits) / 1e9

    def _look(self) -> None:
        """Look through the folder once, and read what can be read ahead."""
        try:
            self._inflow.look(monotonic_ns)
        except OSError as error:
            if self._link[0] != "away":
                self._link = ("away", f"{self._root}: {reason_of(error)}, since {utc_of(monotonic_ns())}")
        else:
            if self._link[0] == "away":
                self._link = ("joined", f"{self._root} is back since {utc_of(monotonic_ns())}")
        self._expect()
        while self._inflow.ready and len(self._waiting) < READ_AHEAD and not self._stop.is_set():
            self._waiting.put(self._delivery(self._inflow.ready.popleft()))
            self._link = ("joined", f"the last picture came at {utc_of(monotonic_ns())}")
        self._give_up(monotonic_ns())

    def _expect(self) -> None:
        """Expect the pictures of all parts that were triggered; after the look, so that none is seen before it is."""
        while self._told:
            trigger = self._told.popleft()
            if not self._expected.add(trigger):
                self._waiting.put(self._parts.nothing(trigger, "too many parts wait for their pictures"))

    def _let_go(self) -> None:
        while self._done:
            token = self._done.popleft().token
            if isinstance(token, Arrived):
                self._inflow.let_go(token)

    def _listen(self) -> None:
        """Wake the other thread when something is written; where nothing tells of that, it looks by itself."""
        from watchfiles import watch

        while not self._stop.is_set():
            try:
                for _ in watch(
                    self._root,
                    watch_filter=None,
                    debounce=20,
                    step=5,
                    stop_event=self._stop,
                    recursive=self._settings.holds == "shots",
                    ignore_permission_denied=True,
                    raise_interrupt=False,
                ):
                    self._wake.set()
            except (OSError, RuntimeError):  # not there, or more folders are watched than the system allows
                self._stop.wait(max(1.0, self._settings.poll_s))

    def _delivery(self, arrived: Arrived) -> Delivery:
        """Return what came of a shot in the folder: read, held against those before, and given to its trigger."""
        frames: list[Frame] = []
        shot: Shot | None = None
        stated = Judged(arrived.status, arrived.why)
        if arrived.status != "incomplete":
            try:
                frames, shot = self._read(arrived)
            except Exception as error:  # whatever it is: the picture was not seen, and its part is told so
                stated = Judged("incomplete", reason_of(error) if isinstance(error, OSError) else said_of(error))
                arrived = replace(arrived, status="incomplete", why=stated.why)
        told = dict(arrived.told)
        if shot is not None:
            told |= {k: v for k, v in (("shot", shot.id), ("part_id", shot.part_id), ("variant", shot.variant)) if v}
            stated = worse(stated, Judged(shot.status, "the camera says so"))
        by_order = self._order.judge(
            [int(told["count"])] if "count" in told else [],
            [hashlib.sha256(frame.data).hexdigest() for frame in frames if frame.data is not None],
            told.get("shot") if frames else None,
        )
        matched = self._matched(arrived, by_order.lost, told.get("part_id"))
        delivery = self._parts.delivery(
            frames,
            arrived.seen_ns,
            worse(stated, Judged(matched.status, matched.why), by_order),
            matched.trigger,
            shot_id=told.get("shot", ""),
            part_id=told.get("part_id"),
            variant=told.get("variant"),
            token=arrived,
        )
        if shot is None:
            return delivery
        return replace(
            delivery,
            encoder_count=shot.encoder_count if delivery.encoder_count is None else delivery.encoder_count,
            robot_from_flange=delivery.robot_from_flange or shot.robot_from_flange,
            temperature_c=shot.temperature_c,
        )

    def _matched(self, arrived: Arrived, lost: int, part_id: str | None) -> Matched:
        """Return the trigger of a shot, after those whose pictures were lost or have not come in time."""
        if not self._table.waits_for_triggers:
            return Matched(None)
        self._give_up(arrived.seen_ns)
        for trigger in self._expected.lost(lost):
            self._waiting.put(self._parts.nothing(trigger, "its picture was lost: a number is missing in the count"))
        matched = self._expected.match(arrived.first[0])
        known = matched.trigger.part_id if matched.trigger else None
        if known and part_id and known != part_id:
            return Matched(matched.trigger, "out_of_order", f"it names the part {part_id}, its trigger {known}")
        return matched

    def _give_up(self, now_ns: int) -> None:
        for trigger in self._expected.missed(now_ns):
            self._waiting.put(
                self._parts.nothing(trigger, f"no picture came within {self._table.trigger.latest_s:g} s")
            )

    def _read(self, arrived: Arrived) -> tuple[list[Frame], Shot | None]:
        """Return the pictures of a shot, in the order of the lamps; raises `OSError` or `UnusableDocument`."""
        most = int(self._settings.largest_mb * 1e6)
        if arrived.shot_folder is not None:
            return self._described(arrived.shot_folder, most)
        frames = []
        for light in self._table.lights if len(self._table.lights) > 1 else ("",):
            lying = arrived.files[light] if light else next(iter(arrived.files.values()))
            data = read_plain(lying.path, most)
            if len(data) != lying.state[0]:
                raise OSError(f"{said_name(lying.path.name)} changed while it was read")
            frames.append(Frame(light or "picture", lying.path.name, data, light=light or None, bits=self._table.bits))
        return frames, None

    def _described(self, folder: Path, most: int) -> tuple[list[Frame], Shot]:
        path = folder / "shot.json"
        if path.is_symlink():
            raise UnusableDocument(f"{said_name(folder.name)}/shot.json is a link, and links are not followed")
        shot = read_shot(read_document(path, "shot"), f"{said_name(folder.name)}/shot.json")
        lights = [picture.light for picture in shot.pictures]
        if self._table.lights and sorted(filter(None, lights)) != sorted(self._table.lights):
            raise UnusableDocument(f"its pictures are of the lamps {lights}, not one of each that station.toml names")
        if len(shot.pictures) > _MOST_PICTURES:
            raise UnusableDocument(f"it has {len(shot.pictures)} pictures; at most {_MOST_PICTURES} are read")
        frames = []
        for picture in shot.pictures:
            name = picture.file or ""
            if not name or name != os.path.basename(name) or "\\" in name or not name.isprintable():  # noqa: PTH119
                raise UnusableDocument(f"the picture {said_name(picture.role)} names no file beside shot.json")
            if missing := lacks(folder / name):
                raise UnusableDocument(f"{said_name(name)}: {missing}")
            data = read_plain(folder / name, most)
            most -= len(data)
            frames.append(
                Frame(
                    picture.role,
                    name,
                    data,
                    light=picture.light,
                    bits=picture.bits,
                    exposure_s=picture.exposure_s,
                    gain=picture.gain,
                    roi_offset=picture.roi_offset,
                    binning=picture.binning,
                    flip=picture.flip,
                )
            )
        return frames, shot


def _settings(table: CameraTable) -> FolderTable:
    """Return how the folder is watched; that of what is pushed holds shots, under their final names when whole."""
    if table.folder is not None:
        return table.folder
    at_start = table.push.at_start if table.push else "aside"
    return FolderTable(path=table.push_path, holds="shots", settle_s=0, poll_s=0.5, at_start=at_start)
