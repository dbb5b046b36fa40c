"""An altered observation, reply, dispute or second rating is found by `verify_ledger`, whoever went past the guard."""

import json
from datetime import date, timedelta
from uuid import UUID, uuid4

import pytest

from audits.integrity import observation_differences
from audits.models import Observation, ObservationDispute, ObservationDraft, ObservationReply, SecondAsked
from audits.observation_content import check
from audits.observation_replies import acknowledge, dispute, reply, take_back
from audits.observing import drop
from audits.second_raters import ask, decline
from ledger.canonical import canonical, digest
from ledger.models import Act
from tests.audits.conftest import NOW
from tests.audits.observed import begun, make_watched, rated_twice, signed
from tests.audits.observed import problems as found
from tests.factories import SignedObservationFactory, an_act
from tests.ledger.conftest import unguard

pytestmark = [pytest.mark.django_db, pytest.mark.std("A-03")]


@pytest.fixture
def stage(now):
    """A register with an observation of every kind in it, that holds, and whose guard is then lifted."""
    stage = make_watched()
    first = signed(stage, said={"met": False}, hands="prompted")
    rated_twice(stage, first)
    learner = stage.learner.user
    acknowledge(actor=learner, observation=first, text="Thank you.")
    reply(actor=stage.assessor, observation=first, text="See you on Monday.")
    dispute(actor=learner, observation=first, reason="I was not prompted.")
    take_back(actor=learner, observation=first)
    dispute(actor=stage.assessor, observation=first, reason="Wrong person chosen.")
    signed(stage, begin={"purpose": "learning"})
    left = begun(stage)
    ask(actor=stage.assessor, observation=left, whom=stage.other)
    drop(actor=stage.assessor, observation=left, reason="Called away")
    waiting = begun(stage, uuid=UUID(int=0xFFFFFFFF))  # which is not drawn
    ask(actor=stage.assessor, observation=waiting, whom=stage.other)
    decline(actor=stage.other, observation=waiting)
    assert found() == []
    unguard()
    return stage


def a_first():
    return Observation.objects.get(verdict="not_yet")


def an_open_one():
    return Observation.objects.get(signed=None, known_until=None)


def given_up():
    return Observation.objects.get(known_until__isnull=False)


