"""What somebody brings from elsewhere, and awards that are extended to another unit: said, checked, signed."""

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_http_methods

from audits.models import Procedure, Recognition
from credentials import extending, recognising
from credentials.extending import Extension
from credentials.forms_recognising import ExtendAwardForm, ReasonForm, RecogniseForm
from credentials.standings import refresh
from people import access
from people.access import Right
from people.deciding import Steps, ToSign, in_two_steps
from people.pages import go

FORM = ["GET", "POST"]


@require_http_methods(FORM)
def recognise(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    clinician = mine.get_clinician(uuid, Right.DECIDE)
    units = mine.units_for(Right.DECIDE)
    start = {"procedure": request.GET.get("procedure")}
    asked = RecogniseForm(request.POST or None, tree=mine.tree, units=units, initial=start)

    def typed() -> ToSign:
        brought = asked.brought(clinician)
        programme = recognising.check(brought)
        return ToSign(
            digest=brought.digest,
            carry_out=lambda signer: recognising.recognise(signer=signer, brought=brought),
            context={"brought": brought, "outcome": Recognition.Outcome(brought.outcome), "programme": programme},
        )

    def done() -> HttpResponse:
        refresh([clinician.pk])
        return go(request, "person", clinician.uuid, message="It is decided what is accepted.")

    steps = Steps(
        ask="credentials/recognise.html",
        check="credentials/recognise_check.html",
        meaning=recognising.MEANING,
        context={"clinician": clinician},
    )
    return in_two_steps(request, asked, steps, typed=typed, done=done)


@require_http_methods(FORM)
def recognition_withdraw(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    rows = Recognition.objects.known().filter(uuid=uuid, clinician__in=mine.in_scope())
    row = rows.select_related("clinician", "procedure", "award", "by").first()
    if row is None:
        raise Http404("Nothing of this identifier in scope.")
    mine.require_about(Right.DECIDE, row.clinician)
    asked = ReasonForm(request.POST or None, label="What was wrong with it")

    def typed() -> ToSign:
        reason = asked.cleaned_data["reason"]
        return ToSign(
            digest=recognising.withdrawal_digest(row, reason),
            carry_out=lambda signer: recognising.withdraw(signer=signer, recognition=row, reason=reason),
            context={"reason": reason},
        )

    def done() -> HttpResponse:
        refresh([row.clinician_id])
        return go(request, "person", row.clinician.uuid, message="Withdrawn. It counts no more.")

    steps = Steps(
        ask="credentials/recognition_withdraw.html",
        check="credentials/recognition_withdraw_check.html",
        meaning=recognising.WITHDRAWN,
        context={"clinician": row.clinician, "row": row},
    )
    return in_two_steps(request, asked, steps, typed=typed, done=done)


@require_http_methods(FORM)
def award_extend(request: HttpRequest, uuid: UUID, procedure_id: int) -> HttpResponse:
    mine = access.of(request)
    clinician = mine.get_clinician(uuid, Right.DECIDE)
    procedure = Procedure.objects.filter(pk=procedure_id).first()
    held = extending.in_force(clinician, procedure, mine.on) if procedure else []
    if not held:
        raise Http404("No award is in force that could be extended.")
    award = held[0]
    asked = ExtendAwardForm(request.POST or None, tree=mine.tree, units=mine.units_for(Right.DECIDE))

    def typed() -> ToSign:
        extension = Extension(award=award, **asked.cleaned_data)
        extending.check(extension, mine.on)
        return ToSign(
            digest=extension.digest,
            carry_out=lambda signer: extending.extend(signer=signer, extension=extension),
            context={"extension": extension, "path": mine.tree.path(extension.scope_unit.pk)},
        )

    def done() -> HttpResponse:
        refresh([clinician.pk])
        return go(request, "person", clinician.uuid, message="The award holds there as well.")

    steps = Steps(
        ask="credentials/award_extend.html",
        check="credentials/award_extend_check.html",
        meaning=extending.MEANING,
        context={
            "clinician": clinician,
            "award": award,
            "paths": [mine.tree.path(each.scope_unit_id) for each in held if each.scope_unit_id in mine.tree],
        },
    )
    return in_two_steps(request, asked, steps, typed=typed, done=done)
