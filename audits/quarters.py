"""Quarters of a calendar year. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

_MONTHS = ("January to March", "April to June", "July to September", "October to December")


@dataclass(frozen=True, order=True, slots=True)
class Quarter:
    """One quarter: `number` from 1 to 4. Quarters order in time."""

    year: int
    number: int

    def __post_init__(self) -> None:
        if not 1 <= self.number <= 4:
            raise ValueError(f"a year has quarters 1 to 4, not {self.number}")

    @classmethod
    def of(cls, day: date) -> "Quarter":
        return cls(day.year, (day.month - 1) // 3 + 1)

    @classmethod
    def parse(cls, code: str) -> "Quarter":
        """The quarter of a code such as '2026-1'. Raises ValueError."""
        year, _, number = code.partition("-")
        if not (year.isascii() and year.isdigit() and number in ("1", "2", "3", "4")):
            raise ValueError(f"{code!r} is no quarter, such as 2026-1")
        return cls(int(year), int(number))

    @property
    def code(self) -> str:
        return f"{self.year}-{self.number}"

    @property
    def words(self) -> str:
        """January to March 2026."""
        return f"{_MONTHS[self.number - 1]} {self.year}"

    @property
    def first(self) -> date:
        return date(self.year, 3 * self.number - 2, 1)

    @property
    def last(self) -> date:
        return self.later(1).first - timedelta(days=1)

    def later(self, by: int) -> "Quarter":
        """The quarter so many quarters on, or back where `by` is negative."""
        place = 4 * self.year + self.number - 1 + by
        return Quarter(place // 4, place % 4 + 1)


def through(first: Quarter, last: Quarter) -> Iterator[Quarter]:
    """Every quarter from the first to the last, both included; none if the last lies before the first."""
    while first <= last:
        yield first
        first = first.later(1)
