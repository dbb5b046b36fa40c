"""Observing by screen: begun, ticked part by part or as a page, checked, signed, read, replied to, rated twice."""

import json
from datetime import timedelta
from uuid import UUID, uuid4

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits import observing, second_raters
from audits.models import Observation, ObservationDispute, ObservationDraft, ObservationReply, SecondAsked
from ledger import clock
from ledger.guarding import lifted
from ledger.models import Act
from people.models import Clinician
from tests.audits.conftest import NOW
from tests.audits.observed import begun, make_watched, marks, rated_twice, signed, ticked
from tests.factories import SECRET, ChecklistFactory, PlacementFactory, ProcedureFactory, make_clinician

SAID = {"rating": "2", "given": "in_room", "recommended": "nearby", "met": "yes", "feedback": "Calm.", "next": ""}
NOBODY = "[]"


def client_of(user):
    """Signed in with e-mail and password, as a signature asks."""
    client = Client()
    client.post(reverse("sign_in"), {"username": user.email, "password": SECRET})
    return client


@pytest.fixture
def stage(db, now):
    return make_watched()


@pytest.fixture
def client(stage):
    return client_of(stage.assessor)


def text(answer):
    return " ".join(answer.content.decode().split())


def begins(stage, **changes):
    return {
        "uuid": str(uuid4()), "procedure": stage.procedure.pk, "unit": stage.ward.pk, "setting": "patient",
        "purpose": "decision", "day": "", "time": "", **changes,
    }  # fmt: skip


def begin_url(stage, clinician=None):
    return f"{reverse('observe_begin')}?clinician={(clinician or stage.learner).uuid}"


def step(key, mark="", reason="", note="", was=("", "", "")):
    """What the page sends of a step."""
    return {
        f"was-step-{key}": json.dumps(was), f"mark-{key}": mark, f"reason-{key}": reason, f"note-{key}": note,
    }  # fmt: skip


def said(name, value, was=""):
    return {f"was-said-{name}": json.dumps([was]), name: value}


def whole_page(**changes):
    """A page on which everything was ticked and said."""
    sent = {}
    for key, each in marks().items():
        sent |= step(key, each["mark"])
    for name, value in {**SAID, **changes}.items():
        sent |= said(name, value)
    return sent


def kept(row):
    return ObservationDraft.objects.get(observation=row).content


def url(name, row):
    return reverse(name, args=[row.uuid])


# --- beginning ---


def test_somebody_is_found_by_name_or_number_but_never_oneself_or_out_of_scope(client, stage):
    answer = client.get(reverse("observe_begin"), {"name": "Ana"})
    assert f"?clinician={stage.learner.uuid}" in text(answer)
    assert stage.learner.staff_number in text(
        client.get(reverse("observe_begin"), {"name": stage.learner.staff_number})
    )
    assert "Nobody in your hospital" in text(client.get(reverse("observe_begin"), {"name": "Out Sider"}))
    assert "Nobody in your hospital" in text(client.get(reverse("observe_begin"), {"name": "Asa Essor"}))
    own = Clinician.objects.get(user=stage.assessor)
    assert client.get(begin_url(stage, own)).status_code == 403
    assert client.get(begin_url(stage, stage.cast.outsider)).status_code == 404
    assert client.get(f"{reverse('observe_begin')}?clinician=nonsense").status_code == 404


def test_the_page_says_what_each_purpose_means_and_with_which_checklist(client, stage):
    shown = text(client.get(begin_url(stage)))
    assert "can&#x27;t be changed once you have begun" in shown
    assert "No verdict, and it counts towards no decision" in shown
    assert "4 steps, 2 of them critical" in shown


