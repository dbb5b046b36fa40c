"""Disagreements to their end: who has a say, who decides, what becomes of the entry, the statement, the observation."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from audits import corrections, countersigning, disputes, logbook, observation_replies, ruling
from audits.entries import shown
from audits.measures import rows_of
from audits.models import Dispute, DisputeAnswer, Insertion, ObservationDispute, Ruling, Statement
from audits.versions import entry_of as said_in
from ledger import clock
from ledger.acts import head
from ledger.models import Act
from ledger.verify import verify
from people.access import NotPermitted, access_of
from people.problems import Problems
from people.signing import NotConfirmed
from tests.audits.conftest import FAILED, NOW, WORKED, Stage, confirmed
from tests.audits.observed import make_watched, signed
from tests.factories import make_appointed, make_clinician
from tests.ledger.conftest import unguard

pytestmark = [pytest.mark.django_db]
REASON = "Both were asked, and the chart of the ward agrees."
TODAY = date(2026, 3, 2)


@pytest.fixture
def logged(stage: Stage) -> Insertion:
    made = logbook.record_insertion(actor=stage.owner.user, entry=stage.entry())
    countersigning.countersign(signer=confirmed(stage.supervisor, made.digest), insertion=made, nearness="in_room")
    return made


def disputed(stage: Stage, made: Insertion, about: str = "result", by=None) -> Dispute:
    return disputes.open_dispute(
        actor=by or stage.owner.user, insertion=made, about=about, reason="It was not like this."
    )


def ruled(user, dispute, outcome: str, reason: str = REASON) -> Ruling:
    signer = confirmed(user, ruling.ruling_digest(dispute, outcome, reason), meaning=ruling.MEANING)
    return ruling.rule(signer=signer, dispute=dispute, outcome=outcome, reason=reason)


def latest(made: Insertion) -> Insertion:
    return Insertion.objects.known().get(uuid=made.uuid)


def counted(stage: Stage, known: int | None = None) -> tuple[int, int, int]:
    """(safety, credit, volume) of the owner's only entry."""
    (row,) = rows_of({stage.owner.pk}, on=TODAY, known=known)
    return int(row.safety > 0), int(row.credit > 0), row.volume


def wrong() -> list[str]:
    """What does not hold; the checklists of these fixtures have no acts of their own."""
    found = (each.reason for each in verify().problems)
    return [each for each in found if "guard" not in each and not each.startswith("checklists: ")]


# --- who has a say, and who decides ---


def test_both_sides_say_how_it_was_and_both_statements_are_kept(stage, logged):
    dispute = disputed(stage, logged)
    ruling.answer(actor=stage.supervisor, dispute=dispute, text="I stood beside her: it ran at once.")
    ruling.answer(actor=stage.owner.user, dispute=dispute, text="It ran, and swelled before we left.")
    assert [(each.by, each.text[:8]) for each in ruling.answers(dispute)] == [
        (stage.supervisor, "I stood "),
        (stage.owner.user, "It ran, "),
    ]
    for stranger in (stage.cast.colleague.user, stage.cast.educator, stage.cast.manager, stage.cast.auditor):
        with pytest.raises(NotPermitted):
            ruling.answer(actor=stranger, dispute=dispute, text="I heard of it.")
    ruled(stage.cast.educator, dispute, "stands")
    with pytest.raises(Problems, match="meanwhile"):
        ruling.answer(actor=stage.supervisor, dispute=dispute, text="One thing more.")
    assert wrong() == []


@pytest.mark.std("A-08")
def test_an_educator_decides_who_is_neither_side(stage, logged):
    dispute = disputed(stage, logged)
    cast = stage.cast
    may = {name: ruling.may_rule(access_of(user), dispute) for name, user in cast.users().items()}
    assert {name for name, allowed in may.items() if allowed} == {"educator"}
    for user in (stage.supervisor, stage.owner.user, cast.manager):
        with pytest.raises(NotPermitted):
            ruled(user, dispute, "stands")
    assert not Ruling.objects.exists()


@pytest.mark.parametrize("side", ["opened it", "supervised", "inserted"])
def test_an_educator_who_is_a_side_leaves_it_to_another(stage, side):
    educator = make_appointed("educator", stage.cast.wards.hospital, "Ed Side")
    by = stage.supervisor
    who = stage.owner
    if side == "supervised":
        by = educator
    elif side == "inserted":
        who = make_clinician(stage.ward, "Ed Self", account=False)
        type(who).objects.filter(pk=who.pk).update(user=educator)
        who.refresh_from_db()
    entry = replace(stage.entry(), clinician=who.uuid, supervisor=by.uuid)
    made = logbook.record_insertion(actor=who.user, entry=entry)
    dispute = disputed(stage, made, by=educator if side == "opened it" else who.user)
    assert not ruling.may_rule(access_of(educator), dispute)
    with pytest.raises(NotPermitted):
        ruled(educator, dispute, "stands")
    assert ruling.may_rule(access_of(stage.cast.educator), dispute)


