# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""What may be stated about an entry, by whom, until when, and what it then counts for."""

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from audits.countersigning import (
    AlreadyDecided,
    Answer,
    NotEligible,
    accept_on_other_evidence,
    answer_many,
    countersign,
    not_me,
    queue,
    send_back,
)
from audits.figures import Credit
from audits.logbook import record_insertion
from audits.models import Award, Outcome, Statement
from ledger import acts, clock
from ledger.models import Act
from people.access import NotPermitted, access_of
from people.models import Appointment, Clinician, Placement, Stale, User
from people.problems import Problems
from people.signing import NotConfirmed
from tests.audits.conftest import NOW, confirmed, entry_of
from tests.factories import AppointmentFactory, PlacementFactory, SettingFactory, an_act, make_appointed, make_clinician


@pytest.fixture
def logged(stage):
    return record_insertion(actor=stage.owner.user, entry=stage.entry())


def credit(insertion):
    return Outcome.objects.get(insertion=insertion.pk).credit


@pytest.mark.parametrize(("nearness", "code"), [("in_room", Credit.IN_ROOM), ("nearby", Credit.NEARBY)])
def test_a_countersignature_gives_credit_and_stores_on_what_it_rests(stage, logged, nearness, code):
    made = countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness=nearness)
    assert credit(logged) == code
    assert made.award == Award.objects.get(clinician=stage.holder)
    assert made.appointment == Appointment.objects.get(user=stage.supervisor)
    assert (made.scope, made.insertion_digest, made.kind) == (None, logged.digest, nearness)
    assert Stale.objects.filter(act=made.known_from, clinician=stage.owner, procedure=stage.procedure.pk).exists()


@pytest.mark.std("A-01")
def test_a_statement_shows_name_time_and_meaning_and_the_database_holds_to_it(stage, logged):
    made = countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    assert (made.printed_name, made.signed_at) == ("Su Pervisor", NOW)
    assert made.meaning == "countersigned: in the room and watched"
    act = Act.objects.get(seq=made.known_from_id)
    assert act.facts["signature"]["printed_name"] == "Su Pervisor"
    assert act.facts["statement"]["insertion_digest"] == logged.digest
    for empty in ({"meaning": ""}, {"printed_name": ""}):
        fields = {f.attname: getattr(made, f.attname) for f in Statement._meta.concrete_fields if f.name != "id"}
        with pytest.raises(IntegrityError), transaction.atomic():
            Statement.objects.create(**{**fields, "known_until_id": made.known_from_id, **empty})


@pytest.mark.std("A-02")
def test_a_later_change_of_name_rewrites_no_signature(stage, logged):
    made = countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    registration = stage.supervisor.registration
    User.objects.filter(pk=stage.supervisor.pk).update(name="Somebody Else", registration="NEW")
    Appointment.objects.filter(user=stage.supervisor).update(known_until_id=an_act())
    made.refresh_from_db()
    assert (made.printed_name, made.role, made.registration) == ("Su Pervisor", "Supervisor", registration)


@pytest.mark.std("A-08")
@pytest.mark.parametrize("who", ["owner", "colleague", "outsider", "assessor", "educator", "manager", "auditor"])
def test_nobody_but_the_named_supervisor_countersigns(stage, logged, who):
    user = stage.cast.users()[who]
    before = acts.head()
    with pytest.raises(NotPermitted):
        countersign(signer=confirmed(user, logged.digest), insertion=logged, nearness="in_room")
    assert not Statement.objects.exists()
    assert acts.head() == before


@pytest.mark.std("A-08")
def test_nobody_signs_for_themselves_even_with_an_account_given_later(stage):
    clinician = make_clinician(stage.ward, account=False)
    give_later = make_appointed("supervisor", stage.ward)
    logged = record_insertion(actor=stage.cast.educator, entry=entry_of(clinician, stage.ward, give_later))
    Clinician.objects.filter(pk=clinician.pk).update(user=give_later)
    with pytest.raises(NotPermitted):
        countersign(signer=confirmed(give_later, logged.digest), insertion=logged, nearness="in_room")


@pytest.mark.std("A-08")
def test_authority_that_ended_the_day_before_does_not_serve(stage, logged):
    Appointment.objects.filter(user=stage.supervisor).update(known_until_id=an_act())
    AppointmentFactory(user=stage.supervisor, unit=stage.cast.wards.department, until_day=logged.performed_on)
    with pytest.raises(NotEligible, match="No appointment as supervisor here on 2 March 2026"):
        countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")


def test_authority_counts_on_the_day_of_the_insertion_and_not_on_that_of_signing(stage, logged):
    Appointment.objects.filter(user=stage.supervisor).update(known_until_id=an_act())
    AppointmentFactory(user=stage.supervisor, unit=stage.ward, until_day=logged.performed_on + timedelta(days=1))
    with clock.at(NOW + timedelta(days=5)):
        countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    assert credit(logged) == Credit.IN_ROOM


