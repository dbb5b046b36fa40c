"""At another unit, and the ceilings of placement kinds."""

from dataclasses import replace
from datetime import timedelta

import pytest

from credentials.rules.answers import Answer, Status
from credentials.rules.facts import RestrictionKind
from credentials.rules.standing import answer_at
from credentials.rules.terms import Terms
from tests.rules.builders import (
    DAY_WARD,
    GROUP,
    HOSPITAL,
    LINES,
    ON,
    OTHER_HOSPITAL,
    OTHER_WARD,
    WARD,
    a_placement,
    a_restriction,
    a_scope,
    an_award_expiring,
    an_enrolment,
    answer_on,
    entry_terms_met,
    some_facts,
    standing_on,
)

A_DAY = timedelta(days=1)


def at(facts, unit, on=ON):
    return answer_at(standing_on(facts, on), LINES[unit], on=on)


def held_at(unit, **values):
    return an_award_expiring(ON + 300 * A_DAY, unit=unit, **values)


def test_an_award_holds_at_its_unit_and_at_all_units_below():
    facts = some_facts(awards=(held_at(HOSPITAL),))
    for unit in (HOSPITAL, WARD, DAY_WARD):
        assert at(facts, unit).answer is Answer.ALONE
    for unit in (GROUP, OTHER_HOSPITAL, OTHER_WARD):
        answer = at(facts, unit)
        assert (answer.status, answer.answer) == (Status.NOT_ENROLLED, Answer.NO)
        assert "not held here" in answer.reasons[0].text


def test_elsewhere_the_answer_is_that_of_the_same_person_without_the_award():
    trainee = {"enrolments": (an_enrolment(),), "completions": entry_terms_met()}
    facts = some_facts(awards=(held_at(HOSPITAL),), **trainee)
    without = answer_on(some_facts(**trainee))
    elsewhere = at(facts, OTHER_WARD)
    assert (elsewhere.answer, elsewhere.status) == (without.answer, without.status) == (Answer.IN_ROOM, "in_training")
    assert elsewhere.reasons == (elsewhere.reasons[0], *without.reasons)


def test_a_trainee_is_a_trainee_everywhere_and_nothing_is_said_to_be_held_elsewhere():
    facts = some_facts(enrolments=(an_enrolment(),), completions=entry_terms_met())
    assert all("held here" not in reason.text for reason in at(facts, OTHER_WARD).reasons)
    assert at(facts, OTHER_WARD).answer is Answer.IN_ROOM


def test_an_award_that_lapsed_elsewhere_does_not_help_here():
    lapsed = an_award_expiring(ON - 90 * A_DAY, unit=HOSPITAL)
    facts = some_facts(awards=(lapsed,))
    assert at(facts, WARD).status is Status.LAPSED
    assert at(facts, OTHER_WARD).status is Status.NOT_ENROLLED


def test_the_nearest_scope_does_not_hide_a_wider_award_that_is_in_force():
    lapsed_here = an_award_expiring(ON - 90 * A_DAY, unit=WARD)
    facts = some_facts(awards=(lapsed_here, held_at(GROUP)))
    assert at(facts, WARD).status is Status.CURRENT
    assert at(facts, OTHER_WARD).status is Status.CURRENT


def test_the_nearest_scope_decides_where_a_wider_award_has_lapsed():
    facts = some_facts(awards=(an_award_expiring(ON - 90 * A_DAY, unit=HOSPITAL), held_at(WARD)))
    assert at(facts, WARD).status is Status.CURRENT
    assert at(facts, DAY_WARD).status is Status.LAPSED


def test_a_home_without_cover_is_judged_without_the_award():
    facts = some_facts(awards=(held_at(OTHER_HOSPITAL),))
    assert answer_on(facts).answer is Answer.NO
    assert at(facts, OTHER_WARD).answer is Answer.ALONE


def test_a_scope_by_role_holds_where_it_was_given():
    facts = some_facts(scopes=(a_scope(unit=OTHER_HOSPITAL),))
    assert at(facts, OTHER_WARD).status is Status.BY_ROLE
    assert at(facts, WARD).status is Status.NOT_ENROLLED
    assert "not held here" in at(facts, WARD).reasons[0].text


def test_a_plan_and_a_stand_down_hold_everywhere():
    plan = a_restriction(RestrictionKind.PLAN, starts=ON, answer=Answer.IN_ROOM)
    facts = some_facts(awards=(held_at(WARD), held_at(OTHER_WARD)), restrictions=(plan,))
    assert at(facts, WARD).answer is at(facts, OTHER_WARD).answer is Answer.IN_ROOM
    down = replace(facts, restrictions=(a_restriction(RestrictionKind.STAND_DOWN, starts=ON),))
    assert at(down, WARD).status is at(down, OTHER_WARD).status is Status.STOOD_DOWN


