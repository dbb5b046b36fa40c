"""Lists out, as XLSX and CSV in which no text is ever a formula."""

import csv
import io
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from itertools import chain
from typing import IO, Any

import xlsxwriter

from sheets.cells import clean, plain_number
from sheets.safetext import safe_text
from sheets.table import NOTES_SHEETS

ABOUT_SHEET = NOTES_SHEETS[0]
MAX_TEXT = 32_767
# Excel's numbers hold 15 digits.
_EXACT_BELOW = 10**15
# Control characters but tab and line ends, halves of surrogate pairs and non-characters: no XML holds them.
_NOT_IN_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff]")
FORMATS = {"day": "d mmm yyyy", "time": "hh:mm", "moment": "d mmm yyyy hh:mm"}


@dataclass(frozen=True)
class Column:
    """One column of a list: a stable name, a label, what it holds (text, day, time, moment, number), what it means."""

    name: str
    label: str
    kind: str = "text"
    about: str = ""
    width: int = 0


def write_xlsx(
    stream: IO[bytes],
    columns: Sequence[Column | str],
    rows: Iterable[Sequence[object]],
    *,
    title: str,
    notes: Sequence[str] = (),
    made_at: datetime | None = None,
) -> None:
    """Write a list as a workbook, row by row in constant memory: the list, and a sheet that explains it.

    A column may be given as its heading alone. A row has a value for each column: text, number, yes/no, date, time,
    naive datetime, or None. Raises ValueError for a datetime with a zone, a number that is none, or a text over 32,767
    characters, naming the place.
    """
    columns = _columns(columns)
    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(stream, options) as book:
        if made_at is not None:
            book.set_properties({"created": made_at.replace(tzinfo=None)})
        formats = {kind: book.add_format({"num_format": pattern}) for kind, pattern in FORMATS.items()}
        heading = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        sheet = book.add_worksheet(sheet_name(title))
        for index, column in enumerate(columns):
            sheet.set_column(index, index, column.width or _width(column))
            _put(sheet, 0, index, column.label, formats, heading)
        row_number = 0
        for row_number, row in enumerate(rows, 1):
            for index, (_, value) in enumerate(zip(columns, row, strict=True)):
                _put(sheet, row_number, index, value, formats)
        sheet.freeze_panes(1, 1)
        sheet.autofilter(0, 0, row_number, max(len(columns) - 1, 0))
        sheet.set_landscape()
        sheet.repeat_rows(0)
        sheet.set_footer("&L&A&RPage &P of &N")
        about = book.add_worksheet(ABOUT_SHEET)
        about.set_column(0, 3, 28)
        explained = [(title,), *((note,) for note in notes), (), ("Column", "Name", "Holds", "Meaning")]
        explained += [(column.label, column.name, column.kind, column.about) for column in columns]
        for number, line in enumerate(explained):
            for index, value in enumerate(line):
                _put(about, number, index, value, formats, heading if number in (0, len(notes) + 2) else None)


def write_book(
    stream: IO[bytes],
    lists: Sequence[tuple[str, Sequence[Column | str], Iterable[Sequence[object]]]],
    *,
    title: str,
    notes: Sequence[str] = (),
    made_at: datetime | None = None,
) -> None:
    """Write several lists (title, columns, rows) as one workbook, a sheet for each, and a sheet that explains it.

    Values as in `write_xlsx`, and the same errors. The same lists and moment give the same bytes.
    """
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(stream, options) as book:
        if made_at is not None:
            book.set_properties({"created": made_at.replace(tzinfo=None)})
        formats = {kind: book.add_format({"num_format": pattern}) for kind, pattern in FORMATS.items()}
        heading = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        taken: set[str] = set()
        for name, given, rows in lists:
            columns = _columns(given)
            sheet = book.add_worksheet(_free_name(name, taken))
            for index, column in enumerate(columns):
                sheet.set_column(index, index, column.width or _width(column))
                _put(sheet, 0, index, column.label, formats, heading)
            row_number = 0
            for row_number, row in enumerate(rows, 1):
                for index, (_, value) in enumerate(zip(columns, row, strict=True)):
                    _put(sheet, row_number, index, value, formats)
            sheet.freeze_panes(1, 1)
            sheet.autofilter(0, 0, row_number, max(len(columns) - 1, 0))
            sheet.set_landscape()
            sheet.repeat_rows(0)
            sheet.set_footer("&L&A&RPage &P of &N")
        about = book.add_worksheet(_free_name(ABOUT_SHEET, taken))
        about.set_column(0, 0, 100)
        for number, line in enumerate((title, *notes)):
            _put(about, number, 0, line, formats, heading if number == 0 else None)


