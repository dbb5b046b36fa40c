"""A list, said once: the page that shows it and the XLSX and CSV that take it away hold the same rows and columns.

The state (filters, order, page) is in the address. An export is an act, so it is sent by POST to the same address.
"""

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from tempfile import SpooledTemporaryFile
from typing import Any, Literal, cast

import django_tables2 as tables
from django import forms
from django.core.exceptions import BadRequest
from django.db.models import F, Model, QuerySet
from django.http import FileResponse, HttpRequest, HttpResponseBase
from django.utils.safestring import SafeString
from django_tables2.data import TableListData, TableQuerysetData

from sheets import writing
from sheets.columns import Column, cell_writer, day_words, exported, reader

__all__ = ["Chip", "Column", "Export", "Filter", "Heading", "Listing", "ListingPage", "Step", "export", "page_of"]

Format = Literal["xlsx", "csv"]
Rows = QuerySet[Any] | Sequence[Any]

PER_PAGE = 25
_KEPT_IN_MEMORY = 2**20
_AT_ONCE = 2000


@dataclass(frozen=True, slots=True)
class Filter:
    """One question that narrows a list: `narrow` takes the rows and the cleaned value and gives those that remain."""

    name: str
    field: forms.Field
    narrow: Callable[[Any, Any], Rows]
    folded: bool = False


@dataclass(frozen=True, slots=True)
class Listing:
    """A list: its rows (already only those that the reader may see), its columns, and how it may be narrowed.

    `order` is a column's name, with '-' for last first. `per_page` 0 shows all. `empty` says why nothing is here and
    what comes next. `prefix` keeps two lists of one page apart in the address.
    """

    name: str
    title: str
    rows: Rows
    columns: tuple[Column, ...]
    empty: str
    filters: tuple[Filter, ...] = ()
    order: str = ""
    per_page: int = PER_PAGE
    prefix: str = ""
    exports: bool = True
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        names = [column.name for column in self.columns]
        if len(set(names)) != len(names) or not names:
            raise ValueError(f"columns of {self.name!r} need names of their own: {names}")
        if self.order and self.order.removeprefix("-") not in self.sortable:
            raise ValueError(f"{self.name!r} cannot be ordered by {self.order!r}")

    @property
    def sortable(self) -> dict[str, Column]:
        return {column.name: column for column in self.columns if column.paths}


@dataclass(frozen=True, slots=True)
class Chip:
    """An applied filter, and the address without it."""

    words: str
    url: str


@dataclass(frozen=True, slots=True)
class Heading:
    """The head of a column: where its link leads, and how the list is sorted by it, if it is."""

    column: Column
    url: str
    sorted: str


@dataclass(frozen=True, slots=True)
class Step:
    """A link to a page of the list; a gap has no address, and the present page has none either."""

    words: str
    url: str
    is_current: bool = False


@dataclass(frozen=True, slots=True)
class Export:
    """What was taken away: for the ledger. `digest` is the SHA-256 of the file."""

    name: str
    title: str
    format: Format
    rows: int
    columns: tuple[str, ...]
    filters: tuple[str, ...]
    order: str
    digest: str


