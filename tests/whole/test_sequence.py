# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""Steps come in their order: whatever is sent straight to the server out of turn is refused, and nothing is written.

What is sent carries the right password and, where there is something to show, a true seal of it: only the order is
wrong. Sequence: draft, submitted, signed, countersigned; opened, decided; enrolled, awarded, renewed.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

import pytest
from django.test import Client
from django.urls import reverse

from audits import corrections, disputes, drafts, observing, ruling
from audits import reconsidering as batch
from audits.awards import NewScope
from audits.models import Checklist, Insertion, Observation, Restriction, Ruling
from credentials import awarding, flags, founding, proposing, recognising, restricting
from credentials.models import Rules
from credentials.papers import certificates
from credentials.recognising import Brought
from credentials.restricting import Decision
from credentials.rules.answers import Answer
from credentials.rules.ruleset import default_content
from ledger.models import Act
from people.models import Shown, User
from people.signing import seal
from tests.audits.conftest import entry_of, give_award
from tests.audits.observed import Watched, an_assessor, begun, hand, ticked
from tests.credentials.conftest import TODAY, Stage, sign
from tests.credentials.conftest import now as now  # the fixtures
from tests.credentials.conftest import stage as stage
from tests.credentials.test_life import BEGUN, FIRST, make_award
from tests.factories import SECRET, ChecklistFactory, FlagFactory

pytestmark = [pytest.mark.django_db, pytest.mark.std("A-09")]
NOTHING = "0" * 64
REASON = "Both were asked, and the list of the ward agrees."


@dataclass(frozen=True, kw_only=True)
class Sent:
    """What somebody posts: where, what, with seals of what; the status that answers, and words that do."""

    by: User
    to: str
    about: Iterable[Any] = ()
    body: Mapping[str, Any] = field(default_factory=dict)
    digests: Iterable[str] = (NOTHING,)
    status: int = 404
    words: str = ""


# --- entries: draft, submitted, countersigned ---


def _entry(stage: Stage, *, signed: bool = False) -> Insertion:
    return stage.log(datetime(2026, 3, 2, 2, 0), signed=signed)


def _draft(stage: Stage) -> UUID:
    uuid = uuid4()
    drafts.save_draft(user=stage.learner.user, uuid=uuid, content={"band": "adult"})  # type: ignore[arg-type]
    return uuid


def countersigning_a_draft(stage: Stage) -> Sent:
    body = {f"answer-{_draft(stage)}": "in_room"}
    return Sent(by=stage.supervisors[0], to="to_sign_check", body=body, status=200, words="waits for you no longer")


def sending_a_draft_back(stage: Stage) -> Sent:
    return Sent(by=stage.supervisors[0], to="send_back", about=[_draft(stage)], body={"note": "Mend it."})


def accepting_a_draft_on_other_evidence(stage: Stage) -> Sent:
    return Sent(by=stage.educator, to="entry_accept", about=[_draft(stage)], body={"note": "Ward book"})


def disputing_a_draft(stage: Stage) -> Sent:
    body = {"about": "result", "reason": REASON}
    return Sent(by=stage.educator, to="entry_dispute", about=[_draft(stage)], body=body)


def countersigning_twice(stage: Stage) -> Sent:
    row = _entry(stage, signed=True)
    body = {f"answer-{row.uuid}": "nearby"}
    return Sent(
        by=stage.supervisors[0],
        to="to_sign_check",
        body=body,
        digests=[row.digest],
        status=200,
        words="waits for you no longer",
    )


def countersigning_a_version_that_was_replaced(stage: Stage) -> Sent:
    row = _entry(stage)
    again = entry_of(
        stage.learner, stage.ward, stage.supervisors[0], uuid=row.uuid, performed=datetime(2026, 3, 2, 1, 0)
    )
    corrections.correct(actor=stage.learner.user, insertion=row, entry=again, reason="An hour before.")  # type: ignore[arg-type]
    body = {f"answer-{row.uuid}": "in_room"}
    return Sent(
        by=stage.supervisors[0], to="to_sign_check", body=body, digests=[row.digest], status=200, words="Not saved"
    )


def sending_back_what_is_countersigned(stage: Stage) -> Sent:
    row = _entry(stage, signed=True)
    return Sent(
        by=stage.supervisors[0], to="send_back", about=[row.uuid], body={"note": "Mend it."}, digests=[row.digest],
        status=200, words="has answered already",
    )  # fmt: skip


def accepting_what_is_countersigned(stage: Stage) -> Sent:
    row = _entry(stage, signed=True)
    return Sent(
        by=stage.educator, to="entry_accept", about=[row.uuid], body={"note": "Ward book"}, digests=[row.digest],
        status=200, words="has answered already",
    )  # fmt: skip


