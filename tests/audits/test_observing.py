# ruff: noqa: DTZ001 - a time on the form is the unit's own
"""Observing: for what, by whom, on which day; step by step; what it comes to; signed once, never changed."""

import json
from datetime import date, datetime, timedelta
from uuid import uuid4

import pytest
from django.db import DatabaseError, connection, transaction
from django.test.utils import CaptureQueriesContext

from audits import observing
from audits.checklist import Verdict
from audits.models import Award, Observation, ObservationDispute, ObservationDraft, Restriction
from audits.observation_replies import dispute, take_back
from audits.observing import AlreadySigned, ChangedElsewhere, Conflict, NotEligible, check, drop, save, sign
from ledger import clock
from ledger.models import Act
from people.access import NotPermitted, access_of
from people.models import Appointment, Clinician, Stale, User
from people.problems import Problems
from people.signing import NotConfirmed, WrongSecret, confirm
from tests.audits.conftest import NOW, give_award
from tests.audits.observed import SAID, an_assessor, begun, hand, make_watched, signed, ticked
from tests.factories import (
    AppointmentFactory,
    ChecklistFactory,
    ClinicianFactory,
    PlacementFactory,
    SettingFactory,
    UserFactory,
    an_act,
    make_appointed,
    make_clinician,
)

DAY = date(2026, 3, 2)  # of NOW in Adelaide


@pytest.fixture
def stage(db, now):
    return make_watched()


# --- beginning ---


def test_what_it_is_for_is_fixed_by_an_act_before_the_first_tick(stage):
    made = begun(stage)
    act = Act.objects.get(seq=made.known_from_id)
    assert (act.kind, act.subject, act.facts["purpose"]) == ("observation.begun", made.uuid, "decision")
    assert act.facts["checklist"] == str(stage.checklist.uuid)
    assert made.draft.content["marks"] == {}


@pytest.mark.std("A-16")
@pytest.mark.parametrize(
    ("column", "value"),
    [("purpose", "learning"), ("setting", "simulation"), ("observed_on", date(2026, 3, 1)), ("assessor_id", 1)],
)
def test_the_database_lets_nobody_change_what_was_begun(stage, column, value):
    made = begun(stage)
    with pytest.raises(DatabaseError), transaction.atomic():
        Observation.objects.filter(pk=made.pk).update(**{column: value})


@pytest.mark.std("F-06")
def test_begun_twice_from_the_same_form_is_begun_once(stage):
    uuid = uuid4()
    assert begun(stage, uuid=uuid) == begun(stage, uuid=uuid)
    assert Observation.objects.count() == 1
    for other in (
        {"purpose": "learning"}, {"setting": "laboratory"}, {"clinician": stage.cast.colleague},
        {"unit": stage.cast.wards.next_ward}, {"actor": stage.other}, {"observed_at": datetime(2026, 3, 2, 9, 0)},
    ):  # fmt: skip
        with pytest.raises(Conflict):
            begun(stage, uuid=uuid, **other)
    assert Observation.objects.count() == 1


@pytest.mark.std("F-06")
def test_a_form_sent_again_a_minute_later_means_the_time_it_had(stage):
    uuid = uuid4()
    first = begun(stage, uuid=uuid)
    with clock.at(NOW + timedelta(minutes=1)):
        assert begun(stage, uuid=uuid).observed_at == first.observed_at == NOW


@pytest.mark.parametrize(("name", "value"), [("purpose", "both"), ("setting", "ward")])
def test_a_purpose_or_setting_that_is_none_is_refused(stage, name, value):
    with pytest.raises(ValueError, match="is none"):
        begun(stage, **{name: value})


@pytest.mark.std("A-08")
def test_nobody_observes_themselves_whatever_they_are_appointed_to(stage):
    own = Clinician.objects.get(user=stage.assessor)
    for purpose in ("decision", "learning"):
        with pytest.raises(NotPermitted):
            begun(stage, clinician=own, purpose=purpose)
    assert not Observation.objects.exists()


@pytest.mark.std("A-08")
def test_the_database_holds_to_it_that_nobody_observes_themselves(stage):
    made = begun(stage)
    fields = {f.attname: getattr(made, f.attname) for f in Observation._meta.concrete_fields if f.name != "id"}
    with pytest.raises(DatabaseError), transaction.atomic():
        Observation.objects.create(**{**fields, "uuid": uuid4(), "clinician_user_id": stage.assessor.pk})


