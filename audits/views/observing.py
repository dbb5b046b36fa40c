"""Observing: whom and what for, the page of ticks, the check page with the signature; giving one up."""

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from audits import observing, ticks_sent
from audits.checklists import parsed
from audits.forms_observing import PURPOSES, BeginForm, Faults, FindForm, ReasonForm
from audits.models import Observation, Procedure
from audits.observation_checking import checking
from audits.observation_watch import Watch, draft_name, open_with, opening, problems_of, untouched, usual_unit, watch
from audits.observing import AlreadySigned, ChangedElsewhere, Conflict, NotEligible
from audits.settled import settled
from people import access
from people.access import Access, NotPermitted, Right
from people.forms import SignForm
from people.models import Clinician
from people.pages import go, page, show_problems
from people.problems import Problems
from people.signing import NotConfirmed

FORM = ["GET", "POST"]


@require_http_methods(FORM)
def observe_begin(request: HttpRequest) -> HttpResponse:
    """Whom; then what is fixed before the first tick."""
    mine = access.of(request)
    if not request.GET.get("clinician"):
        whom = FindForm(request.GET if "name" in request.GET else None)
        found = whom.find(mine) if whom.is_bound and whom.is_valid() else None
        return page(request, "audits/observe_whom.html", {"form": whom, "found": found})
    clinician = _whom(mine, request.GET["clinician"])
    looks = "look" in request.POST
    form = _begin_form(request, mine, clinician, looks=looks)
    if request.method == "POST" and not looks and form.is_valid():
        if (same := untouched(mine, clinician.pk, form.begun())) is not None:
            return go(request, "observe", same.uuid, message="You began this before: go on here.")
        try:
            row = observing.begin(actor=mine.user, clinician=clinician, **form.begun())
        except Problems as problems:
            form.show(problems)
        except NotEligible as refusal:
            form.add_error("purpose", str(refusal))
        except Conflict:
            form.add_error(None, "This was begun already, with other answers. Go on there, or load this page again.")
        else:
            return go(request, "observe", row.uuid)
    return page(request, "audits/observe_begin.html", _begin_context(mine, clinician, form))


def _whom(mine: Access, uuid: str) -> Clinician:
    try:
        found = mine.in_scope().filter(uuid=UUID(uuid)).first()
    except ValueError:
        found = None
    if found is None:
        raise Http404("Nobody in scope has this identifier.")
    if mine.is_self(found):
        raise NotPermitted(f"{mine.user.pk} may not observe themselves")
    return found


def _begin_form(request: HttpRequest, mine: Access, clinician: Clinician, *, looks: bool) -> BeginForm:
    homes = clinician.placements.known().on(mine.on).order_by("-home", "pk").values_list("unit", flat=True)
    asked = request.GET.get("procedure", "")
    first = Procedure.objects.order_by("name", "pk").values_list("pk", flat=True).first()
    data = request.POST if request.method == "POST" else None
    return BeginForm(
        None if looks else data,
        looked=data if looks else None,
        tree=mine.tree,
        units=mine.units_for(Right.SUPERVISE),
        unit=usual_unit(mine, list(homes)),
        procedure=int(asked) if asked.isascii() and asked.isdigit() else first,
    )


def _begin_context(mine: Access, clinician: Clinician, form: BeginForm) -> dict[str, object]:
    procedure = Procedure.objects.filter(pk=form.procedure_now).first() if form.procedure_now is not None else None
    unit = form.unit_now if form.unit_now in mine.units_for(Right.SUPERVISE) else None
    found = None
    if procedure is not None and unit is not None:
        found = opening(mine, unit=unit, procedure=procedure.pk, name=procedure.name, on=form.day_now)
    return {
        "form": form,
        "clinician": clinician,
        "opening": found,
        "open_purposes": [purpose for purpose, answer in found.allowed.items() if answer] if found else [],
        "purposes": PURPOSES,
        "open": open_with(mine, clinician.pk),
    }


