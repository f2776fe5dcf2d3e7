"""The interface sheet: what who programs the controller, the robot or the listener needs, on one page.

Registers with address, words, kind, scale, meaning and the words of a sample; topics; lines; coils; and, where it was
rehearsed, what came of each sequence.
"""

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence

from tiepoint.report import look
from tiepoint.report.page_parts import block, esc, heading, note, say, scroll, sheet
from tiepoint.report.tables import Cell, name, table, words
from tiepoint.station.wires.commission import Answered
from tiepoint.station.wires.exchange import Exchange
from tiepoint.station.wires.layout import ASKED, BITS, TOLD, VERDICTS, Place
from tiepoint.station.wires.outbox import told_result, told_state
from tiepoint.station.wires.rehearse import U95, VALUE, Outcome, SetClock, made_result, made_told
from tiepoint.station.wires.robot_line import COLUMNS, NUMBER, REFUSALS, pose_line, refusal
from tiepoint.station.wires.table import (
    MapTable,
    ModbusTable,
    MqttTable,
    RemoteIoTable,
    RobotTable,
    ServerTable,
    WebhookTable,
    WiresTable,
    same_reading,
)  # fmt: skip

CAUTION = (
    "Not a safety device: never used to detect people or to release a guard (IEC 61496, ISO 13849). A robot's first "
    "moves in reduced-speed manual mode, enabling device in hand (ISO 10218); tiepoint never starts a motion. Local "
    "codes and licensed practice come first."
)


HANDSHAKE = (
    "1. Reject by default. Move the heartbeat (200) all the while, write the trigger (201) as 0 once, wait for ready.",
    "2. Write the part id (204 on), and a trigger number other than 0 and the last one; busy is set. Only then may the "
    "camera be triggered.",
    "3. Wait for valid. Compare the trigger answered (14) with the number, the echo of the part id (19 on) with the "
    "part that lies there, and the age (15) with your limit. Only then let good alone pass it; whatever does not "
    "come, or does not match, rejects.",
    "4. Write the sequence (11) to acknowledge (202), both words in one request; valid is cleared.",
)


def wire_sheet(
    station: str,
    tables: WiresTable,
    outcomes: Sequence[Outcome] = (),
    answered: Sequence[Answered] = (),
    units: Mapping[str, str] | None = None,
) -> str:
    """Return the page. `units`: of the readings that accepted recipes give, by their ids."""
    parts = [sheet("about", f"Interfaces of {station}", "", block(note(esc(CAUTION))))]
    parts += [_modbus(one, tables, units or {}) for one in tables.modbus]
    parts += [_robot(one, tables) for one in tables.robot]
    parts += [_mqtt(one, tables) for one in tables.mqtt]
    parts += [_webhook(one, tables) for one in tables.webhook]
    parts += [_remote(one) for one in tables.remote_io]
    if outcomes:
        parts.append(_rehearsed(outcomes))
    if answered:
        parts.append(_commissioned(answered))
    return look.page(f"Interfaces of {station}", f"<main>{''.join(parts)}</main>", description="Interface sheet")


def rows_of(
    table_of: ModbusTable, tables: WiresTable, units: Mapping[str, str] | None = None
) -> Iterator[tuple[str, ...]]:
    """Yield the rows of a register map: address, words, kind, scale, name, meaning, and a sample's words in hex."""
    exchange = Exchange(table_of, tables.mapped(table_of.name), clock := SetClock())
    exchange.state(made_told())
    for beat in (1, 2):
        exchange.write(200, (beat,), "sample")
    exchange.tell(made_result(clock(), tables))
    sample = exchange.read(0, 231)
    mapped = [
        Place(m.at, m.last - m.at + 1, m.as_, m.source, _meaning(m, units or {})) for m in tables.mapped(table_of.name)
    ]
    scales = {m.at: m.scale for m in tables.mapped(table_of.name)}
    for p in sorted([*TOLD, *mapped, *ASKED], key=lambda p: p.at):
        hexed = " ".join(f"{w:04X}" for w in sample[p.at : p.at + p.words])
        last = f"–{p.at + p.words - 1}" if p.words > 1 else ""
        yield f"{p.at}{last}", str(p.words), p.as_, f"{scales.get(p.at, 1):g}", p.name, p.says, hexed


def _meaning(m: MapTable, units: Mapping[str, str]) -> str:
    if m.reading is None:
        return "of the record"
    unit = next((u for reading, u in units.items() if same_reading(reading, m.reading)), "the recipe's unit")
    sample = VALUE if m.what == "value" else U95
    return f"in {unit or 'no unit'}, times the scale; the sample is {sample:g}"


def _anchor(kind: str, called: str) -> str:
    return f"{kind}-{re.sub(r'[^A-Za-z0-9]+', '-', called)}"


def _cells(rows: Iterable[Sequence[str]]) -> list[list[Cell]]:
    return [[name(row[0]), *(words(cell) for cell in row[1:])] for row in rows]


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    return scroll(table([(h, "") for h in head], _cells(rows)))


def _where(one: ServerTable) -> str:
    peers = ", ".join(map(str, one.peers))
    return f"It listens on {one.bind}, port {one.port}, for {peers}; at most {one.most_peers} at a time."


