"""Policies that rules rest on: noted, changed and ended by a signature, with a day to look at them again."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from credentials import policies
from credentials.models import LocalPolicy
from credentials.policies import Policy, change_digest, end_digest
from credentials.today_lines import Part
from ledger.models import Act
from ledger.verify import verify
from people.access import NotPermitted, access_of
from people.problems import Problems
from people.signing import NotConfirmed
from tests.credentials.conftest import TODAY, Stage, sign
from tests.ledger.conftest import unguard

pytestmark = pytest.mark.django_db


def said(stage: Stage, **changes) -> Policy:
    of = {
        "unit": stage.cast.wards.department,
        "procedure": stage.procedure,
        "title": "Peripheral access policy",
        "kept_at": "WCH-0412, version 3, policy library",
        "rests": ("rules", "programme"),
        "review_on": date(2026, 9, 1),
    }
    return Policy(**of | changes)


def noted(stage: Stage, **changes) -> LocalPolicy:
    policy = said(stage, **changes)
    return policies.open_policy(signer=sign(stage.educator, policy.digest), policy=policy)


def wrong() -> list[str]:
    return [each.reason for each in verify().problems if "polic" in each.reason and "guard" not in each.reason]


def lines(stage: Stage, user=None) -> list[str]:
    return [line.words for line in policies.waiting(access_of(user or stage.educator))]


def test_a_policy_says_where_it_is_kept_and_what_rests_on_it(stage):
    row = noted(stage)
    act = Act.objects.get(seq=row.known_from_id)
    assert (act.kind, act.subject) == ("policy.opened", row.uuid)
    assert act.facts["kept_at"] == "WCH-0412, version 3, policy library"
    assert act.facts["signature"]["meaning"] == "decided"
    assert policies.rests_words(row) == "Rules, programmes"
    assert wrong() == []


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"title": " "}, "title"),
        ({"title": "x" * 121}, "title"),
        ({"kept_at": ""}, "kept_at"),
        ({"rests": ()}, "rests"),
        ({"rests": ("weather",)}, "rests"),
        ({"review_on": TODAY}, "review_on"),
        ({"review_on": TODAY + timedelta(days=4000)}, "review_on"),
        ({"kept_at": "With the notes of MRN 1234567"}, "kept_at"),
    ],
)
def test_what_cannot_be_noted_says_why(stage, changes, field):
    with pytest.raises(Problems) as refused:
        noted(stage, **changes)
    assert [each.field for each in refused.value.items] == [field]
    assert not LocalPolicy.objects.exists()


def test_a_second_policy_of_the_same_title_is_refused(stage):
    noted(stage)
    with pytest.raises(Problems):
        noted(stage, title="peripheral ACCESS policy ")


def test_only_who_keeps_rules_there_notes_one(stage):
    policy = said(stage)
    for user in (stage.cast.supervisor, stage.cast.auditor, stage.learner.user):
        with pytest.raises(NotPermitted):
            policies.open_policy(signer=sign(user, policy.digest), policy=policy)


def test_what_was_not_shown_is_not_signed(stage):
    with pytest.raises(NotConfirmed):
        policies.open_policy(signer=sign(stage.educator, said(stage, title="Another").digest), policy=said(stage))
    assert not LocalPolicy.objects.exists()


def test_a_change_keeps_what_was_said_before(stage):
    row = noted(stage)
    before = row.known_from_id
    later = replace(policies.policy_of(row), review_on=date(2027, 9, 1))
    made = policies.change_policy(signer=sign(stage.educator, change_digest(row, later)), row=row, policy=later)
    assert made.uuid == row.uuid
    assert [each.review_on for each in LocalPolicy.objects.known()] == [date(2027, 9, 1)]
    assert [each.review_on for each in LocalPolicy.objects.known(before)] == [date(2026, 9, 1)]
    assert wrong() == []


def test_a_version_that_was_replaced_is_not_changed_again(stage):
    row = noted(stage)
    for day in (date(2027, 9, 1), date(2028, 9, 1)):
        later = replace(policies.policy_of(row), review_on=day)
        signer = sign(stage.educator, change_digest(row, later))
        if day.year == 2027:
            policies.change_policy(signer=signer, row=row, policy=later)
        else:
            with pytest.raises(Problems):
                policies.change_policy(signer=signer, row=row, policy=later)


def test_an_ended_policy_rests_under_nothing_and_no_longer_waits(stage):
    row = noted(stage, review_on=TODAY + timedelta(days=5))
    assert lines(stage) == ["Policy ‘Peripheral access policy’: look at it again by 7 March 2026"]
    policies.end_policy(signer=sign(stage.educator, end_digest(row, "Replaced.")), row=row, reason="Replaced.")
    above = access_of(stage.educator).tree.above(stage.ward.pk)
    assert policies.resting("rules", stage.procedure.pk, above) == []
    assert lines(stage) == []
    assert wrong() == []


def test_rules_and_programmes_of_a_ward_rest_on_the_policy_of_its_department(stage):
    row = noted(stage)
    above = access_of(stage.educator).tree.above(stage.ward.pk)
    assert policies.resting("rules", stage.procedure.pk, above) == [row]
    assert policies.resting("programme", stage.procedure.pk, above) == [row]
    assert policies.resting("checklist", stage.procedure.pk, above) == []
    assert policies.resting("rules", stage.procedure.pk + 1, above) == []
    every = noted(stage, procedure=None, title="Sharps policy", rests=("rules",))
    assert policies.resting("rules", stage.procedure.pk + 1, above) == [every]


@pytest.mark.parametrize(("days", "told"), [(30, True), (31, False)])
def test_a_policy_waits_on_today_from_a_month_before_its_day(stage, days, told):
    noted(stage, review_on=TODAY + timedelta(days=days))
    assert bool(lines(stage)) is told
    assert [line.part for line in policies.waiting(access_of(stage.educator))] == [Part.MANAGE] * told
    assert lines(stage, stage.learner.user) == []


@pytest.mark.parametrize("column", ["title", "review_on", "ended", "rests"])
def test_a_policy_altered_behind_the_register_is_found(stage, column):
    row = noted(stage)
    new = {"title": "Other", "review_on": date(2030, 1, 1), "ended": True, "rests": "checklist"}[column]
    unguard()
    LocalPolicy.objects.filter(pk=row.pk).update(**{column: new})
    assert wrong() == [f"policies: policy {row.uuid} is not what was signed"]


def test_a_policy_taken_out_behind_the_register_is_found(stage):
    row = noted(stage)
    unguard()
    LocalPolicy.objects.filter(pk=row.pk).delete()
    assert wrong() == [f"policies: policy {row.uuid} is missing"]
