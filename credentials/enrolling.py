"""Enrolling: somebody begins to learn a procedure under the terms of one programme version, which then stay theirs."""

from collections.abc import Sequence
from datetime import date

from django.db import transaction

from audits.freetext import text_problems
from audits.models import Procedure
from credentials.documents import programmes_known
from credentials.models import Enrolment, Programme
from ledger.acts import Recording, recording
from people import stale
from people.access import Right, access_of
from people.clock import in_words
from people.models import Clinician, User
from people.problems import Problems, problem
from people.tree import tree


def programme_for(clinician: Clinician, procedure: Procedure, on: date) -> Programme | None:
    """The programme version in effect on this day at the clinician's home unit."""
    home = home_unit(clinician, on)
    return programmes_known().binding(procedure.pk, tree().above(home), on) if home is not None else None


def home_unit(clinician: Clinician, on: date) -> int | None:
    """The home unit of that day; without a placement the last home, else the first to come."""
    homes = list(clinician.placements.known().filter(home=True).order_by("from_day").values_list("from_day", "unit"))
    begun = [unit for day, unit in homes if day <= on]
    return begun[-1] if begun else next((unit for _, unit in homes), None)


def enrol(*, actor: User, clinician: Clinician, procedure: Procedure, from_day: date) -> Enrolment:
    """Enrol a clinician under the programme in effect at home that day. Raises NotPermitted, Problems."""
    access_of(actor).require_about(Right.DECIDE, clinician)
    with transaction.atomic():
        Clinician.objects.select_for_update().get(pk=clinician.pk)
        with recording(actor=actor, kind="enrolment.opened", subject=clinician.uuid) as rec:
            made = add_enrolment(rec, clinician=clinician, procedure=procedure, from_day=from_day)
            rec.content |= {
                "procedure": procedure.code,
                "programme": str(made.programme.uuid),
                "from": from_day.isoformat(),
            }
            return made


def add_enrolment(
    rec: Recording,
    *,
    clinician: Clinician,
    procedure: Procedure,
    from_day: date,
    programme: Programme | None = None,
) -> Enrolment:
    """The same within an act that is already open. Raises Problems; the caller holds the clinician's lock."""
    version = programme or programme_for(clinician, procedure, from_day)
    if version is None:
        raise problem(
            "programme",
            f"No programme for {procedure.name} is in effect at the home unit on {in_words(from_day)}: "
            "have one approved first, or choose a later day.",
        )
    standing = Enrolment.objects.known().filter(clinician=clinician, procedure=procedure)
    if standing.filter(until_day=None).exists() or standing.filter(until_day__gt=from_day).exists():
        raise problem("procedure", f"{clinician.name} is enrolled for {procedure.name} already.")
    made = Enrolment.objects.create(
        clinician=clinician, procedure=procedure, programme=version, from_day=from_day, known_from_id=rec.seq
    )
    stale.touch([clinician], procedure=procedure.pk, cause=rec.kind, act=rec.seq)
    return made


def add_enrolments(
    rec: Recording, clinicians: Sequence[Clinician], *, procedure: Procedure, programme: Programme, from_day: date
) -> list[Enrolment]:
    """Many at once under one version, in a fixed number of queries. The caller saw to it that each may be enrolled."""
    made = Enrolment.objects.bulk_create(
        [
            Enrolment(
                clinician=each, procedure=procedure, programme=programme, from_day=from_day, known_from_id=rec.seq
            )
            for each in clinicians
        ]
    )
    stale.touch(clinicians, procedure=procedure.pk, cause=rec.kind, act=rec.seq)
    return made


def end_enrolment(*, actor: User, enrolment: Enrolment, until_day: date, reason: str) -> Enrolment:
    """Close an enrolment, from this day on. Raises NotPermitted, Problems."""
    access_of(actor).require_about(Right.DECIDE, enrolment.clinician)
    reason = reason.strip()
    if found := text_problems("reason", reason, longest=300, asked="Say why it ends."):
        raise Problems(found)
    with transaction.atomic():
        Clinician.objects.select_for_update().get(pk=enrolment.clinician_id)
        with recording(actor=actor, kind="enrolment.closed", subject=enrolment.clinician.uuid) as rec:
            rec.content |= {"procedure": enrolment.procedure.code, "until": until_day.isoformat()}
            rec.personal = {"reason": reason}
            return close_enrolment(rec, enrolment=enrolment, until_day=until_day)


def close_enrolment(rec: Recording, *, enrolment: Enrolment, until_day: date) -> Enrolment:
    """The same within an act that is already open: an award ends the learning that led to it."""
    row = Enrolment.objects.known().filter(uuid=enrolment.uuid, until_day=None).first()
    if row is None:
        raise problem("", "This enrolment has ended already.")
    if until_day < row.from_day:
        raise problem("until_day", f"It began on {in_words(row.from_day)}: choose that day or later.")
    Enrolment.objects.filter(pk=row.pk).update(known_until_id=rec.seq)
    made = Enrolment.objects.create(
        uuid=row.uuid,
        clinician_id=row.clinician_id,
        procedure_id=row.procedure_id,
        programme_id=row.programme_id,
        from_day=row.from_day,
        until_day=until_day,
        known_from_id=rec.seq,
    )
    stale.touch([row.clinician_id], procedure=row.procedure_id, cause=rec.kind, act=rec.seq)
    return made
