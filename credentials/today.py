"""Today: what concerns whoever asks, by what they are. The answer first, then what waits for them. No figures."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db.models import Count, Exists, Min, OuterRef, Q, QuerySet

from audits.corrections import Pending, proposals_for
from audits.countersigning import Waiting, queue
from audits.models import Checklist, Insertion, Procedure
from audits.observation_pages import Waits, waits_for
from audits.states import State, in_state, state_of, with_state
from credentials import founding, proposing, retiring, today_sources
from credentials.flags import visible_flags
from credentials.models import Enrolment, Flag, Founding, Programme, Proposed, Rules, Standing
from credentials.rules import progress
from credentials.rules.answers import Answer, Status
from credentials.rules.reasons import Reason
from credentials.rules.standing import AnswerAt, waits_for_award
from credentials.standings import Read, pairs_of, read_many
from credentials.today_lines import Line
from credentials.whocan import last_day
from credentials.wording import RULE_WORDS
from people.access import Access, Right, Role
from people.first_day import Step, steps
from people.models import Clinician
from people.settings import book

AHEAD = timedelta(days=90)
LONG = timedelta(days=14)
MOST = 10
MOST_DUE = 25


@dataclass(frozen=True, kw_only=True)
class MyAnswer:
    """One's own answer for a procedure at home, as the answer block reads it, and what is still missing."""

    procedure: Procedure
    may_insert: Answer
    on: date
    expires_on: date | None
    through: date | None
    reasons: Sequence[Reason]
    elsewhere: Sequence[tuple[str, Answer]]
    missing: Sequence[tuple[str, Sequence[progress.Line]]]

    @property
    def is_missing_something(self) -> bool:
        return any(not line.is_met for _, lines in self.missing for line in lines)


@dataclass(frozen=True)
class Mine:
    """A clinician's own part: answers, entries to mend, entries that wait for others, open questions."""

    answers: list[MyAnswer]
    to_mend: list[tuple[Insertion, State]]
    awaiting: int
    questions: list[tuple[Flag, str]]


@dataclass(frozen=True)
class Decisions:
    """An educator's part: what waits for a decision. Of the longer lists the first few, and how many there are."""

    questions: list[tuple[Flag, str]]
    question_count: int
    waiting_long: list[Insertion]
    waiting_long_count: int
    disputed: int
    ready: list[tuple[Clinician, Procedure]]


@dataclass(frozen=True, slots=True)
class Ending:
    """An award that ends soon or ended lately: whose, of what, where they work, and its last day. No figures."""

    clinician: Clinician
    procedure: Procedure
    status: Status
    answer: Answer
    last_day: date


@dataclass(frozen=True)
class Unsigned:
    """A supervisor whose signature is overdue: how many entries wait, and since when the oldest."""

    name: str
    count: int
    oldest: date


@dataclass(frozen=True)
class Today:
    """Everything on the page; a part that does not concern the reader is None or empty."""

    on: date
    mine: Mine | None
    queue: list[Waiting]
    proposals: list[Pending]
    decisions: Decisions | None
    observed: Waits
    claims: list[Founding]
    retirements: list[retiring.Waiting]
    documents: list[tuple[str, Proposed, str]]
    endings: list[Ending]
    endings_count: int
    unsigned: list[Unsigned]
    steps: list[Step]
    lines: Mapping[str, Sequence[Line]]
    supervises: bool
    manages: bool
    audits: bool
    administers: bool

    @property
    def has_missing_steps(self) -> bool:
        return any(not step.is_done for step in self.steps)


def today(access: Access) -> Today:
    """The page of this user. The number of queries does not grow with what is shown."""
    decides = access.may_somewhere(Right.DECIDE)
    plans = decides or bool(access.units(Role.MANAGER))
    endings = _endings(access) if plans else []
    return Today(
        on=access.on,
        mine=_mine(access, access.clinician) if access.clinician is not None else None,
        queue=queue(access),
        proposals=proposals_for(access),
        decisions=_decisions(access) if decides else None,
        observed=waits_for(access),
        retirements=[each for each in retiring.waiting(access) if each.may] if plans else [],
        claims=[each for each in founding.waiting(access) if founding.may_decide(access, each)] if plans else [],
        documents=_documents(access) if plans else [],
        endings=endings[:MOST_DUE],
        endings_count=len(endings),
        unsigned=_unsigned(access) if access.units(Role.MANAGER) else [],
        steps=steps(access) if _starts(access) else [],
        lines=today_sources.lines(access),
        supervises=access.may_somewhere(Right.SUPERVISE),
        manages=bool(access.units(Role.MANAGER)),
        audits=bool(access.units(Role.AUDITOR)),
        administers=access.may_somewhere(Right.ADMINISTER),
    )


# --- a clinician ---


def _mine(access: Access, clinician: Clinician) -> Mine:
    procedures = {each.pk: each for each in Procedure.objects.all()}
    pairs = pairs_of([clinician.pk]) or [(clinician.pk, each) for each in list(procedures)[:1]]
    read = read_many(pairs)
    mine = Insertion.objects.known().filter(clinician=clinician)
    mend = with_state(_any_state(mine, ("sent_back", "not_me", "disputed")).select_related("supervisor"))
    flags = Flag.objects.filter(clinician=clinician, closed=None).order_by("reply_by", "id")
    return Mine(
        answers=[_answer(access, procedures[key[1]], read[key]) for key in pairs if key in read],
        to_mend=[(each, state_of(each)) for each in mend.order_by("-performed_at")[:MOST]],
        awaiting=in_state(mine, "awaiting").count(),
        questions=[(each, RULE_WORDS.get(each.rule, each.rule)) for each in flags],
    )


