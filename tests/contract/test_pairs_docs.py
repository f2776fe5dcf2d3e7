"""The pages on pairs, uncertainty and frames keep their word: their tables and examples run."""

import re
from pathlib import Path

import pytest

from tiepoint.documents.tables import read_numbers
from tiepoint.foundation.frames import CONVENTIONS, AngleConvention, Pose3
from tiepoint.ties.pairs import PairsRefused, tie_by_pairs
from tiepoint.ties.suspects import COLUMNS

DOCS = Path(__file__).resolve().parents[2] / "docs"


def blocks(page: str, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", (DOCS / page).read_text(encoding="utf-8"), re.DOTALL)


def test_the_table_of_the_how_to_is_a_tie():
    table = read_numbers(blocks("how-to/tie-by-pairs.md", "csv")[0], COLUMNS)
    made = tie_by_pairs([r[:2] for r in table.values], [r[2:] for r in table.values], texts=table.texts)
    assert made.tie.model == "similarity"
    assert made.diagnosis.findings == ()


def test_swapped_columns_are_answered_as_the_how_to_says():
    table = read_numbers(blocks("how-to/tie-by-pairs.md", "csv")[0], COLUMNS)
    with pytest.raises(PairsRefused) as caught:
        tie_by_pairs([r[:2] for r in table.values], [r[:1:-1] for r in table.values])
    assert blocks("how-to/tie-by-pairs.md", "text")[0].strip() in str(caught.value)


@pytest.mark.parametrize("block", range(2))
def test_the_examples_on_uncertainty_hold(block):
    exec(compile(blocks("explanations/uncertainty.md", "python")[block], "uncertainty.md", "exec"), {})


def test_no_example_on_uncertainty_is_left_out():
    assert len(blocks("explanations/uncertainty.md", "python")) == 2


def axis_text(column):
    return "(" + ", ".join(f"{round(float(v), 4) + 0.0:.4f}" for v in column) + ")"


def test_the_worked_poses_of_every_convention_are_right():
    page = (DOCS / "explanations" / "frames-and-signs.md").read_text(encoding="utf-8")
    rows = [[c.strip() for c in line.split("|")[1:-1]] for line in page.splitlines() if "-deg` |" in line]
    assert {row[0].strip("`") for row in rows} == set(CONVENTIONS)
    for name, meaning, numbers, axes in rows:
        convention: AngleConvention = name.strip("`")
        typed = [float(v) for v in numbers.split(",")]
        turn = Pose3.from_angles(typed[:3], typed[3:], convention).rotation
        assert meaning == CONVENTIONS[convention]
        assert axes == f"{axis_text(turn[:, 0])}, {axis_text(turn[:, 2])}"
