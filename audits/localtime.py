"""Local time to the moment it means. Pure: nothing is guessed where a clock change leaves a question."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo


class NoSuchTime(ValueError):  # noqa: N818
    """The clocks went forward over this local time: it did not happen."""


class TwiceThatDay(ValueError):  # noqa: N818
    """The clocks went back: this local time happened twice, and nobody said which is meant."""


def moment(local: datetime, zone: str, *, fold: int | None = None) -> datetime:
    """The UTC moment of a naive local time. `fold` 0 is the first and 1 the second of a time that happened twice.

    Raises NoSuchTime, TwiceThatDay (without a fold), ValueError for a time with a zone, ZoneInfoNotFoundError.
    """
    if local.tzinfo is not None:
        raise ValueError(f"{local.isoformat()} has a zone already")
    place = ZoneInfo(zone)
    first = local.replace(tzinfo=place, fold=0).astimezone(UTC)
    second = local.replace(tzinfo=place, fold=1).astimezone(UTC)
    if first == second:
        return first
    if first > second:
        # In a gap the two readings cross over, and neither comes back as the time that was asked for.
        raise NoSuchTime(f"{local.isoformat(sep=' ')} did not happen in {zone}: the clocks went forward over it")
    if fold is None:
        raise TwiceThatDay(f"{local.isoformat(sep=' ')} happened twice in {zone}: the clocks went back")
    return second if fold else first


def start_of(day: date, zone: str) -> datetime:
    """The first moment of a local day, which is not midnight where the clocks went forward at midnight."""
    local = datetime.combine(day, time.min)
    for minutes in range(0, 24 * 60, 15):
        try:
            return moment(local + timedelta(minutes=minutes), zone, fold=0)
        except NoSuchTime:
            continue
    raise NoSuchTime(f"{day.isoformat()} did not happen in {zone}")


def local(at: datetime, zone: str) -> datetime:
    """The naive local time of a moment."""
    return at.astimezone(ZoneInfo(zone)).replace(tzinfo=None)
