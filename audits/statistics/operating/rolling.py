"""A rolling record looked at again and again: exactly, by walking all its windows abreast.

Cut the record into stretches of one window each. The window that ends inside stretch s holds what came in since s
began, and what stretch s - 1 had in all less what it had at the same place. So walk all stretches abreast, one place
at a time: the state is the failures so far in each stretch, beside what each but the last will have had in all. At each
place every stretch's window must pass, and at the end each total must be what was said. A state keeps far fewer figures
than the window has places, and few failures pass.

Which records pass does not depend on the true rate, and a record of f failures in n has probability
r^f (1 - r)^(n - f): one walk gives the whole curve, sorted by f.
"""

from dataclasses import dataclass
from functools import lru_cache, reduce

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.special import xlogy

from audits.statistics.operating.chances import Chance
from audits.statistics.shapes import Floats

MOST_STATES = 1_500_000
# Past this many insertions the powers that turn one rate's mass into another's could leave the range of floats.
MOST_FOR_ONE_WALK = 800
RUNS, RUNS_AT_ONCE, SEED = 50_000, 5_000, 20_260_101


@dataclass(frozen=True)
class Record:
    """Insertions between looks, looks in a window, and at each look the most failures in the window that pass.

    `usual_rate` is the failure rate about which the curve is wanted: the walk is made there.
    """

    volumes: tuple[int, ...]
    window: int
    passing: tuple[int, ...]
    usual_rate: float


def ever_over(record: Record, failure_rates: Floats) -> Chance[Floats]:
    """Probability that some look does not pass, for a row of failure rates."""
    none = np.zeros_like(failure_rates)
    total = np.cumsum((0, *record.volumes))
    held = [total[i + 1] - total[max(0, i + 1 - record.window)] for i in range(len(record.volumes))]
    if all(most >= n for most, n in zip(record.passing, held, strict=True)):
        return Chance(none, none)
    if np.prod([float(size) for size in _sizes(record)]) > MOST_STATES:
        simulated = np.array([_simulated(record, float(rate)) for rate in failure_rates])
        # From counts, with one added on either side: nothing seen in all runs is not nothing at all.
        spread = (simulated * RUNS + 1) / (RUNS + 2)
        return Chance(simulated, np.sqrt(spread * (1 - spread) / RUNS))
    if total[-1] <= MOST_FOR_ONE_WALK:
        passed = _passed(_passing_mass(record, record.usual_rate), record.usual_rate, failure_rates)
    else:
        passed = np.array([_passing_mass(record, float(rate)).sum() for rate in failure_rates])
    return Chance(np.clip(1 - passed, 0, 1), none)


def _passed(mass: Floats, walked_at: float, failure_rates: Floats) -> Floats:
    failures = np.arange(len(mass))
    rates = failure_rates[:, np.newaxis]
    powers = xlogy(failures, rates / walked_at) + xlogy(len(mass) - 1 - failures, (1 - rates) / (1 - walked_at))
    seen = mass > 0
    return np.asarray(np.exp(np.log(mass[seen]) + powers[:, seen]).sum(axis=1))


def _stretches(record: Record) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Volumes and passing failures, stretches x places; the last stretch is filled with empty, unasked looks."""
    stretches = -(-len(record.volumes) // record.window)
    spare = stretches * record.window - len(record.volumes)
    shape = (stretches, record.window)
    volumes = np.array(record.volumes + (0,) * spare).reshape(shape)
    return volumes, np.array(record.passing + (sum(record.volumes),) * spare).reshape(shape)


def _sizes(record: Record) -> tuple[int, ...]:
    """Failures that each axis must hold: those so far in each stretch, then the totals of all but the last."""
    volumes, passing = _stretches(record)
    later = volumes.sum(axis=1, keepdims=True) - np.cumsum(volumes, axis=1)
    most = np.minimum(volumes.sum(axis=1), (passing + later).min(axis=1)) + 1
    return (*most.tolist(), *most[:-1].tolist())


@lru_cache(maxsize=512)
def _passing_mass(record: Record, failure_rate: float) -> Floats:
    """Probability that every look passes, by the number of failures in the whole record."""
    volumes, passing = _stretches(record)
    sizes = _sizes(record)
    stretches = len(volumes)
    axes = np.ogrid[tuple(slice(size) for size in sizes)]
    so_far, in_all = axes[:stretches], axes[stretches:]
    mass = np.zeros(sizes)
    mass[(0,) * stretches] = 1.0
    for place in range(record.window):
        for stretch in range(stretches):
            if volume := int(volumes[stretch, place]):
                more = _more(volume, failure_rate, sizes[stretch])
                mass = np.moveaxis(np.tensordot(more, mass, axes=(1, stretch)), 0, stretch)
            held = so_far[stretch]
            if stretch:
                held = held + in_all[stretch - 1] - so_far[stretch - 1]
            mass = mass * (held <= passing[stretch, place])
    for stretch in range(stretches - 1):
        mass = mass * (so_far[stretch] == in_all[stretch])
    everywhere = np.broadcast_to(reduce(np.add, (*in_all, so_far[-1])), sizes)
    found = np.bincount(everywhere.ravel(), weights=mass.ravel(), minlength=sum(record.volumes) + 1).astype(np.float64)
    found.flags.writeable = False
    return found


@lru_cache(maxsize=1024)
def _more(volume: int, failure_rate: float, size: int) -> Floats:
    """Chance of each number of failures after so many more insertions (rows) from each number before (columns)."""
    number = np.arange(size)
    return np.asarray(stats.binom.pmf(number[:, np.newaxis] - number, volume, failure_rate))


@lru_cache(maxsize=512)
def _simulated(record: Record, failure_rate: float) -> float:
    """Share of simulated records with a look that does not pass. One seed: the same question has the same answer."""
    draw = np.random.default_rng(SEED)
    window, looks = record.window, len(record.volumes)
    over = 0
    for _ in range(RUNS // RUNS_AT_ONCE):
        failures = draw.binomial(record.volumes, failure_rate, size=(RUNS_AT_ONCE, looks)).cumsum(axis=1)
        held = failures.copy()
        held[:, window:] -= failures[:, :-window]
        over += int((held > np.array(record.passing)).any(axis=1).sum())
    return over / RUNS
