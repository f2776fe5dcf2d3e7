"""`[wires]` in `station.toml`: who is told, on which interface, who may come, and which reading stands where.

[[wires.modbus]]
name = "controller"
bind = "192.0.2.5"
port = 1502
peers = ["192.0.2.10"]

[[wires.map]]
reading = "bore A diameter"
at = 40
as = "i32"
scale = 10000
"""

import ipaddress
import re
from collections.abc import Iterable, Iterator
from itertools import combinations
from pathlib import Path
from typing import Annotated, Any, Literal, Self
from urllib.parse import urlsplit

from pydantic import BeforeValidator, Field, model_validator

from tiepoint.foundation.frames import AngleConvention
from tiepoint.recipe.tables import Name, Number, Table, keys_of, meant, said, shown
from tiepoint.station.place_names import Place
from tiepoint.station.wires.layout import AS_WORDS, FIRST_MAPPED, LAST_MAPPED

Network = ipaddress.IPv4Network | ipaddress.IPv6Network


def _network(raw: Any) -> Any:
    try:
        return ipaddress.ip_network(raw)
    except (ValueError, TypeError):
        raise said("", f"is {shown(raw)}; give an address, or a network as in 192.0.2.0/28") from None


def _address(raw: Any) -> Any:
    try:
        return str(ipaddress.ip_address(raw))
    except (ValueError, TypeError):
        raise said("", f"is {shown(raw)}; give the address of one of this machine's interfaces") from None


def _topic(raw: Any) -> Any:
    # MQTT 5.0, 4.7: + and # are wildcards, $ begins a broker's own topics, and an empty level is one all the same.
    if (
        not isinstance(raw, str)
        or not re.fullmatch(r"[^+#$/\s\x00-\x1f][^+#\s\x00-\x1f]*(?<!/)", raw)
        or len(raw) > 200
    ):
        raise said("", f"is {shown(raw)}; give a topic without +, #, blanks, and a slash at its ends")
    return raw


def _url(raw: Any) -> Any:
    fault = url_fault(raw)
    if fault:
        raise said("", f"is {shown(raw)}; {fault}")
    return raw


def url_fault(raw: Any) -> str:
    """Return what is wrong with an address that a webhook may go to, "" where nothing is."""
    if not isinstance(raw, str) or not raw.isascii() or re.search(r"[\s\\\x00-\x1f]", raw):
        return "give an address as in https://host.example/path, in ASCII and without blanks"
    try:
        parts = urlsplit(raw)
        port = parts.port
    except ValueError:
        return "give an address as in https://host.example:8443/path"
    if parts.scheme not in ("http", "https") or not parts.hostname or port == 0:
        return "give an address that begins with https:// or http:// and names a host"
    if parts.username is not None or parts.fragment or "#" in raw:
        return "leave out user, password and fragment; use secret_file"
    if re.search(r"(^|/)\.{1,2}(/|$)|%2e|%2f|%5c|//", parts.path, re.IGNORECASE):
        return "write its path without dots, double slashes and coded slashes"
    return ""


Networks = Annotated[tuple[Annotated[Network, BeforeValidator(_network)], ...], Field(strict=False)]
Bound = Annotated[str, BeforeValidator(_address)]
Port = Annotated[int, Field(ge=0, le=65535)]
Url = Annotated[str, BeforeValidator(_url)]
Topic = Annotated[str, BeforeValidator(_topic)]
Milliseconds = Annotated[int, Field(ge=1, le=3_600_000)]
Address = Annotated[int, Field(ge=0, le=65535)]
AsWord = Literal["u16", "i16", "u32", "i32", "f32"]
LOOPBACK: tuple[Network, ...] = (ipaddress.ip_network("127.0.0.0/8"), ipaddress.ip_network("::1/128"))


class ServerTable(Table):
    """What every wire has that waits for peers: `bind`, `port` (0: any free one), and who may come (`peers`)."""

    name: Name
    bind: Bound = "127.0.0.1"
    port: Port
    peers: Networks = LOOPBACK
    most_peers: Annotated[int, Field(ge=1, le=64)] = 8


