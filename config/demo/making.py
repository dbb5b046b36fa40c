"""Which database becomes the demo register, and when it is whole: never one with records that somebody else made.

On SQLite it is filled in a file beside the real one and takes its name when it is whole, so that nothing cut short is
ever served. That file is written without waiting for the disk (synchronous off): it counts for nothing until then.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

from django.core.management import call_command
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from config.demo.filling import FILLED, Say, fill
from config.demo.plan import Plan
from ledger import register
from ledger.models import Act

BESIDE = "-filling"


class NotOursError(Exception):
    """This database holds records that the demo did not make, or half a demo that cannot be taken away from here."""


def filled_on() -> date | None:
    """The day up to which the register in this database was filled by a demo; None where it is empty.

    Raises NotOursError.
    """
    if Act._meta.db_table not in connection.introspection.table_names():
        if connection.introspection.table_names():
            raise NotOursError("This database holds something else: name an empty one.")
        return None
    if _is_behind():
        call_command("migrate", verbosity=0)
    filled = Act.objects.filter(kind=FILLED).order_by("-seq").first()
    if filled is not None and register.is_demo():
        return date.fromisoformat(filled.facts["today"])
    if not Act.objects.exists():
        return None
    if register.is_demo():
        raise NotOursError(
            "An earlier filling of this database was cut short, and what is in a register is never deleted: make a "
            "new, empty database."
        )
    raise NotOursError(
        "This register holds records, and the demo did not make it. Nothing was changed. Name another database in "
        "SITED_DATABASE or DATABASE_URL."
    )


def _is_behind() -> bool:
    """Whether migrations wait: asked first, because to migrate where there is nothing to do takes seconds."""
    executor = MigrationExecutor(connection)
    return bool(executor.migration_plan(executor.loader.graph.leaf_nodes()))


def make(plan: Plan, *, say: Say, review: bool) -> None:
    """Make and fill the register in an empty database. Raises NotOursError where another call is doing so."""
    if connection.vendor != "sqlite":
        _make_here(plan, say=say, review=review)
        return
    final = Path(connection.settings_dict["NAME"])
    beside = final.with_name(final.name + BESIDE)
    with _alone(beside):
        if beside.exists():
            say("An earlier filling was cut short: starting anew.")
        _remove(beside)
        _release(final)
        with _named(beside):
            connection.ensure_connection()
            with connection.cursor() as cursor:
                cursor.execute("PRAGMA synchronous=OFF")
            _make_here(plan, say=say, review=review)
            with connection.cursor() as cursor:
                cursor.execute("PRAGMA synchronous=FULL")
                cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        _to_disk(beside)
        beside.replace(final)
        _to_disk(final.parent)
        _remove(beside)


def _make_here(plan: Plan, *, say: Say, review: bool) -> None:
    call_command("migrate", verbosity=0)
    register.mark_demo()
    fill(plan, say=say, review=review)


@contextmanager
def _named(path: Path) -> Iterator[None]:
    """The connection of this process goes to another file meanwhile."""
    connection.close()
    usual = connection.settings_dict["NAME"]
    connection.settings_dict["NAME"] = str(path)
    try:
        yield
    finally:
        connection.close()
        connection.settings_dict["NAME"] = usual


@contextmanager
def _alone(beside: Path) -> Iterator[None]:
    """One filling at a time."""
    if os.name == "nt":
        yield
        return
    import fcntl

    with beside.with_name(beside.name + "-lock").open("a") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise NotOursError("Another call is filling this register: wait for it.") from None
        yield
    Path(lock.name).unlink(missing_ok=True)


def _release(final: Path) -> None:
    """Let go of an empty database, with what SQLite keeps beside it: a log left there would belong to no file."""
    if not final.exists():
        return
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA journal_mode=DELETE")
        if cursor.fetchone() != ("delete",):
            raise NotOursError(f"Something else has {final} open: end it first.")
    connection.close()


def _remove(path: Path) -> None:
    for end in ("", "-wal", "-shm", "-journal"):
        path.with_name(path.name + end).unlink(missing_ok=True)


def _to_disk(path: Path) -> None:
    if os.name == "nt" and path.is_dir():
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
