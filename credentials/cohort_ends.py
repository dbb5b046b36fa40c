"""The end of a rotation: what becomes of each person's learning, said by an educator; nobody's ends by a date alone.

leaving = [Leaving(member=..., outcome=...), ...]
leave(signer=<Confirmed for leaving_digest(cohort, leaving)>, cohort=cohort, leaving=leaving, digest=...)
take_over(actor=..., member=...)      # by whoever somebody was handed to
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date

from django.db import transaction
from django.db.models import QuerySet

from audits.freetext import text_problems
from credentials.cohorts import lock_all, members
from credentials.enrolling import close_enrolment
from credentials.hanging import hanging
from credentials.models import Cohort, CohortMember, Enrolment
from ledger.acts import Recording, recording
from people import clock, stale
from people.access import Access, NotPermitted, Right, access_of
from people.models import Appointment, User
from people.problems import Problem, Problems, problem
from people.signing import Confirmed, digest_of
from people.tree import tree

MEANING = "what becomes of people of a cohort"
LONGEST_NOTE = 500
Outcome = CohortMember.Outcome


@dataclass(frozen=True, kw_only=True)
class Leaving:
    """What becomes of one person: moved (to another cohort, or with their enrolment alone), closed, handed over."""

    member: CohortMember
    outcome: str
    moved_to: Cohort | None = None
    handed_to: User | None = None
    note: str = ""


def leave(*, signer: Confirmed, cohort: Cohort, leaving: Sequence[Leaving], digest: str) -> None:
    """Say for these people what becomes of their learning; one signature. Nobody left in it closes the cohort.

    `digest` is what was signed (`leaving_digest`). Raises NotPermitted, NotConfirmed, Problems.
    """
    access = access_of(signer.user)
    access.require(Right.DECIDE, cohort.unit_id)
    if found := problems_of(access, leaving):
        raise Problems(found)
    with transaction.atomic():
        lock_all(each.member.clinician_id for each in leaving)
        with recording(actor=signer.user, kind="cohort.left", subject=cohort.uuid) as rec:
            rows = _still_in(cohort, leaving)
            on = clock.today(tree().zone(cohort.unit_id))
            rec.content["members"] = [_let_go(rec, each, row, on) for each, row in zip(leaving, rows, strict=True)]
            hangs = hanging([each.clinician_id for each in rows], cohort.procedure)
            rec.content["not_settled"] = {str(each.uuid): asdict(hangs[each.clinician_id]) for each in rows}
            rec.personal = {str(each.member.uuid): each.note.strip() for each in leaving if each.note.strip()}
            stale.touch(
                [each.clinician_id for each in rows], procedure=cohort.procedure_id, cause=rec.kind, act=rec.seq
            )
            if not members(cohort).filter(outcome="").exists():
                Cohort.objects.filter(pk=cohort.pk, closed=None).update(closed_id=rec.seq)
                rec.content["closed"] = True
            signer.use(digest, rec, role=access.printed_for(Right.DECIDE))


def problems_of(access: Access, leaving: Sequence[Leaving]) -> list[Problem]:
    """What is wrong with this list, as far as it can be said before it is signed. Raises NotPermitted."""
    if not leaving:
        return [Problem("", "Choose for somebody what becomes of them.")]
    return [each for one in leaving for each in _leaving_problems(access, one)]


def leaving_digest(cohort: Cohort, leaving: Sequence[Leaving]) -> str:
    """What whoever decides signs: each person with what becomes of them."""
    return digest_of(
        {
            "cohort": str(cohort.uuid),
            "members": [
                {
                    "member": str(each.member.uuid),
                    "outcome": each.outcome,
                    "moved_to": str(each.moved_to.uuid) if each.moved_to else None,
                    "handed_to": str(each.handed_to.uuid) if each.handed_to else None,
                    "note": each.note.strip(),
                }
                for each in sorted(leaving, key=lambda one: str(one.member.uuid))
            ],
        }
    )


def take_over(*, actor: User, member: CohortMember) -> CohortMember:
    """Say that one takes on somebody who was handed over to one. Raises NotPermitted, Problems."""
    if member.handed_to_id != actor.pk:
        raise NotPermitted(f"{member.uuid} was not handed over to {actor.pk}")
    with transaction.atomic():
        lock_all([member.clinician_id])
        with recording(actor=actor, kind="cohort.taken_over", subject=member.cohort.uuid) as rec:
            rec.content["member"] = str(member.uuid)
            on = clock.today(tree().zone(member.cohort.unit_id))
            return _next(rec, member, taken_on=on)


def handed_to(user: User) -> QuerySet[CohortMember]:
    """People who were handed over to this user and not taken on yet."""
    rows = CohortMember.objects.known().filter(handed_to=user, taken_on=None)
    return rows.select_related("clinician", "cohort__procedure").order_by("clinician__name", "pk")


def may_take_over(access: Access) -> QuerySet[User]:
    """Educators whose appointment holds, to whom somebody may be handed: anywhere in the group, oneself left out."""
    rows = Appointment.objects.known().on(access.on).filter(role=Appointment.Role.EDUCATOR)
    return User.objects.filter(pk__in=rows.values("user"), is_active=True).exclude(pk=access.user.pk).order_by("name")


def _leaving_problems(access: Access, one: Leaving) -> list[Problem]:
    name = one.member.clinician.name
    found = text_problems("note", one.note, longest=LONGEST_NOTE) if one.note.strip() else []
    if one.outcome not in Outcome.values:
        found.append(Problem("outcome", f"{name}: say what becomes of them."))
    if one.outcome == Outcome.HANDED_OVER and one.handed_to is None:
        found.append(Problem("handed_to", f"{name}: say to whom."))
    if one.outcome == Outcome.CLOSED and not one.note.strip():
        found.append(Problem("note", f"{name}: say why the enrolment ends."))
    if one.handed_to is not None and not may_take_over(access).filter(pk=one.handed_to.pk).exists():
        found.append(Problem("handed_to", f"{one.handed_to.name} is no educator now, or is you."))
    if one.moved_to is not None and (
        one.moved_to.closed_id is not None
        or one.moved_to.pk == one.member.cohort_id
        or one.moved_to.procedure_id != one.member.cohort.procedure_id
        or one.moved_to.unit_id not in access.units_for(Right.DECIDE)
    ):
        found.append(Problem("moved_to", f"{name}: choose an open cohort for the same procedure at your units."))
    if not access.may_about(Right.DECIDE, one.member.clinician):
        raise NotPermitted(f"{access.user.pk} decides nothing about clinician {one.member.clinician_id}")
    return found


def _still_in(cohort: Cohort, leaving: Sequence[Leaving]) -> list[CohortMember]:
    rows = {each.uuid: each for each in members(cohort).filter(outcome="")}
    if any(each.member.uuid not in rows for each in leaving):
        raise problem("", "Somebody decided about one of them meanwhile: look again.")
    return [rows[each.member.uuid] for each in leaving]


def _let_go(rec: Recording, leaving: Leaving, row: CohortMember, on: date) -> dict[str, str | None]:
    cohort = row.cohort
    enrolments = Enrolment.objects.known().filter(clinician=row.clinician, procedure=cohort.procedure, until_day=None)
    enrolment = enrolments.first()
    if leaving.outcome == Outcome.AWARDED and enrolment is not None:
        raise problem("", f"{row.clinician.name} is still learning: award first, or say something else.")
    if leaving.outcome == Outcome.CLOSED and enrolment is not None:
        close_enrolment(rec, enrolment=enrolment, until_day=max(on, enrolment.from_day))
    _next(
        rec, row, outcome=leaving.outcome, left_on=on, moved_to=leaving.moved_to, handed_to=leaving.handed_to,
        note=leaving.note.strip(),
    )  # fmt: skip
    if leaving.moved_to is not None:
        if members(leaving.moved_to).filter(clinician=row.clinician).exists():
            raise problem("moved_to", f"{row.clinician.name} is in {leaving.moved_to.name} already.")
        CohortMember.objects.create(cohort=leaving.moved_to, clinician=row.clinician, known_from_id=rec.seq)
    return {
        "member": str(row.uuid),
        "clinician": str(row.clinician.uuid),
        "outcome": leaving.outcome,
        "moved_to": str(leaving.moved_to.uuid) if leaving.moved_to else None,
        "handed_to": str(leaving.handed_to.uuid) if leaving.handed_to else None,
        "on": on.isoformat(),
    }


def _next(rec: Recording, row: CohortMember, **changes: object) -> CohortMember:
    """Close this version of a member and write the next."""
    if not CohortMember.objects.filter(pk=row.pk, known_until=None).update(known_until_id=rec.seq):
        raise problem("", "Somebody decided about this person meanwhile: look again.")
    kept = {
        name: getattr(row, name)
        for name in ("uuid", "cohort", "clinician", "outcome", "left_on", "moved_to", "handed_to", "taken_on", "note")
    }
    return CohortMember.objects.create(**{**kept, **changes}, known_from_id=rec.seq)
