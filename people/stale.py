"""The outbox: whose standing may have changed, and by which act.

A write calls `touch` with those whom it touches itself. Who else is touched by an act of that kind is said once, in the
registry: every app registers its kinds of act when it starts, and may add to a kind of an app below.
"""

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from datetime import date

from people.models import Clinician, Stale

SELF = "those whom the write names"
NOBODY = "nobody: no standing depends on it"


@dataclass(frozen=True)
class Change:
    """What an act changed, as far as others' standings may depend on it. `units` come with all below."""

    kind: str
    act: int
    clinicians: frozenset[int] = frozenset()
    procedure: int | None = None
    user: int | None = None
    units: frozenset[int] = frozenset()
    from_day: date | None = None
    until_day: date | None = None


Who = Callable[[Change], Iterable[int]]

_notes: dict[str, str] = {}
_others: dict[str, list[Who]] = {}


def register(kind: str, who: str | Who) -> None:
    """Say who is touched by a kind of act: a note (those whom the write names, or nobody), or who else, as a function.

    A kind needs one note or function at least, and may have more. The function gets the `Change` inside the transaction
    of the act and returns clinicians' ids.
    """
    if isinstance(who, str):
        _notes[kind] = who
    elif who not in _others.setdefault(kind, []):
        _others[kind].append(who)


def registered() -> frozenset[str]:
    """The kinds of act of which the registry says who is touched."""
    return frozenset(_notes) | frozenset(_others)


def touch(
    clinicians: Iterable[int | Clinician] = (),
    *,
    cause: str,
    act: int,
    procedure: int | None = None,
    user: int | None = None,
    units: Collection[int] = frozenset(),
    from_day: date | None = None,
    until_day: date | None = None,
) -> frozenset[int]:
    """Put into the outbox these clinicians and whoever else the registry says; return their ids.

    `procedure` None means every procedure. Raises ValueError for a cause that no app registered.
    """
    if cause not in registered():
        raise ValueError(f"No app says who is touched by {cause!r}: call people.stale.register")
    direct = frozenset(each.pk if isinstance(each, Clinician) else each for each in clinicians)
    change = Change(cause, act, direct, procedure, user, frozenset(units), from_day, until_day)
    others = {each for who in _others.get(cause, []) for each in who(change)}
    everybody = direct | others
    Stale.objects.bulk_create(
        [Stale(clinician_id=each, procedure=procedure, cause=cause, act_id=act) for each in sorted(everybody)],
        batch_size=500,
    )
    return everybody


def pending(clinicians: Collection[int] | None = None) -> frozenset[tuple[int, int | None]]:
    """(clinician, procedure or None for all) that wait, of these clinicians or of everybody."""
    rows = Stale.objects.all() if clinicians is None else Stale.objects.filter(clinician__in=clinicians)
    return frozenset(rows.values_list("clinician", "procedure"))


def waiting() -> list[Stale]:
    """The rows that wait, oldest first. Read them before the evidence; then `clear` these and no others."""
    return list(Stale.objects.order_by("id"))


def clear(ids: Collection[int]) -> None:
    """Take away rows whose evidence has been read since. Others, put in meanwhile, stay."""
    ordered = sorted(ids)
    for start in range(0, len(ordered), 500):
        Stale.objects.filter(id__in=ordered[start : start + 500]).delete()
