"""A sheet by the screens: sent, matched, looked at, signed, seen again; what is wrong is said where it is."""

import io
import re
from collections.abc import Iterator
from datetime import date
from typing import Any

import openpyxl
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits.models import Insertion
from ledger import clock
from people.models import Clinician
from sheets.models import Mapping, StagedRow, Upload, UploadFile
from tests.factories import SECRET, AppointmentFactory
from tests.imports.conftest import STAFF
from tests.imports.stage import HEADINGS, NOW, Stage, make_stage, sheet

pytestmark = pytest.mark.django_db


@pytest.fixture
def stage() -> Iterator[Stage]:
    with clock.at(NOW):
        yield make_stage()


@pytest.fixture
def educator(stage: Stage) -> Client:
    client = Client()
    client.force_login(stage.educator)
    return client


def send(client: Client, data: bytes, *, name: str = "log.xlsx", kind: str = "logbook") -> Any:
    return client.post(reverse(f"import_{kind}"), {"file": SimpleUploadedFile(name, data)})


def matched(client: Client, upload: Upload, **changes: Any) -> Any:
    """Send the page of headings as it is shown, with other values where given."""
    url = reverse("import_match", args=[upload.uuid])
    html = client.get(url).content.decode()
    values = {"d-what": "partial", "d-first": "", "d-last": ""} if upload.kind == "logbook" else {}
    for name, options in re.findall(r'<select name="([^"]+)"(.*?)</select>', html, re.DOTALL):
        chosen = re.search(r'<option value="([^"]*)" selected', options)
        values[name] = chosen[1].replace("&#x27;", "'") if chosen else ""
    for name in re.findall(r'<input type="checkbox" name="(s\d+-is_read)"[^>]*checked', html):
        values[name] = "on"
    return client.post(url, {**values, **{each.replace("__", "-"): value for each, value in changes.items()}})


def sign(client: Client, upload: Upload, secret: str = SECRET) -> Any:
    url = reverse("import_preview", args=[upload.uuid])
    shown = re.findall(r'name="shown" value="([^"]+)"', client.get(url).content.decode())
    return client.post(url, {"secret": secret, "email": upload.user.email, "shown": shown})


COMPLETE = {"d__what": "complete", "d__first": "1 Feb 2026", "d__last": "28/2/2026"}


def test_a_log_is_sent_matched_looked_at_signed_and_seen(stage: Stage, educator: Client) -> None:
    rows = [stage.row(), stage.row(Time="11:00", Result="N"), stage.row(Staff_no="9999")]
    answer = send(educator, sheet(rows))
    upload = Upload.objects.get()
    assert answer.url == reverse("import_match", args=[upload.uuid])
    headings = educator.get(answer.url).content.decode()
    assert "A: Staff no (9999)" in headings
    assert "G: Site (L forearm)" in headings
    assert matched(educator, upload, **COMPLETE).url == reverse("import_preview", args=[upload.uuid])

    preview = educator.get(reverse("import_preview", args=[upload.uuid])).content.decode()
    assert "The sheet is complete for Saltmarsh Hospital / Medicine / Ward 4 Tern from 1 February 2026" in preview
    assert "Nobody in the register has this staff number" in preview
    assert Insertion.objects.count() == 0
    assert sign(educator, upload).status_code == 302

    assert Insertion.objects.count() == 2
    result = educator.get(reverse("import_preview", args=[upload.uuid])).content.decode()
    assert "Stored in one act." in result
    upload.refresh_from_db()
    assert upload.state == Upload.State.CONFIRMED
    assert not UploadFile.objects.exists()
    # The refused rows stay, and come back as a workbook with the reason first.
    assert list(StagedRow.objects.values_list("is_refused", flat=True)) == [True]
    book = openpyxl.load_workbook(io.BytesIO(educator.get(reverse("import_refused", args=[upload.uuid])).getvalue()))
    lines = list(book.active.values)
    assert lines[0][:2] == ("Why it was not stored", "Staff no")
    assert lines[1][0].startswith("Staff number: Nobody in the register")
    assert lines[1][1] == "9999"


def test_signing_twice_stores_once(stage: Stage, educator: Client) -> None:
    send(educator, sheet([stage.row()]))
    upload = Upload.objects.get()
    matched(educator, upload, **COMPLETE)
    url = reverse("import_preview", args=[upload.uuid])
    shown = re.findall(r'name="shown" value="([^"]+)"', educator.get(url).content.decode())
    body = {"secret": SECRET, "email": upload.user.email, "shown": shown}
    assert educator.post(url, body).status_code == 302
    assert "Stored in one act." in educator.post(url, body).content.decode()
    assert Insertion.objects.count() == 1