@pytest.mark.std("F-06")
def test_begun_once_however_often_it_is_sent(client, stage):
    sent = begins(stage)
    for _ in range(2):
        answer = client.post(begin_url(stage), sent)
        row = Observation.objects.get()
        assert answer["Location"] == url("observe", row)
    assert (row.uuid, row.purpose, row.setting, row.assessor) == (
        UUID(sent["uuid"]), "decision", "patient", stage.assessor,
    )  # fmt: skip
    # The Back button gives a page with another identifier: what has no tick yet is gone on with.
    answer = client.post(begin_url(stage), begins(stage), follow=True)
    assert "You began this before" in text(answer)
    assert Observation.objects.count() == 1
    # The same with something else in it is said, not stored.
    assert "with other answers" in text(client.post(begin_url(stage), {**sent, "purpose": "learning"}))
    # Once it is ticked, another is another.
    client.post(url("observe_save", row), step("hands", "met"))
    client.post(begin_url(stage), begins(stage))
    assert Observation.objects.count() == 2
    assert text(client.get(begin_url(stage))).count("Go on: ") == 2


def test_a_time_before_is_kept_and_one_to_come_or_long_ago_is_refused(client, stage):
    def errors(**when):
        answer = client.post(begin_url(stage), begins(stage, **when))
        return answer.context["form"].errors if answer.status_code == 200 else {}

    assert "time" in errors(day="2 March 2026")
    assert "day" in errors(time="12:00")
    assert errors(day="2 March 2026", time="23:00")["day"] == ["This time lies in the future."]
    assert "within" in errors(day="2 January 2026", time="12:00")["day"][0]
    assert "day" in errors(day="the other day", time="12:00")
    assert not Observation.objects.exists()
    assert errors(day="1 March 2026", time="12:00") == {}
    assert f"{Observation.objects.get().observed_on}" == "2026-03-01"


def test_nothing_chosen_is_told_beside_each_question(client, stage):
    answer = client.post(begin_url(stage), {"uuid": str(uuid4())})
    assert {"procedure", "unit", "setting", "purpose"} <= set(answer.context["form"].errors)
    assert not Observation.objects.exists()


def test_who_may_not_observe_for_a_decision_reads_why_and_is_refused(stage):
    client = client_of(stage.cast.supervisor)
    shown = text(client.get(begin_url(stage)))
    assert "For a decision: not open to you here. No appointment as assessor here on 2 March 2026." in shown
    assert 'value="decision"' not in shown
    assert 'value="learning"' in shown
    answer = client.post(begin_url(stage), begins(stage))
    assert answer.context["form"].errors["purpose"] == ["No appointment as assessor here on 2 March 2026."]
    assert not Observation.objects.exists()


def test_without_an_approved_checklist_there_is_nothing_to_begin_with(client, stage):
    procedure = ProcedureFactory(code="neonate-landmark", name="Neonate", band="neonate")
    ChecklistFactory(procedure=procedure, unit=stage.ward, approved_id=None)
    answer = client.get(f"{begin_url(stage)}&procedure={procedure.pk}")
    assert "No checklist is approved here yet" in text(answer)
    assert 'name="purpose"' not in text(answer)
    answer = client.post(begin_url(stage), begins(stage, procedure=procedure.pk))
    assert "No checklist" in str(answer.context["form"].errors)


def test_another_unit_is_looked_at_without_judging_the_rest(client, stage):
    answer = client.post(begin_url(stage), {"look": "opening", "unit": stage.ward.pk, "procedure": stage.procedure.pk})
    assert not answer.context["form"].errors
    assert answer.context["opening"].is_any
    answer = client.post(begin_url(stage), {"look": "opening", "unit": "", "procedure": stage.procedure.pk})
    assert answer.context["opening"] is None


# --- ticking ---


@pytest.mark.std("F-12")
def test_the_page_says_how_far_it_is_what_is_next_and_whom_to_ask(client, stage):
    row = begun(stage)
    client.post(url("observe_save", row), step("hands", "met"))
    shown = text(client.get(url("observe", row)))
    assert "1 of 4 marked" in shown
    assert 'aria-labelledby="marked-words" max="4" value="1"' in shown
    assert 'Next: <a href="#step-hair">Clips hair</a>' in shown
    assert reverse("help") in shown
    assert shown.count('class="critical"') == 2
    assert "Flushes with 5 mL or more" in shown


