"""Serious event: one of the kinds listed locally; a finding for each entry. Rates of events are for units only."""

from datetime import date, timedelta

from audits.calendar import add_months
from audits.figures import EntryFact, Figures, event_codes
from audits.vocabulary import EVENTS
from credentials.rules import ruleset
from credentials.rules.facts import Facts
from credentials.rules.reasons import Finding, NotAssessable, finding
from credentials.rules.words import day_words

RULE = "serious_event"


def asked_from(rule: ruleset.SeriousEvent, on: date) -> date:
    """The first day whose entries still stand."""
    return add_months(on, -rule.months) + timedelta(days=1)


def findings(facts: Facts, figures: Figures, on: date) -> list[Finding]:
    """Everybody is judged, in the order of the entries."""
    rules, rule = facts.rules, facts.rules and facts.rules.serious_event
    if not rules or not rule:
        return []
    return [_finding(rules, rule, fact) for fact in figures.events]


def not_assessable(facts: Facts, figures: Figures, on: date) -> NotAssessable | None:
    """None: an entry is evidence on any basis."""
    return None


def _finding(rules: ruleset.RuleSet, rule: ruleset.SeriousEvent, fact: EntryFact) -> Finding:
    kinds = ", ".join(EVENTS[code].words.lower() for code in event_codes(fact.events))
    disputed = " Who inserted is disputed." if fact.who_disputed else ""
    key = str(fact.uuid) if fact.uuid else ""
    return finding(
        rules,
        RULE,
        rule.consequence,
        figure=kinds,
        threshold="any of the kinds listed locally",
        text=f"On {day_words(fact.day)}: {kinds}. Such an event is always looked at together.{disputed}",
        evidence=(key,) if key else (),
        key=key,
    )