class ModbusTable(ServerTable):
    """`[[wires.modbus]]`: a Modbus TCP server.

    `unit`: the unit identifier that is answered. `word_order`: which word of a number of two comes first.
    `heartbeat_ms`: a controller's heartbeat that stands still for longer is frozen. `acknowledge_ms`: a result that is
    not acknowledged for longer is stale. `result_ms`: a trigger that brings no result for longer gets none.
    """

    unit: Annotated[int, Field(ge=0, le=255)] = 1
    word_order: Literal["high first", "low first"] = "high first"
    heartbeat_ms: Milliseconds = 2000
    acknowledge_ms: Milliseconds = 2000
    result_ms: Milliseconds = 5000


class RobotTable(ServerTable):
    """`[[wires.robot]]`: a line-based socket for robots.

    `grip`: which of the recipe's grips is told, the first where none is named. `stale_ms`: no older result is told.
    `grip_when`: the verdicts whose parts are gripped; what is unread never is.
    """

    grip: Name | None = None
    angles: AngleConvention = "zyx-intrinsic-deg"
    unit: Literal["mm", "in"] = "mm"
    stale_ms: Milliseconds = 3000
    grip_when: Annotated[
        tuple[Literal["conforms", "undecided", "rejected"], ...], Field(strict=False, min_length=1)
    ] = ("conforms",)


class SpoolTable(Table):
    """How much is kept on the disk while the other side is away; the oldest goes first, and is counted."""

    most_messages: Annotated[int, Field(ge=1, le=1_000_000)] = 20_000
    most_mb: Annotated[float, Field(gt=0, le=100_000)] = 100.0


class MqttTable(Table):
    """`[[wires.mqtt]]`: a broker. Files are seen from the station's folder; `user_file` holds user and password, a line
    each."""

    name: Name
    host: Annotated[str, Field(pattern=r"^[A-Za-z0-9.:_-]{1,253}$")]
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    topic: Topic
    keepalive_s: Annotated[int, Field(ge=1, le=3600)] = 15
    tls: bool = False
    ca_file: Place | None = None
    certificate_file: Place | None = None
    key_file: Place | None = None
    user_file: Place | None = None
    spool: SpoolTable = SpoolTable()

    @model_validator(mode="after")
    def _files_mean_tls(self) -> Self:
        if not self.tls and (self.ca_file or self.certificate_file or self.key_file):
            raise said("tls", "is false, and files for it are named; set it to true, or take them away")
        if (self.key_file is None) != (self.certificate_file is None):
            raise said("key_file", "and certificate_file go together; name both or neither")
        return self


class WebhookTable(Table):
    """`[[wires.webhook]]`: an address that results are posted to, below one of `[wires] allowed`."""

    name: Name
    url: Url
    secret_file: Place
    ca_file: Place | None = None
    when: Annotated[
        tuple[Literal["conforms", "rejected", "undecided", "unread"], ...], Field(strict=False, min_length=1)
    ] = ("rejected", "undecided", "unread")
    timeout_ms: Milliseconds = 5000
    spool: SpoolTable = SpoolTable()


class RemoteIoTable(Table):
    """`[[wires.remote_io]]`: coils of a remote I/O station, written as a Modbus TCP client.

    `good`: on for `pulse_ms` for a part that conforms. `pass`: the coil that holds the rejecter back: on while on duty,
    off for `pulse_ms` for any other part, so that without power every part is rejected. `ready`: on while on duty. A
    pulse begins `delay_ms` after the part was seen, or was told of, which is when it leaves where parts are counted
    downstream (`delay_from`); one that is more than `late_ms` late is none for a good part.
    """

    name: Name
    host: Annotated[str, Field(pattern=r"^[A-Za-z0-9.:_-]{1,253}$")]
    port: Annotated[int, Field(ge=1, le=65535)] = 502
    unit: Annotated[int, Field(ge=0, le=255)] = 1
    good: Address | None = None
    pass_: Annotated[Address | None, Field(alias="pass")] = None
    ready: Address | None = None
    pulse_ms: Milliseconds = 100
    delay_ms: Annotated[int, Field(ge=0, le=600_000)] = 0
    delay_from: Literal["seen", "told"] = "seen"
    late_ms: Milliseconds = 50
    timeout_ms: Milliseconds = 500

    @model_validator(mode="after")
    def _coils_differ(self) -> Self:
        coils = [c for c in (self.good, self.pass_, self.ready) if c is not None]
        if not coils:
            raise said("", "names no coil; give good, pass or ready")
        if len(set(coils)) < len(coils):
            raise said("", "names one coil twice; give each its own")
        return self


