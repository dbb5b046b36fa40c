"""Whose standing the acts about evidence may change, and whose entries count otherwise when people's facts change."""

from audits.models import Award, ScopeByRole
from audits.outcomes import touched_by_supervising
from people import stale

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
        "correction.decided",
        "dispute.opened",
        "dispute.taken_back",
        "insertion.corrected",
        "insertion.recorded",
        "logbook.imported",
        "statement.signed",
    ):
        stale.register(kind, stale.SELF)
    # Until it is decided the old version stands.
    for kind in ("correction.proposed", "correction.taken_back", "procedure.opened"):
        stale.register(kind, stale.NOBODY)
    for kind in SUPERVISING_RESTS_ON:
        stale.register(kind, touched_by_supervising)
    stale.register("unit.changed", holding_below)


def holding_below(change: stale.Change) -> frozenset[int]:
    """Who holds an award or scope on a unit that moved: what covers it is other than before, wherever they work."""
    awards = Award.objects.known().filter(scope_unit__in=change.units)
    scopes = ScopeByRole.objects.known().filter(unit__in=change.units, clinician__isnull=False)
    return frozenset(awards.values_list("clinician", flat=True)) | frozenset(scopes.values_list("clinician", flat=True))
