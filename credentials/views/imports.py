"""Sheets that come in: send the file, match its headings, look at what becomes of every row, sign, see the result."""

import io
from typing import Any
from uuid import UUID

from django.http import FileResponse, Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from credentials import tables_imports, uploads
from credentials.forms import Signing
from credentials.forms_imports import COMPLETE, PARTIAL, ColumnsForm, DaysForm, UploadForm
from credentials.sheet_kinds import COMPLETIONS, KINDS, LOGBOOK, STAFF, Kind
from people import access
from people.access import Access
from people.pages import go, page, show_problems
from people.problems import Problems
from people.signing import NotConfirmed
from sheets import staging
from sheets.listing import page_of
from sheets.models import Upload
from sheets.staging import AlreadyDecided
from sheets.template import write_template
from sheets.zipcheck import FileRefused

FORM = ["GET", "POST"]
State = Upload.State


@require_GET
def imports(request: HttpRequest) -> HttpResponse:
    """Where sheets come in, and one's own that are under way."""
    mine = access.of(request)
    kinds = _kinds(mine)
    context = {"kinds": kinds, "uploads": uploads.mine(mine.user, kinds=[kind.code for kind in kinds])}
    return page(request, "imports/imports.html", context)


@require_http_methods(FORM)
def import_staff(request: HttpRequest) -> HttpResponse:
    return _begin(request, STAFF)


@require_http_methods(FORM)
def import_logbook(request: HttpRequest) -> HttpResponse:
    return _begin(request, LOGBOOK)


@require_http_methods(FORM)
def import_completions(request: HttpRequest) -> HttpResponse:
    return _begin(request, COMPLETIONS)


def _begin(request: HttpRequest, kind: Kind) -> HttpResponse:
    mine = access.of(request)
    uploads.require(mine, kind)
    form = UploadForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            upload = uploads.begin(user=mine.user, kind=kind, name=file.name, data=file.read())
        except FileRefused as refused:
            form.add_error("file", refused.reason)
        else:
            return go(request, "import_match", upload.uuid)
    return page(request, "imports/begin.html", {"form": form, "kind": kind})


@require_GET
def import_template(request: HttpRequest, kind: str) -> FileResponse:
    """An empty sheet to fill in."""
    if kind not in KINDS:
        raise Http404("No such sheet.")
    found = KINDS[kind]
    uploads.require(access.of(request), found)
    stream = io.BytesIO()
    write_template(stream, found.fields, title=found.title, notes=found.notes)
    stream.seek(0)
    return FileResponse(stream, as_attachment=True, filename=f"{kind}.xlsx")


@require_http_methods(FORM)
def import_match(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Which heading is which field, sheet by sheet; for a log also what it is. Sending it reads the whole file."""
    upload = uploads.get_upload(access.of(request), uuid)
    if upload.state not in (State.READING, State.READY):
        return go(request, "import_preview", upload.uuid)
    kind = uploads.kind_of(upload)
    sheets = uploads.sheets_to_match(upload, uploads.workbook_of(upload))
    data = request.POST or None
    forms = [ColumnsForm(data, prefix=f"s{place}", sheet=each, kind=kind) for place, each in enumerate(sheets)]
    days = DaysForm(data, prefix="d", initial=_days_said(upload)) if kind.has_days else None
    refused = None
    if request.method == "POST":
        # Every form is asked, so that all that is to be mended is shown at once.
        valid = [form.is_valid() for form in (*forms, *([days] if days else []))]
        if all(valid):
            refused = _read(upload, forms, days)
            if refused is None:
                return go(request, "import_preview", upload.uuid)
    context: dict[str, Any] = {"upload": upload, "kind": kind, "forms": forms, "days": days, "refused": refused}
    # Forms in a list are not found by the frame, which sums up what is to be mended.
    return page(request, "imports/match.html", context | {f"form_{place}": form for place, form in enumerate(forms)})


def _days_said(upload: Upload) -> dict[str, Any]:
    if "days" not in upload.mapping:
        return {}
    days = uploads.days_of(upload)
    return {"what": COMPLETE, "first": days[0], "last": days[1]} if days else {"what": PARTIAL}


def _read(upload: Upload, forms: list[ColumnsForm], days: DaysForm | None) -> str | None:
    """Read the file as it was matched; what is wrong with it as a whole, if it is."""
    uploads.match(
        upload,
        columns={form.sheet.signature: form.columns for form in forms if form.is_read},
        left_out=[form.sheet.name for form in forms if not form.is_read],
        days=days.days if days else None,
    )
    try:
        uploads.read(upload)
    except FileRefused as refused:
        return refused.reason
    except Problems as problems:
        if days is None:
            raise
        show_problems(days, problems)
        return str(problems)
    return None


@require_GET
def import_progress(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """How far the reading is: the part that asks again by itself, or a page to be loaded again."""
    upload = uploads.get_upload(access.of(request), uuid)
    return page(request, "imports/progress.html", {"upload": upload}, fragment="imports/_progress.html")


@require_http_methods(FORM)
def import_preview(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """What would become of every row, with the statement to sign; once it was signed, what became of it."""
    upload = uploads.get_upload(access.of(request), uuid)
    if upload.state == State.READING:
        return page(request, "imports/progress.html", {"upload": upload})
    form = _signing(request, upload)
    meaning = uploads.kind_of(upload).meaning
    if request.method == "POST" and form and form.is_valid() and (signer := form.signed(meaning=meaning)):
        try:
            uploads.store(upload, signer)
        except NotConfirmed as refusal:
            form.add_error(None, str(refusal))
        except AlreadyDecided:
            return go(request, "import_preview", upload.uuid)
        else:
            return go(request, "import_preview", upload.uuid, message="Stored.")
    context = {
        "upload": upload,
        "kind": uploads.kind_of(upload),
        "summary": upload.summary,
        "form": form,
        "listing": page_of(request, tables_imports.staged(upload)),
        "warnings": [tables_imports.warning_words(each) for each in upload.summary.get("warnings", ())],
        "lines": tables_imports.counts(upload),
    }
    return page(request, "imports/preview.html", context, fragment="tables/listing.html")


def _signing(request: HttpRequest, upload: Upload) -> Signing | None:
    if upload.state != State.READY or not upload.summary.get("has_work"):
        return None
    return Signing(request, request.POST or None, digests=[upload.summary["digest"]])


@require_GET
def import_refused(request: HttpRequest, uuid: UUID) -> HttpResponseBase:
    """The refused rows of one's own file, each with its reason, to be mended and sent again."""
    upload = uploads.get_upload(access.of(request), uuid)
    if upload.state not in (State.READY, State.CONFIRMED):
        raise Http404("Nothing of this file is kept.")
    stream = io.BytesIO()
    uploads.write_refused(upload, stream)
    stream.seek(0)
    return FileResponse(stream, as_attachment=True, filename=f"{upload.kind}-refused-rows.xlsx")


@require_POST
def import_drop(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Drop the file: nothing of it is kept."""
    upload = uploads.get_upload(access.of(request), uuid)
    try:
        staging.drop(upload)
    except AlreadyDecided:
        return go(request, "import_preview", upload.uuid)
    return go(request, "imports", message="Dropped. Nothing of the file is kept.")


def _kinds(mine: Access) -> list[Kind]:
    return [kind for kind in KINDS.values() if mine.may_somewhere(kind.right)]
