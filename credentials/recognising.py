"""What somebody brings from elsewhere: an award or practice, accepted whole, in part, or to be assessed again.

Whole: an award of its own kind, anchored on the day of the other place's award, never longer than the terms here. It is
not provisional: it was held before. Part: so many insertions count as supervised ones towards the terms of award, under
the cap on other evidence. Assessed again: nothing counts, and it is seen that something was brought. Signed, with its
evidence named; withdrawn with a reason if it was a mistake, which ends the award as well.
"""

from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from django.db import transaction

from audits.awards import add_award, end_award
from audits.calendar import add_months
from audits.freetext import text_problems
from audits.models import Award, Procedure, Recognition
from credentials.awarding import new_award
from credentials.documents import terms
from credentials.enrolling import close_enrolment, programme_for
from credentials.founding import months_between
from credentials.models import Enrolment, Programme
from credentials.return_plans import end_with_award
from ledger.acts import Recording, recording
from ledger.canonical import canonical
from people import clock, stale
from people.access import Right, access_of
from people.clock import in_words
from people.models import Clinician, Placement, Unit
from people.problems import Problem, Problems, problem
from people.signing import Confirmed, digest_of
from people.spans import day, lock
from people.tree import tree

Outcome = Recognition.Outcome
MEANING = "recognised from elsewhere"
WITHDRAWN = "recognition withdrawn"
LONGEST_REASON = 500


@dataclass(frozen=True, kw_only=True)
class Brought:
    """What is about to be decided. A whole has a unit and the days of the other award, a part its insertions."""

    clinician: Clinician
    procedure: Procedure
    outcome: str
    origin: str
    evidence: str
    reason: str
    scope_unit: Unit | None = None
    awarded_on: date | None = None
    expires_on: date | None = None
    insertions: int = 0

    @property
    def digest(self) -> str:
        """What is signed: the decision in every part, bound to the person."""
        return digest_of(
            {
                "clinician": str(self.clinician.uuid),
                "procedure": self.procedure.code,
                "outcome": str(self.outcome),
                "origin": self.origin.strip(),
                "evidence": self.evidence.strip(),
                "reason": self.reason.strip(),
                "scope_unit": str(self.scope_unit.uuid) if self.scope_unit else None,
                "awarded_on": day(self.awarded_on),
                "expires_on": day(self.expires_on),
                "insertions": self.insertions,
            }
        )


def check(brought: Brought) -> Programme | None:
    """The programme under which a whole would be held; raises Problems for what could not be decided today."""
    on = _today(brought.clinician)
    found = text_problems("origin", brought.origin, longest=120, asked="Say where it was held.")
    found += text_problems("evidence", brought.evidence, longest=300, asked="Name the evidence and where it is kept.")
    found += text_problems("reason", brought.reason, longest=LONGEST_REASON, asked="Say why it is decided like this.")
    if brought.outcome not in Outcome.values:
        found.append(Problem("outcome", "Choose how much of it is accepted."))
    if brought.outcome == Outcome.PART and not 1 <= brought.insertions <= 500:
        found.append(Problem("insertions", "Say how many insertions are accepted: a number from 1 to 500."))
    programme = programme_for(brought.clinician, brought.procedure, on)
    if brought.outcome == Outcome.WHOLE:
        found += _wrong_whole(brought, programme, on)
    if found:
        raise Problems(found)
    return programme


def recognise(*, signer: Confirmed, brought: Brought) -> Recognition:
    """Decide what becomes of it, from today; its digest is signed. Raises NotPermitted, NotConfirmed, Problems."""
    access = access_of(signer.user)
    access.require_about(Right.DECIDE, brought.clinician)
    if brought.scope_unit is not None:
        access.require(Right.DECIDE, brought.scope_unit.pk)
    with transaction.atomic():
        clinician = lock(brought.clinician)
        programme = check(brought)
        on = _today(clinician)
        with recording(actor=signer.user, kind="recognition.decided", subject=clinician.uuid) as rec:
            award = _award(rec, brought, programme, on) if brought.outcome == Outcome.WHOLE else None
            made = Recognition.objects.create(
                clinician=clinician,
                procedure=brought.procedure,
                origin=brought.origin.strip(),
                evidence=brought.evidence.strip(),
                outcome=brought.outcome,
                insertions=brought.insertions if brought.outcome == Outcome.PART else 0,
                award=award,
                reason=brought.reason.strip(),
                by=signer.user,
                on=on,
                known_from_id=rec.seq,
            )
            rec.content |= {"recognition": str(made.uuid), "facts_digest": recognition_digest(made)}
            rec.personal = {"reason": made.reason}
            stale.touch([clinician], procedure=brought.procedure.pk, cause=rec.kind, act=rec.seq)
            signer.use(brought.digest, rec, role=access.printed_for(Right.DECIDE))
            return made


