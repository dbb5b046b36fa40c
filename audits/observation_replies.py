"""What is said to an observation: the learner has read it, replies, or says that it is wrong."""

from django.db import transaction

from audits.access import is_own
from audits.freetext import text_problems
from audits.models import Observation, ObservationDispute, ObservationReply
from ledger.acts import Recording, recording
from people import clock, stale
from people.access import NotPermitted, Right, access_of
from people.models import Clinician, User
from people.problems import Problems, problem
from people.spans import lock

Kind = ObservationReply.Kind
LONGEST_REPLY, LONGEST_REASON = 1000, 300


def acknowledge(*, actor: User, observation: Observation, text: str = "") -> ObservationReply:
    """The learner has read the feedback, and may say something to it. Raises NotPermitted, Problems if said before."""
    if not is_own(actor, observation):
        raise NotPermitted(f"{actor.pk} is not the person observed in {observation.uuid}")
    return _say(actor, observation, text, act="observation.acknowledged", kind=Kind.ACKNOWLEDGED, asked="")


def reply(*, actor: User, observation: Observation, text: str) -> ObservationReply:
    """Say something to it: the learner, the assessor, an educator of the unit. Raises NotPermitted, Problems."""
    _require_party(actor, observation)
    return _say(
        actor, observation, text, act="observation.replied", kind=Kind.REPLY, asked="Write what you want to say."
    )


def dispute(*, actor: User, observation: Observation, reason: str) -> ObservationDispute:
    """Say that it is wrong: until that is decided it counts towards no terms. Raises NotPermitted, Problems."""
    _require_party(actor, observation)
    found = text_problems("reason", reason, longest=LONGEST_REASON, asked="Say what is wrong.")
    if found:
        raise Problems(found)
    with transaction.atomic():
        row = _signed(observation)
        if ObservationDispute.objects.known().filter(observation=row).exists():
            raise problem("", "This observation is disputed already.")
        with recording(actor=actor, kind="observation.disputed", subject=row.uuid) as rec:
            made = ObservationDispute.objects.create(
                observation=row,
                reason=reason.strip(),
                by=actor,
                opened_on=clock.today(row.zone),
                known_from_id=rec.seq,
            )
            rec.content |= {"digest": row.digest, "opened_on": made.opened_on.isoformat()}
            rec.personal = {"reason": made.reason}
            _touch(rec, row)
            return made


def take_back(*, actor: User, observation: Observation) -> None:
    """Take one's own dispute back. Raises NotPermitted for another's, Problems if there is none."""
    with transaction.atomic():
        row = _signed(observation)
        found = ObservationDispute.objects.known().filter(observation=row).first()
        if found is None:
            raise problem("", "This observation is not disputed any more.")
        if found.by_id != actor.pk:
            raise NotPermitted(f"the dispute of {row.uuid} is not {actor.pk}'s")
        with recording(actor=actor, kind="observation.dispute_taken_back", subject=row.uuid) as rec:
            ObservationDispute.objects.filter(pk=found.pk).update(
                known_until_id=rec.seq, decided_id=rec.seq, outcome="taken_back"
            )
            rec.content |= {"digest": row.digest}
            _touch(rec, row)


def may_say(user: User, observation: Observation) -> bool:
    """Whether this user may reply or dispute: the learner, its assessor, an educator of the unit."""
    if is_own(user, observation) or user.pk == observation.assessor_id:
        return True
    return access_of(user).may(Right.DECIDE, observation.unit_id)


def _require_party(user: User, observation: Observation) -> None:
    if not may_say(user, observation):
        raise NotPermitted(f"{user.pk} has no say in observation {observation.uuid}")


def _say(actor: User, observation: Observation, text: str, *, act: str, kind: Kind, asked: str) -> ObservationReply:
    found = text_problems("text", text, longest=LONGEST_REPLY, asked=asked)
    if found:
        raise Problems(found)
    with transaction.atomic():
        row = _signed(observation)
        if kind == Kind.ACKNOWLEDGED and row.replies.filter(kind=kind).exists():
            raise problem("", "You said before that you read it.")
        with recording(actor=actor, kind=act, subject=row.uuid) as rec:
            made = ObservationReply.objects.create(
                observation=row, kind=kind, by=actor, text=text.strip(), made_id=rec.seq, said_at=rec.recorded_at
            )
            rec.content |= {"digest": row.digest, "kind": str(kind)}
            if made.text:
                rec.personal = {"text": made.text}
            stale.touch(cause=rec.kind, act=rec.seq)
            return made


def _signed(observation: Observation) -> Observation:
    """The observation, locked; only a first rating that is signed is talked about. Raises Problems."""
    lock(Clinician(pk=observation.clinician_id))
    row = Observation.objects.known().select_related("clinician").filter(pk=observation.pk).first()
    if row is None or row.signed_id is None:
        raise problem("", "This observation is not signed.")
    if row.second_of_id is not None:
        raise NotPermitted(f"{row.uuid} is a second rating: it is private to its raters")
    return row


def _touch(rec: Recording, row: Observation) -> None:
    stale.touch([row.clinician_id], cause=rec.kind, act=rec.seq, procedure=row.procedure_id)
