"""What a cohort misses: counted right, never merged, and never told of few people, however the figures are combined."""

import datetime
from datetime import date
from itertools import combinations, product

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from audits.charts import missed_over_time, missed_table
from audits.missing import Asked, Tally, missed, offered, tally
from audits.models import Checklist
from audits.quarters import Quarter, through
from audits.small_cells import Cell, put_together
from ledger.canonical import canonical
from people.access import NotPermitted, access_of
from tests.audits.observed import make_watched, rated_twice, signed
from tests.factories import (
    STEPS,
    ChecklistFactory,
    ObservationFactory,
    SettingFactory,
    SignedObservationFactory,
    make_appointed,
    make_clinician,
)

Q1, Q2, Q4 = Quarter(2026, 1), Quarter(2026, 2), Quarter(2025, 4)

# --- quarters ---


def test_quarters_begin_and_end_where_the_calendar_says():
    assert (Q1.first, Q1.last) == (date(2026, 1, 1), date(2026, 3, 31))
    assert (Q4.first, Q4.last) == (date(2025, 10, 1), date(2025, 12, 31))
    assert Quarter.of(date(2026, 3, 31)) == Q1
    assert Quarter.of(date(2026, 4, 1)) == Q2
    assert [each.code for each in through(Q4, Q2)] == ["2025-4", "2026-1", "2026-2"]
    assert list(through(Q2, Q1)) == []
    assert Q1.later(-1) == Q4
    assert Q1.words == "January to March 2026"


@pytest.mark.parametrize("code", ["", "2026", "2026-5", "2026-0", "year-1", "2026-1-1", "-1"])
def test_what_is_no_quarter_is_refused(code):
    with pytest.raises(ValueError, match="no quarter"):
        Quarter.parse(code)


# --- few people ---

# A hospital 1 with departments 2 and 3; wards 4 and 5 in the first, 6 in the other.
PARENT = {1: None, 2: 1, 3: 1, 4: 2, 5: 2, 6: 3}


def above(unit):
    chain = [unit]
    while (parent := PARENT[chain[-1]]) is not None:
        chain.append(parent)
    return tuple(chain)


def cell(unit, people, *, quarter=Q1, began=Q1, counts=(1, 0, 0)):
    return Cell(unit, quarter, began, frozenset(people), counts)


def closed(cells, *, least=5, top=1):
    found = put_together(cells, above=above, least=dict.fromkeys(PARENT, least), top=top)
    return [(block.unit, block.began, block.counts) for block in found.blocks], found.left


def test_enough_people_are_a_block_where_they_are():
    assert closed([cell(4, range(5), counts=(7, 1, 2))]) == ([(4, (2026, 1), (7, 1, 2))], ())


def test_few_people_are_put_together_one_unit_up():
    few = [cell(4, range(3), counts=(3, 0, 0)), cell(5, range(3, 5), counts=(2, 1, 0))]
    assert closed(few) == ([(2, (2026, 1), (5, 1, 0))], ())


def test_the_same_person_on_two_wards_is_one_person():
    few = [cell(4, {1, 2, 3}), cell(5, {3, 4})]
    assert closed(few) == ([], tuple(few))


def test_too_few_in_the_whole_are_shown_nowhere():
    few = [cell(4, range(4))]
    assert closed(few) == ([], tuple(few))


def test_quarters_are_never_put_together():
    few = [cell(4, range(4)), cell(4, range(4, 8), quarter=Q2)]
    assert closed(few) == ([], tuple(few))


def test_those_who_began_together_are_put_together_first_then_the_year_then_anybody():
    year = [cell(4, range(3), began=Q1), cell(4, range(3, 6), began=Q2)]
    mixed = [cell(4, range(3), began=Q1), cell(4, range(3, 6), began=Q4)]
    assert closed(year)[0] == [(4, (2026,), (2, 0, 0))]
    assert closed(mixed)[0] == [(4, (), (2, 0, 0))]


