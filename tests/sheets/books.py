"""Workbooks for tests: whole ones through the writing library, and raw packages for what no honest program writes."""

import io
import zipfile
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, time
from typing import Any

import xlsxwriter

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_RELATIONS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"


def workbook(fill: Callable[[xlsxwriter.Workbook], None], **options: Any) -> bytes:
    """A workbook that `fill` writes."""
    stream = io.BytesIO()
    with xlsxwriter.Workbook(stream, options) as book:
        fill(book)
    return stream.getvalue()


def sheets(rows_by_sheet: Mapping[str, Sequence[Sequence[Any]]]) -> bytes:
    """A workbook of plain rows; dates and times as cells of their kind, texts as texts."""

    def fill(book: xlsxwriter.Workbook) -> None:
        formats = {
            date: book.add_format({"num_format": "dd/mm/yyyy"}),
            time: book.add_format({"num_format": "hh:mm"}),
            datetime: book.add_format({"num_format": "dd/mm/yyyy hh:mm"}),
        }
        for name, rows in rows_by_sheet.items():
            sheet = book.add_worksheet(name)
            for row, cells in enumerate(rows):
                for column, cell in enumerate(cells):
                    if isinstance(cell, str):
                        sheet.write_string(row, column, cell)
                    elif type(cell) in formats:
                        sheet.write_datetime(row, column, cell, formats[type(cell)])
                    elif isinstance(cell, bool):
                        sheet.write_boolean(row, column, cell)
                    elif cell is not None:
                        sheet.write_number(row, column, cell)

    return workbook(fill)


def sheet_xml(inner: str, *, prolog: str = '<?xml version="1.0" encoding="UTF-8"?>\n') -> bytes:
    """A worksheet part with these rows."""
    return f'{prolog}<worksheet xmlns="{MAIN}"><sheetData>{inner}</sheetData></worksheet>'.encode()


def package(
    sheet: bytes | Mapping[str, bytes] = b"",
    *,
    extra: Mapping[str, bytes] | None = None,
    compression: int = zipfile.ZIP_DEFLATED,
    part: str = "worksheets/sheet{}.xml",
) -> bytes:
    """The smallest .xlsx around these worksheet parts (name to XML), and whatever else is given."""
    parts = {"One": sheet} if isinstance(sheet, bytes) else dict(sheet)
    listed = "".join(f'<sheet name="{name}" sheetId="{i}" r:id="rId{i}"/>' for i, name in enumerate(parts, 1))
    related = "".join(
        f'<Relationship Id="rId{i}" Type="{_RELATIONS}/worksheet" Target="{part.format(i)}"/>'
        for i in range(1, len(parts) + 1)
    )
    head = '<?xml version="1.0" encoding="UTF-8"?>\n'
    members = {
        "[Content_Types].xml": f'{head}<Types xmlns="{_PACKAGE}/content-types"/>'.encode(),
        "_rels/.rels": (
            f'{head}<Relationships xmlns="{_PACKAGE}/relationships"><Relationship Id="rId1" '
            f'Type="{_RELATIONS}/officeDocument" Target="xl/workbook.xml"/></Relationships>'
        ).encode(),
        "xl/workbook.xml": (
            f'{head}<workbook xmlns="{MAIN}" xmlns:r="{_RELATIONS}"><sheets>{listed}</sheets></workbook>'
        ).encode(),
        "xl/_rels/workbook.xml.rels": (
            f'{head}<Relationships xmlns="{_PACKAGE}/relationships">{related}</Relationships>'
        ).encode(),
        **{f"xl/{part.format(i)}": xml for i, xml in enumerate(parts.values(), 1)},
        **(extra or {}),
    }
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", compression) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return stream.getvalue()


def text_cells(*texts: str, row: int = 1) -> str:
    """A row of inline texts as XML."""
    cells = "".join(
        f'<c r="{chr(65 + column)}{row}" t="inlineStr"><is><t>{text}</t></is></c>' for column, text in enumerate(texts)
    )
    return f'<row r="{row}">{cells}</row>'
