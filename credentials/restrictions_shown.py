"""Restrictions in words, for the pages of a person: what each is, since when, until when, on what it was made."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import QuerySet
from django.urls import reverse

from audits.models import Restriction
from credentials.restricting import PLANS
from credentials.seeing import whom_to_ask
from credentials.today_lines import Line, Part
from credentials.wording import option_words
from people.access import Access, Right
from people.clock import in_words, through
from people.models import Appointment, Clinician

Kind = Restriction.Kind
LOOKS_BACK = timedelta(days=14)  # in which stand-downs of one person are counted


@dataclass(frozen=True, slots=True)
class KindWords:
    """A kind of decision as its pages say it. `said` is what happens, with the person's name before it."""

    code: str
    title: str
    about: str
    said: str
    button: str

    def done(self, name: str) -> str:
        return f"{name} {self.said}."


KINDS: Mapping[str, KindWords] = {
    each.code: each
    for each in (
        KindWords(
            Kind.SUSPENSION,
            "Suspend",
            "May not insert on patients while it holds, whatever is held. The award runs on by the calendar.",
            "is suspended",
            "Suspend",
        ),
        KindWords(
            Kind.WITHDRAWAL,
            "Withdraw the award",
            "The award ends today, at every unit. It takes a new enrolment or award to insert again.",
            "holds the award no more",
            "Withdraw it",
        ),
        KindWords(
            Kind.PLAN,
            "Open a re-supervision plan",
            "Inserts under supervision until a signed decision ends the plan. It is support, not a verdict.",
            "is on a re-supervision plan",
            "Open the plan",
        ),
        KindWords(
            Kind.RETURN_PLAN,
            "Open a return plan",
            "For somebody whose award lapsed: supervised insertions on the way back to an award.",
            "is on a return plan",
            "Open the plan",
        ),
    )
}


@dataclass(frozen=True, kw_only=True)
class Shown:
    """One restriction as a page shows it. `reason` only for who may read it."""

    row: Restriction
    words: str
    span: str
    asks: str
    reason: str
    is_overdue: bool

    @property
    def is_plan(self) -> bool:
        return self.row.kind in PLANS

    @property
    def may_end(self) -> bool:
        return self.row.kind != Kind.WITHDRAWAL


def shown_of(row: Restriction, on: date) -> Shown:
    """What a restriction says, in words, on a day."""
    basis = json.loads(row.basis)
    where = f" for {row.procedure.name}" if row.procedure else ""
    return Shown(
        row=row,
        words=f"{row.get_kind_display()}{where}",
        span=_span(row, on),
        asks=_asks(row, basis),
        reason=basis.get("reason", ""),
        is_overdue=row.due_on is not None and on > row.due_on,
    )


def _span(row: Restriction, on: date) -> str:
    since = f"{'since' if row.from_day <= on else 'from'} {in_words(row.from_day)}"
    if row.kind == Kind.STAND_DOWN:
        return f"{since}; ends by itself at the end of {in_words(_last(row))} unless an educator decides"
    if row.until_day is not None:
        return f"{since}, {through(row.until_day)}"
    if row.due_on is not None:
        return f"{since}, to be done by {in_words(row.due_on)}"
    return since


def _last(row: Restriction) -> date:
    assert row.until_day is not None
    return row.until_day - timedelta(days=1)


def _asks(row: Restriction, basis: Mapping[str, int]) -> str:
    if row.kind not in PLANS:
        return ""
    parts = ((basis.get("insertions", 0), "supervised insertion"), (basis.get("observations", 0), "observation"))
    asked = " and ".join(f"{count} {words}{'' if count == 1 else 's'}" for count, words in parts if count)
    return f"inserts {option_words(row.answer)}" + (f"; asks for {asked}" if asked else "")


def open_ones(clinician: Clinician, on: date, *, known: int | None = None, withdrawn: bool = True) -> list[Shown]:
    """What limits somebody on this day or is to begin, oldest first.

    A withdrawal has no end of its own: `withdrawn` says whether it still counts, or an award or enrolment came after.
    """
    rows = Restriction.objects.known(known).filter(clinician=clinician).exclude(until_day__lte=on)
    if not withdrawn:
        rows = rows.exclude(kind=Kind.WITHDRAWAL)
    return [shown_of(row, on) for row in rows.select_related("procedure", "clinician").order_by("from_day", "pk")]


def waiting(access: Access) -> Iterator[Line]:
    """For Today: one's own limits; and for educators who is stood down, how often, and plans past their day."""
    if access.clinician is not None:
        yield from _my_own(access, access.clinician)
    if not access.may_somewhere(Right.DECIDE):
        return
    rows = _of(access).exclude(until_day__lte=access.on)
    stopped = rows.filter(kind=Kind.STAND_DOWN).order_by("until_day", "pk")
    lately = list(
        _of(access)
        .filter(kind=Kind.STAND_DOWN, from_day__gt=access.on - LOOKS_BACK)
        .values_list("clinician", flat=True)
    )
    for row in stopped:
        times = lately.count(row.clinician_id)
        again = f" It is number {times} within {LOOKS_BACK.days} days: decide yourself." if times > 1 else ""
        words = f"{row.clinician.name} is stood down; it ends by itself at the end of {in_words(_last(row))}.{again}"
        yield Line(Part.DECIDE, words, reverse("person", args=[row.clinician.uuid]))
    for row in rows.filter(kind__in=PLANS, due_on__lt=access.on).order_by("due_on", "pk"):
        assert row.due_on is not None
        words = f"{row.clinician.name}: {row.get_kind_display().lower()} overdue since {in_words(row.due_on)}"
        yield Line(Part.DECIDE, words, reverse("plan", args=[row.uuid]))


def _my_own(access: Access, me: Clinician) -> Iterator[Line]:
    """Each with its reason, and whom to ask about it."""
    mine = open_ones(me, access.on, withdrawn=False)
    if not mine:
        return
    educators = [each.name for each in whom_to_ask(access) if each.role == Appointment.Role.EDUCATOR.label]
    ask = f" Ask {educators[0]}, educator." if educators else ""
    for each in mine:
        why = f" Reason: {each.reason}" if each.reason else ""
        stop = "" if why.endswith((".", "!", "?")) or not why else "."
        yield Line(Part.MINE, f"{each.words}, {each.span}.{why}{stop}{ask}", reverse("person", args=[me.uuid]))


def stood_down_before(clinician: Clinician, on: date) -> int:
    """How often in the last days: several in a row stand for a decision that an educator should make."""
    rows = Restriction.objects.known().filter(clinician=clinician, kind=Kind.STAND_DOWN)
    return rows.filter(from_day__gt=on - LOOKS_BACK).count()


def _of(access: Access) -> QuerySet[Restriction]:
    rows = Restriction.objects.known().filter(clinician__in=access.clinicians_for(Right.DECIDE))
    return rows.select_related("clinician")
