"""Repeated failure, recency and volume: their boundaries, and absences left out of their clocks."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from audits.figures import RUN_KEPT
from credentials.rules import recency, repeated_failure, volume
from credentials.rules.facts import Basis, BasisFrom, Span, Tallied
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

    @pytest.mark.parametrize("basis", [Basis.FORTNIGHT, Basis.TALLY])
    def test_where_insertions_may_be_missing_between_or_after_them_failures_are_no_run(self, basis):
        rows = rows_of("1111", first=self.first)
        kept = replace(self.facts, basis=(BasisFrom(AWARDED, basis), BasisFrom(self.first, Basis.EVERY_INSERTION)))
        assert fires(repeated_failure, kept, rows)
        later = replace(kept, basis=(kept.basis[0], BasisFrom(self.first + A_DAY, Basis.EVERY_INSERTION)))
        assert fires(repeated_failure, later, rows) == []
        assert "Not every insertion" in silence(repeated_failure, later, rows).text
        more = [*rows, a_row(self.first + 4 * A_DAY, success=0)]
        assert fires(repeated_failure, later, more)
        after = replace(self.facts, basis=(BasisFrom(ON, basis),))
        assert fires(repeated_failure, after, rows) == []
        assert fires(repeated_failure, after, rows, ON - A_DAY)

    def test_no_run_is_not_said_to_be_well_where_insertions_are_not_logged(self):
        facts = replace(self.facts, basis=(BasisFrom(ON, Basis.TALLY),))
        assert "Not every insertion" in silence(repeated_failure, facts, []).text
        assert silence(repeated_failure, facts, [], ON - A_DAY) is None
        assert silence(repeated_failure, replace(facts, awards=()), []) is None


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

    @pytest.mark.parametrize("basis", [Basis.FORTNIGHT, Basis.TALLY])
    def test_every_logging_basis_holds_days_of_insertions(self, basis):
        facts = replace(self.facts, basis=(BasisFrom(date(2025, 1, 1), basis),))
        assert fires(recency, facts, [a_row(date(2024, 12, 1))])

    @pytest.mark.parametrize("by_entry", [date(2024, 12, 1), date(2025, 2, 1)])
    def test_the_last_day_is_that_of_an_entry_or_of_a_tally_whichever_is_later(self, by_entry):
        last = date(2025, 1, 1)
        tallied = replace(self.facts, tallies=(Tallied(last - A_DAY, 2), Tallied(last, 1)))
        counts = max(last, by_entry)
        assert fires(recency, tallied, [a_row(by_entry)], counts + 99 * A_DAY) == []
        (finding,) = fires(recency, tallied, [a_row(by_entry)], counts + 100 * A_DAY)
        assert finding.figure == f"last insertion {counts.day} {counts:%B %Y}"

    def test_a_tally_of_a_later_day_says_nothing_yet(self):
        tallied = replace(self.facts, tallies=(Tallied(ON + A_DAY, 2),))
        assert fires(recency, tallied, [])

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

    @pytest.mark.parametrize(("first", "have"), [(ON - 100 * A_DAY, 0), (ON - 99 * A_DAY, 2), (ON, 2), (ON + A_DAY, 0)])
    def test_tallied_insertions_count_on_the_first_and_last_day_of_the_window_and_no_other(self, first, have):
        tallied = replace(self.facts, tallies=(Tallied(first, 2),))
        (finding,) = fires(volume, tallied, [])
        assert finding.figure == f"have {have}, need 3"

    def test_entries_and_tallies_are_counted_together(self):
        tallied = replace(self.facts, tallies=(Tallied(ON - A_DAY, 1), Tallied(ON - A_DAY, 1)))
        assert fires(volume, tallied, []) != []
        assert fires(volume, tallied, [a_row(ON - A_DAY)]) == []

    def test_a_ward_of_tallies_holds_all_of_volume(self):
        facts = replace(self.facts, basis=(BasisFrom(AWARDED, Basis.TALLY),))
        assert silence(volume, facts, []) is None
        assert fires(volume, facts, [])
        assert fires(volume, replace(facts, tallies=(Tallied(ON, 3),)), []) == []

    def test_a_logging_fortnight_can_show_enough_and_never_too_few(self):
        facts = replace(
            self.facts, basis=(BasisFrom(AWARDED, Basis.FORTNIGHT), BasisFrom(ON - 99 * A_DAY, Basis.EVERY_INSERTION))
        )
        enough = rows_of("000", first=ON - 10 * A_DAY)
        assert silence(volume, facts, enough, ON - A_DAY) is None
        assert fires(volume, facts, [], ON)
        assert fires(volume, facts, [], ON - A_DAY) == []
        assert "Not every insertion" in silence(volume, facts, [], ON - A_DAY).text

    def test_without_a_start_day_it_is_not_asked(self):
        facts = replace(self.facts, start=None)
        assert fires(volume, facts, []) == []
        assert "No start day" in silence(volume, facts, []).text
