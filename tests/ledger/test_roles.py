"""What the role that runs the register may do, as statements; whether they hold is tested on PostgreSQL itself."""

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from ledger import guarding
from ledger.roles import grants

pytestmark = pytest.mark.std("A-16")


def test_a_guarded_table_is_only_read_and_added_to_and_its_open_columns_filled():
    statements = list(grants("runner", connection))
    for model in guarding.guarded_models():
        about = [words for words in statements if f'ON "{model._meta.db_table}"' in words]
        assert about[:2] == [
            f'REVOKE ALL ON "{model._meta.db_table}" FROM "runner"',
            f'GRANT SELECT, INSERT ON "{model._meta.db_table}" TO "runner"',
        ]
        assert len(about) == 2 + bool(model.guard.fill_once or model.guard.grows or model.guard.changes)
    assert 'GRANT UPDATE ("known_until_id") ON "people_place" TO "runner"' in statements
    assert 'GRANT SELECT, INSERT, UPDATE, DELETE ON "people_stale" TO "runner"' in statements


@pytest.mark.django_db
def test_a_role_that_is_not_there_or_an_engine_without_roles_is_an_error():
    with pytest.raises(CommandError) as caught:
        call_command("grant_role", "nobody_of_this_name")
    words = {"sqlite": "Only PostgreSQL has roles", "postgresql": "Nothing was granted to 'nobody_of_this_name'"}
    assert words[connection.vendor] in str(caught.value)
