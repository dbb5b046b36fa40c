"""What supervisors and educators state about an entry: countersigned, sent back, not me, accepted on other evidence.

A statement is signed, binds the exact version that was shown, and stores on what it rested: the appointment, the award
or scope, name, role and registration of that moment. It is about the day and unit of the insertion: who could supervise
there and then may say so now.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from django.db import transaction
from django.db.models import Exists, OuterRef, Prefetch

from audits.access import is_own
from audits.freetext import text_problems
from audits.holding import Held, Refusal, holdings
from audits.limits import limits
from audits.logbook import touch
from audits.models import Attempt, Dispute, Insertion, Nearness, Proposal, Statement
from audits.outcomes import refresh
from ledger.acts import Recording, recording
from people import clock
from people.access import Access, NotPermitted, Right, access_of
from people.clock import in_words
from people.models import Appointment, Clinician, User
from people.problems import Problem, Problems, problem
from people.signing import Confirmed, NotConfirmed
from people.spans import lock

Kind = Statement.Kind
MEANING = {
    Kind.IN_ROOM: "countersigned: in the room and watched",
    Kind.NEARBY: "countersigned: nearby",
    Kind.SENT_BACK: "sent back to be mended",
    Kind.NOT_ME: "not the supervisor of this insertion",
    Kind.OTHER_EVIDENCE: "accepted on other evidence",
}
POSITIVE = (Kind.IN_ROOM, Kind.NEARBY, Kind.OTHER_EVIDENCE)
MOST_AT_ONCE = 10
LONGEST_NOTE = 500


class AlreadyDecided(RuntimeError):  # noqa: N818
    """A statement stands, the entry was changed or withdrawn, or it is disputed. Nothing was written."""


class NotEligible(NotPermitted):
    """The named supervisor could not supervise there and then: `refusal` says why, and so does the text."""

    def __init__(self, refusal: Refusal) -> None:
        self.refusal = refusal
        super().__init__(f"{refusal.text} An educator may accept the insertion on other evidence.")


@dataclass(frozen=True, slots=True)
class Answer:
    """One of the three answers of a supervisor to one entry; a note says what to mend, or who it was instead."""

    insertion: int
    kind: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Reported:
    """What became of one answer: the statement, or why there is none."""

    insertion: int
    statement: Statement | None
    problem: str = ""


@dataclass(frozen=True)
class Waiting:
    """An entry in somebody's queue: with its attempts and all that a line shows, so that a page asks no more.

    `may_sign` says whether this supervisor could supervise there and then; `days_left` how many days remain to
    countersign, negative when only an educator may accept it.
    """

    insertion: Insertion
    where: str
    late: bool
    days_left: int
    may_sign: Held | Refusal


def countersign(*, signer: Confirmed, insertion: Insertion, nearness: str) -> Statement:
    """Store that the signer supervised this insertion, in the room or nearby, and let it count for credit.

    Raises NotPermitted unless the signer is the named supervisor, and for one's own; NotEligible if the signer could
    not supervise there and then; Problems if the time to countersign is over; AlreadyDecided; NotConfirmed.
    """
    if nearness not in Nearness.values:
        raise ValueError(f"nearness {nearness!r} is none of {', '.join(Nearness.values)}")
    return _state(signer, insertion.pk, nearness)


def send_back(*, signer: Confirmed, insertion: Insertion, note: str) -> Statement:
    """Store that the entry needs mending, and what. Raises NotPermitted, Problems, AlreadyDecided, NotConfirmed."""
    return _state(signer, insertion.pk, Kind.SENT_BACK, note)


def not_me(*, signer: Confirmed, insertion: Insertion, note: str = "") -> Statement:
    """Store that the signer did not supervise this insertion, and perhaps who did. Raises as `send_back`."""
    return _state(signer, insertion.pk, Kind.NOT_ME, note)


def accept_on_other_evidence(*, signer: Confirmed, insertion: Insertion, note: str) -> Statement:
    """Store that an educator who did not watch accepts the insertion; the note names the evidence.

    Raises NotPermitted unless the signer is an educator of the unit today, and for one's own; Problems without the
    evidence or for an emergency, which is never credited; AlreadyDecided; NotConfirmed.
    """
    return _state(signer, insertion.pk, Kind.OTHER_EVIDENCE, note)


def answer_many(*, signer: Confirmed, answers: Sequence[Answer]) -> list[Reported]:
    """Give up to ten entries their answers, each in a transaction of its own and each reported, under one secret.

    Raises ValueError for more than ten, an entry twice, or an answer that a supervisor does not give.
    """
    if len(answers) > MOST_AT_ONCE or len({each.insertion for each in answers}) != len(answers):
        raise ValueError(f"{len(answers)} answers: at most {MOST_AT_ONCE}, each for another entry")
    if any(each.kind not in (*Nearness.values, Kind.SENT_BACK, Kind.NOT_ME) for each in answers):
        raise ValueError(f"answers {[each.kind for each in answers]}: a supervisor's only")
    return [_reported(signer, each) for each in answers]


def queue(access: Access) -> list[Waiting]:
    """The entries that name this user as supervisor and wait for an answer, oldest first. A fixed number of queries."""
    named = (
        Insertion.objects.known()
        .filter(supervisor=access.user, withdrawn=False)
        .exclude(source=Insertion.Source.PAPER)
        .exclude(Exists(Statement.objects.known().filter(insertion=OuterRef("pk"))))
        .exclude(Exists(Dispute.objects.known().filter(insertion=OuterRef("pk"))))
        .select_related("clinician", "procedure", "sheet")
        .prefetch_related(Prefetch("attempts", Attempt.objects.order_by("ordinal")))
        .order_by("performed_at", "pk")
    )
    found = list(named)
    facts = holdings([access.user.pk])
    local = limits({each.clinician_id for each in found}, now=access.tree)
    return [
        Waiting(
            insertion=each,
            where=access.tree.path(each.unit_id),
            late=local.is_late(each),
            days_left=(local.last_day_to_sign(each) - clock.today(each.zone)).days,
            may_sign=facts.may_supervise(
                access.user.pk, unit=each.unit_id, procedure=each.procedure_id, on=each.performed_on
            ),
        )
        for each in found
    ]


def add_statement(
    rec: Recording, *, signer: Confirmed, insertion: Insertion, kind: str, note: str = "", digest: str
) -> Statement:
    """Write a statement about this version within an open act, if this signer may make it. Outcomes are the caller's.

    `digest` is what the signer was shown: the version's own, or that of a proposal of which it is the result.
    """
    held = _checked(signer.user, insertion, Kind(kind), note)
    earlier = Statement.objects.known().filter(insertion=insertion).first()
    if earlier is not None and (earlier.kind in POSITIVE or earlier.kind == kind):
        raise AlreadyDecided(f"{earlier.printed_name} has answered already: {earlier.get_kind_display()}.")
    signature = signer.use(digest, rec, role=_role(held))
    if earlier is not None:
        Statement.objects.filter(pk=earlier.pk).update(known_until_id=rec.seq)
    made = Statement.objects.create(
        insertion=insertion,
        kind=kind,
        by=signer.user,
        printed_name=signature["printed_name"],
        role=signature["role"],
        registration=signature["registration"],
        signed_at=rec.recorded_at,
        meaning=MEANING[Kind(kind)],
        note=note.strip(),
        award_id=held.award,
        scope_id=held.scope,
        appointment_id=held.appointment,
        insertion_digest=insertion.digest,
        known_from_id=rec.seq,
    )
    rec.content |= {"statement": _facts(made, insertion)}
    if made.note:
        rec.personal = {**(rec.personal or {}), "note": made.note}
    return made


@transaction.atomic
def _state(signer: Confirmed, insertion: int, kind: str, note: str = "") -> Statement:
    clinician = lock(Clinician.objects.get(insertions=insertion))
    with recording(actor=signer.user, kind="statement.signed") as rec:
        version = standing_version(insertion)
        rec.subject = version.uuid
        if Proposal.objects.known().filter(insertion=version).exists():
            raise problem("", "A change of this entry waits for a decision: decide that first.")
        made = add_statement(rec, signer=signer, insertion=version, kind=kind, note=note, digest=version.digest)
        refresh([version.uuid])
        touch([(clinician.pk, version.procedure_id)], rec)
        return made


def standing_version(insertion: int, *, disputed_too: bool = False) -> Insertion:
    """This version, if it stands and nobody disputes it (or may): asked inside an open act. Raises AlreadyDecided."""
    found = Insertion.objects.known().filter(pk=insertion).select_related("clinician", "procedure").first()
    if found is None or found.withdrawn:
        raise AlreadyDecided("This entry was changed or withdrawn meanwhile: look at it again.")
    if not disputed_too and Dispute.objects.known().filter(insertion=found).exists():
        raise AlreadyDecided("This entry is disputed: an educator decides first.")
    return found


def _checked(user: User, insertion: Insertion, kind: Statement.Kind, note: str) -> Held:
    """On what the statement rests. Raises NotPermitted, Problems."""
    if is_own(user, insertion):
        raise NotPermitted(f"{user.pk} may not sign for their own insertion {insertion.uuid}")
    if kind == Kind.OTHER_EVIDENCE:
        held = _as_educator(user, insertion)
    elif insertion.supervisor_id != user.pk:
        raise NotPermitted(f"insertion {insertion.uuid} does not name {user.pk} as supervisor")
    else:
        held = Held()
    asked = {Kind.SENT_BACK: "Say what to mend.", Kind.OTHER_EVIDENCE: "Name the evidence."}.get(kind, "")
    found = text_problems("note", note, longest=LONGEST_NOTE, asked=asked)
    if insertion.source == Insertion.Source.PAPER and kind in POSITIVE:
        found.append(Problem("", "From before the start day: it counts as paper and is not countersigned."))
    if kind == Kind.OTHER_EVIDENCE and insertion.emergency:
        found.append(Problem("", "An emergency without a supervisor is never credited."))
    if found:
        raise Problems(found)
    return _as_supervisor(user, insertion) if kind in (Kind.IN_ROOM, Kind.NEARBY) else held


def _as_supervisor(user: User, insertion: Insertion) -> Held:
    held = holdings([user.pk]).may_supervise(
        user.pk, unit=insertion.unit_id, procedure=insertion.procedure_id, on=insertion.performed_on
    )
    if isinstance(held, Refusal):
        raise NotEligible(held)
    last = limits([insertion.clinician_id]).last_day_to_sign(insertion)
    if clock.today(insertion.zone) > last:
        text = f"It could be countersigned through {in_words(last)}: an educator may accept it on other evidence."
        raise problem("", text)
    return held


def _as_educator(user: User, insertion: Insertion) -> Held:
    access = access_of(user)
    access.require(Right.DECIDE, insertion.unit_id)
    above = access.tree.above(insertion.unit_id)
    educator = Appointment.Role.EDUCATOR
    of = next(each for each in access.appointments if each.role == educator and each.unit_id in above)
    return Held(appointment=of.pk, role=educator)


def _role(held: Held) -> str:
    return str(Appointment.Role(held.role).label) if held.role else "Named supervisor"


def _facts(made: Statement, insertion: Insertion) -> dict[str, str | int | None]:
    return {
        "appointment": str(made.appointment.uuid) if made.appointment else None,
        "award": str(made.award.uuid) if made.award else None,
        "insertion": str(insertion.uuid),
        "insertion_digest": insertion.digest,
        "kind": str(made.kind),
        "meaning": made.meaning,
        "scope": str(made.scope.uuid) if made.scope else None,
        "version": insertion.version,
    }


def _reported(signer: Confirmed, answer: Answer) -> Reported:
    try:
        return Reported(answer.insertion, _state(signer, answer.insertion, answer.kind, answer.note))
    except (AlreadyDecided, NotConfirmed, NotEligible, Problems) as refused:
        return Reported(answer.insertion, None, str(refused))
    except (NotPermitted, Clinician.DoesNotExist):
        return Reported(answer.insertion, None, "You may not answer this entry.")
