"""The return step after long leave: signed as done on its evidence, or early with a reason."""

import json
import re
from datetime import date, datetime, timedelta

import pytest
from django.urls import reverse

from audits.holding import Refusal, may_supervise
from audits.models import Completion, Restriction
from credentials.awarding import award, check_award
from credentials.restricting import Decision, decide, standing_restrictions
from credentials.returning import open_step, sign_as_done
from credentials.rules.answers import Answer
from credentials.rules.standing import answer_at_home
from credentials.standings import judge_many, refresh
from ledger import clock
from ledger.acts import head
from ledger.models import Act
from ledger.verify import verify
from people.access import NotPermitted
from people.models import Clinician
from people.problems import Problems
from people.signing import NotConfirmed
from people.staffing import set_absence
from tests.audits.conftest import give_award
from tests.credentials.conftest import NOW, TODAY, sign
from tests.factories import SECRET, make_appointed, make_clinician
from tests.ledger.conftest import unguard

pytestmark = pytest.mark.django_db
BACK = date(2026, 2, 10)
EARLY = "Worked in theatre elsewhere all the time; papers seen."


@pytest.fixture
def returned(stage):
    """Who holds the procedure and was away from 1 June until 10 February."""
    give_award(stage.learner, stage.procedure, stage.cast.wards.department, long_absence_days=180)
    set_absence(actor=stage.educator, clinician=stage.learner, from_day=date(2025, 6, 1), until_day=BACK)
    return stage.learner


def answer(stage, on=TODAY, known=None):
    judged = judge_many([stage.pair], on=on, known=known)[stage.pair]
    return answer_at_home(judged.standing, on=on).answer.value


def signed(stage, who, reason="", **said):
    digest = open_step(stage.learner, stage.procedure).digest(said.get("shown", reason))
    signer = sign(who, digest, meaning="return step signed as done")
    return sign_as_done(signer=signer, clinician=stage.learner, procedure=stage.procedure, reason=reason)


def test_it_ends_early_with_a_reason_and_what_was_known_before_stays(stage, returned):
    step = open_step(returned, stage.procedure)
    assert (step.returned, step.line.have, step.line.need, step.is_early) == (BACK, 0, 3, True)
    assert answer(stage) == "in_room"
    before = head()
    with pytest.raises(Problems, match="say why it ends now"):
        signed(stage, stage.educator)
    made = signed(stage, stage.educator, EARLY)
    said = (made.kind, made.on, made.verified_by, made.about)
    assert said == ("return", TODAY, stage.educator.name, EARLY.removesuffix("."))
    assert made.result == "0 of 3 supervised insertions, ended early"
    assert answer(stage) == "alone"
    assert answer(stage, TODAY - timedelta(days=1)) == "in_room"
    assert answer(stage, known=before) == "in_room"


def test_with_the_insertions_done_no_reason_is_asked_and_what_it_was_made_on_is_kept(stage, returned):
    for place in range(3):
        stage.log(datetime(2026, 2, 20, 10, 0) + timedelta(days=place))  # noqa: DTZ001 - the unit's own time
    assert answer(stage) == "alone"
    made = signed(stage, stage.educator)
    assert (made.result, made.about) == ("3 of 3 supervised insertions", "")
    act = Act.objects.get(seq=made.known_from_id)
    assert (act.kind, act.facts["signature"]["printed_name"]) == ("return_step.signed", stage.educator.name)
    stood = act.facts["stood"]
    assert (stood["have"], stood["need"], stood["returned"], stood["known"]) == (3, 3, "2026-02-10", act.seq - 1)
    with pytest.raises(Problems, match="waits for a signature"):
        open_step(returned, stage.procedure)


def test_supervising_comes_back_with_the_signature(stage):
    department = stage.cast.wards.department
    user = make_appointed("supervisor", department, "Re Turner")
    holder = make_clinician(stage.ward, user.name, account=False)
    Clinician.objects.filter(pk=holder.pk).update(user=user)
    give_award(holder, stage.procedure, department, long_absence_days=180)
    set_absence(actor=stage.educator, clinician=holder, from_day=date(2025, 6, 1), until_day=BACK)

    def supervises():
        held = may_supervise(user, unit=stage.ward.pk, procedure=stage.procedure.pk, on=TODAY)
        return held.reason if isinstance(held, Refusal) else "yes"

    assert supervises() == "return_step"
    step = open_step(holder, stage.procedure)
    signer = sign(stage.educator, step.digest(EARLY), meaning="return step signed as done")
    sign_as_done(signer=signer, clinician=holder, procedure=stage.procedure, reason=EARLY)
    assert supervises() == "yes"


@pytest.mark.parametrize("who", ["owner", "supervisor", "manager", "assessor", "auditor", "administrator", "outsider"])
def test_only_an_educator_signs_it_and_never_their_own(stage, returned, who):
    with pytest.raises(NotPermitted):
        signed(stage, stage.cast.users()[who], EARLY)
    assert not Completion.objects.filter(kind="return").exists()


def test_what_was_signed_is_what_was_shown(stage, returned):
    with pytest.raises(NotConfirmed):
        signed(stage, stage.educator, EARLY, shown="Another reason.")
    digest = open_step(returned, stage.procedure).digest(EARLY)
    stage.log(datetime(2026, 2, 20, 10, 0))  # noqa: DTZ001 - the unit's own time
    with pytest.raises(NotConfirmed):
        sign_as_done(
            signer=sign(stage.educator, digest), clinician=returned, procedure=stage.procedure, reason=EARLY
        )  # fmt: skip


