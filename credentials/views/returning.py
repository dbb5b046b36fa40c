"""The return step after long leave: the evidence, the check page, the signature."""

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_http_methods

from audits.models import Procedure
from credentials import returning
from credentials.forms_restrictions import ReturnForm
from credentials.standings import refresh
from people import access
from people.access import Right
from people.deciding import Steps, ToSign, in_two_steps
from people.pages import go
from people.problems import Problems


@require_http_methods(["GET", "POST"])
def return_step(request: HttpRequest, uuid: UUID, procedure_id: int) -> HttpResponse:
    """Sign a return step as done, or end it early with a reason; 404 where none waits."""
    clinician = access.of(request).get_clinician(uuid, Right.DECIDE)
    procedure = Procedure.objects.filter(pk=procedure_id).first()
    if procedure is None:
        raise Http404("No procedure has this number.")
    try:
        step = returning.open_step(clinician, procedure)
    except Problems as problems:
        raise Http404(str(problems)) from None
    asked = ReturnForm(request.POST or None, is_early=step.is_early)

    def typed() -> ToSign:
        reason = asked.cleaned_data["reason"]
        returning.check(step, reason)
        return ToSign(
            digest=step.digest(reason),
            carry_out=lambda signer: returning.sign_as_done(
                signer=signer, clinician=clinician, procedure=procedure, reason=reason
            ),
            context={"reason": reason},
        )

    def done() -> HttpResponse:
        refresh([clinician.pk])
        return go(request, "person", clinician.uuid, message="The return step is signed as done.")

    steps = Steps(
        ask="credentials/return_step.html",
        check="credentials/return_step_check.html",
        meaning=returning.MEANING,
        context={"step": step, "clinician": clinician},
    )
    return in_two_steps(request, asked, steps, typed=typed, done=done)
