"""`[[camera]]` of station.toml: what older files say loads as before, and what cannot be is said in a sentence."""

import tomllib
from pathlib import Path

import pytest

from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.station.cameras.table import CameraTable, camera_faults, open_camera
from tiepoint.station.folder import StationTable

SCRYPT = "scrypt:" + "0" * 20
FOLDER = 'from = "folder"\n[camera.folder]\npath = "in"\n'
DEVICE = 'from = "device"\n[camera.device]\nindex = 0\n'
TEXT_LAMPS = '[camera.lamps]\nkind = "text"\nlamp = [{name = "a", channel = "1"}]'
LINE_LAMPS = '[camera.lamps]\nkind = "genicam"\nlamp = [{name = "a", channel = "Line1"}]'


def read(text):
    return StationTable.read(tomllib.loads(f'format = "tiepoint/station/1"\nname = "x"\n{text}'), "station.toml: ")


def camera(text):
    return read(f'[[camera]]\nname = "top"\n{text}').camera[0]


def test_a_camera_that_is_only_described_loads_as_before(tmp_path):
    table = camera('says = "bench camera"\ndistance_mm = 400.0\nu_distance_mm = 2.0\n')
    assert (table.name, table.says, table.distance_mm, table.u_distance_mm) == ("top", "bench camera", 400.0, 2.0)
    assert table.comes_from is None
    with pytest.raises(UnusableInput, match="does not say where its pictures come from"):
        open_camera(table, tmp_path)


@pytest.mark.parametrize(
    ("text", "kind", "named_by", "waits"),
    [
        (FOLDER, "file", "counter", False),
        (f'part_id = "trigger"\n{FOLDER}', "file", "trigger", True),
        ('from = "push"', "file", "counter", False),
        (DEVICE, "software", "trigger", True),
        (f'{DEVICE}[camera.trigger]\nkind = "timer"\nperiod_s = 1', "timer", "counter", False),
        (
            'from = "genicam"\npart_id = "code"\ngenicam = {id = "x"}\ntrigger = {kind = "hardware"}',
            "hardware",
            "code",
            False,
        ),
        ('from = "genicam"\n[camera.genicam]\nid = "x"\nfeatures = {Gamma = 1.0}', "software", "trigger", True),
    ],
)
def test_what_is_not_stated_is_what_is_usual_for_it(text, kind, named_by, waits):
    table = camera(text)
    assert (table.kind, table.named_by, table.waits_for_triggers) == (kind, named_by, waits)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('from = "tape"', 'camera[0].from is "tape"; use "folder", "device", "push" or "genicam"'),
        ('from = "folder"', "folder is missing"),
        ('from = "device"', "device is missing"),
        ('from = "push"\n[camera.device]\nindex = 0', "device is of no use"),
        (f'from = "push"\nreceiver = {{user = "a", password = "{SCRYPT}"}}', "receiver is of no use"),
        (f'{FOLDER}[camera.trigger]\nkind = "software"', "trigger.kind is software"),
        (f'part_id = "name"\n{FOLDER}', "no {part_id}"),
        (f'{FOLDER}names = "{{shot[0]}}.png"', "is no field"),
        (f'lights = ["a", "b"]\n{FOLDER}', "folder.names is missing"),
        (f'lights = ["a", "a"]\n{FOLDER}', "names a lamp twice"),
        (f'{FOLDER}holds = "shots"\nnames = "{{shot}}.png"', "of no use"),
        (f"{FOLDER}settle_s = -1", "settle_s is -1; choose at least 0"),
        (f"{FOLDER}setle_s = 1", 'did you mean "settle_s"'),
        (f'{DEVICE}url = "x"', "one of index, url and path"),
        (f"{DEVICE}width = 640", "width and height"),
        (f'part_id = "name"\n{DEVICE}', "gives no files"),
        (f'{DEVICE}[camera.trigger]\nkind = "timer"', "period_s belongs to a timer"),
        (f'{FOLDER}[camera.receiver]\nuser = "a"\npassword = "secret"', "receiver.password is no hashed password"),
        (f'{FOLDER}receiver = {{user = "a", password = "{SCRYPT}", certificate = "c.pem"}}', "is not known here"),
        (f'{FOLDER}[camera.receiver]\nuser = "a"\npassword = "{SCRYPT}"\nkey = "k.pem"', "belong together"),
        (f'from = "push"\n{LINE_LAMPS}', "lamps are switched"),
        (f"{DEVICE}{TEXT_LAMPS}", "host, port and command"),
        (f"{DEVICE}{LINE_LAMPS}", "use text"),
    ],
)
def test_what_cannot_be_is_said_in_a_sentence(text, words):
    with pytest.raises(UnusableDocument) as caught:
        camera(text)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "secret" not in str(caught.value)


def test_faults_of_cameras_together_are_told_at_once(tmp_path):
    def watching(name, path):
        return CameraTable.read({"name": name, "from": "folder", "folder": {"path": path}}, "")

    (tmp_path / "free").write_text("")
    cameras = [watching("a", "in"), watching("a", "other"), watching("b", "in/deeper"), watching("c", "free")]
    faults = list(camera_faults(cameras, tmp_path))
    assert len(faults) == 3
    assert 'two cameras are called "a"' in faults[0]
    assert '"a" and "b" watch one folder' in faults[1]
    assert "which is no folder" in faults[2]


def test_two_cameras_do_not_answer_one_trigger(tmp_path):
    # The controller would be told the first answer, and pass a part that the second camera rejects.
    asked = '[[camera]]\nname = "top"\npart_id = "trigger"\n' + FOLDER
    other = '[[camera]]\nname = "side"\n' + FOLDER.replace('"in"', '"side"')
    described = '[[camera]]\nname = "side"\n'
    (fault,) = camera_faults(read(asked + other).camera, tmp_path)
    assert fault.startswith('the camera "top" waits for triggers, and "side" would answer the same ones')
    assert fault.endswith("make a station of each camera")
    assert list(camera_faults(read(asked + described).camera, tmp_path)) == []


def test_folders_are_looked_at_once_each_however_many_cameras_there_are(tmp_path, monkeypatch):
    looks = []
    resolve = Path.resolve

    def counted(path, *more):
        looks.append(path)
        return resolve(path, *more)

    monkeypatch.setattr(Path, "resolve", counted)
    cameras = [CameraTable.read({"name": f"c{k}", "from": "push"}, "") for k in range(100)]
    assert list(camera_faults(cameras, tmp_path)) == []
    assert len(looks) == 100  # pair by pair they were 9900, and a check took seconds
    around = CameraTable.read({"name": "all", "from": "push", "push": {"path": "pushed"}}, "")
    (fault,) = camera_faults([*cameras, around], tmp_path)
    assert '"all" watch one folder' in fault
