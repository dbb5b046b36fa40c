"""Progress on terms: have, need, what counts and why the rest does not."""

from dataclasses import replace
from datetime import date, timedelta

from audits.figures import Credit
from credentials.rules.facts import Observation
from credentials.rules.progress import is_met, missing
from credentials.rules.terms import Terms
from tests.rules.builders import (
    ON,
    a_completion,
    a_row,
    an_award_expiring,
    an_enrolment,
    entry_terms_met,
    rows_of,
    signed_rows,
    some_facts,
    standing_on,
)

A_DAY = timedelta(days=1)
FIRST = date(2025, 1, 1)


def a_trainee(**terms):
    return some_facts(enrolments=(an_enrolment(starts=FIRST, terms=Terms(**terms)),), completions=entry_terms_met())


def line(facts, rows, label):
    return next(line for line in standing_on(facts, rows=rows).award if line.label == label)


def counted(facts, rows):
    found = line(facts, rows, "Supervised insertions")
    return found.have, found.note


def test_attempts_count_failures_included():
    assert counted(a_trainee(), signed_rows(3, first=FIRST, success=0)) == (3, "")


def test_unsigned_and_emergency_entries_do_not_count():
    assert counted(a_trainee(), rows_of("000", first=FIRST)) == (0, "")


def test_nearby_counts_only_if_the_programme_says():
    rows = rows_of("00", first=FIRST, credit=Credit.IN_ROOM, supervisor=8)
    rows += [a_row(FIRST, credit=Credit.NEARBY, supervisor=9) for _ in range(3)]
    assert counted(a_trainee(), rows) == (2, "3 countersigned 'nearby' not counted")
    assert line(a_trainee(), rows, "Different supervisors").have == 1
    assert counted(a_trainee(nearby_counts=True), rows) == (5, "")
    assert line(a_trainee(nearby_counts=True), rows, "Different supervisors").have == 2


def test_other_evidence_and_paper_count_up_to_their_caps():
    rows = [a_row(FIRST, credit=Credit.OTHER_EVIDENCE) for _ in range(3)]
    rows += [a_row(FIRST, credit=Credit.PAPER, in_rate=0, volume=0) for _ in range(6)]
    have, note = counted(a_trainee(other_evidence_cap=2, paper_cap=5), rows)
    assert have == 7
    assert note == "3 accepted on other evidence, at most 2 counted; 6 from paper, at most 5 counted"
    assert counted(a_trainee(other_evidence_cap=3, paper_cap=6), rows) == (9, "")
    assert counted(a_trainee(other_evidence_cap=0, paper_cap=0), rows)[0] == 0
    assert line(a_trainee(), rows, "Different supervisors").have == 0


def test_entries_in_question_count_and_are_named():
    rows = signed_rows(4, first=FIRST)
    rows[0] = rows[0]._replace(in_question=1)
    assert counted(a_trainee(), rows) == (4, "1 in question, counted until an educator decides")


def test_days_and_supervisors_are_counted_once_each():
    rows = [a_row(FIRST, credit=Credit.IN_ROOM, supervisor=5) for _ in range(4)]
    assert line(a_trainee(), rows, "Different days").have == 1
    assert line(a_trainee(), rows, "Different supervisors").have == 1
    rows += [a_row(FIRST + A_DAY, credit=Credit.IN_ROOM, supervisor=6)]
    assert line(a_trainee(), rows, "Different days").have == 2
    assert line(a_trainee(), rows, "Different supervisors").have == 2


def test_a_floor_on_successes_counts_only_what_worked_first_time():
    rows = rows_of("00111", first=FIRST, credit=Credit.IN_ROOM, supervisor=5)
    facts = a_trainee(insertions=5, successes=3)
    assert line(facts, rows, "Of these working first time")[:3] == ("Of these working first time", 2, 3)
    assert "Of these working first time" not in [line.label for line in standing_on(a_trainee(), rows=rows).award]


def test_credit_counts_from_the_first_day_of_learning_on():
    rows = signed_rows(2, first=FIRST - A_DAY)
    assert counted(a_trainee(), rows) == (1, "")


def test_a_move_to_another_version_without_a_gap_keeps_what_was_done():
    old = an_enrolment(starts=FIRST, until=FIRST + 30 * A_DAY)
    moved = an_enrolment(starts=FIRST + 30 * A_DAY, terms=Terms(insertions=20))
    facts = replace(a_trainee(), enrolments=(old, moved))
    rows = signed_rows(5, first=FIRST + 10 * A_DAY)
    assert line(facts, rows, "Supervised insertions")[:3] == ("Supervised insertions", 5, 20)
    apart = replace(facts, enrolments=(old, replace(moved, span=replace(moved.span, starts=FIRST + 31 * A_DAY))))
    assert line(apart, rows, "Supervised insertions").have == 0


def test_simulation_counts_for_simulation_terms_logged_or_completed_and_for_nothing_else():
    facts = replace(a_trainee(entry_simulation=3), completions=(a_completion("simulation", FIRST),))
    rows = [a_row(FIRST, credit=Credit.SIMULATION, in_rate=0, volume=0, supervisor=5) for _ in range(2)]
    standing = standing_on(facts, rows=rows)
    assert [tuple(line[:3]) for line in standing.entry] == [
        ("Knowledge tests", 0, 1), ("Simulation sessions before the first patient", 3, 3),
    ]  # fmt: skip
    assert counted(facts, rows) == (0, "")
    assert line(facts, rows, "Different days").have == 0


def test_observations_that_were_met_since_learning_began_count():
    seen = [
        Observation(uuid="1", day=FIRST, assessor=1),
        Observation(uuid="2", day=FIRST, assessor=1, verdict="not_yet"),
        Observation(uuid="3", day=FIRST - A_DAY, assessor=1),
        Observation(uuid="4", day=ON + A_DAY, assessor=2),
    ]
    facts = replace(a_trainee(observations=2), observations=tuple(seen))
    assert line(facts, [], "Observations for a decision")[:3] == ("Observations for a decision", 1, 2)


def test_terms_that_ask_for_nothing_leave_their_lines_out():
    facts = a_trainee(entry_knowledge=0, entry_simulation=0, supervisors=0, days=0)
    standing = standing_on(facts)
    assert standing.entry == ()
    assert [line.label for line in standing.award] == ["Supervised insertions"]


def test_a_holder_sees_what_renewal_asks_signed_or_not():
    facts = some_facts(
        awards=(an_award_expiring(ON + 30 * A_DAY, terms=Terms(renewal_insertions=4, renewal_months=6)),)
    )
    rows = rows_of("011", first=ON - 3 * A_DAY) + rows_of("0", first=date(2024, 12, 11))
    (line,) = standing_on(facts, rows=rows).renewal
    assert line[:3] == ("Insertions logged in the last 6 months", 3, 4)
    assert standing_on(facts, ON - A_DAY, rows).renewal[0].have == 4  # the one of 11 December is still in
    in_grace = some_facts(awards=(an_award_expiring(ON),))
    assert standing_on(in_grace, rows=rows).renewal[0].have == 4
    assert standing_on(a_trainee()).renewal == ()


def test_what_is_missing_is_said_as_have_and_need():
    standing = standing_on(a_trainee(), rows=signed_rows(4, first=FIRST))
    assert not is_met(standing.award)
    assert missing(standing.award) == "Supervised insertions: have 4, need 10"
    assert missing(standing.entry) == ""
    assert is_met(standing.entry)