def test_a_tick_is_saved_by_itself_and_answered_with_how_far_it_is(client, stage):
    row = begun(stage)
    answer = client.post(
        url("observe_save", row), step("hands", "prompted", note="Asked twice."), HTTP_HX_REQUEST="true"
    )
    assert kept(row)["marks"] == {"hands": {"mark": "prompted", "reason": "", "note": "Asked twice."}}
    assert "Saved 13:30" in text(answer)
    assert "1 of 4 marked" in text(answer)
    assert "it can only be ‘not yet’: ‘Cleans hands’ was met only after a prompt" in text(answer)
    assert "html" not in text(answer)[:20]
    client.post(url("observe_save", row), step("hands", "", was=("prompted", "", "Asked twice.")))
    assert kept(row)["marks"] == {}
    client.post(url("observe_save", row), said("rating", "3"))
    client.post(url("observe_save", row), said("met", "no"))
    assert (kept(row)["rating"], kept(row)["met"]) == (3, False)


def test_the_page_says_when_it_was_saved_last(client, stage):
    row = begun(stage)
    assert "Nothing ticked yet" in text(client.get(url("observe", row)))
    client.post(url("observe_save", row), step("hands", "met"))
    with clock.at(NOW + timedelta(minutes=20)):
        assert "Saved 13:30" in text(client.get(url("observe", row)))
    with clock.at(NOW + timedelta(hours=12)):
        assert "Saved 2 March 2026, 13:30" in text(client_of(stage.assessor).get(url("observe", row)))


def test_a_patient_in_a_note_is_refused_and_everything_else_on_the_page_is_kept(client, stage):
    row = begun(stage)
    who = "MRN 1234567 was anxious"
    answer = client.post(url("observe_save", row), step("hands", "met", note=who), HTTP_HX_REQUEST="true")
    assert "Not saved:" in text(answer)
    assert kept(row)["marks"] == {}
    sent = {**whole_page(), **step("hands", "met", note=who), "do": "check"}
    answer = client.post(url("observe", row), sent)
    assert answer.context["faulty"][0].errors.keys() == {"note-hands"}
    assert 'href="#id_note-hands"' in text(answer)
    assert who in text(answer)
    assert set(kept(row)["marks"]) == {"hair", "sharps", "flush"}
    assert kept(row)["feedback"] == "Calm."


def test_two_devices_lose_nothing_and_what_both_changed_is_told(client, stage):
    row = begun(stage)
    tablet, phone = client, client_of(stage.assessor)
    page = whole_page()  # rendered on the tablet while nothing was marked
    phone.post(url("observe_save", row), step("hands", "not_met"))
    page.update(step("hair", ""))
    phone.post(url("observe_save", row), step("hair", "did_not_arise"))
    answer = tablet.post(url("observe", row), page)
    found = kept(row)["marks"]
    assert found["hands"]["mark"] == "not_met"  # both changed it: what came first stands until it is chosen again
    assert found["hair"]["mark"] == "did_not_arise"  # only the phone did
    assert found["flush"]["mark"] == "met"  # only the tablet did
    assert answer.context["faulty"][0].errors["mark-hands"] == [
        "Another device said ‘Not met’ meanwhile, this one ‘Met’. ‘Not met’ stands: change it here if that is wrong."
    ]
    # The page came back with what stands; now the choice is a knowing one.
    tablet.post(url("observe_save", row), step("hands", "met", was=("not_met", "", "")))
    assert kept(row)["marks"]["hands"]["mark"] == "met"


