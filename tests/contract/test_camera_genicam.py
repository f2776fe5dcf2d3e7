"""A GenICam camera: Aravis' own simulated GigE Vision camera in another process, over loopback.

Its frame numbers have 16 bits and begin shortly before their last one, so that every run goes over the wrap.
"""

import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.cameras.aravis import BGR8, RGB8, Device, Got, plain_pixels
from tiepoint.station.cameras.delivery import Setting, Trigger
from tiepoint.station.cameras.genicam import GenicamCamera
from tiepoint.station.cameras.table import CameraTable, open_camera

fcntl = pytest.importorskip("fcntl", reason="the simulated camera is only tried where files can be locked")

LONG = 30
HERE = "127.0.0.1"

SERVE = """
import ctypes, sys
aravis = ctypes.CDLL("libaravis-0.8.so.0")
aravis.arv_gv_fake_camera_new.restype = aravis.arv_gv_fake_camera_new_full.restype = ctypes.c_void_p
aravis.arv_gv_fake_camera_is_running.argtypes = [ctypes.c_void_p]
xml = sys.argv[2].encode() or None
camera = aravis.arv_gv_fake_camera_new_full(b"127.0.0.1", b"GV07", xml)
aravis.g_object_set.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_double, ctypes.c_void_p]
aravis.g_object_set(camera, b"gvsp-lost-ratio", float(sys.argv[1]), None)
print(aravis.arv_gv_fake_camera_is_running(camera), flush=True)
sys.stdin.read()
"""


