"""Who is appointed to what, on which unit and all below, from when."""

from datetime import date

from django.db import transaction

from ledger.acts import Recording, recording
from people import stale
from people.access import NotPermitted, Right, require
from people.clock import in_words
from people.models import Appointment, Clinician, Unit, User
from people.problems import Problem, Problems
from people.spans import again, changed_days, check_end, day, overlapping, span_problems, standing, swap

Role = Appointment.Role


def appoint(
    *, actor: User, user: User, role: str, unit: Unit, from_day: date, until_day: date | None = None
) -> Appointment:
    """Appoint somebody to a role on a unit and all below. Nobody appoints themselves. Raises NotPermitted, Problems."""
    require(actor, Right.ADMINISTER, unit.pk)
    if actor.pk == user.pk:
        raise NotPermitted(f"{actor.pk} may not appoint themselves")
    with transaction.atomic():
        User.objects.select_for_update().get(pk=user.pk)
        with recording(actor=actor, kind="appointment.made", subject=user.uuid) as rec:
            made = add_appointment(rec, user=user, role=role, unit=unit, from_day=from_day, until_day=until_day)
            rec.content |= _facts(made)
            return made


def add_appointment(
    rec: Recording, *, user: User, role: str, unit: Unit, from_day: date, until_day: date | None = None
) -> Appointment:
    """The same within an act that is already open: an import, or the first administrator."""
    if role not in Role.values:
        raise ValueError(f"role {role!r} is none of {', '.join(Role.values)}")
    found = span_problems(from_day, until_day)
    if not user.is_active:
        found.append(Problem("user", f"{user.name}'s account has ended."))
    same = Appointment.objects.known().filter(overlapping(from_day, until_day), user=user, role=role, unit=unit)
    if not found and (other := same.first()) is not None:
        found.append(Problem("from_day", f"This appointment stands already, from {in_words(other.from_day)}."))
    if found:
        raise Problems(found)
    made = Appointment.objects.create(
        user=user, role=role, unit=unit, from_day=from_day, until_day=until_day, known_from_id=rec.seq
    )
    _touch(rec, made, from_day, until_day)
    return made


def end_appointment(*, actor: User, appointment: Appointment, until_day: date | None) -> Appointment:
    """Let an appointment hold no longer on `until_day` (None: until further notice). Raises NotPermitted, Problems."""
    require(actor, Right.ADMINISTER, appointment.unit_id)
    longer = until_day is None or (appointment.until_day is not None and until_day > appointment.until_day)
    if longer and actor.pk == appointment.user_id:
        raise NotPermitted(f"{actor.pk} may not lengthen an appointment of their own")
    with transaction.atomic():
        User.objects.select_for_update().get(pk=appointment.user_id)
        now = standing(appointment)
        check_end(now, until_day)
        with recording(actor=actor, kind="appointment.ended", subject=now.user.uuid) as rec:
            changed = again(now, rec, until_day=until_day)
            swap([now], [changed], rec)
            rec.content |= _facts(changed) | {"was_until": day(now.until_day)}
            _touch(rec, changed, *changed_days(until_day, now.until_day))
            return changed


def _touch(rec: Recording, appointment: Appointment, from_day: date | None, until_day: date | None) -> None:
    """The appointed person's own standing, and by the registry of those whose statements rest on the appointment."""
    own = Clinician.objects.filter(user=appointment.user_id).values_list("pk", flat=True)
    stale.touch(own, cause=rec.kind, act=rec.seq, user=appointment.user_id, from_day=from_day, until_day=until_day)


def _facts(appointment: Appointment) -> dict[str, str | None]:
    return {
        "role": str(appointment.role),
        "unit": str(appointment.unit.uuid),
        "from_day": day(appointment.from_day),
        "until_day": day(appointment.until_day),
    }