def withdraw(*, signer: Confirmed, recognition: Recognition, reason: str) -> None:
    """Take a recognition back: it counts no more, and the award that came of it ends today.

    What is signed is `withdrawal_digest`. Raises NotPermitted, NotConfirmed, Problems.
    """
    access = access_of(signer.user)
    access.require_about(Right.DECIDE, recognition.clinician)
    if found := text_problems("reason", reason, longest=LONGEST_REASON, asked="Say what was wrong with it."):
        raise Problems(found)
    with transaction.atomic():
        clinician = lock(recognition.clinician)
        with recording(actor=signer.user, kind="recognition.withdrawn", subject=clinician.uuid) as rec:
            if not Recognition.objects.known().filter(pk=recognition.pk).update(known_until_id=rec.seq):
                raise problem("", "It was withdrawn meanwhile.")
            if recognition.award is not None:
                row = Award.objects.known().filter(uuid=recognition.award.uuid).first()
                if row is not None and (row.until_day is None or row.until_day > _today(clinician)):
                    end_award(rec, row, max(row.from_day, _today(clinician)))
            rec.content |= {"recognition": str(recognition.uuid)}
            rec.personal = {"reason": reason.strip()}
            stale.touch([clinician], procedure=recognition.procedure_id, cause=rec.kind, act=rec.seq)
            signer.use(withdrawal_digest(recognition, reason), rec, role=access.printed_for(Right.DECIDE))


def recognition_facts(row: Recognition) -> dict[str, Any]:
    """All that a recognition says, as a dict that can be hashed."""
    return {
        "uuid": str(row.uuid),
        "clinician": str(row.clinician.uuid),
        "procedure": row.procedure.code,
        "origin": row.origin,
        "evidence": row.evidence,
        "outcome": str(row.outcome),
        "insertions": row.insertions,
        "award": str(row.award.uuid) if row.award else None,
        "reason": row.reason,
        "by": str(row.by.uuid),
        "on": row.on.isoformat(),
    }


def recognition_digest(row: Recognition) -> str:
    """The digest of `recognition_facts`; its act keeps it."""
    return digest_of(recognition_facts(row))


def withdrawal_digest(row: Recognition, reason: str) -> str:
    return digest_of({"recognition": recognition_digest(row), "reason": reason.strip()})


def of_person(clinician: Clinician, procedure: Procedure, *, known: int | None = None) -> list[Recognition]:
    """What stands of what this person brought, oldest first."""
    rows = Recognition.objects.known(known).filter(clinician=clinician, procedure=procedure)
    return list(rows.select_related("award__scope_unit", "by", "clinician", "procedure").order_by("on", "pk"))


def _wrong_whole(brought: Brought, programme: Programme | None, on: date) -> list[Problem]:
    found = []
    if brought.scope_unit is None:
        found.append(Problem("scope_unit", "Choose where it is to hold."))
    if programme is None:
        found.append(Problem("outcome", "No programme is in effect at the home unit: have one approved first."))
    if brought.awarded_on is None or brought.awarded_on > on:
        found.append(Problem("awarded_on", "Give the day of the other award, not after today."))
        return found
    if brought.expires_on is not None and months_between(brought.awarded_on, brought.expires_on) is None:
        since = in_words(brought.awarded_on)
        found.append(Problem("expires_on", f"An award holds for whole months from {since}: this last day fits none."))
    elif programme is not None and _ends(brought, programme) <= on:
        ends = in_words(_ends(brought, programme))
        found.append(Problem("awarded_on", f"By the terms here it expired on {ends}: nothing is left of it."))
    return found


def _months(brought: Brought, programme: Programme) -> int:
    """As long as the other place said, and never longer than the terms here."""
    assert brought.awarded_on is not None
    here = terms(programme.content).months
    said = months_between(brought.awarded_on, brought.expires_on) if brought.expires_on else None
    return min(here, said or here)


def _ends(brought: Brought, programme: Programme) -> date:
    assert brought.awarded_on is not None
    return add_months(brought.awarded_on, _months(brought, programme))


def _award(rec: Recording, brought: Brought, programme: Programme | None, on: date) -> Award:
    """The award of a whole; who was learning here learns no more."""
    assert programme is not None
    assert brought.scope_unit is not None
    assert brought.awarded_on is not None
    new = new_award(
        clinician=brought.clinician,
        procedure=brought.procedure,
        scope_unit=brought.scope_unit,
        programme=programme,
        kind=Award.Kind.RECOGNISED,
        from_day=on,
        first=False,
        basis=canonical({"origin": brought.origin.strip(), "evidence": brought.evidence.strip(), "on": on.isoformat()}),
        months=_months(brought, programme),
    )
    made = add_award(rec, replace(new, anchor=brought.awarded_on))
    rec.content |= {"award": str(made.uuid)}
    end_with_award(rec, brought.clinician, brought.procedure, on)
    rows = Enrolment.objects.known().filter(clinician=brought.clinician, procedure=brought.procedure, until_day=None)
    if (enrolment := rows.first()) is not None:
        close_enrolment(rec, enrolment=enrolment, until_day=max(on, enrolment.from_day))
    return made


def _today(clinician: Clinician) -> date:
    rows = Placement.objects.known().filter(clinician=clinician, home=True).order_by("-from_day", "-pk")
    home = rows.values_list("unit", flat=True).first()
    places = tree()
    return clock.today(places.zone(home if home is not None and home in places else places.root))
