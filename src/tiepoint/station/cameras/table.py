"""`[[camera]]` of station.toml: what a camera is, how its pictures come, and what triggers it.

[[camera]]
name = "top"
from = "folder"
part_id = "name"
lights = ["north", "south"]

[camera.folder]
path = "incoming"
names = "{part_id}_{light}.png"
"""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from tiepoint.documents.names import portable
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.recipe.tables import Name, NotNegative, Positive, Table, said, said_names
from tiepoint.station.cameras.delivery import Camera
from tiepoint.station.cameras.name_pattern import NamePattern
from tiepoint.station.place_names import Place

From = Literal["folder", "device", "push", "genicam"]
TriggerKind = Literal["file", "software", "timer", "hardware"]
PartId = Literal["trigger", "name", "counter", "code"]

KINDS: Mapping[From, tuple[TriggerKind, ...]] = {
    "folder": ("file",),
    "push": ("file",),
    "device": ("software", "timer"),
    "genicam": ("software", "timer", "hardware"),
}
"""What can trigger each sort of camera; the first is meant where none is stated."""

Count = Annotated[int, Field(ge=1, le=10**9)]
Port = Annotated[int, Field(ge=0, le=65535)]
Seconds = Annotated[Positive, Field(le=86400)]
Share = Annotated[NotNegative, Field(le=1)]
Lines = Annotated[tuple[Name, ...], Field(strict=False)]


class TriggerTable(Table):
    """`[camera.trigger]`: what makes the camera take a picture.

    `file`: the camera sends one when it likes. `software`: the station asks for one when a wire triggers it.
    `hardware`: a line into the camera; a wire may tell of the part beside it. `timer`: every `period_s`. A picture that
    has not come `latest_s` after its trigger is no result.
    """

    kind: TriggerKind | None = None
    latest_s: Seconds = 2.0
    period_s: Seconds | None = None


class ReceiverTable(Table):
    """`[camera.receiver]`: an FTP server for what this camera sends, into its watched folder; off unless stated.

    Upload only: nothing is read, renamed, written over or deleted through it. `password` is what `tiepoint user hash`
    prints, never the password itself. `passive_ports`: first and last. `host` is the address of the interface that
    the camera is on. Without `certificate` and `key` (PEM files) what is sent, the password too, can be read by
    whoever is on that wire.
    """

    user: Name
    password: Name
    host: Name = "127.0.0.1"
    port: Port = 2121
    passive_ports: Annotated[tuple[Port, Port], Field(strict=False)] | None = None
    most_mb: Annotated[Positive, Field(le=1e6)] = 2000
    most_files: Count = 1000
    connections: Annotated[int, Field(ge=1, le=100)] = 4
    certificate: Place | None = None
    key: Place | None = None

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.certificate is None) != (self.key is None):
            raise said("certificate", "and key belong together; give both or neither")
        if not self.password.startswith("scrypt:"):
            raise said(
                "password", "is no hashed password; write what tiepoint user hash prints, never the password itself"
            )
        if self.passive_ports is not None and not 1 <= self.passive_ports[0] <= self.passive_ports[1]:
            raise said("passive_ports", "must be the first and the last port, as in [50000, 50009]")
        return self


class FolderTable(Table):
    """`[camera.folder]`: a folder that the camera drops its pictures into, seen from the station's folder.

    `holds`: `pictures`, told apart by `names`, or `shots`, a folder each with shot.json. A picture is whole when its
    file ends as its format demands, and, by `whole`: after its size and time stood `still` for `settle_s`, or when it
    was `renamed` from a name that ends in `temporary`. What is not whole after `incomplete_after_s` is set aside, in
    `refused` below it, and is no result. `at_start`: what lies there when the station starts is set `aside`, in
    `before` below it, or judged. `after`: what becomes of a picture whose record is in the ledger: `delete`, or `move`
    to `moved_to`. `poll_s`: the folder is looked through so often in any case, for file systems that tell of nothing.
    """

    path: Place
    names: Name | None = None
    holds: Literal["pictures", "shots"] = "pictures"
    whole: Literal["still", "renamed"] = "still"
    settle_s: Annotated[NotNegative, Field(le=3600)] = 0.2
    temporary: Name = ".part"
    incomplete_after_s: Seconds = 5.0
    poll_s: Annotated[Positive, Field(ge=0.01, le=3600)] = 1.0
    at_start: Literal["aside", "judge"] = "aside"
    after: Literal["delete", "move"] = "delete"
    moved_to: Place = "taken"
    most_waiting: Annotated[int, Field(ge=1, le=100_000)] = 200
    largest_mb: Annotated[Positive, Field(le=400)] = 400

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.holds == "shots" and self.names is not None:
            raise said("names", "is of no use where the folder holds shots: shot.json tells what the names would")
        if not self.temporary.startswith(".") or len(self.temporary) < 2:
            raise said("temporary", 'must be an ending of names, as in ".part"')
        return self


