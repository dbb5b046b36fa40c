# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""What hangs about somebody, entry by entry: told apart before an award is signed, and kept with it."""

import json
from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from django.urls import reverse

from audits import countersigning, disputes
from audits.awards import end_award
from audits.models import Award, Insertion
from credentials import awarding
from credentials.hanging import hanging
from credentials.models import Rules
from credentials.rules.ruleset import default_content
from credentials.rules.terms import Terms
from credentials.unsettled import unsettled
from ledger.acts import recording
from ledger.canonical import canonical
from tests.audits.conftest import FAILED, WORKED, give_award
from tests.credentials.conftest import TODAY, put_in_force, sign
from tests.factories import FlagFactory, InsertionFactory, ObservationFactory

FIRST = datetime(2026, 1, 12, 10, 0)
LATER = datetime(2026, 2, 12, 10, 0)


@pytest.fixture
def learner(stage):
    """Enrolled, with ten that are signed and everything settled."""
    stage.ready_to_learn(FIRST.date())
    stage.ten_insertions(FIRST)
    return stage.learner


def found(stage):
    return unsettled(stage.learner, stage.procedure)


def uuids(rows):
    return [row.uuid for row in rows]


def page_of(client, stage):
    client.force_login(stage.educator)
    answer = client.get(reverse("award", args=[stage.learner.uuid, stage.procedure.pk]))
    return answer.content.decode()


def awarded(stage):
    check = awarding.check_award(stage.learner, stage.procedure)
    return awarding.award(
        signer=sign(stage.educator, check.digest, meaning=awarding.AWARDED),
        clinician=stage.learner, procedure=stage.procedure, scope_unit=stage.cast.wards.department,
    )  # fmt: skip


def test_where_everything_is_signed_nothing_hangs(client, stage, learner):
    assert not found(stage)
    assert "Nothing hangs" in page_of(client, stage)


def test_failures_nobody_signed_are_told_apart_from_what_worked(client, stage, learner):
    worked = stage.log(LATER, signed=False)
    none = stage.log(LATER + timedelta(days=1), signed=False, attempts=(FAILED,))
    second = stage.log(LATER + timedelta(days=2), signed=False, attempts=(FAILED, WORKED))
    stage.log(LATER + timedelta(days=3), attempts=(FAILED,))
    assert uuids(found(stage).failures) == [none.uuid, second.uuid]
    assert uuids(found(stage).unsigned) == [worked.uuid, none.uuid, second.uuid]
    shown = page_of(client, stage)
    assert "2 failures not countersigned" in shown
    assert "looks better than it is" in shown
    assert "1 other insertion without a signature" in shown
    for row in (worked, none, second):
        assert shown.count(f'href="{reverse("entry", args=[row.uuid])}"') == 1
    assert "no working cannula" in shown


def test_one_without_an_attempt_is_unsigned_and_no_failure(stage, learner):
    row = stage.log(LATER, signed=False, attempts=(), not_attempted="no_vein")
    assert (uuids(found(stage).unsigned), found(stage).failures) == ([row.uuid], ())


def test_one_taken_over_by_somebody_is_a_failure_though_it_says_that_it_worked(stage, learner):
    row = InsertionFactory(
        clinician=learner, procedure=stage.procedure, unit=stage.ward, supervisor=stage.supervisors[0], taken_over=True
    )
    assert (row.result, uuids(found(stage).failures)) == ("first_time", [row.uuid])


def test_what_was_brought_in_from_paper_waits_for_no_signature(stage, learner):
    InsertionFactory(
        clinician=learner, procedure=stage.procedure, unit=stage.ward, supervisor=stage.supervisors[0], source="paper"
    )
    assert not found(stage)
    assert not hanging([learner.pk], stage.procedure)[learner.pk]


def test_a_dispute_leads_to_where_it_is_decided(client, stage, learner):
    row = Insertion.objects.known().filter(clinician=learner).first()
    disputes.open_dispute(actor=stage.educator, insertion=row, about="result", reason="It was otherwise.")
    assert [each.insertion for each in found(stage).disputed] == [row]
    shown = page_of(client, stage)
    assert "1 disagreement open" in shown
    assert reverse("disagreement", args=[row.uuid]) in shown


