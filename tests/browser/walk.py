"""A walk through every page as a browser shows it, and all that is found on the way."""

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from html import unescape
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, urlsplit

from django.conf import settings
from django.db import transaction
from django.test import Client
from django.urls import Resolver404, resolve, reverse

from config.permissions import TABLE
from tests.browser.scripts import ADVICE, CUT_OFF, FRAME, LOUD, RING, SMALL, WIDER_TEXT, WITHIN
from tests.browser.stage import Ward
from tests.browser.waiting import resize
from tests.config.matrix import MATRIX
from tests.conftest import AXE_TAGS, LONGEST_WAIT

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

PHONE = {"viewport": {"width": 390, "height": 844}, "color_scheme": "light", "is_mobile": True, "has_touch": True}
DESK = {"viewport": {"width": 1280, "height": 800}, "color_scheme": "dark"}
SIZES: Mapping[str, Mapping[str, Any]] = {"phone": PHONE, "desk": DESK}
NARROWEST = 320
ASKED_OF_AXE = {"runOnly": {"type": "tag", "values": list(AXE_TAGS)}, "resultTypes": ["violations"]}
MAIN = re.compile(r"<main.*</main>", re.DOTALL)
ELEMENT = re.compile(r"<(\w+)([^>]*)>")
SHAPE = re.compile(r'\b(?:class|type|name|role|hidden|checked|aria-sort)\b(?:="[^"]*")?')
WORDS = re.compile(r"<(?:h2|h3|button|label|legend|dt|summary)\b[^>]*>(.*?)</", re.DOTALL)
HREF = re.compile(r'<a [^>]*?href="([^"]+)"')


@dataclass(frozen=True)
class Stop:
    """A page as one person sees it. `html` is set where it is not fetched: the answer to a form that was sent empty.

    `again` marks one whose path somebody else looks at too: the parts are the same ones, put together otherwise.
    """

    name: str
    path: str
    who: str
    html: str = ""
    again: bool = False

    def __str__(self) -> str:
        return f"{self.name}{' with mistakes' if self.html else ''} {self.path} as {self.who}"


@dataclass
class Found:
    """By kind of fault, a line for each place; and what was seen."""

    faults: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    stops: list[Stop] = field(default_factory=list)
    titles: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    helps: dict[object, list[str]] = field(default_factory=lambda: defaultdict(list))
    rings: int = 0
    links: int = 0

    def note(self, kind: str, where: object, lines: list[str]) -> None:
        self.faults[kind] += [f"{where}: {line}" for line in lines]


# --- which pages ---


def opened_by_get() -> list[str]:
    return [name for name, row in TABLE.items() if "GET" in row.methods]


class Planner:
    """Finds the pages, and who sees something of their own there, with Django's own client: it is many times faster."""

    def __init__(self, ward: Ward, more: Mapping[str, list[tuple[Mapping[str, Any], str]]]) -> None:
        self.ward, self.more = ward, more
        self.clients = {"anonymous": Client(raise_request_exception=False)}
        for who, user in ward.people().items():
            self.clients[who] = Client(raise_request_exception=False)
            self.clients[who].force_login(user)
        self.names = {who: (user.name, user.email) for who, user in ward.people().items()}
        self.broken: list[str] = []
        self.hrefs: dict[str, set[str]] = defaultdict(set)

    def stops(self, name: str) -> list[Stop]:
        """One for each thing that this URL shows; for the forms one more, sent with nothing filled in."""
        found: list[Stop] = []
        for path in self.paths(name):
            seen: set[object] = set()
            # Whoever sees the same on a page's first face is not asked about its others.
            for who in dict.fromkeys(stop.who for stop in found) or self.clients:
                answer = self.clients[who].get(path)
                if answer.status_code >= 500:
                    self.broken.append(f"{name} {path} as {who}: {answer.status_code}")
                if answer.status_code != 200 or not answer["Content-Type"].startswith("text/html"):
                    continue
                html = answer.content.decode()
                self.hrefs[who] |= {unescape(href) for href in HREF.findall(html)}
                if (shown := self.face(html)) not in seen:
                    seen.add(shown)
                    found.append(Stop(name, path, who, again=len(seen) > 1))
        if found and "POST" in TABLE[name].methods:
            found += self.with_mistakes(found[0])
        return found

    def paths(self, name: str) -> list[str]:
        if name in self.more:
            return [reverse(name, kwargs=dict(arguments)) + query for arguments, query in self.more[name]]
        entry = MATRIX.get(name)
        arguments = next(iter(entry.arguments(self.ward.cast).values())) if entry else {}
        return [reverse(name, kwargs=dict(arguments))]

    def with_mistakes(self, stop: Stop) -> list[Stop]:
        with undone():
            answer = self.clients[stop.who].post(stop.path, {"sent": "empty"})
        html = answer.content.decode() if answer.status_code == 200 else ""
        return [Stop(stop.name, stop.path, stop.who, html)] if 'id="problems"' in html else []

    @staticmethod
    def face(html: str) -> tuple[frozenset[str], ...]:
        """How two people see a page differently: kinds of elements, headings and controls, where it leads."""
        part = MAIN.search(html)
        text = part.group() if part else html
        return (
            frozenset(f"{tag} {' '.join(SHAPE.findall(more))}" for tag, more in ELEMENT.findall(text)),
            frozenset(WORDS.findall(text)),
            frozenset(name_of(href) for href in HREF.findall(text)),
        )

    def dead_links(self, most: int = 2) -> Iterator[str]:
        """Follow every link that was shown to somebody, as that person; of links alike a few."""
        for who, hrefs in self.hrefs.items():
            asked: dict[object, int] = defaultdict(int)
            for href in sorted(hrefs):
                parts = urlsplit(href)
                if parts.netloc or parts.scheme:
                    yield f"{who}: {href} leads elsewhere"
                    continue
                if not parts.path.startswith("/") or parts.path.startswith(settings.STATIC_URL):
                    continue
                kind = (name_of(href), tuple(sorted(dict(parse_qsl(parts.query)))))
                asked[kind] += 1
                if asked[kind] <= most:
                    status = self.clients[who].get(parts.path + (f"?{parts.query}" if parts.query else "")).status_code
                    if status not in (200, 302):
                        yield f"{who}: {href} answers {status}"