class PushTable(Table):
    """`[camera.push]`: pictures that are sent over HTTP; `web` receives them, and hands them over through this folder.

    No more wait there than `most_mb` and `most_shots`: what comes then is refused, and the sender is told.
    """

    path: Place | None = None
    most_mb: Annotated[Positive, Field(le=1e6)] = 2000
    most_shots: Count = 200
    at_start: Literal["aside", "judge"] = "aside"


class DeviceTable(Table):
    """`[camera.device]`: a camera that the operating system knows (`index`), a stream (`url`) or a video file (`path`).

    A picture for a software trigger is the first that arrives `latency_s` after it: so long, at most, may lie between
    the beginning of an exposure and the arrival of its picture. Without a picture for `lost_s` the camera is away.
    `grey`: take the grey value of a camera that sends colour.
    """

    index: Annotated[int, Field(ge=0, le=1000)] | None = None
    url: Place | None = None
    path: Place | None = None
    width: Count | None = None
    height: Count | None = None
    latency_s: Annotated[NotNegative, Field(le=60)] = 0.1
    lost_s: Seconds = 2.0
    grey: bool = False

    @model_validator(mode="after")
    def _is_one(self) -> Self:
        if [self.index, self.url, self.path].count(None) != 2:
            raise said("", "must state one of index, url and path")
        if (self.width is None) != (self.height is None):
            raise said("width", "and height belong together; give both or neither")
        return self


class GenicamTable(Table):
    """`[camera.genicam]`: a camera that speaks GenICam, by its id, serial number or address.

    `line`: the input that triggers it, where the trigger is `hardware`. `counter_bits`: of its frame numbers, 16 for
    GigE Vision 1.x, 64 for 2.x and USB3 Vision. `features`: others that are set at the start, by their GenICam names.
    """

    id: Name
    pixel_format: Name | None = None
    line: Name = "Line0"
    buffers: Annotated[int, Field(ge=2, le=100)] = 8
    counter_bits: Literal[16, 32, 64] = 64
    lost_s: Seconds = 3.0
    features: dict[str, str | int | float | bool] = Field(default_factory=dict)


class LampTable(Table):
    """`[[camera.lamps.lamp]]`: one lamp of a lamp driver. `channel` stands for it in its commands or is its line."""

    name: Name
    channel: Name
    current: Share = 1.0


class LampsTable(Table):
    """`[camera.lamps]`: what switches the lamps, if the station does.

    Caution: light that flashes 3 to 30 times a second can trigger photosensitive epilepsy. Ask the supplier for the
    risk group of every lamp (IEC 62471). Ultraviolet and infrared light is not seen, and may harm all the same.

    `text`: commands over TCP, `command` for each lamp with the fields {channel} and {level} (0 to `full`, with as many
    digits as `digits`), and `answer`, in which * stands for anything. `genicam`: output lines of the camera; with
    `sequence`, the event at which its own sequencer goes on to the next light, by its GenICam name, as in ExposureEnd.
    """

    kind: Literal["text", "genicam"]
    host: Name | None = None
    port: Port | None = None
    command: Name | None = None
    ending: Literal["\r\n", "\n", "\r", ""] = "\r\n"
    answer: Name | None = None
    full: Count = 100
    digits: Annotated[int, Field(ge=1, le=9)] = 1
    timeout_s: Annotated[Positive, Field(le=60)] = 0.5
    settle_s: Annotated[NotNegative, Field(le=60)] = 0.0
    sequence: Name | None = None
    lamp: Annotated[tuple[LampTable, ...], Field(strict=False, min_length=1)]

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.kind == "text" and None in (self.host, self.port, self.command):
            raise said("", "must state host, port and command, where lamps are told by text")
        if self.kind == "text" and self.sequence is not None:
            raise said("sequence", "is a GenICam camera's own, and these lamps are told by text; take it away")
        names = [lamp.name for lamp in self.lamp]
        if len(set(names)) < len(names):
            raise said("lamp", "has two of one name; give each its own")
        return self


