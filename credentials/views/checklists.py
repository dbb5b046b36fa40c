"""Checklists in use: the blank form on paper, and a version taken out of use by one person and decided by another."""

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_GET, require_http_methods

from audits.checklist import LEVEL_WORDS
from audits.checklists import parsed
from audits.models import Checklist
from credentials import retiring
from credentials.checklist_changes import compared
from credentials.checklist_pages import binds_instead
from credentials.forms_checklists import RetireForm, RetirementForm
from credentials.proposing import AlreadyDecided, document_digest
from credentials.versions import Version, concerning, version_of
from people import access
from people.access import Access, NotPermitted, Right
from people.pages import go, page, show_problems
from people.problems import Problems
from people.signing import NotConfirmed

FORM = ["GET", "POST"]


@require_GET
def blank(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """The checklist with empty columns, to be printed for where no device can be used."""
    _, version = _version(request, uuid)
    steps = parsed(version.row)  # type: ignore[arg-type]
    context = {"version": version, "compared": compared(steps, None), "levels": list(LEVEL_WORDS.values())}
    return page(request, "credentials/checklist_blank.html", context)


@require_http_methods(FORM)
def retire(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """What taking it out of use does, then the signature."""
    mine, version = _version(request, uuid)
    row = version.row
    mine.require(Right.KEEP_RULES, row.unit_id)
    form = RetireForm(request, request.POST or None, digests=[document_digest(row)])
    if request.method == "POST" and form.is_valid() and (signer := form.signed(meaning=retiring.RETIRED)):
        try:
            made = retiring.retire(signer=signer, checklist=row, reason=form.cleaned_data["reason"])  # type: ignore[arg-type]
        except Problems as problems:
            show_problems(form, problems)
        except AlreadyDecided as refusal:
            return go(request, "document", "checklist", uuid, message=str(refusal))
        except NotConfirmed as refusal:
            form.add_error(None, str(refusal))
        else:
            message = (
                f"{made.checklist} is out of use. Another educator or manager decides within {retiring.DAYS} days."
            )
            return go(request, "document", "checklist", uuid, message=message)
    context = {"form": form, "version": version, "instead": binds_instead(mine, row)}  # type: ignore[arg-type]
    return page(request, "credentials/checklist_retire.html", context | {"days": retiring.DAYS})


@require_http_methods(FORM)
def retirement(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Another person confirms that a version stays out of use, or puts it back."""
    mine, version = _version(request, uuid)
    mine.require(Right.KEEP_RULES, version.row.unit_id)
    row = retiring.open_retirement(version.row, mine.on)  # type: ignore[arg-type]
    if row is None:
        return go(request, "document", "checklist", uuid, message="Nothing waits to be decided about this version.")
    if row.by_id == mine.user.pk:
        raise NotPermitted(f"{mine.user.pk} took checklist {uuid} out of use: somebody else decides")
    form = RetirementForm(request, request.POST or None, digests=[retiring.retirement_digest(row)])
    if request.method == "POST" and form.is_valid() and (signer := form.signed(meaning=retiring.DECIDED)):
        confirmed = form.cleaned_data["confirm"]
        try:
            retiring.decide_retirement(signer=signer, retirement=row, confirm=confirmed)
        except Problems as problems:
            show_problems(form, problems)
        except AlreadyDecided as refusal:
            return go(request, "document", "checklist", uuid, message=str(refusal))
        except NotConfirmed as refusal:
            form.add_error(None, str(refusal))
        else:
            done = "stays out of use" if confirmed else "is in force again"
            return go(request, "document", "checklist", uuid, message=f"{version.title} {done}.")
    context = {"form": form, "version": version, "retirement": row, "last_day": retiring.last_day(row)}
    return page(request, "credentials/checklist_retirement.html", context)


def _version(request: HttpRequest, uuid: UUID) -> tuple[Access, Version]:
    """The version, for everybody whom the checklists of its unit concern."""
    mine = access.of(request)
    rows = Checklist.objects.select_related("unit", "procedure", "proposed_by", "approved_by")
    row = rows.filter(uuid=uuid).first()
    if row is None or row.unit_id not in concerning(mine):
        raise Http404("No such checklist in scope.")
    return mine, version_of(mine, "checklist", row)
