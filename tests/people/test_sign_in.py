import logging
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from ledger import clock
from people import accounts, throttle
from people.models import FailedSignIn, User
from tests.factories import SECRET, UserFactory, make_cast

pytestmark = pytest.mark.django_db
NEW = "tern egg on warm shingle"


@pytest.fixture
def owner():
    return UserFactory(email="ana@wrenfield.example")


def sign_in(client, email="ana@wrenfield.example", secret=SECRET, next="/account/", **more):
    return client.post(reverse("sign_in"), {"username": email, "password": secret, "next": next}, **more)


def test_somebody_signs_in_by_email_whatever_its_case(client, owner):
    answer = sign_in(client, "ANA@wrenfield.example")
    assert answer.headers["Location"] == "/account/"
    assert client.get("/account/").context["access"].user == owner


@pytest.mark.std("B-09")
def test_every_failure_gets_the_same_answer(client, owner):
    UserFactory(email="gone@wrenfield.example", is_active=False)
    pages = [
        sign_in(client, email, secret)
        for email, secret in (
            ("ana@wrenfield.example", "wrong"),
            ("nobody@wrenfield.example", SECRET),
            ("gone@wrenfield.example", SECRET),
        )
    ]
    assert len({tuple(page.context["form"].non_field_errors()) for page in pages}) == 1
    for page in pages:
        assert "do not belong together" in page.content.decode()


@pytest.mark.std("B-09")
def test_after_five_failures_the_right_secret_does_not_let_in_for_a_quarter_of_an_hour(client, owner):
    now = clock.now()
    with clock.at(now):
        for _ in range(5):
            sign_in(client, secret="wrong")
        closed = sign_in(client)
    assert "_auth_user_id" not in client.session
    assert (
        closed.context["form"].non_field_errors() == sign_in(client, "x@y.example").context["form"].non_field_errors()
    )
    with clock.at(now + timedelta(minutes=15, seconds=1)):
        assert sign_in(client).status_code == 302


@pytest.mark.std("B-09")
def test_the_limit_of_an_address_holds_across_accounts(client, owner, monkeypatch):
    monkeypatch.setattr(throttle, "FOR_ADDRESS", 3)
    for number in range(3):
        sign_in(client, f"guess{number}@wrenfield.example")
    assert "too many tries" in sign_in(client).content.decode()
    assert sign_in(client, REMOTE_ADDR="192.0.2.7").status_code == 302


def test_a_right_secret_clears_the_accounts_count_and_counts_nothing_for_its_address(client, owner):
    for _ in range(4):
        sign_in(client, secret="wrong")
    assert sign_in(client).status_code == 302
    assert not FailedSignIn.objects.filter(key__startswith="account:").exists()
    assert FailedSignIn.objects.filter(key__startswith="from:").count() == 4


def test_what_was_typed_as_an_email_is_kept_nowhere(client, caplog):
    caplog.set_level(logging.INFO)
    sign_in(client, "MySecret@word.example")
    assert "mysecret" not in str(list(FailedSignIn.objects.values_list("key", flat=True))).lower()
    assert "mysecret" not in caplog.text.lower()


def test_old_counts_are_forgotten(owner):
    FailedSignIn.objects.create(key="account:x", at=clock.now() - timedelta(minutes=16))
    FailedSignIn.objects.create(key="account:x", at=clock.now())
    throttle.forget_old()
    assert FailedSignIn.objects.count() == 1


@pytest.mark.std("B-17")
@pytest.mark.parametrize("evil", ["//evil.example", "https://evil.example/", "/\\evil.example", "javascript:alert(1)"])
def test_an_open_redirect_is_blocked(client, owner, settings, evil):
    settings.LOGIN_REDIRECT_URL = "account"
    assert sign_in(client, next=evil).headers["Location"] == "/account/"


@pytest.mark.std("B-11")
def test_a_session_gets_a_new_key_when_it_is_signed_in(client, owner, settings):
    session = client.session
    session["before"] = True
    session.save()
    before = client.cookies[settings.SESSION_COOKIE_NAME].value
    sign_in(client)
    assert client.cookies[settings.SESSION_COOKIE_NAME].value != before
    assert not client.session.exists(before)


@pytest.mark.std("B-12")
def test_an_ended_account_is_out_at_its_next_request(client):
    cast = make_cast()
    client.force_login(cast.owner.user)
    assert client.get("/account/").status_code == 200
    accounts.end_account(actor=cast.administrator, user=cast.owner.user)
    assert client.get("/account/").headers["Location"] == "/sign-in/?next=/account/"


@pytest.mark.std("B-12")
def test_a_changed_secret_signs_out_everywhere_else(owner):
    here, there = Client(), Client()
    for each in (here, there):
        sign_in(each)
    here.post(reverse("secret"), {"old": SECRET, "new": NEW})
    assert here.get("/account/").status_code == 200
    assert there.get("/account/").status_code == 302
    assert User.objects.get(pk=owner.pk).check_password(NEW)


@pytest.mark.std("B-12")
def test_signing_out_everywhere_ends_every_session(owner):
    here, there = Client(), Client()
    for each in (here, there):
        sign_in(each)
    here.post(reverse("sign_out_everywhere"))
    assert {each.get("/account/").status_code for each in (here, there)} == {302}


@pytest.mark.std("B-27")
def test_signing_out_clears_the_session_and_what_the_browser_kept(client, owner):
    sign_in(client)
    answer = client.post(reverse("sign_out"))
    assert answer.headers["Location"] == "/sign-in/"
    assert "storage" in answer.headers["Clear-Site-Data"]
    assert not client.session.keys()
    assert client.get(reverse("sign_out")).status_code == 405


@pytest.mark.std("B-27")
def test_a_page_of_somebody_signed_in_is_kept_by_no_browser(client, owner):
    sign_in(client)
    assert client.get("/account/").headers["Cache-Control"] == "no-store"


def test_who_has_a_secret_that_somebody_else_set_is_led_to_replace_it(client):
    UserFactory(email="bea@wrenfield.example", own_secret=False)
    assert sign_in(client, "bea@wrenfield.example").headers["Location"] == reverse("secret")


@pytest.mark.std("C-16")
def test_the_fields_are_named_for_password_managers(client):
    page = client.get(reverse("sign_in")).content.decode()
    assert 'autocomplete="username"' in page
    assert 'autocomplete="current-password"' in page
    assert "onpaste" not in page


def test_an_invitation_leads_from_its_link_to_a_signed_in_account(client):
    cast = make_cast()
    user = accounts.open_account(actor=cast.administrator, email="bea@wrenfield.example", name="Bea Fenn")
    url = reverse("invitation", args=[accounts.invite(actor=cast.administrator, user=user)])
    assert "Welcome, Bea Fenn" in client.get(url).content.decode()
    weak = client.post(url, {"secret": "short"})
    assert weak.context["form"].errors["secret"]
    answer = client.post(url, {"secret": NEW}, follow=True)
    assert answer.request["PATH_INFO"] == "/account/"
    assert "Welcome. Your password is set" in answer.content.decode()
    assert Client().get(url).status_code == 404


@pytest.mark.std("C-03")
def test_a_form_with_a_mistake_says_so_in_its_title_at_the_top_and_beside_the_field(client, owner):
    sign_in(client)
    page = client.post(reverse("secret"), {"old": "wrong", "new": NEW})
    text = page.content.decode()
    assert "<title>Error: " in text
    assert text.count("That is not your password") >= 2
    assert 'aria-invalid="true"' in text
