"""Rules and programmes on the screen: the list, one version beside the one before, what a rule would do, proposing."""

import csv
import io
import json
from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from credentials.chances import chances_of
from credentials.models import Programme, Rules
from credentials.proposing import propose
from credentials.rules.ruleset import PARAMETERS, default_content
from credentials.rules.terms import Terms
from credentials.standings import read
from tests.credentials.conftest import TODAY, put_in_force
from tests.factories import SECRET, RulesFactory


@pytest.fixture
def educator(client, stage):
    client.force_login(stage.educator)
    return client


def form_of(stage, kind="rules"):
    return reverse("document_propose", args=[kind, stage.cast.wards.department.pk, stage.procedure.pk])


def as_shown(shown):
    """The values of the form as the page shows them."""
    return {
        part.add_prefix(name): value
        for part, _ in shown.context["parts"]
        for name, value in part.initial.items()
        if name in part.fields and value is not False
    }


def body_of(client, stage, kind="rules", **changes):
    return {"name": "New", "effective_on": "10 March 2026", **as_shown(client.get(form_of(stage, kind))), **changes}


def text_of(answer):
    assert answer.status_code == 200, answer
    return answer.content.decode()


# --- the list ---


def test_each_version_is_listed_with_whether_it_is_in_force(educator, stage):
    later = put_in_force(Rules, stage, default_content(), TODAY + timedelta(days=8))
    waiting = propose(
        Rules,
        actor=stage.second,
        unit=stage.cast.wards.department,
        procedure=stage.procedure,
        name="Third",
        content=default_content(),
        effective_on=TODAY + timedelta(days=9),
    )
    page = educator.get(reverse("rules"))
    states = {(row.kind, row.row.version): row.at.value for row in page.context["listing"].records}
    assert states == {
        ("rules", 1): "in_force",
        ("rules", later.version): "ahead",
        ("rules", waiting.version): "waits",
        ("programme", 1): "in_force",
    }
    assert "Approved, from 10 March 2026" in text_of(page)
    assert "Third, version 3" in text_of(page).split("All versions")[0]


def test_the_list_narrows_and_exports_what_it_shows(educator, stage):
    url = reverse("rules") + "?kind=programme"
    assert [row.kind for row in educator.get(url).context["listing"].records] == ["programme"]
    sent = educator.post(url, {"export": "csv"})
    lines = list(csv.reader(io.StringIO(b"".join(sent.streaming_content).decode("utf-8-sig"))))
    assert [line[0] for line in lines] == ["Version", "Local, version 1"]
    assert educator.get(reverse("rules") + "?state=taken_back").context["listing"].total == 0


def test_the_list_costs_the_same_queries_for_one_and_twenty(educator, stage):
    def cost():
        with CaptureQueriesContext(connection) as caught:
            educator.get(reverse("rules"))
        return len(caught)

    cost()
    few = cost()
    for version in range(2, 22):
        RulesFactory(unit=stage.cast.wards.department, procedure=stage.procedure, version=version)
    assert cost() == few


def test_everybody_of_the_hospital_reads_and_only_keepers_are_offered_to_propose(client, stage):
    client.force_login(stage.learner.user)
    text = text_of(client.get(reverse("rules")))
    assert "Propose rules" not in text
    row = Rules.objects.get()
    shown = client.get(reverse("document", args=["rules", row.uuid]))
    assert "First-attempt rate" in text_of(shown)
    assert shown.context["form"] is None


# --- one version ---


def test_a_version_stands_beside_the_one_before_and_what_differs_is_marked(educator, stage):
    content = default_content()
    content["rules"]["repeated_failure"]["failures"] = 4
    content["rules"]["recency"]["on"] = False
    row = put_in_force(Rules, stage, content, TODAY)
    text = text_of(educator.get(reverse("document", args=["rules", row.uuid])))
    assert '<b>4</b> <span class="tag">was 5</span>' in text
    assert '<b>no</b> <span class="tag">was yes</span>' in text
    assert text.count('class="tag">was') == 2
    first = text_of(educator.get(reverse("document", args=["rules", Rules.objects.get(version=1).uuid])))
    assert "There is no version before this one" in first


def test_a_rule_that_a_version_leaves_out_reads_as_off(educator, stage):
    row = RulesFactory(
        unit=stage.cast.wards.department,
        procedure=stage.procedure,
        version=2,
        content=json.dumps({"again_after": 10, "rules": {}}),
    )
    compared = educator.get(reverse("document", args=["rules", row.uuid])).context["parts"]
    drift = next(each for each in compared if each.part.name == "drift")
    assert (drift.lines[0].label, drift.lines[0].now, drift.chances) == ("In force", "no", [])


def test_a_version_decided_meanwhile_is_said_and_nothing_is_signed_twice(client, stage):
    row = Rules.objects.get()
    client.force_login(stage.cast.manager)
    answer = client.post(reverse("document", args=["rules", row.uuid]), {"secret": SECRET}, follow=True)
    assert "This version was decided before." in answer.content.decode()


