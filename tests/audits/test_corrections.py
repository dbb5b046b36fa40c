# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""Corrections and withdrawals: what goes at once, what waits for agreement; the old version stands until then."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from audits.corrections import (
    correct,
    decide,
    differences,
    digest_of_proposal,
    history,
    proposals_for,
    propose_withdrawal,
    take_back,
)
from audits.countersigning import AlreadyDecided, NotEligible, accept_on_other_evidence, countersign, send_back
from audits.entry import Difficulty
from audits.figures import Credit
from audits.integrity import altered
from audits.logbook import record_insertion
from audits.models import Insertion, Outcome, Proposal, Statement
from audits.outcomes import wrong
from audits.versions import entry_of
from ledger import acts, clock
from ledger.models import Act
from people.access import NotPermitted, access_of
from people.models import Stale
from people.problems import Problems
from people.signing import NotConfirmed
from tests.audits.conftest import FAILED, NOW, WORKED, confirmed
from tests.audits.conftest import entry_of as entry_for
from tests.factories import ProcedureFactory, an_act, make_appointed, make_clinician


@pytest.fixture
def logged(stage):
    return record_insertion(actor=stage.owner.user, entry=stage.entry())


def change(insertion, **changes):
    return replace(entry_of(insertion), **changes)


def signed(stage, insertion):
    return countersign(signer=confirmed(stage.supervisor, insertion.digest), insertion=insertion, nearness="in_room")


def settle(who, proposal, agree=True, **how):
    return decide(signer=confirmed(who, digest_of_proposal(proposal)), proposal=proposal, agree=agree, **how)


SMALL = {
    "side": {"attempts": (replace(WORKED, side="right"),)},
    "site and gauge": {"attempts": (replace(WORKED, site="wrist", gauge=18),)},
    "comment": {"comment": "Flushed twice."},
    "difficulty": {"difficulty": Difficulty(scale="judged", score=1, scored="after")},
    "time of day": {"performed": datetime(2026, 3, 2, 11, 0)},
    "help": {"help_called": "senior"},
    "nearness": {"nearness": "nearby"},
}
COUNTED = {
    "result": {"attempts": (FAILED,)},
    "attempts": {"attempts": (FAILED, WORKED)},
    "takeover": {"attempts": (replace(FAILED, result="taken_over", reason=""),)},
    "event": {"events": ("needlestick",)},
    "day": {"performed": datetime(2026, 3, 1, 12, 0)},
    "procedure": {"attempts": (replace(WORKED, technique="ultrasound"),), "technique": "ultrasound"},
    "simulation": {"simulation": True},
    "others before": {"others_before": 2},
}


@pytest.mark.std("A-12")
@pytest.mark.parametrize("name", SMALL)
def test_what_counts_for_nothing_is_corrected_at_once_as_a_new_version(stage, logged, name):
    newer = correct(
        actor=stage.owner.user, insertion=logged, entry=change(logged, **SMALL[name]), reason="Mixed it up."
    )
    logged.refresh_from_db()
    assert (newer.version, newer.uuid, newer.known_until) == (2, logged.uuid, None)
    assert logged.known_until_id == newer.known_from_id
    assert newer.entered_at == logged.entered_at
    assert newer.occasion == logged.occasion
    assert '"reason":"Mixed it up."' in newer.content
    assert f'"previous":"{logged.digest}"' in newer.content
    assert [each.version for each in history(logged)] == [1, 2]
    assert {each.field for each in differences(entry_of(logged), entry_of(newer))} == set(SMALL[name])
    assert list(Outcome.objects.values_list("insertion", flat=True)) == [newer.pk]
    assert not list(altered())


@pytest.mark.parametrize("name", COUNTED)
def test_what_counts_waits_for_agreement_and_the_old_version_stands(stage, logged, name):
    ProcedureFactory(code="adult-ultrasound", technique="ultrasound", name="Adult, ultrasound")
    before = Outcome.objects.get()
    proposal = correct(
        actor=stage.owner.user, insertion=logged, entry=change(logged, **COUNTED[name]), reason="It was otherwise."
    )
    assert isinstance(proposal, Proposal)
    assert Insertion.objects.known().get() == logged
    assert Outcome.objects.get() == before
    settle(stage.supervisor, proposal)
    newer = Insertion.objects.known().get()
    assert (newer.version, newer.uuid) == (2, logged.uuid)
    assert entry_of(newer) == change(logged, **COUNTED[name])
    assert not Statement.objects.exists()
    assert wrong() == []
    proposal.refresh_from_db()
    assert (proposal.agreed, proposal.decided_id) == (True, newer.known_from_id)


