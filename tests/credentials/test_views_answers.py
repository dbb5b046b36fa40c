"""Who can, People and a person's page: what each reader sees, and at what cost."""

import csv
import io
from datetime import date, datetime

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits.models import Restriction
from credentials import review as reviewing
from credentials.standings import rebuild, refresh
from credentials.whocan import look_up
from ledger import acts
from people.access import access_of
from people.models import View
from tests.audits.conftest import FAILED, WORKED, give_award
from tests.credentials.conftest import TODAY
from tests.factories import (
    EnrolmentFactory,
    ScopeFactory,
    an_act,
    make_clinician,
)

FIRST = datetime(2026, 1, 12, 10, 0)  # noqa: DTZ001 - the unit's own time


@pytest.fixture
def at(client):
    """A page as this user sees it."""

    def open_as(user, name, /, *args, **query):
        client.force_login(user)
        return client.get(reverse(name, args=args), query)

    return open_as


@pytest.fixture
def posting(client):
    def post_as(user, name, /, *args, **body):
        client.force_login(user)
        return client.post(reverse(name, args=args), body)

    return post_as


def text_of(answer):
    assert answer.status_code == 200, answer
    return answer.content.decode()


def queries(client, url):
    client.get(url)
    with CaptureQueriesContext(connection) as caught:
        client.get(url)
    return len(caught)


def stand_down(stage, clinician):
    Restriction.objects.create(
        clinician=clinician,
        procedure=None,
        kind=Restriction.Kind.STAND_DOWN,
        answer="no",
        from_day=TODAY,
        until_day=date(2026, 3, 6),
        basis="{}",
        known_from_id=an_act(),
    )
    rebuild()


# --- who can ---


def test_everybody_on_a_unit_is_named_with_the_answer_and_who_may_supervise(at, stage):
    answer = at(stage.cast.colleague.user, "who_can")
    lines = {line.name: line for line in answer.context["listing"].listing.rows}
    assert set(lines) >= {stage.learner.name, stage.cast.colleague.name, "Su Pervisor", "Sen Ior"}
    assert stage.cast.outsider.name not in lines
    assert (lines["Su Pervisor"].may_insert.value, lines["Su Pervisor"].supervises) == ("alone", True)
    assert (lines[stage.learner.name].may_insert.value, lines[stage.learner.name].supervises) == ("no", False)
    assert f"2 of {len(lines)} may insert alone, 2 may supervise" in text_of(answer)


def test_a_colleague_reads_no_status_and_no_reason_and_a_manager_does(at, stage):
    stage.ready_to_learn(FIRST.date())
    stand_down(stage, stage.learner)
    for name in ("who_can", "person"):
        args = [stage.learner.uuid] if name == "person" else []
        for_colleague = text_of(at(stage.cast.colleague.user, name, *args))
        assert "not on patients" in for_colleague.replace("not insert on patients", "not on patients")
        assert "stood down" not in for_colleague.lower()
        assert "in training" not in for_colleague.lower()
        assert "Where it stands" not in for_colleague
        for_manager = text_of(at(stage.cast.manager, name, *args))
        assert "stood down" in for_manager.lower()


def test_a_supervisor_is_told_that_a_trainee_is_in_training_only_when_named(at, stage):
    stage.ready_to_learn(FIRST.date())
    rebuild()
    assert "in training" not in text_of(at(stage.supervisors[0], "who_can"))
    stage.log(FIRST, by=0, signed=False)
    assert "in training" in text_of(at(stage.supervisors[0], "who_can"))
    assert "in training" not in text_of(at(stage.supervisors[1], "who_can"))
    stand_down(stage, stage.learner)
    assert "stood down" not in text_of(at(stage.supervisors[0], "who_can"))


