"""Read a workbook or a CSV file into rows of typed cells at their true places, without deciding what they mean."""

import csv
import io
from collections import Counter
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import cast

import python_calamine

from sheets import formulas, zipcheck
from sheets.zipcheck import FileRefused

MAX_ROWS = 150_000
MAX_COLUMNS = 256
# The reader allots the whole rectangle between the first and the last value, empty cells too.
MAX_CELLS = 6_000_000

_DELIMITERS = ",;\t"


@dataclass(frozen=True, slots=True)
class Formula:
    """A cell that holds a formula, and the value that it last showed."""

    shown: object = ""


@dataclass(frozen=True, slots=True)
class Fault:
    """A cell that holds an error such as #REF! or #N/A."""


Cell = str | float | bool | date | datetime | time | timedelta | Formula | Fault | None


@dataclass(frozen=True, slots=True)
class Merge:
    """A merged range, rows and columns counted from 0, all four edges within it."""

    top: int
    left: int
    bottom: int
    right: int


@dataclass(frozen=True)
class Sheet:
    """One sheet: `rows[i]` is its row i + 1, empty rows and edges kept; a merged value stands in its top left cell."""

    name: str
    rows: list[list[Cell]]
    hidden: bool = False
    merges: tuple[Merge, ...] = ()


@dataclass(frozen=True)
class Workbook:
    """Sheets in the file's order, and remarks on the file as a whole that a person should see."""

    sheets: tuple[Sheet, ...]
    remarks: tuple[str, ...] = field(default=())


def is_blank(cell: Cell) -> bool:
    """Whether the cell holds nothing to be seen."""
    return cell is None or cell == "" or (isinstance(cell, str) and not cell.strip())


def read_workbook(source: bytes | Path, *, name: str = "") -> Workbook:
    """Read an .xlsx workbook or a CSV file; which of them is told by the content, the name must agree.

    Raises FileRefused with a text for the person who uploaded it.
    """
    if isinstance(source, Path):
        name = name or source.name
        zipcheck.check_size(source.stat().st_size)
        source = source.read_bytes()
    zipcheck.check_size(len(source))
    ending = name.casefold().rpartition(".")[2] if "." in name else ""
    if ending in ("csv", "tsv", "txt") or (not ending and not source.startswith((b"PK", zipcheck.OLE_MAGIC))):
        return _read_csv(source)
    if ending not in ("", "xlsx") and source.startswith(zipcheck.ZIP_MAGIC):
        raise FileRefused(f"Files ending in .{ending[:8]} are not read. Save it as .xlsx or .csv and upload that copy.")
    return _read_xlsx(source)


def _read_xlsx(data: bytes) -> Workbook:
    scan = formulas.Scan()
    archive = zipcheck.check(data, look=scan.look)
    formulas.check_texts(archive)
    parts = formulas.sheet_parts(archive)
    marks = {name: _bearable(name, part, archive, scan) for name, part in parts.sheets.items()}
    if sum(mark.rows * mark.columns for mark in marks.values()) > MAX_CELLS:
        raise FileRefused("The sheets together are too large. Upload them one by one, or split them by month.")
    try:
        sheets = _sheets(data, marks)
    except FileRefused:
        raise
    except BaseException as error:
        # The reader panics on some damaged files, with an exception that is no Exception.
        if isinstance(error, (KeyboardInterrupt, SystemExit, MemoryError)):
            raise
        raise FileRefused(
            "The workbook cannot be read. Open it in Excel, save it again as .xlsx, and upload that copy."
        ) from error
    remarks = []
    if parts.linked:
        remarks.append("The workbook is linked to other files. Links are never followed.")
    if parts.from_1904:
        remarks.append(
            "The workbook counts dates from 1904. A date that stands in it as a bare number would be read four years "
            "too early: check the dates below."
        )
    return Workbook(tuple(sheets), tuple(remarks))


