"""Agreement and missed steps as a browser shows them, with figures, questions and a chart: light, dark, both sizes."""

from collections.abc import Iterator
from datetime import date
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import pytest
from django.conf import settings
from django.test import Client

from ledger import clock
from people.models import User
from tests.audits.conftest import NOW
from tests.audits.observed import Watched, make_watched
from tests.audits.test_agreeing import rated
from tests.audits.test_missing import watched
from tests.browser.scripts import WITHIN
from tests.conftest import AXE_TAGS
from tests.factories import UserFactory, make_clinician

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page
    from pytest_django.live_server_helper import LiveServer

SIZES = {"phone": {"width": 390, "height": 844}, "desk": {"width": 1280, "height": 900}}
AXE = {"runOnly": {"type": "tag", "values": list(AXE_TAGS)}}


@pytest.fixture
def stage(transactional_db: None) -> Iterator[Watched]:
    """Twelve pairs that differ at one step, a rater who meets everything, and four quarters on three units."""
    with clock.at(NOW):
        made = make_watched()
        third = UserFactory(name="Thi Rd")
        for place in range(12):
            learner = make_clinician(made.ward, account=False)
            rated(made, {"flush": "not_met"}, {"hands": "prompted" if place < 4 else "met"}, learner=learner)
        for _ in range(9):
            rated(made, {"hair": "not_met"}, learner=make_clinician(made.ward, account=False), raters=(third,))
        for day, people in ((date(2025, 5, 2), 6), (date(2025, 11, 2), 9), (date(2026, 2, 2), 7)):
            watched(made, people=people, on=day, hands="not_met")
            watched(made, people=2, on=day, unit=made.cast.wards.next_ward)
            watched(made, people=3, on=day, unit=made.cast.wards.department)
        yield made


def looked_at(page: "Page", axe_script: str, url: str, width: int) -> list[str]:
    answer = page.goto(url)
    assert answer is not None
    assert answer.status == 200
    for each in page.locator("main details").all():
        each.evaluate("details => { details.open = true }")
    page.evaluate(axe_script)
    found = page.evaluate("asked => axe.run(document, asked)", AXE)["violations"]
    lines = [f"{each['id']}: {node['html']}" for each in found for node in each["nodes"]]
    return lines + page.evaluate(WITHIN, width)


@pytest.mark.std("C-01")
@pytest.mark.std("C-10")
@pytest.mark.parametrize("colours", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_neither_page_bars_anybody_or_scrolls_sideways(
    browser: "Browser", live_server: "LiveServer", axe_script: str, stage: Watched, size: str, colours: Any
) -> None:
    faces: list[tuple[User, str, str]] = [
        (stage.cast.educator, "/observations/agreement/", "Questions about how people mark"),
        (stage.assessor, "/observations/agreement/", "Your own marking"),
        (stage.cast.manager, "/observations/missed/?first=2025-2", "Over time: Cleans hands"),
        (stage.cast.manager, "/observations/missed/?first=2025-2&by=unit", "Here, and small units put together"),
        (stage.cast.manager, "/observations/missed/?first=2026-1&last=2025-4", "not before the first"),
    ]
    for user, path, words in faces:
        client = Client()
        client.force_login(user)
        context = browser.new_context(viewport=SIZES[size], color_scheme=colours, reduced_motion="reduce")
        cookie, host = client.cookies[settings.SESSION_COOKIE_NAME], urlsplit(live_server.url).hostname or ""
        context.add_cookies([{"name": cookie.key, "value": cookie.value, "domain": host, "path": "/", "secure": True}])
        page = context.new_page()
        assert looked_at(page, axe_script, live_server.url + path, SIZES[size]["width"]) == [], path
        assert words in page.locator("main").inner_text(), path
        context.close()
