"""Whose standing the acts about evidence may change, and whose entries count otherwise when people's facts change."""

from django.db.models import Q

from audits.models import Award, ScopeByRole
from audits.outcomes import touched_by_supervising
from people import stale
from people.models import Appointment, Clinician

# Facts of people on which supervising rests: role, place, kind of placement, absence, profession, whose account it is.
SUPERVISING_RESTS_ON = (
    "account.opened",
    "appointment.ended",
    "appointment.made",
    "absence.set",
    "clinician.changed",
    "placement.set",
    "staff.imported",
    "unit.changed",
)


def register_all() -> None:
    for kind in (
        "completion.recorded",
        "completion.withdrawn",
        "completions.imported",
        "correction.decided",
        "dispute.opened",
        "dispute.ruled",
        "dispute.taken_back",
        "insertion.corrected",
        "insertion.recorded",
        "logbook.imported",
        "observation.dispute_ruled",
        "observation.disputed",
        "observation.dispute_taken_back",
        "observation.signed",
        "statement.signed",
        "statements.reconsidered",
        "tally.noted",
    ):
        stale.register(kind, stale.SELF)
    # Until it is decided the old version stands; what is begun, asked or said of an observation counts for nothing.
    for kind in (
        "correction.proposed",
        "correction.taken_back",
        "dispute.answered",
        "observation.acknowledged",
        "observation.begun",
        "observation.dispute_answered",
        "observation.dropped",
        "observation.replied",
        "observation.second_asked",
        "observation.second_declined",
    ):
        stale.register(kind, stale.NOBODY)
    for kind in SUPERVISING_RESTS_ON:
        stale.register(kind, touched_by_supervising)
    stale.register("unit.changed", holding_below)


def holding_below(change: stale.Change) -> frozenset[int]:
    """Those for whom what covers what is other than before, since a unit moved, wherever they work.

    Who holds an award or a scope there, whose profession has one there, and who is appointed there.
    """
    scopes = ScopeByRole.objects.known().filter(unit__in=change.units)
    appointed = Appointment.objects.known().filter(unit__in=change.units)
    whose = Clinician.objects.filter(
        Q(pk__in=Award.objects.known().filter(scope_unit__in=change.units).values("clinician"))
        | Q(pk__in=scopes.filter(clinician__isnull=False).values("clinician"))
        | Q(profession__in=scopes.exclude(profession="").values("profession"))
        | Q(user__in=appointed.values("user"))
    )
    return frozenset(whose.values_list("pk", flat=True))