def test_a_stale_tick_sent_by_itself_brings_back_what_stands(client, stage):
    row = begun(stage)
    client.post(url("observe_save", row), step("hands", "not_met"))
    answer = client.post(url("observe_save", row), step("hands", "met"), HTTP_HX_REQUEST="true")
    assert kept(row)["marks"]["hands"]["mark"] == "not_met"
    assert "Not saved: Another device said ‘Not met’" in text(answer)
    assert 'id="in-step-hands" hx-swap-oob="true"' in text(answer)
    # Arriving twice, because the first answer was lost, is no quarrel.
    answer = client.post(url("observe_save", row), step("hands", "not_met"), HTTP_HX_REQUEST="true")
    assert "Saved 13:30" in text(answer)


def test_what_no_page_sends_is_refused_whole(client, stage):
    row = begun(stage)
    for sent in (step("hands", "splendid"), said("rating", "9"), said("given", "telepathy"), said("met", "perhaps")):
        assert client.post(url("observe_save", row), sent).status_code == 400
    client.post(url("observe_save", row), {**step("nothing", "met"), "verdict": "met", "signed": "1"})
    client.post(url("observe_save", row), {**step("hands", "met"), "was-step-hands": "{nonsense"})
    assert kept(row)["marks"] == {"hands": {"mark": "met", "reason": "", "note": ""}}
    row.refresh_from_db()
    assert (row.verdict, row.signed_id) == ("", None)


def test_practice_that_stopped_at_a_missed_vein_marks_the_rest_as_not_reached(client, stage):
    row = begun(stage)
    sent = {**step("hands", "met"), **step("hair", "did_not_arise"), **step("sharps", "met")}
    answer = client.post(url("observe", row), {**sent, "do": "stop_rest"})
    assert answer["Location"] == f"{url('observe', row)}#stopped"
    assert {key: each["mark"] for key, each in kept(row)["marks"].items()} == {
        "hands": "met", "hair": "did_not_arise", "sharps": "met", "flush": "not_reached",
    }  # fmt: skip
    assert kept(row)["stopped"]
    shown = text(client.get(url("observe", row)))
    assert "it can be ‘met as far as it went’ at most" in shown
    assert "stands for prepare" in shown
    client.post(url("observe", row), {"do": "go_on"})
    assert not kept(row)["stopped"]
    client.post(url("observe", row), {"do": "stop"})
    assert kept(row)["stopped"]


def test_the_page_works_as_a_plain_form_and_comes_back(client, stage):
    row = begun(stage)
    answer = client.post(url("observe", row), {**whole_page(), "do": ""}, follow=True)
    assert "Saved." in text(answer)
    assert "4 of 4 marked" in text(answer)
    answer = client.post(url("observe", row), {**whole_page(), "do": "check"})
    assert answer["Location"] == url("observe_check", row)


def test_nobody_else_sees_or_changes_what_is_not_signed(client, stage):
    row = begun(stage)
    for user in (stage.other, stage.cast.educator, stage.learner.user, stage.cast.supervisor):
        other = client_of(user)
        for name in ("observe", "observe_check", "observe_drop", "observation"):
            assert other.get(url(name, row)).status_code == 404, name
        assert other.post(url("observe_save", row), step("hands", "met")).status_code == 404
    assert kept(row)["marks"] == {}


def test_one_that_is_given_up_says_so_and_takes_no_more(client, stage):
    row = begun(stage)
    assert "reason" in client.post(url("observe_drop", row), {"reason": ""}).context["form"].errors
    answer = client.post(url("observe_drop", row), {"reason": "The patient changed their mind."}, follow=True)
    assert "Given up." in text(answer)
    for name in ("observe", "observe_check", "observe_drop", "observation"):
        assert "was given up" in text(client.get(url(name, row), follow=True))
    client.post(url("observe_save", row), step("hands", "met"))
    assert not ObservationDraft.objects.exists()
    assert Act.objects.filter(kind="observation.dropped", subject=row.uuid).count() == 1


# --- checking and signing ---


