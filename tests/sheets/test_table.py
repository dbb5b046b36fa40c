"""From workbooks as wards keep them to the rows that say something."""

from datetime import date, time

import pytest

from sheets import cells, days
from sheets.headings import Field
from sheets.letters import column_index, column_letter
from sheets.reading import Formula, Merge, Sheet, Workbook, read_workbook
from sheets.table import Remark, matches, tables
from sheets.zipcheck import FileRefused
from tests.sheets.books import sheets, workbook
from tests.sheets.test_headings import FIELDS


def book(*rows, name="Log", merges=(), hidden=False) -> Workbook:
    return Workbook((Sheet(name, [list(row) for row in rows], merges=tuple(merges), hidden=hidden),))


HEAD = ("Staff no", "Date", "Ward", "Comment")
FIRST = ("1", "3/11/2025", "4", "")


def reasons(found) -> list[tuple[int, str]]:
    return [(remark.row, remark.reason) for remark in found.remarks]


def test_rows_carry_their_sheet_their_number_and_their_cells_by_field():
    found = tables(
        book(["Log"], [], HEAD, ["104233", date(2025, 11, 3), "4 Tern", "", "extra"], ["7", "", "", "x"]), FIELDS
    )
    assert [(row.sheet, row.number, row.values) for row in found.rows()] == [
        ("Log", 4, {"staff_number": "104233", "day": date(2025, 11, 3), "unit": "4 Tern", "comment": ""}),
        ("Log", 5, {"staff_number": "7", "day": "", "unit": "", "comment": "x"}),
    ]
    (table,) = found
    assert (table.header_row, len(table), len(found)) == (3, 2, 2)
    assert table.columns["day"].letter == "B"
    assert table.columns["day"].heading == "Date"


def test_short_rows_are_filled_with_blanks():
    found = tables(book(HEAD, ["104233"]), FIELDS)
    assert next(found.rows()).values == {"staff_number": "104233", "day": "", "unit": "", "comment": ""}


def test_blank_rows_and_formulas_copied_down_below_the_data_are_left_out_silently():
    found = tables(
        book(
            HEAD,
            FIRST,
            ["", " ", "", None],
            [],
            ["", "", Formula(""), ""],
            ["", "", "", "", "17"],
        ),
        FIELDS,
    )
    assert [row.number for row in found.rows()] == [2]
    assert found.remarks == ()


@pytest.mark.parametrize(
    "line",
    [
        ["Total", "", "", ""],
        ["TOTALS:", 34.0, "", ""],
        ["Grand total", Formula(34.0), "", ""],
        ["", "", "", "Total attempts"],
        ["Sum", "", "", "34"],
        ["Count", 34.0, 12.0, ""],
    ],
)
def test_rows_of_totals_are_left_out_with_a_remark(line):
    found = tables(book(HEAD, FIRST, line), FIELDS)
    assert [row.number for row in found.rows()] == [2]
    assert reasons(found) == [(3, "A row of totals was left out.")]


@pytest.mark.parametrize(
    "line", [["Total", "3/11/2025", "4", ""], ["Sum", date(2025, 11, 3), "", ""], ["Totally", "", "", ""]]
)
def test_rows_that_say_more_than_a_total_are_kept_to_be_judged(line):
    assert [row.number for row in tables(book(HEAD, line), FIELDS).rows()] == [2]


def test_repeated_headings_are_left_out_with_a_remark():
    found = tables(book(HEAD, FIRST, ["STAFF NO.", "date", "Ward", "Comments"], ["2"]), FIELDS)
    assert [row.number for row in found.rows()] == [2, 4]
    assert reasons(found) == [(3, "A repeated row of headings was left out.")]


def test_a_merged_data_cell_holds_for_every_row_that_it_covers():
    found = tables(
        book(
            HEAD,
            ["1", date(2025, 11, 3), "4 Tern", "a"],
            ["2", "", "", "b"],
            ["3", "", "5 Gull", "c"],
            ["", "", "", ""],
            merges=[Merge(1, 1, 4, 1), Merge(1, 2, 2, 2)],
        ),
        FIELDS,
    )
    assert [(row.values["day"], row.values["unit"]) for row in found.rows()] == [
        (date(2025, 11, 3), "4 Tern"),
        (date(2025, 11, 3), "4 Tern"),
        (date(2025, 11, 3), "5 Gull"),
    ]


