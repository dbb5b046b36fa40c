"""What the page of an observation shows: its steps in words, what was said, and, to whom it concerns, both ratings."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, QuerySet

from audits import integrity, second_raters
from audits.access import is_own
from audits.checklist import (
    LEVEL_WORDS,
    MARK_WORDS,
    SETTING_WORDS,
    VERDICT_WORDS,
    Checklist,
    Mark,
    Phase,
    Purpose,
    Step,
)
from audits.checklists import checklists_known, parsed
from audits.limits import limits
from audits.models import Observation, ObservationDispute, ObservationReply, SecondAsked
from audits.observation_replies import may_say
from audits.observation_words import mark_words, setting_words, verdict_words
from audits.observing import EMPTY, Check, check, mine_open
from ledger.acts import history
from people.access import Access, Right
from people.clock import in_words, through


@dataclass(frozen=True, slots=True)
class StepSeen:
    """A step with what was marked; `other` are the marks of second ratings, in the order of their raters."""

    step: Step
    text: str
    mark: str
    words: str
    reason: str
    note: str
    is_missed: bool
    others: tuple[str, ...] = ()

    @property
    def differs(self) -> bool:
        return any(each != self.words for each in self.others)


@dataclass(frozen=True, slots=True)
class PhaseSeen:
    phase: Phase
    steps: tuple[StepSeen, ...]


HAPPENED: Mapping[str, str] = {
    "observation.begun": "Begun",
    "observation.signed": "Signed",
    "observation.acknowledged": "Read by the learner",
    "observation.replied": "Replied to",
    "observation.disputed": "Disputed",
    "observation.dispute_taken_back": "The dispute was taken back",
    "observation.dispute_answered": "A statement on the dispute",
    "observation.dispute_ruled": "The dispute was decided",
}
# What concerns the second rating alone, which is not the learner's to know.
HAPPENED_BESIDE: Mapping[str, str] = {
    "observation.second_asked": "Somebody was asked for a second rating",
    "observation.second_declined": "A second rating was declined",
}


@dataclass(frozen=True, slots=True)
class Event:
    """A line of the history."""

    at: datetime
    words: str
    who: str


@dataclass(frozen=True, slots=True)
class Pair:
    """A second rating beside the first: on how many steps both marked the same. One pair says little of a rater."""

    second: Observation
    same: int
    of: int


@dataclass(frozen=True, kw_only=True)
class Shown:
    """An observation as a page shows it. `seconds` are signed second ratings that the reader may see."""

    row: Observation
    check: Check | None
    rests_on: Sequence[str]
    events: Sequence[Event]
    checklist: Checklist
    said: Mapping[str, Any]
    phases: tuple[PhaseSeen, ...]
    where: str
    is_whole: bool
    is_retired: bool
    days_late: int  # after which it was signed, where that is late here; 0 otherwise
    seconds: Sequence[Observation]
    asked: Sequence[SecondAsked]
    replies: Sequence[ObservationReply]
    dispute: ObservationDispute | None
    is_learner: bool
    may_say: bool
    may_ask: bool
    may_dispute: bool
    may_take_back: bool

    @property
    def missed(self) -> list[StepSeen]:
        """Steps not met, or met only after a prompt, critical ones first."""
        found = [each for phase in self.phases for each in phase.steps if each.is_missed]
        return sorted(found, key=lambda each: not each.step.critical)

    @property
    def is_first(self) -> bool:
        return self.row.second_of_id is None

    @property
    def may_acknowledge(self) -> bool:
        return self.is_learner and self.is_first and not self.is_acknowledged

    @property
    def verdict(self) -> str:
        """What it came to, in a sentence; '' if what was signed can't be read any more."""
        return verdict_words(self.check) if self.check else ""

    @property
    def setting(self) -> str:
        return setting_words(self.row.setting)

    @property
    def pairs(self) -> list[Pair]:
        steps = [each for phase in self.phases for each in phase.steps]
        return [
            Pair(second, sum(each.others[n] == each.words for each in steps), len(steps))
            for n, second in enumerate(self.seconds)
        ]

    @property
    def rating(self) -> str:
        place = self.said["rating"]
        return self.checklist.ratings[place - 1] if place else ""

    @property
    def given(self) -> str:
        return LEVEL_WORDS.get(self.said["given"], "")

    @property
    def recommended(self) -> str:
        return LEVEL_WORDS.get(self.said["recommended"], "")

    @property
    def is_acknowledged(self) -> bool:
        return any(each.kind == ObservationReply.Kind.ACKNOWLEDGED for each in self.replies)

    @property
    def counted(self) -> str:
        """'22 of 28 met, 3 after a prompt': counts, never a score."""
        marks = [each.mark for phase in self.phases for each in phase.steps]
        parts = [f"{marks.count(Mark.MET)} of {len(marks)} met"]
        parts += [
            f"{count} {MARK_WORDS[each].lower()}" for each in Mark if each != Mark.MET and (count := marks.count(each))
        ]
        return ", ".join(parts)


