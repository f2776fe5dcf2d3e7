"""Tables of numbers: what is read, and how a fault is named."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as some

from tiepoint.documents.grid import grid_of
from tiepoint.documents.tables import read_numbers, typed_with_point
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
        "x,y,from; to\n1,2,3\n3.5,-40,3\n",
        "x;y;measured, then told\n1;2;3.25\n3,500;-40;\n",
        "x\ty\n1,000\t2\n3,5\t-40\n",
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
        ("x;y\n1,5;2\n1.5;2\n", "holds 1,5 and 1.5; write all its numbers with one decimal sign"),
        ("x\ty\n1,500\t2\n", "holds 1,500, where the comma may be a decimal one or part thousands; part the cells by"),
        ("x;y\n1.234,5;2\n", "row 1 (line 2): x reads '1.234,5'; give a bare number"),
        ("x,y\n1;2\n", "x reads '1;2'; give a bare number"),
        ('x,y\n"1,1\n', "line 2 cannot be read as a row of cells"),
        ("x,y\n" + "1,1\n" * 11, "holds more than 10 rows; no more are read, so give it in parts"),
    ],
)
def test_a_fault_is_named_with_row_line_and_column(text, said):
    with pytest.raises(UnusableDocument) as caught:
        read_numbers(text, ("x", "y"), "pairs.csv", most_rows=10)
    assert said in str(caught.value)
    assert str(caught.value).startswith("pairs.csv")
    assert "\n" not in str(caught.value)


numbers = some.floats(allow_nan=False, allow_infinity=False).map(lambda value: round(value, 6))


@given(
    rows=some.lists(some.tuples(numbers, numbers), min_size=1, max_size=20),
    separator=some.sampled_from([",", ";", "\t"]),
    sign=some.sampled_from([".", ","]),
    more=some.sampled_from(["", "note", "a; b", "a, b", "a\tb"]),
)
def test_a_number_is_read_as_it_was_written_or_not_at_all(rows, separator, sign, more):
    if separator == "," and sign == ",":
        sign = "."
    header = separator.join(["y", f'"{more}"', "x"])
    lines = [separator.join([f"{y!r}".replace(".", sign), "", f"{x!r}".replace(".", sign)]) for x, y in rows]
    text = "\n".join([header, *lines])
    try:
        read = read_numbers(text, ("x", "y"))
    except UnusableDocument:
        assert (separator, sign) == ("\t", ","), "only a tab leaves open what a comma means"
        return
    assert list(read.values) == rows
    assert set(grid_of(text, ("x", "y")).header) >= {"x", "y"}


@given(some.text(alphabet='xy,;\t\n"0123456789.-eE', max_size=80))
def test_any_text_is_finite_numbers_or_one_sentence(text):
    for table in (text, "x,y\n" + text, "x;y\n" + text, "x\ty\n" + text):
        try:
            read = read_numbers(table, ("x", "y"))
        except UnusableDocument as error:
            said = str(error)
        else:
            said = "read"
            assert all(math.isfinite(value) for row in read.values for value in row)
        assert "\n" not in said


def test_names_stand_beside_numbers_however_they_are_parted():
    assert grid_of("pose;x_mm, of the flange;x_mm\nP 1;0;1,5\n", ("pose", "x_mm")).names("pose") == ("P 1",)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("12,5", "12.5"), ("-0,5", "-0.5"), (",5 mm", ".5 mm"), ("1,5in", "1.5in"), (" 3,25 ", "3.25"),
        ("12.5", "12.5"),
        ("1,234,567", "1,234,567"), ("1,234.5", "1,234.5"), ("60,40 x 3", "60.40 x 3"), ("", ""), ("a,b", "a,b"),
        ("1,2; 3,4", "1,2; 3,4"), ("١,٥", "١,٥"),
    ],
)  # fmt: skip
def test_a_number_that_was_typed_with_a_comma_gets_a_point_and_any_other_text_stays(text, told):
    assert typed_with_point(text) == told
