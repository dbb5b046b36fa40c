"""Disagreements: the list that waits, both sides' statements, the decision."""

from collections.abc import Callable
from uuid import UUID

from django import forms
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods

from audits import disagreements, ruling
from audits.disagreements import Page
from audits.models import Ruling
from audits.ruling import LONGEST_ANSWER, LONGEST_REASON, AnyDispute
from audits.settled import settled
from people import access, exports
from people.access import Access, NotPermitted
from people.deciding import Steps, ToSign, in_two_steps
from people.fields import Form
from people.pages import go, page, show_problems
from people.problems import Problems
from sheets.listing import export, page_of

FORM = ["GET", "POST"]
Find = Callable[[Access, UUID], Page]


class AnswerForm(Form):
    text = forms.CharField(
        label="How it was",
        max_length=LONGEST_ANSWER,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text="Kept for good, read by the other side and whoever decides. Never write a patient's name or number.",
    )


class RulingForm(Form):
    outcome = forms.ChoiceField(label="What becomes of it", widget=forms.RadioSelect)
    reason = forms.CharField(
        label="Why",
        max_length=LONGEST_REASON,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text="Both sides read it. Never write a patient's name or number.",
    )

    def __init__(self, *args: object, dispute: AnyDispute, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["outcome"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = [(each.value, each.label) for each in ruling.outcomes_of(dispute)]


@require_http_methods(FORM)
def disagreement_list(request: HttpRequest) -> HttpResponseBase:
    mine = access.of(request)
    rows = disagreements.listing(mine)
    if request.method == "POST":
        return export(request, rows, on_export=lambda made: exports.record(actor=mine.user, made=made))
    context = {"listing": page_of(request, rows)}
    return page(request, "audits/disagreements.html", context, fragment="tables/listing.html")


@require_http_methods(FORM)
def disagreement(request: HttpRequest, uuid: UUID) -> HttpResponse:
    return _said(request, uuid, disagreements.of_entry, "disagreement")


@require_http_methods(FORM)
def disagreement_observed(request: HttpRequest, uuid: UUID) -> HttpResponse:
    return _said(request, uuid, disagreements.of_observation, "disagreement_observed")


@require_http_methods(FORM)
def disagreement_rule(request: HttpRequest, uuid: UUID) -> HttpResponse:
    return _ruled(request, uuid, disagreements.of_entry, "disagreement")


@require_http_methods(FORM)
def disagreement_observed_rule(request: HttpRequest, uuid: UUID) -> HttpResponse:
    return _ruled(request, uuid, disagreements.of_observation, "disagreement_observed")


def _said(request: HttpRequest, uuid: UUID, find: Find, name: str) -> HttpResponse:
    """What was said, and a side's own statement."""
    mine = access.of(request)
    shown = find(mine, uuid)
    form = AnswerForm(request.POST or None) if shown.may_answer else None
    if request.method == "POST":
        if form is None or shown.open is None:
            raise NotPermitted(f"{mine.user.pk} has no say in the disagreement about {uuid}")
        if form.is_valid():
            try:
                ruling.answer(actor=mine.user, dispute=shown.open.dispute, text=form.cleaned_data["text"])
            except Problems as problems:
                show_problems(form, problems)
            else:
                return go(request, name, uuid, message="Your statement is kept.")
    return page(request, "audits/disagreement.html", {"shown": shown, "form": form, "rule_url": f"{name}_rule"})


def _ruled(request: HttpRequest, uuid: UUID, find: Find, name: str) -> HttpResponse:
    """Decide it: what becomes of it and why, the check page with all that was said, the signature."""
    mine = access.of(request)
    shown = find(mine, uuid)
    if shown.open is None:
        return go(request, name, uuid, message="Nothing waits for a decision any more.")
    if not shown.may_rule:
        raise NotPermitted(f"{mine.user.pk} may not decide the disagreement about {uuid}")
    dispute = shown.open.dispute
    asked = RulingForm(request.POST or None, dispute=dispute)

    def typed() -> ToSign:
        outcome, reason = asked.cleaned_data["outcome"], asked.cleaned_data["reason"]
        ruling.check(dispute, outcome=outcome, reason=reason)
        return ToSign(
            digest=ruling.ruling_digest(dispute, outcome, reason),
            carry_out=lambda signer: ruling.rule(signer=signer, dispute=dispute, outcome=outcome, reason=reason),
            context={"outcome": Ruling.Outcome(outcome), "reason": reason},
        )

    def done() -> HttpResponse:
        settled(shown.clinician.pk)
        return go(request, name, uuid, message="Decided. Both sides read it today.")

    proposal = ruling.proposal_of(dispute) if name == "disagreement" else None  # type: ignore[arg-type]
    steps = Steps(
        ask="audits/disagreement_rule.html",
        check="audits/disagreement_check.html",
        meaning=ruling.MEANING,
        context={"shown": shown, "said": shown.open, "proposal": proposal, "page_url": name},
    )
    return in_two_steps(request, asked, steps, typed=typed, done=done)
