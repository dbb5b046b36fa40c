"""Days, counts and rates in the words that a nurse reads. Fixed English, whatever the machine's language."""

from datetime import date, timedelta
from functools import lru_cache

from audits.rates import LEAST_FOR_A_RATE, percent

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
ONE_DAY = timedelta(days=1)


def day_words(day: date) -> str:
    """30 November 2025."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def through(until: date) -> str:
    """The last day on which something holds that no longer holds on `until`."""
    return f"through {day_words(until - ONE_DAY)}"


def counted(number: int, thing: str) -> str:
    """1 insertion, 2 insertions, no insertions."""
    if number == 0:
        return f"no {thing}s"
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


@lru_cache(maxsize=65536)
def interval(successes: int, trials: int, confidence: float = 0.95) -> tuple[float, float]:
    """Wilson's interval for one pair of counts. The same few pairs come back for most of a register."""
    # Here, because a page without a rate should not wait for scipy.
    from audits.statistics.proportions import wilson_interval

    bounds = wilson_interval(successes, trials, confidence=confidence)
    return bounds.lower, bounds.upper


def rate_words(successes: int, trials: int, confidence: float = 0.95) -> str:
    """31 of 47 working first time (66%, and with 95% confidence between 52 and 78%). No rate under 5 insertions."""
    if trials == 0:
        return "no insertions"
    count = f"{successes} of {trials} working first time"
    if trials < LEAST_FOR_A_RATE:
        return f"{count}: too few for a rate"
    lower, upper = interval(successes, trials, confidence)
    sure = percent(confidence)
    span = f"between {percent(lower)} and {percent(upper)}%"
    return f"{count} ({percent(successes / trials)}%, and with {sure}% confidence {span})"