def test_the_nearest_are_asked_first_and_once_the_time_is_over_those_further_up_too(stage, logged):
    near, far = stage.cast.educator, make_appointed("educator", stage.cast.wards.group, "Far Up")
    dispute = disputed(stage, logged)

    def asked(user) -> bool:
        access = access_of(user)
        return ruling.is_asked(
            access, dispute, ruling.sides(dispute), ruling.educators_over([logged.unit_id], access.on)
        )

    assert (asked(near), asked(far)) == (True, False)
    assert ruling.limit_on(dispute) == TODAY + timedelta(days=14)
    for days, expected in ((13, False), (14, True), (15, True)):
        with clock.at(NOW + timedelta(days=days)):
            assert (asked(near), asked(far)) == (True, expected)


def test_without_anybody_near_who_is_no_side_it_goes_up_at_once(stage, logged):
    far = make_appointed("educator", stage.cast.wards.group, "Far Up")
    dispute = disputed(stage, logged, by=stage.cast.educator)
    access = access_of(far)
    assert ruling.is_asked(access, dispute, ruling.sides(dispute), ruling.educators_over([logged.unit_id], access.on))


# --- entries ---


def test_it_stands_and_counts_as_before(stage, logged):
    before = counted(stage)
    dispute = disputed(stage, logged)
    assert counted(stage) == (1, 0, 1)
    known = head()
    ruled(stage.cast.educator, dispute, "stands")
    assert counted(stage) == before == (1, 1, 1)
    assert counted(stage, known) == (1, 0, 1)
    dispute.refresh_from_db()
    assert dispute.outcome == "stands"
    assert wrong() == []


def test_struck_out_it_is_withdrawn_with_the_reason_and_stays_readable(stage, logged):
    ruled(stage.cast.educator, disputed(stage, logged, "who"), "struck")
    assert latest(logged).withdrawn
    assert counted(stage) == (0, 0, 0)
    assert Insertion.objects.filter(uuid=logged.uuid).count() == 2
    assert wrong() == []


def test_mended_as_somebody_proposed_it_is_a_new_version_that_waits_for_a_signature(stage, logged):
    dispute = disputed(stage, logged)
    assert ruling.Outcome.MENDED not in ruling.outcomes_of(dispute)
    with pytest.raises(Problems, match="Choose what becomes"):
        ruled(stage.cast.educator, dispute, "mended")
    entry = replace(said_in(logged), attempts=(FAILED, WORKED))
    proposed = corrections.correct(
        actor=stage.owner.user, insertion=logged, entry=entry, reason="A second puncture was needed."
    )
    ruled(stage.cast.educator, dispute, "mended")
    proposed.refresh_from_db()
    now = latest(logged)
    assert (now.version, now.result, proposed.agreed) == (2, "not_first", True)
    assert not Statement.objects.known().filter(insertion=now).exists()
    assert counted(stage) == (1, 0, 1)
    countersigning.countersign(signer=confirmed(stage.supervisor, now.digest), insertion=now, nearness="in_room")
    assert counted(stage) == (1, 1, 1)
    assert wrong() == []


def test_who_inserted_is_mended_to_the_other_person(stage, logged):
    dispute = disputed(stage, logged, "who")
    entry = replace(said_in(logged), clinician=stage.cast.colleague.uuid)
    corrections.correct(actor=stage.owner.user, insertion=logged, entry=entry, reason="Col held the needle.")
    ruled(stage.cast.educator, dispute, "mended")
    assert latest(logged).clinician == stage.cast.colleague
    assert list(rows_of({stage.owner.pk}, on=TODAY)) == []
    assert wrong() == []


def test_a_change_of_a_disputed_entry_always_waits_for_the_decision(stage, logged):
    disputed(stage, logged)
    made = corrections.correct(
        actor=stage.owner.user, insertion=logged, entry=replace(said_in(logged), comment="On the left."), reason="Side."
    )
    assert made.decided is None
    with pytest.raises(countersigning.AlreadyDecided):
        corrections.decide(
            signer=confirmed(stage.supervisor, corrections.digest_of_proposal(made)), proposal=made, agree=True
        )