def _bearable(name: str, part: str, archive: zipcheck.Archive, scan: formulas.Scan) -> formulas.Marks:
    """The sheet's marks, after making sure that reading it takes bearable memory."""

    def fits(marks: formulas.Marks) -> bool:
        cells = max(marks.rows * marks.columns, marks.cells)
        return marks.rows <= MAX_ROWS and marks.columns <= MAX_COLUMNS and cells <= MAX_CELLS

    marks = scan.marks(archive, part)
    if fits(marks):
        return marks
    # The quick look counts empty formatted cells too; only values matter.
    marks = formulas.walk(archive, part)
    if not fits(marks):
        raise FileRefused(
            f"The sheet '{name}' reaches to row {marks.rows:,} and has {marks.columns:,} columns; at most {MAX_ROWS:,} "
            f"rows, {MAX_COLUMNS} columns and {MAX_CELLS:,} cells can be read. Delete what lies outside the list, or "
            "split it by month."
        )
    return marks


def _sheets(data: bytes, marks: dict[str, formulas.Marks]) -> list[Sheet]:
    worksheet = python_calamine.SheetTypeEnum.WorkSheet
    visible = python_calamine.SheetVisibleEnum.Visible
    sheets = []
    with python_calamine.load_workbook(io.BytesIO(data)) as workbook:
        for meta in workbook.sheets_metadata:
            if meta.typ != worksheet:
                continue
            sheet = workbook.get_sheet_by_name(meta.name)
            rows = cast("list[list[Cell]]", sheet.to_python(skip_empty_area=False))
            merges = tuple(Merge(*start, *end) for start, end in sheet.merged_cell_ranges or ())
            _put_marks(rows, marks[meta.name])
            sheets.append(Sheet(meta.name, rows, hidden=meta.visible != visible, merges=merges))
    return sheets


def _put_marks(rows: list[list[Cell]], marks: formulas.Marks) -> None:
    for is_error, places in ((False, marks.formulas), (True, marks.errors)):
        for row, columns in places.items():
            if row >= MAX_ROWS or max(columns) >= MAX_COLUMNS:
                continue
            while len(rows) <= row:
                rows.append([])
            line = rows[row]
            line.extend([""] * (max(columns) + 1 - len(line)))
            for column in columns:
                line[column] = Fault() if is_error else Formula(line[column])


def _read_csv(data: bytes) -> Workbook:
    text, remarks = _decoded(data)
    if text.startswith("sep=") and "\n" in text:
        first, _, rest = text.partition("\n")
        # The line stays as an empty one, so that row numbers are those of the file.
        delimiter, text = first[4:5] or ",", "\n" + rest
    else:
        delimiter = _delimiter(text)
    rows: list[list[Cell]] = []
    cells = 0
    try:
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter):
            rows.append(list(row))
            cells += len(row)
            if len(rows) > MAX_ROWS or len(row) > MAX_COLUMNS or cells > MAX_CELLS:
                raise FileRefused(
                    f"The file has more than {MAX_ROWS:,} rows, {MAX_COLUMNS} columns or {MAX_CELLS:,} cells. Split "
                    "it, for example by month."
                )
    except csv.Error as error:
        raise FileRefused(f"The file is no CSV that can be read near row {len(rows) + 1}. Save it as .xlsx.") from error
    return Workbook((Sheet("CSV", rows),), tuple(remarks))


def _decoded(data: bytes) -> tuple[str, list[str]]:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif b"\0" in data:
        raise FileRefused("This is not a text file, whatever its name says. Upload an .xlsx or a .csv file.")
    else:
        encodings = ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if encoding == "cp1252":
            return text, ["The file is not in UTF-8 and was read as Western European text: check accented names."]
        return text, []
    raise FileRefused("The file's characters cannot be read. Save it as 'CSV UTF-8' or as .xlsx and upload that copy.")


def _delimiter(text: str) -> str:
    """The separator with which most of the first lines fall into the same number, greater than one, of cells."""

    def evenness(delimiter: str) -> tuple[int, int]:
        lines = list(csv.reader(io.StringIO(text[:20_000], newline=""), delimiter=delimiter))[:30]
        widths = Counter(len(line) for line in lines if len(line) > 1)
        width, count = max(widths.items(), key=lambda item: (item[1], item[0]), default=(0, 0))
        return count, width

    try:
        return max(_DELIMITERS, key=evenness)
    except csv.Error:
        return ","
