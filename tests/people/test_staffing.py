from datetime import date, timedelta
from threading import Barrier, Thread

import pytest
from django.db import connection
from hypothesis import given
from hypothesis import strategies as st

from ledger.acts import head, history
from people import stale
from people.access import NotPermitted
from people.models import Absence, Appointment, Clinician, Placement
from people.problems import Problems
from people.staffing import (
    Kind,
    Newcomer,
    appoint,
    change_clinician,
    end_absence,
    end_appointment,
    end_placement,
    home_problem,
    move,
    open_clinician,
    place,
    set_absence,
)
from tests.factories import (
    AppointmentFactory,
    ClinicianFactory,
    PlacementFactory,
    UserFactory,
    make_appointed,
    make_cast,
    make_clinician,
)

pytestmark = pytest.mark.django_db
JAN, MARCH, MAY = date(2026, 1, 1), date(2026, 3, 1), date(2026, 5, 1)


@pytest.fixture
def cast():
    return make_cast()


def spans(clinician):
    rows = Placement.objects.known().filter(clinician=clinician).order_by("from_day", "-home")
    return [(row.unit, row.from_day, row.until_day, row.home) for row in rows]


def fields(refused):
    return [each.field for each in refused.value.items]


# --- taking people in ---


def test_a_newcomer_gets_a_home_an_act_and_a_place_in_the_outbox(cast):
    newcomer = Newcomer(name=" Bea  Fenn ", profession="doctor", staff_number=" 004711 ")
    bea = open_clinician(actor=cast.manager, newcomer=newcomer, unit=cast.wards.ward, kind=Kind.BANK, from_day=MARCH)
    assert (bea.name, bea.staff_number) == ("Bea Fenn", "004711")
    assert spans(bea) == [(cast.wards.ward, MARCH, None, True)]
    act = history(bea.uuid).get()
    assert (act.kind, act.actor) == ("clinician.opened", cast.manager)
    assert "Bea" not in act.content
    assert "Bea Fenn" in act.payload.body
    assert stale.pending([bea.pk]) == {(bea.pk, None)}


def test_who_has_no_staff_number_is_given_one_that_nobody_had(cast):
    ClinicianFactory(staff_number="SITED-00001")
    two = [
        open_clinician(actor=cast.manager, newcomer=Newcomer(name=name), unit=cast.wards.ward, from_day=MARCH)
        for name in ("A", "B")
    ]
    assert [each.staff_number for each in two] == ["SITED-00002", "SITED-00003"]


@pytest.mark.std("A-06")
def test_a_staff_number_is_never_given_twice_even_after_its_owner_left(cast):
    left = ClinicianFactory(staff_number="AB12")
    PlacementFactory(clinician=left, unit=cast.wards.ward, until_day=JAN)
    acts = head()
    newcomer = Newcomer(name="Bea", staff_number="ab12")
    with pytest.raises(Problems) as refused:
        open_clinician(actor=cast.manager, newcomer=newcomer, unit=cast.wards.ward, from_day=MARCH)
    assert fields(refused) == ["staff_number"]
    assert (head(), Clinician.objects.filter(name="Bea").exists()) == (acts, False)


def test_a_changed_name_is_a_new_act_and_nobody_changes_their_own(cast):
    change_clinician(actor=cast.manager, clinician=cast.owner, name="Ana Wren", profession="midwife")
    assert str(Clinician.objects.get(pk=cast.owner.pk)) == "Ana Wren"
    assert history(cast.owner.uuid).get().payload.body == '{"new":"Ana Wren","old":"Ana Owner"}'
    AppointmentFactory(user=cast.owner.user, role="manager", unit=cast.wards.ward)
    with pytest.raises(NotPermitted):
        change_clinician(actor=cast.owner.user, clinician=cast.owner, name="Queen", profession="nurse")


# --- exactly one home ---


def test_a_second_placement_goes_beside_the_home(cast):
    place(actor=cast.manager, clinician=cast.owner, unit=cast.wards.next_ward, kind=Kind.BANK, home=False, from_day=JAN)
    assert [home for _, _, _, home in spans(cast.owner)] == [True, False]


@pytest.mark.parametrize(("home", "words"), [(True, "two home placements"), (False, "no home placement")])
def test_a_day_with_two_homes_or_none_is_refused_as_a_whole(cast, home, words):
    unplaced = ClinicianFactory()
    clinician = cast.owner if home else unplaced
    acts = head()
    with pytest.raises(Problems, match=words) as refused:
        place(actor=cast.manager, clinician=clinician, unit=cast.wards.next_ward, home=home, from_day=JAN)
    assert fields(refused) == ["home"]
    assert head() == acts
    assert len(spans(clinician)) == (1 if home else 0)


def test_the_same_placement_twice_is_refused(cast):
    with pytest.raises(Problems, match="stands already"):
        place(actor=cast.manager, clinician=cast.owner, unit=cast.wards.ward, home=False, from_day=JAN)


