"""An upload between its reading and somebody's decision."""

import threading
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from django.contrib.auth import get_user_model
from django.db import connection, transaction
from hypothesis import given
from hypothesis import strategies as st

from sheets import mappings, staging
from sheets.models import StagedRow, Upload, UploadFile
from sheets.reading import Fault, Formula
from sheets.staging import AlreadyDecided, Staged
from sheets.table import Remark
from sheets.zipcheck import FileRefused

pytestmark = pytest.mark.django_db
NOW = datetime(2025, 11, 3, 9, tzinfo=UTC)


@pytest.fixture
def user(db):
    return get_user_model().objects.create(email="educator@wrenfield.example", name="Amara Fenwick")


@pytest.fixture
def upload(user):
    return staging.receive(user=user, kind="logbook", name="log.xlsx", data=b"bytes", at=NOW)


def rows(count: int, refused: int = 0) -> list[Staged]:
    good = [Staged("Nov", number + 2, {"attempts": number}) for number in range(count - refused)]
    return good + [
        Staged("Nov", number, {"day": "31/2"}, [Remark("No such day.", "Nov", number, "Date", "31/2")])
        for number in range(count - refused + 2, count + 2)
    ]


def ready(upload, *staged: Staged) -> Upload:
    staging.stage(upload, staged or rows(3), total=len(staged) or 3)
    staging.finish(upload, summary={"rows": 3})
    return upload


def test_a_file_is_kept_with_its_digest_and_a_clean_name(user):
    upload = staging.receive(user=user, kind="logbook", name="../../log <b>.xlsx", data=b"abc", at=NOW)
    upload.refresh_from_db()
    assert (upload.state, upload.file_name, upload.created_at) == ("reading", "log b.xlsx", NOW)
    # FIPS 180-4, the published digest of 'abc'.
    assert upload.digest == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert staging.data_of(upload) == b"abc"


def test_an_empty_or_too_large_file_is_not_kept(user):
    for data in (b"", b"x" * 25_000_001):
        with pytest.raises(FileRefused):
            staging.receive(user=user, kind="logbook", name="log.xlsx", data=data, at=NOW)
    assert not Upload.objects.exists()


def test_rows_are_staged_in_batches_that_show_as_progress(upload, monkeypatch):
    monkeypatch.setattr(staging, "BATCH", 10)
    seen = []

    def slowly():
        for number, row in enumerate(rows(25)):
            if number % 10 == 0:
                seen.append(Upload.objects.values_list("done", "total").get(pk=upload.pk))
            yield row

    staging.stage(upload, slowly(), total=25)
    assert seen == [(0, 25), (10, 25), (20, 25)]
    upload.refresh_from_db()
    assert (upload.done, upload.total, upload.state) == (25, 25, "reading")
    assert [row.row for row in staging.staged_rows(upload)] == list(range(2, 27))


def test_a_wrong_guess_of_the_total_does_no_harm(upload):
    staging.stage(upload, rows(5), total=2)
    assert Upload.objects.values_list("done", "total").get(pk=upload.pk) == (5, 5)


def test_staging_again_replaces_what_was_staged_before(upload):
    ready(upload, *rows(5))
    staging.stage(upload, rows(2), total=2)
    assert StagedRow.objects.filter(upload=upload).count() == 2
    assert upload.state == "reading"


def test_values_come_back_as_json_holds_them(upload):
    values = {"day": date(2025, 11, 3), "at": None, "site": "hand", "n": 2, "yes": True}
    ready(upload, Staged("Nov", 2, values))
    (row,) = staging.staged_rows(upload)
    assert row.values == {"day": "2025-11-03", "at": None, "site": "hand", "n": 2, "yes": True}


def test_refused_rows_stay_for_the_workbook_of_refusals_after_the_rest_is_stored(upload):
    ready(upload, *rows(5, refused=2))
    assert [row.row for row in staging.staged_rows(upload)] == [2, 3, 4]
    with transaction.atomic():
        staging.claim(upload)
        staging.clear(upload)
    assert list(staging.staged_rows(upload)) == []
    refused = list(staging.refused_rows(upload))
    assert [(row.sheet, row.number, row.values["day"]) for row in refused] == [("Nov", 5, "31/2"), ("Nov", 6, "31/2")]
    assert refused[0].remarks == [Remark("No such day.", "Nov", 5, "Date", "31/2")]


@pytest.mark.std("B-23")
def test_an_upload_is_claimed_once(upload):
    ready(upload)
    with transaction.atomic():
        staging.claim(upload)
        staging.clear(upload)
    with pytest.raises(AlreadyDecided), transaction.atomic():
        staging.claim(Upload.objects.get(pk=upload.pk))
    assert upload.state == "confirmed"
    assert not UploadFile.objects.filter(upload=upload).exists()
    with pytest.raises(AlreadyDecided):
        staging.data_of(upload)


