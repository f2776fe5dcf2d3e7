"""What studies read: tables, spreadsheets and records, and how what cannot be studied is named."""

import runpy
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from tiepoint.documents import spreadsheets
from tiepoint.documents.grid import grid_of, one_spelling, read_grid
from tiepoint.documents.tables import MOST_ROWS
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.recipe.records import write_records
from tiepoint.studies.measured import chosen, levels_of, of_grid, of_records, read_measured

GAUGE = Path(__file__).parents[1] / "data" / "studies" / "rr_10x3x3.csv"
record = runpy.run_path(str(Path(__file__).parents[1] / "helpers" / "made_records.py"))["record"]


def table(text, **told):
    return of_grid(grid_of(text, ("value",)), **told)


def sheet(path, rows, merge=None):
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    if merge:
        book.active.merge_cells(merge)
    book.save(path)
    return path


# --- tables --------------------------------------------------------------------------------------------------------


def test_the_published_gauge_study_is_read_with_its_parts_factor_and_trials():
    data = read_measured(GAUGE)
    assert len(data) == 90
    assert set(data.factors) == {"appraiser"}
    assert levels_of(data.factors["appraiser"])[0] == ("A", "B", "C")
    assert len(set(data.parts())) == 10
    assert data.values.mean() == pytest.approx(0.00144444, abs=5e-9)  # printed with the set
    assert data.where[0] == "row 1 (line 3)"


def test_factors_are_named_by_the_user_and_what_is_not_used_is_told():
    text = "part,loading,shift,value\n1,a,x,1.5\n2,b,y,1.6\n"
    data = table(text, factors=("Loading",))
    assert dict(data.factors) == {"loading": ("a", "b")}
    assert data.notes == ("Column shift is not used; what differs between readings and is a cause of it should be "
                          "named as a factor.",)  # fmt: skip
    assert set(table(text, factors=("loading", "shift")).factors) == {"loading", "shift"}


def test_one_part_has_one_spelling_and_a_name_stays_a_name():
    assert [one_spelling(x) for x in ("1", "1.0", "+1", "007", "0.50", "A1")] == ["1", "1", "1", "007", "0.5", "A1"]
    assert table("part;value\n1;1,5\n1,0;1,6\n").part[0] == "1"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("part,value\n1,\n", "row 1 (line 2): value is empty; give a number"),
        ("part,value\n1,wide\n", "value reads 'wide'; give a bare number"),
        ('part,value\n1,"0,29"\n', "value reads '0,29'; give a bare number"),
        ("part;value\n1;0,29\n2;0.31\n", "holds 0,29 and 0.31; write all its numbers with one decimal sign"),
        ("part,value\n,1\n", "row 1 (line 2): part reads ''; give a name"),
        ("part,trial,value\n1,1,2.5\n1,1,2.5\n", "row 2 (line 3) repeats row 1 (line 2) cell by cell; keep one"),
        ("part,trial,value\n1,1,2.5\n1,1,2.6\n", "row 1 (line 2) and row 2 (line 3) are both of part 1, trial 1;"),
        ("part,unit,value\n1,mm,2.5\n1,in,2.6\n", "the unit is mm in row 1 (line 2) and in in row 2 (line 3); use one"),
        ("part,value,u\n1,2.5,-0.1\n", "row 1 (line 2): u is negative"),
        ("id,value,record_sha\na,1,b\n", "give the records.jsonl beside it"),
        ("part,size\n1,2\n", "has no column value"),
        ("part,value\n1,1e200\n", "row 1 (line 2): value is 1e+200, which is beyond all measure"),
        ("part,value\n1,1e-200\n", "value is 1e-200, which is beyond all measure"),
    ],
)
def test_what_cannot_be_studied_is_said_with_its_place(text, said):
    with pytest.raises(UnusableInput) as told:
        table(text)
    assert said in str(told.value)


def test_a_factor_that_is_not_there_and_one_that_is_none_are_refused():
    for factor, said in (("carrier", "has no column carrier"), ("value", "value is no factor")):
        with pytest.raises(UnusableInput, match=said):
            table("part,value\n1,2\n", factors=(factor,))


def test_the_unit_is_that_of_the_table_or_the_one_given():
    assert table("value\n1\n", unit="mm").unit == "mm"
    assert table("unit,value\nmm,1\n", unit="mm").unit == "mm"
    with pytest.raises(UnusableInput, match="says that its unit is mm, not in"):
        table("unit,value\nmm,1\n", unit="in")
    for told in ({"text": "unit,value\nparsec,1\n"}, {"text": "value\n1\n", "unit": "parsec"}):
        with pytest.raises(UnusableInput, match="the unit 'parsec' is not known; use one of mm, cm"):
            table(**told)


