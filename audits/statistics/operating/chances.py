"""Answers about chance, and how many insertions there are."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Any, Generic, Self

import numpy as np
from scipy import stats

from audits.statistics import demands
from audits.statistics.rates import poisson_binomial
from audits.statistics.shapes import Floats, T

TAIL_LEFT = 1e-15


@dataclass(frozen=True)
class Chance(Generic[T]):
    """A probability, and its standard error: 0 where it is exact, above 0 where it was simulated."""

    probability: T
    standard_error: T


@dataclass(frozen=True)
class Volume:
    """A number of insertions that varies: Poisson, or negative binomial with variance mean + dispersion mean^2."""

    mean: float
    dispersion: float = 0.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.mean) and self.mean >= 0 and np.isfinite(self.dispersion) and self.dispersion >= 0):
            raise ValueError(f"mean and dispersion must be 0 or above, got {self.mean!r} and {self.dispersion!r}")

    def law(self) -> tuple[Floats, Floats]:
        """Numbers of insertions, and the probability of each; less than 1e-15 is left out."""
        if self.mean == 0:
            return np.zeros(1), np.ones(1)
        count: Any = stats.poisson(self.mean)
        if self.dispersion:
            size = 1 / self.dispersion
            count = stats.nbinom(size, size / (size + self.mean))
        numbers = np.arange(count.isf(TAIL_LEFT) + 1)
        return numbers, count.pmf(numbers)


@dataclass(frozen=True, eq=False)
class FalseFlags:
    """Number of flags over a register: mean, its standard error (0 if exact), and the probability of 0, 1, 2, ..."""

    expected: float
    standard_error: float
    probabilities: Floats

    @classmethod
    def of(cls, laws: list[tuple[Floats, float]]) -> Self:
        """Sum over independent clinicians, each a law of 0, 1, ... flags with the standard error of its mean."""
        mass, expected, variance = np.ones(1), 0.0, 0.0
        for law, error in laws:
            mass = np.convolve(mass, law)
            expected += float(law @ np.arange(len(law)))
            variance += error**2
        return cls(expected, sqrt(variance), mass)

    @classmethod
    def from_chances(cls, chances: Sequence[float]) -> Self:
        """At most one flag for each of several independent chances, found in whatever way."""
        return cls(float(sum(chances)), 0.0, poisson_binomial(chances))

    @property
    def any(self) -> float:
        """Probability of at least one flag."""
        return float(self.probabilities[1:].sum())

    def quantile(self, level: float) -> int:
        """The smallest number of flags that is not exceeded with probability `level`, between 0 and 1."""
        demands.inside("level", level)
        return int(np.searchsorted(np.cumsum(self.probabilities), level * (1 - TAIL_LEFT)))
