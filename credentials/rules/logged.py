"""What was logged one by one and what was tallied, taken together: a tally is volume, and nothing else."""

from datetime import date

from audits.figures import Figures, Window
from credentials.rules.facts import Facts


def tallied(facts: Facts, window: Window) -> int:
    """Insertions of shift tallies in a window."""
    return sum(each.insertions for each in facts.tallies if window.first <= each.day <= window.last)


def volume(facts: Facts, figures: Figures, name: str, window: Window) -> int:
    """All insertions in the window that was asked under this name: those of entries and those of tallies."""
    return figures.window(name).volume + tallied(facts, window)


def last_day(facts: Facts, figures: Figures, on: date) -> date | None:
    """The last day up to `on` with an insertion, whichever way it was noted."""
    days = [each.day for each in facts.tallies if each.day <= on]
    return max((*days, *([figures.last_volume_day] if figures.last_volume_day else [])), default=None)


def first_tallied(facts: Facts, window: Window) -> date | None:
    """The first tallied day of a window: the first that leaves it."""
    return min((each.day for each in facts.tallies if window.first <= each.day <= window.last), default=None)
