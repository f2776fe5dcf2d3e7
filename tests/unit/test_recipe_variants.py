"""`variants.csv`: read, and refused with line and column."""

from pathlib import PurePath

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tiepoint.foundation.errors import TiepointError, UnusableDocument
from tiepoint.recipe.variants import choose, read_variants

TABLE = """variant,height_mm,u_height_mm,recipe,bore_a,mark
left,3.0,0.02,recipes/plate.toml,4.5,GV-82-L
right,,,,4.6,GV-82-R
"""


def test_a_table_is_read_by_name():
    variants = read_variants(TABLE)
    left = variants["left"]
    assert (left.height_mm, left.u_height_mm, left.recipe) == (3.0, 0.02, "recipes/plate.toml")
    assert left.columns == {"bore_a": "4.5", "mark": "GV-82-L"}
    assert (variants["right"].height_mm, variants["right"].u_height_mm) == (None, None)


def test_empty_lines_spaces_and_missing_last_cells_are_no_fault():
    variants = read_variants("variant , bore_a, note\n\n left , 4.5\n")
    assert variants["left"].columns == {"bore_a": "4.5", "note": ""}


@pytest.mark.parametrize("separator", [";", "\t"])
def test_spreadsheets_of_any_country_write_it(separator: str):
    text = "\n" + TABLE.replace("plate.toml,4.5", "plate.toml,4\v5").replace("3.0,0.02", "3\v0,0\v02")
    text = text.replace("4.6", "4\v6").replace(",", separator).replace("\v", ",")
    assert read_variants(text) == read_variants(TABLE)


def test_a_name_is_no_number():
    table = read_variants("recipe;variant;a\n1,5.toml;3,5;4,5\nx.toml;3.5;4,6\n")
    assert [(v.name, v.recipe, v.columns["a"]) for v in table.values()] == [
        ("3,5", "1,5.toml", "4.5"),
        ("3.5", "x.toml", "4.6"),
    ]


def test_a_variant_knows_its_recipe_by_name():
    left, right = read_variants(TABLE).values()
    assert left.is_for(PurePath("elsewhere/plate.toml"))
    assert not left.is_for(PurePath("recipes/lid.toml"))
    assert right.is_for(PurePath("recipes/lid.toml"))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "variants.csv is empty; its first line names the columns: variant, height_mm"),
        ("variant,bore_a\n", "names columns but no variant"),
        ("name,bore_a\nleft,1\n", "the first line has no column variant"),
        ("variant;bore_a\nleft,1\n", 'line 2: the variant\'s name reads "left,1"; part'),
        ("variant,bore_a\nleft;4,5\n", 'line 2: the variant\'s name reads "left;4"; part all cells as the first line'),
        ("variant;a\nleft;4,5\nright;4.5\n", "holds 4,5 and 4.5; write all its numbers with one decimal sign"),
        ("variant\ta\nleft\t4,500\n", "where the comma may be a decimal one or part thousands"),
        ("variant,,x\nleft,1,2\n", "column 2 has no name in the first line"),
        ("variant,a,a\nleft,1,2\n", 'the column "a" stands twice in the first line'),
        ("variant,a\nleft,1,2\n", "variants.csv, line 2 has 3 cells where the first line names 2 columns"),
        ("variant,a\nleft,1\n\nleft,2\n", 'variants.csv, line 4: variant "left" stands twice'),
        ("variant,a\n,1\n", "variants.csv, line 2 has no name in the column variant"),
        ("variant,height_mm\nleft,tall\n", 'line 2: height_mm is "tall"; give a number of millimetres'),
        ("variant,height_mm\nleft,1_0\n", 'line 2: height_mm is "1_0"; give a number of millimetres'),
        ("variant,height_mm\nleft,٦\n", 'line 2: height_mm is "٦"; give a number of millimetres'),
        ("variant,height_mm\nleft,nan\n", 'line 2: height_mm is "nan"; give a number of millimetres'),
        ("variant,height_mm,u_height_mm\nleft,1,-1\n", "line 2: u_height_mm is -1; choose 0 or above"),
        ("variant,height_mm,u_height_mm\nleft,,1\n", "line 2: u_height_mm stands without height_mm"),
    ],
)
def test_a_faulty_table_is_named_by_line_and_column(text: str, said: str):
    with pytest.raises(UnusableDocument) as caught:
        read_variants(text)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_unknown_variant_is_told_which_there_are():
    with pytest.raises(UnusableDocument, match='no variant "middle"; there are "left" and "right"'):
        choose(read_variants(TABLE), "middle")


@settings(deadline=None)
@given(st.text(alphabet='variant,height_mm\n"0123456789;. \t', max_size=200) | st.text(max_size=80))
def test_any_text_is_read_or_refused_in_a_sentence(text: str):
    for table in (TABLE + text, text):
        try:
            variants = read_variants(table)
        except TiepointError as error:
            said = str(error)
        else:
            said = " ".join(variants)
        assert said
