"""The sample list of completions by its command, on a register that has had its first day; held against pandas."""

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.core.management.base import CommandError

from audits.models import Completion
from credentials.completion_fields import FIELDS
from ledger.models import Act
from ledger.verify import verify
from people.models import Clinician, Placement, Stale
from sheets.headings import guess
from sheets.reading import read_workbook
from tests.imports.completions_by_pandas import Done, read_completions, refused_cells
from tests.imports.conftest import FIXTURES, IMOGEN, ROWAN, SECRETS, Run, first_day

pytestmark = pytest.mark.django_db(transaction=True)

LIST = FIXTURES / "completions.xlsx"
TODAY = date(2026, 11, 25)
FROM_STAFF_LIST = "Rowan Ibarra, from a staff list"


def stored() -> set[Done]:
    columns = ("clinician__staff_number", "procedure__code", "kind", "on", "result", "passed", "valid_until", "about",
               "verified_by")  # fmt: skip
    return {Done(*row) for row in Completion.objects.known().values_list(*columns)}


def test_the_sample_list_comes_in_as_pandas_reads_it_and_once(run: Run, now: Any) -> None:
    first_day(run)
    before = {each[:4] for each in stored()}
    assert len(before) == 13
    ran = run("import_completions", LIST, "--as", IMOGEN, "--json", secret=SECRETS[IMOGEN])
    wanted = read_completions(LIST, set(Clinician.objects.values_list("staff_number", flat=True)), TODAY)

    # What the staff list brought for the same day, without score and title, is the same and stays as it is.
    fresh = {each for each in wanted if each[:4] not in before}
    assert {each for each in stored() if each.by != FROM_STAFF_LIST} == fresh
    assert len(fresh) > 35
    assert {each.kind for each in fresh} == {"knowledge", "theory", "simulation", "policy"}
    assert {each.passed for each in fresh} == {True, False}

    told = ran.document
    assert (ran.status, told["stored"], told["corrections"]) == (1, len(fresh), 0)
    assert len(told["refused"]) == refused_cells(LIST)
    # One row stands twice, and thirteen say what the staff list said.
    assert told["already_stored"] == 13 + 1
    assert told["rows"] == told["stored"] + told["already_stored"] + len(told["refused"])

    acts = Act.objects.count()
    again = run("import_completions", LIST, "--as", IMOGEN, "--json")
    assert (again.document["stored"], again.document["already_stored"]) == (0, len(fresh) + 14)
    assert again.document["refused"] == told["refused"]
    assert Act.objects.count() == acts
    assert verify().problems == ()


def test_each_refusal_of_the_sample_names_sheet_row_column_value_and_reason(run: Run, now: Any) -> None:
    first_day(run)
    ran = run("import_completions", LIST, "--as", IMOGEN, "--dry-run", "--json")
    told = [
        (each["sheet"], each["column"], each["value"], each["reason"].split(":")[0]) for each in ran.document["refused"]
    ]
    assert told == [
        ("Knowledge tests", "Emp No", "9999", "Nobody in the register has this staff number"),
        ("Knowledge tests", "Surname", "RASMUSSEN", "This staff number is that of Maeve Quinlan"),
        ("Knowledge tests", "Pass/Fail", "", "Say whether it was passed, Y or N"),
        ("Knowledge tests", "Mark", "2026-10-08", "The spreadsheet turned this score into a date"),
        ("Knowledge tests", "Date", "31/9/2026", "There is no such day in the calendar"),
        ("Knowledge tests", "Date", "2027-09-14", "This day lies in the future."),
        ("Knowledge tests", "Pass/Fail", "in progress", "Nothing was completed here"),
        ("Knowledge tests", "Type", "Morning tea", "Write one of"),
        ("Knowledge tests", "Expiry date", "2026-08-31", "It would end before it began."),
        ("Knowledge tests", "Mark", "18", "The cell holds a formula"),
        ("Sim days", "Attended?", "did not attend", "Nothing was completed here"),
        ("Policies read", "Staff ID", "000871", "Nobody does this about themselves"),
        ("Policies read", "Policy", "", "Say which policy was read, and its version."),
        ("Policies read", "Staff ID", "000871", "Nobody does this about themselves"),
    ]
    assert all(each["row"] > 1 for each in ran.document["refused"])
    warnings = [each["reason"] for each in ran.document["warnings"]]
    assert "The sheet is hidden and was not read. Unhide it if its rows belong here." in warnings
    assert "Not read, since no field claims them: Certificate no." in warnings
    # A dry run stores nothing and asks for nothing.
    assert not Act.objects.filter(kind="completions.imported").exists()


