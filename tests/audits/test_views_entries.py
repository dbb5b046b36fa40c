"""The list of entries, the page of one, and what its writer does about it afterwards."""

import csv
import io
from dataclasses import replace

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits import outcomes
from audits.corrections import correct, decide, digest_of_proposal, propose_withdrawal
from audits.countersigning import countersign, send_back
from audits.disputes import open_dispute
from audits.logbook import record_insertion
from audits.models import Attempt, Award, Dispute, Insertion, Outcome, Proposal
from audits.states import WORDS, in_state, state_of, with_state
from audits.versions import entry_of as said_in
from ledger.guarding import lifted
from people.models import View
from tests.audits.conftest import WORKED, confirmed
from tests.factories import an_act


def client_of(user):
    client = Client()
    client.force_login(user)
    return client


@pytest.fixture
def client(stage):
    return client_of(stage.owner.user)


@pytest.fixture
def logged(stage):
    return record_insertion(actor=stage.owner.user, entry=stage.entry())


def page_of(client, insertion):
    return client.get(reverse("entry", args=[insertion.uuid])).content.decode()


def form_of(client, url):
    """What the page of a form would send, as it stands."""
    form = client.get(url).context["form"]
    said = {}
    for each in (form, *getattr(form, "attempts", ())):
        for bound in each:
            value = bound.value()
            offered = [str(code) for code, _ in getattr(bound.field, "choices", ())]
            if value not in (None, "", False, []) and (not offered or str(value) in offered):
                said[bound.html_name] = bound.field.prepare_value(value) if hasattr(value, "hour") else value
    return said


@pytest.mark.std("A-10")
def test_an_unsigned_entry_is_awaiting_countersignature_on_its_page_and_in_the_list(client, stage, logged):
    page = page_of(client, logged)
    assert "Awaiting countersignature by Su Pervisor" in page
    assert "Jonah" not in page
    assert stage.owner.name in page
    assert "Awaiting countersignature" in client.get(reverse("entries")).content.decode()


@pytest.mark.std("A-01")
@pytest.mark.std("A-02")
def test_a_statement_shows_printed_name_role_registration_time_with_zone_and_meaning(client, stage, logged):
    countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    registration = stage.supervisor.registration
    type(stage.supervisor).objects.filter(pk=stage.supervisor.pk).update(name="Renamed", registration="OTHER")
    page = page_of(client, logged)
    assert f"Su Pervisor, Supervisor, registration {registration}" in page
    assert '<time datetime="2026-03-02T13:30:00+10:30">2 March 2026, 13:30 Australia/Adelaide</time>' in page
    assert "Meaning: countersigned: in the room and watched" in page


@pytest.mark.std("A-03")
def test_an_entry_that_was_altered_says_that_it_does_not_match_what_was_signed(client, stage, logged):
    countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    assert "does not match" not in page_of(client, logged).lower()
    with lifted():
        Attempt.objects.filter(insertion=logged).update(gauge=18)
    page = page_of(client, logged).lower()
    assert "this entry does not match what was signed" in page
    assert page.count("does not match what was signed") == 2  # the entry, and the statement on it
    answer = client.get(reverse("entry_correct", args=[logged.uuid]))
    assert answer.status_code == 302


@pytest.mark.std("A-12")
def test_a_correction_without_weight_is_a_new_version_with_its_differences(client, stage, logged):
    url = reverse("entry_correct", args=[logged.uuid])
    said = form_of(client, url)
    refused = client.post(url, {**said, "comment": "Cold hands"})
    assert "reason" in refused.context["form"].errors
    client.post(url, {**said, "comment": "Cold hands", "reason": "More to say"})
    page = page_of(client, logged)
    assert Insertion.objects.known().get(uuid=logged.uuid).version == 2
    for shown in ("amended, version 2", "More to say", "Cold hands", "Not given", "Version 1 in full"):
        assert shown in page


def test_a_correction_that_would_change_nothing_is_refused(client, stage, logged):
    url = reverse("entry_correct", args=[logged.uuid])
    answer = client.post(url, {**form_of(client, url), "reason": "No reason"})
    assert "Nothing would change." in answer.content.decode()
    assert Insertion.objects.filter(uuid=logged.uuid).count() == 1


