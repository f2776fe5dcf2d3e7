"""Dataclasses from their plain data: what comes back is what went in."""

import math
from pathlib import Path

import pytest

from tiepoint.documents.revived import outcome_of, revived
from tiepoint.foundation.errors import UnusableDocument
from tiepoint.studies.figure import Figure
from tiepoint.studies.linearity import LinearityStudy, study_linearity
from tiepoint.studies.measured import read_measured
from tiepoint.studies.rr import RrStudy, study_rr

GAUGE = Path(__file__).parents[1] / "data" / "studies" / "rr_10x3x3.csv"


def test_a_study_comes_back_as_it_was():
    study = study_rr(read_measured(GAUGE), tolerance=8.0)
    content = outcome_of(study)
    again = revived(RrStudy, {**content, "ndc": 4})
    assert outcome_of(again) == content
    assert again.ndc == study.ndc
    assert again.data.values.dtype == float


def test_an_open_end_is_null_in_a_document_and_infinite_again():
    assert outcome_of(Figure(1.0, -math.inf, math.inf)) == {"value": 1.0, "low": None, "high": None, "confidence": 0.95}
    assert revived(Figure, {"value": 1, "low": None, "high": None, "confidence": 0.95}) == Figure(
        1.0, -math.inf, math.inf
    )


@pytest.mark.parametrize("content", [{}, None, {"value": "x", "low": 0, "high": 0, "confidence": 0}, 3])
def test_what_is_of_another_kind_is_told(content):
    with pytest.raises(UnusableDocument, match="no Figure"):
        revived(Figure, content)


def test_a_study_that_was_kept_before_a_field_was_there_still_loads():
    line = read_measured(Path(__file__).parents[1] / "data" / "studies" / "linearity_5x12.csv")
    kept = outcome_of(study_linearity(line))
    del kept["u_own"]
    assert revived(LinearityStudy, kept).u_own is None
    del kept["slope"]
    with pytest.raises(UnusableDocument, match="slope"):
        revived(LinearityStudy, kept)
