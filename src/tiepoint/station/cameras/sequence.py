"""Lamps that the camera itself changes from picture to picture: a set of its sequencer for each light.

The camera goes on to the next set by itself, so nothing is waited for between the pictures of a part. Which set it
stands at is asked before each picture: one that is lit by another lamp than it is taken for would spoil all that is
computed from it. Source: GenICam Standard Features Naming Convention 2.x, chapter "Sequencer Control" (the names of
features, and that SequencerMode begins at SequencerSetStart).
"""

from collections.abc import Mapping, Sequence

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.cameras.aravis import Device
from tiepoint.station.cameras.lines import LINE_OFF, LINE_ON


class LightSequence:
    """The sets of a camera, written at the start; `demand` before each picture."""

    def __init__(self, device: Device, lights: Sequence[str], lines: Mapping[str, str], advance: str) -> None:
        """Write a set for each light, in which its line alone flashes. `lines`: the camera's line of every lamp.

        `advance`: the event at which the camera goes on, by its GenICam name. Raises `UnusableInput` where the camera
        has no sequencer, or cannot say at which set it stands.
        """
        self._device, self._lights = device, tuple(lights)
        if not device.has("SequencerSetActive"):
            raise UnusableInput(
                "the camera does not say which set of its sequencer is on, so that no picture could be given to its "
                "lamp; take sequence out of [camera.lamps]"
            )
        device.set_feature("SequencerMode", "Off")
        device.set_feature("SequencerConfigurationMode", "On")
        for k, light in enumerate(self._lights):
            device.set_feature("SequencerSetSelector", k)
            for lamp, line in lines.items():
                device.set_feature("LineSelector", line)
                device.set_feature("LineSource", LINE_ON if lamp == light else LINE_OFF)
            device.set_feature("SequencerTriggerSource", advance)
            device.set_feature("SequencerSetNext", (k + 1) % len(self._lights))
            device.do("arv_camera_execute_command", b"SequencerSetSave")
        device.set_feature("SequencerSetStart", 0)
        device.set_feature("SequencerConfigurationMode", "Off")
        self.begin()

    def begin(self) -> None:
        """Have the camera stand at the first light; not while it takes pictures."""
        self._device.set_feature("SequencerMode", "Off")
        self._device.set_feature("SequencerMode", "On")

    def demand(self, light: str) -> None:
        """Raise `UnusableInput` where the camera's next picture would be lit by another lamp."""
        stands = int(self._device.do("arv_camera_get_integer", b"SequencerSetActive"))
        if stands != self._lights.index(light):
            known = self._lights[stands] if 0 <= stands < len(self._lights) else f"set {stands}"
            raise UnusableInput(f"the camera's sequencer stands at {known}, not at {light}")

    def close(self) -> None:
        """Let the camera go back to one set."""
        self._device.set_feature("SequencerMode", "Off")
