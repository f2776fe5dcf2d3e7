"""What a verdict advises: true to what it was told, and plain about what is not enough.

The ties are affine maps with independent errors along x alone, so that every U is a closed form: 1.96 times the root of
the sum of squares.
"""

from dataclasses import replace

import numpy as np
import pytest

from tiepoint.foundation.sources import Source
from tiepoint.ties.sensor import Sensor
from tiepoint.ties.tie import PARAMETERS, Tie
from tiepoint.ties.verdict import good_for, length_told

HEIGHT = Source("height:part", "Height", "B", 0.03, "part")
BOW = Source("tie:t:bow#1", "Bow of the page", "B", 0.04, "tie")


def tie(*sources: Source, made: str = "target", covered: float = 0.8) -> Tie:
    """Return 0.05 mm/px over 640 × 480 px; each source shifts everything along x by its u in mm."""
    factor = np.zeros((len(PARAMETERS), len(sources)))
    # The third of the nine numbers of the map is the shift along x.
    factor[2] = 1.0
    return Tie(
        id="t",
        made=made,
        from_frame="image",
        to_frame="plane",
        model="affine",
        matrix=np.array([[0.05, 0.0, 0.0], [0.0, -0.05, 24.0], [0.0, 0.0, 1.0]]),
        valid_region=np.array([[0.0, 0.0], [600.0, 0.0], [600.0, 479.0], [0.0, 479.0]]),
        sources=sources,
        factor=factor,
        covered_share=covered,
        sensor=Sensor(640, 480),
    )


def test_the_u_that_was_typed_is_the_u_that_is_told():
    for typed in (0.3, 0.125, 0.026):
        said = good_for(tie(replace(HEIGHT, u=typed)), typed).sentences[-1]
        assert f"instead of {typed:g} mm" in said


def test_advice_that_is_enough_says_so():
    # U = 1.96·0.03 = 59 µm; ±0.1 mm allows 30 µm: a u of 0.0153 mm, of which 0.01 mm is the round one.
    verdict = good_for(tie(HEIGHT), 0.1)
    assert verdict.sentences[-1].endswith(
        "measure the height to a standard u of 0.01 mm instead of 0.03 mm, and U falls from 59 µm to 20 µm, "
        "which is enough everywhere."
    )


def test_advice_that_is_not_enough_says_so_and_names_what_comes_next():
    # U = 1.96·√(0.03² + 0.04²) = 98 µm; without any bow 59 µm are left, and ±0.1 mm allows 30 µm.
    said = good_for(tie(HEIGHT, BOW), 0.1).sentences[-1]
    assert "The bow of the page is 64 % of its variance" in said
    assert "Were it 10 times smaller, U would fall from 98 µm to 59 µm." in said
    assert said.endswith("That alone is not enough everywhere, 30 µm being allowed: next comes the height, with 36 %.")


def test_where_all_is_good_half_as_much_is_no_question_of_enough():
    said = good_for(tie(BOW), 1.0).sentences[-1]
    assert said.endswith("Were it half as large, U would fall from 78 µm to 39 µm.")


@pytest.mark.parametrize(("made", "covered", "told"), [("target", 0.26, True), ("target", 0.8, False),
                                                       ("pairs", 0.26, False)])  # fmt: skip
def test_a_target_that_fills_little_of_the_picture_is_told(made, covered, told):
    said = good_for(tie(BOW, made=made, covered=covered), 1.0).sentences[-1]
    assert (
        said.endswith("26 % of the picture, and the tie holds there only: go closer, or take a larger target.") == told
    )


@pytest.mark.parametrize(
    ("mm", "told"), [(0.1, "0.10 mm"), (1.0, "1.0 mm"), (9.96, "10 mm"), (0.0234, "23 µm"), (0.0994, "99 µm"),
                     (0.00996, "10 µm"), (0.002, "2.0 µm"), (0.0999, "0.10 mm")]
)  # fmt: skip
def test_small_lengths_have_two_figures(mm, told):
    assert length_told(mm) == told
