"""A question to its end: answered by the person, referred, a plan decided on it, given more time, ended."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import TYPE_CHECKING

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from audits.models import Restriction
from credentials.models import Flag
from ledger import clock
from people.clock import in_words
from tests.audits.conftest import Stage, give_award, make_stage
from tests.browser.waiting import resize
from tests.factories import SECRET, FlagFactory

if TYPE_CHECKING:
    from playwright.sync_api import Page
    from pytest_django.live_server_helper import LiveServer

    from people.models import User

REASON = "Away from the ward for long: somebody stands beside for the next ones."


@pytest.fixture
def stage(transactional_db: None) -> Stage:
    made = make_stage()
    give_award(made.owner, made.procedure, made.cast.wards.department, expires_on=date(2100, 1, 1), months=900)
    today = clock.now().date()
    FlagFactory(clinician=made.owner, procedure=made.procedure, raised_on=today, reply_by=today + timedelta(days=14))
    return made


@pytest.mark.std("B-45")
@pytest.mark.std("C-04")
def test_a_question_is_answered_referred_and_leads_to_a_plan_that_ends(
    page: "Page", live_server: "LiveServer", stage: Stage, axe: Callable[[], list[str]], complaints: list[str]
) -> None:
    who, educator, manager = stage.owner, stage.cast.educator, stage.cast.manager
    question = live_server.url + reverse("review", args=[Flag.objects.get().uuid])
    main = page.locator("main")

    def enter(user: "User") -> None:
        page.context.clear_cookies()
        page.goto(live_server.url + reverse("sign_in"))
        page.fill("input[name=username]", user.email)
        page.fill("input[name=password]", SECRET)
        page.click("main button")
        page.wait_for_url(lambda url: reverse("sign_in") not in url)

    def follow(link: str) -> None:
        page.get_by_role("link", name=link, exact=True).click()

    def check_and_sign(button: str) -> None:
        page.get_by_role("button", name="Check it").click()
        expect(page.locator("h1")).to_have_text("Check before you sign")
        assert axe() == []
        page.fill("input[name=secret]", SECRET)
        page.get_by_role("button", name=button, exact=True).click()

    # The person reads that it is no verdict, and answers on a phone.
    resize(page, 390, 800)
    enter(who.user)
    page.goto(question)
    expect(main).to_contain_text("This is a question, not a verdict")
    page.fill("textarea[name=text]", "I was on the day list for half a year.")
    page.get_by_role("button", name="Send your reply").click()
    expect(main.locator(".timeline")).to_contain_text("I was on the day list for half a year.")
    assert axe() == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")

    # The educator finds the reply on Today, refers the case, then decides a plan.
    resize(page, 1280, 900)
    enter(educator)
    follow(f"{who.name} replied to a question: recency")
    follow("Refer it to somebody in charge")
    page.select_option("select[name=to]", label=manager.name)
    page.fill("textarea[name=reason]", "Could the roster help?")
    assert axe() == []
    page.get_by_role("button", name="Refer it").click()
    expect(main).to_contain_text(f"{manager.name} sees this case from now on.")
    assert axe() == []

    enter(manager)
    follow(f"{educator.name} refers a question about {who.name} to you")
    expect(main).to_contain_text("Could the roster help?")
    expect(page.get_by_role("button", name="Close the question")).to_have_count(0)

    enter(educator)
    page.goto(question)
    follow("Open a re-supervision plan")
    page.fill("input[name=insertions]", "2")
    page.fill("input[name=observations]", "0")
    due_on = clock.now().date() + timedelta(days=30)
    page.fill("input[name=due_on]", in_words(due_on))
    page.fill("textarea[name=reason]", REASON)
    check_and_sign("Open the plan")
    expect(main).to_contain_text("The question is closed by it.")
    expect(main).to_contain_text("with a supervisor in the room")
    page.get_by_role("link", name="Re-supervision plan for").click()
    expect(main).to_contain_text("have 0, need 2")
    assert axe() == []

    follow("Give it more time")
    page.fill("input[name=due_on]", in_words(due_on + timedelta(days=30)))
    page.fill("textarea[name=reason]", "On leave for a month.")
    check_and_sign("Sign")
    expect(main).to_contain_text("It is extended.")

    page.goto(live_server.url + reverse("plan", args=[Restriction.objects.known().get().uuid]))
    follow("End the plan early")
    expect(main).to_contain_text("Not everything that the plan asks is there.")
    assert axe() == []
    page.fill("textarea[name=reason]", "Works where nobody cannulates from now on.")
    check_and_sign("Sign")
    expect(page.locator("h1")).to_have_text(who.name)
    page.goto(question)
    expect(main.locator(".timeline")).to_contain_text("have 0, need 2")
    expect(main.locator(".timeline li")).to_have_count(9)
    assert complaints == []