def _answer(access: Access, procedure: Procedure, read: Read) -> MyAnswer:
    at, standing = read.home, read.standing
    here = [each.unit_id for each in access.placements if not each.home and each.unit_id in access.tree]
    elsewhere = [(access.tree.path(unit), read.at(access.tree.above(unit)).answer) for unit in here]
    asked = (
        ("The plan", standing.plan),
        ("Before the first patient", standing.entry),
        ("For the award", standing.award),
        ("For renewal", standing.renewal),
    )
    return MyAnswer(
        procedure=procedure,
        may_insert=at.answer,
        on=read.on,
        expires_on=at.expires_on if at.status.is_held else None,
        through=None if at.status.is_held else last_day(at),
        reasons=at.reasons,
        elsewhere=[(path, answer) for path, answer in elsewhere if answer is not at.answer],
        missing=[(title, lines) for title, lines in asked if lines],
    )


def _any_state(rows: Any, codes: Iterable[str]) -> Any:
    first, *rest = (in_state(rows, code) for code in codes)
    for each in rest:
        first |= each
    return first


# --- an educator ---


def _decisions(access: Access) -> Decisions:
    units = access.units_for(Right.DECIDE)
    theirs = access.clinicians_for(Right.DECIDE)
    flags = visible_flags(access).filter(closed=None, clinician__in=theirs)
    there = Insertion.objects.known().filter(unit__in=units).exclude(clinician__user=access.user)
    long = in_state(there, "awaiting").filter(performed_on__lt=access.on - LONG)
    return Decisions(
        questions=[(each, RULE_WORDS.get(each.rule, each.rule)) for each in flags.order_by("reply_by", "id")[:MOST]],
        question_count=flags.count(),
        waiting_long=list(long.select_related("clinician", "supervisor").order_by("performed_at", "pk")[:MOST]),
        waiting_long_count=long.count(),
        disputed=in_state(there, "disputed").count(),
        ready=_ready(theirs),
    )


def _ready(clinicians: QuerySet[Clinician]) -> list[tuple[Clinician, Procedure]]:
    """Those who meet every term, and wait for an educator. Stored standings propose, the reading decides."""
    # After a lapse the status stays as it is until the new award; only who is enrolled anew is on the way to one.
    again = Enrolment.objects.known().filter(
        clinician=OuterRef("clinician"), procedure=OuterRef("procedure"), until_day=None
    )
    rows = list(
        Standing.objects.filter(clinician__in=clinicians)
        .filter(Q(status=Status.READY_FOR_AWARD.value) | Q(Exists(again), status=Status.LAPSED.value))
        .select_related("clinician", "procedure")
        .order_by("clinician__name", "id")
    )
    read = read_many([(each.clinician_id, each.procedure_id) for each in rows])
    return [(each.clinician, each.procedure) for each in rows if _waits_for_award(read, each)]


def _waits_for_award(read: dict[tuple[int, int], Read], row: Standing) -> bool:
    found = read[row.clinician_id, row.procedure_id]
    return waits_for_award(found.standing, found.home.status)


def _home(read: dict[tuple[int, int], Read], row: Standing) -> AnswerAt:
    return read[row.clinician_id, row.procedure_id].home


# --- whoever plans: educators and managers ---


def _endings(access: Access) -> list[Ending]:
    """Awards that end within 90 days or ended within the last 90, soonest first."""
    rows = list(
        Standing.objects.filter(
            clinician__in=access.clinicians_for(Right.UNIT_FIGURES),
            expires_on__gt=access.on - AHEAD,
            expires_on__lte=access.on + AHEAD,
        )
        .select_related("clinician", "procedure")
        .order_by("expires_on", "clinician__name", "id")
    )
    read = read_many([(each.clinician_id, each.procedure_id) for each in rows])
    found = [(each, _home(read, each)) for each in rows]
    return [
        Ending(each.clinician, each.procedure, at.status, at.answer, at.expires_on - timedelta(days=1))
        for each, at in found
        if at.expires_on is not None
    ]


def _unsigned(access: Access) -> list[Unsigned]:
    """Supervisors with entries past the local time to countersign, on the units managed; longest first."""
    first = next(each.unit_id for each in access.appointments if each.role == Role.MANAGER)
    days = book().value("sign_within_days", access.tree.above(first), on=access.on)
    there = Insertion.objects.known().filter(unit__in=access.units(Role.MANAGER))
    rows = (
        in_state(there, "awaiting")
        .filter(performed_on__lt=access.on - timedelta(days=days))
        .order_by()
        .values("supervisor", "supervisor__name")
        .annotate(count=Count("pk"), oldest=Min("performed_on"))
        .order_by("oldest", "supervisor__name")
    )
    return [Unsigned(row["supervisor__name"], row["count"], row["oldest"]) for row in rows[:MOST_DUE]]


def _starts(access: Access) -> bool:
    """Whether the first day is this user's concern: of a whole hospital, or of the accounts."""
    places = access.units_for(Right.PLACE)
    return access.may_somewhere(Right.ADMINISTER) or any(access.tree.level(each) == "hospital" for each in places)


def _documents(access: Access) -> list[tuple[str, Proposed, str]]:
    """Rules, programmes and checklists that somebody else proposed: kind in the address, the version, its unit."""
    kinds: tuple[tuple[str, type[Proposed]], ...] = (
        ("rules", Rules),
        ("programme", Programme),
        ("checklist", Checklist),
    )
    return [
        (kind, each, access.tree.path(each.unit_id))
        for kind, model in kinds
        for each in proposing.waiting(model, access)
        if each.proposed_by_id != access.user.pk
    ]
