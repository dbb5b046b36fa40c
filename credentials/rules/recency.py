"""Recency: no insertion for so many days, days of absence left out."""

from datetime import date

from audits.figures import Figures
from credentials.rules import assessable, awards, logged
from credentials.rules.absence import day_reaching, days_present
from credentials.rules.facts import Facts
from credentials.rules.reasons import Finding, NotAssessable, finding
from credentials.rules.words import counted, day_words

RULE = "recency"


def counted_from(facts: Facts, figures: Figures, on: date) -> date | None:
    """The latest of last insertion, tallied or not, award and start; None if nobody is judged or no start is set."""
    award = awards.held_award(facts, on)
    if award is None or facts.start is None:
        return None
    return max(awards.judged_from(facts, award), facts.start, logged.last_day(facts, figures, on) or date.min)


def fires_on(facts: Facts, figures: Figures, on: date) -> date | None:
    """The day on which the rule fires if nothing is logged and no absence added."""
    rule = facts.rules and facts.rules.recency
    since = counted_from(facts, figures, on)
    if not rule or since is None:
        return None
    return day_reaching(facts.absences, after=since, days=rule.days)


def findings(facts: Facts, figures: Figures, on: date) -> list[Finding]:
    """At most one, for a holder. Absence of data before the start day is never evidence."""
    rules, rule = facts.rules, facts.rules and facts.rules.recency
    since = counted_from(facts, figures, on)
    if not rules or not rule or since is None or not_assessable(facts, figures, on):
        return []
    if days_present(facts.absences, after=since, through=on) < rule.days:
        return []
    last = logged.last_day(facts, figures, on)
    what = f"last insertion {day_words(last)}" if last else "no insertions logged"
    days = f"{counted(rule.days, 'day')}, absence left out"
    return [
        finding(
            rules,
            RULE,
            rule.consequence,
            figure=what,
            threshold=days,
            text=f"No insertion logged since {day_words(since)}. The local limit is {days}.",
        )
    ]


def not_assessable(facts: Facts, figures: Figures, on: date) -> NotAssessable | None:
    """A day to come holds no insertions yet. Every logging basis holds days: of entries, or of tallies."""
    if not facts.rules or not facts.rules.recency or awards.held_award(facts, on) is None:
        return None
    since = counted_from(facts, figures, on)
    if since is None:
        return NotAssessable(RULE, assessable.NO_START)
    if assessable.is_yet_to_come(facts, on):
        return NotAssessable(RULE, assessable.YET_TO_COME)
    return None
