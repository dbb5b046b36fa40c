"""Every status x plan x return step x ceiling to its answer, written out from the words of the product."""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import product

import pytest

from audits.figures import Row
from credentials.rules.answers import Answer, Status
from credentials.rules.facts import Facts, Restriction, RestrictionKind, Span
from credentials.rules.terms import Terms
from tests.rules.builders import (
    ON,
    a_placement,
    a_restriction,
    a_scope,
    an_award_expiring,
    an_enrolment,
    answer_on,
    entry_terms_met,
    signed_rows,
    some_facts,
)

NO, IN_ROOM, NEARBY, ALONE = Answer
A_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Case:
    """Somebody with one status: what it gives by the table, and whether terms of a programme apply to them."""

    name: str
    status: Status
    gives: Answer
    facts: Facts
    has_terms: bool = True
    signed: int = 0


def held(expires_on: date, *, first: bool = False, **terms: object) -> Facts:
    award = an_award_expiring(expires_on, first=first, terms=Terms(**terms))  # type: ignore[arg-type]
    return some_facts(awards=(award,))


def stopped(kind: RestrictionKind) -> Facts:
    return replace(held(ON + 400 * A_DAY), restrictions=(a_restriction(kind, starts=ON - A_DAY),))


def learning(**values: object) -> Facts:
    return some_facts(enrolments=(an_enrolment(terms=Terms(insertions=4, days=2)),), **values)


CASES = [
    Case("no placement", Status.NO_PLACEMENT, NO, replace(held(ON + 400 * A_DAY), placements=()), has_terms=False),
    Case("stood down", Status.STOOD_DOWN, NO, stopped(RestrictionKind.STAND_DOWN), has_terms=False),
    Case("suspended", Status.SUSPENDED, NO, stopped(RestrictionKind.SUSPENSION), has_terms=False),
    Case("withdrawn", Status.WITHDRAWN, NO, stopped(RestrictionKind.WITHDRAWAL), has_terms=False),
    *(
        Case(f"provisional, local cell {cell.value}", Status.PROVISIONAL, cell,
             held(ON + 400 * A_DAY, first=True, provisional_months=24, provisional_gives=cell))
        for cell in Answer
    ),
    Case("provisional in notice", Status.PROVISIONAL, ALONE, held(ON + 10 * A_DAY, first=True, provisional_months=24)),
    Case("due", Status.DUE, ALONE, held(ON + 90 * A_DAY)),
    Case("current", Status.CURRENT, ALONE, held(ON + 91 * A_DAY)),
    *(
        Case(f"in grace, local cell {cell.value}", Status.IN_GRACE, cell, held(ON - A_DAY, grace_gives=cell))
        for cell in Answer
    ),
    Case("by role", Status.BY_ROLE, ALONE, some_facts(scopes=(a_scope(),)), has_terms=False),
    *(
        Case(f"lapsed, local cell {cell.value}", Status.LAPSED, cell, held(ON - 30 * A_DAY, lapsed_gives=cell))
        for cell in (NO, IN_ROOM, NEARBY)
    ),
    Case("ready for award", Status.READY_FOR_AWARD, IN_ROOM, learning(completions=entry_terms_met()), signed=4),
    Case("entry terms met", Status.IN_TRAINING, IN_ROOM, learning(completions=entry_terms_met()), signed=3),
    Case("entry terms not met", Status.IN_TRAINING, NO, learning(), signed=4),
    Case("not enrolled", Status.NOT_ENROLLED, NO, some_facts(), has_terms=False),
]  # fmt: skip

PLANS: list[tuple[RestrictionKind, Answer] | None] = [
    None,
    (RestrictionKind.PLAN, NO),
    (RestrictionKind.PLAN, IN_ROOM),
    (RestrictionKind.PLAN, NEARBY),
    (RestrictionKind.RETURN_PLAN, IN_ROOM),
    (RestrictionKind.RETURN_PLAN, NEARBY),
]
STEPS = [None, IN_ROOM, NEARBY, "done"]
CEILINGS = [None, NO, IN_ROOM, NEARBY, ALONE]


def expected(case: Case, plan: tuple[RestrictionKind, Answer] | None, step: object, ceiling: Answer | None) -> Answer:
    """The words in one place: the strictest of status, plan, return step and ceiling, with their one exception."""
    given = case.gives
    if case.status is Status.LAPSED and given is NO and plan and plan[0] is RestrictionKind.RETURN_PLAN:
        given = IN_ROOM  # 'where no: an open return plan still gives in_room, because a signed decision opened it'
    ranks = [["no", "in_room", "nearby", "alone"].index(given.value)]
    if plan:
        ranks.append(["no", "in_room", "nearby", "alone"].index(plan[1].value))
    if isinstance(step, Answer) and case.has_terms:
        ranks.append(["no", "in_room", "nearby", "alone"].index(step.value))
    if ceiling:
        ranks.append(["no", "in_room", "nearby", "alone"].index(ceiling.value))
    return Answer(["no", "in_room", "nearby", "alone"][min(ranks)])


