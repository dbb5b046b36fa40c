"""The table 'Who sees and does what' of the product, as people.access answers it."""

from datetime import UTC, date, datetime

import pytest
from django.http import Http404

from ledger import clock
from people.access import OWN, NotPermitted, Right, access_of, require
from people.models import Clinician, User
from tests.factories import (
    AppointmentFactory,
    ClinicianFactory,
    PlacementFactory,
    UserFactory,
    make_appointed,
    make_cast,
    make_clinician,
    make_unit,
    make_wards,
)

pytestmark = pytest.mark.django_db
TODAY = date(2026, 3, 2)

# Of the roles appointed over the owner's department: who has which right about the owner.
ABOUT_OWNER = {
    Right.ANSWER: "colleague supervisor assessor educator manager auditor owner",
    Right.PROGRESS: "supervisor assessor educator manager auditor owner",
    Right.FIGURES: "educator auditor owner",
    Right.UNIT_FIGURES: "educator manager auditor",
    Right.SUPERVISE: "supervisor assessor educator",
    Right.ASSESS: "assessor",
    Right.STAND_DOWN: "supervisor educator manager",
    Right.DECIDE: "educator",
    Right.LOG_ON_BEHALF: "educator",
    Right.FOUND: "educator manager",
    Right.KEEP_RULES: "educator manager",
    Right.PLACE: "educator manager administrator",
    Right.ADMINISTER: "administrator",
}


@pytest.mark.std("B-03")
@pytest.mark.parametrize("right", Right)
def test_who_has_which_right_about_somebody_on_the_ward(right):
    cast = make_cast()
    had = {who for who, user in cast.users().items() if access_of(user).may_about(right, cast.owner)}
    assert had == set(ABOUT_OWNER[right].split())


@pytest.mark.parametrize("right", Right)
def test_whom_and_may_about_whom_agree(right):
    cast = make_cast()
    for user in cast.users().values():
        access = access_of(user)
        one_by_one = {each for each in Clinician.objects.all() if access.may_about(right, each)}
        assert set(access.clinicians_for(right)) == one_by_one


@pytest.mark.std("B-05")
@pytest.mark.parametrize("right", Right)
def test_nobody_has_a_right_about_somebody_of_the_other_hospital(right):
    cast = make_cast()
    for who, user in cast.users().items():
        if who not in ("outsider", "administrator"):
            assert not access_of(user).may_about(right, cast.outsider), who


@pytest.mark.std("A-08")
def test_nobody_decides_supervises_or_places_themselves():
    ward = make_wards().ward
    clinician = make_clinician(ward)
    for role in ("supervisor", "assessor", "educator", "manager", "administrator"):
        AppointmentFactory(user=clinician.user, role=role, unit=ward)
    access = access_of(clinician.user)
    assert {right for right in Right if access.may_about(right, clinician)} == OWN | {
        Right.UNIT_FIGURES, Right.KEEP_RULES, Right.ADMINISTER,
    }  # fmt: skip


def test_an_appointment_covers_its_unit_and_all_below_on_its_days_alone():
    wards = make_wards()
    user = make_appointed("educator", wards.department, from_day=date(2026, 3, 1), until_day=date(2026, 4, 1))
    assert access_of(user, date(2026, 2, 28)).units("educator") == frozenset()
    assert access_of(user, date(2026, 3, 1)).units("educator") == {
        wards.department.pk, wards.ward.pk, wards.next_ward.pk,
    }  # fmt: skip
    assert access_of(user, date(2026, 3, 31)).has("educator", wards.ward.pk)
    assert not access_of(user, date(2026, 4, 1)).has("educator", wards.ward.pk)
    assert not access_of(user, date(2026, 3, 31)).has("educator", wards.day_ward.pk)


def test_today_is_that_of_the_units_own_zone():
    group = make_unit("group", "Group")
    east = make_unit("hospital", "East", group, zone="Pacific/Auckland")
    west = make_unit("hospital", "West", group, zone="America/Los_Angeles")
    user = UserFactory()
    for unit in (east, west):
        AppointmentFactory(user=user, role="manager", unit=unit, from_day=date(2026, 3, 3))
    with clock.at(datetime(2026, 3, 2, 12, 0, tzinfo=UTC)):  # 3 March in Auckland, 2 March in Los Angeles
        assert access_of(user).units("manager") == {east.pk}


