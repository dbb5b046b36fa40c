"""Agreement of raters: published tables through our own door, other people's code, and who sees which pairs.

Kinds as in tests/statistics/test_chains.py: read, quoted, independent, memory.
"""

import json
from collections import Counter

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.inter_rater import aggregate_raters, cohens_kappa
from statsmodels.stats.inter_rater import fleiss_kappa as other_fleiss

from audits.agreeing import MET_OR_NOT, Compared, agreement, compare, groups
from audits.checklist import MARK_WORDS, VERDICT_WORDS, Mark
from audits.models import SecondAsked
from people.access import access_of
from tests.audits.observed import begun, make_watched, rated_twice, signed, ticked
from tests.factories import (
    AppointmentFactory,
    ChecklistFactory,
    SignedObservationFactory,
    UserFactory,
    an_act,
    make_appointed,
    make_clinician,
)
from tests.statistics.printed import printed
from tests.statistics.test_agreement import ABSTRACTORS, DIAGNOSES, WITH_GAPS

FIVE = dict(list(MARK_WORDS.items())[:5])


def asked(categories, key="hands"):
    return Compared(key, "Cleans hands", "The mark", categories)


def pairs_of(table, categories):
    """The practices whose pairs of marks make this table of two raters."""
    words = list(categories)
    return [
        (words[row], words[column])
        for row, counts in enumerate(table)
        for column, count in enumerate(counts)
        for _ in range(count)
    ]


def line_of(ratings, categories):
    (line,) = compare({"hands": ratings}, [asked(categories)])
    return line


def of_table(table, categories):
    return line_of(pairs_of(table, categories), categories)


# --- published tables ---


@pytest.mark.parametrize(
    ("table", "categories", "share", "kappa", "ac1"),
    [
        # Wikipedia, 'Cohen's kappa', the first example, as quoted on a stored page (read); digits R vcd (independent).
        ([[20, 5], [10, 15]], MET_OR_NOT, ".7", ".4", None),
        # Gwet, README of the R package irrCAC, cont3x3abstractors (quoted); kappa R vcd (independent).
        (ABSTRACTORS, VERDICT_WORDS, ".89", ".7964094", ".8493305"),
        # R vcd, data set SexualFun, four categories (independent).
        ([[7, 7, 2, 3], [2, 8, 3, 7], [1, 5, 4, 9], [2, 8, 9, 14]], FIVE, None, ".1293303", None),
        # Cohen (1968), Psychol Bull 70:213-220: his proportions times 200, and his .492, as the help of R psych,
        # cohen.kappa, has them (quoted).
        ([[88, 14, 18], [10, 40, 10], [2, 6, 12]], VERDICT_WORDS, ".70", ".492", None),
        # Own earlier computation, checked by hand: two tables of sixty.
        ([[40, 5], [3, 12]], MET_OR_NOT, ".8667", ".6596", None),
        ([[56, 2], [2, 0]], MET_OR_NOT, ".9333", "-0.0345", None),
        # The paradox of nearly everything alike; AC1 own earlier computation.
        ([[118, 5], [2, 0]], MET_OR_NOT, ".944", "-0.0234", ".9408"),
    ],
)
def test_printed_tables_of_two_raters_come_out_as_printed(table, categories, share, kappa, ac1):
    found = of_table(table, categories)
    size = len(table)
    assert [row[:size] for row in found.table[:size]] == [tuple(row) for row in table]
    assert found.practices == found.pairs == sum(map(sum, table))
    assert found.alike == sum(table[each][each] for each in range(size))
    assert found.kappa == printed(kappa)
    assert share is None or found.share == printed(share)
    assert ac1 is None or found.ac1 == printed(ac1)


def diagnoses(rows):
    """Five diagnoses, said with the five marks of a step that always arises."""
    return [[list(FIVE)[int(each) - 1] for each in row] for row in rows]


def test_six_raters_of_thirty_practices_give_the_kappa_of_fleiss():
    # Fleiss (1971), Psychol Bull 76:378-382, Table 1, as in statsmodels, test_inter_rater.py; .430 in the tests of R
    # irr (quoted); AC1 own earlier computation.
    found = line_of(diagnoses(DIAGNOSES), FIVE)
    assert (found.practices, found.raters) == (30, (6, 6))
    assert found.kappa == printed(".430245")
    assert found.share == printed(".555556")
    assert found.ac1 == printed(".447885")


