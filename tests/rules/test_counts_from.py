"""Insertions of other procedures that count towards an award, up to a cap; observations by whom."""

from dataclasses import replace
from datetime import date, timedelta
from itertools import count

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audits.figures import Ask, Credit, CreditAsk, fold, lenders
from credentials.rules import terms
from credentials.rules.asking import ask_for
from credentials.rules.facts import Observation
from credentials.rules.next_change import next_change_on
from credentials.rules.progress import learning_credit
from credentials.rules.standing import judge
from credentials.rules.terms import Terms
from tests.rules.builders import ON, a_row, an_award, an_enrolment, entry_terms_met, rows_of, signed_rows, some_facts

A_DAY = timedelta(days=1)
FIRST = date(2025, 1, 1)
ADULT, ULTRASOUND = 7, 8
NAMES = {"ADULT": (ADULT, "Adult, landmark"), "ADULT-US": (ULTRASOUND, "Adult, ultrasound")}
_uuids = count(1)


def a_trainee(*, seen=(), **asked):
    given = {"counts_from": ("ADULT",), "counts_from_cap": 4} | asked
    return some_facts(
        enrolments=(an_enrolment(starts=FIRST, terms=Terms(**given)),),
        completions=entry_terms_met(),
        observations=tuple(seen),
        counted_from=NAMES,
    )


def judged(facts, rows, lent=(), on=ON):
    ordered = sorted(rows, key=lambda row: (row.time, row.tie))
    return judge(facts, fold(1, 1, ordered, ask_for(facts, on), lent=lent), on)


def lines(facts, rows, lent=(), on=ON):
    return {line.label: line for line in judged(facts, rows, lent, on).award}


def lent_rows(number, *, first=FIRST, procedure=ADULT, **values):
    return [
        a_row(first + place * A_DAY, **{"credit": Credit.IN_ROOM, "supervisor": 100, "procedure": procedure} | values)
        for place in range(number)
    ]


def test_insertions_of_another_procedure_count_up_to_the_cap_and_are_named():
    own = signed_rows(3, first=FIRST, supervisors=1)
    found = lines(a_trainee(), own, lent_rows(3))["Supervised insertions"]
    assert (found.have, found.note) == (6, "of these 3 from Adult, landmark")
    found = lines(a_trainee(), own, lent_rows(6))["Supervised insertions"]
    assert found.have == 7
    assert found.note == "of these 4 from Adult, landmark; 2 more of other procedures, at most 4 counted"


def test_two_procedures_share_one_cap_and_the_first_in_time_count():
    both = a_trainee(counts_from=("ADULT", "ADULT-US"))
    later = lent_rows(3, procedure=ULTRASOUND, first=FIRST + 2 * A_DAY)
    found = lines(both, [], [*later, *lent_rows(3, first=FIRST)])["Supervised insertions"]
    assert (found.have, found.note.split("; ")[0]) == (4, "of these 3 from Adult, landmark, 1 from Adult, ultrasound")


def test_only_what_is_lent_within_the_cap_gives_days_supervisors_successes_and_questions():
    facts = a_trainee(counts_from_cap=2, successes=1)
    lent = [
        *lent_rows(2, supervisor=201, success=0),
        *lent_rows(3, first=FIRST + 10 * A_DAY, supervisor=202, success=1, in_question=1),
    ]
    own = signed_rows(1, first=FIRST, supervisors=1)  # the day and not the supervisor of the first that is lent
    found = lines(facts, own, lent)
    assert found["Different supervisors"].have == 2
    assert found["Different days"].have == 2
    assert found["Of these working first time"].have == 1
    assert "in question" not in found["Supervised insertions"].note


def test_what_is_lent_and_worked_first_time_is_a_success():
    found = lines(a_trainee(successes=3), [], [*lent_rows(2), *lent_rows(1, first=FIRST + 5 * A_DAY, success=0)])
    assert found["Of these working first time"].have == 2


