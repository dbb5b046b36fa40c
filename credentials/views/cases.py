"""A case beyond its question: shown to somebody else, and the plan that was decided on it."""

import json
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from audits.models import Restriction
from credentials import referring
from credentials.forms_reviews import ReferForm
from credentials.models import Flag, Referral
from credentials.restrictions_shown import shown_of
from credentials.supervising_again import PLANS, progress_of
from credentials.views.reviews import get_flag
from people import access
from people.access import NotPermitted, Right
from people.lookups import note_view
from people.pages import go, page, show_problems
from people.problems import Problems


@require_http_methods(["GET", "POST"])
def review_refer(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """An educator refers the case; the person shares it. It decides nothing."""
    mine, flag = get_flag(request, uuid)
    if not referring.may_refer(mine, flag):
        raise NotPermitted(f"{mine.user.pk} may not refer flag {flag.uuid}")
    form = ReferForm(request.POST or None, people=referring.may_be_asked(mine, flag))
    if form.is_valid():
        try:
            made = referring.refer(actor=mine.user, flag=flag, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "review", flag.uuid, message=f"{made.to.name} sees this case from now on.")
    context = {"flag": flag, "form": form, "is_own": mine.is_self(flag.clinician)}
    return page(request, "credentials/review_refer.html", context)


@require_POST
def referral_end(request: HttpRequest, uuid: UUID) -> HttpResponse:
    row = Referral.objects.known().filter(uuid=uuid).select_related("flag__clinician", "to").first()
    if row is None:
        raise Http404("No case is shown under this identifier.")
    mine, flag = get_flag(request, row.flag.uuid)
    try:
        referring.end_referral(actor=mine.user, referral=row)
    except Problems as problems:
        return go(request, "review", flag.uuid, message=str(problems))
    return go(request, "review", flag.uuid, message=f"It is no longer shown to {row.to.name}.")


@require_GET
def plan(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """A plan as it is now: what it asks, what is there, what may be decided. An older version leads here too."""
    mine = access.of(request)
    rows = Restriction.objects.known().filter(uuid=uuid, kind__in=PLANS)
    row = rows.select_related("clinician", "procedure").first()
    if row is None:
        raise Http404("No plan has this identifier.")
    clinician = mine.get_clinician(row.clinician.uuid, Right.FIGURES)
    if not mine.is_self(clinician):
        note_view(mine.user, clinician, "plan")
    said = json.loads(row.basis).get("flag")
    flag = Flag.objects.filter(uuid=said).first() if said else None
    context = {
        "row": row,
        "shown": shown_of(row, mine.on),
        "far": progress_of([row], mine.on)[row.pk],
        "flag": flag,
        "is_own": mine.is_self(clinician),
        "decides": mine.may_about(Right.DECIDE, clinician),
    }
    return page(request, "credentials/plan.html", context)
