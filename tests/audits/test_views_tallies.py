"""Shift tallies on screen: what the form offers, what it saves, what the list shows to whom."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits.logbook import record_insertion
from audits.models import Tally
from credentials.models import Standing
from ledger.models import Act
from tests.audits.conftest import Stage, give_award
from tests.factories import SettingFactory, make_clinician

TODAY = date(2026, 3, 2)
pytestmark = pytest.mark.django_db


@pytest.fixture
def on_tally(stage: Stage) -> Stage:
    give_award(stage.owner, stage.procedure, stage.ward)
    SettingFactory(unit=stage.ward, name="logging_basis", plain="tally", from_day=date(2025, 1, 1))
    return stage


def client_of(user) -> Client:
    client = Client()
    client.force_login(user)
    return client


def send(stage: Stage, **said):
    where = f"{stage.procedure.pk}-{stage.ward.pk}"
    given = {"on": "2 March 2026", "where": where, "insertions": "3", **said}
    return client_of(stage.owner.user).post(reverse("tally"), given)


def text_of(answer) -> str:
    return " ".join(answer.content.decode().split())


def test_log_leads_a_holder_on_such_a_ward_to_the_tally_and_nobody_else(on_tally):
    assert reverse("tally") in text_of(client_of(on_tally.owner.user).get(reverse("log")))
    assert reverse("tally") not in text_of(client_of(on_tally.cast.colleague.user).get(reverse("log")))


def test_the_form_knows_today_and_the_only_place(on_tally):
    form = client_of(on_tally.owner.user).get(reverse("tally")).context["form"]
    assert form["on"].value() == "2 March 2026"
    assert form["where"].is_hidden
    assert form["where"].value() == f"{on_tally.procedure.pk}-{on_tally.ward.pk}"
    assert form["insertions"].value() is None


def test_a_number_is_saved_said_and_judged_at_once(on_tally):
    answer = send(on_tally)
    row = Tally.objects.known().get()
    assert (row.on, row.insertions, row.unit, answer["Location"]) == (TODAY, 3, on_tally.ward, reverse("tally"))
    assert Standing.objects.filter(clinician=on_tally.owner).exists()
    shown = text_of(client_of(on_tally.owner.user).get(reverse("tally")))
    assert "2 March 2026" in shown
    assert send(on_tally, insertions="0").status_code == 302
    assert Tally.objects.known().get().insertions == 0


def test_more_than_the_tiles_is_typed(on_tally):
    assert send(on_tally, insertions="more", more="11").status_code == 302
    assert Tally.objects.known().get().insertions == 11


@pytest.mark.parametrize(
    ("said", "field", "words"),
    [
        ({"insertions": "more"}, "more", "Enter how many."),
        ({"insertions": "more", "more": "41"}, "more", "40 or less"),
        ({"insertions": ""}, "insertions", "How many insertions"),
        ({"insertions": "12"}, "insertions", "Choose one of the answers"),
        ({"on": "3 March 2026"}, "on", "future"),
        ({"on": "1 February 2026"}, "on", "14 days back"),
        ({"on": "31 February 2026"}, "on", "Enter the day again"),
        ({"where": "1-99999"}, "where", "Choose one of the answers"),
    ],
)
def test_what_is_wrong_is_said_beside_its_field_and_nothing_is_saved(on_tally, said, field, words):
    answer = send(on_tally, **said)
    assert answer.status_code == 200
    assert words in " ".join(answer.context["form"].errors[field])
    assert not Tally.objects.exists()


def test_the_page_shows_how_a_day_adds_up(on_tally):
    record_insertion(actor=on_tally.owner.user, entry=on_tally.entry())
    send(on_tally)
    (day,) = client_of(on_tally.owner.user).get(reverse("tally")).context["days"]
    assert (day.on, day.found.tallied, day.found.entries, day.found.together) == (TODAY, 3, 1, 4)


def test_in_a_fortnight_the_page_and_log_say_through_when(stage):
    give_award(stage.owner, stage.procedure, stage.ward)
    SettingFactory(unit=stage.ward, name="logging_basis", plain="fortnight", from_day=date(2025, 1, 1))
    SettingFactory(unit=stage.ward, name="fortnight_begins", plain=51, from_day=date(2025, 1, 1))
    for name in ("log", "tally", "today"):
        shown = text_of(client_of(stage.owner.user).get(reverse(name)))
        assert "Logging fortnight through 5 March 2026: log every insertion." in shown, name
    assert "through 5 March 2026" in " ".join(send(stage).context["form"].errors["on"])


def test_today_asks_for_the_tally_until_it_is_noted(on_tally):
    words = "how many insertions you made today"
    assert words in text_of(client_of(on_tally.owner.user).get(reverse("today")))
    send(on_tally, insertions="0")
    assert words not in text_of(client_of(on_tally.owner.user).get(reverse("today")))


def test_where_every_insertion_is_logged_the_page_leads_to_the_log(stage):
    answer = client_of(stage.owner.user).get(reverse("tally"))
    assert "No tally today" in text_of(answer)
    assert reverse("log") in text_of(answer)


def test_a_form_sent_by_who_holds_nothing_leads_to_the_log_and_asks_to_mend_nothing(stage):
    answer = send(stage)
    assert "No tally today" in text_of(answer)
    assert answer.context["faulty"] == []
    assert not Tally.objects.exists()


def test_an_educator_notes_one_on_behalf(on_tally):
    client = client_of(on_tally.cast.educator)
    url = reverse("tally_for", args=[on_tally.owner.uuid])
    assert "On behalf of" in text_of(client.get(url))
    where = f"{on_tally.procedure.pk}-{on_tally.ward.pk}"
    assert client.post(url, {"on": "today", "where": where, "insertions": "2"})["Location"] == url
    assert Act.objects.get(kind="tally.noted").facts["on_behalf"] is True


# --- the list ---


def test_each_sees_their_own_and_an_educator_those_of_the_units(on_tally):
    send(on_tally)
    for user, rows in (
        (on_tally.owner.user, 1),
        (on_tally.cast.educator, 1),
        (on_tally.cast.auditor, 1),
        (on_tally.cast.colleague.user, 0),
        (on_tally.cast.manager, 0),
        (on_tally.cast.outsider.user, 0),
    ):
        listing = client_of(user).get(reverse("tallies")).context["listing"]
        assert len(listing.table.rows) == rows, user


def test_the_list_says_who_noted_it_and_what_is_late(on_tally):
    send(on_tally, on="20 February 2026")
    shown = text_of(client_of(on_tally.owner.user).get(reverse("tallies")))
    assert "late" in shown
    assert on_tally.owner.user.name in shown


def test_more_tallies_cost_no_more_queries(on_tally):
    def cost() -> int:
        with CaptureQueriesContext(
            connection,
        ) as found:
            client.get(reverse("tallies"))
        return len(found)

    client = client_of(on_tally.cast.educator)
    send(on_tally)
    client.get(reverse("tallies"))
    few = cost()
    for days in range(1, 6):
        send(on_tally, on=f"{TODAY - timedelta(days=days)}")
    other = make_clinician(on_tally.ward, "Other Holder")
    give_award(other, on_tally.procedure, on_tally.ward)
    client_of(other.user).post(
        reverse("tally"),
        {"on": "today", "where": f"{on_tally.procedure.pk}-{on_tally.ward.pk}", "insertions": "2"},
    )
    assert Tally.objects.count() == 7
    assert cost() == few
