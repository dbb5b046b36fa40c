"""Turn the raw cells of a table into values, collecting every refusal and every doubt of a row."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sheets.cells import Parser, Refused, text
from sheets.headings import Field
from sheets.reading import Cell, Fault, Formula
from sheets.table import Remark, Row, Table

_SHOWN = 80


@dataclass(frozen=True, slots=True)
class TypedRow:
    """A row with the values of its fields (None where blank or refused), and what is refused or doubtful in it."""

    row: Row
    values: dict[str, Any]
    refused: tuple[Remark, ...]
    warned: tuple[Remark, ...]


def typed_rows(
    table: Table,
    fields: Sequence[Field],
    parsers: Mapping[str, Parser[Any]],
    *,
    may_show: Callable[[str], bool] = lambda _: True,
) -> Iterator[TypedRow]:
    """Parse every row of a table; a required field that is blank is refused.

    A remark names the sheet's own heading and shows the cell only if `may_show` agrees: a cell might hold what must not
    be repeated.
    """
    plan = [(each.name, parsers[each.name], _heading(table, each), each.required) for each in fields]
    warnings: list[str] = []
    for row in table.rows():
        values: dict[str, Any] = {}
        refused: list[Remark] = []
        warned: list[Remark] = []
        for name, parser, heading, is_required in plan:
            cell = row.values.get(name, "")
            reason = ""
            try:
                values[name] = value = parser(cell, warnings.append)
            except Refused as refusal:
                values[name] = value = None
                reason = refusal.reason
            if is_required and not reason and (value is None or value == ""):
                reason = "This is needed: fill it in."
            if reason or warnings:
                shown = _shown(cell, may_show)
                if reason:
                    refused.append(Remark(reason, row.sheet, row.number, heading, shown))
                warned += [Remark(warning, row.sheet, row.number, heading, shown) for warning in warnings]
                warnings.clear()
        yield TypedRow(row, values, tuple(refused), tuple(warned))


def _heading(table: Table, field: Field) -> str:
    column = table.columns.get(field.name)
    if column is None:
        return field.label
    return column.heading or f"column {column.letter}"


def _shown(cell: Cell, may_show: Callable[[str], bool]) -> str:
    if isinstance(cell, Formula | Fault):
        return ""
    try:
        shown = text(cell)[:_SHOWN]
    except Refused:
        return ""
    return shown if may_show(shown) else ""