def test_a_note_merged_over_several_columns_is_not_spread():
    note = ["Ward moved to level 3", "", "", ""]
    found = tables(book(HEAD, FIRST, note, ["2", "", "", ""], merges=[Merge(2, 0, 3, 3)]), FIELDS)
    assert [row.values["staff_number"] for row in found.rows()] == ["1", "Ward moved to level 3", "2"]


def test_overlapping_merges_without_end_refuse_the_file():
    with pytest.raises(FileRefused, match="Unmerge"):
        tables(book(HEAD, FIRST, FIRST, merges=[Merge(1, 0, 1_048_575, 0)] * 7), FIELDS)


def test_each_sheet_has_its_own_headings_and_others_are_skipped_with_a_warning():
    data = sheets(
        {
            "Nov": [HEAD, ["1", date(2025, 11, 3), "4 Tern", ""]],
            "Dec": [["December"], ["Ward", "Insertion date", "Employee number"], ["5 Gull", "1/12/2025", 2.0]],
            "Wards": [["Ward", "Gauge"], ["4 Tern", "20G"]],
            "Chart": [[1.0, 2.0]],
            "Empty": [],
        }
    )
    found = tables(read_workbook(data), FIELDS)
    assert [(row.sheet, row.number, row.values["staff_number"]) for row in found.rows()] == [
        ("Nov", 2, "1"),
        ("Dec", 3, 2.0),
    ]
    assert [(remark.sheet, remark.row) for remark in found.remarks] == [("Wards", 0), ("Chart", 0)]
    assert "none for Staff number, Date" in found.remarks[0].reason
    assert "No row of headings" in found.remarks[1].reason


def test_hidden_sheets_are_skipped_with_a_warning():
    def fill(writer):
        for name in ("Log", "Old"):
            sheet = writer.add_worksheet(name)
            sheet.write_row(0, 0, HEAD)
            sheet.write_row(1, 0, ["1", "3/11/2025", "4"])
        sheet.hide()

    found = tables(read_workbook(workbook(fill)), FIELDS)
    assert [row.sheet for row in found.rows()] == ["Log"]
    assert [(remark.sheet, remark.reason[:20]) for remark in found.remarks] == [("Old", "The sheet is hidden ")]


def test_a_workbook_without_a_table_says_what_is_needed_and_why_each_sheet_was_skipped():
    with pytest.raises(FileRefused, match=r"Staff number, Date, Ward.*Log: No row of headings"):
        tables(book([1.0, 2.0]), FIELDS)
    with pytest.raises(FileRefused, match="all the headings of the column map: 'Datum'"):
        tables(book(HEAD, ["1"]), FIELDS, columns={"day": "Datum"})


def test_columns_nobody_claims_are_given_with_a_few_values():
    (table,) = tables(
        book((*HEAD, "UR no", ""), *([["1", "3/11/2025", "4", "", f"12345{n}", "x"] for n in range(60)])), FIELDS
    )
    assert [(unused.column.letter, unused.column.heading) for unused in table.unused] == [("E", "UR no"), ("F", "")]
    assert table.unused[0].sample[:2] == ("123450", "123451")
    assert len(table.unused[0].sample) == 50
    assert "1234" not in repr([row.values for row in table.rows()])


def test_required_fields_without_a_column_are_named():
    (table,) = tables(book(("Staff no", "Date"), ["1", "3/11/2025"]), FIELDS)
    assert table.missing == ("unit",)


def test_a_remembered_match_is_used_for_the_same_headings():
    strange = book(("Wer", "Wann", "Wo"), ["104233", "3/11/2025", "4 Tern"])
    with pytest.raises(FileRefused):
        tables(strange, FIELDS)
    ((_, match),) = matches(strange, FIELDS)
    assert match is not None
    known = {match.signature: {"staff_number": "Wer", "day": "Wann", "unit": "Wo"}}
    found = tables(strange, FIELDS, recall=known.get)
    assert next(found.rows()).values == {"staff_number": "104233", "day": "3/11/2025", "unit": "4 Tern"}
    assert next(iter(found)).signature == match.signature