# --- spreadsheets --------------------------------------------------------------------------------------------------


def test_a_spreadsheet_gives_what_the_same_table_as_text_gives(tmp_path):
    wanted = read_measured(GAUGE)
    text = [line.split(",") for line in GAUGE.read_text().splitlines()[1:]]
    rows = [text[0], *([int(p), a, int(t), float(v)] for p, a, t, v in text[1:])]
    got = read_measured(sheet(tmp_path / "a.xlsx", rows))
    assert np.array_equal(got.values, wanted.values)
    assert (got.part, got.factors, got.trial) == (wanted.part, wanted.factors, wanted.trial)
    assert got.where[0] == "row 2"


def test_what_the_reader_of_spreadsheets_warns_of_is_not_printed_and_no_fault(tmp_path):
    # A number far beyond all dates, that is shown as one, in a column that nobody asks for.
    book = openpyxl.Workbook()
    for row in (["value", "when"], [1.5, 1e10]):
        book.active.append(row)
    book.active["B2"].number_format = "yyyy-mm-dd"
    book.save(tmp_path / "a.xlsx")
    with pytest.warns(UserWarning, match="outside the limits for dates"):
        list(openpyxl.load_workbook(tmp_path / "a.xlsx").active.rows)
    assert read_measured(tmp_path / "a.xlsx").values.tolist() == [1.5]


def test_numbers_of_a_spreadsheet_lose_no_digit(tmp_path):
    values = [0.1, 1 / 3, 1e-17, 12345678901234.5, -2.0]
    got = read_measured(sheet(tmp_path / "a.xlsx", [["value"], *([v] for v in values)]))
    assert got.values.tolist() == values


@pytest.mark.parametrize(
    ("rows", "merge", "said"),
    [
        ([["part", "value"], [1, 2.0], [None, 3.0]], "A2:A3", "has merged cells (A2:A3)"),
        ([["part", "value"], [1, "=1+1"]], None, "cell B2 holds a formula without a value"),
        ([["value"], ["=1+1"], ["=1+2"]], None, "cell A2 holds a formula without a value"),
        ([["value"], [2.0], [3.0], ["=1+2"]], None, "cell A4 holds a formula without a value"),
        ([["part", "value"], [1, "0,29"]], None, "row 2: value reads '0,29'; give a bare number"),
        ([["part", "value"], [1, True]], None, "row 2: value reads 'TRUE'"),
        ([["part", "value"], [1, None]], None, "row 2: value is empty"),
        ([["part", "value"], [1, 2.0, "note"]], None, "row 2 has cells beyond the 2 columns"),
        ([["part", "size"], [1, 2.0]], None, "has no sheet whose first row names value (it reads Sheet: part, size)"),
        ([["part", "value"]], None, "holds no row"),
    ],
)
def test_a_spreadsheet_that_is_no_table_is_named_with_its_cell(tmp_path, rows, merge, said):
    with pytest.raises(UnusableDocument) as told:
        read_measured(sheet(tmp_path / "a.xlsx", rows, merge))
    assert said in str(told.value)


def test_two_sheets_that_could_be_meant_and_damaged_files_are_refused(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["value"])
    book.create_sheet("second").append(["value"])
    book.save(tmp_path / "two.xlsx")
    (tmp_path / "cut.xlsx").write_bytes((tmp_path / "two.xlsx").read_bytes()[:900])
    (tmp_path / "text.xlsx").write_text("value\n1\n")
    (tmp_path / "old.xls").write_bytes(b"\xd0\xcf")
    for name, said in (
        ("two.xlsx", "2 sheets with these columns (Sheet, second)"),
        ("cut.xlsx", "cannot be read as a spreadsheet"),
        ("text.xlsx", "cannot be read as a spreadsheet"),
        ("old.xls", "save it as .xlsx or .csv"),
    ):
        with pytest.raises(UnusableDocument) as told:
            read_grid(tmp_path / name, ("value",))
        assert said in str(told.value)


def test_a_stray_cell_in_the_far_corner_is_no_table_without_end(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["value"])
    book.active.cell(1_048_576, 16_384, 1)
    book.save(tmp_path / "far.xlsx")
    with pytest.raises(UnusableDocument, match="row 1048576 has cells beyond the 1 columns that are named; clear them"):
        read_measured(tmp_path / "far.xlsx")


