"""Which award counts, on a day and at a place in the tree, and since when it is judged."""

from collections.abc import Iterator
from datetime import date, timedelta

from credentials.rules.answers import Answer
from credentials.rules.facts import Award, Enrolment, Facts, RestrictionKind, Scope, months_after

Line = tuple[int, ...] | None
"""A unit and the units above it, nearest first; None is everywhere, so that every award and scope counts."""


def withdrawn_on(facts: Facts, on: date) -> date | None:
    """The day of the latest withdrawal that nobody has ended. What was held before it counts no more."""
    if not facts.restrictions:
        return None  # as for most people, most of the time
    days = [
        restriction.span.starts
        for restriction in facts.restrictions
        if restriction.kind is RestrictionKind.WITHDRAWAL and restriction.span.covers(on)
    ]
    return max(days, default=None)


def counting_awards(facts: Facts, line: Line, on: date) -> Iterator[Award]:
    """Awards begun by that day, with a scope that covers the line, and not before a withdrawal."""
    withdrawn = withdrawn_on(facts, on)
    for award in facts.awards:
        if award.span.starts > on or (line is not None and award.unit not in line):
            continue
        if withdrawn is None or award.span.starts > withdrawn:
            yield award


def is_in_force(award: Award, on: date) -> bool:
    return award.span.covers(on) and on < award.expires_on


def ran_out(award: Award) -> bool:
    """Whether it ran to its end by the calendar: days of grace and the lapse follow whatever was decided later.

    The next award, which says that this one stands open no more, takes nothing from the days before it.
    """
    return award.span.until is None or award.span.until >= award.expires_on


def award_in_force(facts: Facts, line: Line, on: date) -> Award | None:
    """The award in force that gives most; of equals the one that lasts longest."""
    found = [award for award in counting_awards(facts, line, on) if is_in_force(award, on)]
    if len(found) < 2:
        return found[0] if found else None
    return max(found, key=lambda award: (_gives(facts, award, on), award.expires_on, award.uuid))


def award_in_grace(facts: Facts, line: Line, on: date) -> Award | None:
    """The award that expired last and is in its days of grace."""
    found = [
        award
        for award in counting_awards(facts, line, on)
        if ran_out(award) and award.expires_on <= on < grace_ends(award)
    ]
    return max(found, key=lambda award: (award.terms.grace_gives.rank, grace_ends(award), award.uuid), default=None)


def award_lapsed(facts: Facts, line: Line, on: date) -> Award | None:
    """The award that ran out last, grace and all. One that a decision ended before its last day did not lapse."""
    found = [award for award in counting_awards(facts, line, on) if ran_out(award) and grace_ends(award) <= on]
    return max(found, key=lambda award: (award.expires_on, award.uuid), default=None)


def scope_by_role(facts: Facts, line: Line, on: date) -> Scope | None:
    """The scope by role that lasts longest. One older than a withdrawal does not bring anything back."""
    withdrawn = withdrawn_on(facts, on)
    found = [
        scope
        for scope in facts.scopes
        if scope.span.covers(on)
        and (line is None or scope.unit in line)
        and (withdrawn is None or scope.span.starts > withdrawn)
    ]
    return max(found, key=lambda scope: (scope.span.until or date.max, scope.uuid), default=None)


def grace_ends(award: Award) -> date:
    """The first day after the days of grace."""
    return award.expires_on + timedelta(days=award.terms.grace_days)


def notice_begins(award: Award) -> date:
    return award.expires_on - timedelta(days=award.terms.notice_days)


def chain_of(facts: Facts, award: Award) -> list[Award]:
    """The award with what it renews, was renewed by or was extended to: the same anchor, whatever the unit."""
    return [other for other in facts.awards if other.anchor == award.anchor]


def provisional_ends(facts: Facts, award: Award) -> date | None:
    """The first day that is no longer provisional; None for an award that never was. A renewal does not shorten it."""
    ends = [
        months_after(first.span.starts, first.terms.provisional_months)
        for first in chain_of(facts, award)
        if first.first and first.terms.provisional_months and first.span.starts <= award.span.starts
    ]
    return max(ends, default=None)


def is_provisional(facts: Facts, award: Award, on: date) -> bool:
    ends = provisional_ends(facts, award)
    return ends is not None and on < ends


def judged_from(facts: Facts, award: Award) -> date:
    """The day from which its holder is judged by the rules: the first day of the award, however often renewed."""
    return min(other.span.starts for other in chain_of(facts, award))


def is_here(facts: Facts, on: date) -> bool:
    """Whether there is a placement or an appointment that day."""
    return any(placement.span.covers(on) for placement in facts.placements) or any(
        appointment.span.covers(on) for appointment in facts.appointments
    )


def held_award(facts: Facts, on: date) -> Award | None:
    """The award for which its holder is judged that day: one that covers the home unit, else any; None for nobody else.

    Somebody with neither placement nor appointment is not there to be judged.
    """
    if on not in facts.held:
        found = award_in_force(facts, facts.home_line, on) or award_in_force(facts, None, on)
        facts.held[on] = found if found and is_here(facts, on) else None
    return facts.held[on]


def enrolment_on(facts: Facts, on: date) -> Enrolment | None:
    """The enrolment that holds, the latest if there are several. One older than a withdrawal counts no more."""
    withdrawn = withdrawn_on(facts, on)
    found = [
        enrolment
        for enrolment in facts.enrolments
        if enrolment.span.covers(on) and (withdrawn is None or enrolment.span.starts > withdrawn)
    ]
    return max(found, key=lambda enrolment: (enrolment.span.starts, enrolment.uuid), default=None)


def learning_since(facts: Facts, enrolment: Enrolment, on: date) -> date:
    """The first day of the time of learning: enrolments that follow one another without a gap are one.

    Learning from before a withdrawal is not taken up again.
    """
    withdrawn = withdrawn_on(facts, on)
    first = enrolment.span.starts
    for earlier in sorted(facts.enrolments, key=lambda other: other.span.starts, reverse=True):
        if withdrawn is not None and earlier.span.starts <= withdrawn:
            continue
        if earlier.span.starts < first and earlier.span.until is not None and earlier.span.until >= first:
            first = earlier.span.starts
    return first


def _gives(facts: Facts, award: Award, on: date) -> int:
    return (award.terms.provisional_gives if is_provisional(facts, award, on) else Answer.ALONE).rank
