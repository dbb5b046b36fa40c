# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""Flags: raised once for a key, shown, replied to, closed with a reason; they never change an answer."""

from datetime import datetime, timedelta

import pytest

from audits.entry import AttemptMade
from credentials import flags, review, standings
from credentials.models import Flag
from ledger import clock
from people.access import NotPermitted, access_of
from people.problems import Problems
from tests.audits.conftest import FAILED, WORKED, give_award
from tests.credentials.conftest import sign

FIRST = datetime(2026, 1, 12, 10, 0)
REASON = "Talked it over: three very difficult patients in one shift."


@pytest.fixture
def holder(stage):
    """The learner holds an award, and everything about the ward is current."""
    give_award(
        stage.learner,
        stage.procedure,
        stage.cast.wards.department,
        terms=stage.supervisors[0].clinician.awards.get().terms,
    )
    return stage


def run_of_failures(stage, first, number=5):
    for place in range(number):
        stage.log(first + timedelta(days=place), attempts=(FAILED,), signed=False)


def close(stage, flag, reason=REASON, outcome="talked", user=None):
    signer = sign(user or stage.educator, flags.flag_digest(flag), meaning=flags.MEANING)
    return flags.close_flag(signer=signer, flag=flag, outcome=outcome, reason=reason)


def rules_open(stage):
    return sorted(Flag.objects.filter(clinician=stage.learner, closed=None).values_list("rule", flat=True))


def test_five_failures_in_a_row_open_one_flag_however_often_the_review_runs(holder):
    run_of_failures(holder, FIRST)
    assert review.review_today().flags_raised == 1
    assert review.review_today().flags_raised == 0
    assert rules_open(holder) == ["repeated_failure"]


def test_a_flag_never_changes_the_answer(holder):
    before = standings.read(*holder.pair).home
    run_of_failures(holder, FIRST)
    review.review_today()
    after = standings.read(*holder.pair).home
    assert (after.status, after.answer) == (before.status, before.answer)


def test_a_serious_event_and_too_many_punctures_are_asked_about_each_entry(stage):
    stage.ready_to_learn(FIRST.date())
    three = (AttemptMade(site="hand", gauge=22, result="failed", reason="through"),) * 2 + (WORKED,)
    stage.log(FIRST, events=("arterial_puncture",), attempts=three, signed=False)
    review.review_today()
    assert rules_open(stage) == ["attempts_limit", "serious_event"]


def test_an_event_flag_once_closed_is_closed_for_good(stage):
    stage.ready_to_learn(FIRST.date())
    stage.log(FIRST, events=("needlestick",), signed=False)
    review.review_today()
    close(stage, Flag.objects.get())
    assert review.review_today().flags_raised == 0


def test_a_closed_run_is_asked_about_again_only_after_it_was_broken_or_ten_more(holder, now):
    run_of_failures(holder, FIRST)
    review.review_today()
    close(holder, Flag.objects.get())
    assert review.review_today().flags_raised == 0
    for place in range(9):
        holder.log(datetime(2026, 3, 3 + place, 9, 0), attempts=(FAILED,), signed=False)
    with clock.at(now + timedelta(days=12)):
        assert "repeated_failure" not in rules_open_after_review(holder)
    holder.log(datetime(2026, 3, 12, 9, 0), attempts=(FAILED,), signed=False)
    with clock.at(now + timedelta(days=12)):
        assert "repeated_failure" in rules_open_after_review(holder)


def rules_open_after_review(stage):
    review.review_today()
    return rules_open(stage)


def test_a_flag_is_closed_with_a_reason_by_an_educator_and_by_nobody_else(holder):
    run_of_failures(holder, FIRST)
    review.review_today()
    flag = Flag.objects.get()
    for user in (holder.learner.user, holder.supervisors[0], holder.cast.manager):
        with pytest.raises(NotPermitted):
            close(holder, flag, user=user)
    with pytest.raises(Problems, match="reason"):
        close(holder, flag, reason="fine")
    closed = close(holder, flag)
    assert (closed.outcome, closed.reason, closed.closed_by) == ("talked", REASON, holder.educator)
    with pytest.raises(flags.AlreadyClosed):
        close(holder, flag)


def test_the_person_sees_the_flag_and_replies_the_same_day(holder):
    run_of_failures(holder, FIRST)
    review.review_today()
    flag = flags.visible_flags(access_of(holder.learner.user)).get()
    flags.reply(actor=holder.learner.user, flag=flag, text="All five were on the renal list.")
    assert flag.raised_on == flag.replies.get().said_at.date()
    assert not flags.visible_flags(access_of(holder.cast.colleague.user)).exists()
    assert not flags.visible_flags(access_of(holder.cast.manager)).exists()


def test_daily_raises_what_a_review_would(holder):
    standings.rebuild()
    run_of_failures(holder, FIRST)
    done, raised = review.daily()
    assert raised == 1
    assert done.judged == 1
    assert review.check() == []
