"""Cover: how many who may insert alone a unit needs, has, and will have if nobody renews; and what it needs next.

A unit's own people are those employed there; agency, bank and locum staff are counted apart and cover no need.
Students count nowhere. What is needed is a setting of the unit, inherited.
"""

import json
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from audits.calendar import add_months
from audits.holding import SUPERVISING, holdings
from audits.models import Procedure
from credentials.models import Standing
from credentials.rules.answers import Answer
from credentials.rules.body import from_body
from credentials.rules.standing import Standing as Judged
from credentials.rules.standing import answer_ahead
from credentials.year_ahead import APART, months_from
from people import settings
from people.access import Access, Right
from people.clock import in_words
from people.models import Appointment, Placement

NOTHING = "nothing in the year ahead"


@dataclass(frozen=True, slots=True)
class Count:
    """How many may insert alone: the unit's own people, and agency, bank and locum staff."""

    own: int
    apart: int

    @property
    def words(self) -> str:
        return f"{self.own} (+{self.apart})" if self.apart else str(self.own)


@dataclass(frozen=True, kw_only=True)
class Cover:
    """One unit and procedure. `needed` and `supervisors_needed` are None where nothing is set.

    `month_ends` are how many there will be at the end of each of twelve months if nobody renews; `short_on` is the
    first day on which the unit's own people are fewer than needed, if it lies ahead.
    """

    unit: int
    path: str
    procedure: Procedure
    needed: int | None
    today: Count
    month_ends: Sequence[Count]
    short_on: date | None
    renewals: int
    supervisors: int
    supervisors_needed: int | None

    @property
    def name(self) -> str:
        return self.path.rpartition(" / ")[2]

    @property
    def where(self) -> str:
        """What the unit lies in, '' for a hospital."""
        return self.path.rpartition(" / ")[0]

    @property
    def is_short(self) -> bool:
        return self.needed is not None and self.today.own < self.needed

    @property
    def next(self) -> str:
        """What the unit needs next, in words."""
        return "; ".join(self._needs()) or NOTHING

    def _needs(self) -> Iterator[str]:
        if self.needed is not None and self.is_short:
            more = self.needed - self.today.own
            yield f"{_people(more)} more who may insert alone (have {self.today.own}, need {self.needed})"
        if self.needed is not None and self.short_on is not None:
            by = in_words(self.short_on - timedelta(days=1))
            yield f"{self.renewals} {'renewal' if self.renewals == 1 else 'renewals'} by {by} to keep {self._kept()}"
        if self.supervisors_needed is not None and self.supervisors < self.supervisors_needed:
            more = self.supervisors_needed - self.supervisors
            yield f"{more} {'supervisor' if more == 1 else 'supervisors'} more to have {self.supervisors_needed}"

    def _kept(self) -> int:
        assert self.needed is not None
        return min(self.needed, self.today.own)


def cover(access: Access) -> list[Cover]:
    """Each unit without units below that this user oversees, and each procedure for which something is needed there.

    Standings are read as stored. The number of queries does not grow with units or people.
    """
    asked = list(_asked(access))
    if not asked:
        return []
    ends = _month_ends(access.on)
    placed = _placed({unit for unit, *_ in asked}, access.on, ends[-1])
    standings = _standings({each.clinician_id for rows in placed.values() for each in rows})
    supervisors = _supervisors(access, asked)
    found = []
    for unit, procedure, needed, supervisors_needed in asked:
        people = [
            (row, *standings[row.clinician_id, procedure.pk])
            for row in placed.get(unit, ())
            if (row.clinician_id, procedure.pk) in standings
        ]
        above = access.tree.above(unit)
        at_unit = Holders(above, people)
        short_on, renewals = at_unit.first_short(needed, access.on, ends[-1])
        found.append(
            Cover(
                unit=unit,
                path=access.tree.path(unit),
                procedure=procedure,
                needed=needed,
                today=at_unit.on(access.on),
                month_ends=[at_unit.on(day) for day in ends],
                short_on=short_on,
                renewals=renewals,
                supervisors=supervisors[unit, procedure.pk],
                supervisors_needed=supervisors_needed,
            )
        )
    return found


