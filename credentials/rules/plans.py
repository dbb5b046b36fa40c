"""Open re-supervision and return plans: what they allow until a signed decision ends them."""

from datetime import date

from audits.figures import Figures
from credentials.rules import progress
from credentials.rules.facts import Facts, Restriction, RestrictionKind
from credentials.rules.reasons import Limit, Reason
from credentials.rules.terms import Terms
from credentials.rules.words import day_words

RULE = "plans"


def open_plans(facts: Facts, on: date) -> list[Restriction]:
    """Plans in force, oldest first; a plan past its date stays in force until somebody ends it."""
    found = [one for one in facts.restrictions if one.is_plan and one.span.covers(on)]
    return sorted(found, key=lambda plan: (plan.span.starts, plan.uuid))


def is_overdue(plan: Restriction, on: date) -> bool:
    return plan.due_on is not None and on > plan.due_on


def limits(facts: Facts, figures: Figures, terms: Terms | None, on: date) -> list[Limit]:
    """One limit for each open plan."""
    return [Limit(plan.answer, _reason(facts, figures, plan, terms, on)) for plan in open_plans(facts, on)]


def _reason(facts: Facts, figures: Figures, plan: Restriction, terms: Terms | None, on: date) -> Reason:
    name = "return plan" if plan.kind is RestrictionKind.RETURN_PLAN else "re-supervision plan"
    text = f"A {name} opened on {day_words(plan.span.starts)} asks for it"
    due = ""
    if plan.due_on is not None:
        due = f"by {day_words(plan.due_on)}"
        text += f"; overdue since {day_words(plan.due_on)}" if is_overdue(plan, on) else f", {due}"
    figure = "; ".join(
        f"{line.label}: have {line.have}, need {line.need}"
        for line in progress.on_plan(facts, figures, plan, terms, on)
    )
    return Reason(rule=RULE, text=f"{text}.", threshold=due, figure=figure, evidence=(plan.uuid,))
