"""Critical steps, overdue observations, and what observations count for in terms; cases from the issue's own words."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audits.checklist import Setting
from credentials.rules import critical_step, observation_overdue, progress
from credentials.rules.answers import Answer, Status
from credentials.rules.facts import Observation, Span
from credentials.rules.flagging import EVENT_RULES
from credentials.rules.next_change import next_change_on
from credentials.rules.standing import judge
from credentials.rules.terms import Terms
from tests.rules.builders import (
    LONG_AGO,
    ON,
    a_completion,
    a_placement,
    a_set,
    an_award,
    an_enrolment,
    answer_on,
    figures_on,
    some_facts,
)

A_DAY = timedelta(days=1)
HANDS = "Cleans hands"


def seen(day: date = ON, **said: object) -> Observation:
    return Observation(**{"uuid": f"o-{day}", "day": day, "assessor": 1, **said})  # type: ignore[arg-type]


def missed(day: date = ON, **said: object) -> Observation:
    return seen(day, **{"verdict": "not_yet", "missed": (HANDS,), **said})


def with_rules(facts, **rules):
    return replace(facts, rules=a_set(**rules))


def a_trainee(terms: Terms | None = None, **changes):
    return replace(some_facts(), awards=(), enrolments=(an_enrolment(terms=terms or Terms()),), **changes)


def a_holder(terms: Terms | None = None, **changes):
    award = an_award(terms=terms or Terms(), starts=LONG_AGO, months=120)
    return replace(some_facts(), awards=(award,), **changes)


# --- critical step ---


def critical(facts, on=ON):
    return critical_step.findings(facts, figures_on(facts, [], on), on)


@pytest.mark.parametrize(
    ("observation", "found"),
    [
        (missed(), True),
        (missed(verdict="partly"), True),  # whatever it came to
        (missed(disputed=True), True),  # a dispute hides nothing from safety
        (missed(for_decision=False), False),
        (missed(setting=Setting.SIMULATION), False),
        (missed(setting=Setting.LABORATORY), False),
        (seen(verdict="not_yet"), False),
        (seen(), False),
    ],
)
def test_a_critical_step_missed_for_a_decision_with_a_patient_is_found_in_everybody(observation, found):
    for somebody in (a_trainee(), a_holder()):
        facts = with_rules(replace(somebody, observations=(observation,)), critical_step={})
        assert bool(critical(facts)) is found


def test_each_observation_is_a_finding_of_its_own_with_its_evidence():
    both = (missed(ON - A_DAY), missed(ON, missed=(HANDS, "Sharps")))
    first, second = critical(with_rules(a_trainee(observations=both), critical_step={}))
    assert (first.key, first.evidence) == (f"o-{ON - A_DAY}", (f"o-{ON - A_DAY}",))
    assert second.figure == "Cleans hands; Sharps"
    assert second.consequence.is_review
    assert critical_step.RULE in EVENT_RULES


@pytest.mark.parametrize(
    ("day", "on", "found"),
    [
        (date(2025, 3, 2), date(2026, 3, 1), True),
        (date(2025, 3, 2), date(2026, 3, 2), False),  # a year later it is gone
        (date(2024, 2, 29), date(2025, 2, 27), True),
        (date(2024, 2, 29), date(2025, 2, 28), True),
        (date(2024, 2, 29), date(2025, 3, 1), False),
        (date(2026, 3, 2), date(2026, 3, 1), False),  # not yet
    ],
)
def test_it_stands_for_its_months_and_leaves_on_the_day_that_is_named_beforehand(day, on, found):
    facts = with_rules(a_trainee(observations=(missed(day),)), critical_step={"months": 12})
    assert bool(critical(facts, on)) is found


def test_a_disputed_one_says_so():
    (found,) = critical(with_rules(a_trainee(observations=(missed(disputed=True),)), critical_step={}))
    assert found.text.endswith("The observation is disputed.")


# --- overdue ---


def overdue(facts, on):
    return observation_overdue.findings(facts, figures_on(facts, [], on), on)


BEGUN = date(2026, 1, 10)


def a_learner_since(day: date, **changes):
    return replace(some_facts(), awards=(), enrolments=(an_enrolment(starts=day),), **{"start": LONG_AGO, **changes})


@pytest.mark.parametrize(("after", "found"), [(29, False), (30, True), (31, True)])
def test_a_learner_is_overdue_on_the_day_that_ends_the_limit(after, found):
    facts = with_rules(a_learner_since(BEGUN), observation_overdue={"learning_days": 30})
    on = BEGUN + after * A_DAY
    assert bool(overdue(facts, on)) is found
    if not found:
        assert next_change_on(facts, figures_on(facts, [], on), on) == BEGUN + 30 * A_DAY


@pytest.mark.parametrize(
    ("begun", "fires"),
    [
        # Civil days counted by hand: February 2024 has 29 days, February 2025 has 28.
        (date(2024, 2, 20), date(2024, 3, 1)),
        (date(2025, 2, 20), date(2025, 3, 2)),
        (date(2024, 2, 29), date(2024, 3, 10)),
    ],
)
def test_a_leap_day_is_a_day_like_any_other(begun, fires):
    facts = with_rules(a_learner_since(begun), observation_overdue={"learning_days": 10})
    assert [bool(overdue(facts, day)) for day in (fires - A_DAY, fires, fires + A_DAY)] == [False, True, True]


@pytest.mark.parametrize(
    ("away", "fires"),
    [
        (Span(BEGUN - 9 * A_DAY, BEGUN + A_DAY), 10),  # back on the day after learning began: nothing to leave out
        (Span(BEGUN, BEGUN + 2 * A_DAY), 11),
        (Span(BEGUN + 10 * A_DAY, BEGUN + 11 * A_DAY), 11),  # away on the very day
        (Span(BEGUN + 11 * A_DAY, BEGUN + 20 * A_DAY), 10),  # away from the day after
    ],
)
def test_days_of_absence_are_left_out_at_either_end_of_the_limit(away, fires):
    facts = with_rules(a_learner_since(BEGUN, absences=(away,)), observation_overdue={"learning_days": 10})
    day = BEGUN + fires * A_DAY
    assert [bool(overdue(facts, each)) for each in (day - A_DAY, day)] == [False, True]


@given(
    st.lists(st.tuples(st.integers(0, 80), st.integers(0, 20)), max_size=3),
    st.lists(st.tuples(st.integers(-5, 80), st.sampled_from(list(Setting))), max_size=3),
    st.integers(1, 60),
)
def test_overdue_is_what_counting_day_by_day_comes_to(away, watched, limit):
    """Against the plainest way: one day after another, from the last time somebody watched with a patient."""
    absences = tuple(Span(BEGUN + first * A_DAY, BEGUN + (first + length) * A_DAY) for first, length in away)
    observations = tuple(seen(BEGUN + day * A_DAY, uuid=f"o{n}", setting=at) for n, (day, at) in enumerate(watched))
    facts = with_rules(
        a_learner_since(BEGUN, absences=absences, observations=observations),
        observation_overdue={"learning_days": limit},
    )
    passed = 0
    for day in (BEGUN + n * A_DAY for n in range(120)):
        is_away = any(each.covers(day) for each in absences)
        watched_today = any(each.day == day and each.with_patient for each in observations)
        passed = 0 if watched_today or day == BEGUN else passed + (not is_away)
        assert bool(overdue(facts, day)) is (passed >= limit), day


def test_absence_is_left_out_and_one_without_an_end_stops_the_clock():
    away = (Span(BEGUN + 10 * A_DAY, BEGUN + 17 * A_DAY),)
    facts = with_rules(a_learner_since(BEGUN, absences=away), observation_overdue={"learning_days": 30})
    assert not overdue(facts, BEGUN + 36 * A_DAY)
    assert overdue(facts, BEGUN + 37 * A_DAY)
    gone = with_rules(
        a_learner_since(BEGUN, absences=(Span(BEGUN + 10 * A_DAY, None),)), observation_overdue={"learning_days": 30}
    )
    assert observation_overdue.fires_on(gone, BEGUN + 300 * A_DAY) is None
    assert not overdue(gone, BEGUN + 300 * A_DAY)


@pytest.mark.parametrize(
    ("observation", "counts"),
    [
        (seen(BEGUN + 20 * A_DAY), True),
        (seen(BEGUN + 20 * A_DAY, for_decision=False, verdict=""), True),  # for learning too
        (seen(BEGUN + 20 * A_DAY, verdict="not_yet"), True),
        (seen(BEGUN + 20 * A_DAY, setting=Setting.SIMULATION), False),
        (seen(BEGUN + 20 * A_DAY, setting=Setting.LABORATORY), False),
        (seen(BEGUN - A_DAY), False),
    ],
)
def test_the_clock_starts_anew_with_an_observation_with_a_patient(observation, counts):
    facts = with_rules(a_learner_since(BEGUN, observations=(observation,)), observation_overdue={"learning_days": 30})
    assert bool(overdue(facts, BEGUN + 49 * A_DAY)) is not counts
    assert overdue(facts, BEGUN + 50 * A_DAY)


def test_nought_days_ask_nothing_and_holders_have_a_limit_of_their_own():
    learner, holder = a_learner_since(BEGUN), a_holder(start=BEGUN)
    assert not overdue(with_rules(learner, observation_overdue={"learning_days": 0}), BEGUN + 999 * A_DAY)
    assert not overdue(with_rules(holder, observation_overdue={"holding_days": 0}), BEGUN + 999 * A_DAY)
    strict = with_rules(holder, observation_overdue={"holding_days": 365})
    assert not overdue(strict, BEGUN + 364 * A_DAY)
    (found,) = overdue(strict, BEGUN + 365 * A_DAY)
    assert (found.text, found.consequence.is_review) == (
        "Not observed with a patient since 10 January 2026. The local limit is 365 days, absence left out.",
        False,
    )


def test_a_holder_without_a_start_day_and_a_day_to_come_are_not_assessable():
    facts = with_rules(a_holder(start=None), observation_overdue={"holding_days": 365})
    told = observation_overdue.not_assessable(facts, figures_on(facts, [], ON), ON)
    assert told is not None
    assert "No start day" in told.text
    ahead = with_rules(a_learner_since(BEGUN, logged_through=BEGUN), observation_overdue={"learning_days": 5})
    told = observation_overdue.not_assessable(ahead, figures_on(ahead, [], BEGUN + 9 * A_DAY), BEGUN + 9 * A_DAY)
    assert told is not None
    assert not overdue(ahead, BEGUN + 9 * A_DAY)


def test_for_a_learner_nothing_before_the_start_day_is_evidence():
    facts = with_rules(a_learner_since(BEGUN, start=BEGUN + 40 * A_DAY), observation_overdue={"learning_days": 30})
    assert not overdue(facts, BEGUN + 69 * A_DAY)
    assert overdue(facts, BEGUN + 70 * A_DAY)


def test_somebody_placed_nowhere_is_not_asked():
    left = (a_placement(until=BEGUN + 60 * A_DAY),)
    facts = with_rules(a_learner_since(BEGUN, placements=left), observation_overdue={"learning_days": 30})
    assert overdue(facts, BEGUN + 59 * A_DAY)
    assert not overdue(facts, BEGUN + 60 * A_DAY)


def test_who_neither_learns_nor_holds_is_not_asked():
    facts = with_rules(replace(some_facts(), awards=(), enrolments=()), observation_overdue={"learning_days": 1})
    assert not overdue(facts, ON)
    assert observation_overdue.fires_on(facts, ON) is None


# --- terms ---


def line(facts, label, on=ON):
    found = judge(facts, figures_on(facts, [], on), on)
    return next((each for each in (*found.entry, *found.award, *found.renewal) if each.label == label), None)


MET, PARTLY, NOT_YET = seen(), seen(verdict="partly"), seen(verdict="not_yet", missed=(HANDS,))
IN_SIMULATION, IN_LABORATORY = seen(setting=Setting.SIMULATION), seen(setting=Setting.LABORATORY)


@pytest.mark.parametrize(
    ("observations", "need", "have", "note"),
    [
        ((MET,), 1, 1, ""),
        ((PARTLY,), 1, 0, "1 stopped at a missed vein, not counted alone"),
        ((PARTLY, PARTLY), 2, 1, "1 stopped at a missed vein, not counted alone"),
        ((MET, PARTLY), 2, 2, ""),
        ((MET, MET, PARTLY), 2, 3, ""),
        ((NOT_YET,), 1, 0, "1 not yet met"),
        ((seen(disputed=True),), 1, 0, "1 disputed, not counted until decided"),
        ((IN_SIMULATION, IN_SIMULATION, MET), 2, 1, "2 in simulation, not counted"),
        ((IN_LABORATORY, IN_SIMULATION), 1, 0, "1 in simulation, not counted; 1 in the skills laboratory, not counted"),
        ((replace(IN_SIMULATION, disputed=True),), 1, 0, "1 in simulation, not counted"),  # each is left out once
        ((replace(MET, for_decision=False),), 1, 0, "1 for learning, not counted"),
        ((replace(IN_SIMULATION, for_decision=False),), 1, 0, "1 for learning, not counted"),
        ((replace(PARTLY, disputed=True), MET), 2, 1, "1 disputed, not counted until decided"),
    ],
)
def test_what_observations_count_towards_award(observations, need, have, note):
    facts = a_trainee(Terms(observations=need), observations=observations)
    assert line(facts, "Observations for a decision") == ("Observations for a decision", have, need, note)


def test_renewal_asks_for_observations_of_its_own_months():
    terms = Terms(renewal_observations=1, renewal_months=12)
    for day, have in ((ON, 1), (date(ON.year - 1, ON.month, ON.day), 0)):
        facts = a_holder(terms, observations=(seen(day),))
        found = line(facts, "Observations for a decision in the last 12 months")
        assert found is not None
        assert (found.have, found.need) == (have, 1)


@given(st.lists(st.sampled_from([MET, PARTLY, NOT_YET, IN_SIMULATION, replace(MET, disputed=True)])), st.integers(0, 6))
def test_one_that_stopped_at_a_missed_vein_never_stands_alone(observations, need):
    facts = a_trainee(observations=tuple(observations))
    have, _ = progress.observations_counted(facts, need, ON, ON)
    met, partly = observations.count(MET), observations.count(PARTLY)
    assert have == met + min(partly, max(0, need - 1))
    assert not (need and have >= need and not met)


def test_only_a_theory_session_or_policy_that_is_still_valid_lets_somebody_begin():
    terms = Terms(entry_knowledge=0, entry_simulation=0, entry_policy=1)
    read = a_completion("policy", ON - A_DAY, ON + A_DAY)
    answers = [answer_on(a_trainee(terms, completions=(read,)), ON + n * A_DAY).answer for n in (-2, -1, 0, 1)]
    assert answers == [Answer.NO, Answer.IN_ROOM, Answer.IN_ROOM, Answer.NO]


def test_an_observation_asked_keeps_an_award_waiting_until_it_is_met():
    terms = Terms(entry_knowledge=0, entry_simulation=0, insertions=0, supervisors=0, days=0, observations=1)
    for observations, status in (
        ((), Status.IN_TRAINING),
        ((PARTLY,), Status.IN_TRAINING),
        ((replace(MET, disputed=True),), Status.IN_TRAINING),
        ((MET,), Status.READY_FOR_AWARD),
    ):
        assert answer_on(a_trainee(terms, observations=observations)).status is status


def test_observations_before_learning_began_do_not_count():
    begun = ON - 10 * A_DAY
    trainee = replace(a_trainee(), enrolments=(an_enrolment(starts=begun, terms=Terms(observations=1)),))
    for day, have in ((begun - A_DAY, 0), (begun, 1), (ON, 1), (ON + A_DAY, 0)):
        facts = replace(trainee, observations=(seen(day),))
        assert line(facts, "Observations for a decision").have == have


def test_theory_and_policies_are_asked_where_the_programme_says_so():
    terms = Terms(entry_knowledge=0, entry_simulation=0, entry_theory=1, entry_policy=2)
    done = tuple(replace(a_completion("policy", LONG_AGO), uuid=f"c{each}") for each in range(2))
    facts = a_trainee(terms, completions=done)
    assert (line(facts, "Theory sessions").have, line(facts, "Policies read").have) == (0, 2)
    assert line(a_trainee(), "Policies read") is None


def test_terms_and_sets_stored_before_there_were_observations_ask_for_none():
    old = {name: value for name, value in Terms().to_content().items() if "observ" not in name and "policy" not in name}
    old.pop("entry_theory")
    assert Terms.parse(old) == Terms()
    rules = a_set(recency={})
    assert (rules.critical_step, rules.observation_overdue) == (None, None)
    assert progress.observations_counted(a_trainee(), 0, LONG_AGO, ON) == (0, "")
