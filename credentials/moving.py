"""Moving an enrolment to another version of the programme: a signed decision, never made by an approval alone.

The time of learning goes on: the enrolment ends and another begins on the same day, and what was done counts on.
"""

from dataclasses import dataclass, replace
from datetime import date
from typing import Any
from uuid import uuid4

from django.db import transaction

from audits.freetext import text_problems
from audits.measures import measures
from audits.models import Procedure
from credentials.documents import terms
from credentials.enrolling import add_enrolment, close_enrolment, home_unit, programme_for
from credentials.gathering import ground
from credentials.models import Enrolment, Programme
from credentials.proposing import role_words
from credentials.rules import awards, facts, progress
from credentials.rules.asking import ask_for
from credentials.rules.progress import Line
from credentials.standings import Judged, judge_many
from ledger.acts import recording
from people.access import Right, access_of
from people.clock import in_words
from people.models import Clinician
from people.problems import Problems, problem
from people.signing import Confirmed, digest_of
from people.spans import lock

MOVED = "enrolment moved to another version"
LONGEST_REASON = 300


@dataclass(frozen=True, slots=True)
class Compared:
    """One line under the version of now and under the other; None where a version does not ask for it."""

    label: str
    before: Line | None
    after: Line | None


@dataclass(frozen=True, kw_only=True)
class Move:
    """What is about to be decided: from which version to which, and how far somebody is under each."""

    clinician: Clinician
    procedure: Procedure
    enrolment: Enrolment
    to: Programme
    on: date
    before: tuple[Line, ...]
    after: tuple[Line, ...]
    known: int

    @property
    def lines(self) -> list[Compared]:
        """Both versions side by side, in the order in which the other asks."""
        now = {line.label: line for line in self.before}
        then = {line.label: line for line in self.after}
        return [Compared(label, now.get(label), then.get(label)) for label in {**then, **now}]

    def content(self) -> dict[str, Any]:
        """What the act keeps, and the digest is of: both versions with what there was and what was asked."""
        return {
            "procedure": self.procedure.code,
            "on": self.on.isoformat(),
            "from_programme": str(self.enrolment.programme.uuid),
            "to_programme": str(self.to.uuid),
            "before": [_said(line) for line in self.before],
            "after": [_said(line) for line in self.after],
        }

    def digest(self, reason: str) -> str:
        return moved_digest(str(self.clinician.uuid), self.content(), reason)


def moved_digest(clinician: str, content: dict[str, Any], reason: str) -> str:
    """What whoever moves an enrolment signs."""
    return digest_of({"clinician": clinician, "move": content, "reason": reason.strip()})


def may_move_to(enrolment: Enrolment, on: date) -> Programme | None:
    """The version in effect at the home unit, where the enrolment is under another one."""
    binding = programme_for(enrolment.clinician, enrolment.procedure, on)
    return binding if binding is not None and binding.pk != enrolment.programme_id else None


def check_move(clinician: Clinician, procedure: Procedure) -> Move:
    """How far somebody is under the version of their enrolment and under the one in effect at home today.

    Raises Problems where there is no such enrolment, it began before a withdrawal, or no other version is in effect.
    """
    rows = Enrolment.objects.known().filter(clinician=clinician, procedure=procedure, until_day=None)
    enrolment = rows.select_related("programme", "clinician", "procedure").first()
    if enrolment is None:
        raise problem("", f"{clinician.name} is not enrolled for {procedure.name}.")
    judged = judge_many([(clinician.pk, procedure.pk)])[clinician.pk, procedure.pk]
    if enrolment.from_day > judged.on:
        raise problem("", f"This enrolment begins on {in_words(enrolment.from_day)}: move it then.")
    counting = awards.enrolment_on(judged.facts, judged.on)
    if counting is None or counting.uuid != str(enrolment.uuid):
        raise problem("", "This enrolment is from before a withdrawal and counts no more: end it, and enrol again.")
    other = may_move_to(enrolment, judged.on)
    if other is None:
        raise problem("", "No other version is in effect at the home unit today: there is nothing to move to.")
    return Move(
        clinician=clinician,
        procedure=procedure,
        enrolment=enrolment,
        to=other,
        on=judged.on,
        before=(*judged.standing.entry, *judged.standing.award),
        after=_under(other, judged, counting),
        known=judged.known,
    )


def move(*, signer: Confirmed, clinician: Clinician, procedure: Procedure, reason: str) -> Enrolment:
    """Move the open enrolment to the version in effect at home, from today. What is signed: `Move.digest(reason)`.

    Raises NotPermitted, NotConfirmed, Problems.
    """
    access = access_of(signer.user)
    access.require_about(Right.DECIDE, clinician)
    require_reason(reason)
    with transaction.atomic():
        lock(clinician)
        moving = check_move(clinician, procedure)
        with recording(actor=signer.user, kind="enrolment.moved", subject=clinician.uuid) as rec:
            rec.content |= moving.content()
            rec.personal = {"reason": reason.strip()}
            close_enrolment(rec, enrolment=moving.enrolment, until_day=moving.on)
            made = add_enrolment(rec, clinician=clinician, procedure=procedure, from_day=moving.on, programme=moving.to)
            home = home_unit(clinician, moving.on)
            role = role_words(signer.user, home) if home is not None else ""
            signer.use(moving.digest(reason), rec, role=role)
            return made


def require_reason(reason: str) -> None:
    """Raises Problems for a reason that is missing, too long, or might name a patient."""
    if found := text_problems("reason", reason.strip(), longest=LONGEST_REASON, asked="Say why."):
        raise Problems(found)


def _under(programme: Programme, judged: Judged, counting: facts.Enrolment) -> tuple[Line, ...]:
    """The lines as they would be if the enrolment were moved on the day judged."""
    asked = terms(programme.content)
    day = judged.on
    after = facts.Enrolment(uuid=str(uuid4()), span=facts.Span(day), terms=asked, programme=str(programme.uuid))
    closed = replace(counting, span=facts.Span(counting.span.starts, day))
    others = [each for each in judged.facts.enrolments if each.uuid != counting.uuid]
    names = ground().names
    supposed = replace(
        judged.facts,
        enrolments=(*others, closed, after),
        counted_from={code: names[code] for code in asked.counts_from if code in names},
    )
    pair = (judged.clinician, judged.procedure)
    figures = measures({judged.clinician}, asks={pair: ask_for(supposed, day)}, on=day)[pair]
    found = progress.towards_award(supposed, figures, after, day)
    return (*found.entry, *found.award)


def _said(line: Line) -> dict[str, Any]:
    return {"label": line.label, "have": line.have, "need": line.need, "note": line.note}
