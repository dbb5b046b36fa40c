"""Whom a form offers as supervisor: those who may supervise there that day first, the others with the reason."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from audits.holding import Refusal, supervisors_of
from audits.models import Insertion, Procedure
from people.models import Clinician, User

NOT_OPEN = "This service has not opened this procedure."


@dataclass(frozen=True, slots=True)
class Candidate:
    """Somebody appointed to supervise on the unit; `refusal` says why they could not countersign, '' if they may."""

    uuid: str
    name: str
    refusal: str = ""


def candidates(
    clinician: Clinician, *, unit: int, procedures: Collection[int], on: date, named: User | None = None
) -> list[Candidate]:
    """Everybody to choose from, never the clinician: who supervised last first, then by name, then who may not.

    With several procedures, whoever may supervise one of them may. `named` is on the list whoever it is. The number of
    queries is fixed.
    """
    lines = supervisors_of(unit, procedures, on)
    users = dict(User.objects.filter(pk__in=[each.user for each in lines]).values_list("pk", "uuid"))
    last = (
        Insertion.objects.known()
        .filter(clinician=clinician, supervisor__isnull=False)
        .order_by("-performed_at", "-pk")
        .values_list("supervisor", flat=True)
        .first()
    )
    able, others = [], []
    for line in sorted(lines, key=lambda each: each.user != last):
        if line.user == clinician.user_id:
            continue
        answers = list(line.answers.values())
        refusals = [each.text for each in answers if isinstance(each, Refusal)]
        if len(refusals) < len(answers):
            able.append(Candidate(str(users[line.user]), line.name))
        else:
            others.append(Candidate(str(users[line.user]), line.name, refusals[0] if refusals else NOT_OPEN))
    found = able + others
    if named is not None and str(named.uuid) not in {each.uuid for each in found}:
        found.append(Candidate(str(named.uuid), named.name, "Not appointed to supervise on this unit that day."))
    return found


def procedures_for(band: str, technique: str) -> list[int]:
    """The procedures meant so far: of this band and technique, as far as either is chosen."""
    rows = Procedure.objects.all()
    if band:
        rows = rows.filter(band=band)
    if technique:
        rows = rows.filter(technique=technique)
    return list(rows.values_list("pk", flat=True))