def deciding_a_change_that_nobody_proposed(stage: Stage) -> Sent:
    row = _entry(stage)
    return Sent(
        by=stage.educator, to="entry_decide", about=[row.uuid], body={"agree": "yes"}, digests=[row.digest], status=302
    )


def taking_a_change_back_that_nobody_proposed(stage: Stage) -> Sent:
    return Sent(by=stage.learner.user, to="proposal_take_back", about=[_entry(stage).uuid], status=302)  # type: ignore[arg-type]


# --- disputes and rulings ---


def _dispute(stage: Stage, row: Insertion) -> Any:
    return disputes.open_dispute(actor=stage.learner.user, insertion=row, about="result", reason=REASON)  # type: ignore[arg-type]


def _ruled(stage: Stage, dispute: Any) -> Ruling:
    signer = sign(stage.educator, ruling.ruling_digest(dispute, "stands", REASON))
    return ruling.rule(signer=signer, dispute=dispute, outcome="stands", reason=REASON)


RULED = {"outcome": "struck", "reason": REASON}


def ruling_without_a_dispute(stage: Stage) -> Sent:
    return Sent(by=stage.educator, to="disagreement_rule", about=[_entry(stage).uuid], body=RULED, status=302)


def ruling_twice(stage: Stage) -> Sent:
    row = _entry(stage, signed=True)
    dispute = _dispute(stage, row)
    shown = ruling.ruling_digest(dispute, "struck", REASON)
    _ruled(stage, dispute)
    return Sent(by=stage.second, to="disagreement_rule", about=[row.uuid], body=RULED, digests=[shown], status=302)


def answering_what_was_ruled(stage: Stage) -> Sent:
    row = _entry(stage, signed=True)
    _ruled(stage, _dispute(stage, row))
    body = {"text": "One thing more."}
    return Sent(by=stage.supervisors[0], to="disagreement", about=[row.uuid], body=body, status=403)


def taking_back_a_dispute_that_was_ruled(stage: Stage) -> Sent:
    row = _entry(stage, signed=True)
    _ruled(stage, _dispute(stage, row))
    return Sent(by=stage.learner.user, to="dispute_take_back", about=[row.uuid], status=302)  # type: ignore[arg-type]


def ruling_on_an_observation_without_a_dispute(stage: Stage) -> Sent:
    return Sent(
        by=stage.educator, to="disagreement_observed_rule", about=[_observed(stage).uuid], body=RULED, status=302
    )


def ruling_that_mends_where_nobody_proposed_how(stage: Stage) -> Sent:
    row = _entry(stage, signed=True)
    shown = ruling.ruling_digest(_dispute(stage, row), "mended", REASON)
    body = {"outcome": "mended", "reason": REASON}
    return Sent(
        by=stage.educator,
        to="disagreement_rule",
        about=[row.uuid],
        body=body,
        digests=[shown],
        status=200,
        words="Choose one of the answers",
    )


# --- countersignatures in question ---


def deciding_a_countersignature_that_is_not_in_question(stage: Stage) -> Sent:
    row = _entry(stage, signed=True)
    statement = row.statements.get()
    shown = batch.decision_digest([statement], "struck", REASON)
    body = {"statements": [statement.pk], "outcome": "struck", "reason": REASON}
    return Sent(by=stage.educator, to="in_question", body=body, digests=[shown], status=302)


# --- observations: begun, signed ---


def _watched(stage: Stage) -> Watched:
    cast, procedure = stage.cast, stage.procedure
    list_ = ChecklistFactory(procedure=procedure, unit=cast.wards.hospital)
    assert isinstance(list_, Checklist)
    one, other = (an_assessor(cast, procedure, name) for name in ("Asa Essor", "Otto Ther"))
    return Watched(cast, procedure, list_, stage.ward, stage.learner, one, other)


def _observed(stage: Stage) -> Observation:
    row = ticked(begun(_watched(stage)))
    return observing.sign(signer=hand(row), observation=row)


def signing_an_observation_that_is_not_ready(stage: Stage) -> Sent:
    row = begun(_watched(stage))
    return Sent(
        by=row.assessor, to="observe_check", about=[row.uuid], digests=[observing.check(row).digest], status=200,
        words="Not marked yet",
    )  # fmt: skip


def signing_an_observation_twice(stage: Stage) -> Sent:
    row = _observed(stage)
    return Sent(by=row.assessor, to="observe_check", about=[row.uuid], digests=[row.digest], status=302)


