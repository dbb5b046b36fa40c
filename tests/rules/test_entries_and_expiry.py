"""Attempts limit, serious event and expiry: all are judged by the first two, nobody is flagged by the third."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from audits.figures import Safety, event_bits, fold
from credentials.rules import attempts_limit, expiry, serious_event
from credentials.rules.asking import ask_for
from credentials.rules.facts import RestrictionKind
from credentials.rules.standing import judge
from tests.rules.builders import (
    ON,
    a_placement,
    a_restriction,
    a_row,
    a_set,
    an_award_expiring,
    an_enrolment,
    figures_on,
    some_facts,
    standing_on,
    uuid_for,
)

A_DAY = timedelta(days=1)
TRAINEE = some_facts(enrolments=(an_enrolment(),), rules=a_set(attempts_limit={}, serious_event={}))


def found(rule, rows, on=ON, facts=TRAINEE):
    return rule.findings(facts, figures_on(facts, rows, on), on)


@pytest.mark.parametrize(
    ("punctures", "total", "fires"),
    [(1, 1, False), (2, 2, False), (3, 3, True), (2, 4, False), (1, 5, True), (2, 5, True), (0, 9, False)],
)
def test_more_than_two_by_one_clinician_or_four_in_one_occasion(punctures, total, fires):
    """2 for each: Infusion Nurses Society 2021 by trade summary; 4 in all: 2016, from memory. Both are local."""
    row = a_row(ON - A_DAY, punctures=punctures, total=total)
    assert bool(found(attempts_limit, [row])) is fires


def test_each_entry_over_the_limit_is_a_finding_of_its_own_keyed_by_its_uuid():
    rows = [a_row(ON - 3 * A_DAY, punctures=3, total=3), a_row(ON - A_DAY), a_row(ON, punctures=1, total=6)]
    first, second = found(attempts_limit, rows)
    assert (first.key, first.evidence) == (uuid_for(rows[0]), (uuid_for(rows[0]),))
    assert second.key == uuid_for(rows[2])
    assert first.figure == "3 punctures by this clinician, 3 in the occasion"
    assert "On 11 June 2025: 1 puncture by this clinician, 6 in the occasion" in second.text
    assert first.consequence.is_review


def test_a_finding_stands_from_its_day_for_twelve_months():
    row = a_row(date(2024, 2, 29), punctures=3, total=3, events=1)
    for rule in (attempts_limit, serious_event):
        assert found(rule, [row], date(2024, 2, 28)) == []
        assert found(rule, [row], date(2024, 2, 29))
        assert found(rule, [row], date(2025, 2, 27))
        # 28 February 2025 reaches back to 28 February 2024, the day before: it still holds the 29th.
        assert found(rule, [row], date(2025, 2, 28))
        assert found(rule, [row], date(2025, 3, 1)) == []


def test_the_months_are_local():
    facts = replace(TRAINEE, rules=a_set(attempts_limit={"months": 1}, serious_event={"months": 2}))
    row = a_row(date(2025, 5, 11), punctures=3, total=3, events=1)
    assert found(attempts_limit, [row], date(2025, 6, 10), facts)
    assert found(attempts_limit, [row], date(2025, 6, 11), facts) == []
    assert found(serious_event, [row], date(2025, 7, 10), facts)
    assert found(serious_event, [row], date(2025, 7, 11), facts) == []


def test_only_the_kinds_that_are_listed_locally_are_findings():
    facts = replace(TRAINEE, rules=a_set(serious_event={"kinds": ["needlestick", "nerve_symptoms"]}))
    rows = [
        a_row(ON, events=event_bits(["arterial_puncture"])),
        a_row(ON, events=event_bits(["arterial_puncture", "nerve_symptoms", "needlestick"])),
    ]
    (finding,) = found(serious_event, rows, facts=facts)
    assert finding.figure == "nerve symptoms, needlestick"
    assert finding.key == uuid_for(rows[1])


def test_where_it_is_disputed_who_inserted_the_finding_stays_and_says_so():
    row = a_row(ON, punctures=3, total=3, events=1, safety=Safety.WHO_DISPUTED, in_rate=0, volume=0)
    for rule in (attempts_limit, serious_event):
        (finding,) = found(rule, [row])
        assert finding.text.endswith("Who inserted is disputed.")
        (agreed,) = found(rule, [row._replace(safety=Safety.YES)])
        assert "disputed" not in agreed.text


def test_an_entry_that_does_not_count_for_safety_is_no_finding():
    row = a_row(ON, punctures=3, total=3, events=1, safety=Safety.NO)
    assert found(attempts_limit, [row]) == found(serious_event, [row]) == []


def test_a_partial_row_is_a_finding_like_any_other():
    row = a_row(ON, punctures=3, total=3, events=1, partial=1, in_rate=0)
    assert len(found(attempts_limit, [row])) == len(found(serious_event, [row])) == 1


def test_everybody_is_judged_even_somebody_who_is_not_enrolled():
    nobody = some_facts(rules=TRAINEE.rules)
    rows = [a_row(ON, punctures=3, total=3, events=1)]
    rules = [finding.rule for finding in standing_on(nobody, rows=rows).findings]
    assert rules == ["attempts_limit", "serious_event"]


def test_entries_without_their_uuid_are_refused_rather_than_mixed_up():
    rows = [a_row(ON, punctures=3, total=3)]
    with pytest.raises(ValueError, match="with_uuids"):
        judge(TRAINEE, fold(1, 1, rows, ask_for(TRAINEE, ON)), ON)


class TestExpiry:
    rules = a_set(expiry={})
    expires = date(2025, 7, 1)

    def notes(self, on, facts=None):
        facts = facts or some_facts(awards=(an_award_expiring(self.expires),), rules=self.rules)
        return found(expiry, [], on, facts)

    def test_it_is_a_note_in_notice_in_grace_and_after_the_lapse(self):
        assert self.notes(self.expires - 91 * A_DAY) == []
        (due,) = self.notes(self.expires - 90 * A_DAY)
        assert due.text == "The award runs through 30 June 2025; renewal is open."
        (grace,) = self.notes(self.expires)
        assert grace.text == "The award expired; days of grace run through 30 July 2025."
        (lapsed,) = self.notes(self.expires + 30 * A_DAY)
        assert lapsed.text == "The award has lapsed; it takes a new award, not a renewal."
        for note in (due, grace, lapsed):
            assert not note.consequence.is_review
            assert note.figure == "expires on 1 July 2025"

    def test_it_says_nothing_of_trainees_of_leavers_or_after_a_withdrawal(self):
        award = an_award_expiring(self.expires)
        trainee = some_facts(enrolments=(an_enrolment(),), rules=self.rules)
        gone = some_facts(awards=(award,), placements=(a_placement(until=ON),), rules=self.rules)
        withdrawal = a_restriction(RestrictionKind.WITHDRAWAL, starts=ON)
        withdrawn = some_facts(awards=(award,), restrictions=(withdrawal,), rules=self.rules)
        for facts in (trainee, gone, withdrawn):
            assert self.notes(ON, facts) == []
            assert self.notes(ON + 100 * A_DAY, facts) == []

    def test_it_can_be_off(self):
        facts = some_facts(awards=(an_award_expiring(self.expires),), rules=a_set(expiry={"on": False}))
        assert self.notes(self.expires, facts) == []
