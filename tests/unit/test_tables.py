"""Tables of numbers: what is read, and how a fault is named."""

import pytest

from tiepoint.documents.tables import read_numbers
from tiepoint.foundation.errors import UnusableDocument


@pytest.mark.parametrize(
    "text",
    [
        "x,y\n1,2\n3.5,-4e1\n",
        "\ufeffX , Y\r\n1,2\r\n\r\n3.5,-4e1\r\n",
        "name,y,x,\na,2,1\nb,-40, 3.5 ,spare\n,,\n",
        '"x","y"\n"1","2"\n"3.5","-40"',
        "# touched on Monday\nx;y\n1;2\n3,5;\u221240\n",
        "y\tx\n2\t1\n-4e1\t3,5\n",
    ],
)
def test_columns_are_found_by_name_in_the_ways_of_any_country(text):
    assert read_numbers(text, ("x", "y")).values == ((1.0, 2.0), (3.5, -40.0))


def test_cells_are_kept_as_typed_and_lines_are_those_of_the_file():
    table = read_numbers("x,y\n\n1.50, 2\n# spare\n3,4\n", ("y", "x"))
    assert table.texts == (("2", "1.50"), ("4", "3"))
    assert table.lines == (3, 5)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty; its first row names the columns: x, y"),
        ("1,2\n3,4\n", "has no column x (its first row reads: 1, 2); the first row must name x, y"),
        ("x,y,x\n1,2,3\n", "names the column x twice"),
        ("x,y\n", "holds no row"),
        ("x,y\n1,2\n\n3,four\n", "row 2 (line 4): y reads 'four'; give a bare number"),
        ("x,y\n1\n", "row 1 (line 2): y is empty"),
        ("x,y\nnan,1\n", "x reads 'nan'"),
        ("x,y\n1,inf\n", "y reads 'inf'"),
        ("x,y\n1,1e999\n", "y reads '1e999', which is beyond all measure"),
        ("x,y\n1_000,1\n", "x reads '1_000'"),
        ("x,y\n٤,1\n", "x reads"),
        ("x,y\n1,5,1\n", "has 3 cells where the first row names 2 columns; with decimal commas part the cells by semi"),
        ('x,y\n"1,1\n', "line 2 cannot be read as a row of cells"),
        ("x,y\n" + "1,1\n" * 11, "holds 11 rows; at most 10 are read"),
    ],
)
def test_a_fault_is_named_with_row_line_and_column(text, said):
    with pytest.raises(UnusableDocument) as caught:
        read_numbers(text, ("x", "y"), "pairs.csv", most_rows=10)
    assert said in str(caught.value)
    assert str(caught.value).startswith("pairs.csv")
    assert "\n" not in str(caught.value)
