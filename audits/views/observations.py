"""Observations: the list, one in full, what is said to it, and the second rating of it."""

from uuid import UUID, uuid4

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods, require_POST

from audits import observation_replies, observing, second_raters, tables_observations
from audits.forms_observing import AnswerForm, AskForm, ReasonForm
from audits.models import Observation, SecondAsked
from audits.observation_pages import Shown, shown
from audits.observing import NotEligible
from audits.settled import settled
from people import access, exports
from people.access import Access, NotPermitted, Right, Role
from people.lookups import note_view
from people.pages import go, page, show_problems
from people.problems import Problems
from sheets.listing import export, page_of

FORM = ["GET", "POST"]


@require_http_methods(FORM)
def observations(request: HttpRequest) -> HttpResponseBase:
    mine = access.of(request)
    listing = tables_observations.observations(mine)
    if request.method == "POST":
        return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
    context = {"listing": page_of(request, listing), "may_observe": mine.may_somewhere(Right.SUPERVISE)}
    return page(request, "audits/observations.html", context, fragment="tables/listing.html")


@require_http_methods(["GET"])
def observation(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """One that is signed; one's own that is not yet leads on to its ticks."""
    mine, row = _seen(request, uuid)
    if row.signed_id is None:
        if row.known_until_id is not None:
            return go(request, "observations", message="This observation was given up.")
        return go(request, "observe", uuid)
    found = shown(mine, row)
    if mine.units(Role.AUDITOR) and not found.is_learner:
        note_view(mine.user, row.clinician, "observation")
    return page(request, "audits/observation.html", {"shown": found, "row": row})


@require_http_methods(FORM)
def observation_answer(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """The learner says that it was read; afterwards, and for the others, a reply."""
    mine, found = _said(request, uuid)
    acknowledges = found.is_learner and not found.is_acknowledged
    form = AnswerForm(request.POST if request.method == "POST" else None, acknowledges=acknowledges)
    if request.method == "POST" and form.is_valid():
        write = observation_replies.acknowledge if acknowledges else observation_replies.reply
        try:
            write(actor=mine.user, observation=found.row, text=form.cleaned_data["text"])
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "observation", uuid, message="Noted." if acknowledges else "Your reply is there.")
    context = {"shown": found, "row": found.row, "form": form, "acknowledges": acknowledges}
    return page(request, "audits/observation_answer.html", context)


@require_http_methods(FORM)
def observation_dispute(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine, found = _said(request, uuid)
    if found.dispute is not None:
        return go(request, "observation", uuid, message="It is disputed already.")
    form = ReasonForm(request.POST or None, label="What is wrong with it", hint="The others who see it read this.")
    if request.method == "POST" and form.is_valid():
        try:
            observation_replies.dispute(actor=mine.user, observation=found.row, reason=form.cleaned_data["reason"])
        except Problems as problems:
            show_problems(form, problems)
        else:
            settled(found.row.clinician_id)
            return go(request, "observation", uuid, message="Disputed. The page says what counts until it is settled.")
    return page(request, "audits/observation_dispute.html", {"shown": found, "row": found.row, "form": form})


@require_POST
def observation_dispute_take_back(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine, row = _seen(request, uuid)
    try:
        observation_replies.take_back(actor=mine.user, observation=row)
    except Problems as problems:
        return go(request, "observation", uuid, message=problems.items[0].text)
    settled(row.clinician_id)
    return go(request, "observation", uuid, message="Taken back.")


@require_http_methods(FORM)
def second_ask(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Ask somebody who watched too: the first assessor, before or after signing, or an educator of the unit."""
    mine, row = _seen(request, uuid)
    if row.second_of_id is not None:
        raise Http404("This is a second rating itself.")
    if row.assessor_id != mine.user.pk:
        mine.require(Right.DECIDE, row.unit_id)
    form = AskForm(request.POST or None, people=second_raters.may_second(row))
    if request.method == "POST" and form.is_valid():
        try:
            asked = second_raters.ask(actor=mine.user, observation=row, whom=form.cleaned_data["whom"])
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "observation", uuid, message=f"{asked.whom.name} is asked. They do not see your marks.")
    return page(request, "audits/observation_second.html", {"row": row, "form": form})


@require_POST
def second_begin(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Begin the second rating that one is asked for; one that is begun already is gone on with."""
    mine, row = _asked(request, uuid)
    try:
        made = observing.begin(
            actor=mine.user,
            uuid=uuid4(),
            clinician=row.clinician,
            procedure=row.procedure,
            unit=row.unit,
            purpose=row.purpose,
            setting=row.setting,
            second_of=row,
        )
    except NotEligible as refusal:
        return go(request, "today", message=f"You can't score it: {refusal}")
    except Problems as problems:
        return go(request, "today", message=f"You can't score it: {problems.items[0].text}")
    return go(request, "observe", made.uuid)


@require_POST
def second_decline(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine, row = _asked(request, uuid)
    second_raters.decline(actor=mine.user, observation=row)
    return go(request, "today", message="You said that you can't score it.")


def _seen(request: HttpRequest, uuid: UUID) -> tuple[Access, Observation]:
    """One that this user may see. Raises Http404."""
    mine = access.of(request)
    rows = Observation.objects.seen_by(mine, uuid)
    parts = ("clinician", "procedure", "unit", "checklist", "assessor", "appointment", "award", "scope", "second_of")
    return mine, rows.select_related(*parts).get()


def _said(request: HttpRequest, uuid: UUID) -> tuple[Access, Shown]:
    """One to which this user may say something. Raises Http404, NotPermitted."""
    mine, row = _seen(request, uuid)
    if row.signed_id is None:
        raise Http404("It is not signed yet.")
    found = shown(mine, row)
    if not found.may_say:
        raise NotPermitted(f"{mine.user.pk} has no say in observation {uuid}")
    return mine, found


def _asked(request: HttpRequest, uuid: UUID) -> tuple[Access, Observation]:
    """The first rating that this user is asked to score too, which they do not see. Raises Http404."""
    mine = access.of(request)
    asked = SecondAsked.objects.known().filter(whom=mine.user, observation__uuid=uuid)
    parts = ("clinician", "procedure", "unit", "checklist", "assessor")
    found = asked.select_related(*(f"observation__{part}" for part in parts)).first()
    if found is None:
        raise Http404("You are not asked to score an observation with this identifier.")
    return mine, found.observation
