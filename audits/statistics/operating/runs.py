"""Rules that fire on an unbroken run: the last k insertions all failed, or d days without an insertion."""

from dataclasses import dataclass

import numpy as np

from audits.statistics import demands
from audits.statistics.operating.chances import Chance
from audits.statistics.operating.mixing import mixed_over
from audits.statistics.sequential import RunLength, Weights, run_length
from audits.statistics.shapes import Floats

YEAR = 365


@dataclass(frozen=True)
class RunRule:
    """Repeated failure: the last `length` insertions all failed."""

    length: int

    def __post_init__(self) -> None:
        demands.whole("length", self.length, least=1)

    def at_one_look(self, true_rate: Floats, trials: Floats) -> Floats:
        """(1 - success rate)^length, once there are so many insertions."""
        failure_rate = 1 - demands.rates("true_rate", true_rate)
        return np.where(trials >= self.length, failure_rate**self.length, 0.0)

    def over_looks(self, true_rates: Floats, volumes: tuple[int, ...], first_look: int) -> Chance[Floats]:
        """Exact; between looks a run may come and go unseen."""
        chance = run_seen(1 - demands.rates("true_rate", true_rates), self.length, volumes, first_look)
        return Chance(chance, np.zeros_like(chance))

    def run_length(self, true_rates: Floats) -> RunLength[Floats]:
        """A run counter is a CUSUM that a failure lifts by 1 and a success throws back to 0."""
        steps = Weights(1.0, -float(self.length))
        return run_length(1 - true_rates, weights=steps, limit=float(self.length))


@dataclass(frozen=True)
class RecencyRule:
    """No insertion for `days` days since the latest of insertion, award and start; absence days are left out.

    The true rate is the mean number of insertions in 365 days, Poisson. With `dispersion` > 0 clinicians differ: each
    has a rate of their own, gamma-distributed about that mean with variance dispersion mean^2. Volumes count days.
    """

    days: int
    dispersion: float = 0.0

    def __post_init__(self) -> None:
        demands.whole("days", self.days, least=1)
        if not (np.isfinite(self.dispersion) and self.dispersion >= 0):
            raise ValueError(f"dispersion must be 0 or above, got {self.dispersion!r}")

    def at_one_look(self, true_rate: Floats, trials: Floats) -> Floats:
        """None in the last `days` days, once so many have passed: e^-m, or (1 + dispersion m)^(-1/dispersion)."""
        mean = yearly(true_rate) * self.days / YEAR
        none = np.exp(-mean) if self.dispersion == 0 else (1 + self.dispersion * mean) ** (-1 / self.dispersion)
        return np.where(trials >= self.days, none, 0.0)

    def over_looks(self, true_rates: Floats, volumes: tuple[int, ...], first_look: int) -> Chance[Floats]:
        """Exact for each rate (a run of days with none); the gamma mixture by quadrature, to about 1e-9."""

        def chance(rates: Floats) -> Floats:
            return run_seen(np.exp(-rates / YEAR), self.days, volumes, first_look)

        rates = yearly(true_rates)
        found = chance(rates) if self.dispersion == 0 else mixed_over(rates, self.dispersion, chance)
        return Chance(found, np.zeros_like(found))


def yearly(true_rate: Floats) -> Floats:
    """Mean numbers of insertions in 365 days."""
    mean = np.asarray(true_rate, dtype=float)
    if not (np.isfinite(mean) & (mean >= 0)).all():
        raise ValueError(f"true_rate must be a mean number of insertions in {YEAR} days, 0 or above, got {true_rate!r}")
    return mean


def run_seen(chance_each: Floats, length: int, volumes: tuple[int, ...], first_look: int) -> Floats:
    """Probability that at some look the trials up to it end in a run of at least `length`, for a row of chances.

    Parameters: chance that one trial extends the run; trials before each look. Walks the length of the present run, so
    that all terms are positive; equal to Feller (1968), An Introduction to Probability Theory, vol. 1, XIII.7, if one
    looks after each trial.
    """
    more, ends = chance_each[:, np.newaxis], 1 - chance_each
    present = np.zeros((len(chance_each), length + 1))
    present[:, 0] = 1.0
    seen = np.zeros(len(chance_each))
    for look, volume in enumerate(volumes, start=1):
        for _ in range(volume):
            moved = np.empty_like(present)
            moved[:, 0] = present.sum(axis=1) * ends
            moved[:, 1:] = present[:, :-1] * more
            moved[:, -1] += present[:, -1] * chance_each
            present = moved
        if look >= first_look:
            seen += present[:, -1]
            present[:, -1] = 0.0
    return seen