def test_standing_refuses_the_change_that_was_proposed_and_a_strike_does_too(stage, logged):
    for outcome in ("stands", "struck"):
        dispute = disputed(stage, latest(logged))
        entry = replace(said_in(latest(logged)), attempts=(FAILED, WORKED))
        proposed = corrections.correct(
            actor=stage.owner.user, insertion=latest(logged), entry=entry, reason="A second puncture."
        )
        ruled(stage.cast.educator, dispute, outcome)
        proposed.refresh_from_db()
        assert proposed.agreed is False
    assert wrong() == []


def test_a_statement_that_is_struck_out_leaves_the_entry_unsigned(stage, logged):
    ruled(stage.cast.educator, disputed(stage, logged, "statement", by=stage.supervisor), "struck")
    assert latest(logged).version == 1
    assert not Statement.objects.known().filter(insertion=logged).exists()
    assert counted(stage) == (1, 0, 1)
    assert wrong() == []


def test_what_is_signed_is_all_that_was_said(stage, logged):
    dispute = disputed(stage, logged)
    shown = ruling.ruling_digest(dispute, "stands", REASON)
    ruling.answer(actor=stage.supervisor, dispute=dispute, text="It ran at once.")
    with pytest.raises(NotConfirmed):
        ruling.rule(signer=confirmed(stage.cast.educator, shown), dispute=dispute, outcome="stands", reason=REASON)
    made = ruled(stage.cast.educator, dispute, "stands")
    act = Act.objects.get(seq=made.known_from_id)
    assert act.facts["signature"]["printed_name"] == stage.cast.educator.name
    with pytest.raises(Problems, match="meanwhile"):
        ruled(stage.cast.educator, dispute, "stands")


def test_the_history_of_an_entry_tells_a_dispute_in_words_to_its_end(stage, logged):
    dispute = disputed(stage, logged, "statement")
    ruling.answer(actor=stage.supervisor, dispute=dispute, text="It ran at once.")
    ruled(stage.cast.educator, dispute, "struck")
    told = [each.words for each in shown(access_of(stage.owner.user), logged.uuid).events]
    assert told[2:] == ["Disputed", "A statement on the dispute", "The dispute was decided: it is struck out"]


def test_without_a_reason_nothing_is_decided(stage, logged):
    dispute = disputed(stage, logged)
    with pytest.raises(Problems, match="for both sides to read"):
        ruled(stage.cast.educator, dispute, "stands", " ")


# --- observations ---


@pytest.fixture
def watched(db):
    with clock.at(NOW):
        yield make_watched()


def test_an_observation_stands_or_is_struck_out_and_is_never_mended(watched):
    row = signed(watched)
    dispute = observation_replies.dispute(actor=row.clinician.user, observation=row, reason="There was no prompt.")
    assert ruling.outcomes_of(dispute) == (ruling.Outcome.STANDS, ruling.Outcome.STRUCK)
    assert ruling.may_answer(access_of(row.assessor), dispute)
    educator = make_appointed("educator", row.unit, "Ne Utral")
    ruled(educator, dispute, "struck")
    assert list(ruling.struck_observations().values_list("observation_dispute__observation", flat=True)) == [row.pk]
    assert not type(row).objects.signed_by().standing().filter(pk=row.pk).exists()
    assert not ObservationDispute.objects.known().exists()
    assert wrong() == []


def test_the_assessor_does_not_decide_about_their_own_observation(watched):
    row = signed(watched)
    dispute = observation_replies.dispute(actor=row.clinician.user, observation=row, reason="There was no prompt.")
    both = make_appointed("educator", row.unit, "Asses Sor")
    assert ruling.may_rule(access_of(both), dispute)
    assert not ruling.may_rule(access_of(row.assessor), dispute)


# --- the ledger ---


@pytest.mark.parametrize(
    ("model", "change", "words"),
    [
        (Ruling, {"outcome": "struck"}, "is not what was signed"),
        (Ruling, {"reason": "Another one."}, "is not what was signed"),
        (Dispute, {"outcome": "struck"}, "is not what was signed"),
        (DisputeAnswer, {"text": "I was not there."}, "is not what was written"),
    ],
)
def test_what_was_altered_is_found(stage, logged, model, change, words):
    dispute = disputed(stage, logged)
    ruling.answer(actor=stage.supervisor, dispute=dispute, text="It ran at once.")
    ruled(stage.cast.educator, dispute, "stands")
    assert wrong() == []
    unguard()
    model.objects.update(**change)
    assert any(words in each for each in wrong())
