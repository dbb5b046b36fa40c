"""Moving an enrolment to another version: decided, signed, and the learning goes on."""

from datetime import timedelta

import pytest
from django.urls import reverse

from credentials import moving, restricting, standings
from credentials.models import Enrolment, Programme
from credentials.rules.answers import Status
from credentials.rules.terms import Terms
from ledger import acts
from ledger.models import Act
from ledger.verify import verify
from people.access import NotPermitted
from people.problems import Problems
from people.signing import NotConfirmed
from tests.credentials.conftest import TODAY, put_in_force, sign
from tests.credentials.test_life import BEGUN, FIRST, make_award
from tests.factories import SECRET
from tests.ledger.conftest import unguard

WHY = "The new version asks less, and fits who learns now."


@pytest.fixture
def learning(stage):
    """Ten insertions under the first version; a second asks for six and an observation since today."""
    stage.ready_to_learn(BEGUN)
    stage.ten_insertions(FIRST)
    put_in_force(Programme, stage, Terms(insertions=6, observations=1, supervisors=0).to_content(), effective_on=TODAY)
    return stage


def moved(stage, reason=WHY, by=None):
    found = moving.check_move(stage.learner, stage.procedure)
    signer = sign(by or stage.educator, found.digest(reason), meaning=moving.MOVED)
    return moving.move(signer=signer, clinician=stage.learner, procedure=stage.procedure, reason=reason)


def versions(stage):
    rows = Enrolment.objects.known().filter(clinician=stage.learner).order_by("pk")
    return [(row.programme.version, row.from_day, row.until_day) for row in rows]


def test_a_new_version_moves_nobody_by_itself(learning):
    assert versions(learning) == [(1, BEGUN, None)]
    assert standings.read(*learning.pair).home.status is Status.READY_FOR_AWARD


def test_the_check_shows_both_versions_side_by_side(learning):
    found = moving.check_move(learning.learner, learning.procedure)
    lines = {each.label: (each.before and each.before[1:3], each.after and each.after[1:3]) for each in found.lines}
    assert lines["Supervised insertions"] == ((10, 10), (10, 6))
    assert lines["Different supervisors"] == ((2, 2), None)
    assert lines["Observations for a decision"] == (None, (0, 1))


def test_a_move_is_signed_and_the_time_of_learning_goes_on(learning):
    before = acts.head()
    shown = moving.check_move(learning.learner, learning.procedure)
    made = moved(learning)
    assert made.programme.version == 2
    assert versions(learning) == [(1, BEGUN, TODAY), (2, TODAY, None)]
    now = standings.judge_many([learning.pair])[learning.pair].standing
    assert (*now.entry, *now.award) == shown.after
    assert standings.read(*learning.pair).home.status is Status.IN_TRAINING
    assert standings.read(*learning.pair, known=before).home.status is Status.READY_FOR_AWARD
    act = Act.objects.get(kind="enrolment.moved")
    assert act.subject == learning.learner.uuid
    assert act.facts["signature"]["meaning"] == moving.MOVED
    assert act.facts["before"][-1]["label"] == "Different days"
    standings.refresh()
    assert standings.differences() == []
    assert not list(verify().problems)


def test_what_was_signed_is_what_was_shown(learning):
    shown = moving.check_move(learning.learner, learning.procedure)
    signer = sign(learning.educator, shown.digest(WHY))
    learning.log(FIRST + timedelta(days=30))
    with pytest.raises(NotConfirmed):
        moving.move(signer=signer, clinician=learning.learner, procedure=learning.procedure, reason=WHY)
    with pytest.raises(NotConfirmed):
        moving.move(
            signer=sign(learning.educator, shown.digest("Another.")),
            clinician=learning.learner,
            procedure=learning.procedure,
            reason=WHY,
        )
    assert versions(learning) == [(1, BEGUN, None)]


def test_only_an_educator_moves_and_nobody_themselves(learning):
    for user in (learning.learner.user, learning.supervisors[0], learning.cast.manager):
        with pytest.raises(NotPermitted):
            moved(learning, by=user)


@pytest.mark.parametrize("reason", ["", "   ", "x" * 301])
def test_a_move_asks_why(learning, reason):
    with pytest.raises(Problems):
        moved(learning, reason=reason)
    assert versions(learning) == [(1, BEGUN, None)]


def test_without_another_version_there_is_nothing_to_move_to(stage):
    with pytest.raises(Problems, match="not enrolled"):
        moving.check_move(stage.learner, stage.procedure)
    stage.ready_to_learn(BEGUN)
    with pytest.raises(Problems, match="No other version"):
        moving.check_move(stage.learner, stage.procedure)


def test_an_enrolment_from_before_a_withdrawal_is_not_revived_by_a_move(learning):
    make_award(learning)
    Enrolment.objects.create(
        clinician=learning.learner,
        procedure=learning.procedure,
        programme=Programme.objects.get(procedure=learning.procedure, version=1),
        from_day=BEGUN,
        known_from_id=acts.head(),
    )
    decision = restricting.Decision(
        clinician=learning.learner, kind="withdrawal", reason="Unsafe with sharps.", procedure=learning.procedure
    )
    restricting.decide(signer=sign(learning.educator, decision.digest), decision=decision)
    with pytest.raises(Problems, match="from before a withdrawal"):
        moving.check_move(learning.learner, learning.procedure)


def test_an_award_after_a_move_is_on_the_terms_moved_to(learning):
    put_in_force(
        Programme, learning, Terms(insertions=6, months=12, provisional_months=6).to_content(), effective_on=TODAY
    )
    moved(learning)
    made = make_award(learning)
    assert made.months == 12


@pytest.mark.parametrize("field", [{"programme_id": 1}, {"from_day": BEGUN}])
def test_a_moved_enrolment_altered_afterwards_is_found(learning, field):
    made = moved(learning)
    if "programme_id" in field:
        field = {"programme_id": Programme.objects.get(procedure=learning.procedure, version=1).pk}
    unguard()
    Enrolment.objects.filter(pk=made.pk).update(**field)
    found = [each.reason for each in verify().problems if "the guard is missing" not in each.reason]
    assert any("enrolment" in reason for reason in found)


def test_a_move_on_screen(client, learning):
    client.force_login(learning.educator)
    person = reverse("person", args=[learning.learner.uuid])
    url = reverse("enrolment_move", args=[learning.learner.uuid, learning.procedure.pk])
    assert url in client.get(person, {"procedure": learning.procedure.pk}).content.decode()
    asked = client.get(url).content.decode()
    assert "have 10, need 6: met" in asked
    assert "not asked" in asked
    assert "Check before you sign" not in client.post(url, {"reason": " "}).content.decode()
    check = client.post(url, {"reason": WHY})
    assert "Check before you sign" in check.content.decode()
    assert WHY in check.content.decode()
    body = {"reason": WHY, "email": learning.educator.email, "secret": SECRET}
    done = client.post(url, body | {"shown": check.context["form"].initial["shown"]})
    assert done.status_code == 302
    assert versions(learning)[-1] == (2, TODAY, None)
    assert client.get(url).status_code == 404
    assert url not in client.get(person, {"procedure": learning.procedure.pk}).content.decode()