def dropping_an_observation_that_is_signed(stage: Stage) -> Sent:
    row = _observed(stage)
    return Sent(by=row.assessor, to="observe_drop", about=[row.uuid], body={"reason": "No."}, status=302)


def disputing_an_observation_that_is_not_signed(stage: Stage) -> Sent:
    row = ticked(begun(_watched(stage)))
    return Sent(by=stage.learner.user, to="observation_dispute", about=[row.uuid], body={"reason": REASON})  # type: ignore[arg-type]


def rating_a_second_time_where_nobody_asked(stage: Stage) -> Sent:
    row = _observed(stage)
    other = User.objects.get(name="Otto Ther")
    return Sent(by=other, to="second_begin", about=[row.uuid])


# --- enrolment, awards ---


def _about(stage: Stage) -> list[Any]:
    return [stage.learner.uuid, stage.procedure.pk]


def awarding_without_enrolment(stage: Stage) -> Sent:
    body = {"scope_unit": stage.cast.wards.department.pk}
    return Sent(by=stage.educator, to="award", about=_about(stage), body=body)


def awarding_before_the_terms_are_met(stage: Stage) -> Sent:
    stage.ready_to_learn(BEGUN)
    shown = awarding.check_award(stage.learner, stage.procedure).digest
    body = {"scope_unit": stage.cast.wards.department.pk}
    return Sent(
        by=stage.educator,
        to="award",
        about=_about(stage),
        body=body,
        digests=[shown],
        status=200,
        words="Supervised insertions: have 0, need 10.",
    )


def _holding(stage: Stage) -> Any:
    stage.ready_to_learn(BEGUN)
    stage.ten_insertions(FIRST)
    return make_award(stage)


def awarding_twice(stage: Stage) -> Sent:
    _holding(stage)
    return Sent(by=stage.educator, to="award", about=_about(stage), body={"scope_unit": stage.cast.wards.department.pk})


def renewing_without_an_award(stage: Stage) -> Sent:
    return Sent(by=stage.educator, to="renew", about=_about(stage))


def renewing_before_it_is_open(stage: Stage) -> Sent:
    _holding(stage)
    return Sent(by=stage.educator, to="renew", about=_about(stage))


def extending_an_award_that_is_not_there(stage: Stage) -> Sent:
    body = {"scope_unit": stage.cast.wards.hospital.pk, "reason": REASON}
    return Sent(by=stage.educator, to="award_extend", about=_about(stage), body=body)


def moving_an_enrolment_that_is_not_there(stage: Stage) -> Sent:
    return Sent(by=stage.educator, to="enrolment_move", about=_about(stage), body={"reason": REASON})


def ending_an_enrolment_that_is_not_there(stage: Stage) -> Sent:
    body = {"until_day": "2 March 2026", "reason": REASON}
    return Sent(by=stage.educator, to="enrolment_end", about=_about(stage), body=body)


def giving_a_certificate_of_an_award_that_is_not_there(stage: Stage) -> Sent:
    return Sent(by=stage.educator, to="certificate_give", about=[stage.learner.uuid], body={"award": str(uuid4())})


def deciding_a_founding_award_twice(stage: Stage) -> Sent:
    claim = founding.enter_founding(
        actor=stage.educator,
        new=founding.NewFounding(
            clinician=stage.cast.colleague, procedure=stage.procedure, scope_unit=stage.cast.wards.department,
            awarded_on=date(2025, 6, 1), evidence_kind="Certificate", evidence_place="Personnel file",
        ),
    )  # fmt: skip
    shown = founding.founding_digest(claim)
    founding.decide_founding(signer=sign(stage.second, shown), claim=claim, confirmed=True)
    return Sent(
        by=stage.second,
        to="founding_decide",
        about=[claim.uuid],
        digests=[shown],
        status=200,
        words="Somebody decided this claim before.",
    )


def _brought(stage: Stage) -> Any:
    brought = Brought(
        clinician=stage.learner, procedure=stage.procedure, outcome="part", insertions=2, reason=REASON,
        origin="Marrick Valley Health", evidence="Certificate seen.",
    )  # fmt: skip
    return recognising.recognise(signer=sign(stage.educator, brought.digest), brought=brought)


def withdrawing_what_was_brought_twice(stage: Stage) -> Sent:
    row = _brought(stage)
    shown = recognising.withdrawal_digest(row, REASON)
    recognising.withdraw(signer=sign(stage.educator, shown), recognition=row, reason=REASON)
    return Sent(by=stage.second, to="recognition_withdraw", about=[row.uuid], body={"reason": REASON}, digests=[shown])


