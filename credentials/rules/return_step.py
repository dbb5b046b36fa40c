"""The return step: after a long absence, so many supervised insertions before the former answer comes back."""

from datetime import date

from audits.figures import Figures
from credentials.rules.absence import long_absences
from credentials.rules.facts import Facts
from credentials.rules.progress import Line, insertions_counted
from credentials.rules.reasons import Limit, Reason
from credentials.rules.terms import Terms
from credentials.rules.words import through

RULE = "return_step"


def return_credit(returned: date) -> str:
    """The name under which the credit since a return is asked."""
    return f"return on {returned.isoformat()}"


def returned_on(facts: Facts, terms: Terms, on: date) -> date | None:
    """The first day back from the latest long absence; None without one, or where the terms ask for no return step.

    An absence that was over before the person had anything to do with the procedure asks for nothing.
    """
    if not facts.absences or not terms.return_insertions:
        return None
    first = min(facts.begun_on, default=date.max)
    backs = [span.until for span in long_absences(facts.absences, terms.long_absence_days) if span.until is not None]
    return max((back for back in backs if first < back <= on), default=None)


def unsigned(facts: Facts, terms: Terms, on: date) -> date | None:
    """The first day back from the latest long absence, while nobody has signed its return step as done."""
    returned = returned_on(facts, terms, on)
    return None if returned is None or _is_signed_as_done(facts, returned, on) else returned


def line(figures: Figures, terms: Terms, returned: date) -> Line:
    """How far the return step is."""
    have, note = insertions_counted(figures.credit(return_credit(returned)), terms)
    return Line("Supervised insertions since the return", have, terms.return_insertions, note)


def limits(facts: Facts, figures: Figures, terms: Terms | None, on: date) -> list[Limit]:
    """The limit of a return step that is not done; none if there is nothing to do."""
    returned = unsigned(facts, terms, on) if terms else None
    if terms is None or returned is None:
        return []
    done = line(figures, terms, returned)
    if done.is_met:
        return []
    reason = Reason(
        rule=RULE,
        text=f"The return step after an absence {through(returned)} asks for it: have {done.have}, need {done.need} "
        "supervised insertions.",
        threshold=f"absence of {terms.long_absence_days} days or more",
        figure=f"{done.label}: have {done.have}, need {done.need}",
    )
    return [Limit(terms.return_gives, reason)]


def _is_signed_as_done(facts: Facts, returned: date, on: date) -> bool:
    return any(one.kind == "return" and one.day >= returned and one.counts(on) for one in facts.completions)
