"""Scopes by role: who may insert by appointment, of a profession or one person; decided, and ended, by a signature."""

from typing import Any
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods

from audits.models import ScopeByRole
from credentials import awarding, tables
from credentials.forms import EndScopeForm, ScopeForm, Signing
from credentials.standings import refresh
from people import access, exports
from people.access import Access, Right
from people.models import Clinician
from people.pages import go, page, show_problems
from people.problems import Problems
from people.signing import NotConfirmed
from sheets.listing import export, page_of

FORM = ["GET", "POST"]


@require_http_methods(FORM)
def scopes(request: HttpRequest) -> HttpResponseBase:
    mine = access.of(request)
    listing = tables.scopes(mine)
    if request.method == "POST":
        return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
    context = {"listing": page_of(request, listing), "decides": mine.may_somewhere(Right.DECIDE)}
    return page(request, "credentials/scopes.html", context, fragment="tables/listing.html")


@require_http_methods(FORM)
def scope(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """A scope by role for one person."""
    mine = access.of(request)
    return _decide(request, mine, mine.get_clinician(uuid, Right.DECIDE))


@require_http_methods(FORM)
def scope_profession(request: HttpRequest) -> HttpResponse:
    """A scope by role for everybody of a profession who is placed on a unit."""
    return _decide(request, access.of(request), None)


@require_http_methods(FORM)
def scope_end(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Let a scope end on another day; what is signed is the scope as it stands."""
    mine = access.of(request)
    row = (
        ScopeByRole.objects.known()
        .filter(uuid=uuid, unit__in=mine.units_for(Right.DECIDE))
        .select_related("clinician", "procedure", "unit")
        .first()
    )
    if row is None:
        raise Http404("No such scope in scope.")
    if row.clinician is not None:
        mine.require_about(Right.DECIDE, row.clinician)
    shown = [awarding.scope_digest(row)]
    form = EndScopeForm(request, request.POST or None, digests=shown)
    if form.is_bound and form.is_valid() and (signer := form.signed(meaning=awarding.SCOPE_ENDED, digests=shown)):
        try:
            awarding.finish_scope(signer=signer, scope=row, until_day=form.cleaned_data["until_day"])
        except Problems as problems:
            show_problems(form, problems)
        except NotConfirmed as refusal:
            form.add_error(None, str(refusal))
        else:
            refresh()
            return go(request, "scopes", message="The scope by role has its last day.")
    return page(
        request, "credentials/scope_end.html", {"form": form, "scope": row, "path": mine.tree.path(row.unit_id)}
    )


def _decide(request: HttpRequest, mine: Access, clinician: Clinician | None) -> HttpResponse:
    """First what it says, then the check page with the signature; 'Change' leads back to what was typed."""
    asked = ScopeForm(
        request.POST or None,
        tree=mine.tree,
        units=mine.units_for(Right.DECIDE),
        is_for_profession=clinician is None,
        initial={"from_day": mine.on},
    )
    context: dict[str, Any] = {"asked": asked, "clinician": clinician}
    if request.method != "POST" or "change" in request.POST or not asked.is_valid():
        return page(request, "credentials/scope.html", context)
    new = asked.scope_of(clinician)
    typed = request.POST if "secret" in request.POST else None
    shown = [awarding.scope_digest(new)]
    form = Signing(request, typed, digests=shown)
    if form.is_bound and form.is_valid() and (signer := form.signed(meaning=awarding.SCOPED, digests=shown)):
        try:
            awarding.decide_scope(signer=signer, new=new)
        except Problems as problems:
            show_problems(asked, problems)
            return page(request, "credentials/scope.html", context)
        except NotConfirmed as refusal:
            form.add_error(None, str(refusal))
        else:
            refresh()
            to = ("person", clinician.uuid) if clinician else ("scopes",)
            return go(request, *to, message="The scope by role is decided.")
    context |= {"form": form, "new": new, "path": mine.tree.path(new.unit.pk), "whose": _whose(asked, clinician)}
    return page(request, "credentials/scope_check.html", context)


def _whose(asked: ScopeForm, clinician: Clinician | None) -> str:
    """Whom the scope is for, in words."""
    if clinician is not None:
        return clinician.name
    return str(dict(asked.fields["profession"].choices)[asked.cleaned_data["profession"]])  # type: ignore[attr-defined]
