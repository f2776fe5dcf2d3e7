"""What stands of a tie in a taught shape's document, and what of it is the same cause when the part is found."""

from dataclasses import replace

import numpy as np
import pytest

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.sources import Source, half_width, members
from tiepoint.recipe.strain import Strain, strain_from

FIT = members("tie:plane:corners", "Corners", 2, "tie", 40.0)
RULE = Source("instrument:rule/scale", "Scale of the rule", "B", 1e-4, "instrument")
STRAIN = Strain((*FIT, RULE), np.array([[1.0, 2.0, 3.0], [0.0, 1.0, 0.0], [50.0, 50.0, 0.0]]))


def test_what_is_the_same_cause_keeps_its_id():
    assert STRAIN.sources_beside([half_width("other", "Other", 1.0, "tie"), *FIT, RULE]) == STRAIN.sources
    assert STRAIN.sources_beside([]) == STRAIN.sources


def test_a_tie_made_anew_under_its_old_name_errs_for_itself():
    anew = members("tie:plane:corners", "Corners", 3, "tie", 60.0)
    ids = [s.id for s in STRAIN.sources_beside([*anew, RULE])]
    assert ids == ["taught/tie:plane:corners#0", "taught/tie:plane:corners#1", RULE.id]
    # One member that differs is another fit: an ensemble is one or the other.
    mixed = [FIT[0], replace(FIT[1], dof=60.0)]
    assert [s.id for s in STRAIN.sources_beside(mixed)] == ids


def test_it_stretches_along_both_axes_and_shears_about_the_origin():
    moves = STRAIN.moves(np.array([[0.0, 0.0], [2.0, 0.0], [0.0, 1.0]]))
    assert moves[:, :, 0].tolist() == [[0, 0], [2, 0], [3, 2]]
    assert moves[:, :, 2].tolist() == [[0, 0], [100, 0], [0, 50]]


def test_a_document_gives_it_back():
    again = strain_from(STRAIN.to_plain())
    assert again.sources == STRAIN.sources
    assert again.c.tolist() == STRAIN.c.tolist()


@pytest.mark.parametrize(
    "wrong",
    [3, {}, {"sources": 3, "c": []}, {"sources": [{}], "c": [[1, 2, 3]]}, {**STRAIN.to_plain(), "c": [[1, 2, 3]]}],
)
def test_a_damaged_document_is_refused_in_a_sentence(wrong):
    with pytest.raises(UnusableDocument):
        strain_from(wrong)
