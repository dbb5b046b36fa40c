"""The bedside in a browser: taps counted, the keyboard alone, no script, a draft; no barrier on the way."""

from collections.abc import Callable
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from audits.models import Insertion, Statement
from audits.versions import entry_of as said_in
from ledger import clock
from tests.audits.conftest import Stage, give_award, make_stage
from tests.browser.waiting import resize, until, until_settled, until_true
from tests.conftest import LONGEST_WAIT
from tests.factories import SECRET

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Route
    from pytest_django.live_server_helper import LiveServer

    from people.models import User

MOST_TAPS = 12


@pytest.fixture
def stage(transactional_db: None) -> Stage:
    """A cast whose supervisor holds the procedure today."""
    made = make_stage()
    if clock.now().year > 2026:
        start = clock.now().date() - timedelta(days=30)
        give_award(made.holder, made.procedure, made.ward, from_day=start, expires_on=start + timedelta(days=365))
    return made


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


def tab_to(page: "Page", selector: str, *, at_most: int = 80) -> None:
    """Press Tab until the element has the focus."""
    for _ in range(at_most):
        page.keyboard.press("Tab")
        if page.evaluate("selector => document.activeElement.matches(selector)", selector):
            return
    raise AssertionError(f"{selector} is not reached with the Tab key")


@pytest.mark.std("F-17")
@pytest.mark.std("C-01")
@pytest.mark.std("C-07")
def test_a_routine_entry_takes_few_taps_on_a_phone(
    page: "Page",
    stage: Stage,
    sign_in: "Callable[[User], None]",
    axe: Callable[[], list[str]],
    complaints: list[str],
) -> None:
    resize(page, 390, 800)
    sign_in(stage.owner.user)
    taps = 0

    def tap(selector: str) -> None:
        nonlocal taps
        taps += 1
        page.click(selector)

    tap("main >> text=Log an insertion")
    page.wait_for_url(f"**{reverse('log')}**")
    assert axe() == []
    for words in ("Working first time", "20", "Forearm"):
        tap(f".tile:has-text('{words}'):visible")
    with page.expect_response(lambda answer: answer.request.method == "POST"):
        tap(".tile:has-text('Adult'):visible")
    until_settled(page)
    for words in ("Su Pervisor", "In the room"):
        tap(f".tile:has-text('{words}'):visible")
    tap("fieldset:has-text('Anything serious?') .tile:has-text('No')")
    tap("text=Save and ask for the signature")
    page.wait_for_url("**/log/saved/**")
    assert taps <= MOST_TAPS
    assert axe() == []
    made = Insertion.objects.get()
    assert (made.result, made.supervisor, made.nearness) == ("first_time", stage.supervisor, "in_room")
    until(page, "Object.keys(localStorage).length === 0")
    small = page.evaluate(
        """() => [...document.querySelectorAll(".bedside .tile, .bedside button:not(.plain)")]
        .filter((each) => each.checkVisibility() && each.getBoundingClientRect().height < 44).length"""
    )
    assert small == 0
    assert complaints == []


@pytest.mark.std("C-05")
def test_the_keyboard_alone_logs_and_countersigns(
    page: "Page", stage: Stage, sign_in: "Callable[[User], None]", live_server: "LiveServer", complaints: list[str]
) -> None:
    sign_in(stage.owner.user)
    page.goto(live_server.url + reverse("log"))
    tab_to(page, "[name=result]")
    page.keyboard.press("Space")
    tab_to(page, "[name=a0-gauge]")
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    tab_to(page, "[name=a0-site]")
    page.keyboard.press("Space")
    tab_to(page, "[name=band]")
    with page.expect_response(lambda answer: answer.request.method == "POST"):
        page.keyboard.press("Space")
    # The answer brings the supervisors of that band; htmx gives the focus back when it is in place.
    until_settled(page)
    until(page, "document.activeElement.matches('[name=band]')")
    tab_to(page, "[name=supervisor]")
    page.keyboard.press("Space")
    tab_to(page, "[name=nearness]")
    page.keyboard.press("Space")
    tab_to(page, "[name=serious]")
    page.keyboard.press("Space")
    tab_to(page, ".bedside .actions button")
    page.keyboard.press("Enter")
    page.wait_for_url("**/log/saved/**")
    entry = said_in(Insertion.objects.get())
    assert [(each.site, each.gauge) for each in entry.attempts] == [("forearm", 20)]

    sign_in(stage.supervisor)
    page.goto(live_server.url + reverse("to_sign"))
    tab_to(page, "button[name=open]")
    page.keyboard.press("Enter")
    page.wait_for_selector("legend:has-text('You were')")
    # What was opened has the focus, so that the next stops are inside it.
    until_settled(page)
    until(page, "document.activeElement.tagName === 'H2'")
    tab_to(page, "[name^=answer-]", at_most=3)
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    tab_to(page, "main form > .actions button", at_most=8)
    page.keyboard.press("Enter")
    page.wait_for_selector("text=You state")
    page.wait_for_load_state()
    tab_to(page, "[name=secret]", at_most=30)
    page.keyboard.type(SECRET)
    page.keyboard.press("Enter")
    page.wait_for_selector("text=What became of it")
    assert Statement.objects.get().by == stage.supervisor
    assert complaints == []


