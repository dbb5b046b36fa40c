# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""From enrolment to award and on: the answer at each step, and what each step refuses."""

from datetime import date, datetime, timedelta

import pytest

from audits.awards import NewScope, add_scope
from audits.calendar import add_months
from credentials import awarding, standings
from credentials.documents import terms
from credentials.enrolling import enrol
from credentials.models import Programme, Standing
from credentials.restricting import Decision, decide
from credentials.rules.answers import Answer, Status
from credentials.rules.standing import answer_at_home
from credentials.rules.terms import Terms
from ledger import acts, clock
from ledger.acts import recording
from ledger.canonical import canonical
from ledger.verify import verify
from people import stale
from people.access import NotPermitted
from people.problems import Problems
from people.signing import NotConfirmed
from tests.audits.conftest import give_award
from tests.credentials.conftest import TODAY, put_in_force, sign
from tests.factories import ClinicianFactory, make_appointed

BEGUN = date(2026, 1, 5)
FIRST = datetime(2026, 1, 12, 10, 0)


def status(stage):
    found = standings.read(*stage.pair).home
    return found.status, found.answer


def make_award(stage):
    check = awarding.check_award(stage.learner, stage.procedure)
    return awarding.award(
        signer=sign(stage.educator, check.digest, meaning=awarding.AWARDED),
        clinician=stage.learner,
        procedure=stage.procedure,
        scope_unit=stage.cast.wards.department,
    )


def test_somebody_never_enrolled_may_not_insert_on_patients(stage):
    assert status(stage) == (Status.NOT_ENROLLED, Answer.NO)


def test_an_enrolled_trainee_waits_for_the_terms_of_entry(stage):
    enrol(actor=stage.educator, clinician=stage.learner, procedure=stage.procedure, from_day=BEGUN)
    assert status(stage) == (Status.IN_TRAINING, Answer.NO)


def test_a_trainee_becomes_ready_and_is_awarded_and_may_insert_alone(stage):
    stage.ready_to_learn(BEGUN)
    assert status(stage) == (Status.IN_TRAINING, Answer.IN_ROOM)
    with pytest.raises(Problems, match="Supervised insertions: have 0, need 10"):
        make_award(stage)
    stage.ten_insertions(FIRST)
    assert status(stage) == (Status.READY_FOR_AWARD, Answer.IN_ROOM)
    made = make_award(stage)
    assert made.first
    assert made.expires_on == date(2028, 3, 2)
    assert status(stage) == (Status.PROVISIONAL, Answer.ALONE)


def test_nobody_is_awarded_by_themselves_or_by_a_supervisor(stage):
    stage.ready_to_learn(BEGUN)
    stage.ten_insertions(FIRST)
    check = awarding.check_award(stage.learner, stage.procedure)
    for user in (stage.learner.user, stage.supervisors[0], stage.cast.manager):
        with pytest.raises(NotPermitted):
            awarding.award(
                signer=sign(user, check.digest),
                clinician=stage.learner,
                procedure=stage.procedure,
                scope_unit=stage.cast.wards.department,
            )


def test_nobody_is_awarded_on_an_enrolment_older_than_a_withdrawal_or_one_to_come(stage, now):
    enrol(actor=stage.educator, clinician=stage.learner, procedure=stage.procedure, from_day=TODAY + timedelta(days=5))
    with pytest.raises(Problems, match="enrolled only from 7 March 2026"):
        make_award(stage)
    give_award(stage.learner, stage.procedure, stage.cast.wards.department)
    withdrawal = Decision(clinician=stage.learner, kind="withdrawal", procedure=stage.procedure, reason="By request.")
    with clock.at(now + timedelta(days=8)):
        decide(signer=sign(stage.educator, withdrawal.digest), decision=withdrawal)
    with clock.at(now + timedelta(days=9)):
        assert status(stage) == (Status.WITHDRAWN, Answer.NO)
        with pytest.raises(Problems, match="was withdrawn since: end the old enrolment, and enrol again"):
            make_award(stage)