@pytest.mark.std("A-08")
def test_who_became_the_learner_s_own_account_meanwhile_does_not_sign(stage):
    made = ticked(begun(stage))
    Clinician.objects.filter(user=stage.assessor).update(user=None)
    Clinician.objects.filter(pk=stage.learner.pk).update(user=stage.assessor)
    with pytest.raises(NotPermitted, match="may not observe themselves"):
        sign(signer=hand(made), observation=made)


@pytest.mark.parametrize("role", ["supervisor", "educator", "manager", "auditor", "administrator"])
def test_only_an_assessor_observes_for_a_decision(stage, role):
    somebody = make_clinician(stage.ward, "So Mebody")
    give_award(somebody, stage.procedure, stage.cast.wards.department)
    AppointmentFactory(user=somebody.user, role=role, unit=stage.cast.wards.department)
    with pytest.raises(NotEligible, match="No appointment as assessor here on 2 March 2026"):
        begun(stage, actor=somebody.user)


@pytest.mark.parametrize(
    ("role", "may"), [("supervisor", True), ("assessor", True), ("educator", True), ("manager", False)]
)
def test_for_learning_any_appointment_to_supervise_is_enough(stage, role, may):
    user = make_appointed(role, stage.cast.wards.department, "Te Acher")
    if may:
        assert begun(stage, actor=user, purpose="learning").assessor == user
    else:
        with pytest.raises(NotEligible):
            begun(stage, actor=user, purpose="learning")


@pytest.mark.parametrize(
    ("award", "words"),
    [
        ({"expires_on": DAY}, "ran through 1 March 2026"),
        ({"expires_on": DAY + timedelta(days=1)}, ""),
        ({"provisional_until": DAY + timedelta(days=1)}, "provisional through 2 March 2026"),
        ({"provisional_until": DAY}, ""),
        ({"supervises_from": DAY + timedelta(days=1)}, "May supervise from 3 March 2026"),
        ({"supervises_from": DAY}, ""),
        ({"until_day": DAY}, "Did not hold this procedure here"),
    ],
)
@pytest.mark.std("A-08")
def test_the_assessor_s_own_award_is_judged_on_that_day(stage, award, words):
    user = an_assessor(stage.cast, stage.procedure, "Du Bious", **award)
    if words:
        with pytest.raises(NotEligible, match=words):
            begun(stage, actor=user)
    else:
        assert begun(stage, actor=user)


def test_a_suspended_assessor_observes_for_no_decision(stage):
    own = Clinician.objects.get(user=stage.assessor)
    Restriction.objects.create(
        clinician=own, procedure=stage.procedure, kind="suspension", answer="no", basis="{}",
        from_day=DAY, known_from_id=an_act(),
    )  # fmt: skip
    with pytest.raises(NotEligible, match="Suspended on that day"):
        begun(stage)
    assert begun(stage, observed_at=datetime(2026, 3, 1, 9, 0)).observed_on == date(2026, 3, 1)


def test_authority_is_judged_again_when_it_is_signed(stage):
    made = ticked(begun(stage))
    Appointment.objects.filter(user=stage.assessor).update(known_until_id=an_act())
    with pytest.raises(NotEligible):
        sign(signer=hand(made), observation=made)
    made.refresh_from_db()
    assert made.signed_id is None
    assert made.draft.content["marks"]["hands"] == {"mark": "met"}


def test_an_award_that_ends_after_the_day_still_signs_for_it(stage):
    user = an_assessor(stage.cast, stage.procedure, "Re Tiring", expires_on=DAY + timedelta(days=1))
    made = ticked(begun(stage, actor=user))
    with clock.at(NOW + timedelta(days=5)):
        assert sign(signer=hand(made), observation=made).signed_id


@pytest.mark.parametrize(
    ("when", "words"),
    [
        (datetime(2026, 3, 2, 14, 0), "lies in the future"),
        (datetime(2026, 1, 30, 12, 0), "within 30 days"),
        (datetime(2025, 10, 5, 2, 30), "clocks went forward"),  # Adelaide, first Sunday of October
    ],
)
def test_a_time_that_cannot_be_is_refused(stage, when, words):
    with pytest.raises(Problems, match=words):
        begun(stage, observed_at=when)
    assert not Observation.objects.exists()


