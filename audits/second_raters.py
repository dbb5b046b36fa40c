"""A second rater scores the same practice without seeing the first: drawn by the unit's share, asked by name."""

from datetime import date
from uuid import UUID

from django.db import transaction

from audits.access import is_own
from audits.holding import holdings
from audits.models import Observation, SecondAsked
from ledger.acts import recording
from people import stale
from people.access import ROLES, Access, NotPermitted, Right, access_of
from people.models import Appointment, Clinician, Placement, User
from people.problems import problem
from people.settings import book
from people.spans import lock
from people.tree import tree

SHARE = "second_rater_percent"


def drawn(uuid: UUID, unit: int, on: date) -> bool:
    """Whether a second rating is asked for: by the UUID, so that nobody picks and anybody can check.

    The UUID comes from the form before anything was ticked; its last 32 bits are spread evenly over the share.
    """
    share = book().value(SHARE, tree().above(unit), on=on)
    return (uuid.int & 0xFFFFFFFF) * 100 < share * 2**32


def may_second(observation: Observation) -> list[User]:
    """Those who could be asked to score this practice too, by name: assessors there that day.

    Not the learner or the first rater, nobody who said that they did not watch, and nobody who has been able to read
    the first rating. A fixed number of queries.
    """
    facts = holdings()
    out = {observation.assessor_id, observation.clinician_user_id, observation.clinician.user_id}
    out |= set(observation.asked.filter(declined=True).values_list("whom", flat=True)) | _readers(observation)
    found = [
        user
        for user in facts.people
        if user not in out
        and facts.may_assess(
            user, unit=observation.unit_id, procedure=observation.procedure_id, on=observation.observed_on
        )
    ]
    return list(User.objects.filter(pk__in=found, is_active=True).order_by("name", "pk"))


def _readers(observation: Observation) -> set[int]:
    """Who sees figures of the unit or the person, once there is something to see."""
    if observation.signed_id is None:
        return set()
    now = tree()
    at = {
        observation.unit_id,
        *Placement.objects.known().filter(clinician=observation.clinician_id).values_list("unit", flat=True),
    }
    covering = {each for unit in at if unit in now for each in now.above(unit)}
    appointed = Appointment.objects.known().filter(role__in=ROLES[Right.FIGURES], unit__in=covering)
    return set(appointed.values_list("user", flat=True))


def ask(*, actor: User, observation: Observation, whom: User) -> SecondAsked:
    """Ask somebody who watched too: by the first assessor, or an educator there. Raises NotPermitted, Problems."""
    access = access_of(actor)
    if actor.pk != observation.assessor_id:
        access.require(Right.DECIDE, observation.unit_id)
    if is_own(actor, observation):
        raise NotPermitted(f"{actor.pk} may not ask about an observation of themselves")
    with transaction.atomic():
        lock(Clinician(pk=observation.clinician_id))
        row = Observation.objects.known().filter(pk=observation.pk, second_of=None).first()
        if row is None:
            raise problem("", "This observation was given up, or is a second rating itself.")
        if Observation.objects.known().filter(second_of=row, assessor=whom).exists() or waits_for(row, whom):
            raise problem("whom", f"{whom.name} is asked already.")
        if whom.pk not in {each.pk for each in may_second(row)}:
            text = "Choose somebody who could assess this there and then, and who could not read the first rating yet."
            raise problem("whom", text)
        with recording(actor=actor, kind="observation.second_asked", subject=row.uuid) as rec:
            made = SecondAsked.objects.create(observation=row, whom=whom, by=actor, known_from_id=rec.seq)
            rec.content |= {"whom": str(whom.uuid)}
            stale.touch(cause=rec.kind, act=rec.seq)
            return made


def decline(*, actor: User, observation: Observation) -> None:
    """Say that one did not watch it too. Raises NotPermitted for somebody not asked, Problems if it is begun."""
    with transaction.atomic():
        lock(Clinician(pk=observation.clinician_id))
        asked = SecondAsked.objects.known().filter(observation=observation, whom=actor).first()
        if asked is None:
            raise NotPermitted(f"{actor.pk} is not asked for a second rating of {observation.uuid}")
        if Observation.objects.known().filter(second_of=observation, assessor=actor).exists():
            raise problem("", "You began this rating: give that up first.")
        with recording(actor=actor, kind="observation.second_declined", subject=observation.uuid) as rec:
            SecondAsked.objects.filter(pk=asked.pk).update(known_until_id=rec.seq, declined=True)
            stale.touch(cause=rec.kind, act=rec.seq)


def waits_for(observation: Observation, user: User) -> bool:
    return SecondAsked.objects.known().filter(observation=observation, whom=user).exists()


def asked_of(access: Access) -> list[SecondAsked]:
    """What this user is asked to score and has not begun, the oldest first."""
    begun = Observation.objects.known().filter(assessor=access.user, second_of__isnull=False)
    rows = SecondAsked.objects.known().filter(whom=access.user).exclude(observation__in=begun.values("second_of"))
    return list(rows.select_related("observation__clinician", "observation__procedure", "by").order_by("pk"))
