"""Cohorts: the list, one cohort, taking people in from a list, and what becomes of each at the end."""

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods, require_POST

from audits.directory import people
from credentials import cohort_ends, cohort_pages, cohorts
from credentials.cohort_ends import leaving_digest
from credentials.forms import Signing
from credentials.forms_cohorts import CohortForm, LeavingForm, ListForm
from credentials.models import Cohort
from credentials.standings import refresh
from people import access, exports
from people.access import Access, Right
from people.pages import go, page, show_problems
from people.problems import Problems
from people.signing import NotConfirmed
from sheets.listing import export, page_of

FORM = ["GET", "POST"]


@require_http_methods(FORM)
def cohort_list(request: HttpRequest) -> HttpResponseBase:
    mine = access.of(request)
    listing = cohort_pages.cohorts(mine)
    if request.method == "POST":
        return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
    context = {"listing": page_of(request, listing), "decides": mine.may_somewhere(Right.DECIDE)}
    return page(request, "credentials/cohorts.html", context, fragment="tables/listing.html")


@require_http_methods(FORM)
def cohort_open(request: HttpRequest) -> HttpResponse:
    mine = access.of(request)
    units = mine.units_for(Right.DECIDE)
    form = CohortForm(request.POST or None, tree=mine.tree, units=units, initial={"from_day": mine.on})
    if request.method == "POST" and form.is_valid():
        try:
            made = cohorts.open_cohort(actor=mine.user, new=form.new)
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "cohort_join", made.uuid, message=f"{made.name} is open. Now take its people in.")
    return page(request, "credentials/cohort_open.html", {"form": form})


@require_http_methods(FORM)
def cohort(request: HttpRequest, uuid: UUID) -> HttpResponseBase:
    mine = access.of(request)
    shown = cohort_pages.cohort_page(mine, _cohort(mine, uuid))
    listing = cohort_pages.people_of(shown)
    if request.method == "POST":
        return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
    context = {"shown": shown, "listing": page_of(request, listing)}
    return page(request, "credentials/cohort.html", context, fragment="tables/listing.html")


@require_http_methods(FORM)
def cohort_join(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """First the list, then who they are and what becomes of each; nothing is stored before that was seen."""
    mine = access.of(request)
    row = _decided(mine, uuid)
    form = ListForm(request.POST or None)
    context = {"form": form, "cohort": row, "path": mine.tree.path(row.unit_id)}
    if request.method != "POST" or "change" in request.POST or not form.is_valid():
        return page(request, "credentials/cohort_join.html", context)
    lines = cohorts.joining(mine, row, form.cleaned_data["numbers"], people())
    fit = [each for each in lines if not each.refused]
    if "take_in" in request.POST:
        whom = [each.clinician for each in fit if each.clinician is not None]
        try:
            cohorts.join(actor=mine.user, cohort=row, clinicians=whom)
        except Problems as problems:
            show_problems(form, problems)
        else:
            refresh([each.pk for each in whom])
            return go(request, "cohort", row.uuid, message=_taken_in(len(whom), len(lines) - len(fit)))
    context |= {"lines": lines, "fit": len(fit), "refused": len(lines) - len(fit)}
    return page(request, "credentials/cohort_join_check.html", context)


@require_http_methods(FORM)
def cohort_leave(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """First what becomes of each, then the check page with the signature."""
    mine = access.of(request)
    row = _decided(mine, uuid)
    shown = cohort_pages.cohort_page(mine, row)
    others = cohorts.visible_cohorts(mine).filter(
        closed=None, procedure=row.procedure, unit__in=mine.units_for(Right.DECIDE)
    )
    asked = LeavingForm(
        request.POST or None,
        members=[each.member for each in shown.within],
        others=others.exclude(pk=row.pk),
        educators=cohort_ends.may_take_over(mine),
    )
    context = {"shown": shown, "asked": asked, "pairs": [(each, asked[f"m{each.member.pk}"]) for each in shown.within]}
    if request.method != "POST" or "change" in request.POST or not asked.is_valid():
        return page(request, "credentials/cohort_leave.html", context)
    leaving = asked.chosen
    if found := cohort_ends.problems_of(mine, leaving):
        show_problems(asked, Problems(found))
        return page(request, "credentials/cohort_leave.html", context)
    digest = leaving_digest(row, leaving)
    form = Signing(request, request.POST if "secret" in request.POST else None, digests=[digest])
    if form.is_bound and form.is_valid() and (signer := form.signed(meaning=cohort_ends.MEANING, digests=[digest])):
        try:
            cohort_ends.leave(signer=signer, cohort=row, leaving=leaving, digest=digest)
        except Problems as problems:
            show_problems(asked, problems)
            return page(request, "credentials/cohort_leave.html", context)
        except NotConfirmed as refusal:
            form.add_error(None, str(refusal))
        else:
            refresh([each.member.clinician_id for each in leaving])
            return go(request, "cohort", row.uuid, message="It is noted what becomes of them.")
    hangs = {each.member.pk: each.hangs for each in shown.within}
    context |= {"form": form, "leaving": [(each, hangs[each.member.pk]) for each in leaving]}
    return page(request, "credentials/cohort_leave_check.html", context)


@require_POST
def cohort_take(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Take on somebody who was handed over to whoever asks."""
    mine = access.of(request)
    row = cohort_ends.handed_to(mine.user).filter(uuid=uuid).first()
    if row is None:
        raise Http404("Nobody of this identifier waits for you.")
    try:
        cohort_ends.take_over(actor=mine.user, member=row)
    except Problems as problems:
        return go(request, "person", row.clinician.uuid, message=str(problems))
    return go(request, "person", row.clinician.uuid, message=f"You took on {row.clinician.name}.")


@require_http_methods(["GET"])
def cohort_handed(request: HttpRequest) -> HttpResponse:
    """Who was handed over to whoever asks and is not taken on yet, with the note that came with them."""
    mine = access.of(request)
    return page(request, "credentials/cohort_handed.html", {"waiting": cohort_ends.handed_to(mine.user)})


def _cohort(mine: Access, uuid: UUID) -> Cohort:
    found = cohorts.visible_cohorts(mine).filter(uuid=uuid).first()
    if found is None:
        raise Http404("No cohort of this identifier at your units.")
    return found


def _decided(mine: Access, uuid: UUID) -> Cohort:
    found = _cohort(mine, uuid)
    mine.require(Right.DECIDE, found.unit_id)
    return found


def _taken_in(count: int, left_out: int) -> str:
    said = "1 person is in the cohort." if count == 1 else f"{count} people are in the cohort."
    return said if not left_out else f"{said} {left_out} of the list could not be taken in."
