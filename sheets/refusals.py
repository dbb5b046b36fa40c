"""The workbook of refused rows: what was not stored, why, and ready to be mended and uploaded again."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from decimal import Decimal
from typing import IO, Any

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter

from sheets.headings import Field
from sheets.reading import Fault, Formula
from sheets.table import Remark
from sheets.writing import MAX_TEXT, as_text, is_plain, xml_text


@dataclass(frozen=True)
class RefusedRow:
    """A row that was not taken: where it stood, its raw cells by field, and why."""

    sheet: str
    number: int
    values: Mapping[str, object]
    remarks: Sequence[Remark]


def write_refusals(
    stream: IO[bytes],
    fields: Sequence[Field],
    refused: Iterable[RefusedRow],
    *,
    headings: Mapping[str, str] | None = None,
) -> None:
    """Write refused rows: the reason first, then the row as it was with its bad cells marked, then its place.

    `headings` are the sheet's own headings by field, the labels where there is none; only fields are written, so that
    columns nobody asked for do not come back. Whoever calls leaves out values that look like patients' identifiers.
    """
    book = Workbook(write_only=True)
    sheet = book.create_sheet("Refused rows")
    sheet.freeze_panes = "B2"
    names = [field.name for field in fields]
    labels = {field.name: field.label for field in fields}
    bad = PatternFill("solid", start_color="FFF4D6B0")
    wrapped = Alignment(wrap_text=True, vertical="top")
    for index, width in enumerate([60, *([18] * len(fields)), 18, 12], 1):
        sheet.column_dimensions[get_column_letter(index)].width = width

    def styled(value: object, **styles: Any) -> WriteOnlyCell:
        cell = WriteOnlyCell(sheet, value=_value(value))
        if isinstance(cell.value, str):
            # Otherwise a text that begins with an equals sign becomes a formula here.
            cell.data_type = "s"
        for name, style in styles.items():
            setattr(cell, name, style)
        return cell

    first = ["Why it was not stored", *((headings or {}).get(name) or labels[name] for name in names)]
    sheet.append([styled(text, font=Font(bold=True), alignment=wrapped) for text in [*first, "From sheet", "From row"]])
    for row in refused:
        marked = {remark.column for remark in row.remarks}
        reasons = "\n".join(
            f"{labels.get(r.column, r.column)}: {r.reason}" if r.column else r.reason for r in row.remarks
        )
        line = [styled(reasons, alignment=wrapped)]
        for name in names:
            styles = {"fill": bad} if {name, labels[name]} & marked else {}
            line.append(styled(row.values.get(name), alignment=wrapped, **styles))
        sheet.append([*line, styled(row.sheet), styled(row.number)])
    book.save(stream)


def _reason(remark: Remark, labels: Mapping[str, str]) -> str:
    return f"{labels.get(remark.column, remark.column)}: {remark.reason}" if remark.column else remark.reason


def _value(value: object) -> object:
    if isinstance(value, Formula):
        value = value.shown
    if isinstance(value, Fault):
        value = "(an error)"
    if value is None or value == "":
        return None
    if isinstance(value, int | float | Decimal) and not isinstance(value, bool) and is_plain(value):
        return value
    if (
        isinstance(value, date | time)
        and getattr(value, "tzinfo", None) is None
        and getattr(value, "year", 1900) >= 1900
    ):
        return value
    return xml_text(as_text(value))[:MAX_TEXT]
