"""Every status and boundary day, the day before, of and after, from the definitions of the product and not from code.

Each row stands under the sentence that it comes from. Days are civil days of the home unit.
"""

from datetime import date, timedelta

import pytest

from audits.calendar import add_months
from credentials.rules.answers import Answer, Status
from credentials.rules.facts import RestrictionKind, Span
from credentials.rules.standing import waits_for_award
from credentials.rules.terms import Terms
from tests.rules.builders import (
    a_completion,
    a_placement,
    a_restriction,
    a_row,
    a_scope,
    an_award,
    an_enrolment,
    answer_on,
    entry_terms_met,
    signed_rows,
    some_facts,
    standing_on,
)

DAY = timedelta(days=1)
LOCAL = Terms(
    months=24, notice_days=90, grace_days=30, provisional_months=6, long_absence_days=180, return_insertions=3,
    grace_gives=Answer.IN_ROOM, lapsed_gives=Answer.IN_ROOM,
)  # fmt: skip
AWARDED = date(2024, 3, 15)
EXPIRES = date(2026, 3, 15)
NOTICE = date(2025, 12, 15)  # ninety days before
GRACE_ENDS = date(2026, 4, 14)  # thirty days after


def answers(facts, *days, rows=()):
    found = [answer_on(facts, day, list(rows)) for day in days]
    return [(each.status.value, each.answer.value) for each in found]


def around(day: date) -> tuple[date, date, date]:
    return day - DAY, day, day + DAY


def held(**values):
    return some_facts(awards=(an_award(starts=AWARDED, terms=LOCAL),), **values)


CALENDAR = {
    # 'in_grace (expires_on <= day < expires_on + grace)'; 'in force while from <= day < expires_on'
    "notice": (NOTICE, ["current", "due", "due"], ["alone", "alone", "alone"]),
    "expiry": (EXPIRES, ["due", "in_grace", "in_grace"], ["alone", "in_room", "in_room"]),
    "end of grace": (GRACE_ENDS, ["in_grace", "lapsed", "lapsed"], ["in_room", "in_room", "in_room"]),
    "first day": (AWARDED, ["not_enrolled", "current", "current"], ["no", "alone", "alone"]),
}


@pytest.mark.parametrize("boundary", CALENDAR)
def test_an_award_by_its_calendar(boundary):
    day, statuses, given = CALENDAR[boundary]
    assert answers(held(), *around(day)) == list(zip(statuses, given, strict=True))


@pytest.mark.parametrize(("gives", "answer"), [(Answer.ALONE, "alone"), (Answer.NO, "no")])
def test_what_grace_gives_is_local(gives, answer):
    """'in_grace: in_room* (where alone: expired, may continue through ... under local policy)'."""
    facts = some_facts(awards=(an_award(starts=AWARDED, terms=Terms(grace_gives=gives)),))
    assert answers(facts, EXPIRES) == [("in_grace", answer)]


def test_where_no_grace_is_given_it_lapses_on_the_day_of_expiry():
    facts = some_facts(awards=(an_award(starts=AWARDED, terms=Terms(grace_days=0)),))
    assert [status for status, _ in answers(facts, *around(EXPIRES))] == ["due", "lapsed", "lapsed"]


def test_where_lapsed_gives_no_an_open_return_plan_still_gives_in_the_room():
    """'lapsed: in_room* (where no: an open return plan still gives in_room, because a signed decision opened it)'."""
    opened = date(2026, 5, 1)
    award = an_award(starts=AWARDED, terms=Terms(lapsed_gives=Answer.NO))
    plan = a_restriction(RestrictionKind.RETURN_PLAN, starts=opened, answer=Answer.IN_ROOM, insertions=3)
    facts = some_facts(awards=(award,), restrictions=(plan,))
    assert [answer for _, answer in answers(facts, *around(opened))] == ["no", "in_room", "in_room"]


# 'provisional (first months after a first award)'; provisional gives alone* (local)
@pytest.mark.parametrize(("gives", "before"), [(Answer.ALONE, "alone"), (Answer.NEARBY, "nearby")])
def test_the_first_months_after_a_first_award_are_provisional(gives, before):
    terms = Terms(provisional_months=6, provisional_gives=gives)
    facts = some_facts(awards=(an_award(starts=date(2025, 8, 31), first=True, terms=terms),))
    # Six months from 31 August is 28 February: the end of the month that has no 31st.
    assert answers(facts, *around(date(2026, 2, 28))) == [
        ("provisional", before),
        ("current", "alone"),
        ("current", "alone"),
    ]


def test_a_provisional_award_in_notice_stays_provisional():
    """'A provisional award in notice stays provisional; its reasons say that renewal is open'."""
    facts = some_facts(awards=(an_award(starts=AWARDED, first=True, terms=Terms(provisional_months=24)),))
    assert answers(facts, NOTICE, EXPIRES - DAY) == [("provisional", "alone")] * 2
    assert "renewal is open" in " ".join(each.text for each in answer_on(facts, NOTICE).reasons)


