"""To sign: opened one by one, checked, signed together, each reported; sent back, denied, accepted, agreed to."""

from dataclasses import replace

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits.corrections import correct, propose_withdrawal
from audits.countersigning import countersign
from audits.logbook import record_insertion
from audits.models import Attempt, Insertion, Proposal, Statement
from audits.versions import entry_of as said_in
from ledger import clock
from ledger.guarding import lifted
from people.models import Appointment, User
from people.signing import seal
from tests.audits.conftest import FAILED, NOW, WORKED, confirmed
from tests.factories import SECRET, an_act


def client_of(user):
    """Signed in with e-mail and password, as a signature asks."""
    client = Client()
    client.post(reverse("sign_in"), {"username": user.email, "password": SECRET})
    return client


@pytest.fixture
def client(stage):
    return client_of(stage.supervisor)


def log(stage, **changes):
    return record_insertion(actor=stage.owner.user, entry=stage.entry(**changes))


def chosen(*rows, seals=None, user, **more):
    """What the queue sends: a seal for each opened entry, and an answer for each."""
    said = {f"answer-{row.uuid}": "in_room" for row in rows}
    return {"shown": [seal(user, row.digest) for row in rows] if seals is None else seals, **said, **more}


def test_the_queue_shows_entries_closed_and_opens_one_by_one(client, stage):
    rows = [log(stage, comment="Cold hands"), log(stage)]
    page = client.get(reverse("to_sign"))
    assert [line.is_open for line in page.context["desk"].lines] == [False, False]
    assert "Cold hands" not in page.content.decode()
    page = client.post(reverse("to_sign"), {"open": str(rows[0].uuid)})
    assert "Cold hands" in page.content.decode()
    lines = page.context["desk"].lines
    assert [line.is_open for line in lines] == [True, False]
    again = {"open": str(rows[1].uuid), "shown": lines[0].seal, f"answer-{rows[0].uuid}": "nearby"}
    lines = client.post(reverse("to_sign"), again).context["desk"].lines
    assert [(line.is_open, line.answer) for line in lines] == [(True, "nearby"), (True, "")]
    assert not Statement.objects.exists()


@pytest.mark.std("A-05")
@pytest.mark.std("C-04")
@pytest.mark.std("F-05")
def test_opened_entries_are_checked_and_then_signed_with_one_password(client, stage):
    rows = [log(stage), log(stage, attempts=(FAILED, WORKED)), log(stage)]
    said = chosen(*rows, user=stage.supervisor)
    check = client.post(reverse("to_sign_check"), said)
    page = check.content.decode()
    assert page.count("You state:") == 3
    assert "not working (through the vein, or a haematoma)" in page
    assert not Statement.objects.exists()
    done = client.post(reverse("to_sign_check"), {**said, "secret": SECRET}, follow=True)
    assert done.content.decode().count("Countersigned, in the room") == 3
    made = Statement.objects.known()
    assert {each.insertion_digest for each in made} == {each.digest for each in rows}
    assert len({each.known_from_id for each in made}) == 3  # an act for each


@pytest.mark.std("A-05")
def test_an_entry_that_was_not_opened_cannot_be_slipped_in(client, stage):
    seen, unseen = log(stage), log(stage)
    said = chosen(seen, unseen, seals=[seal(stage.supervisor, seen.digest)], user=stage.supervisor)
    for more in ({}, {"secret": SECRET}):
        answer = client.post(reverse("to_sign_check"), {**said, **more})
        assert "was not opened" in answer.content.decode()
    assert not Statement.objects.exists()


@pytest.mark.std("A-05")
def test_a_seal_of_somebody_else_opens_nothing(client, stage):
    row = log(stage)
    for seals in ([seal(stage.cast.educator, row.digest)], ["made up"]):
        answer = client.post(reverse("to_sign_check"), chosen(row, seals=seals, user=None, secret=SECRET))
        assert "Not saved" in answer.content.decode()
    assert not Statement.objects.exists()


@pytest.mark.std("A-04")
@pytest.mark.parametrize("secret", ["", "not the password"])
def test_without_the_right_password_nothing_is_signed(client, stage, secret):
    said = chosen(log(stage), user=stage.supervisor, secret=secret)
    answer = client.post(reverse("to_sign_check"), said)
    assert "secret" in answer.context["form"].errors
    assert not Statement.objects.exists()


