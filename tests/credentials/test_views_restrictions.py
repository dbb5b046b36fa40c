"""Screens of decisions that limit somebody: who is offered them, what is checked and signed, who reads what."""

import re
from datetime import date, timedelta

import pytest
from django.urls import reverse

from audits.models import Restriction
from credentials.restricting import standing_restrictions
from credentials.standings import read_many
from ledger import clock
from tests.audits.conftest import give_award
from tests.credentials.conftest import NOW, TODAY
from tests.factories import SECRET

pytestmark = pytest.mark.django_db
REASON = "Two wrong-side sticks this morning."


@pytest.fixture
def holder(stage):
    """The learner of the stage, who holds the procedure here."""
    give_award(stage.learner, stage.procedure, stage.cast.wards.department)
    return stage.learner


def text(response) -> str:
    return response.content.decode()


def status(who, stage) -> str:
    pair = (who.pk, stage.procedure.pk)
    return read_many([pair])[pair].home.status.value


def signing(response, user):
    return {"email": user.email, "secret": SECRET, "shown": response.context["form"].initial["shown"]}


def test_somebody_in_charge_stands_a_person_down_from_their_page_at_three_in_the_morning(client, stage, holder):
    client.force_login(stage.supervisors[0])
    url = reverse("stand_down", args=[holder.uuid])
    assert url in text(client.get(reverse("person", args=[holder.uuid])))
    shown = client.get(url)
    assert re.search("at the end of .{,60}5 March 2026", text(shown))
    assert "Enter “Why”" in text(client.post(url, signing(shown, stage.supervisors[0]) | {"reason": ""}))
    done = client.post(url, signing(shown, stage.supervisors[0]) | {"reason": REASON})
    assert done.status_code == 302
    assert status(holder, stage) == "stood_down"


def test_the_person_and_their_educators_see_it_the_same_day_and_a_second_one_is_pointed_out(client, stage, holder):
    url = reverse("stand_down", args=[holder.uuid])
    for place in range(2):
        with clock.at(NOW + timedelta(days=5 * place)):
            client.force_login(stage.cast.manager)
            asked = client.get(url)
            assert ("Stood down once already in the last 14 days" in text(asked)) == bool(place)
            client.post(url, signing(asked, stage.cast.manager) | {"reason": REASON})
            client.force_login(holder.user)
            mine = text(client.get(reverse("today")))
            assert "Stand-down, since" in mine
            assert f"Reason: {REASON} Ask {stage.educator.name}, educator." in mine
            client.force_login(stage.educator)
            shown = text(client.get(reverse("today")))
            assert f"{holder.name} is stood down" in shown
            assert ("It is number 2 within 14 days" in shown) == bool(place)


def test_a_suspension_is_said_checked_and_signed_then_reinstated(client, stage, holder):
    client.force_login(stage.educator)
    url = reverse("limit", args=[holder.uuid, "suspension"])
    assert url in text(client.get(reverse("person", args=[holder.uuid])))
    body = {"procedure": stage.procedure.pk, "from_day": "2 March 2026", "until_day": "", "reason": REASON}
    check = client.post(url, body)
    assert "Check before you sign" in text(check)
    assert REASON in text(check)
    assert not Restriction.objects.exists()
    assert "That is not your password" in text(
        client.post(url, {**body, **signing(check, stage.educator), "secret": "x" * 14})
    )
    assert "Check it" in text(client.post(url, {**body, "change": "1"}))
    assert client.post(url, {**body, **signing(check, stage.educator)}).status_code == 302
    assert status(holder, stage) == "suspended"
    assert "suspended already" in text(client.post(url, body))

    (row,) = standing_restrictions(holder, TODAY)
    ending = reverse("limit_end", args=[row.uuid])
    said = {"from_day": "2 March 2026", "reason": "Talked over, and watched twice."}
    check = client.post(ending, said)
    assert client.post(ending, {**said, **signing(check, stage.educator)}).status_code == 302
    assert status(holder, stage) == "current"


def test_a_plan_is_opened_extended_and_ended(client, stage, holder):
    client.force_login(stage.educator)
    url = reverse("limit", args=[holder.uuid, "plan"])
    body = {
        "procedure": stage.procedure.pk, "answer": "in_room", "insertions": 3, "observations": 1,
        "due_on": "30 March 2026", "reason": REASON,
    }  # fmt: skip
    assert client.post(url, {**body, **signing(client.post(url, body), stage.educator)}).status_code == 302
    page = text(client.get(reverse("person", args=[holder.uuid])))
    assert "3 supervised insertions and 1 observation" in page
    assert url not in page
    (row,) = standing_restrictions(holder, TODAY)
    longer = reverse("limit_extend", args=[row.uuid])
    assert "Give a day after" in text(
        client.post(
            longer,
            {"due_on": "1 March 2026", "reason": REASON}
            | signing(client.post(longer, {"due_on": "1 March 2026", "reason": REASON}), stage.educator),
        )
    )
    said = {"due_on": "30 April 2026", "reason": "On leave for three weeks."}
    assert client.post(longer, {**said, **signing(client.post(longer, said), stage.educator)}).status_code == 302
    (row,) = standing_restrictions(holder, TODAY)
    assert row.due_on == date(2026, 4, 30)
    with clock.at(NOW + timedelta(days=70)):
        assert f"{holder.name}: re-supervision plan overdue since 30 April 2026" in text(client.get(reverse("today")))
    assert client.get(longer).status_code == 200


def test_a_decision_that_does_not_fit_is_refused_on_its_first_page(client, stage):
    client.force_login(stage.educator)
    url = reverse("limit", args=[stage.learner.uuid, "withdrawal"])
    assert "holds no award" in text(client.post(url, {"procedure": stage.procedure.pk, "reason": REASON}))
    assert client.get(reverse("limit", args=[stage.learner.uuid, "stand_down"])).status_code == 404
    assert client.get(reverse("limit", args=[stage.learner.uuid, "exile"])).status_code == 404


def test_a_manager_sees_the_decision_without_its_reason_and_a_colleague_neither(client, stage, holder):
    client.force_login(stage.educator)
    url = reverse("limit", args=[holder.uuid, "suspension"])
    body = {"procedure": "", "from_day": "2 March 2026", "until_day": "10 March 2026", "reason": REASON}
    client.post(url, {**body, **signing(client.post(url, body), stage.educator)})
    seen = {}
    for name in ("manager", "auditor", "educator", "colleague"):
        user = getattr(stage.cast, name)
        client.force_login(getattr(user, "user", user))
        page = text(client.get(reverse("person", args=[holder.uuid])))
        seen[name] = ("Decisions that limit" in page, REASON in page)
    assert seen == {
        "manager": (True, False),
        "auditor": (True, True),
        "educator": (True, True),
        "colleague": (False, False),
    }
