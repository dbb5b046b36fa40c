"""The days on which clocks change, found once for each day, so that many times of other days cost nothing."""

from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from audits.localtime import NoSuchTime, TwiceThatDay, moment


def came_twice(local: datetime, zone: str) -> bool:
    """Whether this local time happened twice: the clocks went back over it."""
    if not _changes(local.date(), zone):
        return False
    try:
        moment(local, zone)
    except TwiceThatDay:
        return True
    except NoSuchTime:
        return False
    return False


def never_was(local: datetime, zone: str) -> bool:
    """Whether the clocks went forward over this local time."""
    if not _changes(local.date(), zone):
        return False
    try:
        moment(local, zone, fold=0)
    except NoSuchTime:
        return True
    return False


@lru_cache(maxsize=8192)
def _changes(day: date, zone: str) -> bool:
    place = ZoneInfo(zone)
    start = datetime.combine(day, time.min, tzinfo=UTC)
    # A local day lies within a day before and after the same date in UTC.
    edges = (start - timedelta(days=1), start + timedelta(days=2))
    return len({edge.astimezone(place).utcoffset() for edge in edges}) > 1