# 'a stand-down ... ends by itself at the end of the third day after'; 'suspended'; 'withdrawn (until a later award)'
SPANS = {
    "stood_down": (RestrictionKind.STAND_DOWN, date(2025, 6, 2), date(2025, 6, 6)),
    "suspended": (RestrictionKind.SUSPENSION, date(2025, 6, 2), date(2025, 6, 20)),
}


@pytest.mark.parametrize("status", SPANS)
def test_a_restriction_holds_from_its_first_day_until_before_its_end(status):
    kind, starts, until = SPANS[status]
    facts = held(restrictions=(a_restriction(kind, starts=starts, until=until),))
    now, before = (status, "no"), ("current", "alone")
    assert answers(facts, *around(starts), *around(until)) == [before, now, now, now, before, before]


def test_a_withdrawal_holds_until_a_later_award_or_enrolment():
    withdrawn, again = date(2025, 6, 2), date(2025, 7, 1)
    gone = a_restriction(RestrictionKind.WITHDRAWAL, starts=withdrawn)
    old = an_award(starts=AWARDED, until=withdrawn, terms=LOCAL)
    for later in (
        {"awards": (old, an_award(starts=again, terms=LOCAL))},
        {"awards": (old,), "enrolments": (an_enrolment(starts=again),)},
    ):
        facts = some_facts(restrictions=(gone,), **later)
        statuses = [status for status, _ in answers(facts, *around(withdrawn), *around(again))]
        assert statuses[:4] == ["current", "withdrawn", "withdrawn", "withdrawn"]
        assert "withdrawn" not in statuses[4:]


def test_the_first_status_that_holds_is_taken_in_the_order_of_the_product():
    """no_placement, stood_down, suspended, withdrawn, then the award."""
    day = date(2025, 6, 2)
    down, suspended, withdrawn = (
        a_restriction(kind, starts=day)
        for kind in (RestrictionKind.STAND_DOWN, RestrictionKind.SUSPENSION, RestrictionKind.WITHDRAWAL)
    )
    assert answers(held(restrictions=(down, suspended, withdrawn), placements=()), day)[0][0] == "no_placement"
    assert answers(held(restrictions=(down, suspended, withdrawn)), day)[0][0] == "stood_down"
    assert answers(held(restrictions=(suspended, withdrawn)), day)[0][0] == "suspended"
    assert answers(held(restrictions=(withdrawn,)), day)[0][0] == "withdrawn"
    assert answers(held(), day)[0][0] == "current"


def test_a_placement_that_ends_leaves_nobody_to_answer_for():
    until = date(2025, 6, 2)
    facts = held(placements=(a_placement(until=until),))
    assert answers(facts, *around(until)) == [("current", "alone"), ("no_placement", "no"), ("no_placement", "no")]


def test_a_scope_by_role_ends_on_its_day():
    """'until a date': the last valid day is the day before."""
    until = date(2025, 6, 2)
    facts = some_facts(scopes=(a_scope(until=until),))
    assert answers(facts, *around(until)) == [("by_role", "alone"), ("not_enrolled", "no"), ("not_enrolled", "no")]


def test_what_was_completed_counts_until_before_it_runs_out():
    """'in_room once entry terms (knowledge, simulation) are met, else no'."""
    until = date(2025, 6, 2)
    done = (
        a_completion("knowledge", date(2025, 1, 1), valid_until=until),
        a_completion("simulation", date(2025, 1, 1)),
    )
    facts = some_facts(enrolments=(an_enrolment(starts=date(2025, 1, 1)),), completions=done)
    assert answers(facts, *around(until)) == [("in_training", "in_room"), ("in_training", "no"), ("in_training", "no")]


def test_who_has_all_that_the_terms_ask_is_ready_and_not_awarded_by_itself():
    terms = Terms(insertions=3, supervisors=2, days=3)
    facts = some_facts(enrolments=(an_enrolment(starts=date(2025, 1, 1), terms=terms),), completions=entry_terms_met())
    rows = signed_rows(3, first=date(2025, 6, 1))
    assert answers(facts, *around(date(2025, 6, 3)), rows=rows) == [
        ("in_training", "in_room"),
        ("ready_for_award", "in_room"),
        ("ready_for_award", "in_room"),
    ]


def test_who_lapsed_and_has_all_that_the_terms_ask_again_stays_lapsed_and_waits_for_the_award():
    terms = Terms(insertions=3, supervisors=2, days=3)
    facts = held(
        enrolments=(an_enrolment(starts=date(2026, 6, 1), terms=terms),),
        completions=entry_terms_met(date(2026, 6, 1)),
    )
    rows = signed_rows(3, first=date(2026, 6, 2))
    for day, waits in zip(around(date(2026, 6, 4)), (False, True, True), strict=True):
        standing = standing_on(facts, day, rows)
        status = answer_on(facts, day, rows).status
        assert (status, waits_for_award(standing, status)) == (Status.LAPSED, waits)