class ListingPage:
    """A listing as asked for by one request; what tables/listing.html shows."""

    def __init__(self, request: HttpRequest, listing: Listing) -> None:
        self.listing = listing
        self.request = request
        self.id = f"list-{listing.name}"
        self.form = _form(listing, request)
        rows = _narrowed(listing, self.form)
        self.order = _order(listing, request)
        rows = _ordered(listing, rows, self.order)
        data = _AsOrdered(rows) if isinstance(rows, QuerySet) else _AsGiven(list(rows))
        columns = [
            (each.name, tables.Column(verbose_name=each.label, orderable=bool(each.paths))) for each in listing.columns
        ]
        self.table = tables.Table(
            data,
            order_by=self.order,
            extra_columns=columns,
            prefix=listing.prefix,
            template_name="tables/listing.html",
        )
        if listing.per_page:
            self._turn_to(request.GET.get(self.table.prefixed_page_field, "1"))

    def _turn_to(self, wanted: str) -> None:
        """The page that was asked for, or the nearest that there is."""
        self.table.paginate(per_page=self.listing.per_page)
        try:
            number = int(wanted)
        except ValueError:
            number = 1
        pages = self.table.paginator
        self.table.page = pages.page(min(max(number, 1), pages.num_pages))

    @cached_property
    def records(self) -> list[Any]:
        return list(self.table.paginated_rows.data)

    @cached_property
    def total(self) -> int:
        return int(self.table.paginator.count) if self.listing.per_page else len(self.records)

    @property
    def is_narrowed(self) -> bool:
        return bool(self.chips)

    @cached_property
    def count(self) -> str:
        """Showing 26 to 50 of 131."""
        if not self.total:
            return "Nothing to show"
        if len(self.records) == self.total:
            return f"{self.total} in all" if self.total > 1 else "1 in all"
        return f"Showing {self.table.page.start_index()} to {self.table.page.end_index()} of {self.total}"

    @property
    def headings(self) -> Iterator[Heading]:
        for bound in self.table.columns:
            column = self._columns[bound.name]
            url = self.url(**{self.table.prefixed_order_by_field: bound.order_by_alias.next}) if column.paths else ""
            ordered = {bound.name: "ascending", f"-{bound.name}": "descending"}.get(self.order, "")
            yield Heading(column, url, ordered)

    @cached_property
    def _columns(self) -> dict[str, Column]:
        return {column.name: column for column in self.listing.columns}

    @property
    def lines(self) -> Iterator[SafeString]:
        """The cells of each row, ready to be set down."""
        writers = [cell_writer(column, is_first=not index) for index, column in enumerate(self.listing.columns)]
        for record in self.records:
            yield SafeString("".join([write(record) for write in writers]))

    @cached_property
    def chips(self) -> list[Chip]:
        return [
            Chip(words, self.url(**{self.form.add_prefix(name): ""}))
            for name, words in _applied(self.listing, self.form)
        ]

    @property
    def open_fields(self) -> list[forms.BoundField]:
        return [self.form[each.name] for each in self.listing.filters if not each.folded]

    @property
    def folded_fields(self) -> list[forms.BoundField]:
        return [self.form[each.name] for each in self.listing.filters if each.folded]

    @property
    def is_unfolded(self) -> bool:
        """Whether a folded filter is applied or has to be mended."""
        return any(bound.data or bound.errors for bound in self.folded_fields)

    @property
    def steps(self) -> Iterator[Step]:
        """The pages, near ones and both ends; empty for a single one."""
        if not self.listing.per_page or self.table.paginator.num_pages < 2:
            return
        current = self.table.page.number
        for number in self.table.paginator.get_elided_page_range(current, on_each_side=1, on_ends=1):
            is_page = isinstance(number, int)
            url = self.page_url(cast(int, number)) if is_page and number != current else ""
            yield Step(str(number), url, is_current=number == current)

    def page_url(self, number: int) -> str:
        return self.url(**{self.table.prefixed_page_field: str(number)})

    @property
    def previous_url(self) -> str:
        page = getattr(self.table, "page", None)
        return self.page_url(page.number - 1) if page and page.has_previous() else ""

    @property
    def next_url(self) -> str:
        page = getattr(self.table, "page", None)
        return self.page_url(page.number + 1) if page and page.has_next() else ""

    @property
    def state_url(self) -> str:
        """The address of this state; an export is sent to it."""
        return self.url()

    @property
    def clear_url(self) -> str:
        return self.url(**{self.form.add_prefix(each.name): "" for each in self.listing.filters})

    def url(self, **changes: str) -> str:
        """This address with some of its state changed; a changed filter or order starts at the first page."""
        state = self.request.GET.copy()
        if changes and self.table.prefixed_page_field not in changes:
            changes = {**changes, self.table.prefixed_page_field: ""}
        for name, value in changes.items():
            if value:
                state[name] = value
            else:
                state.pop(name, None)
        return f"?{state.urlencode()}"


def page_of(request: HttpRequest, listing: Listing) -> ListingPage:
    """The listing as this request asks for it, for the context name `listing` of tables/listing.html."""
    return ListingPage(request, listing)


