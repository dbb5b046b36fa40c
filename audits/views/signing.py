"""To sign: what names the user as supervisor, opened one by one, answered together; changes that wait for agreement."""

from uuid import UUID

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_http_methods

from audits import actions, corrections, countersigning
from audits.countersigning import AlreadyDecided, Answer, NotEligible
from audits.desk import Desk, desk
from audits.entries import Shown, shown
from audits.models import Insertion, Nearness, Statement
from audits.settled import settled
from people import access
from people.access import Access
from people.fields import Form
from people.forms import SignForm
from people.pages import go, page, show_problems
from people.problems import Problems
from people.signing import NotConfirmed

Kind = Statement.Kind
REPORT = "signed_just_now"
MEANING = "countersigned, each as shown: in the room or nearby"


@require_http_methods(["GET", "POST"])
def to_sign(request: HttpRequest) -> HttpResponse:
    """The queue. A POST opens one more entry and keeps what was chosen; nothing is signed here."""
    mine = access.of(request)
    found = desk(mine, request.POST, also=request.POST.get("open") or request.GET.get("entry") or "")
    context = {"desk": found, "report": request.session.pop(REPORT, []), "proposals": corrections.proposals_for(mine)}
    return page(request, "audits/to_sign.html", context)


@require_http_methods(["GET", "POST"])
def to_sign_check(request: HttpRequest) -> HttpResponse:
    """What was chosen, in full, and the secret: one for up to ten entries, each signed and reported by itself."""
    if request.method == "GET":
        return redirect("to_sign")
    mine = access.of(request)
    found = desk(mine, request.POST)
    if found.refusal:
        refused = Form(request.POST)
        refused.add_error(None, found.refusal)
        context = {"desk": found, "refused": refused, "proposals": corrections.proposals_for(mine)}
        return page(request, "audits/to_sign.html", context)
    digests = [each.waiting.insertion.digest for each in found.chosen]
    form = SignForm(request, request.POST if "secret" in request.POST else None, digests=digests)
    if form.is_bound and form.is_valid() and (signer := form.signed(meaning=MEANING, digests=digests)):
        answers = [Answer(each.waiting.insertion.pk, each.answer) for each in found.chosen]
        reported = countersigning.answer_many(signer=signer, answers=answers)
        settled(*{each.waiting.insertion.clinician_id for each in found.chosen})
        request.session[REPORT] = _report(found, reported)
        return redirect("to_sign")
    return page(request, "audits/to_sign_check.html", {"desk": found, "form": form})


def _report(found: Desk, reported: list[countersigning.Reported]) -> list[dict[str, str]]:
    lines = {each.waiting.insertion.pk: each for each in found.chosen}
    return [
        {
            "uuid": str(lines[each.insertion].waiting.insertion.uuid),
            "title": lines[each.insertion].title,
            "done": each.statement.get_kind_display() if each.statement else "",
            "problem": each.problem,
        }
        for each in reported
    ]


