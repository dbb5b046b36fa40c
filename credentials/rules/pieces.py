"""Pieces of evidence, each with what it gives to a line of progress, and why, or why not."""

from datetime import date
from enum import StrEnum
from typing import NamedTuple

from audits.figures import Row

IN_QUESTION = "the supervisor was found not eligible: in question, counted until an educator decides"
TO_COME = "its day is still to come"
BEFORE_LEARNING = "from before this enrolment"
BEFORE_WITHDRAWAL = "from before the withdrawal"


class Kind(StrEnum):
    """What a piece is, and so what its key names."""

    ENTRY = "entry"  # key of the version of an insertion
    COMPLETION = "completion"  # UUID
    OBSERVATION = "observation"  # UUID
    RECOGNISED = "recognised"  # UUID
    TALLY = "tally"  # no key


class Entered(NamedTuple):
    """An entry as it is counted, and in words why it gives no credit or no volume ('' where it does)."""

    row: Row
    simulation: bool = False
    no_credit: str = ""
    no_volume: str = ""

    @property
    def day(self) -> date:
        return date.fromordinal(self.row.day)


class Piece(NamedTuple):
    """One piece of evidence: what it gives to a line (0: it does not count), and why. `outside`: of another time."""

    kind: Kind
    key: int | str
    day: date
    counts: int
    why: str
    outside: bool = False


class Time(NamedTuple):
    """The days that are counted: from `since` through `on`. `before` says why what is earlier is not."""

    since: date
    on: date
    before: str
    withdrawn: date | None = None

    def outside(self, day: date) -> str:
        """Why a day is no part of it; '' if it is."""
        if day > self.on:
            return TO_COME
        if day >= self.since:
            return ""
        return BEFORE_WITHDRAWAL if self.withdrawn is not None and day <= self.withdrawn else self.before
