"""Lists out: no text is ever a formula, and what goes out comes back."""

import csv
import io
import zipfile
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sheets.cells import clean, text
from sheets.days import day, time_of_day
from sheets.headings import Field
from sheets.reading import read_workbook
from sheets.safetext import original_text, safe_text
from sheets.table import tables
from sheets.writing import Column, csv_lines, write_csv, write_dictionary, write_xlsx

COLUMNS = (
    Column("name", "Name", about="As printed."),
    Column("day", "Day", "day"),
    Column("at", "Time", "time"),
    Column("punctures", "Punctures", "number"),
)
FIELDS = tuple(Field(column.name, column.label, required=column.name == "name") for column in COLUMNS)
# A name that reads like these would be a row of totals or a repeated heading.
NOT_NAMES = ("total", "totals", "sum", "count", "average", "mean", "name", "names")
ROW = ("Zoë Brontë", date(2025, 11, 3), time(14, 30), 2)


def xlsx(rows, columns=COLUMNS, **options) -> bytes:
    stream = io.BytesIO()
    write_xlsx(stream, columns, rows, title="Insertions", **options)
    return stream.getvalue()


def as_csv(rows, columns=COLUMNS, **options) -> str:
    return "".join(csv_lines(columns, rows, **options))


# --- B-19: formula injection ---

DANGEROUS = "=+-@\t\r\n\0＝＋－＠﹢﹣﹦﹫"


@pytest.mark.std("B-19")
@pytest.mark.parametrize("sign", DANGEROUS)
def test_text_that_begins_like_a_formula_gets_an_apostrophe(sign):
    assert safe_text(f"{sign}1+1") == f"'{sign}1+1"
    assert safe_text(f"  {sign}1+1").startswith("'")
    assert safe_text(f"\u200b{sign}1").startswith("'")
    assert safe_text(f"a{sign}1") == f"a{sign}1"


@pytest.mark.std("B-19")
@given(st.text() | st.text(alphabet=f"'{DANGEROUS} a1"))
def test_safe_text_begins_like_no_formula_and_comes_back_whole(original):
    safe = safe_text(original)
    assert not safe.startswith(tuple(DANGEROUS))
    assert not safe.lstrip().startswith(("=", "+", "-", "@"))
    assert original_text(safe) == original


TEXT = st.text() | st.text(alphabet="'=+-@\t\r\n\0＝＋－＠ \";,_x041a", max_size=12)


@pytest.mark.std("B-19")
@settings(deadline=None)
@given(st.lists(TEXT, min_size=1, max_size=6))
def test_no_cell_of_a_workbook_is_a_formula_or_begins_like_one(texts):
    data = xlsx([[value] for value in texts], [Column("a", "=HYPERLINK(1)")])
    sheet = openpyxl.load_workbook(io.BytesIO(data)).worksheets[0]
    for row in sheet.iter_rows():
        for cell in row:
            assert cell.data_type != "f"
            assert cell.hyperlink is None
            assert not str(cell.value or "").startswith(tuple("=+-@\t\r\n＝＋－＠"))
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        assert b"<f>" not in package.read("xl/worksheets/sheet1.xml")


@pytest.mark.std("B-19")
@given(st.lists(TEXT, min_size=1, max_size=6))
def test_no_cell_of_a_csv_begins_like_a_formula(texts):
    lines = as_csv([[value] for value in texts], [Column("a", "Text")])
    for row in csv.reader(io.StringIO(lines, newline="")):
        for cell in row:
            assert not cell.startswith(tuple(DANGEROUS))


@pytest.mark.std("B-19")
def test_numbers_stay_numbers():
    sheet = openpyxl.load_workbook(io.BytesIO(xlsx([["x", None, None, -1]]))).worksheets[0]
    assert (sheet["D2"].value, sheet["D2"].data_type) == (-1, "n")
    assert as_csv([["x", None, None, -1]]).endswith("x,,,-1\r\n")


# --- round trips ---


def comes_back(data: bytes, name: str) -> list[tuple]:
    found = tables(read_workbook(data, name=name), FIELDS)
    return [
        (text(row.values["name"]), day(row.values["day"]), time_of_day(row.values["at"]), text(row.values["punctures"]))
        for row in found.rows()
    ]


MINUTES = st.times().map(lambda moment: moment.replace(second=0, microsecond=0))
RECORD = st.tuples(
    st.text(min_size=1).filter(lambda name: clean(name) and clean(name)[0] != "#" and name.casefold() not in NOT_NAMES),
    st.none() | st.dates(date(1950, 1, 1), date(2100, 1, 1)),
    st.none() | MINUTES,
    st.none() | st.integers(0, 10**9),
)


@settings(deadline=None)
@given(st.lists(RECORD, max_size=5))
def test_what_is_exported_is_imported_again_from_both_formats(records):
    expected = [(clean(a), b, c, "" if d is None else str(d)) for a, b, c, d in records]
    assert comes_back(xlsx(records), "a.xlsx") == expected
    stream = io.BytesIO()
    write_csv(stream, COLUMNS, records, bom=True)
    assert comes_back(stream.getvalue(), "a.csv") == expected


