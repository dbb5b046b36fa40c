"""The drift rule: a log-likelihood CUSUM whose finding stands from the first crossing."""

from dataclasses import dataclass

import numpy as np

from audits.statistics import demands
from audits.statistics.operating.chances import Chance
from audits.statistics.sequential import RunLength, Weights, run_length, score_weights, signal_probability
from audits.statistics.shapes import Floats


@dataclass(frozen=True)
class DriftRule:
    """Acceptable and unacceptable failure rate, and the limit (`limit_for_run_length` finds one)."""

    acceptable: float
    unacceptable: float
    limit: float

    def __post_init__(self) -> None:
        demands.ordered(self.acceptable, self.unacceptable)
        if not (np.isfinite(self.limit) and self.limit > 0):
            raise ValueError(f"limit must be above 0, got {self.limit!r}")

    @property
    def weights(self) -> Weights[float]:
        return score_weights(self.acceptable, self.unacceptable)

    def at_one_look(self, true_rate: Floats, trials: Floats) -> Floats:
        """Chance of a crossing within so many insertions."""
        rates = demands.rates("true_rate", true_rate)
        chance = np.empty(rates.shape)
        for number in np.unique(trials):
            here = trials == number
            chance[here] = signal_probability(
                1 - rates[here], weights=self.weights, limit=self.limit, attempts=int(number)
            )
        return chance

    def over_looks(self, true_rates: Floats, volumes: tuple[int, ...], first_look: int) -> Chance[Floats]:
        """The finding stands, so that it does not matter when one looks."""
        chance = self.at_one_look(true_rates, np.full(true_rates.shape, sum(volumes)))
        return Chance(chance, np.zeros_like(chance))

    def run_length(self, true_rates: Floats) -> RunLength[Floats]:
        """Insertions to the first crossing."""
        return run_length(1 - true_rates, weights=self.weights, limit=self.limit)
