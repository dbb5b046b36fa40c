"""First-attempt rate: asked on the first of a month, of enough insertions, against Wilson's upper end."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from credentials.rules import first_attempt_rate
from credentials.rules.facts import Basis, BasisFrom
from tests.rules.builders import (
    a_placement,
    a_row,
    a_set,
    an_award,
    an_enrolment,
    entry_terms_met,
    figures_on,
    rows_of,
    some_facts,
)

A_DAY = timedelta(days=1)
LOOK = date(2025, 6, 1)
ON = date(2025, 6, 11)


def a_holder(**parameters):
    return some_facts(
        awards=(an_award(starts=date(2024, 1, 1), months=36),), rules=a_set(first_attempt_rate=parameters)
    )


def record(successes, trials, *, first=date(2025, 1, 10)):
    """So many insertions on consecutive days, failures first."""
    return rows_of("1" * (trials - successes) + "0" * successes, first=first)


def found(facts, rows, on=ON):
    return first_attempt_rate.findings(facts, figures_on(facts, rows, on), on)


def silence(facts, rows, on=ON):
    return first_attempt_rate.not_assessable(facts, figures_on(facts, rows, on), on)


@pytest.mark.parametrize(("trials", "most"), [(20, 12), (30, 19), (50, 34), (100, 72)])
def test_it_fires_up_to_the_number_whose_upper_bound_is_below_80_per_cent(trials, most):
    """Exact cuts of 'Wilson two-sided 95% upper < .80', binomial sums checked with R pbinom (independent)."""
    facts = a_holder()
    assert len(found(facts, record(most, trials))) == 1
    assert found(facts, record(most + 1, trials)) == []
    assert silence(facts, record(most + 1, trials)) is None


def test_ten_insertions_are_judged_where_the_minimum_is_ten():
    """Cut for n = 10: at most 5 (independent, as above)."""
    facts = a_holder(minimum=10)
    assert len(found(facts, record(5, 10))) == 1
    assert found(facts, record(6, 10)) == []


def test_the_finding_says_count_interval_and_target_in_plain_words():
    """8 of 10: Wilson .490162 to .943318 (R epitools, independent); 24 of 30: .626943 to .904949."""
    facts = a_holder(minimum=10, target="0.95")
    (finding,) = found(facts, record(8, 10))
    assert "8 of 10 working first time (80%, and with 95% confidence between 49 and 94%)" in finding.text
    assert "12 months to 1 June 2025" in finding.text
    assert "95%" in finding.threshold
    assert finding.consequence.is_review
    assert (finding.rule, finding.set_name, finding.set_version, finding.key) == (
        "first_attempt_rate", "Ward rules", 3, "",
    )  # fmt: skip
    (finding,) = found(facts, record(24, 30))
    assert finding.figure == "24 of 30 working first time (80%, and with 95% confidence between 63 and 90%)"


def test_one_fewer_than_the_minimum_is_not_assessable_and_never_fires():
    facts = a_holder()
    assert found(facts, record(0, 19)) == []
    assert silence(facts, record(0, 19)).text == "Too few: 19 insertions, asked from 20."
    assert silence(facts, record(0, 20)) is None


def test_it_looks_only_on_the_first_of_the_month():
    facts = a_holder()
    rows = record(10, 20, first=date(2025, 5, 13))
    assert rows[-1].day == LOOK.toordinal()
    assert len(found(facts, rows, LOOK)) == 1
    assert len(found(facts, rows, date(2025, 6, 30))) == 1
    a_day_late = record(10, 20, first=date(2025, 5, 14))
    assert found(facts, a_day_late, date(2025, 6, 30)) == []
    assert len(found(facts, a_day_late, date(2025, 7, 1))) == 1


def test_the_window_holds_the_day_after_the_one_a_year_before_and_no_earlier():
    """Last 12 months: add_months(look, -12) < day <= look."""
    facts = a_holder()
    inside = rows_of("1" * 20, first=date(2024, 6, 2))
    assert len(found(facts, inside)) == 1
    outside = [row._replace(day=row.day - 1, time=row.time - 86400) for row in inside]
    assert silence(facts, outside).text.startswith("Too few: 19")


def test_insertions_from_before_the_award_do_not_count():
    facts = replace(a_holder(), awards=(an_award(starts=date(2025, 3, 1)),))
    rows = record(0, 20, first=date(2025, 2, 10))
    assert silence(facts, rows).text == "Too few: 1 insertion, asked from 20."
    assert len(found(facts, [*rows, *record(0, 19, first=date(2025, 3, 5))])) == 1


def test_it_is_silent_until_the_start_day_plus_its_window():
    rows = record(0, 40)
    facts = replace(a_holder(), start=date(2024, 6, 1))
    assert len(found(facts, rows)) == 1
    too_young = replace(facts, start=date(2024, 6, 2))
    assert found(too_young, rows) == []
    assert "2 June 2025" in silence(too_young, rows).text
    unknown = replace(facts, start=None)
    assert found(unknown, rows) == []
    assert "No start day" in silence(unknown, rows).text


def test_one_row_of_a_partial_sheet_in_the_window_makes_the_rate_not_assessable():
    facts = a_holder()
    partial = a_row(date(2025, 2, 1), partial=1, in_rate=0)
    assert found(facts, [*record(0, 30), partial]) == []
    assert "partial sheet" in silence(facts, [*record(0, 30), partial]).text
    old = a_row(date(2024, 6, 1), partial=1, in_rate=0)
    assert len(found(facts, [*record(0, 30), old])) == 1


@pytest.mark.parametrize("basis", [Basis.FORTNIGHT, Basis.TALLY])
def test_it_is_not_assessable_where_not_every_insertion_is_logged_on_any_day_of_the_window(basis):
    facts = replace(a_holder(), basis=(BasisFrom(date(2020, 1, 1), basis),))
    rows = record(0, 30)
    assert found(facts, rows) == []
    assert "Not every insertion" in silence(facts, rows).text
    mended = replace(facts, basis=(*facts.basis, BasisFrom(date(2024, 6, 2), Basis.EVERY_INSERTION)))
    assert len(found(mended, rows)) == 1
    late = replace(facts, basis=(*facts.basis, BasisFrom(date(2024, 6, 3), Basis.EVERY_INSERTION)))
    assert found(late, rows) == []
    since_today = replace(mended, basis=(*mended.basis, BasisFrom(ON, basis)))
    assert found(since_today, rows) == []


def test_rows_that_are_in_no_rate_are_not_counted():
    facts = a_holder()
    rows = record(0, 20)
    rows[3] = rows[3]._replace(in_rate=0)
    assert silence(facts, rows).text.startswith("Too few: 19")


def test_only_holders_are_judged():
    rows = record(0, 40)
    trainee = replace(a_holder(), awards=(), enrolments=(an_enrolment(),), completions=entry_terms_met())
    expired = replace(a_holder(), awards=(an_award(starts=date(2023, 6, 1), months=24),))
    gone = replace(a_holder(), placements=(a_placement(until=ON),))
    for facts in (trainee, expired, gone):
        assert found(facts, rows) == []
        assert silence(facts, rows) is None
    assert len(found(gone, rows, ON - A_DAY)) == 1


def test_a_rule_that_is_off_neither_fires_nor_says_anything():
    facts = replace(a_holder(), rules=a_set(first_attempt_rate={"on": False}))
    assert found(facts, record(0, 40)) == []
    assert silence(facts, []) is None
    assert found(replace(facts, rules=None), record(0, 40)) == []
