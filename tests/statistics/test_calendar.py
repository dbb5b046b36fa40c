"""Calendar months: expiry and windows.

Kinds as in test_chains.py: read, quoted, independent, memory.
"""

import calendar
from datetime import date, timedelta

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given, settings
from hypothesis import strategies as st

from audits.calendar import add_months, in_last_months, leaves_window

days = st.dates(date(1, 1, 1), date(9999, 12, 31))
ordinary = st.dates(date(1900, 1, 1), date(2200, 12, 31))


def day(text):
    return date.fromisoformat(text)


@pytest.mark.parametrize(
    ("issued", "months", "expiry"),
    [
        # dateutil relativedelta and duckdb agree (independent).
        ("2024-02-29", 12, "2025-02-28"),
        ("2024-02-29", 36, "2027-02-28"),
        ("2024-02-29", 48, "2028-02-29"),
        ("2023-01-31", 1, "2023-02-28"),
        ("2024-01-31", 1, "2024-02-29"),
        ("2023-08-31", 6, "2024-02-29"),
        ("2023-12-31", 2, "2024-02-29"),
        # 2100 is not a leap year.
        ("2099-11-30", 3, "2100-02-28"),
        # The end of February does not jump to the end of a longer month.
        ("2023-02-28", 12, "2024-02-28"),
        ("1999-02-28", 12, "2000-02-28"),
        ("2023-05-31", -3, "2023-02-28"),
        # Documentation of java.time plusMonths; SPARK-28389, which names MySQL and PostgreSQL too (read).
        ("2007-03-31", 1, "2007-04-30"),
        ("2019-01-31", 1, "2019-02-28"),
    ],
)
def test_days_of_expiry(issued, months, expiry):
    assert add_months(day(issued), months) == day(expiry)


def test_months_are_added_to_the_original_day():
    issued = day("2023-01-31")
    assert add_months(add_months(issued, 1), 1) == day("2023-03-28")
    assert add_months(issued, 2) == day("2023-03-31")
    # RFC 7529, SKIP=BACKWARD, monthly from 31 December 2014 (dateutil pull request 522, read).
    assert [add_months(day("2014-12-31"), n) for n in (1, 2, 3)] == [
        day("2015-01-31"),
        day("2015-02-28"),
        day("2015-03-31"),
    ]


@given(ordinary, st.integers(-600, 600))
def test_adding_months_equals_dateutil(start, months):
    assert add_months(start, months) == start + relativedelta(months=months)


@given(days, st.integers(-200_000, 200_000))
def test_adding_months_keeps_the_day_or_takes_the_months_last(start, months):
    count = start.year * 12 + start.month - 1 + months
    if not 12 <= count < 120_000:
        with pytest.raises(ValueError, match=f"{start.isoformat()} and {months} months"):
            add_months(start, months)
        return
    found = add_months(start, months)
    assert (found.year * 12 + found.month - 1) == count
    assert found.day <= start.day
    assert found.day == start.day or found.day == calendar.monthrange(found.year, found.month)[1]
    assert add_months(start, 0) == start


def test_the_first_and_last_years():
    assert add_months(day("0001-01-31"), 1) == day("0001-02-28")
    assert add_months(day("9999-11-30"), 1) == day("9999-12-30")
    with pytest.raises(ValueError, match=r"9999-12-01 and 1 months"):
        add_months(day("9999-12-01"), 1)
    with pytest.raises(ValueError, match=r"0001-01-01 and -1 months"):
        add_months(day("0001-01-01"), -1)


@pytest.mark.parametrize("months", [1.0, "1", True, None])
def test_months_that_are_not_whole_numbers_are_refused(months):
    with pytest.raises(ValueError, match="months"):
        add_months(day("2024-01-01"), months)


@pytest.mark.parametrize(
    ("entered", "on", "months", "inside"),
    # Written from the definition: add_months(on, -months) < entered <= on.
    [
        ("2024-03-15", "2025-03-14", 12, True),
        ("2024-03-15", "2025-03-15", 12, False),
        ("2024-03-15", "2024-03-15", 12, True),
        ("2024-03-16", "2024-03-15", 12, False),
        # 28 February reaches back to 28 January only: the 31st is inside until 1 March.
        ("2023-01-31", "2023-02-28", 1, True),
        ("2023-01-31", "2023-03-01", 1, False),
        ("2024-02-29", "2025-02-28", 12, True),
        ("2024-02-29", "2025-03-01", 12, False),
    ],
)
def test_the_last_months(entered, on, months, inside):
    assert in_last_months(day(entered), on=day(on), months=months) is inside


@pytest.mark.parametrize(
    ("entered", "months", "left"),
    [
        ("2024-03-15", 12, "2025-03-15"),
        ("2023-01-31", 1, "2023-03-01"),
        ("2024-02-29", 12, "2025-03-01"),
        ("2023-02-28", 12, "2024-02-28"),
        ("2023-12-31", 12, "2024-12-31"),
        ("9998-12-31", 12, "9999-12-31"),
    ],
)
def test_the_day_on_which_an_entry_leaves_the_window(entered, months, left):
    assert leaves_window(day(entered), months) == day(left)


@settings(deadline=None, max_examples=150)
@given(st.dates(date(1600, 1, 1), date(9000, 12, 31)), st.integers(1, 24))
def test_walking_every_day_the_entry_is_inside_until_it_leaves_and_never_after(entered, months):
    left = leaves_window(entered, months)
    today, last = entered, left + timedelta(days=62)
    while today <= last:
        assert in_last_months(entered, on=today, months=months) is (today < left), today
        today += timedelta(days=1)


@settings(deadline=None, max_examples=60)
@given(st.integers(1996, 2104), st.integers(1, 12), st.integers(1, 120))
def test_every_month_end_leaves_on_the_right_day(year, month, months):
    for number in range(26, calendar.monthrange(year, month)[1] + 1):
        entered = date(year, month, number)
        left = leaves_window(entered, months)
        assert in_last_months(entered, on=left - timedelta(days=1), months=months)
        assert not in_last_months(entered, on=left, months=months)


@pytest.mark.parametrize("months", [0, -1])
def test_a_window_of_no_month_is_refused(months):
    with pytest.raises(ValueError, match=f"{months}"):
        leaves_window(day("2024-01-01"), months)
    with pytest.raises(ValueError, match=f"{months}"):
        in_last_months(day("2024-01-01"), on=day("2024-01-01"), months=months)
