"""Which version of a local document binds where and when: inherited down the tree as a whole."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Generic, TypeVar

from audits.models import Proposed
from ledger.models import KnownQuerySet

Document = TypeVar("Document", bound=Proposed)


@dataclass(frozen=True, eq=False)
class Shelf(Generic[Document]):
    """All approved versions of one kind of document, as known at one moment: no question to it costs a query."""

    rows: tuple[Document, ...]

    @cached_property
    def _by_place(self) -> Mapping[tuple[int, int], tuple[Document, ...]]:
        found: dict[tuple[int, int], list[Document]] = defaultdict(list)
        for row in sorted(self.rows, key=lambda row: (row.effective_on, row.version)):
            found[row.unit_id, row.procedure_id].append(row)
        return {place: tuple(rows) for place, rows in found.items()}

    def binding(self, procedure: int, above: Sequence[int], on: date) -> Document | None:
        """The version in effect on this day at the first of these units (self first, root last) that has one."""
        for unit in above:
            rows = self._by_place.get((unit, procedure), ())
            row = next((row for row in reversed(rows) if row.effective_on <= on), None)
            if row is not None:
                return row
        return None

    def changes(self, procedure: int, above: Iterable[int]) -> list[date]:
        """The days on which any version takes effect at any of these units, ascending."""
        return sorted({row.effective_on for unit in above for row in self._by_place.get((unit, procedure), ())})


def approved(model: type[Document], known: int | None) -> Iterable[Document]:
    """Every approved version, as known now or at that number."""
    rows: KnownQuerySet[Document] = model._default_manager.filter(approved__isnull=False)  # type: ignore[assignment]
    if known is not None:
        rows = rows.filter(approved__lte=known)
    return rows.known(known).order_by("id")
