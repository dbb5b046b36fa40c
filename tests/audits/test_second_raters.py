"""A second rating of the same practice: asked of some, made without seeing the first, private, never counted."""

from uuid import UUID, uuid4

import pytest
from django.db import DatabaseError, connection, transaction
from django.test.utils import CaptureQueriesContext
from scipy.stats import binom

from audits import observing, second_raters
from audits.models import Observation, SecondAsked
from audits.observation_replies import reply
from audits.observing import NotEligible
from audits.second_raters import ask, asked_of, decline, drawn, may_second
from ledger.models import Act
from people.access import NotPermitted, access_of
from people.models import Stale
from people.problems import Problems
from tests.audits.observed import begun, hand, make_watched, rated_twice, signed, ticked
from tests.factories import SettingFactory, an_act, make_appointed


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
    assert list(asked_of(access_of(stage.other))) == [asked]
    assert list(asked_of(access_of(stage.assessor))) == []


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
    assert list(asked_of(access_of(stage.other))) == []
    assert SecondAsked.objects.get().declined is True
    with pytest.raises(NotPermitted):
        begun(stage, actor=stage.other, second_of=made)


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


# --- who sees what ---


def test_an_unsigned_observation_is_its_assessor_s_alone(stage):
    made = ticked(begun(stage))
    seen = {name for name, user in stage.cast.users().items() if sees(user, made)}
    assert seen == set()
    assert sees(stage.assessor, made)
    assert not sees(stage.other, made)


def test_a_signed_observation_is_seen_by_the_learner_its_assessor_educators_and_auditors(stage):
    made = signed(stage)
    seen = {name for name, user in stage.cast.users().items() if sees(user, made)}
    assert seen == {"owner", "educator", "auditor"}
    assert sees(stage.assessor, made)
    assert not sees(stage.other, made)


def test_who_is_asked_sees_the_first_only_after_signing_the_second(stage):
    first = signed(stage)
    second_raters.ask(actor=stage.assessor, observation=first, whom=stage.other)
    assert not sees(stage.other, first)
    second = ticked(begun(stage, actor=stage.other, second_of=first))
    assert not sees(stage.other, first)
    assert sees(stage.other, second)
    assert not sees(stage.assessor, second)
    observing.sign(signer=hand(second), observation=second)
    assert sees(stage.other, first)
    assert sees(stage.assessor, second)


def test_an_educator_who_is_asked_is_blind_too(stage):
    educator = make_appointed("educator", stage.cast.wards.hospital, "Edith Ucator")
    first = signed(stage)
    assert sees(educator, first)
    SecondAsked.objects.create(observation=first, whom=educator, by=stage.assessor, known_from_id=an_act())
    assert not sees(educator, first)


def test_a_second_rating_is_private_to_its_raters_educators_and_auditors(stage):
    first = signed(stage)
    second = rated_twice(stage, first)
    seen = {name for name, user in stage.cast.users().items() if sees(user, second)}
    assert seen == {"educator", "auditor"}
    with pytest.raises(NotPermitted):
        reply(actor=stage.learner.user, observation=second, text="I saw this")


def test_a_first_that_is_not_signed_yet_keeps_the_signed_second_from_its_rater(stage):
    first = ticked(begun(stage))
    second = rated_twice(stage, first)
    assert not sees(stage.assessor, second)
    observing.sign(signer=hand(first), observation=first)
    assert sees(stage.assessor, second)


def test_an_educator_observed_on_their_own_ward_sees_no_second_rating_of_themselves(stage):
    user = stage.learner.user
    from tests.factories import AppointmentFactory

    AppointmentFactory(user=user, role="educator", unit=stage.cast.wards.hospital)
    first = signed(stage)
    second = rated_twice(stage, first)
    assert sees(user, first)
    assert not sees(user, second)


def test_what_somebody_may_see_is_asked_in_as_few_queries_for_many(stage):
    access = access_of(stage.cast.educator)
    for _ in range(3):
        signed(stage)
    with CaptureQueriesContext(connection) as seen:
        assert Observation.objects.visible_to(access).count() == 3
    assert len(seen) == 1