def export(request: HttpRequest, listing: Listing, *, on_export: Callable[[Export], object]) -> HttpResponseBase:
    """All rows of the listing as narrowed and ordered by the address, as the XLSX or CSV that the POST asks for.

    The file is made whole first; then `on_export` is told what it holds, to check and record it, and if that raises
    nothing is sent. Memory does not grow with the rows. Raises BadRequest (400) for a format that is neither.
    """
    wanted = request.POST.get("export", "")
    if wanted not in ("xlsx", "csv"):
        raise BadRequest(f"a list is taken away as xlsx or csv, not as {wanted!r}")
    format_ = cast(Format, wanted)
    form = _form(listing, request)
    order = _order(listing, request)
    applied = tuple(words for _, words in _applied(listing, form))
    counted = _Counted(_ordered(listing, _narrowed(listing, form), order))
    headings, readers = exported(listing.columns)
    lines = ([read(record) for read in readers] for record in counted)
    # Closed by the response that sends it.
    file: Any = SpooledTemporaryFile(_KEPT_IN_MEMORY)  # noqa: SIM115
    if format_ == "xlsx":
        writing.write_xlsx(file, headings, lines, title=listing.title, notes=(*listing.notes, *applied))
    else:
        writing.write_csv(file, headings, lines)
    file.seek(0)
    made = Export(
        name=listing.name,
        title=listing.title,
        format=format_,
        rows=counted.count,
        columns=tuple(heading.label for heading in headings),
        filters=applied,
        order=order,
        digest=hashlib.file_digest(file, "sha256").hexdigest(),
    )
    on_export(made)
    file.seek(0)
    return FileResponse(file, as_attachment=True, filename=f"{listing.name}.{format_}")


# Narrowing and ordering, the same for the page and the export


def _form(listing: Listing, request: HttpRequest) -> forms.Form:
    class Filters(forms.Form):
        use_required_attribute = False

    for each in listing.filters:
        each.field.required = False
        Filters.base_fields[each.name] = each.field
    form = Filters(request.GET, prefix=listing.prefix.rstrip("-") or None, auto_id=f"{listing.name}_%s")
    form.is_valid()
    return form


def _narrowed(listing: Listing, form: forms.Form) -> Rows:
    rows = listing.rows
    for each in listing.filters:
        value = form.cleaned_data.get(each.name)
        if value not in (None, "", [], False) and not (isinstance(value, QuerySet) and not value):
            rows = each.narrow(rows, value)
    return rows


def _applied(listing: Listing, form: forms.Form) -> Iterator[tuple[str, str]]:
    """(name, words) of each filter that narrows."""
    for each in listing.filters:
        value = form.cleaned_data.get(each.name)
        if value not in (None, "", [], False) and not (isinstance(value, QuerySet) and not value):
            yield each.name, f"{each.field.label}: {_spoken(each.field, value)}"


def _spoken(asked: forms.Field, value: Any) -> str:
    if isinstance(value, date):
        return day_words(value)
    if isinstance(value, bool):
        return "yes"
    if isinstance(value, list | QuerySet):
        return ", ".join(_spoken(asked, each) for each in value)
    if isinstance(asked, forms.ChoiceField) and not isinstance(value, Model):
        return next(
            (str(words) for key, words in _flat(cast(Iterable[Any], asked.choices)) if str(key) == str(value)),
            str(value),
        )
    return str(value)


def _flat(choices: Iterable[Any]) -> Iterator[tuple[Any, Any]]:
    for key, words in choices:
        if isinstance(words, list | tuple):
            yield from words
        else:
            yield key, words


def _order(listing: Listing, request: HttpRequest) -> str:
    asked = request.GET.get(f"{listing.prefix}sort", "")
    return asked if asked.removeprefix("-") in listing.sortable else listing.order


def _ordered(listing: Listing, rows: Rows, order: str) -> Rows:
    """By the column, what has no value last, then by key: the same on every engine and on every page."""
    if not order:
        return rows
    paths = listing.sortable[order.removeprefix("-")].paths
    is_descending = order.startswith("-")
    if isinstance(rows, QuerySet):
        by = [F(path).desc(nulls_last=True) if is_descending else F(path).asc(nulls_last=True) for path in paths]
        return rows.order_by(*by, "pk")
    readers = [reader(path) for path in paths]
    keyed = [(tuple(read(row) for read in readers), row) for row in rows]
    known = [each for each in keyed if None not in each[0]]
    known.sort(key=lambda each: tuple(_comparable(value) for value in each[0]), reverse=is_descending)
    return [row for _, row in known] + [row for values, row in keyed if None in values]


def _comparable(value: Any) -> Any:
    return value.casefold() if isinstance(value, str) else value


class _AsOrdered(TableQuerysetData):
    ordering = None

    def order_by(self, aliases: object) -> None:
        """The rows come in order."""


class _AsGiven(TableListData):
    def order_by(self, aliases: object) -> None:
        """The rows come in order."""


class _Counted:
    def __init__(self, rows: Rows) -> None:
        self.count = 0
        self._rows = rows

    def __iter__(self) -> Iterator[Any]:
        rows = self._rows.iterator(chunk_size=_AT_ONCE) if isinstance(self._rows, QuerySet) else iter(self._rows)
        for row in rows:
            self.count += 1
            yield row
