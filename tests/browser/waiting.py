"""Waiting for what a page does by itself, with a limit that a slow machine keeps."""

from collections.abc import Callable
from typing import TYPE_CHECKING

from tests.conftest import LONGEST_WAIT

if TYPE_CHECKING:
    from playwright.sync_api import Page

STEP = 100  # milliseconds


def until(page: "Page", expression: str) -> None:
    """Wait until it is true; the page's policy forbids the waiting that evaluates in the page."""
    until_true(page, lambda: bool(page.evaluate(expression)), expression)


def until_true(page: "Page", holds: Callable[[], bool], words: str) -> None:
    """The same for something that is seen from outside: a line on the console, a row in the database."""
    for _ in range(LONGEST_WAIT // STEP):
        if holds():
            return
        page.wait_for_timeout(STEP)
    raise AssertionError(f"never true: {words}")


def until_settled(page: "Page") -> None:
    """What was fetched is in place and answers: only then do its links and buttons fetch parts themselves."""
    until(page, "!document.querySelector('.htmx-request, .htmx-swapping, .htmx-settling, .htmx-added')")


def resize(page: "Page", width: int, height: int) -> None:
    """Make the window that large, and wait until the page is laid out in it, however wide its content is."""
    page.set_viewport_size({"width": width, "height": height})
    until(page, f"matchMedia('(width: {width}px)').matches")
