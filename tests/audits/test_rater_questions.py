"""Questions about how people mark: the chances by hand and by other people's code, and who is shown what."""

import datetime
from dataclasses import replace
from itertools import count, product

import pandas as pd
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, poisson_binom

from audits.models import SecondAsked
from audits.rater_questions import (
    MARKS,
    RARELY,
    chance_of_run,
    lenience,
    odds_words,
    own_apart,
    own_marking,
    questions,
    run_of,
    sheets,
)
from people.access import access_of
from tests.audits.observed import make_watched
from tests.factories import (
    AppointmentFactory,
    ChecklistFactory,
    SignedObservationFactory,
    UserFactory,
    an_act,
    make_appointed,
    make_clinician,
)

STEPS = ("hands", "hair", "sharps", "flush")


def judged(**steps):
    """met of watched at each step."""
    return pd.DataFrame(steps, index=["met", "watched"]).T


def marks_given(*rows):
    return pd.DataFrame(rows, columns=["met", "not_met"]).reindex(columns=MARKS, fill_value=0)


# --- pure ---


def test_a_run_is_counted_from_the_last_rating_back():
    same, other = {"hands": "met"}, {"hands": "not_met"}
    assert run_of([]) == 0
    assert run_of([same]) == 1
    assert run_of([same, other, same, same]) == 2
    assert run_of([other, same, other]) == 1


def test_the_chance_of_a_run_is_that_of_all_steps_marked_alike_so_often():
    # By hand: two steps, met in 9 of 10 and in 5 of 10; three ratings alike with .9^3 + .1^3 = .73, .5^3 + .5^3 = .25.
    assert chance_of_run(marks_given((9, 1), (5, 5)), 3) == pytest.approx(0.73 * 0.25)
    # What others always mark the same shows nothing, and neither does a step that they never marked.
    assert chance_of_run(marks_given((12, 0), (0, 0)), 9) == 1


@given(st.lists(st.tuples(st.integers(1, 9), st.integers(0, 9)), min_size=1, max_size=3), st.integers(2, 3))
def test_the_chance_of_a_run_is_the_sum_over_every_sheet_that_there_can_be(rows, run):
    shares = [(met / (met + other), other / (met + other)) for met, other in rows]
    total = 0.0
    for sheet in product((0, 1), repeat=len(rows)):
        one = 1.0
        for step, mark in enumerate(sheet):
            one *= shares[step][mark]
        total += one**run
    assert chance_of_run(marks_given(*rows), run) == pytest.approx(total)


def test_what_would_be_met_follows_the_steps_that_somebody_judged():
    # By hand: ten at an easy step (others 19 of 20) and ten at a hard one (others 10 of 20): 9.5 + 5.
    own = judged(easy=(10, 10), hard=(9, 10))
    met, watched, expected, chance, _ = lenience(own, judged(easy=(19, 20), hard=(10, 20)))
    assert (met, watched, expected) == (19, 20, pytest.approx(14.5))
    # scipy's own law of a sum of unequal chances (independent).
    assert chance == pytest.approx(poisson_binom([0.95] * 10 + [0.5] * 10).sf(18), rel=1e-9)


def test_where_all_steps_are_alike_the_chance_is_binomial():
    *_, chance, _ = lenience(judged(a=(9, 10)), judged(a=(50, 100)))
    assert chance == pytest.approx(binom.sf(8, 10, 0.5), rel=1e-9)


def test_without_regard_to_steps_it_is_the_exact_test_of_fisher():
    # Fisher (1935), The Design of Experiments, chapter 2, the lady tasting tea, 3 of 4 right: 17 of 70 (memory; the
    # count of 4!/(3!1!) * 4!/(1!3!) + 1 of 8!/(4!4!) is by hand).
    *_, plain = lenience(judged(cup=(3, 4)), judged(cup=(1, 4)))
    assert plain == pytest.approx(17 / 70)


def test_a_step_that_only_one_side_judged_says_nothing():
    found = lenience(judged(a=(5, 5), b=(0, 0), c=(4, 4)), judged(a=(5, 10), b=(9, 9), d=(1, 1)))
    assert found[:3] == (5, 5, pytest.approx(2.5))


def test_what_others_always_meet_accuses_nobody_of_leniency():
    assert lenience(judged(a=(400, 400)), judged(a=(30, 30)))[3] == 1


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (1, "more often than not"), (0.5, "more often than not"), (0.25, "about 1 time in 4"),
        (0.0028, "about 1 time in 360"),
        (0.04, "about 1 time in 25"), (0.0001, "about 1 time in 10,000"), (1e-9, "less than 1 time in a million"),
        (0, "less than 1 time in a million"),
    ],
)  # fmt: skip
def test_odds_are_told_in_words(chance, words):
    assert odds_words(chance) == words


# --- in the register ---


@pytest.fixture
def stage(db, now):
    return make_watched()


@pytest.fixture
def third(stage):
    return UserFactory(name="Thi Rd")