# Which row, what is done to it, and the words in which it is found.
ALTERED = {
    "the purpose": (a_first, {"purpose": "learning"}, "is not what was begun"),
    "the purpose of one that is open": (an_open_one, {"purpose": "learning"}, "is not what was begun"),
    "the setting of one that is open": (an_open_one, {"setting": "simulation"}, "is not what was begun"),
    "that a second rating was drawn": (an_open_one, {"second_wanted": True}, "is not what was begun"),
    "the day": (a_first, {"observed_on": date(2026, 2, 2)}, "observed_on not as signed"),
    "the verdict": (a_first, {"verdict": "met"}, "verdict not as signed"),
    "what was missed": (a_first, {"missed": ""}, "missed not as signed"),
    "the rating": (a_first, {"rating": 3}, "rating not as signed"),
    "the level recommended": (a_first, {"recommended": "alone"}, "recommended not as signed"),
    "that it stopped": (a_first, {"stopped": True}, "stopped not as signed"),
    "the digest": (a_first, {"digest": "0" * 64}, "digest not as signed"),
    "the printed name": (a_first, {"printed_name": "Somebody Else"}, "does not match what was signed"),
    "the role": (a_first, {"role": "Educator"}, "does not match what was signed"),
    "the meaning": (a_first, {"meaning": "glanced at"}, "does not match what was signed"),
    "on what it rests": (a_first, {"award": None}, "does not match what was signed"),
    "that it is a second rating": (
        lambda: Observation.objects.get(second_of__isnull=False), {"second_of": None}, "is not what was begun",
    ),
    "that it was given up": (given_up, {"known_until": None}, "was given up and is there again"),
    "what was replied": (lambda: ObservationReply.objects.last(), {"text": "I agree."}, "is not what was said"),
    "who replied": (
        lambda: ObservationReply.objects.last(), {"by": lambda stage: stage.other}, "is not what was said",
    ),
    "when it was replied": (
        lambda: ObservationReply.objects.last(), {"said_at": NOW - timedelta(days=9)}, "is not what was said",
    ),
    "that it was read": (
        lambda: ObservationReply.objects.get(kind="acknowledged"), {"kind": "reply"}, "is not what was said",
    ),
    "the reason of a dispute": (
        lambda: ObservationDispute.objects.last(), {"reason": "Because."}, "is not what its act brought in",
    ),
    "the day of a dispute": (
        lambda: ObservationDispute.objects.last(), {"opened_on": date(2026, 3, 1)}, "is not what its act brought in",
    ),
    "that a dispute was taken back": (
        lambda: ObservationDispute.objects.first(), {"known_until": None}, "was taken back and is open",
    ),
    "how a dispute ended": (
        lambda: ObservationDispute.objects.first(), {"outcome": "upheld"}, "was not taken back like this",
    ),
    "that a dispute is open": (lambda: ObservationDispute.objects.last(), {"outcome": "upheld"}, "open and decided"),
    "whom one asked": (
        lambda: SecondAsked.objects.first(), {"whom": lambda stage: stage.assessor}, "is not what was asked for",
    ),
    "that a second rating was declined": (
        lambda: SecondAsked.objects.get(declined=True), {"declined": None}, "did not end like this",
    ),
    "that a second rating is still asked for": (
        lambda: SecondAsked.objects.get(declined=True), {"known_until": None, "declined": None}, "declined of",
    ),
    "that a second rating that was made was declined": (
        lambda: SecondAsked.objects.first(), {"declined": True}, "did not end like this",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", ALTERED)
def test_an_altered_row_is_found(stage, what):
    choose, changes, words = ALTERED[what]
    row = choose()
    changes = {name: value(stage) if callable(value) else value for name, value in changes.items()}
    type(row)._base_manager.filter(pk=row.pk).update(**changes)
    assert any(words in reason for reason in found()), found()


def test_a_content_that_was_rewritten_with_its_digest_and_columns_is_found(stage):
    """Whoever makes all of a row fit together has still not signed it."""
    row = a_first()
    rewritten = row.content.replace('"prompted"', '"met"').replace('["hands"]', "[]")
    rewritten = rewritten.replace('"verdict":"not_yet"', '"verdict":"met"')
    Observation.objects.filter(pk=row.pk).update(content=rewritten, digest=digest(rewritten), verdict="met", missed="")
    row.refresh_from_db()
    assert observation_differences(row) == ()
    assert any("does not match what was signed" in reason for reason in found())


@pytest.mark.parametrize("model", [ObservationReply, ObservationDispute, SecondAsked])
def test_a_row_that_is_no_longer_there_is_found(stage, model):
    for row in model._base_manager.all():
        model._base_manager.filter(pk=row.pk).delete()
        assert any("missing" in reason for reason in found())


def test_an_observation_that_is_no_longer_there_is_found(stage):
    row = Observation.objects.get(purpose="learning")
    row.delete()
    assert {f"observations begun: observation {row.uuid} is missing",
            f"observations signed: the signature of observation {row.uuid} is missing"} <= set(found())  # fmt: skip


def test_an_observation_that_nobody_began_or_signed_is_found(stage):
    first = a_first()
    made = SignedObservationFactory(
        clinician=stage.learner, procedure=stage.procedure, unit=stage.ward, assessor=stage.assessor,
        checklist=stage.checklist,
    )  # fmt: skip
    assert any(f"{made.uuid} is not what was begun" in reason for reason in found())
    assert any(f"{made.uuid} does not match what was signed" in reason for reason in found())
    assert not any(str(first.uuid) in reason for reason in found())


def test_a_second_row_hung_on_the_act_of_the_first_is_found(stage):
    row = a_first()
    row.pk, row.uuid = None, uuid4()
    row.save(force_insert=True)
    assert any(f"observation {row.uuid} is not what was begun" in reason for reason in found())


def test_a_signature_that_was_taken_away_is_found(stage):
    row = a_first()
    Observation.objects.filter(pk=row.pk).update(
        signed=None, signed_at=None, content="", digest="", verdict="", rating=None
    )
    assert any(f"the signature of observation {row.uuid} is missing" in reason for reason in found())


def test_what_was_signed_is_whole_and_its_words_stand_beside_the_act(stage):
    row = a_first()
    assert observation_differences(row) == ()
    assert check(row).content == row.content == canonical(json.loads(row.content))
    act = Act.objects.get(seq=row.signed_id)
    assert "Calm, well prepared." in act.payload.body
    assert "Calm" not in act.content


def test_the_least_valid_signed_row_of_the_tests_fits_together(stage):
    made = SignedObservationFactory(
        clinician=stage.learner, procedure=stage.procedure, unit=stage.ward, assessor=stage.assessor,
        checklist=stage.checklist, kept={"stopped": False},
    )  # fmt: skip
    made.refresh_from_db()
    assert observation_differences(made) == ()
    assert (made.verdict, made.signed_at - made.observed_at) == ("met", timedelta(hours=1))
    assert not ObservationDraft.objects.filter(observation=made).exists()
    assert an_act() > made.signed_id
