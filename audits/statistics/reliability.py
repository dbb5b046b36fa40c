"""Whether the items of a test or checklist measure one thing."""

import numpy as np
from numpy.typing import ArrayLike


def cronbach_alpha(scores: ArrayLike) -> float | None:
    """Cronbach's alpha: k/(k - 1) (1 - sum of item variances/variance of totals). For 0/1 items this is KR-20.

    Parameters
    ----------
    scores : people x items, at least 2 of each

    Returns
    -------
    Alpha, at most 1 and possibly below 0; None where all totals are equal.

    Raises
    ------
    ValueError for fewer than 2 people or items, or scores that are missing.

    Notes
    -----
    One denominator for both variances: taking p(1 - p) for the items and n - 1 for the totals, as some programs do,
    gives .7682 instead of .7380 for the example in the tests.

    References
    ----------
    Cronbach (1951), Psychometrika 16:297-334; Kuder and Richardson (1937), Psychometrika 2:151-160. Checked against
    R psych::alpha.
    """
    table = np.asarray(scores, dtype=float)
    if table.ndim != 2 or min(table.shape) < 2 or not np.isfinite(table).all():
        raise ValueError(f"scores must be people x items, at least 2 of each and none missing, got shape {table.shape}")
    items = table.shape[1]
    total = table.sum(axis=1).var()
    if np.isclose(total, 0, rtol=0, atol=1e-12):
        return None
    return float(items / (items - 1) * (1 - table.var(axis=0).sum() / total))