def test_a_countersignature_in_question_leads_to_where_it_is_decided(client, stage, learner):
    with recording(actor=None, kind="award.made") as rec:
        holder = Award.objects.known().get(clinician__user=stage.supervisors[0])
        end_award(rec, holder, date(2026, 1, 1))
    assert len(found(stage).in_question) == 5
    shown = page_of(client, stage)
    assert "5 countersignatures in question" in shown
    assert reverse("in_question") in shown


def test_an_observation_begun_and_not_signed_is_named_and_a_second_rating_is_not(client, stage, learner):
    assessor = stage.second
    first = ObservationFactory(clinician=learner, procedure=stage.procedure, unit=stage.ward, assessor=assessor)
    ObservationFactory(
        clinician=learner, procedure=stage.procedure, unit=stage.ward, assessor=stage.supervisors[0], second_of=first,
        checklist=first.checklist,
    )  # fmt: skip
    assert uuids(found(stage).begun) == [first.uuid]
    assert hanging([learner.pk], stage.procedure)[learner.pk].begun == 1
    shown = page_of(client, stage)
    assert "1 observation begun and not signed" in shown
    assert assessor.name in shown


def test_an_observation_overdue_by_the_local_rules_is_said(client, stage, learner):
    content = default_content()
    content["rules"]["observation_overdue"] |= {"on": True, "learning_days": 20}
    put_in_force(Rules, stage, content, effective_on=TODAY)
    assert "Not observed with a patient since" in awarding.check_award(learner, stage.procedure).open.overdue
    assert "Not observed with a patient since" in page_of(client, stage)


def test_an_open_question_leads_to_its_review(client, stage, learner):
    flag = FlagFactory(clinician=learner, procedure=stage.procedure, raised_on=TODAY)
    shown = page_of(client, stage)
    assert "1 open question" in shown
    assert reverse("review", args=[flag.uuid]) in shown


def test_what_was_listed_is_kept_with_the_award(stage, learner):
    failed = stage.log(LATER, signed=False, attempts=(FAILED,))
    worked = stage.log(LATER + timedelta(days=1), signed=False)
    flag = FlagFactory(clinician=learner, procedure=stage.procedure, raised_on=TODAY)
    disputed = Insertion.objects.known().filter(clinician=learner, uuid=worked.uuid).get()
    disputes.open_dispute(actor=stage.educator, insertion=disputed, about="result", reason="It was otherwise.")
    kept = json.loads(awarded(stage).basis)
    assert kept["unsigned"] == [str(failed.uuid), str(worked.uuid)]
    assert kept["failures_unsigned"] == [str(failed.uuid)]
    assert kept["disputed"] == [str(worked.uuid)]
    assert kept["open_flags"] == [str(flag.uuid)]
    assert (kept["in_question"], kept["observations_not_signed"], kept["observation_overdue"]) == ([], [], "")


def test_a_failure_put_in_place_of_another_since_it_was_shown_is_not_what_was_signed(stage, learner):
    stage.log(LATER, signed=False)
    before = awarding.check_award(learner, stage.procedure)
    row = Insertion.objects.known().filter(clinician=learner).latest("performed_at")
    countersigning.countersign(signer=sign(stage.supervisors[0], row.digest), insertion=row, nearness="in_room")
    stage.log(LATER + timedelta(days=2), signed=False, attempts=(FAILED,))
    after = awarding.check_award(learner, stage.procedure)
    assert len(before.open.unsigned) == len(after.open.unsigned) == 1
    assert before.digest != after.digest


def test_the_page_of_a_renewal_lists_the_same(client, stage):
    give_award(
        stage.learner, stage.procedure, stage.cast.wards.department, anchor=date(2024, 4, 1), from_day=date(2024, 4, 1),
        expires_on=date(2026, 4, 1), terms=canonical(replace(Terms(), renewal_insertions=1).to_content()),
    )  # fmt: skip
    stage.log(LATER, signed=False, attempts=(FAILED,))
    client.force_login(stage.educator)
    shown = client.get(reverse("renew", args=[stage.learner.uuid, stage.procedure.pk])).content.decode()
    assert "1 failure not countersigned" in shown