def test_a_remembered_match_whose_heading_is_gone_falls_back_to_the_guess():
    found = tables(book(HEAD, ["1"]), FIELDS, recall=lambda _: {"day": "Datum"})
    assert next(iter(found)).columns["day"].heading == "Date"


def test_exchanged_days_and_months_are_told():
    rows = [[str(n), date(2025, n, 11), "4", ""] for n in (3, 4, 5)] + [
        [str(n), f"{n}/11/2025", "4", ""] for n in (13, 14, 15)
    ]
    found = tables(book(HEAD, *rows), FIELDS)
    ((remark),) = found.remarks
    assert (remark.row, remark.column) == (1, "Date")
    assert "exchanged" in remark.reason


def test_a_remark_has_the_shape_that_commands_print():
    assert Remark("why", "Log", 3, "Date", "x").as_json() == {
        "reason": "why", "sheet": "Log", "row": 3, "column": "Date", "value": "x",
    }  # fmt: skip


def test_column_letters_count_as_spreadsheets_do():
    assert [column_letter(index) for index in (0, 25, 26, 701, 702, 16_383)] == ["A", "Z", "AA", "ZZ", "AAA", "XFD"]
    assert all(column_index(column_letter(index)) == index for index in range(16_384))


def test_a_messy_workbook_is_read_to_the_last_row():
    def fill(writer):
        day = writer.add_format({"num_format": "dd/mm/yyyy"})
        clock = writer.add_format({"num_format": "hh:mm"})
        sheet = writer.add_worksheet("Nov 25")
        sheet.merge_range("A1:F1", "PIVC LOG – WARD 4 TERN")
        sheet.write(1, 0, "Please fill in every line")
        for column, heading in enumerate(
            ["Staff No.", "Date of insertion (dd/mm/yyyy)", "Time", "Ward", "No. of attempts", "MRN"]
        ):
            sheet.write(3, column, heading)
        sheet.write_number(4, 0, 4233)
        sheet.write_datetime(4, 1, date(2025, 11, 3), day)
        sheet.write_number(4, 2, 14.5 / 24, clock)
        sheet.write_string(4, 3, "4 Tern")
        sheet.write_number(4, 4, 1)
        sheet.write_number(4, 5, 1234567)
        for column, text in enumerate(["004234", "3/11/2025", "1430", "4 Tern", "2"]):
            sheet.write_string(6, column, text)
        sheet.write_number(7, 0, 4235)
        sheet.write_number(7, 1, 45964)
        sheet.write_string(7, 3, "4 Tern")
        sheet.write_formula(7, 4, "=1+1", None, 2)
        sheet.write_string(8, 0, "Total")
        sheet.write_formula(8, 4, "=SUM(E5:E8)", None, 5)

    found = tables(read_workbook(workbook(fill)), FIELDS)
    read = []
    for row in found.rows():
        attempts = row.values["attempts"]
        read.append(
            (
                row.number,
                cells.staff_number(row.values["staff_number"]),
                days.day(row.values["day"]),
                days.time_of_day(row.values["time"]),
                "formula" if isinstance(attempts, Formula) else cells.whole(0, 9)(attempts),
            )
        )
    assert read == [
        (5, "4233", date(2025, 11, 3), time(14, 30), 1),
        (7, "004234", date(2025, 11, 3), time(14, 30), 2),
        (8, "4235", date(2025, 11, 3), None, "formula"),
    ]
    assert reasons(found) == [(9, "A row of totals was left out.")]
    (table,) = found
    assert [unused.column.heading for unused in table.unused] == ["MRN"]


def test_fields_can_be_few():
    only = (Field("name", "Name", required=True),)
    assert [row.values for row in tables(book(["Name"], ["Zoë"]), only).rows()] == [{"name": "Zoë"}]
