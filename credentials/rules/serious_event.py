"""Serious event: one of the kinds listed locally; a finding for each entry. Rates of events are for units only."""

from datetime import date, timedelta

from audits.figures import EntryFact, Figures, event_codes
from audits.vocabulary import EVENTS
from credentials.rules import ruleset
from credentials.rules.facts import Facts, months_after
from credentials.rules.reasons import Finding, NotAssessable, finding, uuid_of
from credentials.rules.words import day_words

RULE = "serious_event"


def asked_from(rule: ruleset.SeriousEvent, on: date) -> date:
    """The first day whose entries still stand."""
    return months_after(on, -rule.months) + timedelta(days=1)


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
    key = uuid_of(fact)
    return finding(
        rules,
        RULE,
        rule.consequence,
        figure=kinds,
        threshold="any of the kinds listed locally",
        text=f"On {day_words(fact.day)}: {kinds}. Such an event is always looked at together.{disputed}",
        evidence=(key,),
        key=key,
    )
