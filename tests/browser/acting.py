"""A life told by many: each at a browser of their own, signed in by the page, following links and pressing buttons."""

import re
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time
from io import StringIO
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.management import call_command
from django.test import Client
from django.urls import reverse
from playwright.sync_api import expect

from ledger import clock
from people.models import User
from tests.browser.waiting import until_settled
from tests.conftest import LONGEST_WAIT
from tests.factories import SECRET, ZONE

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Locator, Page


@dataclass
class Person:
    """Somebody at a browser of their own. What the page logs as an error is kept in `complaints`."""

    user: User
    page: "Page"
    url: str
    complaints: list[str]

    @property
    def main(self) -> "Locator":
        return self.page.locator("main")

    def open(self, path: str) -> int:
        """Open a page of this server, and wait until all of it is there, its scripts run; the status of its answer."""
        answer = self.page.goto(self.url + path, wait_until="domcontentloaded")
        assert answer is not None
        return answer.status

    def status(self, path: str) -> int:
        """What this URL answers to a GET with this browser's cookies; the page stays where it is."""
        return self.page.context.request.get(self.url + path, max_redirects=0).status

    def link(self, words: str, *, under: str = "") -> "Locator":
        """A link by its words, in the section with this heading if one is given."""
        part = self.main.get_by_role("region", name=under, exact=True) if under else self.main
        return part.get_by_role("link", name=words, exact=True)

    def follow(self, words: str, *, under: str = "") -> None:
        self.link(words, under=under).click()

    def press(self, words: str) -> None:
        self.main.get_by_role("button", name=words, exact=True).click()

    def fill(self, **values: str) -> None:
        """Write into fields, by their names."""
        for name, value in values.items():
            self.main.locator(f"[name={name}]").fill(value)

    def choose(self, **values: str) -> None:
        """Choose a tile, by the field's name and the code behind it."""
        for name, value in values.items():
            box = self.page.locator(f"[name='{name}'][value='{value}']")
            self.main.locator("label.tile", has=box).click()
            expect(box).to_be_checked()

    def check_and_sign(self, button: str = "Sign") -> None:
        """From the filled form to the check page, and from there to the signature."""
        self.press("Check it")
        expect(self.page.locator("h1")).to_have_text("Check before you sign")
        self.sign(button)

    def sign(self, button: str = "Sign") -> None:
        self.fill(secret=SECRET)
        self.press(button)

    def log(self, supervisor: User, *, nearness: str = "in_room") -> None:
        """Log a routine insertion of right now at the bedside, and ask for the signature."""
        self.open(reverse("log"))
        self.choose(result="first_time")
        self.main.locator(".tile:has-text('20'):visible").click()
        self.main.locator(".tile:has-text('Forearm'):visible").click()
        with self.page.expect_response(lambda answer: answer.request.method == "POST"):
            self.choose(band="adult")
        until_settled(self.page)
        self.choose(supervisor=str(supervisor.uuid), nearness=nearness)
        self.main.locator("fieldset:has-text('Anything serious?') .tile:has-text('No')").click()
        self.press("Save and ask for the signature")
        expect(self.page.locator("h1")).to_contain_text("Saved")

    def countersign(self, nearness: str) -> None:
        """Open the one entry that waits, say how near one was, and sign."""
        self.open(reverse("to_sign"))
        self.main.locator("button[name=open]").click()
        self.main.locator(f"label.tile:has([name^='answer-'][value='{nearness}'])").click()
        self.press("Check what you sign")
        expect(self.page.locator("h1")).to_have_text("Check what you sign")
        self.sign()
        expect(self.main).to_contain_text("What became of it")


@contextmanager
def company(
    browser: "Browser", url: str, users: Mapping[str, User], *, onlookers: Collection[str] = ()
) -> Iterator[dict[str, Person]]:
    """Everybody signed in, by name: by the page, but for onlookers, who do nothing and come with a session.

    At the end no page of anybody has complained.
    """
    people: dict[str, Person] = {}
    for name, user in users.items():
        context = browser.new_context(reduced_motion="reduce")
        context.set_default_timeout(LONGEST_WAIT)
        page = context.new_page()
        complaints: list[str] = []
        page.on("console", _note(complaints))
        page.on("pageerror", lambda error, into=complaints: into.append(str(error)))
        people[name] = each = Person(user, page, url, complaints)
        if name in onlookers:
            context.add_cookies([_session_of(user, url)])
            continue
        each.open(reverse("sign_in"))
        each.fill(username=user.email, password=SECRET)
        each.press("Sign in")
        page.wait_for_url(lambda where: reverse("sign_in") not in where)
    yield people
    assert {name: each.complaints for name, each in people.items() if each.complaints} == {}
    for each in people.values():
        each.page.context.close()


def _session_of(user: User, url: str) -> Any:
    client = Client()
    client.force_login(user)
    value = client.cookies[settings.SESSION_COOKIE_NAME].value
    host = urlsplit(url).hostname or ""
    return {"name": settings.SESSION_COOKIE_NAME, "value": value, "domain": host, "path": "/", "secure": True}


def _note(complaints: list[str]) -> Callable[..., None]:
    # That a page is refused is what is asked here; Chromium writes each refusal on the console.
    refusal = re.compile(r"status of 40[34] ")
    return lambda said: complaints.append(said.text) if said.type == "error" and not refusal.search(said.text) else None


def on_the_morning_of(day: date) -> None:
    """Let the server's clock run from ten in the morning of this day, by the wards' own time, after its nightly run."""
    clock.run_from(datetime.combine(day, time(10), ZoneInfo(ZONE)))
    call_command("daily", stdout=StringIO())
