"""Rows and cells as they stand in the file, at their true places."""

import io
import resource
from datetime import date, datetime, time, timedelta

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sheets import reading
from sheets.reading import Merge, read_workbook
from sheets.zipcheck import FileRefused
from tests.sheets.books import package, sheet_xml, sheets, text_cells, workbook


def rows(data: bytes, name: str = "log.xlsx"):
    return read_workbook(data, name=name).sheets[0].rows


def test_empty_rows_and_columns_before_the_data_are_kept_so_that_places_are_true():
    data = sheets({"Log": [[], [None, None, "Gauge"], [], [None, None, "20G"]]})
    assert rows(data) == [["", "", ""], ["", "", "Gauge"], ["", "", ""], ["", "", "20G"]]


def test_every_kind_of_cell_keeps_its_type():
    cells = ["x", 2, 2.5, True, date(2025, 11, 3), time(14, 30), datetime(2025, 11, 3, 14, 30)]  # noqa: DTZ001
    assert rows(sheets({"Log": [cells]})) == [cells]
    assert [type(cell) for cell in rows(sheets({"Log": [cells]}))[0]] == [str, float, float, bool, date, time, datetime]


def test_a_duration_is_a_duration():
    def fill(book):
        book.add_worksheet("Log").write_number(0, 0, 0.5, book.add_format({"num_format": "[h]:mm"}))

    assert rows(workbook(fill)) == [[timedelta(hours=12)]]


def test_dates_that_count_from_1904_are_the_same_days_and_told():
    def fill(book):
        book.add_worksheet("Log").write_datetime(0, 0, datetime(2025, 11, 3), book.add_format({"num_format": "d/m/yy"}))  # noqa: DTZ001

    book = read_workbook(workbook(fill, date_1904=True))
    assert book.sheets[0].rows == [[date(2025, 11, 3)]]
    assert "1904" in book.remarks[0]


def test_texts_that_look_like_numbers_stay_texts():
    assert rows(sheets({"Log": [["00123", "1e5", "=1+1", "#N/A", "TRUE"]]})) == [
        ["00123", "1e5", "=1+1", "#N/A", "TRUE"]
    ]


def test_hidden_sheets_are_marked_and_charts_are_no_sheets():
    def fill(book):
        book.add_worksheet("Log").write(0, 0, "a")
        book.add_worksheet("Old").hide()
        book.add_worksheet("Older").very_hidden()
        chart = book.add_chart({"type": "line"})
        chart.add_series({"values": "=Log!$A$1:$A$2"})
        book.add_chartsheet("Chart").set_chart(chart)

    book = read_workbook(workbook(fill))
    assert [(sheet.name, sheet.hidden) for sheet in book.sheets] == [("Log", False), ("Old", True), ("Older", True)]


def test_merged_ranges_are_given_and_the_value_stands_at_the_top_left():
    def fill(book):
        sheet = book.add_worksheet("Log")
        sheet.merge_range("A1:C1", "Cannulation log")
        sheet.merge_range("A3:A5", "104233")

    sheet = read_workbook(workbook(fill)).sheets[0]
    assert set(sheet.merges) == {Merge(0, 0, 0, 2), Merge(2, 0, 4, 0)}
    assert sheet.rows[2][0] == "104233"


CELL = st.one_of(
    st.none(),
    st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Cn")), min_size=1, max_size=12).filter(
        str.strip
    ),
    st.integers(-(10**9), 10**9),
    st.floats(-1e9, 1e9).map(lambda number: round(number, 6)),
    st.booleans(),
    st.dates(date(1904, 1, 2), date(2100, 1, 1)),
    st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1)).map(lambda moment: moment.replace(microsecond=0)),  # noqa: DTZ001
)


@settings(deadline=None)
@given(st.lists(st.lists(CELL, max_size=6), max_size=8))
def test_another_library_reads_the_same_cells(grid):
    # openpyxl 3.1 as the outside reference; it gives midnight datetimes for dates.
    data = sheets({"Log": grid})
    theirs = openpyxl.load_workbook(io.BytesIO(data)).active
    for index, row in enumerate(rows(data)):
        for column, ours in enumerate(row):
            other = theirs.cell(index + 1, column + 1).value
            if isinstance(other, datetime) and not isinstance(ours, datetime):
                other = other.date()
            assert ours == ("" if other is None else other)


