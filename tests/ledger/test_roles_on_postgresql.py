"""On PostgreSQL the role that runs the register owns nothing, and may not do what the guard forbids."""

from uuid import UUID

import pytest
from django.core.management import call_command
from django.db import ProgrammingError, connection, transaction

from ledger import guarding
from ledger.acts import recording
from ledger.models import Act, Register
from ledger.verify import verify
from people.models import Place
from tests.ledger.conftest import run_sql

pytestmark = [pytest.mark.std("A-16"), pytest.mark.django_db]


@pytest.fixture
def runner(place: Place) -> str:
    """Let a new role run the register, and become it for the rest of the test."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT rolsuper OR rolcreaterole FROM pg_roles WHERE rolname = current_user")
        if not cursor.fetchone()[0]:
            pytest.skip("the tests' database user may not make roles")
        cursor.execute("CREATE ROLE sited_runner")
        cursor.execute("GRANT sited_runner TO CURRENT_USER")
        call_command("grant_role", "sited_runner", verbosity=0)
        cursor.execute("SET LOCAL ROLE sited_runner")
    return "sited_runner"


def refused(sql: str) -> None:
    with pytest.raises(ProgrammingError, match=r"permission denied|must be owner"), transaction.atomic():
        run_sql(sql)


def test_the_running_role_records_closes_and_verifies(runner, place):
    with recording(actor=None, kind="unit.changed", subject=UUID(int=5)) as rec:
        rec.personal = {"reason": "renamed"}
        assert Place.objects.filter(pk=place.pk).update(known_until_id=rec.seq) == 1
        Place.objects.create(unit=place.unit, name="Ward 9", zone="UTC", known_from_id=rec.seq)
    assert Act.objects.count() == 2
    assert Register.objects.get().demo is False
    assert verify().holds


def test_the_running_role_may_not_do_what_the_guard_forbids(runner):
    for model in guarding.guarded_models():
        table = model._meta.db_table
        refused(f"DELETE FROM {table}")
        refused(f"TRUNCATE {table} CASCADE")
        refused(f"ALTER TABLE {table} DISABLE TRIGGER USER")
    refused("UPDATE people_place SET name = 'Ward 9'")
    refused("UPDATE ledger_act SET content = ''")
    refused("UPDATE ledger_payload SET body = ''")
    refused("DELETE FROM django_migrations")
    refused("CREATE OR REPLACE FUNCTION ledger_guard() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NEW; END'")
