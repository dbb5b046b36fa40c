"""Calendar months. A credential's day of expiry is counted from its anchor, never from the last renewal.

The month's end is ours to state, because the standards differ: ISO 8601 writes P12M and, as far as we know (from
memory), fixes no rule; RFC 5545 leaves impossible dates out; SQL engines disagree. We clamp, as RFC 7529 does with
SKIP=BACKWARD.
"""

import calendar
from datetime import MAXYEAR, MINYEAR, date, timedelta


def add_months(day: date, months: int) -> date:
    """The same day of the month so many months on (back, if negative), or that month's last day where there is none.

    Not reversible, and not additive: 31 January and one month is 28 or 29 February, one more is that day of March,
    but 31 January and two months is 31 March. So always add to the original day.

    Raises ValueError if months is not whole or the answer leaves the years 1 to 9999.
    """
    if isinstance(months, bool) or not isinstance(months, int):
        raise ValueError(f"months must be a whole number, got {months!r}")
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    if not MINYEAR <= year <= MAXYEAR:
        raise ValueError(f"{day.isoformat()} and {months} months is outside the years {MINYEAR} to {MAXYEAR}")
    month += 1
    return date(year, month, min(day.day, calendar.monthrange(year, month)[1]))


def in_last_months(day: date, *, on: date, months: int) -> bool:
    """Whether `day` lies in the last so many months up to and with `on`: add_months(on, -months) < day <= on.

    Raises ValueError if months is below 1, or the window would begin before year 1.
    """
    return add_months(on, -_window(months)) < day <= on


def leaves_window(day: date, months: int) -> date:
    """The first day from `day` on whose last so many months no longer hold `day`.

    That is add_months(day, months), or the day after where the month's end was clamped.
    Raises ValueError if months is below 1, or the answer would leave year 9999.
    """
    anniversary = add_months(day, _window(months))
    # The last of a short month reaches back only to its own day of the month, which can be before `day`.
    return anniversary if add_months(anniversary, -months) >= day else anniversary + timedelta(days=1)


def _window(months: int) -> int:
    if months < 1:
        raise ValueError(f"a window must be at least 1 month, got {months!r}")
    return months
