"""Many rows into one table at the speed of the driver: executemany on SQLite, COPY on PostgreSQL."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice
from typing import Any

from django.db import connection, models

_PART = 5000


def insert_rows(model: type[models.Model], columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Insert plain values in the order of these fields (named by attribute: 'unit_id'); defaults are not filled in."""
    fields = [_field(model, column) for column in columns]
    quote = connection.ops.quote_name
    table = quote(model._meta.db_table)
    names = ", ".join(quote(str(field.column)) for field in fields)
    adapted = [(place, adapt) for place, field in enumerate(fields) if (adapt := _adapter(field)) is not None]

    def values() -> Iterator[list[Any]]:
        for row in rows:
            cells = list(row)
            for place, adapt in adapted:
                if cells[place] is not None:
                    cells[place] = adapt(cells[place])
            yield cells

    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {table} ({names}) FROM STDIN") as copy:
                for cells in values():
                    copy.write_row(cells)
        else:
            marks = ", ".join(["%s"] * len(fields))
            statement = f"INSERT INTO {table} ({names}) VALUES ({marks})"  # noqa: S608 - our own names, no values
            ready = values()
            while part := list(islice(ready, _PART)):
                cursor.executemany(statement, part)


def _field(model: type[models.Model], column: str) -> "models.Field[Any, Any]":
    return next(field for field in model._meta.concrete_fields if column in (field.attname, field.name))


def _adapter(field: "models.Field[Any, Any]") -> Callable[[Any], Any] | None:
    """How a value of this field is handed to the driver, None if as it is."""
    if isinstance(field, models.UUIDField):
        return None if connection.features.has_native_uuid_field else lambda value: value.hex
    if isinstance(field, models.DateTimeField):
        return connection.ops.adapt_datetimefield_value
    if isinstance(field, models.DateField):
        return connection.ops.adapt_datefield_value
    return None
