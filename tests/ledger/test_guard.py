"""The database itself refuses to change or lose what was recorded, whoever asks and in whatever way."""

import pytest
from django.core.checks import run_checks
from django.core.management import call_command
from django.db import IntegrityError, connection, models, transaction

from ledger import guarding
from ledger.acts import recording
from ledger.guard import Guard
from ledger.models import Act, Head, Payload, Register
from ledger.triggers import triggers
from people.models import Place, Placement, Unit
from tests.ledger.conftest import run_sql, unguard

pytestmark = pytest.mark.std("A-16")

REPLACING = {
    "sqlite": [
        "INSERT OR REPLACE INTO ledger_act SELECT * FROM ledger_act",
        "REPLACE INTO ledger_act SELECT * FROM ledger_act",
        # another number, but the hash of an act that is there
        "REPLACE INTO ledger_act (seq, recorded_at, kind, content, previous, hash, algorithm)"
        " SELECT seq + 100, recorded_at, kind, '', '', hash, '' FROM ledger_act",
        "UPDATE OR REPLACE ledger_act SET seq = seq + 1",
        "INSERT INTO ledger_act SELECT * FROM ledger_act WHERE true ON CONFLICT (seq) DO UPDATE SET kind = 'x'",
    ],
    "postgresql": [
        "INSERT INTO ledger_act SELECT * FROM ledger_act ON CONFLICT (seq) DO UPDATE SET kind = 'x'",
        "INSERT INTO ledger_act SELECT * FROM ledger_act ON CONFLICT (hash) DO UPDATE SET kind = 'x'",
    ],
}


def refused(action, *args):
    with pytest.raises(IntegrityError), transaction.atomic():
        action(*args)


@pytest.fixture
def acts(append):
    return [append(personal={"reason": "a private word"}), append()]


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE ledger_act SET content = '{}'",
        "UPDATE ledger_act SET kind = kind",
        "UPDATE ledger_act SET seq = seq + 10",
        "DELETE FROM ledger_act",
        "DELETE FROM ledger_payload",
        "UPDATE ledger_payload SET body = '{}'",
        "UPDATE ledger_payload SET salt = ''",
        "DELETE FROM ledger_head",
        "UPDATE ledger_head SET hash = 'x'",
        "UPDATE ledger_head SET seq = seq - 1",
        "UPDATE ledger_head SET seq = seq",
        "DELETE FROM ledger_register",
        "UPDATE ledger_register SET demo = true",
        "UPDATE ledger_register SET demo = NULL",
        "UPDATE ledger_register SET made_at = '2000-01-01 00:00:00'",
    ],
)
def test_raw_sql_neither_changes_nor_deletes_what_the_ledger_holds(acts, sql):
    refused(run_sql, sql)
    assert list(Act.objects.order_by("seq").values()) == [
        {field.attname: getattr(act, field.attname) for field in Act._meta.concrete_fields} for act in acts
    ]


def test_no_way_of_replacing_a_row_gets_past_the_guard(acts):
    for statement in REPLACING[connection.vendor]:
        refused(run_sql, statement)
    assert [act.content for act in Act.objects.order_by("seq")] == [act.content for act in acts]


def test_a_row_with_two_times_cannot_be_replaced(place):
    if connection.vendor == "sqlite":
        refused(run_sql, "REPLACE INTO people_place SELECT * FROM people_place")
        # no id of its own, but a second row known now of the same unit: a partial unique index
        refused(
            run_sql,
            "REPLACE INTO people_place (unit_id, name, zone, known_from_id)"
            " SELECT unit_id, 'Ward 9', zone, known_from_id FROM people_place",
        )
    else:
        refused(
            run_sql,
            "INSERT INTO people_place SELECT * FROM people_place ON CONFLICT (id) DO UPDATE SET name = 'Ward 9'",
        )
    assert Place.objects.get().name == place.name


def test_the_orm_neither_changes_nor_deletes_acts(acts):
    first = acts[0]
    first.kind = "other"
    refused(first.save)
    refused(Act.objects.bulk_update, [first], ["kind"])
    refused(lambda: Act.objects.filter(pk=2).update(kind="other"))
    refused(Act.objects.filter(pk=2).delete)
    refused(lambda: Act.objects.filter(pk=2)._raw_delete(using="default"))
    refused(Payload.objects.all().delete)
    assert set(Act.objects.values_list("kind", flat=True)) == {"test.noted"}