def test_the_strictest_unit_of_a_block_decides():
    few = [cell(4, range(3)), cell(5, range(3, 6))]
    found = put_together(few, above=above, least={4: 2, 5: 7}, top=1)
    assert [(block.unit, len(block.cells)) for block in found.blocks] == [(4, 1)]
    assert found.left == (few[1],)
    found = put_together(few, above=above, least={4: 4, 5: 7}, top=1)
    assert found.blocks == ()


def test_a_cell_of_another_part_of_the_tree_is_a_mistake_of_the_caller():
    with pytest.raises(ValueError, match="unit 6 does not lie below unit 2"):
        put_together([cell(6, range(9))], above=above, least={6: 5}, top=2)


# Up to eight cells; the counts are powers of two, so that a figure says which cells it holds.
PLACES = list(product((2, 4, 5, 6), (Q1, Q2), (Q4, Q1, Q2)))
SOME_CELLS = st.lists(
    st.tuples(st.sampled_from(PLACES), st.frozensets(st.integers(0, 11), min_size=1, max_size=6)),
    min_size=1,
    max_size=8,
    unique_by=lambda each: each[0],
)
COHORTS = [(), (2025,), (2026,), (2025, 4), (2026, 1), (2026, 2)]


def numbered(drawn):
    return [
        Cell(unit, quarter, began, people, (2**place, 0, 0))
        for place, ((unit, quarter, began), people) in enumerate(drawn)
    ]


def shown(cells, least):
    """Every figure that any page may show: each unit by itself, each quarter, each cohort; which cells it holds."""
    figures = []
    for top, quarter, cohort in product(PARENT, (Q1, Q2), COHORTS):
        below = [each for each in cells if top in above(each.unit)]
        found = put_together(below, above=above, least=dict.fromkeys(PARENT, least), top=top)
        counted = sum(
            block.counts[0]
            for block in found.blocks
            if block.quarter == quarter and block.began[: len(cohort)] == cohort
        )
        figures.append([counted >> place & 1 for place in range(len(cells))])
    return np.array(figures)


def told_of_few(figures, cells, least):
    """Sets of fewer people of whom some sum or difference of the figures tells: all else cancels out."""
    rank = np.linalg.matrix_rank(figures)
    found = []
    for size in range(1, len(cells) + 1):
        for some in combinations(range(len(cells)), size):
            people = frozenset().union(*(cells[place].people for place in some))
            if len(people) < least and np.linalg.matrix_rank(np.delete(figures, some, axis=1)) < rank:
                found.append(some)
    return found


@settings(max_examples=60)
@given(SOME_CELLS, st.integers(2, 5))
def test_no_sum_or_difference_of_figures_tells_of_fewer_people(drawn, least):
    cells = numbered(drawn)
    assert told_of_few(shown(cells, least), cells, least) == []


def test_hiding_small_cells_beside_a_total_would_tell():
    # The same check finds the fault of the plain way, so it can fail.
    cells = [cell(4, range(6)), cell(5, range(6, 8)), cell(6, range(10, 16))]
    figures = np.array([[1, 0, 0], [0, 0, 1], [1, 1, 1]])
    assert told_of_few(figures, cells, 5) == [(1,)]


@settings(max_examples=60)
@given(SOME_CELLS)
def test_what_is_shown_of_a_unit_is_the_same_at_whatever_top_it_is_asked(drawn):
    cells, least = numbered(drawn), dict.fromkeys(PARENT, 3)
    whole = put_together(cells, above=above, least=least, top=1)
    for top in PARENT:
        below = [each for each in cells if top in above(each.unit)]
        part = put_together(below, above=above, least=least, top=top)
        assert set(part.blocks) == {block for block in whole.blocks if top in above(block.unit)}
        assert {*part.left} | {each for block in part.blocks for each in block.cells} == {*below}


# --- counted ---

VERSION = Checklist(content=canonical(STEPS), version=1, name="Steps of the ward")


def asked(**changes):
    return Asked(**{"unit": 1, "checklist": VERSION, "setting": "patient", "first": Q4, "last": Q2, **changes})


