"""Days away: dates only, no reason."""

from datetime import date

from django.db import transaction

from ledger.acts import Recording, recording
from people import stale
from people.access import Right, access_of
from people.clock import in_words
from people.models import Absence, Clinician, User
from people.problems import Problem, Problems, problem
from people.spans import again, check_end, day, lock, overlapping, span_problems, standing, swap


def set_absence(*, actor: User, clinician: Clinician, from_day: date, until_day: date | None) -> Absence:
    """Note days away: dates, no reason. Raises NotPermitted, Problems."""
    access_of(actor).require_about(Right.PLACE, clinician)
    with transaction.atomic():
        lock(clinician)
        with recording(actor=actor, kind="absence.set", subject=clinician.uuid) as rec:
            made = add_absence(rec, clinician=clinician, from_day=from_day, until_day=until_day)
            rec.content |= {"from_day": day(from_day), "until_day": day(until_day)}
            return made


def add_absence(rec: Recording, *, clinician: Clinician, from_day: date, until_day: date | None) -> Absence:
    """The same within an act that is already open."""
    found = span_problems(from_day, until_day)
    same = Absence.objects.known().filter(overlapping(from_day, until_day), clinician=clinician)
    if not found and (other := same.first()) is not None:
        found.append(Problem("from_day", f"An absence from {in_words(other.from_day)} lies in these days: change it."))
    if found:
        raise Problems(found)
    made = Absence.objects.create(clinician=clinician, from_day=from_day, until_day=until_day, known_from_id=rec.seq)
    stale.touch([clinician.pk], cause=rec.kind, act=rec.seq, from_day=from_day, until_day=until_day)
    return made


def end_absence(*, actor: User, absence: Absence, until_day: date | None) -> Absence:
    """Let an absence end on another day; the day on which it began means that it never was.

    Raises NotPermitted, Problems.
    """
    clinician = absence.clinician
    access_of(actor).require_about(Right.PLACE, clinician)
    with transaction.atomic():
        lock(clinician)
        now = standing(absence)
        check_end(now, until_day)
        others = Absence.objects.known().filter(overlapping(now.from_day, until_day), clinician=clinician)
        if others.exclude(pk=now.pk).exists():
            raise problem("until_day", "Another absence begins before that day.")
        with recording(actor=actor, kind="absence.set", subject=clinician.uuid) as rec:
            changed = again(now, rec, until_day=until_day)
            swap([now], [changed], rec)
            rec.content |= {"from_day": day(now.from_day), "until_day": day(until_day),
                            "was_until": day(now.until_day)}  # fmt: skip
            stale.touch([clinician.pk], cause=rec.kind, act=rec.seq, from_day=now.from_day)
            return changed
