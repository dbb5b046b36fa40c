"""Days with and without absence, against counting them one by one."""

from datetime import date, timedelta
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from credentials.rules.absence import day_reaching, days_back, days_present, long_absences, merged
from credentials.rules.facts import Span

A_DAY = timedelta(days=1)
DAY = date(2025, 1, 1)

offsets = st.integers(min_value=-60, max_value=120)


@st.composite
def spans(draw: st.DrawFn) -> Span:
    starts = DAY + draw(offsets) * A_DAY
    length = draw(st.none() | st.integers(min_value=0, max_value=50))
    return Span(starts, None if length is None else starts + length * A_DAY)


absences = st.lists(spans(), max_size=5)


def is_away(day: date, given: list[Span]) -> bool:
    return any(span.covers(day) for span in given)


@given(absences, offsets, st.integers(min_value=-5, max_value=200))
def test_days_present_is_the_number_of_days_on_which_nobody_is_away(given, start, length):
    after, through = DAY + start * A_DAY, DAY + (start + length) * A_DAY
    counted = sum(not is_away(after + n * A_DAY, given) for n in range(1, length + 1))
    assert days_present(given, after=after, through=through) == counted


@given(absences, offsets, st.integers(min_value=1, max_value=60))
def test_the_day_reaching_is_the_first_on_which_so_many_have_passed(given, start, days):
    after = DAY + start * A_DAY
    reached = day_reaching(given, after=after, days=days)
    if reached is None:
        assert any(span.until is None for span in given)
        assert days_present(given, after=after, through=after + 2000 * A_DAY) < days
    else:
        assert days_present(given, after=after, through=reached) == days
        assert not is_away(reached, given)


@given(absences, offsets, st.integers(min_value=1, max_value=60))
def test_days_back_is_the_shortest_stretch_with_so_many(given, end, days):
    through = DAY + end * A_DAY
    first = days_back(given, through=through, days=days)
    assert days_present(given, after=first - A_DAY, through=through) == days
    assert days_present(given, after=first, through=through) == days - 1


@given(absences)
def test_merged_spans_hold_the_same_days_and_neither_touch_nor_overlap(given):
    joined = merged(given)
    for n in range(-80, 260):
        day = DAY + n * A_DAY
        assert is_away(day, joined) == is_away(day, given)
    for earlier, later in pairwise(joined):
        assert earlier.until is not None
        assert earlier.until < later.starts


def test_an_absence_without_an_end_is_not_over_and_so_not_long():
    away = [Span(DAY, DAY + 30 * A_DAY), Span(DAY + 100 * A_DAY)]
    assert long_absences(away, 30) == [Span(DAY, DAY + 30 * A_DAY)]
    assert long_absences(away, 31) == []
