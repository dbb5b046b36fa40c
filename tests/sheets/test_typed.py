"""Rows with values, every refusal and doubt beside its heading."""

from datetime import date

from sheets import cells, days
from sheets.choices import Choice
from sheets.headings import Field
from sheets.reading import Formula, Sheet, Workbook
from sheets.table import Remark, tables
from sheets.typed import typed_rows

FIELDS = (
    Field("staff_number", "Staff number", (), "staff number", True),
    Field("day", "Date", (), "day", True),
    Field("gauge", "Gauge"),
    Field("comment", "Comment"),
)
PARSERS = {
    "staff_number": cells.once(cells.staff_number),
    "day": days.day,
    "gauge": Choice({20: ("20G",)}, doubtful={"pink": (20, "Pink was read as 20G.")}),
    "comment": cells.text,
}


def typed(*lines, head=("Staff no", "Date", "Gauge"), **options):
    sheet = Sheet("Log", [list(head), *(list(line) for line in lines)])
    (table,) = tables(Workbook((sheet,)), FIELDS)
    return list(typed_rows(table, FIELDS, PARSERS, **options))


def test_a_good_row_has_its_values_and_nothing_else():
    (row,) = typed([4233.0, "3/11/2025", "20 g"])
    assert row.values == {"staff_number": "4233", "day": date(2025, 11, 3), "gauge": 20, "comment": ""}
    assert (row.refused, row.warned) == ((), ())


def test_every_refusal_of_a_row_is_told_at_once_under_the_sheets_own_headings():
    (row,) = typed(["", "31/2/2025", "30G"])
    assert [(remark.column, remark.value, remark.row) for remark in row.refused] == [
        ("Staff no", "", 2),
        ("Date", "31/2/2025", 2),
        ("Gauge", "30G", 2),
    ]
    assert row.refused[0].reason == "This is needed: fill it in."
    assert row.values == {"staff_number": None, "day": None, "gauge": None, "comment": ""}


def test_doubts_do_not_refuse_a_row_and_stay_with_their_row():
    first, second = typed(["1", "3/11/2025", "pink"], ["2", "3/11/2025", "20G"])
    assert first.warned == (Remark("Pink was read as 20G.", "Log", 2, "Gauge", "pink"),)
    assert (first.refused, second.warned) == ((), ())


def test_a_needed_column_that_is_missing_refuses_each_row_by_its_label():
    (row,) = typed(["1", "20G"], head=("Staff no", "Gauge"))
    assert [remark.column for remark in row.refused] == ["Date"]


def test_a_cell_that_must_not_be_repeated_is_not_shown():
    (row,) = typed(["1", "MRN 1234567", Formula("1234567")], may_show=lambda shown: "MRN" not in shown)
    assert [remark.value for remark in row.refused] == ["", ""]
    assert "1234567" not in repr([remark.as_json() for remark in row.refused])
