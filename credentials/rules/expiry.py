"""Expiry: renewal is open, days of grace run, or the award has lapsed. A note, never a flag."""

from datetime import date

from audits.figures import Figures
from credentials.rules import awards
from credentials.rules.facts import Award, Facts
from credentials.rules.reasons import Finding, NotAssessable, finding
from credentials.rules.ruleset import RuleSet
from credentials.rules.words import day_words, through

RULE = "expiry"


def findings(facts: Facts, figures: Figures, on: date) -> list[Finding]:
    """At most one, for a holder and for whoever held an award that ran out."""
    rules = facts.rules
    if not rules or not rules.expiry or not awards.is_here(facts, on):
        return []
    if award := awards.held_award(facts, on):
        if on < awards.notice_begins(award):
            return []
        return [_note(rules, award, f"The award runs {through(award.expires_on)}; renewal is open.")]
    line = facts.home_line or None
    if award := awards.award_in_grace(facts, line, on):
        return [_note(rules, award, f"The award expired; days of grace run {through(awards.grace_ends(award))}.")]
    if award := awards.award_lapsed(facts, line, on):
        return [_note(rules, award, "The award has lapsed; it takes a new award, not a renewal.")]
    return []


def not_assessable(facts: Facts, figures: Figures, on: date) -> NotAssessable | None:
    """None: a date can always be read."""
    return None


def _note(rules: RuleSet, award: Award, text: str) -> Finding:
    assert rules.expiry is not None
    return finding(
        rules,
        RULE,
        rules.expiry.consequence,
        figure=f"expires on {day_words(award.expires_on)}",
        threshold=f"notice {award.terms.notice_days} days, grace {award.terms.grace_days} days",
        text=text,
        evidence=(award.uuid,),
    )
