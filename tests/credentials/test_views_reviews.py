"""Screens of a case: its rule and numbers, its story, what may be decided, and its plan to the end."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse

from audits.models import Restriction
from credentials.models import Referral
from credentials.standings import read_many
from ledger import clock
from people.models import View
from tests.credentials.conftest import NOW
from tests.credentials.test_reviews_decided import flag  # noqa: F401 - a fixture
from tests.factories import SECRET

pytestmark = pytest.mark.django_db
REASON = "Five failures on the renal list: watched again until it is steady."


def text(response) -> str:
    return re.sub(r"\s+", " ", response.content.decode())


def signing(response, user):
    return {"email": user.email, "secret": SECRET, "shown": response.context["form"].initial["shown"]}


def signed(client, url, body, user):
    return client.post(url, {**body, **signing(client.post(url, body), user)})


def answer(stage):
    return read_many([stage.pair])[stage.pair].home.answer.value


@pytest.mark.std("B-45")
def test_the_page_says_the_rule_its_numbers_its_version_and_how_to_answer(client, stage, flag):  # noqa: F811
    client.force_login(stage.learner.user)
    shown = text(client.get(reverse("review", args=[flag.uuid])))
    for words in (
        "For holders: the latest insertions in the rate all failed.",  # the rule
        "Found", "Threshold", "Local, version 1", "Logging basis",
        "This is a question, not a verdict, and it changes nothing about what you may do.",
        "Send your reply", "Share it with somebody",
    ):  # fmt: skip
        assert words in shown, words
    assert "Open a re-supervision plan" not in shown
    assert answer(stage) == "alone"


def test_from_the_question_to_a_plan_and_to_its_end(client, stage, flag):  # noqa: F811
    client.force_login(stage.educator)
    page = reverse("review", args=[flag.uuid])
    url = f"{reverse('limit', args=[stage.learner.uuid, 'plan'])}?procedure={stage.procedure.pk}&flag={flag.uuid}"
    assert url.replace("&", "&amp;") in text(client.get(page))
    body = {
        "procedure": stage.procedure.pk, "answer": "in_room", "insertions": 2, "observations": 0,
        "due_on": "30 March 2026", "reason": REASON,
    }  # fmt: skip
    assert signed(client, url, body, stage.educator).url == page
    shown = text(client.get(page))
    row = Restriction.objects.known().get()
    plan = reverse("plan", args=[row.uuid])
    assert plan in shown
    assert "Re-supervision agreed" in shown
    assert "Or close it" not in shown
    assert answer(stage) == "in_room"

    with clock.at(NOW + timedelta(days=40)):
        assert "overdue" in text(client.get(plan))
        ending = reverse("limit_end", args=[row.uuid])
        assert "Not everything that the plan asks is there" in text(client.get(ending))
        said = {"reason": "Moved to a ward without cannulas."}
        assert signed(client, ending, said, stage.educator).status_code == 302
        shown = text(client.get(plan))
        assert "What was there at its end" in shown
        assert "Give it more time" not in shown
        assert "have 0, need 2" in text(client.get(page))
        assert answer(stage) == "alone"


def test_the_person_reads_their_plan_and_a_colleague_does_not(client, stage, flag):  # noqa: F811
    client.force_login(stage.educator)
    url = f"{reverse('limit', args=[stage.learner.uuid, 'plan'])}?flag={flag.uuid}"
    body = {
        "procedure": stage.procedure.pk, "answer": "nearby", "insertions": 3, "observations": 1,
        "due_on": "30 March 2026", "reason": REASON,
    }  # fmt: skip
    signed(client, url, body, stage.educator)
    plan = reverse("plan", args=[Restriction.objects.known().get().uuid])
    client.force_login(stage.learner.user)
    shown = text(client.get(plan))
    assert "It is support, not a verdict" in shown
    assert "Suspend instead" not in shown
    assert plan in text(client.get(reverse("person", args=[stage.learner.uuid])))
    client.force_login(stage.cast.colleague.user)
    assert client.get(plan).status_code == 403


def test_a_manager_sees_a_case_once_it_is_referred_and_their_looking_is_kept(client, stage, flag):  # noqa: F811
    page, manager = reverse("review", args=[flag.uuid]), stage.cast.manager
    client.force_login(manager)
    assert client.get(page).status_code == 403
    client.force_login(stage.educator)
    url = reverse("review_refer", args=[flag.uuid])
    assert "What you ask of them" in text(client.post(url, {"to": manager.pk, "reason": " "}))
    assert not Referral.objects.exists()
    assert client.post(url, {"to": manager.pk, "reason": "What would you do?"}).status_code == 302
    client.force_login(manager)
    assert "refers a question about" in text(client.get(reverse("today")))
    shown = text(client.get(page))
    assert "What was found" in shown
    assert "Or close it" not in shown
    assert View.objects.filter(user=manager, clinician=stage.learner, page__startswith="review ").count() == 1
    client.force_login(stage.learner.user)
    assert manager.name in text(client.get(page))
    client.force_login(stage.educator)
    row = Referral.objects.known().get()
    assert client.post(reverse("referral_end", args=[row.uuid])).status_code == 302
    client.force_login(manager)
    assert client.get(page).status_code == 403


def test_a_second_plan_on_the_same_question_is_refused_on_its_first_page(client, stage, flag):  # noqa: F811
    client.force_login(stage.educator)
    url = f"{reverse('limit', args=[stage.learner.uuid, 'plan'])}?flag={flag.uuid}"
    body = {
        "procedure": stage.procedure.pk, "answer": "nearby", "insertions": 3, "observations": 1,
        "due_on": "30 March 2026", "reason": REASON,
    }  # fmt: skip
    signed(client, url, body, stage.educator)
    assert "on a re-supervision plan already" in text(client.post(url, body))


def test_the_list_says_how_old_a_question_is_what_came_of_it_and_who_works_on_it(client, stage, flag):  # noqa: F811
    client.force_login(stage.educator)
    client.post(reverse("review_refer", args=[flag.uuid]), {"to": stage.cast.manager.pk, "reason": "And you?"})
    with clock.at(NOW + timedelta(days=20)):
        assert stage.cast.manager.name in text(client.get(reverse("reviews")))
        assert "open for 20 days" in text(client.get(f"{reverse('reviews')}?state=late"))
    url = f"{reverse('limit', args=[stage.learner.uuid, 'plan'])}?flag={flag.uuid}"
    body = {
        "procedure": stage.procedure.pk, "answer": "nearby", "insertions": 3, "observations": 1,
        "due_on": "30 March 2026", "reason": REASON,
    }  # fmt: skip
    signed(client, url, body, stage.educator)
    assert "plan open, by 30 March 2026" in text(client.get(f"{reverse('reviews')}?state=plan"))
    assert client.get(f"{reverse('reviews')}?state=overdue").context["listing"].records == []
    with clock.at(NOW + timedelta(days=40)):
        assert "plan overdue since 30 March 2026" in text(client.get(f"{reverse('reviews')}?state=overdue"))
        (plan,) = Restriction.objects.known()
        signed(client, reverse("limit_end", args=[plan.uuid]), {"reason": "Enough."}, stage.educator)
        assert "the plan ended" in text(client.get(reverse("reviews")))
