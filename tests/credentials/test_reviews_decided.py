# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""From a flag to a plan and its end, step by step, by people; cases referred and shared."""

from datetime import date, datetime, timedelta

import pytest

from audits.models import Restriction
from credentials import flags, referring, restricting, review, review_story, standings, supervising_again
from credentials.models import Flag, Referral
from credentials.restricting import Decision
from credentials.rules.answers import Answer
from ledger import clock
from ledger.verify import verify
from people.access import NotPermitted, access_of
from people.problems import Problems
from tests.audits.conftest import FAILED, WORKED, give_award
from tests.credentials.conftest import TODAY, sign

FIRST = datetime(2026, 1, 12, 10, 0)
REASON = "Five failures on the renal list: watched again until it is steady."
Kind = Restriction.Kind


@pytest.fixture
def flag(stage):
    """A run of failures of a holder, asked about."""
    give_award(
        stage.learner, stage.procedure, stage.cast.wards.department,
        terms=stage.supervisors[0].clinician.awards.get().terms,
    )  # fmt: skip
    for place in range(5):
        stage.log(FIRST + timedelta(days=place), attempts=(FAILED,), signed=False)
    review.review_today()
    return Flag.objects.select_related("clinician", "procedure").get()


def planned(stage, flag, **changes):
    said = {
        "clinician": stage.learner, "procedure": stage.procedure, "kind": Kind.PLAN, "reason": REASON,
        "answer": Answer.IN_ROOM, "insertions": 2, "due_on": TODAY + timedelta(days=30), "flag": flag,
    }  # fmt: skip
    return Decision(**{**said, **changes})


def decide(stage, decision, user=None):
    signer = sign(user or stage.educator, decision.digest)
    return restricting.decide(signer=signer, decision=decision)


def end(stage, row, reason="Steady again."):
    return restricting.end(
        signer=sign(stage.educator, restricting.end_digest(row, reason)), restriction=row, reason=reason
    )


def answer(stage):
    return standings.read(*stage.pair).home.answer


def refer(flag, by, to, reason="What would you do?"):
    return referring.refer(actor=by, flag=flag, to=to, reason=reason)


def test_a_plan_decided_on_a_flag_closes_it_in_the_same_act(stage, flag):
    assert answer(stage) is Answer.ALONE
    row = decide(stage, planned(stage, flag))
    flag.refresh_from_db()
    assert (flag.outcome, flag.closed_id, flag.closed_by) == ("plan", row.known_from_id, stage.educator)
    assert flag.reason == REASON
    assert answer(stage) is Answer.IN_ROOM
    assert verify().problems == ()


def test_a_suspension_decided_on_a_flag_closes_it_too(stage, flag):
    decide(stage, Decision(clinician=stage.learner, kind=Kind.SUSPENSION, reason=REASON, flag=flag))
    flag.refresh_from_db()
    assert flag.outcome == "suspended"
    assert answer(stage) is Answer.NO
    assert verify().problems == ()


def test_closing_a_flag_alone_cannot_say_that_there_is_a_plan(stage, flag):
    for outcome in ("plan", "suspended", ""):
        with pytest.raises(Problems, match="outcome"):
            flags.close_flag(
                signer=sign(stage.educator, flags.flag_digest(flag)), flag=flag, outcome=outcome, reason=REASON
            )


def test_a_plan_on_a_flag_is_about_its_person_and_procedure(stage, flag):
    with pytest.raises(ValueError, match="does not lead to"):
        decide(stage, planned(stage, flag, clinician=stage.cast.colleague))
    with pytest.raises(ValueError, match="does not lead to"):
        decide(stage, Decision(
            clinician=stage.learner, kind=Kind.WITHDRAWAL, procedure=stage.procedure, reason=REASON, flag=flag
        ))  # fmt: skip
    with pytest.raises(NotPermitted):
        decide(stage, planned(stage, flag), user=stage.cast.manager)
    assert not Restriction.objects.exists()
    assert Flag.objects.get().closed_id is None


def test_a_plan_made_stricter_later_keeps_its_flag_and_closes_nothing_again(stage, flag):
    row = decide(stage, planned(stage, flag))
    decide(stage, Decision(clinician=stage.learner, kind=Kind.SUSPENSION, reason="Overdue, and two more.", flag=flag))
    flag.refresh_from_db()
    assert (flag.outcome, flag.closed_id) == ("plan", row.known_from_id)
    assert [each.kind for each in review_story.decided_on(flag)] == ["plan", "suspension"]
    assert verify().problems == ()


def test_progress_counts_what_was_supervised_since_and_the_end_keeps_it(stage, flag, now):
    row = decide(stage, planned(stage, flag))
    far = supervising_again.progress_of([row], TODAY)[row.pk]
    assert [(each.have, each.need) for each in far.lines] == [(0, 2)]
    assert not far.waits
    for place in (3, 4):
        stage.log(datetime(2026, 3, place, 9, 0), attempts=(WORKED,))
    with clock.at(now + timedelta(days=3)):
        far = supervising_again.progress_of([row], TODAY + timedelta(days=3))[row.pk]
        assert far.waits
        said = [line.words for line in supervising_again.waiting(access_of(stage.educator))]
        assert any("everything on the re-supervision plan is there" in words for words in said)
        ended = end(stage, row)
        far = supervising_again.progress_of([ended], TODAY + timedelta(days=3))[ended.pk]
    assert [(each.have, each.need) for each in far.lines] == [(2, 2)]
    assert not far.is_open


