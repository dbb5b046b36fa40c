"""Screens of cohorts: opened, a list taken in, the page with what hangs, and the end with a signature."""

from datetime import date, datetime

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from credentials import cohorts
from credentials.models import Cohort, CohortMember, Enrolment
from tests.credentials.conftest import TODAY
from tests.credentials.test_cohorts import newcomers, opened
from tests.factories import SECRET

pytestmark = pytest.mark.django_db


@pytest.fixture
def cohort(stage):
    return opened(stage)


@pytest.fixture
def educator(client, stage):
    client.force_login(stage.educator)
    return client


def text(response) -> str:
    return response.content.decode()


def test_a_cohort_is_opened_and_its_people_come_from_a_pasted_list(educator, stage):
    new = newcomers(stage, 3)
    body = {
        "name": "Autumn intake",
        "unit": stage.ward.pk,
        "procedure": stage.procedure.pk,
        "from_day": "2 March 2026",
        "until_day": "30 August 2026",
    }
    sent = educator.post(reverse("cohort_open"), body)
    cohort = Cohort.objects.get()
    assert (sent.status_code, sent.url) == (302, reverse("cohort_join", args=[cohort.uuid]))
    assert cohort.until_day == date(2026, 8, 31)

    listed = {"numbers": "\n".join([*(each.staff_number for each in new), "998877"])}
    check = text(educator.post(sent.url, listed))
    assert "3 people are taken into Autumn intake; 1 cannot be." in check
    assert "Nobody in the register has this staff number" in check
    assert not CohortMember.objects.exists()
    assert "998877" in text(educator.post(sent.url, {**listed, "change": "1"}))
    done = educator.post(sent.url, {**listed, "take_in": "1"})
    assert done.url == reverse("cohort", args=[cohort.uuid])
    assert Enrolment.objects.known().filter(programme=cohort.programme).count() == 3
    shown = text(educator.get(done.url))
    assert all(each.name in shown for each in new)
    assert "0 of 3 ready for award" in shown
    # Sent again, nobody is taken in twice.
    educator.post(sent.url, {**listed, "take_in": "1"})
    assert CohortMember.objects.count() == 3


def test_the_page_of_a_cohort_costs_the_same_queries_for_one_and_twenty(educator, stage, cohort):
    first, *others = newcomers(stage, 21)
    cohorts.join(actor=stage.educator, cohort=cohort, clinicians=[first])
    url = reverse("cohort", args=[cohort.uuid])
    educator.get(url)
    with CaptureQueriesContext(connection) as few:
        educator.get(url)
    cohorts.join(actor=stage.educator, cohort=cohort, clinicians=others)
    with CaptureQueriesContext(connection) as many:
        educator.get(url)
    assert len(many) == len(few)


def test_what_hangs_is_said_for_each(educator, stage, cohort):
    stage.ready_to_learn(TODAY)
    cohorts.join(actor=stage.educator, cohort=cohort, clinicians=[stage.learner])
    stage.log(datetime(2026, 3, 2, 10, 0), signed=False)  # noqa: DTZ001 - the unit's own time
    shown = text(educator.get(reverse("cohort", args=[cohort.uuid])))
    assert "1 unsigned" in shown
    assert "Supervised insertions 0 of 10" in shown


def test_a_manager_reads_a_cohort_and_decides_nothing(client, stage, cohort):
    client.force_login(stage.cast.manager)
    shown = text(client.get(reverse("cohort", args=[cohort.uuid])))
    assert reverse("cohort_join", args=[cohort.uuid]) not in shown
    assert client.get(reverse("cohort_join", args=[cohort.uuid])).status_code == 403


def test_each_person_gets_their_own_end_with_one_signature(educator, stage, cohort):
    cohorts.join(actor=stage.educator, cohort=cohort, clinicians=newcomers(stage, 3))
    closed, handed, stays = cohorts.members(cohort)
    url = reverse("cohort_leave", args=[cohort.uuid])
    assert stays.clinician.name in text(educator.get(url))
    body = {
        f"m{closed.pk}": "closed",
        f"m{handed.pk}": "handed_over",
        f"m{stays.pk}": "",
        "handed_to": stage.second.pk,
        "note": "Rotation over.",
    }
    check = educator.post(url, body)
    assert "Check before you sign" in text(check)
    assert f"Handed over to {stage.second.name}" in text(check)
    assert not CohortMember.objects.exclude(outcome="").exists()
    signed = {**body, "email": stage.educator.email, "shown": check.context["form"].initial["shown"]}
    assert "That is not your password" in text(educator.post(url, {**signed, "secret": "not this one at all"}))
    assert educator.post(url, {**signed, "secret": SECRET}).status_code == 302
    found = {each.clinician_id: each.outcome for each in cohorts.members(cohort)}
    assert found == {closed.clinician_id: "closed", handed.clinician_id: "handed_over", stays.clinician_id: ""}


def test_an_end_that_says_too_little_comes_back_with_what_to_mend(educator, stage, cohort):
    cohorts.join(actor=stage.educator, cohort=cohort, clinicians=newcomers(stage, 1))
    row = cohorts.members(cohort).get()
    url = reverse("cohort_leave", args=[cohort.uuid])
    assert "say to whom" in text(educator.post(url, {f"m{row.pk}": "handed_over"}))
    assert "say why the enrolment ends" in text(educator.post(url, {f"m{row.pk}": "closed"}))
    assert "Choose for somebody" in text(educator.post(url, {f"m{row.pk}": ""}))


def test_who_was_handed_over_waits_on_today_and_is_taken_on(client, educator, stage, cohort):
    cohorts.join(actor=stage.educator, cohort=cohort, clinicians=newcomers(stage, 1))
    row = cohorts.members(cohort).get()
    url = reverse("cohort_leave", args=[cohort.uuid])
    body = {f"m{row.pk}": "handed_over", "handed_to": stage.second.pk, "note": "Knows the ward."}
    seals = educator.post(url, body).context["form"].initial["shown"]
    educator.post(url, {**body, "email": stage.educator.email, "secret": SECRET, "shown": seals})
    client.force_login(stage.second)
    assert reverse("cohort_handed") in text(client.get(reverse("today")))
    assert "Knows the ward." in text(client.get(reverse("cohort_handed")))
    assert client.post(reverse("cohort_take", args=[row.uuid])).status_code == 302
    assert reverse("cohort_handed") not in text(client.get(reverse("today")))


def test_a_rotation_that_ends_soon_stands_on_the_educators_today(client, stage):
    soon = opened(stage, name="Short one", until_day=date(2026, 3, 12))
    opened(stage, name="Long one")
    cohorts.join(actor=stage.educator, cohort=soon, clinicians=newcomers(stage, 2))
    client.force_login(stage.educator)
    shown = text(client.get(reverse("today")))
    assert "Short one ends on 11 March 2026: 2 people in it" in shown
    assert "Long one" not in shown


def test_a_list_of_cohorts_is_taken_away_as_it_is_shown(educator, stage, cohort):
    assert "Autumn intake" in text(educator.get(reverse("cohorts")))
    sheet = educator.post(reverse("cohorts"), {"export": "csv"})
    assert b"Autumn intake" in b"".join(sheet.streaming_content)