def test_the_first_fifteen_of_them_too():
    # Gwet, README of R irrCAC, distrib.6raters (quoted).
    found = line_of(diagnoses(DIAGNOSES[:15]), FIVE)
    assert (found.kappa, found.ac1, found.share) == (printed(".4139265"), printed(".4448007"), printed(".5511111"))


def test_where_numbers_of_raters_differ_there_is_ac1_and_no_kappa():
    # Krippendorff (2011), Computing Krippendorff's Alpha-Reliability, example C; share .8181818 in the README of R
    # irrCAC, cac.raw4raters (quoted). Its AC1 of .77544 counts one practice rated once, which here is left out.
    rows = [[str(each) for each in row if each is not None] for row in WITH_GAPS]
    found = line_of(rows, {each: each for each in "12345"})
    assert found.raters == (2, 4)
    assert (found.practices, found.left_out) == (11, 1)
    assert found.share == printed(".8181818")
    assert found.kappa is None
    assert found.kappa_words == "not given: 2 to 4 raters"
    # Gwet (2014), Handbook of Inter-Rater Reliability, with the eleven alone: each practice weighs the same.
    shares = np.array([[row.count(each) / len(row) for each in "12345"] for row in rows if len(row) > 1]).mean(axis=0)
    by_chance = (shares * (1 - shares)).sum() / 4
    assert found.ac1 == pytest.approx((9 / 11 - by_chance) / (1 - by_chance))


# --- other people's code ---

MARKS = st.sampled_from(list(FIVE))


@pytest.mark.filterwarnings("ignore:invalid value encountered")
@given(st.lists(st.tuples(MARKS, MARKS), min_size=10, max_size=60))
def test_kappa_of_any_pairs_is_that_of_statsmodels(rows):
    found = line_of(rows, FIVE)
    other = cohens_kappa(np.array(found.table), return_results=False)
    if found.kappa is None:
        assert np.isnan(other)
        assert len({each for row in rows for each in row}) == 1
        assert found.ac1 == 1
    else:
        assert found.kappa == pytest.approx(other, abs=1e-9)


@given(st.lists(st.tuples(MARKS, MARKS, MARKS), min_size=10, max_size=40))
def test_kappa_of_any_three_raters_is_that_of_statsmodels(rows):
    found = line_of(rows, FIVE)
    if found.kappa is not None:
        counts, _ = aggregate_raters(np.array([[list(FIVE).index(each) for each in row] for row in rows]))
        assert found.kappa == pytest.approx(other_fleiss(counts), abs=1e-9)
    # Each of the others is a pair with the first.
    assert found.pairs == 2 * len(rows)


# --- edges ---


def test_under_ten_there_are_counts_only_and_it_says_so():
    nine, ten = of_table([[7, 1], [1, 0]], MET_OR_NOT), of_table([[8, 1], [1, 0]], MET_OR_NOT)
    assert (nine.practices, nine.alike, nine.table) == (9, 7, ((7, 1), (1, 0)))
    assert (nine.share, nine.kappa, nine.ac1) == (None, None, None)
    assert {nine.share_words, nine.kappa_words, nine.ac1_words} == {"under 10: counts only"}
    assert (ten.share_words, ten.kappa_words) == ("80%", "−0.11")


def test_where_all_are_alike_kappa_is_not_defined_and_shown_as_such():
    found = of_table([[12, 0], [0, 0]], MET_OR_NOT)
    assert (found.share, found.kappa, found.ac1) == (1, None, 1)
    assert (found.kappa_words, found.ac1_words, found.share_words) == ("not defined: all alike", "1.00", "100%")


def test_nothing_rated_is_nothing_and_a_mark_that_was_not_offered_is_refused():
    empty = line_of([], MET_OR_NOT)
    assert (empty.practices, empty.alike, empty.pairs, empty.used) == (0, 0, 0, [])
    with pytest.raises(ValueError, match="elsewhere"):
        line_of([("met", "elsewhere")] * 10, MET_OR_NOT)


def test_the_table_is_told_in_words_and_shows_only_what_was_given():
    found = of_table([[8, 2], [0, 0]], MET_OR_NOT)
    assert found.table_words == "Met / met 8; Met / not met, or after a prompt 2"
    assert found.headings == ["Met", "Not met, or after a prompt"]
    assert found.used == [("Met", [8, 2]), ("Not met, or after a prompt", [0, 0])]


