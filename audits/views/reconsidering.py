"""Countersignatures in question: what rests on whom, and a decision about several at once."""

from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_http_methods

from audits import reconsidering
from audits.models import Reconsidered
from audits.reconsidering import LONGEST_REASON, InQuestion
from audits.settled import settled
from people import access
from people.deciding import Steps, ToSign, in_two_steps
from people.fields import Form
from people.pages import go


class BatchForm(Form):
    """Which of those in question, and what becomes of them."""

    statements = forms.TypedMultipleChoiceField(
        coerce=int,
        widget=forms.MultipleHiddenInput,
        error_messages={"required": "Tick at least one of them.", "invalid_choice": "One was decided meanwhile."},
    )
    outcome = forms.ChoiceField(
        label="What becomes of them", choices=Reconsidered.Outcome.choices, widget=forms.RadioSelect
    )
    reason = forms.CharField(
        label="Why",
        max_length=LONGEST_REASON,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Say what was compared: a random sample with the ward's own list, for instance.",
    )

    def __init__(self, *args: Any, offered: list[InQuestion], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["statements"]
        assert isinstance(field, forms.TypedMultipleChoiceField)
        field.choices = [(each.statement.pk, str(each.insertion.uuid)) for each in offered]


@require_http_methods(["GET", "POST"])
def in_question(request: HttpRequest) -> HttpResponse:
    """Tick them, say what becomes of them, check, sign."""
    mine = access.of(request)
    found = reconsidering.in_question(mine)
    if request.method == "POST" and not found:
        return go(request, "in_question", message="Nothing is in question any more: somebody decided meanwhile.")
    asked = BatchForm(request.POST or None, offered=found)

    def typed() -> ToSign:
        said = asked.cleaned_data
        chosen = [each for each in found if each.statement.pk in said["statements"]]
        rows = [each.statement for each in chosen]
        return ToSign(
            digest=reconsidering.decision_digest(rows, said["outcome"], said["reason"]),
            carry_out=lambda signer: reconsidering.decide(
                signer=signer, statements=rows, outcome=said["outcome"], reason=said["reason"]
            ),
            context={"chosen": chosen, "outcome": Reconsidered.Outcome(said["outcome"]), "reason": said["reason"]},
        )

    def done() -> HttpResponse:
        settled(*{each.insertion.clinician_id for each in found})
        return go(request, "in_question", message="Decided.")

    ticked = set(request.POST.getlist("statements"))
    steps = Steps(
        ask="audits/in_question.html",
        check="audits/in_question_check.html",
        meaning=reconsidering.MEANING,
        context={"found": [(each, str(each.statement.pk) in ticked) for each in found]},
    )
    return in_two_steps(request, asked, steps, typed=typed, done=done)
