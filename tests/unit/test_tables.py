"""Tables of numbers: what is read, and how a fault is named."""

import pytest

from tiepoint.documents.tables import read_numbers
from tiepoint.foundation.errors import UnusableDocument


def read(tmp_path, text: str):
    path = tmp_path / "pairs.csv"
    path.write_text(text, encoding="utf-8")
    return read_numbers(path, ("x", "y"))


@pytest.mark.parametrize(
    "text",
    [
        "x,y\n1,2\n3.5,-4e1\n",
        "\ufeffX , Y\r\n1,2\r\n\r\n3.5,-4e1\r\n",
        "name,y,x,\na,2,1\nb,-40, 3.5 ,spare\n,,\n",
        '"x","y"\n"1","2"\n"3.5","-40"',
    ],
)
def test_columns_are_found_by_name(tmp_path, text):
    assert read(tmp_path, text).values == [[1.0, 2.0], [3.5, -40.0]]


def test_cells_are_kept_as_typed(tmp_path):
    assert read(tmp_path, "x,y\n1.50, 2\n").texts == [["1.50", "2"]]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "has no column x; its first line must name the columns x, y, and it is ''"),
        ("1,2\n3,4\n", "has no column x"),
        ("x;y\n1;2\n", "separate the columns by commas"),
        ("x,y,x\n1,2,3\n", "has the column x twice"),
        ("x,y\n", "has no row"),
        ("x,y\n1,2\n\n3,four\n", "line 4, y is 'four'; give a number with a decimal point"),
        ("x,y\n1\n", "line 2, y is empty"),
        ("x,y\nnan,1\n", "line 2, x is 'nan'"),
        ("x,y\n1,inf\n", "line 2, y is 'inf'"),
        ("x,y\n1_000,1\n", "line 2, x is '1_000'"),
        ('x,y\n"1,5",1\n', "line 2, x is '1,5'"),
        ("x,y\n1,1\n" * 110_000, "at most 200000 are read"),
    ],
)
def test_a_fault_is_named_with_its_line(tmp_path, text, said):
    with pytest.raises(UnusableDocument) as caught:
        read(tmp_path, text)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)
