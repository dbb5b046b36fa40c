"""Screens of answers and decisions: who can, reviews, rules."""

import re
from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits.models import Award, ScopeByRole
from credentials import review as reviewing
from credentials.models import Flag, Founding, Rules
from credentials.proposing import propose
from credentials.rules.ruleset import default_content
from credentials.rules.terms import Terms
from credentials.standings import read
from ledger.canonical import canonical
from ledger.models import Act
from people.models import Clinician, View
from tests.audits.conftest import give_award
from tests.credentials.conftest import TODAY
from tests.factories import SECRET, FlagFactory, FoundingFactory, ScopeFactory, make_cast, make_clinician

FIRST = datetime(2026, 1, 12, 10, 0)  # noqa: DTZ001 - the unit's own time


def signed_in(client, user):
    client.force_login(user)
    return client


@pytest.fixture
def flag(stage):
    stage.ready_to_learn(FIRST.date())
    stage.log(FIRST, events=("needlestick",), signed=False)
    reviewing.review_today()
    return Flag.objects.get()


def as_shown(shown):
    """The values of a form of rules as the page shows them."""
    return {
        part.add_prefix(name): value
        for part, _ in shown.context["parts"]
        for name, value in part.initial.items()
        if name in part.fields and value is not False
    }


def test_the_list_of_a_unit_costs_the_same_queries_for_one_and_twenty(client, stage):
    signed_in(client, stage.cast.colleague.user).get(reverse("who_can"))
    with CaptureQueriesContext(connection) as few:
        client.get(reverse("who_can"))
    for place in range(20):
        make_clinician(stage.ward, f"Number {place}")
    with CaptureQueriesContext(connection) as many:
        client.get(reverse("who_can"))
    assert len(many) == len(few)


def test_a_review_is_closed_on_its_page_with_a_reason_and_a_secret(client, stage, flag):
    page = reverse("review", args=[flag.uuid])
    shown = signed_in(client, stage.educator).get(page)
    seals = shown.context["form"].initial["shown"]
    body = {
        "outcome": "talked",
        "reason": "Safety needle not activated; shown again.",
        "secret": SECRET,
        "shown": seals,
    }
    wrong = client.post(page, {**body, "secret": "not this one at all", "email": stage.educator.email})
    assert wrong.status_code == 200
    assert "That is not your password" in wrong.content.decode()
    done = client.post(page, {**body, "email": stage.educator.email})
    assert done.status_code == 302
    flag.refresh_from_db()
    assert (flag.outcome, flag.closed_by) == ("talked", stage.educator)


def test_the_person_reads_and_replies_but_does_not_close(client, stage, flag):
    page = reverse("review", args=[flag.uuid])
    text = signed_in(client, stage.learner.user).get(page).content.decode()
    assert "Close the question" not in text
    assert client.post(page, {"outcome": "talked"}).status_code == 403
    assert (
        client.post(reverse("review_reply", args=[flag.uuid]), {"text": "The tray was out of reach."}).status_code
        == 302
    )
    assert "The tray was out of reach." in client.get(page).content.decode()


@pytest.mark.parametrize(("who", "status"), [("colleague", 403), ("outsider", 404), ("manager", 403), ("auditor", 200)])
def test_who_may_open_a_review(client, stage, flag, who, status):
    user = getattr(stage.cast, who)
    assert signed_in(client, getattr(user, "user", user)).get(reverse("review", args=[flag.uuid])).status_code == status


