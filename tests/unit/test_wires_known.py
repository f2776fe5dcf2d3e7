"""What of `[wires]` does not fit the recipes that are accepted: units, texts, limits, grips."""

import tomllib
from types import SimpleNamespace

import pytest

from tiepoint.model.decide import Limits
from tiepoint.station.cameras.table import CameraTable
from tiepoint.station.duty.table import DutyTable
from tiepoint.station.wires.known import misfits, mixed, readings_of, too_late, units_of
from tiepoint.station.wires.table import WiresTable


def reading(unit="mm", limits=None, dimension="length", id_="bore A.diameter"):
    return SimpleNamespace(id=id_, unit=unit, limits=limits, quantity=SimpleNamespace(dimension=dimension))


def job(*asked, grips=()):
    recipe = SimpleNamespace(grips=[SimpleNamespace(name=name) for name in grips])
    return SimpleNamespace(asked={"bore A": asked}, recipe=recipe)


def wires(text):
    return WiresTable.read(tomllib.loads(text), "")


def mapped(more):
    return wires(f'[[modbus]]\nname = "c"\nport = 0\n[[map]]\nreading = "bore A diameter"\nat = 40\n{more}')


FINE = Limits(4.4, 4.6)


@pytest.mark.parametrize(
    ("more", "jobs", "said"),
    [
        ('as = "f32"', [job(reading()), job(reading("in"))],
         'wires.map[0].reading is "bore A diameter", which accepted recipes give in "mm" and "in"'),
        ('as = "f32"', [job(reading("", None, "text"))], "a text, which no register holds"),
        ('as = "u16"\nscale = 100000', [job(reading("mm", FINE))],
         "wires.map[0].scale makes 440000 of the limit 4.4 mm"),
        ('as = "i16"\nscale = 7200', [job(reading("mm", Limits(None, 4.6)))], "makes 33120 of the limit 4.6 mm"),
        ('as = "u16"', [job(reading("mm", Limits(-0.6, 0.6)))], "makes -0.6 of the limit -0.6 mm"),
    ],
)  # fmt: skip
def test_what_can_never_be_told_as_it_is_meant_has_its_place(more, jobs, said):
    (fault,) = misfits(mapped(more), jobs)
    assert fault.startswith("wires.map[0]."), fault
    assert said in fault


@pytest.mark.parametrize(
    "more",
    ['as = "u16"\nscale = 10000', 'as = "i32"\nscale = 100000', 'as = "f32"', 'as = "i16"\nwhat = "U95"\nscale = 1e4'],
)
def test_what_fits_is_not_told(more):
    assert list(misfits(mapped(more), [job(reading("mm", FINE)), job(reading("mm"))])) == []


def test_a_grip_that_no_recipe_has_is_told():
    table = wires('[[robot]]\nname = "arm"\nport = 0\ngrip = "plte"\n')
    (fault,) = misfits(table, [job(grips=["plate"])])
    assert fault == 'wires.robot[0].grip is "plte", which no accepted recipe has; did you mean "plate"?'
    (fault,) = misfits(table, [job()])
    assert fault.endswith("none of them has a grip")
    assert list(misfits(table, [])) == []  # what is not accepted is told by others


def test_a_rejecter_that_a_part_may_have_gone_by_is_told():
    duty, io = DutyTable(deadline_ms=800), '[[remote_io]]\nname = "io"\nhost = "h"\npass = 1\ndelay_ms = 700\n'
    folder = 'name = "top"\nfrom = "folder"\n[folder]\npath = "in"\nincomplete_after_s = {}\n'
    cameras = [CameraTable.read(tomllib.loads(folder.format(0.5)), "")]
    (fault,) = too_late(wires(io), duty, cameras)
    assert fault.startswith("wires.remote_io[0].delay_ms is 700, and by duty.deadline_ms a part")
    later = wires(io.replace("700", "800"))
    assert list(too_late(later, duty, cameras)) == []
    (fault,) = too_late(later, duty, [CameraTable.read(tomllib.loads(folder.format(5)), "")])
    assert "by camera[0].folder.incomplete_after_s a part that cannot be read is told of up to 5000 ms" in fault
    assert list(too_late(wires(io.replace("pass", "good")), duty, cameras)) == []
    assert list(too_late(wires(io + 'delay_from = "told"'), duty, cameras)) == []


@pytest.mark.parametrize(("wire", "faulty"), [("modbus", True), ("robot", True), ("remote_io", True), ("mqtt", False)])
def test_results_of_two_cameras_do_not_come_by_one_wire_that_parts_pass_by(wire, faulty):
    table = wires({
        "modbus": '[[modbus]]\nname = "c"\nport = 0', "robot": '[[robot]]\nname = "c"\nport = 0',
        "remote_io": '[[remote_io]]\nname = "c"\nhost = "h"\ngood = 1',
        "mqtt": '[[mqtt]]\nname = "c"\nhost = "h"\ntopic = "t"',
    }[wire])  # fmt: skip
    folder = 'from = "folder"\n[folder]\npath = "in"\n'
    top, side, described = (
        CameraTable.read(tomllib.loads(text), "")
        for text in (f'name = "top"\n{folder}', f'name = "side"\n{folder}', 'name = "old"\n')
    )
    faults = list(mixed(table, [top, described, side]))
    assert [f.split(",")[0] for f in faults] == ['camera[2].name is "side"'] * faulty
    assert list(mixed(table, [top, described])) == []


def test_units_are_told_by_reading():
    asked = readings_of([job(reading(), reading("deg", id_="edge.angle")), job(reading("in"))])
    assert units_of(asked) == {"bore A.diameter": "mm or in", "edge.angle": "deg"}