def test_the_last_day_on_which_one_may_be_entered(stage):
    assert begun(stage, observed_at=datetime(2026, 1, 31, 12, 0)).observed_on == date(2026, 1, 31)


def test_an_hour_that_happened_twice_asks_which(stage):
    with clock.at(datetime(2026, 4, 5, 3, 0, tzinfo=NOW.tzinfo)):
        with pytest.raises(Problems, match="happened twice"):
            begun(stage, observed_at=datetime(2026, 4, 5, 2, 30))
        first, second = (begun(stage, observed_at=datetime(2026, 4, 5, 2, 30), fold=fold) for fold in (0, 1))
    assert second.observed_at - first.observed_at == timedelta(hours=1)


@pytest.mark.std("A-15")
def test_the_day_of_a_night_shift_is_that_of_the_ward_not_of_the_server(stage):
    made = begun(stage, observed_at=datetime(2026, 3, 2, 0, 30))  # 14:00 of the day before in UTC
    assert (made.observed_on, made.zone) == (date(2026, 3, 2), "Australia/Adelaide")
    assert made.observed_at == datetime(2026, 3, 1, 14, 0, tzinfo=NOW.tzinfo)


def test_the_checklist_is_that_in_force_on_the_day_observed(stage):
    newer = ChecklistFactory(procedure=stage.procedure, unit=stage.ward, effective_on=DAY)
    assert begun(stage).checklist == newer
    assert begun(stage, observed_at=datetime(2026, 3, 1, 12, 0)).checklist == stage.checklist


@pytest.mark.std("A-08")
def test_a_student_never_observes(stage):
    student = ClinicianFactory(user=UserFactory(name="Stu Dent"))
    PlacementFactory(clinician=student, unit=stage.ward, kind="student")
    give_award(student, stage.procedure, stage.cast.wards.department)
    AppointmentFactory(user=student.user, role="assessor", unit=stage.ward)
    for purpose in ("learning", "decision"):
        with pytest.raises(NotEligible, match="A student never"):
            begun(stage, actor=student.user, purpose=purpose)


@pytest.mark.std("A-08")
@pytest.mark.parametrize(("until", "may"), [(DAY, False), (DAY + timedelta(days=1), True)])
def test_an_appointment_that_ended_is_none_on_the_days_after(stage, until, may):
    Appointment.objects.filter(user=stage.assessor).update(known_until_id=an_act())
    AppointmentFactory(user=stage.assessor, role="assessor", unit=stage.cast.wards.department, until_day=until)
    if may:
        assert begun(stage)
    else:
        with pytest.raises(NotEligible, match="No appointment as assessor"):
            begun(stage)
        with pytest.raises(NotEligible, match="No appointment as supervisor, assessor or educator"):
            begun(stage, purpose="learning")


def test_without_an_approved_checklist_nothing_is_begun(stage):
    other = ChecklistFactory(
        procedure=stage.procedure, unit=stage.cast.wards.other_hospital, name="Of another hospital"
    )
    type(stage.checklist).objects.filter(pk=stage.checklist.pk).update(known_until_id=an_act())
    with pytest.raises(Problems, match="No checklist for Adult, landmark is approved here"):
        begun(stage)
    assert other.pk


def test_somebody_of_another_hospital_is_not_observed(stage):
    with pytest.raises(NotPermitted):
        begun(stage, clinician=stage.cast.outsider)


# --- ticking ---


def test_what_is_ticked_is_kept_and_only_what_is_named_changes(stage):
    made = begun(stage)
    save(user=stage.assessor, observation=made, changes={"marks": {"hands": {"mark": "met", "note": "Twice"}}})
    save(user=stage.assessor, observation=made, changes={"marks": {"hair": {"mark": "did_not_arise"}}, "rating": 2})
    kept = save(user=stage.assessor, observation=made, changes={"marks": {"hands": {"mark": "prompted"}}})
    assert kept.content["marks"] == {"hands": {"mark": "prompted", "note": "Twice"}, "hair": {"mark": "did_not_arise"}}
    assert (kept.content["rating"], kept.revision) == (2, 4)
    taken = save(user=stage.assessor, observation=made, changes={"marks": {"hair": {"mark": ""}}})
    assert "hair" not in taken.content["marks"]
    assert not Act.objects.filter(subject=made.uuid).exclude(kind="observation.begun").exists()


