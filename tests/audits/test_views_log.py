# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""The log as its form is sent: routine, refused, sent twice, on behalf; whom it offers as supervisor."""

from datetime import date, datetime
from uuid import UUID, uuid4

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits.models import Insertion, Outcome, Result
from audits.versions import entry_of as said_in
from credentials.models import Standing
from ledger import clock
from tests.factories import AppointmentFactory, UserFactory, make_appointed, make_clinician


def client_of(user):
    client = Client()
    client.force_login(user)
    return client


@pytest.fixture
def client(stage):
    return client_of(stage.owner.user)


def routine(stage, **changes):
    """What a phone sends for an insertion that worked first time."""
    said = {
        "uuid": str(uuid4()), "rows": "2", "day": "2 March 2026", "time": "12:00", "unit": stage.ward.pk,
        "result": "first_time", "a0-gauge": "20", "a0-site": "forearm", "band": "adult",
        "supervisor": str(stage.supervisor.uuid), "nearness": "in_room", "serious": "no",
    }  # fmt: skip
    return {name: value for name, value in {**said, **changes}.items() if value is not None}


def faults(answer):
    """Field -> what is said beside it, of every form on the page."""
    return {
        (form.prefix + "-" if form.prefix else "") + name: list(errors)
        for form in answer.context["faulty"]
        for name, errors in form.errors.items()
    }


def test_the_form_knows_now_and_the_home_unit_and_nothing_else(client, stage):
    form = client.get(reverse("log")).context["form"]
    assert (form["day"].value(), form["time"].value()) == ("2 March 2026", "13:30")
    assert form["unit"].value() == stage.ward.pk
    for asked in ("result", "band", "supervisor", "nearness", "serious"):
        assert form[asked].value() is None


@pytest.mark.std("F-17")
def test_a_routine_entry_is_saved_with_its_eight_answers(client, stage):
    answer = client.post(reverse("log"), routine(stage))
    made = Insertion.objects.get()
    assert answer["Location"] == reverse("log_saved", args=[made.uuid])
    entry = said_in(made)
    assert (entry.performed, entry.result, entry.events) == (datetime(2026, 3, 2, 12, 0), Result.FIRST_TIME, ())
    assert [(each.site, each.gauge, each.result) for each in entry.attempts] == [("forearm", 20, "working")]
    assert (made.supervisor, made.nearness, made.source) == (stage.supervisor, "in_room", Insertion.Source.FORM)
    page = client.get(answer["Location"]).content.decode()
    assert made.occasion in page
    assert "Su Pervisor is asked to sign" in page
    assert 'data-done="log"' in page


def test_what_is_saved_is_judged_at_once(client, stage):
    client.post(reverse("log"), routine(stage))
    assert Standing.objects.filter(clinician=stage.owner).exists()


@pytest.mark.std("F-06")
def test_the_same_form_sent_twice_is_one_entry(client, stage):
    said = routine(stage)
    first, second = client.post(reverse("log"), said), client.post(reverse("log"), said)
    assert first["Location"] == second["Location"]
    assert Insertion.objects.count() == 1


def test_the_same_identifier_with_other_answers_is_a_conflict(client, stage):
    said = routine(stage)
    client.post(reverse("log"), said)
    answer = client.post(reverse("log"), {**said, "a0-gauge": "22"})
    assert answer.status_code == 409
    assert "correct it" in answer.content.decode()
    assert said_in(Insertion.objects.get()).attempts[0].gauge == 20


