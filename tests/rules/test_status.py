"""Which status comes first, and on which day each begins and ends."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from credentials.rules.answers import Answer, Status
from credentials.rules.facts import AwardKind, RestrictionKind, Span
from credentials.rules.terms import Terms
from tests.rules.builders import (
    ON,
    WARD,
    a_completion,
    a_placement,
    a_restriction,
    a_scope,
    an_appointment,
    an_award,
    an_award_expiring,
    an_enrolment,
    answer_on,
    entry_terms_met,
    signed_rows,
    some_facts,
    standing_on,
)

A_DAY = timedelta(days=1)
EXPIRES = date(2025, 7, 1)


def status_on(facts, on=ON, rows=None):
    return answer_on(facts, on, rows).status


def test_each_status_gives_way_to_the_one_before_it_in_the_list():
    """All at once, then taken away one by one from the top: what is left decides."""
    terms = Terms(provisional_months=60, months=60)
    facts = some_facts(
        placements=(),
        restrictions=(
            a_restriction(RestrictionKind.STAND_DOWN, starts=ON),
            a_restriction(RestrictionKind.SUSPENSION, starts=ON),
        ),
        awards=(an_award(starts=date(2023, 1, 1), months=60, first=True, terms=terms),),
        scopes=(a_scope(),),
        enrolments=(an_enrolment(terms=Terms(insertions=1, supervisors=1, days=1)),),
        completions=entry_terms_met(),
    )
    withdrawal = a_restriction(RestrictionKind.WITHDRAWAL, starts=ON)
    facts = replace(facts, restrictions=(*facts.restrictions, withdrawal))
    rows = signed_rows(1, first=ON - A_DAY)
    seen = [status_on(facts, rows=rows)]
    facts = replace(facts, placements=(a_placement(),))
    seen.append(status_on(facts, rows=rows))
    facts = replace(facts, restrictions=facts.restrictions[1:])
    seen.append(status_on(facts, rows=rows))
    facts = replace(facts, restrictions=facts.restrictions[1:])
    seen.append(status_on(facts, rows=rows))
    facts = replace(facts, restrictions=())
    seen.append(status_on(facts, rows=rows))
    facts = replace(facts, awards=(an_award_expiring(ON + 5 * A_DAY),))
    seen.append(status_on(facts, rows=rows))
    facts = replace(facts, awards=(an_award_expiring(ON + 300 * A_DAY),))
    seen.append(status_on(facts, rows=rows))
    facts = replace(facts, awards=(an_award_expiring(ON),))
    seen.append(status_on(facts, rows=rows))
    facts = replace(facts, awards=(an_award_expiring(ON - 31 * A_DAY),))
    seen.append(status_on(facts, rows=rows))
    facts = replace(facts, scopes=())
    seen.append(status_on(facts, rows=rows))
    facts = replace(facts, awards=())
    seen.append(status_on(facts, rows=rows))
    seen.append(status_on(facts, rows=[]))
    facts = replace(facts, enrolments=())
    seen.append(status_on(facts, rows=rows))
    assert seen == list(Status)


@pytest.mark.parametrize(
    ("day", "status"),
    [
        (EXPIRES - 91 * A_DAY, Status.CURRENT),
        (EXPIRES - 90 * A_DAY, Status.DUE),
        (EXPIRES - 89 * A_DAY, Status.DUE),
        (EXPIRES - A_DAY, Status.DUE),
        (EXPIRES, Status.IN_GRACE),
        (EXPIRES + A_DAY, Status.IN_GRACE),
        (EXPIRES + 29 * A_DAY, Status.IN_GRACE),
        (EXPIRES + 30 * A_DAY, Status.LAPSED),
        (EXPIRES + 31 * A_DAY, Status.LAPSED),
    ],
)
def test_notice_expiry_and_grace_begin_and_end_on_their_days(day, status):
    """in_grace is expires_on <= day < expires_on + grace."""
    assert status_on(some_facts(awards=(an_award_expiring(EXPIRES),)), day) is status


def test_the_award_is_not_yet_there_the_day_before_it_begins():
    facts = some_facts(awards=(an_award(starts=ON),))
    assert status_on(facts, ON - A_DAY) is Status.NOT_ENROLLED
    assert status_on(facts, ON) is Status.CURRENT


def test_without_days_of_grace_an_award_lapses_on_the_day_it_expires():
    facts = some_facts(awards=(an_award_expiring(EXPIRES, terms=Terms(grace_days=0)),))
    assert status_on(facts, EXPIRES - A_DAY) is Status.DUE
    assert status_on(facts, EXPIRES) is Status.LAPSED


def test_an_award_of_29_february_is_last_valid_on_27_february_a_year_later():
    """2024-02-29 + 12 months is 2025-02-28, so the last valid day is 2025-02-27."""
    award = an_award(starts=date(2024, 2, 29), months=12)
    facts = some_facts(awards=(award,))
    assert award.expires_on == date(2025, 2, 28)
    assert status_on(facts, date(2025, 2, 27)) is Status.DUE
    assert status_on(facts, date(2025, 2, 28)) is Status.IN_GRACE
    assert "through 27 February 2025" in answer_on(facts, date(2025, 2, 27)).reasons[0].text


def test_a_renewal_counts_its_months_from_the_anchor_and_not_from_the_day_of_decision():
    """2023-01-31 + 1 month is 28 February; + 2 months is 31 March, not 28 March."""
    first = an_award(starts=date(2023, 1, 31), until=date(2023, 2, 20), months=1)
    renewal = an_award(starts=date(2023, 2, 20), anchor=date(2023, 1, 31), months=2, kind=AwardKind.RENEWAL)
    facts = some_facts(awards=(first, renewal))
    assert answer_on(facts, date(2023, 3, 1)).expires_on == date(2023, 3, 31)
    assert answer_on(facts, date(2023, 3, 1)).starts == date(2023, 1, 31)


def test_days_of_grace_stay_grace_after_a_renewal_in_grace():
    decided = EXPIRES + 10 * A_DAY
    old = an_award_expiring(EXPIRES)
    facts = some_facts(
        awards=(
            replace(old, span=Span(old.span.starts, decided)),
            an_award(starts=decided, anchor=old.anchor, months=48, kind=AwardKind.RENEWAL),
        )
    )
    assert status_on(facts, decided - A_DAY) is Status.IN_GRACE
    assert status_on(facts, decided) is Status.CURRENT
    assert answer_on(facts, decided).expires_on == date(2027, 7, 1)


def test_a_first_award_is_provisional_until_the_end_of_its_months():
    award = an_award(starts=date(2025, 3, 31), first=True, terms=Terms(provisional_months=6))
    facts = some_facts(awards=(award,))
    assert status_on(facts, date(2025, 9, 29)) is Status.PROVISIONAL
    assert status_on(facts, date(2025, 9, 30)) is Status.CURRENT  # 31 March + 6 months is clamped to 30 September
    assert status_on(replace(facts, awards=(replace(award, first=False),)), date(2025, 4, 1)) is Status.CURRENT


def test_no_provisional_months_is_no_provisional_time():
    facts = some_facts(awards=(an_award(starts=ON, first=True, terms=Terms(provisional_months=0)),))
    assert status_on(facts) is Status.CURRENT


def test_a_provisional_award_in_notice_stays_provisional_and_says_that_renewal_is_open():
    terms = Terms(months=6, provisional_months=6)
    facts = some_facts(awards=(an_award(starts=date(2025, 1, 1), months=6, first=True, terms=terms),))
    answer = answer_on(facts, date(2025, 6, 30))
    assert (answer.status, answer.answer) == (Status.PROVISIONAL, Answer.ALONE)
    assert "renewal is open" in answer.reasons[0].text
    assert "renewal is open" not in answer_on(facts, date(2025, 1, 2)).reasons[0].text


def test_a_renewal_does_not_end_the_provisional_months_early():
    terms = Terms(months=6, provisional_months=6)
    first = an_award(starts=date(2025, 1, 1), until=date(2025, 5, 1), months=6, first=True, terms=terms)
    renewal = an_award(starts=date(2025, 5, 1), anchor=date(2025, 1, 1), months=12, kind=AwardKind.RENEWAL, terms=terms)
    facts = some_facts(awards=(first, renewal))
    assert status_on(facts, date(2025, 6, 30)) is Status.PROVISIONAL
    assert status_on(facts, date(2025, 7, 1)) is Status.CURRENT


def test_the_terms_of_the_award_decide_even_if_the_enrolment_has_newer_ones():
    award = an_award_expiring(EXPIRES, terms=Terms(grace_days=10, grace_gives=Answer.NEARBY, notice_days=5))
    newer = Terms(grace_days=100, grace_gives=Answer.ALONE, notice_days=200, lapsed_gives=Answer.NO)
    facts = some_facts(awards=(award,), enrolments=(an_enrolment(terms=newer),))
    assert status_on(facts, EXPIRES - 6 * A_DAY) is Status.CURRENT
    assert status_on(facts, EXPIRES - 5 * A_DAY) is Status.DUE
    assert answer_on(facts, EXPIRES).answer is Answer.NEARBY
    assert status_on(facts, EXPIRES + 10 * A_DAY) is Status.LAPSED
    assert answer_on(facts, EXPIRES + 10 * A_DAY).answer is Answer.IN_ROOM


def test_the_terms_of_the_renewal_decide_from_the_renewal_on():
    old = an_award(starts=date(2023, 7, 1), until=ON, months=24, terms=Terms(grace_days=10))
    new = an_award(
        starts=ON, anchor=date(2023, 7, 1), months=48, kind=AwardKind.RENEWAL, terms=Terms(grace_days=90, months=24)
    )
    facts = some_facts(awards=(old, new))
    assert status_on(facts, date(2027, 9, 28)) is Status.IN_GRACE
    assert status_on(facts, date(2027, 9, 29)) is Status.LAPSED


def test_entry_and_award_terms_are_those_of_the_enrolment():
    easy = some_facts(enrolments=(an_enrolment(terms=Terms(insertions=2, supervisors=1, days=1)),))
    easy = replace(easy, completions=entry_terms_met())
    rows = signed_rows(2, first=ON - 10 * A_DAY, supervisors=1)
    assert status_on(easy, rows=rows) is Status.READY_FOR_AWARD
    hard = replace(easy, enrolments=(an_enrolment(terms=Terms(insertions=3, supervisors=1, days=1)),))
    assert status_on(hard, rows=rows) is Status.IN_TRAINING


def test_entry_terms_that_run_out_close_the_way_to_patients():
    facts = some_facts(
        enrolments=(an_enrolment(),),
        completions=(a_completion("knowledge", ON - 50 * A_DAY, ON), a_completion("simulation", ON - 50 * A_DAY)),
    )
    assert answer_on(facts, ON - A_DAY).answer is Answer.IN_ROOM
    answer = answer_on(facts, ON)
    assert (answer.status, answer.answer) == (Status.IN_TRAINING, Answer.NO)
    assert "Knowledge tests: have 0, need 1" in answer.reasons[0].text


def test_a_placement_counts_from_its_first_day_through_the_day_before_its_end():
    facts = some_facts(placements=(a_placement(starts=ON, until=ON + 2 * A_DAY),), awards=(an_award(),), home=WARD)
    facts = replace(facts, awards=(an_award_expiring(ON + 300 * A_DAY),))
    assert [status_on(facts, ON + n * A_DAY) for n in (-1, 0, 1, 2)] == [
        Status.NO_PLACEMENT, Status.CURRENT, Status.CURRENT, Status.NO_PLACEMENT,
    ]  # fmt: skip


def test_an_appointment_stands_in_for_a_placement():
    facts = some_facts(placements=(), appointments=(an_appointment(until=ON),), scopes=(a_scope(),))
    assert status_on(facts, ON - A_DAY) is Status.BY_ROLE
    assert status_on(facts, ON) is Status.NO_PLACEMENT


def test_a_stand_down_ends_by_itself_and_the_former_answer_is_back():
    """Three days (local): stood down on the 11th, it holds through the end of the 14th."""
    facts = some_facts(
        awards=(an_award_expiring(ON + 300 * A_DAY),),
        restrictions=(a_restriction(RestrictionKind.STAND_DOWN, starts=ON, until=ON + 4 * A_DAY),),
    )
    assert [answer_on(facts, ON + n * A_DAY).answer for n in (-1, 0, 3, 4)] == [
        Answer.ALONE, Answer.NO, Answer.NO, Answer.ALONE,
    ]  # fmt: skip
    assert "through 14 June 2025" in answer_on(facts, ON).reasons[0].text


def test_a_stand_down_comes_before_a_suspension():
    facts = some_facts(
        restrictions=(
            a_restriction(RestrictionKind.SUSPENSION, starts=ON),
            a_restriction(RestrictionKind.STAND_DOWN, starts=ON, until=ON + A_DAY),
        )
    )
    assert status_on(facts, ON) is Status.STOOD_DOWN
    assert status_on(facts, ON + A_DAY) is Status.SUSPENDED


class TestWithdrawn:
    """'withdrawn (until a later award or enrolment)'."""

    held = an_award_expiring(ON + 300 * A_DAY)
    withdrawal = a_restriction(RestrictionKind.WITHDRAWAL, starts=ON - 10 * A_DAY)

    def test_it_stays_withdrawn_although_the_calendar_of_the_award_runs_on(self):
        facts = some_facts(awards=(self.held,), restrictions=(self.withdrawal,), scopes=(a_scope(),))
        assert status_on(facts, ON - 11 * A_DAY) is Status.CURRENT
        assert status_on(facts, ON) is Status.WITHDRAWN
        assert status_on(facts, ON + 3000 * A_DAY) is Status.WITHDRAWN

    def test_a_later_enrolment_begins_anew_and_the_old_award_is_neither_held_nor_lapsed(self):
        facts = some_facts(awards=(self.held,), restrictions=(self.withdrawal,), enrolments=(an_enrolment(starts=ON),))
        assert status_on(facts, ON - A_DAY) is Status.WITHDRAWN
        assert status_on(facts, ON) is Status.IN_TRAINING
        assert status_on(facts, ON + 3000 * A_DAY) is Status.IN_TRAINING

    def test_the_enrolment_from_before_does_not_lift_it(self):
        facts = some_facts(restrictions=(self.withdrawal,), enrolments=(an_enrolment(),), awards=(self.held,))
        assert status_on(facts, ON) is Status.WITHDRAWN

    def test_a_decision_of_the_same_day_does_not_lift_it(self):
        facts = some_facts(
            restrictions=(self.withdrawal,), enrolments=(an_enrolment(starts=self.withdrawal.span.starts),)
        )
        assert status_on(facts, ON) is Status.WITHDRAWN

    def test_an_award_of_the_same_day_does_not_come_back_with_a_later_enrolment(self):
        facts = some_facts(
            awards=(an_award(starts=self.withdrawal.span.starts),),
            restrictions=(self.withdrawal,),
            enrolments=(an_enrolment(starts=ON),),
        )
        assert status_on(facts, ON) is Status.IN_TRAINING

    def test_an_enrolment_from_before_does_not_come_back_when_a_later_one_has_ended(self):
        facts = some_facts(
            restrictions=(self.withdrawal,),
            enrolments=(an_enrolment(), an_enrolment(starts=ON - 5 * A_DAY, until=ON)),
            completions=entry_terms_met(),
        )
        assert status_on(facts, ON - A_DAY) is Status.IN_TRAINING
        assert status_on(facts, ON) is Status.NOT_ENROLLED

    def test_a_later_award_lifts_it(self):
        facts = some_facts(awards=(self.held, an_award(starts=ON)), restrictions=(self.withdrawal,))
        assert status_on(facts, ON - A_DAY) is Status.WITHDRAWN
        assert status_on(facts, ON) is Status.CURRENT

    def test_a_scope_by_role_from_before_does_not_come_back_with_a_new_enrolment(self):
        facts = some_facts(
            restrictions=(self.withdrawal,), scopes=(a_scope(),), enrolments=(an_enrolment(starts=ON - A_DAY),)
        )
        assert status_on(facts, ON) is Status.IN_TRAINING

    def test_insertions_from_before_do_not_count_for_the_new_start(self):
        terms = Terms(insertions=2, supervisors=1, days=1)
        old = an_enrolment(until=ON - A_DAY, terms=terms)
        facts = some_facts(
            restrictions=(self.withdrawal,),
            enrolments=(old, an_enrolment(starts=ON - A_DAY, terms=terms)),
            completions=entry_terms_met(),
        )
        rows = signed_rows(5, first=ON - 50 * A_DAY)
        assert status_on(facts, rows=rows) is Status.IN_TRAINING
        assert status_on(facts, ON + 9 * A_DAY, rows + signed_rows(2, first=ON)) is Status.READY_FOR_AWARD

    def test_a_withdrawal_that_was_ended_counts_no_more(self):
        ended = replace(self.withdrawal, span=Span(self.withdrawal.span.starts, ON))
        facts = some_facts(awards=(self.held,), restrictions=(ended,))
        assert status_on(facts, ON) is Status.CURRENT


def test_an_award_ended_before_its_time_did_not_lapse():
    award = an_award_expiring(ON - 60 * A_DAY)
    ended = replace(award, span=Span(award.span.starts, ON - 200 * A_DAY))
    assert status_on(some_facts(awards=(ended,))) is Status.NOT_ENROLLED
    assert status_on(some_facts(awards=(award,))) is Status.LAPSED


def test_of_two_awards_in_force_the_one_that_gives_more_decides_then_the_one_that_lasts_longer():
    provisional = an_award(starts=ON, first=True, months=60, terms=Terms(provisional_gives=Answer.NEARBY))
    older = an_award_expiring(ON + 200 * A_DAY)
    answer = answer_on(some_facts(awards=(provisional, older)))
    assert (answer.status, answer.award) == (Status.CURRENT, older.uuid)
    longer = an_award_expiring(ON + 300 * A_DAY)
    assert answer_on(some_facts(awards=(longer, older))).award == longer.uuid
    assert answer_on(some_facts(awards=(older, longer))).award == longer.uuid


class TestPlans:
    def test_a_plan_past_its_date_stays_in_force_and_says_that_it_is_overdue(self):
        plan = a_restriction(
            RestrictionKind.PLAN, starts=ON - 60 * A_DAY, answer=Answer.NEARBY, due_on=ON, insertions=6
        )
        facts = some_facts(awards=(an_award_expiring(ON + 300 * A_DAY),), restrictions=(plan,))
        on_time, late = answer_on(facts, ON), answer_on(facts, ON + A_DAY)
        assert on_time.answer is late.answer is Answer.NEARBY
        assert on_time.reasons[0].rule == late.reasons[0].rule == "plans"
        assert "by 11 June 2025" in on_time.reasons[0].text
        assert "overdue" not in on_time.reasons[0].text
        assert "overdue since 11 June 2025" in late.reasons[0].text
        assert answer_on(facts, ON + 1000 * A_DAY).answer is not Answer.ALONE

    def test_a_signed_decision_ends_it_on_its_day(self):
        plan = a_restriction(RestrictionKind.PLAN, starts=ON - 9 * A_DAY, until=ON, answer=Answer.IN_ROOM)
        facts = some_facts(awards=(an_award_expiring(ON + 300 * A_DAY),), restrictions=(plan,))
        assert [answer_on(facts, ON + n * A_DAY).answer for n in (-10, -9, -1, 0)] == [
            Answer.ALONE, Answer.IN_ROOM, Answer.IN_ROOM, Answer.ALONE,
        ]  # fmt: skip

    def test_it_says_how_many_supervised_insertions_are_done(self):
        plan = a_restriction(RestrictionKind.PLAN, starts=ON - 9 * A_DAY, answer=Answer.IN_ROOM, insertions=6)
        facts = some_facts(awards=(an_award_expiring(ON + 300 * A_DAY),), restrictions=(plan,))
        rows = signed_rows(3, first=ON - 11 * A_DAY)  # two of them before the plan
        assert answer_on(facts, rows=rows).reasons[0].figure == "Supervised insertions: have 1, need 6"
        assert standing_on(facts, rows=rows).plan[0][:3] == ("Supervised insertions", 1, 6)

    def test_the_strictest_of_two_plans_decides_and_stands_first(self):
        plans = [
            a_restriction(RestrictionKind.PLAN, starts=ON, answer=Answer.NEARBY),
            a_restriction(RestrictionKind.RETURN_PLAN, starts=ON, answer=Answer.IN_ROOM),
        ]
        facts = some_facts(awards=(an_award_expiring(ON + 300 * A_DAY),), restrictions=tuple(plans))
        answer = answer_on(facts)
        assert answer.answer is Answer.IN_ROOM
        assert [reason.evidence for reason in answer.reasons[:2]] == [(plans[1].uuid,), (plans[0].uuid,)]
        assert len(answer.reasons) == 3


class TestReturnStep:
    """'Absence changes nothing while it lasts; after a long one a return step starts the day after its end.'"""

    award = an_award_expiring(ON + 300 * A_DAY)
    away = Span(ON - 180 * A_DAY, ON)

    def test_nothing_changes_during_the_absence_and_the_step_begins_on_the_day_after_its_last(self):
        facts = some_facts(awards=(self.award,), absences=(self.away,))
        assert answer_on(facts, ON - A_DAY).answer is Answer.ALONE
        answer = answer_on(facts, ON)
        assert (answer.status, answer.answer) == (Status.CURRENT, Answer.IN_ROOM)
        assert answer.reasons[0].rule == "return_step"
        assert "have 0, need 3" in answer.reasons[0].text

    def test_an_absence_a_day_short_of_long_asks_for_nothing(self):
        short = Span(self.away.starts + A_DAY, ON)
        assert answer_on(some_facts(awards=(self.award,), absences=(short,))).answer is Answer.ALONE

    def test_two_absences_that_touch_are_one(self):
        parts = (Span(ON - 90 * A_DAY, ON), Span(ON - 180 * A_DAY, ON - 90 * A_DAY))
        assert answer_on(some_facts(awards=(self.award,), absences=parts)).answer is Answer.IN_ROOM

    def test_it_ends_with_the_last_of_the_supervised_insertions_since_the_return(self):
        facts = some_facts(awards=(self.award,), absences=(self.away,))
        rows = signed_rows(1, first=ON - 3 * A_DAY) + signed_rows(3, first=ON)
        assert answer_on(facts, ON + A_DAY, rows).answer is Answer.IN_ROOM
        assert answer_on(facts, ON + 2 * A_DAY, rows).answer is Answer.ALONE

    def test_it_ends_when_it_is_signed_as_done(self):
        before = a_completion("return", ON - A_DAY)
        facts = some_facts(awards=(self.award,), absences=(self.away,), completions=(before,))
        assert answer_on(facts).answer is Answer.IN_ROOM
        done = replace(facts, completions=(before, a_completion("return", ON + A_DAY)))
        assert answer_on(done, ON).answer is Answer.IN_ROOM
        assert answer_on(done, ON + A_DAY).answer is Answer.ALONE

    def test_an_absence_from_before_the_person_had_to_do_with_the_procedure_asks_for_nothing(self):
        facts = some_facts(awards=(an_award(starts=ON),), absences=(self.away,))
        assert answer_on(facts).answer is Answer.ALONE

    def test_terms_without_a_return_step_ask_for_none(self):
        award = replace(self.award, terms=Terms(return_insertions=0))
        assert answer_on(some_facts(awards=(award,), absences=(self.away,))).answer is Answer.ALONE
