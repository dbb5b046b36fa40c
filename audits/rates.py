"""A rate as a person reads it: never without its count and interval, and not at all where the count is too small."""

from dataclasses import dataclass

LEAST_FOR_A_RATE = 5
LEAST_FOR_A_TARGET = 20


@dataclass(frozen=True, slots=True)
class Rate:
    """Successes of trials. `share`, `lower` and `upper` are fractions, None where `trials` is under 5."""

    successes: int
    trials: int
    share: float | None
    lower: float | None
    upper: float | None

    @property
    def is_few(self) -> bool:
        """Too few to hold against a target."""
        return self.trials < LEAST_FOR_A_TARGET

    @property
    def share_words(self) -> str:
        """66%, or 'too few'."""
        return "too few" if self.share is None else f"{percent(self.share)}%"

    @property
    def interval_words(self) -> str:
        """52 to 78%, '' without a rate."""
        return "" if self.lower is None or self.upper is None else f"{percent(self.lower)} to {percent(self.upper)}%"

    @property
    def words(self) -> str:
        """31 of 47: 66%, and with 95% confidence between 52 and 78%."""
        if not self.trials:
            return "no insertions"
        count = f"{self.successes} of {self.trials}"
        if self.share is None or self.lower is None or self.upper is None:
            return f"{count}: too few for a rate"
        span = f"between {percent(self.lower)} and {percent(self.upper)}%"
        few = "; too few to judge" if self.is_few else ""
        return f"{count}: {self.share_words}, and with 95% confidence {span}{few}"


def rate_of(successes: int, trials: int) -> Rate:
    """The rate with its Wilson interval at 95%, two-sided. Raises ValueError for counts out of range."""
    # Here, because a page without a rate should not wait for scipy.
    from audits.statistics.proportions import wilson_interval

    interval = wilson_interval(successes, trials)
    if trials < LEAST_FOR_A_RATE:
        return Rate(successes, trials, None, None, None)
    return Rate(successes, trials, successes / trials, interval.lower, interval.upper)


def percent(fraction: float) -> str:
    """A fraction in whole per cent; only none reads 0 and only all reads 100."""
    whole = round(fraction * 100)
    if whole == 0 and fraction > 0:
        return "under 1"
    if whole == 100 and fraction < 1:
        return "over 99"
    return str(whole)