def test_the_document_has_the_shape_that_is_promised_and_stands_alone(run: Run, now: Any) -> None:
    first_day(run)
    ran = run("import_completions", LIST, "--as", IMOGEN, "--dry-run", "--json")
    assert list(ran.document) == ["rows", "stored", "already_stored", "corrections", "refused", "warnings"]
    assert list(ran.document["refused"][0]) == ["sheet", "row", "column", "value", "reason"]
    assert ran.out.count("\n") == 1
    words = run("import_completions", LIST, "--as", IMOGEN, "--dry-run").out
    assert words.startswith(f"{ran.document['rows']} rows: {ran.document['stored']} would be stored, 14 stored already")


def test_how_the_command_ends_tells_wrong_use_from_refusals(run: Run, now: Any, tmp_path: Path) -> None:
    first_day(run)

    def ended(*args: object, secret: str = "") -> tuple[int, str]:
        with pytest.raises(CommandError) as caught:
            run("import_completions", *args, secret=secret)
        return caught.value.returncode, str(caught.value)

    bad_map = tmp_path / "map.json"
    bad_map.write_text('{"gauge": "Mark"}')
    assert ended(tmp_path / "none.xlsx", "--as", IMOGEN)[0] == 2
    assert ended(LIST, "--as", IMOGEN, "--columns", bad_map)[0] == 2
    assert ended(LIST, "--as", "nobody@x.example")[0] == 1
    brandt = "oskar.brandt@wrenfield.example"  # a manager decides about nobody
    assert ended(LIST, "--as", brandt) == (1, "Only an educator imports completions, of the people of their units.")
    assert ended(FIXTURES / "logbook.xlsx", "--as", IMOGEN)[1].startswith("No sheet holds completions.")
    wrong = ended(LIST, "--as", IMOGEN, secret="wrong")
    assert wrong == (1, "That is not your password. Nothing was signed.")
    assert not Act.objects.filter(kind="completions.imported").exists()


def test_the_refused_rows_come_back_as_a_workbook_and_a_csv_file_with_a_map_does_as_well(
    run: Run, now: Any, tmp_path: Path
) -> None:
    first_day(run)
    refused = tmp_path / "refused.xlsx"
    run("import_completions", LIST, "--as", ROWAN, "--refused", refused, secret=SECRETS[ROWAN])
    lines = list(read_workbook(refused).sheets[0].rows)
    assert len(lines) == 1 + refused_cells(LIST)
    # Imogen works on no unit, so nobody decides about her.
    assert [line[0] for line in lines if "000871" in line] == [
        "Staff number: You are no educator of this person's unit."
    ] * 2

    file, columns = tmp_path / "list.csv", tmp_path / "map.json"
    file.write_text("Pay no;What;When;Right answers;Y/N\n004513;quiz;14/9/2026;17/20;Y\n")
    columns.write_text(json.dumps({"staff_number": "Pay no", "kind": "What", "day": "When", "score": "Right answers",
                                   "passed": "Y/N"}))  # fmt: skip
    # Five procedures, and the list does not say which.
    unsaid = run("import_completions", file, "--as", IMOGEN, "--columns", columns, "--json").document["refused"]
    assert [(each["column"], each["reason"].split(";")[0]) for each in unsaid] == [
        ("Procedure", "Say for which procedure")
    ]
    file.write_text("Pay no;What;When;Right answers;Y/N;Procedure\n004513;quiz;14/9/2026;17/20;Y;adult\n")
    ran = run("import_completions", file, "--as", IMOGEN, "--columns", columns, "--json", secret=SECRETS[IMOGEN])
    assert (ran.status, ran.document["stored"]) == (0, 1)
    made = Completion.objects.get(clinician__staff_number="004513", on="2026-09-14")
    assert (made.result, made.verified_by) == ("17/20", "Imogen Vale")


def test_the_template_is_read_by_its_own_import(run: Run, now: Any, tmp_path: Path) -> None:
    file = tmp_path / "empty.xlsx"
    assert run("template", "completions", file).status == 0
    match = guess(FIELDS, read_workbook(file).sheets[0].rows)
    assert match is not None
    assert sorted(match.mapping) == sorted(field.name for field in FIELDS)


def test_whom_the_list_is_about_is_judged_anew(run: Run, now: Any) -> None:
    """An act of an import is named in the outbox for those whom it brought something, and for nobody else."""
    first_day(run)
    run("import_completions", LIST, "--as", IMOGEN, "--json", secret=SECRETS[IMOGEN])
    act = Act.objects.get(kind="completions.imported")
    told = set(Stale.objects.filter(act=act).values_list("clinician", "procedure"))
    assert told == set(Completion.objects.filter(known_from=act).values_list("clinician", "procedure"))
    assert told
    assert Placement.objects.filter(clinician__in=[clinician for clinician, _ in told]).exists()