def name_of(href: str) -> str:
    """The name of the URL that a link leads to; another link as it is."""
    try:
        return resolve(urlsplit(unescape(href)).path).url_name or href
    except Resolver404:
        return href


@contextmanager
def undone() -> Iterator[None]:
    block = transaction.atomic()
    block._from_testcase = True  # type: ignore[attr-defined]
    with block:
        yield
        transaction.set_rollback(True)


# --- looking at them ---


class Looker:
    """One browser; a context for each person and size, signed in by cookie."""

    def __init__(self, browser: "Browser", url: str, planner: Planner, axe_script: str, found: Found) -> None:
        self.browser, self.url, self.planner, self.axe_script, self.found = browser, url, planner, axe_script, found
        self.where = ""

    def look(self, stops: list[Stop]) -> None:
        for size, options in SIZES.items():
            for who in dict.fromkeys(stop.who for stop in stops):
                context = self.context(who, options)
                page = context.new_page()
                self.listen(page)
                for stop in stops:
                    # What a form says of mistakes, and others see of the same page: in the narrow size alone.
                    if stop.who == who and (size == "phone" or not (stop.html or stop.again)):
                        self.look_at(page, stop, size)
                context.close()

    def context(self, who: str, options: Mapping[str, Any]) -> "BrowserContext":
        context = self.browser.new_context(**options, reduced_motion="reduce")
        context.set_default_timeout(LONGEST_WAIT)
        context.add_init_script(LOUD)
        context.add_init_script(self.axe_script)
        # Signed in anew: a walk on a busy machine may last longer than an idle session.
        if user := self.planner.ward.people().get(who):
            self.planner.clients[who].force_login(user)
        if cookie := self.planner.clients[who].cookies.get(settings.SESSION_COOKIE_NAME):
            host = urlsplit(self.url).hostname or ""
            context.add_cookies(
                [{"name": cookie.key, "value": cookie.value, "domain": host, "path": "/", "secure": True}]
            )
        return context

    def listen(self, page: "Page") -> None:
        here, faults = urlsplit(self.url).netloc, self.found

        def asked(url: str) -> None:
            parts = urlsplit(url)
            if parts.scheme not in ("data", "blob", "about") and parts.netloc != here:
                faults.note("hosts", self.where, [url])

        page.on("console", lambda said: faults.note("console", self.where, [said.text] if said.type == "error" else []))
        page.on("pageerror", lambda error: faults.note("console", self.where, [str(error)]))
        page.on("request", lambda request: asked(request.url))

    def look_at(self, page: "Page", stop: Stop, size: str) -> None:
        self.where = f"{stop} ({size})"
        if stop.html:
            page.route(
                self.url + stop.path,
                lambda route: route.fulfill(response=route.fetch(method="GET"), body=stop.html),
                times=1,
            )
        answer = page.goto(self.url + stop.path, wait_until="load")
        note = lambda kind, lines: self.found.note(kind, self.where, lines)  # noqa: E731
        if answer is None or answer.status != 200:
            note("status", [str(answer and answer.status)])
            return
        note("policy", page.evaluate("window.policyBroken"))
        note("axe", page.evaluate(ADVICE, ASKED_OF_AXE))
        frame = page.evaluate(FRAME)
        note("frame", frame["faults"])
        self.found.titles[frame["title"]].add(stop.name)
        if stop.who != "anonymous":
            self.found.helps[frame["help"]].append(self.where)
            note("ending", [] if frame["ending"] else ["no warning before the session ends"])
        if stop.html and frame["focus"] != "problems":
            note("frame", [f"the focus is on {frame['focus']!r}, not on the summary of mistakes"])
        width = SIZES[size]["viewport"]["width"]
        note("sideways", page.evaluate(WITHIN, width))
        note("targets", page.evaluate(SMALL, 24))
        if size == "phone":
            resize(page, NARROWEST, 844)
            note("sideways", page.evaluate(WITHIN, NARROWEST))
            page.evaluate(WIDER_TEXT)
            note("spacing", page.evaluate(CUT_OFF) + page.evaluate(WITHIN, NARROWEST))
            resize(page, width, 844)

    def tab_through(self, stops: list[Stop], most: int = 30) -> None:
        """Each stop of the Tab key has a ring that is wide enough and is not hidden by anything."""
        for stop in stops:
            context = self.context(stop.who, DESK)
            page = context.new_page()
            page.goto(self.url + stop.path)
            for _ in range(most):
                page.keyboard.press("Tab")
                ring = page.evaluate(RING)
                if ring is None:
                    break
                self.found.rings += 1
                self.found.note("rings", f"{stop} (desk)", ring)
            context.close()
