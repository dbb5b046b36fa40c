"""What the page of an observation shows: its steps in words, what was said, and, to whom it concerns, both ratings."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import Exists, OuterRef, QuerySet

from audits import integrity, second_raters
from audits.checklist import LEVEL_WORDS, MARK_WORDS, Checklist, Mark, Phase, Step
from audits.checklists import checklists_known, parsed
from audits.models import Observation, ObservationDispute, ObservationReply, SecondAsked
from audits.observation_replies import is_learner, may_say
from audits.observing import check
from people.access import Access, Right


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


@dataclass(frozen=True, kw_only=True)
class Shown:
    """An observation as a page shows it. `seconds` are signed second ratings that the reader may see."""

    row: Observation
    checklist: Checklist
    said: Mapping[str, Any]
    phases: tuple[PhaseSeen, ...]
    where: str
    is_whole: bool
    is_retired: bool
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
    said = check(row).said
    seconds = list(
        Observation.objects.known()
        .visible_to(access)
        .filter(second_of=row, signed__isnull=False)
        .select_related("assessor")
        .order_by("pk")
    )
    dispute = ObservationDispute.objects.known().filter(observation=row).select_related("by").first()
    first = row.second_of_id is None
    talks = first and may_say(access.user, row)
    asks = first and (row.assessor_id == access.user.pk or access.may(Right.DECIDE, row.unit_id))
    own = is_learner(access.user, row)
    return Shown(
        row=row,
        checklist=steps,
        said=said,
        phases=phases_of(steps, said["marks"], [json.loads(each.content)["marks"] for each in seconds]),
        where=access.tree.path(row.unit_id) if row.unit_id in access.tree else "a unit that was closed",
        is_whole=row.signed_id is None or not integrity.observation_differences(row),
        is_retired=checklists_known().is_retired(row.checklist, access.on),
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
            words=MARK_WORDS.get(mark, "Not provided"),
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
    signed = Observation.objects.known().filter(signed__isnull=False, second_of=None)
    read = ObservationReply.objects.filter(observation=OuterRef("pk"), kind=ObservationReply.Kind.ACKNOWLEDGED)
    mine = signed.filter(clinician=access.clinician).exclude(Exists(read)) if access.clinician else signed.none()
    units = access.units_for(Right.DECIDE)
    disputed = signed.filter(unit__in=units, disputes__decided=None, disputes__isnull=False) if units else signed.none()
    unfinished = Observation.objects.known().filter(assessor=access.user, signed=None)
    return Waits(
        unfinished=list(_named(unfinished)),
        asked=list(second_raters.asked_of(access)),
        to_read=list(_named(mine)),
        disputed=list(_named(disputed.exclude(clinician__user=access.user))),
    )


def of_person(access: Access, clinician: int, procedure: int, *, on: date, known: int | None) -> list[Observation]:
    """The signed first ratings of one person that this user may see, latest first, as known then."""
    rows = Observation.objects.known(known).visible_to(access)
    rows = rows.filter(clinician=clinician, procedure=procedure, second_of=None, observed_on__lte=on)
    rows = rows.filter(signed__isnull=False) if known is None else rows.filter(signed__lte=known)
    return list(_named(rows))


def _named(rows: QuerySet[Observation]) -> QuerySet[Observation]:
    return rows.select_related("clinician", "procedure", "assessor").order_by("-observed_at", "-pk")