def test_an_empty_form_says_at_once_all_that_is_missing(client, stage):
    said = {"uuid": str(uuid4()), "rows": "2", "day": "2 March 2026", "time": "12:00", "unit": stage.ward.pk}
    answer = client.post(reverse("log"), {**said, "result": "first_time"})
    assert set(faults(answer)) == {"band", "supervisor", "serious", "a0-site", "a0-gauge"}
    assert Insertion.objects.count() == 0
    assert b"<title>Error: " in answer.content


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"a0-gauge": None}, "a0-gauge"),
        ({"nearness": None}, "nearness"),
        ({"supervisor": "nobody"}, "supervisor"),
        ({"serious": "yes"}, "events"),
        ({"time": "14:00"}, "day"),  # half an hour ahead
        ({"result": "no_attempt"}, "not_attempted"),
        ({"result": "not_first"}, "a0-result"),
        ({"occasion": "ZZZZ-9999"}, "occasion"),
        ({"scale": "adult_five"}, "scale"),
        ({"emergency": "on"}, "emergency"),
        ({"band": "child"}, "band"),  # no such procedure is open
    ],
)
def test_a_mistake_is_told_beside_its_question_and_nothing_is_stored(client, stage, changes, field):
    answer = client.post(reverse("log"), routine(stage, **changes))
    assert field in faults(answer)
    assert Insertion.objects.count() == 0


@pytest.mark.std("B-40")
def test_a_comment_that_looks_like_a_patient_is_refused_and_kept_on_the_page(client, stage):
    answer = client.post(reverse("log"), routine(stage, comment="Mrs Hopkins, bed 12"))
    assert "comment" in faults(answer)
    assert "Mrs Hopkins, bed 12" in answer.content.decode()
    assert Insertion.objects.count() == 0


def test_not_first_time_brings_further_attempts_that_are_as_before_unless_said(client, stage):
    said = {"result": "not_first", "a0-result": "failed", "a0-reason": "through", "a0-side": "left"}
    client.post(reverse("log"), routine(stage, **said, **{"a1-result": "working", "a1-gauge": "22"}))
    made = [(each.site, each.side, each.gauge, each.result) for each in said_in(Insertion.objects.get()).attempts]
    assert made == [("forearm", "left", 20, "failed"), ("forearm", "left", 22, "working")]


def test_what_was_typed_for_another_result_is_not_taken_along(client, stage):
    client.post(reverse("log"), routine(stage, **{"a1-result": "working", "not_attempted": "no_vein"}))
    entry = said_in(Insertion.objects.get())
    assert (len(entry.attempts), entry.not_attempted) == (1, "")


@pytest.mark.std("C-21")
def test_a_row_is_added_and_supervisors_are_looked_up_without_script_and_without_judging(client, stage):
    said = routine(stage, look="attempt", result="not_first", band=None)
    form = client.post(reverse("log"), said).context["form"]
    assert len(form.attempts) == 3
    assert form["uuid"].value() == said["uuid"]
    assert form["result"].value() == "not_first"
    assert not form.errors
    assert Insertion.objects.count() == 0


def test_who_may_supervise_comes_first_last_one_at_the_top_and_others_with_the_reason(client, stage):
    ready = make_clinician(stage.ward, "Aa Ready")
    AppointmentFactory(user=ready.user, role="supervisor", unit=stage.ward)
    from tests.audits.conftest import give_award

    give_award(ready, stage.procedure, stage.ward)
    make_appointed("supervisor", stage.ward, "Not Held")
    form = client.get(reverse("log")).context["form"]
    assert [tile.choice_label for tile in form.able] == ["Aa Ready", "Su Pervisor", "Nobody"]
    refused = {tile.choice_label: why for tile, why in form.refused}
    assert refused["Not Held"] == "Did not hold this procedure here on 2 March 2026."
    client.post(reverse("log"), routine(stage))
    form = client.get(reverse("log")).context["form"]
    assert [tile.choice_label for tile in form.able] == ["Su Pervisor", "Aa Ready", "Nobody"]


def test_nobody_is_offered_to_supervise_themselves(stage):
    form = client_of(stage.supervisor).get(reverse("log")).context["form"]
    assert "Su Pervisor" not in [label for _, label in form.fields["supervisor"].choices]


