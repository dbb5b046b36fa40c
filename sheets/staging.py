"""Hold an upload between its reading and the moment somebody confirms it.

    upload = receive(user=..., kind="logbook", name=..., data=..., at=now())
    stage(upload, rows, total=len(tables))      short transactions: their count is the progress
    finish(upload, summary=...)                 a person looks at the preview
    with transaction.atomic():                  the storing, once only
        claim(upload)
        ... staged_rows(upload) ...
        clear(upload)

Who may see an upload is for the app that asked for it to say.
"""

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from itertools import islice
from typing import Any

from django.core.serializers.json import DjangoJSONEncoder
from django.db import connection, transaction

from sheets import zipcheck
from sheets.cells import clean
from sheets.models import StagedRow, Upload, UploadFile
from sheets.reading import Fault, Formula
from sheets.refusals import RefusedRow
from sheets.table import Remark

BATCH = 2_000
_INSERT = (
    'INSERT INTO sheets_stagedrow (upload_id, ordinal, sheet, "row", "values", problems, is_refused) '
    "VALUES (%s, %s, %s, %s, %s, %s, %s)"
)
_encode = DjangoJSONEncoder().encode


class AlreadyDecided(Exception):  # noqa: N818 (the word of the design)
    """The upload was confirmed, dropped or has failed before: nothing more happens to it."""


@dataclass(frozen=True, slots=True)
class Staged:
    """A checked row: values by field as JSON can hold them (dates and times too), and problems if it is refused.

    Values that look like patients' identifiers are left out before they come here.
    """

    sheet: str
    row: int
    values: Mapping[str, Any]
    problems: Sequence[Remark] = ()


def receive(*, user: Any, kind: str, name: str, data: bytes, at: datetime) -> Upload:
    """Keep a file to be read. Raises FileRefused for an empty file or one over 25 MB."""
    zipcheck.check_size(len(data))
    with transaction.atomic():
        upload = Upload.objects.create(
            user=user,
            kind=kind,
            file_name=clean_name(name),
            digest=hashlib.sha256(data).hexdigest(),
            created_at=at,
        )
        UploadFile.objects.create(upload=upload, data=data)
    return upload


def data_of(upload: Upload) -> bytes:
    """The file's bytes. Raises AlreadyDecided once they are gone."""
    stored = UploadFile.objects.filter(upload=upload).first()
    if stored is None:
        raise AlreadyDecided(f"the file of {upload} is no longer kept")
    return bytes(stored.data)


def stage(upload: Upload, rows: Iterable[Staged], *, total: int) -> None:
    """Store checked rows, two thousand to a transaction, in place of any staged before.

    Raises AlreadyDecided if the upload is no longer being read, also when it is dropped meanwhile.
    """
    with transaction.atomic():
        _move(upload, [Upload.State.READING, Upload.State.READY], state=Upload.State.READING, total=total, done=0)
        StagedRow.objects.filter(upload=upload).delete()
    done = 0
    rest = iter(rows)
    while batch := list(islice(rest, BATCH)):
        lines = [_line(upload, done + number, row) for number, row in enumerate(batch)]
        done += len(batch)
        with transaction.atomic():
            _move(upload, [Upload.State.READING], done=done, total=max(total, done))
            with connection.cursor() as cursor:
                # Several times faster than model instances, and the same statement on both engines.
                cursor.executemany(_INSERT, lines)


def finish(upload: Upload, *, summary: Mapping[str, Any], mapping: Mapping[str, Any] | None = None) -> None:
    """All rows are staged: the upload waits for somebody to confirm it. Raises AlreadyDecided."""
    values: dict[str, Any] = {"state": Upload.State.READY, "summary": dict(summary)}
    if mapping is not None:
        values["mapping"] = dict(mapping)
    _move(upload, [Upload.State.READING], **values)


def fail(upload: Upload, message: str) -> None:
    """The file cannot be read; the message says why. The file and its rows are deleted. Raises AlreadyDecided."""
    _close(upload, [Upload.State.READING], Upload.State.FAILED, message=message)


