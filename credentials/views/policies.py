"""Local policies: the list, one with its history, and noting, changing and ending one by a signature."""

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from credentials import policies as written
from credentials.forms_policies import EndPolicyForm, PolicyForm
from credentials.models import LocalPolicy
from credentials.versions import concerning
from people import access, exports
from people.access import Access, Right
from people.deciding import Steps, ToSign, in_two_steps
from people.pages import go, page
from sheets.listing import Column, Listing, export, page_of

FORM = ["GET", "POST"]


@require_http_methods(FORM)
def policies(request: HttpRequest) -> HttpResponseBase:
    """The policies in force that concern the units of whoever asks, those to be looked at first first."""
    mine = access.of(request)
    rows = listing(mine)
    if request.method == "POST":
        return export(request, rows, on_export=lambda made: exports.record(actor=mine.user, made=made))
    context = {"listing": page_of(request, rows), "keeps": mine.may_somewhere(Right.KEEP_RULES)}
    return page(request, "credentials/policies.html", context, fragment="tables/listing.html")


@require_http_methods(["GET"])
def policy(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine, row = _row(request, uuid)
    versions = LocalPolicy.objects.filter(uuid=uuid).select_related("procedure", "known_from__actor").order_by("-pk")
    context = {
        "policy": row,
        "path": mine.tree.path(row.unit_id),
        "rests": written.rests_words(row),
        "versions": [(each, written.rests_words(each)) for each in versions],
        "zone": mine.tree.zone(row.unit_id),
        "keeps": mine.may(Right.KEEP_RULES, row.unit_id) and not row.ended,
        "is_due": not row.ended and row.review_on <= mine.on + written.SOON,
        "today": mine.on,
    }
    return page(request, "credentials/policy.html", context)


@require_http_methods(FORM)
def policy_open(request: HttpRequest) -> HttpResponse:
    mine = access.of(request)
    asked = PolicyForm(request.POST or None, tree=mine.tree, units=mine.units_for(Right.KEEP_RULES))

    def typed() -> ToSign:
        said = asked.policy
        written.check(said, on=mine.on)
        return ToSign(
            digest=said.digest,
            carry_out=lambda signer: written.open_policy(signer=signer, policy=said),
            context={"said": said, "path": mine.tree.path(said.unit.pk)},
        )

    return in_two_steps(
        request,
        asked,
        Steps(ask="credentials/policy_ask.html", check="credentials/policy_check.html", meaning=written.OPENED),
        typed=typed,
        done=lambda: go(request, "policies", message="The policy is noted."),
    )


@require_http_methods(FORM)
def policy_change(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine, row = _kept(request, uuid)
    before = written.policy_of(row)
    initial = {"title": row.title, "kept_at": row.kept_at, "rests": before.rests, "review_on": row.review_on}
    asked = PolicyForm(request.POST or None, tree=mine.tree, units=(), before=before, initial=initial)

    def typed() -> ToSign:
        said = asked.policy
        written.check_change(row, said, on=mine.on)
        return ToSign(
            digest=written.change_digest(row, said),
            carry_out=lambda signer: written.change_policy(signer=signer, row=row, policy=said),
            context={"said": said},
        )

    steps = Steps(
        ask="credentials/policy_ask.html",
        check="credentials/policy_check.html",
        meaning=written.CHANGED,
        context={"before": row, "before_rests": written.rests_words(row), "path": mine.tree.path(row.unit_id)},
    )
    return in_two_steps(
        request, asked, steps, typed=typed, done=lambda: go(request, "policy", uuid, message="The policy is changed.")
    )


@require_http_methods(FORM)
def policy_end(request: HttpRequest, uuid: UUID) -> HttpResponse:
    _, row = _kept(request, uuid)
    asked = EndPolicyForm(request.POST or None)

    def typed() -> ToSign:
        reason = asked.cleaned_data["reason"]
        written.check_end(reason)
        return ToSign(
            digest=written.end_digest(row, reason),
            carry_out=lambda signer: written.end_policy(signer=signer, row=row, reason=reason),
            context={"reason": reason},
        )

    steps = Steps(
        ask="credentials/policy_end.html",
        check="credentials/policy_end_check.html",
        meaning=written.ENDED,
        context={"policy": row},
    )
    return in_two_steps(
        request, asked, steps, typed=typed, done=lambda: go(request, "policies", message="The policy is ended.")
    )


def listing(mine: Access) -> Listing:
    """The policies in force that this user may read, with where each is kept."""
    return Listing(
        name="policies",
        title="Local policies in force",
        rows=written.in_force(concerning(mine)),
        columns=(
            Column(
                "title",
                "Policy",
                sort="title",
                link=lambda row: reverse("policy", args=[row.uuid]),
                note="kept_at",
                note_label="Where it is kept",
            ),
            Column("unit", "Unit", value=lambda row: mine.tree.path(row.unit_id)),
            Column("procedure", "Procedure", value=lambda row: row.procedure.name if row.procedure else "every one"),
            Column("rests", "Rests on it", value=written.rests_words),
            Column(
                "review_on",
                "Look again by",
                "day",
                sort="review_on",
                note=lambda row: "overdue" if row.review_on < mine.on else "",
                note_label="Remark",
            ),
        ),
        order="review_on",
        empty="No policy is noted for your units yet.",
    )


def _row(request: HttpRequest, uuid: UUID) -> tuple[Access, LocalPolicy]:
    """The policy as it stands; 404 out of sight."""
    mine = access.of(request)
    row = LocalPolicy.objects.known().filter(uuid=uuid).select_related("unit", "procedure").first()
    if row is None or row.unit_id not in concerning(mine):
        raise Http404("No such policy in scope.")
    return mine, row


def _kept(request: HttpRequest, uuid: UUID) -> tuple[Access, LocalPolicy]:
    """One that this user may change; 404 where it is no longer in force, 403 without the right."""
    mine, row = _row(request, uuid)
    mine.require(Right.KEEP_RULES, row.unit_id)
    if row.ended:
        raise Http404("This policy is no longer in force.")
    return mine, row
