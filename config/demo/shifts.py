"""When insertions happen: by hour, weekday and month, for each kind of unit. Local times, invented weights.

The hour `plan.NO_HOUR` holds none: where the clocks change it is there twice or not at all.
"""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np

_WARD_HOURS = (2, 2, 0, 1, 1, 2, 4, 6, 9, 10, 9, 7, 6, 6, 7, 7, 6, 5, 5, 5, 4, 4, 3, 3)
_DOOR_HOURS = (4, 3, 0, 2, 2, 2, 2, 3, 5, 6, 7, 7, 7, 7, 7, 7, 7, 8, 8, 8, 7, 7, 6, 5)
_LIST_HOURS = (0, 0, 0, 0, 0, 0, 1, 10, 14, 11, 9, 8, 5, 8, 6, 3, 1, 0, 0, 0, 0, 0, 0, 0)
_BIRTH_HOURS = (4, 4, 0, 4, 4, 4, 4, 4, 5, 5, 5, 5, 5, 5, 5, 5, 4, 4, 4, 4, 4, 4, 4, 4)
# January first: southern summer holidays, winter in the middle.
_WINTER = (0.9, 0.9, 0.95, 1.0, 1.05, 1.15, 1.25, 1.2, 1.05, 0.95, 0.9, 0.85)
_HOLIDAYS = (0.6, 1.05, 1.1, 0.95, 1.1, 1.05, 1.0, 1.1, 1.05, 1.05, 1.1, 0.75)
_LEVEL = (1.0,) * 12


@dataclass(frozen=True)
class Pattern:
    """Weights of hours, of weekdays from Monday on, and of months."""

    hours: tuple[float, ...]
    weekdays: tuple[float, ...]
    months: tuple[float, ...]

    def weights(self, first: date, days: int) -> np.ndarray:
        """The weight of each day from `first` on; about 1 in the mean of a year."""
        every = [first + timedelta(days=each) for each in range(days)]
        found = np.array([self.weekdays[day.weekday()] * self.months[day.month - 1] for day in every])
        return found / (np.mean(self.weekdays) * np.mean(self.months))


PATTERNS = {
    "ward": Pattern(_WARD_HOURS, (1.1, 1.1, 1.05, 1.05, 1.0, 0.85, 0.85), _WINTER),
    "emergency": Pattern(_DOOR_HOURS, (1.1, 0.95, 0.95, 0.95, 1.0, 1.05, 1.05), _WINTER),
    "lists": Pattern(_LIST_HOURS, (1.0, 1.1, 1.1, 1.05, 0.95, 0.0, 0.0), _HOLIDAYS),
    "births": Pattern(_BIRTH_HOURS, (1.0,) * 7, _LEVEL),
}


def times_of(rng: np.random.Generator, hours: str, day: date, count: int) -> list[datetime]:
    """So many local times on this day, in order, no two in the same minute."""
    weights = np.array(PATTERNS[hours].hours, dtype=float)
    chosen: set[tuple[int, int]] = set()
    while len(chosen) < count:
        chosen.add((int(rng.choice(24, p=weights / weights.sum())), int(rng.integers(0, 60))))
    return [datetime.combine(day, time(*each)) for each in sorted(chosen)]


def over(rng: np.random.Generator, hours: str, *, yearly: float, first: date, until: date) -> list[datetime]:
    """Local times from `first` until before `until`, about so many in a year: Poisson on each day."""
    days = (until - first).days
    if days <= 0:
        return []
    counts = rng.poisson(yearly / 365 * PATTERNS[hours].weights(first, days))
    return [
        each
        for place in np.flatnonzero(counts)
        for each in times_of(rng, hours, first + timedelta(days=int(place)), int(counts[place]))
    ]


def spread(rng: np.random.Generator, hours: str, count: int, *, first: date, until: date) -> list[datetime]:
    """Exactly so many local times, in order, on days from `first` until before `until`."""
    weights = PATTERNS[hours].weights(first, (until - first).days)
    days = rng.choice(len(weights), size=count, p=weights / weights.sum())
    per_day = np.bincount(days, minlength=len(weights))
    return [
        each
        for place in np.flatnonzero(per_day)
        for each in times_of(rng, hours, first + timedelta(days=int(place)), int(per_day[place]))
    ]
