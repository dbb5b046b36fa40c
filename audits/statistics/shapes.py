"""Shapes that figures come in: a float for one, an array for many."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
Many: TypeAlias = Sequence[int] | Sequence[float] | NDArray[Any]
T = TypeVar("T", float, Floats)


def plain(values: Any) -> Any:
    """A Python float for a single figure, the array itself for many."""
    array = np.asarray(values)
    return array.item() if array.ndim == 0 else array


@dataclass(frozen=True)
class Interval(Generic[T]):
    """Lower and upper end, of the shape of the counts they were made from."""

    lower: T
    upper: T