@dataclass(frozen=True)
class Holders:
    """Who is placed on one unit within the year, with their standing and the day for which it was judged."""

    above: Sequence[int]
    people: Sequence[tuple[Placement, Judged, date]]

    def on(self, day: date) -> Count:
        """How many may insert alone on that day by the calendar, each person once."""
        own: set[int] = set()
        apart: set[int] = set()
        for row, standing, judged_on in self.people:
            answer = answer_ahead(standing, self.above, on=judged_on, day=max(day, judged_on))
            if row.holds_on(day) and answer is Answer.ALONE:
                (apart if row.kind in APART else own).add(row.clinician_id)
        return Count(len(own), len(apart - own))

    def first_short(self, needed: int | None, on: date, last: date) -> tuple[date | None, int]:
        """The first later day with fewer own people than now and than needed, and how many then miss; None if none."""
        have = self.on(on).own
        keep = min(needed, have) if needed is not None else 0
        for day in sorted(self._days(on, last)):
            left = self.on(day).own
            if left < keep:
                return day, keep - left
        return None, 0

    def _days(self, on: date, last: date) -> set[date]:
        """The days on which the calendar may change somebody's answer here."""
        days: set[date | None] = set()
        for row, standing, _ in self.people:
            days.add(row.until_day)
            days.update(step.on for judgement in standing.judgements for step in judgement.ahead)
            days.update(ceiling.span.starts for ceiling in standing.ceilings)
        return {day for day in days if day is not None and on < day <= last}


def _asked(access: Access) -> Iterator[tuple[int, Procedure, int | None, int | None]]:
    """(unit, procedure, people needed, supervisors needed) where something is set for a unit without units below."""
    book, procedures = settings.book(), list(Procedure.objects.all())
    units = access.units_for(Right.UNIT_FIGURES)
    for unit, _ in access.tree.walk():
        if unit not in units or access.tree.children[unit]:
            continue
        above = access.tree.above(unit)
        for procedure in procedures:
            needed, supervisors = (
                book.value(name, above, procedure.code, on=access.on) for name in ("cover_needed", "supervisors_needed")
            )
            if needed or supervisors:
                yield unit, procedure, needed, supervisors


def _month_ends(on: date) -> list[date]:
    """The last day of this month and of the eleven that follow."""
    return [add_months(first, 1) - timedelta(days=1) for first in months_from(on)]


def _placed(units: Collection[int], on: date, last: date) -> Mapping[int, list[Placement]]:
    """The placements on these units that hold on some day of the year, students aside."""
    rows = Placement.objects.known().filter(unit__in=units, from_day__lte=last).exclude(kind=Placement.Kind.STUDENT)
    found: dict[int, list[Placement]] = defaultdict(list)
    for row in rows.order_by("clinician_id", "pk"):
        if row.until_day is None or row.until_day > on:
            found[row.unit_id].append(row)
    return found


def _standings(clinicians: Collection[int]) -> Mapping[tuple[int, int], tuple[Judged, date]]:
    """Whoever has none stored is not enrolled, and may not insert."""
    rows = Standing.objects.filter(clinician__in=clinicians)
    return {(row.clinician_id, row.procedure_id): (from_body(json.loads(row.body)), row.judged_on) for row in rows}


def _supervisors(
    access: Access, asked: Sequence[tuple[int, Procedure, int | None, int | None]]
) -> Mapping[tuple[int, int], int]:
    """How many could supervise at each unit today, of those appointed there or above."""
    above = {each for unit, *_ in asked for each in access.tree.above(unit)}
    rows = Appointment.objects.known().on(access.on).filter(role__in=SUPERVISING, unit__in=above)
    at: dict[int, set[int]] = defaultdict(set)
    for row in rows:
        at[row.unit_id].add(row.user_id)
    facts = holdings(list(set().union(*at.values())) if at else [])
    return {
        (unit, procedure.pk): sum(
            bool(facts.may_supervise(user, unit=unit, procedure=procedure.pk, on=access.on))
            for user in set().union(*(at.get(each, set()) for each in access.tree.above(unit)))
        )
        for unit, procedure, *_ in asked
    }


def _people(count: int) -> str:
    return "1 person" if count == 1 else f"{count} people"