def test_a_formula_that_gives_an_empty_text_is_no_row(tmp_path):
    # Sheets are prepared so, =IF(A3="","",A3*2) down to their foot. As spreadsheet programs save it (from memory).
    book = openpyxl.Workbook()
    for row in (["part", "value"], [1, 2.5], [None, '=IF(A3="","",A3*2)']):
        book.active.append(row)
    book.save(tmp_path / "plain.xlsx")
    name = "xl/worksheets/sheet1.xml"
    with zipfile.ZipFile(tmp_path / "plain.xlsx") as old, zipfile.ZipFile(tmp_path / "f.xlsx", "w") as new:
        for entry in old.namelist():
            content = old.read(entry)
            new.writestr(entry, content.replace(b'r="B3"', b'r="B3" t="str"') if entry == name else content)
    assert read_grid(tmp_path / "f.xlsx", ("value",)).rows == (("1", "2.5"),)


def test_a_sheet_that_understates_its_size_is_read_to_its_end(tmp_path):
    sheet(tmp_path / "a.xlsx", [["part", "value"], [1, 2.5], [2, 3.5]])
    with zipfile.ZipFile(tmp_path / "a.xlsx") as old, zipfile.ZipFile(tmp_path / "b.xlsx", "w") as new:
        for entry in old.namelist():
            new.writestr(entry, old.read(entry).replace(b'ref="A1:B3"', b'ref="A1:A2"'))
    assert len(read_grid(tmp_path / "b.xlsx", ("value",)).rows) == 2


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_table_that_is_too_long_is_not_read_to_its_end(tmp_path, kind, monkeypatch):
    """What comes after the bound is damaged, and nobody gets there."""
    if kind == "csv":
        (tmp_path / "a.csv").write_text("value\n" + "1\n" * (MOST_ROWS + 1) + '"\n', encoding="utf-8")
    else:
        monkeypatch.setattr(spreadsheets, "MOST_ROWS", 50)
        sheet(tmp_path / "a.xlsx", [["value"], *([k] for k in range(60))])
        with zipfile.ZipFile(tmp_path / "a.xlsx") as old:
            parts = {entry: old.read(entry) for entry in old.namelist()}
        name = "xl/worksheets/sheet1.xml"
        parts[name] = parts[name].replace(b'<row r="58"', b'<row r="fifty-eight"')
        with zipfile.ZipFile(tmp_path / "a.xlsx", "w") as new:
            for entry, content in parts.items():
                new.writestr(entry, content)
    with pytest.raises(UnusableDocument, match="rows; no more are read, so give it in parts"):
        read_grid(tmp_path / f"a.{kind}", ("value",))


# --- records -------------------------------------------------------------------------------------------------------


def test_records_are_read_in_their_order_and_what_was_not_read_is_told(tmp_path):
    write_records(tmp_path, [record(1, 4.51), record(2, None), record(3, 4.52, "p2")])
    data = read_measured(tmp_path / "records.jsonl", factors=("variant", "day"))
    assert data.values.tolist() == [4.51, 4.52]
    assert (data.unit, data.name, data.unread) == ("mm", "bore A.diameter", 1)
    assert data.part == ("p1", "p2")
    assert data.where == ("record 1", "record 3")
    assert data.factors == {"variant": ("large", "large"), "day": ("2026-05-04", "2026-05-04")}
    assert data.u == pytest.approx([0.002, 0.002])
    assert "1 of 3 readings have no value and are left out: record 2" in data.notes[0]


def test_records_that_do_not_belong_together_are_refused():
    one = record(1)
    for others, told, said in (
        ([record(2, recipe="1")], {}, "record 1 was made by the recipe 00000000 and record 2 by 11111111"),
        ([record(2, unit="in")], {}, "is mm (record 1) and in (record 2)"),
        ([one], {}, "record 1 is there more than once"),
        ([record(2)], {"reading": "bore B.diameter"}, "no reading 'bore B.diameter'; it has bore A.diameter"),
        ([record(2)], {"factors": ("loading",)}, "records tell no loading"),
        ([record(2, taken=None)], {"factors": ("day",)}, "record 2 does not tell its day"),
    ):
        with pytest.raises(UnusableInput) as raised:
            of_records([one, *others], **{"reading": None, **told})
        assert said in str(raised.value)
    with pytest.raises(UnusableInput, match="holds no record"):
        of_records([], None)
    with pytest.raises(UnusableInput, match="was read in none of 1 records"):
        of_records([record(1, None)], None)


