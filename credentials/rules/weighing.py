"""What counts towards each line of progress and what does not: the counts of `progress`, piece by piece, with reasons.

The pieces of a line sum to what the line has. Of what shares a cap, what is taken towards one line is what the other
lines rest on as well: where each took another piece, a list would explain nothing.
"""

from collections.abc import Iterable, Sequence
from datetime import date
from typing import NamedTuple

from audits.figures import Credit, Figures
from credentials.rules import asking, awards, plans, progress, return_step
from credentials.rules import insertions_weighed as inserted
from credentials.rules import observations_weighed as watched
from credentials.rules.facts import Award, Enrolment, Facts, Restriction
from credentials.rules.pieces import BEFORE_LEARNING, TO_COME, Entered, Kind, Piece, Time
from credentials.rules.progress import Line
from credentials.rules.status import status_on
from credentials.rules.terms import Terms
from credentials.rules.words import counted, day_words


class Weighed(NamedTuple):
    """A line of progress with its pieces, oldest first. `line.have` is the sum of their counts."""

    line: Line
    pieces: tuple[Piece, ...]


class Evidence(NamedTuple):
    """What can count: the facts, the figures made of the same rows, and the entries, own and of other procedures."""

    facts: Facts
    figures: Figures
    own: Sequence[Entered]
    lent: Sequence[Entered] = ()


def towards_award(of: Evidence, enrolment: Enrolment, on: date) -> tuple[list[Weighed], list[Weighed]]:
    """Each line of entry and of award with its pieces."""
    facts, terms = of.facts, enrolment.terms
    since = awards.learning_since(facts, enrolment, on)
    time = Time(since, on, BEFORE_LEARNING, awards.withdrawn_on(facts, on))
    lines = progress.towards_award(facts, of.figures, enrolment, on)
    main = of.figures.credit(progress.learning_credit(since)).main
    taken = inserted.Taken(of.own, of.lent, terms, time)
    simulation = [*_completed(facts, "simulation", on), *inserted.sessions(of.own, time)]
    by_further, seen = terms.observation_assessors > 1 or terms.observation_not_main, facts.observations
    chosen = watched.beside(seen, terms.observations, time, main if by_further else None)
    observed = [one for one in seen if not time.outside(one.day) and watched.is_counted(one, chosen)]
    pieces = {
        progress.KNOWLEDGE: _completed(facts, "knowledge", on),
        progress.THEORY: _completed(facts, "theory", on),
        progress.POLICIES: _completed(facts, "policy", on),
        progress.SIMULATION_BEFORE: simulation,
        progress.INSERTIONS: [*taken.pieces, *inserted.recognised(facts, taken.used(Credit.OTHER_EVIDENCE), terms, on)],
        progress.SUCCESSES: inserted.entries(taken.rows, inserted.success),
        progress.SUPERVISORS: inserted.entries(taken.rows, inserted.each_new(inserted.supervisor, "supervisor")),
        progress.DAYS: inserted.entries(taken.with_days, inserted.each_new(lambda row: row.day, "day")),
        progress.SIMULATION: simulation,
        progress.OBSERVATIONS: watched.observations(seen, chosen, time),
        progress.ASSESSORS: watched.observed(observed, watched.each_new_assessor()),
        progress.NOT_MAIN: watched.observed(observed, watched.one_not_main(main)),
    }
    return _weighed(lines.entry, pieces), _weighed(lines.award, pieces)


def towards_renewal(of: Evidence, award: Award, on: date) -> list[Weighed]:
    """Each line of renewal with its pieces."""
    window = asking.renewal_window(award, on)
    months = counted(award.terms.renewal_months, "month")
    time = Time(window.first, on, f"from before the last {months}")
    need = award.terms.renewal_observations
    seen = of.facts.observations
    logged = [*(inserted.volume(each, time) for each in of.own), *inserted.tallied(of.facts, time)]
    observed = watched.observations(seen, watched.beside(seen, need, time), time)
    return [
        Weighed(line, _in_order(logged if line.label.startswith(progress.LOGGED) else observed))
        for line in progress.towards_renewal(of.facts, of.figures, award, on)
    ]


def on_plan(of: Evidence, plan: Restriction, terms: Terms | None, on: date) -> list[Weighed]:
    """Each line of an open plan with its pieces. A plan is about this procedure alone."""
    time = Time(plan.span.starts, on, "from before the plan")
    seen = of.facts.observations
    pieces = {
        progress.INSERTIONS: inserted.Taken(of.own, (), terms or Terms(), time).pieces,
        progress.OBSERVATIONS: watched.observations(seen, watched.beside(seen, plan.observations, time), time),
    }
    return _weighed(progress.on_plan(of.facts, of.figures, plan, terms, on), pieces)


def on_plans(of: Evidence, on: date) -> list[Weighed]:
    """Each line of the open plans, and that of a return step that is not done, as a standing at home has them."""
    terms = status_on(of.facts, of.figures, of.facts.home_line, on).terms
    found = [each for plan in plans.open_plans(of.facts, on) for each in on_plan(of, plan, terms, on)]
    returned = return_step.unsigned(of.facts, terms, on) if terms else None
    if terms and returned and return_step.limits(of.facts, of.figures, terms, on):
        time = Time(returned, on, "from before the return")
        pieces = inserted.Taken(of.own, (), terms, time).pieces
        found.append(Weighed(return_step.line(of.figures, terms, returned), _in_order(pieces)))
    return found


def _weighed(lines: Iterable[Line], pieces: dict[str, list[Piece]]) -> list[Weighed]:
    return [Weighed(line, _in_order(pieces[line.label])) for line in lines]


def _in_order(pieces: Iterable[Piece]) -> tuple[Piece, ...]:
    return tuple(sorted(pieces, key=lambda piece: piece.day))


def _completed(facts: Facts, kind: str, on: date) -> list[Piece]:
    """Completions that were passed: they count from their day until they run out, whenever learning began."""
    found = []
    for each in facts.completions:
        if each.kind == kind:
            counts = each.counts(on)
            why = "" if counts else TO_COME
            if not counts and each.day <= on and each.valid_until is not None:
                why = f"no longer valid since {day_words(each.valid_until)}"
            found.append(Piece(Kind.COMPLETION, each.uuid, each.day, int(counts), why))
    return found