def test_ac1_takes_every_mark_that_was_offered_used_or_not():
    # Gwet (2008): expected sum pi(1 - pi)/(q - 1), by hand: pi = .95, .05; q = 2 and q = 5.
    pairs = [("met", "met")] * 9 + [("met", "not_met")]
    spread = 2 * 0.95 * 0.05
    for offered in ({"met": "Met", "not_met": "Not met"}, FIVE):
        expected = spread / (len(offered) - 1)
        assert line_of(pairs, offered).ac1 == pytest.approx((0.9 - expected) / (1 - expected))


# --- in the register ---


@pytest.fixture
def stage(db, now):
    return make_watched()


def rated(stage, first, *others, learner=None, raters=None, unit=None, setting="patient", checklist=None, **facts):
    """A practice signed by its raters, straight into the tables: marks of the first, then of each other rater."""
    raters = raters or (stage.assessor, stage.other)
    common = {
        "clinician": learner or stage.learner,
        "procedure": stage.procedure,
        "unit": unit or stage.ward,
        "checklist": checklist or stage.checklist,
        "setting": setting,
        **facts,
    }

    def marks(changes):
        return {key: {"mark": changes.get(key, "met")} for key in ("hands", "hair", "sharps", "flush")}

    row = SignedObservationFactory(**common, assessor=raters[0], kept={"marks": marks(first)})
    for rater, changes in zip(raters[1:], others, strict=False):
        SignedObservationFactory(**common, assessor=rater, second_of=row, kept={"marks": marks(changes)})
    return row


def seen(user, place=0):
    access = access_of(user)
    found = groups(access)
    return {line.about.key: line for line in agreement(access, found[place])} if found else {}


def test_pairs_of_the_register_make_the_printed_table_step_by_step(stage):
    # Wikipedia's example again (read): 20 and 15 alike, 5 and 10 not.
    answers = [("met", "met")] * 20 + [("met", "not_met")] * 5
    answers += [("not_met", "met")] * 10 + [("not_met", "prompted")] * 15
    for first, second in answers:
        rated(stage, {"hands": first}, {"hands": second})
    found = seen(stage.cast.educator)
    met = found["hands.met"]
    assert (met.practices, met.table) == (50, ((20, 5), (10, 15)))
    assert (met.share, met.kappa) == (printed(".7"), printed(".4"))
    # The marks themselves are less alike: a prompt is not 'not met'.
    assert (found["hands"].practices, found["hands"].alike) == (50, 20)
    assert (found["flush"].alike, found["flush"].kappa_words) == (50, "not defined: all alike")
    assert found[".critical"].table == ((20, 5), (10, 15))
    # By hand: a missed critical step means 'not yet', so verdicts are apart exactly where critical steps are.
    assert [found[".verdict"].table[row][column] for row in (0, 2) for column in (0, 2)] == [20, 5, 10, 15]


def test_versions_and_settings_are_never_merged(stage):
    other = ChecklistFactory(procedure=stage.procedure, unit=stage.cast.wards.hospital)
    for place in range(3):
        rated(stage, {}, {})
        if place:
            rated(stage, {}, {}, setting="simulation")
    rated(stage, {}, {}, checklist=other)
    found = groups(access_of(stage.cast.educator))
    assert [(each.checklist.pk, each.setting, each.practices) for each in found] == [
        (stage.checklist.pk, "patient", 3),
        (stage.checklist.pk, "simulation", 2),
        (other.pk, "patient", 1),
    ]
    assert [seen(stage.cast.educator, place)["hands"].practices for place in range(3)] == [3, 2, 1]


def test_a_step_that_somebody_did_not_judge_is_left_out_of_met_or_not_and_stays_among_the_marks(stage):
    rated(stage, {"sharps": "not_reached"}, {"sharps": "met"})
    rated(stage, {"sharps": "met"}, {"sharps": "met"})
    found = seen(stage.cast.educator)
    assert (found["sharps"].practices, found["sharps"].alike) == (2, 1)
    assert (found["sharps.met"].practices, found["sharps.met"].left_out) == (1, 1)


