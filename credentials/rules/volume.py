"""Volume: fewer than so many insertions over the last so many days without absence, once so many have passed."""

from datetime import date

from audits.figures import Figures, Window
from credentials.rules import assessable, awards, logged, ruleset
from credentials.rules.absence import day_reaching, days_back
from credentials.rules.facts import Basis, Facts
from credentials.rules.reasons import Finding, NotAssessable, finding
from credentials.rules.words import counted, day_words

RULE = "volume"
WINDOW = "volume"


def window(facts: Facts, rule: ruleset.Volume, on: date) -> Window:
    """The shortest stretch up to that day with so many days without absence."""
    return Window(days_back(facts.absences, through=on, days=rule.days), on)


def asked_from(facts: Facts, on: date) -> date | None:
    """The first day on which the rule is asked: so many days without absence after award and start day."""
    rule = facts.rules and facts.rules.volume
    award = awards.held_award(facts, on)
    if not rule or award is None or facts.start is None:
        return None
    since = max(awards.judged_from(facts, award), facts.start)
    return day_reaching(facts.absences, after=since, days=rule.days)


def findings(facts: Facts, figures: Figures, on: date) -> list[Finding]:
    """At most one, for a holder."""
    rules, rule = facts.rules, facts.rules and facts.rules.volume
    if not rules or not rule or awards.held_award(facts, on) is None or not_assessable(facts, figures, on):
        return []
    have = logged.volume(facts, figures, WINDOW, window(facts, rule, on))
    if have >= rule.insertions:
        return []
    days = f"the last {counted(rule.days, 'day')} without absence"
    return [
        finding(
            rules,
            RULE,
            rule.consequence,
            figure=f"have {have}, need {rule.insertions}",
            threshold=f"at least {rule.insertions} in {days}",
            text=f"{counted(have, 'insertion').capitalize()} logged in {days}; at least {rule.insertions} are asked.",
        )
    ]


def not_assessable(facts: Facts, figures: Figures, on: date) -> NotAssessable | None:
    """Too early, or too few in a window with a logging fortnight, outside which nothing has to be noted."""
    rule = facts.rules and facts.rules.volume
    if not rule or awards.held_award(facts, on) is None:
        return None
    if facts.start is None:
        return NotAssessable(RULE, assessable.NO_START)
    if assessable.is_yet_to_come(facts, on):
        return NotAssessable(RULE, assessable.YET_TO_COME)
    asked = asked_from(facts, on)
    if asked is None or on < asked:
        when = f"from {day_words(asked)}" if asked else f"after {counted(rule.days, 'day')} without absence"
        return NotAssessable(RULE, f"Asked {when}.")
    asked_of = window(facts, rule, on)
    if logged.volume(facts, figures, WINDOW, asked_of) >= rule.insertions:
        return None
    if Basis.FORTNIGHT in assessable.bases_between(facts, first=asked_of.first, last=on):
        return NotAssessable(RULE, assessable.NOT_EVERY_INSERTION)
    return None
