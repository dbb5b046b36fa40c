"""Drift: the path steps through the fold exactly as the published sums do, and starts where it should."""

from dataclasses import replace
from datetime import date, timedelta
from math import log

import pytest

from audits.figures import PathAsk, fold
from credentials.rules import drift
from credentials.rules.answers import Answer
from credentials.rules.asking import ask_for
from credentials.rules.facts import AwardKind, Basis, BasisFrom, RestrictionKind, Span
from tests.rules.builders import (
    a_restriction,
    a_set,
    an_award,
    an_enrolment,
    figures_on,
    rows_of,
    some_facts,
    uuid_for,
)

A_DAY = timedelta(days=1)
AWARDED = date(2025, 1, 1)
ON = date(2025, 6, 11)
PATH = "0100110100011100"
# Sums of ln(.35/.20) for a failure and ln(.65/.80) for a success, floored at 0; computed apart from this code by exact
# recursion, six decimals.
VALUES = [
    0, 0.559616, 0.351976, 0.144337, 0.703953, 1.263569, 1.055929, 1.615545, 1.407906, 1.200266, 0.992627, 1.552243,
    2.111859,
]  # fmt: skip


def a_holder(*, limit="2.0", **parameters):
    return some_facts(awards=(an_award(starts=AWARDED),), rules=a_set(drift={"limit": limit} | parameters))


def found(facts, rows, on=ON):
    return drift.findings(facts, figures_on(facts, rows, on), on)


def test_the_weights_are_those_of_the_log_likelihood():
    path = ask_for(a_holder(), ON).path
    assert path.failure_weight == pytest.approx(log(0.35 / 0.20), abs=1e-12) == pytest.approx(0.559616, abs=5e-7)
    assert path.success_weight == pytest.approx(log(0.65 / 0.80), abs=1e-12) == pytest.approx(-0.207639, abs=5e-7)
    assert path.limit == 2.0


@pytest.mark.parametrize("steps", range(1, 14))
def test_every_step_of_the_worked_path_has_its_value(steps):
    facts = a_holder()
    result = figures_on(facts, rows_of(PATH[:steps], first=AWARDED), ON).drift
    assert result.steps == steps
    assert result.failures == PATH[:steps].count("1")
    assert result.value == pytest.approx(VALUES[steps - 1], abs=5e-7)
    assert (result.crossed is not None) == (steps == 13)


def test_the_worked_path_crosses_at_its_13th_insertion_and_the_finding_stands_afterwards():
    """The finding stands from the first crossing, whatever comes later: it does not restart by itself."""
    facts, rows = a_holder(), rows_of(PATH + "0" * 30, first=AWARDED)
    assert found(facts, rows[:12]) == []
    (finding,) = found(facts, rows)
    assert "at insertion 13" in finding.text
    assert "13 January 2025" in finding.text
    assert "39 of 46 working first time (85%" in finding.text
    assert "about once in 1,281 insertions" in finding.text
    assert "20% against 35%" in finding.threshold
    assert finding.evidence == (uuid_for(rows[12]),)
    assert finding.key == ""


def test_the_value_goes_on_as_if_nothing_had_crossed():
    facts = a_holder()
    after = figures_on(facts, rows_of(PATH[:13] + "00", first=AWARDED), ON).drift
    assert after.value == pytest.approx(2.111859 - 2 * 0.207639, abs=2e-6)
    assert after.crossed_at_step == 13


def test_all_failures_reach_the_default_limit_at_the_eighth():
    """ceil(4 / .559616) = 8."""
    facts = a_holder(limit="4.0")
    assert found(facts, rows_of("1" * 7, first=AWARDED)) == []
    assert "at insertion 8" in found(facts, rows_of("1" * 8, first=AWARDED))[0].text


def test_all_successes_stay_at_nought():
    assert figures_on(a_holder(), rows_of("0" * 100, first=AWARDED), ON).drift.value == 0


def test_a_sum_that_reaches_the_limit_but_for_rounding_has_reached_it():
    ask = replace(ask_for(a_holder(), ON), path=PathAsk(AWARDED, 0.1, -0.2, 0.3))  # 0.1 + 0.1 + 0.1 > 0.3 by rounding
    rows = rows_of("111", first=AWARDED)
    assert fold(1, 1, rows, ask).drift.crossed_at_step == 3
    ask = replace(ask, path=PathAsk(AWARDED, 0.7, -0.2, 2.1))  # 0.7 + 0.7 + 0.7 < 2.1 by rounding
    assert 0.7 + 0.7 + 0.7 < 2.1
    assert fold(1, 1, rows, ask).drift.crossed_at_step == 3


def test_insertions_in_no_rate_are_stepped_over():
    facts = a_holder()
    rows = rows_of(PATH, first=AWARDED)
    other = rows_of("1" * 16, first=AWARDED, in_rate=0)
    assert figures_on(facts, rows + other, ON).drift == figures_on(facts, rows, ON).drift


def test_rows_in_another_order_than_the_path_are_refused():
    rows = rows_of("0101", first=AWARDED)
    with pytest.raises(ValueError, match="out of path order"):
        fold(1, 1, [rows[1], rows[0]], ask_for(a_holder(), ON))
    same_time = [row._replace(time=0) for row in rows]
    with pytest.raises(ValueError, match="out of path order"):
        fold(1, 1, same_time[::-1], ask_for(a_holder(), ON))


