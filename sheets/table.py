"""From a workbook to the rows that say something, each with its sheet, its row number and its cells by field."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice

from sheets.days import days_look_swapped
from sheets.headings import Field, Match, guess, words
from sheets.letters import column_letter
from sheets.reading import Cell, Formula, Sheet, Workbook, is_blank
from sheets.zipcheck import FileRefused

# The explanations that our own exports and templates carry; they never hold rows.
NOTES_SHEETS = ("About this list", "What to enter")

_TOTAL = re.compile(r"(?:grand |sub ?|sub-)?totals?\b.*|sum|count|average|mean", re.DOTALL)
_SAMPLE = 50
_HIDDEN = "The sheet is hidden and was not read. Unhide it if its rows belong here."
_SWAPPED = (
    "Day and month seem to be exchanged in the cells that are dates: none is later than the 12th, and days after the "
    "12th stand as text. The sheet was made with month-first settings: check."
)

Recall = Callable[[str], Mapping[str, str | None] | None]


@dataclass(frozen=True, slots=True)
class Remark:
    """Something to tell about a place in a workbook, refused or only doubtful; row 0 is the sheet as a whole."""

    reason: str
    sheet: str = ""
    row: int = 0
    column: str = ""
    value: str = ""

    def as_json(self) -> dict[str, str | int]:
        """The shape that commands print: sheet, row, column, value, reason."""
        return {
            "sheet": self.sheet,
            "row": self.row,
            "column": self.column,
            "value": self.value,
            "reason": self.reason,
        }


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a sheet: its place counted from 0, its letter, its heading as written."""

    index: int
    letter: str
    heading: str


@dataclass(frozen=True, slots=True)
class Unused:
    """A column that no field claims, with a few of its values: to be looked at, never stored."""

    column: Column
    sample: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """One row as the sheet has it: raw cells by field name."""

    sheet: str
    number: int
    values: dict[str, Cell]


@dataclass(frozen=True)
class Table:
    """The rows of one sheet under its row of headings; `missing` are required fields without a column."""

    sheet: str
    header_row: int
    columns: dict[str, Column]
    missing: tuple[str, ...]
    unused: tuple[Unused, ...]
    signature: str
    remarks: tuple[Remark, ...]
    _lines: Sequence[Sequence[Cell]] = field(repr=False)
    _kept: Sequence[int] = field(repr=False)
    _filled: Mapping[int, Mapping[str, Cell]] = field(repr=False)

    def __len__(self) -> int:
        return len(self._kept)

    def rows(self) -> Iterator[Row]:
        """The rows that say something, in order; made one by one, since a sheet may have a hundred thousand."""
        places = [(name, column.index) for name, column in self.columns.items()]
        for index in self._kept:
            line = self._lines[index]
            width = len(line)
            values = {name: line[place] if place < width else "" for name, place in places}
            if index in self._filled:
                values |= self._filled[index]
            yield Row(self.sheet, index + 1, values)


@dataclass(frozen=True)
class Tables:
    """All tables of a workbook, and remarks on what was left out."""

    tables: tuple[Table, ...]
    remarks: tuple[Remark, ...]

    def __iter__(self) -> Iterator[Table]:
        return iter(self.tables)

    def __len__(self) -> int:
        """How many rows there are in all."""
        return sum(len(table) for table in self.tables)

    def rows(self) -> Iterator[Row]:
        """The rows of all tables in the file's order."""
        for table in self.tables:
            yield from table.rows()


def usable(found: Tables, what: str, labels: Mapping[str, str], lacking: Callable[[Table], Sequence[str]]) -> Tables:
    """The tables that lack no column that they need, and remarks on the others. Raises FileRefused if none is left.

    `what` names the rows, 'insertions'; `labels` are the columns' names in words.
    """
    kept, remarks = [], list(found.remarks)
    for table in found:
        if missing := lacking(table):
            names = ", ".join(labels[name] for name in missing)
            remarks.append(Remark(f"The sheet was not read: it has no column for {names}.", table.sheet))
        else:
            kept.append(table)
    if not kept:
        told = " ".join(f"{remark.sheet}: {remark.reason}" for remark in remarks if remark.sheet)
        raise FileRefused(f"No sheet holds {what}. {told}".rstrip())
    return Tables(tuple(kept), tuple(remarks))