def test_a_move_ends_the_old_home_on_the_day_and_keeps_what_was_known(cast):
    before = head()
    move(actor=cast.manager, clinician=cast.owner, unit=cast.wards.next_ward, from_day=MARCH)
    old, new = spans(cast.owner)
    assert old == (cast.wards.ward, date(2020, 1, 1), MARCH, True)
    assert new == (cast.wards.next_ward, MARCH, None, True)
    assert Placement.objects.known(before).get(clinician=cast.owner).until_day is None
    assert stale.pending([cast.owner.pk])


def test_a_move_that_stays_leaves_the_old_home_as_a_second_placement(cast):
    move(actor=cast.manager, clinician=cast.owner, unit=cast.wards.next_ward, from_day=MARCH, stay=True)
    assert spans(cast.owner)[1:] == [
        (cast.wards.next_ward, MARCH, None, True),
        (cast.wards.ward, MARCH, None, False),
    ]


def test_a_move_across_a_later_home_is_refused(cast):
    move(actor=cast.manager, clinician=cast.owner, unit=cast.wards.next_ward, from_day=MAY)
    with pytest.raises(Problems, match="Another home begins on 1 May 2026"):
        move(actor=cast.manager, clinician=cast.owner, unit=cast.wards.next_ward, from_day=MARCH)


def test_an_ended_home_hands_over_to_the_placement_that_is_named(cast):
    home = cast.owner.placements.get()
    second = place(
        actor=cast.manager, clinician=cast.owner, unit=cast.wards.next_ward, kind=Kind.BANK, home=False, from_day=JAN
    )
    with pytest.raises(Problems, match="no home placement"):
        end_placement(actor=cast.manager, placement=home, until_day=MARCH)
    end_placement(actor=cast.manager, placement=home, until_day=MARCH, new_home=second)
    assert spans(cast.owner) == [
        (cast.wards.ward, date(2020, 1, 1), MARCH, True),
        (cast.wards.next_ward, JAN, MARCH, False),
        (cast.wards.next_ward, MARCH, None, True),
    ]


def test_the_last_placement_may_end_and_nothing_is_left(cast):
    end_placement(actor=cast.manager, placement=cast.owner.placements.get(), until_day=MARCH)
    assert spans(cast.owner) == [(cast.wards.ward, date(2020, 1, 1), MARCH, True)]


def test_a_placement_that_somebody_else_changed_meanwhile_is_looked_at_again(cast):
    seen = cast.owner.placements.get()
    end_placement(actor=cast.manager, placement=seen, until_day=MARCH)
    with pytest.raises(Problems, match="look at it again"):
        end_placement(actor=cast.manager, placement=seen, until_day=MAY)


@pytest.mark.parametrize("who", ["supervisor", "auditor", "owner", "outsider"])
def test_others_place_nobody(cast, who):
    with pytest.raises(NotPermitted):
        place(actor=cast.users()[who], clinician=cast.colleague, unit=cast.wards.next_ward, home=False, from_day=JAN)


def test_a_move_needs_both_units_and_nobody_places_themselves(cast):
    with pytest.raises(NotPermitted):
        move(actor=cast.manager, clinician=cast.owner, unit=cast.wards.other_ward, from_day=MARCH)
    elsewhere = make_appointed("manager", cast.wards.other_hospital)
    with pytest.raises(NotPermitted):
        move(actor=elsewhere, clinician=cast.owner, unit=cast.wards.other_ward, from_day=MARCH)
    AppointmentFactory(user=cast.owner.user, role="administrator", unit=cast.wards.group)
    with pytest.raises(NotPermitted):
        move(actor=cast.owner.user, clinician=cast.owner, unit=cast.wards.other_ward, from_day=MARCH)


DAYS = st.integers(0, 12).map(lambda offset: JAN + timedelta(days=offset))
SPANS = st.lists(st.tuples(DAYS, st.none() | DAYS, st.booleans()), max_size=5)


@given(SPANS)
def test_looking_at_the_edges_finds_what_looking_at_every_day_finds(spans):
    spans = [span for span in spans if span[1] is None or span[0] <= span[1]]
    wrong = False
    for offset in range(40):
        day = JAN + timedelta(days=offset)
        homes = [home for start, end, home in spans if start <= day and (end is None or day < end)]
        wrong |= bool(homes) and sum(homes) != 1
    assert (home_problem(spans) is not None) == wrong


# --- appointments ---


def test_an_appointment_is_made_and_its_last_day_set(cast):
    made = appoint(
        actor=cast.administrator, user=cast.owner.user, role="supervisor", unit=cast.wards.ward, from_day=JAN
    )
    assert history(cast.owner.user.uuid).get().facts == {
        "role": "supervisor", "unit": str(cast.wards.ward.uuid), "from_day": "2026-01-01", "until_day": None,
    }  # fmt: skip
    changed = end_appointment(actor=cast.administrator, appointment=made, until_day=MARCH)
    assert (changed.uuid, changed.until_day) == (made.uuid, MARCH)
    assert Appointment.objects.known().filter(user=cast.owner.user).get() == changed
    assert stale.pending([cast.owner.pk]) == {(cast.owner.pk, None)}