class MapTable(Table):
    """`[[wires.map]]`: a reading (by its id or its name), or a field of the record, at an address of the register map.

    `what`: its value, or the half-width of its 95 % interval. `wire`: which controller's, where there are several.
    What stands there is value × scale; what has no value, or none that fits, is the code for "no value".
    """

    reading: Name | None = None
    field: Literal["encoder_count", "temperature_c", "readings", "not_conforming"] | None = None
    what: Literal["value", "U95"] = "value"
    at: Annotated[int, Field(ge=FIRST_MAPPED, le=LAST_MAPPED)]
    as_: Annotated[AsWord, Field(alias="as")]
    scale: Number = 1.0
    wire: Name | None = None

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if (self.reading is None) == (self.field is None):
            raise said("", "needs either a reading or a field of the record; give one")
        if self.scale == 0:
            raise said("scale", "is 0; leave it out, or give another number")
        if self.last > LAST_MAPPED:
            raise said("at", f"is {self.at}, and {self.as_} takes two words; the last for readings is {LAST_MAPPED}")
        return self

    @property
    def last(self) -> int:
        """The last register that it takes."""
        return self.at + AS_WORDS[self.as_] - 1

    @property
    def source(self) -> str:
        """What it shows, in words."""
        return f"{self.reading or self.field}{' U95' if self.what == 'U95' else ''}"


class WiresTable(Table):
    """`[wires]`. `allowed`: the beginnings of the addresses that webhooks may go to."""

    modbus: Annotated[tuple[ModbusTable, ...], Field(strict=False)] = ()
    mqtt: Annotated[tuple[MqttTable, ...], Field(strict=False)] = ()
    robot: Annotated[tuple[RobotTable, ...], Field(strict=False)] = ()
    webhook: Annotated[tuple[WebhookTable, ...], Field(strict=False)] = ()
    remote_io: Annotated[tuple[RemoteIoTable, ...], Field(strict=False)] = ()
    map: Annotated[tuple[MapTable, ...], Field(strict=False)] = ()
    allowed: Annotated[tuple[Url, ...], Field(strict=False)] = ()

    def mapped(self, wire: str) -> tuple[MapTable, ...]:
        """Return what the register map of a controller holds beside what all of them do, by address."""
        return tuple(sorted((m for m in self.map if m.wire in (None, wire)), key=lambda m: m.at))


def faults(
    table: WiresTable, known_readings: Iterable[str], where: str = "station.toml", folder: Path | None = None
) -> Iterator[str]:
    """Yield, in sentences that begin with their places, what cannot work.

    `known_readings`: the ids that accepted recipes give. `where`: the file, "" where the caller names it. `folder`: the
    station's, where the files that the table names are looked for too.
    """
    before = f"{where}: " if where else ""
    yield from (f"{before}{fault}" for fault in _faults(table, list(known_readings)))
    if folder is not None:
        yield from (f"{before}{fault}" for fault in _missing(table, folder))


def listened_to(table: WiresTable) -> Iterator[tuple[str, str, int]]:
    """Yield the ports that a station opens: the place of each in the table, its interface and its number."""
    for kind in ("modbus", "robot"):
        for k, one in enumerate(getattr(table, kind)):
            yield f"wires.{kind}[{k}].port", one.bind, one.port


def same_reading(one: str, other: str) -> bool:
    """Return whether two words mean one reading: `bore A.diameter` is also called `bore A diameter`."""
    return one.replace(".", " ") == other.replace(".", " ")


