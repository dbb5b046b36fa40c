"""A shift tally in a browser: four taps on a phone, with one hand; a day changed again."""

from collections.abc import Callable
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from audits.models import Tally
from ledger import clock
from tests.audits.conftest import Stage, give_award, make_stage
from tests.browser.waiting import resize
from tests.factories import SECRET, SettingFactory

if TYPE_CHECKING:
    from playwright.sync_api import Page
    from pytest_django.live_server_helper import LiveServer

MOST_TAPS = 4


@pytest.fixture
def stage(transactional_db: None) -> Stage:
    made = make_stage()
    start = clock.now().date() - timedelta(days=100)
    give_award(made.owner, made.procedure, made.ward, from_day=start, expires_on=start + timedelta(days=365))
    SettingFactory(unit=made.ward, name="logging_basis", plain="tally", from_day=start)
    return made


@pytest.mark.std("C-01")
@pytest.mark.std("C-07")
def test_a_tally_takes_four_taps_on_a_phone_and_can_be_changed(
    page: "Page", live_server: "LiveServer", stage: Stage, axe: Callable[[], list[str]], complaints: list[str]
) -> None:
    resize(page, 390, 800)
    page.goto(live_server.url + reverse("sign_in"))
    page.fill("input[name=username]", stage.owner.user.email)
    page.fill("input[name=password]", SECRET)
    page.click("main button")
    page.wait_for_url(lambda url: reverse("sign_in") not in url)
    taps = 0

    def tap(selector: str) -> None:
        nonlocal taps
        taps += 1
        page.click(selector)

    tap("nav >> text=Log")
    tap("main >> text=Shift tally")
    expect(page.get_by_role("heading", level=1)).to_have_text("Shift tally")
    assert axe() == []
    small = page.evaluate(
        """() => [...document.querySelectorAll(".bedside .tile, .bedside button:not(.plain)")]
        .filter((each) => each.checkVisibility() && each.getBoundingClientRect().height < 44).length"""
    )
    assert small == 0
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    tap(".tile:has-text('3')")
    tap("main >> text=Save")
    expect(page.locator("main")).to_contain_text("Noted: 3 on")
    assert taps <= MOST_TAPS
    assert axe() == []
    assert Tally.objects.known().get().insertions == 3
    page.click(".tile:has-text('None')")
    page.click("main >> text=Save")
    expect(page.locator("main")).to_contain_text("Noted: none on")
    assert list(Tally.objects.order_by("pk").values_list("insertions", flat=True)) == [3, 0]
    assert complaints == []
