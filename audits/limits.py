"""Local time limits of entries: settings of the inserter's home unit on the day of the insertion, read for many."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from audits.models import Insertion
from people.models import Placement
from people.settings import Book, book
from people.tree import Tree, tree


@dataclass(frozen=True, eq=False)
class Limits:
    """Homes of some clinicians and the settings there. Without a home the unit of the insertion serves."""

    tree: Tree
    book: Book
    homes: Mapping[int, list[tuple[date, int]]]

    def days(self, name: str, insertion: Insertion, on: date | None = None) -> int:
        """The value of a setting for this entry: on the day of its insertion, or on another."""
        day = on or insertion.performed_on
        return self.days_at(
            name, clinician=insertion.clinician_id, unit=insertion.unit_id, code=insertion.procedure.code, on=day
        )

    def days_at(self, name: str, *, clinician: int, unit: int, code: str, on: date) -> int:
        """The value of a setting for what this clinician did on this unit, of the procedure with this code."""
        home = self._home(clinician, on)
        value: int = self.book.value(name, self.tree.above(unit if home is None else home), code, on=on)
        return value

    def is_late(self, insertion: Insertion) -> bool:
        """Whether the entry was made later after the insertion than goes without a mark."""
        return insertion.days_to_entry > self.days("late_after_days", insertion)

    def last_day_to_sign(self, insertion: Insertion) -> date:
        """The last day on which the named supervisor may countersign; a row of a sheet counts from its import."""
        start = insertion.performed_on
        if insertion.source == Insertion.Source.SHEET:
            start += timedelta(days=insertion.days_to_entry)
        return start + timedelta(days=self.days("sign_within_days", insertion))

    def _home(self, clinician: int, day: date) -> int | None:
        """The home of that day, else the last before it, else the first to come."""
        homes = [each for each in self.homes.get(clinician, ()) if each[1] in self.tree]
        before = [unit for starts, unit in homes if starts <= day]
        return before[-1] if before else homes[0][1] if homes else None


def limits(clinicians: Collection[int], *, now: Tree | None = None) -> Limits:
    """The limits for entries of these clinicians. Three queries, or two with the tree at hand."""
    homes: dict[int, list[tuple[date, int]]] = {}
    placed = Placement.objects.known().filter(clinician__in=clinicians, home=True).order_by("from_day", "pk")
    for clinician, starts, unit in placed.values_list("clinician", "from_day", "unit"):
        homes.setdefault(clinician, []).append((starts, unit))
    return Limits(tree() if now is None else now, book(), homes)
