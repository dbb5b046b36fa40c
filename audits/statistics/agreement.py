"""Agreement between people who rate the same observations: show it as per cent agreement, AC1 and kappa, with n.

Kappa alone misleads where nearly all ratings fall in one category: 94% agreement can have a kappa below 0.
Under ten observations rated twice, show the counts and no coefficient.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from audits.statistics import demands
from audits.statistics.shapes import Floats


@dataclass(frozen=True)
class Agreement:
    """Share of agreement seen and expected by chance, the coefficient, and the number of observations rated twice.

    The coefficient is None where chance alone would agree always (every rating in one category), or nothing was rated
    twice; the standard error is None where no formula is given.
    """

    observed: float | None
    expected: float | None
    coefficient: float | None
    subjects: int
    standard_error: float | None = None
    by_category: tuple[float | None, ...] = ()


def count_ratings(ratings: Sequence[Sequence[Hashable | None]], categories: Sequence[Hashable]) -> Floats:
    """Ratings of each observation (None: not rated by that person) to counts: observations x categories.

    Raises ValueError for a rating that is not among the categories.
    """
    place = {category: column for column, category in enumerate(categories)}
    table = np.zeros((len(ratings), len(categories)))
    for row, rated in enumerate(ratings):
        for rating in rated:
            if rating is None:
                continue
            if rating not in place:
                raise ValueError(f"rating {rating!r} of observation {row + 1} is not among {list(categories)!r}")
            table[row, place[rating]] += 1
    return table


def cohen_kappa(table: ArrayLike, *, weights: ArrayLike | None = None) -> Agreement:
    """Cohen's kappa for two raters: (observed - expected)/(1 - expected), expected from the product of the margins.

    Parameters
    ----------
    table : square, counts of observations; rows the first rater's category, columns the second's
    weights : disagreement of each pair of categories, 0 on the diagonal (the larger, the worse); None counts every
        disagreement alike. Observed and expected are then shares of agreement, 1 - mean disagreement/largest.

    Returns
    -------
    Agreement with the large-sample standard error.

    Raises
    ------
    ValueError for a table that is not square or has counts below 0 or not whole, or weights that do not fit.

    Notes
    -----
    The standard error is poor for few observations, and for kappa near 1.

    References
    ----------
    Cohen (1960), Educ Psychol Meas 20:37-46; Cohen (1968), Psychol Bull 70:213-220 (weighted); Fleiss, Cohen and
    Everitt (1969), Psychol Bull 72:323-327 (standard error). Checked against R vcd, psych and statsmodels.
    """
    counts = _square(table)
    agree = _agreement_weights(weights, size=len(counts))
    total = counts.sum()
    if total == 0:
        return Agreement(None, None, None, 0)
    share = counts / total
    rows, columns = share.sum(axis=1), share.sum(axis=0)
    observed, expected = float((agree * share).sum()), float((agree * np.outer(rows, columns)).sum())
    if np.isclose(expected, 1, rtol=0, atol=1e-12):
        return Agreement(observed, expected, None, int(total))
    row_mean, column_mean = agree @ columns, rows @ agree
    spread = agree * (1 - expected) - (row_mean[:, np.newaxis] + column_mean) * (1 - observed)
    variance = (share * spread**2).sum() - (observed * expected - 2 * expected + observed) ** 2
    error = float(np.sqrt(max(0.0, variance)) / ((1 - expected) ** 2 * np.sqrt(total)))
    return Agreement(observed, expected, (observed - expected) / (1 - expected), int(total), error)


def fleiss_kappa(counts: ArrayLike) -> Agreement:
    """Fleiss's kappa for the same number of raters on every observation, with a kappa for each category.

    Parameters
    ----------
    counts : observations x categories, how many raters chose each; equal row sums, at least 2 (see `count_ratings`)

    Returns
    -------
    Agreement; `by_category` has None for a category that nobody, or everybody, chose. For two raters this is
    Scott's pi.

    Raises
    ------
    ValueError for unequal numbers of raters (use `gwet_ac1`), fewer than 2, or counts below 0 or not whole.

    References
    ----------
    Fleiss (1971), Psychol Bull 76:378-382. Checked against its Table 1, statsmodels and R irr.
    """
    table = _subjects(counts)
    if not len(table):
        return Agreement(None, None, None, 0)
    raters = table.sum(axis=1)
    if (raters != raters[0]).any() or raters[0] < 2:
        raise ValueError(
            f"every observation needs the same number of raters, at least 2, got {raters.min():g} to {raters.max():g}"
        )
    m = raters[0]
    observed = float(((table * (table - 1)).sum(axis=1) / (m * (m - 1))).mean())
    share = table.sum(axis=0) / table.sum()
    expected = float((share**2).sum())
    mixed = (table * (m - table)).sum(axis=0)
    room = len(table) * m * (m - 1) * share * (1 - share)
    each = tuple(float(1 - a / b) if b > 0 else None for a, b in zip(mixed, room, strict=True))
    return _coefficient(observed, expected, len(table), each)


def gwet_ac1(counts: ArrayLike) -> Agreement:
    """Gwet's AC1: chance agreement taken as sum pi(1 - pi)/(q - 1), so that it does not collapse at high prevalence.

    Parameters
    ----------
    counts : observations x categories, how many raters chose each; numbers of raters may differ. Observations rated
        once count for prevalence only, unrated ones not at all. All q categories offered need a column, used or not.

    Returns
    -------
    Agreement; `subjects` are those rated at least twice. Everybody in one category: 1.

    Raises
    ------
    ValueError for fewer than 2 categories, or counts below 0 or not whole.

    References
    ----------
    Gwet (2008), Br J Math Stat Psychol 61:29-48; ratings with gaps as in Gwet (2014), Handbook of Inter-Rater
    Reliability. Checked against figures printed for the R package irrCAC.
    """
    table = _subjects(counts)
    if table.shape[1] < 2:
        raise ValueError(f"AC1 needs at least 2 categories, got {table.shape[1]}")
    table = table[table.sum(axis=1) > 0]
    twice = table[table.sum(axis=1) > 1]
    if not len(twice):
        return Agreement(None, None, None, 0)
    m = twice.sum(axis=1)
    observed = float(((twice * (twice - 1)).sum(axis=1) / (m * (m - 1))).mean())
    share = (table / table.sum(axis=1, keepdims=True)).mean(axis=0)
    expected = float((share * (1 - share)).sum() / (table.shape[1] - 1))
    return _coefficient(observed, expected, len(twice))


def _coefficient(
    observed: float, expected: float, subjects: int, by_category: tuple[float | None, ...] = ()
) -> Agreement:
    alike = np.isclose(expected, 1, rtol=0, atol=1e-12)
    value = None if alike else (observed - expected) / (1 - expected)
    return Agreement(observed, expected, value, subjects, by_category=by_category)


def _square(table: ArrayLike) -> Floats:
    counts = demands.counts("table", table)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or not len(counts):
        raise ValueError(f"table must be square, one row and one column for each category, got shape {counts.shape}")
    return counts


def _subjects(counts: ArrayLike) -> Floats:
    table = demands.counts("counts", counts)
    if table.ndim != 2:
        raise ValueError(f"counts must be observations x categories, got an array of shape {table.shape}")
    return table


def _agreement_weights(weights: ArrayLike | None, *, size: int) -> Floats:
    if weights is None:
        return np.eye(size)
    disagreement = np.asarray(weights, dtype=float)
    good = disagreement.shape == (size, size) and (disagreement >= 0).all() and disagreement.any()
    if not good or np.diag(disagreement).any():
        raise ValueError(f"weights must be {size} x {size}, 0 on the diagonal and above 0 somewhere, got {weights!r}")
    return np.asarray(1 - disagreement / disagreement.max())