# --- what limits somebody ---


def _limited(stage: Stage, kind: str, **said: Any) -> Restriction:
    give_award(stage.learner, stage.procedure, stage.cast.wards.department)
    decision = Decision(
        clinician=stage.learner, kind=Restriction.Kind(kind), reason=REASON, procedure=stage.procedure, **said
    )
    made = restricting.decide(signer=sign(stage.educator, decision.digest), decision=decision)
    assert isinstance(made, Restriction)
    return made


def _ended(stage: Stage, row: Restriction) -> Restriction:
    restricting.end(signer=sign(stage.educator, restricting.end_digest(row, REASON)), restriction=row, reason=REASON)
    return Restriction.objects.known().get(uuid=row.uuid)


SUSPENDED = {"from_day": "2 March 2026", "until_day": "", "reason": REASON}


def suspending_without_the_check_page(stage: Stage) -> Sent:
    give_award(stage.learner, stage.procedure, stage.cast.wards.department)
    body = {"procedure": stage.procedure.pk, **SUSPENDED}
    return Sent(
        by=stage.educator, to="limit", about=[stage.learner.uuid, "suspension"], body=body, digests=[], status=200,
        words="was not shown to you",
    )  # fmt: skip


def reinstating_without_a_suspension(stage: Stage) -> Sent:
    body = {"from_day": "2 March 2026", "reason": REASON}
    return Sent(by=stage.educator, to="limit_end", about=[uuid4()], body=body)


def reinstating_twice(stage: Stage) -> Sent:
    row = _ended(stage, _limited(stage, "suspension"))
    body = {"from_day": "2 March 2026", "reason": REASON}
    shown = restricting.end_digest(row, REASON)
    return Sent(
        by=stage.second,
        to="limit_end",
        about=[row.uuid],
        body=body,
        digests=[shown],
        status=200,
        words="ended or changed meanwhile",
    )


def completing_a_plan_that_is_not_there(stage: Stage) -> Sent:
    return Sent(by=stage.educator, to="limit_end", about=[uuid4()], body={"reason": REASON})


def extending_a_plan_that_ended(stage: Stage) -> Sent:
    plan = _limited(
        stage, "plan", answer=Answer.IN_ROOM, insertions=0, due_on=TODAY + timedelta(days=20), observations=1
    )
    row = _ended(stage, plan)
    day = TODAY + timedelta(days=60)
    shown = restricting.end_digest(row, REASON, day)
    body = {"due_on": day.isoformat(), "reason": REASON}
    return Sent(
        by=stage.second,
        to="limit_extend",
        about=[row.uuid],
        body=body,
        digests=[shown],
        status=200,
        words="ended or changed meanwhile",
    )


def extending_a_suspension(stage: Stage) -> Sent:
    row = _limited(stage, "suspension")
    return Sent(by=stage.educator, to="limit_extend", about=[row.uuid], body={"due_on": "1 May 2026", "reason": REASON})


def withdrawing_an_award_that_is_not_there(stage: Stage) -> Sent:
    decision = Decision(
        clinician=stage.learner, kind=Restriction.Kind.WITHDRAWAL, reason=REASON, procedure=stage.procedure
    )
    body = {"procedure": stage.procedure.pk, "reason": REASON}
    return Sent(
        by=stage.educator, to="limit", about=[stage.learner.uuid, "withdrawal"], body=body,
        digests=[decision.digest], status=200, words="holds no award for it that could be withdrawn",
    )  # fmt: skip


def signing_a_return_step_that_does_not_wait(stage: Stage) -> Sent:
    return Sent(by=stage.educator, to="return_step", about=_about(stage), body={"reason": REASON})


# --- questions, documents, scopes, certificates ---


def closing_a_question_twice(stage: Stage) -> Sent:
    flag = FlagFactory(clinician=stage.learner, procedure=stage.procedure)
    shown = flags.flag_digest(flag)
    flags.close_flag(signer=sign(stage.educator, shown), flag=flag, outcome="watch", reason=REASON)
    body = {"outcome": "explained", "reason": REASON}
    return Sent(by=stage.second, to="review", about=[flag.uuid], body=body, digests=[shown], status=302)


def _rules(stage: Stage) -> Any:
    return proposing.propose(
        Rules, actor=stage.educator, unit=stage.cast.wards.department, procedure=stage.procedure, name="Next",
        content=default_content(), effective_on=TODAY,
    )  # fmt: skip


def approving_rules_twice(stage: Stage) -> Sent:
    row = _rules(stage)
    shown = proposing.document_digest(row)
    proposing.approve(signer=sign(stage.second, shown), document=row)
    return Sent(by=stage.second, to="document", about=["rules", row.uuid], digests=[shown], status=302)


