"""What the learner and others say to an observation: read, replied, disputed, taken back."""

import pytest
from django.db import DatabaseError, transaction

from audits.models import ObservationDispute, ObservationReply
from audits.observation_replies import acknowledge, dispute, reply, take_back
from ledger.models import Act
from people.access import NotPermitted
from people.models import Stale
from people.problems import Problems
from tests.audits.observed import begun, make_watched, signed, ticked


@pytest.fixture
def stage(db, now):
    return make_watched()


@pytest.fixture
def observation(stage):
    return signed(stage)


def test_the_learner_says_once_that_it_was_read(stage, observation):
    made = acknowledge(actor=stage.learner.user, observation=observation, text="Thank you.")
    assert (made.kind, made.text) == ("acknowledged", "Thank you.")
    assert Act.objects.get(seq=made.made_id).kind == "observation.acknowledged"
    with pytest.raises(Problems, match="before"):
        acknowledge(actor=stage.learner.user, observation=observation)


@pytest.mark.parametrize("who", ["colleague", "educator", "supervisor", "manager", "outsider"])
def test_nobody_else_says_that_it_was_read(stage, observation, who):
    with pytest.raises(NotPermitted):
        acknowledge(actor=stage.cast.users()[who], observation=observation)


@pytest.mark.parametrize(
    ("who", "may"),
    [("owner", True), ("educator", True), ("colleague", False), ("manager", False), ("auditor", False),
     ("supervisor", False)],
)  # fmt: skip
def test_who_may_reply_and_dispute(stage, observation, who, may):
    user = stage.cast.users()[who]
    if may:
        assert reply(actor=user, observation=observation, text="I was prompted only once.").by == user
        assert dispute(actor=user, observation=observation, reason="The tourniquet was released.").by == user
    else:
        for verb, said in ((reply, {"text": "I say"}), (dispute, {"reason": "Wrong"})):
            with pytest.raises(NotPermitted):
                verb(actor=user, observation=observation, **said)


def test_the_assessor_may_dispute_what_they_signed(stage, observation):
    assert dispute(actor=stage.assessor, observation=observation, reason="Wrong person chosen.").opened_on


def test_a_dispute_touches_the_learner_s_standing_and_there_is_one_at_a_time(stage, observation):
    made = dispute(actor=stage.learner.user, observation=observation, reason="I was not prompted.")
    touched = Stale.objects.filter(act=made.known_from_id).values_list("clinician", "procedure")
    assert list(touched) == [(stage.learner.pk, stage.procedure.pk)]
    with pytest.raises(Problems, match="disputed already"):
        dispute(actor=stage.assessor, observation=observation, reason="So do I.")


def test_only_who_disputed_takes_it_back_and_may_dispute_again(stage, observation):
    dispute(actor=stage.learner.user, observation=observation, reason="I was not prompted.")
    with pytest.raises(NotPermitted):
        take_back(actor=stage.assessor, observation=observation)
    take_back(actor=stage.learner.user, observation=observation)
    row = ObservationDispute.objects.get()
    assert (row.outcome, row.known_until_id, row.decided_id) == ("taken_back", row.decided_id, row.known_until_id)
    assert Stale.objects.filter(cause="observation.dispute_taken_back", clinician=stage.learner).exists()
    with pytest.raises(Problems, match="not disputed"):
        take_back(actor=stage.learner.user, observation=observation)
    assert dispute(actor=stage.learner.user, observation=observation, reason="I was not prompted, still.")


def test_what_is_not_signed_is_not_talked_about(stage):
    made = ticked(begun(stage))
    for verb, said in ((acknowledge, {}), (reply, {"text": "What?"}), (dispute, {"reason": "What?"})):
        with pytest.raises(Problems, match="not signed"):
            verb(actor=stage.learner.user, observation=made, **said)


@pytest.mark.std("B-40")
def test_a_reply_that_may_tell_who_a_patient_is_is_refused(stage, observation):
    with pytest.raises(Problems):
        reply(actor=stage.learner.user, observation=observation, text="That was MRN 12345678")
    with pytest.raises(Problems, match="Write what"):
        reply(actor=stage.learner.user, observation=observation, text="")
    with pytest.raises(Problems, match="Say what is wrong"):
        dispute(actor=stage.learner.user, observation=observation, reason="")
    assert not ObservationReply.objects.exists()


@pytest.mark.std("A-13")
def test_what_was_said_is_never_changed_or_deleted(stage, observation):
    made = reply(actor=stage.learner.user, observation=observation, text="I disagree.")
    with pytest.raises(DatabaseError), transaction.atomic():
        ObservationReply.objects.filter(pk=made.pk).update(text="I agree.")
    with pytest.raises(DatabaseError), transaction.atomic():
        ObservationReply.objects.filter(pk=made.pk).delete()