def test_another_device_is_told_and_overwrites_nothing(stage):
    made = begun(stage)
    opened = made.draft.revision
    save(user=stage.assessor, observation=made, changes={"marks": {"hands": {"mark": "met"}}}, revision=opened)
    with pytest.raises(ChangedElsewhere) as told:
        save(user=stage.assessor, observation=made, changes={"marks": {"hands": {"mark": "not_met"}}}, revision=opened)
    assert told.value.draft.content["marks"] == {"hands": {"mark": "met"}}


@pytest.mark.parametrize("who", ["owner", "colleague", "educator", "assessor", "supervisor"])
def test_nobody_but_the_assessor_ticks_drops_or_signs(stage, who):
    user = stage.cast.users()[who]
    made = ticked(begun(stage))
    with pytest.raises(NotPermitted):
        save(user=user, observation=made, changes={"rating": 1})
    with pytest.raises(NotPermitted):
        drop(actor=user, observation=made, reason="Not mine")
    with pytest.raises(NotPermitted):
        sign(signer=hand(made, user), observation=made)
    assert not Observation.objects.filter(signed__isnull=False).exists()


@pytest.mark.std("B-40")
@pytest.mark.parametrize(
    "changes",
    [
        {"feedback": "Well done with MRN 123456789"},
        {"next": "See patient John Smith in bed 4, DOB 01/02/1950"},
        {"marks": {"hands": {"mark": "met", "note": "UR 1234567"}}},
    ],
)
def test_text_that_may_tell_who_a_patient_is_is_refused_and_nothing_lost(stage, changes):
    made = ticked(begun(stage))
    before = ObservationDraft.objects.get(observation=made).content
    with pytest.raises(Problems):
        save(user=stage.assessor, observation=made, changes=changes)
    assert ObservationDraft.objects.get(observation=made).content == before
    assert before["feedback"] == SAID["feedback"]


@pytest.mark.parametrize(
    "changes",
    [
        {"verdict": "met"},
        {"marks": {"vein": {"mark": "met"}}},
        {"marks": {"hands": {"mark": "perfect"}}},
        {"marks": {"hands": {"score": "9"}}},
        {"rating": 4},
        {"rating": "2"},
        {"rating": 0},
        {"rating": True},
        {"given": "3"},
        {"given": None},
        {"met": 1},
        {"feedback": None},
        {"marks": {"hands": {"mark": None}}},
        {"met": "yes"},
        {"stopped": 1},
    ],
)
def test_what_no_form_sends_is_refused(stage, changes):
    made = begun(stage)
    with pytest.raises(ValueError, match=r"."):
        save(user=stage.assessor, observation=made, changes=changes)
    assert ObservationDraft.objects.get(observation=made).revision == 1


def test_an_observation_given_up_stays_in_the_history_with_its_reason(stage):
    made = begun(stage)
    with pytest.raises(Problems, match="Say why"):
        drop(actor=stage.assessor, observation=made, reason=" ")
    drop(actor=stage.assessor, observation=made, reason="The patient was called away")
    act = Act.objects.get(kind="observation.dropped")
    assert act.subject == made.uuid
    assert "called away" in act.payload.body
    with pytest.raises(AlreadySigned, match="given up"):
        save(user=stage.assessor, observation=made, changes={"rating": 1})
    assert observing.mine_open(access_of(stage.assessor)) == []


def test_of_what_was_given_up_nothing_is_left_to_show_but_what_it_was_for(stage):
    made = ticked(begun(stage))
    drop(actor=stage.assessor, observation=made, reason="The patient was called away")
    made.refresh_from_db()
    assert (check(made).marked, check(made).said["feedback"]) == (0, "")
    with pytest.raises(AlreadySigned, match="given up"):
        sign(signer=hand(made), observation=made)


def test_what_is_open_is_listed_latest_first_in_one_query(stage):
    first, second = begun(stage, observed_at=datetime(2026, 3, 1, 9, 0)), begun(stage)
    signed(stage)
    begun(stage, actor=stage.other)
    access = access_of(stage.assessor)
    with CaptureQueriesContext(connection) as seen:
        found = observing.mine_open(access)
        assert [(each, each.clinician.name, each.draft.revision) for each in found] == [
            (second, "Ana Owner", 1), (first, "Ana Owner", 1),
        ]  # fmt: skip
    assert len(seen) == 1