class TestCeilings:
    def student_at(self, unit, **values):
        return a_placement(unit=unit, kind="student", home=False, ceiling=Answer.NEARBY, **values)

    def test_a_student_placement_caps_there_and_not_where_the_same_person_is_employed(self):
        facts = some_facts(placements=(a_placement(unit=WARD), self.student_at(OTHER_WARD)), awards=(held_at(GROUP),))
        assert at(facts, WARD).answer is Answer.ALONE
        capped = at(facts, OTHER_WARD)
        assert (capped.status, capped.answer) == (Status.CURRENT, Answer.NEARBY)
        assert capped.reasons[0].rule == "ceiling"
        assert "student" in capped.reasons[0].text

    def test_a_ceiling_does_not_lift_a_stricter_answer_nor_claim_to_be_the_reason(self):
        facts = some_facts(
            placements=(a_placement(ceiling=Answer.NEARBY, kind="student"),),
            enrolments=(an_enrolment(),), completions=entry_terms_met(),
        )  # fmt: skip
        answer = answer_on(facts)
        assert answer.answer is Answer.IN_ROOM
        assert answer.reasons[0].rule == "status"

    def test_the_nearest_placement_decides_whether_stricter_or_looser(self):
        wide_student = self.student_at(HOSPITAL)
        facts = some_facts(placements=(a_placement(unit=WARD), wide_student), awards=(held_at(GROUP),))
        assert at(facts, WARD).answer is Answer.ALONE
        assert at(facts, DAY_WARD).answer is Answer.NEARBY
        other_way = some_facts(
            placements=(a_placement(unit=HOSPITAL), self.student_at(WARD)), awards=(held_at(GROUP),), home=HOSPITAL
        )
        assert at(other_way, WARD).answer is Answer.NEARBY
        assert at(other_way, DAY_WARD).answer is Answer.ALONE

    def test_of_two_placements_on_the_same_unit_the_strictest_decides(self):
        facts = some_facts(
            placements=(
                a_placement(unit=WARD),
                self.student_at(WARD),
                a_placement(unit=WARD, kind="agency", home=False),
            ),
            awards=(held_at(GROUP),),
        )
        assert at(facts, WARD).answer is Answer.NEARBY
        stricter = a_placement(unit=WARD, kind="agency", home=False, ceiling=Answer.IN_ROOM)
        both = replace(facts, placements=(*facts.placements, stricter))
        assert at(both, WARD).answer is Answer.IN_ROOM
        assert "agency" in at(both, WARD).reasons[0].text

    def test_where_no_placement_covers_the_home_placement_decides(self):
        facts = some_facts(
            placements=(a_placement(unit=WARD, kind="student", ceiling=Answer.NEARBY),), awards=(held_at(GROUP),)
        )
        assert at(facts, OTHER_WARD).answer is Answer.NEARBY
        facts = some_facts(placements=(a_placement(unit=WARD), self.student_at(DAY_WARD)), awards=(held_at(GROUP),))
        assert at(facts, OTHER_WARD).answer is Answer.ALONE

    def test_a_ceiling_holds_as_long_as_its_placement(self):
        facts = some_facts(
            placements=(a_placement(unit=WARD), self.student_at(OTHER_WARD, starts=ON, until=ON + 10 * A_DAY)),
            awards=(held_at(GROUP),),
        )
        assert [at(facts, OTHER_WARD, ON + n * A_DAY).answer for n in (-1, 0, 9, 10)] == [
            Answer.ALONE, Answer.NEARBY, Answer.NEARBY, Answer.ALONE,
        ]  # fmt: skip
        assert at(facts, OTHER_WARD).until == ON + 10 * A_DAY
        assert at(facts, OTHER_WARD, ON - A_DAY).until == ON
        assert at(facts, WARD).until == ON + 300 * A_DAY


class TestUntil:
    """The last day on which one may rely on an answer, by the calendar alone."""

    def test_of_an_award_it_is_the_expiry_even_where_grace_gives_the_same_answer(self):
        award = held_at(WARD, terms=Terms(grace_gives=Answer.ALONE))
        assert answer_on(some_facts(awards=(award,))).until == award.expires_on

    def test_it_does_not_stop_where_notice_begins_or_provisional_months_end(self):
        award = held_at(WARD, first=True, terms=Terms(provisional_months=18, months=24))
        facts = some_facts(awards=(award,))
        assert answer_on(facts).status is Status.PROVISIONAL
        assert answer_on(facts).until == award.expires_on

    def test_it_stops_where_provisional_months_end_if_they_give_another_answer(self):
        terms = Terms(provisional_months=18, provisional_gives=Answer.NEARBY)
        award = held_at(WARD, first=True, terms=terms)
        answer = answer_on(some_facts(awards=(award,)))
        assert answer.answer is Answer.NEARBY
        assert ON < answer.until < award.expires_on

    @pytest.mark.parametrize("days", [5, 50])
    def test_it_stops_where_the_placement_ends(self, days):
        facts = some_facts(placements=(a_placement(until=ON + days * A_DAY),), awards=(held_at(WARD),))
        assert answer_on(facts).until == ON + days * A_DAY

    def test_it_is_not_known_where_nothing_is_to_come(self):
        assert answer_on(some_facts(enrolments=(an_enrolment(),))).until is None

    def test_a_plan_that_ends_on_a_known_day_is_looked_past(self):
        plan = a_restriction(RestrictionKind.SUSPENSION, starts=ON, until=ON + 20 * A_DAY)
        facts = some_facts(awards=(held_at(WARD),), restrictions=(plan,))
        assert answer_on(facts).until == ON + 20 * A_DAY
        steps = standing_on(facts).judgements[0].ahead
        assert [(step.on, step.answer) for step in steps][:2] == [
            (ON + 20 * A_DAY, Answer.ALONE), (ON + 210 * A_DAY, Answer.ALONE),
        ]  # fmt: skip