def test_an_ended_account_has_no_right_at_all():
    cast = make_cast()
    User.objects.filter(pk=cast.educator.pk).update(is_active=False)
    access = access_of(User.objects.get(pk=cast.educator.pk))
    assert not any(access.may_somewhere(right) for right in Right)


def test_a_look_up_reaches_the_whole_hospital_and_an_administrator_looks_nobody_up():
    cast = make_cast()
    by_day_ward = make_clinician(cast.wards.day_ward)
    assert set(access_of(by_day_ward.user).clinicians_for(Right.ANSWER)) == {cast.owner, cast.colleague, by_day_ward}
    assert not access_of(cast.administrator).clinicians_for(Right.ANSWER).exists()


def test_somebody_without_a_placement_that_day_belongs_to_the_last_home_else_the_next():
    wards = make_wards()
    gone = ClinicianFactory()
    PlacementFactory(clinician=gone, unit=wards.other_ward, until_day=date(2025, 1, 1))
    PlacementFactory(clinician=gone, unit=wards.ward, from_day=date(2025, 1, 1), until_day=date(2026, 1, 1))
    PlacementFactory(clinician=gone, unit=wards.day_ward, from_day=date(2027, 1, 1))
    coming = ClinicianFactory()
    PlacementFactory(clinician=coming, unit=wards.ward, from_day=date(2027, 1, 1))
    nowhere = ClinicianFactory()
    assert set(Clinician.objects.all().belonging({wards.ward.pk}, TODAY)) == {gone, coming}
    assert set(Clinician.objects.all().placed({wards.ward.pk}, TODAY)) == set()
    assert not Clinician.objects.all().belonging({wards.other_ward.pk, wards.day_ward.pk}, TODAY).exists()
    assert nowhere not in Clinician.objects.all().belonging(
        {wards.ward.pk, wards.other_ward.pk, wards.day_ward.pk}, TODAY
    )


def test_a_second_placement_counts_as_well_as_the_home():
    wards = make_wards()
    clinician = make_clinician(wards.ward)
    PlacementFactory(clinician=clinician, unit=wards.other_ward, home=False, kind="bank")
    educator = make_appointed("educator", wards.other_hospital)
    assert access_of(educator).may_about(Right.FIGURES, clinician)
    access = access_of(clinician.user)
    assert access.hospitals == {wards.hospital.pk, wards.other_hospital.pk}
    assert access.home == wards.ward.pk


@pytest.mark.std("B-03")
def test_out_of_scope_is_not_found_and_in_scope_without_the_right_is_not_permitted():
    cast = make_cast()
    access = access_of(cast.supervisor)
    assert access.get_clinician(cast.owner.uuid, Right.PROGRESS) == cast.owner
    with pytest.raises(NotPermitted):
        access.get_clinician(cast.owner.uuid, Right.FIGURES)
    for uuid in (cast.outsider.uuid, UserFactory().uuid):
        with pytest.raises(Http404):
            access.get_clinician(uuid, Right.PROGRESS)
    with pytest.raises(NotPermitted):
        access.get_unit(cast.wards.ward.pk, Right.KEEP_RULES)
    with pytest.raises(Http404):
        access.get_unit(cast.wards.other_ward.pk, Right.KEEP_RULES)


def test_a_write_without_the_right_stops_at_the_door():
    cast = make_cast()
    require(cast.educator, Right.DECIDE, cast.wards.ward.pk)
    for user, unit in ((cast.manager, cast.wards.ward), (cast.educator, cast.wards.day_ward)):
        with pytest.raises(NotPermitted):
            require(user, Right.DECIDE, unit.pk)


def test_access_takes_four_queries_whatever_the_register(django_assert_num_queries):
    cast = make_cast()
    for number in range(20):
        make_clinician(make_unit("ward", f"Ward X{number}", cast.wards.hospital))
        AppointmentFactory(user=cast.owner.user, role="supervisor", unit=cast.wards.ward)
    user = User.objects.get(pk=cast.owner.user.pk)
    with django_assert_num_queries(4):
        access = access_of(user)
        assert access.units("supervisor") == {cast.wards.ward.pk}
        assert access.may(Right.ANSWER, cast.wards.day_ward.pk)
    with django_assert_num_queries(1):
        assert len(access.clinicians_for(Right.ANSWER)) == 22