@pytest.mark.parametrize(
    "values",
    [
        {"first": FIRST - A_DAY},
        {"credit": Credit.NONE},
        {"credit": Credit.NEARBY},
        {"credit": Credit.PAPER},
        {"credit": Credit.OTHER_EVIDENCE},
        {"credit": Credit.SIMULATION},
        {"procedure": ULTRASOUND},
    ],
)
def test_only_what_was_supervised_since_learning_began_is_lent(values):
    found = lines(a_trainee(), [], lent_rows(1, **values))
    assert (found["Supervised insertions"].have, found["Supervised insertions"].note) == (0, "")
    assert found["Different days"].have == 0


def test_nearby_is_lent_where_nearby_counts():
    found = lines(a_trainee(nearby_counts=True), [], lent_rows(2, credit=Credit.NEARBY))
    assert found["Supervised insertions"].have == 2


def test_a_plan_a_rate_and_a_holder_borrow_nothing():
    assert lenders(ask_for(a_trainee(), ON)) == {ADULT}
    assert not lenders(
        ask_for(some_facts(awards=(an_award(terms=Terms(counts_from=("ADULT",), counts_from_cap=4)),)), ON)
    )
    with_lent = judged(a_trainee(), rows_of("01", first=ON - 3 * A_DAY), lent_rows(4, first=ON - 4 * A_DAY))
    assert (with_lent.recent.insertions, with_lent.recent.successes) == (2, 1)


def test_terms_without_the_name_count_nothing_of_others():
    assert Terms.parse({"insertions": 6}).counts_from == ()
    assert not lenders(ask_for(a_trainee(counts_from=(), counts_from_cap=0), ON))


def test_an_entry_of_another_procedure_still_to_come_is_a_day_of_change():
    facts = a_trainee()
    figures = fold(1, 1, (), ask_for(facts, ON), lent=lent_rows(1, first=ON + 5 * A_DAY))
    assert next_change_on(facts, figures, ON) <= ON + 5 * A_DAY


@given(
    own=st.lists(st.tuples(st.integers(0, 9), st.integers(0, 5), st.integers(1, 3), st.booleans()), max_size=8),
    lent=st.lists(
        st.tuples(st.integers(0, 9), st.integers(0, 5), st.integers(1, 3), st.booleans(), st.sampled_from((7, 8, 9))),
        max_size=12,
    ),
    cap=st.integers(0, 6),
)
def test_what_counts_is_what_a_plain_reading_counts(own, lent, cap):
    """Written again as sets of entries: each counts once, and days, supervisors and successes are of those alone."""

    def rows(drawn):
        return sorted(
            (
                a_row(FIRST + day * A_DAY, credit=credit, supervisor=by, success=int(worked), procedure=(*more, 1)[0])
                for day, credit, by, worked, *more in drawn
            ),
            key=lambda row: (row.time, row.tie),
        )

    mine, theirs = rows(own), rows(lent)
    ask = Ask(ON, credits={"c": CreditAsk(FIRST, False, frozenset({7, 8}), cap)})
    found = fold(1, 1, mine, ask, lent=theirs).credit("c")
    usable = [row for row in theirs if row.procedure in (7, 8) and row.credit == Credit.IN_ROOM]
    taken = usable[:cap]
    given_by_own = [row for row in mine if row.credit in (Credit.IN_ROOM, Credit.OTHER_EVIDENCE, Credit.PAPER)]
    there = [row.supervisor for row in [*mine, *taken] if row.credit == Credit.IN_ROOM]
    assert sum(number for _, number in found.lent) == len(taken)
    assert found.beyond == len(usable) - len(taken)
    assert found.lent_successful == sum(row.success for row in taken)
    assert found.days == len({row.day for row in [*given_by_own, *taken]})
    assert found.supervisors == set(there)
    assert found.main == {one for one in there if there.count(one) == max(map(there.count, there))}
    assert sum(found.attempted[1:]) == sum(row.credit != Credit.NONE for row in mine)