HOURS = count()


def rates(stage, rater, *, times=1, second_of=None, unit=None, setting="patient", learner=None, on=None, **marks):
    """Signed ratings by this person, each an hour after the one before, straight into the tables."""
    made = []
    for _ in range(times):
        hour = datetime.timedelta(hours=next(HOURS) % 500)
        made.append(
            SignedObservationFactory(
                clinician=learner or stage.learner, procedure=stage.procedure, unit=unit or stage.ward,
                checklist=stage.checklist, setting=setting, assessor=rater, second_of=second_of,
                observed_at=on or datetime.datetime(2026, 1, 5, tzinfo=datetime.UTC) + hour,
                kept={"marks": {step: {"mark": marks.get(step, "met")} for step in STEPS}},
            )
        )  # fmt: skip
    return made[-1]


@pytest.fixture
def careful(stage, third):
    """Two others who mark as practice varies: each step missed in some of ten."""
    for rater in (stage.other, third):
        for step in STEPS:
            rates(stage, rater, times=2, **{step: "not_met"})
        rates(stage, rater, times=2)


def asks(user):
    return [(each.who, each.about) for each in questions(sheets(access_of(user)))]


def own(user):
    return own_marking(sheets(access_of(user)))


@pytest.fixture(autouse=True)
def from_the_start():
    global HOURS
    HOURS = count()


def test_five_ratings_alike_at_every_step_are_asked_about_with_the_odds(stage, careful):
    rates(stage, stage.assessor, times=9)
    found = [each for each in questions(sheets(access_of(stage.cast.educator))) if each.about == "Identical ratings"]
    # Others marked each step the same in 16 of 20: nine alike by chance at one step, and at four.
    once = 0.8**9 + 0.2**9
    assert [(each.who, each.words) for each in found] == [
        ("Asa Essor", "The last 9 ratings carry the same mark at every step")
    ]
    assert found[0].odds == odds_words(once**4)
    assert once**4 < RARELY


def test_four_alike_are_no_run_and_five_that_chance_often_shows_are_not_asked_about(stage, third):
    rates(stage, stage.assessor, times=4)
    assert asks(stage.cast.educator) == []
    # The others met everything too: that shows nothing.
    for rater in (stage.other, third):
        rates(stage, rater, times=4)
    rates(stage, stage.assessor)
    assert asks(stage.cast.educator) == []


def test_a_run_with_too_few_others_to_compare_is_asked_about_and_says_so(stage):
    rates(stage, stage.assessor, times=5)
    rates(stage, stage.other, times=9, hands="not_met", flush="prompted")
    found = questions(sheets(access_of(stage.cast.educator)))
    assert {each.who for each in found} == {"Asa Essor", "Otto Ther"}
    assert {each.about for each in found} == {"Identical ratings"}
    assert "not known: too few others to compare with (9 ratings by 1; it takes 5 by 2)" in {
        each.odds for each in found
    }


def test_more_met_than_others_find_is_asked_about_with_counts(stage, careful):
    rates(stage, stage.assessor, times=10)
    found = [each for each in questions(sheets(access_of(stage.cast.educator))) if each.about.startswith("More met")]
    (question,) = found
    assert question.words == (
        "40 of 40 steps met without a prompt; by the marks of 2 others at the same steps, about 32.0 would be"
    )
    # All forty met, at .8 each; Fisher: by scipy within the product, checked above.
    assert question.odds.startswith(odds_words(0.8**40) + "; without regard to which steps, about 1 time in ")


def test_who_watches_as_others_do_is_not_asked_about(stage, careful):
    for step in STEPS:
        rates(stage, stage.assessor, times=2, **{step: "not_met"})
    rates(stage, stage.assessor, times=2)
    assert asks(stage.cast.educator) == []
    (mine,) = own(stage.assessor)
    assert (mine.practices, mine.met, mine.watched, mine.others, mine.other_raters) == (10, 32, 40, 20, 2)
    assert (mine.expected, mine.run) == (pytest.approx(32), 2)
    assert mine.chances == ["So many or more by chance: more often than not."]


def test_small_numbers_are_told_plainly_and_nothing_is_compared(stage, careful):
    rates(stage, stage.assessor, times=4)
    (mine,) = own(stage.assessor)
    assert (mine.expected, mine.chance, mine.plain_chance, mine.run_chance) == (None, None, None, None)
    assert mine.met_words == "16 of 16 steps met without a prompt: under 5 practices, too few to compare"


def test_of_one_other_alone_nobody_is_told_anything(stage):
    rates(stage, stage.assessor, times=9)
    rates(stage, stage.other, times=9, hands="not_met")
    (mine,) = own(stage.assessor)
    assert mine.expected is None
    assert mine.met_words.endswith("too few others to compare with (9 ratings by 1; it takes 5 by 2)")


