"""Lamps on output lines of a GenICam camera (SFNC 2.x: LineSelector, LineSource)."""

from collections.abc import Mapping

from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.tables import said_names, shown
from tiepoint.station.cameras.aravis import Device
from tiepoint.station.cameras.table import LampsTable

LINE_ON, LINE_OFF = "ExposureActive", "Off"


class LineLamps:
    """Lamps that are lit while the camera exposes, or dark."""

    def __init__(self, table: LampsTable, device: Device) -> None:
        self.lines = {lamp.name: lamp.channel for lamp in table.lamp}
        self._device = device

    def set(self, currents: Mapping[str, float]) -> None:
        """Let lamps flash with the exposure, or not at all: a line knows nothing between."""
        for name, current in currents.items():
            if name not in self.lines:
                raise UnusableInput(f"no lamp is called {shown(name)}; there are {said_names(self.lines)}")
            if current not in (0, 1):
                raise UnusableInput(f"the lamp {shown(name)} hangs on a line, which is on or off; give 0 or 1")
            self._device.set_feature("LineSelector", self.lines[name])
            self._device.set_feature("LineSource", LINE_ON if current else LINE_OFF)

    def close(self) -> None:
        """Let none flash any more."""
        self.set(dict.fromkeys(self.lines, 0.0))