def test_a_wrong_secret_stores_nothing_and_is_said_beside_it(stage: Stage, educator: Client) -> None:
    send(educator, sheet([stage.row()]))
    upload = Upload.objects.get()
    matched(educator, upload, **COMPLETE)
    answer = sign(educator, upload, "wrong words entirely")
    assert "That is not your password." in answer.content.decode()
    assert Insertion.objects.count() == 0


def test_what_changed_since_the_preview_is_not_signed(stage: Stage, educator: Client) -> None:
    """The number that nobody had is somebody's by now: the rows would become something that was not shown."""
    send(educator, sheet([stage.row(), stage.row(Staff_no="7777", Time="12:00")]))
    upload = Upload.objects.get()
    matched(educator, upload, **COMPLETE)
    Clinician.objects.create(staff_number="7777", name="New Comer")
    answer = sign(educator, upload)
    assert "The register changed since the rows were read." in answer.content.decode()
    assert Insertion.objects.count() == 0


def test_a_heading_of_the_wards_own_is_matched_by_hand_and_remembered(stage: Stage, educator: Client) -> None:
    own = [*HEADINGS[:5], "Colour of the hub", *HEADINGS[6:]]
    data = sheet([stage.row(Gauge="pink")], headings=own)
    send(educator, data)
    upload = Upload.objects.get()
    matched(educator, upload, **COMPLETE, s0__gauge="Colour of the hub")
    sign(educator, upload)
    assert Insertion.objects.get().attempts.get().gauge == 20
    assert Mapping.objects.get().columns["gauge"] == "Colour of the hub"

    send(educator, sheet([stage.row(Gauge="blue", Time="15:00")], headings=own))
    again = Upload.objects.exclude(pk=upload.pk).get()
    matched(educator, again, **COMPLETE)
    sign(educator, again)
    assert set(Insertion.objects.values_list("attempts__gauge", flat=True)) == {20, 22}


def test_two_fields_cannot_be_the_same_column(stage: Stage, educator: Client) -> None:
    send(educator, sheet([stage.row()]))
    answer = matched(educator, Upload.objects.get(), **COMPLETE, s0__side="Site")
    html = answer.content.decode()
    assert "This column is Site already." in html
    assert "<title>Error: " in html


def test_complete_days_are_asked_for_and_never_lie_ahead(stage: Stage, educator: Client) -> None:
    send(educator, sheet([stage.row()]))
    upload = Upload.objects.get()
    missing = matched(educator, upload, d__what="complete", d__first="1 Feb 2026").content.decode()
    assert "Enter the day, or say that the log is partial." in missing
    ahead = matched(educator, upload, d__what="complete", d__first="1 Feb 2026", d__last="1 Apr 2026").content.decode()
    assert "No sheet is complete for days to come" in ahead
    assert StagedRow.objects.count() == 0


@pytest.mark.std("B-20")
@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("log.pdf", b"%PDF-1.7 nothing", ""),
        ("log.xlsx", b"PK\x03\x04 nothing", ""),
        ("log.csv", b"", "Choose another file: this one is empty."),
        ("log.csv", b"\n\n , ,\n", "The file holds no rows."),
    ],
)
def test_a_file_that_is_no_sheet_is_refused_beside_the_field(
    educator: Client, name: str, data: bytes, said: str
) -> None:
    html = send(educator, data, name=name).content.decode()
    assert said in html
    assert "<title>Error: " in html
    assert Upload.objects.count() == 0


def test_a_file_over_25_megabytes_is_refused(educator: Client) -> None:
    html = send(educator, b"a" * 25_000_001, name="log.csv").content.decode()
    assert "The file has more than 25 MB." in html


def test_a_sheet_can_be_left_out_and_a_file_without_rows_that_fit_says_so(stage: Stage, educator: Client) -> None:
    send(educator, sheet([stage.row()]))
    upload = Upload.objects.get()
    url = reverse("import_match", args=[upload.uuid])
    answer = educator.post(url, {"d-what": "partial"})
    assert "No sheet holds" in answer.content.decode()
    upload.refresh_from_db()
    assert upload.state == Upload.State.READING


