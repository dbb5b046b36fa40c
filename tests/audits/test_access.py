# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""Who sees which entries, and whether an entry is still what was stored and signed."""

from datetime import datetime
from uuid import uuid4

import pytest
from django.db import DatabaseError, connection, transaction
from django.http import Http404
from django.test.utils import CaptureQueriesContext

from audits.countersigning import countersign
from audits.drafts import MOST, discard_draft, drafts_of, save_draft
from audits.integrity import altered, differences, statement_holds
from audits.logbook import record_insertion
from audits.models import Attempt, Draft, Insertion, Outcome, Statement
from ledger import guarding
from people.access import NotPermitted, access_of
from people.problems import Problems
from tests.audits.conftest import confirmed, entry_of
from tests.factories import make_appointed, make_clinician


@pytest.fixture
def logged(stage):
    return record_insertion(actor=stage.owner.user, entry=stage.entry())


@pytest.mark.parametrize(
    ("who", "sees"),
    [
        ("owner", True),
        ("colleague", False),
        ("outsider", False),
        ("supervisor", True),  # named in it
        ("assessor", False),  # not named
        ("educator", True),
        ("manager", False),
        ("auditor", True),
        ("administrator", False),
    ],
)
def test_who_sees_an_entry(stage, logged, who, sees):
    access = access_of(stage.cast.users()[who])
    assert Insertion.objects.visible_to(access).filter(pk=logged.pk).exists() == sees
    if sees:
        assert Insertion.objects.seen_by(access, logged.uuid).get() == logged
    else:
        with pytest.raises(Http404):
            Insertion.objects.seen_by(access, logged.uuid)


def test_an_educator_sees_entries_of_their_people_elsewhere_and_of_others_on_their_unit(stage):
    educator = access_of(make_appointed("educator", stage.cast.wards.next_ward))
    visitor, native = stage.owner, make_clinician(stage.cast.wards.next_ward)
    there = record_insertion(actor=visitor.user, entry=entry_of(visitor, stage.cast.wards.next_ward, stage.supervisor))
    elsewhere = record_insertion(actor=native.user, entry=entry_of(native, stage.ward, stage.supervisor))
    unseen = record_insertion(
        actor=visitor.user, entry=entry_of(visitor, stage.ward, stage.supervisor, performed=datetime(2026, 3, 1, 9, 0))
    )
    assert set(Insertion.objects.visible_to(educator)) == {there, elsewhere}
    assert unseen not in Insertion.objects.visible_to(educator)


def test_who_sees_what_costs_one_query(stage, logged):
    access = access_of(stage.cast.educator)
    with CaptureQueriesContext(connection) as caught:
        assert list(Insertion.objects.visible_to(access)) == [logged]
    assert len(caught) == 1


# --- whether an entry is whole ---


def by_raw_sql(statement, *values):
    with guarding.lifted(), connection.cursor() as cursor:
        cursor.execute(statement, values)


def fresh(logged):
    return Insertion.objects.get(pk=logged.pk)


@pytest.mark.std("A-03")
@pytest.mark.parametrize(
    ("column", "value", "found"),
    [
        ("result", "not_first", "result"),
        ("punctures", 2, "punctures"),
        ("occasion", "ZZZZZZZZ", "occasion"),
        ("events", "needlestick", "events"),
        ("performed_on", "2026-03-01", "performed_on"),
        ("partial", True, "partial"),
        ("digest", "0" * 64, "digest"),
        ("content", "{}", "digest"),
    ],
)
def test_a_column_changed_behind_the_guard_is_found_and_the_signature_no_longer_holds(
    stage, logged, column, value, found
):
    made = countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    assert statement_holds(made)
    assert not list(altered())
    by_raw_sql(f"UPDATE audits_insertion SET {column} = %s WHERE id = %s", value, logged.pk)
    assert differences(fresh(logged)) == (found,)
    assert list(altered()) == [logged]
    assert not statement_holds(Statement.objects.get(pk=made.pk))


@pytest.mark.std("A-03")
def test_a_changed_attempt_is_found(stage, logged):
    by_raw_sql("UPDATE audits_attempt SET gauge = 14 WHERE insertion_id = %s", logged.pk)
    assert differences(fresh(logged)) == ("attempts",)


@pytest.mark.std("A-03")
def test_a_signature_lifted_to_another_entry_does_not_hold(stage, logged):
    made = countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    other = record_insertion(actor=stage.owner.user, entry=stage.entry(performed=datetime(2026, 3, 1, 9, 0)))
    by_raw_sql("UPDATE audits_statement SET insertion_id = %s WHERE id = %s", other.pk, made.pk)
    assert not statement_holds(Statement.objects.get(pk=made.pk))


@pytest.mark.std("A-16")
@pytest.mark.parametrize("model", [Insertion, Attempt])
def test_evidence_is_neither_changed_nor_deleted(stage, logged, model):
    for statement in (
        f"UPDATE {model._meta.db_table} SET id = id + 1000",
        f"DELETE FROM {model._meta.db_table}",
    ):
        with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)
    assert Insertion.objects.get() == logged


# --- drafts ---


@pytest.mark.std("A-09")
def test_a_draft_counts_for_nothing_is_its_writers_alone_and_goes_when_submitted(stage):
    entry = stage.entry()
    owner, other = stage.owner.user, stage.cast.colleague.user
    save_draft(user=owner, uuid=entry.uuid, content={"band": "adult"})
    save_draft(user=owner, uuid=entry.uuid, content={"band": "adult", "comment": "Left arm."})
    assert [draft.content["comment"] for draft in drafts_of(owner)] == ["Left arm."]
    assert drafts_of(other) == []
    with pytest.raises(NotPermitted):
        save_draft(user=other, uuid=entry.uuid, content={})
    assert not discard_draft(user=other, uuid=entry.uuid)
    assert not Insertion.objects.exists()
    assert not Outcome.objects.exists()
    record_insertion(actor=owner, entry=entry)
    assert drafts_of(owner) == []
    with pytest.raises(Problems, match="submitted already"):
        save_draft(user=owner, uuid=entry.uuid, content={})


@pytest.mark.std("B-40")
def test_a_draft_holds_no_patient_identifier_and_no_more_than_it_should(stage):
    owner = stage.owner.user
    for content in ({"comment": "MRN 1234567"}, {"comment": "x" * 501}, {"attempts": ["x"] * 6000}):
        with pytest.raises(Problems):
            save_draft(user=owner, uuid=uuid4(), content=content)
    for _ in range(MOST):
        save_draft(user=owner, uuid=uuid4(), content={})
    with pytest.raises(Problems, match=f"There are {MOST} drafts"):
        save_draft(user=owner, uuid=uuid4(), content={})
    assert Draft.objects.count() == MOST
    assert discard_draft(user=owner, uuid=drafts_of(owner)[0].uuid)
