"""Observation overdue: nobody has watched somebody with a patient for so many days, days of absence left out."""

from datetime import date

from audits.figures import Figures
from credentials.rules import assessable, awards, ruleset
from credentials.rules.absence import day_reaching, days_present
from credentials.rules.facts import Facts
from credentials.rules.reasons import Finding, NotAssessable, finding
from credentials.rules.words import counted, day_words

RULE = "observation_overdue"


def counted_from(facts: Facts, on: date) -> date | None:
    """The latest of last observation with a patient, begin of learning or award, and start day; None for others.

    For a holder, None without a start day: that nobody was watched before it is no evidence.
    """
    seen = max((each.day for each in facts.observations if each.with_patient and each.day <= on), default=date.min)
    award = awards.held_award(facts, on)
    if award is not None:
        return max(awards.judged_from(facts, award), facts.start, seen) if facts.start else None
    enrolment = awards.enrolment_on(facts, on)
    if enrolment is None or not awards.is_here(facts, on):
        return None
    return max(awards.learning_since(facts, enrolment, on), facts.start or date.min, seen)


def fires_on(facts: Facts, on: date) -> date | None:
    """The day on which the rule fires if nobody observes and no absence is added."""
    days, since = _days(facts, on), counted_from(facts, on)
    return day_reaching(facts.absences, after=since, days=days) if days and since is not None else None


def findings(facts: Facts, figures: Figures, on: date) -> list[Finding]:
    """At most one, for who learns or holds."""
    rules, rule = facts.rules, facts.rules and facts.rules.observation_overdue
    days, since = _days(facts, on), counted_from(facts, on)
    if not rules or not rule or not days or since is None or not_assessable(facts, figures, on):
        return []
    if days_present(facts.absences, after=since, through=on) < days:
        return []
    limit = f"{counted(days, 'day')}, absence left out"
    return [
        finding(
            rules,
            RULE,
            rule.consequence,
            figure=f"not since {day_words(since)}",
            threshold=limit,
            text=f"Not observed with a patient since {day_words(since)}. The local limit is {limit}.",
        )
    ]


def not_assessable(facts: Facts, figures: Figures, on: date) -> NotAssessable | None:
    """Without a start day for a holder, and for a day to come."""
    if not _days(facts, on):
        return None
    if awards.held_award(facts, on) is not None and facts.start is None:
        return NotAssessable(RULE, assessable.NO_START)
    if counted_from(facts, on) is not None and assessable.is_yet_to_come(facts, on):
        return NotAssessable(RULE, assessable.YET_TO_COME)
    return None


def _days(facts: Facts, on: date) -> int:
    """The limit for this person on that day; 0 where nothing is asked."""
    rule: ruleset.ObservationOverdue | None = facts.rules.observation_overdue if facts.rules else None
    if rule is None:
        return 0
    return rule.holding_days if awards.held_award(facts, on) is not None else rule.learning_days
