"""The policy and the cookies as a browser keeps them, on the sign-in page."""

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from django.urls import reverse

from tests.browser.waiting import until_true

if TYPE_CHECKING:
    from playwright.sync_api import Page
    from pytest_django.live_server_helper import LiveServer


@pytest.fixture
def sign_in(page: "Page", live_server: "LiveServer") -> "Page":
    page.goto(live_server.url + reverse("sign_in"))
    return page


@pytest.mark.std("B-15")
@pytest.mark.std("B-28")
def test_the_page_breaks_no_rule_and_asks_no_other_host(
    complaints: list[str], axe: Callable[[], list[str]], sign_in: "Page"
) -> None:
    assert axe() == []
    assert complaints == []


@pytest.mark.std("B-15")
def test_a_script_or_style_in_the_page_is_not_run_and_is_complained_of(complaints: list[str], sign_in: "Page") -> None:
    sign_in.evaluate(
        """() => {
            for (const [tag, text] of [["script", "window.ran = true"], ["style", "body { color: red }"]]) {
                const element = document.createElement(tag);
                element.textContent = text;
                document.body.append(element);
            }
        }"""
    )
    assert sign_in.evaluate("window.ran") is None
    assert sign_in.evaluate("getComputedStyle(document.body).color") != "rgb(255, 0, 0)"
    until_true(sign_in, lambda: len(complaints) >= 2, "two complaints")
    assert len(complaints) == 2
    assert all("Content Security Policy" in line for line in complaints)


@pytest.mark.std("B-28")
def test_a_request_elsewhere_is_stopped_and_complained_of(complaints: list[str], sign_in: "Page") -> None:
    sign_in.evaluate("() => fetch('http://127.0.0.1:9/').catch(() => null)")
    until_true(sign_in, lambda: any("Content Security Policy" in line for line in complaints), "a complaint")


@pytest.mark.std("B-13")
def test_the_browser_takes_the_cookies_of_production(sign_in: "Page") -> None:
    (cookie,) = sign_in.context.cookies()
    assert cookie["name"] == "__Host-sited_csrf"
    assert (cookie["secure"], cookie["httpOnly"], cookie["sameSite"]) == (True, True, "Lax")