def test_the_orm_neither_changes_nor_deletes_a_row_with_two_times(place):
    place.name = "Ward 9"
    refused(place.save)
    refused(Place.objects.bulk_update, [place], ["name"])
    refused(place.delete)
    refused(Place.objects.all().delete)
    assert Place.objects.get().name == "Ward 4 Tern"


def test_a_row_is_closed_once_and_nothing_changes_with_it(place):
    with recording(actor=None, kind="unit.changed") as rec:
        refused(lambda: Place.objects.update(known_until_id=rec.seq, name="Ward 9"))
        refused(lambda: Place.objects.update(known_until_id=None))
        assert Place.objects.update(known_until_id=rec.seq) == 1
        refused(lambda: Place.objects.update(known_until_id=None))
        refused(lambda: Place.objects.update(known_until_id=rec.seq))
        refused(lambda: Place.objects.update(known_until_id=place.known_from_id))
    place.refresh_from_db()
    assert (place.name, place.known_until_id) == ("Ward 4 Tern", rec.seq)


def test_a_text_is_filled_once_from_empty(place):
    """Django keeps a text that is not there as '', and a flag's reason is such a text."""
    unit = Unit.objects.create(level=Unit.Level.WARD)
    nameless = Place.objects.create(unit=unit, name="", zone="UTC", known_from_id=place.known_from_id)
    unguard()
    for trigger in triggers(Place, Guard(fill_once=("known_until", "name")), connection):
        run_sql(trigger.create)
    refused(lambda: Place.objects.filter(pk=place.pk).update(name="Ward 9"))
    refused(lambda: Place.objects.filter(pk=place.pk).update(name=""))
    refused(lambda: Place.objects.filter(pk=nameless.pk).update(name="Ward 9", zone="Australia/Perth"))
    assert Place.objects.filter(pk=nameless.pk).update(name="Ward 9") == 1
    refused(lambda: Place.objects.filter(pk=nameless.pk).update(name="Ward 10"))
    assert list(Place.objects.order_by("pk").values_list("name", flat=True)) == ["Ward 4 Tern", "Ward 9"]


def test_a_second_row_known_now_is_refused_until_the_first_is_closed(place):
    with recording(actor=None, kind="unit.changed") as rec:
        newer = {"unit": place.unit, "name": "Ward 9", "zone": "UTC", "known_from_id": rec.seq}
        refused(lambda: Place.objects.create(**newer))
        Place.objects.filter(pk=place.pk).update(known_until_id=rec.seq)
        Place.objects.create(**newer)
    assert Place.objects.known().get().name == "Ward 9"


def test_a_key_that_is_there_is_refused_in_the_words_of_the_database(place):
    """Whoever tells one broken constraint from another by its words can go on doing so."""
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        Place.objects.create(unit=place.unit, name="x", zone="UTC", known_from_id=place.known_from_id)
    words = {"sqlite": "UNIQUE constraint failed: people_place.unit_id", "postgresql": "people_place_one_now"}
    assert words[connection.vendor] in str(caught.value)


@pytest.mark.django_db(transaction=True)
def test_no_guarded_table_can_be_truncated(append):
    append()
    for model in guarding.guarded_models():
        table = model._meta.db_table
        statement = f'TRUNCATE "{table}" CASCADE' if connection.vendor == "postgresql" else f'DELETE FROM "{table}"'
        if connection.vendor == "postgresql" or model.objects.exists():
            refused(run_sql, statement)
    assert Act.objects.count() == Head.objects.count() == Register.objects.count() == 1


def test_every_table_with_two_times_and_every_table_of_the_ledger_is_guarded():
    guarded = set(guarding.guarded_models())
    assert {Act, Payload, Head, Register, Place, Placement} <= guarded
    for model in guarded:
        fields = {field.name for field in model._meta.local_concrete_fields}
        if "known_until" in fields:
            assert "known_until" in guarding.guard_of(model).fill_once, model
        for name in guarding.guard_of(model).fill_once:
            field = model._meta.get_field(name)
            assert field.null or field.empty_strings_allowed, f"{model.__name__}.{name} could never be filled in"


def test_a_guard_that_names_no_field_is_refused():
    with pytest.raises(ValueError, match="no field 'knwon_until'"):
        triggers(Place, Guard(fill_once=("knwon_until",)), connection)


