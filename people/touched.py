"""Whose standing the acts of this app may change."""

from people import stale
from people.models import Placement


def register_all() -> None:
    for kind in ("clinician.opened", "clinician.changed", "placement.set", "absence.set", "staff.imported"):
        stale.register(kind, stale.SELF)
    # Beside the appointed person: those whose statements rest on the appointment, which audits adds.
    for kind in ("appointment.made", "appointment.ended"):
        stale.register(kind, stale.SELF)
    # An account joined to a clinician: that clinician's entries and statements are by the same person.
    stale.register("account.opened", stale.SELF)
    for kind in (
        "account.invited",
        "account.accepted",
        "account.changed",
        "account.ended",
        "account.restored",
        "export.made",
    ):
        stale.register(kind, stale.NOBODY)
    stale.register("unit.opened", stale.NOBODY)
    for kind in ("unit.changed", "setting.set"):
        stale.register(kind, placed_below)


def placed_below(change: stale.Change) -> frozenset[int]:
    """Everybody with a placement, whenever, on the units of a change: a standing also follows the last home."""
    return frozenset(Placement.objects.known().filter(unit__in=change.units).values_list("clinician", flat=True))
