"""The two workbooks made for people to fill in: refused rows, and an empty template."""

import io
from datetime import date, time

import openpyxl

from sheets.headings import Field
from sheets.reading import Fault, Formula, read_workbook
from sheets.refusals import RefusedRow, write_refusals
from sheets.table import Remark, tables
from sheets.template import write_template

FIELDS = (
    Field(
        "staff_number",
        "Staff number",
        kind="staff number",
        required=True,
        about="As in the staff list.",
        example="0421",
    ),
    Field("day", "Date", ("insertion date",), "day", True),
    Field("at", "Time", (), "time"),
    Field("attempts", "Attempts", (), "whole number"),
    Field("site", "Site", (), "choice", choices=tuple(f"Place {n}" for n in range(60))),
)


def refusals(*rows, **options) -> bytes:
    stream = io.BytesIO()
    write_refusals(stream, FIELDS, rows, **options)
    return stream.getvalue()


ROW = RefusedRow(
    "Nov",
    7,
    {"staff_number": "=1+1", "day": "31/2/2025", "at": time(14, 30), "attempts": Formula(2.0), "site": Fault()},
    [
        Remark("There is no such day.", column="Date"),
        Remark("Nobody has this number.", column="staff_number"),
        Remark("Twice."),
    ],
)


def test_a_refused_row_stands_beside_its_reasons_with_its_bad_cells_marked():
    sheet = openpyxl.load_workbook(io.BytesIO(refusals(ROW, headings={"day": "Datum"}))).active
    assert [cell.value for cell in sheet[1]] == [
        "Why it was not stored", "Staff number", "Datum", "Time", "Attempts", "Site", "From sheet", "From row",
    ]  # fmt: skip
    row = sheet[2]
    assert row[0].value == "Date: There is no such day.\nStaff number: Nobody has this number.\nTwice."
    assert [cell.value for cell in row[1:]] == ["'=1+1", "31/2/2025", time(14, 30), 2, "(an error)", "Nov", 7]
    assert [cell.fill.fill_type for cell in row[:4]] == [None, "solid", "solid", None]
    assert not any(cell.data_type == "f" for cell in row)


def test_texts_that_look_like_errors_stay_texts():
    row = RefusedRow("Nov", 7, {"staff_number": "#N/A", "day": "#REF!"}, [Remark("No.")])
    cells = openpyxl.load_workbook(io.BytesIO(refusals(row))).active[2]
    assert [(cell.value, cell.data_type) for cell in cells[1:3]] == [("#N/A", "s"), ("#REF!", "s")]


def test_refused_rows_are_read_again_as_they_were():
    found = tables(read_workbook(refusals(ROW, ROW, headings={"day": "Insertion date"})), FIELDS)
    assert [row.number for row in found.rows()] == [2, 3]
    assert next(found.rows()).values["day"] == "31/2/2025"
    assert next(iter(found)).missing == ()


def test_fields_that_were_not_asked_for_do_not_come_back():
    row = RefusedRow("Nov", 7, {"staff_number": "1", "record_number": "1234567"}, [Remark("No.")])
    values = [cell.value for line in openpyxl.load_workbook(io.BytesIO(refusals(row))).active for cell in line]
    assert "1234567" not in values


def test_signs_that_no_workbook_holds_do_not_break_it():
    row = RefusedRow("a\x00b", 1, {"staff_number": "x\x01\ud800y\uffff", "day": date(1850, 1, 1)}, [Remark("\x02=z")])
    line = openpyxl.load_workbook(io.BytesIO(refusals(row))).active[2]
    assert [cell.value for cell in line[:3]] == ["'=z", "xy", "1850-01-01"]


def template() -> bytes:
    stream = io.BytesIO()
    write_template(stream, FIELDS, title="Insertions", notes=("No patient's name, number or birth date.",))
    return stream.getvalue()


def test_a_template_has_a_heading_for_each_field_and_is_understood_by_the_import():
    found = tables(read_workbook(template()), FIELDS)
    (table,) = found
    assert {name: column.heading for name, column in table.columns.items()} == {
        each.name: each.label for each in FIELDS
    }
    assert len(found) == 0
    assert found.remarks == ()


def test_a_template_explains_each_field():
    sheet = openpyxl.load_workbook(io.BytesIO(template()))["What to enter"]
    told = [[cell.value for cell in row[:5]] for row in sheet.iter_rows()]
    assert told[1][0] == "No patient's name, number or birth date."
    assert ["Staff number", "yes", "staff number", "As in the staff list.", "0421"] in told
    assert next(line for line in told if line[0] == "Site")[3].startswith("One of: Place 0, Place 1")


def test_a_template_offers_lists_and_warns_of_other_values():
    book = openpyxl.load_workbook(io.BytesIO(template()))
    rules = {str(rule.sqref): rule for rule in book.worksheets[0].data_validations.dataValidation}
    assert {rule.type for rule in rules.values()} == {"date", "time", "whole", "list"}
    assert all(rule.errorStyle == "warning" for rule in rules.values())
    listed = rules["E2:E2001"].formula1
    assert listed == "'What to enter'!$L$1:$L$60"
    assert book["What to enter"]["L60"].value == "Place 59"


def test_a_template_keeps_leading_zeros_because_its_columns_are_text():
    book = openpyxl.load_workbook(io.BytesIO(template()))
    styles = {letter: book.worksheets[0].column_dimensions[letter] for letter in "AB"}
    assert book.worksheets[0]["A2"].number_format in ("General", "@")
    assert styles["A"].number_format == "@"
    assert styles["B"].number_format == "d mmm yyyy"
