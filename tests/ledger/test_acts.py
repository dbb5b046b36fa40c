import json
from datetime import UTC, datetime, timedelta
from uuid import uuid4

import pytest
from django.contrib.auth.models import AnonymousUser
from django.db import transaction

from ledger import acts, clock
from ledger.acts import acts_about, head, history, number_at, recording
from ledger.canonical import canonical, digest
from ledger.models import Act, Head, Payload
from people.models import Place, Unit, User

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.mark.std("A-11")
def test_an_act_says_who_when_what_and_about_whom(append):
    nurse = User.objects.create(email="r.okafor@wrenfield.example", name="Ruth Okafor")
    subject = uuid4()
    with clock.at(NOON):
        act = append("cannula in", subject=subject, actor=nurse)
    assert (act.actor, act.recorded_at, act.kind, act.subject) == (nurse, NOON, "test.noted", subject)
    assert act.facts == {"note": "cannula in"}


@pytest.mark.std("A-17")
def test_the_stored_text_is_the_text_that_was_hashed_and_names_the_act_before(append):
    first, second = append("one"), append("two")
    assert first.hash == digest(first.content)
    assert (first.seq, first.previous) == (1, "")
    assert (second.seq, second.previous) == (2, first.hash)
    told = json.loads(second.content)
    assert told["note"] == "two"
    assert told["act"]["previous"] == first.hash
    assert told["act"]["seq"] == 2
    assert canonical(told) == second.content


def test_the_head_moves_with_each_act(append):
    assert head() == 0
    act = append()
    assert head() == 1
    assert Head.objects.get().hash == act.hash


def note() -> int:
    with recording(actor=None, kind="test.noted") as rec:
        return rec.seq


@transaction.atomic
def note_twice() -> None:
    note()
    note()


def test_a_block_that_raises_leaves_nothing(db):
    unit = Unit.objects.create(level=Unit.Level.WARD)

    def fail() -> None:
        with recording(actor=None, kind="unit.opened") as rec:
            Place.objects.create(unit=unit, name="Ward 1", zone="UTC", known_from_id=rec.seq)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    assert not Act.objects.exists()
    assert not Place.objects.exists()
    assert head() == 0


@pytest.mark.django_db(transaction=True)
def test_a_transaction_rolled_back_later_leaves_nothing_and_no_gap():
    @transaction.atomic
    def note_and_fail() -> None:
        note()
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        note_and_fail()
    assert head() == 0
    assert note() == head() == Act.objects.get().seq == 1


@pytest.mark.django_db(transaction=True)
def test_a_transaction_takes_one_act_only():
    with pytest.raises(RuntimeError, match="One act for each transaction"):
        note_twice()
    assert head() == 0
    assert [note(), note()] == [1, 2]


def test_a_transaction_takes_one_act_only_inside_a_test_that_is_itself_one_transaction(db):
    in_transaction = transaction.atomic(note)
    assert [in_transaction(), in_transaction()] == [1, 2]
    with pytest.raises(RuntimeError, match="One act for each transaction"):
        note_twice()
    assert head() == 2


def test_an_act_within_an_act_is_refused(db):
    with (
        pytest.raises(RuntimeError),
        recording(actor=None, kind="test.noted"),
        recording(actor=None, kind="test.noted"),
    ):
        pass
    assert head() == 0


@pytest.mark.django_db(transaction=True)
def test_after_a_savepoint_rolled_back_the_transaction_may_still_record():
    with transaction.atomic():
        with pytest.raises(ZeroDivisionError), recording(actor=None, kind="test.noted"):
            raise ZeroDivisionError
        note()
    assert head() == 1


def test_content_without_a_canonical_text_is_refused_and_leaves_nothing(db):
    with pytest.raises(ValueError, match=r"\$\.rate"), recording(actor=None, kind="test.noted") as rec:
        rec.content["rate"] = 0.5
    assert head() == 0


