"""An enrolment moved to another version of the programme: both versions side by side, a reason, the signature."""

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_http_methods

from audits.models import Procedure
from credentials import moving
from credentials.forms_moving import MoveForm
from credentials.moving import Move
from credentials.standings import refresh
from people import access
from people.access import Right
from people.deciding import Steps, ToSign, in_two_steps
from people.models import Clinician
from people.pages import go
from people.problems import Problems


@require_http_methods(["GET", "POST"])
def enrolment_move(request: HttpRequest, uuid: UUID, procedure_id: int) -> HttpResponse:
    clinician = access.of(request).get_clinician(uuid, Right.DECIDE)
    found = _checked(clinician, procedure_id)
    asked = MoveForm(request.POST or None)

    def typed() -> ToSign:
        reason = asked.cleaned_data["reason"]
        moving.require_reason(reason)
        return ToSign(
            digest=found.digest(reason),
            carry_out=lambda signer: moving.move(
                signer=signer, clinician=clinician, procedure=found.procedure, reason=reason
            ),
            context={"reason": reason},
        )

    def done() -> HttpResponse:
        refresh([clinician.pk])
        return go(request, "person", clinician.uuid, message=f"{clinician.name} learns under {found.to} from today.")

    steps = Steps(
        ask="credentials/move.html",
        check="credentials/move_check.html",
        meaning=moving.MOVED,
        context={"move": found, "clinician": clinician},
    )
    return in_two_steps(request, asked, steps, typed=typed, done=done)


def _checked(clinician: Clinician, procedure_id: int) -> Move:
    """What is to be decided; 404 where there is nothing to move."""
    procedure = Procedure.objects.filter(pk=procedure_id).first()
    if procedure is None:
        raise Http404("No procedure has this number.")
    try:
        return moving.check_move(clinician, procedure)
    except Problems as problems:
        raise Http404(str(problems)) from None