def shown(access: Access, row: Observation) -> Shown:
    """The page of a signed observation that this user may see."""
    steps = parsed(row.checklist)
    found = _read(row)
    said = found.said if found else EMPTY
    seconds = list(
        Observation.objects.signed_by()
        .visible_to(access)
        .filter(second_of=row)
        .select_related("assessor")
        .order_by("pk")
    )
    dispute = ObservationDispute.objects.known().filter(observation=row).select_related("by").first()
    first = row.second_of_id is None
    talks = first and may_say(access.user, row)
    asks = first and (row.assessor_id == access.user.pk or access.may(Right.DECIDE, row.unit_id))
    own = is_own(access.user, row)
    return Shown(
        row=row,
        check=found,
        rests_on=_rests_on(access, row),
        events=_events(row, beside=not own),
        checklist=steps,
        said=said,
        phases=phases_of(steps, said["marks"], [json.loads(each.content)["marks"] for each in seconds]),
        where=access.tree.where(row.unit_id),
        is_whole=row.signed_id is None or not integrity.observation_differences(row),
        is_retired=checklists_known().is_retired(row.checklist, access.on),
        days_late=_days_late(access, row),
        seconds=seconds,
        asked=list(SecondAsked.objects.known().filter(observation=row).select_related("whom")) if asks else (),
        replies=list(row.replies.select_related("by").order_by("pk")) if first else (),
        dispute=dispute,
        is_learner=own,
        may_say=talks,
        may_ask=asks and not own,
        may_dispute=talks and dispute is None and row.signed_id is not None,
        may_take_back=dispute is not None and dispute.by_id == access.user.pk,
    )


def _read(row: Observation) -> Check | None:
    """What was signed; None where it was altered so that it can't be read."""
    try:
        return check(row)
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def _days_late(access: Access, row: Observation) -> int:
    if row.signed_at is None:
        return 0
    passed = (row.signed_at.astimezone(ZoneInfo(row.zone)).date() - row.observed_on).days
    allowed = limits([row.clinician_id], now=access.tree).days_at(
        "late_after_days", clinician=row.clinician_id, unit=row.unit_id, code=row.procedure.code, on=row.observed_on
    )
    return passed if passed > allowed else 0


def _rests_on(access: Access, row: Observation) -> list[str]:
    """By what whoever signed could observe that day: appointment, and for a decision what they held."""
    found = []
    if row.appointment is not None:
        role, unit = row.appointment.get_role_display(), access.tree.where(row.appointment.unit_id)
        span = f"from {in_words(row.appointment.from_day)}, {through(row.appointment.until_day)}"
        found.append(f"Appointed as {role.lower()}, {unit}, {span}")
    if row.award is not None:
        last = through(row.award.expires_on)
        found.append(f"Held the procedure by an award from {in_words(row.award.from_day)}, {last}")
    if row.scope is not None:
        found.append(f"Held the procedure by role from {in_words(row.scope.from_day)}, {through(row.scope.until_day)}")
    return found


