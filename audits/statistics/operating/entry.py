"""Rules that look at each entry by itself: attempts limit, serious event, critical step missed."""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from audits.statistics import demands
from audits.statistics.operating.chances import Chance
from audits.statistics.sequential import RunLength
from audits.statistics.shapes import Floats


@dataclass(frozen=True)
class EntryRule:
    """A flag for each entry that is of a kind; the true rate is the chance that an entry is.

    Such a flag is never 'false' in that the entry did happen; what these chances show is how many a sound service
    will have to talk about.
    """

    def at_one_look(self, true_rate: Floats, trials: Floats) -> Floats:
        """1 - (1 - q)^n."""
        chance = demands.rates("true_rate", true_rate)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(trials > 0, -np.expm1(trials * np.log1p(-chance)), 0.0)

    def over_looks(self, true_rates: Floats, volumes: tuple[int, ...], first_look: int) -> Chance[Floats]:
        """The finding stands, so that it does not matter when one looks."""
        chance = self.at_one_look(true_rates, np.full(true_rates.shape, float(sum(volumes))))
        return Chance(chance, np.zeros_like(chance))

    def flags(self, true_rate: float, entries: int) -> Floats:
        """Probability of 0, 1, ... flags: a flag for each entry of the kind, binomial."""
        chance = float(demands.rates("true_rate", true_rate))
        return np.asarray(stats.binom.pmf(np.arange(entries + 1), entries, chance))

    def run_length(self, true_rates: Floats) -> RunLength[Floats]:
        """Geometric."""
        with np.errstate(divide="ignore"):
            return RunLength(1 / true_rates, np.sqrt(1 - true_rates) / true_rates)
