"""Policies on screen: noted, changed, ended, and named where something rests on them."""

import re
from datetime import date

import pytest
from django.urls import reverse

from credentials.models import LocalPolicy, Rules
from tests.credentials.test_policies import noted
from tests.factories import SECRET

pytestmark = pytest.mark.django_db
SAID = {
    "title": "Peripheral access policy",
    "kept_at": "WCH-0412, version 3",
    "rests": ["rules"],
    "review_on": "1 September 2026",
}


def signed(client, url, said, shown):
    """The check page, then the same with the secret and what it showed."""
    page = client.post(url, said)
    form = page.context["form"]
    return client.post(url, {**said, "secret": SECRET, "email": shown, "shown": form["shown"].value()})


def test_an_educator_notes_a_policy_in_two_steps(stage, client):
    client.force_login(stage.educator)
    said = {**SAID, "unit": stage.cast.wards.department.pk, "procedure": ""}
    url = reverse("policy_open")
    assert "Check before you sign" in client.post(url, said).content.decode()
    assert not LocalPolicy.objects.exists()
    assert signed(client, url, said, stage.educator.email).status_code == 302
    row = LocalPolicy.objects.known().get()
    assert (row.title, row.procedure, row.rests) == ("Peripheral access policy", None, "rules")
    assert "Peripheral access policy" in client.get(reverse("policies")).content.decode()


def test_a_mistake_stands_beside_its_field(stage, client):
    client.force_login(stage.educator)
    page = client.post(
        reverse("policy_open"), {**SAID, "unit": stage.cast.wards.department.pk, "review_on": "1 March 2026"}
    )
    assert page.context["asked"].errors["review_on"] == ["Give a day after 2 March 2026."]


def test_a_change_shows_what_was_said_before_and_keeps_it(stage, client):
    row = noted(stage)
    client.force_login(stage.educator)
    url = reverse("policy_change", args=[row.uuid])
    said = {**SAID, "rests": ["rules", "programme"], "review_on": "1 September 2027", "kept_at": row.kept_at}
    assert "was 1 September 2026" in _plain(client.post(url, said))
    assert signed(client, url, said, stage.educator.email).status_code == 302
    page = _plain(client.get(reverse("policy", args=[row.uuid])))
    assert "1 September 2027" in page
    assert "1 September 2026" in page


def test_nothing_different_is_no_change(stage, client):
    row = noted(stage)
    client.force_login(stage.educator)
    said = {**SAID, "rests": ["rules", "programme"], "kept_at": row.kept_at}
    page = client.post(reverse("policy_change", args=[row.uuid]), said)
    assert page.context["asked"].non_field_errors() == ["Nothing is different: change something, or go back."]


def test_a_policy_is_ended_with_a_reason_and_cannot_be_changed_any_more(stage, client):
    row = noted(stage)
    client.force_login(stage.educator)
    url = reverse("policy_end", args=[row.uuid])
    assert signed(client, url, {"reason": "WCH-0500 took its place."}, stage.educator.email).status_code == 302
    assert client.get(url).status_code == 404
    assert "no longer in force" in client.get(reverse("policy", args=[row.uuid])).content.decode()
    assert row.title not in client.get(reverse("policies")).content.decode()


def test_the_page_of_a_rule_set_names_the_policy_that_it_rests_on(stage, client):
    row = noted(stage)
    client.force_login(stage.learner.user)
    rules = Rules.objects.get()
    page = client.get(reverse("document", args=["rules", rules.uuid])).content.decode()
    assert reverse("policy", args=[row.uuid]) in page


def test_today_says_that_a_policy_is_due(stage, client):
    noted(stage, review_on=date(2026, 3, 20))
    client.force_login(stage.educator)
    assert "look at it again by 20 March 2026" in client.get(reverse("today")).content.decode()


def _plain(answer) -> str:

    return re.sub(r"<[^>]+>", "", answer.content.decode())