def test_a_guard_can_be_declined():
    assert triggers(Place, Guard(append_only=False), connection) == []


# Where the guard is missing, it is said.


def drop_a_trigger(table: str) -> str:
    name = next(name for on, name in guarding._present(connection) if on == table)
    run_sql(guarding._drop(connection, table, name))
    return name


def test_nothing_is_missing_in_a_migrated_database(db):
    assert guarding.missing_guards() == []
    assert run_checks(tags=["database"], databases=["default"]) == []


def test_a_dropped_trigger_is_missed_and_put_back_by_migrate(db):
    name = drop_a_trigger("people_place")
    event = name.split("_")[1]
    assert guarding.missing_guards() == [f"people_place {event}"]
    warnings = run_checks(tags=["database"], databases=["default"])
    assert [warning.id for warning in warnings] == ["ledger.W001"]
    assert f"people_place {event}" in warnings[0].msg
    call_command("migrate", verbosity=0)
    assert guarding.missing_guards() == []


def test_nothing_is_said_to_be_missing_before_the_migrations_that_wait_have_run(db):
    drop_a_trigger("people_place")
    run_sql("DELETE FROM django_migrations WHERE app = 'people' AND name <> '0001_accounts'")
    assert run_checks(tags=["database"], databases=["default"]) == []
    assert guarding.missing_guards() != [], "verify_ledger and readiness look at the tables as they are"


def test_a_trigger_made_harmless_under_its_own_name_is_missed(db):
    if connection.vendor == "sqlite":
        name = drop_a_trigger("ledger_act")
        run_sql(f'CREATE TRIGGER "{name}" BEFORE DELETE ON ledger_act BEGIN SELECT 1; END')
        missing = 1
    else:
        run_sql(
            "CREATE OR REPLACE FUNCTION ledger_guard() RETURNS trigger LANGUAGE plpgsql AS"
            " $$ BEGIN RETURN COALESCE(NEW, OLD); END $$"
        )
        missing = 2 * len(guarding.guarded_models())
    assert len(guarding.missing_guards()) == missing
    call_command("migrate", verbosity=0)
    assert guarding.missing_guards() == []


def test_a_trigger_switched_off_is_missed(db):
    if connection.vendor == "postgresql":
        run_sql("ALTER TABLE ledger_act DISABLE TRIGGER USER")
        assert guarding.missing_guards() == ["ledger_act row", "ledger_act truncate"]
    else:
        # SQLite switches no trigger off but by dropping it.
        drop_a_trigger("ledger_act")
        assert len(guarding.missing_guards()) == 1


def test_an_outdated_trigger_gives_way_to_the_one_that_is_wanted(place):
    narrow = Guard(fill_once=("known_until", "name"))
    unguard()
    for trigger in triggers(Place, narrow, connection):
        run_sql(trigger.create)
    missing = [words for words in guarding.missing_guards() if words.startswith("people_place")]
    assert missing, "it would let a name be filled in"
    guarding.install(guarding.guarded_models())
    assert guarding.missing_guards() == []
    names = {name for on, name in guarding._present(connection) if on == "people_place"}
    assert names == {trigger.name for trigger in triggers(Place, Place.guard, connection)}


@pytest.mark.django_db(transaction=True)
def test_a_rebuilt_table_has_its_guard_again_after_migrate():
    field = models.TextField(null=True)
    field.set_attributes_from_name("remark")
    with connection.schema_editor() as editor:
        editor.add_field(Place, field)
        if connection.vendor == "sqlite":
            editor._remake_table(Place)  # as most changes of a table do on SQLite; it takes the column away again
        else:
            editor.remove_field(Place, field)
    call_command("migrate", verbosity=0)
    assert guarding.missing_guards() == []
    unit = Unit.objects.create(level=Unit.Level.WARD)
    with recording(actor=None, kind="unit.opened") as rec:
        Place.objects.create(unit=unit, name="Ward 1", zone="UTC", known_from_id=rec.seq)
    refused(Place.objects.all().delete)


@pytest.mark.django_db(transaction=True)
def test_the_guard_stands_again_after_the_flush_between_two_tests(append):
    append()
    call_command("flush", interactive=False, verbosity=0)
    assert not Act.objects.exists()
    assert Head.objects.get().seq == 0
    assert guarding.missing_guards() == []