@pytest.mark.std("C-04")
@pytest.mark.std("F-05")
def test_everything_is_checked_before_it_is_signed_with_a_way_to_change_each(client, stage):
    row = ticked(begun(stage), hair="did_not_arise", said={"next": ""})
    shown = text(client.get(url("observe_check", row)))
    back = f"{url('observe', row)}?back=1#"
    for at in ("step-hands", "step-flush", "said-rating", "said-given", "said-feedback", "stopped"):
        assert f'{back}{at}">Change<span class="unseen"> ' in shown
    assert "What comes next</dt><dd>Not provided</dd>" in shown
    assert "Met: every critical step was met without a prompt." in shown
    assert "Did not arise" in shown
    assert "Back to the check" in text(client.get(f"{url('observe', row)}?back=1"))
    answer = client.post(url("observe", row), {**said("next", "Poor veins"), "do": "check"}, follow=True)
    assert "What comes next</dt><dd>Poor veins</dd>" in text(answer)
    assert not Observation.objects.filter(signed__isnull=False).exists()


def test_what_is_missing_is_listed_with_the_way_there_and_nothing_can_be_signed(client, stage):
    row = begun(stage)
    client.post(url("observe_save", row), step("hands", "not_applicable"))
    answer = client.get(url("observe_check", row))
    assert "Not ready to sign: 8 to mark or say" in text(answer)
    assert 'name="secret"' not in text(answer)
    assert "#step-hands" in text(answer)
    seals = answer.context["form"].initial["shown"]
    answer = client.post(url("observe_check", row), {"shown": seals, "secret": SECRET})
    assert "Give your overall impression." in text(answer)
    assert not Observation.objects.filter(signed__isnull=False).exists()


@pytest.mark.std("A-04")
@pytest.mark.std("A-01")
def test_it_is_signed_with_the_password_and_shows_name_meaning_and_moment(client, stage):
    row = ticked(begun(stage))
    seals = client.get(url("observe_check", row)).context["form"].initial["shown"]
    for secret in ("", "not it"):
        answer = client.post(url("observe_check", row), {"shown": seals, "secret": secret})
        assert "secret" in answer.context["form"].errors
    answer = client.post(url("observe_check", row), {"shown": seals, "secret": SECRET}, follow=True)
    assert "Signed." in text(answer)
    row.refresh_from_db()
    assert (row.verdict, row.printed_name) == ("met", "Asa Essor")
    shown = text(answer)
    assert "Meaning: observed for a decision, as shown" in shown
    assert "2 March 2026, 13:30</time> Australia/Adelaide" in shown
    assert "Appointed as assessor" in shown
    assert "Held the procedure by an award from 1 January 2025" in shown
    assert f'data-done="observe-{row.uuid}"' in shown


@pytest.mark.std("F-06")
def test_back_and_a_second_signature_change_nothing_and_say_so(client, stage):
    row = ticked(begun(stage))
    seals = client.get(url("observe_check", row)).context["form"].initial["shown"]
    sent = {"shown": seals, "secret": SECRET}
    client.post(url("observe_check", row), sent)
    for answer in (
        client.post(url("observe_check", row), sent, follow=True),
        client.get(url("observe_check", row), follow=True),
        client.get(url("observe", row), follow=True),
        client.post(url("observe", row), whole_page(), follow=True),
        client.get(url("observe_drop", row), follow=True),
    ):
        assert "This observation is signed." in text(answer)
    assert client.post(url("observe_save", row), step("hands", "met"), HTTP_HX_REQUEST="true")["HX-Redirect"]
    assert Act.objects.filter(kind="observation.signed").count() == 1


