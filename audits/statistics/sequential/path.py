"""The CUSUM line through a series of insertions."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audits.statistics import demands
from audits.statistics.sequential.passage import TOLERANCE
from audits.statistics.sequential.weights import Weights
from audits.statistics.shapes import Floats

FIRST_BLOCK = 64


@dataclass(frozen=True)
class Path:
    """Height after each insertion, and the positions (from 0) of the insertions that signalled."""

    values: Floats
    signals: NDArray[np.intp]


def outcomes(failures: Sequence[bool] | Sequence[int] | NDArray[Any]) -> NDArray[np.bool_]:
    """A row of failures (1, True) and successes (0, False) in the order of the insertions."""
    series = demands.counts("failures", np.asarray(failures))
    if series.ndim != 1:
        raise ValueError(f"failures must be one row in order, got an array of shape {series.shape}")
    if (series > 1).any():
        raise ValueError(f"failures must be 0 or 1, got {series[series > 1][0]:g}")
    return series.astype(bool)


def cusum_path(
    failures: Sequence[bool] | Sequence[int] | NDArray[Any],
    *,
    weights: Weights[float] | Weights[Floats],
    limit: float,
    restart: bool = True,
) -> Path:
    """The line S = max(0, S + weight), from 0, with a signal at S >= limit (within 1e-9).

    Parameters
    ----------
    failures : 1 or True for each failure, 0 or False for each success, in order of time and then of a tie-breaker
        that does not depend on arrival
    weights : from `score_weights` (drift), `adequacy_weights` (LC-CUSUM) or `risk_adjusted_weights` (one for each)
    limit : height of the signal, > 0
    restart : True starts again from 0 after each signal. False lets the line run on; it then signals on each
        insertion that takes it from below the limit to the limit or above.

    Returns
    -------
    Path of the values after each insertion and the positions of the signals. No insertions: both empty.

    Raises
    ------
    ValueError for anything but 0 and 1, a limit not above 0, or weights of another length.

    References
    ----------
    Page (1954), Biometrika 41:100-115; Biau and Porcher (2010), Stat Med, doi 10.1002/sim.3947 (LC-CUSUM).
    """
    failed = outcomes(failures)
    if not limit > 0:
        raise ValueError(f"limit must be above 0, got {limit!r}")
    for name, weight in (("failure", weights.failure), ("success", weights.success)):
        if np.ndim(weight) and np.shape(weight) != failed.shape:
            raise ValueError(f"{name} weights have shape {np.shape(weight)}, the insertions {failed.shape}")
    steps = np.where(failed, weights.failure, weights.success)
    return _restarting(steps, limit) if restart else _running_on(steps, limit)


def _heights(steps: Floats, start: float) -> Floats:
    total = np.cumsum(steps)
    total += start
    return total - np.minimum(np.minimum.accumulate(total), 0.0)


def _running_on(steps: Floats, limit: float) -> Path:
    values = _heights(steps, 0.0)
    above = values >= limit - TOLERANCE
    crossed = above & ~np.concatenate(([False], above[:-1])) if above.size else above
    return Path(values, np.flatnonzero(crossed))


def _restarting(steps: Floats, limit: float) -> Path:
    values = np.empty(len(steps))
    signals = []
    done, height, block = 0, 0.0, FIRST_BLOCK
    # Blocks that double until a signal: linear time for a quiet series and for one that signals all the time.
    while done < len(steps):
        ahead = _heights(steps[done : done + block], height)
        above = ahead >= limit - TOLERANCE
        first = int(above.argmax())
        if above[first]:
            ahead = ahead[: first + 1]
            signals.append(done + first)
            height, block = 0.0, FIRST_BLOCK
        else:
            height, block = float(ahead[-1]), 2 * block
        values[done : done + len(ahead)] = ahead
        done += len(ahead)
    return Path(values, np.array(signals, dtype=np.intp))
