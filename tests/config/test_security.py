"""What stands around every page: headers, cookies, sessions, and whose word is taken."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import time_machine
from django.test import Client
from pytest_django import Settings

from people.models import User
from tests.config.conftest import Given


@pytest.mark.std("B-14")
@pytest.mark.std("B-15")
@pytest.mark.parametrize(
    ("path", "status"),
    [("/plain", 200), ("/nowhere", 404), ("/broken/x", 500), ("/download", 200), ("/static/sited.css", 200)],
)
def test_every_kind_of_answer_carries_the_headers(
    around: Client, settings: Settings, path: str, status: int, given: Given, production: dict[str, str]
) -> None:
    loaded = given(**production)
    for name in ("SECURE_HSTS_SECONDS", "SECURE_HSTS_INCLUDE_SUBDOMAINS"):
        setattr(settings, name, loaded[name])
    answer = around.get(path, secure=True)
    assert answer.status_code == status
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Referrer-Policy"] == "same-origin"
    assert answer["Cross-Origin-Opener-Policy"] == "same-origin"
    assert answer["Cross-Origin-Resource-Policy"] == "same-origin"
    assert answer["X-Frame-Options"] == "DENY"
    assert answer["Strict-Transport-Security"].startswith("max-age=31536000; includeSubDomains")
    assert sorted(answer["Content-Security-Policy"].split("; ")) == [
        "base-uri 'none'",
        "connect-src 'self'",
        "default-src 'none'",
        "font-src 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
        "img-src 'self' data:",
        "manifest-src 'self'",
        "object-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
    ]
    assert re.fullmatch("[0-9a-f]{16}", answer["X-Request-ID"])
    assert "Access-Control-Allow-Origin" not in answer


@pytest.mark.std("B-14")
def test_production_answers_nothing_without_https_but_the_probes(
    around: Client, settings: Settings, given: Given, production: dict[str, str]
) -> None:
    loaded = given(**production)
    for name in ("SECURE_SSL_REDIRECT", "SECURE_REDIRECT_EXEMPT"):
        setattr(settings, name, loaded[name])
    answer = around.get("/plain")
    assert (answer.status_code, answer["Location"]) == (301, "https://testserver/plain")
    assert around.get("/healthz").status_code == 200
    assert around.get("/plain/healthz").status_code == 301


@pytest.mark.std("B-27")
def test_no_page_is_kept_unless_its_view_says_so(around: Client) -> None:
    assert around.get("/plain")["Cache-Control"] == "no-store"
    assert around.get("/nowhere")["Cache-Control"] == "no-store"
    assert around.get("/kept")["Cache-Control"] == "private, max-age=60"


@pytest.mark.std("B-27")
def test_signing_out_clears_what_the_browser_kept_and_nothing_else_does(around: Client, user: User) -> None:
    around.force_login(user)
    assert "Clear-Site-Data" not in around.get("/plain")
    assert around.get("/out")["Clear-Site-Data"] == '"cache", "cookies", "storage"'
    assert "Clear-Site-Data" not in around.get("/out")


@pytest.mark.std("B-13")
def test_cookies_are_bound_to_this_host_and_hidden_from_scripts(around: Client, db: None) -> None:
    cookies = around.get("/form").cookies
    assert sorted(cookies) == ["__Host-sited_csrf", "__Host-sited_session"]
    for cookie in cookies.values():
        assert [cookie[name] for name in ("secure", "httponly", "samesite", "path", "domain")] == [
            True,
            True,
            "Lax",
            "/",
            "",
        ]
    # Only the browser's session, so that a shared ward computer forgets it.
    assert cookies["__Host-sited_session"]["max-age"] == ""


@pytest.mark.std("B-16")
def test_a_post_without_its_token_changes_nothing(around: Client, db: None) -> None:
    strict = Client(enforce_csrf_checks=True)
    assert strict.post("/form", {}).status_code == 403
    token = strict.get("/form") and strict.cookies["__Host-sited_csrf"].value
    assert strict.post("/form", {"csrfmiddlewaretoken": token}).status_code == 200


@pytest.mark.std("B-11")
def test_a_session_ends_when_nothing_comes_for_half_an_hour(around: Client, user: User) -> None:
    with time_machine.travel("2026-11-25T08:00:00Z", tick=False) as clock:
        around.force_login(user)
        for _ in range(3):
            around.get("/plain")
            clock.shift(30 * 60 - 60)
        assert signed_in(around)
        clock.shift(30 * 60)
        assert not signed_in(around)


@pytest.mark.std("B-11")
def test_a_session_ends_after_twelve_hours_however_busy(around: Client, user: User) -> None:
    with time_machine.travel("2026-11-25T08:00:00Z", tick=False) as clock:
        around.force_login(user)
        around.get("/plain")
        for _ in range(12 * 4 - 1):
            clock.shift(15 * 60)
            assert signed_in(around)
        clock.shift(15 * 60)
        assert not signed_in(around)


@pytest.mark.std("B-11")
def test_both_limits_are_settings_and_a_page_knows_when_its_session_ends(
    around: Client, user: User, given: Given, tmp_path: Path
) -> None:
    path = str(tmp_path / "register.sqlite3")
    loaded = given(SITED_DATABASE=path, SITED_IDLE_MINUTES="60", SITED_SESSION_HOURS="24")
    assert (loaded["SITED_IDLE_SECONDS"], loaded["SITED_SESSION_SECONDS"]) == (3600, 86400)
    with time_machine.travel("2026-11-25T08:00:00Z", tick=False):
        around.force_login(user)
        request = around.get("/plain").wsgi_request
        assert request.session_ends_at.isoformat() == "2026-11-25T08:30:00+00:00"


def test_a_page_writes_the_session_at_most_once_a_minute(
    around: Client, user: User, django_assert_num_queries: Callable[..., Any]
) -> None:
    around.force_login(user)
    around.get("/plain")
    with django_assert_num_queries(1):
        around.get("/plain")


def signed_in(client: Client) -> bool:
    request = client.get("/plain").wsgi_request
    return bool(request.user.is_authenticated)


@pytest.fixture
def behind_a_proxy(settings: Settings, given: Given, tmp_path: Path) -> None:
    loaded = given(SITED_DATABASE=str(tmp_path / "r.sqlite3"), SITED_TRUSTED_PROXIES="10.0.0.0/24, ::1")
    settings.SITED_TRUSTED_PROXIES = loaded["SITED_TRUSTED_PROXIES"]


FORWARDED = {"HTTP_X_FORWARDED_PROTO": "https", "HTTP_X_REQUEST_ID": "from-the-proxy-1"}


@pytest.mark.std("B-10")
@pytest.mark.usefixtures("behind_a_proxy")
@pytest.mark.parametrize(
    ("forwarded", "address"),
    [
        ("203.0.113.9", "203.0.113.9"),
        ("192.0.2.66, 203.0.113.9", "203.0.113.9"),
        ("203.0.113.9, 10.0.0.6", "203.0.113.9"),
        ("nonsense", "10.0.0.5"),
        ("", "10.0.0.5"),
    ],
)
def test_a_trusted_proxy_names_the_nearest_address_that_is_no_proxy(
    around: Client, forwarded: str, address: str
) -> None:
    answer = around.get("/plain", REMOTE_ADDR="10.0.0.5", HTTP_X_FORWARDED_FOR=forwarded, **FORWARDED)
    assert answer.wsgi_request.META["REMOTE_ADDR"] == address
    assert answer.wsgi_request.is_secure()
    assert answer["X-Request-ID"] == "from-the-proxy-1"


@pytest.mark.std("B-10")
@pytest.mark.usefixtures("behind_a_proxy")
def test_nobody_else_is_believed(around: Client) -> None:
    answer = around.get("/plain", REMOTE_ADDR="198.51.100.7", HTTP_X_FORWARDED_FOR="203.0.113.9", **FORWARDED)
    assert answer.wsgi_request.META["REMOTE_ADDR"] == "198.51.100.7"
    assert not answer.wsgi_request.is_secure()
    assert answer["X-Request-ID"] != "from-the-proxy-1"
    assert "HTTP_X_FORWARDED_FOR" not in answer.wsgi_request.META
