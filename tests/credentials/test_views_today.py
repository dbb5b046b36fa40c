# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""Today, by role: the answer first, what waits, what is missing; nothing that the role may not see."""

from datetime import date, datetime, timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits.corrections import propose_withdrawal
from audits.countersigning import send_back
from audits.models import Insertion
from credentials import founding, standings
from credentials.models import Rules
from credentials.proposing import propose
from credentials.review import review_today
from credentials.rules.ruleset import default_content
from people.models import Appointment
from tests.audits.conftest import give_award
from tests.credentials.conftest import TODAY, _terms_text, sign
from tests.factories import FlagFactory, PlacementFactory, an_act, make_clinician


def page_of(user):
    client = Client()
    client.force_login(user)
    return client.get(reverse("today")).content.decode()


def test_a_trainee_reads_the_answer_first_and_then_what_is_missing(stage):
    stage.ready_to_learn(date(2026, 1, 1))
    stage.log(datetime(2026, 2, 20, 9, 0))
    standings.refresh()
    page = page_of(stage.learner.user)
    assert "Today you may insert <b>with a supervisor in the room</b>." in page
    assert page.index("Today you may insert") < page.index("What is still missing")
    assert "have 1, need 10" in page
    assert reverse("log") in page


def test_somebody_whom_nobody_enrolled_reads_that(stage):
    page = page_of(stage.cast.colleague.user)
    assert "Today you may <b>not insert on patients</b>." in page


def test_a_holder_reads_through_when(stage):
    page = page_of(stage.supervisors[0])
    assert "Today you may insert <b>alone</b>." in page
    assert page.count("The award runs through") == 1
    assert "Award through" not in page
    assert "31 December 2026" in page


def test_another_unit_with_another_answer_is_named(stage):
    PlacementFactory(clinician=stage.supervisors[0].clinician, unit=stage.cast.wards.day_ward, home=False)
    page = page_of(stage.supervisors[0])
    assert "Saltmarsh Hospital / Day Ward" in page


def test_what_was_sent_back_waits_for_its_writer_and_what_is_unsigned_is_counted(stage):
    row = stage.log(datetime(2026, 2, 20, 9, 0), signed=False)
    stage.log(datetime(2026, 2, 21, 9, 0), signed=False)
    send_back(signer=sign(stage.supervisors[0], row.digest), insertion=row, note="Check the gauge.")
    page = page_of(stage.learner.user)
    assert reverse("entry", args=[row.uuid]) in page
    assert "sent back" in page
    assert "1 entry</a> awaits countersignature" in page


def test_a_question_is_shown_to_the_person_and_to_the_educator_the_same_day(stage):
    stage.log(datetime(2026, 2, 20, 9, 0), events=("needlestick",))
    standings.refresh()
    review_today()
    for user in (stage.learner.user, stage.educator):
        assert "erious event" in page_of(user)
    for user in (stage.cast.manager, stage.cast.colleague.user, stage.supervisors[1]):
        assert "erious event" not in page_of(user)


def test_a_supervisor_reads_what_waits_for_their_signature_and_agreement(stage):
    row = stage.log(datetime(2026, 2, 20, 9, 0), signed=False)
    propose_withdrawal(actor=stage.learner.user, insertion=row, reason="Logged twice")
    page = page_of(stage.supervisors[0])
    assert "Open the entry" in page
    assert "1 change of entries</a> waits for your agreement" in page


def test_an_educator_reads_who_is_ready_and_which_entries_wait_long(stage):
    stage.ready_to_learn(date(2026, 1, 1))
    stage.ten_insertions(datetime(2026, 2, 10, 9, 0))
    stage.log(datetime(2026, 2, 5, 9, 0), signed=False)
    standings.refresh()
    page = page_of(stage.educator)
    ready = page[page.index("Ready for award") :]
    assert stage.learner.name in ready
    assert "waits for Su Pervisor" in page


