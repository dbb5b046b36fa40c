# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""The narrow table follows every cause at once, and is the same when made again from nothing."""

from datetime import date, datetime

import pytest

from audits.awards import NewRestriction, NewScope, add_restriction, add_scope, end_award, end_restriction, end_scope
from audits.countersigning import NotEligible, accept_on_other_evidence, countersign
from audits.disputes import open_dispute, take_back
from audits.entry import Difficulty
from audits.figures import Credit, Row, Safety, Stratum
from audits.logbook import record_insertion
from audits.models import Award, Outcome
from audits.outcomes import rebuild, wrong
from ledger.acts import recording
from people.appointing import end_appointment
from people.models import Appointment, Clinician, Placement, Stale
from people.staffing import place
from people.units import change_unit
from tests.audits.conftest import FAILED, WORKED, confirmed, give_award
from tests.factories import PlacementFactory, an_act, make_appointed


@pytest.fixture
def signed(stage):
    logged = record_insertion(actor=stage.owner.user, entry=stage.entry())
    countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    return logged


def row(insertion):
    return Row._make(Outcome.objects.filter(insertion=insertion.pk).values_list(*Row._fields).get())


def test_every_column_says_what_its_name_says(stage):
    logged = record_insertion(
        actor=stage.owner.user,
        entry=stage.entry(
            attempts=(FAILED, WORKED),
            others_before=2,
            events=("needlestick", "arterial_puncture"),
            difficulty=Difficulty(scale="adult_five", score=4, scored="before"),
        ),
    )
    assert row(logged) == Row(
        clinician=stage.owner.pk,
        procedure=stage.procedure.pk,
        time=int(datetime.fromisoformat("2026-03-02T01:30:00+00:00").timestamp()),
        tie=logged.uuid.int % 2**63,
        insertion=logged.pk,
        day=date(2026, 3, 2).toordinal(),
        in_rate=1,
        success=0,
        punctures=2,
        total=4,
        events=0b101,
        safety=Safety.YES,
        credit=Credit.NONE,
        in_question=0,
        volume=1,
        partial=0,
        supervisor=stage.supervisor.pk,
        unit=stage.ward.pk,
        stratum=Stratum.RESCUE | Stratum.DIFFICULT,
    )


def test_a_simulation_is_never_in_a_rate(stage):
    logged = record_insertion(actor=stage.owner.user, entry=stage.entry(simulation=True, attempts=(FAILED,)))
    assert (row(logged).safety, row(logged).in_rate, row(logged).volume) == (0, 0, 0)
    countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    assert row(logged).credit == Credit.SIMULATION


def test_difficult_access_scored_afterwards_is_kept_apart(stage):
    after = Difficulty(scale="judged", score=1, scored="after")
    logged = record_insertion(actor=stage.owner.user, entry=stage.entry(difficulty=after))
    assert row(logged).stratum == Stratum.DIFFICULT_AFTER


# --- a supervisor found not eligible later ---


def questioned(insertion):
    found = row(insertion)
    assert found.credit == Credit.IN_ROOM
    assert not wrong()
    return bool(found.in_question)


def touched_last(stage):
    act = Stale.objects.latest("pk").act_id
    return set(Stale.objects.filter(act=act).values_list("clinician", flat=True))


def test_an_award_ended_before_the_insertion_puts_the_credit_in_question(stage, signed):
    award = Award.objects.get(clinician=stage.holder)
    with recording(actor=None, kind="award.made") as rec:
        ended = end_award(rec, award, date(2026, 3, 3))
    assert not questioned(signed)
    assert touched_last(stage) == {stage.holder.pk}
    with recording(actor=None, kind="award.made") as rec:
        end_award(rec, ended, date(2026, 3, 2))
    assert questioned(signed)
    assert touched_last(stage) == {stage.holder.pk, stage.owner.pk}


@pytest.mark.parametrize(("from_day", "until_day", "expected"), [(1, 2, False), (2, 3, True), (3, None, False)])
def test_a_restriction_on_the_day_puts_it_in_question_and_its_end_takes_it_out(
    stage, signed, from_day, until_day, expected
):
    with recording(actor=None, kind="award.made") as rec:
        made = add_restriction(
            rec,
            NewRestriction(
                clinician=stage.holder,
                procedure=None,
                kind="suspension",
                answer="no",
                from_day=date(2026, 3, from_day),
                until_day=until_day and date(2026, 3, until_day),
                basis="{}",
            ),
        )
    assert questioned(signed) == expected
    with recording(actor=None, kind="award.made") as rec:
        end_restriction(rec, made, made.from_day)
    assert not questioned(signed)