def taking_back_rules_that_are_approved(stage: Stage) -> Sent:
    row = _rules(stage)
    proposing.approve(signer=sign(stage.second, proposing.document_digest(row)), document=row)
    return Sent(by=stage.educator, to="document_take_back", about=["rules", row.uuid], status=302)


def revoking_a_certificate_twice(stage: Stage) -> Sent:
    _holding(stage)
    (holding,) = certificates.holdings_of(stage.learner)
    row = certificates.give_out(
        actor=stage.educator, award=holding.award, address=lambda token: f"https://register.example/c/{token}/"
    ).row
    shown = certificates.revocation_digest(row, REASON)
    certificates.revoke(signer=sign(stage.educator, shown), certificate=row, reason=REASON)
    return Sent(
        by=stage.second, to="certificate_revoke", about=[row.uuid], body={"reason": REASON}, digests=[shown],
        status=200, words="revoked already",
    )  # fmt: skip


def ending_a_scope_that_is_not_there(stage: Stage) -> Sent:
    new = NewScope(
        procedure=stage.procedure, unit=stage.ward, from_day=TODAY, until_day=TODAY + timedelta(days=30),
        basis="By appointment", profession="anaesthetist",
    )  # fmt: skip
    return Sent(
        by=stage.educator, to="scope_end", about=[uuid4()], body={"until_day": "3 March 2026"},
        digests=[awarding.scope_digest(new)],
    )  # fmt: skip


ILLEGAL: dict[str, Callable[[Stage], Sent]] = {
    each.__name__.replace("_", " "): each
    for each in (
        countersigning_a_draft, sending_a_draft_back, accepting_a_draft_on_other_evidence, disputing_a_draft,
        countersigning_twice, countersigning_a_version_that_was_replaced, sending_back_what_is_countersigned,
        accepting_what_is_countersigned, deciding_a_change_that_nobody_proposed,
        taking_a_change_back_that_nobody_proposed, ruling_without_a_dispute, ruling_twice, answering_what_was_ruled,
        taking_back_a_dispute_that_was_ruled, ruling_on_an_observation_without_a_dispute,
        ruling_that_mends_where_nobody_proposed_how, deciding_a_countersignature_that_is_not_in_question,
        signing_an_observation_that_is_not_ready, signing_an_observation_twice, dropping_an_observation_that_is_signed,
        disputing_an_observation_that_is_not_signed, rating_a_second_time_where_nobody_asked,
        awarding_without_enrolment, awarding_before_the_terms_are_met, awarding_twice, renewing_without_an_award,
        renewing_before_it_is_open, extending_an_award_that_is_not_there, moving_an_enrolment_that_is_not_there,
        ending_an_enrolment_that_is_not_there, giving_a_certificate_of_an_award_that_is_not_there,
        deciding_a_founding_award_twice, withdrawing_what_was_brought_twice, suspending_without_the_check_page,
        reinstating_without_a_suspension, reinstating_twice, completing_a_plan_that_is_not_there,
        extending_a_plan_that_ended, extending_a_suspension, withdrawing_an_award_that_is_not_there,
        signing_a_return_step_that_does_not_wait, closing_a_question_twice, approving_rules_twice,
        taking_back_rules_that_are_approved, ending_a_scope_that_is_not_there,
        revoking_a_certificate_twice,
    )
}  # fmt: skip


@pytest.mark.parametrize("step", ILLEGAL)
def test_a_step_out_of_turn_is_refused_and_nothing_is_written(stage: Stage, step: str) -> None:
    sent = ILLEGAL[step](stage)
    client = Client()
    client.force_login(sent.by)
    url = reverse(sent.to, args=list(sent.about))
    signed = {"email": sent.by.email, "secret": SECRET, "shown": [seal(sent.by, each) for each in sent.digests]}
    before = Act.objects.latest("seq").seq
    answer = client.post(url, {**sent.body, **signed})
    told = list(Act.objects.filter(seq__gt=before).values_list("kind", flat=True))
    assert told == []
    assert not Shown.objects.filter(used__gt=before).exists()
    page = answer.content.decode()
    assert (answer.status_code, sent.words in page) == (sent.status, True), (answer.status_code, problems_on(page))
    assert answer.status_code != 200 or sent.words, "a page that is shown again says why"


def problems_on(page: str) -> list[str]:
    """What a page says is to be mended, for whoever reads the failure."""
    return re.findall(r"<li><(?:a|b)[^>]*>([^<]+)", page.partition("problems-title")[2])[:3]