def test_a_second_person_is_asked_and_who_began_is_not(stage):
    new = founding.NewFounding(
        clinician=stage.cast.colleague,
        procedure=stage.procedure,
        scope_unit=stage.cast.wards.department,
        awarded_on=date(2025, 6, 1),
        evidence_kind="Certificate",
        evidence_place="Education office",
    )
    claim = founding.enter_founding(actor=stage.educator, new=new)
    rules = propose(
        Rules,
        actor=stage.educator,
        unit=stage.cast.wards.department,
        procedure=stage.procedure,
        name="Stricter",
        content=default_content(),
        effective_on=TODAY + timedelta(days=7),
    )
    links = (reverse("founding_decide", args=[claim.uuid]), reverse("document", args=["rules", rules.uuid]))
    for link in links:
        assert link in page_of(stage.second)
        assert link in page_of(stage.cast.manager)
        assert link not in page_of(stage.educator)


def ends(stage, name, day):
    """A holder whose award of two years no longer holds on that day."""
    clinician = make_clinician(stage.ward, name)
    start = day.replace(year=day.year - 2)
    span = {"from_day": start, "anchor": start, "expires_on": day}
    give_award(clinician, stage.procedure, stage.cast.wards.department, terms=_terms_text(), **span)
    return clinician


def test_a_manager_reads_dates_and_overdue_signatures_and_no_figures(stage):
    ends(stage, "Due Soon", TODAY + timedelta(days=30))
    ends(stage, "Ended Lately", TODAY - timedelta(days=10))
    ends(stage, "Far Off", TODAY + timedelta(days=200))
    stage.log(datetime(2026, 1, 5, 9, 0), signed=False)
    standings.rebuild()
    page = page_of(stage.cast.manager)
    assert "31 March 2026" in page  # the last day of an award that no longer holds on 1 April
    assert "Ended Lately" in page
    assert "Far Off" not in page
    assert "Su Pervisor: 1 entry, the oldest of" in page
    assert "first time" not in page
    assert "% " not in page.replace("95% ", "")


def test_an_auditor_and_an_administrator_find_their_ways(stage):
    page = page_of(stage.cast.auditor)
    assert reverse("entries") in page
    assert "is recorded" in page
    page = page_of(stage.cast.administrator)
    assert reverse("set_up") in page
    assert "Ready for award" not in page


def test_what_the_register_still_needs_is_told_to_who_can_do_it(stage):
    assert "What the register still needs" not in page_of(stage.cast.administrator)
    Appointment.objects.filter(role="manager").update(known_until_id=an_act())
    page = page_of(stage.cast.administrator)
    assert "A manager is appointed" in page
    assert reverse("accounts") in page
    assert "What the register still needs" not in page_of(stage.learner.user)


@pytest.mark.parametrize("who", ["learner", "supervisor", "educator", "manager"])
def test_today_asks_no_more_for_twenty_of_each_than_for_one(stage, who):
    user = {
        "learner": stage.learner.user,
        "supervisor": stage.supervisors[0],
        "educator": stage.educator,
        "manager": stage.cast.manager,
    }[who]
    client = Client()
    client.force_login(user)

    def more(number):
        for each in range(number):
            row = stage.log(datetime(2026, 1, 5, 9, 0) + timedelta(hours=each), signed=False)
            late = stage.log(datetime(2026, 2, 5, 9, 0) + timedelta(hours=each), signed=False)
            propose_withdrawal(actor=stage.learner.user, insertion=late, reason="Logged twice")
            FlagFactory(clinician=stage.learner, procedure=stage.procedure, evidence=str(row.uuid))
            ends(stage, f"Ends {each} {number}", TODAY + timedelta(days=30))
        standings.rebuild()

    def queries():
        with CaptureQueriesContext(connection) as seen:
            assert client.get(reverse("today")).status_code == 200
        return len(seen)

    more(1)
    queries()
    few = queries()
    more(20)
    assert queries() == few
    assert Insertion.objects.known().count() == 42