def _modbus(one: ModbusTable, tables: WiresTable, units: Mapping[str, str]) -> str:
    order = "the high word first" if one.word_order == "high first" else "the low word first"
    return sheet(
        _anchor("modbus", one.name), f"{one.name}: Modbus TCP", "",
        block(
            say(esc(_where(one))),
            say(esc(
                f"Unit {one.unit}. Addresses count from 0; functions 3 and 4 read both blocks, 6, 16 and 23 write from "
                f"200 on. Numbers of two words have {order}. A heartbeat may stand still for {one.heartbeat_ms} ms; a "
                f"result is acknowledged within {one.acknowledge_ms} ms; a trigger has its result within "
                f"{one.result_ms} ms. Without a value: NaN 7FC00000, or FFFF, FFFFFFFF, 8000, 80000000."
            )),
        ),
        block(
            heading("Registers", "with the words of a sample"),
            _table(
                ("address", "words", "kind", "scale", "name", "meaning", "sample, hex"), rows_of(one, tables, units)
            ),
        ),
        block(
            heading("Bits of the status, register 1"),
            _table(("bit", "name", "meaning"), [(str(k), n, says) for k, (n, says) in enumerate(BITS)]),
        ),
        block(heading("One part after another"), *(say(esc(step)) for step in HANDSHAKE)),
    )  # fmt: skip


def _robot(one: RobotTable, tables: WiresTable) -> str:
    line = pose_line(made_result(0, tables, age_ms=0), one, 312_000_000)
    shown = [
        ("NEXT", line.text(False)),
        ("NEXT, refused", refusal("stale", 71).text(False)),
        ("#NEXT", line.text(True)),
        ("#NEXT, its columns", ",".join(COLUMNS)),
    ]
    refused = [(str(NUMBER[code]), code, says) for code, says in REFUSALS.items()]
    verdicts = ", ".join(f"{k} {s}" for k, (s, _) in enumerate(VERDICTS))
    told = (
        f"Lines end with LF or CR. Unit {one.unit}, angles {one.angles}; nothing older than {one.stale_ms} ms is told."
    )
    return sheet(
        _anchor("robot", one.name), f"{one.name}: socket for a robot", "",
        block(say(esc(_where(one))), say(esc(told)), _table(("line", "answer"), shown)),
        block(
            heading("Refusals", "code in plain numbers, refused in JSON"),
            _table(("code", "refused", "means"), refused),
            say(esc(f"The verdict in plain numbers: {verdicts}. Other lines: PING, STATE, LOOK; NEXT with a part id.")),
        ),
    )  # fmt: skip


def _mqtt(one: MqttTable, tables: WiresTable) -> str:
    result = json.dumps({"number": 1, **told_result(made_result(0, tables))}, ensure_ascii=False)
    rows = [
        (f"{one.topic}/result", "1", "no", result),
        (f"{one.topic}/state", "1", "yes", json.dumps(told_state(made_told(), 0), ensure_ascii=False)),
    ]
    told = f"{one.host} port {one.port}{', TLS' if one.tls else ''}. The will is on {one.topic}/state: off duty."
    return sheet(
        _anchor("mqtt", one.name), f"{one.name}: MQTT", "",
        block(say(esc(told)), _table(("topic", "QoS", "retained", "sample"), rows)),
    )  # fmt: skip


def _webhook(one: WebhookTable, tables: WiresTable) -> str:
    sample = json.dumps(told_result(made_result(0, tables)), ensure_ascii=False)
    told = f"POST {one.url}, for parts that are {', '.join(one.when)}, signed by HMAC-SHA256."
    return sheet(
        _anchor("webhook", one.name),
        f"{one.name}: webhook",
        "",
        block(say(esc(told)), _table(("body", ""), [(sample, "")])),
    )


def _remote(one: RemoteIoTable) -> str:
    coils = (
        ("good", one.good, f"on for {one.pulse_ms} ms for a part that conforms"),
        ("pass", one.pass_, f"on while on duty; off for {one.pulse_ms} ms for any other part. Without power: reject"),
        ("ready", one.ready, "on while on duty"),
    )
    rows = [(str(at), what, says) for what, at, says in coils if at is not None]
    begun = "was seen" if one.delay_from == "seen" else "is told of"
    told = f"Written to {one.host} port {one.port}, unit {one.unit}, {one.delay_ms} ms after the part {begun}."
    return sheet(
        _anchor("remote", one.name), f"{one.name}: remote I/O", "",
        block(say(esc(told)), _table(("coil", "name", "meaning"), rows)),
    )  # fmt: skip


def _rehearsed(outcomes: Sequence[Outcome]) -> str:
    bad = sum(not o.good for o in outcomes)
    rows = [
        (o.name, o.wire or f"{o.kind} by default", o.expected, o.seen, "as expected" if o.good else "NOT as expected")
        for o in outcomes
    ]
    said = f"{len(outcomes)} sequences were played on loopback; {bad} did not give what was expected."
    return sheet(
        "rehearsed", "Rehearsed", "",
        block(say(esc(said)), _table(("sequence", "wire", "expected", "seen", ""), rows)),
    )  # fmt: skip


def _commissioned(answered: Sequence[Answered]) -> str:
    rows = [(a.name, a.wire, a.told, "rejected" if a.rejected else "NOT rejected") for a in answered]
    return sheet(
        "commissioned", "Deliberately stale, sent to the other side", "",
        block(_table(("what", "wire", "told", "a person saw it"), rows)),
    )  # fmt: skip