def test_a_plan_is_overdue_from_the_day_after_its_last(stage, flag):
    row = decide(stage, planned(stage, flag, due_on=date(2026, 3, 12)))
    overdue = {day: supervising_again.progress_of([row], date(2026, 3, day))[row.pk].is_overdue for day in (11, 12, 13)}
    assert overdue == {11: False, 12: False, 13: True}


def test_a_manager_sees_a_case_only_while_it_is_referred_to_them(stage, flag):
    manager = stage.cast.manager
    assert not flags.visible_flags(access_of(manager)).exists()
    made = refer(flag, stage.educator, manager)
    assert flags.visible_flags(access_of(manager)).get() == flag
    flags.reply(actor=manager, flag=flag, text="I would go with a plan.")
    referring.end_referral(actor=stage.second, referral=made)
    assert not flags.visible_flags(access_of(manager)).exists()
    assert verify().problems == ()
    with pytest.raises(Problems):
        referring.end_referral(actor=stage.educator, referral=made)


def test_the_person_shares_their_case_with_a_supervisor_and_alone_takes_it_back(stage, flag):
    supervisor = stage.supervisors[1]
    made = refer(flag, stage.learner.user, supervisor)
    assert flags.visible_flags(access_of(supervisor)).get() == flag
    assert any("shares a question" in each.words for each in supervising_again.waiting(access_of(supervisor)))
    with pytest.raises(NotPermitted):
        referring.end_referral(actor=stage.educator, referral=made)
    referring.end_referral(actor=stage.learner.user, referral=made)
    assert not Referral.objects.known().exists()


def test_a_case_is_referred_by_educators_to_those_in_charge_there_and_to_nobody_else(stage, flag):
    with pytest.raises(NotPermitted):
        refer(flag, stage.cast.manager, stage.educator)
    for to in (stage.supervisors[0], stage.learner.user, stage.cast.outsider.user, stage.educator):
        with pytest.raises(Problems, match="not in charge"):
            refer(flag, stage.educator, to)
    refer(flag, stage.educator, stage.cast.manager)
    with pytest.raises(Problems):
        refer(flag, stage.educator, stage.cast.manager)


def test_a_referred_case_is_not_seen_by_who_lost_the_role(stage, flag):
    from people.appointing import end_appointment

    refer(flag, stage.educator, stage.cast.manager)
    row = stage.cast.manager.appointments.known().get(role="manager")
    end_appointment(actor=stage.cast.administrator, appointment=row, until_day=TODAY)
    assert not flags.visible_flags(access_of(stage.cast.manager)).exists()


@pytest.mark.std("F-13")
def test_the_story_of_a_case_is_told_in_order_with_who_when_and_the_number(stage, flag, now):
    minutes = iter(range(1, 100))

    def later():
        return clock.at(now + timedelta(minutes=next(minutes)))

    with later():
        review_story.note_looked(stage.learner.user, flag)
    with later():
        flags.reply(actor=stage.learner.user, flag=flag, text="All five were on the renal list.")
    with later():
        review_story.note_looked(stage.educator, flag)
    with later():
        made = refer(flag, stage.educator, stage.cast.manager)
    with later():
        referring.end_referral(actor=stage.educator, referral=made)
    with later():
        row = decide(stage, planned(stage, flag))
    with later():
        due_on = TODAY + timedelta(days=50)
        signer = sign(stage.educator, restricting.end_digest(row, "On leave.", due_on))
        row = restricting.extend(signer=signer, restriction=row, due_on=due_on, reason="On leave.")
    with later():
        end(stage, row, "Ends early: on another ward now.")
    flag.refresh_from_db()
    told = review_story.story(flag)
    assert [each.words.partition(":")[0].partition(";")[0].partition(" (")[0] for each in told] == [
        "Raised", "Looked at it for the first time", "Replied", "Looked at it for the first time",
        f"Referred to {stage.cast.manager.name}", f"No longer shown to {stage.cast.manager.name}",
        "Re-supervision plan opened", "Re-supervision plan extended through 21 April 2026", "Re-supervision plan ended",
    ]  # fmt: skip
    assert [each.at for each in told] == sorted(each.at for each in told)
    assert [each.by for each in told[:3]] == ["The register", stage.learner.name, stage.learner.name]
    assert "The question is closed by it." in told[6].words
    assert "Supervised insertions: have 0, need 2" in told[8].words
    numbers = [each.seq for each in told if not each.words.startswith("Looked")]
    assert None not in numbers
    assert numbers == sorted(numbers)
    assert [each.said for each in told[-3:]] == [REASON, "On leave.", "Ends early: on another ward now."]


def test_a_reply_after_its_time_is_taken_and_marked_late(stage, flag, now):
    with clock.at(now + timedelta(days=40)):
        flags.reply(actor=stage.learner.user, flag=flag, text="I was away.")
    assert "Replied, after the time to reply" in [each.words for each in review_story.story(flag)]