def _events(row: Observation, *, beside: bool) -> list[Event]:
    words = {**HAPPENED, **(HAPPENED_BESIDE if beside else {})}
    return [
        Event(act.recorded_at, words[act.kind], act.actor.name if act.actor else "Sited")
        for act in history(row.uuid)
        if act.kind in words
    ]


def phases_of(
    steps: Checklist, marks: Mapping[str, Mapping[str, str]], others: Sequence[Mapping[str, Mapping[str, str]]] = ()
) -> tuple[PhaseSeen, ...]:
    """Every step with its mark in words; 'Not provided' where there is none yet."""

    def seen(step: Step) -> StepSeen:
        said = marks.get(step.key, {})
        mark = said.get("mark", "")
        return StepSeen(
            step=step,
            text=steps.said(step.text),
            mark=mark,
            words=mark_words(said),
            reason=said.get("reason", ""),
            note=said.get("note", ""),
            is_missed=mark in (Mark.NOT_MET, Mark.PROMPTED),
            others=tuple(MARK_WORDS.get(each.get(step.key, {}).get("mark", ""), "") for each in others),
        )

    return tuple(PhaseSeen(phase, tuple(seen(step) for step in steps.steps_of(phase.key))) for phase in steps.phases)


@dataclass(frozen=True, slots=True)
class Waits:
    """What of observations waits for this user, for Today."""

    unfinished: list[Observation]
    asked: list[SecondAsked]
    to_read: list[Observation]
    disputed: list[Observation]


def waits_for(access: Access) -> Waits:
    """Unfinished ones, second ratings asked of one, feedback to read, and, for an educator, disputes. Four queries."""
    signed = Observation.objects.signed_by().filter(second_of=None)
    read = ObservationReply.objects.filter(observation=OuterRef("pk"), kind=ObservationReply.Kind.ACKNOWLEDGED)
    mine = signed.filter(clinician=access.clinician).exclude(Exists(read)) if access.clinician else signed.none()
    units = access.units_for(Right.DECIDE)
    disputed = signed.filter(unit__in=units, disputes__decided=None, disputes__isnull=False) if units else signed.none()
    return Waits(
        unfinished=mine_open(access),
        asked=list(second_raters.asked_of(access)),
        to_read=list(_named(mine)),
        disputed=list(_named(disputed.exclude(clinician__user=access.user))),
    )


def of_person(access: Access, clinician: int, procedure: int, *, on: date, known: int | None) -> list[Observation]:
    """The signed first ratings of one person that this user may see, latest first, as known then."""
    rows = Observation.objects.signed_by(known).visible_to(access)
    rows = rows.filter(clinician=clinician, procedure=procedure, second_of=None, observed_on__lte=on)
    disputed = ObservationDispute.objects.known(known).filter(observation=OuterRef("pk"))
    return list(_named(rows.annotate(is_disputed=Exists(disputed))))


@dataclass(frozen=True, slots=True)
class InSetting:
    """One person's observations in one setting, latest first: counts of one are never added to those of another."""

    setting: str
    counted: str
    rows: Sequence[Observation]


def by_setting(rows: Sequence[Observation]) -> list[InSetting]:
    found = []
    for setting, words in SETTING_WORDS.items():
        here = [each for each in rows if each.setting == setting]
        if here:
            found.append(InSetting(words, _counted(here), here))
    return found


def _counted(rows: Sequence[Observation]) -> str:
    """'3 for a decision: 2 met, 1 not yet; 4 for learning'."""
    parts = []
    decided = [each for each in rows if each.purpose == Purpose.DECISION]
    verdicts = [each.verdict for each in decided]
    if decided:
        words = [f"{n} {VERDICT_WORDS[each].lower()}" for each in VERDICT_WORDS if (n := verdicts.count(each))]
        parts.append(f"{len(decided)} for a decision: {', '.join(words)}")
    if learnt := len(rows) - len(decided):
        parts.append(f"{learnt} for learning")
    return "; ".join(parts)


def _named(rows: QuerySet[Observation]) -> QuerySet[Observation]:
    return rows.select_related("clinician", "procedure", "assessor").order_by("-observed_at", "-pk")