def practices(unit, quarter, marks, *, people, began=Q1):
    """One practice of each of these people with the same marks; everything else met."""
    return [(person, unit, quarter, began, {"hands": "met", "flush": "met", **marks}) for person in people]


def counted(rows, *, least=5, **changes):
    found = tally(rows, asked(**changes), above=above, least=dict.fromkeys(PARENT, least))
    return {each.step.key: each for each in found.steps}


def test_a_prompt_is_counted_apart_and_what_was_not_judged_not_at_all():
    rows = [
        *practices(4, Q1, {"hands": "not_met", "sharps": "not_reached"}, people=range(3)),
        *practices(4, Q1, {"hands": "prompted", "sharps": "not_applicable"}, people=range(3, 5)),
        *practices(4, Q1, {"sharps": "did_not_arise"}, people=range(5, 10)),
    ]
    found = counted(rows)
    assert found["hands"].all == Tally(watched=10, not_met=3, prompted=2)
    assert found["flush"].all == Tally(watched=10, not_met=0, prompted=0)
    assert found["sharps"].all == Tally(0, 0, 0)
    assert found["sharps"].all.words == "not watched"


def test_topics_stand_in_the_order_of_what_is_missed_at_least_so_often():
    # Thirty of sixty weigh more than four of five; statsmodels, proportion_confint with Wilson's method (independent).
    rows = practices(4, Q1, {"hands": "not_met"}, people=range(30)) + practices(4, Q1, {}, people=range(30, 60))
    rows += practices(4, Q2, {"hands": "not_reached", "flush": "not_reached", "sharps": "not_met"}, people=range(4))
    rows += practices(4, Q2, {"hands": "not_reached", "flush": "not_reached", "sharps": "met"}, people=range(4, 5))
    found = list(counted(rows).values())
    assert [each.step.key for each in found] == ["hands", "sharps", "flush", "hair"]
    for each, missed_, watched in ((found[0], 30, 60), (found[1], 4, 5)):
        lower, upper = proportion_confint(missed_, watched, method="wilson")
        assert (each.all.missed, each.all.watched) == (missed_, watched)
        assert (each.all.rate.lower, each.all.rate.upper) == (pytest.approx(lower), pytest.approx(upper))
        assert each.all.weight == pytest.approx(lower)
    assert found[0].all.words == "30 of 60: 50%"
    assert found[0].all.interval_words == "95% confidence 38 to 62%"
    # Nothing was missed of it; but it was not watched.
    assert (found[2].all.weight, found[3].all.weight) == (0, None)


def test_a_critical_step_stands_before_another_that_is_missed_as_often():
    rows = practices(4, Q1, {"flush": "not_met", "sharps": "not_met"}, people=range(9))
    assert list(counted(rows))[:2] == ["sharps", "flush"]


def test_few_people_are_in_no_figure_and_no_total():
    rows = practices(4, Q1, {"hands": "not_met"}, people=range(6)) + practices(4, Q2, {}, people=range(4))
    hands = counted(rows)["hands"]
    assert hands.all == Tally(watched=6, not_met=6, prompted=0, has_left=True)
    assert hands.all.interval_words.endswith("; more are too few to show")
    assert hands.by_quarter == {
        Q4: Tally(0, 0, 0), Q1: Tally(6, 6, 0), Q2: Tally(0, 0, 0, has_left=True),
    }  # fmt: skip
    assert hands.by_quarter[Q2].words == "too few people to show"


def test_small_wards_are_shown_together_and_the_large_by_itself():
    rows = practices(4, Q1, {"hands": "not_met"}, people=range(6))
    rows += practices(5, Q1, {}, people=range(6, 9)) + practices(2, Q1, {}, people=range(9, 11))
    hands = counted(rows, unit=2)["hands"]
    assert hands.all == Tally(11, 6, 0)
    assert hands.by_unit == {4: Tally(6, 6, 0), 5: Tally(0, 0, 0, has_left=True), None: Tally(5, 0, 0)}
    # Asked of the hospital, its departments stand for their wards.
    assert counted(rows)["hands"].by_unit == {2: Tally(11, 6, 0)}