def test_what_was_for_learning_has_no_verdict_and_counts_at_its_steps(stage):
    rated(stage, {}, {}, purpose="learning")
    found = seen(stage.cast.educator)
    assert (found[".verdict"].practices, found["hands"].practices) == (0, 1)


def test_did_not_arise_is_offered_only_where_a_step_may_not_arise(stage):
    rated(stage, {"hair": "did_not_arise"}, {"hair": "did_not_arise"})
    found = seen(stage.cast.educator)
    assert Mark.DID_NOT_ARISE in found["hair"].about.categories
    assert Mark.DID_NOT_ARISE not in found["hands"].about.categories
    assert found["hair"].table_words == "Did not arise / did not arise 1"


def test_what_is_not_signed_or_was_given_up_is_no_pair(stage):
    first = signed(stage)
    SecondAsked.objects.create(observation=first, whom=stage.other, by=stage.assessor, known_from_id=an_act())
    ticked(begun(stage, actor=stage.other, second_of=first))
    assert groups(access_of(stage.cast.educator)) == []
    assert groups(access_of(stage.assessor)) == []


def test_through_the_doors_a_pair_is_seen_by_its_raters_educators_and_auditors_alone(stage):
    rated_twice(stage, signed(stage), said={"met": False}, hands="prompted")
    cast = stage.cast
    who = {"first": stage.assessor, "second": stage.other, "educator": cast.educator, "auditor": cast.auditor}
    for name, user in who.items():
        assert seen(user)["hands"].table_words == "Met / met after a prompt 1", name
    nobody = (cast.owner.user, cast.colleague.user, cast.outsider.user, cast.manager, cast.supervisor, cast.assessor,
              cast.administrator)  # fmt: skip
    assert [seen(user) for user in nobody] == [{}] * len(nobody)


def test_a_rater_sees_no_pair_of_others_of_the_same_practice(stage):
    third = UserFactory(name="Thi Rd")
    rated(stage, {"hands": "met"}, {"hands": "met"}, {"hands": "not_met"}, raters=(stage.assessor, stage.other, third))
    assert seen(stage.other)["hands"].table_words == "Met / met 1"
    assert seen(third)["hands"].table_words == "Met / not met 1"
    assert seen(stage.assessor)["hands"].pairs == 2
    assert seen(stage.cast.educator)["hands"].raters == (3, 3)


def test_an_educator_sees_the_pairs_of_their_units_and_of_no_other(stage):
    far = make_appointed("educator", stage.cast.wards.other_hospital)
    rated(stage, {}, {}, unit=stage.cast.wards.other_ward)
    rated(stage, {}, {})
    assert [each.practices for each in groups(access_of(stage.cast.educator))] == [1]
    assert [each.practices for each in groups(access_of(far))] == [1]
    # The raters watched in both.
    assert [each.practices for each in groups(access_of(stage.other))] == [2]


def test_who_was_observed_sees_nothing_of_it_even_as_an_educator(stage):
    AppointmentFactory(user=stage.learner.user, role="educator", unit=stage.cast.wards.hospital)
    rated(stage, {}, {})
    rated(stage, {}, {}, learner=make_clinician(stage.ward))
    assert [each.practices for each in groups(access_of(stage.learner.user))] == [1]


def test_who_has_still_to_rate_a_practice_sees_nothing_of_it(stage):
    row = rated(stage, {}, {})
    SecondAsked.objects.create(observation=row, whom=stage.cast.educator, by=stage.assessor, known_from_id=an_act())
    assert groups(access_of(stage.cast.educator)) == []
    assert len(groups(access_of(stage.cast.auditor))) == 1


def test_more_pairs_cost_no_more_queries(stage):
    access = access_of(stage.cast.educator)
    costs = []
    for more in (2, 18):
        for _ in range(more):
            rated(stage, {}, {"hands": "prompted"})
        with CaptureQueriesContext(connection) as queries:
            agreement(access, groups(access)[0])
        costs.append(len(queries))
    assert costs == [3, 3]


def test_what_is_read_is_what_was_signed(stage):
    row = rated(stage, {"hands": "prompted"}, {})
    assert Counter(each["mark"] for each in json.loads(row.content)["marks"].values()) == {"met": 3, "prompted": 1}
    assert seen(stage.cast.educator)["hands"].table_words == "Met after a prompt / met 1"
