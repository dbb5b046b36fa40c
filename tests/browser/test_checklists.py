"""A checklist in a browser: begun from the example, changed, moved with buttons, proposed, approved, out of use."""

import re
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from audits.models import Checklist, ChecklistDraft
from tests.browser.waiting import resize
from tests.factories import SECRET, Cast, ProcedureFactory, make_appointed, make_cast

if TYPE_CHECKING:
    from playwright.sync_api import Page
    from pytest_django.live_server_helper import LiveServer

    from people.models import User


@pytest.fixture
def cast(transactional_db: None) -> Cast:
    ProcedureFactory(name="Adult cannulation, landmark")
    return make_cast()


@pytest.fixture
def sign_in(page: "Page", live_server: "LiveServer") -> Callable[["User"], None]:
    def enter(user: "User") -> None:
        page.context.clear_cookies()
        page.goto(live_server.url + reverse("sign_in"))
        page.fill("input[name=username]", user.email)
        page.fill("input[name=password]", SECRET)
        page.click("main button")
        page.wait_for_url(lambda url: reverse("sign_in") not in url)

    return enter


def sign(page: "Page", user: "User", button: str) -> None:
    if page.locator("input[name=email]").count():
        page.fill("input[name=email]", user.email)
    page.fill("input[name=secret]", SECRET)
    page.get_by_role("button", name=button, exact=True).click()


@pytest.mark.std("C-15")
@pytest.mark.std("F-06")
def test_a_checklist_is_written_approved_and_taken_out_of_use(
    page: "Page",
    cast: Cast,
    sign_in: "Callable[[User], None]",
    live_server: "LiveServer",
    axe: Callable[[], list[str]],
    complaints: list[str],
) -> None:
    second = make_appointed("educator", cast.wards.hospital, "Seco Nd")
    resize(page, 390, 844)
    sign_in(cast.educator)
    page.goto(live_server.url + reverse("rules"))
    page.get_by_role("link", name="Write a checklist").click()
    page.wait_for_url("**/begin/")
    page.get_by_label("Unit").select_option(str(cast.wards.department.pk))
    page.get_by_label("From the example").check()
    page.get_by_role("button", name="Begin").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Writing: Example checklist: adult cannulation, landmark")
    assert axe() == []
    # Moved with the keyboard alone, as with a mouse.
    page.get_by_role("button", name=re.compile("^Down ?: Makes sure who")).focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/#step-identity")
    expect(page.locator("#step-identity + li, #phase-before li").first).to_be_visible()
    assert [each["key"] for each in ChecklistDraft.objects.get().content["steps"][:3]] == [
        "indication", "risks", "identity",
    ]  # fmt: skip
    page.get_by_role("link", name=re.compile("^Change ?Flushes with")).click()
    page.get_by_label("What is seen").fill("Flushes with {flush}, slowly, and watches")
    page.get_by_role("button", name="Save").click()
    page.wait_for_url("**/#step-flush")
    expect(page.locator("#step-flush")).to_contain_text("5 mL or more of sodium chloride 0.9%")
    page.get_by_role("link", name="Add a step to After").click()
    page.get_by_label("What is seen").fill("Thanks the patient")
    page.get_by_role("button", name="Save").click()
    page.wait_for_url("**/#phase-after")
    page.get_by_role("link", name="Check and propose it").click()
    page.wait_for_url("**/propose/")
    assert axe() == []
    page.get_by_role("button", name="Propose this version").click()
    expect(page.get_by_text("It binds once somebody else approves it.")).to_be_visible()
    page.go_back()
    expect(page.get_by_text("This draft was proposed already.")).to_be_visible()
    made = Checklist.objects.get()

    sign_in(second)
    page.goto(live_server.url + reverse("document", args=["checklist", made.uuid]))
    assert axe() == []
    sign(page, second, "Approve")
    expect(page.get_by_text("is approved.")).to_be_visible()

    sign_in(cast.educator)
    page.goto(live_server.url + reverse("document", args=["checklist", made.uuid]))
    page.get_by_role("link", name="take it out of use").click()
    page.get_by_label("What is wrong with it").fill("It says to flush before the tourniquet is off.")
    assert axe() == []
    sign(page, cast.educator, "Take it out of use")
    expect(page.get_by_text("Out of use since")).to_be_visible()
    assert axe() == []

    sign_in(second)
    page.goto(live_server.url + reverse("document", args=["checklist", made.uuid]))
    page.get_by_role("link", name="Decide on it").click()
    page.get_by_label("It stays out of use, for good").check()
    assert axe() == []
    sign(page, second, "Sign the decision")
    expect(page.get_by_text("Out of use for good")).to_be_visible()
    assert complaints == []


def test_the_blank_form_prints_on_paper(
    page: "Page", cast: Cast, sign_in: "Callable[[User], None]", live_server: "LiveServer", axe: Callable[[], list[str]]
) -> None:
    from tests.factories import ChecklistFactory

    row = ChecklistFactory(unit=cast.wards.ward)
    sign_in(cast.owner.user)
    page.goto(live_server.url + reverse("checklist_blank", args=[row.uuid]))
    assert axe() == []
    page.emulate_media(media="print")
    expect(page.locator(".top")).to_be_hidden()
    expect(page.locator("td .box").first).to_be_visible()
    assert page.locator("tr", has_text="Clips hair").locator(".box").count() == 6
    assert page.locator("tr", has_text="Cleans hands").locator(".box").count() == 5
