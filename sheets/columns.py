"""One column of a list: how a row becomes a cell of the page and a value of an export."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from django.utils.html import conditional_escape, format_html
from django.utils.safestring import SafeString

from sheets import writing

Kind = Literal["text", "day", "time", "moment", "number", "yes_no", "answer"]
Reader = Callable[[Any], Any]


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `value` is a dotted path or a function of the row (default: the attribute `name`); it never queries.

    `kind` says what the value is: text; a day (date); a time (of day); a moment (datetime, already on the clocks to be
    shown); a number; yes_no (bool or None); an answer (anything with `value`, a word in code, and `words` for people).
    `sort` is one or more ORM paths, for lists of objects dotted paths; without it the column does not sort.
    `link` gives the address that the value leads to. `note` is a small second line; it needs `note_label`, the heading
    that it has in an export. `about` tells an export's reader what the column means.
    """

    name: str
    label: str
    kind: Kind = "text"
    value: str | Reader | None = None
    sort: str | tuple[str, ...] | None = None
    link: Reader | None = None
    note: str | Reader | None = None
    note_label: str = ""
    about: str = ""

    def __post_init__(self) -> None:
        if self.note is not None and not self.note_label:
            raise ValueError(f"column {self.name!r} has a note without a note_label")

    @property
    def is_number(self) -> bool:
        return self.kind == "number"

    @property
    def paths(self) -> tuple[str, ...]:
        """What it sorts by."""
        return (self.sort,) if isinstance(self.sort, str) else self.sort or ()


def reader(value: str | Reader) -> Reader:
    """A function that follows a dotted path through a row; None where a step is None, methods are called."""
    if callable(value):
        return value
    steps = value.replace("__", ".").split(".")

    def read(row: Any) -> Any:
        for step in steps:
            if row is None:
                return None
            row = getattr(row, step)
            if callable(row):
                row = row()
        return row

    return read


def day_words(value: date) -> str:
    return f"{value.day} {value:%B %Y}"


def _plain(value: Any) -> Any:
    return value


def _yes_no(value: bool | None) -> str:
    return "" if value is None else "yes" if value else "no"


def _answer(value: Any) -> SafeString:
    css = str(value.value).replace("_", "-")
    return format_html('<span class="can {0}"><span class="mark {0}"></span>{1}</span>', css, value.words)


_SHOWN: dict[Kind, Callable[[Any], Any]] = {
    "text": _plain,
    "number": _plain,
    "yes_no": _yes_no,
    "day": day_words,
    "time": lambda value: f"{value:%H:%M}",
    "moment": lambda value: f"{day_words(value)}, {value:%H:%M}",
    "answer": _answer,
}
_TAKEN: dict[Kind, tuple[str, Callable[[Any], Any]]] = {
    "text": ("text", str),
    "number": ("number", _plain),
    "yes_no": ("text", _yes_no),
    "day": ("day", _plain),
    "time": ("time", _plain),
    "moment": ("moment", lambda value: value.replace(tzinfo=None)),
    "answer": ("text", lambda value: str(value.words)),
}


_SHORT = ("day", "time", "moment")


def cell_writer(column: Column, *, is_first: bool) -> Callable[[Any], str]:
    """A function from a row to its ready cell of this column; the first column heads its row."""
    read = reader(column.value or column.name)
    note = reader(column.note) if column.note is not None else None
    show, link = _SHOWN[column.kind], column.link
    css = ' class="n"' if column.is_number else ' class="nowrap"' if column.kind in _SHORT else ""
    if is_first:
        start, end = f'<th scope="row" role="rowheader"{css}>', "</th>"
    else:
        start, end = f'<td role="cell"{css} data-label="{conditional_escape(column.label)}">', "</td>"

    def write(row: Any) -> str:
        value = read(row)
        inner = "" if value is None else conditional_escape(show(value))
        if link is not None and inner and (url := link(row)):
            inner = f'<a href="{conditional_escape(url)}">{inner}</a>'
        if note is not None and (more := note(row)):
            inner += f' <span class="why">{conditional_escape(more)}</span>'
        return f"{start}{inner}{end}"

    return write


def exported(columns: Iterable[Column]) -> tuple[list[writing.Column], list[Reader]]:
    """Columns and readers of an export; a note is a column of its own."""
    headings: list[writing.Column] = []
    readers: list[Reader] = []
    for column in columns:
        kind, take = _TAKEN[column.kind]
        headings.append(writing.Column(column.name, column.label, kind, about=column.about))
        readers.append(_taker(reader(column.value or column.name), take))
        if column.note is not None:
            headings.append(writing.Column(f"{column.name}_note", column.note_label))
            readers.append(_taker(reader(column.note), str))
    return headings, readers


def _taker(read: Reader, take: Callable[[Any], Any]) -> Reader:
    def taken(row: Any) -> Any:
        value = read(row)
        return None if value is None else take(value)

    return taken
