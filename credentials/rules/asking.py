"""What the rules in force want to know of the evidence, so that the evidence knows no thresholds."""

from datetime import date, timedelta

from audits.figures import Ask, CreditAsk, Window
from credentials.rules import (
    attempts_limit,
    awards,
    drift,
    first_attempt_rate,
    plans,
    progress,
    repeated_failure,
    return_step,
    serious_event,
    volume,
)
from credentials.rules.facts import Award, Facts, months_after
from credentials.rules.terms import Terms

RECENT = "recent"
RECENT_MONTHS = 12


def recent_months(facts: Facts) -> int:
    """The months of the rate that a page shows beside the answer: those of the rule, where there is one."""
    rule = facts.rules and facts.rules.first_attempt_rate
    return rule.months if rule else RECENT_MONTHS


def ask_for(facts: Facts, on: date) -> Ask:
    """Everything that `judge` needs of the evidence for that day, in one ask."""
    rules = facts.rules
    award = awards.held_award(facts, on)
    windows = {RECENT: _months(recent_months(facts), on)}
    if rules and award:
        if rules.first_attempt_rate:
            windows[first_attempt_rate.WINDOW] = first_attempt_rate.window(facts, rules.first_attempt_rate, award, on)
        if rules.volume:
            windows[volume.WINDOW] = volume.window(facts, rules.volume, on)
    if renewing := renewable(facts, on):
        windows[progress.RENEWAL] = renewal_window(renewing, on)
    attempts = rules.attempts_limit if rules else None
    events = rules.serious_event if rules else None
    return Ask(
        on=on,
        windows=windows,
        credits=_credits(facts, on),
        path=drift.path_ask(facts, on),
        run_from=repeated_failure.run_from(facts, on) if rules and rules.repeated_failure else None,
        punctures=attempts.punctures if attempts else None,
        total=attempts.occasion if attempts else None,
        attempts_from=attempts_limit.asked_from(attempts, on) if attempts else None,
        event_kinds=events.bits if events else 0,
        events_from=serious_event.asked_from(events, on) if events else None,
    )


def renewable(facts: Facts, on: date) -> Award | None:
    """The award whose renewal can be worked towards: the one held, or in grace."""
    return awards.held_award(facts, on) or awards.award_in_grace(facts, facts.home_line or None, on)


def renewal_window(award: Award, on: date) -> Window:
    """The days of which insertions count towards renewal on that day."""
    return _months(award.terms.renewal_months, on)


def _months(months: int, on: date) -> Window:
    return Window(months_after(on, -months) + timedelta(days=1), on)


def _credits(facts: Facts, on: date) -> dict[str, CreditAsk]:
    asked: dict[str, CreditAsk] = {}
    if enrolment := awards.enrolment_on(facts, on):
        since = awards.learning_since(facts, enrolment, on)
        asked[progress.learning_credit(since)] = _learning(facts, enrolment.terms, since)
    for plan in plans.open_plans(facts, on):
        asked[progress.plan_credit(plan)] = CreditAsk(plan.span.starts)
    for terms in _terms_met(facts, on):
        if returned := return_step.returned_on(facts, terms, on):
            asked[return_step.return_credit(returned)] = CreditAsk(returned)
    return asked


def _learning(facts: Facts, terms: Terms, since: date) -> CreditAsk:
    """Only an award counts what other procedures lend: a plan and a return step are about this one."""
    others = frozenset(facts.counted_from[code][0] for code in terms.counts_from if code in facts.counted_from)
    return CreditAsk(since, terms.nearby_counts, others, terms.counts_from_cap)


def _terms_met(facts: Facts, on: date) -> set[Terms]:
    """The terms of every award and enrolment so far: any of them may be the one that an answer rests on."""
    if not facts.absences:
        return set()
    held = {award.terms for award in facts.awards if award.span.starts <= on}
    return held | {enrolment.terms for enrolment in facts.enrolments if enrolment.span.starts <= on}
