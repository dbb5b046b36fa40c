import pytest
from django.db import IntegrityError, connection, transaction

from ledger.acts import head, history
from people import stale
from people.access import NotPermitted
from people.models import Clinician, KeptForGood, Place, Unit
from people.problems import Problems
from people.units import Level, change_unit, open_unit, tree
from tests.factories import PlaceFactory, an_act, make_appointed, make_cast, make_clinician, make_unit, make_wards

pytestmark = pytest.mark.django_db


def test_a_tree_answers_above_below_path_zone_and_hospital(django_assert_num_queries):
    wards = make_wards()
    with django_assert_num_queries(1):
        now = tree()
        ward = wards.ward.pk
        assert now.above(ward) == (ward, wards.department.pk, wards.hospital.pk, wards.group.pk)
        assert now.below(wards.department.pk) == {wards.department.pk, ward, wards.next_ward.pk}
        assert now.below(ward) == {ward}
        assert now.root == wards.group.pk
        assert now.path(ward) == "Saltmarsh Hospital / Medicine / Ward 4 Tern"
        assert now.path(wards.group.pk) == "Wrenfield Coast Health"
        assert now.hospital(ward) == wards.hospital.pk
        assert now.hospital(wards.hospital.pk) == wards.hospital.pk
        assert now.hospital(wards.group.pk) is None
        assert (now.zone(ward), now.level(ward), now.name(ward)) == ("Australia/Adelaide", "ward", "Ward 4 Tern")


@pytest.mark.parametrize(
    "path",
    [
        "Saltmarsh Hospital / Day Ward",
        "saltmarsh hospital/DAY  WARD",
        "Wrenfield Coast Health / Saltmarsh Hospital / Day Ward",
    ],
)
def test_a_path_finds_its_unit_whatever_its_case_and_spaces(path):
    wards = make_wards()
    assert tree().find(path) == wards.day_ward.pk


def test_a_path_that_is_none_finds_nothing():
    wards = make_wards()
    now = tree()
    assert now.find("Day Ward") is None
    assert now.find("") is None
    assert now.find("Wrenfield Coast Health") == wards.group.pk


def test_a_walk_gives_parents_first_and_siblings_by_name():
    wards = make_wards()
    now = tree()
    assert [(now.name(each), depth) for each, depth in now.walk(wards.hospital.pk)] == [
        ("Saltmarsh Hospital", 0),
        ("Day Ward", 1),
        ("Medicine", 1),
        ("Ward 4 Tern", 2),
        ("Ward 5 Curlew", 2),
    ]


def test_an_empty_register_has_no_root():
    now = tree()
    assert len(now) == 0
    assert list(now.walk()) == []
    with pytest.raises(LookupError, match="start_register"):
        _ = now.root


def test_a_renamed_and_moved_unit_stays_as_it_was_known_before():
    cast = make_cast()
    wards, before = cast.wards, head()
    change_unit(actor=cast.administrator, unit=wards.ward, name="Ward 9 Gannet", parent=wards.other_hospital)
    assert tree().path(wards.ward.pk) == "Heron Point Hospital / Ward 9 Gannet"
    assert tree(before).path(wards.ward.pk) == "Saltmarsh Hospital / Medicine / Ward 4 Tern"
    act = history(wards.ward.uuid).get()
    assert act.kind == "unit.changed"
    assert act.facts["old"]["name"] == "Ward 4 Tern"
    assert act.facts["new"] == {
        "level": "ward", "name": "Ward 9 Gannet", "zone": "Australia/Adelaide",
        "parent": str(wards.other_hospital.uuid),
    }  # fmt: skip


def test_a_moved_unit_touches_everybody_placed_below_it():
    cast = make_cast()
    change_unit(actor=cast.administrator, unit=cast.wards.department, name="General Medicine")
    assert stale.pending() == {(cast.owner.pk, None), (cast.colleague.pk, None)}


