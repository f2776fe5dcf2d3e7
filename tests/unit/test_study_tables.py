"""What studies take from tables: the same from a spreadsheet as from text."""

import numpy as np
import openpyxl
import pytest

from tiepoint.documents.grid import grid_of, read_grid
from tiepoint.station.study_tables import causes, cycles, decisions

HEAD = ("pose", "x_mm", "y_mm", "turn_deg", "commanded_x_mm", "commanded_y_mm", "commanded_turn_deg")
ROWS = [("1", 10.01, 0.02, 179.99, 10, 0, -180), ("1.0", 10.0, 0.01, -179.98, 10, 0, -180), ("b", 1, 2, 3, 1, 2, 3)]


def test_a_spreadsheet_of_cycles_is_read_as_its_text_is(tmp_path):
    book = openpyxl.Workbook()
    for row in (HEAD, *ROWS):
        book.active.append(row)
    book.save(tmp_path / "cycles.xlsx")
    text = "\n".join(",".join(map(str, row)) for row in (HEAD, *ROWS))
    of_text, of_book = cycles(grid_of(text, HEAD)), cycles(read_grid(tmp_path / "cycles.xlsx", HEAD))
    assert [c.name for c in of_text] == [c.name for c in of_book] == ["1", "b"]
    for one, other in zip(of_text, of_book, strict=True):
        assert np.array_equal(one.xyz_mm, other.xyz_mm)
        assert np.array_equal(one.commanded_mm, other.commanded_mm)
        assert np.array_equal(one.turns_deg, other.turns_deg)
    # −180° and 179.99° are a hundredth of a degree apart, by hand.
    assert of_text[0].turns_deg[:, 0] == pytest.approx([-0.01, 0.02])


def test_a_repeat_by_another_rater_is_no_row_twice():
    text = "part,trial,value,reference,shift\np,1,good,good,early\np,1,bad,good,late\n"
    assert [d.rater for d in decisions(grid_of(text, ("part", "value")), "shift")] == ["early", "late"]


def test_dof_that_nobody_states_are_not_known():
    found = causes(grid_of("cause,value,dof\nBias,0.1,\ncalibration,0.2,inf\n", ("cause", "value")))
    assert [(c.kind, c.stated_dof) for c in found] == [("bias", None), ("calibration", float("inf"))]
