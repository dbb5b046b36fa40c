# ruff: noqa: DTZ001 - a time on the form is the unit's own
"""A second rating of the same practice: asked of some, made without seeing the first, private, never counted."""

from datetime import datetime
from uuid import UUID, uuid4

import pytest
from django.db import DatabaseError, connection, transaction
from django.http import Http404
from django.test.utils import CaptureQueriesContext
from scipy.stats import binom

from audits import observing
from audits.models import Observation, SecondAsked
from audits.observation_replies import acknowledge, dispute, reply
from audits.observing import NotEligible
from audits.second_raters import ask, asked_of, decline, drawn, may_second
from ledger.models import Act
from people.access import NotPermitted, Right, access_of
from people.models import Clinician, Stale
from people.problems import Problems
from tests.audits.observed import an_assessor, begun, hand, make_watched, rated_twice, signed, ticked
from tests.factories import AppointmentFactory, SettingFactory, an_act, make_clinician


@pytest.fixture
def stage(db, now):
    return make_watched()


def sees(user, observation):
    return Observation.objects.visible_to(access_of(user)).filter(pk=observation.pk).exists()


# --- drawn ---


def test_the_share_that_is_drawn_is_that_of_the_unit(stage):
    SettingFactory(unit=stage.cast.wards.hospital, name="second_rater_percent", plain=25)
    uuids = [UUID(int=(each * 0x9E3779B97F4A7C15) % 2**128) for each in range(1, 401)]
    share = sum(drawn(each, stage.ward.pk, stage.checklist.effective_on) for each in uuids)
    # Within the middle 99.9% of 400 draws at a quarter.
    assert binom.ppf(0.0005, 400, 0.25) <= share <= binom.ppf(0.9995, 400, 0.25)


@pytest.mark.parametrize(("percent", "wanted"), [(0, False), (100, True)])
def test_none_and_all_are_none_and_all(stage, percent, wanted):
    SettingFactory(unit=stage.cast.wards.hospital, name="second_rater_percent", plain=percent)
    made = [begun(stage, uuid=UUID(int=each)) for each in (0, 0xFFFFFFFF, uuid4().int)]
    assert [each.second_wanted for each in made] == [wanted] * 3


def test_a_second_rating_is_not_drawn_for_another(stage):
    SettingFactory(unit=stage.cast.wards.hospital, name="second_rater_percent", plain=100)
    assert not rated_twice(stage, signed(stage)).second_wanted


# --- asked ---


def test_those_who_could_are_the_other_assessors_of_that_day_and_place(stage):
    made = begun(stage)
    # The assessor of the cast holds nothing, so could not.
    assert may_second(made) == [stage.other]


def test_asking_is_an_act_and_shows_with_whom_it_waits(stage):
    made = begun(stage)
    asked = ask(actor=stage.assessor, observation=made, whom=stage.other)
    act = Act.objects.get(seq=asked.known_from_id)
    assert (act.kind, act.facts["whom"]) == ("observation.second_asked", str(stage.other.uuid))
    assert asked_of(access_of(stage.other)) == [asked]
    assert asked_of(access_of(stage.assessor)) == []


@pytest.mark.parametrize("who", ["learner", "assessor", "outsider"])
def test_nobody_is_asked_who_could_not(stage, who):
    whom = {"learner": stage.learner.user, "assessor": stage.assessor, "outsider": stage.cast.outsider.user}[who]
    with pytest.raises(Problems, match="Choose somebody who could assess"):
        ask(actor=stage.assessor, observation=begun(stage), whom=whom)


def test_nobody_is_asked_twice_and_only_the_first_or_an_educator_asks(stage):
    made = begun(stage)
    for user in (stage.other, stage.learner.user, stage.cast.manager, stage.cast.supervisor):
        with pytest.raises(NotPermitted):
            ask(actor=user, observation=made, whom=stage.other)
    ask(actor=stage.cast.educator, observation=made, whom=stage.other)
    with pytest.raises(Problems, match="asked already"):
        ask(actor=stage.assessor, observation=made, whom=stage.other)


