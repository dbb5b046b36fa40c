"""The rows of a sheet that is looked at before it is signed."""

from itertools import islice
from typing import Any

from django import forms

from audits.sheet_report import Becomes
from credentials.uploads import rows_of
from sheets.listing import Column, Filter, Listing
from sheets.models import StagedRow, Upload

WORDS = {
    Becomes.NEW: "New",
    Becomes.ALREADY: "In the register already",
    Becomes.CORRECTION: "Offered as a correction",
    Becomes.LEFT_OUT: "Left out: it is on the form",
    Becomes.REFUSED: "Refused",
}
_SAID = 6


def staged(upload: Upload) -> Listing:
    """Every row with what becomes of it, refused ones first; once stored, only the refused are kept."""
    headings = upload.summary.get("headings", {})
    return Listing(
        name="rows",
        title="Rows of the file",
        rows=rows_of(upload),
        columns=(
            Column("sheet", "Sheet"),
            Column("row", "Row", "number"),
            Column("becomes", "What becomes of it", value=lambda row: WORDS[Becomes(row.values["becomes"])]),
            Column("column", "Column", value=lambda row: _column(row, headings)),
            Column("value", "Value", value=lambda row: _each(row, "value")),
            Column("reason", "Reason", value=lambda row: _each(row, "reason")),
            Column("said", "The row begins", value=_said),
        ),
        filters=(
            Filter(
                "becomes",
                forms.ChoiceField(
                    label="What becomes of it",
                    choices=[("", "All rows"), *((str(kind), WORDS[kind]) for kind in Becomes)],
                ),
                lambda rows, value: rows.filter(values__becomes=value),
            ),
        ),
        empty="No row was refused." if upload.state == Upload.State.CONFIRMED else "The file holds no rows.",
        exports=False,
    )


def counts(upload: Upload) -> list[tuple[str, int, str]]:
    """Words, number and code of what becomes of the rows, leaving out what none becomes."""
    found = upload.summary.get("counts", {})
    return [(WORDS[kind], found.get(kind, 0), str(kind)) for kind in Becomes if found.get(kind)]


def warning_words(warning: dict[str, Any]) -> str:
    """'Ward 4 Tern, row 12, Emp No (4512): Zeros differ.'"""
    row = f"row {warning['row']}" if warning["row"] else ""
    place = ", ".join(part for part in (warning["sheet"], row, warning["column"]) if part)
    value = f" ({warning['value']})" if warning["value"] else ""
    return f"{place}{value}: {warning['reason']}" if place else str(warning["reason"])


def _column(row: StagedRow, headings: dict[str, dict[str, str]]) -> str:
    own = headings.get(row.sheet, {})
    return "; ".join(own.get(each["column"], each["column"]) for each in row.problems if each["column"])


def _each(row: StagedRow, part: str) -> str:
    return " ".join(each[part] for each in row.problems if each[part])


def _said(row: StagedRow) -> str:
    said = (value for name, value in row.values.items() if name != "becomes")
    return ", ".join(
        str(int(each)) if isinstance(each, float) and each == int(each) else str(each) for each in islice(said, _SAID)
    )
