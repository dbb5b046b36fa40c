"""Who sees what of a person: the answer, how far they are, why, their figures. Each part only with the right to it."""

from dataclasses import dataclass

from django.db.models import Q

from audits.models import Insertion
from people.access import Access, Right, Role
from people.models import Appointment, Clinician, ClinicianQuerySet

OVERSEEING = (Role.EDUCATOR, Role.MANAGER, Role.AUDITOR)
ASKED = (Role.EDUCATOR, Role.MANAGER, Role.ADMINISTRATOR)


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What a user may see of a person, from little to much, and what they may do about them.

    `progress` is terms and status; `reasons` why the answer is what it is; `figures` rates, drift, findings and flags.
    """

    is_self: bool
    progress: bool
    reasons: bool
    figures: bool
    decides: bool
    founds: bool


def seen_by(access: Access, clinician: Clinician) -> Seen:
    """What this user may see of this person. Five queries at most."""

    def holds(people: ClinicianQuerySet) -> bool:
        return people.filter(pk=clinician.pk).exists()

    own = access.is_self(clinician)
    reasons = own or holds(overseen(access))
    return Seen(
        is_self=own,
        progress=reasons or holds(followed(access)),
        reasons=reasons,
        figures=access.may_about(Right.FIGURES, clinician),
        decides=access.may_about(Right.DECIDE, clinician),
        founds=access.may_about(Right.FOUND, clinician),
    )


def overseen(access: Access) -> ClinicianQuerySet:
    """Those whose reasons this user may read: oneself, and as educator, manager or auditor those of one's units."""
    return Clinician.objects.all().belonging(access.units(*OVERSEEING), access.on, besides=_self(access))


def followed(access: Access) -> ClinicianQuerySet:
    """Those whose progress this user may know: those overseen; as assessor those of one's units; and in the hospital
    those who name this user as their supervisor.
    """
    named = Insertion.objects.known().filter(supervisor=access.user).values("clinician")
    units = access.units(*OVERSEEING, Role.ASSESSOR)
    here = Clinician.objects.all().belonging(units, access.on, besides=_self(access))
    return access.in_scope().filter(Q(pk__in=here.values("pk")) | Q(pk__in=named))


@dataclass(frozen=True)
class Asked:
    """Somebody who may be asked: by name, as what, for which part of the group."""

    name: str
    role: str
    path: str


def whom_to_ask(access: Access) -> list[Asked]:
    """The educators, managers and administrators of where this user works, nearest first."""
    at = [each.unit_id for each in access.placements] + [each.unit_id for each in access.appointments]
    above = {unit: distance for each in at for distance, unit in enumerate(access.tree.above(each))}
    rows = Appointment.objects.known().on(access.on).filter(role__in=ASKED, unit__in=above).exclude(user=access.user)
    found: list[Appointment] = list(rows.select_related("user"))
    places = [role.value for role in ASKED]
    found.sort(key=lambda row: (above[row.unit_id], places.index(row.role), row.user.name))
    return [Asked(row.user.name, row.get_role_display(), access.tree.path(row.unit_id)) for row in found]


def _self(access: Access) -> list[int]:
    return [access.clinician.pk] if access.clinician else []
