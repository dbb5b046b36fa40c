"""What every function demands of its arguments: a ValueError that gives the values."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from audits.statistics.shapes import Floats


def _first(values: Floats, wrong: Any) -> float:
    return float(np.atleast_1d(values)[np.atleast_1d(wrong)][0])


def counts(name: str, values: ArrayLike) -> Floats:
    """Whole numbers from 0 up, of any shape, as floats."""
    array = np.asarray(values, dtype=float)
    wrong = ~np.isfinite(array) | (array < 0) | (array != np.floor(array))
    if wrong.any():
        raise ValueError(f"{name} must be whole numbers from 0 up, got {_first(array, wrong):g}")
    return array


def counts_of(successes: ArrayLike, trials: ArrayLike) -> tuple[Floats, Floats]:
    """Successes and trials of one shape, 0 <= successes <= trials."""
    made, tried = np.broadcast_arrays(counts("successes", successes), counts("trials", trials))
    wrong = made > tried
    if wrong.any():
        raise ValueError(f"successes cannot exceed trials, got {_first(made, wrong):g} of {_first(tried, wrong):g}")
    return made, tried


def rates(name: str, values: ArrayLike) -> Floats:
    """Rates from 0 to 1, both included."""
    array = np.asarray(values, dtype=float)
    wrong = ~((array >= 0) & (array <= 1))
    if wrong.any():
        raise ValueError(f"{name} must lie from 0 to 1, got {_first(array, wrong):g}")
    return array


def inside(name: str, value: float) -> float:
    """One rate strictly between 0 and 1."""
    if not 0 < value < 1:
        raise ValueError(f"{name} must lie between 0 and 1, got {value!r}")
    return float(value)


def whole(name: str, value: int, *, least: int) -> int:
    """One whole number, at least `least`."""
    if value != int(value) or value < least:
        raise ValueError(f"{name} must be a whole number of at least {least}, got {value!r}")
    return int(value)


def ordered(acceptable: float, unacceptable: float) -> None:
    """Failure rates with 0 < acceptable < unacceptable < 1."""
    if not 0 < acceptable < unacceptable < 1:
        raise ValueError(
            f"failure rates must satisfy 0 < acceptable < unacceptable < 1, "
            f"got acceptable {acceptable!r}, unacceptable {unacceptable!r}"
        )
