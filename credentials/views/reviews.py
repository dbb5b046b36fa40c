"""Reviews: the questions that findings opened, worked through and closed by people."""

import json
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods, require_POST

from audits.models import Insertion
from credentials import flags, tables
from credentials.forms import CloseFlagForm, ReplyForm
from credentials.models import Flag
from credentials.standings import read, refresh
from credentials.wording import RULE_EXPLAINED, RULE_WORDS
from people import access, exports
from people.access import Access, Right
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
    return page(
        request, "credentials/reviews.html", {"listing": page_of(request, listing)}, fragment="tables/listing.html"
    )


@require_http_methods(["GET", "POST"])
def review(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """One question: what was found, the reply, and for who may decide, its closing."""
    mine, flag = _flag(request, uuid)
    decides = mine.may_about(Right.DECIDE, flag.clinician) and flag.closed_id is None
    form = CloseFlagForm(request, request.POST or None, digests=[flags.flag_digest(flag)]) if decides else None
    if request.method == "POST" and form is None:
        mine.require_about(Right.DECIDE, flag.clinician)
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
    """The flag, for who may see it. 404 out of scope; in scope and not allowed 403."""
    mine = access.of(request)
    flag = Flag.objects.filter(uuid=uuid).select_related("clinician", "procedure", "closed_by", "rules").first()
    if flag is None:
        raise Http404("No review has this identifier.")
    mine.get_clinician(flag.clinician.uuid, Right.FIGURES)
    return mine, flag


def _shown(mine: Access, flag: Flag) -> dict[str, object]:
    figures = json.loads(flag.figures)
    found = read(flag.clinician_id, flag.procedure_id)
    entries = Insertion.objects.known().filter(uuid__in=figures["evidence"]).order_by("performed_at")
    may_reply = mine.is_self(flag.clinician) or mine.may_about(Right.DECIDE, flag.clinician)
    return {
        "flag": flag,
        "figures": figures,
        "rule": RULE_WORDS[flag.rule],
        "explained": RULE_EXPLAINED[flag.rule],
        "entries": entries,
        "replies": flag.replies.select_related("by").order_by("id"),
        "answer": found.home,
        "recent": found.standing.recent,
        "is_own": mine.is_self(flag.clinician),
        "reply": ReplyForm() if may_reply and flag.closed_id is None else None,
        "zone": mine.tree.zone(mine.tree.root),
    }
