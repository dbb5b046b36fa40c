"""What was done towards terms of entry and return: knowledge tests, simulation sessions, return steps."""

from dataclasses import dataclass
from datetime import date

from django.db import transaction

from audits.freetext import text_problems
from audits.models import Completion, Procedure
from audits.outcomes import reconsider
from ledger.acts import Recording, recording
from people import clock, stale
from people.access import Right, access_of
from people.models import Clinician, User
from people.problems import Problem, Problems
from people.spans import lock

Kind = Completion.Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class NewCompletion:
    """`valid_until` is the first day on which it no longer holds; `verified_by` the name of who saw the proof."""

    clinician: Clinician
    procedure: Procedure
    kind: str
    on: date
    verified_by: str
    valid_until: date | None = None


def record_completion(*, actor: User, new: NewCompletion) -> Completion:
    """Note what somebody has done, as an educator of theirs; never one's own. Raises NotPermitted, Problems."""
    access_of(actor).require_about(Right.DECIDE, new.clinician)
    with transaction.atomic():
        lock(new.clinician)
        with recording(actor=actor, kind="completion.recorded", subject=new.clinician.uuid) as rec:
            made = add_completion(rec, new)
            rec.content |= {
                "completion": str(made.uuid),
                "kind": str(made.kind),
                "on": made.on.isoformat(),
                "procedure": new.procedure.code,
                "valid_until": made.valid_until and made.valid_until.isoformat(),
            }
            rec.personal = {"verified_by": made.verified_by}
            return made


def add_completion(rec: Recording, new: NewCompletion) -> Completion:
    """The same within an act that is already open: an import. Raises Problems, ValueError for a kind that is none."""
    if new.kind not in Kind.values:
        raise ValueError(f"kind {new.kind!r} is none of {', '.join(Kind.values)}")
    found = text_problems("verified_by", new.verified_by, longest=150, asked="Say who saw the proof.")
    # A day may begin earlier elsewhere; nobody completes anything later than that.
    if new.on > clock.today("Pacific/Kiritimati"):
        found.append(Problem("on", "This day lies in the future."))
    if new.valid_until is not None and new.valid_until <= new.on:
        found.append(Problem("valid_until", "It would end before it began."))
    if found:
        raise Problems(found)
    made = Completion.objects.create(
        clinician=new.clinician,
        procedure=new.procedure,
        kind=new.kind,
        on=new.on,
        valid_until=new.valid_until,
        verified_by=new.verified_by.strip(),
        known_from_id=rec.seq,
    )
    changed: frozenset[tuple[int, int]] = frozenset()
    if new.kind == Kind.RETURN and new.clinician.user_id is not None:
        changed = reconsider([new.clinician.user_id], procedure=new.procedure.pk)
    touched = {new.clinician.pk, *(each for each, _ in changed)}
    stale.touch(touched, cause=rec.kind, act=rec.seq, procedure=new.procedure.pk)
    return made