def _faults(table: WiresTable, known: list[str]) -> Iterator[str]:
    yield from _names(table)
    yield from _ports(table)
    yield from _peers(table)
    yield from _coils(table)
    controllers = [m.name for m in table.modbus]
    for k, one in enumerate(table.map):
        place = f"wires.map[{k}]"
        if one.wire is not None and one.wire not in controllers:
            there = meant(one.wire, controllers) if controllers else "there is no [[wires.modbus]]"
            yield f"{place}.wire is {shown(one.wire)}, which is no [[wires.modbus]]; {there}"
        elif not controllers:
            yield f"{place} is read by nobody: there is no [[wires.modbus]]; add one, or take it away"
        if one.reading is not None and not any(same_reading(one.reading, r) for r in known):
            there = meant(one.reading, known) if known else "no accepted recipe gives any"
            yield f"{place}.reading is {shown(one.reading)}, which no accepted recipe gives; {there}"
    for (i, a), (k, b) in combinations(enumerate(table.map), 2):
        if (a.wire is None or b.wire is None or a.wire == b.wire) and a.at <= b.last and b.at <= a.last:
            yield f"wires.map[{k}] ({b.source}) takes register {max(a.at, b.at)}, which wires.map[{i}] ({a.source}) has"
    for k, hook in enumerate(table.webhook):
        if not any(below(hook.url, start) for start in table.allowed):
            yield f"wires.webhook[{k}].url is {shown(hook.url)}, which wires.allowed does not allow; add its beginning"


def _names(table: WiresTable) -> Iterator[str]:
    seen: dict[str, str] = {}
    for kind in ("modbus", "mqtt", "robot", "webhook", "remote_io"):
        for k, one in enumerate(getattr(table, kind)):
            place = f"wires.{kind}[{k}].name"
            if one.name in seen:
                yield f"{place} is {shown(one.name)}, as is {seen[one.name]}; give each its own"
            seen.setdefault(one.name, place)


def _ports(table: WiresTable) -> Iterator[str]:
    seen: list[tuple[str, ServerTable]] = []
    for kind in ("modbus", "robot"):
        for k, one in enumerate(getattr(table, kind)):
            place = f"wires.{kind}[{k}]"
            for before, other in seen:
                anywhere = any(ipaddress.ip_address(t.bind).is_unspecified for t in (one, other))
                if one.port and one.port == other.port and (anywhere or one.bind == other.bind):
                    yield f"{place}.port is {one.port}, which {before} has on the same interface; give another"
            seen.append((place, one))


def _peers(table: WiresTable) -> Iterator[str]:
    for kind in ("modbus", "robot"):
        for k, one in enumerate(getattr(table, kind)):
            if one.peers == LOOPBACK and not ipaddress.ip_address(one.bind).is_loopback:
                yield (
                    f"wires.{kind}[{k}].bind is {one.bind}, and this machine alone may come; name who may in peers, as "
                    'in peers = ["192.0.2.10"]'
                )


def _coils(table: WiresTable) -> Iterator[str]:
    seen: dict[tuple[str, int, int, int], str] = {}
    for k, one in enumerate(table.remote_io):
        for key, coil in (("good", one.good), ("pass", one.pass_), ("ready", one.ready)):
            place = f"wires.remote_io[{k}].{key}"
            if coil is not None:
                before = seen.setdefault((one.host, one.port, one.unit, coil), place)
                if before != place:
                    yield f"{place} is {coil}, the coil that {before} writes on the same I/O station; give another"


def _missing(table: WiresTable, folder: Path) -> Iterator[str]:
    for kind in ("mqtt", "webhook"):
        for k, one in enumerate(getattr(table, kind)):
            for key in keys_of(type(one)):
                named = getattr(one, key) if key.endswith("_file") else None
                if named is not None and not (folder / named).is_file():
                    yield f"wires.{kind}[{k}].{key} is {shown(named)}, which is no file in {folder}"


def below(url: str, start: str) -> bool:
    """Return whether an address has the scheme, host and port of another, and a path below its path."""
    if url_fault(url) or url_fault(start):
        return False
    a, b = urlsplit(url), urlsplit(start)
    ports = {"http": 80, "https": 443}
    if (a.scheme, a.hostname, a.port or ports[a.scheme]) != (b.scheme, b.hostname, b.port or ports[b.scheme]):
        return False
    top = b.path.rstrip("/")
    return not b.query and (a.path == top or a.path.startswith(f"{top}/") or (not top and not a.path))
