"""On PostgreSQL: what the role that runs the register may do, once another role owns and migrates it."""

from collections.abc import Iterator

from django.apps import apps
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.recorder import MigrationRecorder

from ledger.guarding import guard_of


def grants(role: str, connection: BaseDatabaseWrapper) -> Iterator[str]:
    """The statements that give `role` what the running register needs, and take everything else away.

    A guarded table may be read and added to; only the columns that its guard lets be filled may be updated. A role
    that owns no table can neither drop a trigger nor truncate. To be run again after each migration.
    """
    quote = connection.ops.quote_name
    name = quote(role)
    yield f"GRANT USAGE ON SCHEMA public TO {name}"
    yield f"GRANT USAGE, SELECT ON ALL SEQUENCES IN SCHEMA public TO {name}"
    migrations = quote(MigrationRecorder.Migration._meta.db_table)
    yield f"REVOKE ALL ON {migrations} FROM {name}"
    yield f"GRANT SELECT ON {migrations} TO {name}"
    for model in apps.get_models(include_auto_created=True):
        if model._meta.proxy or not model._meta.managed:
            continue
        table = quote(model._meta.db_table)
        yield f"REVOKE ALL ON {table} FROM {name}"
        guard = guard_of(model)
        if guard is None:
            yield f"GRANT SELECT, INSERT, UPDATE, DELETE ON {table} TO {name}"
            continue
        yield f"GRANT SELECT, INSERT ON {table} TO {name}"
        fields = model._meta.local_concrete_fields
        changes = guard.changes or bool(guard.grows)
        columns = [quote(str(field.column)) for field in fields if changes or field.name in guard.fill_once]
        if columns:
            yield f"GRANT UPDATE ({', '.join(columns)}) ON {table} TO {name}"
