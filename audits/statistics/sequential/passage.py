"""How a walk of two kinds of step first leaves a strip, exactly.

A cusum moves up by one weight or down by the other. Its state is the pair (steps up, steps down) since it last stood
at its start, so that nothing is rounded: heights are always start + ups * up - downs * down. Walked forward, the mass
that leaves at each number of steps is the whole law of the first passage, for any weights.

One walk serves every rate. A path of u ups and d downs has probability r^u (1 - r)^d, so that mass found at the rate
at which the walk drifts nowhere (where it stays longest) is turned into that at any other by a power.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import log, pi

import numpy as np
from numpy.typing import NDArray
from scipy.special import xlogy

from audits.statistics.shapes import Floats

TOLERANCE = 1e-9
MASS_LEFT = 1e-20
MOST_STATES = 5_000_000


@dataclass(frozen=True, eq=False)
class Exits:
    """Every way out: ups and steps taken, whether above, and the logarithm of the mass at the driftless rate."""

    ups: NDArray[np.int64]
    steps: NDArray[np.int64]
    above: NDArray[np.bool_]
    log_mass: Floats
    driftless_rate: float

    def mass(self, up_rate: Floats) -> Floats:
        """Probability of each exit for each rate of ups; a new last axis holds the exits."""
        rate = np.asarray(up_rate, dtype=float)[..., np.newaxis]
        rise = xlogy(self.ups, rate / self.driftless_rate)
        fall = xlogy(self.steps - self.ups, (1 - rate) / (1 - self.driftless_rate))
        return np.exp(self.log_mass + rise + fall)


@lru_cache(maxsize=64)
def exits(*, up: float, down: float, lower: float, upper: float, start: float) -> Exits:
    """First passage of a walk from `start` to `lower` or below, or to `upper` or above (within 1e-9).

    Parameters
    ----------
    up, down : sizes of the steps, both > 0
    lower, upper, start : heights, lower <= start < upper; standing on `lower` at the start is no exit

    Raises
    ------
    ValueError where the strip is so wide that the walk would need some five million states or more.

    Notes
    -----
    The walk ends when less than 1e-20 is left at the rate where it stays longest; at every other rate less is left,
    relative to what has gone out above, because the power's base is then below 1 for each further step.
    """
    width = upper - lower
    # A walk without drift stays in a strip for so long as its slowest wave takes to fade.
    states = width / (up + down) * -2 * log(MASS_LEFT) * width**2 / (pi**2 * up * down)
    if states > MOST_STATES:
        raise ValueError(f"limits {lower:g} and {upper:g} are too far apart for steps of {up:g} up and {down:g} down")
    rate = down / (up + down)
    # Heights at one number of steps lie up + down apart, so that only the highest can leave above and the lowest below.
    lowest, mass = 0, [1.0]
    found: list[tuple[int, int, bool, float]] = []
    steps = 0
    while sum(mass) > MASS_LEFT:
        steps += 1
        mass = [risen * rate + fallen * (1 - rate) for risen, fallen in zip([0.0, *mass], [*mass, 0.0], strict=True)]
        highest = lowest + len(mass) - 1
        if start + highest * up - (steps - highest) * down >= upper - TOLERANCE:
            found.append((highest, steps, True, mass.pop()))
        if start + lowest * up - (steps - lowest) * down <= lower + TOLERANCE:
            found.append((lowest, steps, False, mass.pop(0)))
            lowest += 1
    ups_out, steps_out, above, masses = zip(*found, strict=True)
    answer = Exits(np.array(ups_out), np.array(steps_out), np.array(above), np.log(np.array(masses)), rate)
    for array in (answer.ups, answer.steps, answer.above, answer.log_mass):
        array.flags.writeable = False
    return answer