def drop(upload: Upload) -> None:
    """Somebody decided against it. The file and its rows are deleted. Raises AlreadyDecided."""
    _close(upload, [Upload.State.READING, Upload.State.READY], Upload.State.DROPPED)


def claim(upload: Upload) -> None:
    """Mark the upload as stored: the first step of the transaction that stores its rows.

    Raises AlreadyDecided for the second of two that try, and RuntimeError outside a transaction.
    """
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError("an upload is claimed inside the transaction that stores its rows")
    _move(upload, [Upload.State.READY], state=Upload.State.CONFIRMED)


def clear(upload: Upload) -> None:
    """Delete the file and the stored rows of a claimed upload, the last step of that transaction; refused rows stay."""
    UploadFile.objects.filter(upload=upload).delete()
    StagedRow.objects.filter(upload=upload, is_refused=False).delete()


def staged_rows(upload: Upload) -> Iterator[StagedRow]:
    """The rows that may be stored, in the file's order."""
    return StagedRow.objects.filter(upload=upload, is_refused=False).order_by("ordinal").iterator(BATCH)


def refused_rows(upload: Upload) -> Iterator[RefusedRow]:
    """The refused rows in the file's order, as `refusals.write_refusals` takes them."""
    for row in StagedRow.objects.filter(upload=upload, is_refused=True).order_by("ordinal").iterator(BATCH):
        yield RefusedRow(row.sheet, row.row, row.values, [Remark(**problem) for problem in row.problems])


def forget(*, before: datetime) -> int:
    """Drop what was left lying and delete refused rows and files of uploads older than this; how many uploads."""
    with transaction.atomic():
        old = Upload.objects.filter(created_at__lt=before)
        UploadFile.objects.filter(upload__in=old).delete()
        StagedRow.objects.filter(upload__in=old).delete()
        return old.filter(state__in=[Upload.State.READING, Upload.State.READY]).update(state=Upload.State.DROPPED)


def json_value(value: object) -> object:
    """A raw cell as JSON can hold it: the value that a formula showed, dates and times in ISO 8601, others as text."""
    if isinstance(value, Formula):
        value = value.shown
    if isinstance(value, Fault):
        return "(an error)"
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return value if value == value and abs(value) != float("inf") else None
    if isinstance(value, date | time):
        return value.isoformat()
    return str(value)


def clean_name(name: str) -> str:
    """The last part of a file's name without anything that could act on a path, a header or a page."""
    last = re.split(r"[/\\]", unicodedata.normalize("NFC", name))[-1]
    kept = re.sub(r"[^\w .,()+-]", "", last).strip(" .")
    return " ".join(kept.split())[-120:] or "upload"


def _line(upload: Upload, ordinal: int, row: Staged) -> tuple[int | str | bool, ...]:
    problems = [problem.as_json() for problem in row.problems]
    return (upload.pk, ordinal, clean(row.sheet)[:100], row.row, _json(row.values), _json(problems), bool(problems))


def _json(value: Any) -> str:
    """The value as JSON, texts without the signs that PostgreSQL's JSON does not hold."""
    text = _encode(value)
    return _encode(_without_odd_signs(value)) if "\\u0000" in text or "\\ud" in text else text


def _without_odd_signs(value: Any) -> Any:
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, Mapping):
        return {clean(name): _without_odd_signs(inner) for name, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_without_odd_signs(inner) for inner in value]
    return value


def _close(upload: Upload, states: Sequence[str], state: str, *, message: str = "") -> None:
    with transaction.atomic():
        _move(upload, states, state=state, message=message)
        UploadFile.objects.filter(upload=upload).delete()
        StagedRow.objects.filter(upload=upload).delete()


def _move(upload: Upload, states: Sequence[str], **values: Any) -> None:
    """Change the upload only if it is in one of these states: the database decides between two that try."""
    if not Upload.objects.filter(pk=upload.pk, state__in=states).update(**values):
        raise AlreadyDecided(f"{upload.file_name} was decided before")
    for name, value in values.items():
        setattr(upload, name, value)
