"""The first-attempt rate rule, at one look and at look after look."""

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache

import numpy as np
from scipy import stats

from audits.statistics import demands
from audits.statistics.operating.chances import Chance
from audits.statistics.operating.rolling import Record, ever_over
from audits.statistics.proportions import exact_interval, wilson_interval
from audits.statistics.shapes import Floats


class Bound(Enum):
    """Which figure must be below the target: an interval's upper end, or the bare rate.

    The bare rate flags a third or more of all clinicians who are exactly on target at every single look. It is here so
    that its chances can be shown, not so that it can be used.
    """

    WILSON = "wilson"
    EXACT = "exact"
    BARE = "bare"


@dataclass(frozen=True)
class RateRule:
    """Flags at least `minimum` insertions in the window whose two-sided upper bound is below the target.

    Parameters
    ----------
    target : first-attempt success rate, between 0 and 1
    minimum : fewest insertions judged; fewer are not assessable
    confidence : of the two-sided interval (.95: the bound is one-sided 97.5%)
    window : how many volumes between looks the window holds (12 for the last twelve months, looked at monthly);
        None for the whole record
    bound : which figure is held against the target
    """

    target: float
    minimum: int
    confidence: float = 0.95
    window: int | None = 12
    bound: Bound = Bound.WILSON

    def __post_init__(self) -> None:
        demands.inside("target", self.target)
        demands.whole("minimum", self.minimum, least=1)
        demands.inside("confidence", self.confidence)
        if self.window is not None:
            demands.whole("window", self.window, least=1)

    def largest_flagged(self, trials: int) -> int:
        """Most successes out of so many trials that are flagged; -1 if none are."""
        return _largest_flagged(self, trials)

    def at_one_look(self, true_rate: Floats, trials: Floats) -> Floats:
        """A binomial sum: P(successes <= largest flagged)."""
        rates = demands.rates("true_rate", true_rate)
        sizes, place = np.unique(trials, return_inverse=True)
        cuts = np.array([self.largest_flagged(int(n)) for n in sizes])[place].reshape(trials.shape)
        return np.asarray(stats.binom.cdf(cuts, trials, rates))

    def over_looks(self, true_rates: Floats, volumes: tuple[int, ...], first_look: int) -> Chance[Floats]:
        """Exact over the whole record, or two windows and mostly three; simulated where that takes too many states."""
        return ever_over(_record(self, volumes, first_look), 1 - demands.rates("true_rate", true_rates))


def _bare(successes: Floats, trials: int) -> Floats:
    return successes / trials


def _upper(rule: RateRule) -> Callable[[Floats, int], Floats]:
    if rule.bound is Bound.BARE:
        return _bare
    interval = wilson_interval if rule.bound is Bound.WILSON else exact_interval
    return lambda successes, trials: interval(successes, trials, confidence=rule.confidence).upper


@lru_cache(maxsize=65536)
def _largest_flagged(rule: RateRule, trials: int) -> int:
    if trials < rule.minimum:
        return -1
    # The very comparison that judges a clinician, count by count: no formula of our own can disagree with it.
    return int(np.count_nonzero(_upper(rule)(np.arange(trials + 1.0), trials) < rule.target)) - 1


def _record(rule: RateRule, volumes: tuple[int, ...], first_look: int) -> Record:
    window = len(volumes) if rule.window is None else min(rule.window, len(volumes))
    total = np.cumsum((0, *volumes))
    held = [int(total[look] - total[max(0, look - window)]) for look in range(1, len(volumes) + 1)]
    # Failures in the window that still pass; where the rule is not asked, any number does.
    passing = tuple(n if look < first_look else n - rule.largest_flagged(n) - 1 for look, n in enumerate(held, start=1))
    return Record(volumes, window, passing, usual_rate=1 - rule.target)