def test_the_inserter_is_changed_by_agreement_and_both_are_touched(stage, logged):
    colleague = stage.cast.colleague
    proposal = correct(
        actor=stage.owner.user, insertion=logged, entry=change(logged, clinician=colleague.uuid), reason="Wrong person."
    )
    with pytest.raises(NotPermitted):
        settle(colleague.user, proposal)
    settle(stage.cast.educator, proposal)
    newer = Insertion.objects.known().get()
    assert newer.clinician == colleague
    assert Outcome.objects.get().clinician == colleague.pk
    touched = Stale.objects.filter(act=newer.known_from).values_list("clinician", flat=True)
    assert set(touched) == {stage.owner.pk, colleague.pk}


@pytest.mark.std("A-12")
def test_a_correction_needs_a_reason_and_a_change(stage, logged):
    for entry, reason in ((change(logged, comment="New."), ""), (change(logged), "Because.")):
        with pytest.raises(Problems):
            correct(actor=stage.owner.user, insertion=logged, entry=entry, reason=reason)
    with pytest.raises(Problems):
        correct(
            actor=stage.owner.user, insertion=logged, entry=change(logged, comment="x"), reason="MRN 1234567 was wrong"
        )
    with pytest.raises(ValueError, match="is no correction of"):
        correct(actor=stage.owner.user, insertion=logged, entry=stage.entry(), reason="Because.")
    assert Insertion.objects.count() == 1


def test_a_refused_proposal_changes_nothing(stage, logged):
    proposal = correct(actor=stage.owner.user, insertion=logged, entry=change(logged, attempts=(FAILED,)), reason="So.")
    settle(stage.supervisor, proposal, agree=False)
    assert Insertion.objects.known().get() == logged
    proposal.refresh_from_db()
    assert (proposal.agreed, proposal.known_until_id) == (False, acts.head())
    with pytest.raises(Problems, match="Somebody decided this meanwhile"):
        settle(stage.cast.educator, proposal)


def test_one_change_waits_at_a_time_and_may_be_taken_back(stage, logged):
    proposal = correct(actor=stage.owner.user, insertion=logged, entry=change(logged, attempts=(FAILED,)), reason="So.")
    with pytest.raises(Problems, match="waits for a decision"):
        propose_withdrawal(actor=stage.owner.user, insertion=logged, reason="Twice.")
    with pytest.raises(Problems, match="waits for a decision"):
        signed(stage, logged)
    with pytest.raises(NotPermitted):
        take_back(actor=stage.cast.educator, proposal=proposal)
    take_back(actor=stage.owner.user, proposal=proposal)
    with pytest.raises(Problems):
        take_back(actor=stage.owner.user, proposal=proposal)
    with pytest.raises(Problems):
        settle(stage.supervisor, proposal)
    assert signed(stage, logged)


@pytest.mark.parametrize("who", ["owner", "colleague", "assessor", "manager", "auditor", "administrator"])
def test_only_the_named_supervisor_or_an_educator_decides(stage, logged, who):
    proposal = correct(actor=stage.owner.user, insertion=logged, entry=change(logged, attempts=(FAILED,)), reason="So.")
    with pytest.raises(NotPermitted):
        settle(stage.cast.users()[who], proposal)


def test_nobody_decides_what_they_proposed(stage, logged):
    educator = stage.cast.educator
    proposal = correct(
        actor=educator, insertion=logged, entry=change(logged, attempts=(FAILED,)), reason="Chart says so."
    )
    with pytest.raises(NotPermitted):
        settle(educator, proposal)
    settle(make_appointed("educator", stage.ward), proposal)
    assert Insertion.objects.known().get().result == "not_first"


@pytest.mark.std("A-03")
def test_a_decision_binds_what_was_shown(stage, logged):
    proposal = correct(actor=stage.owner.user, insertion=logged, entry=change(logged, attempts=(FAILED,)), reason="So.")
    with pytest.raises(NotConfirmed):
        decide(signer=confirmed(stage.supervisor, logged.digest), proposal=proposal, agree=True)
    assert Insertion.objects.known().get() == logged