def test_somebody_who_may_not_supervise_can_be_named_because_it_happened(client, stage):
    other = make_appointed("supervisor", stage.ward, "Not Held")
    answer = client.post(reverse("log"), routine(stage, supervisor=str(other.uuid)))
    assert answer.status_code == 302
    assert Insertion.objects.get().supervisor == other


def test_a_stranger_as_supervisor_is_refused(client, stage):
    answer = client.post(reverse("log"), routine(stage, supervisor=str(UserFactory().uuid)))
    assert "supervisor" in faults(answer)


def test_a_second_clinician_joins_by_the_code(client, stage):
    client.post(reverse("log"), routine(stage, time="11:00"))
    code = Insertion.objects.get().occasion
    colleague = client_of(stage.cast.colleague.user)
    colleague.post(reverse("log"), routine(stage, occasion=f"{code[:4].lower()}-{code[4:]}"))
    joined = Insertion.objects.get(clinician=stage.cast.colleague)
    assert (joined.occasion, joined.others_before) == (code, 1)


def test_an_emergency_without_a_supervisor_is_saved_and_says_what_it_counts_for(client, stage):
    said = routine(stage, supervisor="nobody", nearness=None, emergency="on")
    answer = client.post(reverse("log"), said, follow=True)
    assert "never towards an award" in answer.content.decode()
    assert Outcome.objects.get().credit == 0


@pytest.mark.std("A-15")
def test_a_late_entry_is_labelled(client, stage):
    client.post(reverse("log"), routine(stage, day="20 February 2026"))
    page = client.get(reverse("entry", args=[Insertion.objects.get().uuid])).content.decode()
    assert "logged 10 days later" in page


def test_a_time_that_came_twice_is_asked_which(client, stage):
    # Adelaide, 6 April 2025: the clocks went back from 03:00 to 02:00.
    said = routine(stage, day="6 April 2025", time="02:30")
    answer = client.post(reverse("log"), said)
    assert "fold" in faults(answer)
    client.post(reverse("log"), {**said, "fold": "1"})
    assert Insertion.objects.get().performed_at.strftime("%H:%M") == "17:00"


def test_an_educator_logs_on_behalf_and_the_entry_says_so(stage):
    client = client_of(stage.cast.educator)
    assert client.get(reverse("log"))["Location"] == reverse("log_whose")
    found = client.post(reverse("log_whose"), {"name": "ana own"})
    assert found["Location"] == reverse("log_for", args=[stage.owner.uuid])
    answer = client.post(found["Location"], routine(stage), follow=True)
    made = Insertion.objects.get()
    assert (made.clinician, made.source) == (stage.owner, Insertion.Source.ON_BEHALF)
    assert "on their behalf" in answer.content.decode()
    assert "on behalf, by Ed Ucator" in client.get(reverse("entry", args=[made.uuid])).content.decode()


def test_somebody_else_s_saved_page_is_not_found(client, stage):
    client.post(reverse("log"), routine(stage))
    saved = reverse("log_saved", args=[UUID(str(Insertion.objects.get().uuid))])
    assert client_of(stage.cast.colleague.user).get(saved).status_code == 404


def test_the_page_asks_no_more_with_twenty_supervisors_than_with_one(client, stage):
    def queries():
        with CaptureQueriesContext(connection) as seen:
            assert client.get(reverse("log")).status_code == 200
        return len(seen)

    queries()  # the first page of a session writes it
    few = queries()
    for _ in range(20):
        make_appointed("supervisor", stage.ward)
    assert queries() == few


def test_a_page_left_open_keeps_the_time_that_it_showed(client, stage):
    said = routine(stage, time="13:30")
    with clock.at(datetime.fromisoformat("2026-03-02T04:00:00+00:00")):
        client.post(reverse("log"), said)
    assert said_in(Insertion.objects.get()).performed == datetime(2026, 3, 2, 13, 30)
    assert Insertion.objects.get().performed_on == date(2026, 3, 2)