def test_the_header_cannot_be_written_by_the_caller(db):
    with pytest.raises(ValueError, match="'act'"), recording(actor=None, kind="test.noted") as rec:
        rec.content["act"] = {"seq": 7}
    assert head() == 0


@pytest.mark.parametrize("kind", ["", "Insertion", "a b", "a.", "9lives", "naïve"])
def test_a_kind_is_plain_lower_case_words(db, kind):
    with pytest.raises(ValueError, match="kind"), recording(actor=None, kind=kind):
        pass


def test_nobody_signed_in_is_not_an_actor(db):
    with pytest.raises(ValueError, match="no account"), recording(actor=AnonymousUser(), kind="test.noted"):
        pass


def test_the_subject_may_be_named_once_it_exists(db):
    subject = uuid4()
    with recording(actor=None, kind="test.noted") as rec:
        rec.subject = subject
    assert acts_about(subject).get().seq == rec.seq


def test_history_holds_the_acts_of_its_subjects_in_order(append):
    ours, theirs = uuid4(), uuid4()
    wanted = [append(subject=ours).seq, append(subject=uuid4()).seq, append(subject=theirs).seq]
    assert [act.seq for act in history(ours, theirs)] == [wanted[0], wanted[2]]


def test_personal_text_stands_beside_the_chain_which_holds_its_salted_hash(append):
    first = append(personal={"reason": "moved house"})
    second = append(personal={"reason": "moved house"})
    payload = Payload.objects.get(act=first)
    assert json.loads(payload.body) == {"reason": "moved house"}
    assert "moved house" not in first.content
    told = [json.loads(act.content)["act"]["personal"] for act in (first, second)]
    assert told[0] == digest(payload.salt + payload.body) == acts.salted(payload.salt, payload.body)
    assert told[0] != told[1], "without its salt, a short text could be found by trying"
    assert json.loads(append().content)["act"]["personal"] is None


@pytest.mark.std("A-22")
def test_time_never_runs_backwards_in_the_ledger(append):
    with clock.at(NOON):
        append()
    with clock.at(NOON - timedelta(hours=1)):
        late = append()
    assert late.recorded_at == NOON


@pytest.mark.std("A-22")
def test_the_server_stamps_the_act_in_utc_whatever_time_a_device_claims(append):
    claimed = "2031-01-01T00:00:00+10:00"
    with clock.at(NOON), recording(actor=None, kind="test.noted") as rec:
        rec.content["claimed_at"] = claimed
    act = Act.objects.get(pk=rec.seq)
    assert act.recorded_at == NOON
    assert act.recorded_at.utcoffset() == timedelta()
    assert json.loads(act.content)["act"]["recorded_at"] == "2026-03-02T12:00:00.000000Z"
    assert act.facts["claimed_at"] == claimed


def test_known_at_a_moment_is_the_last_act_recorded_by_then(append):
    for minutes in (0, 5, 5, 10):
        with clock.at(NOON + timedelta(minutes=minutes)):
            append()
    assert number_at(NOON - timedelta(microseconds=1)) == 0
    assert number_at(NOON) == 1
    assert number_at(NOON + timedelta(minutes=5)) == 3
    assert number_at(NOON + timedelta(minutes=9)) == 3
    assert number_at(NOON + timedelta(days=1)) == 4


@pytest.mark.std("A-13")
def test_a_closed_version_is_struck_from_what_is_known_and_stays_for_the_past(place):
    before = head()
    with recording(actor=None, kind="unit.changed", subject=place.unit.uuid) as rec:
        assert Place.objects.filter(pk=place.pk).update(known_until_id=rec.seq) == 1
        newer = Place.objects.create(unit=place.unit, name="Ward 4 Heron", zone=place.zone, known_from_id=rec.seq)
    assert Place.objects.known().get() == newer
    assert Place.objects.known(before).get() == place
    assert Place.objects.known(rec.seq).get() == newer
    assert not Place.objects.known(before - 1).exists()
    assert Place.objects.count() == 2