def test_a_persons_and_a_professions_scope_settle_it_and_their_end_reopens_it(stage, signed):
    award = Award.objects.get(clinician=stage.holder)
    with recording(actor=None, kind="award.made") as rec:
        end_award(rec, award, award.from_day)
    assert questioned(signed)
    for whose in ({"clinician": stage.holder}, {"profession": stage.holder.profession}):
        with recording(actor=None, kind="scope.decided") as rec:
            made = add_scope(
                rec,
                NewScope(
                    procedure=stage.procedure,
                    unit=stage.cast.wards.hospital,
                    from_day=date(2026, 1, 1),
                    until_day=None,
                    basis="{}",
                    **whose,
                ),
            )
        assert not questioned(signed)
        assert stage.owner.pk in touched_last(stage)
        with recording(actor=None, kind="scope.decided") as rec:
            end_scope(rec, made, date(2026, 2, 1))
        assert questioned(signed)


def test_an_appointment_ended_before_the_insertion_puts_it_in_question(stage, signed):
    appointment = Appointment.objects.get(user=stage.supervisor)
    end_appointment(actor=stage.cast.administrator, appointment=appointment, until_day=date(2026, 3, 2))
    assert questioned(signed)
    assert touched_last(stage) == {stage.holder.pk, stage.owner.pk}


def test_a_student_placement_entered_later_puts_it_in_question(stage, signed):
    place(
        actor=stage.cast.educator,
        clinician=stage.holder,
        unit=stage.ward,
        kind=Placement.Kind.STUDENT,
        home=False,
        from_day=date(2026, 2, 1),
    )
    assert questioned(signed)


def test_a_unit_moved_out_of_the_appointments_reach_puts_it_in_question(stage, signed):
    change_unit(actor=stage.cast.administrator, unit=stage.ward, parent=stage.cast.wards.other_hospital)
    assert questioned(signed)


def test_an_educators_acceptance_asks_for_no_eligibility(stage):
    logged = record_insertion(actor=stage.owner.user, entry=stage.entry())
    accept_on_other_evidence(signer=confirmed(stage.cast.educator, logged.digest), insertion=logged, note="Book")
    Award.objects.update(known_until_id=an_act())
    rebuild()
    assert (row(logged).credit, row(logged).in_question) == (Credit.OTHER_EVIDENCE, 0)


# --- disputes ---


def test_a_dispute_about_the_result_stops_the_credit_and_nothing_else(stage, signed):
    dispute = open_dispute(actor=stage.cast.educator, insertion=signed, about="result", reason="Chart says otherwise.")
    assert (row(signed).safety, row(signed).in_rate, row(signed).volume, row(signed).credit) == (1, 1, 1, 0)
    take_back(actor=stage.cast.educator, dispute=dispute)
    assert row(signed).credit == Credit.IN_ROOM
    assert not wrong()


def test_a_dispute_about_who_leaves_events_and_attempts_only(stage, signed):
    open_dispute(actor=stage.owner.user, insertion=signed, about="who", reason="I was on leave.")
    found = row(signed)
    assert (found.safety, found.in_rate, found.volume, found.credit) == (Safety.WHO_DISPUTED, 0, 0, 0)
    assert not wrong()


# --- from nothing ---


def test_the_table_is_made_again_from_nothing(stage, signed):
    for hour in range(3):
        record_insertion(
            actor=stage.owner.user, entry=stage.entry(performed=datetime(2026, 2, 1 + hour, 9, 0), attempts=(FAILED,))
        )
    before = set(Outcome.objects.values_list(*Row._fields))
    assert len(before) == 4
    assert rebuild() == 0
    Outcome.objects.filter(insertion=signed.pk).update(success=0)
    Outcome.objects.exclude(insertion=signed.pk).first().delete()
    Outcome.objects.create(**dict(zip(Row._fields, [*min(before)[:4], 10**6, *min(before)[5:]], strict=True)))
    assert len(wrong()) == 3
    assert rebuild() == 3
    assert set(Outcome.objects.values_list(*Row._fields)) == before
    assert wrong() == []


def test_many_chunks_make_the_same_table(stage, monkeypatch):
    for hour in range(7):
        record_insertion(actor=stage.owner.user, entry=stage.entry(performed=datetime(2026, 2, 1 + hour, 9, 0)))
    before = set(Outcome.objects.values_list(*Row._fields))
    monkeypatch.setattr("audits.outcomes.CHUNK", 3)
    Outcome.objects.all().delete()
    assert rebuild() == 7
    assert set(Outcome.objects.values_list(*Row._fields)) == before


def test_supervising_rests_on_the_supervisors_own_award_only_where_it_covers(stage):
    second = make_appointed("supervisor", stage.cast.wards.hospital)
    clinician = Clinician.objects.create(name="Far Away", staff_number="F1", user=second)
    PlacementFactory(clinician=clinician, unit=stage.cast.wards.day_ward)
    give_award(clinician, stage.procedure, stage.cast.wards.day_ward)
    logged = record_insertion(actor=stage.owner.user, entry=stage.entry(supervisor=second.uuid))
    with pytest.raises(NotEligible, match="Did not hold this procedure here"):
        countersign(signer=confirmed(second, logged.digest), insertion=logged, nearness="in_room")
    assert row(logged).credit == Credit.NONE