# --- after a countersignature ---


@pytest.mark.std("A-12")
def test_any_change_after_a_countersignature_waits_and_is_signed_anew(stage, logged):
    old = signed(stage, logged)
    proposal = correct(
        actor=stage.owner.user, insertion=logged, entry=change(logged, comment="Left arm."), reason="Forgot."
    )
    assert isinstance(proposal, Proposal)
    assert Outcome.objects.get().credit == Credit.IN_ROOM
    with pytest.raises(Problems, match="how near"):
        settle(stage.supervisor, proposal)
    settle(stage.supervisor, proposal, nearness="nearby")
    newer = Insertion.objects.known().get()
    statement = Statement.objects.get(insertion=newer)
    assert (newer.version, statement.kind, statement.insertion_digest) == (2, "nearby", newer.digest)
    assert Outcome.objects.get().credit == Credit.NEARBY
    old.refresh_from_db()
    assert (old.insertion, old.insertion_digest, old.known_until) == (logged, logged.digest, None)
    act = Act.objects.get(seq=newer.known_from_id)
    assert act.facts["signature"]["digest"] == digest_of_proposal(proposal)
    assert act.facts["statement"]["insertion_digest"] == newer.digest


def test_an_educator_who_agrees_after_a_countersignature_names_the_evidence(stage, logged):
    signed(stage, logged)
    proposal = correct(actor=stage.owner.user, insertion=logged, entry=change(logged, attempts=(FAILED,)), reason="So.")
    with pytest.raises(Problems, match="Name the evidence"):
        settle(stage.cast.educator, proposal)
    settle(stage.cast.educator, proposal, note="Ward book, page 3")
    assert Outcome.objects.get().credit == Credit.OTHER_EVIDENCE


def test_a_supervisor_no_longer_eligible_on_that_day_cannot_sign_anew(stage, logged):
    signed(stage, logged)
    proposal = correct(actor=stage.owner.user, insertion=logged, entry=change(logged, comment="Left."), reason="So.")
    stage.holder.awards.update(known_until_id=an_act())
    with pytest.raises(NotEligible):
        settle(stage.supervisor, proposal, nearness="in_room")
    assert Insertion.objects.known().get() == logged
    assert Proposal.objects.known().get() == proposal


def test_what_was_sent_back_is_mended_and_waits_again(stage, logged):
    send_back(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, note="It was the right arm.")
    newer = correct(
        actor=stage.owner.user,
        insertion=logged,
        entry=change(logged, attempts=(replace(WORKED, side="right"),)),
        reason="As my supervisor says.",
    )
    assert isinstance(newer, Insertion)
    assert signed(stage, newer)


def test_an_accepted_entry_is_changed_by_agreement_too(stage, logged):
    accept_on_other_evidence(signer=confirmed(stage.cast.educator, logged.digest), insertion=logged, note="Book")
    assert isinstance(
        correct(actor=stage.owner.user, insertion=logged, entry=change(logged, comment="Left."), reason="So."), Proposal
    )


# --- withdrawals ---


@pytest.mark.std("A-13")
def test_a_withdrawal_waits_for_agreement_and_then_counts_for_nothing_and_stays_readable(stage, logged):
    proposal = propose_withdrawal(actor=stage.owner.user, insertion=logged, reason="Entered twice.")
    assert Outcome.objects.get().in_rate == 1
    settle(stage.supervisor, proposal)
    newer = Insertion.objects.known().get()
    assert (newer.withdrawn, newer.version, newer.result) == (True, 2, logged.result)
    row = Outcome.objects.get()
    assert (row.safety, row.in_rate, row.volume, row.credit) == (0, 0, 0, 0)
    assert '"reason":"Entered twice."' in newer.content
    assert [each.withdrawn for each in history(newer)] == [False, True]
    assert not list(altered())


def test_a_withdrawn_entry_takes_nothing_more(stage, logged):
    settle(stage.supervisor, propose_withdrawal(actor=stage.owner.user, insertion=logged, reason="Entered twice."))
    newer = Insertion.objects.known().get()
    with pytest.raises(AlreadyDecided):
        signed(stage, newer)
    with pytest.raises(AlreadyDecided):
        correct(actor=stage.owner.user, insertion=newer, entry=change(newer, comment="No."), reason="So.")
    assert record_insertion(actor=stage.owner.user, entry=entry_of(logged)) == newer