# --- what it comes to ---

# A critical step missed means 'not yet' whatever the score: that critical items decide rather than a percentage is
# Barsuk et al., Acad Med 2018;93:1079, and that a step met after a prompt counts as missed is common practice, no
# source. That an observation which stopped at a missed vein stands for what came before is our own rule.


@pytest.mark.parametrize(
    ("changes", "said", "best", "verdict"),
    [
        ({}, {}, "met", "met"),
        ({"hair": "did_not_arise"}, {}, "met", "met"),
        ({"hair": "not_met", "flush": "not_met"}, {}, "met", "met"),  # neither is critical: the assessor judges
        ({"flush": "not_met"}, {"met": False}, "met", "not_yet"),
        ({"hands": "not_met"}, {"met": False}, "not_yet", "not_yet"),
        ({"hands": "prompted"}, {"met": False}, "not_yet", "not_yet"),
        ({"sharps": "prompted"}, {"met": False, "rating": 3}, "not_yet", "not_yet"),  # whatever the score
        ({"hands": "not_applicable"}, {}, "met", "met"),
        ({"sharps": "not_reached", "flush": "not_reached"}, {"met": False}, "not_yet", "not_yet"),
        ({"sharps": "not_reached", "flush": "not_reached"}, {"stopped": True}, "partly", "partly"),
        ({"sharps": "met", "flush": "not_reached"}, {"stopped": True}, "partly", "partly"),
        ({"sharps": "not_met", "flush": "not_reached"}, {"stopped": True, "met": False}, "not_yet", "not_yet"),
        ({"hands": "prompted", "flush": "not_reached"}, {"stopped": True, "met": False}, "not_yet", "not_yet"),
        ({"hands": "not_reached", "flush": "not_reached"}, {"stopped": True, "met": False}, "not_yet", "not_yet"),
        ({"sharps": "not_reached", "flush": "not_reached"}, {"stopped": True, "met": False}, "partly", "not_yet"),
    ],
)
def test_what_an_observation_for_a_decision_comes_to(stage, changes, said, best, verdict):
    made = ticked(begun(stage), said=said, **changes)
    found = check(made)
    assert (found.faults, found.best, found.verdict) == ((), Verdict(best), Verdict(verdict))
    assert sign(signer=hand(made), observation=made).verdict == verdict


def test_until_the_assessor_says_so_there_is_no_verdict(stage):
    made = ticked(begun(stage), said={"met": None})
    assert (check(made).best, check(made).verdict) == (Verdict.MET, None)


def test_what_is_marked_is_counted_phase_by_phase(stage):
    made = begun(stage)
    save(user=stage.assessor, observation=made, changes={"marks": {"hands": {"mark": "met"}}})
    found = check(made)
    assert [(phase.key, marked, of) for phase, marked, of in found.by_phase] == [("prepare", 1, 2), ("insert", 0, 2)]
    assert sum(marked for _, marked, _ in found.by_phase) == found.marked


def test_a_reason_says_nothing_any_more_once_the_mark_is_another(stage):
    made = ticked(begun(stage), hair="not_applicable")
    save(user=stage.assessor, observation=made, changes={"marks": {"hair": {"mark": "met"}}})
    assert check(made).marks["hair"].reason == ""
    save(user=stage.assessor, observation=made, changes={"marks": {"hair": {"mark": "not_applicable"}}})
    assert check(made).marks["hair"].reason == "Nothing of the kind here"


@pytest.mark.parametrize("mark", ["not_met", "prompted"])
def test_met_cannot_be_signed_over_a_critical_step_that_was_missed(stage, mark):
    made = ticked(begun(stage), hands=mark)
    assert [each.path for each in check(made).faults] == ["met"]
    with pytest.raises(Problems, match="only be 'not yet'"):
        sign(signer=hand(made), observation=made)


def test_for_learning_there_is_no_verdict_and_nothing_to_decide(stage):
    made = ticked(begun(stage, purpose="learning"), hands="not_met")
    save(user=stage.assessor, observation=made, changes={"met": True})
    assert (check(made).best, check(made).verdict, check(made).faults) == (None, None, ())
    made = sign(signer=hand(made), observation=made)
    assert (made.verdict, made.missed) == ("", "hands")
    assert '"met":null' in made.content


