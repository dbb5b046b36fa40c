"""What the imports say at the terminal: the report in words or as one document, and the workbook of refused rows."""

import json
from collections.abc import Mapping, Sequence
from hashlib import sha256
from pathlib import Path

from django.core.management.base import CommandError, OutputWrapper

from audits.sheet_report import Becomes, Report
from sheets.headings import Field, read_columns
from sheets.reading import Workbook, read_workbook
from sheets.refusals import write_refusals
from sheets.table import Remark
from sheets.zipcheck import FileRefused

_SHOWN = 40


def opened(path: str) -> tuple[Workbook, str]:
    """The workbook at this path and its SHA-256. Ends the command with 2 if it cannot be opened, with 1 if refused."""
    file = Path(path)
    try:
        data = file.read_bytes()
    except OSError as error:
        raise CommandError(f"{path} cannot be opened: {error.strerror}.", returncode=2) from None
    try:
        return read_workbook(data, name=file.name), sha256(data).hexdigest()
    except FileRefused as refused:
        raise CommandError(refused.reason, returncode=1) from None


def columns_at(path: str | None, fields: Sequence[Field]) -> dict[str, str | None] | None:
    """The column map in this file. Ends the command with 2 if it is none."""
    if path is None:
        return None
    try:
        return read_columns(Path(path).read_text(encoding="utf-8-sig"), fields)
    except (OSError, UnicodeDecodeError, FileRefused) as error:
        raise CommandError(f"{path}: {error}", returncode=2) from None


def keep_refused(report: Report, fields: Sequence[Field], path: str | None) -> None:
    """Write the refused rows, each with the reason beside it, to be mended and imported again."""
    if path is None or not report.has_refusals:
        return
    with Path(path).open("wb") as stream:
        write_refusals(stream, fields, report.refused_rows(), headings=one_heading_each(report))


def one_heading_each(report: Report) -> Mapping[str, str]:
    """The headings of the first sheet that has each field."""
    found: dict[str, str] = {}
    for headings in report.headings.values():
        for name, heading in headings.items():
            found.setdefault(name, heading)
    return found


def tell(report: Report, out: OutputWrapper, *, as_json: bool, dry_run: bool) -> None:
    """Print the report: one document, or words with the first refusals and warnings."""
    if as_json:
        out.write(json.dumps(report.document()))
        return
    counts = report.counts
    would = "would be " if dry_run else ""
    new, corrections = counts[Becomes.NEW], counts[Becomes.CORRECTION]
    out.write(
        f"{len(report.becomes)} rows: {new} {would}stored, {counts[Becomes.ALREADY]} stored already, "
        f"{corrections} {would}offered as corrections, {counts[Becomes.LEFT_OUT]} left out, "
        f"{counts[Becomes.REFUSED]} refused."
    )
    refused = [remark for remarks in report.problems.values() for remark in remarks]
    for title, remarks in (("Refused", refused), ("Warnings", report.warnings)):
        if remarks:
            out.write(f"{title}:")
        for remark in remarks[:_SHOWN]:
            out.write(f"  {_line(report.headed(remark))}")
        if len(remarks) > _SHOWN:
            out.write(f"  and {len(remarks) - _SHOWN} more: --json lists them all.")


def _line(remark: Remark) -> str:
    place = ", ".join(part for part in (remark.sheet, f"row {remark.row}" if remark.row else "", remark.column) if part)
    value = f" ({remark.value})" if remark.value else ""
    return f"{place}{value}: {remark.reason}" if place else remark.reason
