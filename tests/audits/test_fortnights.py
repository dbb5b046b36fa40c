"""Logging fortnights, against facts of the calendar.

Lengths of quarters are those of the Gregorian calendar: 90 or 91, 91, 92, 92 days (ISO 8601-1:2019, 4.2.1; from
memory).
"""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audits.fortnights import DAYS, LATEST, Fortnight, fortnight_of, fortnight_on, fortnights, next_fortnight
from audits.quarters import Quarter
from people.settings import NAMES

BEGINS = st.integers(1, LATEST)
ANY_DAY = st.dates(date(1990, 1, 1), date(2100, 12, 31))


@pytest.mark.parametrize(
    ("quarter", "begins", "first", "last"),
    [
        (Quarter(2026, 1), 1, date(2026, 1, 1), date(2026, 1, 14)),
        (Quarter(2026, 2), 1, date(2026, 4, 1), date(2026, 4, 14)),
        (Quarter(2026, 3), 1, date(2026, 7, 1), date(2026, 7, 14)),
        (Quarter(2026, 4), 77, date(2026, 12, 16), date(2026, 12, 29)),
        # 2024 and 2000 have a 29 February, 2026 and 2100 have none.
        (Quarter(2024, 1), 50, date(2024, 2, 19), date(2024, 3, 3)),
        (Quarter(2026, 1), 50, date(2026, 2, 19), date(2026, 3, 4)),
        (Quarter(2000, 1), 60, date(2000, 2, 29), date(2000, 3, 13)),
        (Quarter(2100, 1), 60, date(2100, 3, 1), date(2100, 3, 14)),
        # The latest day still ends with the shortest quarter.
        (Quarter(2026, 1), 77, date(2026, 3, 18), date(2026, 3, 31)),
        (Quarter(2024, 1), 77, date(2024, 3, 17), date(2024, 3, 30)),
    ],
)
def test_a_fortnight_lies_where_the_calendar_puts_it(quarter, begins, first, last):
    assert fortnight_of(quarter, begins=begins) == Fortnight(first, last)


@pytest.mark.parametrize("begins", [0, -1, 78, 92])
def test_a_day_from_which_fourteen_do_not_fit_is_refused(begins):
    with pytest.raises(ValueError, match=str(begins)):
        fortnight_of(Quarter(2026, 1), begins=begins)


@pytest.mark.parametrize(
    ("day", "lies"),
    [
        (date(2025, 12, 31), False),
        (date(2026, 1, 1), True),
        (date(2026, 1, 14), True),
        (date(2026, 1, 15), False),
        (date(2026, 3, 31), False),
        (date(2026, 4, 1), True),
    ],
)
def test_before_first_last_and_after(day, lies):
    assert (fortnight_on(day, begins=1) is not None) is lies


def test_a_period_over_the_end_of_a_year_holds_those_it_touches():
    found = list(fortnights(date(2025, 10, 14), date(2026, 1, 1), begins=1))
    assert [each.first for each in found] == [date(2025, 10, 1), date(2026, 1, 1)]
    assert list(fortnights(date(2025, 10, 15), date(2025, 12, 31), begins=1)) == []
    assert list(fortnights(date(2026, 1, 2), date(2026, 1, 1), begins=1)) == []


@given(day=ANY_DAY, begins=BEGINS)
def test_a_fortnight_is_fourteen_days_of_one_quarter_and_every_quarter_has_one(day, begins):
    found = fortnight_of(Quarter.of(day), begins=begins)
    assert (found.last - found.first).days + 1 == DAYS == 14
    assert Quarter.of(found.first) == Quarter.of(found.last) == Quarter.of(day)
    assert (fortnight_on(day, begins=begins) == found) is found.holds(day)


@given(day=ANY_DAY, begins=BEGINS)
def test_the_next_one_is_the_first_that_begins_later(day, begins):
    found = next_fortnight(day, begins=begins)
    assert found.first > day
    assert not [each for each in fortnights(day, found.first - timedelta(days=1), begins=begins) if each.first > day]


def test_the_setting_takes_just_the_days_that_fit():
    parse = NAMES["fortnight_begins"].parse
    assert (parse("1"), parse(str(LATEST))) == (1, LATEST)
    with pytest.raises(ValueError, match="77"):
        parse(str(LATEST + 1))