@pytest.mark.parametrize(
    ("said", "changes", "path"),
    [
        ({"rating": None}, {}, "rating"),
        ({"given": ""}, {}, "given"),
        ({"recommended": ""}, {}, "recommended"),
        ({"met": None}, {}, "met"),
        ({}, {"hands": "did_not_arise"}, "hands"),
        ({"stopped": True}, {}, "stopped"),
    ],
)
def test_what_is_missing_is_named_and_nothing_is_signed(stage, said, changes, path):
    made = ticked(begun(stage), said=said, **changes)
    assert [each.path for each in check(made).faults] == [path]
    with pytest.raises(Problems) as told:
        sign(signer=hand(made), observation=made)
    assert [each.field for each in told.value.items] == [path]
    assert ObservationDraft.objects.filter(observation=made).exists()


def test_a_step_without_a_mark_and_one_without_a_reason_are_named(stage):
    made = ticked(begun(stage), hair="not_applicable")
    save(user=stage.assessor, observation=made, changes={"marks": {"flush": {"mark": ""}, "hair": {"reason": ""}}})
    assert [tuple(each) for each in check(made).faults] == [
        ("hair", "Say why it does not apply."),
        ("flush", "Not marked yet."),
    ]
    assert check(made).marked == 3


# --- signing ---


@pytest.mark.std("A-01")
@pytest.mark.std("A-02")
@pytest.mark.std("A-14")
def test_a_signed_observation_shows_who_when_as_what_and_on_what_it_rests(stage):
    made = signed(stage)
    registration = stage.assessor.registration
    assert (made.printed_name, made.role, made.registration) == ("Asa Essor", "Assessor", registration)
    assert (made.signed_at, made.meaning) == (NOW, "observed, as shown")
    assert made.award == Award.objects.get(clinician__user=stage.assessor)
    assert made.appointment == Appointment.objects.get(user=stage.assessor)
    act = Act.objects.get(seq=made.signed_id)
    assert (act.kind, act.facts["digest"], act.facts["verdict"]) == ("observation.signed", made.digest, "met")
    assert act.facts["signature"]["digest"] == made.digest
    assert Stale.objects.filter(act=act, clinician=stage.learner, procedure=stage.procedure.pk).exists()
    User.objects.filter(pk=stage.assessor.pk).update(name="Another Name")
    made.refresh_from_db()
    assert made.printed_name == "Asa Essor"


@pytest.mark.std("A-03")
def test_what_changed_since_it_was_shown_is_not_signed(stage):
    made = ticked(begun(stage))
    shown = hand(made)
    save(user=stage.assessor, observation=made, changes={"marks": {"flush": {"mark": "not_met"}}})
    with pytest.raises(NotConfirmed):
        sign(signer=shown, observation=made)
    assert ObservationDraft.objects.get(observation=made).content["marks"]["flush"]["mark"] == "not_met"


@pytest.mark.std("A-04")
@pytest.mark.std("A-04a")
def test_each_signature_needs_the_secret_and_is_used_once(stage):
    made = ticked(begun(stage))
    with pytest.raises(WrongSecret):
        confirm(user=stage.assessor, secret="no", meaning="observed", digests=[check(made).digest])
    signer = hand(made)
    sign(signer=signer, observation=made)
    with pytest.raises(AlreadySigned, match="signed on 2 March 2026"):
        sign(signer=signer, observation=made)
    with pytest.raises(AlreadySigned):
        drop(actor=stage.assessor, observation=made, reason="Second thoughts")


@pytest.mark.std("A-13")
@pytest.mark.std("A-16")
@pytest.mark.parametrize("column", ["content", "verdict", "missed", "printed_name", "digest"])
def test_the_database_lets_nobody_change_or_delete_what_was_signed(stage, column):
    made = signed(stage, hands="not_met", said={"met": False})
    with pytest.raises(DatabaseError), transaction.atomic():
        Observation.objects.filter(pk=made.pk).update(**{column: "other"})
    with pytest.raises(DatabaseError), transaction.atomic():
        Observation.objects.filter(pk=made.pk).delete()


@pytest.mark.std("A-15")
@pytest.mark.std("A-22")
def test_when_it_was_seen_and_when_it_was_entered_are_both_kept(stage):
    made = signed(stage, begin={"observed_at": datetime(2026, 2, 27, 8, 15)})
    assert made.observed_on == date(2026, 2, 27)
    assert made.observed_at == datetime(2026, 2, 26, 21, 45, tzinfo=NOW.tzinfo)
    assert made.signed_at == NOW


