"""The section on faces tells what went wrong as plainly as what went well."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tiepoint.foundation.reasons import Reason
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture, Shot
from tiepoint.report.face_sections import face_section
from tiepoint.report.face_story import Drawn, Face, FaceStory, Mark, Shown
from tiepoint.report.story import Check

UNREAD, READ, OTHER = Mark("A-1", None), Mark("A-1", "A-1"), Mark("A-1", "A-7")


def face(number, verdict, is_good=True, code=READ, lot=READ, east=(UNREAD, UNREAD), north=(UNREAD, UNREAD)):
    shot = Shot(f"shot-{number}", (Picture("east", "0" * 64, (8, 8), 8, "Mono8"),))
    text, reason = (None, Reason("mark_not_seen")) if verdict == "unread" else ("A-1", None)
    read = Reading(
        "c", "code", "code", "content", "", "code", "plane", text=text, verdict=verdict, reason=reason, expected="A-1"
    )
    record = Record("demo", number, shot, "1" * 64, (), "tiepoint 0", (read,), verdict)
    gap = Check("bead", 0.0, 0.5, 0.52, 0.04)
    return Face(
        number, record, () if is_good else ("dented",), is_good, code, lot, gap, (), {"east": east, "north": north}, "o"
    )


def said(*faces):
    grey = np.zeros((60, 90), np.uint8)
    line = np.array([[10.0, 10.0], [50.0, 10.0]])
    shown = Shown(grey, (Drawn((line,), "unread", "code: <unread>", line[0]),), "Under one lamp")
    told = FaceStory(faces, ("east", "north"), "A-1", 1.0, 0, shown, shown)
    return face_section(SimpleNamespace(face=told))


def test_nothing_is_said_where_no_face_was_looked_at():
    assert face_section(SimpleNamespace(face=None)) == ""


def test_what_one_lamp_reads_is_told_of_the_best():
    html = said(
        face(1, "conforms", east=(READ, UNREAD), north=(READ, READ)), face(2, "rejected", False, north=(UNREAD, READ))
    )
    assert "2 of 2 codes and 2 of 2 lot numbers are read from relief, and 1 code and 2 lot numbers from" in html
    assert "the best single lamp, north." in html
    assert "Every verdict is right: 1 conform, and 1 with something wrong are rejected." in html
    assert "code (east, north), lot (north)" in html
    assert "code: &lt;unread&gt;" in html
    assert "<unread>" not in html


@pytest.mark.parametrize(("verdict", "is_good"), [("conforms", False), ("undecided", True), ("unread", False)])
def test_a_wrong_verdict_is_named(verdict, is_good):
    html = said(face(1, "conforms"), face(2, verdict, is_good))
    assert f"1 verdict not as the truth asks for: face 2 is {verdict}." in html
    assert "Every verdict is right" not in html


def test_a_mark_that_was_misread_is_counted_and_is_not_read():
    html = said(face(1, "rejected", code=OTHER, east=(OTHER, UNREAD)))
    assert "2 marks misread." in html
    assert "0 of 1 codes" in html
    assert "Nothing is misread" not in html


def test_a_gap_without_a_value_says_so():
    one = face(1, "unread")
    html = said(replace(one, gap=replace(one.gap, value=np.nan, U=np.nan)))
    assert "no value" in html
