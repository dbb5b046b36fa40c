"""Days and times in cells: dates, serial numbers, day-first text, and times in the many ways wards write them."""

import re
from collections.abc import Iterable
from datetime import date, datetime, time, timedelta
from functools import lru_cache

from sheets.cells import Refused, Warn, silent, value_of
from sheets.reading import Cell

# ECMA-376 part 1, 18.17.4.1: day 1 is 1 January 1900 in a calendar with a 29 February 1900, hence 30 December.
_DAY_ZERO = date(1899, 12, 30)
# Bare numbers outside 1954 to 2119 are no dates of this register.
_SERIALS = range(20_000, 80_001)
# fmt: off
_MONTHS = ("january", "february", "march", "april", "may", "june",
           "july", "august", "september", "october", "november", "december")
# fmt: on
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_NOT_KNOWN = frozenset(
    ("-", "--", "?", "n/a", "na", "nil", "none", "unknown", "nk", "n/k", "not known", "not recorded")
)

_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})")
_COMPACT = re.compile(r"((?:19|20)\d\d)(\d\d)(\d\d)")
_NUMBERS = re.compile(r"(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4}|\d{2})")
_DAY_NAME = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?(?: of)?[-/., ]*([a-z]{3,9})[-/., ]*(\d{4}|\d{2})")
_NAME_DAY = re.compile(r"([a-z]{3,9})[-/., ]*(\d{1,2})(?:st|nd|rd|th)?[-/., ]+(\d{4}|\d{2})")
_WEEKDAY = re.compile(r"(mon|tues?|wed(?:nes)?|thu(?:rs?)?|fri|sat(?:ur)?|sun)(?:day)?[., ]+")
_WITH_TIME = re.compile(r"(.*?)(?:t| at |[, ])\s*(\d{1,2}[:.h]\d{2}.*|\d{1,2} ?[ap]\.?m\.?|\d{4} ?h(?:ou)?rs?)")
_CLOCK = re.compile(r"(\d{1,2})[:.h ](\d{2})(?:[:.](\d{2})(?:\.\d+)?)? ?(?:([ap])\.?m\.?)?(?: ?h(?:ou)?rs?| ?h)?")
_HOUR_ONLY = re.compile(r"(\d{1,2}) ?([ap])\.?m\.?")
_MILITARY = re.compile(r"(\d{3,4}) ?(?:h(?:ou)?rs?|h)?")

_HOW_DAY = "write it day first as 3/11/2025, as 3 Nov 2025, or as 2025-11-03."
_HOW_TIME = "write it by the 24-hour clock as 14:30, or leave it empty."


def day(cell: Cell, warn: Warn = silent) -> date | None:
    """The date in a cell, text read day first; a time beside it is left out.

    Two-digit years are those from 1969 to 2068, as in POSIX.1-2017, strptime, %y.
    """
    both = day_and_time(cell, warn)
    return both and both[0]


def day_and_time(cell: Cell, warn: Warn = silent) -> tuple[date, time | None] | None:
    """The date in a cell and the time beside it, None if there is none."""
    value = value_of(cell)
    if value is None:
        return None
    if isinstance(value, datetime):
        return value.date(), _minute(value.time())
    if isinstance(value, date):
        return value, None
    if isinstance(value, float | int) and not isinstance(value, bool):
        return _from_number(float(value), warn)
    if isinstance(value, str):
        return _from_text(value.casefold(), warn)
    raise Refused(f"This is no date: {_HOW_DAY}")


def time_of_day(cell: Cell, warn: Warn = silent) -> time | None:
    """The time in a cell to the minute, seconds cut off; None if it is blank or says that it is not known."""
    value = value_of(cell)
    if value is None:
        return None
    if isinstance(value, datetime):
        return _minute(value.time())
    if isinstance(value, time):
        return _minute(value)
    if isinstance(value, timedelta):
        return _fraction(value / timedelta(days=1))
    if isinstance(value, float | int) and not isinstance(value, bool):
        return _time_from_number(float(value), warn)
    if isinstance(value, str):
        lowered = value.casefold()
        return None if lowered in _NOT_KNOWN else _time_from_text(lowered, warn)
    raise Refused(f"This is no time: {_HOW_TIME}")


def days_look_swapped(cells: Iterable[Cell]) -> bool:
    """Whether the date cells of a column seem to have day and month exchanged.

    A spreadsheet set to month-first dates turns '3/11/2025' into 11 March and leaves '13/11/2025' as text. The sign:
    several texts whose first number is over 12, and several date cells, none of them after the 12th of its month.
    """
    texts = dates = 0
    for cell in cells:
        if isinstance(cell, date):
            dates += 1
            if cell.day > 12:
                return False
        elif isinstance(cell, str) and (found := _NUMBERS.match(cell.strip())):
            if int(found[1]) <= 12:
                return False
            texts += 1
    return texts >= 3 and dates >= 3


def _from_number(number: float, warn: Warn) -> tuple[date, time | None]:
    whole = int(number) if abs(number) < 1e9 else 0
    if whole in _SERIALS:
        fraction = number - whole
        return _DAY_ZERO + timedelta(days=whole), _fraction(fraction) if fraction else None
    if number == whole and (found := _COMPACT.fullmatch(str(whole))):
        return _date(found[1], found[2], found[3]), None
    raise Refused(f"This number is no date: {_HOW_DAY}")


