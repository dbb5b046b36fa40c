"""Decisions about a person: enrolment, completions, award, renewal."""

from collections.abc import Callable
from uuid import UUID

from django.forms import BaseForm
from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_http_methods

from audits.completions import NewCompletion, record_completion, withdraw_completion
from audits.models import Completion, Procedure
from credentials import awarding, enrolling
from credentials.forms import AwardForm, CompletionForm, EndForm, EnrolForm, Signing, WithdrawForm
from credentials.models import Enrolment
from credentials.standings import refresh
from credentials.unsettled_pages import parts
from people import access
from people.access import Access, Right
from people.models import Clinician
from people.pages import go, page, show_problems
from people.problems import Problems
from people.signing import NotConfirmed

FORM = ["GET", "POST"]


@require_http_methods(FORM)
def enrol(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine, clinician = _whom(request, uuid, Right.DECIDE)
    form = EnrolForm(request.POST or None, initial={"from_day": mine.on, "procedure": request.GET.get("procedure")})
    if request.method == "POST" and form.is_valid():
        try:
            enrolling.enrol(actor=mine.user, clinician=clinician, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        else:
            refresh([clinician.pk])
            return go(request, "person", clinician.uuid, message=f"{clinician.name} is enrolled.")
    return _form(
        request,
        form,
        clinician,
        "Enrol",
        "Under the programme in effect at the home unit on that day; its terms then stay.",
    )


@require_http_methods(FORM)
def enrolment_end(request: HttpRequest, uuid: UUID, procedure_id: int) -> HttpResponse:
    mine, clinician = _whom(request, uuid, Right.DECIDE)
    row = Enrolment.objects.known().filter(clinician=clinician, procedure=procedure_id, until_day=None).first()
    if row is None:
        raise Http404("No enrolment is open.")
    form = EndForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            enrolling.end_enrolment(actor=mine.user, enrolment=row, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        else:
            refresh([clinician.pk])
            return go(request, "person", clinician.uuid, message="The enrolment has its last day.")
    return _form(
        request,
        form,
        clinician,
        "End the enrolment",
        "What was logged stays. Somebody who comes back is enrolled again.",
    )


@require_http_methods(FORM)
def completion(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine, clinician = _whom(request, uuid, Right.DECIDE)
    start = {"on": mine.on, "verified_by": mine.user.name, "procedure": request.GET.get("procedure")}
    form = CompletionForm(request.POST or None, initial=start)
    if request.method == "POST" and form.is_valid():
        try:
            record_completion(actor=mine.user, new=NewCompletion(clinician=clinician, **form.cleaned_data))
        except Problems as problems:
            show_problems(form, problems)
        else:
            refresh([clinician.pk])
            return go(request, "person", clinician.uuid, message="Noted.")
    return _form(
        request,
        form,
        clinician,
        "Note what was done",
        "A knowledge test, a theory or simulation session, a policy read; what was not passed as well.",
    )


@require_http_methods(FORM)
def completion_withdraw(request: HttpRequest, uuid: UUID, completion: UUID) -> HttpResponse:
    """Take back a completion that was noted wrongly, with the reason."""
    mine, clinician = _whom(request, uuid, Right.DECIDE)
    row = Completion.objects.filter(clinician=clinician, uuid=completion).select_related("procedure").first()
    if row is None:
        raise Http404("Nothing of this person has this identifier.")
    if row.known_until_id is not None:
        return go(request, "person", clinician.uuid, message="It is withdrawn already.")
    form = WithdrawForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            withdraw_completion(actor=mine.user, completion=row, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        else:
            refresh([clinician.pk])
            return go(request, "person", clinician.uuid, message="Withdrawn. It counts no more.")
    return page(request, "credentials/completion_withdraw.html", {"form": form, "clinician": clinician, "done": row})


@require_http_methods(FORM)
def award(request: HttpRequest, uuid: UUID, procedure_id: int) -> HttpResponse:
    """The check page: the terms with what is there, what hangs, then the signature."""
    mine, clinician = _whom(request, uuid, Right.DECIDE)
    procedure = _procedure(procedure_id)
    check = _checked(awarding.check_award, clinician, procedure)
    units = mine.units_for(Right.DECIDE)
    shown = [check.digest]
    form = AwardForm(request, request.POST or None, digests=shown, tree=mine.tree, units=units)
    form.initial["scope_unit"] = _widest(mine, clinician)
    if form.is_bound and form.is_valid() and (signer := form.signed(meaning=awarding.AWARDED, digests=shown)):
        try:
            unit = form.cleaned_data["scope_unit"]
            awarding.award(signer=signer, clinician=clinician, procedure=procedure, scope_unit=unit)
        except Problems as problems:
            show_problems(form, problems)
        except NotConfirmed as refusal:
            form.add_error(None, str(refusal))
        else:
            refresh([clinician.pk])
            return go(request, "person", clinician.uuid, message=f"{clinician.name} holds {procedure.name}.")
    return _check_page(request, mine, form, check, "Award")


@require_http_methods(FORM)
def renew(request: HttpRequest, uuid: UUID, procedure_id: int) -> HttpResponse:
    mine, clinician = _whom(request, uuid, Right.DECIDE)
    procedure = _procedure(procedure_id)
    check = _checked(awarding.check_renewal, clinician, procedure)
    shown = [check.digest]
    form = Signing(request, request.POST or None, digests=shown)
    if form.is_bound and form.is_valid() and (signer := form.signed(meaning=awarding.RENEWED, digests=shown)):
        try:
            awarding.renew(signer=signer, clinician=clinician, procedure=procedure)
        except Problems as problems:
            show_problems(form, problems)
        except NotConfirmed as refusal:
            form.add_error(None, str(refusal))
        else:
            refresh([clinician.pk])
            return go(request, "person", clinician.uuid, message=f"The award of {clinician.name} is renewed.")
    return _check_page(request, mine, form, check, "Renew")


def _whom(request: HttpRequest, uuid: UUID, right: Right) -> tuple[Access, Clinician]:
    mine = access.of(request)
    return mine, mine.get_clinician(uuid, right)


def _procedure(key: int) -> Procedure:
    found = Procedure.objects.filter(pk=key).first()
    if found is None:
        raise Http404("No procedure has this number.")
    return found


def _checked(
    check: Callable[[Clinician, Procedure], awarding.Check], clinician: Clinician, procedure: Procedure
) -> awarding.Check:
    """What is to be decided; 404 where there is nothing to decide."""
    try:
        return check(clinician, procedure)
    except Problems as problems:
        raise Http404(str(problems)) from None


def _widest(mine: Access, clinician: Clinician) -> int | None:
    """The hospital of the home unit if whoever decides decides there, else the highest unit where they do."""
    home = enrolling.home_unit(clinician, mine.on)
    if home is None:
        return None
    decided = [each for each in mine.tree.above(home) if each in mine.units_for(Right.DECIDE)]
    hospital = mine.tree.hospital(home)
    return hospital if hospital in decided else decided[-1] if decided else None


def _form(request: HttpRequest, form: BaseForm, clinician: Clinician, title: str, lede: str) -> HttpResponse:
    context = {"form": form, "clinician": clinician, "title": title, "lede": lede}
    return page(request, "credentials/decision.html", context)


def _check_page(request: HttpRequest, mine: Access, form: BaseForm, check: awarding.Check, verb: str) -> HttpResponse:
    context = {"form": form, "check": check, "verb": verb, "parts": parts(mine, check.open)}
    return page(request, "credentials/award.html", context)