def test_a_value_far_outside_is_refused_before_memory_is_taken_for_the_rectangle():
    far = package(sheet_xml(text_cells("a") + '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(FileRefused, match="reaches to row 1,048,576 and has 16,384 columns"):
        read_workbook(far)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 50_000


def test_more_rows_than_the_limit_are_refused_with_what_to_do():
    inner = "".join(f'<row r="{i}"><c r="A{i}"><v>{i * 7919 % 10007}</v></c></row>' for i in range(1, 150_002))
    with pytest.raises(FileRefused, match=r"150,000 rows.*split it by month"):
        read_workbook(package(sheet_xml(inner)))


def test_too_many_cells_are_refused():
    inner = '<row r="1"><c r="IV1"><v>1</v></c></row><row r="140000"><c r="A140000"><v>1</v></c></row>'
    with pytest.raises(FileRefused, match="6,000,000 cells"):
        read_workbook(package(sheet_xml(inner)))


def test_a_reader_that_breaks_down_refuses_the_file():
    # A number in date format far beyond any calendar: the reader's own panic, which is no Exception.
    styles = (
        b'<?xml version="1.0"?><styleSheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
        b'<cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="14"/></cellXfs></styleSheet>'
    )
    inner = '<row r="1"><c r="A1" s="1"><v>-1e300</v></c></row>'
    with pytest.raises(FileRefused, match="cannot be read"):
        read_workbook(package(sheet_xml(inner), extra={"xl/styles.xml": styles}))


def test_one_cell_written_very_many_times_is_refused(monkeypatch):
    monkeypatch.setattr(reading, "MAX_CELLS", 1_000)
    with pytest.raises(FileRefused, match="1,000 cells"):
        read_workbook(package(sheet_xml('<row r="1">' + '<c r="A1"><v>1</v></c>' * 1_001 + "</row>")))
    assert rows(package(sheet_xml('<row r="1">' + '<c r="A1"><v>1</v></c>' * 1_000 + "</row>"))) == [[1.0]]


def test_sheets_that_are_too_large_together_are_refused():
    inner = sheet_xml('<row r="1"><c r="Z1"><v>1</v></c></row><row r="140000"><c r="A140000"><v>1</v></c></row>')
    with pytest.raises(FileRefused, match="sheets together"):
        read_workbook(package({"One": inner, "Two": inner}))


def test_a_million_empty_formatted_rows_below_the_data_are_refused_by_ratio_or_do_no_harm():
    empty = "".join(f'<row r="{i}" s="{i % 97}" customFormat="1"/>' for i in range(3, 1_048_577))
    data = package(sheet_xml(text_cells("a", "b") + text_cells("c", "d", row=2) + empty))
    # Some forty million bytes of empty rows pack to a few millions: the archive passes, and only values count.
    assert rows(data) == [["a", "b"], ["c", "d"]]
    alike = '<row r="0000007"/>' * 1_048_574
    with pytest.raises(FileRefused, match="100 times"):
        read_workbook(package(sheet_xml(text_cells("a") + alike)))


@pytest.mark.parametrize(
    "text",
    [
        'a,"b ""c""",d\r\n1,2,3\r\n',
        'a;"b ""c""";d\r\n1;2;3\r\n',
        'a\t"b ""c"""\td\r\n1\t2\t3\r\n',
        'sep=;\r\na;"b ""c""";d\r\n1;2;3\r\n',
    ],
)
def test_csv_is_read_with_comma_semicolon_or_tab(text):
    # Quoting as in RFC 4180, section 2, rules 5 to 7.
    read = rows(text.encode(), "log.csv")
    assert read[-2:] == [["a", 'b "c"', "d"], ["1", "2", "3"]]
    assert len(read) == text.count("\r\n")


@pytest.mark.parametrize(("encoding", "told"), [("utf-8", 0), ("utf-8-sig", 0), ("utf-16", 0), ("cp1252", 1)])
def test_csv_is_read_in_the_encodings_that_spreadsheets_write(encoding, told):
    book = read_workbook("Name,Ward\r\nZoë Brontë,4 – West\r\n".encode(encoding), name="staff.csv")
    assert book.sheets[0].rows[1] == ["Zoë Brontë", "4 – West"]
    assert len(book.remarks) == told


def test_line_ends_inside_quotes_do_not_shift_rows():
    assert rows(b'a,b\n1,"two\nlines"\n3,4\n', "log.csv") == [["a", "b"], ["1", "two\nlines"], ["3", "4"]]


def test_a_decimal_comma_does_not_win_against_semicolons():
    assert rows(b"Day;Hours\n3/11/2025;1,5\n4/11/2025;2,5\n", "log.csv")[1] == ["3/11/2025", "1,5"]


def test_csv_over_the_limit_of_rows_is_refused():
    with pytest.raises(FileRefused, match="150,000 rows"):
        read_workbook(b"a,b\n" * 150_001, name="log.csv")


@pytest.mark.parametrize("data", [b"a\0b,c", b"\xff\xfe\x00", b'"' + b"x" * 200_000])
def test_what_is_no_text_is_refused_as_csv(data):
    with pytest.raises(FileRefused):
        read_workbook(data, name="log.csv")


@pytest.mark.parametrize(("name", "said"), [("log.xlsm", ".xlsm"), ("log.ods", ".ods"), ("log.zip", ".zip")])
def test_a_name_that_promises_another_kind_is_refused(name, said):
    with pytest.raises(FileRefused, match=said):
        read_workbook(sheets({"Log": [["a"]]}), name=name)


def test_a_file_is_read_from_disk_by_its_path(tmp_path):
    path = tmp_path / "log.xlsx"
    path.write_bytes(sheets({"Log": [["a"]]}))
    assert read_workbook(path).sheets[0].rows == [["a"]]
    large = tmp_path / "large.xlsx"
    with large.open("wb") as stream:
        stream.truncate(30_000_000)
    with pytest.raises(FileRefused, match="30 MB"):
        read_workbook(large)


# fmt: off
FRAGMENTS = (
    '<row r="1">', "</row>", '<c r="A1">', "</c>", "<v>1</v>", '<c r="C3" t="s">', "<v>9</v>", "<x/>", "&lt;",
    "<mergeCell ref='A1:B9'/>", '<row r="7"/>', "<is><t>a</t></is>", '<c r="B2" t="d">', "<v>2025</v>",
)
# fmt: on


@settings(deadline=None)
@given(st.lists(st.sampled_from(FRAGMENTS), max_size=12))
def test_shuffled_xml_is_read_or_refused_and_never_breaks(parts):
    try:
        read_workbook(package(sheet_xml("".join(parts))))
    except FileRefused as refused:
        reason = refused.reason
        assert reason
