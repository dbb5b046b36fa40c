"""Chances over clinicians who differ: a mean over gamma-distributed yearly numbers of insertions."""

from collections.abc import Callable

import numpy as np
from scipy import stats

from audits.statistics.operating.chances import TAIL_LEFT
from audits.statistics.shapes import Floats

NODES = 120


def mixed_over(means: Floats, dispersion: float, chance: Callable[[Floats], Floats]) -> Floats:
    """Mean of chance(rate) over rates that are gamma-distributed about each mean, variance dispersion mean^2.

    Gauss-Legendre quadrature. Rates are taken as a power of the variable that makes the density smooth at 0, where for
    a dispersion above 1 it is not bounded.
    """
    shape = 1 / dispersion
    power = np.ceil(shape) / shape
    points, weights = np.polynomial.legendre.leggauss(NODES)
    points, weights = (points + 1) / 2, weights / 2
    found = np.empty(len(means))
    for place, mean in enumerate(means):
        if mean == 0:
            found[place] = chance(np.zeros(1))[0]
            continue
        law = stats.gamma(shape, scale=mean * dispersion)
        top = law.isf(TAIL_LEFT)
        rates = top * points**power
        density = law.pdf(rates) * top * power * points ** (power - 1)
        found[place] = (weights * density * chance(rates)).sum()
    return np.clip(found, 0, 1)
