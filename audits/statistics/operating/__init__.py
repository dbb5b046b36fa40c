"""What a rule does before it is in force: how often it flags a sound clinician, and how soon it finds a failing one.

Each rule is a small frozen dataclass that knows its own chances; the functions here ask any of them the same way.

chances   answers with their standard error          rate      first-attempt rate, looked at again and again
drift     the CUSUM                                  runs      repeated failure, and recency (a run of empty days)
volume    too few insertions in a window of days     entry     attempts limit, serious event: each entry by itself
rolling   the exact recursion over a rolling record, and the simulation where it grows too large

`true_rate` is the true first-attempt success rate for RateRule, DriftRule and RunRule; the mean number of insertions in
365 days for VolumeRule and RecencyRule; the chance that one entry fires for EntryRule. `trials` and `volumes` count
insertions, or days for VolumeRule and RecencyRule. A rule that is silent for want of insertions flags with chance 0:
show it as 'not assessable', never as good.
"""

from collections.abc import Hashable, Sequence
from functools import lru_cache
from typing import Any, Protocol, overload

import numpy as np
from numpy.typing import ArrayLike

from audits.statistics import demands
from audits.statistics.operating.chances import Chance, FalseFlags, Volume
from audits.statistics.operating.drift import DriftRule
from audits.statistics.operating.entry import EntryRule
from audits.statistics.operating.rate import Bound, RateRule
from audits.statistics.operating.runs import RecencyRule, RunRule
from audits.statistics.operating.volume import VolumeRule
from audits.statistics.sequential import RunLength
from audits.statistics.shapes import Floats, Many, plain

__all__ = [
    "Bound",
    "Chance",
    "DriftRule",
    "EntryRule",
    "FalseFlags",
    "RateRule",
    "RecencyRule",
    "Rule",
    "RunRule",
    "Volume",
    "VolumeRule",
    "attempts_to_flag",
    "ever_flag_probability",
    "expected_false_flags",
    "flag_probability",
]


class Rule(Hashable, Protocol):
    """What every rule can say of itself."""

    def at_one_look(self, true_rate: Floats, trials: Floats) -> Floats:
        """Chance of a flag at one look, for rates and trials of one shape."""

    def over_looks(self, true_rates: Floats, volumes: tuple[int, ...], first_look: int) -> Chance[Floats]:
        """Chance of a flag at any of the looks, one after each volume, for a row of rates."""


class SpacedRule(Protocol):
    """A rule that is asked after every insertion for as long as it takes."""

    def run_length(self, true_rates: Floats) -> RunLength[Floats]:
        """Insertions up to and with the first flag, for a row of rates."""


@overload
def flag_probability(rule: Rule, true_rate: float, *, trials: int | Volume) -> float: ...
@overload
def flag_probability(rule: Rule, true_rate: Many, *, trials: Many | int | Volume) -> Floats: ...
def flag_probability(rule: Rule, true_rate: ArrayLike, *, trials: ArrayLike | Volume) -> Any:
    """Probability that a rule flags at one look at a record of so many trials: a binomial or Poisson sum, exact.

    Parameters
    ----------
    rule : one of the rules of this package
    true_rate : see the module; one or many
    trials : insertions (or days) on record at the look, one or many, or a `Volume`: then the chance is the mean over
        the volumes that occur

    Raises
    ------
    ValueError for rates out of range or trials not whole.

    Notes
    -----
    Drift, attempts and events do not depend on when one looks, because their findings stand: for them this is the
    chance of having fired within so many insertions.
    """
    rates = np.asarray(true_rate, dtype=float)
    if isinstance(trials, Volume):
        sizes, shares = trials.law()
        every, each = np.broadcast_arrays(rates[..., np.newaxis], sizes)
        return plain((rule.at_one_look(every, each) * shares).sum(axis=-1))
    rates, counts = np.broadcast_arrays(rates, demands.counts("trials", trials))
    return plain(rule.at_one_look(rates, counts))


