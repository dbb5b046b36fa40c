"""Founding awards: what was held before the register began, entered by one person and confirmed by another."""

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods

from credentials import founding, tables
from credentials.enrolling import home_unit
from credentials.forms import FoundingForm, Signing
from credentials.founding import NewFounding
from credentials.models import Founding
from credentials.proposing import AlreadyDecided
from credentials.standings import refresh
from people import access, exports
from people.access import Right
from people.pages import go, page, show_problems
from people.problems import Problems
from people.signing import NotConfirmed
from sheets.listing import export, page_of

FORM = ["GET", "POST"]
ENTERED = "Entered. It counts once another educator or manager confirms it."
LEDE = "What was held before the register began, with its evidence. Another educator or manager confirms it."


@require_http_methods(FORM)
def founding_enter(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    clinician = mine.get_clinician(uuid, Right.FOUND)
    home = home_unit(clinician, mine.on)
    start = {"scope_unit": mine.tree.hospital(home) if home else None, "procedure": request.GET.get("procedure")}
    form = FoundingForm(request.POST or None, tree=mine.tree, units=mine.units_for(Right.FOUND), initial=start)
    if request.method == "POST" and form.is_valid():
        try:
            founding.enter_founding(actor=mine.user, new=NewFounding(clinician=clinician, **form.cleaned_data))
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "person", clinician.uuid, message=ENTERED)
    context = {"form": form, "clinician": clinician, "title": "Enter an award from before the register", "lede": LEDE}
    return page(request, "credentials/decision.html", context)


@require_http_methods(FORM)
def foundings(request: HttpRequest) -> HttpResponseBase:
    """The claims that wait, each with whether whoever asks may decide it."""
    mine = access.of(request)
    listing = tables.foundings(mine)
    if request.method == "POST":
        return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
    return page(
        request, "credentials/foundings.html", {"listing": page_of(request, listing)}, fragment="tables/listing.html"
    )


@require_http_methods(FORM)
def founding_decide(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    claim = (
        Founding.objects.filter(uuid=uuid).select_related("clinician", "procedure", "scope_unit", "entered_by").first()
    )
    if claim is None or claim.scope_unit_id not in mine.units_for(Right.FOUND):
        raise Http404("No such claim in scope.")
    if not founding.may_decide(mine, claim):
        raise access.NotPermitted(f"{mine.user.pk} may not decide founding award {uuid}")
    form = Signing(request, request.POST or None, digests=[founding.founding_digest(claim)])
    confirmed = "refuse" not in request.POST
    meaning = founding.MEANING if confirmed else founding.REFUSED
    if request.method == "POST" and form.is_valid() and (signer := form.signed(meaning=meaning)):
        try:
            founding.decide_founding(signer=signer, claim=claim, confirmed=confirmed)
        except Problems as problems:
            show_problems(form, problems)
        except (NotConfirmed, AlreadyDecided) as refusal:
            form.add_error(None, str(refusal))
        else:
            refresh([claim.clinician_id])
            done = "confirmed" if confirmed else "refused"
            return go(request, "foundings", message=f"The award of {claim.clinician.name} is {done}.")
    context = {"form": form, "claim": claim, "path": mine.tree.path(claim.scope_unit_id)}
    return page(request, "credentials/founding_decide.html", context)
