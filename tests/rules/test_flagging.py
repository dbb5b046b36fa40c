"""Which findings raise a flag, and when a closed one may come back."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from audits.figures import fold
from credentials.rules.asking import ask_for
from credentials.rules.flagging import Day, FlagKey, key_of, to_raise, was_absent_since, with_closings
from credentials.rules.next_change import next_change_on
from credentials.rules.standing import judge
from tests.rules.builders import (
    EVERY_RULE,
    ON,
    a_row,
    a_set,
    an_award,
    figures_on,
    rows_of,
    some_facts,
    standing_on,
    uuid_for,
)

A_DAY = timedelta(days=1)
RUN = FlagKey("repeated_failure", "")
AWARDED = date(2024, 1, 1)
FACTS = some_facts(
    awards=(an_award(starts=AWARDED, months=36),),
    rules=a_set(repeated_failure={"failures": 3}, attempts_limit={}, recency={"days": 30}),
)


def raised(rows, *, on=ON, is_open=(), closed=None, absent=False, again_after=10):
    closed = closed or {}
    figures = fold(1, 1, rows, with_closings(ask_for(FACTS, on), closed.values()))
    asked = []

    def was_absent(key, day):
        asked.append((key, day))
        return absent

    found = to_raise(
        standing_on(FACTS, on, rows).findings,
        is_open=is_open, closed_on=closed, figures=figures, again_after=again_after, was_absent=was_absent,
    )  # fmt: skip
    return [key_of(finding) for finding in found], asked


def failing(number, *, last=ON):
    return rows_of("1" * number, first=last - (number - 1) * A_DAY)


def test_a_finding_with_a_review_raises_a_flag_and_a_note_does_not():
    assert raised(failing(3)) == ([RUN], [])
    assert [finding.rule for finding in standing_on(FACTS, ON + 40 * A_DAY, failing(3)).findings] == [
        "repeated_failure", "recency",
    ]  # fmt: skip
    assert raised(failing(3), on=ON + 40 * A_DAY)[0] == [RUN]


def test_one_open_flag_for_a_key():
    assert raised(failing(3), is_open={RUN}) == ([], [])
    assert raised(failing(3), is_open={FlagKey("drift", "")})[0] == [RUN]


def test_each_entry_has_a_key_of_its_own_and_is_never_raised_again():
    rows = [a_row(ON - A_DAY, punctures=3, total=3), a_row(ON, punctures=3, total=3)]
    first, second = (FlagKey("attempts_limit", uuid_for(row)) for row in rows)
    assert raised(rows)[0] == [first, second]
    assert raised(rows, is_open={first})[0] == [second]
    assert raised(rows, closed={first: ON}, absent=True) == ([second], [])


def test_after_closing_it_comes_back_after_so_many_insertions_in_the_rate():
    closed = ON - 10 * A_DAY
    assert raised(failing(13), closed={RUN: closed}, again_after=10)[0] == [RUN]
    assert raised(failing(12, last=ON - A_DAY), closed={RUN: closed}, again_after=10) == ([], [(RUN, closed)])


def test_the_insertions_of_the_day_of_closing_came_before_it():
    assert raised(failing(3), closed={RUN: ON - 2 * A_DAY}, again_after=2)[0] == [RUN]
    assert raised(failing(3), closed={RUN: ON - 2 * A_DAY}, again_after=3)[0] == []
    assert raised([row._replace(in_rate=1) for row in failing(3)], closed={RUN: ON}, again_after=1)[0] == []


def test_after_closing_it_comes_back_when_it_was_absent_on_a_day_since():
    assert raised(failing(3), closed={RUN: ON}, absent=True) == ([RUN], [(RUN, ON)])
    assert raised(failing(3), closed={RUN: ON}, absent=False) == ([], [(RUN, ON)])


def days_judged(rows, judged):
    def day_at(day):
        judged.append(day)
        figures = figures_on(FACTS, rows, day)
        keys = {key_of(finding) for finding in judge(FACTS, figures, day).findings}
        return Day(keys, next_change_on(FACTS, figures, day))

    return day_at


@pytest.mark.parametrize(
    ("outcomes", "absent"),
    [("111", False), ("111111", False), ("1110111", True), ("1111110", True), ("0111", True)],
)
def test_absence_since_the_closing_is_found_whichever_day_it_was(outcomes, absent):
    """The flag is closed on the day of the third letter; '0' ends the run for a day."""
    first = ON - 60 * A_DAY
    rows = rows_of(outcomes, first=first)
    closed = first + 2 * A_DAY
    judged: list[date] = []
    found = was_absent_since(RUN, closed_on=closed, on=ON, day_at=days_judged(rows, judged))
    every = [closed + n * A_DAY for n in range((ON - closed).days + 1)]
    assert found is absent
    assert found is any(RUN not in days_judged(rows, [])(day).keys for day in every)
    assert len(judged) < len(every) / 2
    assert set(judged) <= set(every)


def test_a_missed_run_changes_nothing_because_only_evidence_and_days_are_asked():
    first = ON - 60 * A_DAY
    rows = rows_of("1110111", first=first)
    closed = {RUN: first + 2 * A_DAY}
    for on in (first + 6 * A_DAY, first + 20 * A_DAY, ON):
        day_at = days_judged(rows, [])
        found = to_raise(
            standing_on(FACTS, on, rows).findings,
            is_open=(),
            closed_on=closed,
            figures=fold(1, 1, rows, with_closings(ask_for(FACTS, on), closed.values())),
            again_after=10,
            was_absent=lambda key, day, on=on, day_at=day_at: was_absent_since(
                key, closed_on=day, on=on, day_at=day_at
            ),
        )
        assert RUN in [key_of(finding) for finding in found]


def test_the_closing_of_a_drift_flag_takes_the_finding_away_until_it_crosses_again():
    facts = replace(FACTS, rules=EVERY_RULE)
    rows = rows_of("1" * 20, first=ON - 40 * A_DAY)
    assert FlagKey("drift", "") in [key_of(finding) for finding in standing_on(facts, rows=rows).findings]
    closed = replace(facts, drift_restarts=(ON - 25 * A_DAY,))
    assert FlagKey("drift", "") not in [key_of(finding) for finding in standing_on(closed, rows=rows).findings]
    more = rows + rows_of("1" * 8, first=ON - 10 * A_DAY)
    assert FlagKey("drift", "") in [key_of(finding) for finding in standing_on(closed, rows=more).findings]
