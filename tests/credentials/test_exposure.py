"""Insertions made while the answer of the day allowed less: by status, by how they were done; never erased."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from audits.awards import end_award
from audits.disputes import open_dispute
from audits.logbook import record_insertion
from audits.models import Award, Insertion
from credentials import exposure
from credentials.restricting import Decision, decide
from credentials.rules.answers import Answer
from credentials.rules.standing import answer_at_home
from credentials.rules.terms import Terms
from credentials.standings import judge_many
from ledger import clock
from ledger.acts import recording
from ledger.canonical import canonical
from people.settings import set_setting
from people.staffing import move
from tests.audits.conftest import FAILED, entry_of, give_award
from tests.credentials.conftest import TODAY, sign
from tests.factories import make_clinician
from tests.ledger.conftest import unguard

pytestmark = pytest.mark.django_db
FIRST = datetime(2026, 2, 20, 10, 0)  # noqa: DTZ001 - the unit's own time


def logged(stage, on=FIRST, *, nearness="in_room", supervisor=True, signed=False, **changes):
    """By the learner, as they say it was done."""
    by = stage.supervisors[0] if supervisor else None
    entry = entry_of(stage.learner, stage.ward, by, performed=on, nearness=nearness if by else "", **changes)
    with clock.at(on.replace(tzinfo=UTC)):
        return record_insertion(actor=stage.learner.user, entry=entry)


def found(stage, on=TODAY):
    rows = exposure.of_person(stage.learner.pk, stage.procedure.pk, on=on)
    return [(each.status.value, each.allowed, each.done) for each in rows]


def test_a_holder_who_inserts_alone_is_no_exposure_and_no_day_is_judged(stage):
    give_award(stage.learner, stage.procedure, stage.cast.wards.department)
    logged(stage, supervisor=False)
    with CaptureQueriesContext(connection) as queries:
        assert found(stage) == []
    assert not [each for each in queries if "audits_outcome" in each["sql"]]


@pytest.mark.parametrize(
    ("said", "exposed"),
    [
        ({"supervisor": False}, [("in_training", Answer.IN_ROOM, Answer.ALONE)]),
        ({"nearness": "nearby"}, [("in_training", Answer.IN_ROOM, Answer.NEARBY)]),
        ({"nearness": "in_room"}, []),
    ],
)
def test_a_trainee_needs_the_supervisor_in_the_room(stage, said, exposed):
    stage.ready_to_learn(date(2026, 2, 1))
    logged(stage, **said)
    assert found(stage) == exposed


def test_whoever_is_not_enrolled_is_exposed_however_it_was_done_and_an_emergency_is_one(stage):
    logged(stage)
    logged(stage, FIRST + timedelta(days=1), supervisor=False, emergency=True)
    rows = exposure.of_person(stage.learner.pk, stage.procedure.pk, on=TODAY)
    assert [(each.allowed, each.done, each.insertion.emergency) for each in rows] == [
        (Answer.NO, Answer.IN_ROOM, False),
        (Answer.NO, Answer.ALONE, True),
    ]
    assert rows[0].words == "not enrolled: not on patients; done with a supervisor in the room"


def test_while_lapsed_and_while_suspended_and_not_on_the_days_beside(stage):
    give_award(stage.learner, stage.procedure, stage.cast.wards.department)
    decision = Decision(
        clinician=stage.learner, kind="suspension", reason="Until talked over.", until_day=TODAY + timedelta(days=2)
    )
    decide(signer=sign(stage.educator, decision.digest), decision=decision)
    for place in range(-1, 3):
        logged(stage, datetime(2026, 3, 2, 9, 0) + timedelta(days=place), supervisor=False)  # noqa: DTZ001
    assert found(stage, TODAY + timedelta(days=5)) == [("suspended", Answer.NO, Answer.ALONE)] * 2

    with recording(actor=None, kind="award.made") as rec:
        end_award(rec, Award.objects.known().get(clinician=stage.learner), date(2026, 2, 19))
    assert ("not_enrolled", Answer.NO, Answer.ALONE) in found(stage, TODAY + timedelta(days=5))


def test_an_entry_past_the_attempts_limit_is_judged_like_any_other(stage):
    logged(stage, attempts=(FAILED, FAILED, FAILED))
    assert found(stage) == [("not_enrolled", Answer.NO, Answer.IN_ROOM)]


def test_what_was_withdrawn_in_simulation_or_not_attempted_is_none(stage):
    logged(stage, simulation=True)
    logged(stage, FIRST + timedelta(days=1), attempts=(), not_attempted="asked_to_stop")
    assert found(stage) == []


def test_a_unit_over_a_period_costs_the_same_queries_for_few_and_many(stage):
    for place in range(3):
        logged(stage, FIRST + timedelta(hours=place))
    ward = {stage.ward.pk}
    with CaptureQueriesContext(connection) as few:
        assert len(exposure.on_units(ward, first=FIRST.date(), last=FIRST.date())) == 3
    for place in range(10):
        other = make_clinician(stage.ward, f"Other {place}")
        entry = entry_of(other, stage.ward, stage.supervisors[0], performed=FIRST)
        record_insertion(actor=other.user, entry=entry)
    with CaptureQueriesContext(connection) as many:
        assert len(exposure.on_units(ward, first=FIRST.date(), last=FIRST.date())) == 13
    assert len(many) == len(few)
    assert exposure.on_units(ward, first=TODAY, last=TODAY) == []
    assert Insertion.objects.known().count() == 13


@pytest.mark.parametrize(("kind", "ceiling"), [("employed", "nearby"), ("agency", "in_room")])
def test_whoever_a_ceiling_caps_is_exposed_above_it_with_an_award_too(stage, kind, ceiling):
    give_award(stage.learner, stage.procedure, stage.cast.wards.department)
    day = date(2026, 1, 1)
    set_setting(
        actor=stage.educator, unit=stage.cast.wards.department, name=f"ceiling_{kind}", value=ceiling, about="",
        from_day=day,
    )  # fmt: skip
    if kind != "employed":
        move(actor=stage.educator, clinician=stage.learner, unit=stage.ward, kind=kind, from_day=day, stay=False)
    logged(stage, supervisor=False)
    assert found(stage) == [("current", Answer(ceiling), Answer.ALONE)]


def test_it_is_said_where_it_is_disputed_who_inserted(stage):
    made = logged(stage)
    open_dispute(actor=stage.learner.user, insertion=made, about="who", reason="I was at lunch.")
    (row,) = exposure.of_person(stage.learner.pk, stage.procedure.pk, on=TODAY)
    assert row.remarks == "who inserted is disputed"


def test_paper_from_before_the_start_day_is_no_exposure(stage):
    logged(stage)
    assert found(stage)
    unguard()
    Insertion.objects.update(source="paper")
    assert found(stage) == []


def test_what_a_plain_look_clears_a_judgement_clears_too(stage):
    """Each entry judged by itself, over the boundary days of an award, says the same."""
    give_award(
        stage.learner, stage.procedure, stage.cast.wards.department, from_day=date(2026, 1, 16),
        anchor=date(2026, 1, 16), expires_on=date(2026, 2, 22), provisional_until=date(2026, 2, 16), first=True,
        terms=canonical(
            Terms(
                provisional_months=1, grace_days=2, provisional_gives=Answer.NEARBY, lapsed_gives=Answer.NO
            ).to_content()
        ),
    )  # fmt: skip
    for place in range(14):
        logged(stage, datetime(2026, 2, 14, 9, 0) + timedelta(days=place), supervisor=False)  # noqa: DTZ001
    exposed = {each.insertion.pk for each in exposure.exposures(Insertion.objects.known())}
    beyond = set()
    for row in Insertion.objects.known():
        judged = judge_many([stage.pair], on=row.performed_on)[stage.pair]
        if answer_at_home(judged.standing, on=row.performed_on).answer < Answer.ALONE:
            beyond.add(row.pk)
    assert exposed == beyond
    assert 0 < len(beyond) < 14
