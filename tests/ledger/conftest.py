import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from uuid import UUID

import pytest
from django.db import connection

from ledger import guarding
from ledger.acts import recording
from ledger.models import Act
from people.models import Place, Unit, User

ROOT = Path(__file__).resolve().parents[2]
# SQLite has no roles.
collect_ignore = [] if connection.vendor == "postgresql" else ["test_roles_on_postgresql.py"]
SUBJECT = UUID("6f1c1c1e-0d0a-4f6e-9c39-1f0c5b0a7a01")


@pytest.fixture
def append(db: None) -> Callable[..., Act]:
    """Write one act in a transaction of its own."""

    def append(
        note: str = "", *, subject: UUID = SUBJECT, personal: dict | None = None, actor: User | None = None
    ) -> Act:
        with recording(actor=actor, kind="test.noted", subject=subject) as rec:
            rec.content["note"] = note
            rec.personal = personal
        return Act.objects.get(pk=rec.seq)

    return append


@pytest.fixture
def place(db: None) -> Place:
    """A row of a table with two times, known now."""
    unit = Unit.objects.create(level=Unit.Level.WARD)
    with recording(actor=None, kind="unit.opened", subject=unit.uuid) as rec:
        return Place.objects.create(unit=unit, name="Ward 4 Tern", zone="Australia/Sydney", known_from_id=rec.seq)


def run_sql(sql: str, *params: object) -> int:
    """Run one statement behind Django's back; the number of rows that it touched."""
    with connection.cursor() as cursor:
        cursor.execute(sql, params)
        return cursor.rowcount


def unguard() -> None:
    """Take every guard away, as somebody who owns the database could."""
    connection.check_constraints()  # PostgreSQL alters no table with deferred checks pending
    guarding.remove(guarding.guarded_models())


@pytest.fixture
def process(transactional_db: None) -> Iterator[Callable[[str], subprocess.Popen[str]]]:
    """Start a Python process of its own on the tests' database, with Django set up and the script running."""
    told = connection.settings_dict
    url = f"sqlite:///{told['NAME']}"
    if connection.vendor == "postgresql":
        url = f"postgres://{told['USER']}:{told['PASSWORD']}@{told['HOST']}:{told['PORT']}/{told['NAME']}"
    started = []

    def start(script: str) -> subprocess.Popen[str]:
        started.append(
            subprocess.Popen(
                [sys.executable, "-c", f"import django\ndjango.setup()\n{script}"],
                cwd=ROOT,
                env=os.environ | {"DATABASE_URL": url, "DJANGO_SETTINGS_MODULE": "config.settings"},
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
            )
        )
        return started[-1]

    yield start
    # A test that failed half way must not leave a writer that holds the ledger's lock.
    for one in started:
        one.kill()
        one.communicate()
