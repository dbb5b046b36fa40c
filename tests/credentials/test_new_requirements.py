"""A new version that asks something else of somebody is told on their Today, before and after its day."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from credentials import new_requirements
from credentials.models import Programme, Rules
from credentials.rules.ruleset import default_content
from credentials.rules.terms import Terms
from credentials.standings import refresh
from people.access import access_of
from tests.credentials.conftest import TODAY, Stage, put_in_force
from tests.factories import ChecklistFactory

pytestmark = pytest.mark.django_db


def lines(stage: Stage, user=None) -> list[str]:
    return [line.words for line in new_requirements.waiting(access_of(user or stage.learner.user))]


@pytest.fixture
def learning(stage: Stage) -> Stage:
    stage.ready_to_learn(TODAY - timedelta(days=60))
    refresh()
    return stage


@pytest.mark.parametrize(
    ("days", "told"),
    [
        (1, "in effect from 3 March 2026"),
        (30, "in effect from 1 April 2026"),
        (31, ""),
        (0, "in effect since 2 March 2026"),
    ],
)
def test_a_new_programme_is_told_from_a_month_before_its_day(learning, days, told):
    put_in_force(Programme, learning, Terms(insertions=20).to_content(), effective_on=TODAY + timedelta(days=days))
    found = lines(learning)
    assert [each for each in found if told and told in each] == found
    assert bool(found) is bool(told)


@pytest.mark.parametrize(("ago", "told"), [(13, True), (14, False)])
def test_it_is_told_for_two_weeks(learning, ago, told):
    unit = learning.cast.wards.department
    ChecklistFactory(unit=unit, procedure=learning.procedure, effective_on=TODAY - timedelta(days=ago), version=7)
    assert bool(lines(learning)) is told


def test_new_rules_are_told_too_and_lead_to_their_page(learning, client):
    made = put_in_force(Rules, learning, default_content(), effective_on=TODAY + timedelta(days=3))
    client.force_login(learning.learner.user)
    assert reverse("document", args=["rules", made.uuid]) in client.get(reverse("today")).content.decode()


def test_a_version_that_a_nearer_one_takes_the_place_of_is_not_told(learning):
    hospital = learning.cast.wards.hospital
    ChecklistFactory(unit=hospital, procedure=learning.procedure, effective_on=TODAY, version=3)
    ChecklistFactory(unit=learning.ward, procedure=learning.procedure, effective_on=TODAY - timedelta(days=400))
    assert lines(learning) == []


def test_who_stands_in_nothing_is_told_nothing(learning):
    put_in_force(Programme, learning, Terms(insertions=20).to_content(), effective_on=TODAY + timedelta(days=1))
    assert lines(learning, learning.cast.colleague.user) == []
    assert lines(learning, learning.cast.administrator) == []


def test_it_costs_as_many_queries_for_many_versions(learning):
    def queries() -> int:
        mine = access_of(learning.learner.user)
        with CaptureQueriesContext(connection) as counted:
            list(new_requirements.waiting(mine))
        return len(counted)

    few = queries()
    for version in range(5):
        ChecklistFactory(unit=learning.ward, procedure=learning.procedure, effective_on=TODAY, version=10 + version)
    assert queries() == few
