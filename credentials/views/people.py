"""People: the list, and a person's page with the answer for today or any day."""

from datetime import date, datetime, time, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods

from audits.models import Procedure
from credentials import tables
from credentials.forms import DayAskedForm
from credentials.person import person_page
from ledger import acts
from people import access, exports
from people.access import Right
from people.lookups import note_view
from people.pages import page
from sheets.listing import export, page_of


@require_http_methods(["GET", "POST"])
def people(request: HttpRequest) -> HttpResponseBase:
    """Everybody about whom this user may know how far they are; answers for others are under Who can."""
    mine = access.of(request)
    listing = tables.people(mine)
    if request.method == "POST":
        return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
    return page(
        request, "credentials/people.html", {"listing": page_of(request, listing)}, fragment="tables/listing.html"
    )


@require_http_methods(["GET"])
def person(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    clinician = mine.get_clinician(uuid, Right.ANSWER)
    form = DayAskedForm(request.GET or None)
    asked = form.cleaned_data if form.is_bound and form.is_valid() else {}
    if not Procedure.objects.exists():
        raise Http404("This register has no procedures yet, so there is nothing to answer.")
    first = person_page(mine, clinician, procedure=asked.get("procedure"))
    shown = first
    if asked.get("on") or asked.get("known_on"):
        known = _end_of(asked["known_on"], first.zone) if asked.get("known_on") else None
        shown = person_page(mine, clinician, procedure=first.procedure, on=asked.get("on") or first.on, known=known)
    if not shown.seen.is_self:
        note_view(mine.user, clinician, "person")
    context = {
        "shown": shown,
        "form": form if form.is_bound else DayAskedForm(initial={"procedure": shown.procedure.pk}),
        "today": first.on,
        "known_on": asked.get("known_on"),
        "no_reasons": (),
    }
    return page(request, "credentials/person.html", context)


def _end_of(day: date, zone: str) -> int:
    """The number of the last act of a day on the clocks of a zone."""
    midnight = datetime.combine(day + timedelta(days=1), time.min, ZoneInfo(zone))
    return acts.number_at(midnight - timedelta(microseconds=1))
