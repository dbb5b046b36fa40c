"""People: the list, and a person's page with the answer for today or any day."""

from typing import Any
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods

from audits.models import Procedure
from credentials import tables
from credentials.forms import DayAskedForm
from credentials.past import number_at_end_of
from credentials.person import PersonPage, person_page
from credentials.seeing import followed
from credentials.standings import refresh
from people import access, exports
from people.access import Access, Right
from people.lookups import note_view
from people.models import Clinician
from people.pages import page
from sheets.listing import export, page_of


@require_http_methods(["GET", "POST"])
def people(request: HttpRequest) -> HttpResponseBase:
    """Everybody about whom this user may know how far they are; answers for others are under Who can."""
    mine = access.of(request)
    # What an act or the calendar has changed since is worked out first: a list of yesterday could say 'alone'.
    refresh(followed(mine).values_list("pk", flat=True))
    listing = tables.people(mine)
    if request.method == "POST":
        return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
    return page(
        request,
        "credentials/people.html",
        {"listing": page_of(request, listing), "oversees": mine.may_somewhere(Right.UNIT_FIGURES)},
        fragment="tables/listing.html",
    )


@require_http_methods(["GET"])
def person(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    clinician = mine.get_clinician(uuid, Right.ANSWER)
    if not Procedure.objects.exists():
        raise Http404("This register has no procedures yet, so there is nothing to answer.")
    form = DayAskedForm(request.GET or None)
    asked = form.cleaned_data if form.is_bound and form.is_valid() else {}
    now, shown = _pages(mine, clinician, asked)
    if not shown.seen.is_self:
        note_view(mine.user, clinician, "person")
    context = {
        "shown": shown,
        "form": form if form.is_bound and form.errors else DayAskedForm(initial=_as_asked(asked, shown)),
        "today": now.on,
        "known_on": asked.get("known_on"),
        "known": asked.get("known"),
        "no_reasons": (),
    }
    return page(request, "credentials/person.html", context)


def _pages(mine: Access, clinician: Clinician, asked: dict[str, Any]) -> tuple[PersonPage, PersonPage]:
    """The page of today, and the page that was asked for."""
    now = person_page(mine, clinician, procedure=asked.get("procedure"))
    known = asked.get("known")
    if asked.get("known_on"):
        known = number_at_end_of(asked["known_on"], now.zone)
    if known is None and asked.get("on") in (None, now.on):
        return now, now
    return now, person_page(mine, clinician, procedure=now.procedure, on=asked.get("on") or now.on, known=known)


def _as_asked(asked: dict[str, Any], shown: PersonPage) -> dict[str, Any]:
    return {**asked, "procedure": shown.procedure.pk}
