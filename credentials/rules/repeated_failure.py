"""Repeated failure: the last so many insertions in the rate all failed."""

from datetime import date

from audits.figures import Figures
from credentials.rules import assessable, awards
from credentials.rules.facts import Facts
from credentials.rules.reasons import Finding, NotAssessable, finding, uuid_of
from credentials.rules.words import day_words

RULE = "repeated_failure"


def run_from(facts: Facts, on: date) -> date | None:
    """The first day whose insertions belong to the run: that of the award, not before the start day."""
    award = awards.held_award(facts, on)
    if award is None or facts.start is None:
        return None
    return max(awards.judged_from(facts, award), facts.start)


def findings(facts: Facts, figures: Figures, on: date) -> list[Finding]:
    """At most one, for a holder."""
    rules, rule = facts.rules, facts.rules and facts.rules.repeated_failure
    if not rules or not rule or run_from(facts, on) is None or figures.failures_running < rule.failures:
        return []
    if not_assessable(facts, figures, on):
        return []
    first, last = figures.run[0].day, figures.run[-1].day
    kept = len(figures.run)
    whole = kept == figures.failures_running
    days = f"{day_words(first)} to {day_words(last)}" if whole else f"the latest {kept} since {day_words(first)}"
    return [
        finding(
            rules,
            RULE,
            rule.consequence,
            figure=f"none of the last {figures.failures_running} working first time",
            threshold=f"{rule.failures} one after another",
            text=(
                f"None of the last {figures.failures_running} insertions worked first time ({days}). "
                "A run of hard veins can do that too: look at the cases together."
            ),
            evidence=tuple(uuid_of(fact) for fact in figures.run),
        )
    ]


def not_assessable(facts: Facts, figures: Figures, on: date) -> NotAssessable | None:
    """Where insertions may be missing between the failures of a run, or after it, it is none: the last may have worked.

    A run that is too short is none on any basis, but is not said to be well where not every insertion is logged today.
    """
    rule = facts.rules and facts.rules.repeated_failure
    if not rule or run_from(facts, on) is None:
        return None
    is_run = figures.failures_running >= rule.failures
    since = figures.run[-min(rule.failures, len(figures.run))].day if is_run else on
    if not assessable.is_every_insertion(facts, first=since, last=on):
        return NotAssessable(RULE, assessable.NOT_EVERY_INSERTION)
    return None