def test_a_version_is_proposed_on_the_form_and_approved_by_another(client, stage):
    unit, procedure = stage.cast.wards.department.pk, stage.procedure.pk
    page = reverse("document_propose", args=["rules", unit, procedure])
    shown = signed_in(client, stage.educator).get(page)
    assert shown.status_code == 200
    body = {"name": "Stricter", "effective_on": "2 March 2026", "note": "Five became four."}
    body |= as_shown(shown)
    body["repeated_failure-failures"] = 4
    made = client.post(page, body)
    assert made.status_code == 302, made.content.decode()
    row = Rules.objects.get(name="Stricter")
    assert '"failures":4' in row.content
    one = reverse("document", args=["rules", row.uuid])
    assert client.get(one).context["form"] is None
    approving = signed_in(client, stage.second).get(one)
    seals = approving.context["form"].initial["shown"]
    done = client.post(one, {"secret": SECRET, "email": stage.second.email, "shown": seals})
    assert done.status_code == 302
    row.refresh_from_db()
    assert row.approved_by == stage.second


def test_a_refused_value_is_said_beside_its_field(client, stage):
    unit, procedure = stage.cast.wards.department.pk, stage.procedure.pk
    page = reverse("document_propose", args=["rules", unit, procedure])
    shown = signed_in(client, stage.educator).get(page)
    body = {"name": "Odd", "effective_on": "2 March 2026"}
    body |= as_shown(shown)
    body["first_attempt_rate-compare"] = "rate"
    text = client.post(page, body).content.decode()
    assert "would flag 37% of clinicians who are exactly on target" in text


def test_the_rules_page_lists_what_is_in_force_and_what_waits(client, stage):
    propose(
        Rules,
        actor=stage.educator,
        unit=stage.cast.wards.department,
        procedure=stage.procedure,
        name="Waiting one",
        content=default_content(),
        effective_on=TODAY + timedelta(days=3),
    )
    text = signed_in(client, stage.learner.user).get(reverse("rules")).content.decode()
    assert "Waiting one, version 2" in text
    assert "Waits for a second person" in text


# --- decisions about a person ---


def signing(client, url, **body):
    """Post this form signed with what it shows, as its user would."""
    form = client.get(url).context["form"]
    return {"shown": form.initial["shown"], "secret": SECRET, "email": form.request.user.email, **body}


def errors_of(answer, name="form"):
    assert answer.status_code == 200, answer
    return dict(answer.context[name].errors)


@pytest.fixture
def educator(client, stage):
    return signed_in(client, stage.educator)


def test_somebody_is_enrolled_from_a_day_and_only_once(educator, stage):
    page = reverse("enrol", args=[stage.learner.uuid])
    body = {"procedure": stage.procedure.pk, "from_day": "2 March 2026"}
    assert educator.post(page, {**body, "from_day": "soon"}).context["form"].errors["from_day"]
    done = educator.post(page, body)
    assert done.headers["Location"] == reverse("person", args=[stage.learner.uuid])
    assert read(*stage.pair).home.status.value == "in_training"
    assert "is enrolled for" in errors_of(educator.post(page, body))["procedure"][0]


def test_an_enrolment_ends_on_its_last_day_with_a_reason(educator, stage):
    stage.ready_to_learn(FIRST.date())
    page = reverse("enrolment_end", args=[stage.learner.uuid, stage.procedure.pk])
    assert set(errors_of(educator.post(page, {"reason": " "}))) == {"until_day", "reason"}
    told = errors_of(educator.post(page, {"until_day": "1 March 2026", "reason": "MRN 4455667 was hers"}))
    assert "reason" in told
    assert educator.post(page, {"until_day": "1 March 2026", "reason": "Works elsewhere now"}).status_code == 302
    assert read(*stage.pair).home.status.value == "not_enrolled"
    assert educator.get(page).status_code == 404


def test_what_was_done_is_noted_with_who_saw_the_proof(educator, stage):
    page = reverse("completion", args=[stage.learner.uuid])
    body = {
        "procedure": stage.procedure.pk, "kind": "knowledge", "on": "1 March 2026", "verified_by": "Ed Ucator",
        "passed": "yes",
    }  # fmt: skip
    assert "future" in errors_of(educator.post(page, {**body, "on": "1 March 2027"}))["on"][0]
    assert educator.post(page, body).status_code == 302
    assert stage.learner.completions.get().valid_until is None


