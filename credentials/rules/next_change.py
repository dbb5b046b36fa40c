"""The next day on which a standing could change with no new evidence. It may be early; it is never late."""

from collections.abc import Iterator
from datetime import date, timedelta

from audits.calendar import leaves_window
from audits.figures import Figures
from credentials.rules import asking, first_attempt_rate, logged, observation_overdue, progress, recency, volume
from credentials.rules.absence import day_reaching
from credentials.rules.facts import Facts, months_after
from credentials.rules.standing import award_days
from credentials.rules.words import ONE_DAY


def next_change_on(facts: Facts, figures: Figures, on: date) -> date | None:
    """The first day after `on` that any source names; None if nothing is known to come.

    `figures` must answer `asking.ask_for(facts, on)`.
    """
    return min((day for day in _days(facts, figures, on) if day is not None and day > on), default=None)


def _days(facts: Facts, figures: Figures, on: date) -> Iterator[date | None]:
    yield from _dated_facts(facts)
    yield from _award_calendar(facts)
    yield from _rule_days(facts, figures, on)
    yield from _leaving_windows(facts, figures, on)
    yield figures.next_row_on


def _dated_facts(facts: Facts) -> Iterator[date | None]:
    for span in facts.spans:
        yield span.starts
        yield span.until
    for restriction in facts.restrictions:
        if restriction.due_on is not None:
            yield restriction.due_on + ONE_DAY  # the first day on which it is overdue
    for completion in facts.completions:
        yield completion.day
        yield completion.valid_until
    for observation in facts.observations:
        yield observation.day
    for change in facts.basis:
        yield change.starts
    for tally in facts.tallies:
        yield tally.day
        yield tally.day + ONE_DAY  # from which every insertion may be logged again
    yield facts.start
    yield facts.drift_since
    yield from facts.drift_restarts
    yield from facts.dispute_days
    yield from facts.later_changes


def _award_calendar(facts: Facts) -> Iterator[date | None]:
    for award in facts.awards:
        yield from award_days(facts, award)
        yield award.anchor + timedelta(days=award.terms.supervising_after_days)


def _rule_days(facts: Facts, figures: Figures, on: date) -> Iterator[date | None]:
    """The days on which rules look, begin to be asked, or fire."""
    rules = facts.rules
    if not rules:
        return
    if rules.first_attempt_rate and facts.awards:
        yield months_after(first_attempt_rate.looked_on(on), 1)
        if facts.start:
            yield months_after(facts.start, rules.first_attempt_rate.months)
    yield recency.fires_on(facts, figures, on)
    yield observation_overdue.fires_on(facts, on)
    yield volume.asked_from(facts, on)
    if rules.volume:
        # The window of volume passes the day on which another logging basis began.
        for change in facts.basis:
            yield day_reaching(facts.absences, after=change.starts - ONE_DAY, days=rules.volume.days)


def _leaving_windows(facts: Facts, figures: Figures, on: date) -> Iterator[date | None]:
    """The days on which the oldest entry leaves a window that moves with the day."""
    rules = facts.rules
    if oldest := figures.window(asking.RECENT).oldest:
        yield leaves_window(oldest, asking.recent_months(facts))
    renewing = asking.renewable(facts, on)
    if renewing and (oldest := figures.window(progress.RENEWAL).oldest):
        yield leaves_window(oldest, renewing.terms.renewal_months)
    if renewing and (first := logged.first_tallied(facts, asking.renewal_window(renewing, on))):
        yield leaves_window(first, renewing.terms.renewal_months)
    if renewing and renewing.terms.renewal_observations:
        for seen in facts.observations:
            yield leaves_window(seen.day, renewing.terms.renewal_months)
    if not rules:
        return
    if rules.volume and (oldest := figures.window(volume.WINDOW).oldest):
        yield day_reaching(facts.absences, after=oldest, days=rules.volume.days)
    if rules.volume and (first := logged.first_tallied(facts, volume.window(facts, rules.volume, on))):
        yield day_reaching(facts.absences, after=first, days=rules.volume.days)
    if rules.attempts_limit:
        for fact in figures.attempts:
            yield leaves_window(fact.day, rules.attempts_limit.months)
    if rules.serious_event:
        for fact in figures.events:
            yield leaves_window(fact.day, rules.serious_event.months)
    if rules.critical_step:
        for seen in facts.observations:
            yield leaves_window(seen.day, rules.critical_step.months)
