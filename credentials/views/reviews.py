"""Reviews: the questions that findings opened, worked through and closed by people."""

import json
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods, require_POST

from audits.models import Insertion, Observation
from credentials import flags, tables
from credentials.forms import CloseFlagForm, ReplyForm
from credentials.models import Flag
from credentials.record import record_of
from credentials.rules.standing import answer_at_home
from credentials.standings import judge_many, refresh
from credentials.wording import RULE_EXPLAINED, RULE_WORDS
from people import access, exports
from people.access import Access, Right
from people.lookups import note_view, note_views
from people.pages import go, page, show_problems
from people.problems import Problems
from people.signing import NotConfirmed
from sheets.listing import export, page_of


@require_http_methods(["GET", "POST"])
def reviews(request: HttpRequest) -> HttpResponseBase:
    mine = access.of(request)
    listing = tables.flags(mine)
    if request.method == "POST":
        return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
    shown = page_of(request, listing)
    note_views(mine.user, {row.clinician for row in shown.records if not mine.is_self(row.clinician)}, "reviews")
    return page(request, "credentials/reviews.html", {"listing": shown}, fragment="tables/listing.html")


@require_http_methods(["GET", "POST"])
def review(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """One question: what was found, the reply, and for who may decide, its closing."""
    mine, flag = _flag(request, uuid)
    decides = mine.may_about(Right.DECIDE, flag.clinician) and flag.closed_id is None
    form = CloseFlagForm(request, request.POST or None, digests=[flags.flag_digest(flag)]) if decides else None
    if request.method == "POST" and form is None:
        mine.require_about(Right.DECIDE, flag.clinician)
        return go(request, "review", flag.uuid, message="Somebody closed this question before you.")
    if form and form.is_valid() and (signer := form.signed(meaning=flags.MEANING)):
        try:
            outcome, reason = form.cleaned_data["outcome"], form.cleaned_data["reason"]
            flags.close_flag(signer=signer, flag=flag, outcome=outcome, reason=reason)
        except Problems as problems:
            show_problems(form, problems)
        except (NotConfirmed, flags.AlreadyClosed) as refusal:
            form.add_error(None, str(refusal))
        else:
            refresh([flag.clinician_id])
            return go(request, "reviews", message=f"The question about {flag.clinician.name} is closed.")
    return page(request, "credentials/review.html", _shown(mine, flag) | {"form": form})


@require_POST
def review_reply(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine, flag = _flag(request, uuid)
    if not flags.may_reply(mine, flag):
        raise access.NotPermitted(f"{mine.user.pk} may not reply to flag {flag.uuid}")
    form = ReplyForm(request.POST)
    if form.is_valid():
        try:
            flags.reply(actor=mine.user, flag=flag, text=form.cleaned_data["text"])
        except Problems as problems:
            show_problems(form, problems)
        except flags.AlreadyClosed as refusal:
            form.add_error(None, str(refusal))
        else:
            return go(request, "review", flag.uuid, message="Your words stand on the page.")
    return page(request, "credentials/review.html", _shown(mine, flag) | {"reply": form})


def _flag(request: HttpRequest, uuid: UUID) -> tuple[Access, Flag]:
    """The flag, for who may see it; that somebody else looked is noted. 404 out of scope; in scope, not allowed 403."""
    mine = access.of(request)
    flag = Flag.objects.filter(uuid=uuid).select_related("clinician", "procedure", "closed_by", "rules").first()
    if flag is None:
        raise Http404("No review has this identifier.")
    clinician = mine.get_clinician(flag.clinician.uuid, Right.FIGURES)
    if not mine.is_self(clinician):
        note_view(mine.user, clinician, "review")
    return mine, flag


def _shown(mine: Access, flag: Flag) -> dict[str, object]:
    figures = json.loads(flag.figures)
    pair = (flag.clinician_id, flag.procedure_id)
    judged = judge_many([pair])[pair]
    at = answer_at_home(judged.standing, on=judged.on)
    entries = Insertion.objects.known().filter(uuid__in=figures["evidence"]).order_by("performed_at")
    return {
        "flag": flag,
        "figures": figures,
        "rule": RULE_WORDS[flag.rule],
        "explained": RULE_EXPLAINED[flag.rule],
        "evidence": entries,
        "observed": Observation.objects.visible_to(mine).signed_by().filter(uuid__in=figures["evidence"]),
        "replies": flag.replies.select_related("by").order_by("id"),
        "answer": at.answer,
        "record": record_of(judged, at.status),
        "today": judged.on,
        "is_own": mine.is_self(flag.clinician),
        "reply": ReplyForm() if flag.closed_id is None and flags.may_reply(mine, flag) else None,
        "zone": mine.tree.zone(judged.standing.home[0] if judged.standing.home else mine.tree.root),
    }