def test_an_award_is_checked_and_then_signed(educator, stage):
    stage.ready_to_learn(FIRST.date())
    page = reverse("award", args=[stage.learner.uuid, stage.procedure.pk])
    assert "nothing to sign" in educator.get(page).content.decode()
    stage.ten_insertions(FIRST)
    stage.log(FIRST.replace(month=2), signed=False)
    shown = educator.get(page).content.decode()
    assert "1 insertion without a signature" in shown
    body = signing(educator, page, scope_unit=stage.cast.wards.department.pk)
    assert "scope_unit" in errors_of(educator.post(page, {**body, "scope_unit": ""}))
    assert "secret" in errors_of(educator.post(page, {**body, "secret": "another one"}))
    assert educator.post(page, body).status_code == 302
    assert read(*stage.pair).home.status.value == "provisional"
    assert educator.get(page).status_code == 404


def test_what_has_changed_since_it_was_shown_is_not_signed(educator, stage):
    stage.ready_to_learn(FIRST.date())
    stage.ten_insertions(FIRST)
    page = reverse("award", args=[stage.learner.uuid, stage.procedure.pk])
    body = signing(educator, page, scope_unit=stage.cast.wards.department.pk)
    stage.log(FIRST.replace(month=2), signed=False)
    told = educator.post(page, body)
    assert "has changed since" in str(told.context["form"].non_field_errors())
    assert not Award.objects.filter(clinician=stage.learner).exists()
    fresh = re.findall(r'name="shown" value="([^"]+)"', told.content.decode())
    assert educator.post(page, {**body, "shown": fresh}).status_code == 302


def test_an_award_in_its_notice_is_renewed(educator, stage):
    stage.ready_to_learn(FIRST.date())
    holder = stage.learner
    give_award(
        holder,
        stage.procedure,
        stage.cast.wards.department,
        terms=canonical(replace(Terms(), renewal_insertions=1).to_content()),
        anchor=date(2024, 4, 1),
        from_day=date(2024, 4, 1),
        expires_on=date(2026, 4, 1),
    )
    page = reverse("renew", args=[holder.uuid, stage.procedure.pk])
    assert "nothing to sign" in educator.get(page).content.decode()
    stage.log(FIRST, signed=False)
    assert educator.post(page, signing(educator, page)).status_code == 302
    latest = Award.objects.known().filter(clinician=holder, until_day=None).get()
    assert (latest.kind, latest.expires_on) == ("renewal", date(2028, 4, 1))


def test_a_founding_award_is_entered_by_one_and_confirmed_by_another(client, stage):
    signed_in(client, stage.cast.manager)
    page = reverse("founding_enter", args=[stage.learner.uuid])
    body = {
        "procedure": stage.procedure.pk,
        "awarded_on": "1 June 2025",
        "evidence_kind": "Certificate",
        "evidence_place": "Ward folder",
        "scope_unit": stage.cast.wards.department.pk,
    }
    assert set(errors_of(client.post(page, {**body, "evidence_place": ""}))) == {"evidence_place"}
    assert client.post(page, body).status_code == 302
    claim = Founding.objects.get()
    decide = reverse("founding_decide", args=[claim.uuid])
    assert "waits for somebody else" in client.get(reverse("foundings")).content.decode()
    assert client.get(decide).status_code == 403
    signed_in(client, stage.educator)
    assert decide in client.get(reverse("foundings")).content.decode()
    assert client.post(decide, signing(client, decide)).status_code == 302
    assert read(*stage.pair).home.status.value == "current"
    assert "decided before" in client.get(decide).content.decode()


def test_a_claim_that_its_evidence_does_not_show_is_refused_under_that_meaning(client, stage):
    claim = FoundingFactory(clinician=stage.learner, scope_unit=stage.ward, procedure=stage.procedure)
    signed_in(client, stage.educator)
    decide = reverse("founding_decide", args=[claim.uuid])
    assert client.post(decide, signing(client, decide, refuse="1")).status_code == 302
    claim.refresh_from_db()
    assert claim.confirmed is False
    assert '"meaning":"founding award refused"' in Act.objects.get(seq=claim.decided_id).content