def _from_text(text: str, warn: Warn) -> tuple[date, time | None]:
    when, clock = text, None
    if (found := _WITH_TIME.fullmatch(text)) and found[1].strip():
        when = found[1].strip()
        if re.search(r"(?:z|[+-]\d{2}:?\d{2})$", found[2]) and not re.fullmatch(r"[\d:.]+", found[2]):
            raise Refused("The time names a time zone: write local date and time, as 2025-11-03 14:30.")
        clock = _time_from_text(found[2].strip(), warn)
    if re.fullmatch(r"\d{5}", when) and int(when) in _SERIALS:
        warn("A bare day number was read as a spreadsheet's date: check it.")
        return _DAY_ZERO + timedelta(days=int(when)), clock
    return _day_from_text(when), clock


@lru_cache(maxsize=8192)
def _day_from_text(text: str) -> date:
    weekday = _WEEKDAY.match(text)
    rest = text[weekday.end() :] if weekday else text
    if (found := _ISO.fullmatch(rest)) or (found := _COMPACT.fullmatch(rest)):
        read = _date(found[1], found[2], found[3])
    elif found := _NUMBERS.fullmatch(rest):
        if int(found[2]) > 12 >= int(found[1]):
            raise Refused(f"The month seems to stand first: {_HOW_DAY}")
        read = _date(found[3], found[2], found[1])
    elif found := _DAY_NAME.fullmatch(rest):
        read = _date(found[3], _month(found[2]), found[1])
    elif found := _NAME_DAY.fullmatch(rest):
        read = _date(found[3], _month(found[1]), found[2])
    elif re.fullmatch(r"\d{1,2}(?:st|nd|rd|th)?(?:[-/. ]+\d{1,2}|[-/. ]*[a-z]{3,9})", rest):
        raise Refused(f"The date has no year: {_HOW_DAY}")
    else:
        raise Refused(f"This is no date: {_HOW_DAY}")
    if weekday and not _WEEKDAYS[read.weekday()].startswith(weekday[1][:3]):
        raise Refused("The day of the week does not fall on that date: check day and month.")
    return read


def _month(name: str) -> str:
    for number, full in enumerate(_MONTHS, 1):
        if name in (full, full[:3], "sept" if number == 9 else full):
            return str(number)
    raise Refused(f"The month is not known by that name: {_HOW_DAY}")


def _date(year: str, month: str, day_: str) -> date:
    number = int(year)
    if len(year) == 2:
        number += 2000 if number <= 68 else 1900
    try:
        return date(number, int(month), int(day_))
    except ValueError:
        raise Refused(f"There is no such day in the calendar: {_HOW_DAY}") from None


def _time_from_number(number: float, warn: Warn) -> time:
    if number == 0:
        warn("The time is 0, which was read as midnight: leave the cell empty if the time is not known.")
        return time(0)
    if 0 < number < 1:
        return _fraction(number)
    whole = int(number) if abs(number) < 1e9 else -1
    if whole in _SERIALS and number != whole:
        return _fraction(number - whole)
    if number == whole and 100 <= whole <= 2359:
        return _clock(whole // 100, whole % 100)
    raise Refused(f"This number is no time: {_HOW_TIME}")


def _time_from_text(text: str, warn: Warn) -> time:
    if found := _HOUR_ONLY.fullmatch(text):
        return _clock(int(found[1]), 0, half=found[2])
    if found := _CLOCK.fullmatch(text):
        return _clock(int(found[1]), int(found[2]), second=int(found[3] or 0), half=found[4])
    if found := _MILITARY.fullmatch(text):
        return _clock(int(found[1][:-2]), int(found[1][-2:]))
    if text in ("noon", "midday"):
        return time(12)
    if re.fullmatch(r"0?\.\d{3,}", text):
        return _fraction(float(text))
    raise Refused(f"This is no time: {_HOW_TIME}")


def _clock(hour: int, minute: int, *, second: int = 0, half: str | None = None) -> time:
    if hour == 24 and minute == 0:
        raise Refused("24:00 belongs to two days: write 00:00 with the later date, or 23:59.")
    if half and hour <= 12:
        if hour == 0:
            raise Refused(f"There is no hour 0 before or after noon: {_HOW_TIME}")
        hour = hour % 12 + (12 if half == "p" else 0)
    elif half == "a":
        raise Refused(f"An hour over 12 cannot be before noon: {_HOW_TIME}")
    if hour > 23 or minute > 59 or second > 59:
        raise Refused(f"There is no such time of day: {_HOW_TIME}")
    return time(hour, minute)


def _fraction(part: float) -> time:
    """A part of a day, from 0 up to but not including 1, to the minute; half a second of binary error is forgiven."""
    seconds = round(part * 86_400)
    if not 0 <= part < 1:
        raise Refused(f"This is no time of one day: {_HOW_TIME}")
    return time(*divmod(min(seconds, 86_399) // 60, 60))


def _minute(value: time) -> time:
    return _fraction((value.hour * 3600 + value.minute * 60 + value.second + value.microsecond / 1e6) / 86_400)