def test_a_step_that_few_people_came_to_is_left_out_by_itself():
    rows = practices(4, Q1, {"hair": "did_not_arise"}, people=range(6)) + practices(
        4, Q1, {"hair": "not_met"}, people=range(4)
    )
    found = counted(rows)
    assert found["hair"].all == Tally(0, 0, 0, has_left=True)
    assert found["hands"].all.watched == 10


def test_a_cohort_is_those_who_began_in_a_quarter_or_year():
    rows = practices(4, Q1, {"hands": "not_met"}, people=range(5), began=Q1)
    rows += practices(4, Q1, {}, people=range(5, 11), began=Q4)
    assert counted(rows)["hands"].all == Tally(11, 5, 0)
    assert counted(rows, began=(2026, 1))["hands"].all == Tally(5, 5, 0)
    assert counted(rows, began=(2026,))["hands"].all == Tally(5, 5, 0)
    assert counted(rows, began=(2025,))["hands"].all == Tally(6, 0, 0)
    assert counted(rows, began=(2026, 2))["hands"].all == Tally(0, 0, 0)


def test_a_cohort_that_is_shown_only_together_with_another_is_not_shown_alone():
    rows = practices(4, Q1, {"hands": "not_met"}, people=range(3), began=Q1)
    rows += practices(4, Q1, {}, people=range(3, 6), began=Q4)
    assert counted(rows)["hands"].all == Tally(6, 3, 0)
    assert counted(rows, began=(2026,))["hands"].all == Tally(0, 0, 0, has_left=True)


# --- in the register ---


@pytest.fixture
def stage(db, now):
    return make_watched()


def watched(stage, *, people=5, on=date(2026, 2, 3), unit=None, setting="patient", learners=None, **marks):
    """One practice of each of so many people, straight into the tables; all met but for these marks."""
    at = datetime.datetime.combine(on, datetime.time(2), datetime.UTC)
    unit = unit or stage.ward
    learners = learners or [make_clinician(unit, account=False) for _ in range(people)]
    for learner in learners:
        SignedObservationFactory(
            clinician=learner, procedure=stage.procedure, unit=unit, checklist=stage.checklist, setting=setting,
            observed_at=at, assessor=stage.assessor,
            kept={"marks": {key: {"mark": marks.get(key, "met")} for key in ("hands", "hair", "sharps", "flush")}},
        )  # fmt: skip
    return learners


def of(stage, user=None, **changes):
    said = {
        "unit": stage.cast.wards.department.pk, "checklist": stage.checklist, "setting": "patient", "first": Q4,
        "last": Q1,
    }  # fmt: skip
    return missed(access_of(user or stage.cast.manager), Asked(**{**said, **changes}))


def hands(found):
    return found.step("hands").all


def test_settings_and_versions_are_never_merged_and_second_ratings_never_count(stage):
    watched(stage, hands="not_met")
    watched(stage, people=6, setting="simulation", hands="prompted")
    watched(stage, people=7, setting="laboratory")
    first = signed(stage)
    rated_twice(stage, first, said={"met": False}, hands="not_met")
    ObservationFactory(
        clinician=stage.learner, procedure=stage.procedure, unit=stage.ward, checklist=stage.checklist,
        assessor=stage.other,
    )  # fmt: skip
    newer = ChecklistFactory(procedure=stage.procedure, unit=stage.cast.wards.hospital)
    # Five and the learner, who began in the same quarter; the second rating and what is not signed are none.
    assert hands(of(stage)) == Tally(6, 5, 0)
    assert of(stage).practices == 6
    assert hands(of(stage, setting="simulation")) == Tally(6, 0, 6)
    assert hands(of(stage, setting="laboratory")) == Tally(7, 0, 0)
    assert hands(of(stage, checklist=newer)) == Tally(0, 0, 0)


