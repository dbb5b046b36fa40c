"""The time of day, by way of the ledger's one clock, and a local date anywhere."""

from datetime import date, timedelta
from zoneinfo import ZoneInfo

from ledger.clock import now

__all__ = ["in_words", "now", "through", "today"]


def today(zone: str) -> date:
    """The local date in this zone. Raises ZoneInfoNotFoundError for a zone that does not exist."""
    return now().astimezone(ZoneInfo(zone)).date()


def in_words(day: date) -> str:
    """A day as screens and refusals write it: 3 March 2026."""
    return f"{day.day} {day:%B %Y}"


def through(until_day: date | None) -> str:
    """The last day on which something holds, in words, of an interval that no longer holds on `until_day`."""
    return "until further notice" if until_day is None else f"through {in_words(until_day - timedelta(days=1))}"
