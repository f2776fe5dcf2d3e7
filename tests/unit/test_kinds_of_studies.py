"""Every kind of study is known wherever studies are told apart: a list that was forgotten is named here."""

import re
from importlib.resources import files
from typing import get_args

import pytest

from tiepoint.cli.answer import InOrderOfTheJob
from tiepoint.report import study_numbers
from tiepoint.report.acceptance_evidence import KINDS, OF_DUTY
from tiepoint.station import matrix
from tiepoint.station.requirements import _OF_THE_TOLERANCE, FIGURES, ON_DUTY, By

STUDIES = [kind for kind in get_args(By) if kind not in ON_DUTY]


@pytest.mark.parametrize("kind", STUDIES)
def test_a_kind_that_may_be_asked_for_is_known_everywhere(kind):
    assert kind in matrix._FIGURES, "station/matrix.py does not know by which figure it is held"
    assert kind in study_numbers._KINDS, "report/study_numbers.py does not know its numbers"
    assert kind in KINDS, "report/acceptance_evidence.py does not know what it is called"
    assert kind in InOrderOfTheJob.ORDER, "cli/answer.py does not know its place"
    assert (kind in FIGURES) != (kind in ("agreement", "trial")), "station/requirements.py does not name its figures"


def test_no_list_knows_a_kind_that_nobody_may_ask_for():
    for known in (matrix._FIGURES, study_numbers._KINDS, KINDS, _OF_THE_TOLERANCE):
        assert set(known) <= set(STUDIES)
    assert set(FIGURES) <= {*STUDIES, *ON_DUTY}
    assert set(OF_DUTY) == set(ON_DUTY)


def test_the_page_has_a_formula_of_every_study():
    script = (files("tiepoint.report") / "formulas.js").read_text(encoding="utf-8")
    (returned,) = re.findall(r"return \{\n    (reading, .*?),\n", script)
    assert set(STUDIES) <= set(returned.split(", "))
