"""The triggers of a guarded table, as data, for each engine."""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import Field, Model, Q, UniqueConstraint
from django.db.models.expressions import OrderBy
from django.db.models.sql import Query

from ledger.canonical import digest
from ledger.guard import Guard

PREFIX = "guard_"


@dataclass(frozen=True)
class Trigger:
    """One trigger: the statement that makes it, and the text that the catalogue shows while it is whole."""

    table: str
    name: str
    create: str
    witness: str


@dataclass(frozen=True)
class Key:
    """A unique key: its parts as SQL over a row's columns, which rows it binds ('' for all), and its name in errors."""

    parts: tuple[str, ...]
    name: str
    condition: str = ""


def triggers(model: type[Model], guard: Guard, connection: BaseDatabaseWrapper) -> list[Trigger]:
    """All triggers that guard this model's table on this connection's engine.

    `model` may be a historical one; columns and keys are sorted, so that its triggers equal those of the current model.
    Raises NotImplementedError for an engine without a guard, ValueError for a guard that names a field not there.
    """
    if not guard.append_only:
        return []
    fill_once = sorted(_column(model, name) for name in guard.fill_once)
    grows = _column(model, guard.grows) if guard.grows else ""
    if connection.vendor == "sqlite":
        made = _sqlite(model, fill_once, grows, connection)
        return [each for each in made if not (guard.changes and each.name.startswith(f"{PREFIX}update_"))]
    if connection.vendor == "postgresql":
        return _postgresql(model, fill_once, grows, events="DELETE" if guard.changes else "UPDATE OR DELETE")
    raise NotImplementedError(f"The ledger has no guard for {connection.vendor}: use SQLite or PostgreSQL.")


# SQLite: one trigger for each statement; each names its columns, since a row has no value of its own there.


def _sqlite(model: type[Model], fill_once: list[str], grows: str, connection: BaseDatabaseWrapper) -> list[Trigger]:
    table = model._meta.db_table
    columns = sorted(str(field.column) for field in _fields(model))
    key = _primary_key(model)
    keys = sorted(_keys(model, connection), key=str)
    same = {column: f'NEW."{column}" IS OLD."{column}" COLLATE BINARY' for column in columns}

    refused = ""
    if grows:
        refused = f'NOT (NEW."{grows}" > OLD."{grows}" AND {same[key]})'
    elif fill_once:
        kept = " AND ".join(same[column] for column in columns if column not in fill_once)
        once = " AND ".join(
            f'(OLD."{column}" IS NULL OR OLD."{column}" = \'\' OR {same[column]})' for column in fill_once
        )
        idle = " AND ".join(same[column] for column in fill_once)
        # UPDATE OR REPLACE would take away another row with the key that this one grows into.
        open_keys = [
            k for k in keys if any(f'"{column}"' in part for column in fill_once for part in (*k.parts, k.condition))
        ]
        taken = "".join(f" OR {_exists(table, k, columns, but=key)}" for k in open_keys)
        refused = f"NOT ({kept} AND {once}) OR ({idle}){taken}"
    when = f"WHEN {refused} " if refused else ""
    words = f"{table} is append-only"
    # REPLACE deletes the old row without a delete trigger, so a key that is there already is refused before, in the
    # words in which SQLite itself refuses it.
    doubled = " ".join(
        f"SELECT RAISE(ABORT, 'UNIQUE constraint failed: {k.name}') WHERE {_exists(table, k, columns)};" for k in keys
    )
    bodies = {
        "insert": f'BEFORE INSERT ON "{table}" BEGIN {doubled} END',
        "update": f"BEFORE UPDATE ON \"{table}\" {when}BEGIN SELECT RAISE(ABORT, '{words}: UPDATE refused'); END",
        "delete": f"BEFORE DELETE ON \"{table}\" BEGIN SELECT RAISE(ABORT, '{words}: DELETE refused'); END",
    }
    creates = {name: f'CREATE TRIGGER "{name}" {body}' for name, body in _named(bodies)}
    return [Trigger(table=table, name=name, create=create, witness=create) for name, create in creates.items()]


def _exists(table: str, key: Key, columns: list[str], *, but: str = "") -> str:
    """Whether the table holds a row with the key of NEW; `but` names the column that tells OLD itself apart."""
    terms = [f"({part}) = ({_of_new(part, columns)})" for part in key.parts]
    if key.condition:
        terms += [f"({key.condition})", f"({_of_new(key.condition, columns)})"]
    if but:
        terms.append(f'"{but}" IS NOT OLD."{but}"')
    return f'EXISTS (SELECT 1 FROM "{table}" WHERE {" AND ".join(terms)})'  # noqa: S608 - a model's own names


def _of_new(sql: str, columns: list[str]) -> str:
    names = "|".join(re.escape(column) for column in columns)
    return re.sub(f'"({names})"', r'NEW."\1"', sql)