def test_taking_back_ends_a_proposal_and_one_that_binds_stays(educator, stage):
    row = propose(
        Rules,
        actor=stage.educator,
        unit=stage.ward,
        procedure=stage.procedure,
        name="Never mind",
        content=default_content(),
        effective_on=TODAY,
    )
    educator.post(reverse("document_take_back", args=["rules", row.uuid]))
    row.refresh_from_db()
    assert row.known_until_id is not None
    assert educator.get(reverse("rules") + "?state=taken_back").context["listing"].total == 1
    in_force = Rules.objects.get(unit=stage.cast.wards.department)
    told = educator.post(reverse("document_take_back", args=["rules", in_force.uuid]), follow=True)
    assert "This version was decided before." in told.content.decode()


def test_approving_brings_the_standings_of_the_unit_up_to_date(client, stage):
    stage.ready_to_learn(date(2026, 1, 12))
    row = propose(
        Rules,
        actor=stage.educator,
        unit=stage.cast.wards.department,
        procedure=stage.procedure,
        name="Stricter",
        content=default_content(),
        effective_on=TODAY,
    )
    client.force_login(stage.second)
    url = reverse("document", args=["rules", row.uuid])
    seals = client.get(url).context["form"].initial["shown"]
    done = client.post(url, {"secret": SECRET, "email": stage.second.email, "shown": seals})
    assert done.status_code == 302
    assert read(*stage.pair).standing.rules[2] == "Stricter"
    from people import stale

    assert not stale.waiting()


# --- proposing ---


def test_values_can_be_looked_at_before_they_are_proposed(educator, stage):
    body = body_of(educator, stage, look="1")
    body["drift-run_length"] = 300
    shown = educator.post(form_of(stage), body)
    assert Rules.objects.count() == 1
    text = text_of(shown)
    assert "is asked by chance once in about 3" in text
    assert 'value="300"' in text


def test_values_that_contradict_each_other_are_said_when_looked_at(educator, stage):
    body = body_of(educator, stage, look="1")
    body["drift-unacceptable"] = "0.10"
    shown = educator.post(form_of(stage), body)
    (part,) = [each for each, _ in shown.context["parts"] if each.part.name == "drift"]
    assert part.errors["unacceptable"] == ["Must be more than the acceptable 0.20."]
    assert "Error: " in text_of(shown)


def test_bad_values_keep_what_was_typed_and_propose_nothing(educator, stage):
    body = body_of(educator, stage)
    body |= {"repeated_failure-failures": "many", "first_attempt_rate-target": "80%", "name": ""}
    shown = educator.post(form_of(stage), body)
    assert Rules.objects.count() == 1
    parts = {each.part.name: each for each, _ in shown.context["parts"]}
    assert parts["repeated_failure"].errors["failures"]
    assert shown.context["form"].errors["name"]
    assert 'value="80%"' in text_of(shown)
    body["repeated_failure-failures"], body["name"] = "5", "Fine"
    again = educator.post(form_of(stage), body)
    parts = {each.part.name: each for each, _ in again.context["parts"]}
    assert "not a plain decimal number" in parts["first_attempt_rate"].errors["target"][0]


def test_a_programme_is_proposed_with_its_terms(educator, stage):
    body = body_of(educator, stage, "programme", insertions=12)
    done = educator.post(form_of(stage, "programme"), body)
    assert done.status_code == 302, done.content.decode()
    made = Programme.objects.get(version=2)
    assert json.loads(made.content) == {**Terms().to_content(), "insertions": 12}


def test_how_soon_a_closed_question_may_return_is_kept_as_typed(educator, stage):
    done = educator.post(form_of(stage), body_of(educator, stage, again_after=25))
    assert done.status_code == 302
    assert json.loads(Rules.objects.get(version=2).content)["again_after"] == 25


def test_where_to_propose_is_asked_first_and_refused_beside_the_field(educator, stage):
    url = reverse("document_begin", args=["rules"])
    assert educator.post(url, {"procedure": stage.procedure.pk}).context["form"].errors["unit"] == ["Choose a unit."]
    going = educator.post(url, {"procedure": stage.procedure.pk, "unit": stage.ward.pk})
    assert going.headers["Location"].endswith(f"/{stage.ward.pk}/{stage.procedure.pk}/")
    assert educator.get("/rules/nonsense/propose/").status_code == 404


# --- what a rule would do ---


def test_a_rule_that_is_off_or_never_flags_by_chance_says_nothing():
    for rule in PARAMETERS:
        content = default_content()["rules"][rule]
        assert chances_of(rule, {**content, "on": False}) == []
        assert bool(chances_of(rule, content)) is (rule != "expiry")


def test_what_a_rule_would_do_is_said_in_whole_people():
    """Recomputed without the module: the run of five failures at 20% has mean (1 - p^5) / (p^5 (1 - p)), p = 0.2
    (Feller, An Introduction to Probability Theory and Its Applications, vol. 1, 3rd ed., 1968, XIII.7, eq. 7.7,
    from memory), here 3,905."""
    p, k = 0.2, 5
    mean = (1 - p**k) / (p**k * (1 - p))
    (words,) = chances_of("repeated_failure", default_content()["rules"]["repeated_failure"])
    assert f"about {round(mean):,} insertions" in words
    (words,) = chances_of("drift", default_content()["rules"]["drift"])
    assert "once in about 1,281 insertions" in words
    few = {**default_content()["rules"]["first_attempt_rate"], "minimum": 100, "months": 12}
    assert "nothing would be asked of them" in chances_of("first_attempt_rate", few)[0]
