"""The volume rule: fewer than n insertions over the last 365 days, asked every time one looks."""

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from scipy import stats
from scipy.special import gammaln

from audits.statistics import demands
from audits.statistics.operating.chances import TAIL_LEFT, Chance
from audits.statistics.operating.mixing import mixed_over
from audits.statistics.operating.runs import YEAR, yearly
from audits.statistics.shapes import Floats

NEGLIGIBLE = 1e-17
RUNS, RUNS_AT_ONCE, SEED = 20_000, 1_000, 20_260_102


@dataclass(frozen=True)
class VolumeRule:
    """Fewer than `minimum` insertions in the last `days` days without absence, asked once so many have passed.

    The true rate is the mean number of insertions in 365 days, Poisson; `dispersion` as for RecencyRule. Volumes count
    days.
    """

    minimum: int
    days: int = YEAR
    dispersion: float = 0.0

    def __post_init__(self) -> None:
        demands.whole("minimum", self.minimum, least=1)
        demands.whole("days", self.days, least=1)
        if not (np.isfinite(self.dispersion) and self.dispersion >= 0):
            raise ValueError(f"dispersion must be 0 or above, got {self.dispersion!r}")

    def at_one_look(self, true_rate: Floats, trials: Floats) -> Floats:
        """P(N < minimum), Poisson or negative binomial, once so many days have passed."""
        mean = yearly(true_rate) * self.days / YEAR
        if self.dispersion == 0:
            few = stats.poisson.cdf(self.minimum - 1, mean)
        else:
            size = 1 / self.dispersion
            few = stats.nbinom.cdf(self.minimum - 1, size, size / (size + mean))
        return np.where(trials >= self.days, few, 0.0)

    def over_looks(self, true_rates: Floats, volumes: tuple[int, ...], first_look: int) -> Chance[Floats]:
        """Exact for looks within `days` days of the first at which the rule is asked, simulated beyond.

        The gamma mixture is by quadrature, to about 1e-9.
        """
        rates = yearly(true_rates)
        ends = np.cumsum(volumes)[first_look - 1 :]
        asked = tuple(int(day) for day in np.unique(ends[ends >= self.days]))
        none = np.zeros(rates.shape)
        if not asked:
            return Chance(none, none)
        if asked[-1] > asked[0] + self.days:
            simulated = np.array([_simulated(self, float(rate), asked) for rate in rates])
            spread = (simulated * RUNS + 1) / (RUNS + 2)
            return Chance(simulated, np.sqrt(spread * (1 - spread) / RUNS))

        def chance(some: Floats) -> Floats:
            return np.array([_ever_few(float(rate), self.minimum, self.days, asked) for rate in some])

        return Chance(chance(rates) if self.dispersion == 0 else mixed_over(rates, self.dispersion, chance), none)


@lru_cache(maxsize=4096)
def _ever_few(rate: float, minimum: int, days: int, asked: tuple[int, ...]) -> float:
    """P(fewer than `minimum` in the window at some day asked), Poisson, all of them within `days` of the first.

    Insertions before the first look leave the window one by one as it moves on; given how many are left they are spread
    evenly over what is left of their days, so that each stays with the share of days that stay. Those after it come in.
    State: how many old are left, how many new, the latter counted up to `minimum`.
    """
    daily = rate / YEAR
    if stats.poisson.cdf(minimum - 1, daily * days) * len(asked) < NEGLIGIBLE:
        return 0.0
    most = int(max(minimum, stats.poisson.isf(TAIL_LEFT, daily * days)))
    old, new = np.arange(most + 1.0), np.arange(minimum + 1)
    mass = np.zeros((most + 1, minimum + 1))
    mass[:, 0] = stats.poisson.pmf(old, daily * days)
    few = old[:, np.newaxis] + new < minimum
    ways = gammaln(old[:, np.newaxis] + 1) - gammaln(old + 1) - gammaln(np.maximum(old[:, np.newaxis] - old, 0) + 1)
    gone = old[:, np.newaxis] - old
    ever = mass[few].sum()
    mass[few] = 0.0
    for before, now in pairwise(asked):
        stay = (asked[0] + days - now) / (asked[0] + days - before)
        thinned = np.where(gone >= 0, np.exp(ways + _times_log(old, stay) + _times_log(gone, 1 - stay)), 0.0)
        mass = thinned.T @ mass @ _come_in(daily * (now - before), minimum)
        ever += mass[few].sum()
        mass[few] = 0.0
    return float(min(1.0, ever))


def _times_log(number: Floats, share: float) -> Floats:
    return number * np.log(share) if share > 0 else np.where(number > 0, -np.inf, 0.0)


def _come_in(mean: float, most: int) -> Floats:
    """New insertions before (rows) to after (columns); the last column holds `most` or more."""
    number = np.arange(most + 1)
    moved = stats.poisson.pmf(number - number[:, np.newaxis], mean)
    moved[:, -1] = stats.poisson.sf(most - number - 1, mean)
    return np.asarray(moved)


@lru_cache(maxsize=256)
def _simulated(rule: VolumeRule, rate: float, asked: tuple[int, ...]) -> float:
    draw = np.random.default_rng(SEED)
    ends = np.array(asked)
    over = 0
    for _ in range(RUNS // RUNS_AT_ONCE):
        own = np.full((RUNS_AT_ONCE, 1), rate)
        if rule.dispersion:
            own = draw.gamma(1 / rule.dispersion, rate * rule.dispersion, size=own.shape)
        so_far = np.zeros((RUNS_AT_ONCE, asked[-1] + 1), dtype=np.int64)
        draw.poisson(own / YEAR, size=(RUNS_AT_ONCE, asked[-1])).cumsum(axis=1, out=so_far[:, 1:])
        over += int((so_far[:, ends] - so_far[:, ends - rule.days] < rule.minimum).any(axis=1).sum())
    return over / RUNS