def test_settings_versions_and_years_are_never_compared_with_each_other(stage, careful):
    rates(stage, stage.assessor, times=9, setting="simulation")
    rates(stage, stage.assessor, times=9, on=datetime.datetime(2025, 2, 1, tzinfo=datetime.UTC))
    (mine,) = own(stage.assessor)
    assert (mine.setting, mine.practices, mine.others) == ("simulation", 9, 0)
    newer = ChecklistFactory(procedure=stage.procedure, unit=stage.cast.wards.hospital)
    rates(replace(stage, checklist=newer), stage.assessor, times=6)
    assert [(each.checklist.pk, each.setting, each.others) for each in own(stage.assessor)] == [
        (newer.pk, "patient", 0),
        (mine.checklist.pk, "simulation", 0),
    ]


# --- a pair apart ---


def test_two_raters_apart_on_a_critical_step_are_asked_about_and_lead_to_the_practice(stage):
    first = rates(stage, stage.assessor, hands="met", hair="met")
    rates(stage, stage.other, second_of=first, hands="prompted", hair="not_met")
    (question,) = questions(sheets(access_of(stage.cast.educator)))
    # Hair is not critical.
    assert question.words == "‘Cleans hands’: met by Asa Essor, met after a prompt by Otto Ther"
    assert (question.about, question.odds) == ("Apart on a critical step", "")
    assert (question.observation, question.on) == (first.uuid, first.observed_on)


@pytest.mark.parametrize("mark", ["met", "not_reached", "not_applicable"])
def test_met_and_not_judged_are_not_apart(stage, mark):
    first = rates(stage, stage.assessor)
    rates(stage, stage.other, second_of=first, sharps=mark)
    assert asks(stage.cast.educator) == []


def test_each_rater_sees_where_the_other_differs_and_nobody_else_does(stage, third):
    first = rates(stage, stage.assessor)
    rates(stage, stage.other, second_of=first, hands="not_met")
    rates(stage, third, second_of=first)
    # The third and the first are not apart, and the third sees nothing of the second.
    for user, apart in ((stage.assessor, 1), (stage.other, 1), (third, 0), (stage.cast.auditor, 0)):
        assert len(own_apart(sheets(access_of(user)))) == apart, user


# --- who ---


def test_only_educators_ask_and_only_in_their_units_and_never_about_themselves(stage, careful):
    rates(stage, stage.assessor, times=9)
    rates(stage, stage.assessor, times=9, unit=stage.cast.wards.other_ward, learner=make_clinician(stage.ward))
    cast = stage.cast
    for user in (cast.auditor, cast.manager, cast.supervisor, cast.assessor, stage.other, stage.learner.user):
        assert asks(user) == []
    assert {who for who, _ in asks(cast.educator)} == {"Asa Essor"}
    far = make_appointed("educator", cast.wards.other_hospital)
    # Of the same rater the nine over there alone; others' marks are those of the whole version.
    assert [each.words for each in questions(sheets(access_of(far))) if each.about.startswith("More")] == [
        "36 of 36 steps met without a prompt; by the marks of 2 others at the same steps, about 28.8 would be"
    ]
    AppointmentFactory(user=stage.assessor, role="educator", unit=cast.wards.hospital)
    assert asks(stage.assessor) == []
    assert len(own(stage.assessor)) == 1


def test_an_educator_who_was_observed_or_has_still_to_rate_learns_nothing_of_that_practice(stage):
    educator = stage.cast.educator
    first = rates(stage, stage.assessor)
    rates(stage, stage.other, second_of=first, hands="not_met")
    assert len(asks(educator)) == 1
    SecondAsked.objects.create(observation=first, whom=educator, by=stage.assessor, known_from_id=an_act())
    assert asks(educator) == []
    AppointmentFactory(user=stage.learner.user, role="educator", unit=stage.cast.wards.hospital)
    assert asks(stage.learner.user) == []


def test_an_educator_is_told_nothing_that_rests_on_their_own_practice(stage, careful):
    rates(stage, stage.assessor, times=9)
    assert "Asa Essor" in {who for who, _ in asks(stage.cast.educator)}
    # All of these ratings are of the learner, who is an educator there too.
    AppointmentFactory(user=stage.learner.user, role="educator", unit=stage.cast.wards.hospital)
    assert asks(stage.learner.user) == []
    rates(stage, stage.assessor, times=6, learner=make_clinician(stage.ward))
    found = [each for each in questions(sheets(access_of(stage.learner.user))) if each.about == "Identical ratings"]
    assert [each.words for each in found] == ["The last 6 ratings carry the same mark at every step"]


def test_more_ratings_cost_no_more_queries(stage):
    access, costs = access_of(stage.cast.educator), []
    for more in (3, 20):
        first = rates(stage, stage.assessor, times=more)
        rates(stage, stage.other, second_of=first, hands="not_met")
        with CaptureQueriesContext(connection) as queries:
            found = sheets(access)
            questions(found), own_marking(found), own_apart(found)
        costs.append(len(queries))
    assert costs == [2, 2]