def test_the_claims_that_wait_cost_the_same_queries_for_one_and_twenty(educator, stage):
    def cost():
        educator.get(reverse("foundings"))
        with CaptureQueriesContext(connection) as caught:
            educator.get(reverse("foundings"))
        return len(caught)

    FoundingFactory(clinician=stage.learner, scope_unit=stage.ward, procedure=stage.procedure)
    few = cost()
    for place in range(20):
        FoundingFactory(
            clinician=make_clinician(stage.ward, f"Number {place}"), scope_unit=stage.ward, procedure=stage.procedure
        )
    assert cost() == few


# --- scopes by role ---


def scope_body(stage, **changes):
    return {
        "procedure": stage.procedure.pk,
        "unit": stage.ward.pk,
        "from_day": "2 March 2026",
        "until_day": "30 June 2026",
        "basis": "Specialist registration",
        **changes,
    }


def check_and_sign(client, page, body):
    """The check page of what was typed, then the same signed."""
    checked = client.post(page, body)
    form = checked.context["form"]
    signed = {**body, "secret": SECRET, "email": form.request.user.email, "shown": form.initial["shown"]}
    return checked, client.post(page, signed), signed


def test_a_scope_for_a_person_is_checked_before_it_is_signed(educator, stage):
    page = reverse("scope", args=[stage.learner.uuid])
    assert "until_day" in errors_of(educator.post(page, scope_body(stage, until_day="")), "asked")
    checked, done, _ = check_and_sign(educator, page, scope_body(stage))
    assert "Check before you sign" in checked.content.decode()
    assert "30 June 2026" in checked.content.decode()
    assert done.headers["Location"] == reverse("person", args=[stage.learner.uuid])
    assert read(*stage.pair).home.status.value == "by_role"
    back = educator.post(page, scope_body(stage, change="1"))
    assert 'value="Specialist registration"' in back.content.decode()


def test_what_is_typed_otherwise_than_shown_is_not_signed(educator, stage):
    page = reverse("scope", args=[stage.learner.uuid])
    checked = educator.post(page, scope_body(stage))
    seals = checked.context["form"].initial["shown"]
    body = scope_body(stage, until_day="31 December 2030", secret=SECRET, email=stage.educator.email, shown=seals)
    told = educator.post(page, body)
    assert "was not shown to you" in str(told.context["form"].non_field_errors())
    assert not ScopeByRole.objects.exists()


def test_a_scope_for_a_profession_reaches_whoever_is_placed_there(educator, stage):
    page = reverse("scope_profession")
    Clinician.objects.filter(pk=stage.learner.pk).update(profession="anaesthetist")
    _, done, _ = check_and_sign(educator, page, scope_body(stage, profession="anaesthetist"))
    assert done.headers["Location"] == reverse("scopes")
    assert read(*stage.pair).home.status.value == "by_role"
    listed = educator.get(reverse("scopes"))
    assert "everybody of this profession placed there" in listed.content.decode()
    twice = educator.post(page, scope_body(stage, profession="anaesthetist"))
    again, refused, _ = check_and_sign(educator, page, scope_body(stage, profession="anaesthetist"))
    assert twice.status_code == again.status_code == 200
    assert "stands on these days already" in str(refused.context["asked"].errors)


def test_a_scope_ends_on_another_day_by_a_signature(educator, stage):
    row = ScopeFactory(clinician=stage.learner, unit=stage.ward, procedure=stage.procedure, until_day=date(2026, 9, 1))
    page = reverse("scope_end", args=[row.uuid])
    assert "until_day" in errors_of(educator.post(page, signing(educator, page)))
    done = educator.post(page, signing(educator, page, until_day="1 March 2026"))
    assert done.headers["Location"] == reverse("scopes")
    assert ScopeByRole.objects.known().get().until_day == date(2026, 3, 2)
    ended = educator.get(page).content.decode()
    assert "1 March 2026" in ended