def test_chosen_values_keep_what_is_known_of_them():
    data = read_measured(GAUGE)
    few = chosen(replace(data, u=np.arange(90.0)), np.array([5, 3]))
    assert few.values.tolist() == data.values[[5, 3]].tolist()
    assert few.where == (data.where[5], data.where[3])
    assert few.u.tolist() == [5.0, 3.0]
    assert few.factors["appraiser"] == tuple(data.factors["appraiser"][k] for k in (5, 3))


# --- run sheets ----------------------------------------------------------------------------------------------------


def test_a_run_sheet_that_was_sorted_is_read_in_the_order_of_its_runs():
    data = table("run,part,carrier,trial,value\n3,1,A,1,4.3\n1,2,A,1,4.1\n2,1,B,1,4.2\n", factors=("carrier",))
    assert data.values.tolist() == [4.1, 4.2, 4.3]
    assert data.where == ("row 2 (line 3)", "row 3 (line 4)", "row 1 (line 2)")
    assert data.notes == ()
    with pytest.raises(UnusableInput, match="run 1 is there twice"):
        table("run,part,value\n1,1,4.3\n1,2,4.1\n")


def sheet_of(text):
    return grid_of(text, ("part",), "runs.csv")


def test_a_run_sheet_tells_records_what_was_put_in():
    records = [record(1, 4.51), record(2, None), record(3, 4.53, "p2")]
    by_row = sheet_of("part,carrier,reference\np1,A,4.5\np1,B,4.5\np2,B,4.6\n")
    by_shot = sheet_of("shot,part,carrier,reference\ns3,p2,B,4.6\ns2,p1,B,4.5\ns1,p1,A,4.5\n")
    by_record = sheet_of("record,part,carrier,reference\n3,p2,B,4.6\n2,p1,B,4.5\n1,p1,A,4.5\n")
    for sheet in (by_row, by_shot, by_record):
        data = of_records(records, None, ("carrier",), "records.jsonl", sheet)
        assert data.part == ("p1", "p2")
        assert data.factors == {"carrier": ("A", "B")}
        assert data.reference.tolist() == [4.5, 4.6]
        assert data.unread == 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("part\np1\n", "runs.csv has 1 rows and records.jsonl 2 records"),
        ("part\np1\np3\n", "runs.csv, row 2 (line 3) is of part p3, and record 2 of part p2"),
        ("shot,part\ns1,p1\n", "has no row for shot s2 of records.jsonl"),
        ("shot,part\ns1,p1\ns2,p2\ns2,p2\n", "names a shot in two rows"),
    ],
)
def test_a_run_sheet_that_does_not_fit_its_records_is_refused(text, said):
    with pytest.raises(UnusableInput) as told:
        of_records([record(1), record(2, part="p2")], None, (), "records.jsonl", sheet_of(text))
    assert said in str(told.value)


def test_a_run_sheet_belongs_to_records_alone(tmp_path):
    with pytest.raises(UnusableInput, match="needs no run sheet"):
        read_measured(GAUGE, sheet=tmp_path / "runs.csv")


@pytest.mark.parametrize("columns", ["part,value", "part,trial,value"])
def test_rows_that_were_pasted_twice_are_refused_wherever_they_stand(tmp_path, columns):
    rng = np.random.default_rng(4)
    rows = [[f"{k % 6}", f"{rng.normal(10, 0.1):.3f}"] for k in range(24)]
    rows += rows[6:18]
    if "trial" in columns:
        rows = [[part, f"t{k}", value] for k, (part, value) in enumerate(rows)]
    path = tmp_path / "t.csv"
    path.write_text("\n".join([columns, *map(",".join, rows)]))
    with pytest.raises(
        UnusableInput, match=r"rows from row 7 \(line 8\) on are there again from row 25 \(line 26\) on"
    ):
        read_measured(path)


@pytest.mark.parametrize("digits", [1, 2, 3])
def test_values_that_happen_to_be_the_same_again_are_no_pasted_rows(tmp_path, digits):
    # A hundred tables of each kind: rounded coarsely, sorted, slowly drifting in steps.
    rng = np.random.default_rng(digits)
    for k in range(100):
        values = 10 + np.cumsum(rng.normal(0, 0.02, 60)) if k % 2 else rng.normal(10, 0.1, 60)
        path = tmp_path / "t.csv"
        path.write_text("value\n" + "\n".join(f"{v:.{digits}f}" for v in (np.sort(values) if k % 3 == 0 else values)))
        assert len(read_measured(path)) == 60