def test_a_countersigned_entry_is_withdrawn_by_agreement(stage, logged):
    signed(stage, logged)
    settle(stage.supervisor, propose_withdrawal(actor=stage.owner.user, insertion=logged, reason="Entered twice."))
    assert Insertion.objects.known().get().withdrawn
    assert wrong() == []


def test_without_a_supervisor_an_educator_agrees(stage):
    entry = stage.entry(supervisor=None, nearness="", emergency=True)
    logged = record_insertion(actor=stage.owner.user, entry=entry)
    proposal = propose_withdrawal(actor=stage.owner.user, insertion=logged, reason="Entered twice.")
    with pytest.raises(NotPermitted):
        settle(stage.supervisor, proposal)
    settle(stage.cast.educator, proposal)
    assert Insertion.objects.known().get().withdrawn


@pytest.mark.parametrize(
    "who", ["colleague", "outsider", "supervisor", "assessor", "manager", "auditor", "administrator"]
)
def test_nobody_else_changes_somebodys_entry(stage, logged, who):
    user = stage.cast.users()[who]
    with pytest.raises(NotPermitted):
        correct(actor=user, insertion=logged, entry=change(logged, comment="Mine now."), reason="So.")
    with pytest.raises(NotPermitted):
        propose_withdrawal(actor=user, insertion=logged, reason="So.")
    assert Insertion.objects.count() == 1


# --- what waits ---


def test_the_list_of_what_waits_shows_the_change_and_whether_it_asks_a_signature(stage, logged):
    plain = correct(actor=stage.owner.user, insertion=logged, entry=change(logged, attempts=(FAILED,)), reason="So.")
    other = record_insertion(actor=stage.owner.user, entry=stage.entry(performed=datetime(2026, 3, 1, 9, 0)))
    signed(stage, other)
    bound = correct(actor=stage.owner.user, insertion=other, entry=change(other, comment="Left."), reason="So.")
    for user in (stage.supervisor, stage.cast.educator):
        first, second = proposals_for(access_of(user))
        assert (first.proposal, [each.field for each in first.differences]) == (plain, ["attempts"])
        assert (second.proposal, second.asks_signature, first.asks_signature) == (bound, True, False)
        assert second.digest == digest_of_proposal(bound)
    assert proposals_for(access_of(stage.owner.user)) == []
    assert proposals_for(access_of(stage.cast.manager)) == []


def test_twenty_that_wait_cost_as_many_queries_as_one(stage):
    def more(count):
        for _ in range(count):
            clinician = make_clinician(stage.ward)
            logged = record_insertion(actor=clinician.user, entry=entry_for(clinician, stage.ward, stage.supervisor))
            correct(actor=clinician.user, insertion=logged, entry=change(logged, attempts=(FAILED,)), reason="So.")

    def queries():
        access = access_of(stage.supervisor)
        with CaptureQueriesContext(connection) as caught:
            found = proposals_for(access)
        return len(found), len(caught)

    more(1)
    one = queries()
    more(19)
    assert (one[0], queries()) == (1, (20, one[1]))


def test_what_was_known_of_others_stays_when_something_else_is_corrected(stage):
    first = record_insertion(actor=stage.owner.user, entry=stage.entry(attempts=(FAILED, FAILED)))
    colleague = stage.cast.colleague
    joined = record_insertion(
        actor=colleague.user,
        entry=entry_for(
            colleague, stage.ward, stage.supervisor, occasion=first.occasion, performed=datetime(2026, 3, 2, 12, 20)
        ),
    )
    proposal = correct(actor=stage.owner.user, insertion=first, entry=change(first, attempts=(FAILED,)), reason="So.")
    settle(stage.supervisor, proposal)
    newer = correct(actor=colleague.user, insertion=joined, entry=change(joined, comment="Left arm."), reason="Forgot.")
    assert (newer.others_before, newer.occasion) == (2, first.occasion)


def test_a_late_countersignature_of_a_correction_is_an_educators(stage, logged):
    signed(stage, logged)
    proposal = correct(actor=stage.owner.user, insertion=logged, entry=change(logged, comment="Left."), reason="So.")
    with clock.at(NOW + timedelta(days=31)):
        with pytest.raises(Problems, match="an educator may accept it"):
            settle(stage.supervisor, proposal, nearness="in_room")
        settle(stage.cast.educator, proposal, note="Ward book, page 3")
