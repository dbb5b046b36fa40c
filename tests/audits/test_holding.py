"""Who held what, where and when: each reason, each boundary day, and the number of queries."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from audits.awards import (
    NewAward,
    NewRestriction,
    NewScope,
    add_award,
    add_restriction,
    add_scope,
    end_award,
    end_restriction,
    end_scope,
)
from audits.completions import NewCompletion, record_completion
from audits.holding import Held, Refusal, holdings, may_supervise, supervisors_of
from audits.models import Award, Completion, Restriction
from ledger import acts
from ledger.acts import recording
from people.access import NotPermitted
from people.models import Appointment, Placement, Profession
from people.problems import Problems
from people.staffing import change_clinician
from tests.audits.conftest import give_award
from tests.factories import (
    AbsenceFactory,
    AppointmentFactory,
    PlacementFactory,
    ProcedureFactory,
    an_act,
    make_appointed,
    make_clinician,
)

DAY = date(2026, 3, 2)
ONE = timedelta(days=1)


def ask(stage, on=DAY, unit=None, known=None):
    return may_supervise(
        stage.supervisor, unit=(unit or stage.ward).pk, procedure=stage.procedure.pk, on=on, known=known
    )


def refusal(stage, **where):
    found = ask(stage, **where)
    assert isinstance(found, Refusal), found
    return found.reason


def replace_award(stage, **changes):
    stage.holder.awards.update(known_until_id=an_act())
    return give_award(stage.holder, stage.procedure, changes.pop("scope_unit", stage.cast.wards.department), **changes)


def restrict(stage, kind="suspension", from_day=DAY, until_day=None, procedure="same", answer="no"):
    about = stage.procedure if procedure == "same" else procedure
    return Restriction.objects.create(
        clinician=stage.holder, procedure=about, kind=kind, answer=answer, from_day=from_day, until_day=until_day,
        basis="{}", known_from_id=an_act(),
    )  # fmt: skip


def test_an_appointed_holder_may_supervise_and_it_says_on_what_that_rests(stage):
    assert ask(stage) == Held(
        award=Award.objects.get().pk, appointment=Appointment.objects.get(user=stage.supervisor).pk, role="supervisor"
    )


@pytest.mark.parametrize("role", ["assessor", "educator"])
def test_assessors_and_educators_who_hold_it_may_too(stage, role):
    Appointment.objects.filter(user=stage.supervisor).update(known_until_id=an_act())
    AppointmentFactory(user=stage.supervisor, unit=stage.cast.wards.hospital, role=role)
    assert ask(stage).role == role


@pytest.mark.parametrize("role", ["manager", "auditor", "administrator"])
def test_other_roles_do_not_supervise(stage, role):
    Appointment.objects.filter(user=stage.supervisor).update(known_until_id=an_act())
    AppointmentFactory(user=stage.supervisor, unit=stage.ward, role=role)
    assert refusal(stage) == "not_appointed"


def test_the_appointment_covers_its_unit_and_all_below(stage):
    assert ask(stage, unit=stage.cast.wards.next_ward)
    assert refusal(stage, unit=stage.cast.wards.day_ward) == "not_appointed"
    assert refusal(stage, unit=stage.cast.wards.other_ward) == "not_appointed"


def test_an_appointment_holds_from_its_first_day_and_not_on_the_day_it_ends(stage):
    Appointment.objects.filter(user=stage.supervisor).update(known_until_id=an_act())
    AppointmentFactory(user=stage.supervisor, unit=stage.ward, from_day=DAY, until_day=DAY + ONE)
    assert [bool(ask(stage, on=day)) for day in (DAY - ONE, DAY, DAY + ONE)] == [False, True, False]


@pytest.mark.parametrize(
    ("changes", "on", "reason"),
    [
        ({"from_day": DAY, "anchor": DAY}, DAY - ONE, "not_held"),
        ({"from_day": DAY, "anchor": DAY}, DAY, None),
        ({"expires_on": DAY}, DAY - ONE, None),
        ({"expires_on": DAY}, DAY, "expired"),
        ({"until_day": DAY}, DAY - ONE, None),
        ({"until_day": DAY}, DAY, "not_held"),
        ({"provisional_until": DAY}, DAY - ONE, "provisional"),
        ({"provisional_until": DAY}, DAY, None),
        ({"supervises_from": DAY}, DAY - ONE, "too_soon"),
        ({"supervises_from": DAY}, DAY, None),
    ],
)
def test_the_award_serves_from_its_first_day_to_its_last_once_past_its_provisional_time(stage, changes, on, reason):
    replace_award(stage, **changes)
    assert (refusal(stage, on=on) if reason else bool(ask(stage, on=on))) == (reason or True)


def test_an_award_serves_below_its_scope_unit_only(stage):
    replace_award(stage, scope_unit=stage.cast.wards.next_ward)
    assert refusal(stage) == "not_held"
    assert ask(stage, unit=stage.cast.wards.next_ward)


def test_another_procedure_is_another_matter(stage):
    other = ProcedureFactory(code="adult-ultrasound", technique="ultrasound", name="Adult, ultrasound")
    assert may_supervise(stage.supervisor, unit=stage.ward.pk, procedure=other.pk, on=DAY).reason == "not_held"


@pytest.mark.parametrize("kind", ["suspension", "stand_down", "withdrawal", "plan", "return_plan"])
@pytest.mark.parametrize("procedure", ["same", None])
def test_each_restriction_stops_supervising_while_it_lasts(stage, kind, procedure):
    restrict(stage, kind=kind, until_day=DAY + ONE, procedure=procedure)
    assert [bool(ask(stage, on=day)) for day in (DAY - ONE, DAY, DAY + ONE)] == [True, False, True]
    assert refusal(stage) == kind


def test_a_restriction_of_another_procedure_stops_nothing_here(stage):
    restrict(stage, procedure=ProcedureFactory(code="child-landmark", band="child", name="Child, landmark"))
    assert ask(stage)


def test_an_award_given_after_a_withdrawal_serves(stage):
    restrict(stage, kind="withdrawal", from_day=date(2025, 6, 1))
    assert refusal(stage) == "withdrawal"
    replace_award(stage, from_day=date(2025, 9, 1), anchor=date(2025, 9, 1))
    assert ask(stage)


# --- students ---


def test_a_student_here_never_supervises_and_the_same_persons_job_elsewhere_is_not_capped(stage):
    PlacementFactory(clinician=stage.holder, unit=stage.ward, kind=Placement.Kind.STUDENT, home=False)
    assert refusal(stage) == "student"
    assert ask(stage, unit=stage.cast.wards.next_ward)


def test_a_student_with_no_placement_here_never_supervises(stage):
    stage.holder.placements.update(known_until_id=an_act())
    PlacementFactory(clinician=stage.holder, unit=stage.cast.wards.other_ward, kind=Placement.Kind.STUDENT)
    assert refusal(stage) == "student"


# --- return steps ---


@pytest.mark.parametrize(
    ("long", "until_day", "on", "reason"),
    [
        (90, DAY, DAY - ONE, None),  # away still: absence changes nothing while it lasts
        (90, DAY, DAY, "return_step"),
        (90, DAY, DAY + 300 * ONE, "return_step"),
        (91, DAY, DAY, None),
        (None, DAY, DAY, None),
    ],
)
def test_a_long_absence_asks_for_a_return_step_from_the_day_after_its_end(stage, long, until_day, on, reason):
    replace_award(stage, long_absence_days=long)
    AbsenceFactory(clinician=stage.holder, from_day=DAY - 90 * ONE, until_day=until_day)
    assert (refusal(stage, on=on) if reason else bool(ask(stage, on=on))) == (reason or True)


def test_a_return_step_done_ends_it_from_its_day_on(stage):
    replace_award(stage, long_absence_days=90)
    AbsenceFactory(clinician=stage.holder, from_day=DAY - 190 * ONE, until_day=DAY - 100 * ONE)
    record_completion(
        actor=stage.cast.educator,
        new=NewCompletion(
            clinician=stage.holder, procedure=stage.procedure, kind=Completion.Kind.RETURN, on=DAY - 50 * ONE,
            verified_by="Ed Ucator",
        ),
    )  # fmt: skip
    assert [bool(ask(stage, on=day)) for day in (DAY - 51 * ONE, DAY - 50 * ONE, DAY)] == [False, True, True]


def test_an_absence_before_the_award_asks_for_nothing(stage):
    replace_award(stage, long_absence_days=90, from_day=DAY, anchor=DAY)
    AbsenceFactory(clinician=stage.holder, from_day=DAY - 200 * ONE, until_day=DAY - 10 * ONE)
    assert ask(stage)


# --- scope by role ---


def scope(**fields):
    with recording(actor=None, kind="scope.decided") as rec:
        return add_scope(rec, NewScope(**{"from_day": DAY, "until_day": DAY + ONE, "basis": "{}"} | fields))


def test_a_persons_scope_by_role_serves_from_its_first_day_to_its_last(stage):
    stage.holder.awards.update(known_until_id=an_act())
    made = scope(clinician=stage.holder, procedure=stage.procedure, unit=stage.cast.wards.hospital)
    assert [bool(ask(stage, on=day)) for day in (DAY - ONE, DAY, DAY + ONE)] == [False, True, False]
    assert (ask(stage).scope, ask(stage).award) == (made.pk, None)
    restrict(stage, kind="stand_down")
    assert refusal(stage) == "stand_down"


def test_a_professions_scope_serves_who_works_there_with_or_without_a_clinician(stage):
    doctor = make_appointed("supervisor", stage.ward)
    doctor.profession = Profession.ANAESTHETIST
    doctor.save()
    where = {"unit": stage.ward.pk, "procedure": stage.procedure.pk, "on": DAY}
    assert may_supervise(doctor, **where).reason == "not_held"
    made = scope(profession=Profession.ANAESTHETIST, procedure=stage.procedure, unit=stage.cast.wards.hospital)
    assert may_supervise(doctor, **where).scope == made.pk
    assert refusal(stage, on=DAY + 999 * ONE) == "expired"


def test_a_scope_is_of_a_person_or_a_profession_and_stands_once(stage):
    with pytest.raises(ValueError, match="a person or of a profession"):
        scope(procedure=stage.procedure, unit=stage.ward)
    made = scope(clinician=stage.holder, procedure=stage.procedure, unit=stage.ward)
    with pytest.raises(Problems):
        scope(clinician=stage.holder, procedure=stage.procedure, unit=stage.ward)
    stage.holder.awards.update(known_until_id=an_act())
    with recording(actor=None, kind="scope.decided") as rec:
        end_scope(rec, made, DAY)
    assert refusal(stage) == "not_held"


# --- known then ---


def test_what_was_known_then_answers_as_then(stage):
    before = acts.head()
    award = Award.objects.get()
    with recording(actor=None, kind="award.made") as rec:
        end_award(rec, award, date(2026, 1, 1))
    assert refusal(stage) == "not_held"
    assert ask(stage, known=before)
    assert refusal(stage, known=1) == "not_appointed"


# --- awards written ---


def new_award(stage, **changes):
    fields = {
        "clinician": stage.owner,
        "procedure": stage.procedure,
        "scope_unit": stage.ward,
        "programme": stage.ward.uuid,
        "terms": "{}",
        "kind": "award",
        "from_day": DAY,
        "anchor": DAY,
        "months": 12,
        "basis": "{}",
    }
    return NewAward(**fields | changes)


def award(stage, replaces=None, **changes):
    with recording(actor=None, kind="award.made") as rec:
        return add_award(rec, new_award(stage, **changes), replaces=replaces)


def test_an_award_expires_by_the_calendar(stage):
    # 2024-02-29 and twelve months: 2025-02-28 (dateutil relativedelta 2.9 and java.time agree).
    assert award(stage, from_day=date(2024, 2, 29), anchor=date(2024, 2, 29)).expires_on == date(2025, 2, 28)


def test_two_awards_are_never_in_force_on_one_day_at_one_unit(stage):
    first = award(stage)
    for from_day in (DAY, DAY + 100 * ONE, first.expires_on - ONE):
        with pytest.raises(Problems, match="in force from 2 March 2026 already"):
            award(stage, from_day=from_day, anchor=from_day)
    assert award(stage, scope_unit=stage.cast.wards.next_ward)
    assert award(stage, from_day=first.expires_on, anchor=first.expires_on)
    assert Award.objects.known().filter(clinician=stage.owner, scope_unit=stage.ward).count() == 2


def test_an_earlier_award_may_be_entered_later(stage):
    award(stage)
    earlier = award(stage, from_day=date(2024, 1, 1), anchor=date(2024, 1, 1))
    assert earlier.until_day == earlier.expires_on


def test_a_renewal_ends_what_it_replaces_on_its_first_day(stage):
    first = award(stage)
    renewed = award(stage, replaces=first, kind="renewal", from_day=date(2027, 1, 10), anchor=DAY, months=24)
    old = Award.objects.known().get(uuid=first.uuid)
    assert (old.until_day, renewed.expires_on) == (date(2027, 1, 10), date(2028, 3, 2))
    in_grace = award(stage, replaces=renewed, kind="renewal", from_day=date(2028, 3, 20), anchor=DAY, months=36)
    assert Award.objects.known().get(uuid=renewed.uuid).until_day == date(2028, 3, 2)
    assert in_grace.from_day == date(2028, 3, 20)


@pytest.mark.parametrize("changes", [{"kind": "gift"}, {"anchor": DAY + ONE}, {"anchor": DAY - 400 * ONE}])
def test_an_award_without_a_day_or_of_no_kind_is_the_callers_mistake(stage, changes):
    with pytest.raises(ValueError, match=r"kind|no day in it"):
        award(stage, **changes)


def test_a_restriction_ends_by_a_new_version(stage):
    with recording(actor=None, kind="award.made") as rec:
        made = add_restriction(
            rec,
            NewRestriction(
                clinician=stage.holder, procedure=None, kind="plan", answer="in_room", from_day=DAY, basis="{}"
            ),
        )
    assert refusal(stage) == "plan"
    with recording(actor=None, kind="award.made") as rec:
        end_restriction(rec, made, DAY + ONE, basis='{"met":true}')
    assert [bool(ask(stage, on=day)) for day in (DAY, DAY + ONE)] == [False, True]
    assert Restriction.objects.known().get().basis == '{"met":true}'


def test_completions_are_recorded_by_an_educator_and_never_ones_own(stage):
    def record(actor, **changes):
        fields = {
            "clinician": stage.owner, "procedure": stage.procedure, "kind": "knowledge", "on": DAY,
            "verified_by": "Ed Ucator",
        } | changes  # fmt: skip
        return record_completion(actor=actor, new=NewCompletion(**fields))

    made = record(stage.cast.educator, valid_until=DAY + 365 * ONE)
    assert made.known_from.facts["kind"] == "knowledge"
    for user in (stage.owner.user, stage.supervisor, stage.cast.manager):
        with pytest.raises(NotPermitted):
            record(user)
    for wrong in ({"on": DAY + 2 * ONE}, {"valid_until": DAY}, {"verified_by": ""}):
        with pytest.raises(Problems):
            record(stage.cast.educator, **wrong)


# --- many ---


def test_a_unit_page_lists_everybody_appointed_there_with_an_answer_for_each_procedure(stage):
    child = ProcedureFactory(code="child-landmark", band="child", name="Child, landmark")
    lines = supervisors_of(stage.ward.pk, [stage.procedure.pk, child.pk], DAY)
    assert [line.name for line in lines] == ["As Sessor", "Ed Ucator", "Su Pervisor"]
    assert [bool(line.answers[stage.procedure.pk]) for line in lines] == [False, False, True]
    assert not any(line.answers[child.pk] for line in lines)
    assert supervisors_of(stage.cast.wards.other_ward.pk, [stage.procedure.pk], DAY) == []


def test_asking_about_twenty_costs_as_many_queries_as_about_one(stage):
    def queries():
        with CaptureQueriesContext(connection) as caught:
            lines = supervisors_of(stage.ward.pk, [stage.procedure.pk], DAY)
        return len(lines), len(caught)

    few = queries()
    for _ in range(17):
        clinician = make_clinician(stage.ward)
        AppointmentFactory(user=clinician.user, unit=stage.ward)
        give_award(clinician, stage.procedure, stage.ward)
    assert (few[0], queries()) == (3, (20, few[1]))


def test_a_change_of_profession_ends_what_the_profession_gave(stage):
    stage.holder.awards.update(known_until_id=an_act())
    scope(profession=Profession.NURSE, procedure=stage.procedure, unit=stage.ward)
    assert ask(stage)
    change_clinician(
        actor=stage.cast.administrator, clinician=stage.holder, name=stage.holder.name, profession="technician"
    )
    assert refusal(stage) == "not_held"


def test_everybody_who_ever_supervised_can_be_asked_at_once(stage):
    everybody = holdings()
    assert everybody.may_supervise(stage.supervisor.pk, unit=stage.ward.pk, procedure=stage.procedure.pk, on=DAY)
    stranger = everybody.may_supervise(stage.owner.user.pk, unit=stage.ward.pk, procedure=stage.procedure.pk, on=DAY)
    assert stranger.reason == "not_appointed"