@pytest.mark.std("A-03")
def test_an_award_signed_on_other_figures_than_those_shown_is_refused(stage):
    stage.ready_to_learn(BEGUN)
    stage.ten_insertions(FIRST)
    check = awarding.check_award(stage.learner, stage.procedure)
    stage.log(FIRST + timedelta(days=20))
    with pytest.raises(NotConfirmed):
        awarding.award(
            signer=sign(stage.educator, check.digest),
            clinician=stage.learner,
            procedure=stage.procedure,
            scope_unit=stage.cast.wards.department,
        )
    assert status(stage)[0] is Status.READY_FOR_AWARD


def test_an_answer_known_then_stays_what_it_was(stage):
    stage.ready_to_learn(BEGUN)
    before = acts.head()
    asked = standings.judge_many([stage.pair], known=before)[stage.pair].body
    stage.ten_insertions(FIRST)
    make_award(stage)
    assert standings.judge_many([stage.pair], known=before)[stage.pair].body == asked
    assert standings.read(*stage.pair, known=before).home.status is Status.IN_TRAINING


def test_what_is_known_then_at_the_head_is_what_is_known_now(stage):
    stage.ready_to_learn(BEGUN)
    stage.ten_insertions(FIRST)
    now = standings.judge_many([stage.pair])[stage.pair]
    then = standings.judge_many([stage.pair], known=acts.head())[stage.pair]
    assert now.body == then.body


def test_a_stored_standing_is_not_trusted_while_its_outbox_waits(stage):
    stage.ready_to_learn(BEGUN)
    standings.refresh()
    assert not stale.pending()
    stage.ten_insertions(FIRST)
    assert stage.pair in stale.pending() or (stage.learner.pk, None) in stale.pending()
    assert Standing.objects.get(clinician=stage.learner).status == Status.IN_TRAINING
    assert status(stage)[0] is Status.READY_FOR_AWARD
    standings.refresh()
    assert Standing.objects.get(clinician=stage.learner).status == Status.READY_FOR_AWARD


def test_a_missed_daily_run_never_shows_a_stale_alone(stage, now):
    stage.ready_to_learn(BEGUN)
    stage.ten_insertions(FIRST)
    made = make_award(stage)
    standings.refresh()
    assert Standing.objects.get(clinician=stage.learner).may_insert == Answer.ALONE.value
    with clock.at(now + (made.expires_on - date(2026, 3, 2)) + timedelta(days=31)):
        assert status(stage) == (Status.LAPSED, Answer.IN_ROOM)


def test_a_rebuild_gives_what_is_stored(stage):
    stage.ready_to_learn(BEGUN)
    stage.ten_insertions(FIRST)
    make_award(stage)
    standings.refresh()
    stored = {(row.clinician_id, row.procedure_id): row.body for row in Standing.objects.all()}
    Standing.objects.all().delete()
    standings.rebuild()
    rebuilt = {(row.clinician_id, row.procedure_id): row.body for row in Standing.objects.all()}
    assert {pair: rebuilt[pair] for pair in stored} == stored
    assert standings.differences() == []


def test_renewal_keeps_the_anchor_and_opens_with_notice(stage, now):
    stage.ready_to_learn(BEGUN)
    stage.ten_insertions(FIRST)
    made = make_award(stage)
    with pytest.raises(Problems, match="Renewal opens on"):
        awarding.check_renewal(stage.learner, stage.procedure)
    near_end = now + timedelta(days=(made.expires_on - date(2026, 3, 2)).days - 10)
    for place in range(12):
        stage.log(near_end.replace(tzinfo=None) - timedelta(days=30 + place), signed=False)
    with clock.at(near_end):
        check = awarding.check_renewal(stage.learner, stage.procedure)
        renewed = awarding.renew(
            signer=sign(stage.educator, check.digest), clinician=stage.learner, procedure=stage.procedure
        )
        assert (renewed.anchor, renewed.months) == (made.anchor, 48)
        assert renewed.expires_on == date(2030, 3, 2)
        assert status(stage)[0] is Status.CURRENT