@pytest.mark.std("F-06")
def test_signing_again_by_the_back_button_signs_nothing_twice(client, stage):
    said = chosen(log(stage), user=stage.supervisor, secret=SECRET)
    client.post(reverse("to_sign_check"), said)
    answer = client.post(reverse("to_sign_check"), said)
    assert "waits for you no longer" in answer.content.decode()
    assert Statement.objects.count() == 1


def test_one_that_changed_meanwhile_is_reported_and_the_others_are_signed(client, stage):
    rows = [log(stage), log(stage)]
    said = chosen(*rows, user=stage.supervisor, secret=SECRET)
    changed = replace(said_in(rows[0]), comment="Cold hands")
    correct(actor=stage.owner.user, insertion=rows[0], entry=changed, reason="More to say")
    answer = client.post(reverse("to_sign_check"), said)
    assert "was not opened" in answer.content.decode()  # its new version was not
    del said[f"answer-{rows[0].uuid}"]
    client.post(reverse("to_sign_check"), said)
    assert [each.insertion for each in Statement.objects.all()] == [rows[1]]


def test_more_than_ten_at_once_are_refused(client, stage):
    rows = [log(stage) for _ in range(11)]
    answer = client.post(reverse("to_sign_check"), chosen(*rows, user=stage.supervisor))
    assert "at most 10 at a time" in answer.content.decode()


def test_nothing_chosen_is_told(client, stage):
    log(stage)
    assert "Open an entry" in client.post(reverse("to_sign_check"), {}).content.decode()
    assert client.get(reverse("to_sign_check"))["Location"] == reverse("to_sign")


def test_an_entry_is_sent_back_with_what_to_mend_and_the_writer_reads_it(client, stage):
    row = log(stage)
    url = reverse("send_back", args=[row.uuid])
    shown = client.get(url).context["form"].initial["shown"]
    assert "note" in client.post(url, {"shown": shown, "secret": SECRET}).context["form"].errors
    client.post(url, {"shown": shown, "secret": SECRET, "note": "The gauge was 22."})
    assert Statement.objects.get().kind == "sent_back"
    writer = client_of(stage.owner.user)
    assert "The gauge was 22." in writer.get(reverse("entry", args=[row.uuid])).content.decode()


@pytest.mark.std("B-40")
def test_a_note_that_looks_like_a_patient_is_refused(client, stage):
    url = reverse("send_back", args=[log(stage).uuid])
    shown = client.get(url).context["form"].initial["shown"]
    answer = client.post(url, {"shown": shown, "secret": SECRET, "note": "Mrs Hopkins, bed 12"})
    assert "note" in answer.context["form"].errors
    assert not Statement.objects.exists()


def test_not_me_is_a_statement_of_its_own(client, stage):
    url = reverse("not_me", args=[log(stage).uuid])
    shown = client.get(url).context["form"].initial["shown"]
    client.post(url, {"shown": shown, "secret": SECRET})
    assert Statement.objects.get().meaning == "not the supervisor of this insertion"


def test_an_educator_accepts_on_evidence_and_not_without(stage):
    row = log(stage)
    client, url = client_of(stage.cast.educator), reverse("entry_accept", args=[row.uuid])
    shown = client.get(url).context["form"].initial["shown"]
    assert "note" in client.post(url, {"shown": shown, "secret": SECRET}).context["form"].errors
    client.post(url, {"shown": shown, "secret": SECRET, "note": "Theatre list and the anaesthetist's word."})
    assert Statement.objects.get().kind == "other_evidence"


@pytest.mark.std("A-08")
def test_who_could_not_supervise_then_is_told_why_and_may_only_send_back(client, stage):
    Appointment.objects.filter(user=stage.supervisor).update(known_until_id=an_act())
    row = log(stage)
    page = client.post(reverse("to_sign"), {"open": str(row.uuid)}).content.decode()
    assert "No appointment as supervisor here on 2 March 2026." in page
    assert f'name="answer-{row.uuid}"' not in page
    assert reverse("send_back", args=[row.uuid]) in page


