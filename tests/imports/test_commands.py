"""The commands: what they print, how they end, what they refuse before anything is asked."""

import io
import json
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from django.core.management.base import CommandError
from django.test import Client

from audits.logbook_fields import FIELDS as LOG_FIELDS
from audits.models import Award, Insertion
from credentials.models import Founding, Programme, Rules
from credentials.staff_fields import FIELDS as STAFF_FIELDS
from ledger import clock
from people.models import Appointment, Clinician, Setting, Unit, User
from sheets.headings import guess
from sheets.reading import read_workbook
from tests.factories import AppointmentFactory
from tests.imports.conftest import FIRST, IMOGEN, LAST, LOGBOOK, ROWAN, SECRETS, STAFF, Run, accept, first_day
from tests.imports.stage import NOW, make_stage, sheet

pytestmark = pytest.mark.django_db(transaction=True)


def code(run: Run, *args: object, secret: str = "") -> tuple[int, str]:
    """How a command ends that refuses to go on."""
    with pytest.raises(CommandError) as caught:
        run(*args, secret=secret)
    return caught.value.returncode, str(caught.value)


# --- before anything is asked ---


def test_what_is_wrong_use_ends_with_2_and_what_is_refused_with_1(run: Run, now: Any, tmp_path: Path) -> None:
    first_day(run)
    bad_map = tmp_path / "map.json"
    bad_map.write_text('{"gauge": 3}')
    assert code(run, "import_logbook", LOGBOOK, "--as", "nobody@x.example")[0] == 1
    assert code(run, "import_logbook", tmp_path / "none.xlsx", "--as", ROWAN)[0] == 2
    assert code(run, "import_logbook", LOGBOOK, "--as", ROWAN, "--columns", bad_map)[0] == 2
    assert code(run, "import_logbook", LOGBOOK, "--as", ROWAN, "--complete", "soon", "later")[0] == 2
    assert code(run, "import_logbook", LOGBOOK, "--as", ROWAN, "--complete", FIRST, "2027-01-01") == (
        1,
        "last: No sheet is complete for days to come: give today or an earlier day.",
    )
    status, said = code(run, "import_logbook", STAFF, "--as", ROWAN)
    assert (status, said[:29]) == (1, "No sheet holds insertions. Lo")
    assert not Insertion.objects.exists()


def test_a_wrong_password_stores_nothing(run: Run, now: Any) -> None:
    first_day(run)
    status, said = code(run, "import_logbook", LOGBOOK, "--as", ROWAN, "--complete", FIRST, LAST, secret="wrong")
    assert (status, said) == (1, "That is not your password. Nothing was signed.")
    assert not Insertion.objects.exists()


def test_a_csv_file_and_a_column_map_do_as_well(run: Run, tmp_path: Path) -> None:
    with clock.at(NOW):
        stage = make_stage()
        file, columns = tmp_path / "log.csv", tmp_path / "map.json"
        file.write_text("Staff no;Where;Date;Worked\n004512;Ward 4 Tern;10/2/2026;yes\n")
        columns.write_text(json.dumps({"unit": "Where"}))
        ran = run("import_logbook", file, "--as", stage.educator.email, "--columns", columns, "--json",
                  secret="correct staple under rain")  # fmt: skip
    assert (ran.status, ran.document["stored"]) == (0, 1)
    assert Insertion.objects.get().partial


def test_the_refused_rows_come_as_a_workbook_that_can_be_imported_once_mended(run: Run, tmp_path: Path) -> None:
    with clock.at(NOW):
        stage = make_stage()
        file, refused = tmp_path / "log.xlsx", tmp_path / "refused.xlsx"
        file.write_bytes(sheet([stage.row(), stage.row(Staff_no="45120", Time="11:00")]))
        secret = "correct staple under rain"
        ran = run("import_logbook", file, "--as", stage.educator.email, "--refused", refused, secret=secret)
        assert ran.status == 1
        assert "2 rows: 1 stored, 0 stored already" in ran.out
        book = openpyxl.load_workbook(refused)
        book.active["B2"] = "004513"
        book.save(refused)
        again = run("import_logbook", refused, "--as", stage.educator.email, "--json", secret=secret)
    assert (again.status, again.document["stored"]) == (0, 1)
    assert Insertion.objects.filter(clinician=stage.ben).count() == 1


def test_the_document_has_the_shape_that_is_promised(run: Run, tmp_path: Path) -> None:
    with clock.at(NOW):
        stage = make_stage()
        file = tmp_path / "log.xlsx"
        file.write_bytes(sheet([stage.row(Gauge="19")]))
        ran = run("import_logbook", file, "--as", stage.educator.email, "--dry-run", "--json")
    told = ran.document
    assert list(told) == ["rows", "stored", "already_stored", "corrections", "refused", "warnings"]
    assert told["refused"] == [
        {"sheet": "Log", "row": 2, "column": "Gauge", "value": "19", "reason": told["refused"][0]["reason"]}
    ]
    # One document and nothing else.
    assert ran.out.count("\n") == 1


# --- template ---


