"""First-attempt rate: on the first of a month, enough insertions and an interval that lies wholly below the target."""

from datetime import date, timedelta

from audits.figures import Figures, Window
from audits.rates import percent
from credentials.rules import assessable, awards, ruleset
from credentials.rules.facts import Award, Facts, months_after
from credentials.rules.reasons import Finding, NotAssessable, finding
from credentials.rules.words import counted, day_words, interval, rate_words

RULE = "first_attempt_rate"
WINDOW = "rate"


def looked_on(on: date) -> date:
    """The first of the month: the rule looks once a month, so that it does not accuse by looking often."""
    return on.replace(day=1)


def window(facts: Facts, rule: ruleset.FirstAttemptRate, award: Award, on: date) -> Window:
    """The last months up to the look, no further back than the award. May be empty (first after last)."""
    look = looked_on(on)
    first = months_after(look, -rule.months) + timedelta(days=1)
    return Window(max(first, awards.judged_from(facts, award)), look)


def findings(facts: Facts, figures: Figures, on: date) -> list[Finding]:
    """At most one, for a holder whose record can be assessed."""
    rules, rule = facts.rules, facts.rules and facts.rules.first_attempt_rate
    if not rules or not rule or awards.held_award(facts, on) is None or not_assessable(facts, figures, on):
        return []
    count = figures.window(WINDOW)
    confidence = float(rule.confidence)
    _, upper = interval(count.successes, count.trials, confidence)
    if upper >= float(rule.target):
        return []
    words = rate_words(count.successes, count.trials, confidence)
    return [
        finding(
            rules,
            RULE,
            rule.consequence,
            figure=words,
            threshold=f"upper end below {percent(float(rule.target))}%, asked from {rule.minimum} insertions",
            text=(
                f"In the {counted(rule.months, 'month')} to {day_words(looked_on(on))}: {words}. The whole interval "
                f"lies below the local target of {percent(float(rule.target))}%. It is a reason to talk, not a verdict."
            ),
        )
    ]


def not_assessable(facts: Facts, figures: Figures, on: date) -> NotAssessable | None:
    """Why the rate of a holder cannot be held against the target today; None if it can, or if nobody asks."""
    rule = facts.rules and facts.rules.first_attempt_rate
    award = awards.held_award(facts, on)
    if not rule or award is None:
        return None
    look = looked_on(on)
    if facts.start is None:
        return NotAssessable(RULE, assessable.NO_START)
    asked = months_after(facts.start, rule.months)
    if look < asked:
        return NotAssessable(RULE, f"Asked from the first of a month on or after {day_words(asked)}.")
    if not assessable.is_every_insertion(facts, first=window(facts, rule, award, on).first, last=on):
        return NotAssessable(RULE, assessable.NOT_EVERY_INSERTION)
    count = figures.window(WINDOW)
    if count.partial:
        return NotAssessable(RULE, f"{counted(count.partial, 'insertion')} in its window came from a partial sheet.")
    if count.trials < rule.minimum:
        return NotAssessable(RULE, f"Too few: {counted(count.trials, 'insertion')}, asked from {rule.minimum}.")
    return None
