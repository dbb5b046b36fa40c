"""Whether there is enough of a record to say anything: a start day, and a logging basis that holds every insertion."""

from datetime import date

from credentials.rules.facts import Basis, Facts

NO_START = "No start day is set for this unit and procedure."
YET_TO_COME = "Not asked of a day to come: what is not logged yet is no evidence."
NOT_EVERY_INSERTION = "Not every insertion is logged here, so there is nothing to judge by."


def is_yet_to_come(facts: Facts, on: date) -> bool:
    """Whether entries up to that day cannot all have been made: absence of data says nothing then."""
    return facts.logged_through is not None and on > facts.logged_through


def bases_between(facts: Facts, *, first: date, last: date) -> set[Basis]:
    """The logging bases in effect on any day from `first` to `last`, both included. Without a list, every insertion."""
    if not facts.basis:
        return {Basis.EVERY_INSERTION}
    found = {Basis.EVERY_INSERTION} if first < facts.basis[0].starts else set()
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

    date.min where it always did.
    """
    since = date.min
    basis = Basis.EVERY_INSERTION
    for change in facts.basis:
        if change.starts > on:
            break
        if change.basis is not basis:
            since = change.starts
        basis = change.basis
    return since if basis is Basis.EVERY_INSERTION else None