class TestContradictions:
    @pytest.mark.parametrize(
        ("content", "path"),
        [
            ({"observations": 1, "observation_assessors": 2}, "observation_assessors"),
            ({"observation_not_main": True}, "observation_not_main"),
            ({"counts_from": ["ADULT"]}, "counts_from_cap"),
            ({"counts_from_cap": 3}, "counts_from_cap"),
            ({"counts_from": ["ADULT"], "counts_from_cap": 11}, "counts_from_cap"),
            ({"counts_from": ["A", "A"], "counts_from_cap": 1}, "counts_from"),
            ({"counts_from": ["A", "B", "C"], "counts_from_cap": 1}, "counts_from"),
            ({"counts_from": "ADULT", "counts_from_cap": 1}, "counts_from"),
            ({"counts_from": [3], "counts_from_cap": 1}, "counts_from"),
            ({"counts_from": [""], "counts_from_cap": 1}, "counts_from"),
        ],
    )
    def test_a_contradiction_is_named_with_what_to_do(self, content, path):
        assert [wrong.path for wrong in terms.errors_in(content)] == [path]

    def test_what_fits_together_is_taken_and_goes_through_content_and_back(self):
        content = {
            "observations": 2,
            "observation_assessors": 2,
            "observation_not_main": True,
            "counts_from": ["B", "A"],
            "counts_from_cap": 10,
        }
        found = Terms.parse(content)
        assert found.counts_from == ("A", "B")
        assert Terms.parse(found.to_content()) == found


def seen(assessor, **values):
    return Observation(uuid=f"o{next(_uuids)}", day=FIRST, assessor=assessor, **values)


ASSESSORS, OTHER_EYES = "Different assessors of these", "Of these by somebody other than the main supervisor"


def by_whom(observations, rows=(), **asked):
    found = lines(a_trainee(seen=observations, observations=2, **asked), list(rows))
    return {label: line.have for label, line in found.items() if label in (ASSESSORS, OTHER_EYES)}


def test_observations_are_asked_of_different_assessors():
    asked = {"observation_assessors": 2}
    assert by_whom([], **asked) == {ASSESSORS: 0}
    assert by_whom([seen(1), seen(1)], **asked) == {ASSESSORS: 1}
    assert by_whom([seen(1), seen(2), seen(2)], **asked) == {ASSESSORS: 2}
    assert by_whom([seen(1), seen(2)], observation_assessors=1) == {}
    not_counting = [seen(3, verdict="not_yet"), seen(4, disputed=True), seen(5, for_decision=False)]
    assert by_whom([seen(1), *not_counting], **asked) == {ASSESSORS: 1}


def test_an_assessor_of_one_that_counts_only_beside_another_counts_with_it():
    asked = {"observation_assessors": 2}
    assert by_whom([seen(1), seen(1, verdict="partly"), seen(2, verdict="partly")], **asked) == {ASSESSORS: 2}
    assert by_whom([seen(1), seen(2, verdict="partly"), seen(3, verdict="partly")], **asked) == {ASSESSORS: 2}


def test_one_observation_is_by_somebody_other_than_the_main_supervisor():
    rows = [a_row(FIRST + n * A_DAY, credit=Credit.IN_ROOM, supervisor=1 + (n == 0)) for n in range(4)]
    asked = {"observation_not_main": True}
    assert by_whom([seen(1), seen(1)], rows, **asked) == {OTHER_EYES: 0}
    assert by_whom([seen(1), seen(2)], rows, **asked) == {OTHER_EYES: 1}
    assert by_whom([seen(1), seen(9)], rows, **asked) == {OTHER_EYES: 1}
    assert by_whom([seen(1)], (), **asked) == {OTHER_EYES: 1}  # nobody has supervised yet


def test_of_supervisors_with_equally_many_each_is_the_main_one():
    rows = signed_rows(4, first=FIRST, supervisors=2)  # 100 and 101, twice each
    asked = {"observation_not_main": True}
    assert by_whom([seen(100), seen(101)], rows, **asked) == {OTHER_EYES: 0}
    assert by_whom([seen(100), seen(102)], rows, **asked) == {OTHER_EYES: 1}


def test_the_credit_of_a_time_of_learning_has_one_name():
    facts = a_trainee()
    assert ask_for(facts, ON).credits[learning_credit(FIRST)].cap == 4
    assert replace(facts, counted_from={}) != facts