class TestStart:
    """The latest of award, end of a plan, closing of a drift flag, and the first day of the present parameters."""

    def test_of_a_renewed_award_it_is_the_first_day_of_the_award(self):
        renewed = (
            an_award(starts=AWARDED, until=date(2025, 4, 1)),
            an_award(starts=date(2025, 4, 1), anchor=AWARDED, months=48, kind=AwardKind.RENEWAL),
        )
        assert drift.path_start(replace(a_holder(), awards=renewed), ON) == AWARDED

    def test_of_an_award_after_a_lapse_it_is_the_new_award(self):
        again = (an_award(starts=date(2020, 1, 1), months=12), an_award(starts=AWARDED))
        assert drift.path_start(replace(a_holder(), awards=again), ON) == AWARDED

    def test_the_end_of_a_plan_starts_it_anew_on_its_day(self):
        ended = date(2025, 3, 1)
        plan = a_restriction(RestrictionKind.PLAN, starts=date(2025, 2, 1), until=ended, answer=Answer.IN_ROOM)
        facts = replace(a_holder(), restrictions=(plan,))
        assert drift.path_start(facts, ended - A_DAY) == AWARDED
        assert drift.path_start(facts, ended) == ended
        other = a_restriction(RestrictionKind.SUSPENSION, starts=date(2025, 2, 1), until=ended)
        assert drift.path_start(replace(facts, restrictions=(other,)), ON) == AWARDED

    def test_an_open_plan_does_not(self):
        plan = a_restriction(RestrictionKind.PLAN, starts=date(2025, 2, 1), answer=Answer.IN_ROOM)
        assert drift.path_start(replace(a_holder(), restrictions=(plan,)), ON) == AWARDED

    def test_the_closing_of_a_flag_starts_it_anew_and_takes_the_finding_away(self):
        facts, rows = a_holder(), rows_of(PATH, first=AWARDED)
        closed = replace(facts, drift_restarts=(date(2025, 1, 5), date(2025, 2, 1)))
        assert drift.path_start(closed, ON) == date(2025, 2, 1)
        assert drift.path_start(closed, date(2025, 1, 31)) == date(2025, 1, 5)
        assert found(facts, rows)
        assert found(closed, rows) == []

    def test_new_parameters_start_it_anew(self):
        assert drift.path_start(replace(a_holder(), drift_since=date(2025, 5, 1)), ON) == date(2025, 5, 1)
        assert drift.path_start(replace(a_holder(), drift_since=date(2024, 5, 1)), ON) == AWARDED

    def test_it_is_not_before_the_start_day_and_not_without_one(self):
        assert drift.path_start(replace(a_holder(), start=date(2025, 2, 2)), ON) == date(2025, 2, 2)
        facts = replace(a_holder(), start=None)
        assert drift.path_start(facts, ON) is None
        assert "No start day" in drift.not_assessable(facts, figures_on(facts, [], ON), ON).text

    def test_the_same_parameters_in_a_new_version_compare_equal_and_other_ones_do_not(self):
        first = a_set(drift={"limit": "4.0", "acceptable": "0.20"}).drift
        assert a_set(drift={"limit": "4", "acceptable": "0.2", "reply_days": 30}).drift.parameters == first.parameters
        assert a_set(drift={"limit": "4.5"}).drift.parameters != first.parameters


class TestBasis:
    def test_it_runs_only_where_every_insertion_is_logged(self):
        facts = replace(a_holder(), basis=(BasisFrom(date(2025, 3, 1), Basis.FORTNIGHT),))
        rows = rows_of(PATH, first=AWARDED)
        assert found(facts, rows, date(2025, 2, 28))
        assert found(facts, rows, date(2025, 3, 1)) == []
        silent = drift.not_assessable(facts, figures_on(facts, rows, ON), ON)
        assert silent.rule == "drift"
        assert "Not every insertion" in silent.text

    def test_it_starts_with_the_stretch_in_which_every_insertion_is_logged(self):
        facts = replace(
            a_holder(),
            basis=(
                BasisFrom(date(2020, 1, 1), Basis.TALLY),
                BasisFrom(date(2025, 2, 1), Basis.EVERY_INSERTION),
                BasisFrom(date(2025, 3, 1), Basis.EVERY_INSERTION),
            ),
        )
        assert drift.path_start(facts, ON) == date(2025, 2, 1)

    def test_no_insertion_yet_is_said(self):
        facts = a_holder()
        assert "No insertions" in drift.not_assessable(facts, figures_on(facts, [], ON), ON).text


def test_only_holders_are_judged():
    rows = rows_of("1" * 30, first=AWARDED)
    trainee = replace(a_holder(), awards=(), enrolments=(an_enrolment(),))
    assert found(trainee, rows) == []
    assert drift.not_assessable(trainee, figures_on(trainee, rows, ON), ON) is None
    gone = replace(a_holder(), placements=(replace(trainee.placements[0], span=Span(AWARDED, ON)),))
    assert found(gone, rows) == []
    assert found(gone, rows, ON - A_DAY)
