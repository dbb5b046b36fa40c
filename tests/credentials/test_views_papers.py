"""Screens of papers: what is offered to whom, files that come down, and the public page behind a certificate's code."""

import re
from datetime import date, datetime, timedelta

import pytest
from django.test import Client, override_settings
from django.urls import reverse

from credentials.models import Certificate
from credentials.papers import certificates, verifier
from ledger import clock
from ledger.models import Act
from people.models import FailedSignIn
from tests.credentials.conftest import NOW
from tests.credentials.test_life import make_award
from tests.credentials.test_papers import revoked, text_of
from tests.factories import SECRET

pytestmark = pytest.mark.django_db


def text(response) -> str:
    return response.content.decode()


@pytest.fixture
def holder(stage):
    stage.ready_to_learn(date(2026, 1, 5))
    stage.ten_insertions(datetime(2026, 1, 12, 10, 0))  # noqa: DTZ001 - the unit's own
    make_award(stage)
    return stage


@pytest.fixture
def own(holder):
    client = Client()
    client.force_login(holder.learner.user)
    return client


def given(stage):
    (holding,) = certificates.holdings_of(stage.learner)
    return certificates.give_out(
        actor=stage.learner.user, award=holding.award, address=lambda token: f"https://register.example/c/{token}/"
    )


def public(token: str):
    return Client().get(reverse("certificate_public", args=[token]))


def test_a_logbook_comes_down_from_ones_own_page(own, holder):
    url = reverse("papers", args=[holder.learner.uuid])
    assert url in text(own.get(reverse("person", args=[holder.learner.uuid])))
    assert "Take a paper away" in text(own.get(url))
    done = own.post(url, {"kind": "logbook", "form": "pdf", "first": "12 January 2026", "last": "14 January 2026"})
    assert done["Content-Type"] == "application/pdf"
    assert re.fullmatch(r'attachment; filename="logbook-[\w-]+-\d+\.pdf"', done["Content-Disposition"])
    assert done.content.startswith(b"%PDF-")
    assert Act.objects.order_by("seq").last().facts["first"] == "2026-01-12"
    assert "Choose PDF or workbook" in text(own.post(url, {"kind": "logbook", "form": "json"}))
    days = {"first": "14 January 2026", "last": "12 January 2026"}
    assert "not before the first" in text(own.post(url, {"kind": "logbook", "form": "pdf", **days}))


@pytest.mark.std("A-20")
def test_the_data_come_down_with_the_script_that_checks_them(own, holder):
    url = reverse("papers", args=[holder.learner.uuid])
    done = own.post(url, {"kind": "evidence", "form": "json"})
    script = own.get(reverse("verify_script"))
    source = b"".join(script.streaming_content)
    apart = {"__name__": "apart"}
    exec(compile(source, "verify_evidence.py", "exec"), apart)
    assert list(apart["problems"](done.content)) == []
    assert "django" not in source.decode().lower()
    assert list(verifier.problems(done.content)) == []


def test_a_certificate_comes_down_and_stands_in_the_list_until_an_educator_revokes_it(own, holder):
    url = reverse("papers", args=[holder.learner.uuid])
    award = str(certificates.holdings_of(holder.learner)[0].award.uuid)
    done = own.post(reverse("certificate_give", args=[holder.learner.uuid]), {"award": award})
    assert done.content.startswith(b"%PDF-")
    row = Certificate.objects.get()
    assert "Revoke it" not in text(own.get(url))
    assert own.get(reverse("certificate_revoke", args=[row.uuid])).status_code == 403
    client = Client()
    client.force_login(holder.educator)
    revoke = reverse("certificate_revoke", args=[row.uuid])
    assert revoke in text(client.get(url))
    assert "Enter “Why”" in text(client.post(revoke, {"reason": ""}))
    check = client.post(revoke, {"reason": "Left on the bus."})
    assert "Check before you sign" in text(check)
    assert "Left on the bus." in text(check)
    row.refresh_from_db()
    assert row.revoked_id is None
    assert "Check it" in text(client.post(revoke, {"reason": "Left on the bus.", "change": "1"}))
    seal = {"email": holder.educator.email, "shown": check.context["form"].initial["shown"]}
    wrong = client.post(revoke, {"reason": "Left on the bus.", **seal, "secret": "x" * 14})
    assert "That is not your password" in text(wrong)
    assert client.post(revoke, {"reason": "Left on the bus.", **seal, "secret": SECRET}).status_code == 302
    assert "<b>Revoked</b>" in text(client.get(url))
    assert "revoked already" in text(client.get(revoke))
    for wrong in ("", "x", "00000000-0000-4000-8000-000000000000"):
        assert own.post(reverse("certificate_give", args=[holder.learner.uuid]), {"award": wrong}).status_code == 404