def built(
    case: Case, plan: tuple[RestrictionKind, Answer] | None, step: object, ceiling: Answer | None
) -> tuple[Facts, list[Row]]:
    """The case with a plan opened yesterday, back since 5 days from a long absence, on a placement with a ceiling."""
    facts, back = case.facts, ON - 5 * A_DAY
    rows = signed_rows(case.signed, first=ON - 400 * A_DAY)
    if plan:
        opened: Restriction = a_restriction(plan[0], starts=ON - A_DAY, answer=plan[1])
        facts = replace(facts, restrictions=(*facts.restrictions, opened))
    if step:
        gives = step if isinstance(step, Answer) else IN_ROOM
        with_step = {"return_gives": gives, "return_insertions": 3, "long_absence_days": 180}
        facts = replace(
            facts,
            absences=(Span(back - 200 * A_DAY, back),),
            awards=tuple(replace(one, terms=replace(one.terms, **with_step)) for one in facts.awards),
            enrolments=tuple(replace(one, terms=replace(one.terms, **with_step)) for one in facts.enrolments),
        )
        # A trainee's insertions after the return count to the step and to the award; keep what the award asks the same.
        if step == "done" and not facts.enrolments:
            rows += signed_rows(3, first=back)
        elif step == "done":
            done = replace(entry_terms_met()[0], kind="return", day=back)
            facts = replace(facts, completions=(*facts.completions, done))
    if facts.placements:
        facts = replace(facts, placements=(a_placement(ceiling=ceiling),))
    return facts, rows


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_plan_return_step_and_ceiling_gives_the_answer_of_the_table(case: Case):
    assert answer_on(case.facts, rows=signed_rows(case.signed, first=ON - 400 * A_DAY)).status is case.status
    seen = 0
    for plan, step, ceiling in product(PLANS, STEPS, CEILINGS):
        facts, rows = built(case, plan, step, ceiling)
        answer = answer_on(facts, rows=rows)
        assert answer.status is case.status, (plan, step, ceiling)
        # Without a placement there is no ceiling, and the answer is no anyway.
        ceiling = ceiling if facts.placements else None
        assert answer.answer is expected(case, plan, step, ceiling), (plan, step, ceiling, answer)
        assert answer.reasons[0].text
        seen += 1
    assert seen == len(PLANS) * len(STEPS) * len(CEILINGS)


def test_the_table_holds_every_status():
    assert {case.status for case in CASES} == set(Status)


BY_HAND = [
    # status (case), plan, return step, ceiling -> answer; each line read off the words by hand
    ("current", None, None, None, ALONE),
    ("current", None, None, NEARBY, NEARBY),  # a student placement caps a holder at that unit
    ("current", (RestrictionKind.PLAN, IN_ROOM), None, NEARBY, IN_ROOM),
    ("current", (RestrictionKind.PLAN, NEARBY), IN_ROOM, None, IN_ROOM),
    ("current", None, NEARBY, None, NEARBY),
    ("current", None, "done", None, ALONE),
    ("due", (RestrictionKind.RETURN_PLAN, NEARBY), None, None, NEARBY),
    ("provisional, local cell nearby", None, None, None, NEARBY),
    ("provisional in notice", None, None, None, ALONE),
    ("in grace, local cell alone", None, None, None, ALONE),
    ("in grace, local cell alone", (RestrictionKind.PLAN, IN_ROOM), None, None, IN_ROOM),
    ("in grace, local cell in_room", None, None, NEARBY, IN_ROOM),
    ("in grace, local cell no", (RestrictionKind.RETURN_PLAN, IN_ROOM), None, None, NO),  # the exception is for lapsed
    ("by role", None, None, None, ALONE),
    ("by role", (RestrictionKind.PLAN, NEARBY), None, None, NEARBY),
    ("lapsed, local cell no", None, None, None, NO),
    ("lapsed, local cell no", (RestrictionKind.PLAN, IN_ROOM), None, None, NO),  # only a return plan opens the way back
    ("lapsed, local cell no", (RestrictionKind.RETURN_PLAN, IN_ROOM), None, None, IN_ROOM),
    ("lapsed, local cell no", (RestrictionKind.RETURN_PLAN, NEARBY), None, None, IN_ROOM),
    ("lapsed, local cell no", (RestrictionKind.RETURN_PLAN, IN_ROOM), None, NO, NO),
    ("lapsed, local cell in_room", (RestrictionKind.RETURN_PLAN, NEARBY), None, None, IN_ROOM),
    ("entry terms met", (RestrictionKind.PLAN, NEARBY), None, None, IN_ROOM),  # a plan on a trainee
    ("entry terms met", None, None, NEARBY, IN_ROOM),
    ("entry terms not met", None, None, None, NO),
    ("ready for award", None, None, None, IN_ROOM),
    ("not enrolled", (RestrictionKind.RETURN_PLAN, NEARBY), None, None, NO),
    ("stood down", None, None, None, NO),
    ("suspended", (RestrictionKind.RETURN_PLAN, IN_ROOM), None, None, NO),
    ("withdrawn", (RestrictionKind.RETURN_PLAN, IN_ROOM), None, None, NO),
    ("no placement", None, None, None, NO),
]


@pytest.mark.parametrize(("name", "plan", "step", "ceiling", "answer"), BY_HAND)
def test_the_rows_read_off_the_table_by_hand(name, plan, step, ceiling, answer):
    case = next(case for case in CASES if case.name == name)
    facts, rows = built(case, plan, step, ceiling)
    assert answer_on(facts, rows=rows).answer is answer


def test_a_plan_of_a_trainee_leaves_the_status_in_training():
    case = next(case for case in CASES if case.name == "entry terms met")
    facts, rows = built(case, (RestrictionKind.PLAN, NO), None, None)
    answer = answer_on(facts, rows=rows)
    assert (answer.status, answer.answer) == (Status.IN_TRAINING, NO)
    assert answer.reasons[0].rule == "plans"