@require_http_methods(FORM)
def observe(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """The page of ticks. A POST is the whole page: without scripts, or on the way to the check page."""
    mine, row = _mine(request, uuid)
    if (over := _over(request, row)) is not None:
        return over
    sent = ticks_sent.read(request.POST, parsed(row.checklist))
    try:
        if request.method == "GET":
            return _watched(request, watch(mine, row))
        kept = ticks_sent.keep(user=mine.user, observation=row, sent=sent)
        found = problems_of(kept, parsed(row.checklist))
        if found:
            return _watched(request, watch(mine, row, kept), Faults(found))
        return _done(request, mine, row)
    except AlreadySigned as refusal:
        return go(request, "observation", uuid, message=str(refusal), done=draft_name(uuid))
    except ChangedElsewhere as refusal:
        return go(request, "observe", uuid, message=str(refusal))


def _done(request: HttpRequest, mine: Access, row: Observation) -> HttpResponse:
    """What the pressed button asked besides saving."""
    wanted = request.POST.get("do", "")
    if wanted == "check":
        return go(request, "observe_check", row.uuid)
    if wanted in ("stop", "stop_rest"):
        ticks_sent.stop(user=mine.user, observation=row, rest=wanted == "stop_rest")
    elif wanted == "go_on":
        observing.save(user=mine.user, observation=row, changes={"stopped": False})
    else:
        return go(request, "observe", row.uuid, message="Saved.")
    return redirect(f"{reverse('observe', args=[row.uuid])}#stopped")


def _watched(request: HttpRequest, shown: Watch, faults: Faults | None = None) -> HttpResponse:
    return page(request, "audits/observe.html", {"watch": shown, "faults": faults, "is_back": "back" in request.GET})


@require_POST
def observe_save(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """One part of the page, sent as it is ticked: what was saved, and how far it is now."""
    mine, row = _mine(request, uuid)
    if (over := _over(request, row)) is not None:
        return over
    sent = ticks_sent.read(request.POST, parsed(row.checklist))
    try:
        kept = ticks_sent.keep(user=mine.user, observation=row, sent=sent)
    except (AlreadySigned, ChangedElsewhere) as refusal:
        return go(request, "observation", uuid, message=str(refusal), done=draft_name(uuid))
    shown = watch(mine, row, kept)
    context = {
        "watch": shown,
        "parts": [shown.part(part) for part in sent.values],
        "clashes": kept.clashes,
        "problems": problems_of(kept, parsed(row.checklist)),
    }
    return page(request, "audits/_observe_saved.html", context)


@require_http_methods(FORM)
def observe_check(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Everything as it will be signed, then the signature."""
    mine, row = _mine(request, uuid)
    if (over := _over(request, row)) is not None:
        return over
    check = observing.check(row)
    meaning = observing.MEANING[row.purpose]
    # What is not ready is listed; there is nothing to sign yet.
    sent = request.POST if request.method == "POST" and not check.faults else None
    form = SignForm(request, sent, digests=[check.digest])
    if form.is_bound and form.is_valid() and (signer := form.signed(meaning=meaning, digests=[check.digest])):
        try:
            observing.sign(signer=signer, observation=row)
        except Problems as problems:
            show_problems(form, problems)
        except (NotConfirmed, NotEligible) as refusal:
            form.add_error(None, str(refusal))
        except AlreadySigned as refusal:
            return go(request, "observation", uuid, message=str(refusal), done=draft_name(uuid))
        else:
            settled(row.clinician_id)
            return go(request, "observation", uuid, message="Signed.", done=draft_name(uuid))
    return page(request, "audits/observe_check.html", {"shown": checking(mine, check), "form": form})


@require_http_methods(FORM)
def observe_drop(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine, row = _mine(request, uuid)
    if (over := _over(request, row)) is not None:
        return over
    hint = "It stays in the history. Its ticks are thrown away."
    form = ReasonForm(request.POST or None, label="Why it is given up", hint=hint)
    if request.method == "POST" and form.is_valid():
        try:
            observing.drop(actor=mine.user, observation=row, reason=form.cleaned_data["reason"])
        except Problems as problems:
            show_problems(form, problems)
        except AlreadySigned as refusal:
            return go(request, "observation", uuid, message=str(refusal))
        else:
            return go(request, "observations", message="Given up.", done=draft_name(uuid))
    return page(request, "audits/observe_drop.html", {"row": row, "form": form})


def _mine(request: HttpRequest, uuid: UUID) -> tuple[Access, Observation]:
    """An observation that this user began. Raises Http404 for any other: nobody else ticks or signs it."""
    mine = access.of(request)
    rows = Observation.objects.filter(assessor=mine.user, uuid=uuid)
    row = rows.select_related(
        "clinician", "procedure", "unit", "checklist", "assessor", "second_of", "known_until"
    ).first()
    if row is None:
        raise Http404("No observation of yours has this identifier.")
    return mine, row


def _over(request: HttpRequest, row: Observation) -> HttpResponse | None:
    """The way on for one that is signed or given up: Back and a second press change nothing."""
    if row.signed_id is not None:
        return go(request, "observation", row.uuid, message="This observation is signed.", done=draft_name(row.uuid))
    if row.known_until_id is not None:
        return go(request, "observations", message="This observation was given up.", done=draft_name(row.uuid))
    return None
