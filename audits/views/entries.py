"""Entries: the list, one in full, and what its writer or an educator does about it afterwards."""

from collections.abc import Callable
from uuid import UUID

from django import forms
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods, require_POST

from audits import actions, corrections, disputes, integrity, tables
from audits.countersigning import AlreadyDecided
from audits.entries import Shown, shown
from audits.forms import CorrectForm
from audits.models import Dispute, Insertion, Proposal
from audits.settled import settled
from audits.versions import entry_of
from people import access, exports
from people.access import Access, Role
from people.fields import Form
from people.lookups import note_view
from people.pages import go, page, show_problems
from people.problems import Problems
from sheets.listing import export, page_of

WAITS = "Proposed. It waits for the named supervisor or an educator; until then the entry counts as it stands."


class ReasonForm(Form):
    reason = forms.CharField(
        label="Why",
        max_length=300,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Stays with the entry. Never write a name, birth date or record number here.",
    )


class DisputeForm(ReasonForm):
    about = forms.ChoiceField(label="What is wrong", widget=forms.RadioSelect)

    def __init__(self, *args: object, about: tuple[str, ...], **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        self.fields["about"].choices = [(each, Dispute.About(each).label) for each in about]  # type: ignore[attr-defined]
        self.order_fields(["about", "reason"])


@require_http_methods(["GET", "POST"])
def entry_list(request: HttpRequest) -> HttpResponseBase:
    mine = access.of(request)
    listing = tables.entry_list(mine)
    if request.method == "POST":
        return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
    return page(request, "audits/entries.html", {"listing": page_of(request, listing)}, fragment="tables/listing.html")


@require_http_methods(["GET"])
def entry(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    found = shown(mine, uuid)
    if mine.units(Role.AUDITOR) and not found.is_own:
        note_view(mine.user, found.version.clinician, "entry")
    return page(request, "audits/entry.html", {"shown": found})


@require_http_methods(["GET", "POST"])
def entry_correct(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """A new version, or a proposal where the change touches what the entry counts for."""
    mine, version = _to_change(request, uuid)
    if integrity.differences(version):
        return go(request, "entry", uuid, message="This entry does not match what was signed, so it is not corrected.")
    looks = "look" in request.POST
    form = _correct_form(request, mine, version, looks=looks)
    if request.method == "POST" and not looks and form.is_valid():
        reason = form.cleaned_data["reason"]
        try:
            made = corrections.correct(actor=mine.user, insertion=version, entry=form.entry(), reason=reason)
        except Problems as problems:
            form.show(problems)
        except AlreadyDecided as refusal:
            form.add_error(None, str(refusal))
        else:
            settled(version.clinician_id)
            message = WAITS if isinstance(made, Proposal) else f"Corrected: version {made.version} stands."
            return go(request, "entry", uuid, message=message)
    attempts = {f"attempt_{each.place}": each for each in form.attempts}
    return page(request, "audits/entry_correct.html", {"form": form, "version": version} | attempts)


@require_http_methods(["GET", "POST"])
def entry_withdraw(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine, version = _to_change(request, uuid)
    form = ReasonForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            corrections.propose_withdrawal(actor=mine.user, insertion=version, reason=form.cleaned_data["reason"])
        except Problems as problems:
            show_problems(form, problems)
        except AlreadyDecided as refusal:
            form.add_error(None, str(refusal))
        else:
            return go(request, "entry", uuid, message=WAITS)
    return page(request, "audits/entry_withdraw.html", {"form": form, "shown": shown(mine, uuid)})


@require_http_methods(["GET", "POST"])
def entry_dispute(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    found = shown(mine, uuid)
    about = actions.may_dispute(mine, found.version, found.statement)
    actions.require(about, "dispute", found.version)
    form = DisputeForm(request.POST or None, about=about)
    if request.method == "POST" and form.is_valid():
        try:
            disputes.open_dispute(actor=mine.user, insertion=found.version, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        except AlreadyDecided as refusal:
            form.add_error(None, str(refusal))
        else:
            settled(found.version.clinician_id)
            return go(
                request, "entry", uuid, message="Disputed. An educator decides; the page says what counts until then."
            )
    return page(request, "audits/entry_dispute.html", {"form": form, "shown": found})


@require_POST
def proposal_take_back(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine, found = _shown(request, uuid)
    waiting = found.proposal.proposal if found.proposal else None
    if waiting is None:
        return go(request, "entry", uuid, message="No proposal waits any more.")
    return _taken_back(request, uuid, lambda: corrections.take_back(actor=mine.user, proposal=waiting))


@require_POST
def dispute_take_back(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine, found = _shown(request, uuid)
    dispute = found.dispute
    if dispute is None:
        return go(request, "entry", uuid, message="It is not disputed any more.")
    return _taken_back(request, uuid, lambda: disputes.take_back(actor=mine.user, dispute=dispute))


def _taken_back(request: HttpRequest, uuid: UUID, act: Callable[[], object]) -> HttpResponse:
    try:
        act()
    except Problems as problems:
        return go(request, "entry", uuid, message=str(problems))
    settled(*Insertion.objects.known().filter(uuid=uuid).values_list("clinician", flat=True))
    return go(request, "entry", uuid, message="Taken back.")


def _shown(request: HttpRequest, uuid: UUID) -> tuple[Access, Shown]:
    mine = access.of(request)
    return mine, shown(mine, uuid)


def _to_change(request: HttpRequest, uuid: UUID) -> tuple[Access, Insertion]:
    """The version that stands, of an entry that this user may correct. Raises Http404, NotPermitted."""
    mine = access.of(request)
    rows = Insertion.objects.seen_by(mine, uuid).known().select_related("clinician", "procedure", "supervisor", "unit")
    version = rows.prefetch_related("attempts").get()
    actions.require(actions.may_change(mine, version), "change", version)
    return mine, version


def _correct_form(request: HttpRequest, mine: Access, version: Insertion, *, looks: bool) -> CorrectForm:
    data = request.POST if request.method == "POST" else None
    return CorrectForm(
        None if looks else data,
        looked=data if looks else None,
        clinician=version.clinician,
        tree=mine.tree,
        units=mine.tree.nodes,
        unit=version.unit_id,
        old=entry_of(version),
        named=version.supervisor,
        from_sheet=version.sheet_id is not None,
    )
