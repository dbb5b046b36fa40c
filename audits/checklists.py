"""Which checklist version binds where and when, with what was retired taken into account."""

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property, lru_cache

from audits import checklist
from audits.models import Checklist, Retirement
from audits.shelf import Shelf, approved


@dataclass(frozen=True, eq=False)
class Checklists:
    """All approved versions and what was retired, as known at one moment: no question to it costs a query."""

    rows: tuple[Checklist, ...]
    retirements: tuple[Retirement, ...]

    @cached_property
    def _retired(self) -> Mapping[int, list[Retirement]]:
        found = defaultdict(list)
        for each in self.retirements:
            found[each.checklist_id].append(each)
        return found

    @cached_property
    def _by_day(self) -> dict[date, Shelf[Checklist]]:
        return {}

    def is_retired(self, row: Checklist, on: date) -> bool:
        """Whether this version is out of use on a day: retired, and confirmed or not yet lapsed or refused."""
        return any(_holds(each, on) for each in self._retired.get(row.pk, ()))

    def binding(self, procedure: int, above: Sequence[int], on: date) -> Checklist | None:
        """The version in force on this day at the first of these units (self first, root last) that has one.

        A retired version gives way to the one before it, and then to the units above.
        """
        if on not in self._by_day:
            self._by_day[on] = Shelf(tuple(each for each in self.rows if not self.is_retired(each, on)))
        return self._by_day[on].binding(procedure, above, on)


def checklists_known(known: int | None = None) -> Checklists:
    """Every approved checklist and retirement, as known now or at that number. Two queries."""
    retirements: Iterable[Retirement] = Retirement.objects.known(known).order_by("id")
    if known is not None:
        # A decision that nobody knew of then is none.
        retirements = [_as_known(each, known) for each in retirements]
    return Checklists(tuple(approved(Checklist, known)), tuple(retirements))


def parsed(row: Checklist) -> checklist.Checklist:
    """The steps of this version."""
    return _parsed(row.content)


def _holds(row: Retirement, on: date) -> bool:
    if on < row.from_day:
        return False
    if row.confirmed is False:
        return row.decided_on is None or on < row.decided_on
    return bool(row.confirmed) or on < row.lapses_on


def _as_known(row: Retirement, known: int) -> Retirement:
    if row.decided_id is not None and row.decided_id > known:
        row.decided_id = row.decided_by_id = row.decided_on = row.confirmed = None
    return row


@lru_cache(maxsize=256)
def _parsed(content: str) -> checklist.Checklist:
    return checklist.Checklist.parse(json.loads(content))
