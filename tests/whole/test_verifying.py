"""An altered row of evidence or of a decision is found by `verify_ledger`, whoever altered it past the guard."""

import random
from collections.abc import Callable
from datetime import date
from uuid import uuid4

import pytest
from django.db.models import Model

from audits.models import Attempt, Award, Completion, Dispute, Insertion, Proposal, ScopeByRole, Statement
from credentials import review
from credentials.models import Enrolment, Flag, FlagReply, Founding, Programme, Referral, Rules
from ledger import clock
from ledger.models import Act
from ledger.verify import verify
from tests.ledger.conftest import unguard
from tests.whole.world import BEGUN, Walk, make_world

pytestmark = [pytest.mark.django_db, pytest.mark.std("A-03")]

STEPS = (
    *("log_and_sign", "log") * 12, "time_passes", "review", *("close_flag", "reply") * 3, *("open_dispute",) * 3,
    *("propose_withdrawal", "decide_proposal") * 5, "record_completion", *("enter_founding", "decide_founding") * 5,
    *("decide_scope",) * 3, *("finish_scope",) * 2, *("enrol", "end_enrolment") * 3, *("propose", "approve") * 4,
    *("log", "import_sheet") * 3, "review", *("refer", "plan_from_flag") * 3,
)  # fmt: skip


@pytest.fixture
def walk(db) -> Walk:
    with clock.at(BEGUN):
        walk = Walk(make_world(), random.Random(7))
    for verb in STEPS:
        walk.step(verb)
    return walk


def found() -> list[str]:
    return [problem.reason for problem in verify().problems if "the guard is missing" not in problem.reason]


@pytest.fixture
def open_tables(walk: Walk) -> None:
    assert verify().problems == ()
    unguard()


# Which row, what is done to it, and the words in which it is found.
ALTERED: dict[str, tuple[Callable[[], Model | None], dict[str, object], str]] = {
    "an insertion's result": (
        lambda: Insertion.objects.filter(result="not_first").first(), {"result": "first_time"}, "result not as stored",
    ),
    "an insertion's digest": (lambda: Insertion.objects.first(), {"digest": "0" * 64}, "insertions: "),
    "an attempt": (lambda: Attempt.objects.filter(result="failed").first(), {"result": "working"}, "attempts not as"),
    "a statement's kind": (
        lambda: Statement.objects.filter(kind="in_room").first(), {"kind": "nearby"}, "does not match what was signed",
    ),
    "a statement's printed name": (
        lambda: Statement.objects.first(), {"printed_name": "Somebody Else"}, "does not match what was signed",
    ),
    "a proposal's reason": (lambda: Proposal.objects.first(), {"reason": "Because."}, "is not what its act brought in"),
    "a decision about a proposal": (
        lambda: Proposal.objects.filter(agreed=True).first(), {"agreed": False}, "is another one",
    ),
    "a dispute's limit": (lambda: Dispute.objects.first(), {"limit_on": date(2030, 1, 1)}, "disputes: "),
    "a completion's day": (lambda: Completion.objects.first(), {"on": date(2020, 1, 1)}, "completions: "),
    "an award's months": (lambda: Award.objects.last(), {"months": 99}, "awards: "),
    "an award's provisional time": (
        lambda: Award.objects.last(), {"provisional_until": date(2020, 1, 1)}, "does not match what was signed",
    ),
    "a scope's end": (
        lambda: ScopeByRole.objects.first(), {"until_day": date(2099, 1, 1)}, "does not match what was signed",
    ),
    "a rule's content": (
        lambda: Rules.objects.exclude(approved=None).first(), {"content": "{}"}, "does not match what was approved",
    ),
    "a programme's day": (
        lambda: Programme.objects.first(), {"effective_on": date(2020, 1, 1)}, "is not what was proposed",
    ),
    "an enrolment's day": (lambda: Enrolment.objects.first(), {"from_day": date(2020, 1, 1)}, "enrolments: "),
    "a founding award's evidence": (
        lambda: Founding.objects.first(), {"evidence_place": "Nowhere"}, "is not what was entered",
    ),
    "a flag's rule": (lambda: Flag.objects.first(), {"rule": "drift"}, "is not what was raised"),
    "a flag's outcome": (
        lambda: Flag.objects.exclude(closed=None).exclude(outcome="watch").first(), {"outcome": "watch"},
        "was not closed like this",
    ),
    "a flag closed by a plan": (
        lambda: Flag.objects.filter(outcome="plan").first(), {"outcome": "suspended"}, "was not closed like this",
    ),
    "a referral's reason": (lambda: Referral.objects.first(), {"reason": "No."}, "is not what was referred"),
    "a reply": (lambda: FlagReply.objects.first(), {"text": "I agree with everything."}, "is not what was said"),
}  # fmt: skip


@pytest.mark.parametrize("what", ALTERED)
def test_an_altered_row_is_found(open_tables, what):
    choose, changes, words = ALTERED[what]
    row = choose()
    assert row is not None, f"the walk brought in no row for {what}"
    type(row)._base_manager.filter(pk=row.pk).update(**changes)
    assert any(words in reason for reason in found()), found()


@pytest.mark.parametrize("model", [Statement, Dispute, Completion, ScopeByRole, FlagReply, Proposal])
def test_a_row_that_is_no_longer_there_is_found(open_tables, model):
    row = model._base_manager.last()
    assert row is not None
    model._base_manager.filter(pk=row.pk).delete()
    assert found() != []


def test_an_insertion_that_is_no_longer_there_is_found(open_tables):
    row = Insertion.objects.filter(statements=None, proposals=None, disputes=None).first()
    Attempt.objects.filter(insertion=row).delete()
    Insertion.objects.filter(pk=row.pk).delete()
    assert any("the act brought in are missing" in reason for reason in found())


def test_rows_that_no_act_brought_in_are_found(open_tables):
    """An entry of the person's own making, hung on an act that is not about it."""
    row = Insertion.objects.first()
    act = Act.objects.filter(kind="setting.set").first()
    row.pk, row.uuid, row.known_from_id, row.known_until_id = None, uuid4(), act.pk, None
    row.save(force_insert=True)
    assert any("its act does not bring it in" in reason for reason in found())


def test_a_signature_lifted_to_another_entry_is_found(open_tables):
    signed = Statement.objects.first()
    other = Insertion.objects.filter(statements=None).first()
    Statement.objects.filter(pk=signed.pk).update(insertion=other, insertion_digest=other.digest)
    assert any("does not match what was signed" in reason for reason in found())


def test_what_was_never_altered_holds_after_a_review(walk):
    with clock.at(walk.now):
        review.review_today()
        assert verify().problems == ()
