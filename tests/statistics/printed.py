"""Figures as somebody printed them: equal to within half a unit of their last digit."""

from typing import Any

import pytest


def printed(text: str) -> Any:
    """The printed figure, or a row of them separated by blanks; a figure agrees if it rounds to what is printed."""
    figures = text.split()
    places = [len(figure.partition(".")[2]) for figure in figures]
    margin = [0.5000001 * 10.0**-place for place in places]
    if len(figures) == 1:
        return pytest.approx(float(figures[0]), abs=margin[0], rel=0)
    if len(set(places)) > 1:
        return [pytest.approx(float(f), abs=m, rel=0) for f, m in zip(figures, margin, strict=True)]
    return pytest.approx([float(figure) for figure in figures], abs=margin[0], rel=0)
