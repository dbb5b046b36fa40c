"""The sentence on top, its reason and its last day."""

from dataclasses import replace
from datetime import date, timedelta

from credentials.rules.answers import Answer
from credentials.rules.facts import RestrictionKind
from credentials.rules.sentences import because, holds_through, sentence
from credentials.rules.terms import Terms
from credentials.rules.words import counted, day_words, interval, rate_words, through
from tests.rules.builders import ON, a_restriction, an_award_expiring, an_enrolment, answer_on, some_facts

A_DAY = timedelta(days=1)
EXPIRES = date(2025, 11, 1)


def said(facts, on, today=None):
    answer = answer_on(facts, on)
    return sentence("Jonah Pell", answer, on=on, today=today or on), because(answer), holds_through(answer)


def test_a_holder_under_a_plan():
    plan = a_restriction(
        RestrictionKind.PLAN, starts=date(2025, 10, 3), answer=Answer.IN_ROOM, due_on=date(2025, 11, 14)
    )
    facts = some_facts(awards=(an_award_expiring(EXPIRES),), restrictions=(plan,))
    assert said(facts, date(2025, 10, 10)) == (
        "Today Jonah Pell may insert with a supervisor in the room.",
        "A re-supervision plan opened on 3 October 2025 asks for it, by 14 November 2025.",
        "through 31 October 2025",
    )


def test_a_holder():
    facts = some_facts(awards=(an_award_expiring(EXPIRES),))
    assert said(facts, ON) == (
        "Today Jonah Pell may insert alone.",
        "The award runs through 31 October 2025.",
        "through 31 October 2025",
    )


def test_another_day_is_named():
    facts = some_facts(awards=(an_award_expiring(EXPIRES),))
    assert said(facts, ON, today=ON + A_DAY)[0] == "On 11 June 2025 Jonah Pell may insert alone."


def test_not_on_patients():
    assert said(some_facts(), ON) == (
        "Today Jonah Pell may not insert on patients.", "Not enrolled for this procedure, and no award.", "",
    )  # fmt: skip


def test_in_grace_with_alone_it_says_that_the_award_expired():
    facts = some_facts(awards=(an_award_expiring(EXPIRES, terms=Terms(grace_gives=Answer.ALONE)),))
    assert said(facts, EXPIRES) == (
        "Today Jonah Pell may insert alone: expired, may continue through 30 November 2025 under local policy.",
        "The award expired on 1 November 2025, may continue through 30 November 2025 under local policy.",
        "through 30 November 2025",
    )


def test_in_grace_in_the_room():
    facts = some_facts(awards=(an_award_expiring(EXPIRES),))
    assert said(facts, EXPIRES)[:2] == (
        "Today Jonah Pell may insert with a supervisor in the room.",
        "The award expired on 1 November 2025; days of grace run through 30 November 2025, renewal is open.",
    )


def test_a_trainee_hears_what_is_missing():
    facts = some_facts(enrolments=(an_enrolment(),))
    assert said(facts, ON)[1] == (
        "In training; before the first patient: Knowledge tests: have 0, need 1; "
        "Simulation sessions before the first patient: have 0, need 1."
    )


def test_every_answer_has_a_sentence_of_its_own():
    facts = some_facts(awards=(an_award_expiring(EXPIRES),))
    home = answer_on(facts, ON)
    seen = {sentence("A", replace(home, answer=answer), on=ON, today=ON) for answer in Answer}
    assert seen == {
        "Today A may not insert on patients.",
        "Today A may insert with a supervisor in the room.",
        "Today A may insert with a supervisor nearby.",
        "Today A may insert alone.",
    }


def test_days_counts_and_rates_in_words():
    assert day_words(date(2024, 2, 29)) == "29 February 2024"
    assert through(date(2025, 3, 1)) == "through 28 February 2025"
    assert [counted(number, "insertion") for number in (0, 1, 2)] == ["no insertions", "1 insertion", "2 insertions"]
    assert rate_words(0, 0) == "no insertions"
    assert rate_words(3, 3) == "3 of 3 working first time: too few for a rate"
    # Wilson's interval for 45 of 60 is .627679 to .842235 (R epitools, independent).
    assert rate_words(45, 60) == "45 of 60 working first time (75%, and with 95% confidence between 63 and 84%)"


def test_the_interval_is_wilsons():
    """Examples of Newcombe, Stat Med 1998;17:857-872, Table I (printed digits from memory; six by R epitools)."""
    for successes, trials, lower, upper in ((81, 263, 0.255289, 0.366210), (15, 148, 0.062386, 0.160487)):
        assert [round(end, 6) for end in interval(successes, trials)] == [lower, upper]
    assert interval(0, 20)[0] == 0
    assert round(interval(0, 20)[1], 6) == 0.161125
