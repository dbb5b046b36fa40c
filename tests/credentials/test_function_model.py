"""What a published function model asks of a register like this: a test for each criterion.

HL7 EHR-System Functional Model, Release 2.1.1 (ISO/HL7 10781): AS.8.5 criteria #01 to #06 (training and proficiency),
AS.1.8 criteria #01 and #02 (credentials and privileges of staff). The criteria are told in our own words.
"""

import csv
import io
import json
from datetime import date, datetime, time, timedelta

import pytest
from django.core.management import call_command
from django.urls import reverse

from audits.completions import of
from credentials.models import Programme, Standing
from credentials.papers import making, verifier
from credentials.rules.terms import Terms
from credentials.standings import pairs_of, read, rebuild
from people.models import Clinician
from sheets.reading import read_workbook
from tests.audits.conftest import WORKED
from tests.credentials.conftest import TODAY, Stage, put_in_force
from tests.credentials.test_year_ahead import holder

pytestmark = [pytest.mark.django_db, pytest.mark.std("A-26")]


def status(stage: Stage) -> str:
    return read(*stage.pair).home.status.value


def test_training_received_and_proficiency_met_are_captured(stage):
    """AS.8.5#01: what somebody was taught, and whether what was asked of them is met."""
    stage.ready_to_learn(TODAY - timedelta(days=60))
    assert sorted(each.completion.kind for each in of(stage.learner, stage.procedure)) == ["knowledge", "simulation"]
    before = read(*stage.pair).standing
    assert all(line.is_met for line in before.entry)
    assert not all(line.is_met for line in before.award)


def test_training_and_proficiency_are_reported(stage, client):
    """AS.8.5#02: a report of who has met what; on screen, and as a list that others can read."""
    stage.ready_to_learn(TODAY - timedelta(days=60))
    client.force_login(stage.educator)
    made = client.post(reverse("people"), {"export": "csv"})
    rows = list(csv.DictReader(io.StringIO(b"".join(made.streaming_content).decode())))
    found = {row["Clinician"]: row["Status"] for row in rows}
    assert found[stage.learner.name] == "in training"
    assert found["Su Pervisor"] == "current"


@pytest.mark.parametrize(("role", "figures", "page"), [("manager", False, 200), ("auditor", True, 200)])
def test_a_report_holds_what_its_reader_s_role_allows(stage, client, role, figures, page):
    """AS.8.5#03: reports by role: dates for who plans, figures for who audits, neither for a colleague."""
    stage.ready_to_learn(TODAY - timedelta(days=60))
    stage.log(datetime.combine(TODAY, time(1)), attempts=(WORKED,))
    client.force_login(getattr(stage.cast, role))
    assert client.get(reverse("year_ahead")).status_code == page
    asked = {"procedure": stage.procedure.pk, "on": "2 March 2026"}
    told = client.get(reverse("incident", args=[stage.learner.uuid]), asked).content.decode()
    assert ("months up to that day" in told) is figures
    client.force_login(stage.cast.colleague.user)
    assert client.get(reverse("year_ahead")).status_code == 403


def test_records_go_to_other_systems_and_come_from_them(stage):
    """AS.8.5#04: taken away as data that stands by itself and can be checked without the register."""
    stage.ready_to_learn(TODAY - timedelta(days=60))
    made = making.make(actor=stage.educator, clinician=stage.learner, kind=making.EVIDENCE, form="json")
    assert json.loads(made.file)
    assert list(verifier.problems(made.file, seal=made.digest)) == []
    assert list(verifier.problems(made.file.replace(b"knowledge", b"theory   "), seal=made.digest)) != []


def test_a_sheet_of_another_system_can_be_read(stage, client):
    """AS.8.5#04, the other way: the empty sheets say which headings are understood; what is filled in comes back."""
    client.force_login(stage.educator)
    sheet = client.get(reverse("import_template", args=["completions"]))
    content = b"".join(sheet.streaming_content) if sheet.streaming else sheet.content
    assert read_workbook(content, name="completions.xlsx").sheets


def test_new_requirements_are_notified(stage, client):
    """AS.8.5#05: whoever learns or holds is told of a version that asks something else, before its day."""
    stage.ready_to_learn(TODAY - timedelta(days=60))
    rebuild()
    put_in_force(Programme, stage, Terms(insertions=20).to_content(), effective_on=date(2026, 3, 20))
    client.force_login(stage.learner.user)
    page = client.get(reverse("today")).content.decode()
    assert f"New programme for {stage.procedure.name}, in effect from 20 March 2026" in page


def test_what_somebody_may_do_follows_from_what_they_can(stage):
    """AS.8.5#06: the answer moves with proficiency: nothing, in the room, and alone only by an award."""
    assert read(*stage.pair).home.answer.value == "no"
    stage.ready_to_learn(TODAY - timedelta(days=60))
    assert read(*stage.pair).home.answer.value == "in_room"
    awarded = holder(stage, "Hol Der", 1)
    on = {day: read(awarded.pk, stage.procedure.pk, on=day).home.answer.value for day in (TODAY, date(2026, 6, 1))}
    assert on == {TODAY: "alone", date(2026, 6, 1): "in_room"}  # expired, lapsed, nothing shown since


def test_the_credential_of_every_member_of_staff_is_known(stage, client):
    """AS.1.8#01: current credentials and privileges of everybody, not only of who asks."""
    rebuild()
    assert set(Standing.objects.values_list("clinician", "procedure")) == set(pairs_of())
    client.force_login(stage.cast.colleague.user)
    page = client.get(reverse("who_can"), {"unit": stage.ward.pk, "procedure": stage.procedure.pk}).content.decode()
    placed = Clinician.objects.filter(placements__unit=stage.ward, placements__known_until=None)
    assert [who.name for who in placed if who.name not in page] == []


def test_the_credential_of_anybody_on_any_day_can_be_asked_by_another_program(stage):
    """AS.1.8#02: status as of a day, as one document."""
    who = holder(stage, "Hol Der", 3)
    out = io.StringIO()
    call_command("standing", who.staff_number, stage.procedure.code, "--on", "2026-06-01", "--json", stdout=out)
    told = json.loads(out.getvalue())
    assert (told["may_insert"], told["expires_on"], told["on"]) == ("alone", "2026-06-02", "2026-06-01")