@pytest.mark.django_db
@pytest.mark.parametrize(("kind", "fields"), [("staff", STAFF_FIELDS), ("logbook", LOG_FIELDS)])
def test_a_template_is_read_by_its_own_import(run: Run, tmp_path: Path, kind: str, fields: Any) -> None:
    file = tmp_path / "empty.xlsx"
    assert run("template", kind, file).status == 0
    book = read_workbook(file)
    match = guess(fields, book.sheets[0].rows)
    assert match is not None
    assert sorted(match.mapping) == sorted(field.name for field in fields)
    assert code(run, "template", kind, file)[0] == 1
    assert code(run, "template", kind, tmp_path / "empty.ods")[0] == 2


# --- approve ---


def test_a_second_person_approves_what_waits_and_the_rest_is_said(run: Run, now: Any) -> None:
    first_day_until_approval(run)
    listed = run("approve", "--as", IMOGEN, "--list").out.splitlines()
    assert [line.split(":")[0] for line in listed] == ["Programme"] * 5 + ["Checklist"] + ["Rules"] * 5 + [
        "Founding award"
    ] * 21
    assert listed[0].endswith("proposed by nobody, an example; 6 who learn wait for it")
    assert not Programme.objects.filter(approved__isnull=False).exists()
    ran = run("approve", "--as", IMOGEN, secret=SECRETS[IMOGEN])
    assert (ran.status, ran.out.splitlines()[-1]) == (0, "32 of 32 signed.")
    assert Programme.objects.filter(approved_by__email=IMOGEN).count() == 5
    assert Rules.objects.filter(approved_by__email=IMOGEN).count() == 5
    assert Award.objects.count() == Founding.objects.filter(confirmed=True, decided_by__email=IMOGEN).count() == 21
    # Each is a signature of its own, under an act of its own.
    assert Founding.objects.values("decided").distinct().count() == 21
    assert run("approve", "--as", IMOGEN).out == "Nothing waits at your units.\n"


def test_what_one_entered_and_what_is_about_oneself_waits_for_somebody_else(run: Run, now: Any) -> None:
    first_day_until_approval(run)
    own = run("approve", "--as", ROWAN, "--list").out.splitlines()
    mine = [line for line in own if line.startswith("waits for somebody else: Founding award")]
    assert len(mine) == 21
    assert all(line.endswith(": you entered it") for line in mine)
    # Benedict Hale, who holds one himself, becomes a manager: his own line waits.
    hale = User.objects.get(email="benedict.hale@wrenfield.example")
    AppointmentFactory(user=hale, role="manager", unit=Unit.objects.get(level="group"))
    listed = run("approve", "--as", hale.email, "--list").out.splitlines()
    assert [line for line in listed if line.startswith("waits")] == [
        line for line in listed if "Benedict Hale" in line and line.endswith(": it is about you")
    ]


def test_founding_awards_without_a_programme_are_refused_one_by_one(run: Run, now: Any) -> None:
    first_day_until_approval(run)
    # A manager of one hospital keeps no rules of the group: programmes wait, and with them the awards.
    brandt = User.objects.get(email="oskar.brandt@wrenfield.example")
    accept(Client(), run("invite", brandt.email, "--print").out, "quiet river at dusk")
    ran = run("approve", "--as", brandt.email, secret="quiet river at dusk")
    assert ran.status == 1
    assert ran.err.count("is in effect at the home unit: approve one first, then confirm.") > 10
    assert not Award.objects.exists()


def test_nobody_approves_with_another_password(run: Run, now: Any) -> None:
    first_day_until_approval(run)
    assert code(run, "approve", "--as", IMOGEN, secret=SECRETS[ROWAN])[0] == 1
    assert not Programme.objects.filter(approved__isnull=False).exists()


def first_day_until_approval(run: Run) -> None:
    """The first day up to where the second person comes in."""
    started = run("start_register", "--group", "Wrenfield Coast Health", "--email", ROWAN, "--example")
    accept(Client(), started.out, SECRETS[ROWAN])
    run("import_staff", STAFF, "--as", ROWAN, "--json", secret=SECRETS[ROWAN])
    accept(Client(), run("invite", IMOGEN, "--print").out, SECRETS[IMOGEN])


# --- the sample staff list ---


def test_the_sample_staff_list_comes_in_but_for_two_rows_and_once(run: Run, now: Any) -> None:
    first_day_until_approval(run)
    assert Clinician.objects.count() == 35
    assert {each.role for each in Appointment.objects.known()} == {
        "administrator", "educator", "manager", "auditor", "supervisor", "assessor",
    }  # fmt: skip
    again = run("import_staff", STAFF, "--as", ROWAN, "--json")
    told = again.document
    assert (again.status, told["stored"], told["already_stored"], told["corrections"]) == (1, 0, 35, 0)
    assert [(each["row"], each["column"], each["value"]) for each in told["refused"]] == [
        (38, "Appointed as", "Supervisor"),
        (39, "Learning", "BLADDER SCAN"),
    ]
    assert not Setting.objects.filter(name="start_day").exists()
    assert io.StringIO(again.out).readline().endswith("}\n")


def test_examples_may_be_in_effect_from_an_earlier_day_but_not_from_a_later_one(run: Run, now: Any) -> None:
    begin = ("start_register", "--group", "Wrenfield Coast Health", "--email", ROWAN)
    assert code(run, *begin, "--from", FIRST)[0] == 2
    assert code(run, *begin, "--example", "--from", "2027-01-01")[0] == 1
    assert run(*begin, "--example", "--from", FIRST).status == 0
    assert {str(each.effective_on) for each in [*Rules.objects.all(), *Programme.objects.all()]} == {FIRST}