def test_an_award_that_ran_out_the_day_before_does_not_serve(stage, logged):
    award = Award.objects.get()
    award_values = {f.attname: getattr(award, f.attname) for f in Award._meta.concrete_fields if f.name != "id"}
    Award.objects.filter(pk=award.pk).update(known_until_id=an_act())
    Award.objects.create(**{**award_values, "expires_on": logged.performed_on, "known_from_id": an_act()})
    with pytest.raises(NotEligible, match="The award ran through 1 March 2026"):
        countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")


def test_a_student_never_supervises(stage, logged):
    PlacementFactory(clinician=stage.holder, unit=stage.ward, home=False, kind=Placement.Kind.STUDENT)
    with pytest.raises(NotEligible, match="student"):
        countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")


@pytest.mark.parametrize(("days", "serves"), [(30, True), (31, False)])
def test_thirty_days_after_the_insertion_the_time_to_countersign_is_over(stage, logged, days, serves):
    with clock.at(NOW + timedelta(days=days)):
        signer = confirmed(stage.supervisor, logged.digest)
        if serves:
            countersign(signer=signer, insertion=logged, nearness="in_room")
            return
        with pytest.raises(Problems, match="through 1 April 2026: an educator may accept it on other evidence"):
            countersign(signer=signer, insertion=logged, nearness="in_room")
        educator = confirmed(stage.cast.educator, logged.digest)
        accept_on_other_evidence(signer=educator, insertion=logged, note="Ward book, page 12")
    assert credit(logged) == Credit.OTHER_EVIDENCE


def test_the_time_to_countersign_is_local(stage, logged):
    SettingFactory(unit=stage.cast.wards.hospital, name="sign_within_days", plain=3)
    with clock.at(NOW + timedelta(days=4)), pytest.raises(Problems):
        countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")


def test_other_evidence_is_named_and_accepted_by_an_educator_of_the_unit_only(stage, logged):
    with pytest.raises(Problems, match="Name the evidence"):
        accept_on_other_evidence(signer=confirmed(stage.cast.educator, logged.digest), insertion=logged, note=" ")
    elsewhere = make_appointed("educator", stage.cast.wards.other_hospital)
    for user in (stage.supervisor, elsewhere, stage.cast.manager):
        with pytest.raises(NotPermitted):
            accept_on_other_evidence(signer=confirmed(user, logged.digest), insertion=logged, note="Ward book")
    made = accept_on_other_evidence(
        signer=confirmed(stage.cast.educator, logged.digest), insertion=logged, note="Ward book, page 12"
    )
    assert (made.role, made.kind, made.award) == ("Educator", "other_evidence", None)
    assert made.appointment == Appointment.objects.get(user=stage.cast.educator)


def test_an_emergency_is_never_credited(stage):
    entry = stage.entry(emergency=True, supervisor=None, nearness="")
    logged = record_insertion(actor=stage.owner.user, entry=entry)
    with pytest.raises(Problems, match="emergency"):
        accept_on_other_evidence(signer=confirmed(stage.cast.educator, logged.digest), insertion=logged, note="Seen")


def test_sent_back_and_not_me_give_no_credit_and_ask_what_to_mend(stage, logged):
    with pytest.raises(Problems, match="what to mend"):
        send_back(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, note="")
    made = send_back(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, note="It was the left arm.")
    assert (made.kind, made.note, credit(logged)) == ("sent_back", "It was the left arm.", Credit.NONE)
    assert Act.objects.get(seq=made.known_from_id).payload.body.count("left arm") == 1
    assert "left arm" not in Act.objects.get(seq=made.known_from_id).content
    again = not_me(signer=confirmed(stage.supervisor, logged.digest), insertion=logged)
    assert list(Statement.objects.known()) == [again]
    made.refresh_from_db()
    assert made.known_until_id == again.known_from_id


def test_who_cannot_supervise_may_still_say_so(stage, logged):
    Award.objects.filter(clinician=stage.holder).update(known_until_id=an_act())
    assert not_me(signer=confirmed(stage.supervisor, logged.digest), insertion=logged).role == "Named supervisor"


@pytest.mark.std("B-40")
def test_a_note_that_may_tell_who_the_patient_is_is_refused(stage, logged):
    with pytest.raises(Problems):
        send_back(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, note="See MRN 1234567")


@pytest.mark.std("A-09")
def test_a_decided_entry_takes_no_second_signature(stage, logged):
    countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    for step in (
        lambda who: countersign(signer=who(stage.supervisor), insertion=logged, nearness="nearby"),
        lambda who: send_back(signer=who(stage.supervisor), insertion=logged, note="Mend the side."),
        lambda who: accept_on_other_evidence(signer=who(stage.cast.educator), insertion=logged, note="Book"),
    ):
        with pytest.raises(AlreadyDecided, match="Su Pervisor has answered already"):
            step(lambda user: confirmed(user, logged.digest))
    assert Statement.objects.count() == 1


