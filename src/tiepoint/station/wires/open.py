"""The wires of a station, made from its table."""

from pathlib import Path

from tiepoint.station.wires.modbus import ModbusWire
from tiepoint.station.wires.mqtt import MqttWire
from tiepoint.station.wires.remote_io import RemoteIoWire
from tiepoint.station.wires.robot import RobotWire
from tiepoint.station.wires.table import WiresTable
from tiepoint.station.wires.webhook import WebhookWire
from tiepoint.station.wires.wire import Wire


def open_wires(table: WiresTable, folder: Path, station: str) -> list[Wire]:
    """Return the wires that a table names, none of them started; `folder` and `station`: the station's.

    What acts at once stands first: coils, the controller, the robot; then what waits for a network.
    """
    return [
        *(RemoteIoWire(one) for one in table.remote_io),
        *(ModbusWire(one, table.mapped(one.name)) for one in table.modbus),
        *(RobotWire(one) for one in table.robot),
        *(MqttWire(one, folder, station) for one in table.mqtt),
        *(WebhookWire(one, folder, table.allowed) for one in table.webhook),
    ]
