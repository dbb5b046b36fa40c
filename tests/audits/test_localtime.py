# ruff: noqa: DTZ001 - local times without a zone are what is tested
"""Local times around clock changes. Rules of the zones: IANA time zone database (package tzdata)."""

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audits.localtime import NoSuchTime, TwiceThatDay, local, moment, start_of


def test_an_ordinary_time_is_its_moment():
    assert moment(datetime(2026, 7, 1, 3, 30), "Australia/Sydney") == datetime(2026, 6, 30, 17, 30, tzinfo=UTC)


def test_a_time_that_the_clocks_skipped_is_refused():
    # New South Wales: clocks went from 02:00 to 03:00 on 4 October 2026, first Sunday in October.
    with pytest.raises(NoSuchTime, match="2026-10-04 02:30:00 did not happen in Australia/Sydney"):
        moment(datetime(2026, 10, 4, 2, 30), "Australia/Sydney")
    assert moment(datetime(2026, 10, 4, 3, 0), "Australia/Sydney") == datetime(2026, 10, 3, 16, 0, tzinfo=UTC)


def test_a_time_that_happened_twice_asks_which():
    # New South Wales: clocks went from 03:00 back to 02:00 on 5 April 2026, first Sunday in April.
    with pytest.raises(TwiceThatDay):
        moment(datetime(2026, 4, 5, 2, 30), "Australia/Sydney")
    first = moment(datetime(2026, 4, 5, 2, 30), "Australia/Sydney", fold=0)
    second = moment(datetime(2026, 4, 5, 2, 30), "Australia/Sydney", fold=1)
    assert first == datetime(2026, 4, 4, 15, 30, tzinfo=UTC)
    assert second - first == timedelta(hours=1)


def test_a_half_hour_change_is_understood():
    # Lord Howe Island changes by half an hour: 02:00 to 02:30 on 4 October 2026.
    with pytest.raises(NoSuchTime):
        moment(datetime(2026, 10, 4, 2, 15), "Australia/Lord_Howe")


def test_a_time_with_a_zone_is_the_callers_mistake():
    with pytest.raises(ValueError, match="has a zone already"):
        moment(datetime(2026, 4, 5, 2, 30, tzinfo=UTC), "Australia/Sydney")


def test_a_day_begins_when_midnight_was_skipped():
    # Santiago de Chile: clocks went from 00:00 to 01:00 on Sunday 6 September 2026.
    assert start_of(date(2026, 9, 6), "America/Santiago") == datetime(2026, 9, 6, 4, 0, tzinfo=UTC)
    assert local(start_of(date(2026, 9, 6), "America/Santiago"), "America/Santiago") == datetime(2026, 9, 6, 1, 0)


def test_a_day_that_never_was_is_refused():
    # Samoa left out Friday 30 December 2011.
    with pytest.raises(NoSuchTime):
        start_of(date(2011, 12, 30), "Pacific/Apia")


@given(
    st.datetimes(datetime(2000, 1, 1), datetime(2035, 1, 1), timezones=st.just(UTC)),
    st.sampled_from(["Australia/Adelaide", "Europe/London", "America/St_Johns", "Pacific/Apia", "UTC"]),
)
def test_every_moment_comes_back_from_its_local_time(at, zone):
    there = local(at, zone)
    assert at in (moment(there, zone, fold=0), moment(there, zone, fold=1))