@pytest.mark.std("A-03")
def test_what_changed_since_it_was_shown_is_not_signed(client, stage):
    row = ticked(begun(stage))
    seals = client.get(url("observe_check", row)).context["form"].initial["shown"]
    sent = {"shown": seals, "secret": SECRET}
    client_of(stage.assessor).post(url("observe_save", row), step("hair", "did_not_arise", was=("met", "", "")))
    assert "has changed since" in text(client.post(url("observe_check", row), sent))
    client_of(stage.assessor).post(url("observe_save", row), step("hands", "not_met", was=("met", "", "")))
    assert "Not ready to sign: 1 to mark or say" in text(client.post(url("observe_check", row), sent))
    assert not Observation.objects.filter(signed__isnull=False).exists()


def test_a_critical_step_missed_can_only_be_not_yet_and_the_page_says_why(client, stage):
    row = ticked(begun(stage), sharps="prompted")
    why = "‘Puts the needle straight into the container’ was met only after a prompt, and it is a critical step."
    assert f"it can only be ‘not yet’: {why}" in text(client.get(url("observe", row)))
    assert "can only be &#x27;not yet&#x27;" in text(client.get(url("observe_check", row)))
    client.post(url("observe_save", row), said("met", "no", was="yes"))
    assert f"Not yet: {why}" in text(client.get(url("observe_check", row)))


def test_for_learning_there_is_no_verdict(client, stage):
    row = begun(stage, purpose="learning")
    shown = text(client.get(url("observe", row)))
    assert 'name="met"' not in shown
    assert "For learning: there is no verdict" in shown
    ticked(row, sharps="not_met")
    assert "For learning: there is no verdict" in text(client.get(url("observe_check", row)))


# --- reading it ---


def test_the_learner_reads_the_feedback_first_and_says_that_they_read_it(stage):
    row = signed(stage, said={"met": False}, sharps="not_met")
    learner = client_of(stage.learner.user)
    shown = text(learner.get(url("observation", row)))
    places = [
        shown.index(words)
        for words in ("Calm, well prepared.", "What it comes to", "Steps to work on", "All the steps")
    ]
    assert places == sorted(places)
    assert "3 of 4 met, 1 not met. A count, not a score." in shown
    assert f'href="{url("observation", row)}"' in text(learner.get(reverse("today")))
    answer = learner.post(url("observation_answer", row), {"text": ""}, follow=True)
    assert "Read and talked over" in text(answer)
    assert "text" in learner.post(url("observation_answer", row), {"text": ""}).context["form"].errors
    learner.post(url("observation_answer", row), {"text": "I will practise that."})
    client_of(stage.assessor).post(url("observation_answer", row), {"text": "Good."})
    assert [each.kind for each in ObservationReply.objects.order_by("pk")] == ["acknowledged", "reply", "reply"]
    assert f'href="{url("observation", row)}"' not in text(learner.get(reverse("today")))


def test_a_patient_in_a_reply_is_refused_beside_the_field(stage):
    row = signed(stage)
    answer = client_of(stage.learner.user).post(url("observation_answer", row), {"text": "It was MRN 1234567"})
    assert "text" in answer.context["form"].errors
    assert "MRN 1234567" in text(answer)
    assert not ObservationReply.objects.exists()


def test_a_dispute_is_opened_seen_and_taken_back(stage):
    row = signed(stage)
    learner, educator = client_of(stage.learner.user), client_of(stage.cast.educator)
    assert "reason" in learner.post(url("observation_dispute", row), {"reason": " "}).context["form"].errors
    learner.post(url("observation_dispute", row), {"reason": "It was my second try."})
    assert "It was my second try." in text(educator.get(url("observation", row)))
    assert "Disputed" in text(educator.get(reverse("today")))
    assert "is disputed already" in text(educator.get(url("observation_dispute", row), follow=True))
    assert educator.post(url("observation_dispute_take_back", row)).status_code == 403
    answer = learner.post(url("observation_dispute_take_back", row), follow=True)
    assert "Taken back." in text(answer)
    assert "not disputed any more" in text(learner.post(url("observation_dispute_take_back", row), follow=True))
    assert not ObservationDispute.objects.known().exists()