def test_text_that_looks_like_an_escape_of_the_format_comes_back():
    # ECMA-376 part 1, 22.4.2.4 (ST_Xstring): _x0041_ in a string means A unless it is escaped.
    sheet = read_workbook(xlsx([["a _x0041_ b", None, None, None]])).sheets[0]
    assert sheet.rows[1][0] == "a _x0041_ b"


# --- XLSX ---


def test_a_workbook_holds_dates_times_and_numbers_of_their_kind():
    sheet = openpyxl.load_workbook(io.BytesIO(xlsx([ROW]))).worksheets[0]
    assert [cell.value for cell in sheet[1]] == ["Name", "Day", "Time", "Punctures"]
    assert [cell.value for cell in sheet[2]] == ["Zoë Brontë", datetime(2025, 11, 3), time(14, 30), 2]  # noqa: DTZ001
    assert sheet.freeze_panes == "B2"


def test_a_second_sheet_explains_the_columns_and_is_no_list_to_import():
    data = xlsx([ROW], notes=("Ward 4 Tern", "=not a formula"))
    about = openpyxl.load_workbook(io.BytesIO(data)).worksheets[1]
    told = [[cell.value for cell in row if cell.value] for row in about.iter_rows()]
    assert told[:3] == [["Insertions"], ["Ward 4 Tern"], ["'=not a formula"]]
    assert ["Name", "name", "text", "As printed."] in told
    found = tables(read_workbook(data), FIELDS)
    assert len(found) == 1
    assert found.remarks == ()


def test_plain_headings_stand_for_text_columns():
    assert openpyxl.load_workbook(io.BytesIO(xlsx([["a"]], ["Heading"]))).worksheets[0]["A1"].value == "Heading"
    assert as_csv([["a"]], ["Heading"]) == "Heading\r\na\r\n"


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (float("nan"), "no number"),
        (float("inf"), "no number"),
        (Decimal("nan"), "no number"),
        (datetime(2025, 11, 3, tzinfo=UTC), "time zone"),
        ("x" * 40_000, "32767"),
    ],
)
def test_what_a_workbook_cannot_hold_is_the_callers_mistake(value, said):
    with pytest.raises(ValueError, match=said):
        xlsx([[value]], ["a"])


def test_a_row_of_another_length_is_the_callers_mistake():
    with pytest.raises(ValueError, match="shorter"):
        xlsx([["only one"]])
    with pytest.raises(ValueError, match="shorter"):
        as_csv([["only one"]])


@pytest.mark.parametrize("title", ["a/b:c*d?[e]'", "x" * 60, "", "History", "About this list"])
def test_any_title_makes_a_sheet(title):
    stream = io.BytesIO()
    write_xlsx(stream, COLUMNS, [ROW], title=title)
    assert len(openpyxl.load_workbook(stream).sheetnames) == 2


def test_the_same_list_gives_the_same_bytes():
    made_at = datetime(2025, 11, 3, 9, tzinfo=UTC)
    assert xlsx([ROW], made_at=made_at) == xlsx([ROW], made_at=made_at)


def test_long_numbers_and_odd_values_become_texts_that_lose_nothing():
    sheet = openpyxl.load_workbook(
        io.BytesIO(xlsx([[10**17, True, date(1850, 1, 1), timedelta(hours=26)]]))
    ).worksheets[0]
    assert [cell.value for cell in sheet[2]] == ["100000000000000000", "yes", "1850-01-01", "26:00"]


# --- CSV ---


@pytest.mark.std("E-10")
def test_csv_follows_rfc_4180_with_iso_dates():
    # RFC 4180, section 2: CRLF (1), header (3), quotes around commas, quotes and line ends, quotes doubled (6, 7).
    rows = [ROW, ('say "yes", then\nno', None, None, 1.5)]
    assert as_csv(rows) == (
        "Name,Day,Time,Punctures\r\n"
        "Zoë Brontë,2025-11-03,14:30,2\r\n"
        '"say ""yes"", then\nno",,,1.5\r\n'
    )  # fmt: skip


@pytest.mark.std("E-10")
def test_csv_is_utf_8_with_a_mark_where_asked_for():
    stream = io.BytesIO()
    write_csv(stream, COLUMNS, [ROW], bom=True)
    assert stream.getvalue().startswith(b"\xef\xbb\xbfName,")
    assert "Zoë".encode() in stream.getvalue()
    assert not as_csv([ROW]).startswith("\ufeff")


@pytest.mark.std("E-10")
def test_a_dictionary_says_what_each_column_means():
    stream = io.BytesIO()
    write_dictionary(stream, COLUMNS)
    rows = list(csv.reader(io.StringIO(stream.getvalue().decode(), newline="")))
    assert rows[:2] == [["Column", "Name", "Holds", "Meaning"], ["Name", "name", "text", "As printed."]]
    assert len(rows) == 5


@given(st.lists(st.lists(TEXT, min_size=2, max_size=2), max_size=5))
def test_another_reader_finds_the_same_rows(rows):
    # Python's csv in its strict mode as the reference reader.
    read = list(csv.reader(io.StringIO(as_csv(rows, ["a", "b"]), newline=""), strict=True))
    assert len(read) == len(rows) + 1
    for ours, row in zip(read[1:], rows, strict=True):
        assert [clean(original_text(cell)) for cell in ours] == [clean(value) for value in row]