def _keys(model: type[Model], connection: BaseDatabaseWrapper) -> Iterator[Key]:
    singles = [[field.name] for field in _fields(model) if field.unique]
    totals = [constraint.fields for constraint in model._meta.total_unique_constraints]
    for names in [*singles, *model._meta.unique_together, *totals]:
        yield _plain_key(model, names)
    for constraint in model._meta.constraints:
        if isinstance(constraint, UniqueConstraint) and (constraint.condition or constraint.expressions):
            key = _plain_key(model, constraint.fields)
            parts = [_sql(model, expression, connection) for expression in constraint.expressions]
            yield Key(
                parts=(*key.parts, *sorted(parts)),
                name=f"index '{constraint.name}'".replace("'", "''") if parts else key.name,
                condition=_sql(model, constraint.condition, connection) if constraint.condition else "",
            )


def _plain_key(model: type[Model], names: Iterable[str]) -> Key:
    columns = [_column(model, name) for name in names]
    return Key(
        parts=tuple(sorted(f'"{column}"' for column in columns)),
        name=", ".join(f"{model._meta.db_table}.{column}" for column in columns),
    )


def _sql(model: type[Model], expression: Any, connection: BaseDatabaseWrapper) -> str:
    """A constraint's expression or condition over the model's own columns, without parameters."""
    query = Query(model, alias_cols=False)
    resolved: Any = query.build_where(expression) if isinstance(expression, Q) else expression.resolve_expression(query)
    if isinstance(resolved, OrderBy):
        resolved = resolved.expression
    sql, params = query.get_compiler(connection=connection).compile(resolved)
    # A trigger takes no parameters; Django writes those of a constraint into its text in the same way.
    editor = connection.schema_editor()
    return sql % tuple(editor.quote_value(value) for value in params)


# PostgreSQL: one function for all tables; it compares whole rows, so that a new column is guarded from its first day.

FUNCTION = "ledger_guard"
BODY = """
DECLARE
    was jsonb;
    becomes jsonb;
    columns text[];
BEGIN
    IF TG_OP = 'UPDATE' AND TG_NARGS > 1 THEN
        was := to_jsonb(OLD);
        becomes := to_jsonb(NEW);
        columns := TG_ARGV[1:];
        IF TG_ARGV[0] = 'grows' THEN
            IF (becomes ->> columns[1])::bigint > (was ->> columns[1])::bigint
                AND becomes -> columns[2] = was -> columns[2] THEN
                RETURN NEW;
            END IF;
        ELSIF becomes - columns = was - columns AND becomes <> was AND NOT EXISTS (
            SELECT 1 FROM unnest(columns) AS name
            WHERE was -> name NOT IN ('null'::jsonb, '""'::jsonb) AND was -> name <> becomes -> name
        ) THEN
            RETURN NEW;
        END IF;
    END IF;
    RAISE EXCEPTION '% is append-only: % refused', TG_TABLE_NAME, TG_OP
        USING ERRCODE = 'integrity_constraint_violation';
END
"""
CREATE_FUNCTION = f"CREATE OR REPLACE FUNCTION {FUNCTION}() RETURNS trigger LANGUAGE plpgsql AS $guard${BODY}$guard$"


def _postgresql(model: type[Model], fill_once: list[str], grows: str, *, events: str) -> list[Trigger]:
    table = model._meta.db_table
    arguments: list[str] = []
    if grows:
        arguments = ["grows", grows, _primary_key(model)]
    elif fill_once:
        arguments = ["fill_once", *fill_once]
    quoted = ", ".join(f"'{argument}'" for argument in arguments)
    bodies = {
        "row": f'BEFORE {events} ON "{table}" FOR EACH ROW EXECUTE FUNCTION {FUNCTION}({quoted})',
        "truncate": f'BEFORE TRUNCATE ON "{table}" FOR EACH STATEMENT EXECUTE FUNCTION {FUNCTION}()',
    }
    return [
        Trigger(table=table, name=name, create=f'CREATE TRIGGER "{name}" {body}', witness=BODY)
        for name, body in _named(bodies)
    ]


def _named(bodies: dict[str, str]) -> list[tuple[str, str]]:
    """Each body with a name that changes with it, so that an outdated trigger counts as missing."""
    return [(f"{PREFIX}{event}_{digest(body)[:12]}", body) for event, body in bodies.items()]


def _fields(model: type[Model]) -> list[Field]:
    return list(model._meta.local_concrete_fields)


def _column(model: type[Model], name: str) -> str:
    for field in _fields(model):
        if name in (field.name, field.attname):
            return str(field.column)
    raise ValueError(f"{model._meta.label} has no field {name!r} that its guard names")


def _primary_key(model: type[Model]) -> str:
    return str(model._meta.pk.column)
