"""Days with and without absence. Clocks of recency and volume stand still while somebody is away."""

from collections.abc import Iterable, Iterator
from datetime import date, timedelta

from credentials.rules.facts import Span


def merged(absences: Iterable[Span]) -> list[Span]:
    """The same days as spans that neither touch nor overlap, ascending."""
    if not absences:
        return []  # as for most people, most of the time
    joined: list[Span] = []
    for span in sorted(absences, key=lambda span: span.starts):
        if span.until is not None and span.until <= span.starts:
            continue
        last = joined[-1] if joined else None
        if last and (last.until is None or span.starts <= last.until):
            until = None if last.until is None or span.until is None else max(last.until, span.until)
            joined[-1] = Span(last.starts, until)
        else:
            joined.append(span)
    return joined


def long_absences(absences: Iterable[Span], days: int) -> list[Span]:
    """Absences of at least so many days, those that touch taken as one. One without an end is not over: left out."""
    return [span for span in merged(absences) if span.until is not None and (span.until - span.starts).days >= days]


def days_present(absences: Iterable[Span], *, after: date, through: date) -> int:
    """How many days without absence there are after `after`, up to and with `through`."""
    return sum((last - first).days + 1 for first, last in _present(absences, after=after, through=through))


def day_reaching(absences: Iterable[Span], *, after: date, days: int) -> date | None:
    """The day on which `days` days without absence have passed since `after`; None if an absence has no end yet."""
    left = days
    for first, last in _present(absences, after=after, through=date.max):
        if (last - first).days + 1 >= left:
            return first + timedelta(days=left - 1)
        left -= (last - first).days + 1
    return None


def days_back(absences: Iterable[Span], *, through: date, days: int) -> date:
    """The first day of the shortest stretch that ends with `through` and holds so many days without absence."""
    left = days
    stretches = list(_present(absences, after=date.min, through=through))
    for first, last in reversed(stretches):
        length = (last - first).days + 1
        if length >= left:
            return last - timedelta(days=left - 1)
        left -= length
    return date.min


def _present(absences: Iterable[Span], *, after: date, through: date) -> Iterator[tuple[date, date]]:
    """Stretches without absence after `after` and up to `through`, first and last day of each included."""
    first = after + timedelta(days=1)
    for span in merged(absences):
        if span.starts > through:
            break
        if span.starts > first:
            yield first, span.starts - timedelta(days=1)
        if span.until is None:
            return
        first = max(first, span.until)
    if first <= through:
        yield first, through