class Simulated:
    """Aravis' simulated camera. GigE Vision has one port, so there is one of them at a time on a computer."""

    def __init__(self):
        self._process = None

    def on(self, lost=0.0, xml=""):
        self._process = subprocess.Popen(
            [sys.executable, "-c", SERVE, str(lost), str(xml)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self._process.stdout.readline().strip() == "1"

    def off(self):
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
            self._process = None


@pytest.fixture
def simulated():
    with Path(tempfile.gettempdir(), "tiepoint-tests-gige-vision.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        camera = Simulated()
        yield camera
        camera.off()


@pytest.fixture
def opened(tmp_path, simulated):
    cameras = []

    def open_one(genicam=None, start=True, **table):
        settings = {"id": HERE, "counter_bits": 16, "lost_s": 0.5, "features": {"AcquisitionFrameRate": 200.0}}
        read = {"name": "top", "from": "genicam", "genicam": {**settings, **(genicam or {})}, **table}
        camera = open_camera(CameraTable.read(read, "camera: "), tmp_path)
        cameras.append(camera)
        if start:
            camera.start()
        return camera

    yield open_one
    for camera in cameras:
        camera.stop()


DESCRIBE = """
import ctypes, sys
aravis = ctypes.CDLL("libaravis-0.8.so.0")
aravis.arv_enable_interface(b"Fake")
aravis.arv_open_device.restype = aravis.arv_device_get_genicam_xml.restype = ctypes.c_void_p
aravis.arv_open_device.argtypes = [ctypes.c_char_p, ctypes.c_void_p]
aravis.arv_device_get_genicam_xml.argtypes = [ctypes.c_void_p, ctypes.c_void_p]
size = ctypes.c_size_t()
text = aravis.arv_device_get_genicam_xml(aravis.arv_open_device(b"Fake_1", None), ctypes.byref(size))
sys.stdout.write(ctypes.string_at(text, size.value).decode())
"""

# Two output lines, as SFNC 2.x describes them; the simulated camera keeps what is written to their registers.
LINES = """
<Enumeration Name="LineSelector" NameSpace="Standard">
  <EnumEntry Name="Line1" NameSpace="Standard"><Value>0</Value></EnumEntry>
  <EnumEntry Name="Line2" NameSpace="Standard"><Value>1</Value></EnumEntry>
  <pValue>LineSelectorRegister</pValue></Enumeration>
<IntReg Name="LineSelectorRegister" NameSpace="Custom"><Address>0x800</Address><Length>4</Length>
  <AccessMode>RW</AccessMode><pPort>Device</pPort><Sign>Unsigned</Sign><Endianess>BigEndian</Endianess></IntReg>
<Enumeration Name="LineSource" NameSpace="Standard">
  <EnumEntry Name="Off" NameSpace="Standard"><Value>0</Value></EnumEntry>
  <EnumEntry Name="ExposureActive" NameSpace="Standard"><Value>1</Value></EnumEntry>
  <pValue>LineSourceRegister</pValue></Enumeration>
<IntReg Name="LineSourceRegister" NameSpace="Custom"><Address>0x810</Address>
  <pIndex Offset="0x4">LineSelectorRegister</pIndex><Length>4</Length><AccessMode>RW</AccessMode><pPort>Device</pPort>
  <Sign>Unsigned</Sign><Endianess>BigEndian</Endianess></IntReg>
"""


def described(path, more):
    done = subprocess.run([sys.executable, "-c", DESCRIBE], capture_output=True, text=True, check=True)
    path.write_text(done.stdout.replace('<Category Name="Root"', f'{more}<Category Name="Root"'))
    return path


@pytest.fixture
def with_lines(tmp_path):
    return described(tmp_path / "lines.xml", LINES)


def _register(name, address):
    return f"""<IntReg Name="{name}Register" NameSpace="Custom"><Address>{address:#x}</Address><Length>4</Length>
  <AccessMode>RW</AccessMode><pPort>Device</pPort><Sign>Unsigned</Sign><Endianess>BigEndian</Endianess></IntReg>"""


def _choice(name, address, *names):
    entries = "".join(
        f'<EnumEntry Name="{one}" NameSpace="Standard"><Value>{k}</Value></EnumEntry>' for k, one in enumerate(names)
    )
    head = f'<Enumeration Name="{name}" NameSpace="Standard">{entries}<pValue>{name}Register</pValue></Enumeration>'
    return head + _register(name, address)


def _number(name, address):
    return f'<Integer Name="{name}" NameSpace="Standard"><pValue>{name}Register</pValue></Integer>' + _register(
        name, address
    )


# The sequencer's features by their names of SFNC 2.7; a set is two bits, where to go next in the second of them.
SEQUENCER = (
    _choice("SequencerMode", 0x820, "Off", "On")
    + _choice("SequencerConfigurationMode", 0x824, "Off", "On")
    + _number("SequencerSetSelector", 0x828)
    + _number("SequencerSetActive", 0x82C)
    + _number("SequencerSetStart", 0x830)
    + _number("SequencerSetNext", 0x834)
    + _choice("SequencerTriggerSource", 0x838, "Off", "ExposureEnd")
    + '<Command Name="SequencerSetSave" NameSpace="Standard"><pValue>SequencerSetSaveRegister</pValue>'
    "<CommandValue>1</CommandValue></Command>" + _register("SequencerSetSave", 0x83C)
)


LAMPS = {"kind": "genicam", "lamp": [{"name": "north", "channel": "Line1"}, {"name": "south", "channel": "Line2"}]}


def sources(camera):
    """Return what drives each line, as the camera itself says."""
    told = {}
    for line in ("Line1", "Line2"):
        camera._device.set_feature("LineSelector", line)
        told[line] = camera._device.do("arv_camera_get_string", b"LineSource").decode()
    return told


def test_lamps_hang_on_lines_of_the_camera(simulated, opened, with_lines):
    simulated.on(xml=with_lines)
    camera = opened(lamps=LAMPS, lights=["south", "north"], trigger={"latest_s": 10})
    wait_for(lambda: camera.link[0] == "joined")
    camera.set(Setting(lamps={"north": 1.0}))
    assert sources(camera) == {"Line1": "ExposureActive", "Line2": "Off"}
    delivery = shot(camera)
    assert [(f.role, f.light) for f in delivery.frames] == [("south", "south"), ("north", "north")]
    assert delivery.status == "complete"
    assert sources(camera) == {"Line1": "Off", "Line2": "Off"}
    with pytest.raises(UnusableInput, match="on or off"):
        camera.set(Setting(lamps={"north": 0.5}))
    with pytest.raises(UnusableInput, match="no lamp is called"):
        camera.set(Setting(lamps={"west": 1.0}))


def test_a_picture_that_nobody_asked_for_is_not_taken_for_that_of_the_next_lamp(
    simulated, opened, with_lines, monkeypatch
):
    """A camera that answers one trigger twice: the second picture is lit by the lamp of the first."""
    simulated.on(xml=with_lines)
    camera = opened(lamps=LAMPS, lights=["south", "north"], trigger={"latest_s": 10})
    wait_for(lambda: camera.link[0] == "joined")
    assert shot(camera).status == "complete"
    unasked, take, light = [], camera._next, camera._light

    def lit(one):
        light(one)
        if one == "north":
            unasked.append(Got("", 40_000, np.zeros((4, 4), np.uint8), 8))

    with monkeypatch.context() as twice:
        twice.setattr(camera, "_light", lit)
        twice.setattr(camera, "_next", lambda s: unasked.pop() if unasked else take(s))
        odd = shot(camera, "B")
    assert (odd.status, odd.why) == ("out_of_order", "a picture came between its own that nobody asked for")
    assert unasked == []
    assert [shot(camera, name).status for name in "CD"][-1] == "complete"


class Sequencer:
    """What a camera with a sequencer does by SFNC's rules, on the registers of one that has none.

    It keeps what the lines are when a set is saved, stands at the first set when it is switched on, and goes on with
    each picture.
    """

    def __init__(self, monkeypatch):
        self.sets, self.lit, self.slips, self.ahead = {}, [], 0, 0
        self.triggered_ns = []
        self._set, self._do = Device.set_feature, Device.do
        monkeypatch.setattr(Device, "set_feature", lambda device, name, value: self.feature(device, name, value))
        monkeypatch.setattr(Device, "do", lambda device, *words: self.call(device, *words))

    def number(self, device, name):
        return self._do(device, "arv_camera_get_integer", name.encode())

    def feature(self, device, name, value):
        self._set(device, name, value)
        if (name, value) == ("SequencerMode", "On"):
            self._set(device, "SequencerSetActive", self.number(device, "SequencerSetStart"))

    def call(self, device, function, *words):
        if function == "arv_camera_software_trigger":
            self.triggered_ns.append(time.monotonic_ns())
            stands = self.number(device, "SequencerSetActive")
            self.ahead -= 1
            if self.ahead == 0:  # something else than a picture moved it on, after it was asked where it stands
                stands = self.sets[stands][1]
            lines, then = self.sets[stands]
            self.lit.append(lines)
            self._set(device, "SequencerSetActive", stands if self.slips else then)
            self.slips = max(0, self.slips - 1)
        told = self._do(device, function, *words)
        if words == (b"SequencerSetSave",):
            lines = {}
            for line in ("Line1", "Line2"):
                self._set(device, "LineSelector", line)
                lines[line] = self._do(device, "arv_camera_get_string", b"LineSource").decode()
            self.sets[self.number(device, "SequencerSetSelector")] = lines, self.number(device, "SequencerSetNext")
        return told


def test_the_cameras_own_sequencer_changes_the_lamps_and_is_asked_before_each_picture(
    simulated, opened, tmp_path, monkeypatch
):
    simulated.on(xml=described(tmp_path / "sequencer.xml", LINES + SEQUENCER))
    camera_side = Sequencer(monkeypatch)
    camera = opened(lamps={**LAMPS, "sequence": "ExposureEnd"}, lights=["south", "north"], trigger={"latest_s": 10})
    wait_for(lambda: camera.link[0] == "joined")
    north, south = ({"Line1": a, "Line2": b} for a, b in (("ExposureActive", "Off"), ("Off", "ExposureActive")))
    assert camera_side.sets == {0: (south, 1), 1: (north, 0)}
    for part in ("A", "B"):
        delivery = shot(camera, part)
        assert (delivery.status, [f.light for f in delivery.frames]) == ("complete", ["south", "north"])
        assert delivery.taken_mono_ns <= camera_side.triggered_ns[-2]  # a shot is as old as its first picture
    assert camera_side.lit == [south, north, south, north]
    # A camera that did not go on: the part is no result, and the next one begins with the first light again.
    camera_side.slips = 1
    slipped = shot(camera, "C")
    assert (slipped.status, slipped.frames) == ("incomplete", ())
    assert "stands at south, not at north" in slipped.why
    assert shot(camera, "D").status == "complete"
    assert camera_side.lit[-2:] == [south, north]
    # One that went on by itself just before a picture, also before the last: that one is lit by another lamp.
    for ahead in (1, 2):
        camera_side.ahead = ahead
        assert (shot(camera, "E").status, camera_side.lit[-1] == (north, south)[ahead - 1]) == ("incomplete", True)
        assert shot(camera, "F").status == "complete"
        assert camera_side.lit[-2:] == [south, north]


def test_a_sequencer_that_does_not_say_where_it_stands_is_refused(simulated, opened, with_lines):
    simulated.on(xml=with_lines)
    camera = opened(lamps={**LAMPS, "sequence": "ExposureEnd"}, lights=["south", "north"])
    wait_for(lambda: camera.link[0] == "away")
    assert "which set of its sequencer is on" in camera.link[1]


def test_whatever_goes_wrong_the_camera_is_away_by_name_and_joined_again(simulated, opened, monkeypatch):
    simulated.on()
    mended, serve = threading.Event(), GenicamCamera._serve

    def broken(one):
        if not mended.is_set():
            raise ValueError("nobody foresaw it")
        serve(one)

    monkeypatch.setattr(GenicamCamera, "_serve", broken)
    camera = opened(trigger={"latest_s": 10})
    wait_for(lambda: camera.link[0] == "away" and "ValueError: nobody foresaw it" in camera.link[1])
    mended.set()
    wait_for(lambda: camera.link[0] == "joined")
    assert shot(camera).status == "complete"
    with monkeypatch.context() as odd:
        odd.setattr(camera, "_judged", lambda got: 1 // 0)
        told = shot(camera, "B")
    assert (told.status, told.part_id) == ("incomplete", "B")
    assert told.why.startswith("ZeroDivisionError")
    assert shot(camera, "C").status == "complete"


def test_a_camera_without_lines_says_so_and_gives_no_result(simulated, opened):
    simulated.on()
    camera = opened(lamps=LAMPS, lights=["south", "north"], trigger={"latest_s": 10})
    wait_for(lambda: camera.link[0] == "joined")
    delivery = shot(camera)
    assert (delivery.status, delivery.part_id) == ("incomplete", "A")
    assert "no feature LineSelector" in delivery.why


def wait_for(what):
    until = time.monotonic() + LONG
    while not what():
        assert time.monotonic() < until, "it never became so"
        threading.Event().wait(0.01)


def now(part_id=None, name="t1"):
    return Trigger(name, time.monotonic_ns(), part_id)


def shot(camera, part_id="A"):
    camera.trigger(now(part_id))
    return camera.take(LONG)


def test_a_software_trigger_gets_its_picture_with_number_exposure_and_gain(simulated, opened):
    simulated.on()
    camera = opened(exposure_s=0.005, gain=2.0, trigger={"latest_s": 10})
    wait_for(lambda: camera.link[0] == "joined")
    delivery = shot(camera)
    (frame,) = delivery.frames
    assert (delivery.status, delivery.part_id) == ("complete", "A")
    assert (frame.pixels.shape, frame.pixels.dtype, frame.bits) == ((512, 512), np.uint8, 8)
    assert frame.exposure_s == pytest.approx(0.005)
    assert frame.gain == pytest.approx(2.0)
    assert shot(camera).frames[0].counter == frame.counter + 1


def test_frame_numbers_go_over_their_wrap(simulated, opened):
    simulated.on()
    camera = opened(trigger={"latest_s": 10})
    wait_for(lambda: camera.link[0] == "joined")
    seen = [shot(camera) for _ in range(160)]
    counters = [one.frames[0].counter for one in seen]
    assert {one.status for one in seen} == {"complete"}
    at = counters.index(65535)
    assert counters[at + 1] == 1  # GigE Vision: 0 is no frame number
    assert counters[at - 1] == 65534


def test_exposure_and_gain_are_set_and_read_back(simulated, opened):
    simulated.on()
    camera = opened(trigger={"latest_s": 10})
    wait_for(lambda: camera.link[0] == "joined")
    assert camera.set(Setting(exposure_s=0.02)).exposure_s == pytest.approx(0.02)
    assert shot(camera).frames[0].exposure_s == pytest.approx(0.02)
    with pytest.raises(UnusableInput, match="does not take exposure_s = 1000"):
        camera.set(Setting(exposure_s=1000))
    with pytest.raises(UnusableInput, match="cannot be set from here"):
        camera.set(Setting(lamps={"north": 1.0}))


def test_a_timer_triggers_by_itself(simulated, opened):
    simulated.on()
    camera = opened(trigger={"kind": "timer", "period_s": 0.05, "latest_s": 10})
    first, second = camera.take(LONG), camera.take(LONG)
    assert (first.part_id, second.part_id) == ("000000001", "000000002")
    assert (first.status, second.status) == ("complete", "complete")


def test_pictures_that_a_line_triggers_go_to_their_parts(simulated, opened):
    simulated.on()
    camera = opened({"line": "Software"}, part_id="trigger", trigger={"kind": "hardware", "latest_s": 10})
    wait_for(lambda: camera.link[0] == "joined")
    for part in ("A", "B"):
        camera.trigger(now(part))
        wait_for(lambda: len(camera._expected) == 1)
        camera._do("arv_camera_software_trigger")  # what the line does
        delivery = camera.take(LONG)
        assert (delivery.status, delivery.part_id) == ("complete", part)
    camera._do("arv_camera_software_trigger")
    unasked = camera.take(LONG)
    assert (unasked.status, unasked.part_id) == ("out_of_order", None)


def test_a_part_whose_line_does_not_trigger_gets_no_result(simulated, opened):
    simulated.on()
    camera = opened({"line": "Software"}, part_id="trigger", trigger={"kind": "hardware", "latest_s": 0.2})
    wait_for(lambda: camera.link[0] == "joined")
    delivery = shot(camera)
    assert (delivery.status, delivery.part_id) == ("incomplete", "A")
    assert "no picture came within 0.2 s" in delivery.why


def test_a_picture_whose_packets_are_lost_is_no_result(simulated, opened):
    simulated.on(lost=0.6)
    camera = opened(trigger={"latest_s": 2})
    wait_for(lambda: camera.link[0] == "joined")
    delivery = shot(camera)
    assert (delivery.status, delivery.frames) == ("incomplete", ())
    assert delivery.why


def test_a_camera_that_is_lost_is_said_and_joined_again(simulated, opened):
    simulated.on()
    camera = opened(trigger={"latest_s": 1})
    wait_for(lambda: camera.link[0] == "joined")
    simulated.off()
    wait_for(lambda: camera.link[0] == "away")
    lost = shot(camera, "B")
    assert (lost.status, lost.part_id) == ("incomplete", "B")
    with pytest.raises(UnusableInput, match="is away"):
        camera.set(Setting(gain=1.0))
    simulated.on()
    wait_for(lambda: camera.link[0] == "joined")
    assert shot(camera, "C").status == "complete"


def test_a_camera_that_is_not_there_is_away_and_does_not_hold_up_who_triggers(simulated, opened):
    camera = opened({"id": "127.0.0.77"})
    delivery = shot(camera)
    assert (delivery.status, delivery.part_id) == ("incomplete", "A")
    wait_for(lambda: camera.link[0] == "away")


def test_a_feature_that_the_camera_does_not_have_is_said(simulated, opened):
    simulated.on()
    camera = opened({"features": {"NoSuchThing": 1}})
    wait_for(lambda: camera.link[0] == "away")
    assert "no feature NoSuchThing" in camera.link[1]


def test_who_stops_gets_nothing_more(simulated, opened):
    simulated.on()
    camera = opened()
    wait_for(lambda: camera.link[0] == "joined")
    camera.stop()
    assert camera.take(LONG) is None


@pytest.mark.parametrize(
    ("pixel_format", "data", "expected", "bits"),
    [
        (0x01080001, bytes([1, 2, 3, 4]), [[1, 2], [3, 4]], 8),
        (0x01100005, bytes([1, 0, 0xFF, 0x0F, 3, 1, 0, 0]), [[1, 4095], [259, 0]], 12),
        (RGB8, bytes(range(12)), [[[0, 1, 2], [3, 4, 5]], [[6, 7, 8], [9, 10, 11]]], 8),
        (BGR8, bytes(range(12)), [[[2, 1, 0], [5, 4, 3]], [[8, 7, 6], [11, 10, 9]]], 8),
    ],
)
def test_pixels_are_those_of_the_naming_convention(pixel_format, data, expected, bits):
    # PFNC 2.4: Mono12 is 16 bits, unpacked, little-endian, in the lower bits.
    pixels, told, lacks = plain_pixels(data, 2, 2, pixel_format)
    assert (pixels.tolist(), told, lacks) == (expected, bits, "")


@pytest.mark.parametrize(
    ("pixel_format", "data", "words"),
    [(0x010C0006, bytes(6), "set pixel_format"), (0x01080001, bytes(3), "3 of 4 bytes")],
)
def test_pixels_that_cannot_be_read_are_said(pixel_format, data, words):
    pixels, _, lacks = plain_pixels(data, 2, 2, pixel_format)
    assert pixels is None
    assert words in lacks