def test_none_waits_for_who_was_not_away_or_may_not_insert_for_another_reason(stage, returned):
    with pytest.raises(Problems, match="No return step"):
        open_step(Clinician.objects.get(user=stage.supervisors[0]), stage.procedure)
    decision = Decision(clinician=returned, kind="suspension", reason="Until talked over.")
    decide(signer=sign(stage.educator, decision.digest), decision=decision)
    with pytest.raises(Problems, match="No return step"):
        open_step(returned, stage.procedure)


def test_a_signed_return_step_that_is_altered_or_taken_away_is_found(stage, returned):
    made = signed(stage, stage.educator, EARLY)
    assert verify().problems == ()
    unguard()
    Completion.objects.filter(pk=made.pk).update(on=BACK)
    assert [each.reason for each in verify().problems if each.reason.startswith("completions")] == [
        f"completions: completion {made.uuid} is not what its act brought in",
        "completions: 1 completions that the act brought in are missing",
    ]


def test_on_screen_it_is_offered_checked_and_signed(client, stage, returned):
    client.force_login(stage.educator)
    person, url = (
        reverse("person", args=[returned.uuid]),
        reverse("return_step", args=[returned.uuid, stage.procedure.pk]),
    )
    assert url in client.get(person).content.decode()
    page = client.get(url).content.decode()
    assert re.search("have 0, need 3", page)
    assert "Enter “Why it ends early”" in client.post(url, {"reason": ""}).content.decode()
    said = {"reason": EARLY}
    check = client.post(url, said)
    assert "ends early" in check.content.decode()
    assert not Completion.objects.filter(kind="return").exists()
    signing = {"email": stage.educator.email, "secret": SECRET, "shown": check.context["form"].initial["shown"]}
    assert client.post(url, {**said, **signing}).status_code == 302
    assert answer(stage) == "alone"
    page = client.get(person).content.decode()
    assert url not in page
    assert EARLY.removesuffix(".") in page
    assert client.get(url).status_code == 404


def test_another_long_leave_asks_anew(stage, returned):
    signed(stage, stage.educator, EARLY)
    set_absence(
        actor=stage.educator, clinician=returned, from_day=TODAY + timedelta(days=1),
        until_day=TODAY + timedelta(days=201),
    )  # fmt: skip
    with clock.at(NOW + timedelta(days=210)):
        assert open_step(returned, stage.procedure).returned == TODAY + timedelta(days=201)
        assert answer(stage, TODAY + timedelta(days=210)) == "in_room"


def test_who_lapsed_and_learned_anew_is_offered_the_award_once_all_terms_are_met_and_not_before(stage, client):
    long_ago = {"anchor": date(2022, 1, 1), "from_day": date(2022, 1, 1), "expires_on": date(2024, 1, 1)}
    give_award(stage.learner, stage.procedure, stage.cast.wards.department, **long_ago)
    client.force_login(stage.educator)
    awarded_at = reverse("award", args=[stage.learner.uuid, stage.procedure.pk])

    def offered():
        refresh()
        ready = client.get(reverse("today")).content.decode().partition("Ready for award")[2].partition("</section>")[0]
        person = client.get(reverse("person", args=[stage.learner.uuid])).content.decode()
        return stage.learner.name in ready, awarded_at in person

    assert offered() == (False, False)
    stage.ready_to_learn(TODAY - timedelta(days=30))
    assert offered() == (False, False)
    stage.ten_insertions(datetime(2026, 2, 10, 10, 0))  # noqa: DTZ001 - the unit's own time
    assert answer_at_home(judge_many([stage.pair])[stage.pair].standing, on=TODAY).status == "lapsed"
    assert offered() == (True, True)
    shown = check_award(stage.learner, stage.procedure)
    award(
        signer=sign(stage.educator, shown.digest), clinician=stage.learner, procedure=stage.procedure,
        scope_unit=stage.cast.wards.department,
    )  # fmt: skip
    assert offered() == (False, False)


def test_a_return_plan_ends_with_the_award_that_it_led_to(stage):
    long_ago = {"anchor": date(2022, 1, 1), "from_day": date(2022, 1, 1), "expires_on": date(2024, 1, 1)}
    give_award(stage.learner, stage.procedure, stage.cast.wards.department, **long_ago)
    decision = Decision(
        clinician=stage.learner, kind="return_plan", procedure=stage.procedure, reason="Back after two years.",
        answer=Answer.IN_ROOM, due_on=TODAY + timedelta(days=90), insertions=3,
    )  # fmt: skip
    decide(signer=sign(stage.educator, decision.digest), decision=decision)
    stage.ready_to_learn(TODAY)
    later = NOW + timedelta(days=20)
    with clock.at(later):
        stage.ten_insertions(datetime(2026, 3, 5, 10, 0))  # noqa: DTZ001 - the unit's own time
    with clock.at(later):
        assert answer(stage, later.date()) == "in_room"
        before = head()
        shown = check_award(stage.learner, stage.procedure)
        department = stage.cast.wards.department
        award(
            signer=sign(stage.educator, shown.digest), clinician=stage.learner, procedure=stage.procedure,
            scope_unit=department,
        )  # fmt: skip
        assert answer(stage, later.date()) == "alone"
        assert answer(stage, later.date(), known=before) == "in_room"
        assert standing_restrictions(stage.learner, later.date()) == []
    assert verify().problems == ()
    ended = Restriction.objects.known().get()
    assert (ended.until_day, json.loads(ended.basis)["end_reason"]) == (later.date(), "Awarded again.")
    unguard()
    Restriction.objects.filter(pk=ended.pk).update(until_day=TODAY + timedelta(days=2))
    found = [each.reason for each in verify().problems if each.reason.startswith("restrictions")]
    assert found == [f"restrictions: restriction {ended.uuid} does not match what was signed"]