def test_somebody_looked_up_is_answered_for_at_the_unit_asked_about_and_the_look_up_is_kept(at, stage):
    answer = at(stage.cast.colleague.user, "who_can", name="pervisor su")
    assert [line.name for line in answer.context["found"]] == ["Su Pervisor"]
    assert View.objects.filter(user=stage.cast.colleague.user, page="who_can").count() == 1
    assert "Not in this register: treat as not confirmed" in text_of(
        at(stage.cast.colleague.user, "who_can", name="Nobody Known")
    )
    assert View.objects.filter(user=stage.cast.colleague.user, clinician=None).count() == 1
    other_hospital = at(stage.cast.colleague.user, "who_can", name=stage.cast.outsider.name)
    assert other_hospital.context["found"] == []


def test_an_award_that_covers_another_ward_is_not_held_here(stage):
    elsewhere = make_clinician(stage.cast.wards.next_ward, "Else Where")
    give_award(elsewhere, stage.procedure, stage.cast.wards.next_ward)
    access = access_of(stage.cast.colleague.user)
    (here,) = look_up(access, "Else Where", stage.procedure, stage.ward.pk)
    (home,) = look_up(access, "Else Where", stage.procedure)
    assert (here.may_insert.value, here.through) == ("no", None)
    assert home.may_insert.value == "alone"


def test_a_unit_that_lies_in_another_hospital_cannot_be_asked_about(at, stage):
    answer = at(stage.cast.colleague.user, "who_can", unit=stage.cast.wards.other_ward.pk)
    assert answer.context["form"].errors["unit"]
    assert "listing" not in answer.context


def test_the_export_of_a_unit_holds_what_the_page_shows_and_no_more(client, stage):
    client.force_login(stage.cast.colleague.user)
    url = reverse("who_can")
    rows = client.get(url).context["listing"].listing.rows
    before = acts.head()
    sent = client.post(url, {"export": "csv"})
    assert acts.head() == before + 1
    lines = list(csv.reader(io.StringIO(b"".join(sent.streaming_content).decode("utf-8-sig"))))
    assert lines[0] == ["Clinician", "Placement", "May insert", "May supervise", "Through"]
    assert [line[0] for line in lines[1:]] == [row.name for row in rows]


def test_looking_up_many_costs_no_more_than_looking_up_one(client, stage):
    client.force_login(stage.cast.colleague.user)
    make_clinician(stage.ward, "Common Name 1")
    few = queries(client, reverse("who_can") + "?name=Common")
    for place in range(2, 21):
        make_clinician(stage.ward, f"Common Name {place}")
    assert queries(client, reverse("who_can") + "?name=Common") == few


def test_without_a_unit_there_is_nobody_to_show_and_it_says_so(at, stage):
    from tests.factories import make_appointed

    answer = at(make_appointed("educator", stage.cast.wards.group), "who_can")
    assert answer.status_code == 200


# --- people ---


def test_the_list_follows_only_those_whom_one_oversees_or_supervises(at, stage):
    stage.ready_to_learn(FIRST.date())
    make_clinician(stage.ward, "Un Enrolled")
    EnrolmentFactory(clinician=stage.cast.outsider)
    rebuild()
    shown = {row.clinician.name for row in at(stage.educator, "people").context["listing"].records}
    assert shown == {stage.learner.name, "Su Pervisor", "Sen Ior"}
    assert [row.clinician.name for row in at(stage.supervisors[1], "people").context["listing"].records] == ["Sen Ior"]
    stage.log(FIRST, by=1, signed=False)
    named = {row.clinician.name for row in at(stage.supervisors[1], "people").context["listing"].records}
    assert named == {"Sen Ior", stage.learner.name}


def test_the_list_is_worked_out_afresh_for_what_has_changed(at, stage):
    stage.ready_to_learn(FIRST.date())
    before = text_of(at(stage.educator, "people", name=stage.learner.name))
    assert "with a supervisor in the room" in before
    stand_down_without_refresh(stage)
    assert "stood down" in text_of(at(stage.educator, "people", name=stage.learner.name))


