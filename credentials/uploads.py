"""A sheet on its way in by the screens: sent, its headings matched, read and shown row by row, signed, stored.

The file is kept until somebody signs or drops it, for a day at most, and read again when it is signed, so that what is
stored is what the file says and what was shown: the digest of the plan says whether it is the same.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from uuid import UUID

from django.http import Http404

from audits.identifiers import find_identifiers, looks_like_record_numbers
from audits.logbook import Conflict
from audits.sheet_report import Becomes, Plan, Report
from credentials.sheet_kinds import KINDS, Days, Kind
from people import clock
from people.access import Access, NotPermitted
from people.models import User
from people.signing import Confirmed, NotConfirmed
from sheets import cells, mappings, staging
from sheets.headings import Match, words
from sheets.letters import column_letter
from sheets.models import StagedRow, Upload
from sheets.reading import Cell, Formula, Sheet, Workbook, is_blank, read_workbook
from sheets.refusals import write_refusals
from sheets.table import Remark, Tables, matches
from sheets.zipcheck import FileRefused

KEPT_FOR = timedelta(days=1)  # as the daily run has it
_SAMPLE = 60
_SHOWN = 3
_WARNINGS = 500
_CHANGED = "The register changed since the rows were read. Read the file again, and look once more."
State = Upload.State


@dataclass(frozen=True)
class Choice:
    """One column of a sheet, as a person chooses it: `value` is kept, `words` are shown."""

    value: str
    words: str


@dataclass(frozen=True)
class SheetToMatch:
    """One sheet whose headings are to be matched: its columns, and for each field the one that was guessed."""

    name: str
    header_row: int
    signature: str
    columns: tuple[Choice, ...]
    guessed: Mapping[str, str]
    is_enough: bool


def kind_of(upload: Upload) -> Kind:
    return KINDS[upload.kind]


def begin(*, user: User, kind: Kind, name: str, data: bytes) -> Upload:
    """Keep a file that can be read. Raises FileRefused."""
    staging.forget(before=clock.now() - KEPT_FOR)
    workbook = read_workbook(data, name=name)
    if not any(not is_blank(cell) for sheet in workbook.sheets for line in sheet.rows for cell in line):
        raise FileRefused("The file holds no rows.")
    return staging.receive(user=user, kind=kind.code, name=name, data=data, at=clock.now())


def get_upload(access: Access, uuid: UUID) -> Upload:
    """One's own upload, of a kind that one may import. Raises Http404, NotPermitted."""
    found = Upload.objects.filter(uuid=uuid, user=access.user).first()
    if found is None:
        raise Http404("No upload of yours has this identifier.")
    require(access, kind_of(found))
    return found


def require(access: Access, kind: Kind) -> None:
    """Raises NotPermitted for who may import no such sheet."""
    if not access.may_somewhere(kind.right):
        raise NotPermitted(f"{access.user.pk} may not import {kind.code}")


def workbook_of(upload: Upload) -> Workbook:
    """The file, read anew. Raises AlreadyDecided once it is gone."""
    return read_workbook(staging.data_of(upload), name=upload.file_name)


def sheets_to_match(upload: Upload, workbook: Workbook) -> list[SheetToMatch]:
    """The sheets with headings, each with the guess: what was chosen for this upload, remembered, or found by words."""
    kind = kind_of(upload)
    chosen = upload.mapping.get("columns", {})
    found = []
    for sheet, match in matches(workbook, kind.fields, recall=lambda signature: _recalled(upload, signature)):
        if match is not None:
            found.append(_to_match(sheet, match, chosen.get(match.signature)))
    return found


def _recalled(upload: Upload, signature: str) -> dict[str, str | None] | None:
    chosen: dict[str, str | None] | None = upload.mapping.get("columns", {}).get(signature)
    return chosen or mappings.recall(user=upload.user, kind=upload.kind, signature=signature)


def _to_match(sheet: Sheet, match: Match, chosen: Mapping[str, str | None] | None) -> SheetToMatch:
    values = _values(match.headings)
    columns = tuple(
        Choice(values[index], _words(sheet, match, index))
        for index in range(len(match.headings))
        if match.headings[index] or _sample(sheet, match.header_row, index)
    )
    guessed = {name: values[index] for name, index in match.mapping.items()}
    return SheetToMatch(
        sheet.name, match.header_row, match.signature, columns, guessed, match.is_enough or bool(chosen)
    )


def _values(headings: Sequence[str]) -> list[str]:
    """How each column is named in a map: its heading, or its letter where the heading is not its own."""
    forms = [words(heading) for heading in headings]
    return [
        heading if heading and forms.count(form) == 1 else f"column {column_letter(index)}"
        for index, (heading, form) in enumerate(zip(headings, forms, strict=True))
    ]


def _words(sheet: Sheet, match: Match, index: int) -> str:
    """'C: Emp No (4512, 4513, 4630)'; nothing is shown of a column that may tell who a patient is."""
    heading = match.headings[index] or "no heading"
    sample = _sample(sheet, match.header_row, index)
    shown = [] if looks_like_record_numbers(sample, heading=match.headings[index]) else _texts(sample)
    return f"{column_letter(index)}: {heading}" + (f" ({', '.join(shown)})" if shown else "")