def tables(
    workbook: Workbook,
    fields: Sequence[Field],
    *,
    columns: Mapping[str, str | None] | None = None,
    recall: Recall | None = None,
) -> Tables:
    """Find the headings of every visible sheet and the rows below them.

    `columns` gives headings by field and overrides the guess; `recall` finds such a map by the signature of a sheet's
    headings, as remembered from an earlier upload. Raises FileRefused if no sheet has headings that we know.
    """
    found: list[Table] = []
    remarks = [Remark(reason) for reason in workbook.remarks]
    remarks += [
        Remark(_HIDDEN, sheet.name) for sheet in workbook.sheets if sheet.hidden and sheet.name not in NOTES_SHEETS
    ]
    for sheet, match in matches(workbook, fields, columns=columns, recall=recall):
        if match and match.is_enough:
            found.append(_table(sheet, fields, match))
            remarks += found[-1].remarks
        else:
            remarks.append(Remark(_why_not(match, fields), sheet.name))
    if not found:
        raise FileRefused(_nothing(fields, columns, remarks))
    return Tables(tuple(found), tuple(remarks))


def matches(
    workbook: Workbook,
    fields: Sequence[Field],
    *,
    columns: Mapping[str, str | None] | None = None,
    recall: Recall | None = None,
) -> list[tuple[Sheet, Match | None]]:
    """The match of each visible sheet that holds anything, for a screen on which a person corrects it."""
    found: list[tuple[Sheet, Match | None]] = []
    for sheet in workbook.sheets:
        if sheet.hidden or sheet.name in NOTES_SHEETS or all(is_blank(cell) for line in sheet.rows for cell in line):
            continue
        match = guess(fields, sheet.rows, merges=sheet.merges, columns=columns)
        if match and columns is None and recall and (remembered := recall(match.signature)):
            match = guess(fields, sheet.rows, merges=sheet.merges, columns=remembered) or match
        found.append((sheet, match))
    return found


def _table(sheet: Sheet, fields: Sequence[Field], match: Match) -> Table:
    columns = {name: _column(match, index) for name, index in match.mapping.items()}
    filled = _filled(sheet, match)
    kept, remarks = _kept(sheet, fields, match)
    for each in fields:
        place = match.mapping.get(each.name)
        if each.kind == "day" and place is not None and days_look_swapped(_cells(sheet, match.header_row, place)):
            remarks.append(Remark(_SWAPPED, sheet.name, match.header_row, each.label))
    return Table(
        sheet=sheet.name,
        header_row=match.header_row,
        columns=columns,
        missing=match.missing,
        unused=_unused(sheet, match, kept),
        signature=match.signature,
        remarks=tuple(remarks),
        _lines=sheet.rows,
        _kept=kept,
        _filled=filled,
    )


def _cells(sheet: Sheet, start: int, place: int) -> Iterator[Cell]:
    return (line[place] for line in sheet.rows[start:] if place < len(line))


def _column(match: Match, index: int) -> Column:
    return Column(index, column_letter(index), match.headings[index])


def _filled(sheet: Sheet, match: Match) -> dict[int, dict[str, Cell]]:
    """Values of merged cells that reach down over several rows of one column, for the rows below the first."""
    names = {index: name for name, index in match.mapping.items()}
    merges = [
        merge
        for merge in sheet.merges
        if merge.top >= match.header_row and merge.left in names and merge.top < len(sheet.rows)
        # A note written across several columns says nothing about any of them.
        if not any(column in names for column in range(merge.left + 1, min(merge.right, 16_384) + 1))
    ]
    if sum(min(merge.bottom, len(sheet.rows)) - merge.top for merge in merges) > len(names) * len(sheet.rows):
        raise FileRefused(f"The merged cells of the sheet '{sheet.name}' overlap. Unmerge them and upload again.")
    filled: dict[int, dict[str, Cell]] = {}
    for merge in merges:
        line = sheet.rows[merge.top]
        value = line[merge.left] if merge.left < len(line) else ""
        for index in range(merge.top + 1, min(merge.bottom + 1, len(sheet.rows))):
            filled.setdefault(index, {})[names[merge.left]] = value
    return filled


