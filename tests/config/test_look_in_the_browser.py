"""The look as a browser shows it: no barrier, nothing cut off, and what the few lines of script add."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from django.conf import settings as django_settings
from playwright.sync_api import expect
from pytest_django import Settings

from config import permissions
from config.permissions import FORM, Row
from tests.browser.waiting import resize, until, until_settled
from tests.config import look_pages
from tests.conftest import LONGEST_WAIT
from tests.factories import SECRET, UserFactory

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page
    from pytest_django.live_server_helper import LiveServer

PATHS = ("answers", "bedside", "form", "list", "list?none=1", "404", "500")
SMALL = """() => [...document.querySelectorAll("a, button, input, select, textarea, summary")]
    .filter((each) => each.checkVisibility() && !each.closest(".unseen, .skip"))
    .map((each) => [each.closest(".tile") || each, each.getBoundingClientRect()])
    .filter(([each, box]) => box.height < LEAST || box.width < LEAST)
    .map(([each, box]) => `${each.outerHTML.slice(0, 80)} ${box.width}x${box.height}`)"""


@pytest.fixture
def at(
    live_server: "LiveServer", page: "Page", settings: Settings, monkeypatch: pytest.MonkeyPatch, transactional_db: None
) -> Iterator[Callable[[str], "Page"]]:
    """Open one of the pages of parts, signed in."""
    settings.ROOT_URLCONF = "tests.config.look_pages"
    templates = [dict(django_settings.TEMPLATES[0])]
    templates[0]["DIRS"] = [*templates[0]["DIRS"], Path(__file__).parent / "templates"]
    settings.TEMPLATES = templates
    for pattern in look_pages.urlpatterns:
        if name := getattr(pattern, "name", ""):
            monkeypatch.setitem(permissions.TABLE, name, Row(permissions.signed_in, FORM))
    somebody = UserFactory(name="Ida Marlowe")
    page.goto(f"{live_server.url}/sign-in/?next=/parts/list")
    page.fill("input[name=username]", somebody.email)
    page.fill("input[name=password]", SECRET)
    page.click("main button")
    page.wait_for_url("**/parts/list")

    def open_at(path: str) -> "Page":
        page.goto(f"{live_server.url}/parts/{path}")
        return page

    yield open_at
    look_pages.EXPORTED.clear()


@pytest.mark.std("C-01")
@pytest.mark.std("C-08")
@pytest.mark.std("B-15")
@pytest.mark.std("B-28")
@pytest.mark.parametrize(("width", "scheme"), [(320, "light"), (390, "dark"), (1280, "light"), (1280, "dark")])
def test_no_part_bars_anybody_or_needs_sideways_scrolling(
    at: Callable[[str], "Page"], axe: Callable[[], list[str]], complaints: list[str], width: int, scheme: str
) -> None:
    for path in PATHS:
        page = at(path)
        resize(page, width, 800)
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        until(page, f"matchMedia('(prefers-color-scheme: {scheme})').matches")
        assert axe() == [], path
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
    assert complaints == []


@pytest.mark.std("C-01")
@pytest.mark.std("C-03")
def test_a_form_that_was_sent_with_mistakes_bars_nobody_and_gives_the_summary_the_focus(
    at: Callable[[str], "Page"], axe: Callable[[], list[str]], complaints: list[str]
) -> None:
    page = at("form")
    page.fill("#id_why", "kept")
    page.click(".signing button")
    expect(page).to_have_title("Error: Parts · Sited")
    until(page, "document.activeElement.id === 'problems'")
    assert page.input_value("#id_why") == "kept"
    assert axe() == []
    page.click("#problems a >> nth=0")
    until(page, "document.activeElement.id === 'id_start'")
    assert complaints == []


@pytest.mark.std("C-07")
def test_targets_are_large_enough_and_larger_at_the_bedside(at: Callable[[str], "Page"]) -> None:
    for path in ("answers", "form", "list"):
        page = at(path)
        resize(page, 390, 800)
        assert page.evaluate(SMALL.replace("LEAST", "24")) == [], path
    page = at("bedside")
    within = SMALL.replace('"a, button, input', '".bedside button:not(.plain), .bedside input:not([type=hidden])')
    assert page.evaluate(within.replace("LEAST", "44").replace(", select", ", .bedside select")) == []


@pytest.mark.std("C-09")
def test_wider_text_spacing_cuts_nothing_off(at: Callable[[str], "Page"]) -> None:
    # The values of WCAG 2.2, SC 1.4.12.
    spacing = "* { line-height: 1.5 !important; letter-spacing: .12em !important; word-spacing: .16em !important }"
    for path in ("answers", "bedside", "form", "list"):
        page = at(path)
        resize(page, 320, 800)
        page.evaluate(
            "css => { const s = new CSSStyleSheet(); s.replaceSync(css); document.adoptedStyleSheets = [s] }", spacing
        )
        cut = page.evaluate(
            """() => [...document.querySelectorAll("button, .button, legend, .tile > span, .say, h1, h2, .chips a")]
            .filter((each) => each.checkVisibility() && (each.scrollWidth > each.clientWidth + 1
                || each.scrollHeight > each.clientHeight + 2)).map((each) => each.textContent)"""
        )
        assert cut == [], path
        assert page.evaluate("document.documentElement.scrollWidth") <= 320, path


@pytest.mark.std("C-06")
def test_every_stop_of_the_tab_key_shows_a_ring_that_is_wide_enough(at: Callable[[str], "Page"]) -> None:
    for path in ("bedside", "list"):
        page = at(path)
        seen = 0
        for _ in range(30):
            page.keyboard.press("Tab")
            ring = page.evaluate(
                """() => { const each = document.activeElement;
                if (each === document.body) return null;
                const shown = each.closest(".tile") ? each.nextElementSibling : each;
                const style = getComputedStyle(shown);
                return [style.outlineStyle, parseFloat(style.outlineWidth)] }"""
            )
            if ring is None:
                break
            seen += 1
            assert ring[0] == "solid", page.evaluate("document.activeElement.outerHTML")
            assert ring[1] >= 2
        assert seen >= 8


@pytest.mark.std("C-13")
def test_sorting_and_narrowing_a_list_fetch_only_the_list_and_say_so(at: Callable[[str], "Page"]) -> None:
    page = at("list")
    page.evaluate("window.stayed = true")
    with page.expect_response("**/parts/list?sort=logged"):
        page.click("thead >> text=Logged")
    page.wait_for_selector("th[aria-sort=ascending] >> text=Logged")
    until(page, "document.activeElement.textContent === 'Logged'")
    expect(page.locator("#said")).to_have_text("Showing 1 to 10 of 32")
    until_settled(page)
    page.fill("#people_q", "Pell")
    page.click("text=Narrow the list")
    page.wait_for_selector(".chips >> text=Name: Pell")
    # The status line is written after the list is there.
    expect(page.locator("#said")).to_have_text("4 in all")
    page.wait_for_url("**q=Pell**")
    assert page.evaluate("window.stayed") is True
    page.go_back()
    expect(page.locator(".bar p")).to_have_text("Showing 1 to 10 of 32")
    page.wait_for_load_state()
    # The script library keeps where one was, and nothing of what was seen there.
    assert page.evaluate("Object.keys(localStorage)") == []
    assert page.evaluate("Object.keys(sessionStorage)") in ([], ["htmx-current-path-for-history"])


@pytest.mark.std("C-21")
def test_a_list_sorts_turns_and_narrows_without_script(
    at: Callable[[str], "Page"], browser: "Browser", live_server: "LiveServer"
) -> None:
    with_script = at("list")
    context = browser.new_context(java_script_enabled=False)
    context.set_default_timeout(LONGEST_WAIT)
    context.add_cookies(with_script.context.cookies())  # type: ignore[arg-type]
    page = context.new_page()
    page.goto(f"{live_server.url}/parts/list")
    page.click("thead >> text=Logged")
    page.wait_for_url("**?sort=logged")
    page.click("nav.pages >> text=On")
    expect(page.locator(".bar p")).to_have_text("Showing 11 to 20 of 32")
    page.fill("#people_q", "Pell")
    page.click("text=Narrow the list")
    expect(page.locator(".bar p")).to_have_text("4 in all")
    with page.expect_download() as taken:
        page.click("text=Download CSV")
    assert taken.value.suggested_filename == "people.csv"
    assert [made.rows for made in look_pages.EXPORTED] == [4]
    context.close()


@pytest.mark.std("F-17")
def test_a_draft_survives_a_closed_page_until_the_entry_is_saved(at: Callable[[str], "Page"]) -> None:
    page = at("bedside")
    page.check("input[value='22']", force=True)
    until(page, "localStorage.length === 1")
    page = at("bedside")
    expect(page.locator("input[value='22']")).to_be_checked()
    expect(page.locator("text=What you typed before is back")).to_be_visible()
    page.click("text=Start afresh")
    expect(page.locator("input[value='20']")).to_be_checked()
    page.check("input[value='24']", force=True)
    page.check("input[value='Not first time']", force=True)
    until(page, "localStorage.length === 1")
    page.click("text=Save and ask")
    page.wait_for_selector("[role=status] >> text=Saved.")
    until(page, "localStorage.length === 0")


@pytest.mark.std("D-11")
def test_signing_out_clears_every_draft_of_that_person(at: Callable[[str], "Page"]) -> None:
    page = at("bedside")
    page.check("input[value='22']", force=True)
    until(page, "localStorage.length === 1")
    page.click("text=Sign out")
    page.wait_for_url("**/sign-in/**")
    until(page, "localStorage.length === 0")


def test_a_draft_that_is_thrown_away_at_once_does_not_come_back(at: Callable[[str], "Page"]) -> None:
    page = at("bedside")
    page.check("input[value='22']", force=True)
    until(page, "localStorage.length === 1")
    page.reload()
    left = page.evaluate(
        """() => {
            document.querySelector("input[value='24']").click();
            document.querySelector("[data-draft-drop]").click();
            return new Promise((done) => setTimeout(() => done(Object.keys(localStorage)), 1000));
        }"""
    )
    assert left == []
    expect(page.locator("input[value='20']")).to_be_checked()


@pytest.mark.std("D-11")
def test_what_was_typed_just_before_signing_out_is_not_kept_either(at: Callable[[str], "Page"]) -> None:
    page = at("bedside")
    # In one go, so that no slowness comes between; the page stays, as it does until the answer is there. What it was to
    # keep a moment after the keystroke comes due before this longer wait.
    left = page.evaluate(
        """() => {
            const out = document.querySelector("form[data-forget]");
            out.addEventListener("submit", (event) => event.preventDefault());
            document.querySelector("input[value='22']").click();
            out.requestSubmit();
            return new Promise((done) => setTimeout(() => done(Object.keys(localStorage)), 1000));
        }"""
    )
    assert left == []


@pytest.mark.std("C-14")
@pytest.mark.std("B-11")
def test_before_a_session_ends_one_press_keeps_it(at: Callable[[str], "Page"], axe: Callable[[], list[str]]) -> None:
    page = at("bedside")
    # The page's time stands still but for these steps, however long the machine takes over them.
    page.clock.install(time=0)
    page.clock.pause_at(1000)
    page.reload()
    page.clock.fast_forward(1000 * (django_settings.SITED_IDLE_SECONDS - 130))
    expect(page.locator("#ending")).to_be_hidden()
    page.clock.fast_forward(1000 * 20)
    expect(page.locator("#ending")).to_be_visible()
    page.clock.resume()
    assert axe() == []
    with page.expect_response("**/stay/") as kept:
        page.click("text=Stay signed in")
    assert kept.value.json()["seconds"] > 120
    expect(page.locator("#ending")).to_be_hidden()


@pytest.mark.std("C-19")
def test_whoever_wants_no_motion_gets_none(at: Callable[[str], "Page"]) -> None:
    page = at("answers")
    read = "getComputedStyle(document.querySelector('summary'), '::before').transitionDuration"
    assert page.evaluate(read) != "0s"
    page.emulate_media(reduced_motion="reduce")
    until(page, f"{read} === '0s'")


@pytest.mark.std("F-16")
def test_a_printed_page_says_when_and_for_whom_and_leaves_the_frame_out(at: Callable[[str], "Page"]) -> None:
    page = at("list")
    page.emulate_media(media="print")
    expect(page.locator("text=for Ida Marlowe")).to_be_visible()
    for gone in ("header.top", ".filters", ".exports", "nav.pages"):
        expect(page.locator(gone)).to_be_hidden()
    expect(page.locator("body")).to_have_css("background-color", "rgb(255, 255, 255)")