def test_a_new_unit_takes_its_parents_zone_and_lies_where_it_was_opened():
    cast = make_cast()
    unit = open_unit(actor=cast.administrator, parent=cast.wards.hospital, level=Level.WARD, name="  Ward 6  Snipe ")
    now = tree()
    assert now.path(unit.pk) == "Saltmarsh Hospital / Ward 6 Snipe"
    assert now.zone(unit.pk) == "Australia/Adelaide"
    assert history(unit.uuid).get().facts["name"] == "Ward 6 Snipe"


@pytest.mark.parametrize(
    ("level", "name", "zone", "field"),
    [
        (Level.WARD, "", "", "name"),
        (Level.WARD, "day WARD", "", "name"),
        (Level.WARD, "Ward 7 / East", "", "name"),
        (Level.WARD, "x" * 121, "", "name"),
        (Level.HOSPITAL, "Another", "", "parent"),
        (Level.GROUP, "Another", "", "parent"),
        (Level.WARD, "Ward 7", "Mars/Olympus", "zone"),
    ],
)
def test_a_unit_that_may_not_stand_there_is_refused_beside_the_field(level, name, zone, field):
    cast = make_cast()
    acts = head()
    with pytest.raises(Problems) as refused:
        open_unit(actor=cast.administrator, parent=cast.wards.hospital, level=level, name=name, zone=zone)
    assert [each.field for each in refused.value.items] == [field]
    assert head() == acts


def test_a_unit_cannot_lie_below_itself():
    cast = make_cast()
    with pytest.raises(Problems, match="below itself"):
        change_unit(actor=cast.administrator, unit=cast.wards.department, parent=cast.wards.department)


@pytest.mark.parametrize("parent", ["other", "itself"])
def test_the_database_refuses_a_second_place_and_a_unit_below_itself(parent):
    unit = make_unit("ward", "Ward")
    if parent == "itself":
        Place.objects.filter(unit=unit).update(known_until_id=an_act())
    with pytest.raises(IntegrityError), transaction.atomic():
        PlaceFactory(unit=unit, parent=unit if parent == "itself" else None)


def test_a_change_that_changes_nothing_is_refused():
    cast = make_cast()
    with pytest.raises(Problems, match="Nothing would change"):
        change_unit(actor=cast.administrator, unit=cast.wards.ward, name="Ward 4 Tern")


def test_only_administrators_of_both_places_open_and_move_units():
    cast = make_cast()
    of_one = make_appointed("administrator", cast.wards.hospital)
    for actor in (cast.educator, cast.manager, cast.owner.user):
        with pytest.raises(NotPermitted):
            open_unit(actor=actor, parent=cast.wards.hospital, level=Level.WARD, name="Ward 6")
    with pytest.raises(NotPermitted):
        change_unit(actor=of_one, unit=cast.wards.ward, parent=cast.wards.other_hospital)
    change_unit(actor=of_one, unit=cast.wards.ward, parent=cast.wards.hospital)
    assert tree().path(cast.wards.ward.pk) == "Saltmarsh Hospital / Ward 4 Tern"


@pytest.mark.std("A-06")
def test_units_clinicians_and_accounts_are_never_deleted():
    clinician = make_clinician(make_unit("ward", "Ward"))
    for row in (clinician, clinician.user, Unit.objects.first()):
        with pytest.raises(KeptForGood):
            row.delete()
        with pytest.raises(KeptForGood):
            type(row).objects.filter(pk=row.pk).delete()
        assert type(row).objects.filter(pk=row.pk).exists()


@pytest.mark.std("A-06")
@pytest.mark.parametrize("table", ["people_unit", "people_clinician", "people_user"])
def test_the_database_itself_refuses_to_delete_or_replace_them_and_lets_them_change(table):
    clinician = make_clinician(make_unit("ward", "Ward"))
    assert Clinician.objects.filter(pk=clinician.pk).update(name="Changed") == 1
    statements = [f"DELETE FROM {table}"]
    if connection.vendor == "sqlite":
        statements.append(f"REPLACE INTO {table} SELECT * FROM {table}")
    for statement in statements:
        with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)
