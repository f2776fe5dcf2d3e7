"""How the acceptance report tells figures: shares as a customer says them, and marks that need no colour."""

import json
import math
import re
from importlib.resources import files

import numpy as np
import pytest

from tiepoint.report.acceptance import _interval, asked_said
from tiepoint.report.axes import Axis
from tiepoint.report.risk_pictures import _names
from tiepoint.report.study_rows import of_all
from tiepoint.station.matrix import Found
from tiepoint.station.requirements import Requirement


@pytest.mark.parametrize(
    ("share", "says"),
    [
        (0.0, "0 %"),
        (2.35e-15, "fewer than 0.1 of a million"),
        (5e-5, "50 of a million"),
        (0.0758, "7.58 %"),
        (1, "100 %"),
    ],
)
def test_a_share_is_told_in_per_cent_or_of_a_million(share, says):
    assert of_all(share) == says


@pytest.mark.parametrize(
    ("found", "is_share", "says"),
    [
        (Found("escapes", 0.0, 0.0, 0.0758), True, "0 % (0 % to 7.58 %)"),
        (Found("risk", 2e-15, 9e-16, 5e-10), True, "fewer than 0.1 of a million, at both ends of its interval too"),
        (Found("drift", 1.48e-6, 0.0, 0.000372, "mm"), False, "0.000001 (0 to 0.000372) mm"),
        (Found("bias", -0.003085, -0.003864, -0.002306, "mm"), False, "−0.00309 (−0.00386 to −0.00231) mm"),
        (Found("Cgk", 4.552, 3.255, math.inf), False, "4.55 (3.25 to open)"),
        (Found("of nothing", math.nan, 0.0, 0.5), True, "(0 % to 50 %)"),
    ],
)
def test_a_figure_stands_with_its_interval_to_one_place(found, is_share, says):
    assert _interval(found, is_share) == says


@pytest.mark.parametrize(
    ("by", "limit", "says"),
    [
        ("limits", {"most": 5e-5}, "≤ 50 of a million"), ("rr", {"most": 0.3}, "≤ 30 %"),
        ("type1", {"least": 1.33}, "≥ 1.33"), ("linearity", {"most": 15, "unit": "um"}, "≤ 15 µm"),
        ("times", {"most": 2}, "≤ 2 s"), ("faults", {}, ""),
    ],
)  # fmt: skip
def test_what_was_asked_is_told_as_what_was_found(by, limit, says):
    assert asked_said(Requirement.read({"id": "R1", "says": "It is so.", "by": by, **limit}, "")) == says


def test_no_two_marks_on_paper_differ_by_colour_alone():
    typst = pytest.importorskip("typst")
    source = (files("tiepoint.report") / "acceptance.typ").read_text(encoding="utf-8")
    head = source[: source.index("#let number(")]
    report = json.dumps({"title": "", "kicker": "", "foot": ""})
    drawn = set()
    kinds = ("conforms", "rejected", "undecided", "unread", "shown", "not shown", "not tried")
    for kind in kinds:
        svg = typst.compile(f'{head}#mark("{kind}")'.encode(), format="svg", sys_inputs={"report": report}).decode()
        drawn.add(re.sub(r'#[0-9a-f]{6}\b|(id|href)="[^"]*"|url\([^)]*\)', "", svg))
    assert len(drawn) == len(kinds)


@pytest.mark.parametrize("last", [(1e-9, 1e-9), (2e-3, 2.2e-3), (1e-7, 0.5)])
def test_names_of_risk_curves_never_lie_upon_each_other(last):
    y = Axis(1e-7, 1.0, 284.0, 44.0, log=True)
    curves = {"bad": np.array([0.1, last[0]]), "good": np.array([0.1, last[1]])}
    places = [float(at) for at in re.findall(r' y="([\d.]+)"', "".join(_names(Axis(0, 1, 104.0, 410.0), y, curves)))]
    assert len(places) == 2
    assert abs(places[0] - places[1]) >= 14 - 1e-9
