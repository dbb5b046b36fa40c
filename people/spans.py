"""Writing dated facts: the checks and the two steps (close a version, write the next) that all of them share."""

from datetime import date
from typing import Any, TypeVar

from django.db.models import Q, QuerySet

from ledger.acts import Recording
from people.clock import in_words
from people.models import Clinician, Spanned
from people.problems import Problem, problem

Row = TypeVar("Row", bound=Spanned)


def lock(clinician: Clinician) -> Clinician:
    """Take the clinician's lock, which puts in line those who change the same person's dated facts."""
    return Clinician.objects.select_for_update().get(pk=clinician.pk)


def again(row: Row, rec: Recording, *, other: bool = False, **changes: Any) -> Row:
    """The next version of a row, not saved yet; with `other` the beginning of another fact like it."""
    fields = {
        field.attname: getattr(row, field.attname) for field in row._meta.concrete_fields if not field.primary_key
    }
    if other:
        del fields["uuid"]
    return type(row)(**{**fields, "known_from_id": rec.seq, "known_until_id": None, **changes})


def swap(closed: list[Row], made: list[Row], rec: Recording) -> None:
    """Close these versions, then write those."""
    for old in closed:
        type(old)._default_manager.filter(pk=old.pk, known_until=None).update(known_until_id=rec.seq)
    for new in made:
        new.save(force_insert=True)


def standing(row: Row) -> Row:
    """This version, if it is known still: call it under the lock of its subject. Raises Problems if it was replaced."""
    rows: QuerySet[Row] = type(row)._default_manager.filter(pk=row.pk, known_until=None)  # type: ignore[assignment]
    found = rows.first()
    if found is None:
        raise problem("", "Somebody changed this meanwhile: look at it again.")
    return found


def span_problems(from_day: date, until_day: date | None) -> list[Problem]:
    if until_day is not None and until_day < from_day:
        return [Problem("until_day", f"The last day lies before the first, {in_words(from_day)}.")]
    return []


def check_end(row: Spanned, until_day: date | None) -> None:
    """Raises Problems if the row would end before it began. To end on its first day means that it never was."""
    if until_day is not None and until_day < row.from_day:
        raise problem("until_day", f"It began on {in_words(row.from_day)}: give that day or a later one.")


def overlapping(from_day: date, until_day: date | None) -> Q:
    """Rows with a day in common with this interval."""
    ends_after = Q(until_day=None) | Q(until_day__gt=from_day)
    return ends_after if until_day is None else ends_after & Q(from_day__lt=until_day)


def overlap(one: Spanned, other: Spanned) -> bool:
    return (one.until_day is None or other.from_day < one.until_day) and (
        other.until_day is None or one.from_day < other.until_day
    )


def changed_days(one: date | None, other: date | None) -> tuple[date | None, date | None]:
    """The days from the earlier to the later of two ends (None: no end)."""
    ends = [each for each in (one, other) if each is not None]
    if not ends:
        return None, None
    return min(ends), (max(ends) if len(ends) == 2 else None)


def day(value: date | None) -> str | None:
    return None if value is None else value.isoformat()
