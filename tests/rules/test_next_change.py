"""The next change is never late: whatever the facts and rows, nothing in the body moves before that day."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from audits.checklist import Setting
from audits.figures import Credit, Row
from credentials.rules import ruleset
from credentials.rules.answers import Answer
from credentials.rules.body import from_body, to_body
from credentials.rules.facts import (
    Appointment,
    Award,
    AwardKind,
    Basis,
    BasisFrom,
    Completion,
    Enrolment,
    Facts,
    Observation,
    Placement,
    Restriction,
    RestrictionKind,
    Scope,
    Span,
    Tallied,
)
from credentials.rules.next_change import next_change_on
from credentials.rules.standing import judge
from credentials.rules.terms import Terms
from ledger.canonical import canonical
from tests.rules.builders import (
    EVERY_RULE,
    LINES,
    LONG_AGO,
    ON,
    a_completion,
    a_placement,
    a_restriction,
    a_row,
    a_scope,
    a_set,
    an_award,
    an_award_expiring,
    an_enrolment,
    figures_on,
    rows_of,
    some_facts,
    standing_on,
)

A_DAY = timedelta(days=1)
WALK = 90  # days walked from each change at most

units = st.sampled_from(sorted(LINES))
answers = st.sampled_from(list(Answer))
VERDICTS = ("met", "partly", "not_yet")
COMPLETED = ("knowledge", "theory", "simulation", "policy", "return")
tally_counts = st.sampled_from((0, 0, 4))
days = st.integers(min_value=-400, max_value=250).map(lambda n: ON + n * A_DAY)
lengths = st.none() | st.integers(min_value=0, max_value=300)


@st.composite
def spans(draw: st.DrawFn) -> Span:
    starts, length = draw(days), draw(lengths)
    return Span(starts, None if length is None else starts + length * A_DAY)


@st.composite
def some_terms(draw: st.DrawFn) -> Terms:
    """Small numbers, so that within a walk much begins and ends."""
    months = draw(st.integers(1, 14))
    return Terms(
        entry_knowledge=draw(st.integers(0, 1)),
        entry_simulation=draw(st.integers(0, 1)),
        entry_theory=draw(st.integers(0, 1)),
        entry_policy=draw(st.integers(0, 1)),
        insertions=draw(st.integers(1, 4)),
        supervisors=draw(st.integers(0, 1)),
        days=1,
        months=months,
        provisional_months=draw(st.integers(0, months)),
        provisional_gives=draw(answers),
        notice_days=draw(st.integers(0, 60)),
        grace_days=draw(st.integers(0, 40)),
        grace_gives=draw(answers),
        lapsed_gives=draw(st.sampled_from([Answer.NO, Answer.IN_ROOM, Answer.NEARBY])),
        renewal_months=draw(st.integers(1, 4)),
        supervising_after_days=draw(st.integers(0, 100)),
        long_absence_days=draw(st.integers(5, 40)),
        return_insertions=draw(st.integers(0, 2)),
        return_gives=draw(st.sampled_from([Answer.IN_ROOM, Answer.NEARBY])),
        observations=draw(st.integers(0, 2)),
        renewal_observations=draw(st.integers(0, 2)),
    )


@st.composite
def rule_sets(draw: st.DrawFn) -> ruleset.RuleSet:
    return a_set(
        first_attempt_rate={"minimum": 5, "months": draw(st.integers(1, 4)), "target": "0.80"},
        drift={"limit": draw(st.sampled_from(["0.5", "1.5"]))},
        repeated_failure={"failures": 2},
        recency={"days": draw(st.integers(7, 90))},
        volume={"insertions": draw(st.integers(1, 6)), "days": draw(st.integers(28, 120))},
        attempts_limit={"months": draw(st.integers(1, 4))},
        serious_event={"months": draw(st.integers(1, 4))},
        critical_step={"months": draw(st.integers(1, 4))},
        observation_overdue={"learning_days": draw(st.integers(0, 60)), "holding_days": draw(st.integers(0, 90))},
        expiry={},
    )


@st.composite
def facts(draw: st.DrawFn) -> Facts:
    def several(build, most):
        return tuple(build(place) for place in range(draw(st.integers(0, most))))

    def plan_or_stop(place: int) -> Restriction:
        kind = draw(st.sampled_from(list(RestrictionKind)))
        return Restriction(
            uuid=f"r{place}", kind=kind, span=draw(spans()), answer=draw(answers), due_on=draw(st.none() | days),
            insertions=draw(st.integers(0, 3)),
        )  # fmt: skip

    def award(place: int) -> Award:
        span = draw(spans())
        return Award(
            uuid=f"a{place}", kind=AwardKind.AWARD, unit=draw(units), span=span, terms=draw(some_terms()),
            anchor=draw(st.sampled_from([span.starts, span.starts - 40 * A_DAY])), months=draw(st.integers(1, 20)),
            first=draw(st.booleans()),
        )  # fmt: skip

    bases = st.sampled_from(list(Basis))
    homes = Placement(
        span=Span(LONG_AGO, draw(st.none() | days)), unit=draw(units), kind="employed", home=True,
        ceiling=draw(st.none() | answers),
    )  # fmt: skip
    return Facts(
        home=homes.unit,
        lines=LINES,
        placements=(
            homes,
            *several(
                lambda _: Placement(
                    span=draw(spans()), unit=draw(units), kind="student", home=draw(st.booleans()),
                    ceiling=draw(st.none() | answers),
                ),
                2,
            ),
        ),
        appointments=several(lambda _: Appointment(span=draw(spans()), unit=1, role="educator"), 1),
        awards=several(award, 3),
        scopes=several(lambda place: Scope(uuid=f"s{place}", unit=draw(units), span=draw(spans())), 1),
        restrictions=several(plan_or_stop, 2),
        enrolments=several(
            lambda place: Enrolment(uuid=f"e{place}", span=draw(spans()), terms=draw(some_terms())), 2
        ),
        absences=several(lambda _: draw(spans()), 3),
        completions=several(
            lambda place: Completion(
                uuid=f"c{place}", kind=draw(st.sampled_from(COMPLETED)), day=draw(days),
                valid_until=draw(st.none() | days),
            ),
            3,
        ),
        observations=several(
            lambda place: Observation(
                uuid=f"o{place}", day=draw(days), assessor=1, for_decision=draw(st.sampled_from([True, True, False])),
                setting=draw(st.sampled_from([Setting.PATIENT, *Setting])), verdict=draw(st.sampled_from(VERDICTS)),
                missed=draw(st.sampled_from([(), ("Cleans hands",)])), disputed=draw(st.booleans()),
            ),
            3,
        ),
        basis=tuple(
            BasisFrom(starts, draw(bases)) for starts in sorted(draw(st.lists(days, max_size=2, unique=True)))
        ),
        tallies=tuple(
            Tallied(day, draw(st.integers(1, 4))) for day in sorted(draw(st.lists(days, max_size=draw(tally_counts))))
        ),
        start=draw(st.none() | days | st.just(LONG_AGO)),
        rules=draw(st.none() | rule_sets()),
        drift_since=draw(st.none() | days),
        drift_restarts=tuple(draw(st.lists(days, max_size=1))),
    )  # fmt: skip


@st.composite
def row_lists(draw: st.DrawFn) -> list[Row]:
    """Mostly before the day, now and then after it: a past day is judged with what came later left out."""
    return [
        a_row(
            draw(days),
            success=draw(st.integers(0, 1)),
            punctures=draw(st.integers(1, 3)),
            events=draw(st.integers(0, 1)),
            safety=draw(st.sampled_from([1, 1, 2])),
            credit=draw(st.sampled_from([Credit.NONE, Credit.IN_ROOM, Credit.NEARBY, Credit.SIMULATION])),
            supervisor=draw(st.integers(0, 2)),
            in_rate=draw(st.integers(0, 1)),
            partial=draw(st.sampled_from([0, 0, 0, 1])),
        )
        for _ in range(draw(st.integers(0, 25)))
    ]


def facts_on(given: Facts, day: date) -> Facts:
    """As whoever reads them for another day would: the home unit is that of the day, else the last before it."""
    homes = sorted((one for one in given.placements if one.home), key=lambda one: one.span.starts)
    return replace(given, home=[one for one in homes if one.span.starts <= day][-1].unit)


def body_on(given: Facts, rows: list[Row], day: date) -> dict[str, object]:
    known = facts_on(given, day)
    return to_body(judge(known, figures_on(known, rows, day), day), on=day)


def next_on(given: Facts, rows: list[Row], day: date) -> date | None:
    known = facts_on(given, day)
    return next_change_on(known, figures_on(known, rows, day), day)


@settings(max_examples=250, deadline=None, suppress_health_check=list(HealthCheck))
@given(facts(), row_lists(), st.integers(min_value=-30, max_value=30).map(lambda n: ON + n * A_DAY))
def test_walking_every_day_to_the_next_change_finds_no_change_before_it(given_facts, rows, day):
    for _ in range(4):
        body, change = body_on(given_facts, rows, day), next_on(given_facts, rows, day)
        assert change is None or change > day
        last = day + WALK * A_DAY if change is None else min(change - A_DAY, day + WALK * A_DAY)
        walked = day + A_DAY
        while walked <= last:
            assert body_on(given_facts, rows, walked) == body, f"changed on {walked}, but next was to be {change}"
            walked += A_DAY
        if change is None:
            return
        day = change


@settings(max_examples=100, deadline=None, suppress_health_check=list(HealthCheck))
@given(facts(), row_lists())
def test_a_body_is_canonical_and_reads_back_as_the_standing_it_was_made_from(given_facts, rows):
    known = facts_on(given_facts, ON)
    standing = judge(known, figures_on(known, rows, ON), ON)
    body = to_body(standing, on=ON)
    assert from_body(body) == standing
    assert canonical(to_body(from_body(body), on=ON)) == canonical(body)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(facts(), row_lists(), st.randoms(use_true_random=False))
def test_the_order_in_which_facts_are_read_changes_nothing(given_facts, rows, random):
    def shuffled(things):
        return tuple(random.sample(things, len(things)))

    names = (
        "awards",
        "restrictions",
        "enrolments",
        "absences",
        "completions",
        "observations",
        "appointments",
        "scopes",
    )
    other = replace(given_facts, **{name: shuffled(getattr(given_facts, name)) for name in names})
    assert canonical(body_on(other, rows, ON)) == canonical(body_on(given_facts, rows, ON))


def next_of(known: Facts, rows: list[Row] | None = None, on: date = ON) -> date | None:
    return next_change_on(known, figures_on(known, rows or [], on), on)


def test_without_anything_to_come_there_is_no_next_change():
    assert next_of(some_facts()) is None


AWARD = an_award_expiring(date(2027, 1, 1), months=60, terms=Terms(notice_days=0, grace_days=0, months=60))
DAY = ON + 40 * A_DAY


@pytest.mark.parametrize(
    "changed",
    [
        {"placements": (a_placement(), a_placement(home=False, starts=DAY))},
        {"appointments": (Appointment(span=Span(LONG_AGO, DAY), unit=1, role="manager"),)},
        {"awards": (an_award(starts=DAY),)},
        {"scopes": (a_scope(until=DAY),)},
        {"restrictions": (a_restriction(RestrictionKind.SUSPENSION, starts=LONG_AGO, until=DAY),)},
        {"restrictions": (a_restriction(RestrictionKind.PLAN, starts=LONG_AGO, due_on=DAY - A_DAY),)},
        {"enrolments": (an_enrolment(starts=DAY),)},
        {"absences": (Span(DAY),)},
        {"completions": (a_completion("knowledge", LONG_AGO, DAY),)},
        {"observations": (Observation(uuid="o", day=DAY, assessor=1),)},
        {"basis": (BasisFrom(DAY, Basis.TALLY),)},
        {"tallies": (Tallied(DAY, 1),)},
        {"start": DAY},
        {"drift_since": DAY},
        {"dispute_days": (DAY + 5 * A_DAY, DAY, ON)},
        {"later_changes": (DAY, DAY + A_DAY)},
    ],
)  # fmt: skip
def test_each_dated_fact_is_a_source(changed):
    assert next_of(some_facts(**changed)) == DAY


@pytest.mark.parametrize(
    ("terms", "day"),
    [
        ({"notice_days": 100}, date(2026, 9, 23)),
        ({}, date(2027, 1, 1)),
        ({"provisional_months": 57}, date(2026, 10, 1)),
        ({"supervising_after_days": 1400}, date(2025, 11, 1)),
    ],
)
def test_the_calendar_of_an_award_is_a_source(terms, day):
    award = replace(AWARD, first=True, terms=Terms(**{"notice_days": 0, "months": 60, "provisional_months": 0} | terms))
    assert next_of(some_facts(awards=(award,))) == day


def test_grace_is_a_source():
    award = replace(AWARD, terms=Terms(grace_days=12, notice_days=0))
    assert next_of(some_facts(awards=(award,)), on=date(2027, 1, 1)) == date(2027, 1, 13)


UNRATED = {"volume": 0, "in_rate": 0}


@pytest.mark.parametrize(
    ("rules", "rows", "day"),
    [
        ({"first_attempt_rate": {}}, [], date(2025, 7, 1)),
        ({"recency": {"days": 50}}, rows_of("0", first=ON - 20 * A_DAY), ON + 30 * A_DAY),
        ({"attempts_limit": {"months": 2}}, [a_row(date(2025, 5, 20), punctures=3, **UNRATED)], date(2025, 7, 20)),
        ({"serious_event": {"months": 2}}, [a_row(date(2025, 5, 21), events=1, **UNRATED)], date(2025, 7, 21)),
        ({}, [a_row(date(2024, 9, 11), volume=0)], date(2025, 9, 11)),  # leaves the twelve months shown
    ],
)  # fmt: skip
def test_the_days_of_the_rules_are_sources(rules, rows, day):
    assert next_of(some_facts(awards=(AWARD,), rules=a_set(**rules)), rows) == day


SEEN = Observation(uuid="o", day=date(2025, 5, 20), assessor=1, verdict="not_yet", missed=("Cleans hands",))


@pytest.mark.parametrize(
    ("rules", "changed", "day"),
    [
        ({"critical_step": {"months": 2}}, {"observations": (SEEN,)}, date(2025, 7, 20)),
        ({"observation_overdue": {"holding_days": 50}}, {"observations": (SEEN,)}, date(2025, 7, 9)),
        (
            {"observation_overdue": {"holding_days": 50}},
            {"observations": (SEEN,), "absences": (Span(date(2025, 5, 30), date(2025, 6, 4)),)},
            date(2025, 7, 14),
        ),
        ({"observation_overdue": {"holding_days": 50}}, {"observations": (SEEN,), "start": date(2025, 6, 1)},
         date(2025, 7, 21)),
    ],
)  # fmt: skip
def test_the_days_of_the_rules_on_observations_are_sources(rules, changed, day):
    assert next_of(some_facts(awards=(AWARD,), rules=a_set(**rules), **changed)) == day


def test_an_observation_leaves_the_months_of_renewal_on_a_day_that_is_named():
    award = replace(AWARD, terms=replace(AWARD.terms, renewal_months=2, renewal_observations=1))
    met = replace(SEEN, verdict="met", missed=())
    known = some_facts(awards=(award,), observations=(met,))
    assert next_of(known) == date(2025, 7, 20)
    had = [standing_on(known, day).renewal[-1].have for day in (date(2025, 7, 19), date(2025, 7, 20))]
    assert had == [1, 0]


def test_volume_is_first_asked_on_a_day_and_its_oldest_entry_leaves_on_another():
    young = some_facts(awards=(an_award(starts=ON - 10 * A_DAY),), rules=a_set(volume={"days": 60}))
    assert next_of(young) == ON + 50 * A_DAY
    old = some_facts(awards=(AWARD,), rules=a_set(volume={"days": 60}))
    rows = rows_of("0", first=ON - 20 * A_DAY)
    assert next_of(old, rows) == ON + 40 * A_DAY
    away = replace(old, absences=(Span(ON - 10 * A_DAY, ON),))
    assert next_of(away, rows) == ON + 50 * A_DAY


def test_a_tally_leaves_the_window_of_volume_and_the_months_of_renewal_on_days_that_are_named():
    known = some_facts(
        awards=(AWARD,), rules=a_set(volume={"days": 60, "insertions": 2}), tallies=(Tallied(ON - 20 * A_DAY, 2),)
    )
    day = next_of(known)
    assert day == ON + 40 * A_DAY
    found = [body_on(known, [], each)["findings"] for each in (day - A_DAY, day)]
    assert [len(each) for each in found] == [0, 1]
    award = replace(AWARD, terms=replace(AWARD.terms, renewal_months=2, renewal_insertions=1))
    renewing = some_facts(awards=(award,), tallies=(Tallied(date(2025, 5, 20), 2),))
    assert next_of(renewing) == date(2025, 7, 20)
    had = [standing_on(renewing, each).renewal[0].have for each in (date(2025, 7, 19), date(2025, 7, 20))]
    assert had == [2, 0]
    assert standing_on(renewing).renewal[0].note == "2 of these from shift tallies"


def test_the_day_after_a_tally_is_a_source_since_every_insertion_may_be_logged_again():
    assert next_of(some_facts(tallies=(Tallied(ON, 1),))) == ON + A_DAY


def test_volume_becomes_assessable_when_its_window_has_passed_another_logging_basis():
    known = some_facts(
        awards=(AWARD,),
        rules=a_set(volume={"days": 60}),
        basis=(BasisFrom(LONG_AGO, Basis.FORTNIGHT), BasisFrom(ON - 20 * A_DAY, Basis.EVERY_INSERTION)),
    )
    day = ON + 39 * A_DAY  # the window of 60 days then begins with the new basis
    assert next_of(known) == day
    assert body_on(known, [], day - A_DAY)["findings"] == []
    assert [finding["rule"] for finding in body_on(known, [], day)["findings"]] == ["volume"]


def test_a_row_that_is_yet_to_come_is_a_source():
    assert next_of(some_facts(), [a_row(DAY)]) == DAY


def test_the_body_says_nothing_that_counts_days():
    """The same text ten days later, in the middle of notice, a plan and a run without insertions."""
    plan = a_restriction(RestrictionKind.PLAN, starts=ON - 9 * A_DAY, answer=Answer.NEARBY, due_on=ON + 50 * A_DAY)
    known = some_facts(awards=(an_award_expiring(ON + 60 * A_DAY),), restrictions=(plan,), rules=EVERY_RULE)
    rows = rows_of("0101", first=ON - 190 * A_DAY)
    first = canonical(body_on(known, rows, ON + A_DAY))
    assert first == canonical(body_on(known, rows, ON + 11 * A_DAY))
    assert '"due"' in first