@pytest.mark.std("A-03")
def test_one_that_was_altered_outside_says_that_it_is_not_what_was_signed(client, stage):
    row = signed(stage)
    assert "does not match" not in text(client.get(url("observation", row)))
    for content in (row.content.replace("Calm", "Cold"), "nothing to read"):
        with lifted():
            Observation.objects.filter(pk=row.pk).update(content=content)
        assert "This observation does not match what was signed." in text(client.get(url("observation", row)))


def test_each_person_sees_what_the_table_says(stage):
    row = signed(stage)
    expected = {"owner": 200, "colleague": 404, "outsider": 404, "supervisor": 404, "educator": 200, "manager": 404,
                "auditor": 200, "administrator": 404}  # fmt: skip
    for who, status in expected.items():
        client = client_of(stage.cast.users()[who])
        assert client.get(url("observation", row)).status_code == status, who
    auditor = client_of(stage.cast.auditor)
    assert "Reply" not in text(auditor.get(url("observation", row)))
    assert auditor.get(url("observation_answer", row)).status_code == 403


# --- second ratings ---


def test_somebody_is_asked_scores_without_seeing_and_both_then_stand_side_by_side(client, stage):
    first = signed(stage, sharps="prompted", said={"met": False})
    assert "Otto Ther" in text(client.get(url("second_ask", first)))
    assert "whom" in client.post(url("second_ask", first), {"whom": ""}).context["form"].errors
    client.post(url("second_ask", first), {"whom": str(stage.other.uuid)})
    other = client_of(stage.other)
    assert "You are asked to score too" in text(other.get(reverse("today")))
    assert other.get(url("observation", first)).status_code == 404
    answer = other.post(url("second_begin", first))
    second = Observation.objects.get(second_of=first)
    assert answer["Location"] == url("observe", second)
    assert other.post(url("second_begin", first))["Location"] == url("observe", second)
    assert "without seeing their marks" in text(other.get(url("observe", second)))
    ticked(second)
    seals = other.get(url("observe_check", second)).context["form"].initial["shown"]
    other.post(url("observe_check", second), {"shown": seals, "secret": SECRET})
    for reader in (client, other, client_of(stage.cast.educator)):
        shown = text(reader.get(url("observation", first)))
        assert "3 of 4 steps were marked the same." in shown
        assert "Second rating, by Otto Ther" in shown
    learner = client_of(stage.learner.user)
    assert "Otto" not in text(learner.get(url("observation", first)))
    assert learner.get(url("observation", second)).status_code == 404
    assert client.get(url("observation", second)).status_code == 200


def test_who_did_not_watch_declines_and_is_not_asked_any_more(client, stage):
    first = signed(stage)
    second_raters.ask(actor=stage.assessor, observation=first, whom=stage.other)
    other = client_of(stage.other)
    assert "can&#x27;t score it" in text(other.post(url("second_decline", first), follow=True))
    assert "You are asked" not in text(other.get(reverse("today")))
    assert SecondAsked.objects.get().declined
    assert other.post(url("second_begin", first)).status_code == 404
    assert other.post(url("second_decline", first)).status_code == 404
    assert client.get(url("second_begin", first)).status_code == 405


# --- lists, Today, a person's page ---


def test_the_list_has_open_ones_first_is_narrowed_and_taken_away(client, stage):
    old = begun(stage)
    done = signed(stage, begin={"setting": "simulation"})
    rows = [line.uuid for line in client.get(reverse("observations")).context["listing"].records]
    assert rows == [old.uuid, done.uuid]

    def narrowed(**query):
        return [each.uuid for each in client.get(reverse("observations"), query).context["listing"].records]

    assert narrowed(state="open") == [old.uuid]
    assert narrowed(state="unread") == narrowed(setting="simulation") == narrowed(verdict="met") == [done.uuid]
    assert narrowed(state="read") == narrowed(state="disputed") == narrowed(purpose="learning") == []
    assert narrowed(name="Ana", procedure=stage.procedure.pk) == [old.uuid, done.uuid]
    answer = client.post(reverse("observations"), {"export": "csv"})
    taken = b"".join(answer.streaming_content).decode()
    assert "Asa Essor, 2 March 2026, 13:30 Australia/Adelaide, observed, as shown" in taken
    assert Act.objects.filter(kind="export.made").count() == 1