def test_who_did_not_watch_says_so(stage):
    made = begun(stage)
    ask(actor=stage.assessor, observation=made, whom=stage.other)
    with pytest.raises(NotPermitted):
        decline(actor=stage.cast.assessor, observation=made)
    decline(actor=stage.other, observation=made)
    assert asked_of(access_of(stage.other)) == []
    assert SecondAsked.objects.get().declined is True
    with pytest.raises(NotPermitted):
        begun(stage, actor=stage.other, second_of=made)


def test_who_said_that_they_did_not_watch_is_not_asked_again(stage):
    made = begun(stage)
    ask(actor=stage.assessor, observation=made, whom=stage.other)
    decline(actor=stage.other, observation=made)
    assert may_second(made) == []
    with pytest.raises(Problems, match="Choose somebody"):
        ask(actor=stage.assessor, observation=made, whom=stage.other)


@pytest.mark.parametrize("role", ["educator", "auditor"])
def test_who_can_read_the_first_is_asked_before_it_is_signed_or_not_at_all(stage, role):
    AppointmentFactory(user=stage.other, role=role, unit=stage.cast.wards.hospital)
    assert may_second(begun(stage)) == [stage.other]
    assert may_second(signed(stage)) == []


# --- made ---


def test_a_second_rating_has_the_first_one_s_practice_and_ends_what_was_asked(stage):
    first = signed(stage)
    second = rated_twice(stage, first, hair="not_met")
    assert (second.second_of, second.checklist, second.clinician) == (first, first.checklist, first.clinician)
    assert SecondAsked.objects.get().known_until_id == second.signed_id
    # It counts for nothing, so it touches nobody.
    assert not Stale.objects.filter(act=second.signed_id).exists()


def test_nobody_makes_a_second_rating_unasked(stage):
    with pytest.raises(NotPermitted, match="not asked"):
        begun(stage, actor=stage.other, second_of=signed(stage))


def test_whose_authority_ended_that_day_makes_no_second_rating(stage):
    first = begun(stage)
    ask(actor=stage.assessor, observation=first, whom=stage.other)
    stage.other.appointments.update(known_until_id=an_act())
    with pytest.raises(NotEligible):
        begun(stage, actor=stage.other, second_of=first)


def test_the_database_keeps_one_second_rating_for_each_rater(stage):
    first = signed(stage)
    second = rated_twice(stage, first)
    fields = {f.attname: getattr(second, f.attname) for f in Observation._meta.concrete_fields if f.name != "id"}
    with pytest.raises(DatabaseError), transaction.atomic():
        Observation.objects.create(**{**fields, "uuid": uuid4()})


def test_a_second_rating_is_of_the_same_practice_and_takes_its_time(stage):
    first = begun(stage, observed_at=datetime(2026, 3, 1, 9, 0))
    ask(actor=stage.assessor, observation=first, whom=stage.other)
    for other in (
        {"purpose": "learning"}, {"setting": "simulation"}, {"unit": stage.cast.wards.next_ward},
        {"clinician": stage.cast.colleague},
    ):  # fmt: skip
        with pytest.raises(ValueError, match="same practice"):
            begun(stage, actor=stage.other, second_of=first, **other)
    made = begun(stage, actor=stage.other, second_of=first)
    assert (made.observed_at, made.observed_on, made.zone) == (first.observed_at, first.observed_on, first.zone)


@pytest.mark.std("F-06")
def test_a_second_rating_begun_again_is_the_one_that_is_open(stage):
    first = signed(stage)
    ask(actor=stage.assessor, observation=first, whom=stage.other)
    made = begun(stage, actor=stage.other, second_of=first)
    assert begun(stage, actor=stage.other, second_of=first) == made
    with pytest.raises(Problems, match="give that up first"):
        decline(actor=stage.other, observation=first)
    observing.drop(actor=stage.other, observation=made, reason="I saw too little")
    assert [each.observation for each in asked_of(access_of(stage.other))] == [first]
    assert begun(stage, actor=stage.other, second_of=first) != made