class CameraTable(Table):
    """One `[[camera]]`: what it is, how its pictures come, and how far its lens is from the reference plane.

    Without `from` it is only described, and never on duty. `part_id`: what a part is called by: its `trigger`, the
    `name` of its file (or shot.json), a `counter` of the station, or a `code` that the recipe reads. `lights`: the
    lamps of which a shot has one picture each. `bits`: of the sensor, where a picture of 16 bits holds fewer.
    """

    name: Name
    says: str = ""
    distance_mm: Positive | None = None
    u_distance_mm: Positive | None = None
    comes_from: From | None = Field(None, alias="from")
    part_id: PartId | None = None
    lights: Lines = ()
    bits: Annotated[int, Field(ge=1, le=16)] | None = None
    exposure_s: Annotated[Positive, Field(le=1000)] | None = None
    gain: NotNegative | None = None
    trigger: TriggerTable = TriggerTable()
    folder: FolderTable | None = None
    device: DeviceTable | None = None
    push: PushTable | None = None
    genicam: GenicamTable | None = None
    receiver: ReceiverTable | None = None
    lamps: LampsTable | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.comes_from is None:
            return self
        _check_parts(self)
        _check_trigger(self)
        if len(set(self.lights)) < len(self.lights):
            raise said("lights", "names a lamp twice; name each once")
        _check_names(self)
        return self

    @property
    def kind(self) -> TriggerKind:
        """What triggers it."""
        return self.trigger.kind or KINDS[self.comes_from or "folder"][0]

    @property
    def named_by(self) -> PartId:
        """What its parts are called by: by their triggers where the station takes the picture, else by a counter."""
        return self.part_id or ("trigger" if self.kind == "software" else "counter")

    @property
    def waits_for_triggers(self) -> bool:
        """Whether each picture belongs to a trigger that a wire tells of."""
        return self.kind == "software" or self.named_by == "trigger"

    @property
    def pattern(self) -> NamePattern | None:
        """What the names of its files tell; None where they need not tell anything."""
        stated = self.folder.names if self.folder else None
        return NamePattern(stated, self.lights, self.name) if stated else None

    @property
    def push_path(self) -> str:
        """The folder through which `web` hands over what is pushed, seen from the station's folder."""
        return (self.push and self.push.path) or f"pushed/{portable(self.name)}"


def _check_parts(table: CameraTable) -> None:
    needed = table.comes_from or ""
    if getattr(table, needed) is None and needed != "push":
        raise said(needed, f"is missing; a camera whose pictures come from a {needed} needs [camera.{needed}]")
    for other in (*KINDS, "receiver"):
        home = "folder" if other == "receiver" else other
        if getattr(table, other) is not None and home != needed:
            raise said(other, f'is of no use to a camera with from = "{needed}"; take it away')
    if table.receiver is not None and table.folder is not None and table.folder.holds == "shots":
        raise said("receiver", "takes pictures, not folders; let the folder hold pictures, told apart by names")
    if table.lamps is not None and table.comes_from not in ("device", "genicam"):
        raise said("lamps", "are switched for a device or a GenICam camera alone: others take pictures unasked")
    if table.comes_from in ("device", "genicam") and len(table.lights) > 1:
        switched = [lamp.name for lamp in table.lamps.lamp] if table.lamps else []
        if not set(table.lights) <= set(switched):
            raise said("lights", f"has {said_names(table.lights)}, and lamps switches {said_names(switched)}; add them")
    if table.comes_from != "genicam" and (table.exposure_s is not None or table.gain is not None):
        raise said("exposure_s", "and gain can be set on a GenICam camera alone; set them on the camera itself")
    if table.lamps is not None and table.lamps.kind == "genicam" and table.comes_from != "genicam":
        raise said("lamps.kind", "is genicam, whose lines are those of a GenICam camera; use text")


