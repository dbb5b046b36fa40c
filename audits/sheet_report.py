"""What becomes of each row of a sheet, for commands, screens and the workbook of refused rows alike.

Values that look like patients' identifiers are never shown: neither in a remark nor in a row that goes back.
"""

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from enum import StrEnum
from functools import cached_property
from itertools import islice
from typing import Any, Protocol

from audits.identifiers import find_identifiers, looks_like_record_numbers
from people.models import User
from people.problems import Problem
from sheets import cells
from sheets.reading import Cell, Fault, Formula, is_blank
from sheets.refusals import RefusedRow
from sheets.staging import Staged, json_value
from sheets.table import Remark, Row, Table, Tables

HIDDEN = "(not shown)"
_SAMPLE = 300
_REMEMBERED = 20_000
_OF_STAFF = ("staff_number", "name", "supervisor")


class Becomes(StrEnum):
    NEW = "new"
    ALREADY = "already"
    CORRECTION = "correction"
    LEFT_OUT = "left_out"
    REFUSED = "refused"


class Report:
    """Rows by their position in the file, and what becomes of each. Remarks name fields; `document` names headings.

    `labels` are the fields' names for people. `of_staff` are the fields that hold staff's own names and numbers, which
    may be shown. Without `judge_values` only headings tell what may be patients' record numbers: in a list of staff
    every column looks like one.
    """

    def __init__(
        self,
        tables: Tables,
        labels: Mapping[str, str],
        *,
        of_staff: Collection[str] = _OF_STAFF,
        judge_values: bool = True,
    ) -> None:
        self.tables = tables
        self._labels = labels
        self._of_staff = of_staff
        left_out = [remark for table in tables for remark in record_numbers_left_out(table, judge_values=judge_values)]
        self.becomes = [Becomes.NEW] * len(tables)
        self._storables: dict[tuple[str, str], dict[Any, object]] = {}
        self._refused: dict[int, list[Problem]] = {}
        self._warned: list[tuple[int, str, str]] = []
        self._general = [*tables.remarks, *left_out]

    def refuse(self, position: int, problems: Sequence[Problem]) -> None:
        """Refuse a row, each problem beside the cell that it is about. Without one it goes with its occasion."""
        self.becomes[position] = Becomes.REFUSED
        self._refused.setdefault(position, []).extend(problems)

    def warn(self, position: int, name: str, text: str) -> None:
        self._warned.append((position, name, text))

    def remark(self, text: str, *, sheet: str = "", column: str = "") -> None:
        """Say something about a column, a sheet, or the file as a whole."""
        self._general.append(Remark(text, sheet, column=column))

    @property
    def problems(self) -> dict[int, list[Remark]]:
        """The remarks on each refused row."""
        return self._remarks[0]

    @property
    def warnings(self) -> list[Remark]:
        return [*self._general, *self._remarks[1]]

    @property
    def _remarks(self) -> tuple[dict[int, list[Remark]], list[Remark]]:
        """The refusals and warnings with place and value: one pass over the rows, since they are not kept."""
        wanted = {*self._refused, *(position for position, _, _ in self._warned)}
        rows = {position: row for position, row in enumerate(self.tables.rows()) if position in wanted}
        problems = {
            position: [self._remark(rows[position], each.field, each.text) for each in self._refused[position]]
            for position in sorted(self._refused)
        }
        return problems, [self._remark(rows[position], name, text) for position, name, text in self._warned]

    def _remark(self, row: Row, name: str, text: str) -> Remark:
        value = self.shown(row.sheet, name, row.values[name]) if name in row.values else ""
        return Remark(text, row.sheet, row.number, name, value)

    @property
    def counts(self) -> Counter[Becomes]:
        return Counter(self.becomes)

    @property
    def has_refusals(self) -> bool:
        return Becomes.REFUSED in self.becomes

    def document(self) -> dict[str, Any]:
        """The one document that import commands print."""
        counts, (problems, warned) = self.counts, self._remarks
        refused = [remark for remarks in problems.values() for remark in remarks]
        return {
            "rows": len(self.becomes),
            "stored": counts[Becomes.NEW],
            "already_stored": counts[Becomes.ALREADY],
            "corrections": counts[Becomes.CORRECTION],
            "refused": [self.headed(remark).as_json() for remark in refused],
            "warnings": [self.headed(remark).as_json() for remark in (*self._general, *warned)],
        }

    def headed(self, remark: Remark) -> Remark:
        """The remark with the sheet's own heading in place of a field's name."""
        heading = self.headings.get(remark.sheet, self._labels).get(remark.column, remark.column)
        return Remark(remark.reason, remark.sheet, remark.row, heading, remark.value)

    @cached_property
    def headings(self) -> Mapping[str, Mapping[str, str]]:
        """Sheet -> field -> its heading, the letter of a column without one, or its label where it has no column."""
        return {
            table.sheet: {
                **self._labels,
                **{name: column.heading or f"column {column.letter}" for name, column in table.columns.items()},
            }
            for table in self.tables
        }

    @cached_property
    def _secret(self) -> frozenset[tuple[str, str]]:
        """(sheet, field) of columns that were taken for a field and look like record numbers."""
        return frozenset(
            (table.sheet, name)
            for table in self.tables
            for name, column in table.columns.items()
            if looks_like_record_numbers(
                [row.values[name] for row in islice(table.rows(), _SAMPLE)], heading=column.heading
            )
            and not (name in self._of_staff and not _heading_tells(column.heading))
        )

    def shown(self, sheet: str, name: str, cell: Cell) -> str:
        """A cell's value as it may be repeated."""
        if is_blank(cell):
            return ""
        if isinstance(cell, Formula):
            cell = cell.shown  # type: ignore[assignment]
        if isinstance(cell, Fault):
            return "(an error)"
        if (sheet, name) in self._secret:
            return HIDDEN
        text = cells.text(cell) if not isinstance(cell, str) else cells.clean(cell)
        if name in self._of_staff:
            return HIDDEN if _is_checked_number(text) else text[:80]
        return HIDDEN if find_identifiers(text) else text[:80]

    def refused_rows(self) -> Iterator[RefusedRow]:
        """The refused rows for the workbook that goes back, all rows of a refused occasion among them."""
        problems = self.problems
        for position, row in enumerate(self.tables.rows()):
            if self.becomes[position] == Becomes.REFUSED:
                yield RefusedRow(row.sheet, row.number, self._values(row), problems[position])

    def staged(self) -> Iterator[Staged]:
        """Every row for the preview, as JSON can hold it, with what becomes of it under 'becomes'."""
        problems = self.problems
        for position, row in enumerate(self.tables.rows()):
            values = self._values(row) | {"becomes": str(self.becomes[position])}
            yield Staged(row.sheet, row.number, values, problems.get(position, ()))

    def _values(self, row: Row) -> dict[str, Any]:
        return {name: self._storable(row.sheet, name, cell) for name, cell in row.values.items() if not is_blank(cell)}

    def _storable(self, sheet: str, name: str, cell: Cell) -> object:
        """A cell as JSON can hold it, worked out once for each that differs, since columns repeat themselves."""
        known = self._storables.setdefault((sheet, name), {})
        key = cell if type(cell) is str else (type(cell), cell)
        if key not in known:
            if len(known) >= _REMEMBERED:
                known.clear()
            known[key] = HIDDEN if self.shown(sheet, name, cell) == HIDDEN else json_value(cell)
        return known[key]


def record_numbers_left_out(table: Table, *, judge_values: bool = True) -> Iterator[Remark]:
    """A warning for each column that nobody asked for and that holds what may tell who a patient is."""
    for unused in table.unused:
        sample = unused.sample if judge_values else ()
        if looks_like_record_numbers(sample, heading=unused.column.heading):
            yield Remark(
                "This column looks like patients' record numbers, names or birth dates. It was left out; nothing of "
                "it is kept.",
                table.sheet,
                table.header_row,
                unused.column.heading or f"column {unused.column.letter}",
            )


def _is_checked_number(text: str) -> bool:
    """Whether it is a patient's identifier by its check digit or grouping; staff have names, mail and numbers too."""
    kinds = {finding.kind for finding in find_identifiers(text) if finding.level == "block"}
    return bool(kinds - {"an e-mail address", "a patient's name", "a phone number"})


def _heading_tells(heading: str) -> bool:
    return looks_like_record_numbers((), heading=heading)


class Plan(Protocol):
    """What an import would do, before it is signed."""

    @property
    def actor(self) -> User: ...
    @property
    def report(self) -> Report: ...
    @property
    def digest(self) -> str: ...
    @property
    def statement(self) -> str: ...
    @property
    def has_work(self) -> bool: ...
