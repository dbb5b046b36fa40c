"""A list of completions by the screens: sent, matched, looked at row by row, signed; and who is not let in."""

import io
from collections.abc import Iterator

import openpyxl
import pytest
from django.test import Client
from django.urls import reverse

from audits.models import Completion
from ledger import clock
from sheets.models import StagedRow, Upload, UploadFile
from tests.imports.stage import NOW, Stage, make_stage
from tests.imports.test_screens import matched, send, sign
from tests.sheets import books

pytestmark = pytest.mark.django_db
HEADINGS = ("Staff no", "Type", "Date", "Course", "Mark", "Outcome", "Competency", "Room")
ROWS = (
    ("004512", "Quiz", "10/2/2026", "Cannulation quiz", "18/20", "Pass", "ADULT", "B2"),
    ("004513", "Quiz", "10/2/2026", "Cannulation quiz", "11/20", "Fail", "ADULT", "B2"),
    ("9999", "Quiz", "10/2/2026", "Cannulation quiz", "15/20", "Pass", "ADULT", "B2"),
)


@pytest.fixture
def stage() -> Iterator[Stage]:
    with clock.at(NOW):
        yield make_stage()


@pytest.fixture
def educator(stage: Stage) -> Client:
    client = Client()
    client.force_login(stage.educator)
    return client


def upload(client: Client) -> Upload:
    send(client, books.sheets({"Tests": [HEADINGS, *ROWS]}), kind="completions", name="tests.xlsx")
    return Upload.objects.latest("pk")


def test_a_list_is_sent_matched_looked_at_signed_and_seen(stage: Stage, educator: Client) -> None:
    start = educator.get(reverse("imports")).content.decode()
    assert reverse("import_completions") in start
    assert "One row for each completion" in educator.get(reverse("import_completions")).content.decode()
    sent = upload(educator)
    headings = educator.get(reverse("import_match", args=[sent.uuid])).content.decode()
    assert "E: Mark (18/20, 11/20, 15/20)" in headings
    assert matched(educator, sent).url == reverse("import_preview", args=[sent.uuid])

    preview = educator.get(reverse("import_preview", args=[sent.uuid])).content.decode()
    assert "2 completions of this list are to be stored as shown." in preview
    assert f"2 rows do not say who saw the proof: it is you, {stage.educator.name}." in preview
    assert "Nobody in the register has this staff number" in preview
    assert "Not read, since no field claims them: Room." in preview
    assert not Completion.objects.exists()
    assert sign(educator, sent, "not my words at all").status_code == 200
    assert not Completion.objects.exists()
    assert sign(educator, sent).status_code == 302
    assert set(Completion.objects.values_list("clinician", "result", "passed", "about")) == {
        (stage.ada.pk, "18/20", True, "Cannulation quiz"), (stage.ben.pk, "11/20", False, "Cannulation quiz"),
    }  # fmt: skip
    assert "Stored in one act." in educator.get(reverse("import_preview", args=[sent.uuid])).content.decode()
    assert not UploadFile.objects.exists()
    assert list(StagedRow.objects.values_list("is_refused", flat=True)) == [True]
    book = openpyxl.load_workbook(io.BytesIO(educator.get(reverse("import_refused", args=[sent.uuid])).getvalue()))
    assert list(book.active.values)[1][:2] == (
        "Staff number: Nobody in the register has this staff number: check it, or take the person in first.", "9999",
    )  # fmt: skip


def test_the_same_list_again_has_nothing_to_sign(stage: Stage, educator: Client) -> None:
    first = upload(educator)
    matched(educator, first)
    sign(educator, first)
    again = upload(educator)
    matched(educator, again)
    page = educator.get(reverse("import_preview", args=[again.uuid])).content.decode()
    assert "There is nothing to store" in page
    assert "In the register already" in page
    assert Completion.objects.count() == 2


def test_what_was_noted_by_hand_since_the_preview_is_not_stored_twice(stage: Stage, educator: Client) -> None:
    sent = upload(educator)
    matched(educator, sent)
    body = {"procedure": stage.procedure.pk, "kind": "knowledge", "on": "10 Feb 2026", "about": "Cannulation quiz",
            "result": "18/20", "passed": "yes", "verified_by": "Ed Ucator"}  # fmt: skip
    assert educator.post(reverse("completion", args=[stage.ada.uuid]), body).status_code == 302
    assert "The register changed since the rows were read." in sign(educator, sent).content.decode()
    assert Completion.objects.count() == 1


def test_the_empty_sheet_is_for_educators(stage: Stage, educator: Client) -> None:
    assert educator.get(reverse("import_template", args=["completions"])).status_code == 200
    manager = Client()
    manager.force_login(stage.cast.manager)
    assert manager.get(reverse("import_template", args=["completions"])).status_code == 403
    assert reverse("import_completions") not in manager.get(reverse("imports")).content.decode()