def test_an_identifier_of_a_patient_is_refused_in_what_people_write(client, stage, flag):
    page = reverse("review_reply", args=[flag.uuid])
    told = signed_in(client, stage.learner.user).post(page, {"text": "It was MRN 4455667."})
    assert "text" in errors_of(told, "reply")
    signed_in(client, stage.educator)
    close = reverse("review", args=[flag.uuid])
    told = client.post(close, signing(client, close, outcome="talked", reason="Talked about MRN 4455667 today."))
    assert "reason" in errors_of(told)
    flag.refresh_from_db()
    assert flag.closed_id is None


# --- reviews ---


def test_reviews_list_open_ones_first_narrow_and_export_what_they_show(client, stage, flag):
    FlagFactory(clinician=stage.learner, procedure=stage.procedure, rule="drift", raised_on=TODAY)
    signed_in(client, stage.educator)
    url = reverse("reviews") + "?state=open&name=ana"
    page = client.get(url)
    assert [row.rule for row in page.context["listing"].records] == ["serious_event", "drift"] or [
        row.rule for row in page.context["listing"].records
    ] == ["drift", "serious_event"]
    sent = client.post(url, {"export": "csv"})
    lines = b"".join(sent.streaming_content).decode("utf-8-sig").splitlines()
    assert len(lines) == 3
    assert client.get(reverse("reviews") + "?state=closed").context["listing"].total == 0


def test_that_an_auditor_looked_is_kept_at_the_same_cost_for_one_and_twenty(client, stage, flag):
    def cost():
        with CaptureQueriesContext(connection) as caught:
            client.get(reverse("reviews"))
        return len(caught)

    signed_in(client, stage.cast.auditor)
    cost()
    few = cost()
    assert View.objects.filter(user=stage.cast.auditor, clinician=stage.learner, page="reviews").count() == 2
    for place in range(20):
        FlagFactory(clinician=make_clinician(stage.ward, f"Number {place}"), procedure=stage.procedure)
    assert cost() == few
    client.get(reverse("review", args=[flag.uuid]))
    assert View.objects.filter(user=stage.cast.auditor, page=f"review {flag.uuid.hex[:8]}").count() == 1


def test_a_manager_sees_no_question_about_anybody(client, stage, flag):
    page = signed_in(client, stage.cast.manager).get(reverse("reviews"))
    assert page.context["listing"].total == 0


def test_a_question_closed_meanwhile_is_said(client, stage, flag):
    signed_in(client, stage.second)
    page = reverse("review", args=[flag.uuid])
    body = signing(client, page, outcome="watch", reason="Seen twice since, both fine.")
    assert client.post(page, body).status_code == 302
    again = client.post(page, body, follow=True)
    assert "Somebody closed this question before you." in again.content.decode()


# --- first day ---


def test_the_first_day_says_what_programmes_rules_and_awards_are_missing(client, db):
    cast = make_cast()
    text = signed_in(client, cast.educator).get(reverse("set_up"))
    steps = {step.text: step.is_done for step in text.context["steps"]}
    for missing in ("A programme is approved", "Rules are approved", "A start day is set", "Somebody is enrolled"):
        assert steps[missing] is False


def test_the_first_day_ticks_what_is_there(client, stage):
    stage.ready_to_learn(FIRST.date())
    stage.log(FIRST, signed=False)
    FoundingFactory(clinician=stage.learner, scope_unit=stage.ward, procedure=stage.procedure)
    page = signed_in(client, stage.educator).get(reverse("set_up"))
    steps = {step.text: step for step in page.context["steps"]}
    for done in ("A programme is approved", "Rules are approved", "A start day is set", "Somebody is enrolled"):
        assert steps[done].is_done
    assert steps["The first insertion is logged"].is_done
    waiting = steps["Awards from before the register are confirmed"]
    assert (waiting.is_done, waiting.advice) == (False, "1 award waits for a second person.")
