"""Any past day: as known then it never changes, as known now it says which acts came in between."""

import json
from datetime import UTC, date, datetime, time, timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from credentials import past, past_unit, restricting
from credentials.restricting import Decision
from credentials.rules.terms import Terms
from ledger import clock
from ledger.acts import head
from ledger.canonical import canonical
from people import staffing
from people.access import NotPermitted, access_of
from people.models import Clinician, Placement, View
from people.settings import set_setting
from sheets.reading import read_workbook
from tests.audits.conftest import FAILED, give_award
from tests.credentials.conftest import NOW, TODAY, Stage, sign
from tests.factories import ZONE, make_clinician

pytestmark = pytest.mark.django_db
DAY = TODAY - timedelta(days=1)


def holder(stage: Stage, name: str = "Hol Der"):
    who = make_clinician(stage.ward, name)
    terms = canonical(Terms().to_content())
    give_award(who, stage.procedure, stage.cast.wards.department, terms=terms)
    return who


def suspend(stage: Stage, who, **changes) -> None:
    decision = Decision(clinician=who, kind="suspension", procedure=stage.procedure, reason="Looked into.", **changes)
    restricting.decide(signer=sign(stage.educator, decision.digest), decision=decision)


def compared(stage: Stage, who, known: int, on: date = TODAY):
    return past.compared(who, stage.procedure, unit=None, on=on, known=known, figures=True)


def test_a_day_on_which_nothing_came_in_later_reads_the_same(stage):
    who = holder(stage)
    then, now, changes = compared(stage, who, head())
    assert then.at.answer.value == now.at.answer.value == "alone"
    assert then.recorded_at == now.recorded_at
    assert changes == []


@pytest.mark.std("F-13")
def test_a_decision_that_came_in_later_is_named_with_its_act(stage):
    who, known = holder(stage), head()
    suspend(stage, who)
    then, now, changes = compared(stage, who, known)
    assert (then.at.status.value, now.at.status.value) == ("current", "suspended")
    assert [each.words for each in changes] == [
        "May insert: alone then, not on patients now.",
        "Status: current then, suspended now.",
        "Came in later. Limit: Suspension, from 2 March 2026, until further notice.",
    ]
    assert [each.source for each in changes] == ["", "", f"Suspended, number {head()}"]


def test_a_placement_that_was_mended_stands_on_both_sides_with_its_numbers(stage):
    who, known = holder(stage), head()
    row = Placement.objects.known().get(clinician=who)
    staffing.end_placement(actor=stage.educator, placement=row, until_day=TODAY)
    then, now, changes = compared(stage, who, known)
    assert then.at.status.value == "current"
    assert now.at.status.value == "no_placement"
    words = [each.words for each in changes if each.act]
    assert [each.split(".")[0] for each in words] == ["Came in later", "No longer stands"]
    assert {each.act.seq for each in changes if each.act} == {head()}
    assert [each.heading for each in then.held] == ["Placed", "Award"]


def test_entries_that_came_in_later_change_the_figures_and_say_so(stage):
    stage.ready_to_learn(DAY - timedelta(days=9))
    known = head()
    stage.log(datetime.combine(DAY, time(9)), attempts=(FAILED,))
    _, _, changes = compared(stage, stage.learner, known, on=DAY)
    assert [each.words for each in changes] == [
        "Insertions in the rate, of the last 12 months: 0 of 0 working first time then, 0 of 1 now.",
        "Entry of 1 March 2026 logged later.",
    ]
    assert known < changes[-1].act.seq <= head()
    assert past.compared(stage.learner, stage.procedure, unit=None, on=DAY, known=known, figures=False)[2] == []


def test_the_page_names_the_supervisor_and_whether_they_could_then_and_now(stage):
    stage.ready_to_learn(DAY - timedelta(days=9))
    made = stage.log(datetime.combine(DAY, time(9)))
    known = head()
    senior = stage.cast.supervisor
    suspend(stage, _clinician(senior), from_day=None)
    found = past.incident(access_of(stage.educator), stage.learner, stage.procedure, unit=None, on=DAY, known=known)
    assert [(each.entry.uuid, each.was_known) for each in found.logged] == [(made.uuid, True)]
    assert [(each.name, each.then, each.now, each.is_named) for each in found.supervising] == [
        (senior.name, "", "", True)
    ]
    later = past.incident(
        access_of(stage.educator), stage.learner, stage.procedure, unit=None, on=TODAY, known=known, supervisor=senior
    )
    assert [(each.then, each.now) for each in later.supervising] == [("", "Suspended on that day.")]