def test_a_practice_that_was_given_up_is_rated_by_nobody(stage):
    first = begun(stage)
    ask(actor=stage.assessor, observation=first, whom=stage.other)
    observing.drop(actor=stage.assessor, observation=first, reason="Called away")
    assert asked_of(access_of(stage.other)) == []
    with pytest.raises(NotPermitted):
        begun(stage, actor=stage.other, second_of=first)
    with pytest.raises(Problems, match="given up"):
        ask(actor=stage.assessor, observation=first, whom=stage.other)


def test_a_second_rating_of_learning_is_possible_and_one_of_a_second_is_not(stage):
    second = rated_twice(stage, signed(stage, begin={"purpose": "learning"}))
    assert (second.purpose, second.verdict) == ("learning", "")
    with pytest.raises(Problems, match="second rating itself"):
        ask(actor=stage.other, observation=second, whom=stage.assessor)


# --- who sees what ---


def seen_of_cast(stage, made):
    return {name for name, user in stage.cast.users().items() if sees(user, made)}


def test_an_unsigned_observation_is_its_assessor_s_alone(stage):
    made = ticked(begun(stage))
    assert seen_of_cast(stage, made) == set()
    assert sees(stage.assessor, made)
    assert not sees(stage.other, made)


def test_a_signed_observation_is_seen_by_the_learner_its_assessor_educators_and_auditors(stage):
    made = signed(stage)
    assert seen_of_cast(stage, made) == {"owner", "educator", "auditor"}
    assert sees(stage.assessor, made)
    assert not sees(stage.other, made)


def test_somebody_without_an_account_is_observed_and_seen_by_the_same(stage):
    learner = make_clinician(stage.ward, "No Account", account=False)
    first = signed(stage, begin={"clinician": learner})
    assert seen_of_cast(stage, first) == {"educator", "auditor"}
    ask(actor=stage.assessor, observation=first, whom=stage.other)
    second = ticked(begun(stage, actor=stage.other, second_of=first, clinician=learner))
    observing.sign(signer=hand(second), observation=second)
    assert seen_of_cast(stage, second) == {"educator", "auditor"}


def test_who_had_the_learner_s_account_then_and_who_has_it_now_both_read_it_as_their_own(stage):
    first = signed(stage)
    second = rated_twice(stage, first)
    old, new = stage.learner.user, stage.cast.educator
    Clinician.objects.filter(pk=stage.learner.pk).update(user=new)
    assert [sees(old, first), sees(new, first)] == [True, True]
    assert [sees(old, second), sees(new, second)] == [False, False]


def test_who_is_asked_sees_the_first_only_after_signing_the_second(stage):
    first = signed(stage)
    ask(actor=stage.assessor, observation=first, whom=stage.other)
    assert not sees(stage.other, first)
    second = ticked(begun(stage, actor=stage.other, second_of=first))
    assert not sees(stage.other, first)
    assert sees(stage.other, second)
    assert not sees(stage.assessor, second)
    observing.sign(signer=hand(second), observation=second)
    assert sees(stage.other, first)
    assert sees(stage.assessor, second)


def test_an_educator_who_has_still_to_rate_it_sees_nobody_s_rating(stage):
    educator = an_assessor(stage.cast, stage.procedure, "Edith Ucator")
    AppointmentFactory(user=educator, role="educator", unit=stage.cast.wards.hospital)
    first = begun(stage)
    ask(actor=stage.assessor, observation=first, whom=educator)
    second = rated_twice(stage, first)
    ticked(first)
    observing.sign(signer=hand(first), observation=first)
    assert [sees(educator, each) for each in (first, second)] == [False, False]
    own = ticked(begun(stage, actor=educator, second_of=first))
    assert [sees(educator, each) for each in (first, second, own)] == [False, False, True]
    observing.sign(signer=hand(own), observation=own)
    assert [sees(educator, each) for each in (first, second, own)] == [True, True, True]


