"""Reviews: the questions that findings opened, worked through and closed by people."""

import json
from datetime import date
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods, require_POST

from audits.models import Insertion, Observation
from credentials import flags, referring, tables
from credentials.forms import CloseFlagForm, ReplyForm
from credentials.models import Flag
from credentials.record import record_of
from credentials.restrictions_shown import Shown, shown_of
from credentials.review_story import decided_on, note_looked, story
from credentials.rules.standing import answer_at_home
from credentials.standings import judge_many, refresh
from credentials.supervising_again import PLANS, Progress, progress_of
from credentials.wording import RULE_EXPLAINED, RULE_WORDS
from people import access, exports
from people.access import Access, Right
from people.lookups import note_views
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
    mine, flag = get_flag(request, uuid)
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
    mine, flag = get_flag(request, uuid)
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


def get_flag(request: HttpRequest, uuid: UUID) -> tuple[Access, Flag]:
    """The flag, for who may see it; that somebody looked is noted. 404 out of scope; in scope, not allowed 403."""
    mine = access.of(request)
    flag = flags.visible_flags(mine).filter(uuid=uuid).first()
    if flag is None:
        known = Flag.objects.filter(uuid=uuid).select_related("clinician").first()
        if known is None:
            raise Http404("No review has this identifier.")
        mine.get_clinician(known.clinician.uuid, Right.FIGURES)
        raise access.NotPermitted(f"{mine.user.pk} may not see flag {uuid}")
    note_looked(mine.user, flag)
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
        "opens_entries": mine.may_about(Right.FIGURES, flag.clinician),
        "story": story(flag),
        "plans": _plans(flag, judged.on),
        "referrals": [(each, referring.may_end(mine, each)) for each in referring.open_referrals(flag)],
        "refers": referring.may_refer(mine, flag),
        "decides": mine.may_about(Right.DECIDE, flag.clinician),
        "answer": at.answer,
        "record": record_of(judged, at.status),
        "today": judged.on,
        "is_own": mine.is_self(flag.clinician),
        "reply": ReplyForm() if flag.closed_id is None and flags.may_reply(mine, flag) else None,
        "zone": mine.tree.zone(judged.standing.home[0] if judged.standing.home else mine.tree.root),
    }


def _plans(flag: Flag, on: date) -> list[tuple[Shown, Progress | None]]:
    """What was decided on this flag, as known now; of a plan how far it is."""
    rows = [row for row in decided_on(flag) if row.known_until_id is None]
    far = progress_of([row for row in rows if row.kind in PLANS], on)
    return [(shown_of(row, on), far.get(row.pk)) for row in rows]
