"""An empty workbook to fill in, made from the same fields that the import reads."""

from collections.abc import Sequence
from datetime import date, time
from typing import IO, Any

import xlsxwriter

from sheets.headings import Field
from sheets.letters import column_letter
from sheets.safetext import safe_text
from sheets.table import NOTES_SHEETS
from sheets.writing import FORMATS, sheet_name

ENTRY_SHEET = NOTES_SHEETS[1]
_TEMPLATE_ROWS = 2_000


def write_template(stream: IO[bytes], fields: Sequence[Field], *, title: str, notes: Sequence[str] = ()) -> None:
    """Write the workbook: a heading for each field, lists to choose from, and a sheet of explanations."""
    with xlsxwriter.Workbook(stream, {"strings_to_formulas": False, "strings_to_urls": False}) as book:
        wanted = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        optional = book.add_format({"bottom": 1, "text_wrap": True, "valign": "top"})
        wrap = book.add_format({"text_wrap": True, "valign": "top"})
        formats = {kind: book.add_format({"num_format": pattern}) for kind, pattern in FORMATS.items()}
        as_text = book.add_format({"num_format": "@"})
        sheet = book.add_worksheet(sheet_name(title))
        entry = book.add_worksheet(ENTRY_SHEET)
        sheet.freeze_panes(1, 0)
        entry.set_column(0, 0, 26)
        entry.set_column(1, 2, 14)
        entry.set_column(3, 4, 48)
        lines = [(title,), *((note,) for note in notes), (), ("Heading", "Needed", "Holds", "What to enter", "Example")]
        head = len(lines) - 1
        for number, line in enumerate(lines):
            for index, text in enumerate(line):
                entry.write_string(number, index, safe_text(text), wanted if number in (0, head) else None)
        for index, field in enumerate(fields):
            sheet.set_column(index, index, max(14, min(len(field.label) + 2, 30)), formats.get(field.kind, as_text))
            sheet.write_string(0, index, safe_text(field.label), wanted if field.required else optional)
            about = field.about + (f" One of: {', '.join(field.choices)}." if field.choices else "")
            needed = "yes" if field.required else "if known"
            for place, text in enumerate((field.label, needed, field.kind, about.strip(), field.example)):
                entry.write_string(head + 1 + index, place, safe_text(text), wrap)
            if rule := _validation(book, entry, field, 7 + index):
                sheet.data_validation(1, index, _TEMPLATE_ROWS, index, rule)


def _validation(book: xlsxwriter.Workbook, entry: Any, field: Field, place: int) -> dict[str, Any] | None:
    """What the spreadsheet should warn about while somebody types; the import judges again."""
    rule: dict[str, Any] = {"error_type": "warning", "error_title": field.label[:32], "ignore_blank": True}
    if field.choices:
        # A list typed into the rule may have 255 characters; a range may have any number.
        entry.set_column(place, place, None, None, {"hidden": True})
        for number, choice in enumerate(field.choices):
            entry.write_string(number, place, safe_text(choice))
        column = column_letter(place)
        source = f"='{ENTRY_SHEET}'!${column}$1:${column}${len(field.choices)}"
        return rule | {"validate": "list", "source": source, "error_message": "Choose from the list."}
    if field.kind == "day":
        message = "Enter a date, for example 3 Nov 2025."
        return rule | {"validate": "date", "criteria": ">=", "value": date(1950, 1, 1), "error_message": message}
    if field.kind == "time":
        message = "Enter a time by the 24-hour clock, for example 14:30."
        limits = {"minimum": time(0, 0), "maximum": time(23, 59, 59)}
        return rule | {"validate": "time", "criteria": "between", **limits, "error_message": message}
    if field.kind == "whole number":
        return rule | {"validate": "integer", "criteria": ">=", "value": 0, "error_message": "Enter a whole number."}
    return None