def _kept(sheet: Sheet, fields: Sequence[Field], match: Match) -> tuple[list[int], list[Remark]]:
    """Rows that say something; blank ones are left out silently, totals and repeated headings with a remark."""
    places = list(match.mapping.values())
    required = [match.mapping[each.name] for each in fields if each.required and each.name in match.mapping]
    kept, remarks = [], []
    for index in range(match.header_row, len(sheet.rows)):
        line = sheet.rows[index]
        if all(_says_nothing(line[place]) for place in places if place < len(line)):
            continue
        if _is_total(line, required):
            remarks.append(Remark("A row of totals was left out.", sheet.name, index + 1))
        elif _is_heading(line, match):
            remarks.append(Remark("A repeated row of headings was left out.", sheet.name, index + 1))
        else:
            kept.append(index)
    return kept, remarks


def _says_nothing(cell: Cell) -> bool:
    # A formula copied down below the data shows nothing until its row is filled.
    return is_blank(cell) or (isinstance(cell, Formula) and is_blank(cell.shown))  # type: ignore[arg-type]


def _is_total(line: Sequence[Cell], required: Sequence[int]) -> bool:
    """Whether the first filled cell says so and the required cells hold nothing but numbers, if anything."""
    first = next((index for index, cell in enumerate(line) if not is_blank(cell)), None)
    text = "" if first is None else line[first]
    if not isinstance(text, str) or not _TOTAL.fullmatch(text.strip(" :=\t").casefold()):
        return False
    others = (line[place] for place in required if place < len(line) and place != first)
    return all(is_blank(cell) or isinstance(cell, float | int | Formula) for cell in others)


def _is_heading(line: Sequence[Cell], match: Match) -> bool:
    texts = [(line[place], match.headings[place]) for place in match.mapping.values() if place < len(line)]
    return len(texts) > 1 and all(isinstance(cell, str) and words(cell) == words(own) for cell, own in texts)


def _unused(sheet: Sheet, match: Match, kept: Sequence[int]) -> tuple[Unused, ...]:
    unused = []
    for index in match.unknown:
        cells = (sheet.rows[row][index] for row in kept if index < len(sheet.rows[row]))
        sample = tuple(islice((cell for cell in cells if not is_blank(cell)), _SAMPLE))
        if sample or match.headings[index]:
            unused.append(Unused(_column(match, index), sample))
    return tuple(unused)


def _why_not(match: Match | None, fields: Sequence[Field]) -> str:
    labels = {field.name: field.label for field in fields}
    needed = ", ".join(field.label for field in fields if field.required)
    if match is None:
        return f"No row of headings was found in the first 30 rows, so the sheet was not read. Needed are: {needed}."
    got = ", ".join(labels[name] for name in match.mapping)
    lack = ", ".join(labels[name] for name in match.missing)
    return (
        f"The sheet was not read: row {match.header_row} has headings for {got}, but none for {lack or 'other fields'}."
    )


def _nothing(fields: Sequence[Field], columns: Mapping[str, str | None] | None, remarks: Sequence[Remark]) -> str:
    given = ", ".join(f"'{heading}'" for heading in (columns or {}).values() if heading)
    if given:
        return f"No sheet has a row with all the headings of the column map: {given}."
    needed = ", ".join(field.label for field in fields if field.required)
    told = " ".join(f"{remark.sheet}: {remark.reason}" for remark in remarks[:5] if remark.sheet)
    return f"No sheet holds rows that can be read. A row of headings is needed with: {needed}. {told}".rstrip()