def _free_name(title: str, taken: set[str]) -> str:
    """A name for a sheet that no other has, whatever its case."""
    name, number = sheet_name(title), 1
    while name.casefold() in taken:
        number += 1
        name = f"{sheet_name(title)[:27]} {number}"
    taken.add(name.casefold())
    return name


def write_csv(
    stream: IO[bytes], columns: Sequence[Column | str], rows: Iterable[Sequence[object]], *, bom: bool = False
) -> None:
    """Write a list as CSV in UTF-8; see `csv_lines`."""
    for line in csv_lines(columns, rows, bom=bom):
        stream.write(line.encode())


def csv_lines(columns: Sequence[Column | str], rows: Iterable[Sequence[object]], *, bom: bool = False) -> Iterator[str]:
    """The lines of a list as CSV after RFC 4180: labels first, CRLF, ISO 8601 dates and times; `bom` for Excel.

    Raises ValueError as `write_xlsx` does, but a datetime may have a zone.
    """
    if bom:
        yield "\ufeff"
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\r\n")
    for row in chain([[column.label for column in _columns(columns)]], rows):
        writer.writerow([_csv_value(value) for _, value in zip(columns, row, strict=True)])
        yield buffer.getvalue()
        buffer.seek(0)
        buffer.truncate()


def write_dictionary(stream: IO[bytes], columns: Sequence[Column]) -> None:
    """Write what each column of a CSV means, as CSV: label, name, kind, meaning."""
    names = [Column(name, name.capitalize()) for name in ("column", "name", "holds", "meaning")]
    write_csv(stream, names, [(column.label, column.name, column.kind, column.about) for column in columns])


def _put(
    sheet: Any, row: int, column: int, value: object, formats: Mapping[str, Any], style: Any = None
) -> None:  # write() of the library guesses from the text; this never does.
    match value:
        case None | "":
            return
        case bool():
            done = sheet.write_string(row, column, "yes" if value else "no", style)
        case int() | float() | Decimal() if is_plain(value):
            done = sheet.write_number(row, column, value, style)
        case datetime() if value.tzinfo is not None:
            raise ValueError(f"row {row + 1}, column {column + 1}: {value!r} has a time zone; give local time")
        case datetime() if value.year >= 1900:
            done = sheet.write_datetime(row, column, value, style or formats["moment"])
        case date() if value.year >= 1900:
            done = sheet.write_datetime(row, column, value, style or formats["day"])
        case time():
            done = sheet.write_datetime(row, column, value, style or formats["time"])
        case _:
            done = sheet.write_string(row, column, xml_text(as_text(value)), style)
    if done:
        raise ValueError(
            f"row {row + 1}, column {column + 1}: not writable ({done}), over {MAX_TEXT} characters or outside"
        )


def _csv_value(value: object) -> str | int | float | Decimal:
    if value is None:
        return ""
    if isinstance(value, int | float | Decimal) and not isinstance(value, bool):
        return value if is_plain(value) else as_text(value)
    return xml_text(as_text(value))


def as_text(value: object) -> str:
    """A value as text: ISO 8601 dates and times, yes/no in words. Raises ValueError for infinities and no-numbers."""
    match value:
        case str():
            return value
        case bool():
            return "yes" if value else "no"
        case datetime():
            return value.isoformat(" ", "minutes")
        case time():
            return value.isoformat("minutes")
        case timedelta():
            minutes = round(value.total_seconds() / 60)
            return f"{minutes // 60}:{minutes % 60:02}"
        case float():
            if not math.isfinite(value):
                raise ValueError(f"{value!r} is no number to be written")
            return plain_number(value)
        case _:
            return str(value)


def is_plain(number: float | Decimal) -> bool:
    """Whether a spreadsheet holds every digit. Raises ValueError for what is no number."""
    if not math.isfinite(number):
        raise ValueError(f"{number!r} is no number to be written")
    return not isinstance(number, int) or abs(number) < _EXACT_BELOW


def xml_text(text: str) -> str:
    """Text that a workbook or a CSV can hold and no spreadsheet runs."""
    # Some of them part words: a form feed, a vertical tab.
    return safe_text(_NOT_IN_XML.sub(lambda found: " " if found[0].isspace() else "", text))


def sheet_name(title: str) -> str:
    """A title as a sheet's name: no signs that Excel forbids, at most 31 characters."""
    name = re.sub(r"[\[\]:*?/\\']", " ", clean(title))[:31].strip()
    return (
        name if name and name.casefold() not in ("history", *(other.casefold() for other in NOTES_SHEETS)) else "List"
    )


def _width(column: Column) -> int:
    return max(12, min(len(column.label) + 2, 30)) if column.kind != "text" else max(16, min(len(column.label) + 2, 40))


def _columns(columns: Sequence[Column | str]) -> list[Column]:
    """A plain heading stands for a column of texts."""
    return [Column(column, column) if isinstance(column, str) else column for column in columns]
