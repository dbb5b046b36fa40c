"""Rules and programmes: proposed by one, approved by another, in effect from a day, inherited as a whole."""

from datetime import date, timedelta

import pytest
from django.db import IntegrityError, transaction

from credentials.documents import drift_since, rule_set, rules_known
from credentials.models import Programme, Rules
from credentials.proposing import AlreadyDecided, approve, document_digest, propose, take_back
from credentials.rules.ruleset import default_content
from credentials.rules.terms import Terms
from people.access import NotPermitted
from people.problems import Problems
from people.tree import tree
from tests.credentials.conftest import START, TODAY, put_in_force, sign


def proposed(stage, content=None, **changes):
    said = {
        "actor": stage.educator,
        "unit": stage.cast.wards.department,
        "procedure": stage.procedure,
        "name": "Second",
        "content": content or default_content(),
        "effective_on": TODAY,
    }
    return propose(Rules, **{**said, **changes})


def test_who_proposed_does_not_approve_whatever_their_role(stage):
    row = proposed(stage)
    with pytest.raises(NotPermitted):
        approve(signer=sign(stage.educator, document_digest(row)), document=row)
    with pytest.raises(IntegrityError), transaction.atomic():
        Rules.objects.filter(pk=row.pk).update(approved_by=stage.educator)


def test_a_version_binds_from_its_day_and_only_once_approved(stage):
    content = default_content()
    content["rules"]["repeated_failure"]["failures"] = 7
    above = tree().above(stage.ward.pk)
    row = proposed(stage, content, effective_on=TODAY + timedelta(days=10))
    assert rules_known().binding(stage.procedure.pk, above, TODAY + timedelta(days=20)).version == 1
    approve(signer=sign(stage.second, document_digest(row)), document=row)
    shelf = rules_known()
    assert shelf.binding(stage.procedure.pk, above, TODAY + timedelta(days=9)).version == 1
    assert rule_set(shelf.binding(stage.procedure.pk, above, TODAY + timedelta(days=10))).repeated_failure.failures == 7
    with pytest.raises(AlreadyDecided):
        approve(signer=sign(stage.second, document_digest(row)), document=row)


def test_only_a_first_version_may_begin_in_the_past(stage):
    with pytest.raises(Problems, match="only a first version"):
        proposed(stage, effective_on=TODAY - timedelta(days=1))


def test_a_rule_on_the_bare_rate_is_refused_with_its_false_alarms(stage):
    content = default_content()
    content["rules"]["first_attempt_rate"]["compare"] = "rate"
    with pytest.raises(Problems, match="would flag 37% of clinicians who are exactly on target"):
        proposed(stage, content)


def test_the_drift_limit_belongs_to_the_wanted_run_length(stage):
    """Run length 1281.36 at 0.20/0.35 and limit 4.0: 4-statistics d, exact recursion."""
    row = proposed(stage)
    assert rule_set(row).drift.limit == pytest.approx(4, abs=0.001)


def test_a_proposal_can_be_taken_back_until_it_is_approved(stage):
    row = proposed(stage)
    take_back(actor=stage.educator, document=row)
    with pytest.raises(AlreadyDecided):
        approve(signer=sign(stage.second, document_digest(row)), document=row)


def test_a_drift_path_starts_when_its_parameters_took_their_present_values(stage):
    homes = [(START, tree().above(stage.ward.pk))]
    later = TODAY + timedelta(days=10)
    assert drift_since(rules_known(), stage.procedure.pk, homes, TODAY) == START
    content = default_content()
    content["rules"]["drift"]["unacceptable"] = "0.40"
    put_in_force(Rules, stage, content, effective_on=later)
    assert drift_since(rules_known(), stage.procedure.pk, homes, later - timedelta(days=1)) == START
    assert drift_since(rules_known(), stage.procedure.pk, homes, later) == later
    # Another version with the same drift parameters does not start it anew.
    content["rules"]["recency"]["days"] = 100
    put_in_force(Rules, stage, content, effective_on=later + timedelta(days=5))
    assert drift_since(rules_known(), stage.procedure.pk, homes, later + timedelta(days=9)) == later


def test_a_programme_with_contradictions_is_refused_beside_its_fields(stage):
    content = Terms().to_content() | {"supervisors": 40, "months": "ten"}
    with pytest.raises(Problems) as caught:
        propose(
            Programme,
            actor=stage.educator,
            unit=stage.cast.wards.department,
            procedure=stage.procedure,
            name="Odd",
            content=content,
            effective_on=TODAY,
        )
    assert {item.field for item in caught.value.items} == {"supervisors", "months"}


def test_enrolment_stays_under_the_version_of_its_day(stage):
    from credentials.enrolling import enrol

    made = enrol(actor=stage.educator, clinician=stage.learner, procedure=stage.procedure, from_day=date(2026, 2, 1))
    put_in_force(Programme, stage, Terms(insertions=30).to_content(), effective_on=TODAY)
    from credentials import standings

    lines = {line.label: line.need for line in standings.read(*stage.pair).standing.award}
    assert made.programme.version == 1
    assert lines["Supervised insertions"] == 10
