"""Screens of answers and decisions: who can, reviews, rules."""

from datetime import datetime, timedelta

import pytest
from django.urls import reverse

from credentials import review as reviewing
from credentials.models import Flag, Rules
from credentials.proposing import propose
from credentials.rules.ruleset import default_content
from tests.credentials.conftest import TODAY, sign
from tests.factories import SECRET

FIRST = datetime(2026, 1, 12, 10, 0)  # noqa: DTZ001 - the unit's own time
assert sign


def signed_in(client, user):
    client.force_login(user)
    return client


@pytest.fixture
def flag(stage):
    stage.ready_to_learn(FIRST.date())
    stage.log(FIRST, events=("needlestick",), signed=False)
    reviewing.review_today()
    return Flag.objects.get()


def as_shown(shown):
    """The values of a form of rules as the page shows them."""
    return {
        part.add_prefix(name): value
        for part, _ in shown.context["parts"]
        for name, value in part.initial.items()
        if name in part.fields and value is not False
    }


def test_the_unit_page_names_everybody_placed_there_and_no_reasons(client, stage):
    answer = signed_in(client, stage.cast.colleague.user).get(reverse("who_can"))
    text = answer.content.decode()
    assert answer.status_code == 200
    for name in (stage.learner.name, stage.cast.colleague.name, *(user.name for user in stage.supervisors)):
        assert name in text
    assert stage.cast.outsider.name not in text


def test_somebody_looked_up_and_not_found_is_treated_as_not_confirmed(client, stage):
    answer = signed_in(client, stage.cast.colleague.user).get(reverse("who_can"), {"name": "Nobody Known"})
    assert answer.status_code == 200
    assert "Not in this register: treat as not confirmed" in answer.content.decode()


def test_the_list_of_a_unit_costs_the_same_queries_for_one_and_twenty(
    client, stage, django_assert_num_queries, django_assert_max_num_queries
):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    from tests.factories import make_clinician

    signed_in(client, stage.cast.colleague.user).get(reverse("who_can"))
    with CaptureQueriesContext(
        connection,
    ) as few:
        client.get(reverse("who_can"))
    for place in range(20):
        make_clinician(stage.ward, f"Number {place}")
    with CaptureQueriesContext(connection) as many:
        client.get(reverse("who_can"))
    assert len(many) == len(few)


def test_a_review_is_closed_on_its_page_with_a_reason_and_a_secret(client, stage, flag):
    page = reverse("review", args=[flag.uuid])
    shown = signed_in(client, stage.educator).get(page)
    seals = shown.context["form"].initial["shown"]
    client.session.save()
    body = {
        "outcome": "talked",
        "reason": "Safety needle not activated; shown again.",
        "secret": SECRET,
        "shown": seals,
    }
    wrong = client.post(page, {**body, "secret": "not this one at all", "email": stage.educator.email})
    assert wrong.status_code == 200
    assert "That is not your password" in wrong.content.decode()
    done = client.post(page, {**body, "email": stage.educator.email})
    assert done.status_code == 302
    flag.refresh_from_db()
    assert (flag.outcome, flag.closed_by) == ("talked", stage.educator)


def test_the_person_reads_and_replies_but_does_not_close(client, stage, flag):
    page = reverse("review", args=[flag.uuid])
    text = signed_in(client, stage.learner.user).get(page).content.decode()
    assert "Close the question" not in text
    assert client.post(page, {"outcome": "talked"}).status_code == 403
    assert (
        client.post(reverse("review_reply", args=[flag.uuid]), {"text": "The tray was out of reach."}).status_code
        == 302
    )
    assert "The tray was out of reach." in client.get(page).content.decode()


@pytest.mark.parametrize(("who", "status"), [("colleague", 403), ("outsider", 404), ("manager", 403), ("auditor", 200)])
def test_who_may_open_a_review(client, stage, flag, who, status):
    user = getattr(stage.cast, who)
    assert signed_in(client, getattr(user, "user", user)).get(reverse("review", args=[flag.uuid])).status_code == status


def test_a_version_is_proposed_on_the_form_and_approved_by_another(client, stage):
    unit, procedure = stage.cast.wards.department.pk, stage.procedure.pk
    page = reverse("document_propose", args=["rules", unit, procedure])
    shown = signed_in(client, stage.educator).get(page)
    assert shown.status_code == 200
    body = {"name": "Stricter", "effective_on": "2 March 2026", "note": "Five became four."}
    body |= as_shown(shown)
    body["repeated_failure-failures"] = 4
    made = client.post(page, body)
    assert made.status_code == 302, made.content.decode()
    row = Rules.objects.get(name="Stricter")
    assert '"failures":4' in row.content
    one = reverse("document", args=["rules", row.uuid])
    assert client.get(one).context["form"] is None
    approving = signed_in(client, stage.second).get(one)
    seals = approving.context["form"].initial["shown"]
    done = client.post(one, {"secret": SECRET, "email": stage.second.email, "shown": seals})
    assert done.status_code == 302
    row.refresh_from_db()
    assert row.approved_by == stage.second


def test_a_refused_value_is_said_beside_its_field(client, stage):
    unit, procedure = stage.cast.wards.department.pk, stage.procedure.pk
    page = reverse("document_propose", args=["rules", unit, procedure])
    shown = signed_in(client, stage.educator).get(page)
    body = {"name": "Odd", "effective_on": "2 March 2026"}
    body |= as_shown(shown)
    body["first_attempt_rate-compare"] = "rate"
    text = client.post(page, body).content.decode()
    assert "would flag 37% of clinicians who are exactly on target" in text


def test_the_rules_page_lists_what_is_in_force_and_what_waits(client, stage):
    propose(
        Rules,
        actor=stage.educator,
        unit=stage.cast.wards.department,
        procedure=stage.procedure,
        name="Waiting one",
        content=default_content(),
        effective_on=TODAY + timedelta(days=3),
    )
    text = signed_in(client, stage.learner.user).get(reverse("rules")).content.decode()
    assert "Waiting one, version 2" in text
    assert "Waits for a second person" in text