@pytest.mark.std("A-01")
def test_words_stand_beside_the_act_and_not_in_the_chain(stage):
    made = ticked(begun(stage), hair="not_applicable")
    save(user=stage.assessor, observation=made, changes={"marks": {"hands": {"note": "Twice, and well"}}})
    act = Act.objects.get(seq=sign(signer=hand(made), observation=made).signed_id)
    words = json.loads(act.payload.body)
    assert (words["feedback"], words["next"]) == (SAID["feedback"], SAID["next"])
    assert words["steps"] == {"hands": {"note": "Twice, and well"}, "hair": {"reason": "Nothing of the kind here"}}
    assert not any(text in act.content for text in ("Twice", "Calm", "poor veins", "Nothing of the kind"))


def test_nobody_signs_without_a_word_more_than_was_asked(stage):
    made = ticked(begun(stage), said={"feedback": "", "next": ""})
    act = Act.objects.get(seq=sign(signer=hand(made), observation=made).signed_id)
    assert not hasattr(act, "payload")


@pytest.mark.std("A-03")
def test_the_check_page_of_a_signed_observation_is_the_one_that_was_signed(stage):
    made = ticked(begun(stage), said={"met": False}, hands="prompted")
    shown = check(made)
    made = sign(signer=hand(made), observation=made)
    assert (check(made).content, check(made).digest) == (shown.content, shown.digest) == (made.content, made.digest)


def test_the_time_to_sign_ends_as_the_time_to_enter_does(stage):
    made = ticked(begun(stage))
    with clock.at(NOW + timedelta(days=31)), pytest.raises(Problems, match="within 30 days"):
        sign(signer=hand(made), observation=made)
    with clock.at(NOW + timedelta(days=30)):
        assert sign(signer=hand(made), observation=made).signed_id


@pytest.mark.std("A-16")
def test_the_database_keeps_a_row_signed_wholly_or_not_at_all(stage):
    made, whole = begun(stage), signed(stage)
    for column, value in (("content", "{}"), ("verdict", "met"), ("signed_id", an_act()), ("signed_at", NOW)):
        with pytest.raises(DatabaseError), transaction.atomic():
            Observation.objects.filter(pk=made.pk).update(**{column: value})
    with pytest.raises(DatabaseError), transaction.atomic():
        Observation.objects.filter(pk=whole.pk).update(known_until_id=an_act())


@pytest.mark.std("A-15")
def test_what_was_known_before_it_was_signed_or_disputed_can_be_asked(stage):
    made = ticked(begun(stage))
    before = an_act()
    made = sign(signer=hand(made), observation=made)
    after = an_act()
    dispute(actor=stage.learner.user, observation=made, reason="I was not prompted.")
    disputed = an_act()
    take_back(actor=stage.learner.user, observation=made)
    numbers = (before, after, disputed, None)
    assert [list(Observation.objects.signed_by(each)) for each in numbers] == [[], [made], [made], [made]]
    assert [ObservationDispute.objects.known(each).count() for each in numbers] == [0, 0, 1, 0]
    assert Observation.objects.known(made.known_from_id - 1).count() == 0


def test_a_new_checklist_version_changes_nothing_that_was_begun(stage):
    made = ticked(begun(stage))
    newer = ChecklistFactory(procedure=stage.procedure, unit=stage.cast.wards.hospital, effective_on=DAY)
    assert begun(stage).checklist == newer
    assert sign(signer=hand(made), observation=made).checklist == stage.checklist


def test_a_learner_who_moved_away_is_still_signed_for(stage):
    made = ticked(begun(stage))
    stage.learner.placements.update(known_until_id=an_act())
    assert sign(signer=hand(made), observation=made).signed_id


def test_signing_asks_the_database_a_modest_number_of_times(stage):
    made = ticked(begun(stage))
    signer = hand(made)
    with CaptureQueriesContext(connection) as seen:
        sign(signer=signer, observation=made)
    assert len(seen) < 60


def test_a_setting_says_how_far_back_one_may_enter(stage):
    SettingFactory(unit=stage.cast.wards.hospital, name="sign_within_days", plain=3)
    with pytest.raises(Problems, match="within 3 days"):
        begun(stage, observed_at=datetime(2026, 2, 26, 8, 0))