def _check_trigger(table: CameraTable) -> None:
    allowed = KINDS[table.comes_from or "folder"]
    if table.kind not in allowed:
        raise said(
            "trigger.kind", f"is {table.kind}; a {table.comes_from} camera is triggered by {' or '.join(allowed)}"
        )
    if (table.kind == "timer") != (table.trigger.period_s is not None):
        raise said("trigger.period_s", "belongs to a timer, and a timer needs it; state both or neither")
    if table.kind == "hardware" and len(table.lights) > 1:
        raise said(
            "lights", "has several lamps, which the station cannot switch between triggers of a line; use software"
        )
    if table.named_by == "name" and table.comes_from not in ("folder", "push"):
        raise said("part_id", "is name, but this camera gives no files; use trigger, counter or code")
    if table.named_by == "trigger" and table.kind == "timer":
        raise said("part_id", "is trigger, but a timer's pictures belong to no trigger; use counter or code")


def _check_names(table: CameraTable) -> None:
    try:
        pattern = table.pattern
    except UnusableDocument as error:
        raise said("folder.names", str(error)) from None
    if table.folder is None or table.folder.holds == "shots":
        return
    if pattern is None and len(table.lights) > 1:
        raise said("folder.names", "is missing; with several lights it must tell them apart, as in {shot}_{light}.png")
    if table.named_by == "name" and (pattern is None or "part_id" not in pattern.fields):
        raise said("part_id", "is name, but folder.names has no {part_id}; add it, or let a counter name the parts")


def camera_faults(cameras: Sequence[CameraTable], folder: Path) -> Iterator[str]:
    """Yield, in sentences, what is wrong with a station's cameras together; `folder`: the station's."""
    names = [camera.name for camera in cameras]
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield f'two cameras are called "{name}"; give each a name of its own'
    on_duty = [camera for camera in cameras if camera.comes_from is not None]
    waiting = next((camera.name for camera in on_duty if camera.waits_for_triggers), None)
    if waiting is not None and len(on_duty) > 1:
        others = said_names(camera.name for camera in on_duty if camera.name != waiting)
        yield (
            f'the camera "{waiting}" waits for triggers, and {others} would answer the same ones: the wire that '
            "triggered is told one answer, and would not hear of the other; make a station of each camera"
        )
    places: dict[Path, str] = {}
    around: dict[Path, str] = {}
    for camera in cameras:
        place = watched(camera, folder)
        if place is None:
            continue
        there = place.resolve()
        other = around.get(there) or next((places[up] for up in (there, *there.parents) if up in places), None)
        if other is not None:
            yield f'the cameras "{other}" and "{camera.name}" watch one folder, {place}; give each its own'
        places[there] = camera.name
        around |= dict.fromkeys(there.parents, camera.name)
        if place.exists() and not place.is_dir():
            yield f'the camera "{camera.name}" is to watch {place}, which is no folder; name another'


def watched(camera: CameraTable, folder: Path) -> Path | None:
    """Return the folder that a camera watches; None where it watches none."""
    if camera.comes_from == "folder" and camera.folder is not None:
        return folder / camera.folder.path
    return folder / camera.push_path if camera.comes_from == "push" else None


def open_camera(table: CameraTable, folder: Path) -> Camera:
    """Return the camera that a table describes, not started yet; `folder`: the station's.

    Raises `UnusableInput` where it cannot be opened at all.
    """
    # Each sort is imported where it is used: none of them is needed by a station that has none.
    if table.comes_from == "device":
        from tiepoint.station.cameras.device import DeviceCamera

        return DeviceCamera(table, folder)
    if table.comes_from == "genicam":
        from tiepoint.station.cameras.genicam import GenicamCamera

        return GenicamCamera(table, folder)
    if table.comes_from in ("folder", "push"):
        from tiepoint.station.cameras.folder import FolderCamera

        return FolderCamera(table, folder)
    raise UnusableInput(
        f'the camera "{table.name}" does not say where its pictures come from; add from = "folder", "device", "push" '
        'or "genicam" to it in station.toml'
    )