def _sample(sheet: Sheet, start: int, index: int) -> list[Cell]:
    found: list[Cell] = []
    for line in sheet.rows[start:]:
        if index < len(line) and not is_blank(line[index]):
            found.append(line[index])
            if len(found) == _SAMPLE:
                break
    return found


def _texts(sample: Sequence[Cell]) -> list[str]:
    found: list[str] = []
    for cell in sample:
        if isinstance(cell, str | float | int) and not isinstance(cell, bool):
            text = cells.text(cell) if not isinstance(cell, str) else cells.clean(cell)
        else:
            text = "" if isinstance(cell, Formula) else str(cell)
        if text and len(text) <= 24 and text not in found and not find_identifiers(text):
            found.append(text)
            if len(found) == _SHOWN:
                break
    return found


def tables_of(upload: Upload, workbook: Workbook) -> Tables:
    """The tables as they were matched; sheets that are not to be read are left out. Raises FileRefused."""
    left_out = set(upload.mapping.get("left_out", ()))
    kept = tuple(sheet for sheet in workbook.sheets if sheet.name not in left_out)
    told = [Remark("This sheet was left out, as you said.", name) for name in sorted(left_out)]
    found = kind_of(upload).read_tables(
        Workbook(kept, workbook.remarks), recall=lambda signature: _recalled(upload, signature)
    )
    return Tables(found.tables, (*found.remarks, *told))


def days_of(upload: Upload) -> Days:
    given = upload.mapping.get("days")
    return (date.fromisoformat(given[0]), date.fromisoformat(given[1])) if given else None


def plan_of(upload: Upload) -> Plan:
    """What the file would do now. Raises FileRefused, Problems for its days, AlreadyDecided."""
    tables = tables_of(upload, workbook_of(upload))
    return kind_of(upload).plan(upload.user, tables, upload.digest, days_of(upload))


def match(
    upload: Upload,
    *,
    columns: Mapping[str, Mapping[str, str | None]],
    left_out: Sequence[str],
    days: Days,
) -> None:
    """Note which heading is which field (by the signature of each sheet), what is left out, and the complete days."""
    upload.mapping = {
        "columns": {signature: dict(chosen) for signature, chosen in columns.items()},
        "left_out": list(left_out),
        "days": [day.isoformat() for day in days] if days else None,
    }
    Upload.objects.filter(pk=upload.pk).update(mapping=upload.mapping)


def read(upload: Upload) -> Plan:
    """Read the whole file and stage every row with what would become of it. Raises as `plan_of`."""
    Upload.objects.filter(pk=upload.pk, state__in=(State.READING, State.READY)).update(total=0, done=0)
    plan = plan_of(upload)
    staging.stage(upload, plan.report.staged(), total=len(plan.report.becomes))
    staging.finish(upload, summary=_summary(plan.report, plan))
    return plan


def _summary(report: Report, plan: Plan) -> dict[str, Any]:
    warnings = [report.headed(remark).as_json() for remark in report.warnings]
    return {
        "counts": {str(kind): report.counts[kind] for kind in Becomes},
        "rows": len(report.becomes),
        "warnings": warnings[:_WARNINGS],
        "more_warnings": max(0, len(warnings) - _WARNINGS),
        "statement": plan.statement,
        "digest": plan.digest,
        "has_work": plan.has_work,
        "headings": {sheet: dict(headings) for sheet, headings in report.headings.items()},
    }


def store(upload: Upload, signer: Confirmed) -> Report:
    """Store what was shown, once. Raises NotConfirmed if the file would do something else by now, AlreadyDecided."""
    plan = plan_of(upload)
    if plan.digest not in signer.digests:
        raise NotConfirmed(_CHANGED)
    kind = kind_of(upload)
    try:
        report = kind.carry_out(
            signer=signer, plan=plan, before=lambda: staging.claim(upload), after=lambda: staging.clear(upload)
        )
    except Conflict:
        raise NotConfirmed(_CHANGED) from None
    counts = {str(each): report.counts[each] for each in Becomes}
    upload.summary = {**upload.summary, "counts": counts}
    Upload.objects.filter(pk=upload.pk).update(summary=upload.summary)
    for signature, columns in upload.mapping.get("columns", {}).items():
        mappings.remember(user=upload.user, kind=kind.code, signature=signature, columns=columns, at=clock.now())
    return report


def write_refused(upload: Upload, stream: Any) -> None:
    """The refused rows as a workbook, each with its reason, to be mended and sent again."""
    headings: dict[str, str] = {}
    for of_sheet in upload.summary.get("headings", {}).values():
        for name, heading in of_sheet.items():
            headings.setdefault(name, heading)
    write_refusals(stream, kind_of(upload).fields, staging.refused_rows(upload), headings=headings)


def mine(user: User, *, kinds: Sequence[str]) -> list[Upload]:
    """One's latest uploads, latest first."""
    return list(Upload.objects.filter(user=user, kind__in=kinds).order_by("-created_at")[:20])


def rows_of(upload: Upload) -> Any:
    """The staged rows, refused ones first, in the order of the file."""
    return StagedRow.objects.filter(upload=upload).order_by("-is_refused", "ordinal")