def test_an_educator_who_rates_first_sees_no_second_rating_before_signing(stage):
    AppointmentFactory(user=stage.assessor, role="educator", unit=stage.cast.wards.hospital)
    first = ticked(begun(stage))
    second = rated_twice(stage, first)
    assert not sees(stage.assessor, second)
    observing.sign(signer=hand(first), observation=first)
    assert sees(stage.assessor, second)


def test_who_said_that_they_did_not_watch_may_read_it_as_anybody_in_their_place(stage):
    educator = an_assessor(stage.cast, stage.procedure, "Edith Ucator")
    AppointmentFactory(user=educator, role="educator", unit=stage.cast.wards.hospital)
    first = ticked(begun(stage))
    for whom in (educator, stage.other):
        ask(actor=stage.assessor, observation=first, whom=whom)
    observing.sign(signer=hand(first), observation=first)
    for whom in (educator, stage.other):
        decline(actor=whom, observation=first)
    assert [sees(educator, first), sees(stage.other, first)] == [True, False]


def test_a_second_rating_is_private_to_its_raters_educators_and_auditors(stage):
    first = signed(stage)
    second = rated_twice(stage, first)
    assert seen_of_cast(stage, second) == {"educator", "auditor"}
    for verb, said in ((acknowledge, {}), (reply, {"text": "I saw this"}), (dispute, {"reason": "Wrong"})):
        with pytest.raises(NotPermitted):
            verb(actor=stage.learner.user, observation=second, **said)


def test_two_second_raters_do_not_see_each_other_s(stage):
    third = an_assessor(stage.cast, stage.procedure, "Thea Third")
    first = signed(stage)
    second = rated_twice(stage, first)
    ask(actor=stage.assessor, observation=first, whom=third)
    made = ticked(begun(stage, actor=third, second_of=first))
    observing.sign(signer=hand(made), observation=made)
    assert [sees(third, second), sees(stage.other, made)] == [False, False]
    assert [sees(stage.assessor, each) for each in (second, made)] == [True, True]


@pytest.mark.parametrize("role", ["educator", "auditor"])
def test_whoever_is_observed_sees_no_second_rating_of_themselves_whatever_their_role(stage, role):
    user = stage.learner.user
    AppointmentFactory(user=user, role=role, unit=stage.cast.wards.hospital)
    first = signed(stage)
    second = rated_twice(stage, first)
    assert sees(user, first)
    assert not sees(user, second)


def test_a_page_out_of_sight_is_not_found(stage):
    second = rated_twice(stage, signed(stage))
    with pytest.raises(Http404):
        Observation.objects.seen_by(access_of(stage.learner.user), second.uuid)
    assert Observation.objects.seen_by(access_of(stage.other), second.uuid).get() == second


@pytest.mark.parametrize("number", [1, 4])
def test_what_somebody_may_see_costs_one_query_and_names_each_once(stage, number):
    for _ in range(number):
        rated_twice(stage, signed(stage))
    for user, seen in ((stage.cast.educator, 2 * number), (stage.assessor, 2 * number), (stage.other, 2 * number)):
        access = access_of(user)
        _ = access.units_for(Right.FIGURES)
        with CaptureQueriesContext(connection) as asked:
            assert len(list(Observation.objects.visible_to(access))) == seen
        assert len(asked) == 1


def test_what_the_queue_and_the_choice_of_a_rater_cost_does_not_grow(stage):
    asked = [begun(stage) for _ in range(4)]
    costs = []
    for made in asked:
        ask(actor=stage.assessor, observation=made, whom=stage.other)
        access = access_of(stage.other)
        with CaptureQueriesContext(connection) as seen:
            waiting = asked_of(access)
            assert all(each.observation.clinician.name and each.by.name for each in waiting)
        costs.append(len(seen))
    assert len(waiting) == 4
    assert costs == [1] * 4
    an_assessor(stage.cast, stage.procedure, "One More")
    with CaptureQueriesContext(connection) as few:
        may_second(asked[0])
    for number in range(3):
        an_assessor(stage.cast, stage.procedure, f"Many {number}")
    with CaptureQueriesContext(connection) as many:
        may_second(asked[0])
    assert len(few) == len(many)