def _clinician(user):
    return Clinician.objects.get(user=user)


def test_the_end_of_a_day_is_that_of_the_place(stage):
    end = datetime(2026, 3, 2, 13, 29, tzinfo=UTC)  # 23:59 in Adelaide
    with clock.at(end):
        holder(stage)
    known = head()
    with clock.at(end + timedelta(minutes=1)):
        holder(stage, "Too Late")
    assert past.number_at_end_of(TODAY, ZONE) == known
    assert past.number_at_end_of(TODAY + timedelta(days=1), ZONE) == head()
    assert past.number_at_time(TODAY, time(13, 31), ZONE) < known


def test_a_setting_that_came_in_later_is_named(stage):
    who, known = holder(stage), head()
    set_setting(actor=stage.educator, unit=stage.ward, name="ceiling_employed", value="nearby", from_day=TODAY)
    then, now, changes = compared(stage, who, known)
    assert (then.at.answer.value, now.at.answer.value) == ("alone", "nearby")
    assert [each.words.partition(" at ")[0] for each in changes if each.act] == [
        "Came in later. Setting: Ceiling for employed"
    ]
    assert changes[-1].words.endswith("Supervisor quickly available, from 2 March 2026.")


# --- a unit ---


def lines(stage: Stage, known: int, on: date = TODAY):
    return past_unit.lines_of(stage.ward.pk, stage.procedure, on=on, known=known)


def test_everybody_on_a_unit_that_day_has_a_line_as_known_then_and_now(stage):
    who, known = holder(stage), head()
    suspend(stage, who)
    later = holder(stage, "Came Later")
    of = {line.clinician.pk: line for line in lines(stage, known)}
    assert (of[who.pk].may_then.value, of[who.pk].may_now.value) == ("alone", "no")
    assert of[who.pk].changed == "answer: current then, suspended now"
    assert of[later.pk].changed == "placed here, as came in later"
    assert past_unit.alone(lines(stage, known)) == (3, 3)  # two seniors and one, then two and the later one


def test_a_unit_costs_as_many_queries_for_many_as_for_few(stage):
    known = head()

    def queries() -> int:
        with CaptureQueriesContext(
            connection,
        ) as counted:
            past_unit.unit_day(access_of(stage.educator), stage.ward.pk, stage.procedure, on=TODAY, known=max(known, 1))
        return len(counted)

    holder(stage)
    few = queries()
    for place in range(12):
        holder(stage, f"More {place}")
    assert queries() == few


def test_a_unit_that_one_does_not_follow_is_refused(stage):
    with pytest.raises(NotPermitted):
        past_unit.unit_day(access_of(stage.cast.supervisor), stage.ward.pk, stage.procedure, on=TODAY, known=head())


# --- screens ---


def test_an_incident_review_shows_both_sides_and_is_noted_as_a_look(stage, client):
    who, known = holder(stage), head()
    suspend(stage, who)
    client.force_login(stage.cast.auditor)
    url = reverse("incident", args=[who.uuid])
    page = client.get(url, {"procedure": stage.procedure.pk, "on": "2 March 2026", "known": known})
    text = page.content.decode()
    assert page.status_code == 200
    assert f"number {known}" in text
    assert f"number {head()}" in text
    assert "Came in later. Limit: Suspension" in text
    assert View.objects.filter(user=stage.cast.auditor, clinician=who, page="incident").count() == 1


@pytest.mark.parametrize(("who", "sees"), [("manager", False), ("auditor", True), ("educator", True)])
def test_a_manager_sees_no_figures(stage, client, who, sees):
    stage.ready_to_learn(DAY - timedelta(days=9))
    stage.log(datetime.combine(DAY, time(9)), attempts=(FAILED,))
    client.force_login(getattr(stage.cast, who))
    page = client.get(
        reverse("incident", args=[stage.learner.uuid]), {"procedure": stage.procedure.pk, "on": "2 March 2026"}
    )
    assert ("months up to that day" in page.content.decode()) is sees