def test_a_certificate_that_would_say_what_is_not_so_is_refused_with_the_reason(own, holder):
    award = str(certificates.holdings_of(holder.learner)[0].award.uuid)
    with clock.at(NOW + timedelta(days=900)):
        answer = own.post(reverse("certificate_give", args=[holder.learner.uuid]), {"award": award})
    assert "does not hold this today" in text(answer)
    assert not Certificate.objects.exists()


def test_a_manager_may_certify_and_sees_no_logbook(holder):
    client = Client()
    client.force_login(holder.cast.manager)
    shown = text(client.get(reverse("papers", args=[holder.learner.uuid])))
    assert "Make the certificate" in shown
    assert "Take a paper away" not in shown


@pytest.mark.std("E-05")
def test_the_public_page_says_name_procedure_place_days_and_nothing_else(holder):
    token = given(holder).token
    shown = public(token)
    inside = text(shown).split("<main")[1].split(">", 1)[1].split("</main>")[0]
    said = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", inside))
    said = said.replace(" .", ".").strip()
    name, procedure = holder.learner.name, holder.procedure.name
    assert said.startswith(f"Certificate in the register of cannulation {name} {procedure}, at ")
    assert "Holds today, 2 March 2026." in said
    assert "Through 1 March 2028" in said
    for private in (holder.learner.staff_number, holder.learner.user.email, "rate", "insertion", "href"):
        assert private not in said
    for part in ("<script", "<a ", "<form"):
        assert part not in text(shown)


@pytest.mark.std("E-05")
def test_the_public_page_is_for_no_search_engine_no_cache_and_passes_its_address_on_to_nobody(holder):
    for shown in (public(given(holder).token), public("x" * 27)):
        assert shown["X-Robots-Tag"].startswith("noindex")
        assert shown["Referrer-Policy"] == "no-referrer"
        assert shown["Cache-Control"] == "no-store"
        assert "script-src 'self'" in shown["Content-Security-Policy"]
        assert '<meta name="robots" content="noindex' in text(shown)
        assert shown.cookies == {}


@pytest.mark.std("E-05")
def test_a_token_that_opens_nothing_gets_the_same_page_whatever_it_looks_like(holder, django_assert_num_queries):
    given(holder)
    answers = {text(public(token)) for token in ("x" * 27, "short", "y" * 300, "a/b/c", "é", "<b>")}
    assert len(answers) == 1
    assert public("x" * 27).status_code == 404
    for token in ("x" * 27, "short"):
        with django_assert_num_queries(4):
            public(token)


@pytest.mark.std("E-05")
def test_the_page_says_when_it_no_longer_holds_and_never_why(holder):
    made = given(holder)
    with clock.at(NOW + timedelta(days=735)):
        assert "Ran out; in grace today" in text(public(made.token))
    with clock.at(NOW + timedelta(days=900)):
        assert "Does not hold today" in text(public(made.token))
    revoked(holder.educator, made.row, "Left on the bus.")
    shown = text(public(made.token))
    assert "This certificate was revoked" in shown
    assert "bus" not in shown


@pytest.mark.std("E-05")
def test_looking_up_certificates_from_one_address_is_limited(holder):
    token = given(holder).token
    key = "certificate:"
    assert public(token).status_code == 200
    (row,) = FailedSignIn.objects.filter(key__startswith=key)
    FailedSignIn.objects.bulk_create(FailedSignIn(key=row.key, at=clock.now()) for _ in range(120))
    refused = public(token)
    assert refused.status_code == 429
    assert holder.learner.name not in text(refused)
    assert "127.0.0.1" not in row.key
    with clock.at(NOW + timedelta(minutes=16)):
        assert public(token).status_code == 200


def test_the_code_leads_where_the_settings_say(own, holder):
    award = str(certificates.holdings_of(holder.learner)[0].award.uuid)
    url = reverse("certificate_give", args=[holder.learner.uuid])
    with override_settings(SITED_PUBLIC_URL="https://sited.example"):
        assert "https://sited.example/c/" in text_of(own.post(url, {"award": award}).content)
    assert "http://testserver/c/" in text_of(own.post(url, {"award": award}).content)