@overload
def ever_flag_probability(
    rule: Rule, true_rate: float, *, volumes: Sequence[int], first_look: int = ...
) -> Chance[float]: ...
@overload
def ever_flag_probability(
    rule: Rule, true_rate: Many, *, volumes: Sequence[int], first_look: int = ...
) -> Chance[Floats]: ...
def ever_flag_probability(
    rule: Rule, true_rate: ArrayLike, *, volumes: Sequence[int], first_look: int = 1
) -> Chance[Any]:
    """Probability that a rule flags at least once when it is asked again and again.

    Parameters
    ----------
    rule, true_rate : as for `flag_probability`
    volumes : trials that come in before each look, one look after each: `[1] * 50` looks after each of 50 insertions,
        `[4] * 24` monthly for two years of 4 a month, `[30]` once at 30
    first_look : number of the first look at which the rule is asked (1: the first), for a rule that is silent until its
        window is full

    Returns
    -------
    Chance, of the shape of true_rate. Exact, with a standard error of 0, by recursion; simulated, with the standard
    error, only where a rolling record is too long and busy for the recursion (RateRule, VolumeRule say when).

    Raises
    ------
    ValueError for rates out of range, volumes not whole, no look at all, or a first look outside the looks.
    """
    rates = np.asarray(true_rate, dtype=float)
    seen = _looks(volumes, first_look)
    chance = rule.over_looks(np.ravel(rates), seen, first_look)
    return Chance(plain(chance.probability.reshape(rates.shape)), plain(chance.standard_error.reshape(rates.shape)))


def expected_false_flags(
    rule: Rule, true_rates: Sequence[float] | float, *, volumes: Sequence[Sequence[int]], first_look: int = 1
) -> FalseFlags:
    """How many flags a rule raises over a whole register of clinicians whose true rates are acceptable.

    Parameters
    ----------
    rule : asked of everybody
    true_rates : true rate of each clinician, or one for all
    volumes : for each clinician their real volumes between looks, as for `ever_flag_probability`

    Returns
    -------
    FalseFlags: mean, whole distribution (Poisson-binomial) and its quantiles. Counted are clinicians flagged at least
    once; for an EntryRule, where each entry raises a flag of its own, flags.

    Raises
    ------
    ValueError as `ever_flag_probability`, or if there is not one row of volumes for each rate.

    Notes
    -----
    Clinicians are taken as independent. A unit where all had a hard month is not.
    """
    rates = [float(true_rates)] * len(volumes) if isinstance(true_rates, float | int) else list(true_rates)
    if len(rates) != len(volumes):
        raise ValueError(f"each clinician needs a rate and volumes, got {len(rates)} rates and {len(volumes)} volumes")
    laws = [_law(rule, rate, _looks(row, first_look), first_look) for rate, row in zip(rates, volumes, strict=True)]
    return FalseFlags.of(laws)


@overload
def attempts_to_flag(rule: SpacedRule, true_rate: float) -> RunLength[float]: ...
@overload
def attempts_to_flag(rule: SpacedRule, true_rate: Many) -> RunLength[Floats]: ...
def attempts_to_flag(rule: SpacedRule, true_rate: ArrayLike) -> RunLength[Any]:
    """Mean and deviation of the number of insertions up to and with the first flag, looked at after each one, exact.

    Parameters
    ----------
    rule : DriftRule, RunRule or EntryRule
    true_rate : see the module; one or many. Infinite where the rule can never flag.

    Raises
    ------
    ValueError for rates outside [0, 1].
    """
    rates = demands.rates("true_rate", true_rate)
    found = rule.run_length(np.ravel(rates))
    return RunLength(plain(found.mean.reshape(rates.shape)), plain(found.deviation.reshape(rates.shape)))


@lru_cache(maxsize=8192)
def _law(rule: Rule, rate: float, volumes: tuple[int, ...], first_look: int) -> tuple[Floats, float]:
    """Law of the number of flags of one clinician (0, 1, ...), and the standard error of its mean."""
    if isinstance(rule, EntryRule):
        return rule.flags(rate, sum(volumes)), 0.0
    ever = rule.over_looks(np.array([rate]), volumes, first_look)
    chance = float(ever.probability[0])
    return np.array([1 - chance, chance]), float(ever.standard_error[0])


def _looks(volumes: Sequence[int], first_look: int) -> tuple[int, ...]:
    row = demands.counts("volumes", np.asarray(volumes))
    if row.ndim != 1 or not len(row):
        raise ValueError(f"volumes must be one row with at least one look, got shape {row.shape}")
    if not 1 <= first_look <= len(row):
        raise ValueError(f"first_look must lie from 1 to the {len(row)} looks, got {first_look!r}")
    return tuple(int(volume) for volume in row)