class NoteForm(SignForm):
    note = forms.CharField(label="Note", max_length=500, required=False, widget=forms.Textarea(attrs={"rows": 3}))

    def __init__(self, *args: object, label: str, hint: str, required: bool, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        never = "Never write a patient's name, birth date or record number."
        self.fields["note"].label, self.fields["note"].help_text = label, f"{hint} {never}".strip()
        self.fields["note"].required = required
        self.fields["note"].error_messages["required"] = f"Fill in “{label}”."


@require_http_methods(["GET", "POST"])
def send_back(request: HttpRequest, uuid: UUID) -> HttpResponse:
    asks = {"label": "What to mend", "hint": "The clinician reads it and corrects the entry.", "required": True}
    return _answered(request, uuid, Kind.SENT_BACK, asks, "Send it back")


@require_http_methods(["GET", "POST"])
def not_me(request: HttpRequest, uuid: UUID) -> HttpResponse:
    asks = {
        "label": "Who it was, if you know",
        "hint": "The clinician then names whoever was there.",
        "required": False,
    }
    return _answered(request, uuid, Kind.NOT_ME, asks, "State that it was not you")


@require_http_methods(["GET", "POST"])
def entry_accept(request: HttpRequest, uuid: UUID) -> HttpResponse:
    asks = {"label": "The evidence", "hint": "What you saw or hold instead of having watched.", "required": True}
    return _answered(request, uuid, Kind.OTHER_EVIDENCE, asks, "Accept on this evidence")


WRITES = {
    Kind.SENT_BACK: countersigning.send_back,
    Kind.NOT_ME: countersigning.not_me,
    Kind.OTHER_EVIDENCE: countersigning.accept_on_other_evidence,
}


def _answered(
    request: HttpRequest, uuid: UUID, kind: Statement.Kind, asks: dict[str, object], button: str
) -> HttpResponse:
    """One statement about one entry that is shown in full, as an act of its own."""
    mine, found = _shown(request, uuid)
    may = actions.may_accept if kind == Kind.OTHER_EVIDENCE else actions.may_answer
    actions.require(may(mine, found.version), str(kind), found.version)
    form = NoteForm(request, request.POST or None, digests=[found.version.digest], **asks)  # type: ignore[arg-type]
    if request.method == "POST" and form.is_valid():
        signer = form.signed(meaning=countersigning.MEANING[kind], digests=[found.version.digest])
        if signer is not None:
            try:
                WRITES[kind](signer=signer, insertion=found.version, note=form.cleaned_data["note"])
            except Problems as problems:
                show_problems(form, problems)
            except (AlreadyDecided, NotConfirmed, NotEligible) as refusal:
                form.add_error(None, str(refusal))
            else:
                settled(found.version.clinician_id)
                to = ("entry", uuid) if kind == Kind.OTHER_EVIDENCE else ("to_sign",)
                return go(request, *to, message=f"{kind.label}: {found.version.clinician.name}, signed.")
    context = {"shown": found, "form": form, "kind": kind, "button": button, "meaning": countersigning.MEANING[kind]}
    return page(request, "audits/entry_answer.html", context)


class DecideForm(SignForm):
    agree = forms.ChoiceField(
        label="Do you agree?",
        choices=[("yes", "Agree: it becomes the entry"), ("no", "Refuse: the entry stays")],
        widget=forms.RadioSelect,
    )
    nearness = forms.ChoiceField(
        label="You were",
        choices=Nearness.choices,
        widget=forms.RadioSelect,
        required=False,
        help_text="The entry was countersigned: agreeing countersigns the new version.",
    )
    note = forms.CharField(
        label="The evidence",
        max_length=500,
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="The entry was countersigned: agreeing accepts the new version on the evidence that you name.",
    )

    def __init__(self, *args: object, asks: str, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        for name in {"nearness", "note"} - {asks}:
            del self.fields[name]


@require_http_methods(["GET", "POST"])
def entry_decide(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Agree to a change, or refuse it."""
    mine, found = _shown(request, uuid)
    if found.proposal is None:
        return go(request, "entry", uuid, message="No change waits for a decision any more.")
    actions.require(actions.may_decide(mine, found.proposal.proposal, found.version), "decide", found.version)
    asks = _asks(mine, found)
    form = DecideForm(request, request.POST or None, digests=[found.proposal.digest], asks=asks)
    if request.method == "POST" and form.is_valid():
        agree = form.cleaned_data["agree"] == "yes"
        signer = form.signed(meaning=corrections.MEANING[agree], digests=[found.proposal.digest])
        if signer is not None:
            more = {asks: form.cleaned_data[asks]} if asks else {}
            try:
                corrections.decide(signer=signer, proposal=found.proposal.proposal, agree=agree, **more)
            except Problems as problems:
                show_problems(form, problems)
            except (AlreadyDecided, NotConfirmed, NotEligible) as refusal:
                form.add_error(None, str(refusal))
            else:
                now = Insertion.objects.known().filter(uuid=uuid).values_list("clinician", flat=True)
                settled(found.version.clinician_id, *now)
                return go(request, "entry", uuid, message="Agreed." if agree else "Refused: the entry stays as it was.")
    return page(request, "audits/entry_decide.html", {"shown": found, "form": form})


def _asks(mine: Access, found: Shown) -> str:
    """What agreeing to the correction of a countersigned entry asks besides: how near, or the evidence."""
    signed = found.statement is not None and found.statement.kind in countersigning.POSITIVE
    if found.proposal is None or found.proposal.proposal.kind == "withdrawal" or not signed:
        return ""
    return "nearness" if found.version.supervisor_id == mine.user.pk else "note"


def _shown(request: HttpRequest, uuid: UUID) -> tuple[Access, Shown]:
    mine = access.of(request)
    return mine, shown(mine, uuid)
