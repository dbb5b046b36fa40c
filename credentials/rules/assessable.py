"""Whether there is enough of a record to say anything: a start day, and a logging basis that holds every insertion."""

from datetime import date, timedelta

from credentials.rules.facts import Basis, Facts

NO_START = "No start day is set for this unit and procedure."
YET_TO_COME = "Not asked of a day to come: what is not logged yet is no evidence."
NOT_EVERY_INSERTION = "Not every insertion is logged here, so there is nothing to judge by."


def is_yet_to_come(facts: Facts, on: date) -> bool:
    """Whether entries up to that day cannot all have been made: absence of data says nothing then."""
    return facts.logged_through is not None and on > facts.logged_through


def bases_between(facts: Facts, *, first: date, last: date) -> set[Basis]:
    """The logging bases in effect on any day from `first` to `last`, both included. Without a list, every insertion.

    A day with a shift tally is one of tallies, whatever the setting says of it since.
    """
    found = {Basis.EVERY_INSERTION} if not facts.basis or first < facts.basis[0].starts else set()
    if any(first <= each.day <= max(first, last) for each in facts.tallies):
        found.add(Basis.TALLY)
    for place, change in enumerate(facts.basis):
        following = facts.basis[place + 1].starts if place + 1 < len(facts.basis) else None
        if change.starts <= max(first, last) and (following is None or following > first):
            found.add(change.basis)
    return found


def is_every_insertion(facts: Facts, *, first: date, last: date) -> bool:
    """Whether every insertion is to be logged on all days from `first` to `last`."""
    return bases_between(facts, first=min(first, last), last=last) == {Basis.EVERY_INSERTION}


def every_insertion_since(facts: Facts, on: date) -> date | None:
    """The first day of the stretch of 'every insertion' that holds on that day; None if it does not hold.

    date.min where it always did. A day with a shift tally ends a stretch, the next begins another.
    """
    since = date.min
    basis = Basis.EVERY_INSERTION
    for change in facts.basis:
        if change.starts > on:
            break
        if change.basis is not basis:
            since = change.starts
        basis = change.basis
    tallied = max((each.day for each in facts.tallies if each.day <= on), default=None)
    if basis is not Basis.EVERY_INSERTION or tallied == on:
        return None
    return since if tallied is None else max(since, tallied + timedelta(days=1))
