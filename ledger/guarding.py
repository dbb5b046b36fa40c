"""Putting the guard into a database, and finding where it is missing."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any
from uuid import uuid4

from django.apps import AppConfig, apps
from django.core.checks import CheckMessage, Warning
from django.db import DEFAULT_DB_ALIAS, connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.executor import MigrationExecutor
from django.db.models import Model
from django.utils import timezone

from ledger.guard import Guard
from ledger.models import Act, Head, Register
from ledger.triggers import BODY, CREATE_FUNCTION, FUNCTION, PREFIX, Trigger, triggers


def guard_of(model: type[Model]) -> Guard | None:
    guard = getattr(model, "guard", None)
    return guard if isinstance(guard, Guard) and guard.append_only else None


def guarded_models(app_config: AppConfig | None = None) -> list[type[Model]]:
    """Every model with a table of its own and a guard, of one app or of all."""
    models = (app_config or apps).get_models()
    return [model for model in models if guard_of(model) and model._meta.managed and not model._meta.proxy]


def missing_guards(using: str = DEFAULT_DB_ALIAS) -> list[str]:
    """The triggers that should stand in this database and do not, or not as they should: 'table event'."""
    connection = connections[using]
    tables = set(connection.introspection.table_names())
    present = _present(connection)
    return [
        f"{trigger.table} {trigger.name.removeprefix(PREFIX).rpartition('_')[0]}"
        for model in guarded_models()
        if model._meta.db_table in tables
        for trigger in _wanted(model, model, connection)
        if present.get((trigger.table, trigger.name)) != trigger.witness
    ]


def install(models: Iterable[type[Model]], using: str = DEFAULT_DB_ALIAS, *, state: Any = apps) -> None:
    """Make the triggers of these models what they should be; `state` holds the models as they stand in the database."""
    connection = connections[using]
    tables = set(connection.introspection.table_names())
    present = _present(connection)
    with transaction.atomic(using), connection.cursor() as cursor:
        if connection.vendor == "postgresql" and not _function_stands(cursor):
            cursor.execute(CREATE_FUNCTION)
        for model in models:
            try:
                migrated = state.get_model(model._meta.label)
            except LookupError:
                continue
            table = migrated._meta.db_table
            if table not in tables:
                continue
            wanted = {trigger.name: trigger for trigger in _wanted(model, migrated, connection)}
            there = {name: witness for (on, name), witness in present.items() if on == table}
            whole = {name for name, trigger in wanted.items() if there.get(name) == trigger.witness}
            for name in there.keys() - whole:
                cursor.execute(_drop(connection, table, name))
            for name in wanted.keys() - whole:
                cursor.execute(wanted[name].create)


def remove(models: Iterable[type[Model]], using: str = DEFAULT_DB_ALIAS) -> None:
    """Take the guard off these models' tables."""
    connection = connections[using]
    tables = {model._meta.db_table for model in models}
    with transaction.atomic(using), connection.cursor() as cursor:
        for table, name in _present(connection):
            if table in tables:
                cursor.execute(_drop(connection, table, name))


@contextmanager
def lifted(using: str = DEFAULT_DB_ALIAS) -> Iterator[None]:
    """Without any guard: for the tests' flush between two tests, and for nothing else."""
    remove(guarded_models(), using)
    try:
        yield
    finally:
        install(guarded_models(), using)


# What Django calls: before and after migrations, and for `check --database default`.


def lift_for_migrations(*, app_config: AppConfig, using: str, plan: Any = (), **_: Any) -> None:
    """A migration may rebuild or fill a guarded table: lift the guard of the apps that have one to run."""
    if any(migration.app_label == app_config.label for migration, _backwards in plan):
        remove(guarded_models(app_config), using)


def install_after_migrations(*, app_config: AppConfig, using: str, **kwargs: Any) -> None:
    state = kwargs.get("apps", apps)
    install(guarded_models(app_config), using, state=state)
    if app_config.label == "ledger" and "ledger_head" in connections[using].introspection.table_names():
        _lay_first_rows(using)


def check_guards(*, databases: Iterable[str] | None = None, **_: Any) -> list[CheckMessage]:
    # A warning, since an error would stop the very `migrate` that mends it; verify_ledger and readiness fail.
    return [
        Warning(f"The guard is missing: {missing}", hint="Run migrate, then verify_ledger.", id="ledger.W001")
        for using in databases or ()
        if (all_missing := missing_guards(using)) and not _is_behind(using)
        for missing in all_missing
    ]


def _is_behind(using: str) -> bool:
    """Whether migrations wait: until they have run, the guard is that of the tables as they are."""
    executor = MigrationExecutor(connections[using])
    return bool(executor.migration_plan(executor.loader.graph.leaf_nodes()))


def _lay_first_rows(using: str) -> None:
    if not Head.objects.using(using).exists() and not Act.objects.using(using).exists():
        Head(seq=0).save(using=using, force_insert=True)
    if not Register.objects.using(using).exists():
        Register(uuid=uuid4(), made_at=timezone.now()).save(using=using, force_insert=True)


def _wanted(model: type[Model], migrated: type[Model], connection: BaseDatabaseWrapper) -> list[Trigger]:
    guard = guard_of(model)
    return triggers(migrated, guard, connection) if guard else []


def _present(connection: BaseDatabaseWrapper) -> dict[tuple[str, str], str]:
    """The guard's triggers in the database: (table, name) -> what the catalogue shows, '' if switched off."""
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT tbl_name, name, sql FROM sqlite_master WHERE type = 'trigger'")
        else:
            cursor.execute(
                "SELECT relname, tgname, CASE WHEN tgenabled IN ('O', 'A') THEN prosrc ELSE '' END FROM pg_trigger"
                " JOIN pg_class ON pg_class.oid = tgrelid JOIN pg_proc ON pg_proc.oid = tgfoid"
                " WHERE NOT tgisinternal AND pg_table_is_visible(pg_class.oid)"
            )
        return {(table, name): shown for table, name, shown in cursor.fetchall() if name.startswith(PREFIX)}


def _function_stands(cursor: Any) -> bool:
    cursor.execute("SELECT prosrc FROM pg_proc WHERE proname = %s AND pg_function_is_visible(oid)", [FUNCTION])
    return (BODY,) in cursor.fetchall()


def _drop(connection: BaseDatabaseWrapper, table: str, name: str) -> str:
    where = f' ON "{table}"' if connection.vendor == "postgresql" else ""
    return f'DROP TRIGGER "{name}"{where}'