@pytest.mark.std("B-23")
@pytest.mark.django_db(transaction=True)
def test_of_two_that_claim_at_once_one_wins_and_the_other_is_told(upload):
    ready(upload)
    barrier = threading.Barrier(2)
    outcomes = []

    def claim():
        try:
            barrier.wait(120)
            with transaction.atomic():
                staging.claim(Upload.objects.get(pk=upload.pk))
                staging.clear(upload)
            outcomes.append("won")
        except AlreadyDecided:
            outcomes.append("told")
        finally:
            connection.close()

    threads = [threading.Thread(target=claim) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(240)
    assert sorted(outcomes) == ["told", "won"]


@pytest.mark.std("B-23")
def test_a_claim_is_undone_with_the_transaction_that_fails(upload):
    ready(upload)

    def store_half():
        with transaction.atomic():
            staging.claim(upload)
            staging.clear(upload)
            raise RuntimeError("fault")

    with pytest.raises(RuntimeError, match="fault"):
        store_half()
    again = Upload.objects.get(pk=upload.pk)
    assert again.state == "ready"
    assert staging.data_of(again) == b"bytes"
    assert len(list(staging.staged_rows(again))) == 3


@pytest.mark.django_db(transaction=True)
def test_a_claim_outside_a_transaction_is_the_callers_mistake(upload):
    ready(upload)
    with pytest.raises(RuntimeError, match="inside the transaction"):
        staging.claim(upload)


def test_an_upload_that_is_still_being_read_cannot_be_claimed(upload):
    staging.stage(upload, rows(3), total=3)
    with pytest.raises(AlreadyDecided), transaction.atomic():
        staging.claim(upload)


def test_a_dropped_upload_stops_its_staging_and_leaves_nothing(upload, monkeypatch):
    monkeypatch.setattr(staging, "BATCH", 10)

    def dropped_meanwhile():
        for number, row in enumerate(rows(25)):
            if number == 15:
                staging.drop(Upload.objects.get(pk=upload.pk))
            yield row

    with pytest.raises(AlreadyDecided):
        staging.stage(upload, dropped_meanwhile(), total=25)
    assert Upload.objects.get(pk=upload.pk).state == "dropped"
    assert not StagedRow.objects.exists()
    assert not UploadFile.objects.exists()


def test_a_failed_upload_says_why_and_keeps_nothing_else(upload):
    staging.fail(upload, "The file is damaged.")
    again = Upload.objects.get(pk=upload.pk)
    assert (again.state, again.message) == ("failed", "The file is damaged.")
    assert not UploadFile.objects.exists()
    for decide in (staging.drop, lambda it: staging.finish(it, summary={}), lambda it: staging.fail(it, "x")):
        with pytest.raises(AlreadyDecided):
            decide(again)


def test_old_uploads_are_forgotten_and_decisions_stay(user, upload):
    ready(upload, *rows(3, refused=1))
    confirmed = staging.receive(user=user, kind="logbook", name="b.xlsx", data=b"b", at=NOW)
    ready(confirmed, *rows(3, refused=1))
    with transaction.atomic():
        staging.claim(confirmed)
        staging.clear(confirmed)
    fresh = staging.receive(user=user, kind="logbook", name="c.xlsx", data=b"c", at=NOW + timedelta(days=2))
    assert staging.forget(before=NOW + timedelta(days=1)) == 1
    states = dict(Upload.objects.values_list("file_name", "state"))
    assert states == {"log.xlsx": "dropped", "b.xlsx": "confirmed", "c.xlsx": "reading"}
    assert not StagedRow.objects.exists()
    assert UploadFile.objects.get().upload_id == fresh.pk


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("a", "a"),
        (2, 2),
        (2.5, 2.5),
        (True, True),
        (None, None),
        (date(2025, 11, 3), "2025-11-03"),
        (NOW, "2025-11-03T09:00:00+00:00"),
        (Formula(3.0), 3.0),
        (Fault(), "(an error)"),
        (float("nan"), None),
        (Decimal("1.5"), "1.5"),
    ],
)
def test_raw_cells_become_values_that_json_holds(cell, value):
    assert staging.json_value(cell) == value


def test_signs_that_a_database_does_not_hold_are_left_out(upload):
    ready(upload, Staged("N\0v", 2, {"a": "x\0y\ud800z"}, [Remark("Bad.", value="p\0q")]))
    (row,) = staging.refused_rows(upload)
    assert (row.sheet, row.values, row.remarks[0].value) == ("Nv", {"a": "xyz"}, "pq")


@pytest.mark.std("B-21")
@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("log.xlsx", "log.xlsx"),
        ("C:\\Users\\a\\log.xlsx", "log.xlsx"),
        ("../../etc/passwd", "passwd"),
        ("x\r\nSet-Cookie: a=b", "xSet-Cookie ab"),
        ('"><img onerror=alert(1)>.xlsx', "img onerroralert(1).xlsx"),
        ("Übersicht Nov (2).xlsx", "Übersicht Nov (2).xlsx"),
        ("...", "upload"),
        ("", "upload"),
    ],
)
def test_a_files_name_is_made_harmless(name, kept):
    assert staging.clean_name(name) == kept


@given(st.text())
def test_any_name_becomes_a_short_one_without_signs_that_act(name):
    cleaned = staging.clean_name(name)
    assert 0 < len(cleaned) <= 120
    assert not set(cleaned) & set("/\\\r\n\t\0<>\"'&;:%=")


def test_matched_headings_are_remembered_for_the_same_user_first(user):
    other = get_user_model().objects.create(email="other@wrenfield.example", name="Odile Marsh")
    signature = "s" * 64
    assert mappings.recall(user=user, kind="logbook", signature=signature) is None
    mappings.remember(user=other, kind="logbook", signature=signature, columns={"day": "Datum"}, at=NOW)
    assert mappings.recall(user=user, kind="logbook", signature=signature) == {"day": "Datum"}
    for heading in ("Tag", "Day"):
        earlier = NOW - timedelta(days=1)
        mappings.remember(user=user, kind="logbook", signature=signature, columns={"day": heading}, at=earlier)
    assert mappings.recall(user=user, kind="logbook", signature=signature) == {"day": "Day"}
    assert mappings.recall(user=user, kind="staff", signature=signature) is None
