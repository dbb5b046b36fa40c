"""Screens of disagreements: what both sides say, the list that waits, the decision with its check page."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits import disputes, logbook
from audits.models import Dispute, DisputeAnswer, Ruling
from tests.factories import SECRET

pytestmark = pytest.mark.django_db


@pytest.fixture
def logged(stage):
    return logbook.record_insertion(actor=stage.owner.user, entry=stage.entry())


@pytest.fixture
def dispute(stage, logged) -> Dispute:
    return disputes.open_dispute(
        actor=stage.owner.user, insertion=logged, about="result", reason="It swelled before we left."
    )


def text(response) -> str:
    return response.content.decode()


def test_the_other_side_is_told_and_says_how_it_was(client, stage, logged, dispute):
    client.force_login(stage.supervisor)
    url = reverse("disagreement", args=[logged.uuid])
    assert url in text(client.get(reverse("today")))
    assert "It swelled before we left." in text(client.get(url))
    assert "Enter “How it was”" in text(client.post(url, {"text": ""}))
    assert client.post(url, {"text": "It ran when I looked."}).status_code == 302
    assert DisputeAnswer.objects.get().by == stage.supervisor
    client.force_login(stage.owner.user)
    assert "It ran when I looked." in text(client.get(url))


def test_an_educator_finds_it_on_today_decides_and_both_sides_read_why(client, stage, logged, dispute):
    client.force_login(stage.cast.educator)
    assert "1 disagreement waits for you" in text(client.get(reverse("today")))
    listed = text(client.get(reverse("disagreements")))
    page = reverse("disagreement", args=[logged.uuid])
    assert page in listed
    url = reverse("disagreement_rule", args=[logged.uuid])
    assert url in text(client.get(page))
    body = {"outcome": "stands", "reason": "The chart of the ward says that it ran."}
    check = client.post(url, body)
    assert "Check before you sign" in text(check)
    for shown in (client.get(page), client.get(url), check):
        assert "Working first time; 1 puncture. <a" in text(shown)  # what it is about, before it is signed
    assert not Ruling.objects.exists()
    sealed = {"email": stage.cast.educator.email, "shown": check.context["form"].initial["shown"]}
    assert "That is not your password" in text(client.post(url, {**body, **sealed, "secret": "not this one at all"}))
    assert client.post(url, {**body, **sealed, "secret": SECRET}).status_code == 302
    assert "1 disagreement" not in text(client.get(reverse("today")))
    assert client.get(url).status_code == 302  # nothing waits any more
    for user in (stage.owner.user, stage.supervisor):
        client.force_login(user)
        assert "The chart of the ward says that it ran." in text(client.get(page))
    assert page in text(client.get(reverse("entry", args=[logged.uuid])))


@pytest.mark.parametrize(("who", "status"), [("owner", 403), ("supervisor", 403), ("manager", 403), ("auditor", 403)])
def test_nobody_else_decides(client, stage, logged, dispute, who, status):
    user = getattr(stage.cast, who)
    client.force_login(getattr(user, "user", user))
    assert client.get(reverse("disagreement_rule", args=[logged.uuid])).status_code == status


def test_a_list_costs_the_same_queries_for_one_and_ten(client, stage, dispute):
    client.force_login(stage.cast.educator)
    client.get(reverse("disagreements"))
    with CaptureQueriesContext(connection) as few:
        client.get(reverse("disagreements"))
    for _ in range(9):
        made = logbook.record_insertion(actor=stage.owner.user, entry=stage.entry())
        disputes.open_dispute(actor=stage.owner.user, insertion=made, about="who", reason="It was somebody else.")
    with CaptureQueriesContext(connection) as many:
        client.get(reverse("disagreements"))
    assert len(many) <= len(few) + 3