# 'a plan past its date stays in force, overdue, until a signed decision ends it'
def test_a_plan_stays_in_force_past_its_day_until_it_is_ended():
    opened, due, ended = date(2025, 6, 2), date(2025, 6, 20), date(2025, 7, 1)
    plan = a_restriction(
        RestrictionKind.PLAN, starts=opened, until=ended, due_on=due, answer=Answer.NEARBY, insertions=3
    )
    facts = held(restrictions=(plan,))
    given = [answer for _, answer in answers(facts, *around(opened), *around(due), *around(ended))]
    assert given == ["alone", "nearby", "nearby", *["nearby"] * 3, "nearby", "alone", "alone"]
    reasons = [" ".join(each.text for each in answer_on(facts, day).reasons) for day in around(due)]
    assert ["overdue" in each for each in reasons] == [False, False, True]


def test_a_plan_on_a_trainee_is_allowed_and_the_status_stays():
    plan = a_restriction(RestrictionKind.PLAN, starts=date(2025, 6, 2), answer=Answer.NEARBY)
    facts = some_facts(
        enrolments=(an_enrolment(starts=date(2025, 1, 1)),), completions=entry_terms_met(), restrictions=(plan,)
    )
    assert answers(facts, date(2025, 6, 3)) == [("in_training", "in_room")]


# 'Absence changes nothing while it lasts; after a long one a return step starts the day after its end'
@pytest.mark.parametrize(("length", "asked"), [(179, False), (180, True), (181, True)])
def test_a_return_step_starts_after_a_long_absence(length, asked):
    starts = date(2024, 11, 1)
    back = starts + length * DAY
    facts = held(absences=(Span(starts, back),))
    given = [answer for _, answer in answers(facts, *around(back))]
    assert given == ["alone", *(["in_room"] * 2 if asked else ["alone"] * 2)]


def test_the_return_step_is_over_with_the_insertions_that_it_asks():
    back = date(2025, 6, 2)
    facts = held(absences=(Span(date(2024, 11, 1), back),))
    rows = signed_rows(3, first=back)
    assert [answer for _, answer in answers(facts, *(back + place * DAY for place in range(4)), rows=rows)] == [
        "in_room", "in_room", "alone", "alone",
    ]  # fmt: skip


def test_unsigned_insertions_do_not_end_a_return_step():
    back = date(2025, 6, 2)
    facts = held(absences=(Span(date(2024, 11, 1), back),))
    rows = [a_row(back + place * DAY) for place in range(3)]
    assert answers(facts, back + 5 * DAY, rows=rows) == [("current", "in_room")]


# 'student: nearby at that unit; the same person's employed placement is not capped'
def test_the_ceiling_of_a_placement_begins_and_ends_with_it():
    starts, until = date(2025, 6, 2), date(2025, 6, 20)
    student = a_placement(starts=starts, until=until, kind="student", ceiling=Answer.NEARBY)
    before, after = a_placement(until=starts), a_placement(starts=until)
    facts = held(placements=(before, student, after))
    given = [answer for _, answer in answers(facts, *around(starts), *around(until))]
    assert given == ["alone", "nearby", "nearby", "nearby", "alone", "alone"]


# '2024-02-29 +12 / +36 / +48': clamped to the month's end, always from the anchor (statistics, section j)
LEAP = [
    (12, date(2025, 2, 28)),
    (24, date(2026, 2, 28)),
    (36, date(2027, 2, 28)),
    (48, date(2028, 2, 29)),
]


@pytest.mark.parametrize(("months", "expires_on"), LEAP)
def test_an_award_of_29_february_expires_at_the_end_of_february(months, expires_on):
    award = an_award(starts=date(2024, 2, 29), months=months, terms=LOCAL)
    assert award.expires_on == expires_on == add_months(date(2024, 2, 29), months)
    assert [status for status, _ in answers(some_facts(awards=(award,)), *around(expires_on))] == [
        "due", "in_grace", "in_grace",
    ]  # fmt: skip


def test_a_renewal_adds_months_to_the_anchor_so_that_29_february_comes_back():
    renewed = an_award(starts=date(2025, 2, 20), anchor=date(2024, 2, 29), months=48, terms=LOCAL)
    assert renewed.expires_on == date(2028, 2, 29)


def test_notice_across_the_end_of_a_leap_february():
    """Ninety civil days before 28 May 2024 is 28 February; before 28 May 2023 it is 27 February."""
    for year, opens in ((2024, date(2024, 2, 28)), (2023, date(2023, 2, 27))):
        facts = some_facts(awards=(an_award(starts=date(year - 2, 5, 28), terms=LOCAL),))
        assert [status for status, _ in answers(facts, *around(opens))] == ["current", "due", "due"]


def test_every_status_of_the_product_is_in_these_tables():
    """So that a status added later is missed here."""
    from credentials.rules.answers import Status

    shown = {
        "no_placement", "stood_down", "suspended", "withdrawn", "provisional", "due", "current", "in_grace", "by_role",
        "lapsed", "ready_for_award", "in_training", "not_enrolled",
    }  # fmt: skip
    assert {each.value for each in Status} == shown