def test_a_dropped_file_is_gone(stage: Stage, educator: Client) -> None:
    send(educator, sheet([stage.row()]))
    upload = Upload.objects.get()
    matched(educator, upload, **COMPLETE)
    educator.post(reverse("import_drop", args=[upload.uuid]))
    assert (StagedRow.objects.count(), UploadFile.objects.count()) == (0, 0)
    assert "It was dropped" in educator.get(reverse("import_preview", args=[upload.uuid])).content.decode()
    assert educator.get(reverse("import_refused", args=[upload.uuid])).status_code == 404


def test_progress_is_a_part_for_htmx_and_a_page_without(stage: Stage, educator: Client) -> None:
    send(educator, sheet([stage.row()]))
    upload = Upload.objects.get()
    url = reverse("import_progress", args=[upload.uuid])
    assert "<html" in educator.get(url).content.decode()
    part = educator.get(url, headers={"HX-Request": "true"}).content.decode()
    assert "<html" not in part
    assert 'hx-trigger="every 2s"' in part
    matched(educator, upload, **COMPLETE)
    assert "every 2s" not in educator.get(url, headers={"HX-Request": "true"}).content.decode()


def test_a_staff_list_comes_in_by_an_administrator_who_educates(stage: Stage) -> None:
    """The sample list, by screen: units are opened, awards wait for the second person."""
    admin = stage.cast.administrator
    AppointmentFactory(user=admin, role="educator", unit=stage.cast.wards.group)
    client = Client()
    client.force_login(admin)
    send(client, STAFF.read_bytes(), name="staff.xlsx", kind="staff")
    upload = Upload.objects.get()
    with clock.at(NOW.replace(month=11, day=25)):
        matched(client, upload)
        assert sign(client, upload).status_code == 302
    assert Clinician.objects.filter(staff_number="003018", name="Benedict Hale").exists()


def test_record_numbers_are_shown_nowhere(stage: Stage, educator: Client) -> None:
    headings = [*HEADINGS, "MRN", "Comments"]
    rows = [[*stage.row(Time=f"1{n}:00"), f"ZZ01234{n}", "pt MRN ZZ012349, hard"] for n in range(5)]
    send(educator, sheet(rows, headings=headings))
    upload = Upload.objects.get()
    pages = [educator.get(reverse("import_match", args=[upload.uuid])).content.decode()]
    # Even if somebody takes the column for staff numbers.
    matched(educator, upload, **COMPLETE, s0__staff_number="MRN")
    pages.append(educator.get(reverse("import_preview", args=[upload.uuid])).content.decode())
    matched(educator, upload, **COMPLETE, s0__staff_number="Staff no")
    pages.append(educator.get(reverse("import_preview", args=[upload.uuid])).content.decode())
    sign(educator, upload)
    pages.append(educator.get(reverse("import_preview", args=[upload.uuid])).content.decode())
    assert not any("ZZ0123" in each for each in pages)
    assert Insertion.objects.count() == 5
    for table in ("audits_insertion", "sheets_stagedrow", "sheets_upload", "ledger_act", "ledger_payload"):
        with connection.cursor() as cursor:
            cursor.execute(f"SELECT * FROM {table}")
            assert "ZZ0123" not in str(cursor.fetchall())


def test_a_page_of_the_preview_costs_the_same_for_1_and_20_rows(stage: Stage, educator: Client) -> None:
    counts = []
    for number in (1, 20):
        send(educator, sheet([stage.row(Time=f"{n:02}:30", Staff_no="9") for n in range(number)]))
        upload = Upload.objects.order_by("-pk")[0]
        matched(educator, upload, **COMPLETE)
        url = reverse("import_preview", args=[upload.uuid])
        educator.get(url)
        with CaptureQueriesContext(
            connection,
        ) as queries:
            educator.get(url)
        counts.append(len(queries))
    assert counts[0] == counts[1]


def test_old_files_are_forgotten_when_the_next_is_sent(stage: Stage, educator: Client) -> None:
    send(educator, sheet([stage.row()]))
    old = Upload.objects.get()
    with clock.at(NOW.replace(day=20)):
        send(educator, sheet([stage.row()]))
    old.refresh_from_db()
    assert old.state == Upload.State.DROPPED
    assert list(UploadFile.objects.values_list("upload", flat=True)) != [old.pk]
    assert date(2026, 3, 2) == old.created_at.date()
