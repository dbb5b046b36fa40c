"""Noting what was done, taking it back, reading it at two times, and finding what was altered."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from audits import completions
from audits.completions import NewCompletion, record_completion, withdraw_completion
from audits.holding import holdings
from audits.models import Completion, Procedure
from ledger.acts import head
from ledger.models import Act
from ledger.verify import verify
from people.access import NotPermitted
from people.models import Stale
from people.problems import Problems
from tests.audits.conftest import Stage
from tests.factories import AbsenceFactory, CompletionFactory
from tests.ledger.conftest import unguard

ON = date(2026, 3, 1)


@pytest.fixture
def new(stage: Stage) -> NewCompletion:
    return NewCompletion(
        clinician=stage.owner, procedure=stage.procedure, kind="knowledge", on=ON, verified_by="Imogen Vale",
        result="18/20", about="Cannulation quiz, version 2", valid_until=date(2028, 3, 1),
    )  # fmt: skip


def note(stage: Stage, new: NewCompletion, **changes: Any) -> Completion:
    return record_completion(actor=stage.cast.educator, new=replace(new, **changes))


def wrong(stage: Stage, new: NewCompletion, **changes: Any) -> dict[str, str]:
    with pytest.raises(Problems) as caught:
        note(stage, new, **changes)
    return {each.field: each.text for each in caught.value.items}


def test_all_that_was_said_is_kept_and_the_result_stays_out_of_the_chain(stage: Stage, new: NewCompletion) -> None:
    made = note(stage, new)
    made.refresh_from_db()
    assert (made.result, made.passed, made.about) == ("18/20", True, "Cannulation quiz, version 2")
    assert (made.on, made.valid_until, made.verified_by) == (ON, date(2028, 3, 1), "Imogen Vale")
    assert "18/20" not in made.known_from.content
    assert "Vale" not in made.known_from.content
    assert Stale.objects.filter(act=made.known_from_id, clinician=stage.owner, procedure=stage.procedure.pk).exists()


def test_what_is_wrong_is_said_beside_its_field(stage: Stage, new: NewCompletion) -> None:
    assert wrong(stage, new, on=date(2026, 3, 4)) == {"on": "This day lies in the future."}
    assert wrong(stage, new, valid_until=ON) == {"valid_until": "It would end before it began."}
    assert wrong(stage, new, verified_by=" ") == {"verified_by": "Say who saw the proof."}
    assert wrong(stage, new, result="x" * 61) == {"result": "Use at most 60 characters."}
    assert wrong(stage, new, about="MRN 4455667")["about"].startswith("This looks like a record number.")
    assert wrong(stage, new, passed=False) == {"valid_until": "What was not passed holds on no day: leave this empty."}
    assert wrong(stage, new, kind="policy", about="") == {"about": "Say which policy was read, and its version."}
    with pytest.raises(ValueError, match="kind 'walk' is none of knowledge, theory, simulation, policy, return"):
        note(stage, new, kind="walk")
    assert not Completion.objects.exists()


@pytest.mark.std("F-06")
def test_the_same_sent_twice_is_noted_once(stage: Stage, new: NewCompletion) -> None:
    note(stage, new)
    told = wrong(stage, new, result=" 18/20 ", about="cannulation QUIZ,  version 2")
    assert told["on"].startswith("This is noted already for 1 March 2026.")
    assert Completion.objects.count() == Act.objects.filter(kind="completion.recorded").count() == 1
    # Another score, another title or another day is another completion.
    for change in ({"result": "12/20", "passed": False, "valid_until": None}, {"about": "Other"}, {"kind": "theory"}):
        note(stage, new, **change)
    assert Completion.objects.count() == 4


def test_what_was_noted_wrongly_is_withdrawn_with_a_reason_and_noted_anew(stage: Stage, new: NewCompletion) -> None:
    made = note(stage, new)
    before = head()
    withdraw_completion(actor=stage.cast.educator, completion=made, reason=" It was Ben's paper. ")
    assert not Completion.objects.known().exists()
    assert Completion.objects.known(before).get() == made
    act = Act.objects.get(kind="completion.withdrawn")
    assert (act.subject, act.facts["completion"]) == (stage.owner.uuid, str(made.uuid))
    assert "paper" not in act.content
    assert Stale.objects.filter(act=act, clinician=stage.owner).exists()
    note(stage, new)
    assert Completion.objects.count() == 2
    assert verify().problems == ()


def test_a_withdrawal_needs_a_reason_a_right_and_something_that_stands(stage: Stage, new: NewCompletion) -> None:
    made = note(stage, new)
    for user in (stage.owner.user, stage.supervisor, stage.cast.manager):
        with pytest.raises(NotPermitted):
            withdraw_completion(actor=user, completion=made, reason="Wrong.")
    for reason in ("", "  ", "x" * 301, "It was MRN 4455667."):
        with pytest.raises(Problems):
            withdraw_completion(actor=stage.cast.educator, completion=made, reason=reason)
    withdraw_completion(actor=stage.cast.educator, completion=made, reason="Wrong.")
    with pytest.raises(Problems, match="withdrawn already"):
        withdraw_completion(actor=stage.cast.educator, completion=made, reason="Wrong.")
    assert Act.objects.filter(kind="completion.withdrawn").count() == 1


def test_a_list_has_the_latest_first_the_withdrawn_last_and_each_as_known_then(
    stage: Stage, new: NewCompletion, django_assert_num_queries: Any
) -> None:
    first = note(stage, new, on=ON - timedelta(days=30))
    second = note(stage, new, kind="simulation")
    then = head()
    withdraw_completion(actor=stage.cast.educator, completion=second, reason="He was not there.")
    third = note(stage, new, kind="theory", passed=False, valid_until=None)
    CompletionFactory(clinician=stage.owner, procedure=Procedure.objects.create(code="other", name="Other", band="x"))
    with django_assert_num_queries(1):
        found = completions.of(stage.owner, stage.procedure)
        assert [each.completion for each in found] == [third, first, second]
    assert [each.by for each in found] == [stage.cast.educator.name] * 3
    ended = found[-1].withdrawal
    assert ended is not None
    assert (ended.by, ended.reason) == (stage.cast.educator.name, "He was not there.")
    assert found[0].withdrawal is found[1].withdrawal is None
    # As known before the withdrawal both stood.
    earlier = completions.of(stage.owner, stage.procedure, known=then)
    assert [(each.completion, each.withdrawal) for each in earlier] == [(second, None), (first, None)]


def test_a_list_of_twenty_costs_one_query(stage: Stage) -> None:
    for place in range(20):
        CompletionFactory(clinician=stage.owner, procedure=stage.procedure, on=ON - timedelta(days=place))
    with CaptureQueriesContext(connection) as caught:
        assert len(completions.of(stage.owner, stage.procedure)) == 20
    assert len(caught) == 1


def test_a_return_step_that_was_not_passed_gives_nobody_back_what_they_held(stage: Stage, new: NewCompletion) -> None:
    """Nor does one that was withdrawn: both days count as if nothing had been done."""
    AbsenceFactory(clinician=stage.holder, from_day=ON - timedelta(days=400), until_day=ON - timedelta(days=10))

    def returned() -> bool:
        facts = holdings([stage.supervisor.pk])
        return bool(facts.returns.get((stage.holder.pk, stage.procedure.pk)))

    note(stage, new, clinician=stage.holder, kind="return", passed=False, valid_until=None)
    assert not returned()
    done = note(stage, new, clinician=stage.holder, kind="return", result="Third")
    assert returned()
    withdraw_completion(actor=stage.cast.educator, completion=done, reason="Another person's.")
    assert not returned()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"passed": False}, "is not what its act brought in"),
        ({"result": "20/20"}, "is not what its act brought in"),
        ({"about": "Another policy"}, "is not what its act brought in"),
        ({"verified_by": "Somebody"}, "is not what its act brought in"),
        ({"valid_until": None}, "is not what its act brought in"),
        ({"kind": "theory"}, "is not what its act brought in"),
    ],
)
@pytest.mark.std("A-03")
def test_an_altered_completion_is_found(stage: Stage, new: NewCompletion, change: dict[str, Any], said: str) -> None:
    made = note(stage, new)
    assert verify().problems == ()
    unguard()
    Completion.objects.filter(pk=made.pk).update(**change)
    assert any(said in each.reason for each in verify().problems)


@pytest.mark.std("A-03")
def test_a_completion_that_is_gone_ended_or_back_past_its_act_is_found(stage: Stage, new: NewCompletion) -> None:
    made, ended = note(stage, new), note(stage, new, kind="theory")
    withdraw_completion(actor=stage.cast.educator, completion=ended, reason="Wrong.")
    unguard()

    def found() -> str:
        return " ".join(each.reason for each in verify().problems)

    Completion.objects.filter(pk=made.pk).update(known_until_id=head())
    assert f"completion {made.uuid} ends, and its act does not withdraw it" in found()
    Completion.objects.filter(pk=made.pk).update(known_until_id=None)
    Completion.objects.filter(pk=ended.pk).update(known_until_id=None)
    assert f"completion {ended.uuid} was withdrawn and counts again, or is missing" in found()
    Completion.objects.filter(pk=made.pk).delete()
    assert "1 completions that the act brought in are missing" in found()
