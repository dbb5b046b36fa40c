"""Repeated failure, recency and volume: their boundaries, and absences left out of their clocks."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from audits.figures import RUN_KEPT
from credentials.rules import recency, repeated_failure, volume
from credentials.rules.facts import Basis, BasisFrom, Span
from tests.rules.builders import (
    a_placement,
    a_row,
    a_set,
    an_award,
    an_award_expiring,
    an_enrolment,
    figures_on,
    rows_of,
    some_facts,
    uuid_for,
)

A_DAY = timedelta(days=1)
AWARDED = date(2024, 1, 1)
ON = date(2025, 6, 11)


def a_holder(**rules):
    return some_facts(awards=(an_award(starts=AWARDED, months=36),), rules=a_set(**rules))


def fires(rule, facts, rows, on=ON):
    return rule.findings(facts, figures_on(facts, rows, on), on)


def silence(rule, facts, rows, on=ON):
    return rule.not_assessable(facts, figures_on(facts, rows, on), on)


def test_on_a_day_to_come_nothing_is_found_in_what_nobody_can_have_logged_yet():
    facts = replace(a_holder(recency={"days": 30}, volume={}), logged_through=ON)
    for rule in (recency, volume):
        assert fires(rule, facts, [], ON)
        assert fires(rule, facts, [], ON + A_DAY) == []
        assert "day to come" in silence(rule, facts, [], ON + A_DAY).text
        assert silence(rule, facts, [], ON) is None


class TestRepeatedFailure:
    facts = a_holder(repeated_failure={"failures": 4})
    first = date(2025, 3, 1)

    def test_it_fires_when_the_last_so_many_all_failed(self):
        rows = rows_of("0" * 9 + "1111", first=self.first)
        (finding,) = fires(repeated_failure, self.facts, rows)
        assert finding.figure == "none of the last 4 working first time"
        assert "10 March 2025 to 13 March 2025" in finding.text
        assert finding.evidence == tuple(uuid_for(row) for row in rows[-4:])

    def test_one_fewer_does_not_fire_nor_does_a_run_with_a_success_after_it(self):
        assert fires(repeated_failure, self.facts, rows_of("0111", first=self.first)) == []
        assert fires(repeated_failure, self.facts, rows_of("1111110", first=self.first)) == []
        assert fires(repeated_failure, self.facts, rows_of("11101111", first=self.first))

    def test_failures_in_no_rate_do_not_count_and_do_not_break_the_run(self):
        rows = rows_of("111", first=self.first) + rows_of("10", first=self.first + 5 * A_DAY, in_rate=0)
        assert fires(repeated_failure, self.facts, rows) == []
        assert fires(repeated_failure, self.facts, [*rows, a_row(self.first + 9 * A_DAY, success=0)])

    def test_failures_from_before_the_award_or_the_start_day_do_not_count(self):
        rows = rows_of("1111", first=AWARDED - A_DAY)
        assert fires(repeated_failure, self.facts, rows) == []
        assert fires(repeated_failure, self.facts, [*rows, a_row(AWARDED + 4 * A_DAY, success=0)])
        assert fires(repeated_failure, replace(self.facts, start=AWARDED + A_DAY), [*rows]) == []

    def test_a_long_run_keeps_its_latest_entries_as_evidence(self):
        (finding,) = fires(repeated_failure, self.facts, rows_of("1" * 50, first=self.first))
        assert "None of the last 50" in finding.text
        assert len(finding.evidence) == RUN_KEPT

    def test_only_holders_are_judged(self):
        trainee = replace(self.facts, awards=(), enrolments=(an_enrolment(),))
        assert fires(repeated_failure, trainee, rows_of("1111", first=self.first)) == []


class TestRecency:
    facts = a_holder(recency={"days": 100})

    def test_it_fires_on_the_day_that_completes_the_days_without_an_insertion(self):
        last = date(2025, 1, 1)
        rows = [a_row(last)]
        assert fires(recency, self.facts, rows, last + 99 * A_DAY) == []
        (finding,) = fires(recency, self.facts, rows, last + 100 * A_DAY)
        assert finding.figure == "last insertion 1 January 2025"
        assert (
            finding.text == "No insertion logged since 1 January 2025. The local limit is 100 days, absence left out."
        )
        assert not finding.consequence.is_review

    def test_days_of_absence_are_left_out(self):
        last = date(2025, 1, 1)
        away = replace(self.facts, absences=(Span(last + 10 * A_DAY, last + 40 * A_DAY),))
        assert fires(recency, away, [a_row(last)], last + 129 * A_DAY) == []
        assert fires(recency, away, [a_row(last)], last + 130 * A_DAY)

    def test_overlapping_absences_are_left_out_once(self):
        last = date(2025, 1, 1)
        spans = (Span(last + 10 * A_DAY, last + 30 * A_DAY), Span(last + 20 * A_DAY, last + 40 * A_DAY))
        away = replace(self.facts, absences=spans)
        assert fires(recency, away, [a_row(last)], last + 129 * A_DAY) == []
        assert fires(recency, away, [a_row(last)], last + 130 * A_DAY)

    def test_while_somebody_is_away_without_a_known_end_the_clock_stands_still(self):
        last = date(2025, 1, 1)
        away = replace(self.facts, absences=(Span(last + 99 * A_DAY),))
        assert fires(recency, away, [a_row(last)], last + 99 * A_DAY + 300 * A_DAY) == []
        away = replace(self.facts, absences=(Span(last + 101 * A_DAY),))
        assert fires(recency, away, [a_row(last)], last + 400 * A_DAY)

    def test_without_an_insertion_it_counts_from_the_award_and_not_from_before_the_start_day(self):
        assert fires(recency, self.facts, [], AWARDED + 99 * A_DAY) == []
        (finding,) = fires(recency, self.facts, [], AWARDED + 100 * A_DAY)
        assert finding.figure == "no insertions logged"
        later = replace(self.facts, start=AWARDED + 50 * A_DAY)
        assert fires(recency, later, [], AWARDED + 149 * A_DAY) == []
        assert fires(recency, later, [], AWARDED + 150 * A_DAY)

    def test_an_insertion_that_does_not_count_for_volume_does_not_count_here(self):
        rows = [a_row(ON - 150 * A_DAY), a_row(ON - 20 * A_DAY, volume=0)]
        assert fires(recency, self.facts, rows)

    def test_without_a_start_day_absence_of_data_says_nothing(self):
        facts = replace(self.facts, start=None)
        assert fires(recency, facts, []) == []
        assert "No start day" in silence(recency, facts, []).text

    def test_a_shift_tally_makes_it_not_assessable_and_a_logging_fortnight_does_not(self):
        tally = replace(self.facts, basis=(BasisFrom(date(2025, 1, 1), Basis.TALLY),))
        assert fires(recency, tally, [a_row(date(2024, 12, 1))]) == []
        assert "Not every insertion" in silence(recency, tally, [a_row(date(2024, 12, 1))]).text
        fortnight = replace(self.facts, basis=(BasisFrom(date(2025, 1, 1), Basis.FORTNIGHT),))
        assert fires(recency, fortnight, [a_row(date(2024, 12, 1))])

    def test_only_holders_who_are_here_are_judged(self):
        for facts in (
            replace(self.facts, awards=(), enrolments=(an_enrolment(),)),
            replace(self.facts, awards=(an_award_expiring(ON),)),
            replace(self.facts, placements=(a_placement(until=ON),)),
        ):
            assert fires(recency, facts, []) == []
            assert silence(recency, facts, []) is None


class TestVolume:
    facts = a_holder(volume={"insertions": 3, "days": 100})

    def test_it_is_first_asked_once_so_many_days_have_passed_since_the_award(self):
        assert fires(volume, self.facts, [], AWARDED + 99 * A_DAY) == []
        assert "10 April 2024" in silence(volume, self.facts, [], AWARDED + 99 * A_DAY).text
        (finding,) = fires(volume, self.facts, [], AWARDED + 100 * A_DAY)
        assert finding.figure == "have 0, need 3"
        assert finding.text.startswith("No insertions logged in the last 100 days without absence")

    def test_fewer_than_asked_fires_and_as_many_does_not(self):
        rows = rows_of("000", first=ON - 20 * A_DAY)
        assert fires(volume, self.facts, rows) == []
        (finding,) = fires(volume, self.facts, rows[:2])
        assert finding.text == "2 insertions logged in the last 100 days without absence; at least 3 are asked."

    def test_an_insertion_counts_on_the_last_day_of_the_window_and_no_longer(self):
        rows = rows_of("000", first=ON - 99 * A_DAY)
        assert fires(volume, self.facts, rows, ON) == []
        assert fires(volume, self.facts, rows, ON + A_DAY)

    def test_days_of_absence_widen_the_window(self):
        rows = rows_of("000", first=ON - 129 * A_DAY)
        away = replace(self.facts, absences=(Span(ON - 50 * A_DAY, ON - 20 * A_DAY),))
        assert fires(volume, self.facts, rows)
        assert fires(volume, away, rows, ON) == []
        assert fires(volume, away, rows, ON + A_DAY)

    def test_days_of_absence_put_off_the_first_asking(self):
        away = replace(self.facts, absences=(Span(AWARDED + A_DAY, AWARDED + 31 * A_DAY),))
        assert fires(volume, away, [], AWARDED + 129 * A_DAY) == []
        assert fires(volume, away, [], AWARDED + 130 * A_DAY)
        for_ever = replace(self.facts, absences=(Span(AWARDED + A_DAY),))
        assert fires(volume, for_ever, []) == []
        assert "after 100 days without absence" in silence(volume, for_ever, []).text

    def test_signed_or_not_every_logged_insertion_counts_and_simulation_does_not(self):
        rows = rows_of("011", first=ON - 20 * A_DAY, in_rate=0, partial=1)
        assert fires(volume, self.facts, rows) == []
        assert fires(volume, self.facts, [row._replace(volume=0) for row in rows])

    @pytest.mark.parametrize("basis", [Basis.FORTNIGHT, Basis.TALLY])
    def test_it_is_asked_only_where_every_insertion_of_the_window_is_logged(self, basis):
        facts = replace(
            self.facts, basis=(BasisFrom(AWARDED, basis), BasisFrom(ON - 99 * A_DAY, Basis.EVERY_INSERTION))
        )
        assert fires(volume, facts, [], ON)
        assert fires(volume, facts, [], ON - A_DAY) == []
        assert "Not every insertion" in silence(volume, facts, [], ON - A_DAY).text

    def test_without_a_start_day_it_is_not_asked(self):
        facts = replace(self.facts, start=None)
        assert fires(volume, facts, []) == []
        assert "No start day" in silence(volume, facts, []).text