def test_an_appointment_tells_the_outbox_whose_statements_rest_on_which_days(cast, monkeypatch):
    seen = []
    monkeypatch.setitem(stale._others, "appointment.ended", [lambda change: seen.append(change) or [cast.colleague.pk]])
    made = AppointmentFactory(user=cast.supervisor, unit=cast.wards.ward, until_day=MAY)
    end_appointment(actor=cast.administrator, appointment=made, until_day=MARCH)
    assert (seen[0].user, seen[0].from_day, seen[0].until_day) == (cast.supervisor.pk, MARCH, MAY)
    assert stale.pending() == {(cast.colleague.pk, None)}


@pytest.mark.std("A-07")
def test_nobody_appoints_themselves_or_lengthens_their_own_appointment(cast):
    with pytest.raises(NotPermitted):
        appoint(actor=cast.administrator, user=cast.administrator, role="educator", unit=cast.wards.ward, from_day=JAN)
    own = Appointment.objects.get(user=cast.administrator)
    shorter = end_appointment(actor=cast.administrator, appointment=own, until_day=date(2099, 1, 1))
    with pytest.raises(NotPermitted):
        end_appointment(actor=cast.administrator, appointment=shorter, until_day=None)


@pytest.mark.parametrize("who", ["educator", "manager", "owner"])
def test_only_administrators_appoint(cast, who):
    with pytest.raises(NotPermitted):
        appoint(actor=cast.users()[who], user=UserFactory(), role="supervisor", unit=cast.wards.ward, from_day=JAN)


def test_the_same_appointment_twice_or_of_an_ended_account_is_refused(cast):
    ended = UserFactory(is_active=False)
    for user, field in ((cast.supervisor, "from_day"), (ended, "user")):
        with pytest.raises(Problems) as refused:
            appoint(actor=cast.administrator, user=user, role="supervisor", unit=cast.wards.department, from_day=JAN)
        assert fields(refused) == [field]
    with pytest.raises(Problems) as refused:
        appoint(
            actor=cast.administrator, user=UserFactory(), role="manager", unit=cast.wards.ward, from_day=MAY,
            until_day=JAN,
        )  # fmt: skip
    assert fields(refused) == ["until_day"]


# --- absences ---


def test_an_absence_is_dates_and_no_reason(cast):
    set_absence(actor=cast.educator, clinician=cast.owner, from_day=JAN, until_day=MARCH)
    assert history(cast.owner.uuid).get().facts == {"from_day": "2026-01-01", "until_day": "2026-03-01"}
    with pytest.raises(Problems, match="lies in these days"):
        set_absence(actor=cast.educator, clinician=cast.owner, from_day=date(2026, 2, 28), until_day=MAY)
    set_absence(actor=cast.educator, clinician=cast.owner, from_day=MARCH, until_day=MAY)


def test_an_absence_that_ends_on_its_first_day_never_was(cast):
    made = set_absence(actor=cast.educator, clinician=cast.owner, from_day=JAN, until_day=None)
    end_absence(actor=cast.educator, absence=made, until_day=JAN)
    assert not any(row.holds_on(JAN) for row in Absence.objects.known())
    with pytest.raises(NotPermitted):
        set_absence(actor=cast.educator, clinician=cast.outsider, from_day=JAN, until_day=MARCH)


def test_every_placement_is_made_by_an_act_that_holds(cast):
    clinician = make_clinician(cast.wards.ward)
    move(actor=cast.manager, clinician=clinician, unit=cast.wards.next_ward, from_day=MARCH)
    act = history(clinician.uuid).get()
    assert act.facts["placed"]["unit"] == str(cast.wards.next_ward.uuid)
    assert act.facts["was"][0]["unit"] == str(cast.wards.ward.uuid)
    assert Placement.objects.filter(known_from=act).count() == 2
    assert Placement.objects.filter(known_until=act).count() == 1


@pytest.mark.django_db(transaction=True)
def test_of_two_who_give_somebody_a_home_at_the_same_moment_one_is_refused():
    cast = make_cast()
    clinician = ClinicianFactory()
    barrier, answers = Barrier(2), []

    def place_on(unit):
        barrier.wait()
        try:
            place(actor=cast.manager, clinician=clinician, unit=unit, home=True, from_day=JAN)
            answers.append("placed")
        except Problems as problems:
            answers.append(problems.items[0].field)
        finally:
            connection.close()

    threads = [Thread(target=place_on, args=[unit]) for unit in (cast.wards.ward, cast.wards.next_ward)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answers) == ["home", "placed"]
    assert len(spans(clinician)) == 1