def test_a_renewal_is_earned_on_the_old_terms_and_has_those_in_effect(stage, now):
    stage.ready_to_learn(BEGUN)
    stage.ten_insertions(FIRST)
    made = make_award(stage)
    stricter = Terms(renewal_insertions=40, months=12, long_absence_days=90, grace_days=10)
    put_in_force(Programme, stage, stricter.to_content(), effective_on=TODAY)
    near_end = now + timedelta(days=(made.expires_on - TODAY).days - 10)
    for place in range(12):
        stage.log(near_end.replace(tzinfo=None) - timedelta(days=30 + place), signed=False)
    with clock.at(near_end):
        check = awarding.check_renewal(stage.learner, stage.procedure)
        assert [(line.have, line.need) for line in check.lines] == [(12, 12)]
        assert check.programme.version == 2
        renewed = awarding.renew(
            signer=sign(stage.educator, check.digest), clinician=stage.learner, procedure=stage.procedure
        )
        assert (renewed.anchor, renewed.months, renewed.expires_on) == (made.anchor, 36, date(2029, 3, 2))
        assert (renewed.programme, renewed.long_absence_days) == (check.programme.uuid, 90)
        assert terms(renewed.terms) == stricter
        assert (renewed.provisional_until, renewed.supervises_from) == (made.provisional_until, made.supervises_from)
    assert verify().problems == ()


def test_a_renewal_that_would_be_over_already_is_refused(stage, now):
    own = canonical(Terms(renewal_insertions=0, grace_days=90).to_content())
    begun = date(2024, 1, 5)
    give_award(
        stage.learner, stage.procedure, stage.cast.wards.department, terms=own, from_day=begun, anchor=begun,
        expires_on=date(2026, 1, 5), months=24,
    )  # fmt: skip
    put_in_force(Programme, stage, Terms(months=1, provisional_months=0).to_content(), effective_on=TODAY)
    check = awarding.check_renewal(stage.learner, stage.procedure)
    with pytest.raises(Problems, match="1 month more would be over already"):
        awarding.renew(signer=sign(stage.educator, check.digest), clinician=stage.learner, procedure=stage.procedure)


@pytest.mark.parametrize("way", ["renewed in grace", "awarded again"])
def test_the_days_of_grace_and_of_the_lapse_stay_what_they_were_when_the_next_decision_is_made(stage, now, way):
    own = Terms(renewal_insertions=0, grace_days=14, lapsed_gives=Answer.NO)
    ended = TODAY - timedelta(days=5 if way == "renewed in grace" else 60)
    give_award(
        stage.learner, stage.procedure, stage.cast.wards.department, terms=canonical(own.to_content()),
        from_day=add_months(ended, -24), anchor=add_months(ended, -24), expires_on=ended, months=24,
    )  # fmt: skip
    days = [ended + timedelta(days=each) for each in (-1, 0, 4, 13, 14, 20)]
    days = [day for day in days if day < TODAY]

    def told():
        found = [standings.judge_many([stage.pair], on=day)[stage.pair].standing for day in days]
        at = [answer_at_home(each, on=day) for each, day in zip(found, days, strict=True)]
        return [(each.status.value, each.answer.value) for each in at]

    if way == "renewed in grace":
        before = told()
        check = awarding.check_renewal(stage.learner, stage.procedure)
        awarding.renew(signer=sign(stage.educator, check.digest), clinician=stage.learner, procedure=stage.procedure)
        assert before == [("due", "alone"), ("in_grace", "in_room"), ("in_grace", "in_room")]
    else:
        stage.ready_to_learn(TODAY - timedelta(days=20))
        stage.ten_insertions(datetime(2026, 2, 15, 10, 0))
        before = told()
        make_award(stage)
        grace, after = [("in_grace", "in_room")] * 3, [("lapsed", "no")] * 2
        assert before == [("due", "alone"), *grace, *after]
    assert told() == before
    assert status(stage)[1] is Answer.ALONE


def test_somebody_never_placed_is_at_home_where_they_are_appointed(stage):
    user = make_appointed("supervisor", stage.cast.wards.department, "An Aesthetist")
    doctor = ClinicianFactory(user=user, name=user.name)
    new = NewScope(
        procedure=stage.procedure,
        unit=stage.cast.wards.department,
        clinician=doctor,
        from_day=date(2026, 3, 2),
        until_day=date(2027, 3, 2),
        basis="{}",
    )
    with recording(actor=stage.educator, kind="scope.decided") as rec:
        add_scope(rec, new)
    found = standings.read(doctor.pk, stage.procedure.pk).home
    assert (found.status, found.answer) == (Status.BY_ROLE, Answer.ALONE)
    standings.refresh()
    assert standings.read(doctor.pk, stage.procedure.pk).home.status is Status.BY_ROLE