@pytest.mark.std("C-21")
def test_logging_further_attempts_and_signing_work_without_script(
    browser: "Browser", stage: Stage, live_server: "LiveServer"
) -> None:
    context = browser.new_context(java_script_enabled=False)
    context.set_default_timeout(LONGEST_WAIT)
    page = context.new_page()

    def enter(user: "User") -> None:
        context.clear_cookies()
        page.goto(live_server.url + reverse("sign_in"))
        page.fill("input[name=username]", user.email)
        page.fill("input[name=password]", SECRET)
        page.click("main button")
        page.wait_for_url(lambda url: reverse("sign_in") not in url)

    enter(stage.owner.user)
    page.goto(live_server.url + reverse("log"))
    expect(page.locator("text=Second attempt")).to_be_hidden()
    page.click(".tile:has-text('Not first time')")
    page.click("text=Add an attempt")
    expect(page.locator("text=Third attempt")).to_be_visible()
    for words in ("22", "Wrist", "Not working", "Adult", "Su Pervisor", "Nearby"):
        page.click(f".tile:has-text('{words}'):visible")
    page.select_option("[name=a1-result]", "failed")
    page.select_option("[name=a2-result]", "working")
    page.select_option("[name=a2-gauge]", "24")
    page.click("fieldset:has-text('Anything serious?') .tile:has-text('No')")
    page.click("summary:has-text('Somebody else')")
    # The same page comes again, at the same address.
    with page.expect_navigation():
        page.click("text=Show it again")
    page.click("text=Save and ask for the signature")
    page.wait_for_url("**/log/saved/**")
    entry = said_in(Insertion.objects.get())
    assert [(each.gauge, each.site, each.result) for each in entry.attempts] == [
        (22, "wrist", "failed"),
        (22, "wrist", "failed"),
        (24, "wrist", "working"),
    ]

    enter(stage.supervisor)
    page.goto(live_server.url + reverse("to_sign"))
    page.click("button[name=open]")
    page.click(".tile:has-text('Nearby')")
    page.click("text=Check what you sign")
    page.fill("[name=secret]", SECRET)
    page.click(".signing button")
    expect(page.locator("main")).to_contain_text("Countersigned, nearby")
    assert Statement.objects.get().kind == "nearby"
    context.close()


def test_another_patient_band_brings_its_supervisors_and_keeps_what_was_typed(
    page: "Page", stage: Stage, sign_in: "Callable[[User], None]", live_server: "LiveServer"
) -> None:
    sign_in(stage.owner.user)
    page.goto(live_server.url + reverse("log"))
    page.click(".tile:has-text('Su Pervisor')")
    page.click(".tile:has-text('Working first time')")
    with page.expect_response(lambda answer: answer.request.method == "POST"):
        page.click(".tile:has-text('Neonate')")
    # Nobody may supervise a procedure that was not opened: what happened may still be said.
    page.wait_for_selector("details[open] >> text=This service has not opened this procedure.")
    until_settled(page)
    expect(page.locator(f"[name=supervisor][value='{stage.supervisor.uuid}']")).to_be_checked()
    expect(page.locator("[value=first_time]")).to_be_checked()


@pytest.mark.std("F-17")
def test_what_is_chosen_while_the_supervisors_are_fetched_stays_chosen(
    page: "Page", stage: Stage, sign_in: "Callable[[User], None]", live_server: "LiveServer"
) -> None:
    sign_in(stage.owner.user)
    page.goto(live_server.url + reverse("log"))
    page.click(".tile:has-text('Su Pervisor')")
    held: list[Route] = []
    page.route("**" + reverse("log"), lambda route: held.append(route))
    page.click(".tile:has-text('Adult')")
    until_true(page, lambda: bool(held), "the supervisors are asked for")
    # On a slow network the answer knows nothing of these two.
    page.click(".tile:has-text('Nobody')")
    page.click(".tile:has-text('Nearby')")
    with page.expect_response(lambda answer: answer.request.method == "POST"):
        held[0].continue_()
    until_settled(page)
    expect(page.locator("[name=supervisor]:checked")).to_have_value("nobody")
    expect(page.locator("[name=nearness]:checked")).to_have_value("nearby")
    expect(page.locator("[name=band]:checked")).to_have_value("adult")