def stand_down_without_refresh(stage):
    from ledger.acts import recording
    from people import stale

    with recording(actor=None, kind="absence.set") as rec:
        Restriction.objects.create(
            clinician=stage.learner,
            kind=Restriction.Kind.STAND_DOWN,
            answer="no",
            from_day=TODAY,
            until_day=date(2026, 3, 6),
            basis="{}",
            known_from_id=rec.seq,
        )
        stale.touch([stage.learner.pk], cause=rec.kind, act=rec.seq)


def test_a_supervisor_cannot_filter_out_who_is_stood_down(at, stage):
    stage.ready_to_learn(FIRST.date())
    stage.log(FIRST, by=0, signed=False)
    stand_down(stage, stage.learner)
    shown = at(stage.supervisors[0], "people", status="stood_down")
    assert [row.clinician.name for row in shown.context["listing"].records] == []
    assert "ask an educator" in text_of(at(stage.supervisors[0], "people"))
    assert len(at(stage.cast.manager, "people", status="stood_down").context["listing"].records) == 1


def test_the_list_narrows_by_each_of_its_filters_and_exports_what_it_shows(client, stage):
    stage.ready_to_learn(FIRST.date())
    rebuild()
    client.force_login(stage.educator)
    for query, wanted in (
        ("?status=in_training", [stage.learner.name]),
        ("?may=alone", ["Sen Ior", "Su Pervisor"]),
        (f"?name={stage.learner.staff_number}", [stage.learner.name]),
        (f"?unit={stage.cast.wards.next_ward.pk}", []),
        (f"?procedure={stage.procedure.code}&status=current", ["Sen Ior", "Su Pervisor"]),
        ("?ends=30", []),
    ):
        page = client.get(reverse("people") + query)
        assert [row.clinician.name for row in page.context["listing"].records] == wanted, query
        sent = client.post(reverse("people") + query, {"export": "csv"})
        lines = list(csv.reader(io.StringIO(b"".join(sent.streaming_content).decode("utf-8-sig"))))
        assert [line[0] for line in lines[1:]] == wanted, query


def test_the_list_costs_the_same_queries_for_one_and_twenty(client, stage):
    stage.ready_to_learn(FIRST.date())
    rebuild()
    client.force_login(stage.educator)
    few = queries(client, reverse("people"))
    for place in range(20):
        EnrolmentFactory(clinician=make_clinician(stage.ward, f"Learner {place}"), procedure=stage.procedure)
    rebuild()
    assert queries(client, reverse("people")) == few


# --- a person's page ---


@pytest.fixture
def holder(stage):
    """Somebody who holds the procedure at home, with a record of thirty, some of it hard."""
    give_award(stage.learner, stage.procedure, stage.cast.wards.department, from_day=date(2025, 1, 1))
    for place in range(14):
        day = datetime(2026, 1, 5 + place, 9, 0)  # noqa: DTZ001
        hard = {"others_before": 2} if place < 6 else {}
        stage.log(day, signed=False, attempts=(FAILED, WORKED) if place < 4 else (WORKED,), **hard)
    rebuild()
    return stage.learner


def test_the_sentence_comes_first_and_says_why_to_oneself(at, stage):
    stage.ready_to_learn(FIRST.date())
    text = text_of(at(stage.learner.user, "person", stage.learner.uuid))
    assert text.index("Today you may insert") < text.index("What is asked") < text.index("First attempts")
    assert "In training: Supervised insertions: have 0, need 10" in text
    assert "have 0, need 10" in text


def test_figures_stand_with_count_interval_basis_and_what_was_hard(at, stage, holder):
    text = text_of(at(stage.educator, "person", holder.uuid))
    assert "10 of 14: 71%, and with 95% confidence between 45 and 88%; too few to judge" in text
    assert "Logging basis: every insertion is logged" in text
    assert "Rescues: others had tried before: 2 of 6: 33%, and with 95% confidence" in text
    assert "None of these: 8 of 8" in text
    assert "The dashed line is the local target" not in text


