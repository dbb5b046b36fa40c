"""Days and times as wards write them."""

from datetime import date, datetime, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.utils.datetime import from_excel

from sheets.cells import Refused
from sheets.days import day, day_and_time, days_look_swapped, time_of_day

THE_DAY = date(2025, 11, 3)
THE_MOMENT = datetime(2025, 11, 3, 14, 30)  # noqa: DTZ001
FORMS = ["%d/%m/%Y", "%d %b %Y", "%A, %d %B %Y", "%Y-%m-%d", "%b %d, %Y", "%d.%m.%Y", "%a %d-%b-%Y"]


@pytest.mark.parametrize(
    "cell",
    [
        "3/11/2025",
        "03/11/2025",
        "3-11-2025",
        "3.11.2025",
        "3 11 2025",
        "3/11/25",
        "3 Nov 2025",
        "3-Nov-25",
        "3Nov2025",
        "3rd November 2025",
        "3rd of November, 2025",
        "Nov 3, 2025",
        "November 3 2025",
        "NOV 3 25",
        "2025-11-03",
        "2025/11/3",
        "20251103",
        "Mon 3/11/2025",
        "Monday, 3 November 2025",
        "3/11/2025 14:30",
        "2025-11-03T14:30:00",
        "2025-11-03 2.30pm",
        "３/１１/２０２５",
        45964,
        45964.0,
        45964.604,
        20251103.0,
        date(2025, 11, 3),
        THE_MOMENT,
    ],
)
def test_a_day_is_read_day_first(cell):
    assert day(cell) == THE_DAY


@pytest.mark.parametrize(
    ("cell", "said"),
    [
        ("11/13/2025", "month seems to stand first"),
        ("3/11", "no year"),
        ("3 Nov", "no year"),
        ("3rd November", "no year"),
        ("31/2/2025", "no such day"),
        ("0/1/2025", "no such day"),
        ("2025-13-01", "no such day"),
        ("29 Feb 2025", "no such day"),
        ("Tue 3/11/2025", "day of the week"),
        ("3 Nvo 2025", "not known by that name"),
        ("yesterday", "no date"),
        ("3/11/2025-5/11/2025", "no date"),
        ("2025", "no date"),
        ("2025-11-03T14:30Z", "time zone"),
        ("2025-11-03T14:30+11:00", "time zone"),
        (3.0, "no date"),
        (999999.0, "no date"),
        (20251399.0, "no such day"),
        (True, "no date"),
        (time(14, 30), "no date"),
        (timedelta(days=3), "no date"),
    ],
)
def test_what_is_no_clear_day_is_refused_and_says_how_to_write_it(cell, said):
    with pytest.raises(Refused, match=said) as refused:
        day(cell)
    assert "2025-11-03" in refused.value.reason or "check" in refused.value.reason


@given(st.dates(date(1969, 1, 1), date(2068, 12, 31)))
def test_two_digit_years_are_read_as_posix_does(that):
    # POSIX.1-2017, strptime, %y: 69 to 99 are 1969 to 1999, 00 to 68 are 2000 to 2068; Python's own follows it.
    written = f"{that.day}/{that.month}/{that:%y}"
    assert day(written) == that == datetime.strptime(written, "%d/%m/%y").date()  # noqa: DTZ007


@given(st.dates(date(2000, 1, 1), date(2099, 12, 31)), st.sampled_from(FORMS))
def test_every_day_is_read_back_from_every_way_of_writing(that, form):
    assert day(that.strftime(form)) == that


@given(st.integers(20_000, 80_000))
def test_serial_numbers_are_the_days_that_another_library_gives(number):
    # openpyxl 3.1, from_excel, for ECMA-376 part 1, 18.17.4.1.
    assert day(float(number)) == from_excel(number).date()


def test_the_future_is_a_day_too():
    assert day("1/1/2090") == date(2090, 1, 1)


