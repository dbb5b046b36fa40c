"""Drift: the log-likelihood CUSUM of failures has crossed its limit since the path began.

Page (1954), Biometrika 41:100-115; weights and run lengths as in `audits.statistics.sequential`.
"""

from datetime import date
from decimal import Decimal
from functools import lru_cache

from audits.figures import Figures, PathAsk
from audits.rates import percent
from credentials.rules import assessable, awards
from credentials.rules.facts import Facts
from credentials.rules.reasons import Finding, NotAssessable, finding, uuid_of
from credentials.rules.words import day_words, rate_words

RULE = "drift"


def path_start(facts: Facts, on: date) -> date | None:
    """The first day of the path that holds on that day; None if there is none.

    The latest of award, start day, end of a plan, closing of a drift flag, the first day of the present parameters, and
    the first day of the present stretch in which every insertion is logged.
    """
    award = awards.held_award(facts, on)
    logged_since = assessable.every_insertion_since(facts, on)
    if award is None or logged_since is None or facts.start is None:
        return None
    ends = [one.span.until for one in facts.restrictions if one.is_plan and one.span.until and one.span.until <= on]
    closings = [day for day in facts.drift_restarts if day <= on]
    since = [facts.drift_since] if facts.drift_since else []
    return max(awards.judged_from(facts, award), facts.start, logged_since, *ends, *closings, *since)


def path_ask(facts: Facts, on: date) -> PathAsk | None:
    """What is asked of the evidence: the path with the weights of the set in force."""
    rule = facts.rules and facts.rules.drift
    start = path_start(facts, on)
    if not rule or start is None:
        return None
    failure, success = _weights(float(rule.acceptable), float(rule.unacceptable))
    return PathAsk(start, failure, success, float(rule.limit))


def findings(facts: Facts, figures: Figures, on: date) -> list[Finding]:
    """At most one; it stands from the first crossing until the path starts anew."""
    rules, rule = facts.rules, facts.rules and facts.rules.drift
    start = path_start(facts, on)
    drift = figures.drift
    if not rules or not rule or start is None or drift is None or drift.crossed is None:
        return []
    rates = f"{_percent(rule.acceptable)} against {_percent(rule.unacceptable)} failing"
    record = rate_words(drift.steps - drift.failures, drift.steps)
    return [
        finding(
            rules,
            RULE,
            rule.consequence,
            figure=f"{record}; crossed on {day_words(drift.crossed.day)} at insertion {drift.crossed_at_step}",
            threshold=f"limit {rule.limit} for {rates}: one false alarm in about {rule.run_length:,} insertions",
            text=(
                f"Since {day_words(start)}: {record}. The line of failures crossed its limit on "
                f"{day_words(drift.crossed.day)}, at insertion {drift.crossed_at_step}. With the acceptable "
                f"{_percent(rule.acceptable)} failing it does so by chance about once in {rule.run_length:,} "
                "insertions. It is a reason to talk, not a verdict."
            ),
            evidence=(uuid_of(drift.crossed),),
        )
    ]


def not_assessable(facts: Facts, figures: Figures, on: date) -> NotAssessable | None:
    """Why drift cannot be followed for a holder; None if it can, or if nobody asks."""
    if not facts.rules or not facts.rules.drift or awards.held_award(facts, on) is None:
        return None
    if facts.start is None:
        return NotAssessable(RULE, assessable.NO_START)
    if assessable.every_insertion_since(facts, on) is None:
        return NotAssessable(RULE, assessable.NOT_EVERY_INSERTION)
    if figures.drift is None or not figures.drift.steps:
        return NotAssessable(RULE, "No insertions to follow yet.")
    return None


@lru_cache(maxsize=256)
def _weights(acceptable: float, unacceptable: float) -> tuple[float, float]:
    # Here, because a page without a path should not wait for scipy.
    from audits.statistics.sequential import score_weights

    weights = score_weights(acceptable, unacceptable)
    return weights.failure, weights.success


def _percent(rate: Decimal) -> str:
    return f"{percent(float(rate))}%"
