"""Stopped at 3 a.m. from a phone, suspended the next morning, reinstated: by those who may, as the person reads it."""

from collections.abc import Callable
from datetime import date
from typing import TYPE_CHECKING

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from audits.models import Restriction
from tests.audits.conftest import Stage, give_award, make_stage
from tests.browser.waiting import resize
from tests.factories import SECRET

if TYPE_CHECKING:
    from playwright.sync_api import Page
    from pytest_django.live_server_helper import LiveServer

    from people.models import User

REASON = "Would not stop after three punctures."


@pytest.fixture
def stage(transactional_db: None) -> Stage:
    made = make_stage()
    give_award(made.owner, made.procedure, made.cast.wards.department, expires_on=date(2100, 1, 1), months=900)
    return made


@pytest.mark.std("C-01")
@pytest.mark.std("C-04")
def test_somebody_is_stood_down_suspended_and_reinstated(
    page: "Page", live_server: "LiveServer", stage: Stage, axe: Callable[[], list[str]], complaints: list[str]
) -> None:
    who = stage.owner
    resize(page, 390, 800)

    def enter(user: "User") -> None:
        page.context.clear_cookies()
        page.goto(live_server.url + reverse("sign_in"))
        page.fill("input[name=username]", user.email)
        page.fill("input[name=password]", SECRET)
        page.click("main button")
        page.wait_for_url(lambda url: reverse("sign_in") not in url)

    def sign(button: str) -> None:
        page.fill("input[name=secret]", SECRET)
        page.get_by_role("button", name=button, exact=True).click()
        expect(page.locator("h1")).to_have_text(who.name)

    answer = page.locator("main .answer").first
    main = page.locator("main")

    # From Who can: the name, 'Stand down at once', a reason and the password.
    enter(stage.supervisor)
    page.goto(live_server.url + reverse("who_can"))
    page.get_by_role("link", name=who.name).first.click()
    page.get_by_role("link", name="Stand down at once").click()
    expect(main).to_contain_text("ends by itself at the end of")
    assert axe() == []
    page.fill("textarea[name=reason]", REASON)
    sign("Stand down now")
    expect(main).to_contain_text(f"{who.name} is stood down.")
    expect(page.get_by_role("link", name="Stand down at once")).to_have_count(0)
    expect(main).not_to_contain_text(REASON)

    enter(who.user)
    expect(main).to_contain_text(f"Reason: {REASON} Ask {stage.cast.educator.name}, educator.")

    enter(stage.cast.educator)
    page.get_by_role("link", name=f"{who.name} is stood down").click()
    page.get_by_role("link", name="Suspend", exact=True).click()
    page.fill("textarea[name=reason]", "Until it is talked over.")
    page.get_by_role("button", name="Check it").click()
    expect(page.locator("h1")).to_have_text("Check before you sign")
    assert not Restriction.objects.filter(kind="suspension").exists()
    assert axe() == []
    sign("Suspend")

    page.get_by_role("listitem").filter(has_text="Stand-down").get_by_role("link", name="End it").click()
    page.fill("textarea[name=reason]", "The suspension took its place.")
    page.get_by_role("button", name="Check it").click()
    sign("Sign")
    expect(main).to_contain_text("suspended")
    page.get_by_role("link", name="Reinstate").click()
    page.fill("textarea[name=reason]", "Talked over, and watched twice.")
    page.get_by_role("button", name="Check it").click()
    sign("Sign")
    expect(page.get_by_role("link", name="Reinstate")).to_have_count(0)
    expect(answer).to_contain_text("alone")
    assert list(Restriction.objects.known().order_by("pk").values_list("kind", flat=True)) == [
        "stand_down",
        "suspension",
    ]
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert complaints == []