def test_a_time_beside_the_day_is_kept_where_asked_for():
    assert day_and_time("3/11/2025 2.30pm") == (THE_DAY, time(14, 30))
    assert day_and_time("3 Nov 2025 at 1430hrs") == (THE_DAY, time(14, 30))
    assert day_and_time(45964.6041666667) == (THE_DAY, time(14, 30))
    assert day_and_time(THE_MOMENT) == (THE_DAY, time(14, 30))
    assert day_and_time("3/11/2025") == (THE_DAY, None)
    with pytest.raises(Refused, match="no such time"):
        day_and_time("3/11/2025 25:30")


def test_a_bare_day_number_in_text_is_read_with_a_warning():
    warnings: list[str] = []
    assert day("45964", warnings.append) == THE_DAY
    assert "check it" in warnings[0]


@pytest.mark.parametrize(
    "cell",
    [
        "14:30",
        "1430",
        "14.30",
        "14h30",
        "1430h",
        "1430 hrs",
        "14:30 hours",
        "2:30pm",
        "2.30 pm",
        "2:30 p.m.",
        "14:30:15",
        "14 30",
        "02:30PM",
        0.6041666667,
        1430.0,
        45964.6041666667,
        "0.6041667",
        time(14, 30, 15),
        timedelta(hours=14.5),
        THE_MOMENT,
    ],
)
def test_a_time_is_read(cell):
    assert time_of_day(cell) == time(14, 30)


@pytest.mark.parametrize(
    ("cell", "read"),
    [
        ("12am", time(0)),
        ("12.30am", time(0, 30)),
        ("12pm", time(12)),
        ("noon", time(12)),
        ("9am", time(9)),
        ("930", time(9, 30)),
        (930.0, time(9, 30)),
        ("0005", time(0, 5)),
        ("00:00", time(0)),
        (time(0), time(0)),
        (0.999999999, time(23, 59)),
        (time(14, 29, 59, 999_999), time(14, 30)),
    ],
)
def test_the_edges_of_the_clock(cell, read):
    assert time_of_day(cell) == read


@pytest.mark.parametrize("cell", ["-", "?", "n/a", "Unknown", "not recorded", "NK", ""])
def test_a_time_that_is_not_known_is_no_time(cell):
    assert time_of_day(cell) is None


def test_a_bare_zero_is_midnight_with_a_warning():
    warnings: list[str] = []
    assert time_of_day(0.0, warnings.append) == time(0)
    assert "midnight" in warnings[0]


@pytest.mark.parametrize(
    "cell",
    [
        "24:00",
        "25:00",
        "14:60",
        "13am",
        "0:30pm",
        "14",
        "0",
        "2-3pm",
        "morning",
        14.3,
        14.0,
        -0.5,
        2400.0,
        99999.0,
        True,
        date(2025, 11, 3),
        timedelta(hours=25),
        "2:3",
        1e12,
    ],
)
def test_what_is_no_time_of_day_is_refused_with_how_to_write_it(cell):
    with pytest.raises(Refused, match=r"14:30|23:59"):
        time_of_day(cell)


@given(st.times().map(lambda moment: moment.replace(second=0, microsecond=0)))
def test_every_minute_is_read_back_from_text_and_from_a_part_of_a_day(moment):
    assert time_of_day(f"{moment:%H:%M}") == moment
    assert time_of_day(f"{moment:%I:%M %p}") == moment
    assert time_of_day(f"{moment:%I.%M%p}".lower()) == moment
    if moment > time(0):
        assert time_of_day((moment.hour * 60 + moment.minute) / 1440) == moment


def test_exchanged_days_and_months_show_in_a_column():
    # 3, 4 and 5 November turned into cells of 11 March, April, May; 13 to 15 November left as text.
    swapped = [date(2025, 3, 11), date(2025, 4, 11), date(2025, 5, 11), "13/11/2025", "14/11/2025", "15/11/2025"]
    assert days_look_swapped(swapped)
    assert not days_look_swapped([*swapped, date(2025, 11, 20)])
    assert not days_look_swapped([*swapped, "3/11/2025"])
    assert not days_look_swapped(swapped[:3])
    assert not days_look_swapped([])
