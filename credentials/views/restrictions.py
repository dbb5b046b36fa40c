"""Decisions that limit somebody: stand-down, suspension, withdrawal, plans; how they end, and are extended."""

from datetime import timedelta
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods

from audits.models import Restriction
from credentials import exposure, restricting
from credentials.forms_restrictions import EndLimitForm, ExtendForm, LimitForm, StandDownForm
from credentials.models import Flag
from credentials.restricting import Decision
from credentials.restrictions_shown import KINDS, Shown, shown_of, stood_down_before
from credentials.restrictions_shown import LOOKS_BACK as SHOWN_BACK
from credentials.standings import refresh
from credentials.supervising_again import progress_of
from people import access, exports
from people.access import Access, Right
from people.deciding import Steps, ToSign, in_two_steps
from people.models import Clinician
from people.pages import go, page, show_problems
from people.problems import Problems
from people.signing import Confirmed, NotConfirmed
from sheets.listing import export, page_of

FORM = ["GET", "POST"]
Kind = Restriction.Kind
LOOKS_BACK = timedelta(days=92)


@require_http_methods(FORM)
def exposed(request: HttpRequest) -> HttpResponseBase:
    """Insertions of the last three months that went beyond the answer of their day."""
    mine = access.of(request)
    rows = exposure.listing(mine, first=mine.on - LOOKS_BACK, last=mine.on)
    if request.method == "POST":
        return export(request, rows, on_export=lambda made: exports.record(actor=mine.user, made=made))
    context = {"listing": page_of(request, rows)}
    return page(request, "credentials/exposure.html", context, fragment="tables/listing.html")


@require_http_methods(FORM)
def stand_down(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """One page, two taps and a reason: it is needed at 3 a.m."""
    mine = access.of(request)
    clinician = mine.get_clinician(uuid, Right.STAND_DOWN)
    digest = Decision(clinician=clinician, kind=Kind.STAND_DOWN, reason="").digest
    form = StandDownForm(request, request.POST or None, digests=[digest])
    if form.is_bound and form.is_valid():
        signer = form.signed(meaning=restricting.MEANING[Kind.STAND_DOWN], digests=[digest])
        if signer is not None:
            decision = Decision(clinician=clinician, kind=Kind.STAND_DOWN, reason=form.cleaned_data["reason"])
            try:
                restricting.decide(signer=signer, decision=decision)
            except Problems as problems:
                show_problems(form, problems)
            except NotConfirmed as refusal:
                form.add_error(None, str(refusal))
            else:
                return _decided(request, clinician, f"{clinician.name} is stood down.")
    ends = restricting.stood_down_until(clinician, mine.on)
    before = stood_down_before(clinician, mine.on)
    context = {"form": form, "clinician": clinician, "ends": ends, "before": before, "days": SHOWN_BACK.days}
    return page(request, "credentials/stand_down.html", context)


@require_http_methods(FORM)
def limit(request: HttpRequest, uuid: UUID, kind: str) -> HttpResponse:
    """A suspension, a withdrawal or a plan: what it says, the check page, the signature."""
    mine = access.of(request)
    if kind not in KINDS:
        raise Http404("No such decision.")
    clinician = mine.get_clinician(uuid, Right.DECIDE)
    flag = _flag(request, clinician) if kind in restricting.CLOSES_WITH else None
    start = {"from_day": mine.on, "procedure": request.GET.get("procedure"), "answer": "in_room"}
    asked = LimitForm(request.POST or None, kind=kind, initial=start)

    def typed() -> ToSign:
        decision = asked.decision(clinician, flag=flag)
        restricting.check(decision)
        return ToSign(
            digest=decision.digest,
            carry_out=lambda signer: restricting.decide(signer=signer, decision=decision),
            context={"decision": decision},
        )

    steps = Steps(
        ask="credentials/limit.html",
        check="credentials/limit_check.html",
        meaning=restricting.MEANING[Kind(kind)],
        context={"clinician": clinician, "kind": KINDS[kind], "today": mine.on, "flag": flag},
    )

    def done() -> HttpResponse:
        message = KINDS[kind].done(clinician.name)
        if flag is None:
            return _decided(request, clinician, message)
        refresh([clinician.pk])
        return go(request, "review", flag.uuid, message=message)

    return in_two_steps(request, asked, steps, typed=typed, done=done)


@require_http_methods(FORM)
def limit_end(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine, row = _restriction(request, uuid)
    asked = EndLimitForm(request.POST or None, kind=row.kind, today=mine.on)

    def typed() -> ToSign:
        reason, day = asked.cleaned_data["reason"], asked.from_day
        return ToSign(
            digest=restricting.end_digest(row, reason, day),
            carry_out=lambda signer: restricting.end(signer=signer, restriction=row, reason=reason, from_day=day),
            context={"from_day": day or mine.on, "reason": reason},
        )

    return _about_one(request, mine, row, asked, typed, verb="end", meaning=restricting.ENDED[Kind(row.kind)])


@require_http_methods(FORM)
def limit_extend(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Give a plan another last day."""
    mine, row = _restriction(request, uuid)
    if row.kind not in restricting.PLANS:
        raise Http404("Only a plan has a day by which it should be done.")
    asked = ExtendForm(request.POST or None)

    def typed() -> ToSign:
        reason, day = asked.cleaned_data["reason"], asked.cleaned_data["due_on"]

        def extend(signer: Confirmed) -> None:
            restricting.extend(signer=signer, restriction=row, due_on=day, reason=reason)

        return ToSign(
            digest=restricting.end_digest(row, reason, day), carry_out=extend, context={"due_on": day, "reason": reason}
        )

    return _about_one(request, mine, row, asked, typed, verb="extend", meaning="plan extended")


def _about_one(  # type: ignore[no-untyped-def]
    request: HttpRequest, mine: Access, row: Restriction, asked, typed, *, verb: str, meaning: str
) -> HttpResponse:
    """The two pages of ending or extending a restriction that stands."""
    shown: Shown = shown_of(row, mine.on)
    steps = Steps(
        ask="credentials/limit_end.html",
        check="credentials/limit_end_check.html",
        meaning=meaning,
        context={
            "clinician": row.clinician,
            "row": row,
            "shown": shown,
            "verb": verb,
            "meaning": meaning,
            "far": progress_of([row], mine.on)[row.pk] if row.kind in restricting.PLANS else None,
        },
    )
    said = "It is extended." if verb == "extend" else f"{shown.words} ends."
    return in_two_steps(request, asked, steps, typed=typed, done=lambda: _decided(request, row.clinician, said))


def _restriction(request: HttpRequest, uuid: UUID) -> tuple[Access, Restriction]:
    mine = access.of(request)
    rows = Restriction.objects.known().filter(uuid=uuid, clinician__in=mine.in_scope())
    row = rows.select_related("clinician", "procedure").first()
    if row is None:
        raise Http404("No such decision in scope.")
    mine.require_about(Right.DECIDE, row.clinician)
    return mine, row


def _flag(request: HttpRequest, clinician: Clinician) -> Flag | None:
    """The question that leads here, if one does."""
    said = request.GET.get("flag", "")
    try:
        return Flag.objects.filter(uuid=UUID(said), clinician=clinician).first() if said else None
    except ValueError:
        return None


def _decided(request: HttpRequest, clinician: Clinician, message: str) -> HttpResponse:
    refresh([clinician.pk])
    return go(request, "person", clinician.uuid, message=message)
