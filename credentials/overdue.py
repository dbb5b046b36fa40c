"""What is overdue on the units somebody oversees: signatures by supervisor, as a to-do, and observations."""

import json
from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta

from audits.models import Insertion, Procedure
from audits.states import in_state
from credentials.models import Standing
from credentials.rules.body import from_body
from credentials.rules.observation_overdue import RULE
from people.access import Access, Right
from people.models import Clinician
from people.settings import book

SOON = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Unsigned:
    """Entries on one unit that wait for one supervisor: those still to be signed this week, and those too late.

    Too late is past the local time: an educator may accept them on other evidence, nobody may countersign.
    """

    name: str
    path: str
    oldest: date
    this_week: int
    too_late: int

    @property
    def words(self) -> str:
        said = []
        if self.this_week:
            said.append(f"{_entries(self.this_week)} to be signed within a week")
        if self.too_late:
            said.append(f"{_entries(self.too_late)} past the time to countersign: ask an educator")
        return "; ".join(said)


@dataclass(frozen=True, slots=True)
class Unwatched:
    """Somebody whom nobody has observed for longer than the rules of their unit ask."""

    clinician: Clinician
    procedure: Procedure
    words: str


def unsigned(access: Access) -> list[Unsigned]:
    """Entries past the time to countersign or within a week of it, by unit and supervisor's name. Two queries."""
    units, settings = access.units_for(Right.UNIT_FIGURES), book()
    days = {
        unit: timedelta(days=settings.value("sign_within_days", access.tree.above(unit), on=access.on))
        for unit in units
        if unit in access.tree
    }
    rows = in_state(Insertion.objects.known().filter(unit__in=days), "awaiting")
    waiting: dict[tuple[str, str, int], list[tuple[date, bool]]] = defaultdict(list)
    for unit, user, name, day in rows.values_list("unit", "supervisor", "supervisor__name", "performed_on"):
        last = day + days[unit]
        if last - SOON < access.on:
            waiting[access.tree.path(unit), name, user].append((day, last < access.on))
    return [
        Unsigned(
            name,
            path,
            min(day for day, _ in entries),
            sum(not is_late for _, is_late in entries),
            sum(is_late for _, is_late in entries),
        )
        for (path, name, _), entries in sorted(waiting.items(), key=lambda each: (each[0][0].casefold(), each[0][1:]))
    ]


def unwatched(access: Access) -> list[Unwatched]:
    """Those at this user's units whose observation is overdue by the rules in force, by name; as last worked out."""
    rows = (
        Standing.objects.filter(
            clinician__in=access.clinicians_for(Right.UNIT_FIGURES).values("pk"), body__contains=f'"{RULE}"'
        )
        .select_related("clinician", "procedure")
        .order_by("clinician__name", "pk")
    )
    found = []
    for row in rows:
        finding = next((each for each in from_body(json.loads(row.body)).findings if each.rule == RULE), None)
        if finding is not None:
            found.append(Unwatched(row.clinician, row.procedure, finding.text))
    return found


def _entries(count: int) -> str:
    return "1 entry" if count == 1 else f"{count} entries"