def test_a_change_of_result_waits_and_can_be_taken_back(client, stage, logged):
    url = reverse("entry_correct", args=[logged.uuid])
    said = {**form_of(client, url), "result": "not_first", "a0-result": "failed", "reason": "It tissued at once"}
    answer = client.post(url, said, follow=True)
    assert "It waits for the named supervisor" in answer.content.decode()
    page = page_of(client, logged)
    assert "A change is proposed" in page
    assert "not working" in page
    assert Outcome.objects.get().success == 1
    client.post(reverse("proposal_take_back", args=[logged.uuid]))
    assert not Proposal.objects.known().exists()
    assert "A change is proposed" not in page_of(client, logged)


def test_the_hidden_identifier_of_the_form_does_not_decide_which_entry_is_corrected(client, stage, logged):
    other = record_insertion(actor=stage.owner.user, entry=stage.entry())
    url = reverse("entry_correct", args=[logged.uuid])
    client.post(url, {**form_of(client, url), "uuid": str(other.uuid), "comment": "Cold", "reason": "More to say"})
    assert Insertion.objects.known().get(uuid=logged.uuid).version == 2
    assert Insertion.objects.known().get(uuid=other.uuid).version == 1


@pytest.mark.std("A-13")
def test_a_withdrawn_entry_leaves_the_counts_and_stays_to_be_read_with_its_reason(client, stage, logged):
    client.post(reverse("entry_withdraw", args=[logged.uuid]), {"reason": "Logged twice"})
    proposal = Proposal.objects.known().get()
    decide(signer=confirmed(stage.supervisor, digest_of_proposal(proposal)), proposal=proposal, agree=True)
    assert (Outcome.objects.get().safety, Outcome.objects.get().volume) == (0, 0)
    page = page_of(client, logged)
    for shown in ("Withdrawn", "Logged twice", "Forearm, left, 20 G, pink"):
        assert shown in page
    assert "Correct it" not in page
    assert "Withdrawn" in client.get(reverse("entries")).content.decode()


def test_a_withdrawal_needs_a_reason(client, stage, logged):
    answer = client.post(reverse("entry_withdraw", args=[logged.uuid]), {"reason": ""})
    assert "reason" in answer.context["form"].errors
    assert not Proposal.objects.exists()


def test_an_entry_is_disputed_and_the_dispute_taken_back(client, stage, logged):
    url = reverse("entry_dispute", args=[logged.uuid])
    offered = [value for value, _ in client.get(url).context["form"].fields["about"].choices]
    assert offered == ["result", "who"]  # nobody has stated anything yet
    client.post(url, {"about": "result", "reason": "It ran before I left."})
    page = page_of(client, logged)
    assert "It ran before I left." in page
    assert "from <time" in page
    client.post(reverse("dispute_take_back", args=[logged.uuid]))
    assert not Dispute.objects.known().exists()


def test_a_supervisor_disputes_their_own_statement_alone(stage, logged):
    countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    answer = client_of(stage.supervisor).get(reverse("entry_dispute", args=[logged.uuid]))
    assert [value for value, _ in answer.context["form"].fields["about"].choices] == ["statement"]


def test_a_looking_auditor_is_recorded_and_the_writer_is_not(client, stage, logged):
    page_of(client, logged)
    assert not View.objects.exists()
    page_of(client_of(stage.cast.auditor), logged)
    seen = View.objects.get()
    assert (seen.user, seen.clinician, seen.page) == (stage.cast.auditor, stage.owner, "entry")


def test_each_sees_what_may_be_done_and_no_more(client, stage, logged):
    assert "Answer as the supervisor" not in page_of(client, logged)
    assert "Correct it" in page_of(client, logged)
    supervisors = page_of(client_of(stage.supervisor), logged)
    assert "Answer as the supervisor" in supervisors
    assert "Correct it" not in supervisors
    educators = page_of(client_of(stage.cast.educator), logged)
    assert "Accept on other evidence" in educators
    auditors = page_of(client_of(stage.cast.auditor), logged)
    assert "What you can do" not in auditors


def test_somebody_who_joined_the_occasion_is_counted(client, stage, logged):
    joined = replace(stage.entry(), clinician=stage.cast.colleague.uuid, occasion=logged.occasion)
    record_insertion(actor=stage.cast.colleague.user, entry=joined)
    assert "1 other entry in it" in page_of(client, logged)