def test_a_review_costs_as_many_queries_for_much_as_for_little(stage):
    known = head()
    stage.ready_to_learn(DAY - timedelta(days=9))

    def queries() -> int:
        mine = access_of(stage.educator)
        with CaptureQueriesContext(connection) as counted:
            past.incident(mine, stage.learner, stage.procedure, unit=stage.ward.pk, on=TODAY, known=known)
        return len(counted)

    stage.log(datetime.combine(DAY, time(1)))
    stage.log(datetime.combine(TODAY, time(1)))
    few = queries()
    for place in range(6):
        stage.log(datetime.combine(DAY - timedelta(days=place), time(2)))
        stage.log(datetime.combine(TODAY, time(1, 10 * place)), by=place % 2)
    assert queries() == few


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"on": "3 March 2026"}, "on"),
        ({"on": "2 March 2026", "known": 10**6}, "known"),
        ({"on": "2 March 2026", "known": 1, "at": "10:00"}, "known"),
        ({"on": "1 January 1990"}, "on"),
        ({"on": "soon"}, "on"),
    ],
)
def test_what_cannot_be_asked_is_said_beside_the_field(stage, client, asked, field):
    client.force_login(stage.educator)
    page = client.get(reverse("incident", args=[stage.learner.uuid]), {"procedure": stage.procedure.pk, **asked})
    assert list(page.context["form"].errors) == [field]
    assert page.context["shown"] is None


def test_a_unit_s_day_is_a_list_that_can_be_taken_away(stage, client):
    who, known = holder(stage), head()
    suspend(stage, who)
    client.force_login(stage.educator)
    asked = f"?unit={stage.ward.pk}&procedure={stage.procedure.pk}&on=2+March+2026&known={known}"
    page = client.get(reverse("unit_day") + asked).content.decode()
    assert "As known then, 3 could insert alone; as known now, 2." in page
    made = client.post(reverse("unit_day") + asked, {"export": "xlsx"})
    rows = read_workbook(b"".join(made.streaming_content), name="list.xlsx")
    assert rows


# --- commands ---


def run(*args: str) -> str:
    out = StringIO()
    call_command(*args, stdout=out)
    return out.getvalue()


def test_the_command_compares_then_and_now(stage):
    who, known = holder(stage), head()
    at = clock.now()
    with clock.at(at + timedelta(minutes=5)):
        suspend(stage, who)
        told = json.loads(
            run("standing", who.staff_number, stage.procedure.code, "--on", TODAY.isoformat(), "--known-at",
                at.isoformat(), "--compare", "--json")
        )  # fmt: skip
        words = run("standing", who.staff_number, stage.procedure.code, "--known-at", at.isoformat(), "--compare")
    assert set(told) == {"then", "now", "changed"}
    assert (told["then"]["known"], told["then"]["status"]) == (known, "current")
    assert (told["now"]["known"], told["now"]["status"]) == (head(), "suspended")
    assert told["changed"][-1]["act"] == head()
    assert told["changed"][-1]["kind"] == "suspension.made"
    assert told["changed"][0] == {
        "words": "May insert: alone then, not on patients now.", "act": None, "kind": None, "recorded_at": None
    }  # fmt: skip
    assert "As known now" in words


def test_the_command_for_a_unit_prints_everybody(stage):
    who, known = holder(stage), head()
    at = clock.now()
    with clock.at(at + timedelta(minutes=5)):
        suspend(stage, who)
        path = access_of(stage.educator).tree.path(stage.ward.pk)
        told = json.loads(
            run("unit_day", path, stage.procedure.code, "--on", TODAY.isoformat(), "--known-at", at.isoformat(),
                "--json")
        )  # fmt: skip
    line = next(each for each in told["people"] if each["clinician"] == who.staff_number)
    assert (line["then"], line["now"]) == ({"may_insert": "alone", "status": "current"},
                                           {"may_insert": "no", "status": "suspended"})  # fmt: skip
    assert told["known_then"] == known


def test_the_command_says_what_it_does_not_know(stage):
    with pytest.raises(CommandError):
        run("unit_day", "No Such Ward", stage.procedure.code, "--on", TODAY.isoformat())


def test_known_then_answers_stay_whatever_comes_in(stage):
    who, known = holder(stage), head()
    before = past.side(who, stage.procedure, unit=None, on=TODAY, known=known)
    suspend(stage, who)
    with clock.at(NOW + timedelta(days=40)):
        after = past.side(who, stage.procedure, unit=None, on=TODAY, known=known)
    assert after.answered.document() == before.answered.document()
    assert [(each.heading, each.words) for each in after.facts] == [(e.heading, e.words) for e in before.facts]
    assert after.versions == before.versions
