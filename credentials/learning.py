"""Learning that began before its programme: noted at once, and an enrolment as soon as a first programme binds at home.

On the first day a staff list says who has been learning what since when, and the programme is approved only afterwards,
by a second person. Then the enrolment keeps the day on which the learning began, under that first programme, though it
took effect later: there were no other terms. Learning that begins under a programme takes the version of its first day,
as everywhere (`enrolling`).
"""

from datetime import date

from audits.models import Procedure
from credentials.documents import programmes_known
from credentials.enrolling import add_enrolment, home_unit, programme_for
from credentials.models import Enrolment, Learning, Programme
from ledger.acts import Recording
from people.models import Clinician, User
from people.problems import Problems, problem
from people.tree import tree


def add_learning(
    rec: Recording, *, clinician: Clinician, procedure: Procedure, from_day: date, entered_by: User
) -> Enrolment | Learning:
    """Enrol somebody within an open act, or note that they learn until a programme is approved. Raises Problems.

    The caller holds the clinician's lock and decided that it may be.
    """
    version = programme_for(clinician, procedure, from_day) or first_programme(clinician, procedure, from_day)
    if version is not None:
        return add_enrolment(rec, clinician=clinician, procedure=procedure, from_day=from_day, programme=version)
    if Learning.objects.known().filter(clinician=clinician, procedure=procedure).exists():
        raise problem("procedure", f"{clinician.name} waits for a programme for {procedure.name} already.")
    return Learning.objects.create(
        clinician=clinician, procedure=procedure, from_day=from_day, entered_by=entered_by, known_from_id=rec.seq
    )


def first_programme(clinician: Clinician, procedure: Procedure, on: date) -> Programme | None:
    """The first version that ever binds at the clinician's home: the terms for learning that is older than all."""
    home = home_unit(clinician, on)
    if home is None:
        return None
    rows = [row for row in programmes_known().rows if row.procedure_id == procedure.pk]
    for unit in tree().above(home):
        here = sorted((row for row in rows if row.unit_id == unit), key=lambda row: (row.effective_on, row.version))
        if here:
            return here[0]
    return None


def waiting_for(programme: Programme) -> list[Learning]:
    """Those whose learning waits for a programme at this unit, their clinicians locked: call it before the act."""
    below = tree().below(programme.unit_id)
    rows = Learning.objects.known().filter(procedure=programme.procedure_id).select_related("clinician", "procedure")
    found = [row for row in rows.order_by("clinician") if home_unit(row.clinician, row.from_day) in below]
    list(Clinician.objects.select_for_update().filter(pk__in=[row.clinician_id for row in found]).order_by("pk"))
    return found


def open_waiting(rec: Recording, waiting: list[Learning]) -> list[Enrolment]:
    """Enrol them, in the act that approved their programme. Who was enrolled otherwise meanwhile waits no more."""
    made = []
    for row in waiting:
        version = programme_for(row.clinician, row.procedure, row.from_day)
        version = version or first_programme(row.clinician, row.procedure, row.from_day)
        if version is None or not Learning.objects.known().filter(pk=row.pk).update(known_until_id=rec.seq):
            continue
        try:
            enrolment = add_enrolment(
                rec, clinician=row.clinician, procedure=row.procedure, from_day=row.from_day, programme=version
            )
        except Problems:
            continue
        made.append(enrolment)
        rec.content.setdefault("enrolled", []).append(
            {"clinician": str(row.clinician.uuid), "from": row.from_day.isoformat()}
        )
    return made