@pytest.mark.std("A-03")
def test_only_the_version_that_was_shown_can_be_signed(stage, logged):
    other = record_insertion(actor=stage.owner.user, entry=stage.entry(performed=datetime(2026, 3, 2, 11, 0)))
    with pytest.raises(NotConfirmed):
        countersign(signer=confirmed(stage.supervisor, other.digest), insertion=logged, nearness="in_room")
    signer = confirmed(stage.supervisor, logged.digest)
    with clock.at(NOW + timedelta(minutes=3)), pytest.raises(NotConfirmed):
        countersign(signer=signer, insertion=logged, nearness="in_room")
    assert not Statement.objects.exists()


@pytest.mark.std("A-05")
def test_one_secret_signs_up_to_ten_entries_one_by_one_and_reports_each(stage):
    entries = [
        record_insertion(actor=stage.owner.user, entry=stage.entry(performed=datetime(2026, 3, 1, hour, 0)))
        for hour in range(3)
    ]
    unseen = record_insertion(actor=stage.owner.user, entry=stage.entry())
    elsewhere = record_insertion(actor=stage.owner.user, entry=stage.entry(supervisor=None, nearness=""))
    before = acts.head()
    signer = confirmed(stage.supervisor, *(each.digest for each in (*entries, elsewhere)))
    reports = answer_many(
        signer=signer,
        answers=[
            Answer(entries[0].pk, "in_room"),
            Answer(entries[1].pk, "sent_back", "Was it the left arm?"),
            Answer(entries[2].pk, "nearby"),
            Answer(unseen.pk, "in_room"),
            Answer(elsewhere.pk, "in_room"),
        ],
    )
    made = [report.statement for report in reports[:3]]
    assert [each.kind for each in made] == ["in_room", "sent_back", "nearby"]
    assert len({each.insertion_digest for each in made}) == len({each.known_from_id for each in made}) == 3
    assert [report.problem for report in reports[3:]] == [
        "This was not shown before it was signed.",
        "You may not answer this entry.",
    ]
    assert acts.head() == before + 3
    assert Statement.objects.count() == 3


def test_more_than_ten_at_once_are_refused(stage, logged):
    with pytest.raises(ValueError, match="11 answers"):
        answer_many(
            signer=confirmed(stage.supervisor, logged.digest), answers=[Answer(n, "in_room") for n in range(11)]
        )


# --- the queue ---


def test_the_queue_holds_what_waits_for_this_supervisor_oldest_first(stage, logged):
    older = record_insertion(actor=stage.owner.user, entry=stage.entry(performed=datetime(2026, 2, 1, 9, 0)))
    answered = record_insertion(actor=stage.owner.user, entry=stage.entry(performed=datetime(2026, 2, 2, 9, 0)))
    send_back(signer=confirmed(stage.supervisor, answered.digest), insertion=answered, note="Mend it.")
    record_insertion(
        actor=stage.owner.user,
        entry=stage.entry(supervisor=stage.cast.assessor.uuid, performed=datetime(2026, 3, 1, 9, 0)),
    )
    waiting = queue(access_of(stage.supervisor))
    assert [each.insertion for each in waiting] == [older, logged]
    assert [(each.late, each.days_left) for each in waiting] == [(True, 1), (False, 30)]
    assert waiting[1].where == "Saltmarsh Hospital / Medicine / Ward 4 Tern"
    assert all(each.may_sign for each in waiting)


def test_the_queue_says_why_an_entry_cannot_be_signed(stage, logged):
    Award.objects.filter(clinician=stage.holder).update(known_until_id=an_act())
    (waiting,) = queue(access_of(stage.supervisor))
    assert waiting.may_sign.reason == "not_held"


def test_a_queue_of_twenty_costs_as_many_queries_as_one(stage, logged):
    def queries():
        access = access_of(stage.supervisor)
        with CaptureQueriesContext(connection) as caught:
            for each in queue(access):
                assert each.insertion.clinician.name
                assert list(each.insertion.attempts.all())
        return len(caught)

    one = queries()
    for day in range(1, 20):
        clinician = make_clinician(stage.ward)
        entry = entry_of(clinician, stage.ward, stage.supervisor, performed=datetime(2026, 2, day, 9, 0))
        record_insertion(actor=clinician.user, entry=entry)
    assert len(queue(access_of(stage.supervisor))) == 20
    assert queries() == one


def test_a_version_that_was_replaced_takes_no_signature(stage, logged):
    from audits.corrections import correct

    entry = replace(stage.entry(), uuid=logged.uuid, comment="Left arm, supine.")
    newer = correct(actor=stage.owner.user, insertion=logged, entry=entry, reason="Forgot to say.")
    with pytest.raises(AlreadyDecided, match="changed or withdrawn"):
        countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    countersign(signer=confirmed(stage.supervisor, newer.digest), insertion=newer, nearness="in_room")
    assert date(2026, 3, 2) == newer.performed_on