def test_where_not_every_insertion_is_logged_there_is_no_rate(at, stage, holder):
    from people.settings import set_setting

    set_setting(
        actor=stage.educator,
        unit=stage.ward,
        name="logging_basis",
        value="tally",
        about="",
        from_day=date(2026, 1, 1),
    )
    refresh()
    text = text_of(at(stage.educator, "person", holder.uuid))
    assert "Not assessable." in text
    assert "Logging basis: shift tally only" in text
    assert "with 95% confidence" not in text.split("What the rules say")[0]


@pytest.mark.parametrize(
    ("who", "progress", "figures"),
    [
        ("owner", True, True),
        ("educator", True, True),
        ("auditor", True, True),
        ("manager", True, False),
        ("assessor", True, False),
        ("supervisor", True, False),
        ("colleague", False, False),
    ],
)
def test_who_reads_how_much_of_a_page(at, stage, holder, who, progress, figures):
    user = getattr(stage.cast, who)
    text = text_of(at(getattr(user, "user", user), "person", holder.uuid))
    assert ("Status:" in text) is progress
    assert ("For renewal" in text or "Awards" in text) is progress
    assert ("First attempts" in text) is figures
    assert ("with 95% confidence" in text) is figures
    assert ("What the rules say" in text) is figures
    assert "may insert" in text


def test_that_somebody_else_opened_the_page_is_kept(at, stage, holder):
    at(stage.cast.auditor, "person", holder.uuid)
    at(holder.user, "person", holder.uuid)
    assert list(View.objects.filter(page="person").values_list("user", flat=True)) == [stage.cast.auditor.pk]


def test_another_day_as_known_then_says_which_number_it_was_worked_out_from(at, stage):
    then = acts.head()
    stage.ready_to_learn(FIRST.date())
    now = text_of(at(stage.educator, "person", stage.learner.uuid))
    assert f"known at number {acts.head()}" in now
    as_then = text_of(at(stage.educator, "person", stage.learner.uuid, on="2 March 2026", known=str(then)))
    assert f"known at number {then}" in as_then
    assert "not enrolled" in as_then
    assert "could not" not in as_then
    assert "Decide" not in as_then.split("<main")[1]
    past = text_of(at(stage.educator, "person", stage.learner.uuid, on="11 January 2026"))
    assert "On 11 January 2026" in past
    assert "could <b>not insert on patients</b>" in past


def test_a_day_and_a_number_together_are_refused_beside_the_field(at, stage):
    answer = at(stage.educator, "person", stage.learner.uuid, known="3", known_on="2 March 2026")
    assert answer.context["form"].errors["known"] == ["Give either the day or the number, not both."]
    nonsense = at(stage.educator, "person", stage.learner.uuid, on="31 February 2026")
    assert nonsense.context["form"].errors["on"]
    assert "Today" in text_of(nonsense)


def test_a_page_costs_the_same_queries_for_few_and_many_entries(client, stage):
    stage.ready_to_learn(FIRST.date())
    stage.log(FIRST)
    reviewing.review_today()
    client.force_login(stage.educator)
    url = reverse("person", args=[stage.learner.uuid])
    few = queries(client, url)
    for place in range(1, 12):
        stage.log(datetime(2026, 1, 12 + place, 10, 0), by=place % 2)  # noqa: DTZ001
    reviewing.review_today()
    assert queries(client, url) == few


def test_help_says_whom_to_ask_and_what_each_word_means(at, stage):
    text = text_of(at(stage.learner.user, "help"))
    for words in (
        "In grace",
        "Ready for award",
        "with a supervisor nearby",
        stage.educator.name,
        stage.cast.manager.name,
    ):
        assert words in text
    assert stage.learner.name not in text.split("Whom to ask")[1]


def test_a_scope_by_role_is_said_with_its_last_day(at, stage):
    locum = make_clinician(stage.ward, "By Role")
    ScopeFactory(clinician=locum, unit=stage.ward, procedure=stage.procedure, until_day=date(2026, 4, 1))
    rebuild()
    assert "This answer holds through <time" in text_of(at(stage.cast.colleague.user, "person", locum.uuid))
