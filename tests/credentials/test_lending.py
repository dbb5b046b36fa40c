"""A programme that counts insertions of another procedure: proposed, judged, known then, stored standings kept true."""

from dataclasses import replace
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from credentials import standings
from credentials.lending import borrowers, with_borrowers
from credentials.models import Programme, Standing
from credentials.proposing import propose
from credentials.rules.terms import Terms
from ledger import acts
from people.problems import Problems
from tests.audits.conftest import WORKED, give_award
from tests.credentials.conftest import TODAY, put_in_force
from tests.credentials.test_life import FIRST
from tests.factories import ProcedureFactory

THERE = {"technique": "ultrasound", "attempts": (replace(WORKED, technique="ultrasound"),)}


@pytest.fixture
def other(stage):
    """Another procedure that the supervisors hold too."""
    made = ProcedureFactory(code="OTHER", name="Another way in", technique="ultrasound")
    for user in stage.supervisors:
        held = stage.procedure
        row = user.clinician.awards.get(procedure=held)
        give_award(user.clinician, made, stage.cast.wards.department, terms=row.terms)
    return made


def counting(other, **more):
    return Terms(counts_from=(other.code,), counts_from_cap=2, **more).to_content()


def insertions(stage, **how):
    found = standings.judge_many([stage.pair], **how)[stage.pair].standing.award
    return next((line.have, line.note) for line in found if line.label == "Supervised insertions")


def test_a_code_that_is_none_and_its_own_are_refused(stage, other):
    for codes, words in ((("NONE",), "NONE is not the code"), ((stage.procedure.code,), "count already")):
        with pytest.raises(Problems, match=words):
            propose(
                Programme,
                actor=stage.educator,
                unit=stage.cast.wards.department,
                procedure=stage.procedure,
                name="Local",
                content=Terms(counts_from=codes, counts_from_cap=1).to_content(),
                effective_on=TODAY,
            )


@pytest.fixture
def learning(stage, other):
    put_in_force(Programme, stage, counting(other), effective_on=TODAY)
    stage.ready_to_learn(TODAY)
    return stage


def at(place):
    return FIRST.replace(year=TODAY.year, month=TODAY.month, day=TODAY.day, hour=1) + timedelta(minutes=place)


def test_what_is_lent_counts_now_and_then_and_a_stored_standing_follows(learning, other):
    stage = learning
    stage.log(at(0))
    standings.refresh()
    before = acts.head()
    for place in (1, 2, 3):
        stage.log(at(place), **THERE)
    stored = Standing.objects.get(clinician=stage.learner, procedure=stage.procedure)
    assert '"have":1' in stored.body
    counted = (3, "of these 2 from Another way in; 1 more of other procedures, at most 2 counted")
    # The stored row is not trusted: an entry of the other procedure waits.
    read = standings.read(*stage.pair).standing.award
    assert next((line.have, line.note) for line in read if line.label == "Supervised insertions") == counted
    assert insertions(stage) == insertions(stage, known=acts.head()) == counted
    assert insertions(stage, known=before) == (1, "")
    standings.refresh()
    assert standings.differences() == []


def test_borrowers_are_those_of_approved_programmes(learning, other):
    stage = learning
    assert borrowers() == {other.pk: {stage.procedure.pk}}
    assert with_borrowers({(5, other.pk), (6, None)}) == {(5, other.pk), (5, stage.procedure.pk), (6, None)}


def test_borrowing_costs_no_query_more_for_many(learning, other):
    stage = learning
    stage.log(at(1), **THERE)
    pairs = [stage.pair, *((user.clinician.pk, stage.procedure.pk) for user in stage.supervisors)]
    with CaptureQueriesContext(connection) as one:
        standings.judge_many([stage.pair])
    with CaptureQueriesContext(connection) as many:
        found = standings.judge_many(pairs)
    assert len(many) == len(one)
    assert found[stage.pair].body == standings.judge_many([stage.pair])[stage.pair].body
