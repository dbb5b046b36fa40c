"""A log through the screens in a browser, with scripts: the reading is sent, its progress is shown, it is signed."""

from collections.abc import Callable
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from audits.models import Insertion
from people import clock
from tests.browser.waiting import until_settled
from tests.conftest import LONGEST_WAIT
from tests.factories import SECRET, ZONE
from tests.imports.stage import make_stage, sheet

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Page
    from pytest_django.live_server_helper import LiveServer

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.mark.parametrize("javascript", [True, False], ids=["with scripts", "without"])
def test_a_log_goes_in_by_browser(
    browser: Any,
    live_server: "LiveServer",
    tmp_path: "Path",
    axe: Callable[[], list[str]],
    page: "Page",
    javascript: bool,
) -> None:
    stage = make_stage()
    day = clock.today(ZONE) - timedelta(days=3)
    file = tmp_path / "log.xlsx"
    file.write_bytes(sheet([stage.row(Date=day), stage.row(Date=day, Staff_no="9999")]))
    context = browser.new_context(java_script_enabled=javascript, base_url=live_server.url)
    context.set_default_timeout(LONGEST_WAIT)
    here = page if javascript else context.new_page()
    here.goto(live_server.url + reverse("sign_in"))
    here.fill("[name=username]", stage.educator.email)
    here.fill("[name=password]", SECRET)
    here.click("main button")
    here.wait_for_url(lambda url: reverse("sign_in") not in url)
    here.goto(live_server.url + reverse("import_logbook"))
    here.set_input_files("[name=file]", str(file))
    here.click("text=Send the file")
    here.wait_for_selector("#match")
    here.wait_for_load_state()

    here.check("[name=d-what][value=complete]", force=True)
    here.fill("[name=d-first]", day.isoformat())
    here.fill("[name=d-last]", "tomorrow at the earliest")
    here.click("text=Read the rows")
    here.wait_for_selector("#problems")
    expect(here.locator("[name=d-last][aria-invalid=true]")).to_have_count(1)
    until_settled(here)
    here.fill("[name=d-last]", day.isoformat())
    here.click("text=Read the rows")

    here.wait_for_selector("[name=secret]")
    expect(here.locator("text=Nobody in the register has this staff number")).to_have_count(1)
    if javascript:
        until_settled(here)
        assert axe() == []
    here.fill("[name=secret]", SECRET)
    here.click("button:has-text('Sign and store')")
    here.wait_for_selector("text=Stored in one act.")
    assert Insertion.objects.get().performed_on == day
    context.close()
