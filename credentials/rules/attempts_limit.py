"""Attempts limit: more punctures by one clinician, or in one occasion, than allowed here; a finding for each entry."""

from datetime import date, timedelta

from audits.figures import EntryFact, Figures
from credentials.rules import ruleset
from credentials.rules.facts import Facts, months_after
from credentials.rules.reasons import Finding, NotAssessable, finding, uuid_of
from credentials.rules.words import counted, day_words

RULE = "attempts_limit"


def asked_from(rule: ruleset.AttemptsLimit, on: date) -> date:
    """The first day whose entries still stand."""
    return months_after(on, -rule.months) + timedelta(days=1)


def findings(facts: Facts, figures: Figures, on: date) -> list[Finding]:
    """Everybody is judged, in the order of the entries."""
    rules, rule = facts.rules, facts.rules and facts.rules.attempts_limit
    if not rules or not rule:
        return []
    return [_finding(rules, rule, fact) for fact in figures.attempts]


def not_assessable(facts: Facts, figures: Figures, on: date) -> NotAssessable | None:
    """None: an entry is evidence on any basis."""
    return None


def _finding(rules: ruleset.RuleSet, rule: ruleset.AttemptsLimit, fact: EntryFact) -> Finding:
    own = f"{counted(fact.punctures, 'puncture')} by this clinician"
    figure = f"{own}, {fact.total} in the occasion"
    disputed = " Who inserted is disputed." if fact.who_disputed else ""
    key = uuid_of(fact)
    return finding(
        rules,
        RULE,
        rule.consequence,
        figure=figure,
        threshold=f"at most {rule.punctures} by one clinician, {rule.occasion} in one occasion",
        text=(
            f"On {day_words(fact.day)}: {figure}. The local limit is {rule.punctures} by one clinician and "
            f"{rule.occasion} in one occasion; after that somebody else is called.{disputed}"
        ),
        evidence=(key,),
        key=key,
    )
