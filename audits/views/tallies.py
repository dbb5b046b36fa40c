"""Shift tally: how many insertions on a day, for oneself or on behalf of somebody; and the list of tallies."""

from datetime import timedelta
from uuid import UUID

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_http_methods

from audits import tables_tallies, tallies
from audits.forms_tallies import TallyForm
from audits.settled import settled
from people import access, exports
from people.access import Access, Right
from people.clock import in_words
from people.models import Clinician
from people.pages import go, page, show_problems
from people.problems import Problems
from sheets.listing import export, page_of

FORM = ["GET", "POST"]
LOOKS_BACK = timedelta(days=14)


@require_http_methods(FORM)
def tally(request: HttpRequest) -> HttpResponse:
    """One's own. Who does not insert is asked for whom, as for an entry."""
    mine = access.of(request)
    if mine.clinician is None:
        return redirect("log_whose")
    return _tally(request, mine, mine.clinician)


@require_http_methods(FORM)
def tally_for(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    return _tally(request, mine, mine.get_clinician(uuid, Right.LOG_ON_BEHALF))


@require_http_methods(FORM)
def tally_list(request: HttpRequest) -> HttpResponseBase:
    mine = access.of(request)
    listing = tables_tallies.tally_list(mine)
    if request.method == "POST":
        return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
    return page(request, "audits/tallies.html", {"listing": page_of(request, listing)}, fragment="tables/listing.html")


def _tally(request: HttpRequest, mine: Access, clinician: Clinician) -> HttpResponse:
    facts = tallies.holder(clinician, now=mine.tree)
    form = TallyForm(request.POST or None, facts=facts, units=_units(mine, clinician), asked=request.GET)
    is_own = mine.is_self(clinician)
    if request.method == "POST" and form.is_valid():
        new = form.tally()
        try:
            tallies.note_tally(actor=mine.user, new=new)
        except Problems as problems:
            show_problems(form, problems)
        else:
            settled(clinician.pk)
            to = ("tally",) if is_own else ("tally_for", clinician.uuid)
            return go(request, *to, message=_said(clinician, new, is_own=is_own))
    context = {"form": form, "clinician": clinician, "is_own": is_own, "places": mine.tree}
    context["days"] = form.days(tallies.recent(clinician, since=form.today - LOOKS_BACK))
    return page(request, "audits/tally.html", context)


def _units(mine: Access, clinician: Clinician) -> list[int]:
    """Where somebody is or was placed in these days, home first; on behalf only where one logs on behalf."""
    rows = clinician.placements.known().exclude(until_day__lte=mine.on - LOOKS_BACK).filter(from_day__lte=mine.on)
    found = dict.fromkeys(rows.order_by("-home", "pk").values_list("unit", flat=True))
    if mine.is_self(clinician):
        return list(found)
    return [unit for unit in found if mine.may(Right.LOG_ON_BEHALF, unit)]


def _said(clinician: Clinician, new: tallies.NewTally, *, is_own: bool) -> str:
    for_whom = "" if is_own else f" for {clinician.name}, on their behalf"
    return f"Noted{for_whom}: {new.insertions or 'none'} on {in_words(new.on)}."