def test_only_what_lies_in_the_quarters_and_below_the_unit_is_counted(stage):
    watched(stage, on=date(2025, 9, 30), hands="not_met")
    watched(stage, on=date(2025, 10, 1), hands="prompted")
    watched(stage, on=date(2026, 3, 1), unit=stage.cast.wards.day_ward)
    assert hands(of(stage)) == Tally(5, 0, 5)
    assert hands(of(stage, stage.cast.auditor, unit=stage.cast.wards.hospital.pk)) == Tally(10, 0, 5)
    assert hands(of(stage, first=Quarter(2025, 3))) == Tally(10, 5, 5)


def test_somebody_began_with_their_first_observation_whatever_its_setting_or_unit(stage):
    old = watched(stage, on=date(2024, 5, 1), unit=stage.cast.wards.other_ward, setting="simulation")
    watched(stage, learners=old, hands="not_met")
    watched(stage, people=6)
    assert hands(of(stage, began=(2024, 2))) == Tally(5, 5, 0)
    assert hands(of(stage, began=(2026,))) == Tally(6, 0, 0)
    assert hands(of(stage)) == Tally(11, 5, 0)


def test_the_smallest_number_of_people_is_that_of_the_unit(stage):
    watched(stage, people=4, hands="not_met")
    assert hands(of(stage)) == Tally(0, 0, 0, has_left=True)
    SettingFactory(unit=stage.ward, name="small_cell", plain=4)
    assert hands(of(stage)) == Tally(4, 4, 0)
    assert (of(stage).least, of(stage, unit=stage.ward.pk).least) == (5, 4)


def test_only_who_may_see_figures_of_the_unit_may_ask(stage):
    cast = stage.cast
    for user in (cast.educator, cast.manager, cast.auditor):
        assert of(stage, user).practices == 0
    for user in (
        cast.owner.user,
        cast.supervisor,
        cast.assessor,
        stage.assessor,
        cast.administrator,
        cast.outsider.user,
    ):
        with pytest.raises(NotPermitted):
            of(stage, user)
    with pytest.raises(NotPermitted):
        of(stage, cast.manager, unit=cast.wards.hospital.pk)


def test_offered_is_what_was_watched_in_ones_charge_the_last_used_first(stage):
    watched(stage, people=1, on=date(2025, 11, 2))
    watched(stage, people=1, on=date(2026, 2, 2))
    watched(stage, people=1, on=date(2026, 2, 9), setting="simulation")
    far = make_appointed("manager", stage.cast.wards.other_hospital)
    assert [(each.setting, each.first, each.last) for each in offered(access_of(stage.cast.manager))] == [
        ("simulation", date(2026, 2, 9), date(2026, 2, 9)),
        ("patient", date(2025, 11, 2), date(2026, 2, 2)),
    ]
    assert offered(access_of(far)) == []


def test_more_practice_costs_no_more_queries(stage):
    access, costs = access_of(stage.cast.manager), []
    for people in (5, 20):
        watched(stage, people=people)
        with CaptureQueriesContext(connection) as queries:
            missed(access, Asked(unit=stage.cast.wards.department.pk, checklist=stage.checklist, setting="patient",
                                 first=Q4, last=Q1))  # fmt: skip
        costs.append(len(queries))
    assert costs == [2, 2]


# --- drawn ---


@pytest.mark.std("C-11")
def test_the_chart_says_in_words_what_it_draws_and_leaves_a_gap_where_nothing_may_be_shown():
    periods = [(Q4.words, 12, 40), (Q1.words, 0, 0), (Q2.words, 1, 3)]
    svg = missed_over_time("Cleans hands", periods)
    assert "<title" in svg
    assert "Missed over time: Cleans hands" in svg
    assert "October to December 2025, 12 of 40, 30%; April to June 2026, 1 of 3." in svg
    assert svg == missed_over_time("Cleans hands", periods)
    assert missed_table(periods).rows == (
        ("October to December 2025", "40", "12", "30%", "18 to 45%"),
        ("January to March 2026", "none to show", "", "", ""),
        ("April to June 2026", "3", "1", "too few", ""),
    )


def test_a_chart_of_nothing_says_so():
    assert "Nothing that may be shown." in missed_over_time("Cleans hands", [(Q1.words, 0, 0)])
    assert missed_over_time("<b>", []).count("<b>") == 0
