"""Critical step: missed with a patient in an observation made for a decision; a finding for each observation."""

from datetime import date, timedelta

from audits.figures import Figures
from credentials.rules import ruleset
from credentials.rules.facts import Facts, Observation, months_after
from credentials.rules.reasons import Finding, NotAssessable, finding
from credentials.rules.words import day_words

RULE = "critical_step"


def asked_from(rule: ruleset.CriticalStep, on: date) -> date:
    """The first day whose observations still stand."""
    return months_after(on, -rule.months) + timedelta(days=1)


def findings(facts: Facts, figures: Figures, on: date) -> list[Finding]:
    """Everybody is judged, in the order of the observations. A dispute takes no finding away, it is said."""
    rules, rule = facts.rules, facts.rules and facts.rules.critical_step
    if not rules or not rule:
        return []
    first = asked_from(rule, on)
    seen = sorted(facts.observations, key=lambda each: (each.day, each.uuid))
    return [_finding(rules, rule, each) for each in seen if _counts(each) and first <= each.day <= on]


def not_assessable(facts: Facts, figures: Figures, on: date) -> NotAssessable | None:
    """None: an observation is evidence wherever it was made."""
    return None


def _counts(seen: Observation) -> bool:
    return seen.for_decision and seen.with_patient and bool(seen.missed)


def _finding(rules: ruleset.RuleSet, rule: ruleset.CriticalStep, seen: Observation) -> Finding:
    steps = "; ".join(seen.missed)
    disputed = " The observation is disputed." if seen.disputed else ""
    return finding(
        rules,
        RULE,
        rule.consequence,
        figure=steps,
        threshold="every critical step met without a prompt",
        text=f"Observed for a decision on {day_words(seen.day)}, not met without a prompt: {steps}.{disputed}",
        evidence=(seen.uuid,),
        key=seen.uuid,
    )
