"""Critical steps, overdue observations, and what observations count for in terms; cases from the issue's own words."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from credentials.rules import critical_step, observation_overdue, progress
from credentials.rules.facts import Observation, Span
from credentials.rules.flagging import EVENT_RULES
from credentials.rules.next_change import next_change_on
from credentials.rules.standing import judge
from credentials.rules.terms import Terms
from tests.rules.builders import LONG_AGO, ON, a_completion, a_set, an_award, an_enrolment, figures_on, some_facts

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
        (missed(with_patient=False), False),
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
        (seen(BEGUN + 20 * A_DAY, with_patient=False), False),
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


def test_who_neither_learns_nor_holds_is_not_asked():
    facts = with_rules(replace(some_facts(), awards=(), enrolments=()), observation_overdue={"learning_days": 1})
    assert not overdue(facts, ON)
    assert observation_overdue.fires_on(facts, ON) is None


# --- terms ---


def line(facts, label, on=ON):
    found = judge(facts, figures_on(facts, [], on), on)
    return next((each for each in (*found.entry, *found.award, *found.renewal) if each.label == label), None)


MET, PARTLY, NOT_YET = seen(), seen(verdict="partly"), seen(verdict="not_yet", missed=(HANDS,))


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
        ((seen(with_patient=False), MET), 2, 1, "1 not with a patient, not counted"),
        ((seen(for_decision=False, verdict=""),), 1, 0, ""),
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