def test_today_leads_on_to_what_is_not_signed(client, stage):
    row = begun(stage)
    assert f'href="{url("observe", row)}">Go on with Ana Owner' in text(client.get(reverse("today")))
    assert "Go on with" not in text(client_of(stage.other).get(reverse("today")))


def test_a_persons_page_counts_each_setting_by_itself_and_offers_to_observe(client, stage):
    signed(stage)
    signed(stage, begin={"setting": "simulation"}, sharps="not_met", said={"met": False})
    signed(stage, begin={"purpose": "learning"})
    shown = text(client.get(reverse("person", args=[stage.learner.uuid])))
    assert "1 for a decision: 1 met; 1 for learning." in shown
    assert "1 for a decision: 1 not yet." in shown
    assert f"{reverse('observe_begin')}?clinician={stage.learner.uuid}" in shown
    own = text(client_of(stage.learner.user).get(reverse("person", args=[stage.learner.uuid])))
    assert "1 for a decision: 1 met; 1 for learning." in own
    assert reverse("observe_begin") not in own
    assert "for a decision" not in text(
        client_of(stage.cast.colleague.user).get(reverse("person", args=[stage.learner.uuid]))
    )


@pytest.mark.parametrize("page", ["observations", "today", "person", "observe_begin"])
def test_pages_ask_no_more_for_twenty_observations_than_for_two(client, stage, page):
    where = {
        "observations": reverse("observations"),
        "today": reverse("today"),
        "person": reverse("person", args=[stage.learner.uuid]),
        "observe_begin": begin_url(stage),
    }[page]

    def add(count):
        for _ in range(count):
            begun(stage)
            signed(stage)
        PlacementFactory(clinician=make_clinician(stage.ward, f"Another {count}"), unit=stage.ward, home=False)

    def queries():
        with CaptureQueriesContext(
            connection,
        ) as asked:
            assert client.get(where).status_code == 200
        return len(asked)

    add(2)
    client.get(where)
    few = queries()
    add(10)
    assert queries() == few


def test_one_observation_costs_the_same_however_often_it_was_answered(client, stage):
    row = signed(stage)

    def queries():
        with CaptureQueriesContext(connection) as asked:
            client.get(url("observation", row))
        return len(asked)

    client.get(url("observation", row))
    few = queries()
    for n in range(5):
        client.post(url("observation_answer", row), {"text": f"Reply {n}"})
    rated_twice(stage, row)
    client.get(url("observation", row))  # reads the message
    assert queries() == few


def test_a_step_more_costs_no_query_on_the_page_of_ticks(client, stage):
    row = begun(stage)
    client.get(url("observe", row))
    with CaptureQueriesContext(connection) as few:
        client.get(url("observe", row))
    client.post(url("observe", row), whole_page())
    client.get(url("observe", row))  # reads the message
    with CaptureQueriesContext(connection) as many:
        client.get(url("observe", row))
    assert len(many) == len(few)


def test_the_authority_is_that_of_the_day_even_if_it_ended_since(client, stage):
    row = ticked(begun(stage))
    for each in stage.assessor.appointments.all():
        with lifted():
            type(each).objects.filter(pk=each.pk).update(until_day=row.observed_on + timedelta(days=1))
    seals = client.get(url("observe_check", row)).context["form"].initial["shown"]
    client.post(url("observe_check", row), {"shown": seals, "secret": SECRET})
    assert observing.check(Observation.objects.get(pk=row.pk)).verdict == "met"
    assert Observation.objects.get(pk=row.pk).signed_id