def test_past_the_local_time_only_an_educator_can_accept(client, stage):
    row = log(stage)
    with clock.at(NOW.replace(month=4, day=20)):
        # The session of 2 March is over by then.
        page = client_of(stage.supervisor).post(reverse("to_sign"), {"open": str(row.uuid)}).content.decode()
    assert "The time to countersign is over." in page


def test_a_change_is_agreed_to_with_both_versions_in_sight(client, stage):
    row = log(stage)
    changed = replace(said_in(row), attempts=(FAILED, WORKED))
    correct(actor=stage.owner.user, insertion=row, entry=changed, reason="The first one tissued")
    assert "The first one tissued" in client.get(reverse("to_sign")).content.decode()
    url = reverse("entry_decide", args=[row.uuid])
    page = client.get(url)
    assert "Working first time" in page.content.decode()
    assert "2. Forearm, left, 20 G, pink" in page.content.decode()
    said = {"shown": page.context["form"].initial["shown"], "agree": "yes", "secret": SECRET}
    client.post(url, said)
    now = Insertion.objects.known().get(uuid=row.uuid)
    assert (now.version, now.result) == (2, "not_first")


def test_agreeing_about_a_countersigned_entry_asks_how_near(client, stage):
    row = log(stage)
    countersign(signer=confirmed(stage.supervisor, row.digest), insertion=row, nearness="in_room")
    changed = replace(said_in(row), attempts=(replace(WORKED, gauge=18),))
    correct(actor=stage.owner.user, insertion=row, entry=changed, reason="Wrong gauge")
    url = reverse("entry_decide", args=[row.uuid])
    said = {"shown": client.get(url).context["form"].initial["shown"], "agree": "yes", "secret": SECRET}
    assert "nearness" in client.post(url, said).context["form"].errors
    client.post(url, {**said, "nearness": "nearby"})
    assert Statement.objects.known().get(insertion__version=2).kind == "nearby"


def test_refusing_a_withdrawal_leaves_the_entry_as_it_was(client, stage):
    row = log(stage)
    propose_withdrawal(actor=stage.owner.user, insertion=row, reason="Logged twice")
    url = reverse("entry_decide", args=[row.uuid])
    said = {"shown": client.get(url).context["form"].initial["shown"], "agree": "no", "secret": SECRET}
    client.post(url, said)
    assert Proposal.objects.get().agreed is False
    assert not Insertion.objects.known().get(uuid=row.uuid).withdrawn


def test_a_change_decided_meanwhile_is_told_and_not_an_error(client, stage):
    row = log(stage)
    assert client.get(reverse("entry_decide", args=[row.uuid]))["Location"] == reverse("entry", args=[row.uuid])


@pytest.mark.std("A-03")
def test_an_altered_entry_is_not_opened(client, stage):
    row = log(stage)
    with lifted():
        Attempt.objects.filter(insertion=row).update(gauge=18)
    page = client.post(reverse("to_sign"), {"open": str(row.uuid)})
    assert "Does not match what was signed." in page.content.decode()
    answer = client.post(reverse("to_sign_check"), chosen(row, user=stage.supervisor, secret=SECRET))
    assert answer.status_code == 200
    assert not Statement.objects.exists()


def test_who_is_named_and_supervises_no_longer_still_reaches_the_queue(stage):
    client = client_of(stage.supervisor)
    log(stage)
    Appointment.objects.filter(user=stage.supervisor).update(known_until_id=an_act())
    assert client.get(reverse("to_sign")).status_code == 200
    nobody = User.objects.get(pk=stage.cast.colleague.user_id)
    assert client_of(nobody).get(reverse("to_sign")).status_code == 403


def test_an_opened_queue_asks_no_more_for_twenty_entries_than_for_one(client, stage):
    def queries(rows):
        with CaptureQueriesContext(connection) as seen:
            answer = client.post(reverse("to_sign"), chosen(*rows, user=stage.supervisor))
        assert all(line.is_open for line in answer.context["desk"].lines)
        return len(seen)

    rows = [log(stage)]
    queries(rows)
    few = queries(rows)
    rows += [log(stage) for _ in range(19)]
    assert queries(rows) == few
