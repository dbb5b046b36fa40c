"""The logging fortnight: the fourteen days of each quarter in which holders log every insertion. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from audits.quarters import Quarter, through

DAYS = 14
LATEST = 77  # from there on fourteen days still lie in the shortest quarter: 90 days, January to March
_A_DAY = timedelta(days=1)


@dataclass(frozen=True, order=True, slots=True)
class Fortnight:
    """Days `first` to `last`, both included."""

    first: date
    last: date

    def holds(self, day: date) -> bool:
        return self.first <= day <= self.last


def fortnight_of(quarter: Quarter, *, begins: int) -> Fortnight:
    """The fortnight of a quarter that begins on this day of it, counted from 1.

    Raises ValueError if `begins` is not from 1 to 77: later, it would run into the next quarter.
    """
    if not 1 <= begins <= LATEST:
        raise ValueError(f"a fortnight begins on day 1 to {LATEST} of its quarter, not {begins}")
    first = quarter.first + (begins - 1) * _A_DAY
    return Fortnight(first, first + (DAYS - 1) * _A_DAY)


def fortnights(first: date, last: date, *, begins: int) -> Iterator[Fortnight]:
    """Those with a day from `first` to `last`, both included, each as a whole; none if `last` lies before `first`."""
    if last < first:
        return
    for quarter in through(Quarter.of(first), Quarter.of(last)):
        found = fortnight_of(quarter, begins=begins)
        if found.first <= last and first <= found.last:
            yield found


def fortnight_on(day: date, *, begins: int) -> Fortnight | None:
    """The fortnight in which this day lies, if it lies in one."""
    return next(fortnights(day, day, begins=begins), None)


def next_fortnight(day: date, *, begins: int) -> Fortnight:
    """The first that begins after this day."""
    quarter = Quarter.of(day)
    found = fortnight_of(quarter, begins=begins)
    return found if found.first > day else fortnight_of(quarter.later(1), begins=begins)