def in_every_state(stage):
    """One entry in each state that a form can bring about: code -> insertion."""
    found = {}

    def log(code, **changes):
        found[code] = record_insertion(actor=stage.owner.user, entry=stage.entry(**changes))
        return found[code]

    log("awaiting")
    log("emergency", supervisor=None, nearness="", emergency=True)
    log("unsupervised", supervisor=None, nearness="")
    row = log("countersigned")
    countersign(signer=confirmed(stage.supervisor, row.digest), insertion=row, nearness="nearby")
    row = log("sent_back")
    send_back(signer=confirmed(stage.supervisor, row.digest), insertion=row, note="Check the gauge.")
    row = log("disputed")
    open_dispute(actor=stage.owner.user, insertion=row, about="result", reason="It ran.")
    row = log("change")
    propose_withdrawal(actor=stage.owner.user, insertion=row, reason="Logged twice")
    return found


def test_a_list_narrowed_by_state_shows_what_says_so(client, stage):
    found = in_every_state(stage)
    everything = Insertion.objects.known().select_related("supervisor")
    assert {state_of(each).code for each in with_state(everything)} == set(found)
    for code in WORDS:
        narrowed = with_state(in_state(everything, code))
        assert [state_of(each).code for each in narrowed] == ([code] if code in found else [])
    page = client.get(reverse("entries"), {"state": "sent_back"})
    assert [row.uuid for row in page.context["listing"].records] == [found["sent_back"].uuid]


def test_a_correction_after_the_signature_shows_which_version_was_signed(client, stage, logged):
    countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    changed = replace(said_in(logged), attempts=(replace(WORKED, gauge=18),))
    proposal = correct(actor=stage.owner.user, insertion=logged, entry=changed, reason="Wrong gauge")
    signer = confirmed(stage.supervisor, digest_of_proposal(proposal))
    decide(signer=signer, proposal=proposal, agree=True, nearness="in_room")
    page = page_of(client, logged)
    assert "of version 1" in page
    assert page.count("Meaning: countersigned: in the room and watched") == 2
    assert "does not match" not in page.lower()


def test_a_signature_of_who_could_not_supervise_is_shown_as_in_question(client, stage, logged):
    countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    assert "in question" not in page_of(client, logged)
    Award.objects.filter(clinician=stage.holder).update(known_until_id=an_act())
    outcomes.rebuild()
    assert "in question: who signed could not supervise there and then" in page_of(client, logged)


def test_an_export_holds_what_the_page_shows_and_is_an_act(client, stage, logged):
    record_insertion(actor=stage.cast.colleague.user, entry=replace(stage.entry(), clinician=stage.cast.colleague.uuid))
    answer = client.post(reverse("entries"), {"export": "csv"})
    rows = list(csv.DictReader(io.StringIO(b"".join(answer.streaming_content).decode("utf-8-sig"))))
    assert [row["Inserted by"] for row in rows] == [stage.owner.name]
    assert rows[0]["State"] == "Awaiting countersignature"


@pytest.mark.std("A-01")
def test_list_and_export_show_who_signed_when_and_with_what_meaning(client, stage, logged):
    countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    signed = "Su Pervisor, 2 March 2026, 13:30 Australia/Adelaide, countersigned: in the room and watched"
    assert signed in client.get(reverse("entries")).content.decode()
    answer = client.post(reverse("entries"), {"export": "csv"})
    rows = list(csv.DictReader(io.StringIO(b"".join(answer.streaming_content).decode("utf-8-sig"))))
    assert rows[0]["Signed by, when, meaning"] == signed


def test_the_list_and_the_page_ask_no_more_for_twenty_entries_than_for_one(client, stage, logged):
    educator = client_of(stage.cast.educator)

    def queries(url):
        with CaptureQueriesContext(connection) as seen:
            assert educator.get(url).status_code == 200
        return len(seen)

    urls = (reverse("entries"), reverse("entry", args=[logged.uuid]))
    for url in urls:
        queries(url)
    few = [queries(url) for url in urls]
    for _ in range(19):
        row = record_insertion(actor=stage.owner.user, entry=stage.entry(occasion=""))
        send_back(signer=confirmed(stage.supervisor, row.digest), insertion=row, note="Check the gauge.")
    row = logged
    for place in range(4):
        changed = replace(said_in(row), comment=f"Comment {'abcd'[place]}")
        row = correct(actor=stage.owner.user, insertion=row, entry=changed, reason="More to say")
    assert [queries(url) for url in urls] == few
