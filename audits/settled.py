"""Who brings something up to date once a change of the evidence is stored. Apps above register themselves here."""

from collections.abc import Callable, Collection

_followers: list[Callable[[Collection[int]], object]] = []


def follow(bring_up_to_date: Callable[[Collection[int]], object]) -> None:
    """Have this called with clinicians' ids after a write about them was committed. In an app's `ready`."""
    if bring_up_to_date not in _followers:
        _followers.append(bring_up_to_date)


def settled(*clinicians: int) -> None:
    """Say that a write about these clinicians is committed."""
    for each in _followers:
        each(set(clinicians))
